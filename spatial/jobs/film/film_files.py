"""The files that a finished film is held against: the shoot's clips, and their finished tracks.

Functions: clips_of_shoot; tracks_of_shoot; name_list (names in a sentence).
"""

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from spatial.conventions import FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.jobs.day.day_files import CLIP_SUFFIXES, clips_and_takes
from spatial.jobs.day.day_folder import TRACKS_FOLDER
from spatial.media.ownership import Kind, is_marked, spelling
from spatial.media.track_files import is_track_of_ours, sidecar_facts
from spatial.rotation import checked_rotation

_TRACK_SUFFIX = ".wav"


@dataclass(frozen=True, slots=True, eq=False)
class ClipTrack:
    """A clip's finished track."""

    path: Path
    facts: dict[str, Any]
    """Its sidecar."""

    @property
    def mount(self) -> FloatArray | None:
        """What the track was turned by, shape (3, 3); None where the sidecar does not say."""
        try:
            matrix = np.asarray(self.facts["applied"]["mount"]["matrix"], dtype=float)
        except (LookupError, TypeError, ValueError):
            return None
        with suppress(InputError):  # somebody changed the sidecar
            return checked_rotation(matrix)
        return None


def clips_of_shoot(folder: Path, film: Path) -> list[Path]:
    """The clips directly in a folder, by name; the film itself, and movies for headsets that we made, are none.

    Raises
    ------
    MediaFileError
        No such folder, or no clip in it.
    """
    if not folder.is_dir():
        raise MediaFileError(f"{folder} is not a folder; name the one that holds the shoot's clips")
    found, _ = clips_and_takes(folder)
    clips = [path for path in found if not _same(path, film) and not is_marked(path, Kind.MOVIE)]
    if not clips and any(_same(path, film) for path in found):
        raise MediaFileError(
            f"{folder} holds no clip beside {film.name}, which is the film itself; name the folder of the shoot"
        )
    if not clips:
        raise MediaFileError(
            f"{folder} holds no clips (files ending in {', '.join(CLIP_SUFFIXES)}); name the folder of the shoot"
        )
    return clips


def tracks_of_shoot(folder: Path, clips: Iterable[Path]) -> dict[Path, ClipTrack]:
    """The finished track of each clip that has one, by what the tracks' sidecars say of their clips.

    Looked for in FOLDER/tracks and in the folder itself; of several for one clip the newest.
    """
    by_name = {spelling(clip.name): clip for clip in clips}
    found: dict[Path, ClipTrack] = {}
    for place in (folder / TRACKS_FOLDER, folder):
        if not place.is_dir():
            continue
        for path in sorted(place.iterdir()):
            if path.suffix.lower() != _TRACK_SUFFIX or not path.is_file() or not is_track_of_ours(path):
                continue
            facts = sidecar_facts(path)
            clip = by_name.get(spelling(_clip_name(facts)))
            if facts is None or clip is None:
                continue
            there = found.get(clip)
            if there is None or path.stat().st_mtime > there.path.stat().st_mtime:
                found[clip] = ClipTrack(path, facts)
    return found


def _clip_name(facts: dict[str, Any] | None) -> str:
    try:
        return Path(str((facts or {})["clip"]["path"])).name
    except (LookupError, TypeError):
        return ""


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def name_list(paths: Sequence[Path], most: int = 5) -> str:
    """Names in a sentence, the first few of many."""
    names = [path.name for path in paths]
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
