"""What the windows of a clip say together: their peaks near a clock law, and the robust line through them.

Conventions: spatial.conventions (time).
Functions: fit_windows (peaks and line); fit_told (the line alone); hidden_step (a clock step inside the windows'
reach).
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from spatial.analysis.clockline import ClockLine, Places, fit_clock_line, places_of
from spatial.analysis.correlation import CrossWindows, lag_curves, refine_peak, scatter_of
from spatial.analysis.separation import Separation
from spatial.analysis.stacking import SEARCH_S
from spatial.conventions import ComplexArray, FloatArray
from spatial.timebase import ClockLaw, ClockStep

Number = TypeVar("Number", np.floating, np.complexfloating)
_STRONG = 4.5
_SHARED = 0.9
_STEP_WINDOWS = 4
_STEP_TRIALS = 40
_STEP_APART_S = 3.0
_STEP_AGREE_S = 2e-4
_SMALLEST_STEP_S = 8e-4
_STEP_SURE = 6.0


_AFAR_S = 0.0015
_REACH_S = 0.011
"""Beyond what performers can do to a line on one rig, and as far as they can where the recorder stands 3 m away."""

_CLEAR, _FEW_CLEAR = 5.5, 24
MOST_AFAR = 0.08
"""Share of clear windows that may lie afar for another reason (reflections). One in 46 scenes with a shared rig had
more, 28 of 33 with a recorder 1.5 to 3 m from the lens (seeds 20000 to 20199)."""


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the windows say that stand out, one row for each window and camera microphone."""

    times_s: FloatArray
    lags_s: FloatArray
    """Against the windows' law."""
    directions: FloatArray
    strengths: FloatArray
    sides: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class WindowFit:
    """The line through the windows that count, and what it was fitted to."""

    line: ClockLine
    told: Told
    afar: float
    """Share of the clear windows whose highest peak lies further from the line than performers on one rig can do."""

    @property
    def agreeing(self) -> int:
        """How many windows lie on the line."""
        return int(np.sum(np.abs(self.line.residuals_s) < _STEP_AGREE_S))


def fit_windows(windows: CrossWindows, signs: FloatArray, rig: Separation, near_s: float) -> WindowFit | None:
    """Peaks of the windows near the law, and the robust line through them; None where too few stand out."""
    channels = len(signs)
    phases = windows.phases * signs[:, np.newaxis]
    weights = agreement(phases.mean(axis=1))
    for group in (1, 2, 4, 8):
        grouped, times, places = _grouped(phases, windows.times_s, windows.directions, group)
        lags, curves = lag_curves(grouped, windows.rate_hz, max_lag_s=SEARCH_S, weights=weights)
        # Each of the camera's microphones hears at a time of its own: their peaks are kept apart.
        curves = curves.transpose(1, 0, 2).reshape(-1, lags.size)
        measured, strengths = _peaks(lags, curves, near_s)
        strong = strengths > _STRONG
        # The better microphone decides: the other may be dead or full of hum.
        most = int(strong.reshape(channels, -1).sum(axis=1).max())
        if most >= max(6, 0.3 * len(times)):
            break
    if most < 3:
        return None
    times = np.tile(times, channels)
    sides = np.repeat([0.5, -0.5] if channels == 2 else np.zeros(channels), len(places))
    told = Told(
        times[strong], measured[strong], np.tile(places, (channels, 1))[strong], strengths[strong], sides[strong]
    )
    line = fit_told(told, windows.law, rig)
    return WindowFit(line, told, _afar(times, *_peaks(lags, curves, _REACH_S), line, windows.law))


def _peaks(lags: FloatArray, curves: FloatArray, near_s: float) -> tuple[FloatArray, FloatArray]:
    """Lag of each curve's highest peak near 0, and its height over the curve's scatter."""
    near = np.flatnonzero(np.abs(lags) <= near_s)
    peaks = near[0] + np.argmax(curves[:, near], axis=1)
    refined = np.array([refine_peak(curve, int(peak)) for curve, peak in zip(curves, peaks, strict=True)])
    return lags[0] + refined[:, 0] * (lags[1] - lags[0]), refined[:, 1] / scatter_of(curves)


def _afar(times: FloatArray, peaks: FloatArray, strengths: FloatArray, line: ClockLine, law: ClockLaw) -> float:
    """Share of clear windows that lie further from a line than performers on one rig can do."""
    passed = np.greater_equal.outer(times, [step.clip_time_s for step in law.steps])
    off = np.abs(peaks - line.offset_s - line.slope * times - passed @ line.steps_s)
    clear = strengths > _CLEAR
    return float(np.sum(off[clear] > _AFAR_S)) / max(int(np.sum(clear)), _FEW_CLEAR)


def fit_told(told: Told, law: ClockLaw, rig: Separation, places: Places | None = None) -> ClockLine:
    """The robust line through what the windows say, with a step wherever the law has one."""
    return fit_clock_line(
        told.times_s,
        told.lags_s,
        told.directions,
        strengths=told.strengths,
        sides=told.sides,
        separation=rig,
        steps_at_s=[step.clip_time_s for step in law.steps],
        places=places,
    )


def agreement(phases: ComplexArray) -> FloatArray:
    """How far each frequency's phases agree between windows, smoothed: the say it gets in the final curves.

    With coherence g the best weight of a whitened bin grows as g / (1 - g) (Knapp and Carter 1976, maximum
    likelihood); the mean phase over N windows shows 1/sqrt(N) by chance, taken off first.
    """
    count = len(phases)
    mean = np.abs(phases.mean(axis=0)) / np.maximum(np.abs(phases).mean(axis=0), 1e-12)
    smooth = np.convolve(np.pad(mean**2, 32, mode="edge"), np.ones(65) / 65, mode="valid")
    coherent = np.clip(smooth - 1.0 / max(count, 2), 0.0, 0.95)
    weight = np.sqrt(coherent) / (1.0 - coherent)
    return weight + 0.05 * np.max(weight) + 1e-6


def _grouped(
    phases: ComplexArray, times_s: FloatArray, directions: FloatArray, group: int
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Means over neighbouring windows; a direction only where they all share it."""
    count = len(phases) // group
    if group == 1 or count == 0:
        return phases, times_s, directions

    def split(values: npt.NDArray[Number]) -> npt.NDArray[Number]:
        return values[: count * group].reshape(count, group, *values.shape[1:])

    shared = split(directions).mean(axis=1)
    length = np.linalg.norm(shared, axis=1, keepdims=True)
    place = np.where(length > _SHARED, shared / np.maximum(length, 1e-9), np.nan)
    return split(phases).mean(axis=1), split(times_s).mean(axis=1), place


def hidden_step(told: Told, law: ClockLaw, rig: Separation) -> tuple[float, ClockLine] | None:
    """A clock step too small for the search of steps, told beyond doubt by the windows; None where there is none.

    Such a step lies inside what the travel of sound may do to a window, and passes for drift. Lines with one more
    step are fitted at up to 40 places; the step must stand out over its own deviation and over what the rig can do,
    and bring windows into line that were not.

    Returns
    -------
    time, line
        Clip time of the step, and the line with it as its last one.
    """
    order = np.sort(told.times_s)
    if order.size < 4 * _STEP_WINDOWS:
        return None
    places = places_of(told.directions, rig)
    plain = np.abs(fit_told(told, law, rig, places).residuals_s) < _STEP_AGREE_S
    ranks = np.unique(np.linspace(_STEP_WINDOWS, order.size - _STEP_WINDOWS, _STEP_TRIALS).astype(int))
    best: tuple[int, float, ClockLine] | None = None
    for split in np.unique((order[ranks - 1] + order[ranks]) / 2):
        if any(abs(split - step.clip_time_s) < _STEP_APART_S for step in law.steps):
            continue
        line = fit_told(told, ClockLaw(0.0, steps=(*law.steps, ClockStep(float(split), 0.0))), rig, places)
        step, sd = abs(float(line.steps_s[-1])), float(line.steps_sd_s[-1])
        gained = int(np.sum(np.abs(line.residuals_s) < _STEP_AGREE_S)) - int(np.sum(plain))
        sure = step > max(_SMALLEST_STEP_S, 2.0 * rig.place_sd_s) and step > _STEP_SURE * sd
        if sure and gained > 0.1 * order.size and (best is None or gained > best[0]):
            best = gained, float(split), line
    return best[1:] if best else None
