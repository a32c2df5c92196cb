"""What a mixing matrix means: a turn, a mirror, channels exchanged, another normalisation, or nothing.

Goal: weigh what can happen to a field between a track and a film by how well each explains the matrix, and how often
it happens; and say what this sound cannot tell. "As well as clean" is an answer.
Method: each explanation is a matrix with few or no free parts. Its evidence is its prior times the likelihood at its
best fit, times the part of its free range that fits (Laplace's approximation) [1]. What the field does not hold has no
information, so explanations that differ there alone keep their priors.
Conventions: spatial.conventions (field, yaw, pitch, roll). Matrices go from track to film.
Functions: read_matrix (a field); read_pair (left and right).
Sources:
[1] MacKay 2003, Information Theory, Inference, and Learning Algorithms, chapter 28: evidence and Occam factors.
[2] RFC 8486, section 3.1 and Nachbar et al. 2011: ACN order and SN3D. N3D is SN3D times the root of 3 in first order;
    W, X, Y, Z with W by the root of a half is the older convention (Malham 2003).
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from spatial.conventions import CHANNEL_NAMES, FIRST_ORDER_CHANNELS, FloatArray, W, X, Y, Z
from spatial.field import azimuth_elevation
from spatial.rotation import rotation_angle, ypr_from_matrix


class MixKind(StrEnum):
    """What has happened to a field."""

    CLEAN = "clean"
    TURNED = "turned"
    MIRRORED = "mirrored"
    """X, Y or Z inverted: front and back, left and right, or up and down are exchanged."""
    ORDER = "order"
    """Channels stand in each other's places."""
    NORMALISATION = "normalisation"
    ORDER_AND_NORMALISATION = "order and normalisation"
    INVERTED_CHANNEL = "inverted channel"
    """W is inverted against the others: all directions point to the other side."""
    DEAD_CHANNEL = "dead channel"
    CHANNEL_GAIN = "channel gain"
    TURNED_TWICE = "turned twice"
    NOT_TURNED = "not turned"
    OTHER = "other"
    """A matrix that is none of these."""


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One explanation of a mixing matrix."""

    kind: MixKind
    probability: float
    misfit: float
    """Chi-square over the entries that are known."""
    matrix: FloatArray
    """The matrix that it stands for, gain included, shape (film, 4)."""
    turn: FloatArray | None
    """Rotation of directions from the track to the film, shape (3, 3)."""
    turn_sd_rad: float
    """Its standard deviation about its least known axis; inf where that is open."""
    axis: str
    """What is exchanged: "left-right", "up-down", "front-back", or "all three"."""
    channels: tuple[int, ...]
    """Dead, inverted or off in gain; for an order, the track's channel in each of the film's."""
    words: str
    """Half a sentence, with "the film's sound" for its subject."""


@dataclass(frozen=True, slots=True, eq=False)
class _Explanation:
    kind: MixKind
    prior: float
    base: FloatArray
    """The matrix that the turn, if any, is applied to afterwards, shape (4, 4)."""
    free: str = ""
    """What is fitted beside the gain: "", "yaw", "turn" or "gains"."""
    axis: str = ""
    channels: tuple[int, ...] = ()
    words: str = ""


TOLERANCE = 0.03
"""Part of the gain by which each entry may differ from any explanation: coders, filters that are not quite common, a
limiter that acts on channels apart."""

SMALL_TURN_RAD = np.radians(3.0)
"""A turn below this is no turn: coders and reverberation move directions by as much."""

_OPEN_RAD = np.radians(20.0)
"""A turn about an axis that is known no better is said to be open."""

_ALIKE = 6.0
"""Explanations whose chi-squares differ by less fit equally well."""

_AXES = {Y: "left-right", Z: "up-down", X: "front-back"}
_NAMES = {"left-right": "left and right", "up-down": "up and down", "front-back": "front and back"}
_XYZ = np.ix_([2, 0, 1], [2, 0, 1])
"""From a rotation of (Y, Z, X) to one of (x, y, z)."""
_YZX = np.ix_([1, 2, 0], [1, 2, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    misfit: float
    occam: float
    matrix: FloatArray
    turn: FloatArray | None
    hessian: FloatArray | None
    gain: float


def read_matrix(
    matrix: FloatArray, information: FloatArray, mount: FloatArray | None = None
) -> tuple[tuple[Reading, ...], str]:
    """Weigh all explanations of a 4 x 4 matrix.

    Parameters
    ----------
    matrix : ndarray, shape (4, 4)
        From track (columns) to film (rows).
    information : ndarray, shape (4, 4, 4)
        Inverse covariance of each row.
    mount : ndarray, shape (3, 3), optional
        What the track was turned by.

    Returns
    -------
    readings : tuple of Reading
        Most probable first, one of each kind; probabilities add up to 1.
    undetermined : str
        What the sound leaves open; "" for nothing.
    """
    size = float(np.sqrt(np.sum(matrix**2) / FIRST_ORDER_CHANNELS)) + 1e-30
    scaled, known = matrix / size, _tolerant(information * size**2)
    turned = _fit_turn(scaled, known, np.eye(4))
    fits = []
    for explanation in _explanations(mount):
        fit = _fit(explanation, scaled, known)
        fits.append((np.log(explanation.prior) + fit.occam - 0.5 * fit.misfit, explanation, fit))
    best = max(score for score, *_ in fits)
    odds = np.exp([score - best for score, *_ in fits])
    odds /= np.sum(odds)
    readings: dict[MixKind, Reading] = {}
    for share, (_, explanation, fit) in sorted(zip(odds, fits, strict=True), key=lambda each: -each[0]):
        kind = explanation.kind
        if kind in readings:
            held = readings[kind]
            readings[kind] = replace(held, probability=held.probability + float(share))
            continue
        own = turned if kind is MixKind.CLEAN else fit
        sd = float("nan") if own.hessian is None else _turn_sd(own.hessian)
        turn = None if own.turn is None else own.turn[_XYZ]
        readings[kind] = Reading(
            kind, float(share), fit.misfit, fit.matrix * size, turn, sd, explanation.axis, explanation.channels,
            _words(explanation, fit, turn),
        )  # fmt: skip
    ranked = tuple(sorted(readings.values(), key=lambda each: -each.probability))
    return ranked, _undetermined(ranked, turned)


def read_pair(matrix: FloatArray, information: FloatArray) -> tuple[tuple[Reading, ...], str]:
    """Whether left and right of a pair are those of the track.

    Parameters
    ----------
    matrix, information : ndarray, shape (2, 4), (2, 4, 4)
        As for read_matrix.

    Returns
    -------
    readings, undetermined
        As for read_matrix; no readings where both channels hold left and right alike.
    """
    size = float(np.sqrt(np.sum(matrix**2) / 2)) + 1e-30
    known = _tolerant(information * size**2)
    difference = float(matrix[0, Y] - matrix[1, Y]) / size
    variance = sum(float(np.linalg.pinv(each, hermitian=True)[Y, Y]) for each in known)
    if min(float(each[Y, Y]) for each in known) < 1.0 or abs(difference) < max(0.1, 4.0 * np.sqrt(variance)):
        return (), "whether left and right are exchanged, since both channels hold them alike"
    exchanged = difference < 0
    kind = MixKind.MIRRORED if exchanged else MixKind.CLEAN
    words = "has left and right exchanged" if exchanged else "has left and right in their places"
    return (Reading(kind, 1.0, 0.0, matrix, None, float("nan"), "left-right" if exchanged else "", (), words),), ""


# --- what can happen ---


def _explanations(mount: FloatArray | None) -> Iterator[_Explanation]:
    identity = np.eye(4)
    yield _Explanation(MixKind.CLEAN, 0.8, identity, words="lies as the track's")
    yield _Explanation(MixKind.TURNED, 0.04, identity, "yaw")
    yield _Explanation(MixKind.TURNED, 0.02, identity, "turn")
    for channel, axis in _AXES.items():
        mirror = identity.copy()
        mirror[channel, channel] = -1.0
        words = f"has {_NAMES[axis]} exchanged: {CHANNEL_NAMES[channel]} is inverted"
        yield _Explanation(MixKind.MIRRORED, 0.01, mirror, "", axis, (channel,), words)
        if channel == Y:
            words = f"is mirrored ({_NAMES[axis]} exchanged)"
            yield _Explanation(MixKind.MIRRORED, 0.002, mirror, "turn", axis, (), words)
    yield _Explanation(
        MixKind.INVERTED_CHANNEL, 0.01, np.diag([-1.0, 1, 1, 1]), "", "all three", (W,),
        "has W inverted against the others, so that all comes from the opposite side",
    )  # fmt: skip
    yield from _orders()
    for ratio, words in (
        (np.sqrt(3.0), "has X, Y and Z 4.8 dB too loud against W, as N3D taken for SN3D"),
        (1 / np.sqrt(3.0), "has X, Y and Z 4.8 dB too low against W, as SN3D taken for N3D"),
        (np.sqrt(2.0), "has W 3 dB too low, as that of W, X, Y, Z by the older convention"),
        (1 / np.sqrt(2.0), "has W 3 dB too loud, as if it had been that of the older convention"),
    ):
        base = np.diag([1.0, ratio, ratio, ratio])
        yield _Explanation(MixKind.NORMALISATION, 0.008, base, words=words)
        yield _Explanation(MixKind.NORMALISATION, 0.0005, base, "turn", words=words)
    for count in (1, 2, 3):
        for dead in itertools.combinations(range(4), count):
            base = identity.copy()
            base[list(dead)] = 0.0
            names = " and ".join(CHANNEL_NAMES[channel] for channel in dead)
            words = f"lacks {names}"
            yield _Explanation(MixKind.DEAD_CHANNEL, 0.01 / 4**count, base, "", "", dead, words)
            if count == 1:
                yield _Explanation(MixKind.DEAD_CHANNEL, 0.0005, base, "turn", "", dead, words)
    for channel in range(4):
        yield _Explanation(MixKind.CHANNEL_GAIN, 0.003, identity, "gains", "", (channel,))
    if mount is not None and rotation_angle(np.eye(3), mount) > SMALL_TURN_RAD:
        for kind, turn, words in (
            (MixKind.TURNED_TWICE, mount, "has been turned twice: by what the track was turned by, once more"),
            (MixKind.NOT_TURNED, mount.T, "has not been turned: it lies as the microphone did"),
        ):
            base = identity.copy()
            base[1:, 1:] = turn[_YZX]
            yield _Explanation(kind, 0.02, base, words=words)
    yield _Explanation(MixKind.OTHER, 0.01, identity, "all", words="has its channels mixed in no way that has a name")


def _orders() -> Iterator[_Explanation]:
    """Channels exchanged. The known ones are far more common than the rest."""
    for order in itertools.permutations(range(4)):
        if order == (W, Y, Z, X):
            continue
        known: dict[tuple[int, ...], str] = {
            (W, X, Y, Z): "as W, X, Y, Z taken for W, Y, Z, X does",
            (W, Z, X, Y): "as W, Y, Z, X taken for W, X, Y, Z does",
        }
        named = known.get(order, "")
        base = np.eye(4)[list(order)]
        held = ", ".join(CHANNEL_NAMES[channel] for channel in order)
        words = f"holds {held} where W, Y, Z, X belong" + (f", {named}" if named else "")
        yield _Explanation(MixKind.ORDER, 0.015 if named else 0.0005, base, "", "", order, words)
        if named:
            older = order == (W, X, Y, Z)
            for ratio, how in (
                (np.sqrt(2.0) ** (1 if older else -1), f"and W is 3 dB too {'low' if older else 'loud'}"),
                (np.sqrt(3.0), "and X, Y and Z are 4.8 dB too loud"),
                (1 / np.sqrt(3.0), "and X, Y and Z are 4.8 dB too low"),
            ):
                scaled = np.diag([1.0, ratio, ratio, ratio]) @ base
                yield _Explanation(MixKind.ORDER_AND_NORMALISATION, 0.005, scaled, "", "", order, f"{words}, {how}")


# --- how well each fits ---


def _tolerant(information: FloatArray) -> FloatArray:
    """Information of rows whose entries may stray by TOLERANCE."""
    values, vectors = np.linalg.eigh(information)
    values = np.maximum(values, 0.0)
    values = values / (1.0 + values * TOLERANCE**2)
    return np.asarray(np.einsum("cij,cj,ckj->cik", vectors, values, vectors))


def _misfit(matrix: FloatArray, known: FloatArray, model: FloatArray) -> float:
    off = matrix - model
    return float(np.einsum("ci,cij,cj->", off, known, off))


def _gain(matrix: FloatArray, known: FloatArray, shape: FloatArray) -> float:
    """The common gain with which a shape comes nearest."""
    own = float(np.einsum("ci,cij,cj->", shape, known, shape))
    return float(np.einsum("ci,cij,cj->", shape, known, matrix)) / max(own, 1e-30)


def _fit(explanation: _Explanation, matrix: FloatArray, known: FloatArray) -> _Fit:
    free = explanation.free
    if free == "all":
        values = np.linalg.eigvalsh(known).ravel()
        # Each entry may lie anywhere within 1.5 of the gain.
        occam = float(np.sum(np.minimum(0.5 * np.log(2 * np.pi / np.maximum(values, 1e-12)) - np.log(3.0), 0.0)))
        return _Fit(0.0, occam, matrix, None, None, 1.0)
    if free in ("turn", "yaw"):
        return _fit_turn(matrix, known, explanation.base, yaw_only=free == "yaw")
    shape = explanation.base
    occam = 0.0
    if free == "gains":
        [channel] = explanation.channels
        others = shape.copy()
        others[channel] = 0.0
        gain = _gain(matrix, known, others)
        alone = shape - others
        own = _gain(matrix, known, alone)
        value = float(known[channel, channel, channel])
        occam = min(0.5 * np.log(2 * np.pi / max(value, 1e-12)) - np.log(3.0), 0.0)
        weakened = gain * others + max(own, 0.0) * alone
        return _Fit(_misfit(matrix, known, weakened), occam, weakened, None, None, gain)
    gain = _gain(matrix, known, shape)
    model = gain * shape
    if gain < 0:
        # The whole of a film inverted happens, if seldom; it must not explain what other explanations do better.
        occam -= np.log(50.0)
    return _Fit(_misfit(matrix, known, model), occam, model, None, None, gain)


_GENERATORS: FloatArray = np.zeros((3, 3, 3))
for _axis, (_one, _two) in enumerate(((1, 2), (2, 0), (0, 1))):
    _GENERATORS[_axis, _two, _one], _GENERATORS[_axis, _one, _two] = 1.0, -1.0
# Small rotations about the axes Y, Z, X, in the order of channels.


def _cube_turns() -> list[FloatArray]:
    turns: list[FloatArray] = []
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1.0, -1.0), repeat=3):
            turn = np.diag(signs) @ np.eye(3)[list(order)]
            if np.linalg.det(turn) > 0:
                turns.append(turn)
    return turns


_CUBE = _cube_turns()


class _TurnProblem:
    """Misfit as a quadratic form of (1, the nine entries of a turn), so that many turns are tried quickly."""

    def __init__(self, matrix: FloatArray, known: FloatArray, base: FloatArray) -> None:
        # The turn comes first, then what stands behind it: a dead channel is dead in the film.
        self._base = base
        parts = np.zeros((10, 4, 4))
        parts[0] = base @ np.diag([1.0, 0.0, 0.0, 0.0])
        for row, column in itertools.product(range(3), repeat=2):
            parts[1 + 3 * row + column, :, 1 + column] = base[:, 1 + row]
        weighted = np.einsum("pci,cij->pcj", parts, known).reshape(10, 16)
        self._square = weighted @ parts.reshape(10, 16).T
        self._right = weighted @ matrix.ravel()
        self._whole = float(np.einsum("ci,cij,cj->", matrix, known, matrix))

    def shape(self, turn: FloatArray) -> FloatArray:
        """The matrix of a turn, for a gain of one."""
        whole = np.eye(4)
        whole[1:, 1:] = turn
        return np.asarray(self._base @ whole)

    def misfit(self, turn: FloatArray, gain: float) -> float:
        """Chi-square of a turn with a gain."""
        entries = np.append(1.0, turn)
        return float(self._whole - 2 * gain * (self._right @ entries) + gain**2 * (entries @ self._square @ entries))

    def gain(self, turn: FloatArray) -> float:
        """The best gain of a turn, above zero."""
        entries = np.append(1.0, turn)
        return max(float(self._right @ entries) / max(float(entries @ self._square @ entries), 1e-30), 0.05)

    def slopes(self, turn: FloatArray, gain: float, axes: list[int]) -> tuple[FloatArray, FloatArray]:
        """Hessian and gradient for small turns about the axes and a change of gain."""
        entries = np.append(1.0, turn)
        rows = [np.append(0.0, gain * (generator @ turn)) for generator in _GENERATORS[axes]]
        stacked = np.stack([*rows, entries])
        return stacked @ self._square @ stacked.T, stacked @ (self._right - gain * (self._square @ entries))


def _fit_turn(matrix: FloatArray, known: FloatArray, base: FloatArray, *, yaw_only: bool = False) -> _Fit:
    """The turn and the gain that come nearest (Gauss and Newton, from two places)."""
    axes = [1] if yaw_only else [0, 1, 2]
    problem = _TurnProblem(matrix, known, base)
    starts = [turn for turn in _CUBE if turn[1, 1] > 0.5] if yaw_only else _CUBE
    # The nearest turn to what X, Y and Z have become, where nothing else has happened to them.
    left, _, right = np.linalg.svd(matrix[1:, 1:])
    nearest = left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right
    by_misfit = sorted(starts, key=lambda turn: problem.misfit(turn, problem.gain(turn)))
    tried = by_misfit[:2] if yaw_only else [nearest, by_misfit[0]]
    return min((_descend(problem, start, axes) for start in tried), key=lambda fit: fit.misfit)


def _descend(problem: _TurnProblem, turn: FloatArray, axes: list[int]) -> _Fit:
    gain = problem.gain(turn)
    misfit = problem.misfit(turn, gain)
    damping = 1e-3
    for _ in range(20):
        hessian, gradient = problem.slopes(turn, gain, axes)
        step = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian) + 1e-9), gradient)
        step *= min(1.0, 0.5 / (float(np.max(np.abs(step))) + 1e-30))
        moved = _exponential(np.einsum("p,pij->ij", step[:-1], _GENERATORS[axes])) @ turn
        next_gain = max(gain + float(step[-1]), 1e-3)
        next_misfit = problem.misfit(moved, next_gain)
        if next_misfit <= misfit:
            done = misfit - next_misfit < 1e-4
            turn, gain, misfit, damping = moved, next_gain, next_misfit, damping * 0.2
            if done:
                break
        else:
            damping *= 5.0
            if damping > 1e6:
                break
    hessian, _ = problem.slopes(turn, gain, axes)
    # What is left of the turn's information when the gain is unknown.
    about = hessian[:-1, :-1] - np.outer(hessian[:-1, -1], hessian[-1, :-1]) / max(float(hessian[-1, -1]), 1e-30)
    values = np.maximum(np.linalg.eigvalsh(about), 1e-12)
    # The range of each axis: the whole of all turns is 8 pi squared, of turns to the side 2 pi.
    spread = 2 * np.pi if len(axes) == 1 else (8 * np.pi**2) ** (1 / 3)
    occam = float(np.sum(np.minimum(0.5 * np.log(2 * np.pi / values) - np.log(spread), 0.0)))
    if rotation_angle(np.eye(3), turn) < SMALL_TURN_RAD:
        occam -= np.log(1e6)
    return _Fit(max(misfit, 0.0), occam, gain * problem.shape(turn), turn, about, gain)


def _exponential(skew: FloatArray) -> FloatArray:
    """Rotation of a rotation vector given as its skew matrix (Rodrigues' formula)."""
    angle = float(np.sqrt(0.5 * np.sum(skew**2)))
    if angle < 1e-12:
        return np.eye(3) + skew
    return np.asarray(np.eye(3) + np.sin(angle) / angle * skew + (1 - np.cos(angle)) / angle**2 * skew @ skew)


# --- words ---


def _turn_sd(hessian: FloatArray) -> float:
    least = float(np.min(np.linalg.eigvalsh(hessian)))
    sd = 1.0 / np.sqrt(max(least, 1e-12))
    return sd if sd < _OPEN_RAD else float("inf")


def turn_in_words(turn: FloatArray) -> str:
    """A turn of a film's sound, as people say it.

    Examples
    --------
    >>> from spatial.rotation import YawPitchRoll, matrix_from_ypr
    >>> turn_in_words(matrix_from_ypr(YawPitchRoll.from_degrees(-90.0, 0.2, 0.0)))
    'turned 90° to the right'
    """
    angles = ypr_from_matrix(turn)
    yaw, pitch, roll = np.degrees([angles.yaw_rad, angles.pitch_rad, angles.roll_rad])
    parts = []
    if abs(yaw) >= 1.0:
        side = "" if abs(yaw) > 179.5 else " to the left" if yaw > 0 else " to the right"
        parts.append(f"turned {abs(yaw):.0f}°{side}")
    if abs(pitch) >= 1.0:
        parts.append(f"tipped {abs(pitch):.0f}° {'up' if pitch > 0 else 'down'}")
    if abs(roll) >= 1.0:
        parts.append(f"leaning {abs(roll):.0f}° to the {'right' if roll > 0 else 'left'}")
    return ", ".join(parts) or "turned by less than 1°"


def _words(explanation: _Explanation, fit: _Fit, turn: FloatArray | None) -> str:
    if explanation.kind is MixKind.TURNED and turn is not None:
        return f"is {turn_in_words(turn)}"
    if explanation.kind is MixKind.CHANNEL_GAIN:
        [channel] = explanation.channels
        own = float(fit.matrix[channel, channel]) / max(fit.gain, 1e-30)
        if own < 1e-3:
            return f"lacks {CHANNEL_NAMES[channel]}"
        change_db = 20 * np.log10(own)
        how = "loud" if change_db > 0 else "low"
        return f"has {CHANNEL_NAMES[channel]} {abs(change_db):.1f} dB too {how} against the others"
    if turn is not None and explanation.free == "turn" and rotation_angle(np.eye(3), turn) > SMALL_TURN_RAD:
        return f"{explanation.words}, and is {turn_in_words(turn)}"
    return explanation.words


def _undetermined(readings: tuple[Reading, ...], turned: _Fit) -> str:
    said = []
    if turned.hessian is not None:
        values, vectors = np.linalg.eigh(turned.hessian)
        open_axes = [vectors[:, place] for place in range(3) if 1.0 / np.sqrt(max(values[place], 1e-12)) > _OPEN_RAD]
        if len(open_axes) == 1:
            y, z, x = open_axes[0] * (1.0 if open_axes[0][2] >= 0 else -1.0)
            azimuth, elevation = azimuth_elevation(np.array([x, y, z]))
            line = f"azimuth {round(np.degrees(float(azimuth)))}°, elevation {round(np.degrees(float(elevation)))}°"
            said.append(f"a turn about the line through {line}")
        elif open_axes:
            said.append("a turn")
    rivals = [
        reading.kind.value
        for reading in readings[1:]
        if reading.kind not in (MixKind.TURNED, MixKind.OTHER, MixKind.CHANNEL_GAIN)
        and reading.misfit - readings[0].misfit < _ALIKE
    ]
    if rivals:
        said.append(f"{readings[0].kind.value} from {', '.join(rivals)}")
    return "; ".join(said)
