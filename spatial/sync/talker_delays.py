"""Delays that belong to places in the room, distinguished from jumps and drift of a clock.

A recorder metres from the camera records each talker with a delay of their own, and lags jump back and forth with who
speaks. A clock that jumps moves every talker alike and for good, one that drifts moves them all along one slope. So
nothing is assumed of a place's delay: a window is held only against other windows of the same place, known by
its direction at the recorder and by the time between the camera's microphones. What is asked of a slope or a step is
how well each window's lag is predicted by the others of its place.

Conventions: spatial.conventions (time, axes). Lags are take time minus predicted take time, seconds.
Functions: wide_peaks (what windows measure, far beyond a rig); clocks_steps (the steps that are a clock's);
crowded_lag (where most windows lie); fit_talkers (drift and each talker's delay).
Sources:
[1] Stone 1974, JRSS B 36(2): a model is judged by how it predicts each observation from the others.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from spatial.conventions import ComplexArray, FloatArray
from spatial.sync.clock_fit import agreement
from spatial.sync.gcc_phat import SEARCH_S, CrossWindows, lag_curves, refine_peak, scatter_of
from spatial.timebase import ClockLaw, ClockStep

_CLEAR = 3.8
"""Height over scatter, in each of the camera's microphones, from which on a highest peak is seldom chance."""

_SPACING_S = 0.4e-3
"""A sound reaches a camera's microphones at most this far from its middle (25 cm apart: common practice, no source)."""

_TURN_SD_RAD, _BETWEEN_SD_S = np.radians(7.0), 0.05e-3
"""Scatter of one window about its place: in direction, in time between the camera's microphones."""

_UNHEARD = 0.2
"""How alike two windows count of which one has no direction."""

_FAINT = 0.02
"""Pairs less alike than this do not count."""

_WIDTHS_S = (0.2e-3, 0.1e-3, 0.05e-3)
"""Scatters of one talker's lags that are tried."""

_STRAY = 0.1
"""Share of windows whose peak is a reflection's, or chance."""

_REPEAT = 0.5
"""Neighbouring windows share a talker's reflections: two count as one."""

_TILT_S = 0.02
"""Slopes tried: so much over the clip, either way. Talkers' delays may have bent the law by as much."""

_TILT_SD_S = 0.008
"""One standard deviation of that, before anything is measured."""

GEOMETRY_S = 0.03
"""More than talkers' delays differ by: the recorder would stand further from the camera than it can record them."""

SURE_STEP = 5.0
"""Nats by which a step must make windows predict each other better."""

_RIG_S = 1e-3
"""Lags closer than this are those of talkers around one rig, seconds: 34 cm of sound's way."""

_STEP_REACH_S = 0.01
"""A step found between two talkers' delays may be wrong by what these differ by."""

_HOPELESS = 12.0
"""Nats below the best at which a slope is not tried with finer scatters. A larger value costs time, a smaller one may
lose the true slope."""

_RESIZED_SURE = 3.0
"""Nats by which steps of other sizes must do better than those offered."""

_RESIZE_S, _BESIDE_S, _SMALLEST_STEP_S = 0.005, 40.0, 0.8e-3
"""How much a step's size may be wrong by between two talkers; windows that measure it lie so near each other."""

_FEWEST, _LEAST_SHARE, _MOST_LEVELS = 3, 0.05, 8
"""Fewest windows of a level, their least share of all, and most levels: fewer windows agree by chance, and a small
share is a reflection's."""

_SAME_S, _SAME_TALKER_RAD = 0.3e-3, np.radians(12.0)
"""Lags of one level lie this close, seconds, and levels whose directions are closer than the second are one talker and
their reflections."""


@dataclass(frozen=True, slots=True, eq=False)
class WidePeaks:
    """The clear windows, one row each."""

    times_s: FloatArray
    """Clip time, shape (windows,)."""
    lags_s: FloatArray
    """At the camera's middle, shape (windows,)."""
    between_s: FloatArray
    """How much later the camera's first microphone receives it than the second; NaN for one microphone."""
    directions: FloatArray
    """Unit vectors in the recorder's axes, shape (windows, 3); NaN where unknown."""


@dataclass(frozen=True, slots=True, eq=False)
class TalkerFit:
    """The drift that all talkers share, and the delay of each."""

    slope: float
    slope_sd: float
    middle_s: float
    """Clip time of the windows' middle: the delays are those along the slope at this time."""
    delays_s: FloatArray
    """The largest crowd's first, shape (levels,)."""
    directions: FloatArray
    """Unit vectors, shape (levels, 3); NaN where unknown."""
    member: npt.NDArray[np.int_]
    """Each window's level; -1 for none, shape (windows,)."""
    talkers: npt.NDArray[np.int_]
    """The levels that are talkers, not a talker's reflections."""
    steps: tuple[ClockStep, ...]
    """The law's."""
    steps_s: FloatArray
    """What each step's size is wrong by, shape (steps,), with its deviation."""
    steps_sd_s: FloatArray

    def without_steps(self, peaks: WidePeaks) -> FloatArray:
        """Lags beside the law's steps, as they were before these were put right, shape (windows,)."""
        return peaks.lags_s - _passed(peaks.times_s, self.steps)


def wide_peaks(windows: CrossWindows, signs: FloatArray) -> WidePeaks:
    """Each window's highest peak within SEARCH_S, where both of the camera's microphones have it.

    Twice: once the first peaks tell each window's lag, it is taken out, and frequencies on which windows agree count
    more.

    Parameters
    ----------
    windows : CrossWindows
        Aimed.
    signs : ndarray, shape (camera channels,)

    Returns
    -------
    WidePeaks
        Only the clear ones, against the windows' law without its steps.
    """
    phases: ComplexArray = windows.phases * signs[:, np.newaxis]
    found = _peaks(windows, phases, None)
    if found.times_s.size >= _FEWEST:
        rows = np.isin(windows.times_s, found.times_s)
        apart = np.nan_to_num(found.between_s)[:, np.newaxis] * (
            np.array([0.5, -0.5]) if len(signs) == 2 else np.zeros(len(signs))
        )
        delays = found.lags_s[:, np.newaxis] + apart
        aligned = phases[rows] * np.exp(2j * np.pi * delays[..., np.newaxis] * windows.frequencies_hz)
        found = _peaks(windows, phases, agreement(aligned.reshape(-1, aligned.shape[-1])))
    return replace(found, lags_s=found.lags_s + _passed(found.times_s, windows.law.steps))


def _peaks(windows: CrossWindows, phases: ComplexArray, weights: FloatArray | None) -> WidePeaks:
    lags, curves = lag_curves(phases, windows.rate_hz, max_lag_s=SEARCH_S, weights=weights)
    channels, hop = curves.shape[1], float(lags[1] - lags[0])
    heights = curves / scatter_of(curves)[..., np.newaxis]
    reach = round(_SPACING_S / hop)
    both = maximum_filter1d(heights, 2 * reach + 1, axis=2).sum(axis=1) / np.sqrt(channels)
    found = np.full((len(heights), channels), np.nan)
    for number, row in enumerate(heights):
        middle = _middle_of_top(both[number])
        first = max(0, middle - reach)
        for channel in range(channels):
            top = first + int(np.argmax(row[channel, first : middle + reach + 1]))
            found[number, channel] = lags[0] + hop * refine_peak(row[channel], top)[0]
    clear = both.max(axis=1, initial=0.0) > _CLEAR * np.sqrt(channels)
    between = found[:, 0] - found[:, 1] if channels == 2 else np.full(len(found), np.nan)
    return WidePeaks(
        windows.times_s[clear], found.mean(axis=1)[clear], between[clear], windows.directions[clear]
    )  # fmt: skip


def _middle_of_top(curve: FloatArray) -> int:
    """Middle of the plateau that a running maximum makes of its highest place."""
    top = np.flatnonzero(curve >= curve.max() - 1e-12)
    first = int(top[0])
    last = first + int(np.argmax(np.diff(top, append=top[-1] + 2) > 1))
    return (first + last) // 2


def _passed(times_s: FloatArray, steps: Sequence[ClockStep]) -> FloatArray:
    """What the steps passed add up to at these clip times."""
    return sum((step.step_s * (times_s >= step.clip_time_s) for step in steps), np.zeros(times_s.size))


def _alike(peaks: WidePeaks) -> FloatArray:
    """How likely each two windows are of one place, 0 to 1, shape (windows, windows); 0 of a window with itself."""
    turned = peaks.directions @ peaks.directions.T
    alike = np.exp((turned - 1.0) / (2.0 * _TURN_SD_RAD**2))
    alike = np.where(np.isfinite(turned), alike, _UNHEARD)
    apart = peaks.between_s[:, np.newaxis] - peaks.between_s
    alike *= np.nan_to_num(np.exp(-0.25 * (apart / _BETWEEN_SD_S) ** 2), nan=1.0)
    np.fill_diagonal(alike, 0.0)
    return np.asarray(np.where(alike > _FAINT, alike, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Windows two by two, those that may be of one place."""

    first: npt.NDArray[np.int_]
    second: npt.NDArray[np.int_]
    alike: FloatArray
    count: int

    def foretold(self, lags_s: FloatArray, times_s: FloatArray, slopes: FloatArray, width_s: float) -> FloatArray:
        """Nats by which the others of its place predict each window's lag better than nothing does [1], by slope."""
        off = lags_s[self.first] - lags_s[self.second]
        later = times_s[self.first] - times_s[self.second]
        peak = 2.0 * SEARCH_S / (np.sqrt(2.0 * np.pi) * width_s)
        all_of_place = 1.0 + np.bincount(self.first, self.alike, self.count)
        out = np.empty(slopes.size)
        for number, slope in enumerate(slopes):
            near = self.alike * np.exp(-0.5 * ((off - slope * later) / width_s) ** 2)
            here = (1.0 + peak * np.bincount(self.first, near, self.count)) / all_of_place
            out[number] = _REPEAT * np.sum(np.log((1.0 - _STRAY) * here + _STRAY))
        return out


def _pairs(peaks: WidePeaks) -> _Pairs:
    alike = _alike(peaks)
    first, second = np.nonzero(alike)
    return _Pairs(first, second, alike[first, second], peaks.times_s.size)


def _slopes(times_s: FloatArray, width_s: float, tilt_s: float = _TILT_S) -> FloatArray:
    span = float(np.ptp(times_s))
    return np.arange(-tilt_s, tilt_s, width_s) / span if span > 0 else np.zeros(1)


def _best(pairs: _Pairs, peaks: WidePeaks, lags_s: FloatArray, width_s: float) -> float:
    """How well windows predict each other along the best slope."""
    slopes = _slopes(peaks.times_s, width_s)
    prior = -0.5 * (slopes * np.ptp(peaks.times_s) / _TILT_SD_S) ** 2
    return float(np.max(pairs.foretold(lags_s, peaks.times_s, slopes, width_s) + prior))


def clocks_steps(peaks: WidePeaks, steps: Sequence[ClockStep], sure: float = SURE_STEP) -> tuple[ClockStep, ...]:
    """Those of some steps that are a clock's: with them the windows of one place predict each other, without not.

    A step that goes with who speaks leaves every place's own lags as they are. Each step has to save `sure` nats. Steps
    larger than any recorder's distance makes them are a clock's in any case.
    """
    kept = tuple(steps)
    if all(abs(step.step_s) >= GEOMETRY_S for step in kept) or peaks.times_s.size < _FEWEST:
        return kept
    pairs = _pairs(peaks)

    @cache
    def worth(some: tuple[ClockStep, ...]) -> float:
        lags = peaks.lags_s - _passed(peaks.times_s, some)
        doubtful = sum(abs(step.step_s) < GEOMETRY_S for step in some)
        return _best(pairs, peaks, lags, _WIDTHS_S[0]) - sure * doubtful

    few = tuple(step for step in kept if abs(step.step_s) >= GEOMETRY_S)
    # From all of them down, as two steps may undo each other; and from none up, as those between talkers who take
    # turns undo each other too.
    found = max((_improved(start, kept, few, worth) for start in (kept, few)), key=lambda pair: pair[0])
    resized = tuple(_resized(pairs, peaks, step, few) for step in kept)
    if resized == kept:
        return found[1]
    # A step found between two talkers is wrong by what their delays differ by.
    mended = max((_improved(start, resized, few, worth) for start in (resized, few)), key=lambda pair: pair[0])
    return mended[1] if mended[0] > found[0] + _RESIZED_SURE else found[1]


def _resized(pairs: _Pairs, peaks: WidePeaks, step: ClockStep, others: tuple[ClockStep, ...]) -> ClockStep:
    """The step as large as most windows of one place, before it and after it, differ."""
    if abs(step.step_s) >= GEOMETRY_S:
        return step
    after = peaks.times_s >= step.clip_time_s
    lags = peaks.lags_s - _passed(peaks.times_s, others)
    over = ~after[pairs.first] & after[pairs.second]
    near = np.abs(peaks.times_s[pairs.first] - peaks.times_s[pairs.second]) < _BESIDE_S
    jumps, alike = (lags[pairs.second] - lags[pairs.first])[over & near], pairs.alike[over & near]
    sizes = step.step_s + np.arange(-_RESIZE_S, _RESIZE_S, _WIDTHS_S[2])
    width = _WIDTHS_S[1]
    heights = np.exp(-0.5 * ((jumps - sizes[:, np.newaxis]) / width) ** 2) @ alike
    size = float(sizes[int(np.argmax(heights))])
    return replace(step, step_s=size) if abs(size) >= _SMALLEST_STEP_S else step


def _improved(
    start: tuple[ClockStep, ...],
    offered: tuple[ClockStep, ...],
    few: tuple[ClockStep, ...],
    worth: Callable[[tuple[ClockStep, ...]], float],
) -> tuple[float, tuple[ClockStep, ...]]:
    """The best set that taking steps in or out one by one leads to, and its worth; `few` are always in it."""
    best = worth(start), start
    while True:
        tried = [
            tuple(step for step in offered if (step in best[1]) != (step is one)) for one in offered if one not in few
        ]
        top = max(((worth(some), some) for some in tried), key=lambda pair: pair[0])
        if top[0] <= best[0]:
            return best
        best = top


def crowded_lag(peaks: WidePeaks, steps: Sequence[ClockStep], slope: float = 0.0) -> float:
    """The lag at clip time 0 that most windows are near to, beside steps and slope, as near as talkers on a rig are."""
    lags = peaks.lags_s - _passed(peaks.times_s, steps) - slope * peaks.times_s
    near = np.abs(lags[:, np.newaxis] - lags) < _RIG_S
    return float(np.median(lags[near[int(np.argmax(near.sum(axis=1)))]]))


def fit_talkers(peaks: WidePeaks, law: ClockLaw) -> TalkerFit | None:
    """The drift that talkers share, and each one's delay, beside the law's steps; None where there is too little sound.

    The drift is the mean over all slopes tried, weighted by how well windows of one place then foretell each other:
    where nobody sounds early and late, all slopes do alike, and its deviation is large.
    """
    if peaks.times_s.size < 2 * _FEWEST or np.ptp(peaks.times_s) <= 0:
        return None
    lags, times = peaks.lags_s - _passed(peaks.times_s, law.steps), peaks.times_s
    pairs = _pairs(peaks)
    slopes = _slopes(times, _WIDTHS_S[0] / 2)
    nats, width = pairs.foretold(lags, times, slopes, _WIDTHS_S[0]), _WIDTHS_S[0]
    for finer in _WIDTHS_S[1:]:
        # Finer ones are tried where the last ones were not hopeless.
        open_to = slopes[nats > nats.max() - _HOPELESS]
        parts = np.linspace(-1.0, 1.0, 5)[:-1] * (width / 2) / np.ptp(times)
        sharper = np.unique(np.round((open_to[:, np.newaxis] + parts).ravel() * np.ptp(times) / (finer / 2)))
        sharper = sharper * (finer / 2) / np.ptp(times)
        tried = pairs.foretold(lags, times, sharper, finer)
        if tried.max() <= nats.max():
            break
        slopes, nats, width = sharper, tried, finer
    slope, sd = _mean_of(slopes, nats - 0.5 * (slopes * np.ptp(times) / _TILT_SD_S) ** 2)
    # Delays and steps are those along the likeliest slope: along the mean of two they would be nobody's.
    likeliest = float(slopes[int(np.argmax(nats))])
    steps, steps_sd = np.zeros(len(law.steps)), np.zeros(len(law.steps))
    for number, step in enumerate(law.steps):
        sizes = np.arange(-_STEP_REACH_S, _STEP_REACH_S, width / 2)
        after = times >= step.clip_time_s
        fits = [pairs.foretold(lags - size * after, times, np.array([likeliest]), width)[0] for size in sizes]
        steps[number], steps_sd[number] = _mean_of(sizes, np.array(fits))
        lags = lags - steps[number] * after
    # Where nobody sounds on both sides of a step, its size stays open, and with it the drift.
    sd = float(np.hypot(sd, 2.0 * np.linalg.norm(steps_sd) / np.ptp(times)))
    middle = float(np.mean(times))
    delays, directions, member = _levels(peaks, _alike(peaks), lags - likeliest * (times - middle))
    return TalkerFit(
        slope, sd, middle, delays, directions, member, _talkers(directions), law.steps, steps, steps_sd
    )  # fmt: skip


def _mean_of(values: FloatArray, nats: FloatArray) -> tuple[float, float]:
    """Mean and deviation of values that are exp(nats) likely."""
    likely = np.exp(nats - nats.max())
    likely /= likely.sum()
    mean = float(likely @ values)
    # Values lie on a grid: what falls between two of them is not known.
    return mean, float(np.sqrt(likely @ (values - mean) ** 2 + np.diff(values[:2]).sum() ** 2 / 12.0))


def _levels(
    peaks: WidePeaks, alike: FloatArray, lags_s: FloatArray
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int_]]:
    """Crowds of windows of one place with one lag, the largest first."""
    near = (np.abs(lags_s[:, np.newaxis] - lags_s) < _SAME_S) & ((alike > 0.3) | np.eye(lags_s.size, dtype=bool))
    member = np.full(lags_s.size, -1)
    delays: list[float] = []
    directions: list[FloatArray] = []
    while len(delays) < _MOST_LEVELS:
        free = member < 0
        counts = (near & free).sum(axis=1) * free
        if counts.max(initial=0) < max(_FEWEST, _LEAST_SHARE * lags_s.size):
            break
        crowd = near[int(np.argmax(counts))] & free
        member[crowd] = len(delays)
        delays.append(float(np.median(lags_s[crowd])))
        directions.append(_mean_direction(peaks.directions[crowd]))
    return np.array(delays), np.array(directions).reshape(-1, 3), member


def _mean_direction(directions: FloatArray) -> FloatArray:
    known = directions[np.isfinite(directions[:, 0])]
    if len(known) < 2:
        return np.full(3, np.nan)
    middle = np.median(known, axis=0)
    return np.asarray(middle / max(float(np.linalg.norm(middle)), 1e-9))


def _talkers(directions: FloatArray) -> npt.NDArray[np.int_]:
    """The first level of each direction; of those without one the first of all, where there is no other."""
    kept: list[int] = []
    for number, direction in enumerate(directions):
        if np.isfinite(direction[0]) and all(
            direction @ directions[other] < np.cos(_SAME_TALKER_RAD) for other in kept
        ):
            kept.append(number)
    return np.array(kept if kept else range(min(1, len(directions))), dtype=int)
