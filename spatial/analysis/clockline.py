"""The clock law that many window lags agree on.

A window's lag is clock offset + drift x time + (separation . direction) / c + error. The separation of
recorder and camera is known roughly (the rig's size) or exactly (measured): a prior. Windows that hear another
sound, a reflection or nothing are outliers: each window's say shrinks with its distance from the line.

Conventions: spatial.conventions (time). Lags are take time minus predicted take time, seconds.
Functions: fit_clock_line.
Sources:
[1] Huber 1981, Robust Statistics: iteratively reweighted least squares. [2] Tukey's biweight, tuning constant
4.685 for 95 % efficiency (value from memory).
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray

RIG_SEPARATION_SD_M = 0.2
"""How far apart, along each axis, a recorder hung on the camera's rig may be (common practice, no source)."""

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
        Where each window's sound came from, in the recorder's axes, shortened where mixed.
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
    design = np.column_stack([np.ones_like(times_s), times_s - middle, directions / SPEED_OF_SOUND_M_S])
    precision = np.diag([0.0, DRIFT_PRIOR_SD**-2, *[RIG_SEPARATION_SD_M**-2] * 3])
    say = np.clip(strengths / np.median(strengths), 0.3, 3.0) ** 2
    weights = np.ones_like(lags_s)
    solution = np.array([np.median(lags_s), 0.0, 0.0, 0.0, 0.0])
    scatter = max(floor_s, _spread(lags_s - solution[0]))
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
    normal = design.T @ (design * (weights * say / scatter**2)[:, np.newaxis]) + precision
    covariance = np.linalg.inv(normal) * _inflation(residuals, weights)
    to_zero = np.array([[1.0, -middle], [0.0, 1.0]])
    return ClockLine(
        offset_s=float(solution[0] - solution[1] * middle),
        slope=float(solution[1]),
        covariance=to_zero @ covariance[:2, :2] @ to_zero.T,
        separation_m=solution[2:],
        separation_sd_m=np.sqrt(np.diag(covariance)[2:]),
        scatter_s=scatter,
        residuals_s=residuals,
        weights=weights,
    )


def _spread(values: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _inflation(residuals: FloatArray, weights: FloatArray) -> float:
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
    few = len(residuals) / max(1.0, np.sum(weights) - 3.0)
    return (1.0 + repeat) / (1.0 - repeat) * max(1.0, few)
