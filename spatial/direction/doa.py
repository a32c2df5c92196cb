"""The direction of arrival over a span of time: one direction, with its uncertainty.

Goal: the direction of a performer from thousands of bins, each of which a reflection may have pulled along a known
line.
Method: a bin with pull a and swing b (spatial.direction.intensity) fits a direction d as well as exp(-q / 2), where
q = (d - a)' C (d - a) and C is the inverse of spread^2 I + LOOSE^2 b b': loose along its swing, tight across. The
direction that most weight fits is found on a grid and then by Newton's steps on the sphere; bins that do not fit have
no weight in it. The uncertainty follows from how far the fitting bins stray.
Conventions: spatial.conventions (axes). Directions are unit vectors in the field's own axes.
Functions: span_direction; law_of_sd (the uncertainty of a direction whose bins stray); weightiest (which bins count);
weighty_columns (those bins, as columns); sphere_grid, say_on_grid; densest_direction; climb (to the densest place near
a start); spread_about (how far bins stray from it); swing_on_one_axis (the mark of a lone reflection).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.direction.intensity import FieldBins

# --- the densest place on the sphere ---

SPREAD = 0.3
"""How far a bin strays that counts as agreeing (17 degrees): more than a direction's own error in a room, less than
the angle between performers."""

LOOSE = 3.0
"""How much further along its swing, for each unit of swing."""

_GRID_BINS = 4000
"""Weightiest bins by which the start is sought on the grid; all bins take part in the climb from there. More cost time,
fewer may start on the wrong hill."""

_MANY_SHARE = 0.75
"""Largest part of their swings that many reflections lay on one axis."""

_AGREES = np.exp(-0.5 * 1.5**2)
"""Fit of a bin one and a half standard deviations away: bins that fit better agree. A larger distance lets noise from
all around agree, a smaller one loses bins that reflections pulled."""


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
        """Weights, less for bins that are loose: they fit almost anywhere, shape (n,)."""
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
        """Sum of C, times spread^2, over the bins, each by its weight, shape (3, 3)."""
        return np.asarray(np.sum(say) * np.eye(3) - (self.swing * (say * self._slack())[:, np.newaxis]).T @ self.swing)


@lru_cache(maxsize=4)
def sphere_grid(count: int = 400) -> FloatArray:
    """Points spread evenly over the sphere (golden-angle spiral), shape (count, 3)."""
    index = np.arange(count) + 0.5
    height = 1 - 2 * index / count
    turn = np.pi * (1 + np.sqrt(5)) * index
    level = np.sqrt(1 - height**2)
    grid = np.stack([level * np.cos(turn), level * np.sin(turn), height], axis=1)
    grid.flags.writeable = False
    return grid


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
    weighty = pulls
    if pulls.weight.size > _GRID_BINS:
        weighty = pulls.only(np.argpartition(pulls.weight, -_GRID_BINS)[-_GRID_BINS:])
    return climb(pulls, sphere_grid()[int(np.argmax(np.sum(say_on_grid(weighty), axis=1)))])


def say_on_grid(pulls: Pulls) -> FloatArray:
    """What each bin adds to the density at each point of sphere_grid(), shape (points, n): quicker than `say`.

    How far a bin is from a direction is a polynomial of second degree in it: one product of matrices gives all of them.
    """
    slack = pulls._slack()
    own = np.sum(pulls.pull * pulls.swing, axis=1)
    reach = 1.0 + np.sum(pulls.pull**2, axis=1) - slack * own**2
    bins = np.concatenate(
        [
            reach[:, np.newaxis],
            2.0 * (slack * own)[:, np.newaxis] * pulls.swing - 2.0 * pulls.pull,
            -slack[:, np.newaxis] * _second_degree(pulls.swing, mixed=2.0),
        ],
        axis=1,
    )
    apart = _grid_terms() @ (bins * (-0.5 / pulls.spread**2)).astype(np.float32).T
    np.exp(apart, out=apart)
    apart *= pulls.narrow().astype(np.float32)
    return np.asarray(apart)


@lru_cache(maxsize=1)
def _grid_terms() -> FloatArray:
    grid = sphere_grid()
    return np.concatenate([np.ones((len(grid), 1)), grid, _second_degree(grid)], axis=1).astype(np.float32)


def _second_degree(vectors: FloatArray, *, mixed: float = 1.0) -> FloatArray:
    """Products of two components, shape (n, 6); those of two different ones `mixed` times."""
    x, y, z = vectors.T
    return np.stack([x * x, y * y, z * z, mixed * x * y, mixed * x * z, mixed * y * z], axis=1)


def climb(pulls: Pulls, start: FloatArray, *, steps: int = 30) -> FloatArray:
    """The densest direction uphill of a start, unit vector, shape (3,)."""
    place = np.asarray(start, dtype=float)
    # What no step changes: each is `say`, `forces` and `stiffness` for one direction, which see hundreds of them.
    pull, swing, slack = pulls.pull.astype(float), pulls.swing.astype(float), pulls._slack()
    reach, own = 1.0 + np.einsum("nk,nk->n", pull, pull), np.einsum("nk,nk->n", pull, swing)
    weight, sharpness = pulls.narrow(), -0.5 / pulls.spread**2
    for _ in range(steps):
        along = swing @ place - own
        say = weight * np.exp(sharpness * (reach - 2.0 * (pull @ place) - slack * along**2))
        across, loose = _across(place), say * slack
        # Two equations for the two components of the step, solved by hand; what pulls along the direction is left out.
        swing_across = swing @ across.T
        (first, both), (_, second) = -(swing_across * loose[:, np.newaxis]).T @ swing_across
        first, second = first + np.sum(say) + 1e-9, second + np.sum(say) + 1e-9
        one, other = across @ (say @ pull + (loose * along) @ swing)
        step = np.array([second * one - both * other, first * other - both * one])
        moved = place + step @ across / (first * second - both**2)
        moved /= np.sqrt(moved @ moved)
        if np.sum((moved - place) ** 2) < 1e-10:
            return np.asarray(moved)
        place = moved
    return place


def spread_about(pulls: Pulls, direction: FloatArray) -> float:
    """How far the bins that agree on a direction stray from it: root mean square distance, radians for small ones."""
    say = pulls.say(direction[np.newaxis])[0]
    return float(np.sqrt(np.sum(say * np.sum((pulls.pull - direction) ** 2, axis=1)) / np.sum(say)))


def swing_on_one_axis(pulls: Pulls, direction: FloatArray) -> float:
    """How far the bins that agree on a direction swing along one common axis, beyond what many reflections would do.

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
    # Away from the axis that it lies furthest from, so that neither of the two is short.
    x, y, z = direction
    if abs(z) < 0.7:
        level = np.hypot(x, y)
        return np.array([[-y / level, x / level, 0.0], [-x * z / level, -y * z / level, level]])
    side = np.hypot(y, z)
    return np.array([[0.0, -z / side, y / side], [side, -x * y / side, -x * z / side]])


# --- a span of time ---

MARK_FRAMES_S = (240 / 48_000, 400 / 48_000)
"""Frames of two lengths for a mark, where there is time for both: a tenth less error than one length alone. Four did
no better in rooms they were not chosen on."""

# Chosen on 64 simulated scenes (seeds 5000 on) that no test and no committed result uses.
GROUP_S = 0.25
"""What sounds within this time meets the same reflections: it counts as one witness."""
_MOMENT_S = 0.1
"""A span shorter than this is less than one witness."""
_BINS_A_WITNESS = 2.0
"""Bins that count as one: overlapping frames hold the same twice."""
_CHANCE_SHARE = 0.12
"""Share of bins from all around (noise, reverberation) that agrees on the densest place by chance."""

_CHANCE_SDS = 4.5
"""Standard deviations over that share from which somebody is found. With this value no noise of 0.02 to 3 s in 40 seeds
was; with more, soft speech is missed."""

_HEARD_SHARE = 0.25
"""Least share that must agree however many bins there are: in long spans the standard deviation of chance becomes very
small."""

_LASTING_BIAS = 0.27
"""Bias of a direction over the square of its bins' stray, radians: the part that lasts as long as nobody moves (the
room). With _MOMENT_BIAS it is the law of the uncertainty; the regions so stated held the truth in 98 to 100 % of 385
turns they were not chosen on, and narrower ones would hold it less often."""

_MOMENT_BIAS = 0.56
"""The same of the part that each quarter second draws anew: it falls with the root of how many there are."""

_LEAST_SD_RAD = np.radians(0.1)
"""No direction is surer than this: it keeps the uncertainty of bins that do not stray at all off zero."""


@dataclass(frozen=True, slots=True, eq=False)
class SpanDirection:
    """One direction for a span of time."""

    heard: bool
    """False: nothing in the span points anywhere; the direction is then NaN."""
    vector: FloatArray
    """Unit vector, shape (3,)."""
    sd_rad: float
    """One standard deviation along each of the two directions across the vector."""
    share: float
    """Part of what has just begun to sound that agrees on the direction."""


def span_direction(
    bins: FieldBins | Sequence[FieldBins], start_s: float, end_s: float, *, most_bins: int = 20_000
) -> SpanDirection:
    """The direction that the direct sound of a span agrees on.

    The densest place on the sphere, not the mean: reflections and other sounds lie elsewhere and must not pull.
    The uncertainty follows from how far the agreeing bins stray, s: a reflection that makes them stray by s biases
    their mean by about s squared, partly alike all the time (the room), partly anew with every quarter second.
    Bins that all swing along one axis may be wrong together, by about as much as they swing.

    Parameters
    ----------
    bins : FieldBins, or several of them
        Several, of one field in frames of different lengths, have an equal say each: long ones tell tones, short
        ones part a sound from its reflections.
    start_s, end_s : float
        The span, on the same clock as the bins' times.
    most_bins : int
        At most so many bins count, the weightiest: fewer are quicker and coarser.

    Returns
    -------
    SpanDirection
        heard False where too little direct sound agrees.
    """
    parts = [bins] if isinstance(bins, FieldBins) else bins
    told = [part for part in (weighty_columns(part.between(start_s, end_s), most_bins) for part in parts) if part]
    if not told:
        return _nothing(0.0)
    pull, swing, weight, clear, times_s = (np.concatenate(column) for column in zip(*told, strict=True))
    # Noise pulls nowhere, being all around, but could hide that somebody agrees: so the clear bins decide who
    # is found and about where. All bins decide just where: the first edge of a sound, freest of reflections, is faint.
    sure, pulls = Pulls(pull, swing, clear), Pulls(pull, swing, weight)
    vector = climb(pulls, densest_direction(sure))
    share = float(np.sum(clear[sure.agree(vector)]) / np.sum(clear))
    if share < _needed_share(clear):
        return _nothing(share)
    groups = ((times_s - start_s) / GROUP_S).astype(int)
    say = np.bincount(groups, pulls.say(vector[np.newaxis])[0])
    lasted_s = GROUP_S * float(np.sum(say) ** 2 / np.sum(say**2)) * min(1.0, (end_s - start_s) / _MOMENT_S)
    law = law_of_sd(spread_about(pulls, vector), lasted_s)
    return SpanDirection(True, vector, float(np.hypot(law, swing_on_one_axis(pulls, vector))), share)


def law_of_sd(stray: float | FloatArray, lasted_s: float | FloatArray) -> FloatArray:
    """Standard deviation, radians, of a direction whose bins stray by so much and lasted for so long."""
    bias = np.square(stray) * np.sqrt(_LASTING_BIAS**2 + _MOMENT_BIAS**2 * GROUP_S / np.asarray(lasted_s))
    return np.asarray(np.hypot(bias, _LEAST_SD_RAD))


def weightiest(weight: FloatArray, most: int) -> npt.NDArray[np.bool_]:
    """Which bins count: about `most` at most, and none that weighs next to nothing beside the heaviest."""
    least = np.partition(weight, -most)[-most] if weight.size > most else 0.0
    return np.asarray(weight > max(least, 1e-4 * np.max(weight)))


def _needed_share(weight: FloatArray) -> float:
    """Share of the weight that must agree before chance is ruled out: the fewer bins, the more."""
    witnesses = float(np.sum(weight) ** 2 / np.sum(weight**2)) / _BINS_A_WITNESS
    chance_sd = np.sqrt(_CHANCE_SHARE * (1 - _CHANCE_SHARE) / witnesses)
    return max(_HEARD_SHARE, float(_CHANCE_SHARE + _CHANCE_SDS * chance_sd))


def weighty_columns(bins: FieldBins, most_bins: int) -> tuple[FloatArray, ...] | None:
    """Pulls, swings, weights, weights of clear bins (each sum is 1), times of bins that count; None if none does."""
    weight = bins.weights()
    if weight.size == 0 or not (weight * bins.clear).any():
        return None
    kept = weightiest(weight, most_bins)
    weights, clear = weight[kept], (weight * bins.clear)[kept]
    if not clear.any():
        return None
    shares = weights / np.sum(weights), clear / np.sum(clear)
    return bins.pull[kept], bins.swing[kept], *shares, bins.times_s[bins.frame[kept]]


def _nothing(share: float) -> SpanDirection:
    return SpanDirection(False, np.full(3, np.nan), float("nan"), share)
