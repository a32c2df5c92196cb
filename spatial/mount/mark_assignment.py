"""Who is who, when several performers who are marked at once sound from several places.

Goal: the mount, and for each mark its place, from marks whose times overlap. Every way to give the places that sound
to the marks that claim them is a hypothesis, and is weighed together with the mount it leads to.
Conventions: spatial.conventions (mount). Matrices are picture_from_mic.
How: two marks and two places make a mount; for a mount each group of marks is given its likeliest places by itself.
The best few of all these ways are weighed by their full evidence (spatial.mount.mark_fit).
Functions: likely_ways (what to weigh); estimate_among (the mount, and which way is true); way_for_turn (where the
mount is known).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from scipy.special import logsumexp

from spatial.conventions import FloatArray
from spatial.direction.microphone_error import ORDINARY, Microphone, scatter_sd_rad
from spatial.direction.mixture import Place
from spatial.field import angle_between
from spatial.mount.mark_fit import (
    MARK_SD_RAD,
    MIRRORED,
    WRONG_MARK,
    MountEstimate,
    estimate_mount,
    likeliest,
    weigh_guesses,
    with_covariance,
)
from spatial.mount.prior import AxisMeasurement, MountPrior, ways_to_take
from spatial.rotation import vector_from_rotation

NEAR_RAD = np.radians(15.0)
"""Marks this close to each other are one: they share what sounds there."""

_BLENDED_RAD = np.radians(35.0)
"""Two marks this close to each other, of which one place sounds, may have that place between them."""

_SILENT = 0.3
"""How often somebody who is marked is not found beside the others (common practice, no source)."""
_REFLECTION = 0.1
"""A place of this share of the strongest one is as likely as not a reflection (common practice, no source)."""
_SOURCE_AT_MOST = 0.9
"""The strongest place, too, is a reflection one time in ten (assumed, no source)."""

_MOST_UNITS = 5
"""Marks of different places at one time up to which every assignment is tried; the number of ways grows with each as a
power. Where there are more, all are left unmeasured."""

_MOST_PAIRS = 3000
"""Pairs of marks and places whose mounts are tried, those that fit best first. It bounds the time."""

_MOST_WAYS = 12
"""Ways that are weighed by their full evidence. It bounds the time; those left out are less likely."""

_UNLIKELY = 12.0
"""Logarithm of the odds against a way from which on it is not weighed any further."""
_SURE = 0.98
"""An interval of 95 % need not hold the wildest ways: the farthest two in a hundred are left out."""
_TORN = 0.1
"""How likely other ways, further off than _TORN_RAD, may be at most for a mount to be given. At more a wrong mount is
given that often."""

_TORN_RAD = np.radians(20.0)
"""See _TORN."""

_OFF_SD_RAD = np.radians(40.0)
"""Whose place is beside where they are marked is so by about this much."""
_PERHAPS_OFF = 0.5
"""How often performers are beside their marks where the mount is known and a track is put to the test: as likely as
not."""

_KNOWN_SD_RAD = np.radians(3.0)
"""How far off a mount that is known, and a mark, may be."""


@dataclass(frozen=True, slots=True, eq=False)
class MarkGroup:
    """Marks that claim the same time, and the places that sound in it."""

    rows: tuple[int, ...]
    """Which marks."""
    places: tuple[Place, ...]
    """Strongest first."""
    extra_rad: tuple[float, ...] = ()
    """What makes each mark less sure beside what is measured, one sd; nothing where empty."""


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One way to give places to marks."""

    measured: FloatArray
    """Unit vectors in the microphone's axes, shape (marks, 3); NaN for a mark that this way leaves without a place."""
    sd_rad: FloatArray
    """Shape (marks,); NaN likewise."""
    log_prior: float
    """Logarithm of how likely it is beside the others, before the mount is looked at."""
    rival: FloatArray
    """Share of the strongest place that its group leaves unexplained over that of its strongest, shape (marks,)."""

    @property
    def heard(self) -> FloatArray:
        """Which marks have a place, bool, shape (marks,)."""
        return np.isfinite(self.sd_rad)


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """One way to give a group's places to its units: for each unit a place, or -1."""

    places: tuple[int, ...]
    log_prior: float


class _Group:
    """A group's units (marks in one place are one), its choices, and what each means for the marks."""

    def __init__(self, group: MarkGroup, expected: FloatArray) -> None:
        self.places = group.places
        self.expected = expected
        self.extra_rad = dict(zip(group.rows, group.extra_rad or (0.0,) * len(group.rows), strict=True))
        self.units: list[list[int]] = []
        for row in group.rows:
            near = [u for u in self.units if angle_between(expected[u[0]], expected[row]) < NEAR_RAD]
            if near:
                near[0].append(row)
            else:
                self.units.append([row])
        self.vectors = np.array([place.vector for place in group.places]).reshape(-1, 3)
        self.sd_rad = np.array([place.sd_rad for place in group.places])
        share = np.array([place.share for place in group.places])
        self.relative = share / np.max(share, initial=1e-9)
        source = np.clip(self.relative / (self.relative + _REFLECTION), 0.0, _SOURCE_AT_MOST)
        self.source, self.other = np.log(source), np.log(1.0 - source)
        self.choices = (
            self._all_choices() if len(self.units) <= _MOST_UNITS else [self._choice((-1,) * len(self.units))]
        )

    def _all_choices(self) -> list[_Choice]:
        places = range(-1, len(self.places))
        each = product(places, repeat=len(self.units))
        kept = (given for given in each if len({p for p in given if p >= 0}) == sum(p >= 0 for p in given))
        return [self._choice(given) for given in kept]

    def _choice(self, given: tuple[int, ...]) -> _Choice:
        taken = [place for place in given if place >= 0]
        left = [place for place in range(len(self.places)) if place not in taken]
        log_prior = sum(self.source[taken]) + sum(self.other[left]) - len(left) * np.log(4 * np.pi)
        log_prior += (len(given) - len(taken)) * np.log(_SILENT) + len(taken) * np.log(1 - _SILENT)
        return _Choice(given, float(log_prior))

    def densities(self, turns: FloatArray, off: float) -> FloatArray:
        """Logarithm of how likely each place is, given each turn and unit, shape (turns, units, places).

        `off` is how often a mark is heard elsewhere, which is likelier near by.
        """
        seen = self.expected[[unit[0] for unit in self.units]]
        there = np.einsum("tij,pj->tpi", turns, self.vectors)
        apart = angle_between(there[:, np.newaxis], seen[np.newaxis, :, np.newaxis])
        extra = np.array([self.extra_rad[unit[0]] for unit in self.units])[:, np.newaxis]
        variance = self.sd_rad**2 + extra**2 + MARK_SD_RAD**2 + _KNOWN_SD_RAD**2
        near = np.exp(-0.5 * apart**2 / variance) / (2 * np.pi * variance)
        return np.asarray(np.log((1 - off) * near + off * np.exp(-apart / _OFF_SD_RAD) / (4 * np.pi) + 1e-30))

    def scores(self, turns: FloatArray, off: float = WRONG_MARK) -> FloatArray:
        """Logarithm of how likely each choice is, given each turn, shape (turns, choices)."""
        density = self.densities(turns, off)
        columns = []
        for choice in self.choices:
            column = np.full(len(turns), choice.log_prior)
            for unit, place in enumerate(choice.places):
                if place >= 0:
                    column = column + density[:, unit, place]
            columns.append(column)
        return np.stack(columns, axis=1)

    def write(self, choice: _Choice, measured: FloatArray, sd_rad: FloatArray, rival: FloatArray) -> None:
        """Enter what a choice means for the group's marks."""
        left = [self.relative[place] for place in range(len(self.places)) if place not in choice.places]
        for unit, place in zip(self.units, choice.places, strict=True):
            rival[unit] = max(left, default=0.0)
            if place < 0:
                continue
            blend = self._blend(unit, choice)
            for row in unit:
                # Marks that share a place: it lies somewhere between them.
                between = float(np.max(angle_between(self.expected[unit], self.expected[row])) / 2)
                measured[row] = self.vectors[place]
                sd_rad[row] = np.sqrt(self.sd_rad[place] ** 2 + between**2 + blend**2)

    def _blend(self, unit: list[int], choice: _Choice) -> float:
        """How far a place may be pulled towards somebody close by who has none of their own, radians."""
        missing = [other for other, place in zip(self.units, choice.places, strict=True) if place < 0]
        apart = [float(angle_between(self.expected[unit[0]], self.expected[other[0]])) for other in missing]
        return max((each / 4 for each in apart if each < _BLENDED_RAD), default=0.0)


def likely_ways(
    expected: FloatArray,
    measured: FloatArray,
    sd_rad: FloatArray,
    groups: Sequence[MarkGroup],
    prior: MountPrior | None = None,
    axes: Sequence[AxisMeasurement] = (),
) -> list[Way]:
    """The likeliest ways to give places to marks, the best first.

    Parameters
    ----------
    expected : ndarray, shape (marks, 3)
        Unit vectors in the picture's axes, as seen from the microphone.
    measured, sd_rad : ndarray, shape (marks, 3), (marks,)
        Of marks that were heard alone; NaN for all others.
    groups : sequence of MarkGroup
        Marks are in one group at most, and in none where they were heard alone.
    prior, axes
        As for `estimate_mount`.
    """
    prior = prior or MountPrior()
    sized = [_Group(group, expected) for group in groups if group.places]
    turns = _turns(expected, measured, sd_rad, sized)
    score = _known_score(turns, expected, measured, sd_rad, prior, axes)
    by_group = [group.scores(turns) for group in sized]
    total = score + sum((np.max(scores, axis=1) for scores in by_group), np.zeros(len(turns)))
    order = np.argsort(-total, kind="stable")
    picked: dict[tuple[int, ...], float] = {}
    for turn in order:
        if len(picked) >= _MOST_WAYS or total[turn] < total[order[0]] - _UNLIKELY:
            break
        best = tuple(int(np.argmax(scores[turn])) for scores in by_group)
        picked.setdefault(best, float(total[turn]))
    # Beside the best turn, each group's own second best may be true.
    top, at = next(iter(picked)), order[0]
    for number, scores in enumerate(by_group):
        for choice in np.argsort(-scores[at])[1:3]:
            if scores[at, choice] > scores[at, top[number]] - _UNLIKELY / 2 and len(picked) < 2 * _MOST_WAYS:
                picked.setdefault((*top[:number], int(choice), *top[number + 1 :]), 0.0)
    return [_way(sized, way, measured, sd_rad) for way in picked]


def _way(groups: Sequence[_Group], picked: Sequence[int], measured: FloatArray, sd_rad: FloatArray) -> Way:
    measured, sd_rad, rival = measured.copy(), sd_rad.copy(), np.zeros(len(sd_rad))
    log_prior = 0.0
    for group, number in zip(groups, picked, strict=True):
        choice = group.choices[number]
        group.write(choice, measured, sd_rad, rival)
        log_prior += choice.log_prior
    return Way(measured, sd_rad, log_prior, rival)


def way_for_turn(
    expected: FloatArray, measured: FloatArray, sd_rad: FloatArray, groups: Sequence[MarkGroup], turn: FloatArray
) -> Way:
    """The likeliest way where the mount is known.

    A strong place that is nobody's belongs to the mark that has none, and is heard beside where that is seen; a faint
    one is taken for a reflection.

    Parameters
    ----------
    expected, measured, sd_rad, groups
        As for `likely_ways`.
    turn : ndarray, shape (3, 3)
        picture_from_mic.
    """
    sized = [_Group(group, expected) for group in groups if group.places]
    picked = [int(np.argmax(group.scores(turn[np.newaxis], _PERHAPS_OFF)[0])) for group in sized]
    return _way(sized, picked, measured, sd_rad)


def estimate_among(
    expected: FloatArray,
    ways: Sequence[Way],
    *,
    prior: MountPrior | None = None,
    axes: Sequence[AxisMeasurement] = (),
    shared_turn_rad: FloatArray | None = None,
    wrong_share: float = WRONG_MARK,
    microphone: Microphone = ORDINARY,
) -> tuple[MountEstimate, Way, bool]:
    """The mount from several ways to take the marks.

    Parameters
    ----------
    expected : ndarray, shape (marks, 3)
    ways : sequence of Way
        At least one that leaves a mark heard.
    prior, axes, shared_turn_rad, wrong_share, microphone
        As for `estimate_mount`.

    Returns
    -------
    mount : MountEstimate
        Of the marks that the likeliest way leaves heard, its covariance as wide as the other ways ask.
    way : Way
        The likeliest.
    torn : bool
        Another way, with a mount far from this one, is too likely to say which is true.
    """

    def estimate(way: Way) -> MountEstimate:
        return estimate_mount(
            *(part[way.heard] for part in (expected, way.measured, way.sd_rad)),
            prior=prior,
            axes=axes,
            shared_turn_rad=shared_turn_rad,
            wrong_share=wrong_share,
            microphone=microphone,
        )

    ways = [way for way in ways if way.heard.any()]
    if len(ways) == 1:
        found = estimate(ways[0])
        return found, ways[0], False
    odds, matrices = [], []
    for way in ways:
        heard = way.heard
        seen = np.concatenate([expected[heard], *(axis.in_picture[np.newaxis] for axis in axes)])
        there = np.concatenate([way.measured[heard], *(axis.in_mic[np.newaxis] for axis in axes)])
        spread = np.concatenate([np.hypot(way.sd_rad[heard], MARK_SD_RAD), [axis.sd_rad for axis in axes]])
        spread = np.hypot(spread, scatter_sd_rad(microphone, there))
        guesses = weigh_guesses(seen, there, spread, prior or MountPrior(), wrong_share)
        first = int(np.argmax(guesses.shares))
        often = np.log(MIRRORED if guesses.hands[first] < 0 else 1 - MIRRORED)
        odds.append(way.log_prior + guesses.log_odds[first] + often - np.log(guesses.shares[first]))
        matrices.append(guesses.fits.matrices[likeliest(guesses, int(guesses.hands[first]))])
    shares = np.exp(np.array(odds) - logsumexp(odds))
    best = int(np.argmax(shares))
    found = estimate(ways[best])
    apart = np.array([_apart(matrix, found.picture_from_take) for matrix in matrices])
    size = np.linalg.norm(apart, axis=1)
    torn = float(np.sum(shares[size > _TORN_RAD])) > _TORN
    # How likely a mirror image is has been asked: it is another answer, and no error of this one.
    alike = np.flatnonzero(np.linalg.det(np.stack(matrices)) * np.linalg.det(found.picture_from_take) > 0)
    nearest = alike[np.argsort(size[alike])]
    share = shares[nearest] / max(float(np.sum(shares[nearest])), 1e-12)
    kept = int(np.searchsorted(np.cumsum(share), _SURE)) + 1
    near = apart[nearest[:kept]]
    wider = np.einsum("w,wi,wj->ij", share[:kept] / np.sum(share[:kept]), near, near)
    return with_covariance(found, found.covariance + wider, open_all=torn), ways[best], torn


def _apart(matrix: FloatArray, other: FloatArray) -> FloatArray:
    """The turn from one to the other as a rotation vector; half a turn between a rotation and a reflection."""
    turn = matrix @ other.T
    return np.array([np.pi, 0.0, 0.0]) if np.linalg.det(turn) < 0 else vector_from_rotation(turn)


def _turns(expected: FloatArray, measured: FloatArray, sd_rad: FloatArray, groups: Sequence[_Group]) -> FloatArray:
    """Mounts, and mirror images, that two marks and two places lead to, shape (turns, 3, 3)."""
    seen, there, owner, place = [], [], [], []
    for row in np.flatnonzero(np.isfinite(sd_rad)):
        seen.append(expected[row])
        there.append(measured[row])
        owner.append(int(row))
        place.append(-1 - int(row))
    count = 0
    for group in groups:
        for unit in group.units if len(group.units) <= _MOST_UNITS else ():
            for number, vector in enumerate(group.vectors):
                seen.append(expected[unit[0]])
                there.append(vector)
                owner.append(unit[0])
                place.append(count + number)
        count += len(group.vectors)
    pairs = np.array(
        [(a, b) for a, b in combinations(range(len(seen)), 2) if owner[a] != owner[b] and place[a] != place[b]]
    )
    if not len(pairs):
        # One mark and one place give a direction and no turn about it: any turn that fits will do to weigh by.
        ways = [_frame(e, np.roll(e, 1)) @ _frame(q, np.roll(q, 1)).T for e, q in zip(seen, there, strict=True)]
        return np.stack(ways) if ways else np.eye(3)[np.newaxis]
    wanted, heard = np.stack(seen), np.stack(there)
    one, other = pairs[:, 0], pairs[:, 1]
    misfit = np.abs(angle_between(wanted[one], wanted[other]) - angle_between(heard[one], heard[other]))
    nearest = np.argsort(misfit, kind="stable")[:_MOST_PAIRS]
    nearest = nearest[misfit[nearest] < np.radians(30.0)] if np.min(misfit) < np.radians(30.0) else nearest[:10]
    turns = []
    for a, b in pairs[nearest]:
        in_picture, in_mic = _frame(wanted[a], wanted[b]), _frame(heard[a], heard[b])
        turns.append(in_picture @ in_mic.T)
        turns.append(in_picture @ np.diag([1.0, 1.0, -1.0]) @ in_mic.T)
    return np.stack(turns)


def _frame(one: FloatArray, other: FloatArray) -> FloatArray:
    """Axes that two directions make: their middle, across it in their plane, square to both; as columns."""
    middle, across = one + other, one - other
    # Directions that are one, or opposite, leave an axis open: any will do.
    if np.linalg.norm(middle) < 1e-6:
        middle = np.cross(across, np.roll(across, 1) + 1e-3)
    if np.linalg.norm(across) < 1e-6:
        across = np.cross(middle, np.roll(middle, 1) + 1e-3)
    middle = middle / np.linalg.norm(middle)
    across = across - (across @ middle) * middle
    across = across / np.linalg.norm(across)
    return np.stack([middle, across, np.cross(middle, across)], axis=1)


def _known_score(
    turns: FloatArray,
    expected: FloatArray,
    measured: FloatArray,
    sd_rad: FloatArray,
    prior: MountPrior,
    axes: Sequence[AxisMeasurement],
) -> FloatArray:
    """Logarithm of how likely each turn is by marks that sounded alone, by the axes and by the crew's word."""
    alone = np.isfinite(sd_rad)
    score = np.where(np.linalg.det(turns) < 0, np.log(MIRRORED), np.log(1 - MIRRORED))
    rows = [(e, m, float(np.hypot(sd, MARK_SD_RAD))) for e, m, sd in
            zip(expected[alone], measured[alone], sd_rad[alone], strict=True)]  # fmt: skip
    rows += [(axis.in_picture, axis.in_mic, axis.sd_rad) for axis in axes]
    for seen, there, sd in rows:
        score = score + np.log((1 - WRONG_MARK) * _normal(turns, seen, there, sd) + WRONG_MARK / (4 * np.pi))
    words = []
    for word, counted, _, share in ways_to_take(prior):
        column = np.full(len(turns), np.log(share))
        for axis in word if counted else ():
            column = column + np.log(_normal(turns, axis.in_picture, axis.in_mic, axis.sd_rad) + 1e-12)
        # In a mirrored field the word is about the microphone, not about the channels.
        words.append(np.where(np.linalg.det(turns) < 0, np.log(share), column))
    return np.asarray(score + logsumexp(words, axis=0))


def _normal(turns: FloatArray, seen: FloatArray, there: FloatArray, sd_rad: float) -> FloatArray:
    """Density of one direction at each turn."""
    apart = angle_between(turns @ there, seen)
    return np.asarray(np.exp(-0.5 * (apart / sd_rad) ** 2) / (2 * np.pi * sd_rad**2))
