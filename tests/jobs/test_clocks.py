"""A shoot's clips whose sound leaves two takes open, with the boxes' clocks beside. The truth is in the stamps.

The recorder's clock is 3607 s ahead; takes start 3 to 9 s before their clips.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from spatial.analysis.sync import SyncEstimate
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.choice_findings import Possibility, only_music
from spatial.jobs.clocks import settle_by_clocks
from spatial.jobs.crew_word import DecidedBy
from spatial.jobs.syncresult import SyncResult
from spatial.media.movies import Clip
from spatial.media.takes import Take
from spatial.timebase import ClockLaw

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
    (said,) = [f for f in settled.findings if f.code == "ambiguous_match"]
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
def test_a_match_by_music_alone_is_confirmed_or_staysdoubtful(number, offset_s, doubted):
    only = place(number, share=1.0, offset_s=offset_s)
    finding = only_music(clip(2), only.take)
    result = SyncResult(clip(2), only.take, only.estimate, (finding,), possibilities=(only,))
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
