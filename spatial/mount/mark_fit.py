"""How the microphone sat, from directions known in the picture and measured at the microphone.

Goal: the rotation picture_from_mic, its uncertainty along each angle, which mark does not belong with the others, and
what the marks cannot determine.
Method: every way of leaving marks out, of doubting the crew's word and of mirroring the field is a hypothesis; each is
fitted (spatial.mount.wahba) and weighed by its evidence. Nothing is averaged over marks that contradict each other.
Conventions: spatial.conventions (mount; yaw, pitch, roll).
Functions: weigh_guesses (every hypothesis); likeliest; estimate_mount; with_covariance (the same, less sure);
most_informative_direction (where one more clap would help most); angle_sd.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import logsumexp

from spatial.conventions import FloatArray
from spatial.direction.microphone_error import ORDINARY, Microphone, TurnedBy, scatter_sd_rad, turned_by
from spatial.errors import InconclusiveError, InputError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.mount.channel_faults import INVERTED_OMNI, mirroring_faults
from spatial.mount.prior import AxisMeasurement, MountPrior, ways_to_take, word_rows
from spatial.mount.wahba import BoolArray, RotationFits, fit_rotations, subsets_without, turn_between
from spatial.rotation import YawPitchRoll, rotation_from_vector, vector_from_rotation, ypr_from_matrix

# --- guesses ---

MIRRORED = 0.02
"""How often a channel is inverted or two are swapped (common practice, no source)."""
_MOST_WRONG = ((20, 3), (60, 2), (1000, 1))
"""Number of marks, and how many of them are left out at once: some two thousand guesses at the most."""


@dataclass(frozen=True, slots=True, eq=False)
class Guesses:
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


def weigh_guesses(
    wanted: FloatArray,
    heard: FloatArray,
    spread: FloatArray,
    prior: MountPrior,
    wrong_share: float,
    *,
    own_part: FloatArray | None = None,
) -> Guesses:
    """Fit every way of leaving rows out, of doubting the crew and of mirroring the field.

    `own_part`: of each row's variance, as for `fit_rotations`.
    """
    most = next((wrong for marks, wrong in _MOST_WRONG if len(wanted) <= marks), 0)
    choices = subsets_without(len(wanted), most)
    left_out = np.sum(~choices, axis=1)
    log_choice = left_out * np.log(wrong_share) + (len(wanted) - left_out) * np.log(1 - wrong_share)
    said = bool(word_rows(prior))
    # Any one fault stands for all that mirror, but the crew's word is about the microphone and not about its channels.
    mirrors = mirroring_faults() if said else ((INVERTED_OMNI, 1.0),)
    wirings = [(np.eye(3), 1, 1.0, 1 - MIRRORED), *((fault, -1, share, MIRRORED) for fault, share in mirrors)]
    parts = []
    for rows, counted, believed, word_share in ways_to_take(prior):
        for fault, hand, share, often in wirings:
            fits = fit_rotations(
                np.concatenate([wanted, *(row.in_picture[np.newaxis] for row in rows)])[np.newaxis],
                np.concatenate([heard @ fault, *(row.in_mic[np.newaxis] for row in rows)])[np.newaxis],
                np.concatenate([spread, [row.sd_rad for row in rows]]),
                np.concatenate([choices, np.full((len(choices), len(rows)), counted)], axis=1),
                own_part=None if own_part is None else np.concatenate([own_part, np.ones(len(rows))]),
            )
            log_odds = fits.log_evidence + log_choice + np.log(word_share * share)
            parts.append((fits, believed, hand, log_odds, np.log(often), fits.matrices @ fault.T))
    fits = RotationFits(
        np.concatenate([part[5] for part in parts]),
        *(
            np.concatenate([getattr(part[0], name) for part in parts])
            for name in ("covariances", "misfits", "log_evidence", "information")
        ),
    )
    log_odds = np.concatenate([part[3] for part in parts])
    each = len(choices)
    log_share = log_odds + np.repeat([part[4] for part in parts], each)
    return Guesses(
        used=np.tile(choices, (len(parts), 1)),
        word=np.repeat([part[1] for part in parts], each) & said,
        hands=np.repeat([part[2] for part in parts], each),
        fits=fits,
        log_odds=log_odds,
        shares=np.exp(log_share - logsumexp(log_share)),
    )


def likeliest(guesses: Guesses, hand: int) -> int:
    """Index of the likeliest guess of a hand: +1 for rotations, -1 for mirrored fields."""
    return int(np.argmax(np.where(guesses.hands == hand, guesses.shares, -1.0)))


# --- the mount ---

MARK_SD_RAD = np.radians(1.0)
"""How exactly a person places a mark on a performer's mouth (common practice, no source)."""

WRONG_MARK = 0.05
"""How often a mark names the wrong performer, moment or side (common practice, no source)."""

UNDETERMINED_RAD = np.radians(20.0)
"""An angle known no better than this is no answer."""

LEVEL_RAD = np.radians(45.0)
"""A microphone further off level than this hung upside down or on its side."""

_ANGLES = ("yaw", "pitch", "roll")
PULLED_DOWN = 0.8
"""How far a room's floor and ceiling pull all marks down or up alike, one sd, as a part of a mark's own stated one
(0.85 for speech and music, 0.4 for claps, in 40 rooms of tests/scenes/mount.py, seeds 3000 to 3039)."""
ONE_PLACE_RAD = np.radians(5.0)
"""Marks about this close to each other are in one place and share its reflections: their likeness falls with the angle
as a Gaussian of this standard deviation."""

PULLED_ALIKE = 0.6
"""Part of a direction's variance that a second mark in the same place shares (tests/bench/mount.py, other seeds)."""
_SURE = 0.98
"""Share of the guesses, the nearest first, that the covariance covers: an interval of 95 % need not hold the wildest,
and these would widen it much."""

_MIRROR_CLEAR = 7.0
"""Natural logarithm of the odds from the marks alone, 1100 to 1, above which the field is called a mirror image."""
_MIRROR_UNSURE = 3.0
"""The same the other way, 20 to 1 against it, from which the field is no mirror image; between the two it is open."""

_MIRROR_TORN = 0.1
"""A mount is not given where a mirrored field is this likely: the sound would be turned the wrong way."""
_MIRROR_FITS = 6.0
"""A mirror image must fit as well as marks do: wrong marks fit neither way, and one way a little better."""
_FEWEST_AGAINST_ONE = 3
"""A mark is called wrong on the word of so many others: two fit one another whenever their angle does by chance."""


@dataclass(frozen=True, slots=True, eq=False)
class MountEstimate:
    """How the microphone sat, or what keeps us from saying so."""

    matrix: FloatArray | None
    """picture_from_mic, shape (3, 3); None where an angle is undetermined or the field is a mirror image."""
    angles: YawPitchRoll | None
    sd_rad: YawPitchRoll
    """One standard deviation of each angle; infinite where nothing determines it."""
    undetermined: tuple[str, ...]
    """Names of the angles that the marks leave open."""
    residuals_rad: FloatArray
    """Angle between where each mark is and where the turned measurement puts it, shape (marks,)."""
    misfit: float
    """Scatter of the marks about the mount over what their uncertainties explain, as a ratio of variances."""
    mirrored: bool | None
    """Whether the field is a mirror image; None where the marks leave that open."""
    picture_from_take: FloatArray
    """Best orthogonal matrix from the channels as recorded to the picture: a reflection where mirrored is True."""
    other_hand: FloatArray
    """The best matrix of the other hand: a reflection unless mirrored is True."""
    covariance: FloatArray
    """Of the small rotation vector in the picture's axes, radians squared, shape (3, 3)."""
    wrong: FloatArray
    """How likely each mark is not to belong with the others, shape (marks,)."""
    contradictory: bool
    """The marks do not fit together, and too few agree to decide which of them is wrong."""
    word_doubted: bool
    """The marks contradict the crew's word on how the microphone hung."""
    mirror_share: float
    """How likely the field is a mirror image, all things considered, 0 to 1."""
    without_each: FloatArray = field(default_factory=lambda: np.zeros((0, 3, 3)))
    """The same matrix as the other marks alone give it, one for each mark, shape (marks, 3, 3); NaN where they do not
    tell it."""
    without_covariances: FloatArray = field(default_factory=lambda: np.zeros((0, 3, 3)))
    """Of each, shape (marks, 3, 3)."""
    without_microphone_sds: FloatArray = field(default_factory=lambda: np.zeros(0))
    """What the microphone's own errors leave of each mark's direction turned by that matrix, one standard deviation
    along either direction across it, shape (marks,); NaN likewise."""
    taken_up: TurnedBy | None = None
    """What the mount takes up of the microphone's errors, which `covariance` holds; None where no mark gave it."""
    mirror_or_turned: bool = False
    """A mount and a mirror image explain the marks alike, and neither marks nor crew decide which it is."""

    @property
    def own_covariance(self) -> FloatArray:
        """The covariance without what the microphone's errors, the same for all directions, add to it."""
        if self.taken_up is None:
            return self.covariance
        turn = self.picture_from_take
        return np.asarray(self.covariance - turn @ self.taken_up.covariance @ turn.T)


def estimate_mount(
    expected: FloatArray,
    measured: FloatArray,
    sd_rad: FloatArray,
    *,
    prior: MountPrior | None = None,
    axes: Sequence[AxisMeasurement] = (),
    shared_turn_rad: FloatArray | None = None,
    wrong_share: float = WRONG_MARK,
    microphone: Microphone = ORDINARY,
) -> MountEstimate:
    """Best rotation from the microphone's axes to the picture's, with its uncertainty.

    Parameters
    ----------
    expected : ndarray, shape (marks, 3)
        Unit vectors to each performer in the picture's axes, as seen from the microphone.
    measured : ndarray, shape (marks, 3)
        Unit vectors to each performer in the microphone's axes.
    sd_rad : ndarray, shape (marks,)
        One standard deviation of each measurement along either direction across it, without what the microphone's
        own errors add.
    prior : MountPrior, optional
        What the crew says.
    axes : sequence of AxisMeasurement
        Further directions; each has a mark's say, but is not one.
    shared_turn_rad : ndarray, shape (3,) or (turns, 3), optional
        One standard deviation of a turn that all expected directions may share, as a rotation vector in the picture's
        axes: more marks do not make it smaller. Several are independent of each other.
    wrong_share : float
        How often a mark names the wrong performer, moment or side.
    microphone : Microphone
        What is unknown of it: errors that go through all directions, and through the mount, alike.

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
    own = np.concatenate([spread, [axis.sd_rad for axis in axes]])
    spread = np.hypot(own, scatter_sd_rad(microphone, heard))
    own_part = (own / spread) ** 2
    guesses = weigh_guesses(wanted, heard, spread, prior, wrong_share, own_part=own_part)
    mirrored = _mirrored(guesses)
    best, covariance = _summed_up(guesses, -1 if mirrored else 1)
    all_alike = np.zeros((3, 3))
    for shared in (_floor_turn(expected, sd_rad), shared_turn_rad):
        if shared is not None:
            turns = np.atleast_2d(shared)
            all_alike += turns.T @ turns
    taken_up = _taken_up(guesses, best, microphone, heard, spread)
    matrix = guesses.fits.matrices[best]
    covariance = covariance + all_alike + matrix @ taken_up.covariance @ matrix.T
    used = guesses.used[best]
    kept = int(np.sum(used))
    against_few = not used.all() and kept + bool(guesses.word[best]) < _FEWEST_AGAINST_ONE
    # The rotation as a whole decides: near pitch 90 degrees yaw and roll trade places and neither is at fault.
    mirror_share = float(np.sum(guesses.shares[guesses.hands < 0]))
    open_angles = _open_angles(matrix, covariance)
    turned = not open_angles and _turned_untold(guesses, best, prior)
    torn = mirrored is None and (mirror_share > _MIRROR_TORN or turned)
    names = _ANGLES if against_few or torn else open_angles
    known = not names and not mirrored
    sd = angle_sd(matrix if not mirrored else -matrix, covariance)
    share = guesses.shares * (guesses.hands == (-1 if mirrored else 1))
    without = _without_each(guesses, best, measured, lambda told: _taken_up(guesses, told, microphone, heard, spread))
    return MountEstimate(
        matrix=matrix if known else None,
        angles=ypr_from_matrix(matrix) if known else None,
        sd_rad=YawPitchRoll(*(float("inf") if n in names else float(s) for n, s in zip(_ANGLES, sd, strict=True))),
        undetermined=names,
        residuals_rad=angle_between(measured @ matrix.T, expected),
        misfit=float(guesses.fits.misfits[best]),
        mirrored=mirrored,
        picture_from_take=matrix,
        other_hand=guesses.fits.matrices[likeliest(guesses, 1 if mirrored else -1)],
        covariance=covariance,
        wrong=(share / np.sum(share)) @ ~guesses.used[:, :marks],
        contradictory=against_few,
        word_doubted=word_rows(prior) != () and not guesses.word[best],
        mirror_share=mirror_share,
        without_each=without[0],
        without_covariances=without[1],
        without_microphone_sds=without[2],
        taken_up=taken_up,
        mirror_or_turned=torn,
    )


def with_covariance(estimate: MountEstimate, covariance: FloatArray, *, open_all: bool = False) -> MountEstimate:
    """The same mount, less sure: which angles are known, and how well, by the covariance.

    Parameters
    ----------
    estimate : MountEstimate
    covariance : ndarray, shape (3, 3)
    open_all : bool
        Nothing of it is to be relied on: every angle is undetermined.
    """
    matrix = estimate.picture_from_take
    names = _ANGLES if open_all else estimate.undetermined or _open_angles(matrix, covariance)
    known = estimate.matrix is not None and not names
    sd = angle_sd(matrix if not estimate.mirrored else -matrix, covariance)
    return replace(
        estimate,
        matrix=matrix if known else None,
        angles=estimate.angles if known else None,
        sd_rad=YawPitchRoll(*(float("inf") if n in names else float(s) for n, s in zip(_ANGLES, sd, strict=True))),
        undetermined=names,
        covariance=covariance,
    )


def _taken_up(guesses: Guesses, told: int, microphone: Microphone, heard: FloatArray, spread: FloatArray) -> TurnedBy:
    """What the mount of a guess takes up of the microphone's errors: those of the rows that it believes."""
    rows = guesses.used[told]
    matrix = guesses.fits.matrices[told]
    information = matrix.T @ guesses.fits.information[told] @ matrix
    return turned_by(microphone, heard[rows], spread[rows] ** -2.0, information)


def _without_each(
    guesses: Guesses, best: int, measured: FloatArray, taken_up: Callable[[int], TurnedBy]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The likeliest guess without each mark in turn, its covariance, and what it leaves of the microphone's errors.

    NaN where the others do not tell. What all marks share (a floor's pull) is left out of it: the mark that is judged
    shares it too.
    """
    marks = len(measured)
    matrices, covariances = np.full((marks, 3, 3), np.nan), np.full((marks, 3, 3), np.nan)
    left = np.full(marks, np.nan)
    alike = (guesses.hands == guesses.hands[best]) & (guesses.word == guesses.word[best])
    for mark in range(marks):
        others = alike & ~guesses.used[:, mark]
        if not others.any():
            continue
        told = int(np.argmax(np.where(others, guesses.log_odds, -np.inf)))
        covariance = guesses.fits.covariances[told]
        if int(np.sum(guesses.used[told])) + bool(guesses.word[told]) < _FEWEST_AGAINST_ONE:
            continue
        if np.sqrt(np.linalg.eigvalsh(covariance)[-1]) > UNDETERMINED_RAD:
            continue
        matrices[mark], covariances[mark] = guesses.fits.matrices[told], covariance
        left[mark] = taken_up(told).left_sd_rad(measured[[mark]])[0]
    return matrices, covariances, left


def _turned_untold(guesses: Guesses, best: int, prior: MountPrior) -> bool:
    """Whether the likeliest mount is upside down or on its side, without a word of the crew.

    Where marks in one plane fit a mirror image as well, an upright microphone with a channel inverted looks like an
    honest one upside down. That hangs so often enough (one in three or so), and channels are wrong so seldom (one in
    fifty), that it would be right 19 times in 20: too seldom to turn a field by it, when one word decides. An upright
    answer is right more than 100 times to 1.
    """
    if prior.hanging is not None and guesses.word[best]:
        return False
    return bool(guesses.fits.matrices[best][2, 2] < np.cos(LEVEL_RAD))


def _floor_turn(expected: FloatArray, sd_rad: FloatArray) -> FloatArray | None:
    """The turn that one common pull downwards makes of a mount; more marks do not make it smaller."""
    if not len(expected):
        return None
    azimuth, elevation = azimuth_elevation(expected)
    lower = unit_vectors(azimuth, elevation - PULLED_DOWN * np.mean(sd_rad))
    return turn_between(expected, lower, np.hypot(sd_rad, MARK_SD_RAD))


def _neighbours(expected: FloatArray) -> FloatArray:
    """How many marks each one stands for: marks in one place are pulled by the same reflections, alike."""
    apart = angle_between(expected[:, np.newaxis], expected)
    near = np.exp(-0.5 * (apart / ONE_PLACE_RAD) ** 2)
    return np.asarray(1.0 + PULLED_ALIKE * (np.sum(near, axis=1) - 1.0))


def _mirrored(guesses: Guesses) -> bool | None:
    """Whether marks, and the crew's word, fit a reflection and no rotation."""
    mirror = guesses.hands < 0
    odds = float(logsumexp(guesses.log_odds[mirror]) - logsumexp(guesses.log_odds[~mirror]))
    if odds < -_MIRROR_UNSURE:
        return False
    best = likeliest(guesses, -1)
    used = guesses.used[best]
    believed = int(np.sum(used)) + bool(guesses.word[best])
    enough = _FEWEST_AGAINST_ONE if used.all() else _FEWEST_AGAINST_ONE + 1
    if odds > _MIRROR_CLEAR and guesses.fits.misfits[best] < _MIRROR_FITS and believed >= enough:
        return True
    return None


def _summed_up(guesses: Guesses, hand: int) -> tuple[int, FloatArray]:
    """The likeliest guess of a hand, and the covariance of all guesses about it."""
    best = likeliest(guesses, hand)
    alike = guesses.hands == hand
    shares = guesses.shares[alike] / np.sum(guesses.shares[alike])
    apart = vector_from_rotation(guesses.fits.matrices[alike] @ guesses.fits.matrices[best].T)
    spread = guesses.fits.covariances[alike] + apart[:, :, np.newaxis] * apart[:, np.newaxis, :]
    # An interval of 95 % need not hold the wildest guesses: the farthest few in a hundred are left out.
    nearest = np.argsort(np.trace(spread, axis1=1, axis2=2))
    kept = nearest[: int(np.searchsorted(np.cumsum(shares[nearest]), _SURE)) + 1]
    return best, np.einsum("h,hij->ij", shares[kept] / np.sum(shares[kept]), spread[kept])


def most_informative_direction(estimate: MountEstimate, directions: FloatArray) -> int:
    """Which of some directions in the picture would settle most of what is open, if somebody clapped there.

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
    if estimate.undetermined and not estimate.mirror_or_turned:
        # A clap does not measure a turn around its own direction.
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
    turns = rotation_from_vector(np.outer(np.linspace(-2, 2, 17) * loose, turns_about[:, -1]))
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
