"""What is left of a WAV file whose header is wrong: where its sound lies, how long it is, and what to say of it.

Goal: a recorder that lost power leaves a size of zero, or one that was true some time ago; a copy that was broken off
promises more than it holds. What is there is read, and said.
Functions: find_sound; find_marks (a chunk behind one that is damaged).
"""

import os
from dataclasses import dataclass
from typing import BinaryIO

from spatial.errors import MediaFileError
from spatial.media.chunks import NO_SIZE, Chunk

_LEAST_S = 0.1
"""Less sound than this behind a header without length is no recording."""

_SCAN_BYTES = 4 << 20
"""How far behind a damaged chunk its successor is looked for: headers are smaller."""

_GLANCE_BYTES = 1 << 16
_MOST_CHUNKS = 1000


@dataclass(frozen=True, slots=True)
class FoundSound:
    """Where the sound of a file lies."""

    start: int
    size: int
    """Bytes, whole samples of all channels."""
    repair: str | None = None
    """What was wrong and what was made of it, in words that follow the file's name; None where all is well."""
    incomplete: bool = False
    """Whether sound is missing that another copy may still hold."""


def find_sound(
    file: BinaryIO, sounds: list[Chunk], broken: Chunk | None, *, frame_bytes: int, rate_hz: int, name: str
) -> FoundSound:
    """Where the sound lies, by the first chunk that should hold it, and by what the file really holds.

    Parameters
    ----------
    file : binary file, seekable
    sounds : list of Chunk
        Chunks of kind "data", in order; may be empty.
    broken : Chunk, optional
        Where there is none: the chunk that reaches past the end of the file, behind whose head they are looked for.
    frame_bytes, rate_hz : int
        Bytes of one sample of all channels; samples in a second.
    name : str
        The file's, for errors.

    Raises
    ------
    MediaFileError
        There is no sound.
    """
    why = ""
    if not sounds and broken is not None:
        sounds = find_marks(file, b"data", broken)
        kind = broken.kind.decode("ascii", errors="replace")
        kind = "".join(letter if letter.isalnum() else "?" for letter in kind)
        why = f"has a damaged chunk '{kind}' of {broken.size} bytes; its sound was found behind it"
    if not sounds:
        raise MediaFileError(
            f"{name} has a header but no sound after it: it is damaged or was never finished; copy it from the card "
            "again"
        )
    data, end = sounds[0], file.seek(0, os.SEEK_END)
    there = max(0, end - data.start) // frame_bytes * frame_bytes
    per_s = frame_bytes * rate_hz
    if data.size in (0, NO_SIZE):
        # A recorder writes the size when it stops; what it wrote at the start is 0 or the largest number.
        if there < _LEAST_S * per_s or (data.size == 0 and _chunks_follow(file, data.start, end)):
            raise MediaFileError(f"{name} holds no sound: its header gives no length, and none follows")
        lost = (
            f"was never finished, as when power is lost: its header gives no length; the {there / per_s:.2f} s of "
            "sound that follow are used"
        )
        return FoundSound(data.start, there, lost)
    if data.start + data.size > end:
        if not there:
            raise MediaFileError(f"{name} is cut short: its sound is missing; copy it from the card again")
        cut = (
            f"is cut short: its header promises {data.size / per_s:.3f} s and {there / per_s:.3f} s are there, which "
            "are used; copy it from the card again"
        )
        return FoundSound(data.start, there, cut, incomplete=True)
    after = there - data.size
    if after >= _LEAST_S * per_s and not _chunks_follow(file, data.stop, end) and _holds_sound(file, data.stop):
        more = (
            f"was not closed properly: its header gives {data.size / per_s:.2f} s, but {there / per_s:.2f} s of sound "
            "are there and are used; listen to its end"
        )
        return FoundSound(data.start, there, more)
    return FoundSound(data.start, data.size, f"{why}; listen to it before you rely on it" if why else None)


def find_marks(file: BinaryIO, kind: bytes, behind: Chunk) -> list[Chunk]:
    """The first chunk of a kind behind the head of a damaged one, as a list of one or none."""
    file.seek(behind.start)
    body = file.read(_SCAN_BYTES)
    place = body.find(kind)
    # Its size must follow.
    if place < 0 or place + 8 > len(body):
        return []
    size = int.from_bytes(body[place + 4 : place + 8], "little")
    return [Chunk(kind, behind.start + place + 8, size)]


def _chunks_follow(file: BinaryIO, place: int, end: int) -> bool:
    """Whether what follows is a chain of chunks that ends where the file ends, give or take a byte to make it even."""
    for _ in range(_MOST_CHUNKS):
        if place + 8 > end:
            return place - 1 <= end
        file.seek(place)
        head = file.read(8)
        if not all(32 <= letter < 127 for letter in head[:4]):
            return False
        chunk = Chunk(head[:4], place + 8, int.from_bytes(head[4:], "little"))
        place = chunk.stop
    return False


def _holds_sound(file: BinaryIO, place: int) -> bool:
    """Whether anything but zeros follows: recorders set room aside, and leave it empty."""
    file.seek(place)
    return any(file.read(_GLANCE_BYTES))
