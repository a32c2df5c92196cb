"""Open a movie or sound file, and find the streams and clocks in it.

Functions: opened (with errors as sentences); picture_stream, sound_stream, only_sound;
movie_clock_s (the clock that edit lists of MP4 and MOV count in).
Source: ISO/IEC 14496-12 (boxes, movie header).
"""

import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import av

from spatial.errors import MediaFileError

# Anything else that would open is no recording: text as pictures, still images, playlists that fetch other files.
_CONTAINERS = "mov,matroska,webm,mpegts,mpeg,avi,mxf,asf,flv,ogg,wav,w64,flac,aiff,caf,mp3,aac"

_STILL_CODECS = frozenset({"png", "mjpeg", "bmp", "gif", "webp"})


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open a file for reading with PyAV; whatever goes wrong while it is open is said in one sentence.

    Yields
    ------
    av.container.InputContainer

    Raises
    ------
    MediaFileError
        Missing, a folder, empty, not a movie or sound file, or damaged.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise MediaFileError(f"{path} is not a file; name the movie file itself")
        with path.open("rb") as file:
            empty = not file.read(1)
    except FileNotFoundError as error:
        raise MediaFileError(f"there is no file {path}; check the name and the folder") from error
    except OSError as error:
        raise MediaFileError(
            f"{path.name} cannot be read ({error.strerror}); check its name and permissions"
        ) from error
    if empty:
        raise MediaFileError(f"{path.name} is empty; copy it from the card again")
    try:
        str(path.resolve()).encode()
    except UnicodeEncodeError as error:
        raise MediaFileError(f"{path} has a name or a folder that is not UTF-8; rename it") from error
    try:
        # An absolute path: "12:30.mp4" would be taken for a network address.
        # Titles and dates that are no UTF-8 are not our business.
        container = av.open(str(path.resolve()), options={"format_whitelist": _CONTAINERS}, metadata_errors="replace")
    except av.error.FFmpegError as error:
        raise MediaFileError(
            f"{path.name} is not a movie or sound file that can be read, or its recording was never finished; "
            "name the camera's movie, or copy it from the card again"
        ) from error
    with container:
        try:
            yield container
        except av.error.FFmpegError as error:
            raise MediaFileError(f"{path.name} is damaged ({error.strerror}); copy it from the card again") from error


def picture_stream(container: Any) -> Any | None:
    """The first stream of moving pictures, or None. Cover art is not a moving picture."""
    for stream in container.streams.video:
        codec = stream.codec_context
        if codec is None or (codec.name in _STILL_CODECS and stream.frames <= 1):
            continue
        return stream
    return None


def sound_stream(container: Any, path: Path) -> Any | None:
    """The first stream of sound that can be decoded, or None where there is no sound at all.

    Raises
    ------
    MediaFileError
        There is sound, but nothing here decodes it.
    """
    streams = container.streams.audio
    for stream in streams:
        if stream.codec_context is not None:
            return stream
    if streams:
        raise MediaFileError(
            f"the sound in {path.name} is coded in a way that cannot be read; export it with AAC or PCM sound"
        )
    return None


def only_sound(container: Any, path: Path) -> Any:
    """The stream of sound_stream, with every other stream left unread where the container allows it.

    Raises
    ------
    MediaFileError
        There is no sound to read.
    """
    chosen = sound_stream(container, path)
    if chosen is None:
        raise MediaFileError(f"{path.name} has no sound")
    for stream in container.streams:
        # Since PyAV 17; without it the pictures are read from disk and thrown away.
        if stream is not chosen and hasattr(stream, "discard"):
            stream.discard = av.stream.Discard.all
    return chosen


def movie_clock_s(path: Path) -> float | None:
    """One tick of the movie clock of an MP4 or MOV file, seconds; None in any other file.

    An empty edit, which is how these files say that a stream starts late, is a whole number of these ticks.
    """
    with path.open("rb") as file:
        for kind, start, stop in _boxes(file, 0, path.stat().st_size):
            if kind != b"moov":
                continue
            for inner, body, _ in _boxes(file, start, stop):
                if inner == b"mvhd":
                    file.seek(body)
                    header = file.read(24)
                    # Version 1 keeps its two dates before the time scale in 64 bits each, version 0 in 32.
                    (ticks_per_s,) = struct.unpack_from(">I", header, 20 if header[0] == 1 else 12)
                    return 1.0 / ticks_per_s if ticks_per_s else None
    return None


def _boxes(file: BinaryIO, start: int, stop: int) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte and end of the body of each box between two places in the file."""
    while start + 8 <= stop:
        file.seek(start)
        size, kind = struct.unpack(">I4s", file.read(8))
        body = start + 8
        if size == 1:
            (size,) = struct.unpack(">Q", file.read(8))
            body += 8
        end = stop if size == 0 else start + size
        if end <= start or end > stop:
            return
        yield kind, body, end
        start = end
