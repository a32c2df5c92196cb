"""Yaw, pitch, roll and rotation matrices; turning a field.

Conventions: spatial.conventions (yaw, pitch, roll; mount).
Functions: matrix_from_ypr, ypr_from_matrix, rotation_angle; rotation_from_vector, vector_from_rotation; turn_field
(fixed), turn_field_along (moving); Motion (a rotation that changes in time).

A pitch that is positive UP is minus the right-hand rotation about y, and this module is the only place that
knows it.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray, W, X, Y, Z
from spatial.errors import InputError

TURN_STEP = 128
"""Samples between the rotations that a moving turn is given. Between two of them matrices are mixed in a straight line,
which shortens a direction by the angle squared over 8: -89 dB at 48 kHz and 360 degrees a second."""

_YZX = np.array([X, Y, Z]).argsort()
"""Which of x, y, z each channel after W holds."""


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
    """In (-pi, pi]: half a turn is always +pi, whatever rounding does, so that "left" does not flip to "right"."""
    return float(np.pi) if angle_rad <= -np.pi + 1e-12 else angle_rad


def rotation_angle(first: FloatArray, second: FloatArray) -> float:
    """Angle of the single turn that takes one rotation to another, radians in [0, pi]."""
    between = np.asarray(first).T @ np.asarray(second)
    axis = np.array([between[2, 1] - between[1, 2], between[0, 2] - between[2, 0], between[1, 0] - between[0, 1]])
    return float(np.arctan2(np.linalg.norm(axis), np.trace(between) - 1.0))


def rotation_from_vector(vectors: FloatArray) -> FloatArray:
    """Rotations about axes, right-handed, by their lengths in radians.

    Parameters
    ----------
    vectors : ndarray, shape (..., 3)

    Returns
    -------
    ndarray, shape (..., 3, 3)

    Examples
    --------
    >>> rotation_from_vector(np.array([0.0, 0.0, np.pi / 2])).dot([1, 0, 0]).round(6).tolist()
    [0.0, 1.0, 0.0]
    """
    from scipy.spatial.transform import Rotation  # a tenth of a second to import: sync does without

    return np.asarray(Rotation.from_rotvec(vectors).as_matrix())


def vector_from_rotation(matrices: FloatArray) -> FloatArray:
    """Axis times angle of rotations, radians in [0, pi], shape (..., 3); the matrices have shape (..., 3, 3)."""
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_matrix(matrices).as_rotvec())


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
    _check_field(field)
    turned = np.empty_like(field)
    turned[W] = field[W]
    turn = checked_rotation(picture_from_mic)[np.ix_(_YZX, _YZX)]
    np.matmul(turn.astype(field.dtype), field[1:], out=turned[1:])
    return turned


def turn_field_along(field: FloatArray, picture_from_mic: FloatArray) -> FloatArray:
    """Turn a first-order field by a rotation that moves.

    Parameters
    ----------
    field : ndarray of float, shape (4, samples)
        W, Y, Z, X in the microphone's axes.
    picture_from_mic : ndarray, shape (n, 3, 3)
        The mount at samples 0, TURN_STEP, 2 * TURN_STEP and so on, the last at or after the field's end.

    Returns
    -------
    ndarray, shape (4, samples), same dtype as `field`

    Raises
    ------
    InputError
        Not four channels of floats, or not that many rotations.
    """
    _check_field(field)
    samples = field.shape[1]
    wanted = -(-samples // TURN_STEP) + 1
    if picture_from_mic.shape != (wanted, 3, 3):
        raise InputError(f"{samples} samples take {wanted} rotations to turn, got shape {picture_from_mic.shape}")
    turned = np.empty_like(field)
    turned[W] = field[W]
    knots = picture_from_mic[:, _YZX[:, np.newaxis], _YZX]
    # In each step the field is turned by its first rotation, and by the way to the next one as far as that has come: by
    # one product of both, side by side, with the field and with as much of it as that is.
    both = np.concatenate([knots[:-1], np.diff(knots, axis=0)], axis=2).astype(field.dtype)
    ramp = np.arange(TURN_STEP, dtype=field.dtype) / TURN_STEP
    whole = samples // TURN_STEP
    for steps, length in ((slice(0, whole), TURN_STEP), (slice(whole, len(both)), samples - whole * TURN_STEP)):
        if length:
            span = slice(steps.start * TURN_STEP, steps.start * TURN_STEP + (steps.stop - steps.start) * length)
            pieces = np.empty((6, steps.stop - steps.start, length), dtype=field.dtype)
            pieces[:3] = field[1:, span].reshape(3, -1, length)
            np.multiply(pieces[:3], ramp[:length], out=pieces[3:])
            turned_pieces = turned[1:, span].reshape(3, -1, length)
            turned_pieces[:] = (both[steps] @ pieces.transpose(1, 0, 2)).transpose(1, 0, 2)
    return turned


def _check_field(field: FloatArray) -> None:
    if field.ndim != 2 or field.shape[0] != FIRST_ORDER_CHANNELS or field.dtype.kind != "f":
        raise InputError(f"turning needs a field of shape (4, samples) in floats, got {field.shape} of {field.dtype}")


class Motion:
    """A rotation that changes in time: known at moments; between them the shortest turn (spherical interpolation).

    Before the first moment it is the first rotation, after the last one the last.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        At least one, rising.
    matrices : ndarray, shape (n, 3, 3)
        Rotations; from one to the next less than half a turn.

    Raises
    ------
    InputError
        Times that do not rise, or no rotation at a moment.
    """

    def __init__(self, times_s: FloatArray, matrices: FloatArray) -> None:
        self.times_s = np.asarray(times_s, dtype=float)
        if self.times_s.ndim != 1 or self.times_s.size == 0 or not np.all(np.diff(self.times_s) > 0):
            raise InputError("a motion needs moments that rise, at least one")
        self.matrices = np.asarray(matrices, dtype=float)
        if self.matrices.shape != (self.times_s.size, 3, 3):
            raise InputError(f"{self.times_s.size} moments need as many rotations, got shape {self.matrices.shape}")
        self.angles_rad, self._axes = _shortest_turns(self.matrices)

    def at(self, times_s: FloatArray) -> FloatArray:
        """The rotation at some times.

        Parameters
        ----------
        times_s : ndarray, shape (m,)

        Returns
        -------
        ndarray, shape (m, 3, 3)
        """
        if self.times_s.size == 1:
            return np.broadcast_to(self.matrices[0], (np.size(times_s), 3, 3))
        times_s = np.clip(times_s, self.times_s[0], self.times_s[-1])
        before = np.clip(np.searchsorted(self.times_s, times_s, side="right") - 1, 0, self.times_s.size - 2)
        part = (times_s - self.times_s[before]) / np.diff(self.times_s)[before]
        return np.asarray(self.matrices[before] @ _about_axes(self._axes[before], part * self.angles_rad[before]))

    def rests(self, start_s: float, stop_s: float) -> bool:
        """Whether it does not move between two times."""
        first = max(int(np.searchsorted(self.times_s, start_s, side="right")) - 1, 0)
        last = int(np.searchsorted(self.times_s, stop_s, side="left"))
        return not np.any(self.angles_rad[first:last] > 0)


def _shortest_turns(matrices: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angle and axis of the turn from each rotation to the next, in its own axes: shapes (n - 1,), (n - 1, 3)."""
    between = matrices[:-1].transpose(0, 2, 1) @ matrices[1:]
    twice_sine = np.stack(
        [
            between[:, 2, 1] - between[:, 1, 2],
            between[:, 0, 2] - between[:, 2, 0],
            between[:, 1, 0] - between[:, 0, 1],
        ],
        axis=1,
    )
    length = np.linalg.norm(twice_sine, axis=1)
    angles = np.arctan2(length, np.trace(between, axis1=1, axis2=2) - 1.0)
    return angles, twice_sine / np.maximum(length, 1e-300)[:, np.newaxis]


def _about_axes(axes: FloatArray, angles_rad: FloatArray) -> FloatArray:
    """Rotations about unit axes (Rodrigues' formula): shape (n, 3, 3)."""
    sine, versine = np.sin(angles_rad), 1.0 - np.cos(angles_rad)
    turns = (versine[:, np.newaxis] * axes)[:, :, np.newaxis] * axes[:, np.newaxis, :]
    x, y, z = (sine[:, np.newaxis] * axes).T
    for row, column, part in ((2, 1, x), (0, 2, y), (1, 0, z)):
        turns[:, row, column] += part
        turns[:, column, row] -= part
    turns[:, range(3), range(3)] += (1.0 - versine)[:, np.newaxis]
    return np.asarray(turns)
