"""The densest place on the sphere: where most of many weighted directions agree, and how surely.

Goal: one direction out of thousands of bins, each of which a reflection may have pulled along a known line.
Notes: a bin with pull a and swing b (spatial.analysis.direction) fits a direction d as well as
exp(-q / 2), q = (d - a)' C (d - a), where C is the inverse of spread^2 I + LOOSE^2 b b': loose along its swing, tight
across. The direction that most weight fits is found on a grid and then by Newton's steps on the sphere; bins that do
not fit have no say in it.
Functions: sphere_grid; densest_direction; climb (to the densest place near a start); spread_about (how far bins
stray from it); swing_on_one_axis (the mark of a lone reflection).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray

SPREAD = 0.3
"""How far a bin strays that counts as agreeing (17 degrees): more than a direction's own error in a room, less than
the angle between performers."""

LOOSE = 3.0
"""How much further along its swing, for each unit of swing."""

_GRID_BINS = 4000
_MANY_SHARE = 0.75
"""Largest part of their swings that many reflections lay on one axis."""

_AGREES = np.exp(-0.5 * 1.5**2)


@dataclass(frozen=True, slots=True, eq=False)
class Pulls:
    """Weighted bins, each with the line along which reflections may have pulled it."""

    pull: FloatArray
    """Shape (n, 3)."""
    swing: FloatArray
    """Shape (n, 3)."""
    weight: FloatArray
    """Shape (n,)."""
    spread: float = SPREAD
    """How far a bin strays that counts as agreeing."""

    def only(self, kept: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> "Pulls":
        """Some of the bins, by index or mask."""
        return Pulls(self.pull[kept], self.swing[kept], self.weight[kept], self.spread)

    def fit(self, directions: FloatArray) -> FloatArray:
        """How well each bin fits each direction, 0 to 1, shape (directions, n)."""
        pull, swing = self.pull.astype(np.float32), self.swing.astype(np.float32)
        towards = directions.astype(np.float32)
        apart = 1.0 + np.sum(pull**2, axis=1) - 2.0 * towards @ pull.T
        along = towards @ swing.T - np.sum(pull * swing, axis=1)
        apart -= self._slack().astype(np.float32) * along**2
        return np.asarray(np.exp(apart * np.float32(-0.5 / self.spread**2)))

    def say(self, directions: FloatArray) -> FloatArray:
        """What each bin adds to the density at each direction, shape (directions, n)."""
        return np.asarray(self.fit(directions) * self.narrow().astype(np.float32))

    def narrow(self) -> FloatArray:
        """Weights, less for bins that are loose: they say little wherever they fit, shape (n,)."""
        return np.asarray(self.weight / np.sqrt(1.0 + (LOOSE / self.spread) ** 2 * np.sum(self.swing**2, axis=1)))

    def _slack(self) -> FloatArray:
        """C = (I - slack b b') / spread^2."""
        return np.asarray(LOOSE**2 / (self.spread**2 + LOOSE**2 * np.sum(self.swing**2, axis=1)))

    def agree(self, direction: FloatArray) -> npt.NDArray[np.bool_]:
        """Which bins fit a direction within one and a half standard deviations, shape (n,)."""
        return np.asarray(self.fit(direction[np.newaxis])[0] > _AGREES)

    def forces(self, direction: FloatArray) -> FloatArray:
        """C (a - d), times spread^2, of each bin, shape (n, 3); one direction, or one for each bin."""
        away = self.pull - direction
        return np.asarray(away - (self._slack() * np.sum(self.swing * away, axis=1))[:, np.newaxis] * self.swing)

    def stiffness(self, say: FloatArray) -> FloatArray:
        """Sum of C, times spread^2, over the bins, each by its say, shape (3, 3)."""
        return np.asarray(np.sum(say) * np.eye(3) - (self.swing * (say * self._slack())[:, np.newaxis]).T @ self.swing)


def sphere_grid(count: int = 400) -> FloatArray:
    """Points spread evenly over the sphere (golden-angle spiral), shape (count, 3)."""
    index = np.arange(count) + 0.5
    height = 1 - 2 * index / count
    turn = np.pi * (1 + np.sqrt(5)) * index
    level = np.sqrt(1 - height**2)
    return np.stack([level * np.cos(turn), level * np.sin(turn), height], axis=1)


def densest_direction(pulls: Pulls) -> FloatArray:
    """Direction that the most weight fits.

    Parameters
    ----------
    pulls : Pulls

    Returns
    -------
    ndarray, shape (3,)
        Unit vector.
    """
    grid = sphere_grid()
    weighty = pulls
    if pulls.weight.size > _GRID_BINS:
        weighty = pulls.only(np.argpartition(pulls.weight, -_GRID_BINS)[-_GRID_BINS:])
    start = grid[int(np.argmax(np.sum(weighty.say(grid), axis=1)))]
    return climb(pulls, start)


def climb(pulls: Pulls, start: FloatArray, *, steps: int = 30) -> FloatArray:
    """The densest direction uphill of a start, unit vector, shape (3,)."""
    place = np.asarray(start, dtype=float)
    for _ in range(steps):
        say = pulls.say(place[np.newaxis])[0].astype(float)
        across = _across(place)
        stiff = across @ pulls.stiffness(say) @ across.T
        step = np.linalg.solve(stiff + 1e-9 * np.eye(2), across @ (say @ pulls.forces(place)))
        moved = place + step @ across
        moved /= np.linalg.norm(moved)
        if np.linalg.norm(moved - place) < 1e-5:
            return np.asarray(moved)
        place = moved
    return place


def spread_about(pulls: Pulls, direction: FloatArray) -> float:
    """How far the bins that say a direction stray from it: root mean square distance, radians for small ones."""
    say = pulls.say(direction[np.newaxis])[0]
    return float(np.sqrt(np.sum(say * np.sum((pulls.pull - direction) ** 2, axis=1)) / np.sum(say)))


def swing_on_one_axis(pulls: Pulls, direction: FloatArray) -> float:
    """How far the bins that say a direction swing along one common axis, beyond what many reflections would do.

    A lone reflection that has caught up with a slow sound moves all bins along one line: they agree, and are wrong
    together. Many reflections swing to all sides. What all bins swing alike is no reflection, whose phase turns from
    bin to bin, but the microphone's own phase between W and the axes; and along the direction itself nothing moves it.

    Returns
    -------
    float
        Root mean square swing, radians for small ones; 0 where the swings have no common axis.
    """
    say = pulls.say(direction[np.newaxis])[0].astype(float)
    own = pulls.swing - (say @ pulls.swing) / np.sum(say)
    moments = (own * say[:, np.newaxis]).T @ own / np.sum(say)
    total = float(np.trace(moments))
    if total <= 0.0:
        return 0.0
    sizes, axes = np.linalg.eigh(moments)
    excess = float(np.clip((sizes[-1] / total - _MANY_SHARE) / (1.0 - _MANY_SHARE), 0.0, 1.0))
    along = float(axes[:, -1] @ direction)
    return excess * float(np.sqrt(total * max(0.0, 1.0 - along**2)))


def _across(direction: FloatArray) -> FloatArray:
    """Two unit vectors square to a direction and to each other, shape (2, 3)."""
    return np.asarray(np.linalg.svd(direction[np.newaxis])[2][1:])
