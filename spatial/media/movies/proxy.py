"""A small movie of one eye that any browser plays, sound for it, and single frames.

Conventions: spatial.conventions (time): time 0 of the small movie is clip time 0.
Functions: proxy_size; write_pictures (one eye, small, without sound); SoundWriter (a stereo file); join_movie (both
in one file); frame_at (one picture of one eye).
"""

import itertools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import av.filter
import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.errors import InputError, MediaFileError, OutputError
from spatial.media.movies.container import opened, picture_stream
from spatial.media.movies.display import DisplayTurn, frame_turn, turned_in_words
from spatial.picture import Picture, Projection

PROXY_PX = 720
"""Height of one eye in the small movie."""

_WIDEST_PX = 1280
"""Width of one eye in the small movie at most; a wider one makes the page larger."""

_HIGHEST_RATE = 31
"""Faster pictures are thinned to every second, or third: enough to look at."""

_TICKS_PER_S = 90_000
"""Clock of the small movie's pictures: 90 kHz as in MPEG-2 systems (ISO/IEC 13818-1). A tick is far shorter than any
frame."""

_PICTURE_BITS_PER_S = 300_000
"""Bit rate of the small movie's picture; the movie travels inside or beside a page: a minute of it has 3 MB with its
sound."""

_SOUND_BITS_PER_S = 80_000
"""Bit rate of each stereo file."""

_SOUND_FRAME = 1024
"""Samples of one frame of AAC."""


def proxy_size(picture: Picture, height_px: int = PROXY_PX) -> tuple[int, int]:
    """Width and height of one eye in the small movie: true to angles, never larger than the eye, and even.

    Examples
    --------
    Eyes that are squeezed to share a frame come out as wide as they look.

    >>> from spatial.picture import parse_picture
    >>> proxy_size(parse_picture("equirect180-sbs", 1920, 1080)), proxy_size(parse_picture("equirect360", 3840, 1920))
    ((720, 720), (1280, 640))
    """
    across, down = picture.eye_size_px
    wide = across / down
    if picture.projection is Projection.EQUIRECTANGULAR:
        wide = picture.field_of_view_rad / np.pi
    height = min(height_px, down, _WIDEST_PX / wide)
    return max(2, 2 * round(height * wide / 2)), max(2, 2 * round(height / 2))


def write_pictures(
    clip: Path, picture: Picture, path: Path, *, duration_s: float, progress: Callable[[float], None] = lambda _: None
) -> None:
    """Write the first eye of a clip's pictures as a small H.264 movie without sound.

    Raises
    ------
    MediaFileError
        No pictures, or damaged ones.
    OutputError
        This machine's library has no H.264 encoder, or the file cannot be written.
    """
    width, height = proxy_size(picture)
    with opened(clip) as source, _Writing(path) as target:
        stream = _pictures_of(source, clip)
        rate = stream.average_rate or Fraction(25)
        keep = max(1, -(-round(rate) // _HIGHEST_RATE))
        # Pictures keep their own times; the rate is only what the coder expects, and it expects one at least.
        usual = max(1, round(rate / keep))
        out = target.add_stream("libx264", rate=usual, options=_h264_options(usual))
        out.width, out.height, out.pix_fmt = width, height, "yuv420p"
        out.codec_context.time_base = Fraction(1, _TICKS_PER_S)
        out.codec_context.thread_count = 2
        last = -1
        for number, (time_s, frame) in enumerate(_shown(source, stream, clip, picture, (width, height))):
            ticks = round(time_s * _TICKS_PER_S)
            if number % keep or ticks <= last:
                continue
            last = frame.pts = ticks
            frame.time_base = Fraction(1, _TICKS_PER_S)
            frame.pict_type = 0
            target.put(out.encode(frame))
            progress(min(1.0, time_s / max(duration_s, 1e-9)))
        if last < 0:
            raise MediaFileError(f"no picture of {clip.name} can be decoded; copy it from the card again")
        target.put(out.encode(None))


class SoundWriter:
    """A stereo sound file (AAC), written as it is made. Use in a with statement.

    Raises
    ------
    OutputError
        The file cannot be written.
    """

    def __init__(self, path: Path, rate_hz: int) -> None:
        self._path, self._rate_hz = path, rate_hz

    def __enter__(self) -> Self:
        self._file = _Writing(self._path).__enter__()
        # The library's "fast" coder keeps what differs between the ears better than its usual one, in a quarter of
        # the time (measured on tones and noise at 80 kbit/s).
        coder = {"aac_coder": "fast"}
        self._stream = self._file.add_stream("aac", rate=self._rate_hz, layout="stereo", options=coder)
        self._stream.bit_rate = _SOUND_BITS_PER_S
        self._held = np.zeros((2, 0))
        self._place = 0
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self._encode(self._held)
                self._file.put(self._stream.encode(None))
        except BaseException as failure:
            self._file.__exit__(type(failure), failure, None)
            raise
        self._file.__exit__(kind, error, trace)

    def write(self, block: FloatArray) -> None:
        """Append a block, shape (2, samples), full scale 1."""
        self._held = np.concatenate([self._held, block], axis=1)
        while self._held.shape[1] >= _SOUND_FRAME:
            self._encode(self._held[:, :_SOUND_FRAME])
            self._held = self._held[:, _SOUND_FRAME:]

    def _encode(self, sound: FloatArray) -> None:
        if sound.shape[1] == 0:
            return
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(sound, np.float32), format="fltp", layout="stereo")
        frame.sample_rate, frame.time_base, frame.pts = self._rate_hz, Fraction(1, self._rate_hz), self._place
        self._place += sound.shape[1]
        self._file.put(self._stream.encode(frame))


def join_movie(pictures: Path, sound: Path, path: Path) -> None:
    """Put pictures and sound into one file, as they are.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    with opened(pictures) as seen, opened(sound) as heard, _Writing(path) as target:
        sources = [(seen, seen.streams.video[0]), (heard, heard.streams.audio[0])]
        targets = [target.add_copy(stream) for _, stream in sources]
        queues = [(packet for packet in source.demux(stream) if packet.dts is not None) for source, stream in sources]
        waiting = [next(queue, None) for queue in queues]
        while any(packet is not None for packet in waiting):
            # By time, so that a browser finds sound and picture of one moment beside each other.
            _, which = min((packet.dts * packet.time_base, n) for n, packet in enumerate(waiting) if packet is not None)
            packet = waiting[which]
            assert packet is not None
            packet.stream = targets[which]
            target.put(packet)
            waiting[which] = next(queues[which], None)


def frame_at(clip: Path, picture: Picture, time_s: float, *, height_px: int = PROXY_PX) -> npt.NDArray[np.uint8]:
    """The picture of the first eye that is shown at a clip time, shape (height, width, 3), red, green, blue.

    Raises
    ------
    MediaFileError
        No picture can be decoded there.
    """
    with opened(clip) as source:
        stream = _pictures_of(source, clip)
        zero = stream.start_time or 0
        source.seek(max(zero, zero + int(time_s / stream.time_base)), stream=stream)
        last: Any = None
        for frame in source.decode(stream):
            if frame.pts is None:
                continue
            # Half a tick of slack: a mark's start is written in fewer digits than a time stamp.
            if last is not None and float((frame.pts - zero) * stream.time_base) > time_s + 1e-4:
                break
            last = frame
        if last is None:
            raise MediaFileError(f"no picture of {clip.name} can be decoded at {time_s:.2f} s")
        graph = _EyeFilter(last, stream, clip, picture, proxy_size(picture, height_px), "rgb24")
        return np.asarray(graph.filter(last).to_ndarray())


def _pictures_of(source: Any, clip: Path) -> Any:
    stream = picture_stream(source)
    if stream is None or stream.codec_context is None:
        raise MediaFileError(f"{clip.name} has no pictures that can be decoded; name the camera's movie")
    stream.thread_type = "AUTO"
    return stream


def _shown(
    source: Any, stream: Any, clip: Path, picture: Picture, size: tuple[int, int]
) -> Iterator[tuple[float, Any]]:
    """Clip time and small picture of each shown frame."""
    eye: _EyeFilter | None = None
    zero: int | None = None
    for frame in source.decode(stream):
        if frame.pts is None:
            continue
        zero = frame.pts if zero is None else zero
        if eye is None:
            eye = _EyeFilter(frame, stream, clip, picture, size, "yuv420p")
        yield float((frame.pts - zero) * stream.time_base), eye.filter(frame)


class _EyeFilter:
    """Turns a frame as it is to be shown, cuts the first eye out of it and scales it."""

    def __init__(
        self, frame: Any, stream: Any, clip: Path, picture: Picture, size: tuple[int, int], pixels: str
    ) -> None:
        if (frame.width, frame.height) != (picture.width_px, picture.height_px):
            raise InputError(f"a frame of {frame.width} x {frame.height} pixels is not of {picture.layout}")
        turn = frame_turn(frame)
        if not turn.shown:
            raise MediaFileError(turned_in_words(clip, turn))
        self._clip, self._size_px = clip, (frame.width, frame.height)
        eye = [round(part) for part in picture.eye_size_px]
        graph = av.filter.Graph()
        nodes = [
            graph.add_buffer(template=stream, format=frame.format, width=frame.width, height=frame.height),
            *([graph.add("hflip"), graph.add("vflip")] if turn is DisplayTurn.HALF else []),
            graph.add("crop", f"{eye[0]}:{eye[1]}:0:0"),
            graph.add("scale", f"{size[0]}:{size[1]}:flags=area"),
            graph.add("format", pixels),
            graph.add("buffersink"),
        ]
        for one, next_one in itertools.pairwise(nodes):
            one.link_to(next_one)
        graph.configure()
        self._graph = graph

    def filter(self, frame: Any) -> Any:
        if (frame.width, frame.height) != self._size_px:
            raise MediaFileError(
                f"the pictures of {self._clip.name} change their size along the way; cut the clip there and use the "
                "parts one by one"
            )
        self._graph.push(frame)
        return self._graph.pull()


def _h264_options(rate: int) -> dict[str, str]:
    return {
        "preset": "veryfast",
        "crf": "29",
        "maxrate": str(_PICTURE_BITS_PER_S),
        "bufsize": str(2 * _PICTURE_BITS_PER_S),
        # A key frame each second, so that a jump lands at once.
        "g": str(max(rate, 1)),
    }


class _Writing:
    """An MP4 file to write to; what goes wrong in writing is told apart from what goes wrong in reading."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> Self:
        with self._told():
            self._file = av.open(str(self._path.resolve()), "w", format="mp4", options={"movflags": "+faststart"})
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            with self._told():
                self._file.close()
        except OutputError:
            if error is None:
                raise

    def add_stream(self, codec: str, **options: Any) -> Any:
        """A new stream, by its encoder."""
        with self._told():
            return self._file.add_stream(codec, **options)

    def add_copy(self, stream: Any) -> Any:
        """A new stream, for packets that are taken over as they are."""
        return self._file.add_stream_from_template(stream)

    def put(self, packets: Any) -> None:
        """Write one packet, or several."""
        with self._told():
            self._file.mux(packets)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except MemoryError:
            raise
        except (av.error.FFmpegError, OSError, UnicodeEncodeError) as error:
            why = getattr(error, "strerror", None) or "its name is not UTF-8"
            raise OutputError(
                f"{self._path.name} cannot be written ({why}); free some room, or name another folder"
            ) from error
