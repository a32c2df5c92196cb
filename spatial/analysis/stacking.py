"""A candidate clock law, looked at closely: the windows' correlation curves stacked along every small change of it.

Goal: one number for how surely clip and take hear one event along this law, and a better law.
Conventions: spatial.conventions (time).
Functions: try_law (a candidate, corrected where it moves); stack_windows (the stack itself).
"""

from dataclasses import dataclass

import numpy as np

from spatial.analysis.coarse import MAX_DRIFT_PPM
from spatial.analysis.correlation import WINDOW, CrossWindows, cross_windows, lag_curves, refine_peak, scatter_of
from spatial.analysis.samples import Samples
from spatial.conventions import FloatArray
from spatial.timebase import ClockLaw

SEARCH_S = 0.040
"""The stack reaches this far on both sides of the candidate: several times the coarse search's error."""

NEAR_S = 0.002
"""A window that agrees lies within this of the law: a rig's size, and a little for reflections."""

_SMEAR_S = 30e-6
_CLEAR_SCORE = 16.0
_TRIAL_WINDOWS = 160
_COARSE_ERROR_S = 0.015
_SLOPE_STEP_S = 60e-6


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One candidate, looked at closely."""

    law: ClockLaw
    """The candidate, corrected by where the stack is highest."""
    score: float
    """Height of the stack over its own scatter."""
    rival: float
    """The same for the best place away from the peak."""
    signs: FloatArray
    """+1 or -1 for each camera channel: -1 is wired the wrong way round."""
    lags_s: FloatArray
    curve: FloatArray
    """The stacked correlation around the peak, shape (lags,)."""


def try_law(clip: Samples, take: Samples, law: ClockLaw) -> Trial:
    """Stack the windows' curves along every small change of the law; keep the best, twice where it moves much."""
    trial = stack_windows(cross_windows(clip, take, law, max_windows=_TRIAL_WINDOWS))
    moved = abs(trial.law.drift_ppm - law.drift_ppm) * 1e-6 * WINDOW / clip.rate_hz
    if moved > _SMEAR_S or trial.score < _CLEAR_SCORE:
        again = stack_windows(cross_windows(clip, take, trial.law, max_windows=_TRIAL_WINDOWS))
        trial = max(trial, again, key=lambda t: t.score)
    return trial


def stack_windows(windows: CrossWindows) -> Trial:
    """Stack the windows' curves along every small change of their law; score 0 where there is no window."""
    lags, curves = lag_curves(windows.phases, windows.rate_hz, max_lag_s=SEARCH_S)
    if len(windows.times_s) == 0:
        return Trial(windows.law, 0.0, 0.0, np.ones(curves.shape[1]), lags, np.zeros_like(lags))
    times = windows.times_s - np.mean(windows.times_s)
    slopes = _slopes(float(np.ptp(times)))
    channels = curves.shape[1]
    # A camera channel wired the wrong way round turns its correlation over: try both ways.
    choices = [np.ones(channels)] + ([np.array([1.0, -1.0])] if channels == 2 else [])
    best: Trial | None = None
    for signs in choices:
        summed = np.tensordot(curves, signs / channels, axes=(1, 0))
        stacked = np.stack([_along(summed, slope * times, lags) for slope in slopes])
        scatter = float(scatter_of(stacked.ravel()))
        row, column = np.unravel_index(int(np.argmax(np.abs(stacked))), stacked.shape)
        flip = float(np.sign(stacked[row, column]))
        curve = stacked[row] * flip
        place, height = refine_peak(curve, int(column))
        apart = np.abs(np.arange(curve.size) - column) * (lags[1] - lags[0]) > NEAR_S
        slope = float(slopes[row])
        lag = float(np.interp(place, np.arange(lags.size), lags)) - slope * float(np.mean(windows.times_s))
        trial = Trial(
            law=windows.law.moved(lag, slope),
            score=height / scatter,
            rival=float(np.max(curve[apart])) / scatter,
            signs=signs * flip,
            lags_s=lags - lags[column],
            curve=curve,
        )
        if best is None or trial.score > best.score:
            best = trial
    assert best is not None
    return best


def _slopes(span_s: float) -> FloatArray:
    """Slopes worth trying: what the coarse search leaves open, in steps that the curves can tell apart."""
    if span_s == 0:
        return np.zeros(1)
    widest = min(MAX_DRIFT_PPM * 1e-6, _COARSE_ERROR_S / span_s)
    steps = int(np.ceil(widest * span_s / 2 / _SLOPE_STEP_S))
    return np.arange(-steps, steps + 1) * (_SLOPE_STEP_S / (span_s / 2))


def _along(curves: FloatArray, shifts_s: FloatArray, lags: FloatArray) -> FloatArray:
    """Mean of the curves, each read at lag + shift."""
    steps = np.rint(shifts_s / (lags[1] - lags[0])).astype(int)
    total = np.zeros(curves.shape[1])
    for curve, step in zip(curves, steps, strict=True):
        # What is shifted past the edge is left out: there a sum of fewer curves is lower, never falsely high.
        if step >= 0:
            total[: total.size - step] += curve[step:]
        else:
            total[-step:] += curve[:step]
    return total / len(curves)
