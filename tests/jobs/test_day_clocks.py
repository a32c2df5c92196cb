"""A shoot's clips whose sound leaves two takes open, with the boxes' clocks beside. The truth is in the stamps.

The recorder's clock is 3607 s ahead; takes start 3 to 9 s before their clips.
"""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from spatial.field import ChannelFormat
from spatial.findings import Finding, Severity
from spatial.jobs.sync.day_clocks import settle_by_clocks
from spatial.jobs.sync.rival_findings import only_music
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import DecidedBy, Possibility
from spatial.jobs.sync.time_of_day import camera_stamps_by_kind
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate
from spatial.sync.wall_clock import SURE_CHANCE, agreement_over_day
from spatial.timebase import ClockLaw, timecode_from_frame

AHEAD_S = 3607.0
BEGAN_S = (36_000.0, 36_400.0, 36_900.0, 37_350.0)
EARLY_S = (3.0, 5.0, 9.0, 4.0)


def clip(number, *, stamped=True):
    hours, seconds = divmod(BEGAN_S[number], 3600)
    created = f"2026-11-25T{hours:02.0f}:{seconds // 60:02.0f}:{seconds % 60:02.0f}" if stamped else None
    return Clip(Path(f"clip{number}.mov"), 60.0, None, 1500, None, None, None, created, None)


def take(number):
    start_s = BEGAN_S[number] - EARLY_S[number] + AHEAD_S
    return Take(Path(f"take{number}.wav"), 48_000, 4, 80 * 48_000, "WAV", "PCM_24", ChannelFormat.AMBIX, start_s)


def place(number, *, share, offset_s=None, matched=True):
    law = ClockLaw(EARLY_S[number] if offset_s is None else offset_s)
    estimate = SyncEstimate(matched, "", law, 1e-4, 1.0, None, law)
    return Possibility(take(number), law, share, estimate)


def decided(number, **options):
    only = place(number, share=1.0)
    return SyncResult(clip(number, **options), only.take, only.estimate, (), possibilities=(only,))


def open_between(right, wrong, *, right_share=0.5, **options):
    """A clip that sound leaves open: its own take, and another at the place where the same music lies."""
    lost = SyncEstimate(False, "it cannot be told", None, None, None, None, undecided=True)
    places = (place(wrong, share=1 - right_share, offset_s=7.7), place(right, share=right_share))
    return SyncResult(clip(right, **options), places[0].take, lost, (), possibilities=places)


@pytest.mark.parametrize("right_share", [0.5, 0.3])
def test_one_difference_of_the_clocks_decides(right_share):
    known = [decided(0), decided(1), decided(3)]
    *_, settled = settle_by_clocks([*known, open_between(2, 1, right_share=right_share)])
    assert settled.take.path.name == "take2.wav"
    assert settled.estimate.matched
    assert settled.law.offset_s == EARLY_S[2]
    (said,) = [f for f in settled.findings if f.code == "clocks_decide"]
    assert said.severity is Severity.NOTE
    assert "clip2.mov fits take1.wav as well" in said.message
    assert "3607 s apart in 4 clips, say that it is take2.wav" in said.message


@pytest.mark.parametrize(
    "known",
    [[], [decided(0)], [decided(0, stamped=False), decided(1, stamped=False), decided(3, stamped=False)]],
    ids=["alone", "one other", "no stamps"],
)
def test_less_decides_nothing(known):
    """One other clip and this one's two places agree in pairs by chance as well."""
    undecided = open_between(2, 1, stamped=len(known) != 3)
    assert settle_by_clocks([*known, undecided])[-1] is undecided


def test_clocks_do_not_outweigh_what_was_heard():
    """The sound says 1000 to 1 for the other take: then the two together are not sure enough for either."""
    undecided = open_between(2, 1, right_share=0.001)
    assert settle_by_clocks([decided(0), decided(1), decided(3), undecided])[-1] is undecided


def test_a_place_that_is_no_match_is_not_chosen():
    undecided = open_between(2, 1)
    places = tuple(replace(p, estimate=None) for p in undecided.possibilities)
    undecided = replace(undecided, possibilities=places)
    assert settle_by_clocks([decided(0), decided(1), decided(3), undecided])[-1] is undecided


@pytest.mark.parametrize(("number", "offset_s", "doubted"), [(2, None, False), (1, 7.7, True)])
def test_a_match_by_music_alone_is_confirmed_or_stays_doubtful(number, offset_s, doubted):
    only = place(number, share=1.0, offset_s=offset_s)
    finding = only_music(clip(2), only.take)
    result = SyncResult(clip(2), only.take, only.estimate, (finding,), possibilities=(only,), doubts=(finding,))
    *_, told = settle_by_clocks([decided(0), decided(1), decided(3), result])
    if doubted:
        assert told is result
        return
    (said,) = told.findings
    assert said.severity is Severity.NOTE
    assert "are 3607.0 s apart, as in 3 other clips" in said.message
    assert told.decided_by is DecidedBy.CLOCKS


def refused(number, *, offset_s=None):
    """A clip whose only place the sound holds to be another moment of the same music."""
    only = replace(place(number, share=1.0, offset_s=offset_s), estimate=None)
    alignment = place(number, share=1.0, offset_s=offset_s).estimate
    lost = SyncEstimate(False, "the same music played again", None, None, None, None)
    return SyncResult(clip(2), only.take, lost, (), possibilities=(only,), alignment=alignment)


@pytest.mark.parametrize(("number", "offset_s", "answered"), [(2, None, True), (1, 7.7, False), (2, 12.0, False)])
def test_a_refused_match_is_answered_by_a_difference_that_three_others_share(number, offset_s, answered):
    """Take 1 is off by the minutes between two takes; 3 s off is more than whole seconds explain."""
    *_, told = settle_by_clocks([decided(0), decided(1), decided(3), refused(number, offset_s=offset_s)])
    assert told.estimate.matched is answered
    if answered:
        assert told.law.offset_s == EARLY_S[2]
        assert told.pairing.finding in told.findings
        assert told.pairing.by is DecidedBy.CLOCKS


def test_two_other_clips_do_not_answer_a_refused_match():
    assert not settle_by_clocks([decided(0), decided(1), refused(2)])[-1].estimate.matched


def test_three_clips_with_one_difference_decide_the_one_in_question_among_them():
    *_, settled = settle_by_clocks([decided(0), decided(1), open_between(2, 1)])
    assert settled.take.path.name == "take2.wav"


def test_what_is_settled_carries_its_place_and_its_take_and_nothing_of_the_other():
    """Its clip is listened to again, in the take that was settled, and there the word stands in place of the doubt."""
    told = Finding("dropout", Severity.LOOK, "the take has a hole")
    undecided = open_between(2, 1)
    wrong, right = undecided.possibilities
    right = replace(right, take=replace(right.take, findings=(told,)))
    undecided = replace(undecided, possibilities=(wrong, right), listened="of the wrong take", findings=(told, told))
    *_, settled = settle_by_clocks([decided(0), decided(1), decided(3), undecided])
    assert settled.possibilities == (right,)
    assert settled.listened is None
    assert settled.pairing.offset_s == EARLY_S[2]
    assert settled.pairing.by is settled.decided_by is DecidedBy.CLOCKS
    assert settled.findings[0] is told
    assert settled.pairing.finding is settled.findings[-1]
    assert settled.findings.count(told) == 1


@pytest.mark.parametrize(("right_share", "settles"), [(0.13, False), (0.3, True)])
def test_what_the_clips_own_stamps_said_is_counted_once(right_share, settles):
    """It is in the shares: by itself it is worth up to 2 of the 4.6 that decide."""
    undecided = open_between(2, 1, right_share=right_share)
    *_, told = settle_by_clocks([decided(0), decided(1), decided(3), undecided])
    assert (told is not undecided) is settles


def test_a_match_beside_a_copy_stays_as_it_is():
    """It matched, and a note says that another take is a copy: there is nothing to settle."""
    copied = decided(2)
    copied = replace(copied, possibilities=(place(1, share=0.5, offset_s=7.7), *copied.possibilities))
    assert settle_by_clocks([decided(0), decided(1), decided(3), copied])[-1] is copied


def test_a_song_with_one_place_left_is_not_settled_between_places():
    lost = replace(open_between(2, 1).estimate, loop=True)
    song = replace(open_between(2, 1), estimate=lost, possibilities=(place(2, share=1.0),))
    assert settle_by_clocks([decided(0), decided(1), decided(3), song])[-1] is song


def test_a_place_whose_estimate_does_not_match_is_not_chosen():
    """A song has no place of its own until it is measured there."""
    undecided = open_between(2, 1)
    wrong, right = undecided.possibilities
    right = replace(right, estimate=replace(undecided.estimate, loop=True))
    undecided = replace(undecided, possibilities=(wrong, right))
    assert settle_by_clocks([decided(0), decided(1), decided(3), undecided])[-1] is undecided


def with_timecode(result, number):
    """Labelled by the time of day, 11 frames ahead (10:00:00:00 may be a preset), and by no other stamp."""
    label = timecode_from_frame(round(BEGAN_S[number] * 25) + 11, Fraction(25))
    labelled = replace(result.clip, frame_rate=Fraction(25), start_timecode=label, created=None)
    return replace(result, clip=labelled)


def test_timecode_settles_where_a_camera_stamps_nothing_else():
    known = [with_timecode(decided(n), n) for n in (0, 1, 3)]
    *_, settled = settle_by_clocks([*known, with_timecode(open_between(2, 1), 2)])
    assert settled.take.path.name == "take2.wav"


def test_a_refused_match_is_answered_by_the_kind_of_stamp_that_the_others_have():
    """Timecode against timecode: what a file says of its own time may be hours off."""
    known = [with_timecode(decided(n), n) for n in (0, 1, 3)]
    known = [replace(each, clip=replace(each.clip, created="2026-11-25T04:00:00")) for each in known]
    *_, told = settle_by_clocks([*known, with_timecode(refused(2), 2)])
    assert told.estimate.matched


def test_a_file_time_is_not_held_against_timecode():
    """The others' timecode runs half a minute ahead of the camera's clock; the clip in question has none."""
    known = [(with_timecode(decided(n), n), n) for n in (0, 1, 3)]
    ahead = [timecode_from_frame(round((BEGAN_S[n] + 30.0) * 25) + 11, Fraction(25)) for _, n in known]
    known = [
        replace(each, clip=replace(each.clip, start_timecode=label, created=clip(n).created))
        for (each, n), label in zip(known, ahead, strict=True)
    ]
    *_, told = settle_by_clocks([*known, refused(2)])
    assert told.estimate.matched
    assert "camera's time of day" in told.pairing.finding.message


def test_the_finer_of_two_stamps_that_agree_is_named():
    """Whole seconds and frames both agree with the others; frames leave a wrong place less room."""
    labelled = [(with_timecode(decided(n), n), n) for n in (0, 1, 3)] + [(with_timecode(refused(2), 2), 2)]
    both = [replace(each, clip=replace(each.clip, created=clip(n).created)) for each, n in labelled]
    *_, told = settle_by_clocks(both)
    assert "timecode" in told.pairing.finding.message


def test_a_clip_is_no_witness_for_itself():
    """Beside two others it would be the third that agrees."""
    doubted = only_music(clip(2), take(2))
    only = place(2, share=1.0)
    result = SyncResult(clip(2), only.take, only.estimate, (doubted,), possibilities=(only,), doubts=(doubted,))
    assert settle_by_clocks([decided(0), decided(1), result])[-1] is result


def test_an_alignment_that_is_no_match_is_no_answer():
    lost = refused(2)
    lost = replace(lost, alignment=replace(lost.alignment, matched=False))
    assert settle_by_clocks([decided(0), decided(1), decided(3), lost])[-1] is lost


def test_a_confirmed_match_keeps_what_is_no_doubt_and_its_place_is_certain():
    gone = Finding("truncated", Severity.FIX, "a part is missing")
    only = place(2, share=0.9)
    doubt = only_music(clip(2), only.take)
    result = SyncResult(clip(2), only.take, only.estimate, (doubt, gone), possibilities=(only,), doubts=(doubt,))
    *_, told = settle_by_clocks([decided(0), decided(1), decided(3), result])
    assert (told.findings[0], told.findings[1].severity) == (gone, Severity.NOTE)
    assert told.doubts == ()
    assert [p.share for p in told.possibilities] == [1.0]


def test_a_refused_match_that_is_answered_carries_what_is_said_of_its_take():
    told = Finding("dropout", Severity.LOOK, "the take has a hole")
    lost = refused(2)
    (only,) = lost.possibilities
    lost = replace(lost, possibilities=(replace(only, take=replace(only.take, findings=(told,))),))
    *_, answered = settle_by_clocks([decided(0), decided(1), decided(3), lost])
    assert answered.findings[0] is told


def test_what_a_days_clips_share_is_sure_however_far_off_it_may_be():
    """So that no doubt is too grave for it: 1.5 s for stamps in whole seconds, by any kind of stamp."""
    stamps = camera_stamps_by_kind(replace(clip(2), frame_rate=Fraction(25), start_timecode="10:15:00:11"))
    for stamp in stamps.values():
        off = 0.999 * stamp.within_s
        others = [[off]] * 3
        told = agreement_over_day(stamp, stamp.start_s, 0.0, others=others, places=1)
        assert told.away_s == pytest.approx(off)
        assert told.chance < SURE_CHANCE
