"""How the microphone sat, from directions that are known in the picture and measured at the microphone.

Goal: the rotation picture_from_mic, what it is worth along each angle, which mark does not belong with the others,
and what the marks cannot tell. Every way of leaving marks out, of doubting the crew's word and of mirroring the field
is weighed (spatial.analysis.rotationfit); nothing is averaged over marks that contradict each other.
Conventions: spatial.conventions (mount; yaw, pitch, roll).
Functions: estimate_mount; telling_direction (where one more clap would tell the most); word_rows (the
crew's word as directions); angle_sd.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import logsumexp

from spatial.analysis.rotationfit import BoolArray, RotationFits, fit_rotations, subsets_without, turn_between
from spatial.analysis.wiring import INVERTED_OMNI, mirroring_faults
from spatial.conventions import FloatArray
from spatial.errors import InconclusiveError, InputError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.rotation import YawPitchRoll, ypr_from_matrix

MARK_SD_RAD = np.radians(1.0)
"""How exactly a person places a mark on a performer's mouth (common practice, no source)."""

HANGING_SD_RAD = np.radians(5.0)
"""How level a microphone hangs that someone calls upright or upside down (common practice, no source)."""

FACING_SD_RAD = np.radians(20.0)
"""How exactly a person says which way a microphone faced (common practice, no source)."""

UNDETERMINED_RAD = np.radians(20.0)
"""An angle known no better than this is no answer."""

WRONG_MARK = 0.05
"""How often a mark names the wrong performer, moment or side (common practice, no source)."""

WITHIN_95 = float(np.sqrt(-2 * np.log(0.05)))
"""A tilt lies within so many of its standard deviations (per axis) in 95 of 100: the two-dimensional normal law."""

_ANGLES = ("yaw", "pitch", "roll")
_MOST_WRONG = 3
_FLOOR_PULL_RAD = np.radians(1.0)
"""How far the floor's bounce pulls all marks of a room down alike (one sd; tests/bench/mount.py, other seeds)."""
_ONE_PLACE_RAD = np.radians(5.0)
_PULLED_ALIKE = 0.6
"""Part of a direction's variance that a second mark in the same place shares (tests/bench/mount.py, other seeds)."""
_WRONG_WORD = 0.01
"""How often the crew's word on how the microphone hung is wrong (common practice, no source)."""
_MIRRORED = 0.02
"""How often a channel is inverted or two are swapped (common practice, no source)."""
_SURE = 0.98
_MIRROR_CLEAR = 7.0
"""Natural logarithm of the odds from the marks alone, 1100 to 1, above which the field is called a mirror image."""
_MIRROR_UNSURE = 3.0
_MIRROR_TORN = 0.1
"""A mount is not told where a mirrored field is this likely: the sound would be turned the wrong way."""
_MIRROR_FITS = 6.0
"""A mirror image must fit as well as marks do: wrong marks fit neither way, and one way a little better."""
_FEWEST_AGAINST_ONE = 3
"""A mark is called wrong on the word of so many others: two fit one another whenever their angle does by chance."""


class Hanging(StrEnum):
    """What the crew says of the microphone's up side."""

    UPRIGHT = "upright"
    UPSIDE_DOWN = "upside_down"


@dataclass(frozen=True, slots=True, eq=False)
class AxisMeasurement:
    """A direction known in both axes that is no mark, such as the picture's left as the camera's scratch tells it."""

    in_mic: FloatArray
    """Unit vector, shape (3,)."""
    in_picture: FloatArray
    """Unit vector, shape (3,)."""
    sd_rad: float
    """One standard deviation along either direction across it."""


@dataclass(frozen=True, slots=True)
class MountPrior:
    """What the crew says of how the microphone sat: believed as far as such words are, and no further."""

    hanging: Hanging | None = None
    level_within_rad: float | None = None
    """It hung level within this angle, in 95 of 100; either way up unless `hanging` says which."""
    facing_rad: float | None = None
    """It faced about there, as an azimuth in the picture."""


@dataclass(frozen=True, slots=True, eq=False)
class MountEstimate:
    """How the microphone sat, or what keeps us from saying so."""

    matrix: FloatArray | None
    """picture_from_mic, shape (3, 3); None where an angle is undetermined or the field is a mirror image."""
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
    picture_from_take: FloatArray
    """Best orthogonal matrix from the channels as recorded to the picture: a reflection where mirrored is True."""
    other_hand: FloatArray
    """The best matrix of the other hand: a reflection unless mirrored is True."""
    covariance: FloatArray
    """Of the small rotation vector in the picture's axes, radians squared, shape (3, 3)."""
    wrong: FloatArray
    """How likely each mark is not to belong with the others, shape (marks,)."""
    contradictory: bool
    """The marks do not fit together, and too few agree to say which of them is wrong."""
    word_doubted: bool
    """The marks say that the microphone did not hang as the crew said."""
    mirror_share: float
    """How likely the field is a mirror image, all things considered, 0 to 1."""


def estimate_mount(
    expected: FloatArray,
    measured: FloatArray,
    sd_rad: FloatArray,
    *,
    prior: MountPrior | None = None,
    axes: Sequence[AxisMeasurement] = (),
    shared_turn_rad: FloatArray | None = None,
    wrong_share: float = WRONG_MARK,
) -> MountEstimate:
    """Best rotation from the microphone's axes to the picture's, with its uncertainty.

    Parameters
    ----------
    expected : ndarray, shape (marks, 3)
        Unit vectors to each performer in the picture's axes, as seen from the microphone.
    measured : ndarray, shape (marks, 3)
        Unit vectors to each performer in the microphone's axes.
    sd_rad : ndarray, shape (marks,)
        One standard deviation of each measurement along either direction across it.
    prior : MountPrior, optional
        What the crew says.
    axes : sequence of AxisMeasurement
        Further directions; each has a mark's say, but is not one.
    shared_turn_rad : ndarray, shape (3,), optional
        One standard deviation of a turn that all expected directions may share, as a rotation vector in the picture's
        axes: more marks do not make it smaller.
    wrong_share : float
        How often a mark names the wrong performer, moment or side.

    Returns
    -------
    MountEstimate

    Raises
    ------
    InputError
        Shapes that do not fit.
    InconclusiveError
        No mark and no axis at all.
    """
    if expected.shape != measured.shape or expected.shape[1:] != (3,) or sd_rad.shape != expected.shape[:1]:
        raise InputError(f"marks do not fit: {expected.shape} expected, {measured.shape} measured, {sd_rad.shape}")
    marks, prior = len(expected), prior or MountPrior()
    if marks + len(axes) == 0:
        raise InconclusiveError("no mark was heard, so nothing tells how the microphone sat")
    wanted = np.concatenate([expected, *(axis.in_picture[np.newaxis] for axis in axes)])
    heard = np.concatenate([measured, *(axis.in_mic[np.newaxis] for axis in axes)])
    spread = np.hypot(sd_rad, MARK_SD_RAD) * np.sqrt(_neighbours(expected))
    spread = np.concatenate([spread, [axis.sd_rad for axis in axes]])
    guesses = _weigh(wanted, heard, spread, prior, wrong_share)
    mirrored = _mirrored(guesses)
    best, covariance = _summed_up(guesses, -1 if mirrored else 1)
    for shared in (_floor_turn(expected, spread[:marks]), shared_turn_rad):
        if shared is not None:
            covariance = covariance + np.outer(shared, shared)
    matrix = guesses.fits.matrices[best]
    used = guesses.used[best]
    kept = int(np.sum(used))
    against_few = not used.all() and kept + bool(guesses.word[best]) < _FEWEST_AGAINST_ONE
    # The rotation as a whole decides: near pitch 90 degrees yaw and roll trade places and neither is at fault.
    mirror_share = float(np.sum(guesses.shares[guesses.hands < 0]))
    torn = mirrored is None and mirror_share > _MIRROR_TORN
    names = _ANGLES if against_few or torn else _open_angles(matrix, covariance)
    known = not names and not mirrored
    sd = angle_sd(matrix if not mirrored else -matrix, covariance)
    share = guesses.shares * (guesses.hands == (-1 if mirrored else 1))
    return MountEstimate(
        matrix=matrix if known else None,
        angles=ypr_from_matrix(matrix) if known else None,
        sd_rad=YawPitchRoll(*(float("inf") if n in names else float(s) for n, s in zip(_ANGLES, sd, strict=True))),
        undetermined=names,
        residuals_rad=angle_between(measured @ matrix.T, expected),
        misfit=float(guesses.fits.misfits[best]),
        mirrored=mirrored,
        picture_from_take=matrix,
        other_hand=guesses.fits.matrices[_likeliest(guesses, 1 if mirrored else -1)],
        covariance=covariance,
        wrong=(share / np.sum(share)) @ ~guesses.used[:, :marks],
        contradictory=against_few,
        word_doubted=word_rows(prior) != () and not guesses.word[best],
        mirror_share=mirror_share,
    )


def _floor_turn(expected: FloatArray, spread: FloatArray) -> FloatArray | None:
    """The turn that one common pull downwards makes of a mount; more marks do not make it smaller."""
    if not len(expected):
        return None
    azimuth, elevation = azimuth_elevation(expected)
    return turn_between(expected, unit_vectors(azimuth, elevation - _FLOOR_PULL_RAD), spread)


def _neighbours(expected: FloatArray) -> FloatArray:
    """How many marks each one stands for: marks in one place are pulled by the same reflections, alike."""
    apart = angle_between(expected[:, np.newaxis], expected)
    near = np.exp(-0.5 * (apart / _ONE_PLACE_RAD) ** 2)
    return np.asarray(1.0 + _PULLED_ALIKE * (np.sum(near, axis=1) - 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Guesses:
    """Every hypothesis, weighed."""

    used: BoolArray
    """Which rows each believes, shape (hypotheses, rows), without the crew's word."""
    word: BoolArray
    """Whether each believes the crew's word."""
    hands: FloatArray
    fits: RotationFits
    log_odds: FloatArray
    """Logarithm of evidence times prior, but for how often fields are mirrored."""
    shares: FloatArray
    """How likely each is, all things considered; they add up to 1."""


def _weigh(
    wanted: FloatArray, heard: FloatArray, spread: FloatArray, prior: MountPrior, wrong_share: float
) -> _Guesses:
    """Fit every way of leaving rows out, of doubting the crew and of mirroring the field."""
    choices = subsets_without(len(wanted), _MOST_WRONG)
    left_out = np.sum(~choices, axis=1)
    log_choice = left_out * np.log(wrong_share) + (len(wanted) - left_out) * np.log(1 - wrong_share)
    said = bool(word_rows(prior))
    # Any one fault stands for all that mirror, but the crew's word is about the microphone and not about its channels.
    mirrors = mirroring_faults() if said else ((INVERTED_OMNI, 1.0),)
    wirings = [(np.eye(3), 1, 1.0, 1 - _MIRRORED), *((fault, -1, share, _MIRRORED) for fault, share in mirrors)]
    parts = []
    for rows, counted, believed, word_share in _ways_to_take(prior):
        for fault, hand, share, often in wirings:
            fits = fit_rotations(
                np.concatenate([wanted, *(row.in_picture[np.newaxis] for row in rows)])[np.newaxis],
                np.concatenate([heard @ fault, *(row.in_mic[np.newaxis] for row in rows)])[np.newaxis],
                np.concatenate([spread, [row.sd_rad for row in rows]]),
                np.concatenate([choices, np.full((len(choices), len(rows)), counted)], axis=1),
            )
            log_odds = fits.log_evidence + log_choice + np.log(word_share * share)
            parts.append((fits, believed, hand, log_odds, np.log(often), fits.matrices @ fault.T))
    fits = RotationFits(
        np.concatenate([part[5] for part in parts]),
        *(
            np.concatenate([getattr(part[0], name) for part in parts])
            for name in ("covariances", "misfits", "log_evidence")
        ),
    )
    log_odds = np.concatenate([part[3] for part in parts])
    each = len(choices)
    log_share = log_odds + np.repeat([part[4] for part in parts], each)
    return _Guesses(
        used=np.tile(choices, (len(parts), 1)),
        word=np.repeat([part[1] for part in parts], each) & said,
        hands=np.repeat([part[2] for part in parts], each),
        fits=fits,
        log_odds=log_odds,
        shares=np.exp(log_share - logsumexp(log_share)),
    )


def _ways_to_take(prior: MountPrior) -> list[tuple[tuple[AxisMeasurement, ...], bool, bool, float]]:
    """The ways to take the crew's word: rows, whether they count, whether that is to believe it, and how often."""
    words = word_rows(prior)
    if not words:
        return [((), False, False, 1.0)]
    ways = [(rows, True, True, (1 - _WRONG_WORD) / len(words)) for rows in words]
    anyhow = _WRONG_WORD
    if prior.hanging is not None:
        # Who is wrong about up and down is so by half a turn, mostly.
        other = Hanging.UPRIGHT if prior.hanging is Hanging.UPSIDE_DOWN else Hanging.UPSIDE_DOWN
        ways.append((word_rows(replace(prior, hanging=other))[0], True, False, 0.8 * _WRONG_WORD))
        anyhow = 0.2 * _WRONG_WORD
    return [*ways, (words[0], False, False, anyhow)]


def word_rows(prior: MountPrior) -> tuple[tuple[AxisMeasurement, ...], ...]:
    """The crew's word as rows; several sets of them where it leaves open which way up, none where nothing is said."""
    rows: list[AxisMeasurement] = []
    if prior.facing_rad is not None:
        ahead = np.array([np.cos(prior.facing_rad), np.sin(prior.facing_rad), 0.0])
        rows.append(AxisMeasurement(np.array([1.0, 0.0, 0.0]), ahead, FACING_SD_RAD))
    if prior.hanging is None and prior.level_within_rad is None:
        return (tuple(rows),) if rows else ()
    sd = HANGING_SD_RAD if prior.level_within_rad is None else prior.level_within_rad / WITHIN_95
    ways = [hanging for hanging in Hanging if prior.hanging in (None, hanging)]
    up = np.array([0.0, 0.0, 1.0])
    return tuple((*rows, AxisMeasurement(up, up if way is Hanging.UPRIGHT else -up, sd)) for way in ways)


def _likeliest(guesses: _Guesses, hand: int) -> int:
    return int(np.argmax(np.where(guesses.hands == hand, guesses.shares, -1.0)))


def _mirrored(guesses: _Guesses) -> bool | None:
    """Whether marks, and the crew's word, fit a reflection and no rotation."""
    mirror = guesses.hands < 0
    odds = float(logsumexp(guesses.log_odds[mirror]) - logsumexp(guesses.log_odds[~mirror]))
    if odds < -_MIRROR_UNSURE:
        return False
    best = _likeliest(guesses, -1)
    used = guesses.used[best]
    believed = int(np.sum(used)) + bool(guesses.word[best])
    enough = _FEWEST_AGAINST_ONE if used.all() else _FEWEST_AGAINST_ONE + 1
    if odds > _MIRROR_CLEAR and guesses.fits.misfits[best] < _MIRROR_FITS and believed >= enough:
        return True
    return None


def _summed_up(guesses: _Guesses, hand: int) -> tuple[int, FloatArray]:
    """The likeliest guess of a hand, and the covariance of all guesses about it."""
    best = _likeliest(guesses, hand)
    alike = guesses.hands == hand
    shares = guesses.shares[alike] / np.sum(guesses.shares[alike])
    apart = Rotation.from_matrix(guesses.fits.matrices[alike] @ guesses.fits.matrices[best].T).as_rotvec()
    spread = guesses.fits.covariances[alike] + apart[:, :, np.newaxis] * apart[:, np.newaxis, :]
    # An interval of 95 % need not hold the wildest guesses: the farthest few in a hundred are left out.
    nearest = np.argsort(np.trace(spread, axis1=1, axis2=2))
    kept = nearest[: int(np.searchsorted(np.cumsum(shares[nearest]), _SURE)) + 1]
    return best, np.einsum("h,hij->ij", shares[kept] / np.sum(shares[kept]), spread[kept])


def telling_direction(estimate: MountEstimate, directions: FloatArray) -> int:
    """Which of some directions in the picture would tell most of what is open, if somebody clapped there.

    Parameters
    ----------
    estimate : MountEstimate
    directions : ndarray, shape (n, 3)
        Unit vectors in the picture's axes.

    Returns
    -------
    int
        Index of the direction; of equals the first.
    """
    if estimate.undetermined:
        # A clap says nothing about a turn around its own direction.
        weakest = np.linalg.eigh(estimate.covariance)[1][:, -1]
        return int(np.argmax(np.round(1.0 - (directions @ weakest) ** 2, 2)))
    # A rotation and a reflection put it in different places: the farther apart, the plainer.
    apart = angle_between(directions @ (estimate.other_hand @ estimate.picture_from_take.T).T, directions)
    return int(np.argmax(np.round(apart, 1)))


def _open_angles(matrix: FloatArray, covariance: FloatArray) -> tuple[str, ...]:
    """Names of the angles that move when the rotation takes its least certain turn; none where that is small."""
    variances, turns_about = np.linalg.eigh(covariance)
    loose = min(float(np.sqrt(variances[-1])), np.pi / 2)
    if loose <= UNDETERMINED_RAD:
        return ()
    proper = matrix if np.linalg.det(matrix) > 0 else -matrix
    base = _angles(proper)
    turns = Rotation.from_rotvec(np.outer(np.linspace(-2, 2, 17) * loose, turns_about[:, -1])).as_matrix()
    moved = np.stack([_angles(turn @ proper) for turn in turns]) - base
    farthest = np.max(np.abs(np.angle(np.exp(1j * moved))), axis=0)
    return tuple(name for name, way in zip(_ANGLES, farthest, strict=True) if way > 2 * UNDETERMINED_RAD) or ("roll",)


def _angles(matrix: FloatArray) -> FloatArray:
    angles = ypr_from_matrix(matrix)
    return np.array([angles.yaw_rad, angles.pitch_rad, angles.roll_rad])


def angle_sd(matrix: FloatArray, covariance: FloatArray) -> FloatArray:
    """Standard deviations of yaw, pitch and roll, radians, by small turns about each axis.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        A rotation.
    covariance : ndarray, shape (3, 3)
        Of the small rotation vector that stands before it.
    """
    step = 1e-5
    base = _angles(matrix)
    columns = []
    for axis in np.eye(3):
        cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
        change = _angles((np.eye(3) + step * cross) @ matrix) - base
        columns.append(np.angle(np.exp(1j * change)) / step)
    jacobian = np.stack(columns, axis=1)
    return np.asarray(np.sqrt(np.diag(jacobian @ covariance @ jacobian.T)))
