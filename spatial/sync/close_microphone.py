"""Where a close microphone's recording lies along a track: a lavalier's, a boom's.

Goal: the clock law by which the recording is lined up with the track, as sound editors do it by eye: the voice of
whoever the microphone is closest to begins in both at once. A lavalier hears its wearer some milliseconds before the
main microphone does; that travel becomes part of the offset, so that the two do not comb when they are mixed.
Method: the coarse search and the stack of `sync`. Then each window's own peak: a window counts in which the close
microphone is loud, for then it hears whoever is closest, while others are heard in it late and faintly. A robust line
through the peaks gives offset and drift; drift only where it is measured to be there.
Conventions: spatial.conventions (time). The law gives the recording's time from the track's.
Functions: line_up.
Sources: [1] Huber 1981, Robust Statistics: iteratively reweighted least squares.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.dsp.samples import Samples
from spatial.sync.alignment import (
    COARSE_SCORE,
    FAINT_SCORE,
    MATCH_SCORE,
    MIN_OVERLAP_S,
    SURE_SCORE,
    other_fit_s,
    overlap_s,
)
from spatial.sync.coarse import find_candidates
from spatial.sync.envelope import ENVELOPE_RATE_HZ
from spatial.sync.gcc_phat import cross_windows, refine_peak, scatter_of, signed_curves, try_law
from spatial.timebase import ClockLaw

_REACH_S = 0.025
"""A window's peak is sought this far on either side of the law, seconds: 8 m of sound's travel."""

_CLEAR = 6.0
"""Scatters that a window's peak must stand high to count: noise reaches four."""

_LOUD_DB = 12.0
"""How far below its loud moments a close microphone still hears its own wearer best, dB. Others are heard in it 15 to
30 dB lower (common practice, no source)."""

_SAME_S = 0.0015
"""Peaks this close tell of one talker: half a metre that they move."""

_LEAST_WINDOWS = 3
"""Fewer windows that agree are chance."""

_FLOOR_S = 1e-4
"""What no number of windows makes smaller, seconds: the talker's head turns, a hand's breadth of travel."""


@dataclass(frozen=True, slots=True, eq=False)
class LineUp:
    """How a recording lies along a track, or why that is not known."""

    law: ClockLaw | None
    """The recording's time from the track's; None where they do not match."""
    sd_s: float | None
    """Of the offset in the middle of what was measured."""
    reason: str
    """Why there is no match; empty where there is one."""
    windows: int = 0
    """How many moments agree."""
    inverted: bool = False
    """The recording swings the other way."""


def line_up(track: Samples, recording: Samples, powers: tuple[FloatArray, FloatArray]) -> LineUp:
    """Find where a close microphone's recording lies along a track.

    Parameters
    ----------
    track : Samples
        W of the track, one channel.
    recording : Samples
        One channel, at the same rate.
    powers : (ndarray, ndarray), shape (bands, frames) each
        Envelopes of both, from EnvelopeBuilder.

    Returns
    -------
    LineUp
    """
    candidates = [one for one in find_candidates(*powers) if overlap_s(track, recording, one.law) >= MIN_OVERLAP_S]
    if not candidates or candidates[0].score < FAINT_SCORE:
        return LineUp(None, None, "they do not seem to hear the same event")
    likely = [one for one in candidates if one.score >= 0.5 * candidates[0].score]
    trials = [try_law(track, recording, one.law) for one in likely]
    best = max(trials, key=lambda trial: trial.score)
    if best.score < (MATCH_SCORE if candidates[0].score >= COARSE_SCORE else SURE_SCORE):
        return LineUp(None, None, "they do not seem to hear the same event")
    apart_s = other_fit_s(track, recording, best, trials)
    if apart_s is not None:
        return LineUp(None, None, f"it fits in several places equally well, {apart_s:.2f} s apart")
    windows = cross_windows(track, recording, best.law)
    lags, curves = signed_curves(windows, best.signs, max_lag_s=_REACH_S)
    times, peaks, weights = _peaks(windows.times_s, lags, curves, _levels(windows.times_s, best.law, powers[1]))
    fitted = _line(times, peaks, weights)
    if fitted is None:
        return LineUp(None, None, "too few moments agree on one offset")
    offset_s, slope, sd_s, agreeing = fitted
    return LineUp(best.law.moved(offset_s, slope), sd_s, "", agreeing, bool(best.signs[0] < 0))


def _levels(times_s: FloatArray, law: ClockLaw, powers: FloatArray) -> FloatArray:
    """Level of the recording in each window, dB."""
    total = np.convolve(np.sum(powers, axis=0), np.ones(int(ENVELOPE_RATE_HZ)) / ENVELOPE_RATE_HZ, mode="same")
    place = np.array([law.take_from_clip(float(time)) for time in times_s]) * ENVELOPE_RATE_HZ
    index = np.clip(np.rint(place).astype(int), 0, total.size - 1)
    return np.asarray(10.0 * np.log10(total[index] + 1e-30))


def _peaks(
    times_s: FloatArray, lags_s: FloatArray, curves: FloatArray, levels_db: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time, lag and height of the windows' peaks, where they are clear and the recording is loud."""
    if not len(curves):
        return np.zeros(0), np.zeros(0), np.zeros(0)
    heights: FloatArray = curves.max(axis=1) / scatter_of(curves)
    clear = heights > _CLEAR
    if not clear.any():
        return np.zeros(0), np.zeros(0), np.zeros(0)
    kept = clear & (levels_db > np.quantile(levels_db[clear], 0.9) - _LOUD_DB)
    step = lags_s[1] - lags_s[0]
    places = [refine_peak(curve, int(np.argmax(curve)))[0] for curve in curves[kept]]
    return times_s[kept], lags_s[0] + step * np.array(places), heights[kept]


def _line(times_s: FloatArray, lags_s: FloatArray, weights: FloatArray) -> tuple[float, float, float, int] | None:
    """Offset at time 0, slope, deviation of the offset in the middle, and how many windows agree; None for too few."""
    if times_s.size < _LEAST_WINDOWS:
        return None
    # The talker who is closest is heard in most of the loud windows: where their peaks are densest.
    near = np.abs(lags_s[:, np.newaxis] - lags_s) < _SAME_S
    start = float(lags_s[int(np.argmax(near @ weights))])
    used = np.abs(lags_s - start) < 2 * _SAME_S
    offset, slope, slope_sd = start, 0.0, np.inf
    middle = float(np.mean(times_s[used]))
    scatter = effective = 1.0
    for _ in range(20):
        if used.sum() < _LEAST_WINDOWS:
            return None
        time, lag = times_s[used] - middle, lags_s[used]
        residual = lag - offset - slope * time
        scatter = max(1.4826 * float(np.median(np.abs(residual - np.median(residual)))), 2e-5)
        # Huber's weights [1]: what lies further off than 1.5 scatters counts by one over its distance.
        weight = weights[used] * np.minimum(1.0, 1.5 * scatter / np.maximum(np.abs(residual), 1e-9))
        mean = float(np.average(lag, weights=weight))
        centre = float(np.average(time, weights=weight))
        spread = float(np.sum(weight * (time - centre) ** 2))
        slope = float(np.sum(weight * (time - centre) * (lag - mean)) / spread) if spread > 0 else 0.0
        effective = float(np.sum(weight) ** 2 / np.sum(weight**2))
        slope_sd = scatter / np.sqrt(max(spread / float(np.sum(weight)) * effective, 1e-12))
        if abs(slope) < 2 * slope_sd:
            slope = 0.0
        offset = mean - slope * centre
        again = np.abs(lags_s - offset - slope * (times_s - middle)) < _SAME_S
        if np.array_equal(again, used):
            break
        used = again
    # Windows overlap by half a block, and a talker stands still over several: a third of them count as independent.
    sd = float(np.hypot(scatter / np.sqrt(max(effective / 3.0, 1.0)), _FLOOR_S))
    return offset - slope * middle, slope, sd, int(used.sum())
