"""The chunks of WAV, RF64 and BW64 files: where the sound lies, how it is coded, what is left of a broken one.

Goal: read what recorders and editors really write, odd-sized chunks before the sound and 64-bit sizes included, in
bounded time and memory whatever the sizes in the file are; and make the header of the files we write.
Method: RIFF, RF64 and BW64 share one layout of chunks, which is walked. A recorder that lost power leaves a size of
zero, or one that was true some time ago; a copy that was broken off promises more than it holds. What is there is read,
and the fault is named.
Functions: is_wave, wave_chunks, first_bodies; chunk_bytes (a chunk as it is written); read_layout; DataView (the sound
alone, as a file); wav_header; find_sound (of a file whose header is wrong); find_marks (a chunk behind one that is
damaged).
Sources:
[1] EBU Tech 3306 / ITU-R BS.2088-1: RF64 and BW64, the ds64 chunk, and JUNK as its placeholder.
[2] Microsoft, "Multiple channel audio data and WAVE files": WAVE_FORMAT_EXTENSIBLE.
[3] R. Dobson, "B-Format in WAVE_FORMAT_EXTENSIBLE": its GUIDs differ in the tail only.
"""

import io
import os
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from spatial.errors import MediaFileError

# --- chunks ---

NO_SIZE = 0xFFFF_FFFF
"""A 32-bit size that says: the true one stands in ds64 ([1]), or was never written."""

MOST_BODY_BYTES = 1 << 20
"""Most bytes of a chunk that is read whole; real ones have a few kilobytes."""

_MOST_CHUNKS = 1000
"""A file of zeros is an endless chain of empty chunks; real files have a dozen."""

_MOST_DS64_BYTES = 28 + 12 * _MOST_CHUNKS
"""Bytes of a ds64 chunk whose table names all the chunks that are looked at ([1])."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk of a WAV file."""

    kind: bytes
    """Four characters, as b"fmt "."""
    start: int
    """Byte at which its body starts."""
    size: int
    """Bytes of its body that the header promises; the file may hold fewer."""

    @property
    def stop(self) -> int:
        """Byte at which the next chunk starts."""
        return self.start + self.size + self.size % 2


def is_wave(head: bytes) -> bool:
    """Whether the first twelve bytes of a file are those of RIFF, RF64 or BW64 sound."""
    return head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:12] == b"WAVE"


def wave_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Walk the chunks of a WAV file in order, sizes of 64 bits looked up in ds64.

    The walk ends with the file: a chunk that reaches past its end is the last one.
    """
    end = file.seek(0, os.SEEK_END)
    long_sizes: dict[bytes, int] = {}
    place = 12
    for _ in range(_MOST_CHUNKS):
        if place + 8 > end:
            return
        file.seek(place)
        kind, size = struct.unpack("<4sI", file.read(8))
        if size == NO_SIZE:
            size = long_sizes.get(kind, size)
        chunk = Chunk(kind, place + 8, size)
        if kind == b"ds64":
            long_sizes = _long_sizes(file.read(min(size, end - chunk.start, _MOST_DS64_BYTES)))
        yield chunk
        place = chunk.stop


def first_bodies(file: BinaryIO, kinds: Sequence[bytes], *, most_bytes: int = MOST_BODY_BYTES) -> dict[bytes, bytes]:
    """The first chunk of each kind that is there, as far as the file holds it, at most `most_bytes` of each."""
    found: dict[bytes, bytes] = {}
    file.seek(0)
    if is_wave(file.read(12)):
        for chunk in wave_chunks(file):
            if chunk.kind in kinds and chunk.kind not in found:
                file.seek(chunk.start)
                found[chunk.kind] = file.read(min(chunk.size, most_bytes))
    return found


def chunk_bytes(kind: bytes, body: bytes) -> bytes:
    r"""A chunk as it is written: its kind, its size, its body, and a byte to make the body even.

    Examples
    --------
    >>> chunk_bytes(b"axml", b"odd")
    b'axml\x03\x00\x00\x00odd\x00'
    """
    return struct.pack("<4sI", kind, len(body)) + body + b"\0" * (len(body) % 2)


def _long_sizes(body: bytes) -> dict[bytes, int]:
    """Sizes that ds64 gives, by chunk."""
    if len(body) < 28:
        return {}
    _, data_bytes, _, entries = struct.unpack_from("<QQQI", body)
    entries = min(entries, (len(body) - 28) // 12)
    table = struct.iter_unpack("<4sQ", body[28 : 28 + 12 * entries])
    return {**dict(table), b"data": data_bytes}


# --- broken headers ---

_LEAST_S = 0.1
"""Seconds of sound below which what lies behind a header without length is no recording."""

_SCAN_BYTES = 4 << 20
"""How far behind a damaged chunk its successor is looked for: headers are smaller."""

_GLANCE_BYTES = 1 << 16
"""Bytes of a place in which anything but zeros is sought."""

_MOST_DAMAGED_CHUNKS = 1000
"""Chunks behind a damaged one that are followed: it bounds the time."""


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
            says = "says that it has no samples" if data.size == 0 else "gives no length"
            raise MediaFileError(
                f"{name} holds no sound: its header {says}, and none follow; nothing was recorded, or the recording "
                "was never finished"
            )
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
    for _ in range(_MOST_DAMAGED_CHUNKS):
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


# --- layout and header ---

HEADER_BYTES = 104
"""Length of the header wav_header makes, without further chunks."""

MOST_CHANNELS, _MOST_RATE_HZ = 256, 1_000_000
"""No recorder writes more; a damaged header could ask for memory without bound."""

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
"""Format tags: whole numbers, floating point, and a GUID that says which ([2])."""

_PCM_TAIL = bytes.fromhex("000000001000800000aa00389b71")
"""The GUID's last fourteen bytes for the two ordinary codings ([2])."""

_B_FORMAT_TAIL = bytes.fromhex("00002107d3118644c8c1ca000000")
"""The same in a file whose four channels are W, X, Y, Z ([3])."""

_SUBTYPES = {
    (_PCM, 1): "PCM_U8",
    (_PCM, 2): "PCM_16",
    (_PCM, 3): "PCM_24",
    (_PCM, 4): "PCM_32",
    (_FLOAT, 4): "FLOAT",
    (_FLOAT, 8): "DOUBLE",
}
"""Coding by format tag and bytes of a sample, named as soundfile names it."""


@dataclass(frozen=True, slots=True)
class WavLayout:
    """Where the sound of a WAV file lies and how it is coded."""

    container: str
    """WAV, RF64 or BW64."""
    subtype: str
    rate_hz: int
    channels: int
    frame_bytes: int
    """Bytes of one sample of all channels."""
    data_start: int
    data_bytes: int
    repair: str | None = None
    """What was wrong with the header and what was made of it, in words that follow the file's name."""
    incomplete: bool = False
    """Whether sound that the header promises is missing."""
    b_format: bool = False
    """Whether the format chunk carries the B-format mark ([3]): W, X, Y, Z with W 3 dB down."""
    speaker_mask: int = 0
    """Loudspeakers the channels are labelled for; a label only, whatever they carry."""

    @property
    def samples(self) -> int:
        """Length in samples of each channel."""
        return self.data_bytes // self.frame_bytes


def read_layout(file: BinaryIO, name: str) -> WavLayout:
    """Find the sound of a WAV file, as much of it as is there.

    Parameters
    ----------
    file : binary file, seekable
        Of which is_wave holds.
    name : str
        What to call it in errors.

    Raises
    ------
    MediaFileError
        No format, no sound, or a coding we do not read.
    """
    file.seek(0)
    magic = file.read(4)
    forms, sounds, broken = _main_chunks(file)
    if not forms or (not sounds and not broken):
        missing = "has a header but no sound after it" if forms else "says nothing of how its sound is coded"
        raise MediaFileError(f"{name} {missing}: it is damaged or was never finished; copy it from the card again")
    file.seek(forms[0].start)
    form = file.read(min(forms[0].size, 40))
    subtype, channels, rate_hz, frame_bytes = _read_format(form, name)
    extensible = form[:2] == struct.pack("<H", _EXTENSIBLE) and len(form) == 40
    sound = find_sound(file, sounds, broken, frame_bytes=frame_bytes, rate_hz=rate_hz, name=name)
    return WavLayout(
        container="WAV" if magic == b"RIFF" else magic.decode("ascii"),
        subtype=subtype,
        rate_hz=rate_hz,
        channels=channels,
        frame_bytes=frame_bytes,
        data_start=sound.start,
        data_bytes=sound.size,
        repair=sound.repair,
        incomplete=sound.incomplete,
        b_format=extensible and form[26:] == _B_FORMAT_TAIL,
        speaker_mask=struct.unpack_from("<I", form, 20)[0] if extensible else 0,
    )


class DataView(io.RawIOBase):
    """The sound of a WAV file alone, as a file that ends where the sound ends."""

    def __init__(self, file: BinaryIO, layout: WavLayout) -> None:
        super().__init__()
        self._file = file
        self._start, self._size = layout.data_start, layout.data_bytes
        self._place = 0

    def seekable(self) -> bool:
        """Yes."""
        return True

    def readable(self) -> bool:
        """Yes."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move, as in any file."""
        self._place = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self._size}[whence]
        return self._place

    def tell(self) -> int:
        """Bytes from the start of the sound."""
        return self._place

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Fill a buffer, as in any file. A disk that fails looks like the end of the sound."""
        wanted = memoryview(buffer)[: max(0, self._size - self._place)]
        try:
            self._file.seek(self._start + self._place)
            count = self._file.readinto(wanted)  # type: ignore[attr-defined]
        except OSError:
            # libsndfile calls this from C, where an exception would be printed and lost; the reader above
            # counts samples and sees that some are missing.
            return 0
        self._place += count
        return int(count)


def wav_header(
    *, channels: int, rate_hz: int, sample_bytes: int, data_bytes: int, chunks: Sequence[tuple[bytes, bytes]] = ()
) -> bytes:
    """Header of a PCM file up to the first byte of its sound; with 64-bit sizes where 32 bits cannot hold them.

    The format is WAVE_FORMAT_EXTENSIBLE with an empty speaker mask ([2]): the channels of a sound field
    belong to no loudspeakers. (libsndfile would write the mask of four loudspeakers.) A long file with a chna chunk
    is BW64 and any other is RF64: they differ in their first four bytes alone ([1]).

    Parameters
    ----------
    channels, rate_hz, sample_bytes : int
    data_bytes : int
        Length of the sound; even.
    chunks : sequence of (kind, body)
        Put before the sound, so that they are there even if the file is cut short.

    Returns
    -------
    bytes
        HEADER_BYTES long plus the chunks, whatever the length of the sound.
    """
    frame = channels * sample_bytes
    between = b"".join(chunk_bytes(kind, body) for kind, body in chunks)
    size = HEADER_BYTES - 8 + len(between) + data_bytes
    fmt = struct.pack(
        "<HHIIHHHHIH14s",
        *(_EXTENSIBLE, channels, rate_hz, rate_hz * frame, frame, 8 * sample_bytes),
        *(22, 8 * sample_bytes, 0, _PCM, _PCM_TAIL),
    )
    if size < NO_SIZE:
        magic, size_32, data_32, first = b"RIFF", size, data_bytes, chunk_bytes(b"JUNK", bytes(28))
    else:
        magic = b"BW64" if any(kind == b"chna" for kind, _ in chunks) else b"RF64"
        size_32, data_32 = NO_SIZE, NO_SIZE
        first = chunk_bytes(b"ds64", struct.pack("<QQQI", size, data_bytes, data_bytes // frame, 0))
    head = struct.pack("<4sI4s", magic, size_32, b"WAVE") + first + chunk_bytes(b"fmt ", fmt)
    return head + between + struct.pack("<4sI", b"data", data_32)


def _main_chunks(file: BinaryIO) -> tuple[list[Chunk], list[Chunk], Chunk | None]:
    """Formats, and sounds after the first of them; and the chunk that the walk broke at, if no sound was found."""
    end = file.seek(0, os.SEEK_END)
    forms: list[Chunk] = []
    sounds: list[Chunk] = []
    last = Chunk(b"", 12, 0)
    for chunk in wave_chunks(file):
        last = chunk
        if chunk.kind == b"fmt ":
            forms.append(chunk)
        elif chunk.kind == b"data":
            if not forms:
                return [], [], None
            sounds.append(chunk)
    broken = last if not sounds and last.stop > end else None
    if broken is not None and not forms:
        forms = find_marks(file, b"fmt ", broken)
    return forms, sounds, broken


def _read_format(form: bytes, name: str) -> tuple[str, int, int, int]:
    """Coding, channels, rate and bytes of a frame from the body of a fmt chunk."""
    if len(form) < 16:
        raise MediaFileError(f"{name} has a damaged header (its format is cut short); copy it from the card again")
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", form)
    if tag == _EXTENSIBLE and len(form) >= 40 and form[26:40] in (_PCM_TAIL, _B_FORMAT_TAIL):
        (tag,) = struct.unpack_from("<H", form, 24)
    sound = 0 < channels <= MOST_CHANNELS and 0 < rate_hz <= _MOST_RATE_HZ
    if not sound or not frame_bytes or frame_bytes % channels:
        raise MediaFileError(
            f"{name} has a damaged header ({channels} channels, {rate_hz} Hz, {frame_bytes} bytes a sample); "
            "copy it from the card again"
        )
    sample_bytes = frame_bytes // channels
    # 20 bits travel in 3 bytes, at the top: they read as 24.
    subtype = _SUBTYPES.get((tag, sample_bytes)) if 8 * (sample_bytes - 1) < bits <= 8 * sample_bytes else None
    if subtype is None:
        raise MediaFileError(
            f"{name} is coded in a way that is not read (format {tag:#06x}, {bits} bits in {sample_bytes} bytes); "
            "save it as 24-bit PCM"
        )
    return subtype, channels, rate_hz, frame_bytes
