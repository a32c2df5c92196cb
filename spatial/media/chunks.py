"""The chunks of a WAV file, whatever is in them: RIFF, RF64 and BW64 share one layout.

Goal: walk what recorders and editors really write, odd-sized chunks before the sound and 64-bit sizes included, in
bounded time and memory whatever the sizes say.
Functions: is_wave, wave_chunks, first_bodies; chunk_bytes (a chunk as it is written).
Sources:
[1] EBU Tech 3306 / ITU-R BS.2088-1: RF64 and BW64, the ds64 chunk.
"""

import os
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

NO_SIZE = 0xFFFF_FFFF
"""A 32-bit size that says: the true one stands in ds64 ([1]), or was never written."""

MOST_BODY_BYTES = 1 << 20
"""Of a chunk that is read whole; real ones have a few kilobytes."""

_MOST_CHUNKS = 1000
"""A file of zeros is an endless chain of empty chunks; real files have a dozen."""

_MOST_DS64_BYTES = 28 + 12 * _MOST_CHUNKS


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
