"""A new movie with a film's pictures as they are, and a sound field coded beside them.

Conventions: spatial.conventions (field, time): the first shown picture and the first sample of the field have time 0.
Functions: form_of (what a file's name asks for); check_film; write_movie; picture_print (what tells two films' pictures
apart); write_sound (the field alone); field_of_movie (the field, decoded again).
Sources:
[1] RFC 8486: Opus channel mapping family 2, channels in ACN order and SN3D, each coded by itself.
[2] RFC 7845: Opus begins with samples of the coder's own, which its header tells the player to drop.
[3] ISO/IEC 14496-12: edit lists.
"""

import hashlib
import heapq
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from io import BytesIO
from pathlib import Path
from typing import Any

import av
import numpy as np

from spatial import __version__
from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, MediaFileError, OutputError
from spatial.media.movies.container import leave_unread, opened, picture_stream, sound_stream
from spatial.media.movies.scratch import Scratch, find_scratch, placed_sound
from spatial.media.movies.spherical import field_box, finish_movie, finish_stream, picture_boxes
from spatial.media.output import TrackWriter
from spatial.media.ownership import FIELD_TAG, MOVIE_TAG, TRACK_MAKER, Kind, field_mark, movie_mark


class SoundCoding(StrEnum):
    """How the field is coded in a movie."""

    PCM = "pcm"
    OPUS = "opus"
    AAC = "aac"


FORMATS = {".mov": "mov", ".mp4": "mp4", ".mkv": "matroska", ".opus": "ogg", ".ogg": "ogg", ".wav": "wav"}
"""The library's names of the containers, by the end of a file's name."""

_SOUND_ALONE = {".opus": Kind.FIELD, ".ogg": Kind.FIELD, ".wav": Kind.TRACK}
"""Files without a picture, and what they are to the door."""

_USUAL = {
    ".mov": SoundCoding.PCM,
    ".mp4": SoundCoding.OPUS,
    ".mkv": SoundCoding.OPUS,
    ".opus": SoundCoding.OPUS,
    ".ogg": SoundCoding.OPUS,
    ".wav": SoundCoding.PCM,
}
_POSSIBLE = {
    ".mov": (SoundCoding.PCM, SoundCoding.AAC),
    ".mp4": (SoundCoding.OPUS, SoundCoding.AAC),
    ".mkv": (SoundCoding.OPUS, SoundCoding.PCM, SoundCoding.AAC),
    ".opus": (SoundCoding.OPUS,),
    ".ogg": (SoundCoding.OPUS,),
    ".wav": (SoundCoding.PCM,),
}

OPUS_KBPS = 768
"""All four channels together. At this rate 95 tenths of a second of 100 keep their direction within 1.5 degrees in each
scene of tests/bench/results/headset.md; at 512 not in each, at 256 not in all of them together."""

AAC_KBPS = 768
"""AAC joins channels that are alike, as those of a field are, and turns directions more than Opus does."""

_EARS_KBPS = 256
"""AAC in stereo, which every player takes (common practice, no source)."""

_CODERS = {SoundCoding.PCM: "pcm_s24le", SoundCoding.OPUS: "libopus", SoundCoding.AAC: "aac"}
_SAMPLE_FORMS = {SoundCoding.PCM: "s32", SoundCoding.OPUS: "flt", SoundCoding.AAC: "fltp"}
_FIELD_LAYOUT, _FOUR_LAYOUT = "ambisonic 1", "4.0"
"""AAC has no word for a field; a coder of four channels takes those of loudspeakers, one by one."""

_FULL_SCALE_24 = 1 << 23
_ENCODED_AT_ONCE = 4800
_CLOCK_PER_S = DELIVERY_RATE_HZ
"""Edit lists count in the movie's own clock: in samples of the field, none of them is cut off by rounding ([3])."""

_MOST_WAITING = 32
"""Pictures that a coder may keep back: no usual one keeps more than 16."""

_SAMPLE_LIMIT = 1 << 31


@dataclass(frozen=True, slots=True)
class MovieForm:
    """What kind of movie is written."""

    suffix: str
    coding: SoundCoding
    kbps: int | None
    """Bits a second of all four channels together, in thousands; None for PCM."""

    @property
    def kind(self) -> Kind:
        """What it is to the door."""
        return _SOUND_ALONE.get(self.suffix, Kind.MOVIE)

    @property
    def sound_alone(self) -> bool:
        """Whether it has no picture."""
        return self.suffix in _SOUND_ALONE

    @property
    def in_words(self) -> str:
        """As people say it."""
        if self.coding is SoundCoding.PCM:
            return "PCM, 48 kHz, 24 bit"
        name = "Opus, mapping family 2" if self.coding is SoundCoding.OPUS else "AAC"
        return f"{name}, {self.kbps} kb/s"


_EARS, _EARS_FORM = 2, MovieForm("", SoundCoding.AAC, _EARS_KBPS)
"""Channels and coding of a track for headphones."""


def form_of(path: Path, *, coding: str | None = None, kbps: int | None = None) -> MovieForm:
    """What the end of a movie's name asks for, and what was told beside it.

    Raises
    ------
    OutputError
        No name of a movie.
    InputError
        A coding that such a file does not take, or a bit rate for PCM.
    """
    suffix = path.suffix.lower()
    if suffix not in FORMATS:
        raise OutputError(
            f"'{path}' does not say what kind of movie it is to be; end its name in .mov (PCM), .mp4 or .mkv (Opus), "
            "or for the sound alone in .opus or .wav"
        )
    chosen = SoundCoding(coding) if coding is not None else _USUAL[suffix]
    if chosen not in _POSSIBLE[suffix]:
        names = " or ".join(f"--sound {one}" for one in _POSSIBLE[suffix])
        raise InputError(f"{path.name} cannot hold the sound field as {chosen}; say {names}, or end its name otherwise")
    if chosen is SoundCoding.PCM:
        if kbps is not None:
            raise InputError("--bit-rate-kbps is for Opus and AAC: PCM always has 4608 kb/s; leave it out")
        return MovieForm(suffix, chosen, None)
    return MovieForm(suffix, chosen, kbps or (OPUS_KBPS if chosen is SoundCoding.OPUS else AAC_KBPS))


def check_film(path: Path) -> None:
    """Refuse a film whose pictures cannot be copied as they are.

    Raises
    ------
    MediaFileError
        No MP4, MOV or Matroska file, or no pictures in it.
    """
    with opened(path) as container:
        if not any(name in container.format.name for name in ("mov", "matroska")):
            raise MediaFileError(f"{path.name} is no MP4, MOV or MKV film; export it as one of these")
        _pictures(container, path)


@dataclass(frozen=True, slots=True)
class PicturePrint:
    """What tells two films' pictures apart."""

    sha256: str
    """Of all packets, each with its length before it."""
    packets: int
    shown_s: tuple[float, ...]
    """When each is shown, from the first shown one on, in the order of the file."""
    tick_s: float
    """How coarse these times are."""

    def same_pictures(self, other: "PicturePrint") -> bool:
        """Whether all packets are the same, byte for byte."""
        return (self.sha256, self.packets) == (other.sha256, other.packets)

    def same_times(self, other: "PicturePrint") -> bool:
        """Whether they are shown at the same times, to the coarser of both clocks."""
        if self.packets != other.packets:
            return False
        slack = 1.01 * max(self.tick_s, other.tick_s)
        return bool(np.all(np.abs(np.subtract(self.shown_s, other.shown_s)) <= slack))


class _Printing:
    """Makes a picture print from packets as they pass."""

    def __init__(self) -> None:
        self._digest = hashlib.sha256()
        self._times: list[int] = []

    def add(self, data: bytes, shown: int) -> None:
        self._digest.update(len(data).to_bytes(8, "big"))
        self._digest.update(data)
        self._times.append(shown)

    def result(self, tick: Fraction) -> PicturePrint:
        times = tuple(float(time * tick) for time in self._times)
        return PicturePrint(self._digest.hexdigest(), len(times), times, float(tick))


def picture_print(path: Path) -> PicturePrint:
    """Read a movie's packets of pictures; none of them is decoded.

    Raises
    ------
    MediaFileError
        No pictures, or damage.
    """
    printing = _Printing()
    with opened(path) as container:
        stream = _pictures(container, path)
        leave_unread(container, [stream])
        zero = stream.start_time or 0
        for packet in container.demux(stream):
            if packet.size and packet.pts is not None:
                printing.add(bytes(packet), packet.pts - zero)
        return printing.result(stream.time_base)


def _pictures(container: Any, path: Path) -> Any:
    stream = picture_stream(container)
    if stream is None:
        raise MediaFileError(f"{path.name} has no picture; name the film as it left the edit, with its picture")
    return stream


def write_movie(
    film: Path,
    blocks: Iterable[FloatArray],
    path: Path,
    *,
    form: MovieForm,
    layout: str | None = None,
    kept_track: int | None = None,
    ears: Iterable[FloatArray] | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> PicturePrint:
    """Write a movie: a film's pictures, a field beside them, and the boxes that say what they are.

    Parameters
    ----------
    film : Path
        MP4, MOV or Matroska, not fragmented.
    blocks : iterable of ndarray, shape (4, samples)
        The field, W, Y, Z, X in SN3D, at 48 kHz, from the first shown picture on.
    path : Path
        A place that the door gave.
    form : MovieForm
    layout : str, optional
        What the boxes are to say of the picture; None where they are to say nothing of their own.
    kept_track : int, optional
        The film's track of sound that becomes the second one, as it is.
    ears : iterable of ndarray, shape (2, samples), optional
        Sound for headphones that becomes the second track, at 48 kHz, from the first shown picture on.
    progress : callable
        Told the part of the pictures that is done.

    Returns
    -------
    PicturePrint
        Of the film's pictures, as they were read.

    Raises
    ------
    MediaFileError
        The film has no pictures, or is cut inside by its edit list, or damaged.
    InputError
        The container does not take the film's pictures or its sound as they are.
    OutputError
        It cannot be written.
    """
    boxes = picture_boxes(layout, maker=f"{TRACK_MAKER} {__version__}") if layout is not None else b""
    matroska = form.suffix == ".mkv"
    printing = _Printing()
    with ExitStack() as stack:
        source = stack.enter_context(opened(film))
        pictures = _pictures(source, film)
        zero_s = (pictures.start_time or 0) * pictures.time_base
        # In Matroska the library writes what is said itself, from a stream that says them.
        template = _with_words(stack, pictures, film, boxes) if matroska and boxes else pictures
        target = stack.enter_context(_writing(path, form))
        shown = _copied_stream(target, template, film, path)
        field = _field_stream(target, form)
        lanes = [
            _copied(source, pictures, shown, zero_s, film, printing=printing, lone=matroska),
            _coded(blocks, field, form),
        ]
        if kept_track is not None:
            other = stack.enter_context(opened(film))
            kept = sound_stream(other, film, kept_track)
            if kept is None:
                raise MediaFileError(f"{film.name} has no sound of its own to keep; leave --keep-sound out")
            lanes.append(_copied(other, kept, _copied_stream(target, kept, film, path), zero_s, film))
        if ears is not None:
            lanes.append(_coded(ears, _ears_stream(target), _EARS_FORM))
        try:
            target.start_encoding()
        except MemoryError:
            raise
        except av.error.FFmpegError as error:
            raise _not_held(
                path, film, pictures, "picture" if kept_track is None else "picture or own sound"
            ) from error
        whole_s = float((pictures.duration or 0) * pictures.time_base)
        for time_s, packet in heapq.merge(*lanes, key=lambda lane: lane[0]):
            with _told(path):
                target.mux(packet)
            progress(min(1.0, max(0.0, float(time_s) / whole_s)) if whole_s else 0.0)
        tick = pictures.time_base
    if not matroska:
        finish_movie(path, picture=boxes, sounds={0: field_box()}, mark=movie_mark().encode())
    return printing.result(tick)


def write_sound(blocks: Iterable[FloatArray], path: Path, *, form: MovieForm) -> None:
    """Write the field alone: as WAV with ADM, or as Opus in an Ogg file.

    Parameters are those of write_movie.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    if form.suffix == ".wav":
        with TrackWriter(path) as writer:
            for block in blocks:
                writer.write(block)
        return
    with _writing(path, form) as target:
        stream = _field_stream(target, form)
        for _, packet in _coded(blocks, stream, form):
            with _told(path):
                target.mux(packet)


def field_of_movie(path: Path, *, duration_s: float, track: int = 0) -> tuple[Scratch, Iterator[FloatArray]]:
    """A track of four channels of a movie, decoded onto the time of its pictures; sound alone from its first sample.

    Returns
    -------
    Scratch, iterator of ndarray, shape (4, samples)
        Where the sound starts; the sound from clip time `phase_s` on, until `duration_s`.

    Raises
    ------
    MediaFileError
        No such track, or another number of channels.
    """
    with opened(path) as container:
        pictures = picture_stream(container)
        zero_s = None if pictures is None else float((pictures.start_time or 0) * pictures.time_base)
        stream = sound_stream(container, path, track)
        scratch = None if stream is None else find_scratch(container, stream, path, zero_s=zero_s, track=track)
    if scratch is None or scratch.channels != FIRST_ORDER_CHANNELS:
        raise MediaFileError(f"{path.name} has no sound field of four channels where one should be")
    return scratch, placed_sound(path, scratch, duration_s=duration_s, block_s=1.0)


# --- parts ---


@contextmanager
def _writing(path: Path, form: MovieForm) -> Iterator[Any]:
    options = {}
    if form.suffix == ".mkv":
        # A check sum over the tags would no longer fit once the seal is put in; Matroska may leave them out (RFC 9559).
        options = {"write_crc32": "0"}
    elif not form.sound_alone:
        options = {"movie_timescale": str(_CLOCK_PER_S)}
    with _told(path):
        target = av.open(str(path.resolve()), "w", format=FORMATS[form.suffix], options=options)
    if form.suffix == ".mkv":
        target.metadata[MOVIE_TAG] = movie_mark()
    if form.sound_alone:
        target.metadata[FIELD_TAG] = field_mark()
    try:
        yield target
    finally:
        with _told(path):
            target.close()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except MemoryError:
        raise
    except (av.error.FFmpegError, OSError, UnicodeEncodeError) as error:
        why = getattr(error, "strerror", None) or "its name is not UTF-8"
        raise OutputError(f"{path.name} cannot be written ({why}); free some room, or name another folder") from error


def _copied_stream(target: Any, stream: Any, film: Path, path: Path) -> Any:
    try:
        return target.add_stream_from_template(stream)
    except MemoryError:
        raise
    except (ValueError, av.error.FFmpegError) as error:
        raise _not_held(path, film, stream, "picture" if stream.type == "video" else "own sound") from error


def _not_held(path: Path, film: Path, stream: Any, what: str) -> InputError:
    others = " or ".join(one for one in FORMATS if one != path.suffix.lower() and one not in _SOUND_ALONE)
    return InputError(
        f"a movie named {path.suffix} cannot hold the {what} of {film.name} as it is ({_coder(stream)}); end the name "
        f"in {others}"
    )


def _coder(stream: Any) -> str:
    return str(stream.codec_context.name) if stream.codec_context is not None else "an unknown coder"


def _field_stream(target: Any, form: MovieForm) -> Any:
    options = {"mapping_family": "2"} if form.coding is SoundCoding.OPUS else {}
    layout = _FOUR_LAYOUT if form.coding is SoundCoding.AAC else _FIELD_LAYOUT
    stream = target.add_stream(_CODERS[form.coding], rate=DELIVERY_RATE_HZ, layout=layout, options=options)
    stream.codec_context.format = _SAMPLE_FORMS[form.coding]
    if form.kbps is not None:
        stream.bit_rate = 1000 * form.kbps
    return stream


def _copied(
    source: Any,
    stream: Any,
    target: Any,
    zero_s: Fraction,
    film: Path,
    *,
    printing: _Printing | None = None,
    lone: bool = False,
) -> Iterator[tuple[Fraction, Any]]:
    """A stream's packets as they are, moved so that the first shown picture has time 0."""
    leave_unread(source, [stream])
    zero = round(zero_s / stream.time_base)
    for packet in _in_order(source.demux(stream), film):
        packet.pts -= zero
        packet.dts -= zero
        if printing is not None:
            if packet.is_discard and packet.pts >= 0:
                raise MediaFileError(
                    f"{film.name} holds pictures that its edit list leaves out in the middle or at the end; export it "
                    "again, so that every picture in it is shown"
                )
            if lone and packet.pts < 0:
                raise MediaFileError(
                    f"{film.name} holds pictures before its first shown one, which an .mkv would show; end the name in "
                    ".mov or .mp4"
                )
            printing.add(bytes(packet), packet.pts)
        time_s = packet.dts * packet.time_base
        packet.stream = target
        yield time_s, packet


def _in_order(packets: Iterable[Any], film: Path) -> Iterator[Any]:
    """Packets that hold something, each with a time of decoding.

    Matroska has none of these, and the library does not guess those of the first pictures where later ones are shown
    before them: they are one picture apart before the first that is known.
    """
    waiting: list[Any] = []
    for packet in packets:
        if not packet.size:
            continue
        if packet.pts is None or len(waiting) > _MOST_WAITING:
            raise MediaFileError(f"{film.name} carries no times of its pictures; export it as MP4 or MOV")
        waiting.append(packet)
        if packet.dts is None:
            continue
        apart = max(packet.duration or 0, 1)
        for number, one in enumerate(waiting[:-1]):
            one.dts = packet.dts - (len(waiting) - 1 - number) * apart
        yield from waiting
        waiting = []
    if waiting:
        raise MediaFileError(f"{film.name} carries no times of its last pictures; export it as MP4 or MOV")


def _ears_stream(target: Any) -> Any:
    stream = target.add_stream("aac", rate=DELIVERY_RATE_HZ, layout="stereo")
    stream.bit_rate = 1000 * _EARS_KBPS
    return stream


def _coded(blocks: Iterable[FloatArray], stream: Any, form: MovieForm) -> Iterator[tuple[Fraction, Any]]:
    """The field's packets."""
    place = 0
    for block in blocks:
        for start in range(0, block.shape[1], _ENCODED_AT_ONCE):
            frame = _frame(block[:, start : start + _ENCODED_AT_ONCE], form)
            frame.sample_rate, frame.time_base, frame.pts = DELIVERY_RATE_HZ, Fraction(1, DELIVERY_RATE_HZ), place
            place += frame.samples
            for packet in stream.encode(frame):
                yield packet.dts * packet.time_base, packet
    for packet in stream.encode(None):
        yield packet.dts * packet.time_base, packet


def _frame(sound: FloatArray, form: MovieForm) -> Any:
    kind = _SAMPLE_FORMS[form.coding]
    layout = _FOUR_LAYOUT if form.coding is SoundCoding.AAC else _FIELD_LAYOUT
    if len(sound) == _EARS:
        layout = "stereo"
    if form.coding is SoundCoding.PCM:
        # Rounded to 24 bits, which the coder takes from the upper part of 32.
        steps = np.clip(np.rint(sound * _FULL_SCALE_24), -_FULL_SCALE_24, _FULL_SCALE_24 - 1)
        held = (steps.astype(np.int64) * (_SAMPLE_LIMIT // _FULL_SCALE_24)).astype(np.int32)
    else:
        held = np.asarray(sound, dtype=np.float32)
    if form.coding is not SoundCoding.AAC:
        held = held.T.reshape(1, -1)
    return av.AudioFrame.from_ndarray(np.ascontiguousarray(held), format=kind, layout=layout)


def _with_words(stack: ExitStack, pictures: Any, film: Path, boxes: bytes) -> Any:
    """The same stream of pictures, of a small movie in memory that has the boxes; only its header is used."""
    with opened(film) as again:
        stream = _pictures(again, film)
        packet = next((one for one in again.demux(stream) if one.size), None)
        if packet is None:
            raise MediaFileError(f"{film.name} has a picture track with no pictures in it; export it again")
        for kind in ("mp4", "mov"):
            small = BytesIO()
            try:
                with av.open(small, "w", format=kind) as target:
                    copy = target.add_stream_from_template(stream)
                    packet.pts = packet.dts = 0  # what it shows is not used
                    packet.stream = copy
                    target.mux(packet)
            except MemoryError:
                raise
            except (ValueError, av.error.FFmpegError):
                continue
            put = _put_in_memory(small, boxes)
            told = stack.enter_context(av.open(put, format="mov"))
            return told.streams.video[0]
    raise InputError(
        f"what --picture says cannot be put into an .mkv with the picture of {film.name} ({_coder(pictures)}); end the "
        "name in .mov"
    )


def _put_in_memory(small: BytesIO, boxes: bytes) -> BytesIO:
    finish_stream(small, picture=boxes, sounds={}, mark=b"")
    small.seek(0)
    return small
