"""The clock law that many window lags agree on.

A window's lag is clock offset + drift x time + (separation . direction) / c + something of the place where its
sound comes from + error. The separation of recorder and camera is known roughly (the rig's size): a prior. What a
place adds is what a plane wave does not tell: how near the performer is, which reflections come with them. Without
these a performer who speaks early in the clip and another who speaks late look like drift. Windows that hear another
sound, a reflection or nothing are outliers: each window's say shrinks with its distance from the line.

Conventions: spatial.conventions (time). Lags are take time minus predicted take time, seconds.
Functions: fit_clock_line.
Sources:
[1] Huber 1981, Robust Statistics: iteratively reweighted least squares. [2] Tukey's biweight, tuning constant
4.685 for 95 % efficiency (value from memory).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray

RIG_SEPARATION_SD_M = 0.2
"""How far apart, along each axis, a recorder hung on the camera's rig may be (common practice, no source)."""

PLACE_SD_S = 1e-4
"""What one place in the room adds to the lag beside the plane wave (common practice, no source: a performer at 1.5 m
is heard 0.09 ms later by a recorder 30 cm off than a plane wave tells)."""

NOWHERE_SD_S = 4e-4
"""The same for windows whose sound comes from nowhere in particular: as far as the rig reaches."""

_SAME_PLACE_RAD = np.radians(20.0)
_MOST_PLACES = 12

DRIFT_PRIOR_SD = 500e-6
"""Two crystal clocks differ by tens of ppm, pulled ones by 1000: a wide prior that only steadies short clips."""

_TUKEY = 4.685


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
    scatter_s: float
    """Scatter of the windows that count, one standard deviation."""
    residuals_s: FloatArray
    weights: FloatArray
    """What each window counts in the end, 0 to 1."""


def fit_clock_line(
    times_s: FloatArray,
    lags_s: FloatArray,
    directions: FloatArray,
    *,
    strengths: FloatArray,
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
    floor_s : float
        Smallest scatter believed, seconds.

    Returns
    -------
    ClockLine
    """
    middle = float(np.average(times_s, weights=strengths))
    # A sound from the direction of the camera reaches the camera first: the take hears it later.
    known = np.nan_to_num(directions)
    places, place_sd = _places(directions)
    design = np.column_stack([np.ones_like(times_s), times_s - middle, known / SPEED_OF_SOUND_M_S, places])
    precision = np.diag([0.0, DRIFT_PRIOR_SD**-2, *[RIG_SEPARATION_SD_M**-2] * 3, *place_sd**-2])
    say = np.clip(strengths / np.median(strengths), 0.3, 3.0) ** 2
    weights = np.ones_like(lags_s)
    scatter = max(floor_s, _spread(lags_s))
    for _ in range(30):
        normal = design.T @ (design * (weights * say / scatter**2)[:, np.newaxis]) + precision
        solution = np.linalg.solve(normal, design.T @ (lags_s * weights * say) / scatter**2)
        residuals = lags_s - design @ solution
        scatter = max(floor_s, _spread(residuals * np.sqrt(say)))
        ratio = np.clip(np.abs(residuals) * np.sqrt(say) / (_TUKEY * scatter), 0.0, 1.0)
        updated = (1.0 - ratio**2) ** 2
        if np.max(np.abs(updated - weights)) < 1e-4:
            break
        weights = updated
    told = design.T @ (design * (weights * say / scatter**2)[:, np.newaxis])
    covariance = np.linalg.inv(told + precision)
    # What the fit itself has used up makes the residuals too small.
    spent = float(np.trace(covariance @ told))
    covariance *= _inflation(residuals, weights, spent)
    to_zero = np.array([[1.0, -middle], [0.0, 1.0]])
    return ClockLine(
        offset_s=float(solution[0] - solution[1] * middle),
        slope=float(solution[1]),
        covariance=to_zero @ covariance[:2, :2] @ to_zero.T,
        separation_m=solution[2:5],
        separation_sd_m=np.sqrt(np.diag(covariance)[2:5]),
        scatter_s=scatter,
        residuals_s=residuals,
        weights=weights,
    )


def _places(directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Which place each window's sound comes from, as columns of 0 and 1, with what each place may add, seconds."""
    heard: npt.NDArray[np.bool_] = np.asarray(np.isfinite(directions).all(axis=1))
    columns = [~heard]
    rest = heard.copy()
    while rest.any() and len(columns) < _MOST_PLACES:
        near = np.asarray(directions @ directions[rest].T > np.cos(_SAME_PLACE_RAD)) & rest[:, np.newaxis]
        fullest = near[:, int(np.argmax(near.sum(axis=0)))]
        columns.append(fullest)
        rest &= ~fullest
    columns[0] = columns[0] | rest
    used = [column for column in columns if column.any()]
    sd = np.full(len(used), PLACE_SD_S)
    if columns[0].any():
        sd[0] = NOWHERE_SD_S
    return np.stack(used, axis=1).astype(float), sd


def _spread(values: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _inflation(residuals: FloatArray, weights: FloatArray, spent: float) -> float:
    """How much neighbouring windows repeat each other: the variance of a mean of correlated errors.

    A performer who stands still keeps the same reflections, so the errors of neighbouring windows are alike.
    Lag-one autocorrelation r of a first-order process makes a mean's variance (1 + r) / (1 - r) times larger.
    """
    kept = residuals * weights
    if np.count_nonzero(weights > 0.1) < 4:
        return 2.0
    energy = float(np.sum(kept**2))
    repeat = float(np.sum(kept[1:] * kept[:-1]) / energy) if energy > 0 else 0.0
    repeat = min(max(repeat, 0.0), 0.8)
    counted = float(np.sum(weights))
    return (1.0 + repeat) / (1.0 - repeat) * counted / max(counted - spent, 0.1 * counted)
