"""Tracks that lie on disk: whether a file is one of ours, and what its sidecar says.

Functions: is_track_of_ours; is_unfinished; sidecar_facts (what jobs/conform/sidecar.py wrote).
"""

import json
from pathlib import Path
from typing import Any

from spatial.errors import MediaFileError
from spatial.media.intake import read_input
from spatial.media.ownership import Kind, is_marked, is_ours

_MOST_SIDECAR_BYTES = 10_000_000
"""A sidecar has some kilobytes, and a few hundred where it has 500 marks."""


def is_track_of_ours(track: Path) -> bool:
    """Whether a file is a track that we made, and so no take: it says so itself, or its sidecar beside it does."""
    if is_marked(track, Kind.TRACK):
        return True
    return is_marked(track.with_suffix(".json"), Kind.SIDECAR) and sidecar_facts(track) is not None


def sidecar_facts(track: Path) -> dict[str, Any] | None:
    """What stands in the sidecar beside a track; None where there is none that is this track's."""
    try:
        facts = json.loads(read_input(track.with_suffix(".json"), "sidecar", most_bytes=_MOST_SIDECAR_BYTES))
        return facts if Path(facts["output"]["path"]).name == track.name else None
    except (MediaFileError, ValueError, LookupError, TypeError, RecursionError):
        return None


def is_unfinished(track: Path) -> bool:
    """Whether a track lies there just as we wrote it, without its sidecar: its run was killed before it had put both.

    One that somebody has changed is none, wherever its sidecar went.
    """
    return not track.with_suffix(".json").exists() and is_ours(track, Kind.TRACK)
