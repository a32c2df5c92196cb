"""Where a clip and a take overlap along a clock law, and whether the clip fits there only.

Conventions: spatial.conventions (time).
Functions: overlap_s, middle_s (of the overlap); other_fit_s (how far away the same moments fit as well).
"""

from collections.abc import Sequence

import numpy as np

from spatial.analysis.correlation import cross_windows, scatter_of, signed_curves
from spatial.analysis.samples import Samples
from spatial.analysis.stacking import NEAR_S, SEARCH_S, Trial
from spatial.conventions import FloatArray
from spatial.timebase import ClockLaw

_NEARLY = 0.7
_MOMENT_S, _MOMENTS, _FITS = 1.0, 120, 6.0


def overlap_s(clip: Samples, take: Samples, law: ClockLaw) -> float:
    """How long clip and take overlap, seconds of clip time."""
    start, end = _covered_s(clip, take, law)
    return end - start


def middle_s(clip: Samples, take: Samples, law: ClockLaw) -> float:
    """Clip time in the middle of the overlap."""
    start, end = _covered_s(clip, take, law)
    return start + (end - start) / 2


def _covered_s(clip: Samples, take: Samples, law: ClockLaw) -> tuple[float, float]:
    """Clip time from which and until which clip and take overlap."""
    end = min(clip.length / clip.rate_hz, law.clip_from_take(take.length / take.rate_hz))
    return max(0.0, law.clip_from_take(0.0)), end


def other_fit_s(clip: Samples, take: Samples, best: Trial, trials: Sequence[Trial]) -> float | None:
    """How far away the take fits the same moments of the clip nearly as well, seconds; None where it does not.

    After a clock step another place fits well too, but other moments.
    """
    middle = middle_s(clip, take, best.law)
    here = best.law.take_from_clip(middle)
    fitting: FloatArray | None = None
    for trial in sorted(trials, key=lambda t: -t.score):
        apart = abs(trial.law.take_from_clip(middle) - here)
        if trial.score < _NEARLY * best.score or apart <= SEARCH_S:
            continue
        if fitting is None:
            fitting = _moments(clip, take, best)
        other = _moments(clip, take, trial)
        both = np.isin(fitting, other).sum()
        if both > 0.5 * max(1, min(len(fitting), len(other))):
            return apart
    return None


def _moments(clip: Samples, take: Samples, trial: Trial) -> FloatArray:
    """The seconds of the clip that a trial's law fits."""
    windows = cross_windows(clip, take, trial.law, every_s=_MOMENT_S, max_windows=_MOMENTS)
    lags, curves = signed_curves(windows, trial.signs, max_lag_s=SEARCH_S)
    fits = curves[:, np.abs(lags) <= NEAR_S].max(axis=1) / scatter_of(curves) > _FITS
    return np.asarray(np.round(windows.times_s[fits] / _MOMENT_S))
