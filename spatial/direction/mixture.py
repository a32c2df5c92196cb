"""The places that sound in one span of time, when several do at once.

Goal: a direction, its uncertainty and its share for each source that sounds in a span, strong and faint ones.
How: a mixture of places on the sphere and an even background. Each bin is shared out among them by how well it fits
each, so that a place is not pulled by its neighbour's bins; a further place is looked for in what the others leave.
Conventions: spatial.conventions (axes). Directions are unit vectors in the field's own axes.
Functions: span_places.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.doa import (
    GROUP_S,
    LOOSE,
    Pulls,
    climb,
    law_of_sd,
    sphere_grid,
    spread_about,
    swing_on_one_axis,
    weighty_columns,
)
from spatial.direction.intensity import FieldBins

# Chosen on 18 simulated scenes (tests/scenes/duets.py, seeds 500 to 517) that no committed result uses.
_SPREAD = 0.25
"""Narrower than for one performer, to resolve two."""
_MOST_BINS = 4000
"""Weightiest bins of each frame length that count. More cost time, fewer lose faint places: _LEAST_SHARE of them is
about 40 bins."""

_STEPS = 6
"""Rounds of sharing out bins and climbing for each new place. More cost time; places that have not settled are too near
their neighbours."""

_ONE_COS = float(np.cos(np.radians(18.0)))
"""Places closer together than this are one."""
_NEW_COS = float(np.cos(np.radians(25.0)))
"""A further place is looked for this far from the others: nearer by, their own reflections lie."""
_LEAST_SHARE = 0.008
"""Share of what sounds below which a place is nobody: about 40 bins of 4000."""

_FAINT_SHARE = 0.02
"""Share at which a place's variance is twice that of a strong one: the bins of other places pull a faint one more."""

_BESIDE = 1.25
"""How much less sure a place is that is found beside others, as a factor on the law of one that sounds alone."""


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """One place that sounds in a span."""

    vector: FloatArray
    """Unit vector, shape (3,)."""
    sd_rad: float
    """One standard deviation along each of the two directions across the vector."""
    share: float
    """Part of what has just begun to sound that comes from there."""


def span_places(bins: Sequence[FieldBins], start_s: float, end_s: float, *, most: int = 4) -> tuple[Place, ...]:
    """The places that sound in a span.

    Parameters
    ----------
    bins : sequence of FieldBins
        Of one field, in frames of different lengths; each has an equal say.
    start_s, end_s : float
        The span, on the same clock as the bins' times.
    most : int
        No more places than this.

    Returns
    -------
    tuple of Place
        The strongest first; none where nothing sounds. Reflections may be among the fainter ones.
    """
    found = [part for part in (weighty_columns(part.between(start_s, end_s), _MOST_BINS) for part in bins) if part]
    if not found:
        return ()
    pull, swing, weight, clear, times_s = (np.concatenate(column) for column in zip(*found, strict=True))
    weight, clear = weight / np.sum(weight), clear / np.sum(clear)
    everything = Pulls(pull, swing, weight, _SPREAD)
    # What each bin's fit is worth as a density: loose bins fit anywhere.
    height = 1.0 / (2 * np.pi * _SPREAD**2 * np.sqrt(1.0 + (LOOSE / _SPREAD) ** 2 * np.sum(swing**2, axis=1)))
    grid = sphere_grid(800)
    on_grid = everything.fit(grid) * height
    places: FloatArray = np.zeros((0, 3))
    shares: FloatArray = np.zeros(0)
    own: FloatArray = np.zeros((0, weight.size))
    for _ in range(most):
        rest = 1.0 - np.sum(own, axis=0)
        density = on_grid @ (clear * rest)
        if len(places):
            density[np.max(grid @ places.T, axis=1) > _NEW_COS] = -1.0
        left = float(np.sum(clear * rest))
        before = len(places)
        places = np.concatenate([places, grid[np.argmax(density)][np.newaxis]])
        shares = np.append(shares, left / 2)
        places, shares, own = _settled(everything, clear, height, places, shares)
        if len(places) <= before:
            break
    groups = ((times_s - start_s) / GROUP_S).astype(int)
    result = []
    for place, share, part in zip(places, shares, own, strict=True):
        if share < _LEAST_SHARE:
            continue
        pulls = Pulls(pull, swing, weight * part)
        say = np.bincount(groups, pulls.say(place[np.newaxis])[0])
        lasted_s = GROUP_S * float(np.sum(say)) ** 2 / max(float(np.sum(say**2)), 1e-30)
        law = np.hypot(law_of_sd(spread_about(pulls, place), lasted_s), swing_on_one_axis(pulls, place))
        result.append(Place(place, float(law) * _BESIDE * float(np.sqrt(1.0 + _FAINT_SHARE / share)), float(share)))
    return tuple(sorted(result, key=lambda one: -one.share))


def _settled(
    everything: Pulls, clear: FloatArray, height: FloatArray, places: FloatArray, shares: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places, their shares and what part of each bin is theirs, after some rounds of sharing out and climbing."""

    def shared_out() -> tuple[FloatArray, FloatArray]:
        density = everything.fit(places) * height * shares[:, np.newaxis]
        own = density / (np.sum(density, axis=0) + max(1.0 - float(np.sum(shares)), 1e-3) / (4 * np.pi))
        return own, own @ clear

    for _ in range(_STEPS):
        own, shares = shared_out()
        places = np.stack([
            climb(Pulls(everything.pull, everything.swing, everything.weight * part, _SPREAD), place, steps=2)
            for place, part in zip(places, own, strict=True)
        ])  # fmt: skip
        kept: list[int] = []
        for number in np.argsort(-shares):
            if all(places[number] @ places[other] < _ONE_COS for other in kept):
                kept.append(int(number))
        places, shares = places[sorted(kept)], shares[sorted(kept)]
    own, shares = shared_out()
    return places, shares, own
