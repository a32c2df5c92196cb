"""Which of several takes, or of several places in one, was rolling, where all of them hold the same music.

Music played back for every take matches every clip. What is not playback distinguishes them: talk, steps, claps, room
noise. Of two alternatives the true one (a) matches the clip a little better in every window, for it shares the room's
noise too; (b) shares with the clip what it holds and its rival does not; (c) has fewer cells that the clip lacks, and
lacks fewer that the clip has. Noise that differs between takes can fake (a), music that almost repeats (b), a few
odd cells (c): each has a limited weight, and none decides alone. Besides, (d) it shares speech or steps, which nobody
plays back, and is not contradicted (spatial.sync.same_music).

Conventions: spatial.conventions (time).
Functions: matching_laws (the places in one take that match); judge_rivals (the verdict); weigh_evidence.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import combinations

import numpy as np

from spatial.conventions import ComplexArray, FloatArray
from spatial.dsp.samples import Samples
from spatial.sync.alignment import COARSE_SCORE, MATCH_SCORE
from spatial.sync.camera_gain import gain_range_of_spectra
from spatial.sync.coarse import Candidate
from spatial.sync.gcc_phat import Trial, try_law
from spatial.sync.paired_spectra import (
    HOP,
    BoolArray,
    band_edges,
    band_levels,
    block_starts,
    clip_spectra,
    near_height,
    take_spectra,
)
from spatial.sync.same_music import Moments, Standing, by_window, moments_of, unlike_cells, whitened_cross
from spatial.timebase import ClockLaw

DECIDED = float(np.log(99.0))
"""Log-odds from which an alternative is the one: 99 to 1 against each rival."""

SURE_BY_MUSIC = float(np.log(999.0))
"""The same where the best one shares nothing with the clip but what may be music: then none of them may be the one."""

MIN_COMMON_S = 4.0
"""Two alternatives that cover less of the clip together cannot be compared."""

_SAME_PLACE_S = 0.05
"""Offsets closer than this are one place, seconds: far more than two laws of one place differ by, far less than a beat
of music."""

_WORTH_TRYING = 0.4
"""Part of the best candidate's coarse score below which a candidate is not tried. It is lower than for a single match,
since bars of a song that repeat are to be found too; a lower value costs time."""

# Weights and limits chosen on seeds below 100 of tests/bench/songs.py; where nothing but the song sounds (b) scatters
# by 1.1 and (c) by 0.8 about nothing, and (a) reaches 11 in favour of the true take.
_STEADIER_WEIGHT, _STEADIER_MOST = 0.4, 6.0
"""Weight of (a) in log-odds for each unit, and the largest size that counts. With a higher limit one kind of evidence
decides alone, with a lower one none counts."""

_EXTRA_WEIGHT, _EXTRA_MOST = 0.8, 5.0
"""The same two for (b)."""

_UNLIKE_WEIGHT, _UNLIKE_MOST = 2.0, 2.2
"""The same two for (c). A few odd cells can fake it: with a higher limit these decide."""

_UNLIKE_SPREAD = 3.0
"""Cells by which windows of two true matches differ: fewer than that, however steadily, count for little."""

_LIVE_WEIGHT = 4.0
"""Log-odds for the one that shares with the clip what nobody could have played back (same_music): of 120 places in
wrong takes none did."""

_EXTRA_DB = (6.0, 9.0)
"""How far a cell must stand out of the other take to be extra, dB. Both limits are used and their heights averaged: a
low one lets in cells that hardly differ, a high one leaves few."""

_OVER_FLOOR_DB = 6.0
"""How far an extra cell must lie over its own take's floor, dB: nearer the floor, cells of noise differ between any two
takes."""


class Verdict(Enum):
    """The answer for all alternatives together."""

    DECIDED = "decided"
    AMBIGUOUS = "ambiguous"
    NONE = "none"
    """The best one is contradicted."""


@dataclass(frozen=True, slots=True, eq=False)
class Alternative:
    """One place in one take where the clip matches."""

    take: Samples
    """The field, internal form, at 16 kHz."""
    law: ClockLaw
    signs: FloatArray
    """+1 or -1 for each camera channel."""
    score: float
    onsets: FloatArray
    """What clip and take share of their rises along the law (spatial.sync.same_music), shape (frames,)."""
    log_odds: float = 0.0
    """What is known besides, from clocks or order (spatial.sync.wall_clock)."""


@dataclass(frozen=True, slots=True)
class Contest:
    """Two alternatives against each other, on what both cover. Positive numbers speak for the first."""

    first: int
    second: int
    common_s: float
    steadier: float
    """(a) How much higher the first one's windows stand, in standard errors."""
    extra_first: float
    extra_second: float
    """(b) Height of what each alone shares with the clip over its scatter; about 3 where there is nothing."""
    unlike: float
    """(c) How many more cells of the second one are unlike the clip's, in standard errors."""
    log_odds: float
    """Of the first against the second, natural logarithm, what was known besides included."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Which alternative it is, if that can be decided."""

    verdict: Verdict
    best: int
    """The likeliest alternative."""
    shares: tuple[float, ...]
    """Probability of each alternative, if it is one of them."""
    rivals: tuple[int, ...]
    """Alternatives that the best one does not beat by DECIDED, likeliest first."""
    contests: tuple[Contest, ...]
    moments: tuple[Moments, ...]
    """Of each alternative."""
    riding_db: float | None = None
    """By how much the camera's gain rides, by the likeliest alternative; None where that is not measured."""


def matching_laws(clip: Samples, take: Samples, candidates: Sequence[Candidate], *, most: int = 4) -> list[Trial]:
    """Every place where clip and take pass the thresholds of a match, best first.

    Parameters
    ----------
    clip, take : Samples
        At 16 kHz.
    candidates : sequence of Candidate
        From `coarse.find_candidates`, a dozen or so: bars repeat.
    most : int
        At most so many places.

    Returns
    -------
    list of Trial
    """
    found: list[Trial] = []
    for candidate in candidates:
        if candidate.score < max(COARSE_SCORE, _WORTH_TRYING * candidates[0].score):
            continue
        trial = try_law(clip, take, candidate.law)
        known = any(abs(trial.law.offset_s - other.law.offset_s) < _SAME_PLACE_S for other in found)
        if trial.score >= MATCH_SCORE and not known:
            found.append(trial)
    return sorted(found, key=lambda trial: -trial.score)[:most]


def judge_rivals(clip: Samples, alternatives: Sequence[Alternative]) -> Judgement:
    """Decide between places that all match, or that this cannot be decided, or that the best one is none.

    Parameters
    ----------
    clip : Samples
        The camera's sound at 16 kHz.
    alternatives : sequence of Alternative
        One or more; from one take or from several.

    Returns
    -------
    Judgement
        With one alternative DECIDED says no more than that nothing speaks against it.
    """
    starts = block_starts(clip)
    heard = clip_spectra(clip, starts)
    fields = [take_spectra(a.take, a.law, starts, clip.rate_hz) for a in alternatives]
    moments = [
        moments_of(heard, field, covered, starts, a.signs, a.onsets, clip.rate_hz)
        for a, (field, covered) in zip(alternatives, fields, strict=True)
    ]
    contests = [
        _contest(heard, fields, alternatives, (first, second), clip.rate_hz, moments)
        for first, second in combinations(range(len(alternatives)), 2)
    ]
    against = np.zeros((len(alternatives), len(alternatives)))
    for contest in contests:
        against[contest.first, contest.second] = contest.log_odds
        against[contest.second, contest.first] = -contest.log_odds
    weakest = [min((row[k] for k in range(len(row)) if k != n), default=0.0) for n, row in enumerate(against)]
    best = int(np.argmax(weakest)) if len(alternatives) > 1 else 0
    standing = moments[best].standing
    # What is contradicted itself is no rival of one that is clear.
    possible = [
        k for k in range(len(against))
        if k != best and not (standing is Standing.CLEAR and moments[k].standing is Standing.CONTRADICTED)
    ]  # fmt: skip
    rivals = sorted((k for k in possible if against[best, k] < DECIDED), key=lambda k: against[best, k])
    weights = np.exp(-np.clip(against[best], -30.0, 30.0))
    clearest = weakest[best] if len(alternatives) > 1 else 0.0
    if standing is Standing.CONTRADICTED:
        verdict = Verdict.NONE
    elif rivals or (standing is not Standing.CLEAR and clearest < SURE_BY_MUSIC):
        verdict = Verdict.AMBIGUOUS
    else:
        verdict = Verdict.DECIDED
    return Judgement(
        verdict=verdict,
        best=best,
        shares=tuple((weights / weights.sum()).tolist()),
        rivals=tuple(rivals),
        contests=tuple(contests),
        moments=tuple(moments),
        riding_db=gain_range_of_spectra(heard[:, fields[best][1]], fields[best][0][fields[best][1]], clip.rate_hz),
    )


def _contest(
    heard: ComplexArray,
    fields: Sequence[tuple[ComplexArray, BoolArray]],
    alternatives: Sequence[Alternative],
    pair: tuple[int, int],
    rate_hz: int,
    moments: Sequence[Moments],
) -> Contest:
    first, second = pair
    common = fields[first][1] & fields[second][1]
    known = alternatives[first].log_odds - alternatives[second].log_odds
    known += _LIVE_WEIGHT * (int(moments[first].unsteady) - int(moments[second].unsteady))
    common_s = float(common.sum()) * HOP / rate_hz
    if common_s < MIN_COMMON_S:
        return Contest(first, second, common_s, 0.0, 0.0, 0.0, 0.0, known)
    clip = heard[:, common]
    takes = [fields[n][0][common] for n in pair]
    crosses = [whitened_cross(clip, take, alternatives[n].signs) for n, take in zip(pair, takes, strict=True)]
    heights = [near_height(by_window(cross), rate_hz) for cross in crosses]
    cells = [unlike_cells(clip, take, rate_hz) for take in takes]
    unlike = [only_clip + only_take for only_clip, only_take in cells]
    steadier = paired_t(heights[0] - heights[1])
    fewer = paired_t(unlike[1] - unlike[0], spread=_UNLIKE_SPREAD)
    extra = _extras(crosses, takes, rate_hz)
    log_odds = weigh_evidence(steadier, extra[0] - extra[1], fewer) + known
    return Contest(first, second, common_s, steadier, extra[0], extra[1], fewer, log_odds)


def weigh_evidence(steadier: float, extra: float, fewer: float) -> float:
    """Log-odds of one alternative against another by (a), (b) and (c), each with its limit: none decides alone."""
    return float(
        _STEADIER_WEIGHT * np.clip(steadier, -_STEADIER_MOST, _STEADIER_MOST)
        + _EXTRA_WEIGHT * np.clip(extra, -_EXTRA_MOST, _EXTRA_MOST)
        + _UNLIKE_WEIGHT * np.clip(fewer, -_UNLIKE_MOST, _UNLIKE_MOST)
    )


def paired_t(differences: FloatArray, *, spread: float = 0.0) -> float:
    """Mean over its standard error, with a spread known besides; windows overlap by half, so two count as one."""
    error = np.hypot(np.std(differences), spread) / np.sqrt(len(differences) / 2)
    return float(np.mean(differences) / error) if error > 0 else 0.0


def _extras(crosses: Sequence[ComplexArray], takes: Sequence[ComplexArray], rate_hz: int) -> tuple[float, float]:
    """How clearly the clip holds the cells that stand out in one take and not in the other, for each of the two."""
    levels = [band_levels(take, rate_hz) for take in takes]
    excess = levels[0] - levels[1]
    excess = excess - np.median(excess, axis=0)
    widths = np.diff(band_edges(rate_hz))
    found = []
    for cross, level, side in zip(crosses, levels, (excess, -excess), strict=True):
        audible = level > np.quantile(level, 0.1, axis=0) + _OVER_FLOOR_DB
        heights = [
            near_height(np.sum(cross * np.repeat((side > least) & audible, widths, axis=1), axis=0), rate_hz)
            for least in _EXTRA_DB
        ]
        found.append(float(np.mean(heights)))
    return found[0], found[1]
