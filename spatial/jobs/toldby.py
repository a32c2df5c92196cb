"""Which marks gave a track its mount, as its sidecar says.

Functions: mark_key; gave_facts (what the sidecar holds); marks_that_gave (read back).
"""

import json
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from spatial.media.marks import Mark

MarkKey = tuple[str, float, float, float, float]


def mark_key(mark: Mark) -> MarkKey:
    """What makes a mark the same mark: who, when and where."""
    azimuth, elevation = np.degrees([mark.azimuth_rad, mark.elevation_rad])
    return mark.who, round(mark.start_s, 2), round(mark.end_s, 2), round(float(azimuth), 1), round(float(elevation), 1)


def gave_facts(marks: Iterable[Mark]) -> list[dict[str, object]]:
    """The marks that gave a mount, for the sidecar."""
    return [dict(zip(_KEYS, mark_key(mark), strict=True)) for mark in marks]


def marks_that_gave(track: Path) -> frozenset[MarkKey]:
    """The marks that gave a track's mount; none where no sidecar beside it says so."""
    try:
        facts = json.loads(track.with_suffix(".json").read_text(encoding="utf-8"))
        if Path(facts["output"]["path"]).name != track.name:
            return frozenset()
        return frozenset(
            (str(row["who"]), *(float(row[key]) for key in _KEYS[1:]))  # type: ignore[misc]
            for row in facts["applied"]["mount_marks"]
        )
    except (OSError, ValueError, LookupError, TypeError):
        return frozenset()


_KEYS = ("who", "start_s", "end_s", "azimuth_deg", "elevation_deg")
