"""Where the sound of a WAV file lies and how it is coded; and the header of the files we write.

Goal: read what recorders and editors really write, and say plainly what a broken header promises that the file does
not hold.
Functions: read_layout; DataView (the sound alone, as a file); wav_header.
Sources:
[1] EBU Tech 3306 / ITU-R BS.2088-1: RF64 and BW64, the ds64 chunk, and JUNK as its placeholder.
[2] Microsoft, "Multiple channel audio data and WAVE files": WAVE_FORMAT_EXTENSIBLE.
[3] R. Dobson, "B-Format in WAVE_FORMAT_EXTENSIBLE": its GUIDs differ in the tail only.
"""

import io
import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import BinaryIO

from spatial.errors import MediaFileError
from spatial.media.chunks import NO_SIZE, Chunk, chunk_bytes, wave_chunks

HEADER_BYTES = 104
"""Length of the header wav_header makes, without further chunks."""

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
    b_format: bool = False
    """Whether the format chunk carries the B-format mark ([3]): W, X, Y, Z with W 3 dB down."""
    speaker_mask: int = 0
    """Loudspeakers the channels are labelled for; a label only, whatever they carry."""

    @property
    def samples(self) -> int:
        """Length in samples of each channel."""
        return self.data_bytes // self.frame_bytes


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
            extensible = form[:2] == struct.pack("<H", _EXTENSIBLE)
            b_format = extensible and form[26:40] == _B_FORMAT_TAIL
            mask = struct.unpack_from("<I", form, 20)[0] if extensible else 0
            _check_length(file, chunk, rate_hz * frame_bytes, name)
            container = "WAV" if magic == b"RIFF" else magic.decode("ascii")
            place = chunk.start, chunk.size
            return WavLayout(container, subtype, rate_hz, channels, frame_bytes, *place, b_format, mask)
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
