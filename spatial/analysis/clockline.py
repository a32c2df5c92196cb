"""The clock law that many window lags agree on.

A window's lag is clock offset + drift x time + (separation . direction) / c + something of the place where its
sound comes from + error. The separation of recorder and camera is known roughly (the rig's size): a prior. What a
place adds is what a plane wave does not tell: how near the performer is, which reflections come with them. Without
these a performer who speaks early in the clip and another who speaks late look like drift. Windows that hear another
sound, a reflection or nothing are outliers: each window's say shrinks with its distance from the line.

Conventions: spatial.conventions (time). Lags are take time minus predicted take time, seconds.
Functions: fit_clock_line; places_of (which windows hear one place).
Sources:
[1] Huber 1981, Robust Statistics: iteratively reweighted least squares. [2] Tukey's biweight, tuning constant
4.685 for 95 % efficiency (value from memory). [3] Student 1908, Biometrika 6(1): the error of a mean whose scatter is
known from few samples only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from spatial.analysis.separation import Separation, on_sphere, unknown_rig
from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray

_SAME_PLACE_RAD = np.radians(20.0)
_MOST_PLACES = 12

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

_OPEN_SD_M = 1.0
"""So wide a prior leaves the separation to the windows alone."""


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
    """The places in the room that windows hear."""

    directions: FloatArray
    """Each window's, that of its place, unit vectors, shape (windows, 3); 0 where it hears no place."""
    columns: FloatArray
    """1 where a window hears a place, else 0, shape (windows, places)."""
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
    # A sound from the direction of the camera reaches the camera first: the take hears it later.
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
    # What the windows say by themselves: the same weights, and next to nothing known of where the camera is.
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
    """How much larger a variance must be said that is known from so few free samples, to hold 95 % all the same."""
    return float((stdtrit(max(free, 1.0), 0.975) / 1.96) ** 2)
