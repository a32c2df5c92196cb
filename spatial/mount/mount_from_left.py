"""The mount that the picture's left gives, and a mount found by other means held against that left.

Goal: with what the crew says of the microphone's up side, the mount. The axis leaves open a turn about itself: how far
the microphone leant forward or back rests on its hanging upright or upside down.
Conventions: spatial.conventions (axes, mount; yaw, pitch, roll).
Functions: mount_from_left; turn_from_left (how far a mount found by other means is turned against that left);
turned_aside (whether that is a contradiction).
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.mount.left_axis import LeftAxis
from spatial.mount.mark_fit import UNDETERMINED_RAD
from spatial.mount.prior import HANGING_SD_RAD, Hanging
from spatial.rotation import YawPitchRoll, ypr_from_matrix

_TURNED_RAD = np.radians(40.0)
"""Least turn, radians, and least number of standard deviations (_TURNED_SDS), by which a mount contradicts the camera's
sound."""

_TURNED_SDS = 4.0
"""See _TURNED_RAD. No right mount of the development scenes (tests/bench/sides.py) is turned by half as much; a picture
taken for another layout turns it by 90 degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class UnmarkedMount:
    """A mount for one way of hanging."""

    left: LeftAxis
    """What it rests on."""
    hanging: Hanging
    matrix: FloatArray
    """picture_from_mic, shape (3, 3)."""
    angles: YawPitchRoll
    covariance: FloatArray
    """Of the small rotation in the PICTURE's axes that may be wrong, shape (3, 3), radians squared."""
    sd_rad: YawPitchRoll
    undetermined: tuple[str, ...]
    """Names of the angles known no better than 20 degrees."""
    in_front: float
    """Part of the sound that would then come from in front of the lens, 0 to 1."""


def mount_from_left(left: LeftAxis, hanging: Hanging, *, level_sd_rad: float = HANGING_SD_RAD) -> UnmarkedMount:
    """The mount that puts the picture's left to the left and hangs level, the stated way up.

    Parameters
    ----------
    left : LeftAxis
        Without a doubt.
    hanging : Hanging
        Which side of the microphone was up.
    level_sd_rad : float
        How level it hung, one standard deviation about either axis.

    Returns
    -------
    UnmarkedMount
    """
    # Level, the microphone's own up is across the picture's left: so much is known of the axis beforehand.
    up_down = np.zeros((3, 3))
    up_down[2, 2] = 1.0 / level_sd_rad**2
    covariance = np.linalg.inv(np.linalg.inv(left.covariance) + up_down)
    vector = covariance @ np.linalg.solve(left.covariance, left.axis)
    to_left = vector / np.linalg.norm(vector)
    up = np.array([0.0, 0.0, 1.0 if hanging is Hanging.UPRIGHT else -1.0])
    up = up - (up @ to_left) * to_left
    up /= np.linalg.norm(up)
    matrix = np.stack([np.cross(to_left, up), to_left, up])
    # A small turn (a, b, c) about the picture's axes moves the left end of its y axis by -c in x and by a in z.
    moved = matrix @ covariance @ matrix.T / float(vector @ vector)
    turn = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 0.0]])
    small = turn @ moved @ turn.T
    small[1, 1] = level_sd_rad**2
    angles = ypr_from_matrix(matrix)
    sd = YawPitchRoll(*(float(s) for s in _angle_sd(matrix, angles, small)))
    open_ = tuple(
        name
        for name, value in zip(("yaw", "pitch", "roll"), (sd.yaw_rad, sd.pitch_rad, sd.roll_rad), strict=True)
        if value > UNDETERMINED_RAD
    )
    shares = np.array([place.share * place.counted for place in left.places])
    ahead = np.array([matrix[0] @ np.asarray(place.direction) for place in left.places]) > 0
    return UnmarkedMount(left, hanging, matrix, angles, small, sd, open_, float(np.sum(shares[ahead]) / np.sum(shares)))


def turn_from_left(left: LeftAxis, picture_from_mic: FloatArray) -> tuple[float, float]:
    """How far a mount is turned about the picture's upright against the left that the camera's sound measures.

    Parameters
    ----------
    left : LeftAxis
        Without a doubt.
    picture_from_mic : ndarray, shape (3, 3)
        A mount found by other means. What it holds for up is relied on: arrival times hardly measure heights.

    Returns
    -------
    turn_rad : float
        In (-pi, pi]; positive where the mount has faced the microphone further left than the camera's sound does.
    sd_rad : float
        One standard deviation of what the camera's sound adds to it.
    """
    covariance = picture_from_mic @ left.covariance @ picture_from_mic.T
    up_down = np.zeros((3, 3))
    up_down[2, 2] = 1.0 / HANGING_SD_RAD**2
    both = np.linalg.inv(np.linalg.inv(covariance) + up_down)
    seen = both @ np.linalg.solve(covariance, picture_from_mic @ left.axis)
    across = np.array([-seen[1], seen[0], 0.0]) / max(float(seen[:2] @ seen[:2]), 1e-12)
    turn = float(np.arctan2(-seen[0], seen[1]))
    return turn, float(np.sqrt(across @ both @ across))


def turned_aside(turn_rad: float, sd_rad: float) -> bool:
    """Whether a mount contradicts the camera's sound clearly, and not as exchanged channels of the camera would.

    Parameters
    ----------
    turn_rad : float
        As turn_from_left has it.
    sd_rad : float
        One standard deviation of it, the mount's own included.
    """
    clear = max(_TURNED_RAD, _TURNED_SDS * sd_rad)
    # Exchanged channels are half a turn and no evidence on the mount; one that is half a turn off looks the same.
    return bool(clear < abs(turn_rad) < np.pi - clear)


def _angle_sd(matrix: FloatArray, angles: YawPitchRoll, covariance: FloatArray) -> FloatArray:
    """Standard deviations of yaw, pitch (about the turned left axis, up positive) and roll (about the front)."""
    sin, cos = np.sin(angles.yaw_rad), np.cos(angles.yaw_rad)
    turned = np.stack([[0.0, 0.0, 1.0], [sin, -cos, 0.0], matrix[:, 0]], axis=1)
    back = np.linalg.inv(turned)
    return np.asarray(np.sqrt(np.diag(back @ covariance @ back.T)))
