"""How the microphone sat, from directions that are known in the picture and measured at the microphone.

Goal: the rotation picture_from_mic, what it is worth along each angle, and what the marks cannot tell.
Conventions: spatial.conventions (mount; yaw, pitch, roll).
Functions: estimate_mount.
Sources:
[1] Wahba 1965 / Markley 1988, J. Astronaut. Sci. 36(3): attitude from vector pairs by singular value
decomposition. [2] Shuster and Oh 1981, J. Guidance and Control 4(1): covariance of that attitude
(formula from memory, checked by simulation in the tests).
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.spatial.transform import Rotation

from spatial.conventions import FloatArray
from spatial.errors import InconclusiveError, InputError
from spatial.field import angle_between
from spatial.rotation import YawPitchRoll, ypr_from_matrix

MARK_SD_RAD = np.radians(1.0)
"""How exactly a person places a mark on a performer's mouth (common practice, no source)."""

HANGING_SD_RAD = np.radians(5.0)
"""How level a microphone hangs that someone calls upright or upside down (common practice, no source)."""

UNDETERMINED_RAD = np.radians(20.0)
"""An angle known no better than this is no answer."""

_ANGLES = ("yaw", "pitch", "roll")
_MIRROR_CLEAR = 25.0
_MIRROR_UNSURE = 6.0
_MIRROR_FITS = 16.0
"""Misfit allowed per number measured: four standard deviations, for rooms that scatter more than is said."""


class Hanging(StrEnum):
    """What the crew says of the microphone's up side."""

    UPRIGHT = "upright"
    UPSIDE_DOWN = "upside_down"


@dataclass(frozen=True, slots=True, eq=False)
class MountEstimate:
    """How the microphone sat, or what keeps us from saying so."""

    matrix: FloatArray | None
    """picture_from_mic, shape (3, 3); None where an angle is undetermined."""
    angles: YawPitchRoll | None
    sd_rad: YawPitchRoll
    """One standard deviation of each angle; infinite where nothing tells."""
    undetermined: tuple[str, ...]
    """Names of the angles that the marks cannot tell."""
    residuals_rad: FloatArray
    """Angle between where each mark is and where the turned measurement puts it, shape (marks,)."""
    misfit: float
    """Scatter of the marks about the mount over what their uncertainties explain, as a ratio of variances."""
    mirrored: bool | None
    """Whether the field is a mirror image; None where the marks cannot tell."""


def estimate_mount(
    expected: FloatArray, measured: FloatArray, sd_rad: FloatArray, *, hanging: Hanging | None = None
) -> MountEstimate:
    """Best rotation from the microphone's axes to the picture's ([1]), with its uncertainty ([2]).

    Parameters
    ----------
    expected : ndarray, shape (marks, 3)
        Unit vectors to each performer in the picture's axes, as seen from the microphone.
    measured : ndarray, shape (marks, 3)
        Unit vectors to each performer in the microphone's axes.
    sd_rad : ndarray, shape (marks,)
        One standard deviation of each measurement along either direction across it.
    hanging : Hanging, optional
        Told by the crew: adds the microphone's up side as a further direction, worth HANGING_SD_RAD.

    Returns
    -------
    MountEstimate

    Raises
    ------
    InputError
        Shapes that do not fit.
    InconclusiveError
        No mark at all.
    """
    if expected.shape != measured.shape or expected.shape[1:] != (3,) or sd_rad.shape != expected.shape[:1]:
        raise InputError(f"marks do not fit: {expected.shape} expected, {measured.shape} measured, {sd_rad.shape}")
    if len(expected) == 0:
        raise InconclusiveError("no mark was heard, so nothing tells how the microphone sat")
    variances = sd_rad**2 + MARK_SD_RAD**2
    proper, improper = _losses(expected, measured, 1.0 / variances)
    wanted, heard, spread = expected, measured, variances
    if hanging is not None:
        up = np.array([[0.0, 0.0, 1.0 if hanging is Hanging.UPRIGHT else -1.0]])
        wanted = np.concatenate([expected, up])
        heard = np.concatenate([measured, np.array([[0.0, 0.0, 1.0]])])
        spread = np.append(variances, HANGING_SD_RAD**2)
    matrix = _best_rotation(wanted, heard, 1.0 / spread)
    # More scatter than the marks' own uncertainties explain widens the answer (2 numbers a mark, 3 solved).
    freedom = 2 * len(wanted) - 3
    scatter = float(np.sum(angle_between(heard @ matrix.T, wanted) ** 2 / spread))
    misfit = scatter / freedom if freedom > 0 else 1.0
    covariance = _covariance(wanted, spread) * max(1.0, misfit)
    sd = _angle_sd(matrix, covariance)
    # The rotation as a whole decides: near pitch 90 degrees yaw and roll trade places and neither is at fault.
    names = _open_angles(matrix, covariance)
    return MountEstimate(
        matrix=None if names else matrix,
        angles=None if names else ypr_from_matrix(matrix),
        sd_rad=YawPitchRoll(*(float("inf") if n in names else float(s) for n, s in zip(_ANGLES, sd, strict=True))),
        undetermined=names,
        residuals_rad=angle_between(measured @ matrix.T, expected),
        misfit=misfit,
        mirrored=_mirrored(proper, improper, len(expected)),
    )


def _open_angles(matrix: FloatArray, covariance: FloatArray) -> tuple[str, ...]:
    """Names of the angles that move when the rotation takes its least certain turn; none where that is small."""
    variances, axes = np.linalg.eigh(covariance)
    loose = min(float(np.sqrt(variances[-1])), np.pi / 2)
    if loose <= UNDETERMINED_RAD:
        return ()
    base = _angles(matrix)
    turns = Rotation.from_rotvec(np.outer(np.linspace(-2, 2, 17) * loose, axes[:, -1])).as_matrix()
    moved = np.stack([_angles(turn @ matrix) for turn in turns]) - base
    farthest = np.max(np.abs(np.angle(np.exp(1j * moved))), axis=0)
    return tuple(name for name, way in zip(_ANGLES, farthest, strict=True) if way > 2 * UNDETERMINED_RAD) or ("roll",)


def _angles(matrix: FloatArray) -> FloatArray:
    angles = ypr_from_matrix(matrix)
    return np.array([angles.yaw_rad, angles.pitch_rad, angles.roll_rad])


def _best_rotation(wanted: FloatArray, heard: FloatArray, weights: FloatArray) -> FloatArray:
    u, _, vt = np.linalg.svd((wanted * weights[:, np.newaxis]).T @ heard)
    return np.asarray(u @ np.diag([1.0, 1.0, np.linalg.det(u) * np.linalg.det(vt)]) @ vt)


def _losses(wanted: FloatArray, heard: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """Weighted squared misfit of the best rotation and of the best mirror image."""
    u, s, vt = np.linalg.svd((wanted * weights[:, np.newaxis]).T @ heard)
    hand = float(np.sign(np.linalg.det(u) * np.linalg.det(vt)))
    total = float(np.sum(weights))
    return 2 * (total - (s[0] + s[1] + hand * s[2])), 2 * (total - (s[0] + s[1] - hand * s[2]))


def _mirrored(proper: float, improper: float, marks: int) -> bool | None:
    if abs(proper - improper) < _MIRROR_UNSURE:
        return None
    if improper < proper - _MIRROR_CLEAR:
        # A mirror image must fit as well as marks do: wrong marks fit neither way, and one way a little better.
        return True if improper < _MIRROR_FITS * 2 * marks else None
    return False if proper < improper else None


def _covariance(wanted: FloatArray, variances: FloatArray) -> FloatArray:
    """Of the small rotation vector in the picture's axes ([2]); half a turn where nothing tells."""
    across = np.eye(3) - wanted[:, :, np.newaxis] * wanted[:, np.newaxis, :]
    information = np.sum(across / variances[:, np.newaxis, np.newaxis], axis=0) + np.eye(3) / np.pi**2
    return np.asarray(np.linalg.inv(information))


def _angle_sd(matrix: FloatArray, covariance: FloatArray) -> FloatArray:
    """Standard deviations of yaw, pitch and roll, by small turns about each axis."""
    step = 1e-5
    base = _angles(matrix)
    columns = []
    for axis in np.eye(3):
        cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
        change = _angles((np.eye(3) + step * cross) @ matrix) - base
        columns.append(np.angle(np.exp(1j * change)) / step)
    jacobian = np.stack(columns, axis=1)
    return np.asarray(np.sqrt(np.diag(jacobian @ covariance @ jacobian.T)))
