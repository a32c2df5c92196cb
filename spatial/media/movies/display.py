"""How a movie's header says that its pictures are to be shown: a rig that hung upside down is filmed so.

Goal: pixels are counted, and pictures shown, as any player shows them, or they are refused in words.
Functions: display_turn (what a display matrix does); frame_turn (the same of a decoded picture); turned_in_words.
Source: ISO/IEC 14496-12, the matrix of movie and track headers.
"""

import math
import struct
from enum import StrEnum
from pathlib import Path
from typing import Any

from spatial.media.movies.boxes import FIXED_POINT, Matrix

_LEAST = 1e-3
"""Parts of a matrix that are smaller than this, of its largest, are rounding."""


class DisplayTurn(StrEnum):
    """How a movie's header says that its pictures are to be shown."""

    AS_STORED = "as stored"
    HALF = "turned by half a turn"
    QUARTER = "turned by a quarter turn"
    MIRRORED = "mirrored"
    ASKEW = "turned by an odd angle"

    @property
    def shown(self) -> bool:
        """Whether pictures are shown, and pixels are counted, as the header says: otherwise they are refused."""
        return self in (DisplayTurn.AS_STORED, DisplayTurn.HALF)


def display_turn(matrix: Matrix | None) -> DisplayTurn:
    """What the upper left of a display matrix does to a picture.

    Examples
    --------
    >>> display_turn(((-1.0, 0.0), (0.0, -1.0))).value
    'turned by half a turn'
    """
    (a, b), (c, d) = matrix or ((1.0, 0.0), (0.0, 1.0))
    size = max(abs(a), abs(b), abs(c), abs(d))
    turned_over = a * d - b * c
    # A matrix without a sense, such as one of zeros, is one that the camera has not written.
    if not math.isfinite(size) or abs(turned_over) <= _LEAST * size**2:
        return DisplayTurn.AS_STORED
    if turned_over < 0:
        return DisplayTurn.MIRRORED
    # The pixels of a picture may be wider than high: sizes do not count, only directions.
    if max(abs(b), abs(c)) <= _LEAST * size:
        return DisplayTurn.AS_STORED if a > 0 else DisplayTurn.HALF
    return DisplayTurn.QUARTER if max(abs(a), abs(d)) <= _LEAST * size else DisplayTurn.ASKEW


def frame_turn(frame: Any) -> DisplayTurn:
    """How a decoded picture is to be shown, by what its container or its coder passed on with it."""
    sides = frame.side_data
    side = sides.get("DISPLAYMATRIX") if hasattr(sides, "get") else None
    if side is None:
        return DisplayTurn.AS_STORED
    a, b, _, c, d = struct.unpack_from("=5i", memoryview(side))
    return display_turn(((a / FIXED_POINT, b / FIXED_POINT), (c / FIXED_POINT, d / FIXED_POINT)))


def turned_in_words(path: Path, turn: DisplayTurn, *, angles: bool = False) -> str:
    """Why pixels of a clip cannot be used, and what to do; `angles` where marks as angles would help."""
    return (
        f"the header of {path.name} says that its picture is to be shown {turn}, which is not done here, so its pixels "
        "say nothing of directions: export the clip upright" + (", or write marks as angles" if angles else "")
    )
