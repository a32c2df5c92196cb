"""Yaw, pitch, roll and rotation matrices; turning a field.

Conventions: spatial.conventions (yaw, pitch, roll; mount).
Functions: matrix_from_ypr, ypr_from_matrix, rotation_angle, turn_field.

A pitch that is positive UP is minus the right-hand rotation about y, and this module is the only place that
knows it.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray, W, X, Y, Z
from spatial.errors import InputError


@dataclass(frozen=True, slots=True)
class YawPitchRoll:
    """Angles of a rotation, radians. Signs as in spatial.conventions."""

    yaw_rad: float
    pitch_rad: float
    roll_rad: float

    @classmethod
    def from_degrees(cls, yaw: float, pitch: float, roll: float) -> "YawPitchRoll":
        """Build from degrees, as people type them."""
        return cls(*(float(np.radians(angle)) for angle in (yaw, pitch, roll)))


def matrix_from_ypr(angles: YawPitchRoll) -> FloatArray:
    """Rotation matrix of yaw, then pitch, then roll, about the moving axes.

    Parameters
    ----------
    angles : YawPitchRoll

    Returns
    -------
    ndarray, shape (3, 3)
        Multiplies column vectors (x, y, z).

    Examples
    --------
    A microphone turned 90 degrees left: what it calls "front" is the picture's left.

    >>> matrix_from_ypr(YawPitchRoll.from_degrees(90, 0, 0)).dot([1, 0, 0]).round(6).tolist()
    [0.0, 1.0, 0.0]
    """
    cy, sy = np.cos(angles.yaw_rad), np.sin(angles.yaw_rad)
    cp, sp = np.cos(angles.pitch_rad), np.sin(angles.pitch_rad)
    cr, sr = np.cos(angles.roll_rad), np.sin(angles.roll_rad)
    yaw = np.array([[cy, -sy, 0.0], [sy, cy, 0.0], [0.0, 0.0, 1.0]])
    pitch_up = np.array([[cp, 0.0, -sp], [0.0, 1.0, 0.0], [sp, 0.0, cp]])
    roll = np.array([[1.0, 0.0, 0.0], [0.0, cr, -sr], [0.0, sr, cr]])
    return np.asarray(yaw @ pitch_up @ roll)


def ypr_from_matrix(matrix: FloatArray) -> YawPitchRoll:
    """Angles of a rotation matrix: pitch in [-90, 90] degrees, yaw and roll in (-180, 180].

    At pitch +-90 degrees yaw and roll turn about one axis; roll is then given as 0.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        A proper rotation.

    Raises
    ------
    InputError
        Not a rotation (not orthonormal, or a mirror image).
    """
    m = checked_rotation(matrix)
    if np.hypot(m[0, 0], m[1, 0]) < 1e-9:
        return YawPitchRoll(
            _half_open(float(np.arctan2(-m[0, 1], m[1, 1]))), float(np.copysign(np.pi / 2, m[2, 0])), 0.0
        )
    yaw = float(np.arctan2(m[1, 0], m[0, 0]))
    c, s = np.cos(yaw), np.sin(yaw)
    # Roll read with this very yaw, so that near pitch +-90 rounding moves one into the other and loses nothing.
    roll = float(np.arctan2(s * m[0, 2] - c * m[1, 2], c * m[1, 1] - s * m[0, 1]))
    pitch = float(np.arctan2(m[2, 0], c * m[0, 0] + s * m[1, 0]))
    return YawPitchRoll(_half_open(yaw), pitch, _half_open(roll))


def _half_open(angle_rad: float) -> float:
    """In (-pi, pi]: half a turn is always +pi, whatever rounding says, so that "left" does not flip to "right"."""
    return float(np.pi) if angle_rad <= -np.pi + 1e-12 else angle_rad


def rotation_angle(first: FloatArray, second: FloatArray) -> float:
    """Angle of the single turn that takes one rotation to another, radians in [0, pi]."""
    between = np.asarray(first).T @ np.asarray(second)
    axis = np.array([between[2, 1] - between[1, 2], between[0, 2] - between[2, 0], between[1, 0] - between[0, 1]])
    return float(np.arctan2(np.linalg.norm(axis), np.trace(between) - 1.0))


def checked_rotation(matrix: FloatArray) -> FloatArray:
    """Return the matrix as float64 if it is a proper rotation.

    Raises
    ------
    InputError
        Wrong shape, not orthonormal within 1e-6, or determinant -1.
    """
    m = np.asarray(matrix, dtype=float)
    if m.shape != (3, 3):
        raise InputError(f"a rotation is a 3 x 3 matrix, got shape {m.shape}")
    if not np.allclose(m @ m.T, np.eye(3), atol=1e-6):
        raise InputError("a rotation matrix must be orthonormal; its rows are not orthogonal unit vectors")
    if np.linalg.det(m) < 0:
        raise InputError("a rotation matrix must have determinant +1; this one mirrors left and right")
    return m


def turn_field(field: FloatArray, picture_from_mic: FloatArray) -> FloatArray:
    """Turn a first-order field into the picture's axes. W and the summed power of X, Y, Z do not change.

    Parameters
    ----------
    field : ndarray of float, shape (4, samples)
        W, Y, Z, X in the microphone's axes.
    picture_from_mic : ndarray, shape (3, 3)
        The mount.

    Returns
    -------
    ndarray, shape (4, samples), same dtype as `field`

    Raises
    ------
    InputError
        Not four channels of floats, or not a rotation.
    """
    if field.ndim != 2 or field.shape[0] != FIRST_ORDER_CHANNELS or field.dtype.kind != "f":
        raise InputError(f"turning needs a field of shape (4, samples) in floats, got {field.shape} of {field.dtype}")
    turn = np.eye(FIRST_ORDER_CHANNELS)
    xyz = np.array([X, Y, Z])
    turn[np.ix_(xyz, xyz)] = checked_rotation(picture_from_mic)
    turned: FloatArray = turn.astype(field.dtype) @ field
    turned[W] = field[W]
    return turned
