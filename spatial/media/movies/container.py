"""Open a movie or sound file, and find the streams and clocks in it.

Functions: opened (with errors as sentences); picture_stream, sound_stream, sound_streams, only_sound;
leave_unread (all but some streams); declared_length_s (what a header says).
"""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import av

from spatial.errors import MediaFileError
from spatial.media.intake import open_input, require_file
from spatial.media.movies.boxes import check_counts, layout_places

# Anything else that would open is no recording: text as pictures, still images, playlists that fetch other files.
_CONTAINERS = "mov,matroska,webm,mpegts,mpeg,avi,mxf,asf,flv,ogg,wav,w64,flac,aiff,caf,mp3,aac"

_OF_NO_MEANING = b"free"
"""What a box is called that is to be passed over (ISO/IEC 14496-12)."""

_BUFFER_BYTES = 1 << 18
"""Bytes that the library reads at once."""

_STILL_CODECS = frozenset({"png", "mjpeg", "bmp", "gif", "webp"})
"""Coders of cover pictures, which lie in a stream of pictures of their own."""


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
    if not require_file(path, "movie"):
        raise MediaFileError(f"{path.name} is empty; copy it from the card again")
    check_counts(path)
    try:
        str(path.resolve()).encode()
    except UnicodeEncodeError as error:
        raise MediaFileError(f"{path} has a name or a folder that is not UTF-8; rename it") from error
    with ExitStack() as stack:
        # An absolute path: "12:30.mp4" would be taken for a network address.
        source: Any = str(path.resolve())
        hidden = layout_places(path)
        if hidden:
            source = _WithoutLayouts(stack.enter_context(open_input(path, "movie")), hidden)
        try:
            # Titles and dates that are no UTF-8 are not our business.
            options = {"format_whitelist": _CONTAINERS}
            container = av.open(source, options=options, metadata_errors="replace", buffer_size=_BUFFER_BYTES)
        except MemoryError as error:
            _raise_if_damaged(path, error)
            raise
        except av.error.FFmpegError as error:
            raise MediaFileError(
                f"{path.name} is not a movie or sound file that can be read, or its recording was never finished; "
                "name the camera's movie, or copy it from the card again"
            ) from error
        with container:
            try:
                yield container
            except MemoryError as error:
                _raise_if_damaged(path, error)
                raise
            except av.error.FFmpegError as error:
                raise MediaFileError(
                    f"{path.name} is damaged ({error.strerror}); copy it from the card again"
                ) from error


_LITTLE_BYTES = 1 << 26
"""A movie that cannot be opened although this much can be had asks for far more than any header needs."""


def _raise_if_damaged(path: Path, error: MemoryError) -> None:
    """Say that a file asks for more memory than any does, as damaged sizes make it; nothing where memory is short."""
    try:
        bytearray(_LITTLE_BYTES)
    except MemoryError:
        return
    raise MediaFileError(
        f"{path.name} asks for more memory than there is, as a damaged file does; copy it from the card again, and if "
        "it still does, close other programs"
    ) from error


class _WithoutLayouts:
    """A file in which the boxes that put its channels in an order of their own are named as holding nothing.

    PyAV frees the list of such an order twice, which ends the process. Which channel is which is not asked for here:
    their number stands elsewhere.
    """

    def __init__(self, file: BinaryIO, places: Sequence[int]) -> None:
        self._file, self._places = file, places
        self.seek, self.tell = file.seek, file.tell

    def read(self, size: int) -> bytes:
        start = self._file.tell()
        data = self._file.read(size)
        for place in self._places:
            first, stop = max(place, start), min(place + len(_OF_NO_MEANING), start + len(data))
            if first < stop:
                name = _OF_NO_MEANING[first - place : stop - place]
                data = data[: first - start] + name + data[stop - start :]
        return data


def declared_length_s(path: Path) -> float | None:
    """How long a movie says that it is, seconds; None where it does not say.

    Raises
    ------
    MediaFileError
        As opened.
    """
    with opened(path) as container:
        return None if container.duration is None else float(container.duration / av.time_base)


def picture_stream(container: Any) -> Any | None:
    """The first stream of moving pictures, or None. Cover art is not a moving picture."""
    for stream in container.streams.video:
        codec = stream.codec_context
        if codec is None or (codec.name in _STILL_CODECS and stream.frames <= 1):
            continue
        return stream
    return None


def sound_streams(container: Any) -> list[Any]:
    """Every stream of sound that can be decoded, in the order of the file."""
    return [stream for stream in container.streams.audio if stream.codec_context is not None]


def sound_stream(container: Any, path: Path, track: int = 0) -> Any | None:
    """One stream of sound that can be decoded, or None where there is no sound at all.

    `track` counts those of sound_streams.

    Raises
    ------
    MediaFileError
        There is sound, but nothing here decodes it.
    """
    streams = sound_streams(container)
    if track < len(streams):
        return streams[track]
    if container.streams.audio:
        raise MediaFileError(
            f"the sound in {path.name} is coded in a way that cannot be read; export it with AAC or PCM sound"
        )
    return None


def only_sound(container: Any, path: Path, track: int = 0) -> Any:
    """The stream of sound_stream, with every other stream left unread where the container allows it.

    Raises
    ------
    MediaFileError
        There is no sound to read.
    """
    chosen = sound_stream(container, path, track)
    if chosen is None:
        raise MediaFileError(f"{path.name} has no sound")
    leave_unread(container, [chosen])
    return chosen


def leave_unread(container: Any, kept: Sequence[Any]) -> None:
    """Leave every stream unread but these, where the library can (since PyAV 17).

    Without it the pictures are read from disk and thrown away.
    """
    for stream in container.streams:
        if not any(stream is one for one in kept) and hasattr(stream, "discard"):
            stream.discard = av.stream.Discard.all
