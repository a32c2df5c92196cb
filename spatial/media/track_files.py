"""Tracks that lie on disk: whether a file is one of ours, and what its sidecar says.

Functions: is_track_of_ours; is_unfinished; sidecar_facts (what jobs/conform/sidecar.py wrote); clip_of_track (which
clip a track was made for); tracks_of_others, cut_from (tracks of other recordings, which say inside what they were cut
from).
"""

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spatial.errors import MediaFileError
from spatial.media.intake import open_input, read_input
from spatial.media.ownership import Kind, is_marked, is_ours, spelling
from spatial.media.wav.metadata import read_bext
from spatial.media.wav.riff import first_bodies
from spatial.media.wav.track_notes import ParentFile, parent_of

_MOST_IXML_BYTES = 4096
"""What names a parent is a tenth of that."""

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


def tracks_of_others(folder: Path) -> list[Path]:
    """The tracks in a folder that were cut from lavaliers and booms, by name: they have no sidecar.

    A track of a clip whose run was killed before its sidecar was put is among them, and was cut from nothing.
    """
    found = sorted(folder.glob("*.wav")) if folder.is_dir() else []
    return [path for path in found if not path.with_suffix(".json").exists() and is_marked(path, Kind.TRACK)]


def cut_from(track: Path) -> ParentFile | None:
    """The recording that a track was cut from, as it was then; None where the track does not say."""
    try:
        with track.open("rb") as file:
            return parent_of(first_bodies(file, (b"iXML",), most_bytes=_MOST_IXML_BYTES).get(b"iXML", b""))
    except OSError:
        return None


def is_unfinished(track: Path) -> bool:
    """Whether a track lies there just as we wrote it, without its sidecar: its run was killed before it had put both.

    One that somebody has changed is none, wherever its sidecar went.
    """
    return not track.with_suffix(".json").exists() and is_ours(track, Kind.TRACK)


@dataclass(frozen=True, slots=True)
class ClipOfTrack:
    """The clip that a track was made for, as far as the track says."""

    name: str
    bytes: int | None = None
    """Length of its file; None where only its name is known."""
    sha256: str | None = None

    def is_called(self, movie: Path) -> bool:
        """Whether a movie has the clip's name, or one that is made of it, as exports have."""
        # bext has ASCII alone, and a question mark for every other letter.
        plain = spelling(Path(self.name).stem), spelling(movie.stem)
        clip, other = (word.encode("ascii", "replace") for word in plain)
        return bool(clip) and clip in other

    def is_file(self, movie: Path, digest: Callable[[Path], str]) -> bool:
        """Whether a movie holds the very bytes of the clip; it is read through only where its length is the clip's."""
        return self.sha256 is not None and movie.stat().st_size == self.bytes and digest(movie) == self.sha256


_CLIP_IN_BEXT = re.compile(r"; clip (.+?); take ")
"""As spatial.media.wav.track_notes writes it."""


def clip_of_track(track: Path) -> ClipOfTrack | None:
    """Which clip a track of ours was made for, by its sidecar, else by its own bext; None where neither says."""
    facts = sidecar_facts(track)
    if facts is not None:
        try:
            name = Path(str(facts["clip"]["path"])).name
            files = [each for each in facts["inputs"] if Path(str(each["path"])).name == name]
            return ClipOfTrack(name, int(files[0]["bytes"]), str(files[0]["sha256"]))
        except (LookupError, TypeError, ValueError):
            pass
    if not is_marked(track, Kind.TRACK):
        return None
    with open_input(track, "track") as file:
        said = _CLIP_IN_BEXT.search(read_bext(first_bodies(file, [b"bext"]).get(b"bext", b"")).description)
    return ClipOfTrack(said[1]) if said else None
