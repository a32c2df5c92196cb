"""Which take it is, and what is said of it, by what the sound of each has been found to be.

What sounds is told, not heard: each case is one of the ordinary ones (a copy, a part, a song played twice, a recorder
far away), and the judgements are those that spatial.sync.choice gives of it.
"""

from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import spatial.jobs.sync.choose_take as choosing
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.sync.rival_findings import doubtful
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.alignment import MATCH_SCORE, SyncEstimate, no_match
from spatial.sync.baseline import rig_of_length
from spatial.sync.choice import Alternative, Judgement, Verdict
from spatial.sync.same_music import Moments, Standing
from spatial.sync.wall_clock import MOST_ALONE
from spatial.timebase import ClockLaw

PHASE_S = 0.040
"""The clip's sound begins so long after its first picture."""

SAMPLES = 80 * 48_000
LISTENED = SimpleNamespace(silent=False, powers=None)


@pytest.mark.parametrize(
    ("covered_s", "severity", "says"),
    [
        (10.0, Severity.NOTE, "10 s are too short"),
        (40.0, Severity.LOOK, "the other does not (3.0 to 4.0 s)"),
    ],
)
def test_a_doubt_is_never_a_fix(covered_s, severity, says):
    clip, take = SimpleNamespace(path=Path("pier.mp4")), SimpleNamespace(path=Path("rec-7.wav"))
    against = Moments(Standing.DOUBTFUL, ((3.0, 4.0),), 0.8, 1.5, 7.0, covered_s, unsteady=False, steady=True)
    finding = doubtful(clip, take, against)
    assert finding.severity is severity
    assert says in finding.message
    assert "--paired" in finding.message


def clip(created=None):
    scratch = SimpleNamespace(phase_s=PHASE_S, start_doubt_s=0.0)
    return Clip(Path("pier.mov"), 60.0, None, 1500, None, None, None, created, scratch)


def take(name, *, samples=SAMPLES, began_s=None):
    return Take(Path(f"{name}.wav"), 48_000, 4, samples, "WAV", "PCM_24", ChannelFormat.AMBIX, began_s)


def seen(score, signs=(1.0,)):
    return SimpleNamespace(score=score, signs=np.array(signs))


def match(offset_s=3.0, *, score=20.0, **options):
    law = ClockLaw(offset_s)
    return SyncEstimate(True, "", law, 1e-4, 1.0, seen(score), law, **options)


def loop(score=20.0):
    return replace(no_match("it fits in several places", undecided=True), loop=True, evidence=seen(score))


def moments(standing, *, only_s=0.0):
    return Moments(standing, (), only_s, only_s, 30.0, 60.0, unsteady=standing is Standing.CLEAR, steady=True)


def place(offset_s):
    """A place as the judgement knows it: on the time of the sound's samples."""
    return Alternative(None, ClockLaw(offset_s).from_clip_time(PHASE_S), np.ones(1), 20.0, np.zeros(1))


def judged(verdict, *standings, best=0, shares=None, rivals=(), only_s=0.0):
    shares = shares or tuple(1.0 / len(standings) for _ in standings)
    return Judgement(verdict, best, shares, rivals, (), tuple(moments(each, only_s=only_s) for each in standings))


def choice_of(judgement, entries, *, separation=None):
    """The choice between places: each a take, its estimate, and where it lies."""
    told = {entry.path: estimate for entry, estimate, _ in entries}
    best, estimate, _ = entries[judgement.best]
    # What is said of places whose standings are given: no sound leads to each of these for sure.
    return choosing._choice(
        clip(),
        best,
        estimate,
        judgement,
        [entry for entry, _, _ in entries],
        [place(offset_s) for _, _, offset_s in entries],
        PHASE_S,
        separation,
        told,
    )


ONE, OTHER, THIRD = take("one"), take("other"), take("third")
FAR = rig_of_length(2.0)


def test_what_a_clip_may_be_is_told_likeliest_first_and_nothing_that_is_beaten():
    told = judged(Verdict.AMBIGUOUS, *[Standing.CLEAR] * 3, best=1, shares=(0.3, 0.6, 0.1), rivals=(0,))
    entries = [(ONE, match(3.0), 3.0), (OTHER, match(9.0), 9.0), (THIRD, match(1.0), 1.0)]
    choice = choice_of(told, entries)
    assert [p.take for p in choice.possibilities] == [OTHER, ONE]
    # The judgement's laws count from the sound's first sample, a possibility's from the first picture.
    assert [p.law.offset_s for p in choice.possibilities] == pytest.approx([9.0, 3.0])
    assert [p.estimate for p in choice.possibilities] == [entries[1][1], entries[0][1]]
    assert not choice.estimate.matched
    # A day's clocks settle only what is left open, not what is refused.
    assert choice.estimate.undecided
    assert [(f.code, f.severity) for f in choice.findings] == [("ambiguous_match", Severity.FIX)]


def test_a_place_that_contradicts_the_clip_has_no_estimate_for_the_clocks_to_choose():
    told = judged(Verdict.AMBIGUOUS, Standing.MUSIC, Standing.CONTRADICTED, rivals=(1,))
    choice = choice_of(told, [(ONE, match(3.0), 3.0), (OTHER, match(9.0), 9.0)])
    assert [p.estimate is None for p in choice.possibilities] == [False, True]


@pytest.mark.parametrize(
    ("length_m", "apart", "refused"),
    [(None, False, True), (0.45, False, True), (2.0, False, False), (None, True, False)],
    ids=["no offset", "on the rig", "metres away, as given", "metres away, as heard"],
)
def test_the_same_music_is_refused_but_not_where_the_recorder_stood_far_away(length_m, apart, refused):
    """There each performer has a lag of their own, and what is shared seems not to be."""
    separation = None if length_m is None else rig_of_length(length_m)
    told = judged(Verdict.NONE, Standing.CONTRADICTED, only_s=4.0)
    choice = choice_of(told, [(ONE, match(apart=apart), 3.0)], separation=separation)
    assert choice.estimate.matched is not refused
    assert choice.findings == ()
    assert not choice.estimate.undecided


@pytest.mark.parametrize(("apart", "said"), [(False, 1), (True, 0)])
def test_a_doubt_is_said_but_not_of_a_recorder_far_away(apart, said):
    told = judged(Verdict.AMBIGUOUS, Standing.DOUBTFUL, only_s=0.8)
    choice = choice_of(told, [(ONE, match(apart=apart), 3.0)])
    assert choice.estimate.matched
    assert len(choice.findings) == said
    assert len(choice_of(told, [(ONE, match(), 3.0)], separation=FAR).findings) == 0


@pytest.mark.parametrize(("verdict", "said"), [(Verdict.AMBIGUOUS, 1), (Verdict.DECIDED, 0)])
def test_a_match_by_music_alone_is_said_unless_it_beats_all_others(verdict, said):
    entries = [(ONE, match(3.0), 3.0), (OTHER, match(9.0), 9.0)]
    choice = choice_of(judged(verdict, Standing.MUSIC, Standing.MUSIC, shares=(0.9995, 0.0005)), entries)
    assert choice.estimate.matched
    assert [f.severity for f in choice.findings] == [Severity.LOOK] * said


@pytest.mark.parametrize(("only_s", "said"), [(0.1, 0), (0.6, 1)])
def test_too_little_to_tell_is_said_where_one_side_holds_something_alone(only_s, said):
    """A quiet clip that shares all it has is no news; one that has a second to itself beside nothing certain is."""
    choice = choice_of(judged(Verdict.AMBIGUOUS, Standing.UNTOLD, only_s=only_s), [(ONE, match(), 3.0)])
    assert [f.severity for f in choice.findings] == [Severity.NOTE] * said


def test_what_is_no_match_is_not_said_to_match():
    choice = choice_of(judged(Verdict.AMBIGUOUS, Standing.MUSIC), [(ONE, loop(), 3.0)])
    assert not choice.estimate.matched
    assert choice.findings == ()


@pytest.mark.parametrize(
    ("copy", "offset_s", "estimate", "copied"),
    [
        (OTHER, 3.0005, match(), True),
        (OTHER, 3.010, match(), False),
        (take("other", samples=SAMPLES - 1), 3.0, match(), False),
        (OTHER, 3.0, loop(), False),
    ],
    ids=["a copy", "10 ms later", "another length", "which fits in several places"],
)
def test_a_copy_is_of_the_same_length_and_at_the_same_place(copy, offset_s, estimate, copied):
    """One clock more or less a sample does not matter; the same song in another take lies elsewhere."""
    told = judged(Verdict.AMBIGUOUS, Standing.CLEAR, Standing.CLEAR, rivals=(1,))
    choice = choice_of(told, [(ONE, estimate, 3.0), (copy, match(offset_s), offset_s)])
    assert choice.estimate.matched is copied
    assert [f.severity for f in choice.findings] == [Severity.LOOK if copied else Severity.FIX]


def test_a_copy_beside_another_take_of_the_song_settles_nothing():
    told = judged(Verdict.AMBIGUOUS, *[Standing.MUSIC] * 3, rivals=(1, 2))
    entries = [(ONE, match(3.0), 3.0), (OTHER, match(3.0), 3.0), (THIRD, match(9.0), 9.0)]
    assert not choice_of(told, entries).estimate.matched


PARTS = [
    replace(take(f"rec-00{n}", samples=20 * 48_000), start_of_day_s=begin) for n, begin in ((1, 100.0), (3, 125.0))
]
"""Of one recording whose second file, 5 s long, is missing."""


@pytest.mark.parametrize(("third", "matched"), [(False, True), (True, False)])
def test_two_parts_of_one_recording_are_no_rivals_but_a_third_take_is(third, matched):
    """The clip starts 12 s into the first and runs to the end of the last: 8 s of one, 20 s of the other."""
    entries = [(PARTS[0], match(12.0), 12.0), (PARTS[1], match(-13.0), -13.0)]
    entries += [(THIRD, match(4.0), 4.0)] * third
    told = judged(Verdict.AMBIGUOUS, *[Standing.CLEAR] * len(entries), rivals=tuple(range(1, len(entries))))
    choice = choice_of(told, entries)
    assert choice.estimate.matched is matched
    if matched:
        assert choice.take is PARTS[1]
        assert [f.code for f in choice.findings] == ["missing_part"]


def test_a_part_that_fits_in_several_places_does_not_stand_for_the_recording():
    entries = [(PARTS[0], match(12.0), 12.0), (PARTS[1], loop(), -13.0)]
    choice = choice_of(judged(Verdict.AMBIGUOUS, Standing.MUSIC, Standing.MUSIC, rivals=(1,)), entries)
    assert not choice.estimate.matched
    assert [(f.code, f.severity) for f in choice.findings] == [("ambiguous_match", Severity.FIX)]


@pytest.fixture
def by_sound(monkeypatch):
    """Choose by sound where the places of each take, and the judgement, are told; gives what was weighed too."""

    def run(tried, judgement, *, places=None, measured=None, created=None):
        weighed, measured_at = [], []

        def judge(_sound, alternatives):
            weighed.extend(alternatives)
            return judgement(len(alternatives)) if callable(judgement) else judgement

        def measure(_sound, _field, candidates, **_options):
            measured_at.append(candidates[0].law.offset_s)
            return measured

        def places_of(_sound, _field, _heard, _listened, estimate, _phase_s):
            offsets = [estimate.law.offset_s] if estimate.law else places
            score = estimate.evidence.score
            return [replace(place(offset_s), score=score) for offset_s in offsets]

        monkeypatch.setattr(choosing, "TakeSamples", lambda *_: nullcontext(None))
        monkeypatch.setattr(choosing, "_places", places_of)
        monkeypatch.setattr(choosing, "judge_rivals", judge)
        monkeypatch.setattr(choosing, "estimate_sync", measure)
        entries = [(a_take, LISTENED, estimate) for a_take, estimate in tried]
        # The step after the sync of each take, with its measurements given: how they are weighed is what is tested.
        choice = choosing._choose_by_sound(clip(created), None, LISTENED, entries, None)
        return choice, weighed, measured_at

    return run


def clear(count):
    return judged(Verdict.DECIDED, *[Standing.CLEAR] * count)


def test_the_strongest_four_of_what_matches_or_fits_in_several_places_are_weighed(by_sound):
    weak = [(take(f"weak{n}"), match(score=10.0 + n)) for n in range(3)]
    rejected = (take("rejected"), replace(no_match("too few moments agree"), evidence=seen(50.0)))
    wrong_rate = (take("slow"), match(score=11.5, true_rate_hz=44_100))
    tried = [rejected, *weak, wrong_rate, (take("strong"), match(score=30.0)), (take("song"), loop(25.0))]
    choice, weighed, _ = by_sound(tried, clear, places=[5.0])
    assert [alternative.score for alternative in weighed] == [30.0, 25.0, 12.0, 11.0]
    assert choice.take.path.name == "strong.wav"


def test_a_take_that_was_rejected_is_no_rival(by_sound):
    """However alike it is: a rival would leave the match open."""
    rejected = replace(no_match("too few moments agree"), evidence=seen(50.0))
    _, weighed, _ = by_sound([(OTHER, rejected), (ONE, match(score=10.0))], clear, places=[5.0])
    assert [alternative.score for alternative in weighed] == [10.0]


def test_a_take_at_a_wrong_rate_that_fits_best_is_told_as_it_is(by_sound):
    """Its places are on another clock: it is not weighed against others."""
    slow = match(score=30.0, true_rate_hz=44_100)
    choice, weighed, _ = by_sound([(ONE, match(score=10.0)), (OTHER, slow)], clear)
    assert (choice.take, choice.estimate, weighed) == (OTHER, slow, [])


def test_a_song_none_of_whose_places_holds_is_told_as_it_was(by_sound):
    song = loop()
    rejected = replace(no_match("too few moments agree"), evidence=seen(50.0))
    choice, weighed, _ = by_sound([(OTHER, rejected), (ONE, song)], clear, places=[])
    assert (choice.take, choice.estimate, weighed) == (ONE, song, [])


def test_a_song_is_measured_anew_at_the_place_that_is_decided(by_sound):
    """And told on picture time: what is measured counts from the sound's first sample."""
    told = judged(Verdict.DECIDED, Standing.CLEAR, Standing.CLEAR, best=1, shares=(0.001, 0.999))
    choice, _, at = by_sound([(ONE, loop())], told, places=[3.0, 7.0], measured=match(7.0 + PHASE_S))
    assert at == pytest.approx([7.0 + PHASE_S])
    assert choice.estimate.law.offset_s == pytest.approx(7.0)
    assert choice.estimate.steady.offset_s == pytest.approx(7.0)


def test_a_song_whose_place_is_not_decided_stays_open(by_sound):
    told = judged(Verdict.AMBIGUOUS, Standing.MUSIC)
    choice, _, at = by_sound([(ONE, loop())], told, places=[3.0], measured=match(3.0))
    assert not choice.estimate.matched
    assert at == []


def test_the_clocks_of_one_clip_say_a_little(by_sound):
    """Two takes of one song: one began when the clip did by both clocks, the other five minutes later."""
    right, wrong = take("right", began_s=36_120.0), take("wrong", began_s=36_427.0)
    _, weighed, _ = by_sound(
        [(wrong, match(3.0, score=25.0)), (right, match(3.0))], clear, created="2026-11-25T10:02:03"
    )
    against, said = (alternative.log_odds for alternative in weighed)
    assert 0.0 < said - against <= 2 * MOST_ALONE


def test_a_known_law_is_the_only_place_and_counts_from_the_sounds_first_sample(monkeypatch):
    laws = []
    monkeypatch.setattr(choosing, "shared_onsets", lambda _heard, _listened, law: laws.append(law) or np.zeros(1))
    known = replace(match(3.0), evidence=seen(17.0, (1.0, -1.0)))
    # The places themselves are seen nowhere outside: only what is chosen among them.
    (only,) = choosing._places(None, "field", LISTENED, LISTENED, known, PHASE_S)
    assert only.law.offset_s == laws[0].offset_s == pytest.approx(3.0 + PHASE_S)
    assert (only.signs.tolist(), only.score, only.take) == ([1.0, -1.0], 17.0, "field")
    stereo = SimpleNamespace(read=lambda _start, _end: np.zeros((2, 1)))
    (only,) = choosing._places(stereo, "field", LISTENED, LISTENED, replace(known, evidence=None), PHASE_S)
    assert (only.signs.tolist(), only.score) == ([1.0, 1.0], MATCH_SCORE)


@pytest.mark.parametrize(
    ("own", "places", "found", "offset_s"),
    [
        (match(3.0), [8.0], match(8.0), 3.0),
        (loop(), [8.0, 9.0], match(8.0 + PHASE_S), 8.0),
        (loop(), [], match(8.0), None),
        (loop(), [8.0], no_match("not there"), None),
    ],
    ids=["a match", "a song", "a song without places", "a song that does not hold"],
)
def test_a_track_made_of_a_song_is_judged_at_its_likeliest_place(monkeypatch, own, places, found, offset_s):
    measured_at = []
    monkeypatch.setattr(choosing, "TakeSamples", lambda *_: nullcontext(None))
    # Places are given: which of them is chosen is on trial.
    monkeypatch.setattr(choosing, "_places", lambda *_: [place(offset_s) for offset_s in places])
    monkeypatch.setattr(
        choosing, "estimate_sync", lambda _s, _f, only, **_: measured_at.append(only[0].law.offset_s) or found
    )
    told = choosing.likeliest_place(clip(), None, LISTENED, (ONE, LISTENED, own), None)
    if offset_s is None:
        assert told is own
    else:
        assert told.law.offset_s == pytest.approx(offset_s)
    assert measured_at == ([] if own.matched or not places else [pytest.approx(8.0 + PHASE_S)])
