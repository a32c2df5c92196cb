"""The chunks of a WAV file: where its sound lies and how it is coded; and the header of the files we write.

Goal: read what recorders and editors really write (RIFF, RF64 and BW64 share one layout), odd-sized chunks
before the sound included, and say plainly what a broken header promises that the file does not hold.
Functions: is_wave, wave_chunks, read_layout; DataView (the sound alone, as a file); wav_header.
Sources:
[1] EBU Tech 3306 / ITU-R BS.2088-1: RF64 and BW64, the ds64 chunk, and JUNK as its placeholder.
[2] Microsoft, "Multiple channel audio data and WAVE files": WAVE_FORMAT_EXTENSIBLE.
[3] R. Dobson, "B-Format in WAVE_FORMAT_EXTENSIBLE": its GUIDs differ in the tail only.
"""

import io
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from spatial.errors import MediaFileError

HEADER_BYTES = 104
"""Length of the header wav_header makes, whatever the length of the sound."""

NO_SIZE = 0xFFFF_FFFF
"""A 32-bit size that says: the true one stands in ds64 ([1]), or was never written."""

_MOST_CHUNKS = 1000
"""A file of zeros is an endless chain of empty chunks; real files have a dozen."""

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_PCM_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_B_FORMAT_TAIL = bytes.fromhex("00002107d3118644c8c1ca000000")

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
class Chunk:
    """One chunk of a WAV file."""

    kind: bytes
    """Four characters, as b"fmt "."""
    start: int
    """Byte at which its body starts."""
    size: int
    """Bytes of its body that the header promises; the file may hold fewer."""


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

    @property
    def samples(self) -> int:
        """Length in samples of each channel."""
        return self.data_bytes // self.frame_bytes


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
            long_sizes = _long_sizes(file.read(min(size, end - chunk.start)))
        yield chunk
        place = chunk.start + size + size % 2


def read_layout(file: BinaryIO, name: str) -> WavLayout:
    """Find the sound of a WAV file.

    Parameters
    ----------
    file : binary file, seekable
        Of which is_wave holds.
    name : str
        What to call it in errors.

    Raises
    ------
    MediaFileError
        No format, no sound, a coding we do not read, or less sound than the header promises.
    """
    file.seek(0)
    magic = file.read(4)
    form: bytes | None = None
    for chunk in wave_chunks(file):
        if chunk.kind == b"fmt " and form is None:
            file.seek(chunk.start)
            form = file.read(min(chunk.size, 40))
        if chunk.kind == b"data":
            if form is None:
                break
            subtype, channels, rate_hz, frame_bytes = _read_format(form, name)
            _check_length(file, chunk, rate_hz * frame_bytes, name)
            container = "WAV" if magic == b"RIFF" else magic.decode("ascii")
            return WavLayout(container, subtype, rate_hz, channels, frame_bytes, chunk.start, chunk.size)
    missing = "says nothing of how its sound is coded" if form is None else "has a header but no sound after it"
    raise MediaFileError(f"{name} {missing}: it is damaged or was never finished; copy it from the card again")


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


def wav_header(*, channels: int, rate_hz: int, sample_bytes: int, data_bytes: int) -> bytes:
    """Header of a PCM file up to the first byte of its sound; RF64 where 32 bits cannot hold its size.

    The format is WAVE_FORMAT_EXTENSIBLE with an empty speaker mask ([2]): the channels of a sound field
    belong to no loudspeakers. (libsndfile would write the mask of four loudspeakers.)

    Parameters
    ----------
    channels, rate_hz, sample_bytes : int
    data_bytes : int
        Length of the sound; even.

    Returns
    -------
    bytes, HEADER_BYTES long
    """
    frame = channels * sample_bytes
    size = HEADER_BYTES - 8 + data_bytes
    fmt = struct.pack(
        "<HHIIHHHHIH14s",
        *(_EXTENSIBLE, channels, rate_hz, rate_hz * frame, frame, 8 * sample_bytes),
        *(22, 8 * sample_bytes, 0, _PCM, _PCM_TAIL),
    )
    if size < NO_SIZE:
        magic, size_32, data_32, first = b"RIFF", size, data_bytes, struct.pack("<4sI28x", b"JUNK", 28)
    else:
        magic, size_32, data_32 = b"RF64", NO_SIZE, NO_SIZE
        first = struct.pack("<4sIQQQI", b"ds64", 28, size, data_bytes, data_bytes // frame, 0)
    return struct.pack("<4sI4s36s4sI40s4sI", magic, size_32, b"WAVE", first, b"fmt ", 40, fmt, b"data", data_32)


def _long_sizes(body: bytes) -> dict[bytes, int]:
    """Sizes that ds64 gives, by chunk."""
    if len(body) < 28:
        return {}
    _, data_bytes, _, entries = struct.unpack_from("<QQQI", body)
    entries = min(entries, (len(body) - 28) // 12)
    table = struct.iter_unpack("<4sQ", body[28 : 28 + 12 * entries])
    return {**dict(table), b"data": data_bytes}


def _read_format(form: bytes, name: str) -> tuple[str, int, int, int]:
    """Coding, channels, rate and bytes of a frame from the body of a fmt chunk."""
    if len(form) < 16:
        raise MediaFileError(f"{name} has a damaged header (its format is cut short); copy it from the card again")
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", form)
    if tag == _EXTENSIBLE and len(form) >= 40 and form[26:40] in (_PCM_TAIL, _B_FORMAT_TAIL):
        (tag,) = struct.unpack_from("<H", form, 24)
    if not channels or not rate_hz or not frame_bytes or frame_bytes % channels:
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


def _check_length(file: BinaryIO, data: Chunk, bytes_per_s: int, name: str) -> None:
    """Raise if the file does not hold the sound its header promises."""
    there = file.seek(0, os.SEEK_END) - data.start
    # A recorder writes the size when it stops; what it wrote at the start is 0 or the largest number.
    if data.size in (0, NO_SIZE) and there >= bytes_per_s:
        raise MediaFileError(
            f"{name} was never finished: its header gives no length, though about {there / bytes_per_s:.2f} s of "
            "sound follow; let the recorder repair it, or save it again in an audio editor"
        )
    if data.size == 0:
        raise MediaFileError(f"{name} holds no sound: its header gives a length of zero; name another recording")
    if data.size > there:
        raise MediaFileError(
            f"{name} is cut short: its header promises {data.size / bytes_per_s:.3f} s and "
            f"{there / bytes_per_s:.3f} s are there; copy it from the card again"
        )
