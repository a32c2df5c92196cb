"""Which channel is wrong, where a field is a mirror image of the picture or lies in another order.

Goal: from the matrix that takes the recorded channels to the picture, name the faults of wiring or reading that could
have made it, each with the mount it would mean, the likeliest first.
Notes: a fault of channels is one of the 48 signed permutations of X, Y, Z (an inverted W is all three inverted). The 24
of determinant +1 are themselves turns by right angles: directions cannot distinguish them from a microphone that sat
that way, and need not, since turning the field puts both right. The 24 of determinant -1 mirror the field; that shows
in directions that do not lie in one plane. Directions do not show which of the 24 it was: Y inverted on a microphone
that faced ahead, and X inverted on one that faced back, record the same; so do Z inverted on one that hung upside down,
and W inverted on one that hung upside down and faced back. Given which way was up, X or Y remains; given also which way
it faced, one. The sound put right is the same whichever it was.
Conventions: spatial.conventions (axes, field, mount). SIGNED_PERMUTATIONS has all 48.
Functions: fault_name (a fault in words); how_common; mirroring_faults; possible_faults (those that explain a field);
in_another_order.
"""

from dataclasses import dataclass
from itertools import permutations, product

import numpy as np

from spatial.conventions import FloatArray
from spatial.mount.prior import FACING_SD_RAD, HANGING_SD_RAD, WITHIN_95, Hanging, MountPrior
from spatial.rotation import YawPitchRoll, rotation_angle, ypr_from_matrix

# --- signed permutations ---

SIGNED_PERMUTATIONS: FloatArray = np.asarray(
    [
        np.eye(3)[list(order)] * np.asarray(signs)[:, None]
        for order in permutations(range(3))
        for signs in product((1.0, -1.0), repeat=3)
    ]
)
"""Every way in which X, Y, Z can be confused or inverted, shape (48, 3, 3): recorded = fault @ true."""

INVERTED_OMNI: FloatArray = -np.eye(3)
"""W inverted: every direction seems to be the opposite one."""

_CHANNELS = ("X", "Y", "Z")
"""Names of the three channels, in the order of the matrices."""

_MEANING = {"X": "front-back", "Y": "left-right", "Z": "up-down"}

# How often which fault is met, as weights (common practice, no source).
_NONE, _ONE_INVERTED, _OMNI_INVERTED, _TWO_SWAPPED, _OTHER_ORDER, _ODD = 20.0, 1.0, 0.5, 0.5, 0.5, 0.01


def fault_name(take_from_mic: FloatArray) -> str:
    """A fault in words.

    Examples
    --------
    >>> fault_name(np.diag([1.0, -1.0, 1.0]))
    'Y (left-right) is inverted'
    >>> fault_name(np.eye(3)[[1, 0, 2]])
    'X and Y are swapped'
    """
    sources, signs = _taken_apart(take_from_mic)
    inverted = [channel for channel, sign in zip(_CHANNELS, signs, strict=True) if sign < 0]
    moved = [channel for channel, source in zip(_CHANNELS, sources, strict=True) if channel != source]
    if not moved:
        if len(inverted) == 3:
            return "W is inverted (or X, Y and Z all are)"
        if len(inverted) == 1:
            return f"{inverted[0]} ({_MEANING[inverted[0]]}) is inverted"
        return f"{inverted[0]} and {inverted[1]} are inverted" if inverted else "no channel is wrong"
    if len(moved) == 2:
        name = f"{moved[0]} and {moved[1]} are swapped"
    else:
        name = f"X, Y and Z hold {sources[0]}, {sources[1]} and {sources[2]}"
    return f"{name}, with {' and '.join(inverted)} inverted" if inverted else name


def _taken_apart(take_from_mic: FloatArray) -> tuple[tuple[str, ...], tuple[float, ...]]:
    """Which channel each of X, Y, Z really holds, and with which sign."""
    places = np.argmax(np.abs(take_from_mic), axis=1)
    return tuple(_CHANNELS[place] for place in places), tuple(take_from_mic[np.arange(3), places])


def how_common(take_from_mic: FloatArray) -> float:
    """How often a fault is met, as a weight; no fault at all is the most common."""
    sources, signs = _taken_apart(take_from_mic)
    inverted, moved = sum(sign < 0 for sign in signs), sum(a != b for a, b in zip(sources, _CHANNELS, strict=True))
    common = {
        (0, 0): _NONE,
        (1, 0): _ONE_INVERTED,
        (3, 0): _OMNI_INVERTED,
        (0, 2): _TWO_SWAPPED,
        (0, 3): _OTHER_ORDER,
    }
    return common.get((inverted, moved), _ODD)


def mirroring_faults() -> tuple[tuple[FloatArray, float], ...]:
    """The faults met in practice that mirror a field, each with its share of them; shares add up to 1."""
    weighed = [(fault, how_common(fault)) for fault in SIGNED_PERMUTATIONS if np.linalg.det(fault) < 0]
    common = [(fault, weight) for fault, weight in weighed if weight > _ODD]
    total = sum(weight for _, weight in common)
    return tuple((fault, weight / total) for fault, weight in common)


# --- faults that fit ---

# How microphones sit, as weights (common practice, no source).
_UPRIGHT, _UPSIDE_DOWN = 0.7, 0.3
_FACING = ((0.0, 0.5), (180.0, 0.2), (90.0, 0.1), (-90.0, 0.1))
"""Azimuth that a microphone faces, degrees, and how often: ahead, back, left, right."""

_ANYWHERE = 0.1
"""Weight of every other azimuth."""

_TILT_SD_RAD = np.radians(10.0)
"""How level microphones hang without a word of the crew, one standard deviation."""

_DOUBT = 0.001
"""Weight of a tilt, and of an azimuth against the crew's word, that is otherwise out of the question: it keeps weights
off zero."""

_WORTH_NAMING = 0.03
"""Share below which a fault is not named: a list of all 24 helps nobody."""


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFault:
    """One fault of the channels that would explain the field, and the mount it would mean."""

    name: str
    """In words: "Y (left-right) is inverted"."""
    take_from_mic: FloatArray
    """Signed permutation of (X, Y, Z): what was recorded of what should have been, shape (3, 3)."""
    mount: FloatArray
    """picture_from_mic once the channels are put right: a rotation, shape (3, 3)."""
    share: float
    """How likely it is among all that would explain the field; they add up to 1 at most."""

    @property
    def mic_from_take(self) -> FloatArray:
        """What puts the channels (X, Y, Z) right, shape (3, 3)."""
        return self.take_from_mic.T

    @property
    def angles(self) -> YawPitchRoll:
        """The mount as angles."""
        return ypr_from_matrix(self.mount)


def possible_faults(picture_from_take: FloatArray, prior: MountPrior) -> tuple[ChannelFault, ...]:
    """Faults that explain a field, the likeliest first; those not worth naming are left out.

    Parameters
    ----------
    picture_from_take : ndarray, shape (3, 3)
        Orthogonal. Of determinant -1 for a mirrored field; of determinant +1 the first of the faults may be "no fault".
    prior : MountPrior
        What the crew says of how the microphone sat.

    Returns
    -------
    tuple of ChannelFault
    """
    hand = np.sign(np.linalg.det(picture_from_take))
    faults = [fault for fault in SIGNED_PERMUTATIONS if np.sign(np.linalg.det(fault)) == hand]
    mounts = [_made_proper(picture_from_take @ fault) for fault in faults]
    weights = np.array(
        [how_common(fault) * _how_likely(mount, prior) for fault, mount in zip(faults, mounts, strict=True)]
    )
    shares = weights / np.sum(weights)
    return tuple(
        ChannelFault(fault_name(faults[n]), faults[n], mounts[n], float(shares[n]))
        for n in np.argsort(-shares, kind="stable")
        if shares[n] >= _WORTH_NAMING
    )


def _how_likely(mount: FloatArray, prior: MountPrior) -> float:
    """How likely a microphone sits so, given the crew's word; microphones hang about level, either way up."""
    tilt = float(np.arccos(np.clip(mount[2, 2], -1.0, 1.0)))
    sd = _TILT_SD_RAD if prior.hanging is None else HANGING_SD_RAD
    sd = sd if prior.level_within_rad is None else prior.level_within_rad / WITHIN_95
    upright, upside_down = _UPRIGHT, _UPSIDE_DOWN
    if prior.hanging is not None:
        upright, upside_down = (1.0, 0.0) if prior.hanging is Hanging.UPRIGHT else (0.0, 1.0)
    level = upright * _bell(tilt, sd) + upside_down * _bell(np.pi - tilt, sd) + _DOUBT
    ahead = float(np.arctan2(mount[1, 0], mount[0, 0]))
    if prior.facing_rad is not None:
        return float(level * (_bell(_fold(ahead - prior.facing_rad), FACING_SD_RAD) + _DOUBT))
    usual = sum(weight * _bell(_fold(ahead - np.radians(facing)), FACING_SD_RAD) for facing, weight in _FACING)
    return float(level * (usual + _ANYWHERE))


def _bell(angle_rad: float, sd_rad: float) -> float:
    return float(np.exp(-0.5 * (angle_rad / sd_rad) ** 2))


def _fold(angle_rad: float) -> float:
    return float(np.angle(np.exp(1j * angle_rad)))


def _made_proper(matrix: FloatArray) -> FloatArray:
    """Rounding taken out of a product of orthogonal matrices."""
    u, _, vt = np.linalg.svd(matrix)
    return np.asarray(u @ vt)


def in_another_order(mount: FloatArray, prior: MountPrior) -> ChannelFault | None:
    """The order of channels that explains a microphone seemingly laid on its side, where one does far better.

    Directions alone cannot tell the two apart; a level microphone in another order is the more common.
    """
    first = possible_faults(mount, prior)[0]
    is_mount = rotation_angle(first.mount, mount) < 1e-6
    return None if is_mount or first.share < 0.9 else first
