"""Who decides where the sound alone is in doubt: the clocks, the crew, or nobody."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import pytest

import spatial.jobs.sync.choose_take
from spatial.errors import InputError
from spatial.field import ChannelFormat
from spatial.findings import Finding, Severity
from spatial.jobs.sync.choose_take import choose_take
from spatial.jobs.sync.crew_word import require_one_take
from spatial.jobs.sync.sync_clip import sync_clip
from spatial.jobs.sync.take_choice import Choice, DecidedBy, Pairing, Possibility
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate, no_match
from spatial.timebase import ClockLaw, timecode_from_frame
from tests.scenes.open_air import shoot_open_air

BEGAN_S = 36_123.44
"""The clip's first picture by the camera's clock: frame 11 of a second at 25 a second."""

OFFSET_S = 3.0


def clip(*, timecode=None, created=None):
    return Clip(Path("pier.mov"), 60.0, Fraction(25), 1500, timecode, None, None, created, None)


def take(name="rec-7.wav", *, began_s=None):
    return Take(Path(name), 48_000, 4, 80 * 48_000, "WAV", "PCM_24", ChannelFormat.AMBIX, began_s)


def aligned(offset_s=OFFSET_S):
    law = ClockLaw(offset_s)
    return SyncEstimate(True, "", law, 1e-4, 1.0, None, law)


def label(seconds):
    return timecode_from_frame(round(seconds * 25), Fraction(25))


def doubt(severity=Severity.LOOK):
    return Finding("ambiguous_match", severity, "rec-7.wav matches pier.mov, but parts of them differ", "pier.mov")


GONE = Finding("missing_part", Severity.FIX, "a part is missing")


def in_doubt(a_take, estimate, severity=Severity.LOOK, possibilities=()):
    """A choice of the sound with a doubt, and with something beside it that is none."""
    own = doubt(severity)
    return Choice(a_take, estimate, (own, GONE), possibilities, doubts=(own,))


@pytest.fixture
def choose(monkeypatch):
    """Choose where the sound's own choice is told."""

    def run(a_clip, tried, choice, *, pairing=None):
        # What the sound says is given: the crew's word beside it is on trial.
        monkeypatch.setattr(spatial.jobs.sync.choose_take, "_choose_by_sound", lambda *_args: choice)
        listened = SimpleNamespace(silent=False)
        entries = [(a_take, listened, estimate) for a_take, estimate in tried]
        return choose_take(a_clip, None, listened, entries, separation=None, pairing=pairing)

    return run


def refused(a_take, offset_s=OFFSET_S):
    only = Possibility(a_take, ClockLaw(offset_s), 1.0, None)
    return Choice(a_take, no_match("the same music played again"), (), (only,))


def test_a_refused_match_stays_refused_and_keeps_its_alignment(choose):
    rec = take()
    choice = choose(clip(), [(rec, aligned())], refused(rec))
    assert not choice.estimate.matched
    assert choice.alignment.law.offset_s == OFFSET_S


def test_the_alignment_that_is_kept_is_that_of_the_take_that_was_refused(choose):
    other, rec = take("other.wav"), take()
    choice = choose(clip(), [(other, aligned(9.0)), (rec, aligned())], refused(rec))
    assert choice.alignment.law.offset_s == OFFSET_S


def test_the_crews_word_answers_a_refused_match(choose):
    rec = take()
    choice = choose(clip(), [(rec, aligned())], refused(rec), pairing=Pairing())
    assert choice.estimate.law.offset_s == OFFSET_S
    assert choice.decided_by is DecidedBy.CREW
    (said,) = choice.findings
    assert (said.code, said.severity) == ("ambiguous_match", Severity.LOOK)
    assert "(the same music played again); --paired says" in said.message


def test_the_crews_word_takes_the_likeliest_of_several_places(choose):
    rec = take()
    places = tuple(Possibility(rec, ClockLaw(o), share, aligned(o)) for o, share in ((7.0, 0.6), (3.0, 0.4)))
    lost = in_doubt(rec, no_match("it cannot be told", undecided=True), Severity.FIX, places)
    choice = choose(clip(), [(rec, aligned(3.0))], lost, pairing=Pairing())
    assert choice.estimate.law.offset_s == 7.0
    missing, said = choice.findings
    assert missing is GONE
    assert (said.severity, choice.doubts) == (Severity.LOOK, (said,))
    assert "7.00 s before the clip (60 %) or 3.00 s before the clip (40 %)" in said.message


def test_what_the_sound_decides_is_the_sounds(choose):
    rec = take()
    clear = Choice(rec, aligned(), ())
    assert choose(clip(), [(rec, aligned())], clear, pairing=Pairing()) is clear
    look = in_doubt(rec, aligned())
    assert choose(clip(), [(rec, aligned())], look, pairing=Pairing()) is look


def test_the_crews_word_invents_no_alignment(choose):
    rec, lost = take(), no_match("they do not seem to hear the same event")
    choice = choose(clip(), [(rec, lost)], Choice(rec, lost, ()), pairing=Pairing())
    assert choice.estimate is lost
    assert choice.decided_by is DecidedBy.SOUND


def test_a_word_about_two_recordings_is_refused():
    tried = [(take("one.wav"), None, aligned()), (take("two.wav"), None, aligned())]
    with pytest.raises(InputError, match=r"--paired says that pier\.mov .* one\.wav and two\.wav are not parts of one"):
        require_one_take(clip(), tried)
    require_one_take(clip(), tried[:1])


@pytest.mark.parametrize(
    ("off_s", "answered"), [(0.0, True), (0.013, True), (-0.06, True), (0.5, False), (40.0, False)]
)
def test_jammed_timecode_answers_a_refused_match(choose, off_s, answered):
    """Within two frames of 40 ms; a wrong take agrees within 0.06 s once in 833 times (0.01 a second, either side)."""
    rec = take(began_s=BEGAN_S - OFFSET_S + off_s)
    choice = choose(clip(timecode=label(BEGAN_S)), [(rec, aligned())], refused(rec))
    assert choice.estimate.matched is answered
    if answered:
        assert choice.decided_by is DecidedBy.CLOCKS
        (said,) = choice.findings
        assert said.severity is Severity.NOTE
        assert "camera's timecode agree within" in said.message


@pytest.mark.parametrize("timecode", ["00:00:00:00", "01:00:00:00", "10:00:00:00"])
def test_a_timecode_from_a_preset_says_nothing(choose, timecode):
    """Two boxes that count from 10:00:00:00, started together, agree by design."""
    began_s = float(timecode[:2]) * 3600.0
    rec = take(began_s=began_s - OFFSET_S)
    assert not choose(clip(timecode=timecode), [(rec, aligned())], refused(rec)).estimate.matched
    rec = take(began_s=began_s)
    there = refused(rec, 0.0)
    assert not choose(clip(timecode=label(began_s)), [(rec, aligned(0.0))], there).estimate.matched


def test_whole_seconds_settle_a_doubt_but_answer_no_refused_match(choose):
    """A wrong take agrees with one of two readings of a stamp in whole seconds once in some fifteen times or more."""
    rec = take(began_s=BEGAN_S - OFFSET_S)
    stamped = clip(created="2026-11-25T10:02:03")
    assert not choose(stamped, [(rec, aligned())], refused(rec)).estimate.matched
    settled = choose(stamped, [(rec, aligned())], in_doubt(rec, aligned()))
    assert (settled.decided_by, settled.doubts) == (DecidedBy.CLOCKS, ())
    assert settled.findings[0] is GONE
    assert [f.severity for f in settled.findings[1:]] == [Severity.NOTE]


def test_clocks_say_nothing_to_a_doubt_that_is_a_note(choose):
    """What is too little to doubt a match needs nobody to settle it, and stays as it is."""
    rec = take(began_s=BEGAN_S - OFFSET_S)
    note = in_doubt(rec, aligned(), Severity.NOTE)
    assert choose(clip(timecode=label(BEGAN_S)), [(rec, aligned())], note) is note


def test_stamps_that_fit_two_places_decide_nothing(choose):
    """A copy of the take carries its stamp too."""
    first, copy = take(began_s=BEGAN_S - OFFSET_S), take("copy.wav", began_s=BEGAN_S - OFFSET_S)
    places = tuple(Possibility(t, ClockLaw(OFFSET_S), 0.5, aligned()) for t in (first, copy))
    lost = in_doubt(first, no_match("it cannot be told"), Severity.FIX, places)
    tried = [(first, aligned()), (copy, aligned())]
    assert not choose(clip(timecode=label(BEGAN_S)), tried, lost).estimate.matched


@pytest.mark.parametrize(("share", "answered"), [(0.5, True), (0.02, False)])
def test_the_clocks_choose_between_takes_unless_the_sound_says_otherwise(choose, share, answered):
    right, wrong = take(began_s=BEGAN_S - OFFSET_S), take("rec-8.wav", began_s=BEGAN_S + 200.0)
    places = (
        Possibility(wrong, ClockLaw(5.0), 1.0 - share, aligned(5.0)),
        Possibility(right, ClockLaw(OFFSET_S), share, aligned()),
    )
    lost = in_doubt(wrong, no_match("it cannot be told"), Severity.FIX, places)
    choice = choose(clip(timecode=label(BEGAN_S)), [(wrong, aligned(5.0)), (right, aligned())], lost)
    assert choice.estimate.matched is answered
    if answered:
        assert choice.take is right
        assert choice.findings[0].severity is Severity.NOTE


def test_clocks_that_say_another_take_than_the_sound_are_named(choose):
    right, other = take(), take("rec-8.wav", began_s=BEGAN_S - 5.0)
    sound = Choice(right, aligned(), ())
    choice = choose(clip(timecode=label(BEGAN_S)), [(right, aligned()), (other, aligned(5.0))], sound)
    assert choice.take is right
    (said,) = choice.findings
    assert said.severity is Severity.LOOK
    assert "but it aligns with rec-8.wav too" in said.message


def test_paired_gives_no_answer_where_nothing_is_shared(tmp_path):
    air, other = shoot_open_air(tmp_path), shoot_open_air(tmp_path, scene=2, name="other.mov")
    assert not sync_clip(air.clip, [other.take], pairing=Pairing()).estimate.matched


def test_a_pairing_of_the_day_finds_its_own_place_again(choose):
    rec, note = take(), Finding("ambiguous_match", Severity.NOTE, "the clocks say so")
    places = tuple(Possibility(rec, ClockLaw(o), share, aligned(o)) for o, share in ((7.0, 0.6), (3.0, 0.4)))
    lost = in_doubt(rec, no_match("it cannot be told", undecided=True), Severity.FIX, places)
    told = Pairing(DecidedBy.CLOCKS, 3.0, note)
    choice = choose(clip(), [(rec, aligned(3.0))], lost, pairing=told)
    assert (choice.estimate.law.offset_s, choice.decided_by, choice.findings) == (3.0, DecidedBy.CLOCKS, (GONE, note))
    assert choice.doubts == ()
    far = replace(told, offset_s=5.0)
    assert not choose(clip(), [(rec, aligned(3.0))], lost, pairing=far).estimate.matched
