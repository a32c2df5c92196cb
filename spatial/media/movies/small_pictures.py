"""Every picture of a movie, small: what a film is held against its clips by.

Goal: one pass of decoding leaves a few hundred numbers of each shown picture, of the first eye, in one small view
whatever the movie's layout, and when each picture is shown.
Conventions: spatial.conventions (time): time 0 is the first shown picture. Luma from 0 (black) to 255.
Functions: read_small_pictures (decode, or remember); guess_layout, packing_seen (from the pictures themselves).
"""

import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
import numpy.typing as npt
from av.video.reformatter import VideoReformatter
from scipy.ndimage import uniform_filter

from spatial.conventions import FloatArray
from spatial.errors import MediaFileError
from spatial.media.buffers import Spool
from spatial.media.cache import Arrays, FeatureCache
from spatial.media.movies.clip import Clip
from spatial.media.movies.container import leave_unread, opened, picture_stream
from spatial.media.movies.display import DisplayTurn
from spatial.picture import VIEW_CELLS, Packing, Picture, parse_picture, view_places

_SCALED_PX = 128
"""Height to which one eye is scaled before its cells are averaged: some five pixels a cell each way, and what scaling
rounds off is averaged away."""

_BLOCK = 256
"""Pictures that are laid aside at once."""

_STEP = 1.0 / 8.0
"""Part of a level to which cells are kept: the mouth of somebody three metres away moves a cell by about one level."""

_VERSION = "small-pictures-1"

_GUESSES = 12
"""Pictures that a layout is guessed from."""

_EYES_ALIKE = 0.6
"""Correlation of two halves of a frame from which on they are two eyes: those of one scene have 0.8 and more, halves of
one picture chance."""

_FINE = 9
"""Pixels, of 96 x 192, of the running mean against which structure counts as fine."""

_CORNERS_DARK = 0.15
"""Luma of the corners of a fisheye's frame, against its middle's."""

Image = npt.NDArray[np.uint8]


class SmallPictures:
    """The small pictures of one movie, laid aside on disk. Use in a with statement.

    Attributes
    ----------
    times_s : ndarray, shape (frames,)
        When each picture is shown.
    layout : str
        How the movie's picture was taken to be laid out.
    frame_rate : Fraction
        Of the whole movie; the average where it varies.
    """

    def __init__(self, path: Path, spool: Spool, times_s: FloatArray, layout: str, frame_rate: Fraction) -> None:
        self.path, self.times_s, self.layout, self.frame_rate = path, times_s, layout, frame_rate
        self._spool = spool

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._spool.__exit__(kind, error, trace)

    @property
    def frames(self) -> int:
        """How many there are."""
        return len(self.times_s)

    def read(self, first: int, stop: int) -> FloatArray:
        """Pictures first <= n < stop, shape (pictures, cells), float32."""
        return np.ascontiguousarray(self._spool.read(first, stop).T)


def read_small_pictures(
    clip: Clip,
    *,
    layout: str | None = None,
    cache: FeatureCache | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> SmallPictures:
    """Decode a movie's pictures once, or take what an earlier run kept of them.

    Parameters
    ----------
    clip : Clip
        A movie with a picture.
    layout : str, optional
        A layout's name (spatial.picture); guessed from the pictures where nothing is said.

    Raises
    ------
    MediaFileError
        No picture, one that is turned in a way that is not followed, or damage.
    InputError
        A layout that there is not, or that does not fit the frame.
    """
    path = clip.path
    if clip.frame_rate is None or clip.width_px is None or clip.height_px is None:
        raise MediaFileError(f"{path.name} has no picture; name a movie that has one")
    if not clip.turn.shown:
        raise MediaFileError(
            f"the header of {path.name} says that its picture is to be shown {clip.turn}, which is not done here; "
            "export it upright"
        )
    kind = f"{_VERSION} {layout}"
    kept = None if cache is None else cache.load(path, kind)
    if kept is not None:
        return _unpacked(kept, clip)
    picture = parse_picture(layout or guess_layout(clip), clip.width_px, clip.height_px)
    spool, packed = Spool(1), _Packed()
    times: list[float] = []
    try:
        for pictures, seconds in _blocks(clip, picture):
            spool.write(pictures.T)
            packed.add(pictures)
            times += seconds
            progress(min(1.0, times[-1] / max(clip.duration_s, 1e-9)))
    except BaseException:
        spool.__exit__(None, None, None)
        raise
    if not times:
        raise MediaFileError(f"no picture of {path.name} can be decoded; copy it from the card again")
    seconds_of = np.array(times)
    if cache is not None:
        cache.store(path, kind, packed.arrays(seconds_of, picture.layout))
    return SmallPictures(path, spool, seconds_of, picture.layout, clip.frame_rate)


def _frames(clip: Clip) -> Iterator[tuple[Any, float]]:
    """Each shown frame, decoded, with its time."""
    with opened(clip.path) as source:
        stream = picture_stream(source)
        if stream is None:
            raise MediaFileError(f"{clip.path.name} has no pictures that can be decoded; name another movie")
        leave_unread(source, [stream])
        stream.thread_type = "AUTO"
        zero: int | None = None
        for frame in source.decode(stream):
            if frame.pts is None:
                continue
            zero = frame.pts if zero is None else zero
            yield frame, float((frame.pts - zero) * stream.time_base)


def _blocks(clip: Clip, picture: Picture) -> Iterator[tuple[FloatArray, list[float]]]:
    """Cells of pictures, shape (pictures, cells), and their times, some pictures at once."""
    across, down = picture.eye_size_px
    height = round(_SCALED_PX * picture.height_px / down)
    width = round(_SCALED_PX * (picture.width_px / across) * max(1.0, picture.field_of_view_rad / np.pi))
    places = view_places(picture, width, height)
    scaler = VideoReformatter()
    cells, times = np.empty((_BLOCK, VIEW_CELLS), dtype=np.float32), list[float]()
    for frame, time_s in _frames(clip):
        if (frame.width, frame.height) != (picture.width_px, picture.height_px):
            raise MediaFileError(
                f"the pictures of {clip.path.name} change their size along the way; export it in one size"
            )
        image = _small(scaler, frame, width, height, clip.turn)
        cells[len(times)] = image.ravel()[places].mean(axis=1, dtype=np.float32)
        times.append(time_s)
        if len(times) == _BLOCK:
            yield _rounded(cells), times
            times = []
    if times:
        yield _rounded(cells[: len(times)]), times


def _small(scaler: VideoReformatter, frame: Any, width: int, height: int, turn: DisplayTurn) -> Image:
    gray = scaler.reformat(frame, width=width, height=height, format="gray", interpolation="AREA")
    image = np.asarray(gray.to_ndarray(), dtype=np.uint8)
    return image[::-1, ::-1] if turn is DisplayTurn.HALF else image


def _rounded(cells: FloatArray) -> FloatArray:
    # The same numbers whether they are decoded or remembered.
    return np.asarray(np.rint(cells / _STEP) * _STEP, dtype=np.float32)


# --- layouts ---


_NARROWEST_EYE = 0.75
"""Width over height of the narrowest half that is taken for an eye's picture: whole eyes are square or wider, in frames
of 16:9 they are squeezed to 0.89; a square picture whose halves are alike is one eye with something symmetrical."""


def guess_layout(clip: Clip) -> str:
    """How a movie's picture is laid out, as far as its shape and a few pictures tell.

    Two halves that are alike are two eyes; dark corners round a bright middle are those of a fisheye. What stays open,
    such as the exact field of view, moves things by less than the comparison allows.

    Raises
    ------
    MediaFileError
        Nothing can be decoded.
    """
    assert clip.width_px is not None
    assert clip.height_px is not None
    mean = _mean_picture(clip)
    shape = clip.width_px / clip.height_px
    beside, above = _halves_alike(mean)
    even_width, even_height = clip.width_px % 2 == 0, clip.height_px % 2 == 0
    packing, eye_shape, eye = "", shape, mean
    if max(beside, above) >= _EYES_ALIKE:
        if beside >= above and even_width and shape / 2 > _NARROWEST_EYE:
            packing, eye_shape, eye = "-sbs", shape / 2, mean[:, : mean.shape[1] // 2]
        elif above > beside and even_height:
            packing, eye_shape, eye = "-tb", shape * 2, mean[: mean.shape[0] // 2]
    if _is_circle(eye):
        return f"fisheye180{packing}"
    return f"equirect{'360' if eye_shape > 1.9 and (packing or shape < 2.1) else '180'}{packing}"


def packing_seen(clip: Clip) -> Packing:
    """How two eyes share the frame, by the likeness of its halves; one eye where they are not alike.

    Raises
    ------
    MediaFileError
        Nothing can be decoded.
    """
    beside, above = _halves_alike(_mean_picture(clip))
    if max(beside, above) < _EYES_ALIKE:
        return Packing.ONE_EYE
    return Packing.SIDE_BY_SIDE if beside >= above else Packing.TOP_BOTTOM


def _halves_alike(mean: FloatArray) -> tuple[float, float]:
    """How alike left and right, and above and below are."""
    beside = _alike(mean[:, : mean.shape[1] // 2], mean[:, mean.shape[1] // 2 :])
    return beside, _alike(mean[: mean.shape[0] // 2], mean[mean.shape[0] // 2 :])


def _mean_picture(clip: Clip) -> FloatArray:
    """Mean of some pictures spread over the movie, 96 x 192."""
    images = []
    with ExitStack() as stack:
        source = stack.enter_context(opened(clip.path))
        stream = picture_stream(source)
        if stream is None:
            raise MediaFileError(f"{clip.path.name} has no pictures that can be decoded; name another movie")
        leave_unread(source, [stream])
        stream.thread_type = "AUTO"
        scaler = VideoReformatter()
        zero = stream.start_time or 0
        for number in range(_GUESSES):
            time_s = clip.duration_s * (number + 0.5) / _GUESSES
            try:
                source.seek(zero + int(time_s / stream.time_base), stream=stream)
                frame = next(source.decode(stream), None)
            except MemoryError:
                raise
            except (av.error.FFmpegError, ValueError):
                continue  # damage in one place is said when all is decoded
            if frame is not None:
                images.append(_small(scaler, frame, 192, 96, clip.turn).astype(np.float64))
    if not images:
        raise MediaFileError(f"no picture of {clip.path.name} can be decoded; copy it from the card again")
    return np.asarray(np.mean(images, axis=0))


def _alike(one: FloatArray, other: FloatArray) -> float:
    """Correlation of two pictures; 0 where one shows nothing."""
    size = min(one.shape[0], other.shape[0]), min(one.shape[1], other.shape[1])
    # Fine structure only: most pictures are brighter above than below, or to one side, in both halves.
    one, other = (part[: size[0], : size[1]] for part in (one, other))
    one, other = (part - uniform_filter(part, _FINE, mode="nearest") for part in (one, other))
    power = float(np.sqrt(np.sum(one**2) * np.sum(other**2)))
    return float(np.sum(one * other)) / power if power > one.size else 0.0


def _is_circle(eye: FloatArray) -> bool:
    """Whether one eye's picture is a disc with black round it."""
    rows, columns = (np.linspace(-1, 1, size) for size in eye.shape)
    radius = np.hypot(rows[:, np.newaxis], columns[np.newaxis, :])
    middle, corners = eye[radius < 0.9], eye[radius > 1.15]
    black = float(np.min(eye))
    return bool(np.mean(corners) - black < _CORNERS_DARK * (np.mean(middle) - black) and np.std(corners) < 4.0)


# --- kept for the next run ---


class _Packed:
    """Small pictures, packed: what changes from picture to picture is mostly nothing."""

    def __init__(self) -> None:
        self._blocks: list[bytes] = []

    def add(self, pictures: FloatArray) -> None:
        steps = np.rint(pictures / _STEP).astype(np.int16)
        changes = np.diff(steps, axis=0, prepend=np.zeros((1, steps.shape[1]), np.int16))
        planes = changes.astype("<i2").view(np.uint8).reshape(-1, 2)
        self._blocks.append(zlib.compress(planes.T.tobytes(), 1))

    def arrays(self, times_s: FloatArray, layout: str) -> Arrays:
        return {
            "sizes": np.array([len(block) for block in self._blocks]),
            "packed": np.frombuffer(b"".join(self._blocks), dtype=np.uint8),
            "times_s": times_s,
            "layout": np.array(layout),
        }


def _unpacked(kept: Arrays, clip: Clip) -> SmallPictures:
    spool, place = Spool(1), 0
    data = kept["packed"].tobytes()
    for size in kept["sizes"]:
        planes = np.frombuffer(zlib.decompress(data[place : place + int(size)]), np.uint8).reshape(2, -1)
        changes = np.ascontiguousarray(planes.T).view("<i2").reshape(-1, VIEW_CELLS)
        steps = np.cumsum(changes, axis=0, dtype=np.int16)
        spool.write((steps.astype(np.float32) * np.float32(_STEP)).T)
        place += int(size)
    assert clip.frame_rate is not None
    return SmallPictures(clip.path, spool, kept["times_s"], str(kept["layout"]), clip.frame_rate)
