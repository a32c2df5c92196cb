"""What is known beforehand of where the camera is, seen from the recorder, and what that does to arrival times.

A window's lag holds the clock and the travel of sound: the sound of a performer on the camera's side of it reaches the
recorder later. Crews know how far the two are apart (a bar, a clamp), often not yet which way the recorder faced.

Conventions: spatial.conventions (axes, mount). Vectors in metres, in the RECORDER's axes, from recorder to camera.
Functions: unknown_rig, rig_of_length, rig_of_mount (priors); on_sphere (a line's answer, once the length is known).
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from spatial.direction.doa import sphere_grid

RIG_SD_M = 0.2
"""How far apart, along each axis, a recorder hung on the camera's rig may be (common practice, no source)."""

_CAMERA_SD_M = 0.05
"""A camera's own microphones sit this far from its lens (common practice, no source)."""

_TURNED_SD_RAD = np.radians(4.0)
"""What a mount found from marks may be off."""

NEAR_M = 1.5
"""How near performers stand (common practice, no source)."""

_DIRECTIONS = 1500
"""Points on the sphere over which the camera's direction is summed, about 5 degrees apart. More cost time only; far
fewer would be coarse beside an answer as narrow as _NARROW allows."""

_NARROW = 0.06
"""Part of the length: an answer whose largest standard deviation is less (3.4 degrees) is corrected in closed form. A
lower value sums answers over a grid that is too coarse for them, a higher one treats a curved shell as flat."""


@dataclass(frozen=True, slots=True, eq=False)
class Separation:
    """A prior for the camera's place seen from the recorder."""

    mean_m: FloatArray
    """Shape (3,)."""
    covariance_m2: FloatArray
    """Shape (3, 3)."""
    reach_m: float
    """About the largest distance it allows."""
    length_m: float | None = None
    """The distance, where it is known and the direction is not."""
    length_sd_m: float = _CAMERA_SD_M
    """Of that."""

    @property
    def place_sd_s(self) -> float:
        """What one place in the room adds to a lag beside the plane wave, seconds.

        Towards a performer at distance r, a recorder L aside hears a path that is L^2 / 2r longer than a plane
        wave tells; never more than L.
        """
        off_plane_m = min(self.reach_m**2 / (2.0 * NEAR_M), self.reach_m)
        return max(1e-4, off_plane_m / SPEED_OF_SOUND_M_S)

    @property
    def nowhere_sd_s(self) -> float:
        """The same for sound from nowhere in particular: half of what the separation can do."""
        return 0.5 * self.reach_m / SPEED_OF_SOUND_M_S

    @property
    def widest_lag_s(self) -> float:
        """The most that the travel of sound can add to a lag, either way."""
        return self.reach_m / SPEED_OF_SOUND_M_S


def unknown_rig() -> Separation:
    """A recorder somewhere on the camera's rig."""
    return Separation(np.zeros(3), np.eye(3) * RIG_SD_M**2, reach_m=0.3)


def rig_of_length(length_m: float, given_sd_m: float = 0.0) -> Separation:
    """A recorder this far from the lens, in a direction that is not known in its own axes."""
    sd = float(np.hypot(_CAMERA_SD_M, given_sd_m))
    return Separation(np.zeros(3), np.eye(3) * (length_m**2 / 3.0 + sd**2), length_m + sd, length_m, sd)


def rig_of_mount(mic_offset_m: FloatArray, picture_from_mic: FloatArray, given_sd_m: float = 0.0) -> Separation:
    """A recorder at this place seen from the lens (picture axes), known to so much along each axis, with this mount."""
    length = float(np.linalg.norm(mic_offset_m))
    sd = float(np.hypot(np.hypot(_CAMERA_SD_M, given_sd_m), length * _TURNED_SD_RAD))
    mean = -np.asarray(picture_from_mic).T @ np.asarray(mic_offset_m, dtype=float)
    return Separation(mean, np.eye(3) * sd**2, reach_m=length + _CAMERA_SD_M)


def on_sphere(
    solution: FloatArray, covariance: FloatArray, where: slice, length_m: float, length_sd_m: float = _CAMERA_SD_M
) -> tuple[FloatArray, FloatArray]:
    """A Gaussian answer, given that three of its unknowns are a vector of known length.

    Parameters
    ----------
    solution, covariance : ndarray, shape (n,), (n, n)
        Found under a prior that is the same for all directions of the vector.
    where : slice
        The three.
    length_m, length_sd_m : float

    Returns
    -------
    solution, covariance : ndarray
        Mean and covariance over the sphere, each direction weighted by how well it fits.
    """
    if np.sqrt(np.linalg.eigvalsh(covariance[where, where])[-1]) < _NARROW * length_m:
        # The sphere is flat under so narrow an answer: one measurement of the length along its own direction.
        length = float(np.linalg.norm(solution[where]))
        along = covariance[:, where] @ (solution[where] / length)
        variance = float(along[where] @ solution[where]) / length + length_sd_m**2 * 2.0 / 3.0
        told = solution + along * (length_m - length) / variance
        return told, covariance - np.outer(along, along) / variance
    shell = np.concatenate(
        [radius * sphere_grid(_DIRECTIONS) for radius in length_m + length_sd_m * np.array([-1.0, 0.0, 1.0])]
    )
    inverse = np.linalg.inv(covariance[where, where])
    off = shell - solution[where]
    misfit = np.einsum("pi,ij,pj->p", off, inverse, off)
    weights = np.exp(-0.5 * (misfit - misfit.min()))
    weights /= weights.sum()
    gain = covariance[:, where] @ inverse
    moved = off @ gain.T
    mean = weights @ moved
    spread = (moved - mean).T @ ((moved - mean) * weights[:, np.newaxis])
    return solution + mean, covariance - gain @ covariance[where, :] + spread
