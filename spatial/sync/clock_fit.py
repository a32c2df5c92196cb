"""The clock law that the lags of many windows agree on.

Goal: offset and drift with their uncertainties, from windows of which some measure another sound, a reflection or
nothing.
Method: a window's lag is clock offset + drift x time + (separation . direction) / c + a delay of the place where its
sound comes from + error. The separation of recorder and camera is roughly known (the rig's size) and is a prior. A
place's delay is what a plane wave leaves out: how near the performer is, which reflections come along. Without it a
performer who speaks early in the clip and another who speaks late look like drift. The peaks near the law are fitted by
iteratively reweighted least squares: the weight of a window falls with its distance from the line.
Conventions: spatial.conventions (time). Lags are take time minus predicted take time, seconds.
Functions: fit_windows (peaks of the windows and the line through them); fit_told (the line alone); fit_clock_line (the
line through given lags); places_of (which windows share one place); agreement (weight of each frequency); hidden_step
(a clock step within the windows' reach).
Sources:
[1] Huber 1981, Robust Statistics: iteratively reweighted least squares. [2] Tukey's biweight, tuning constant
4.685 for 95 % efficiency (value from memory). [3] Student 1908, Biometrika 6(1): the error of a mean whose scatter is
known from few samples only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from spatial.conventions import SDS_OF_95, SPEED_OF_SOUND_M_S, ComplexArray, FloatArray
from spatial.sync.baseline import Separation, on_sphere, unknown_rig
from spatial.sync.gcc_phat import SEARCH_S, CrossWindows, lag_curves, refine_peak, scatter_of
from spatial.timebase import ClockLaw, ClockStep

# --- a robust line ---

_SAME_PLACE_RAD = np.radians(20.0)
"""Windows whose directions are this close count as one place. Windows scatter by about 7 degrees: a smaller value
splits one performer into several places, a larger one joins two performers."""

_MOST_PLACES = 12
"""Most places that get an unknown of their own; windows beyond them count as sound from nowhere. More cost time, and
take up what measures the drift."""

CAMERA_SPACING_SD_M = 0.1
"""A camera's two microphones are about a hand apart (common practice, no source)."""

_STEP_SD_S = 0.02
"""A step is known to within the windows' reach before it is fitted."""

_RIG = slice(2, 5)
"""Where the separation stands among the unknowns."""

_SPACING = slice(5, 8)
"""Where the camera's spacing does."""

DRIFT_PRIOR_SD = 500e-6
"""Two crystal clocks differ by tens of ppm, pulled ones by 1000: a wide prior that only steadies short clips."""

_TUKEY = 4.685
"""Residual, in scatters, from which Tukey's biweight gives no weight [2]. With a lower value good windows are lost,
with a higher one outliers pull."""

_OPEN_SD_M = 1.0
"""A prior this wide leaves the separation to the windows alone, metres."""


@dataclass(frozen=True, slots=True, eq=False)
class ClockLine:
    """A correction to a clock law: lag = offset_s + slope * clip time."""

    offset_s: float
    slope: float
    covariance: FloatArray
    """Of (offset_s, slope), shape (2, 2)."""
    separation_m: FloatArray
    """Camera's place seen from the recorder along its own axes, shape (3,)."""
    separation_sd_m: FloatArray
    arrival_m: FloatArray
    """The separation as the windows alone measure it, whatever was known of the rig, shape (3,)."""
    arrival_covariance_m2: FloatArray
    """Of that, shape (3, 3)."""
    spacing_m: FloatArray
    """From the camera's second microphone to its first, in the recorder's axes, shape (3,)."""
    steps_s: FloatArray
    """What each step asked for adds to the lag, shape (steps,), with its deviation."""
    steps_sd_s: FloatArray
    scatter_s: float
    """Scatter of the windows that count, one standard deviation."""
    residuals_s: FloatArray
    travel_s: FloatArray
    """What the travel of sound adds to each window's lag, shape (windows,)."""
    weights: FloatArray
    """What each window counts in the end, 0 to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """The places in the room that the windows' sound comes from."""

    directions: FloatArray
    """Each window's, that of its place, unit vectors, shape (windows, 3); 0 where it has no place."""
    columns: FloatArray
    """1 where a window belongs to a place, else 0, shape (windows, places)."""
    sd_s: FloatArray
    """What each place may add to a lag, shape (places,)."""


def fit_clock_line(
    times_s: FloatArray,
    lags_s: FloatArray,
    directions: FloatArray,
    *,
    strengths: FloatArray,
    sides: FloatArray | None = None,
    separation: Separation | None = None,
    steps_at_s: Sequence[float] = (),
    places: Places | None = None,
    floor_s: float = 2e-6,
) -> ClockLine:
    """Fit offset, slope and separation to window lags, robustly ([1], [2]).

    Parameters
    ----------
    times_s, lags_s : ndarray, shape (windows,)
    directions : ndarray, shape (windows, 3)
        Where each window's sound came from, unit vectors in the recorder's axes; NaN where unknown.
    strengths : ndarray, shape (windows,)
        How well each window's peak stands out; its variance is taken as inverse to the square.
    sides : ndarray, shape (windows,), optional
        +0.5 for a lag against the camera's first microphone, -0.5 for its second; 0 for the two together.
    separation : Separation, optional
        What is known of the rig; by default, that recorder and camera share one.
    steps_at_s : sequence of float
        Clip times from which on the lag may be larger or smaller by a fixed step.
    places : Places, optional
        `places_of` these directions and this rig, where they are known from an earlier fit.
    floor_s : float
        Smallest scatter believed, seconds.

    Returns
    -------
    ClockLine
    """
    rig = separation or unknown_rig()
    middle = float(np.average(times_s, weights=strengths))
    # A sound from the direction of the camera reaches the camera first: the take has it later.
    places = places or places_of(directions, rig)
    known = places.directions
    passed = np.greater_equal.outer(times_s, np.asarray(steps_at_s)).astype(float)
    spacing = known * (np.zeros_like(times_s) if sides is None else sides)[:, np.newaxis]
    arrivals = np.column_stack([known, spacing]) / SPEED_OF_SOUND_M_S
    design = np.column_stack([np.ones_like(times_s), times_s - middle, arrivals, passed, places.columns])
    first, after = _SPACING.stop, _SPACING.stop + passed.shape[1]
    precision = np.zeros((design.shape[1],) * 2)
    precision[1, 1] = DRIFT_PRIOR_SD**-2
    precision[np.arange(first, after), np.arange(first, after)] = _STEP_SD_S**-2
    precision[_SPACING, _SPACING] = np.eye(3) / CAMERA_SPACING_SD_M**2
    precision[_RIG, _RIG] = np.linalg.inv(rig.covariance_m2)
    precision[np.arange(after, len(precision)), np.arange(after, len(precision))] = places.sd_s**-2
    expected = np.zeros(len(precision))
    expected[_RIG] = rig.mean_m
    say = np.clip(strengths / np.median(strengths), 0.3, 3.0) ** 2
    weights = np.ones_like(lags_s)
    scatter = max(floor_s, _spread(lags_s))
    for _ in range(30):
        normal = design.T @ (design * (weights * say / scatter**2)[:, np.newaxis]) + precision
        told = design.T @ (lags_s * weights * say) / scatter**2
        solution = np.linalg.solve(normal, told + precision @ expected)
        residuals = lags_s - design @ solution
        scatter = max(floor_s, _spread(residuals * np.sqrt(say)))
        ratio = np.clip(np.abs(residuals) * np.sqrt(say) / (_TUKEY * scatter), 0.0, 1.0)
        updated = (1.0 - ratio**2) ** 2
        if np.sum(updated) < 1.0:
            # Two crowds far apart and a prior that forbids to follow either: none would be left to weigh.
            break
        if np.max(np.abs(updated - weights)) < 1e-4:
            break
        weights = updated
    seen = design.T @ (design * (weights * say / scatter**2)[:, np.newaxis])
    # What the fit itself has used up makes the residuals too small.
    spent = float(np.trace(np.linalg.solve(seen + precision, seen)))
    inflation = _inflation(residuals, weights, spent)
    covariance = np.linalg.inv(seen / inflation + precision)
    # What the windows measure by themselves: the same weights, and next to nothing known of where the camera is.
    alone = precision.copy()
    alone[_RIG, _RIG] = np.eye(3) / _OPEN_SD_M**2
    open_covariance = np.linalg.inv(seen / inflation + alone)
    measured = open_covariance @ (design.T @ (lags_s * weights * say)) / scatter**2 / inflation
    if rig.length_m is not None:
        solution, covariance = on_sphere(solution, covariance, _RIG, rig.length_m, rig.length_sd_m)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    to_zero = np.array([[1.0, -middle], [0.0, 1.0]])
    return ClockLine(
        offset_s=float(solution[0] - solution[1] * middle),
        slope=float(solution[1]),
        covariance=to_zero @ covariance[:2, :2] @ to_zero.T,
        separation_m=solution[_RIG],
        separation_sd_m=sd[_RIG],
        arrival_m=measured[_RIG],
        arrival_covariance_m2=open_covariance[_RIG, _RIG],
        spacing_m=solution[_SPACING],
        steps_s=solution[first:after],
        steps_sd_s=sd[first:after],
        scatter_s=scatter,
        residuals_s=residuals,
        travel_s=np.delete(design, [0, 1, *range(first, after)], axis=1)
        @ np.delete(solution, [0, 1, *range(first, after)]),
        weights=weights,
    )


def places_of(directions: FloatArray, rig: Separation) -> Places:
    """Sort windows into the places in the room that their sounds come from.

    All windows of a place get its mean direction: the small errors of their own would pass for knowledge of the rig.
    """
    heard: npt.NDArray[np.bool_] = np.asarray(np.isfinite(directions).all(axis=1))
    known = np.zeros_like(directions)
    columns = [~heard]
    rest = heard.copy()
    while rest.any() and len(columns) < _MOST_PLACES:
        near = np.asarray(directions @ directions[rest].T > np.cos(_SAME_PLACE_RAD)) & rest[:, np.newaxis]
        fullest = near[:, int(np.argmax(near.sum(axis=0)))]
        columns.append(fullest)
        middle = directions[fullest].sum(axis=0)
        known[fullest] = middle / np.linalg.norm(middle)
        rest &= ~fullest
    columns[0] = columns[0] | rest
    used = [column for column in columns if column.any()]
    sd = np.full(len(used), rig.place_sd_s)
    if columns[0].any():
        sd[0] = rig.nowhere_sd_s
    return Places(known, np.stack(used, axis=1).astype(float), sd)


def _spread(values: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _inflation(residuals: FloatArray, weights: FloatArray, spent: float) -> float:
    """How much neighbouring windows repeat each other: the variance of a mean of correlated errors.

    A performer who stands still keeps the same reflections, so the errors of neighbouring windows are alike.
    Lag-one autocorrelation r of a first-order process makes a mean's variance (1 + r) / (1 - r) times larger. And a
    scatter that few windows tell may itself be too small by luck: what holds 95 % is Student's width [3].
    """
    kept = residuals * weights
    if np.count_nonzero(weights > 0.1) < 4:
        return 2.0 * _luck(1.0)
    energy = float(np.sum(kept**2))
    repeat = float(np.sum(kept[1:] * kept[:-1]) / energy) if energy > 0 else 0.0
    repeat = min(max(repeat, 0.0), 0.8)
    counted = float(np.sum(weights))
    free = max(counted - spent, 0.1 * counted)
    return (1.0 + repeat) / (1.0 - repeat) * counted / free * _luck(free)


def _luck(free: float) -> float:
    """How much larger a variance must be stated that is known from few free samples, to hold 95 % all the same."""
    return float((stdtrit(max(free, 1.0), 0.975) / SDS_OF_95) ** 2)


# --- the line through windows ---

Number = TypeVar("Number", np.floating, np.complexfloating)
_STRONG = 4.5
"""Height of a window's peak over its curve's scatter from which it takes part. It is chosen on development scenes: a
lower value adds outliers, a higher one leaves noisy clips without windows."""

_SHARED = 0.9
"""Length of the mean of a group's unit vectors from which the group has one direction: at 0.9 they lie within about 25
degrees. A lower value gives a place to windows of two performers."""

_STEP_WINDOWS = 4
"""Windows that a hidden step leaves on either side at least: fewer may be chance."""

_STEP_TRIALS = 40
"""Places at which a hidden step is tried. Each costs a fit; a step further from a tried place than a few windows is
found less well."""

_STEP_APART_S = 3.0
"""A hidden step is not sought this close to one that is known, seconds: it would be the same step, set a little beside
its place."""

_STEP_AGREE_S = 2e-4
"""A window this close to the line counts as on it, seconds: a quarter of the smallest step, so that windows on both
sides of one are not counted together."""

_SMALLEST_STEP_S = 8e-4
"""Smallest hidden step, seconds. A smaller one lies within what performers in several places do to the lags of one rig
(0.3 m, 0.9 ms)."""

_STEP_SURE = 6.0
"""A hidden step must be this many of its own standard deviations large. The largest of up to 40 tried places exceeds
what chance does at one; a higher value misses true steps in short clips."""


_AFAR_S = 0.0015
"""How far from the line a clear window's peak lies afar, seconds: beyond what performers can do to a line on one
rig."""

_REACH_S = 0.011
"""How far from the law peaks are sought for _AFAR_S, seconds: as far as performers can move a lag where the recorder
stands 3 m away."""

_CLEAR, _FEW_CLEAR = 5.5, 24
"""Height over scatter from which a window is clear, and the least number of clear windows that the share of those afar
is taken of: a single stray in a short clip then stays below MOST_AFAR."""

MOST_AFAR = 0.08
"""Share of clear windows that may lie afar for another reason (reflections). One in 46 scenes with a shared rig had
more, 28 of 33 with a recorder 1.5 to 3 m from the lens (seeds 20000 to 20199)."""


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the windows measure that stand out, one row for each window and camera microphone."""

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
        # Each of the camera's microphones has an arrival time of its own: their peaks are kept apart.
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
    """The robust line through what the windows measure, with a step wherever the law has one."""
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
    """How far each frequency's phases agree between windows, smoothed: its weight in the final curves.

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
    """A clock step too small for the search of steps, shown beyond doubt by the windows; None where there is none.

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
