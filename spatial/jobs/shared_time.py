"""The time that several marks claim at once: which part of a mark is its own, and which marks are to be told apart.

Functions: own_time; grouped (marks that can only be taken together); unexplained (places that nobody known makes).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spatial.analysis.duets import NEAR_RAD
from spatial.analysis.places import Place
from spatial.conventions import FloatArray
from spatial.field import angle_between

Span = tuple[float, float]

LEAST_ALONE_S = 0.75
"""So long alone, a mark is as good as any other: a word or two (common practice, no source)."""
_TOUCHES_S = 0.1
"""Marks that share less than this follow each other."""
_SAME_RAD = np.radians(20.0)


@dataclass(frozen=True, slots=True, eq=False)
class SharedTime:
    """What sounds in the time that a group of marks claims."""

    places: tuple[Place, ...]
    """In the recording's own axes, the strongest first."""


def own_time(number: int, spans: Sequence[Span], expected: FloatArray) -> Span | None:
    """The longest part of a mark that no mark of another place claims; None where all of it is its own.

    Parameters
    ----------
    number : int
        Which mark.
    spans : sequence of (start, end)
        Of all marks, seconds.
    expected : ndarray, shape (marks, 3)
        Where each is expected.
    """
    start, end = spans[number]
    others = [
        span
        for other, span in enumerate(spans)
        if _shares(spans[number], span) and angle_between(expected[number], expected[other]) >= NEAR_RAD
    ]
    if not others:
        return None
    edges = sorted({start, end, *(float(np.clip(edge, start, end)) for span in others for edge in span)})
    best, run = (start, start), start
    for one, two in pairwise(edges):
        if any(other[0] < (one + two) / 2 < other[1] for other in others):
            run = two
        elif two - run > best[1] - best[0]:
            best = run, two
    return best


def grouped(numbers: Sequence[int], spans: Sequence[Span]) -> list[list[int]]:
    """Those of some marks that overlap, directly or through each other."""
    groups: list[list[int]] = []
    for number in sorted(numbers, key=lambda each: spans[each]):
        joined = [group for group in groups if any(_shares(spans[number], spans[other]) for other in group)]
        groups = [group for group in groups if group not in joined]
        groups.append(sorted([number, *(other for group in joined for other in group)]))
    return groups


def unexplained(
    places: Sequence[Place], wanted: FloatArray, known: Sequence[tuple[FloatArray, FloatArray]]
) -> tuple[Place, ...]:
    """Places, but for those of marks that overlap too and were heard alone.

    Parameters
    ----------
    places : sequence of Place
    wanted : ndarray, shape (marks, 3)
        Where the marks are expected that need a place.
    known : sequence of (expected, heard)
        Of the marks that have one, unit vectors of shape (3,).
    """
    taken = [heard for expected, heard in known if np.min(angle_between(wanted, expected[np.newaxis])) > _SAME_RAD]
    return tuple(place for place in places if all(angle_between(place.vector, heard) > _SAME_RAD for heard in taken))


def _shares(one: Span, other: Span) -> bool:
    return min(one[1], other[1]) - max(one[0], other[0]) > _TOUCHES_S
