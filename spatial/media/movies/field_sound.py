"""The sound field inside a movie, read in spans on picture time, as the sound of a recording is.

Goal: whatever works on a take works on a movie that holds one. Sample 0 lies at the first shown picture; where sound
starts late or has holes there is silence, and the sound ends with the picture at the latest.
Method: the sound is decoded on from where the last span ended; for a span elsewhere the file is sought some way before
it, since coders remember. Matroska's stamps are whole milliseconds: there a frame's place is the one on the grid of
frames of one length that its stamp allows; where there is no such grid, the one it had when all was decoded once.
Conventions: spatial.conventions (time). Raw sound has shape (samples, channels), as everywhere where files are read.
Functions: is_movie (by its first bytes); movie_field (which track of a movie is its field, and what there is to say of
that); FieldSound (its sound, with the face of a sound file that libsndfile has open); field_declared (which channel
is which, by the movie's own words).
Sources:
[1] RFC 8486: Opus channel mapping family 2 and 3, channels in ACN order and SN3D, two more may be plain stereo.
[2] RFC 7845 section 4.6: an Opus decoder that starts in the middle needs 80 ms to converge.
[3] "Spatial Audio RFC" (public specification): SA3D; its map names the component that each channel holds.
"""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

import av
import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.media.intake import require_file
from spatial.media.movies.boxes import FIRST_KINDS
from spatial.media.movies.clip import open_pictures
from spatial.media.movies.container import leave_unread, opened, sound_streams
from spatial.media.movies.scratch import HOLE_S, Scratch, find_scratch, samples_of
from spatial.media.movies.spherical import MovieWords, SoundWords, read_words

_EBML, _OGG = b"\x1a\x45\xdf\xa3", b"OggS"
"""First bytes of Matroska and of Ogg."""

_SETTLING_S = 0.25
"""Decoded and thrown away before a span that was sought: three times what Opus asks for ([2])."""

_EARLIER_S = 0.1
"""A seek is asked for this much earlier than it should lead: after one, the library cuts off again what Opus had put
before the sound at the start of the file, and stamps are rounded."""

_STEP_ON_S = 2.0
"""A span that begins this little behind the last one is reached by decoding on: a seek decodes _SETTLING_S anyway."""

_KEPT_S = 1.0
"""Decoded sound that is kept behind a span, since the next one often begins a little before the end of the last."""

_TAIL_S = 3.0
"""How much of the end is decoded to learn where the sound ends."""

_FIRST_FRAMES = 64
"""Frames whose lengths tell the grid on which a coarse clock's frames lie."""

_FINE_TICK = 1.0 + 1e-9
"""Ticks of a stream's clock, in samples, up to which a stamp tells a sample."""

_NO_SAMPLE = 1e6
"""120 dB over full scale is damage, not sound."""

_REMEMBERED = 32
"""Movies whose tracks are remembered, so that each of a job's many openings does not look for them anew."""


def is_movie(head: bytes) -> bool:
    """Whether the first 12 bytes of a file are those of a movie, or of Ogg, whose sound is placed as a movie's is."""
    return head[4:8] in FIRST_KINDS or head[:4] in (_EBML, _OGG)


@dataclass(frozen=True, slots=True)
class _Track:
    """One track of sound, and how its frames are placed."""

    scratch: Scratch
    first_pts: int
    """Time stamp of its first decoded frame, in its own clock."""
    samples_per_tick: float
    grid: tuple[int, int] | None
    """Length of a frame, and the place of one in samples: where the clock is coarser than a sample."""
    exact: bool
    """Whether a decoder needs no sound before to give a sample as it is."""
    layout: str
    """What the decoder calls the order of its channels."""
    places: dict[int, int]
    """Places of frames by their time stamps, where neither a fine clock nor a grid tells them: filled as they pass."""


@dataclass(frozen=True, slots=True)
class MovieField:
    """The tracks of a movie that hold its sound field."""

    path: Path
    container: str
    """MOV, MP4, MKV or OGG."""
    subtype: str
    """Coding: PCM_24, OPUS, AAC, ..."""
    tracks: tuple[_Track, ...]
    """One of four channels or more, or four of one channel."""
    samples: int
    """Until the sound ends, or the picture, whichever is first; the picture's length where they end together."""
    words: SoundWords | None
    """What the movie says of that track; None where its words cannot be told apart by track."""
    movie: MovieWords
    findings: tuple[Finding, ...]

    @property
    def channels(self) -> int:
        """Of all its tracks together."""
        return sum(track.scratch.channels for track in self.tracks)

    @property
    def rate_hz(self) -> int:
        """Sample rate."""
        return self.tracks[0].scratch.rate_hz


def movie_field(path: Path) -> MovieField:
    """Find the track of a movie that holds a sound field: the one it says does, else one of four channels or more.

    Raises
    ------
    MediaFileError
        No such track, or the movie cannot be read.
    """
    require_file(path, "movie")
    status = path.stat()
    return _movie_field(path, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=_REMEMBERED)
def _movie_field(path: Path, changed_ns: int, size: int) -> MovieField:  # noqa: ARG001 what tells one file from another
    words = read_words(path)
    with opened(path) as container:
        streams = sound_streams(container)
        channels = [stream.codec_context.channels for stream in streams]
        codecs = [(stream.codec_context.name, stream.codec_context.sample_rate) for stream in streams]
        ended = [_declared_end(container, stream) for stream in streams]
        kind = container.format.name
    said = words.sounds if len(words.sounds) == len(streams) else (None,) * len(streams)
    chosen = _chosen(channels, codecs, said)
    if chosen is None:
        raise MediaFileError(_no_field(path, channels))
    picture = open_pictures(path)
    zero_s = None if picture is None else picture.zero_s
    tracks = tuple(_track(path, number, zero_s) for number in chosen)
    rate = tracks[0].scratch.rate_hz
    last_s = min(_end_s(path, track, ended[number]) for track, number in zip(tracks, chosen, strict=True))
    findings = _which(path, channels, chosen, said)
    samples = round(last_s * rate)
    if picture is not None:
        whole = picture.samples_at(rate)
        over_s = (samples - whole) / rate
        if abs(over_s) * float(picture.frame_rate) <= 1.0 or over_s > 0.0:
            samples = whole
        if over_s * float(picture.frame_rate) > 1.0:
            message = f"the sound of {path.name} goes on for {over_s:.2f} s after its picture: that is left out"
            findings.append(Finding(Code.WRONG_LENGTH, Severity.NOTE, message, path.name))
    if samples <= 0:
        raise MediaFileError(f"{path.name} holds no sound while its picture is shown; export it again")
    doubt_s = max(track.scratch.start_doubt_s for track in tracks)
    if doubt_s > 1.0 / rate:
        message = (
            f"{path.name} does not say how much its coder put before the sound: the field may lie up to "
            f"{doubt_s * 1e3:.0f} ms off the picture; export it as MP4 or MOV with an edit list"
        )
        findings.append(Finding(Code.LIP_SYNC, Severity.NOTE, message, path.name))
    return MovieField(
        path=path,
        container=_container(path, kind),
        subtype=_subtype(tracks[0].scratch.codec),
        tracks=tracks,
        samples=samples,
        words=said[chosen[0]] if len(chosen) == 1 else None,
        movie=words,
        findings=tuple(findings),
    )


def _chosen(
    channels: list[int], codecs: list[tuple[str, int]], said: tuple[SoundWords | None, ...]
) -> tuple[int, ...] | None:
    """Numbers of the tracks that are the field."""
    wide = [n for n, count in enumerate(channels) if count >= FIRST_ORDER_CHANNELS]
    marked = [n for n in wide if (words := said[n]) is not None and words.says_field]
    if marked or wide:
        return ((marked or wide)[0],)
    # An edit writes four tracks of one channel where nobody told it that they belong together.
    single = [n for n, count in enumerate(channels) if count == 1]
    together = [n for n in single if codecs[n] == codecs[single[0]]]
    return tuple(together) if len(together) == len(single) == FIRST_ORDER_CHANNELS else None


def _no_field(path: Path, channels: list[int]) -> str:
    if not channels:
        return f"{path.name} is a movie without sound; name a recording, or a movie that holds a sound field"
    most = max(channels)
    held = f"has {most} channel{'s' if most > 1 else ''}"
    if len(channels) > 1:
        held = f"lies in {len(channels)} tracks of at most {most} channel{'s' if most > 1 else ''}"
    return (
        f"{path.name} is not a WAV, FLAC or CAF recording, and as a movie it holds no sound field: its sound {held}, "
        "and a field has four or more; name the recorder's file"
    )


def _which(
    path: Path, channels: list[int], chosen: tuple[int, ...], said: tuple[SoundWords | None, ...]
) -> list[Finding]:
    """That one of several tracks is read, or several as one."""
    if len(chosen) > 1:
        message = (
            f"the {len(chosen)} sound tracks of one channel in {path.name} are read as the channels of one field, in "
            "their order; players play them as separate sounds: export the field as one track of four channels"
        )
        return [Finding(Code.SOUND_TRACK, Severity.LOOK, message, path.name)]
    if len(channels) == 1:
        return []
    number = chosen[0]
    words = said[number]
    marked = ", which says that it is a field" if words is not None and words.says_field else ""
    others = "; ".join(
        f"track {n + 1} has {count} channel{'s' if count > 1 else ''}"
        for n, count in enumerate(channels)
        if n != number
    )
    message = (
        f"{path.name} has {len(channels)} sound tracks: track {number + 1} of {channels[number]} channels is read as "
        f"the sound field{marked}; {others}"
    )
    rivals = [
        n
        for n, count in enumerate(channels)
        if count >= FIRST_ORDER_CHANNELS
        and n != number
        and (not marked or ((w := said[n]) is not None and w.says_field))
    ]
    severity = Severity.LOOK if rivals else Severity.NOTE
    return [Finding(Code.SOUND_TRACK, severity, message, path.name)]


def field_declared(words: SoundWords, channels: int) -> tuple[str, str | None, tuple[int, ...]] | None:
    """What a movie says of a track's channels.

    Returns
    -------
    by, normalisation, acn
        Where it says so; "SN3D", or None where it says another; file channels of W, Y, Z and X. None where it says
        nothing of a field, or nothing that can be.
    """
    if words.field is not None:
        version, kind, order, ordering, normalisation, count, *routes = words.field
        places = [routes.index(acn) for acn in range(FIRST_ORDER_CHANNELS) if acn in routes]
        # The upper bit of the type says that two channels beside the field do not turn with the head.
        sound = (version, kind & 0x7F, ordering) == (0, 0, 0) and order >= 1 and count <= channels
        known = sound and len(places) == FIRST_ORDER_CHANNELS and max(places) < channels
        return ("its SA3D box", "SN3D" if normalisation == 0 else None, tuple(places)) if known else None
    if words.opus_family == 2 and channels >= FIRST_ORDER_CHANNELS:
        # The decoder has put the streams into the order of the components already ([1]).
        return "its Opus header (mapping family 2)", "SN3D", (0, 1, 2, 3)
    return None


# --- one track ---


def _track(path: Path, number: int, zero_s: float | None) -> _Track:
    with opened(path) as container:
        stream = sound_streams(container)[number]
        scratch = find_scratch(container, stream, path, zero_s=zero_s, track=number)
    if scratch is None:
        raise MediaFileError(f"the sound in {path.name} cannot be decoded: nothing is in it; export it again")
    with opened(path) as container:
        stream = sound_streams(container)[number]
        leave_unread(container, [stream])
        codec = stream.codec_context
        exact = codec.name.startswith("pcm_") or bool(codec.codec.lossless and not codec.codec.lossy)
        first_pts, lengths, layout = None, [], ""
        for frame in container.decode(stream):
            first_pts = frame.pts if first_pts is None else first_pts
            layout = layout or frame.layout.name
            lengths.append(frame.samples)
            if len(lengths) >= _FIRST_FRAMES:
                break
        per_tick = float(stream.time_base) * scratch.rate_hz
    grid = None
    if per_tick > _FINE_TICK and len(lengths) > 2 and len(set(lengths[1:-1])) == 1:
        # The first frame may be shorter by what the coder put before the sound, the last of a short file too.
        grid = lengths[1], round((scratch.start_s - scratch.phase_s) * scratch.rate_hz) + lengths[0]
    return _Track(scratch, first_pts or 0, per_tick, grid, exact, layout, {})


def _declared_end(container: Any, stream: Any) -> float | None:
    """When a track ends by the header of an MP4 or MOV file, in container time, seconds."""
    if "mov" not in container.format.name or not stream.duration:
        return None
    return float(((stream.start_time or 0) + stream.duration) * stream.time_base)


def _end_s(path: Path, track: _Track, declared_s: float | None) -> float:
    """When a track's sound ends, in clip time."""
    with ExitStack() as stack:
        reader = _Decoder(path, track, stack)
        end = reader.end()
    end_s = end / track.scratch.rate_hz + track.scratch.phase_s
    if declared_s is None:
        return end_s
    first_s = track.first_pts * track.samples_per_tick / track.scratch.rate_hz
    # Opus in MP4 is decoded some hundred samples beyond the length that the header gives.
    return min(end_s, declared_s - first_s + track.scratch.start_s)


class _Decoder:
    """One track, decoded from any place on."""

    def __init__(self, path: Path, track: _Track, stack: ExitStack) -> None:
        self._path, self._track, self._stack = path, track, stack
        self._first = round((track.scratch.start_s - track.scratch.phase_s) * track.scratch.rate_hz)
        self._opened: ExitStack | None = None
        self._container: Any = None
        self._stream: Any = None
        self._frames: Iterator[tuple[int, FloatArray]] = iter(())
        self._waiting: tuple[int, FloatArray] | None = None
        self._held = np.zeros((track.scratch.channels, 0), dtype=np.float32)
        self._start = 0
        """Place of the first held sample."""
        self._ready = False
        self._blind = False
        """Whether places in this file cannot be sought."""
        self._listed = track.grid is None and track.samples_per_tick > _FINE_TICK
        stack.callback(self._close)

    def read(self, start: int, stop: int) -> FloatArray:
        """Samples start <= n < stop, shape (channels, stop - start); silence where there is none."""
        rate = self._track.scratch.rate_hz
        end = self._start + self._held.shape[1]
        if not self._ready or start < self._start or start > end + _STEP_ON_S * rate:
            self._go(start)
        parts = [self._held]
        end = self._start + self._held.shape[1]
        while end < stop:
            part = self._next(end, stop)
            parts.append(part)
            end += part.shape[1]
        held = np.concatenate(parts, axis=1) if len(parts) > 1 else self._held
        wanted = held[:, start - self._start : stop - self._start]
        let_go = max(0, stop - round(_KEPT_S * rate) - self._start)
        # What was read last stays whole: its neighbour often begins in it.
        let_go = min(let_go, start - self._start)
        self._held, self._start = held[:, let_go:], self._start + let_go
        return wanted

    def end(self) -> int:
        """Place behind the last sample."""
        duration = self._duration_s()
        if (
            not self._listed
            and duration > 2 * _TAIL_S
            and self._seek(round((duration - _TAIL_S) * self._track.scratch.rate_hz))
        ):
            last = max((int(place + sound.shape[1]) for place, sound in self._frames), default=None)
            if last is not None:
                return last
        self._reopen()
        return max((int(place + sound.shape[1]) for place, sound in self._frames), default=0)

    def _duration_s(self) -> float:
        if self._container is None:
            self._reopen()
        if self._stream.duration:
            return float(self._stream.duration * self._stream.time_base)
        return float((self._container.duration or 0) / av.time_base)

    def _next(self, end: int, stop: int) -> FloatArray:
        """What comes at `end`: a frame's sound, or silence up to it."""
        if self._waiting is None:
            self._waiting = next(self._frames, None)
        channels = self._track.scratch.channels
        if self._waiting is None:
            return np.zeros((channels, stop - end), dtype=np.float32)
        place, sound = self._waiting
        if place > end:
            return np.zeros((channels, min(place, stop) - end), dtype=np.float32)
        self._waiting = None
        return sound[:, end - place :] if end > place else sound

    def _go(self, start: int) -> None:
        """Be ready to decode from a place on."""
        settling = 0 if self._track.exact else round(_SETTLING_S * self._track.scratch.rate_hz)
        if self._blind or not self._seek(start - settling):
            self._reopen()
        self._waiting = None
        self._held, self._start, self._ready = self._held[:, :0], start, True

    def _seek(self, place: int) -> bool:
        """Seek to a place or somewhat before it; whether it is known where that led."""
        track = self._track
        if place - self._first < track.scratch.rate_hz:
            return False
        if self._container is None:
            self._reopen()
        early = place - self._first - round(_EARLIER_S * track.scratch.rate_hz)
        pts = track.first_pts + int(early / track.samples_per_tick)
        try:
            self._container.seek(pts, stream=self._stream)
            frames = self._placed(sought=True)
            first = next(frames, None)
        except MemoryError:
            raise
        except (av.error.FFmpegError, OverflowError):
            first = None
        if first is None or first[0] > place:
            self._blind = True
            return False
        self._frames = _again(first, frames)
        return True

    def _reopen(self) -> None:
        self._close()
        self._opened = ExitStack()
        self._container = self._opened.enter_context(opened(self._path))
        self._stream = sound_streams(self._container)[self._track.scratch.track]
        leave_unread(self._container, [self._stream])
        self._frames = self._placed(sought=False)

    def _close(self) -> None:
        if self._opened is not None:
            self._opened.close()
            self._opened = self._container = self._stream = None

    def _placed(self, *, sought: bool) -> Iterator[tuple[int, FloatArray]]:
        """Decoded frames with the place of the first sample of each; none where the place of a seek is not known."""
        track, scratch = self._track, self._track.scratch
        expected = None if sought else self._first
        try:
            for frame in self._container.decode(self._stream):
                if frame.sample_rate != scratch.rate_hz or frame.layout.nb_channels != scratch.channels:
                    raise MediaFileError(
                        f"the sound in {self._path.name} changes its sample rate or its channels along the way; export "
                        "it again as one"
                    )
                place = expected
                if frame.pts is not None:
                    stamped = self._first + (frame.pts - track.first_pts) * track.samples_per_tick
                    if expected is None:
                        place = self._found(frame.pts, stamped, frame.samples)
                    elif abs(stamped - expected) > HOLE_S * scratch.rate_hz:
                        place = round(stamped)
                if place is None:
                    return
                if self._listed and frame.pts is not None:
                    track.places.setdefault(frame.pts, place)
                yield place, self._checked(samples_of(frame, scratch.channels, self._path), place)
                expected = place + frame.samples
        except MemoryError:
            raise
        except av.error.FFmpegError as error:
            raise MediaFileError(
                f"the sound in {self._path.name} is damaged at {max(expected or 0, 0) / scratch.rate_hz:.1f} s "
                f"({error.strerror}); export it again"
            ) from error

    def _found(self, pts: int, stamped: float, samples: int) -> int | None:
        """The place of a frame that was sought; None where nothing tells it to the sample."""
        if self._track.samples_per_tick <= _FINE_TICK:
            return round(stamped)
        if self._track.grid is None:
            return self._track.places.get(pts)
        size, anchor = self._track.grid
        # A frame that was cut at its start ends on the grid, one that was cut at its end begins on it.
        for shift in (0, samples):
            place = anchor + round((stamped + shift - anchor) / size) * size - shift
            if abs(place - stamped) <= self._track.samples_per_tick:
                return place
        return None

    def _checked(self, sound: FloatArray, place: int) -> FloatArray:
        good = np.abs(sound) < _NO_SAMPLE  # false for NaN too
        if not good.all():
            raise MediaFileError(
                f"the sound in {self._path.name} holds a value that is no sample at "
                f"{max(place, 0) / self._track.scratch.rate_hz:.3f} s; export it again"
            )
        return sound


def _again(first: tuple[int, FloatArray], rest: Iterator[tuple[int, FloatArray]]) -> Iterator[tuple[int, FloatArray]]:
    yield first
    yield from rest


# --- the face of a sound file ---


class FieldSound:
    """A movie's field, open for reading; named as soundfile.SoundFile names things, whose place it takes."""

    def __init__(self, path: Path, stack: ExitStack) -> None:
        field = movie_field(path)
        self.field = field
        self.frames, self.samplerate, self.channels = field.samples, field.rate_hz, field.channels
        self.subtype = field.subtype
        self._decoders = [_Decoder(path, track, stack) for track in field.tracks]
        self._at = 0

    def tell(self) -> int:
        """Where the next read begins."""
        return self._at

    def seek(self, sample: int) -> int:
        """Go to a sample."""
        self._at = sample
        return sample

    def read(self, count: int, *, dtype: str = "float32", always_2d: bool = True) -> FloatArray:
        """The next samples, shape (samples, channels), fewer at the end.

        Raises
        ------
        MediaFileError
            Damage, or sound that changes its form.
        """
        assert (dtype, always_2d) == ("float32", True)
        stop = min(self._at + count, self.frames)
        parts = [decoder.read(self._at, stop) for decoder in self._decoders]
        self._at = stop
        whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
        return np.ascontiguousarray(whole.T)


def _subtype(codec: str) -> str:
    """As soundfile names codings of PCM; others by their coder."""
    if codec.startswith("pcm_"):
        kind = codec.removeprefix("pcm_")
        bits = "".join(letter for letter in kind if letter.isdigit())
        if kind.startswith("f"):
            return "DOUBLE" if bits == "64" else "FLOAT"
        return f"PCM_{bits}" if kind.startswith("s") else kind.upper()
    return codec.removeprefix("lib").upper()


def _container(path: Path, kind: str) -> str:
    if "matroska" in kind:
        return "MKV"
    if "ogg" in kind:
        return "OGG"
    with path.open("rb") as file:
        return "MOV" if _is_quicktime(file) else "MP4"


def _is_quicktime(file: BinaryIO) -> bool:
    head = file.read(12)
    return head[4:8] != b"ftyp" or head[8:12] == b"qt  "
