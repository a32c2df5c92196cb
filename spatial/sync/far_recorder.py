"""Where the clock may lie when the recorder stands apart from the camera, from the delays of a few talkers.

The sound of a talker at distance r from the recorder and rho from the camera reaches the recorder (r - rho) / c later.
Where the recorder stands is not known, nor how far the talkers are: the offset is known no better than that leaves it.
Places of the camera and distances of the talkers are drawn from what is common; each draw counts as it fits the delays
and directions that were measured, and what it leaves of the clock is the answer.

Conventions: spatial.conventions (time, axes). Vectors in metres, in the RECORDER's axes, from recorder to camera.
Functions: offset_apart.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from spatial.conventions import SDS_OF_95, SPEED_OF_SOUND_M_S, FloatArray
from spatial.direction.doa import sphere_grid

_NEAREST_M, _FURTHEST_M = 0.4, 10.0
"""How far from the camera such a recorder stands, all orders alike (common practice, no source)."""

_TALKER_M, _TALKER_SPREAD = 2.0, 0.6
"""Median distance of talkers from a 180-degree camera, and its spread, as a logarithm (common practice, no source)."""

_STRAY = 0.05
"""Share of delays that are a reflection's."""

_TELLING = 2.0
"""Number of talkers up to which each counts in full: with four who did, 80 % of the intervals held."""

_LEAST_SD_S = 2e-3
"""What is left open however well places fit, seconds: talkers on two sides determine the clock only if they stand where
is common."""

_DRAWS, _RADII = 1500, 120
"""Places of the camera and distances of the talkers that are tried. More cost time; what lies between two distances is
blurred over _BLUR_BINS."""

_BIN_S, _REACH_S = 0.15e-3, 0.036
"""Width of a bin of time and how far from their mean the clock is sought, seconds: the furthest camera _FURTHEST_M away
moves a delay by 29 ms."""

_BLUR_BINS = 10.0
"""What reflections add to a delay, and what lies between two of the distances tried."""


@dataclass(frozen=True, slots=True)
class OffsetApart:
    """What the delays of talkers leave of the clock."""

    offset_s: float
    """What is left of the delays when the travel of sound is taken out."""
    sd_s: float
    """So that SDS_OF_95 of it hold 95 %."""


def offset_apart(delays_s: FloatArray, directions: FloatArray) -> OffsetApart:
    """The clock behind some talkers' delays, where the recorder stands apart.

    Parameters
    ----------
    delays_s : ndarray, shape (talkers,)
        Each talker's, clock and travel of sound together.
    directions : ndarray, shape (talkers, 3)
        Unit vectors; NaN where unknown.

    Returns
    -------
    OffsetApart
    """
    middle = float(np.mean(delays_s))
    grid = np.arange(-round(_REACH_S / _BIN_S), round(_REACH_S / _BIN_S) + 1)
    camera_m = _draws()
    log_likely = np.zeros((len(camera_m), grid.size))
    for delay, direction in zip(delays_s - middle, directions, strict=True):
        log_likely += np.log(_delay_density(camera_m, direction, float(delay), grid))
    # Talkers stand to one side of a camera that looks one way: more of them do not add as much evidence.
    log_likely *= min(1.0, _TELLING / len(delays_s))
    likely = np.exp(log_likely - log_likely.max()).sum(axis=0)
    likely /= likely.sum()
    values = grid * _BIN_S
    low, high = np.interp([0.025, 0.975], np.cumsum(likely), values)
    mean = float(likely @ values)
    # So wide to both sides of the mean that the further end is held.
    return OffsetApart(middle + mean, float(np.hypot(max(mean - low, high - mean) / SDS_OF_95, _LEAST_SD_S)))


def _delay_density(
    camera_m: FloatArray, direction: FloatArray, delay_s: float, grid: npt.NDArray[np.int_]
) -> FloatArray:
    """How likely a talker's delay and direction are, for each place of the camera and clock, shape (draws, grid)."""
    count = len(camera_m)
    radii = np.geomspace(0.3, 16.0, _RADII)
    towards = direction[np.newaxis] if np.isfinite(direction[0]) else sphere_grid(12)
    size = 2 * grid.size
    density = np.zeros((count, size))
    for unit in towards:
        rho = np.linalg.norm(radii[:, np.newaxis] * unit - camera_m[:, np.newaxis], axis=2)
        # Talkers spread evenly about the camera; a shell at radius r holds r^3 a step of its logarithm.
        likely = np.exp(-0.5 * (np.log(rho / _TALKER_M) / _TALKER_SPREAD) ** 2) / rho**3 * radii**3
        travel = np.rint((radii - rho) / SPEED_OF_SOUND_M_S / _BIN_S).astype(int) + size // 2
        inside = np.clip(travel, 0, size - 1) + size * np.arange(count)[:, np.newaxis]
        density += np.bincount(inside.ravel(), likely.ravel(), count * size).reshape(count, size)
    density = gaussian_filter1d(density / len(towards), _BLUR_BINS, axis=1, mode="constant")
    density *= np.log(radii[1] / radii[0]) / (_TALKER_SPREAD * np.sqrt(2.0 * np.pi))
    # Clock = delay - travel: bin of the travel that each clock asks for.
    asked = np.clip(round(delay_s / _BIN_S) - grid + size // 2, 0, size - 1)
    return np.asarray((1.0 - _STRAY) * density[:, asked] + _STRAY / size)


@cache
def _draws() -> FloatArray:
    """Places of the camera, shape (draws, 3)."""
    rng = np.random.default_rng(2)
    far = _NEAREST_M * (_FURTHEST_M / _NEAREST_M) ** ((rng.permutation(_DRAWS) + 0.5) / _DRAWS)
    return np.asarray(far[:, np.newaxis] * sphere_grid(_DRAWS))
