"""The boxes of MP4 and MOV files: what the header says that the decoder does not pass on, and whether it can be true.

Functions: walk_boxes (all of them, in order); movie_clock_s (the clock that edit lists count in); display_matrix (how
the picture is to be shown); check_counts (whether the file can hold what its tables promise); layout_places (where it
names its channels).
Sources:
[1] ISO/IEC 14496-12 (boxes; movie, track and edit list headers; sample tables; fragments; chnl).
[2] Apple, "QuickTime File Format Specification" and "Core Audio Format Specification": chan, its layout tags.
[3] Apple, "Audio Interchange File Format": chunks (value from memory).
[4] "Spatial Audio RFC" (public specification): SA3D.
"""

import io
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from spatial.errors import MediaFileError
from spatial.media.intake import open_input

Matrix = tuple[tuple[float, float], tuple[float, float]]
"""Turns a place (to the right, down) in the stored picture, as a row, into that in the shown one ([1])."""

_FOLDERS = frozenset({b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"moof", b"traf", b"mvex"})
"""Boxes that hold boxes."""

FIRST_KINDS = frozenset({b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"styp", b"sidx", b"moof"})
"""What such a file begins with."""

_MOST_BOXES = 500_000
"""Three hours in fragments of half a second have 240 000."""

_MOST_SHOWN = 50_000_000
"""Samples that all edits together may show: each edit makes the decoder list all of them again."""

_SAMPLES_AT_ONCE = 1024
"""Of sound without a coder the decoder lists pieces of so many samples, not each (libavformat's mov.c)."""

_NAMING = (b"chan", b"chnl", b"CHAN", b"SA3D")
"""Boxes and chunks that say which channel is which ([1], [2], [4])."""

_MAY_NAME = frozenset({*_NAMING, b"stsd", b"udta", b"gmhd"})
"""Boxes that are one of those, or may hold one."""

_PLAIN_LAYOUTS = frozenset({100 << 16 | 1, 101 << 16 | 2, 1 << 16})
"""Tags of mono, stereo, and of channels that a bit mask names ([2]), in the order of its bits."""

FIXED_POINT = 65_536.0
"""What a number of 16 and 16 bits, before and after the point, is divided by ([1], the matrix)."""

_BUFFER_BYTES = 1 << 16
"""Bytes that are read at once: boxes are small and lie far apart."""

_MOST_DESCRIPTION_BYTES = 1 << 20
"""Bytes of a box that are searched for others; real ones have a few thousand."""


def movie_clock_s(path: Path) -> float | None:
    """One tick of the movie clock of an MP4 or MOV file, seconds; None in any other file.

    An empty edit, which is how these files say that a stream starts late, is a whole number of these ticks.
    """
    with open_input(path, "movie", buffering=_BUFFER_BYTES) as file:
        for kind, body, stop in walk_boxes(file):
            if kind == b"mvhd" and stop - body >= 24:
                file.seek(body)
                header = file.read(24)
                # Version 1 keeps its two dates before the time scale in 64 bits each, version 0 in 32.
                (ticks_per_s,) = struct.unpack_from(">I", header, 20 if header[0] == 1 else 12)
                return 1.0 / ticks_per_s if ticks_per_s else None
    return None


def display_matrix(path: Path, track_id: int) -> Matrix | None:
    """How the header of an MP4 or MOV file says that a track's picture is to be shown; None where it does not say.

    Parameters
    ----------
    path : Path
    track_id : int
        As the file numbers its tracks.
    """
    movie: Matrix | None = None
    with open_input(path, "movie", buffering=_BUFFER_BYTES) as file:
        for kind, body, stop in walk_boxes(file):
            if kind == b"mvhd":
                # The two dates and the length have 64 bits in version 1; then rate, volume and ten bytes to spare.
                movie = _matrix(_head(file, body, stop), 36, 48)
            elif kind == b"tkhd":
                header = _head(file, body, stop)
                place = 20 if header[:1] == b"\1" else 12
                if int.from_bytes(header[place : place + 4], "big") == track_id:
                    track = _matrix(header, 40, 52)
                    return track if track is None or movie is None else _product(track, movie)
    return None


def check_counts(path: Path) -> None:
    """Raise if the tables of an MP4 or MOV file promise more samples, or edits of them, than the file can hold.

    The decoder lists every sample of a table before it reads the first: a table of a few bytes can ask for gigabytes.

    Raises
    ------
    MediaFileError
    """
    declared = edits = most_edits = most_samples = 0
    by_chunk, handlers = False, set[bytes]()
    with open_input(path, "movie", buffering=_BUFFER_BYTES) as file:
        size = file.seek(0, io.SEEK_END)
        count = 0
        for kind, body, stop in walk_boxes(file):
            count += 1
            if kind == b"trak":
                edits = 0
                by_chunk, handlers = False, set()
            elif kind == b"hdlr" and stop - body >= 12:
                file.seek(body + 8)
                # A MOV names a second one, of how its data is reached.
                handlers.add(file.read(4))
            elif kind in (b"elst", b"stsz", b"stz2", b"trun", b"ctts", b"stts") and stop - body >= 8:
                file.seek(body)
                head = file.read(16)
                at = 8 if kind in (b"stsz", b"stz2") else 4
                entries = int.from_bytes(head[at : at + 4], "big")
                if kind == b"elst":
                    edits = min(entries, (stop - body) // 12)
                    most_edits = max(most_edits, edits)
                elif kind == b"stts":
                    # One sample a tick, all alike: sound without a coder, of which an hour has 173 million.
                    sound = b"soun" in handlers and b"vide" not in handlers
                    by_chunk = sound and entries == 1 and head[12:16] == b"\0\0\0\1"
                elif kind in (b"stsz", b"stz2", b"trun"):
                    declared += entries
                    listed = entries // _SAMPLES_AT_ONCE if kind == b"stsz" and by_chunk else entries
                    most_samples = max(most_samples, listed)
        if count >= _MOST_BOXES:
            raise _impossible(path, f"it has more than {_MOST_BOXES} boxes")
    # Every sample has a byte at least; the oldest sound coders count two to a byte.
    if declared > 2 * size:
        raise _impossible(path, f"it promises {declared} samples, and the file has {size} bytes")
    if most_edits * most_samples > _MOST_SHOWN:
        raise _impossible(path, f"it has {most_edits} edits of {most_samples} samples")


def layout_places(path: Path) -> list[int]:
    """Where in an MP4, MOV, CAF or AIFF file lie the names of boxes that put its channels in an order of their own.

    Returns
    -------
    list of int
        Places of four bytes each; empty where all is mono, stereo or in the order of a bit mask.
    """
    with open_input(path, "movie", buffering=_BUFFER_BYTES) as file:
        found = []
        for name, stop in (*_named_in_boxes(file), *_named_in_chunks(file)):
            file.seek(name)
            kind, head = file.read(4), file.read(12)
            if kind == b"SA3D":
                if not _in_own_order(file, name, stop):
                    found.append(name)
                continue
            # Four bytes of version and flags, then the tag.
            if stop - name < 16 or kind == b"chnl" or int.from_bytes(head[4:8], "big") not in _PLAIN_LAYOUTS:
                found.append(name)
        return found


def _in_own_order(file: BinaryIO, name: int, stop: int) -> bool:
    """Whether the map of an SA3D box ([4]) leaves its channels as they are: of others the decoder makes an order."""
    file.seek(name + 12)
    count = int.from_bytes(file.read(4), "big")
    if stop - name - 16 < 4 * count:
        return False
    return all(int.from_bytes(file.read(4), "big") == channel for channel in range(count))


def _named_in_boxes(file: BinaryIO) -> Iterator[tuple[int, int]]:
    """Place of the name, and end, of each box that says which channel is which."""
    for kind, body, stop in walk_boxes(file):
        if kind == b"moof":
            return
        if kind not in _MAY_NAME:
            continue
        # Sample descriptions have heads of several lengths: what is in them is looked for, not walked to.
        start = max(body - 8, 0)
        file.seek(start)
        held = file.read(min(stop - start, _MOST_DESCRIPTION_BYTES))
        for name in _NAMING:
            place = held.find(name, 4)
            while place >= 0:
                length = int.from_bytes(held[place - 4 : place], "big")
                if 8 <= length <= stop - (start + place - 4):
                    yield start + place, start + place - 4 + length
                place = held.find(name, place + 4)


def _named_in_chunks(file: BinaryIO) -> Iterator[tuple[int, int]]:
    """The same of CAF ([2]) and AIFF ([3]) files."""
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    head = file.read(12)
    caf = head[:4] == b"caff"
    if not caf and not (head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC")):
        return
    place = 8 if caf else 12
    for _ in range(_MOST_BOXES):
        if place + 8 > size:
            return
        file.seek(place)
        kind = file.read(4)
        length = int.from_bytes(file.read(8 if caf else 4), "big", signed=caf)
        stop = file.tell() + length
        if kind in _NAMING:
            yield place, min(stop, size)
        if length < 0:
            return
        place = stop if caf else stop + stop % 2


def _impossible(path: Path, why: str) -> MediaFileError:
    return MediaFileError(f"{path.name} has a damaged header ({why}); copy it from the card again")


def _head(file: BinaryIO, body: int, stop: int) -> bytes:
    file.seek(body)
    return file.read(min(stop - body, 128))


def _matrix(header: bytes, place: int, long_place: int) -> Matrix | None:
    """The upper left of the matrix in a movie or track header ([1]); `long_place` is where version 1 has it."""
    start = long_place if header[:1] == b"\1" else place
    if len(header) < start + 36:
        return None
    a, b, _, c, d = struct.unpack_from(">5i", header, start)
    return (a / FIXED_POINT, b / FIXED_POINT), (c / FIXED_POINT, d / FIXED_POINT)


def _product(first: Matrix, second: Matrix) -> Matrix:
    (a, b), (c, d) = first
    (e, f), (g, h) = second
    return (a * e + b * g, a * f + b * h), (c * e + d * g, c * f + d * h)


def walk_boxes(file: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte and end of the body of the boxes of a file, from the outside in, in order.

    Nothing where the file is none of this kind. A box that reaches past what holds it ends the walk there.
    """
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    if file.read(8)[4:] not in FIRST_KINDS:
        return
    # Places still to be walked: the next byte, and where what holds it ends.
    waiting = [(0, size)]
    for _ in range(_MOST_BOXES):
        while waiting and waiting[-1][0] + 8 > waiting[-1][1]:
            waiting.pop()
        if not waiting:
            return
        start, stop = waiting.pop()
        file.seek(start)
        length, kind = struct.unpack(">I4s", file.read(8))
        body = start + 8
        if length == 1:
            long_length = file.read(8)
            if len(long_length) < 8:
                continue
            (length,) = struct.unpack(">Q", long_length)
            body += 8
        end = stop if length == 0 else start + length
        if end < body:
            continue
        # The decoder reads such a box as far as the file goes; so do we.
        end = min(end, stop)
        waiting.append((end, stop))
        yield kind, body, end
        if kind in _FOLDERS:
            waiting.append((body, end))
