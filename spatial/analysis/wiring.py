"""How X, Y and Z of a recording can be inverted, swapped or confused, in matrices and in words.

Conventions: spatial.conventions (axes, field). An inverted W is all three inverted.
SIGNED_PERMUTATIONS has all 48.
Functions: fault_name, how_common, mirroring_faults.
"""

from itertools import permutations, product

import numpy as np

from spatial.conventions import FloatArray

SIGNED_PERMUTATIONS: FloatArray = np.asarray(
    [
        np.eye(3)[list(order)] * np.asarray(signs)[:, None]
        for order in permutations(range(3))
        for signs in product((1.0, -1.0), repeat=3)
    ]
)
"""Every way in which X, Y, Z can be confused or inverted, shape (48, 3, 3): recorded = fault @ true."""

INVERTED_OMNI: FloatArray = -np.eye(3)
"""W inverted: every direction is heard from the opposite side."""

_CHANNELS = ("X", "Y", "Z")
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
