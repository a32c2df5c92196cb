"""What is not known of a first-order microphone, and what that does to directions: the same all through a take.

A microphone whose X is 5 % louder than its Y puts everybody in front too near to the front, in every second of the
take; more marks, or longer ones, do not make it smaller. The errors of two directions go together the more the nearer
they are, and a mount that is found from such directions takes up a part of them.

Goal: the covariance of direction errors that a take's directions have in common, and what of it is left once the field
was turned by a mount that some of those directions gave.
Conventions: spatial.conventions (axes, mount). Directions are unit vectors in the microphone's own axes; errors are the
small vectors across them.
Functions: Microphone (what is unknown of it); TurnedBy (what is left of it after a mount), turned_by; scatter_sd_rad
(what of it shows as scatter of directions about a mount).
Notes: to first order a wave from v is measured along v + E v + b. E's diagonal are the gains of X, Y and Z, its
symmetric rest the axes that are not square to each other, its antisymmetric part the housing's turn; b is the omni part
that capsules which are not alike leave in X, Y and Z. What the capsules' distance and bodies near by do varies over the
sphere, and is taken for a smooth random field (our own derivation, tested against demo_audio.microphones).
Source of the form: [1] Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, ch. 2 and 4: covariance of
what is linear in unknowns, squared-exponential covariance of a smooth field.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from spatial.conventions import FloatArray
from spatial.field import angle_between


@dataclass(frozen=True, slots=True)
class Microphone:
    """What is unknown of a microphone: one standard deviation of each thing. All 0: nothing is.

    The defaults are for a microphone of which nothing was measured; none of them has a published source. They go with
    what was reported of real ones: gains of X, Y and Z against W between 0.75 and 1.25, a housing 0.7 to 3 degrees
    askew, and directions that 4 to 7 degrees hold in 95 of 100 cases, whatever the room.
    """

    gain: float = 0.07
    """Of each axis, against W: 0.6 dB. It acts most between two axes (2.8 degrees at 45) and not at all on one."""
    leak: float = 0.026
    """Omni part left in each axis: capsules alike to 0.3 dB (1.5 degrees, everywhere)."""
    askew_rad: float = float(np.radians(0.5))
    """Each pair of axes against the right angle."""
    housing_rad: float = float(np.radians(1.15))
    """Turn of the axes against the housing, about each axis. Wherever a mount is found by ear it is a part of it."""
    local_rad: float = float(np.radians(1.8))
    """What capsules apart from each other, and bodies beside them, do along either direction across a direction."""
    local_reach_rad: float = float(np.radians(35.0))
    """How far on the sphere that goes together: four capsules 2 cm apart ripple once or twice in a quarter turn."""
    measured: tuple[tuple[float, ...], ...] | None = None
    """Of a microphone that was measured: the covariance that is left of E (row by row) and b, 12 rows of 12, in place
    of gain, leak and askew_rad."""
    axes_known: bool = True
    """Whether directions are in the microphone's axes. In a finished track they are not: it was turned."""

    def in_a_track(self) -> "Microphone":
        """The same microphone behind a field that was turned in an unknown way: which way its axes lay is unknown."""
        return replace(self, axes_known=False)

    def covariance(self, directions: FloatArray, others: FloatArray, *, housing: bool = True) -> FloatArray:
        """Of the errors of directions with those of others.

        Parameters
        ----------
        directions, others : ndarray, shape (n, 3), (m, 3)
            Unit vectors.
        housing : bool
            With the turn of the housing; without it only what no turn of all the sound explains at once.

        Returns
        -------
        ndarray, shape (n, m, 3, 3)
            Radians squared.
        """
        spread = _unknowns(self, housing)
        ours, theirs = _moved(directions), _moved(others)
        linear = np.einsum("nak,kl,mbl->nmab", ours, spread, theirs, optimize=True)
        apart = angle_between(directions[:, np.newaxis], others[np.newaxis])
        near = self.local_rad**2 * np.exp(-0.5 * (apart / self.local_reach_rad) ** 2)
        both = np.einsum("nac,mcb->nmab", _across(directions), _across(others), optimize=True)
        return np.asarray(linear + near[:, :, np.newaxis, np.newaxis] * both)

    def sd_rad(self, directions: FloatArray, *, housing: bool = True) -> FloatArray:
        """One standard deviation, radians, along either direction across each direction (their mean square).

        Parameters
        ----------
        directions : ndarray, shape (n, 3)
            NaN where nothing was heard.

        Returns
        -------
        ndarray, shape (n,)

        Examples
        --------
        Gains alone: nothing on an axis, most between two of them.

        >>> gains = Microphone(0.1, 0.0, 0.0, 0.0, 0.0)
        >>> half = 0.5**0.5
        >>> np.degrees(gains.sd_rad(np.array([[1.0, 0.0, 0.0], [half, half, 0.0]]))).round(2).tolist()
        [0.0, 2.86]
        """
        moved = _moved(directions)
        linear = np.einsum("nak,kl,nal->n", moved, _unknowns(self, housing), moved, optimize=True)
        return np.asarray(np.sqrt(linear / 2 + self.local_rad**2))

    @property
    def somewhere_sd_rad(self) -> float:
        """The same for a direction of which nothing is known."""
        return float(self.in_a_track().sd_rad(np.array([[1.0, 0.0, 0.0]]))[0])


ORDINARY = Microphone()
"""A microphone of which nothing was measured."""

PERFECT = Microphone(0.0, 0.0, 0.0, 0.0, 0.0)
"""One of which everything is known."""


@dataclass(frozen=True, slots=True, eq=False)
class TurnedBy:
    """What a mount that came from a microphone's own directions takes up of its errors, and what it leaves."""

    microphone: Microphone
    heard: FloatArray
    """The directions that gave the mount, microphone's axes, shape (n, 3)."""
    shares: FloatArray
    """What an error of each turns the mount by: a rotation vector in the microphone's axes, shape (n, 3, 3)."""

    @property
    def covariance(self) -> FloatArray:
        """Of the mount's small rotation vector, microphone's axes, shape (3, 3)."""
        return np.asarray(
            np.einsum(
                "nia,nmab,mjb->ij",
                self.shares,
                self.microphone.covariance(self.heard, self.heard),
                self.shares,
                optimize=True,
            )
        )

    def left_sd_rad(self, directions: FloatArray) -> FloatArray:
        """What is left of each direction's error once the field was turned by that mount.

        Parameters
        ----------
        directions : ndarray, shape (n, 3)
            Microphone's axes; NaN where nothing was heard.

        Returns
        -------
        ndarray, shape (n,)
            One standard deviation, radians, along either direction across each.
        """
        # The mount moves a direction v by turn x v; that is minus the cross product matrix of v, times the turn.
        moved = np.einsum("nab,mbc->nmac", -_crossed(directions), self.shares, optimize=True)
        with_own = self.microphone.covariance(directions, self.heard)
        both = np.einsum("nmab,nmab->n", moved, with_own, optimize=True)
        turned = -_crossed(directions)
        of_turn = np.einsum("nab,bc,nac->n", turned, self.covariance, turned, optimize=True)
        own = 2 * self.microphone.sd_rad(directions) ** 2
        return np.asarray(np.sqrt(np.maximum(own + 2 * both + of_turn, 0.0) / 2))


def turned_by(microphone: Microphone, heard: FloatArray, weights: FloatArray, information: FloatArray) -> TurnedBy:
    """What a mount that weighted directions gave takes up of the microphone's errors.

    Parameters
    ----------
    microphone : Microphone
    heard : ndarray, shape (n, 3)
        Microphone's axes.
    weights : ndarray, shape (n,)
        Of each in the fit, one over its variance.
    information : ndarray, shape (3, 3)
        Inverse covariance of the fit's small rotation vector, microphone's axes.
    """
    # The turn that least squares give to errors e of directions n is information^-1 sum of w e x n.
    shares = -weights[:, np.newaxis, np.newaxis] * (np.linalg.inv(information) @ _crossed(heard))
    return TurnedBy(microphone, heard, shares)


def scatter_sd_rad(microphone: Microphone, heard: FloatArray) -> FloatArray:
    """What of a microphone's errors shows as scatter of these directions about the turn that fits them best.

    Parameters
    ----------
    microphone : Microphone
    heard : ndarray, shape (n, 3)
        Microphone's axes.

    Returns
    -------
    ndarray, shape (n,)
        One standard deviation, radians, along either direction across each, as if each had an error of its own.
    """
    count = len(heard)
    if count < 3:
        # Two directions leave one number to scatter: what is known of them without a fit serves as well.
        return microphone.sd_rad(heard, housing=False)
    fitted = turned_by(microphone, heard, np.ones(count), np.sum(_across(heard), axis=0) + 1e-3 * np.eye(3))
    left = float(np.sum(2 * fitted.left_sd_rad(heard) ** 2))
    return np.full(count, np.sqrt(left / (2 * count - 3)))


def _crossed(vectors: FloatArray) -> FloatArray:
    """Matrices whose product with a vector is the cross product, shape (n, 3, 3)."""
    x, y, z = vectors.T
    none = np.zeros_like(x)
    return np.stack([np.stack(row, axis=1) for row in ((none, -z, y), (z, none, -x), (-y, x, none))], axis=1)


def _across(directions: FloatArray) -> FloatArray:
    return np.asarray(np.eye(3) - directions[:, :, np.newaxis] * directions[:, np.newaxis, :])


def _moved(directions: FloatArray) -> FloatArray:
    """How each direction moves with each unknown: E row by row, then b, shape (n, 3, 12)."""
    whole = np.concatenate([np.einsum("ab,nc->nabc", np.eye(3), directions).reshape(-1, 3, 9),
                            np.broadcast_to(np.eye(3), (len(directions), 3, 3))], axis=2)  # fmt: skip
    return np.asarray(_across(directions) @ whole)


@lru_cache(maxsize=1)
def _icosahedron_turns() -> FloatArray:
    """The 60 turns that bring an icosahedron onto itself, shape (60, 3, 3): all products of two of them."""
    golden = (1 + np.sqrt(5)) / 2
    fifth = 0.5 * np.array([[1, -golden, 1 / golden], [golden, 1 / golden, -1], [1 / golden, 1, golden]])
    third = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    turns = np.eye(3)[np.newaxis]
    while len(turns) < 60:
        products = np.concatenate([turns, turns @ fifth, turns @ third])
        _, first = np.unique(products.round(6), axis=0, return_index=True)
        turns = products[np.sort(first)]
    return turns


@lru_cache(maxsize=32)
def _unknowns(microphone: Microphone, housing: bool) -> FloatArray:
    """Covariance of E (row by row) and b, shape (12, 12)."""
    spread = np.zeros((12, 12)) if microphone.measured is None else np.array(microphone.measured)
    turn = microphone.housing_rad if housing else 0.0
    for a in range(3):
        for b in range(a + 1, 3):
            pair = np.ix_((3 * a + b, 3 * b + a), (3 * a + b, 3 * b + a))
            spread[pair] += turn**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
            if microphone.measured is None:
                spread[pair] += microphone.askew_rad**2
    if microphone.measured is None:
        spread[[0, 4, 8], [0, 4, 8]] = microphone.gain**2
        spread[9:, 9:] = microphone.leak**2 * np.eye(3)
    if microphone.axes_known:
        return spread
    # The mean over the turns of an icosahedron is the mean over all turns, for what is of degree 4.
    turns = _icosahedron_turns()
    whole = np.zeros((len(turns), 12, 12))
    whole[:, :9, :9] = np.einsum("rac,rbd->rabcd", turns, turns).reshape(-1, 9, 9)
    whole[:, 9:, 9:] = turns
    return np.asarray(np.mean(whole @ spread @ np.swapaxes(whole, 1, 2), axis=0))
