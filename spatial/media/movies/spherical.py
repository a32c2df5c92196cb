"""What a movie says of its picture's sphere and of its sound field: written into it, and read from it again.

Goal: a headset player learns from open boxes alone that the picture is a (half) sphere, how the eyes share it, and that
four channels of sound are a field. The writer makes bytes from a layout; the reader walks any file and knows nothing of
the writer's tables, so that each is a check of the other.
Functions: field_box (SA3D); picture_boxes (st3d and sv3d); finish_movie (puts them into an MP4 or MOV file, whose
header comes first then); finish_stream; read_words (what a movie says); layout_in_words.
Sources:
[1] "Spherical Video V2 RFC" (public specification): st3d; sv3d with svhd, proj, prhd, equi; in Matroska the elements
    StereoMode and Projection.
[2] "Spatial Audio RFC" (public specification): SA3D.
[3] ISO/IEC 14496-12: boxes, sample descriptions, chunk offsets of 32 and 64 bits.
[4] Matroska (RFC 9559): EBML elements and their numbers.
[5] RFC 8486: Opus channel mapping family 2; its place in an MP4 file is the dOps box.
[6] "Spherical Video RFC" (version 1, public): XML in a uuid box of the track.
"""

import re
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np

from spatial.errors import InputError, MediaFileError
from spatial.media.intake import open_input
from spatial.media.movies.boxes import walk_boxes
from spatial.picture import LAYOUTS, Packing

# --- what is said ---


@dataclass(frozen=True, slots=True)
class PictureWords:
    """What a movie says of how its picture is to be shown."""

    packing: Packing | None = None
    """How the eyes share the frame; None where nothing is said of it."""
    view_deg: float | None = None
    """Equirectangular, from the left edge to the right; None where nothing is said of it, or another projection."""
    other: str = ""
    """What is said beside that has no layout here: another projection, or the right eye first."""

    @property
    def layout(self) -> str | None:
        """The layout that this is, as spatial.picture names it; None where it is none, or said by half."""
        if self.other or self.view_deg not in (180.0, 360.0):
            return None
        eyes = self.packing or Packing.ONE_EYE
        return f"equirect{self.view_deg:.0f}" + (f"-{eyes.value}" if eyes.value else "")

    @property
    def anything(self) -> bool:
        """Whether anything is said at all."""
        return self.packing not in (None, Packing.ONE_EYE) or self.view_deg is not None or bool(self.other)


@dataclass(frozen=True, slots=True)
class SoundWords:
    """What a movie says of one of its tracks of sound."""

    channels: int
    field: tuple[int, ...] | None = None
    """SA3D: version, type, order, channel order, normalisation, number of channels, and the map; None without it."""
    opus_family: int | None = None
    """Channel mapping family of Opus ([5]); None for other coders."""
    opus_map: tuple[int, ...] = ()
    """Streams, coupled streams, and the stream of each channel, where the family is not 0."""
    loudspeakers: bool = False
    """Whether a box gives its channels the meaning of loudspeakers."""

    @property
    def says_field(self) -> bool:
        """Whether it says that its channels are a sound field, of any kind."""
        return self.field is not None or self.opus_family in (2, 3)

    @property
    def says_first_order(self) -> bool:
        """Whether it says that its first four channels are W, Y, Z and X in SN3D."""
        boxed = self.field is not None and self.field == (0, 0, 1, 0, 0, 4, 0, 1, 2, 3)
        return boxed or (self.opus_family == 2 and self.channels == 4 and self.opus_map == (4, 0, 0, 1, 2, 3))


@dataclass(frozen=True, slots=True)
class MovieWords:
    """What a movie says, in all."""

    picture: PictureWords = PictureWords()
    sounds: tuple[SoundWords, ...] = ()
    fragmented: bool = False
    """Whether its samples lie in fragments ([3]), each with a header of its own."""


def layout_in_words(layout: str) -> str:
    """A layout as people say it."""
    return LAYOUTS[layout]


# --- written ---

_CHUNK_BYTES = 16 << 20
"""Data is moved in pieces of this size."""

_FIRST_ORDER_MAP = (0, 1, 2, 3)
_STEREO_MODES = {Packing.ONE_EYE: 0, Packing.TOP_BOTTOM: 1, Packing.SIDE_BY_SIDE: 2}
"""st3d: monoscopic, left eye above right eye, left eye left of right eye ([1])."""

_WHOLE = 1 << 32
"""Bounds are parts of the frame of the whole sphere, in fixed point with 32 bits after it ([1])."""

_ON_THE_WAY = frozenset({b"moov", b"trak", b"mdia", b"minf", b"stbl"})
_ENTRY_HEAD_BYTES = {b"vide": 86, b"soun": 36}
_OURS = frozenset({b"st3d", b"sv3d", b"SA3D", b"vexu"})
"""Boxes that make way for ours; the last is another word for how the eyes share the frame."""

_LIMIT_32 = 1 << 32


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def field_box() -> bytes:
    """SA3D for a first-order field: ACN order, SN3D, four channels in their own order; 36 bytes ([2])."""
    head = struct.pack(">BBIBBI", 0, 0, 1, 0, 0, len(_FIRST_ORDER_MAP))
    return _box(b"SA3D", head + struct.pack(">4I", *_FIRST_ORDER_MAP))


def picture_boxes(layout: str, *, maker: str) -> bytes:
    """st3d and sv3d for an equirectangular layout ([1]).

    Raises
    ------
    InputError
        Another projection: the boxes that are open have no word for a fisheye lens.
    """
    name, _, eyes = layout.partition("-")
    views = {"equirect360": 0, "equirect180": _WHOLE // 4}
    if name not in views:
        raise InputError(
            f"the open boxes of a movie have no word for {layout}; bring the picture to equirect180 or equirect360 in "
            "the edit first, or leave --picture out"
        )
    stereo = _box(b"st3d", struct.pack(">IB", 0, _STEREO_MODES[Packing(eyes)]))
    header = _box(b"svhd", bytes(4) + maker.encode() + b"\0")
    pose = _box(b"prhd", struct.pack(">Iiii", 0, 0, 0, 0))
    # Cut off at the top, at the bottom, at the left, at the right: half a sphere leaves a quarter out on each side.
    bounds = _box(b"equi", struct.pack(">5I", 0, 0, 0, views[name], views[name]))
    return stereo + _box(b"sv3d", header + _box(b"proj", pose + bounds))


@dataclass(slots=True)
class _Node:
    """A box of the header: its body, or the boxes in it."""

    kind: bytes
    body: bytes = b""
    children: "list[_Node] | None" = None

    def written(self) -> bytes:
        return _box(self.kind, self.body if self.children is None else b"".join(c.written() for c in self.children))

    def find(self, *kinds: bytes) -> "_Node | None":
        """The first box along a way of kinds."""
        if not kinds:
            return self
        for child in self.children or ():
            if child.kind == kinds[0]:
                found = child.find(*kinds[1:])
                if found is not None:
                    return found
        return None

    def every(self, kind: bytes) -> "Iterator[_Node]":
        if self.kind == kind:
            yield self
        for child in self.children or ():
            yield from child.every(kind)


def _node(kind: bytes, body: bytes) -> _Node:
    if kind not in _ON_THE_WAY:
        return _Node(kind, body)
    children, place = [], 0
    while place + 8 <= len(body):
        size, child = struct.unpack_from(">I4s", body, place)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", body, place + 8)
            head = 16
        size = size or len(body) - place
        if size < head or place + size > len(body):
            raise InputError(f"a box {child!r} of {size} bytes does not fit where it stands")
        children.append(_node(child, body[place + head : place + size]))
        place += size
    return _Node(kind, children=children)


def finish_movie(path: Path, *, picture: bytes, sounds: Mapping[int, bytes], mark: bytes) -> None:
    """Put boxes into an MP4 or MOV file, and its header before its data; the file is changed in place.

    Parameters
    ----------
    path : Path
        A file of our own, not yet in its place; `moov` may stand before or after the data.
    picture : bytes
        Boxes for the first track of pictures, put in after those of its coder.
    sounds : mapping from int to bytes
        Boxes for tracks of sound, by their number among these.
    mark : bytes
        What a `free` box right behind the first one is to hold.

    Raises
    ------
    InputError
        Not such a file, or a fragmented one.
    OSError
        It cannot be read or written.
    """
    with path.open("rb+") as file:
        finish_stream(file, picture=picture, sounds=sounds, mark=mark)


def finish_stream(file: BinaryIO, *, picture: bytes, sounds: Mapping[int, bytes], mark: bytes) -> None:
    """The same with a file that is open, or lies in memory."""
    places = list(_top_boxes(file))
    kinds = [kind for kind, _, _ in places]
    if b"moov" not in kinds or b"moof" in kinds or kinds[0] != b"ftyp":
        raise InputError("boxes are put into MP4 or MOV files with one header alone")
    _, start, stop = places[kinds.index(b"moov")]
    first = places[0][2]
    size = places[-1][2]
    file.seek(start)
    whole = file.read(stop - start)
    moov = _node(b"moov", whole[16 if whole[:4] == b"\0\0\0\1" else 8 :])
    _put_boxes(moov, picture, sounds)
    marked = _box(b"free", mark)
    written = _with_offsets(moov, start, stop, len(marked))
    shift = len(marked) + len(written)
    # What lies behind goes first, or it would be written over.
    _move(file, stop, size, shift - (stop - start))
    _move(file, first, start, shift)
    file.seek(first)
    file.write(marked + written)


def _top_boxes(file: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte and end of the outermost boxes."""
    size = file.seek(0, 2)
    place = 0
    while place + 8 <= size:
        file.seek(place)
        length, kind = struct.unpack(">I4s", file.read(8))
        if length == 1:
            (length,) = struct.unpack(">Q", file.read(8))
        length = length or size - place
        if length < 8 or place + length > size:
            raise InputError(f"a box {kind!r} of {length} bytes reaches past the end of the file")
        yield kind, place, place + length
        place += length


def _put_boxes(moov: _Node, picture: bytes, sounds: Mapping[int, bytes]) -> None:
    counts = {b"vide": 0, b"soun": 0}
    for track in moov.every(b"trak"):
        handler, described = track.find(b"mdia", b"hdlr"), track.find(b"mdia", b"minf", b"stbl", b"stsd")
        kind = handler.body[8:12] if handler is not None else b""
        if kind not in counts or described is None:
            continue
        number = counts[kind]
        counts[kind] += 1
        added = sounds.get(number, b"") if kind == b"soun" else (picture if number == 0 else b"")
        if added:
            described.body = _described(described.body, kind, added)
    if counts[b"vide"] < bool(picture) or counts[b"soun"] <= max(sounds, default=-1):
        raise InputError("a track that boxes are for is missing")


def _described(body: bytes, kind: bytes, added: bytes) -> bytes:
    """A sample description ([3]) with boxes at the end of each of its entries."""
    (count,) = struct.unpack_from(">I", body, 4)
    place, entries = 8, []
    for _ in range(count):
        size, name = struct.unpack_from(">I4s", body, place)
        entry = body[place + 8 : place + size]
        place += size
        at = _ENTRY_HEAD_BYTES[kind] - 8
        if kind == b"soun":
            at += {1: 16, 2: 36}.get(struct.unpack_from(">H", entry, 8)[0], 0)
        kept = entry[:at]
        # What says the same already, as the library may have copied it from the film, makes way.
        while at + 8 <= len(entry):
            length, inner = struct.unpack_from(">I4s", entry, at)
            if not 8 <= length <= len(entry) - at:
                break
            kept += b"" if inner in _OURS else entry[at : at + length]
            at += length
        # Old files may end an entry with four zeros, behind which nothing is read.
        entries.append(_box(name, kept + added + entry[at:]))
    return body[:8] + b"".join(entries)


def _with_offsets(moov: _Node, start: int, stop: int, marked: int) -> bytes:
    """The header as it is written before the data, its chunk offsets moved along with what they point to ([3]).

    `start` and `stop` are where the header stood; 32-bit offsets become 64-bit ones where they would not fit.
    """
    tables = [node for kind in (b"stco", b"co64") for node in moov.every(kind)]
    old = [
        (node, np.frombuffer(node.body[8:], ">u4" if node.kind == b"stco" else ">u8").astype(np.int64))
        for node in tables
    ]
    wide = False
    for _ in range(3):
        shift = marked + len(moov.written())
        before, behind = shift, shift - (stop - start)
        moved = [(node, offsets + np.where(offsets < start, before, behind)) for node, offsets in old]
        for node, offsets in moved:
            narrow = node.kind == b"stco" and not wide
            if narrow and offsets.size and int(offsets.max()) >= _LIMIT_32:
                wide = True
                break
            head = node.body[:8]
            node.kind = b"stco" if narrow else b"co64"
            node.body = head + offsets.astype(">u4" if narrow else ">u8").tobytes()
        else:
            if len(moov.written()) + marked == shift:
                return moov.written()
    raise InputError("the places of a movie's chunks cannot be written")


def _move(file: BinaryIO, start: int, stop: int, by: int) -> None:
    """Move bytes towards the end of a file, the last of them first."""
    if by < 0:
        raise InputError("a header cannot become shorter by what is put into it")
    place = stop
    while place > start and by:
        size = min(_CHUNK_BYTES, place - start)
        place -= size
        file.seek(place)
        held = file.read(size)
        file.seek(place + by)
        file.write(held)


# --- read ---

_MOST_ENTRY_BYTES = 1 << 20
_MOST_HEAD_BYTES = 8 << 20
_SPHERICAL_V1 = bytes.fromhex("ffcc8263f8554a938814587a02521fdd")
_QUARTERS = {0: 360.0, _WHOLE // 4: 180.0}


def read_words(path: Path) -> MovieWords:
    """What an MP4, MOV, Matroska or Ogg file says of its picture and its sound; of other files nothing.

    Raises
    ------
    MediaFileError
        Missing, a folder, or not readable.
    """
    with open_input(path, "movie") as file:
        magic = file.read(4)
        file.seek(0)
        try:
            readers = {b"\x1a\x45\xdf\xa3": _read_matroska, b"OggS": _read_ogg}
            return readers.get(magic, _read_boxes)(file)
        except (struct.error, IndexError, ValueError) as error:
            raise MediaFileError(
                f"{path.name} has a damaged header: what it says of its picture and sound breaks off; export it again"
            ) from error


@dataclass(slots=True)
class _Found:
    """A track, as it is read."""

    kind: bytes = b""
    picture: PictureWords = field(default_factory=PictureWords)
    sound: SoundWords | None = None


def _read_boxes(file: BinaryIO) -> MovieWords:
    tracks: list[_Found] = []
    fragmented = False
    for kind, body, stop in walk_boxes(file):
        if kind in (b"moof", b"mvex"):
            fragmented = True
            if kind == b"moof":
                break
        elif kind == b"trak":
            tracks.append(_Found())
        elif kind == b"hdlr" and tracks and not tracks[-1].kind:
            file.seek(body + 8)
            tracks[-1].kind = file.read(4)
        elif kind == b"uuid" and tracks and stop - body > 16:
            file.seek(body)
            if file.read(16) == _SPHERICAL_V1:
                tracks[-1].picture = _said_in_xml(file.read(min(stop - body - 16, _MOST_ENTRY_BYTES)))
        elif kind == b"stsd" and tracks:
            file.seek(body + 8)
            held = file.read(min(stop - body - 8, _MOST_ENTRY_BYTES))
            entry = held[8 : int.from_bytes(held[:4], "big")]
            if tracks[-1].kind == b"vide":
                tracks[-1].picture = _said_of_picture(entry[78:], tracks[-1].picture)
            elif tracks[-1].kind == b"soun":
                tracks[-1].sound = _said_of_sound(entry)
    pictures = [track.picture for track in tracks if track.kind == b"vide"]
    sounds = tuple(track.sound for track in tracks if track.sound is not None)
    return MovieWords(pictures[0] if pictures else PictureWords(), sounds, fragmented)


def _inner(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Boxes that stand one behind the other; what is no box ends them."""
    while len(data) >= 8:
        size = int.from_bytes(data[:4], "big")
        if not 8 <= size <= len(data):
            return
        yield data[4:8], data[8:size]
        data = data[size:]


def _said_of_picture(boxes: bytes, before: PictureWords) -> PictureWords:
    said = before
    for kind, body in _inner(boxes):
        if kind == b"st3d" and len(body) >= 5:
            eyes = {0: Packing.ONE_EYE, 1: Packing.TOP_BOTTOM, 2: Packing.SIDE_BY_SIDE}.get(body[4])
            other = {3: "eyes in an order of their own", 4: "the right eye first"}.get(body[4], "")
            said = replace(said, packing=eyes, other=said.other or other)
        elif kind == b"sv3d":
            said = _projected(body, said)
    return said


def _projected(boxes: bytes, said: PictureWords) -> PictureWords:
    for kind, body in _inner(boxes):
        if kind != b"proj":
            continue
        for name, inside in _inner(body):
            if name == b"equi":
                return _bounded(inside, said)
            if name in (b"cbmp", b"mshp"):
                return replace(said, other="a cube" if name == b"cbmp" else "a mesh", view_deg=None)
    return said


def _bounded(inside: bytes, said: PictureWords) -> PictureWords:
    """Version and flags, then what is cut off at the top, the bottom, the left and the right."""
    top, bottom, left, right = (int.from_bytes(inside[4 * n : 4 * n + 4], "big") for n in range(1, 5))
    if top or bottom or left != right or left not in _QUARTERS:
        return replace(said, other="a part of a sphere that is neither half of it nor all of it", view_deg=None)
    return replace(said, view_deg=_QUARTERS[left])


def _said_in_xml(xml: bytes) -> PictureWords:
    def word(name: str) -> str:
        found = re.search(rf"<GSpherical:{name}>\s*([^<]*?)\s*</".encode(), xml)
        return found[1].decode("ascii", "replace").lower() if found else ""

    eyes = {"left-right": Packing.SIDE_BY_SIDE, "top-bottom": Packing.TOP_BOTTOM, "mono": Packing.ONE_EYE}
    if word("ProjectionType") != "equirectangular":
        return PictureWords()
    part = 1.0
    if word("CroppedAreaImageWidthPixels").isdigit() and word("FullPanoWidthPixels").isdigit():
        part = int(word("CroppedAreaImageWidthPixels")) / max(int(word("FullPanoWidthPixels")), 1)
    view = next((deg for share, deg in ((1.0, 360.0), (0.5, 180.0)) if abs(part - share) < 0.01), None)
    other = "" if view else "a part of a sphere that is neither half of it nor all of it"
    return PictureWords(eyes.get(word("StereoMode"), Packing.ONE_EYE), view, other)


def _said_of_sound(entry: bytes) -> SoundWords:
    """An entry of sound: 8 bytes, then version 0 to 2 with 20, 36 or 56 more, then boxes ([3]; 1 and 2 are of MOV)."""
    version = int.from_bytes(entry[8:10], "big")
    channels = int.from_bytes(entry[16:18], "big")
    if version == 2:
        channels = int.from_bytes(entry[40:44], "big")
    said = SoundWords(channels)
    for kind, body in _inner(entry[{1: 44, 2: 64}.get(version, 28) :]):
        if kind == b"SA3D" and len(body) >= 12:
            count = int.from_bytes(body[8:12], "big")
            told = (body[0], body[1], int.from_bytes(body[2:6], "big"), body[6], body[7], count)
            routes = tuple(int.from_bytes(body[12 + 4 * n : 16 + 4 * n], "big") for n in range(min(count, 64)))
            said = replace(said, field=told + routes)
        elif kind == b"dOps" and len(body) >= 11:
            said = replace(said, channels=body[1], opus_family=body[10], opus_map=tuple(body[11:]) if body[10] else ())
        elif kind in (b"chan", b"chnl"):
            said = replace(said, loudspeakers=True)
    return said


def _read_matroska(file: BinaryIO) -> MovieWords:
    file.seek(0)
    held = file.read(_MOST_HEAD_BYTES)
    tracks = _element(held, 0x18538067, 0x1654AE6B)
    picture, sounds = None, []
    for number, entry in _elements(tracks or b""):
        if number != 0xAE:
            continue
        told = dict(_elements(entry))
        kind = int.from_bytes(told.get(0x83, b""), "big")
        if kind == 1 and picture is None:
            picture = _matroska_picture(dict(_elements(told.get(0xE0, b""))))
        elif kind == 2:
            audio = dict(_elements(told.get(0xE1, b"")))
            said = SoundWords(int.from_bytes(audio.get(0x9F, b"\1"), "big"))
            private = told.get(0x63A2, b"")
            if private[:8] == b"OpusHead" and len(private) >= 19:
                family = private[18]
                said = replace(said, opus_family=family, opus_map=tuple(private[19:]) if family else ())
            sounds.append(said)
    return MovieWords(picture or PictureWords(), tuple(sounds))


def _read_ogg(file: BinaryIO) -> MovieWords:
    """The first packet of the first page is the head of Opus (RFC 7845)."""
    file.seek(0)
    page = file.read(512)
    head = page[27 + page[26] :]
    if not head.startswith(b"OpusHead"):
        return MovieWords()
    family = head[18]
    routes = tuple(head[19 : 21 + head[9]]) if family else ()
    return MovieWords(sounds=(SoundWords(head[9], opus_family=family, opus_map=routes),))


def _matroska_picture(video: Mapping[int, bytes]) -> PictureWords:
    mode = int.from_bytes(video.get(0x53B8, b""), "big")
    eyes = {0: Packing.ONE_EYE, 1: Packing.SIDE_BY_SIDE, 3: Packing.TOP_BOTTOM}.get(mode)
    said = PictureWords(eyes if 0x53B8 in video else None, other="" if eyes is not None else "other eyes")
    projection = dict(_elements(video.get(0x7670, b"")))
    kind = int.from_bytes(projection.get(0x7671, b""), "big")
    if kind == 1:
        return _bounded(projection.get(0x7672, b"") or bytes(20), said)
    return replace(said, other={2: "a cube", 3: "a mesh"}[kind]) if kind in (2, 3) else said


def _element(data: bytes, *numbers: int) -> bytes | None:
    """The body of the first element along a way of numbers."""
    for number, body in _elements(data):
        if number == numbers[0]:
            return body if len(numbers) == 1 else _element(body, *numbers[1:])
    return None


def _elements(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Number and body of elements one behind the other ([4]); one of unknown size reaches to the end."""
    place = 0
    while place < len(data):
        number, width = _number(data, place, marked=True)
        size, more = _number(data, place + width, marked=False)
        place += width + more
        if not width or not more:
            return
        unknown = size == (1 << 7 * more) - 1
        stop = len(data) if unknown else min(place + size, len(data))
        yield number, data[place:stop]
        place = stop


def _number(data: bytes, place: int, *, marked: bool) -> tuple[int, int]:
    """A number of variable length, and its length in bytes; 0 and 0 where there is none."""
    if place >= len(data) or not data[place]:
        return 0, 0
    width = 9 - data[place].bit_length()
    value = int.from_bytes(data[place : place + width], "big")
    return (value if marked else value & ((1 << 7 * width) - 1)), width


def sounds_that_are_fields(words: Sequence[SoundWords]) -> list[int]:
    """Numbers of the tracks that say they hold a first-order field."""
    return [number for number, said in enumerate(words) if said.says_first_order]
