"""First-order recordings: what a file is and declares, and its field in blocks or spans.

Goal: read the field of a recording of any length, whatever the order and gains of its channels.
Method: a file may declare its channels by its ADM chunks, by the B-format mark, or by the names of its tracks; what it
declares is held beside what the caller asks for. A take may lie in several files, where the recorder split it:
spatial.media.takes.joining finds them, and here they are read as one.
Conventions: spatial.conventions (field; array layout). Channels of the file are counted from 0.
Functions: open_take, open_any (look, without reading the sound); too_narrow; field_blocks (stream); read_field (one
short span); stretch_of (a part of a take as a take); FieldReader (many spans of one take); declaration; named_channels
(what names of channels or of files declare).
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from spatial.calibration import calibrated_field
from spatial.capsules import CORRECTION_REACH, FIRST_ARRANGEMENT, SECOND_ARRANGEMENT, Capsules, corrected_field
from spatial.conventions import CHANNEL_NAMES, FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import Calibrated, ChannelFormat, ReadAs, internal_from, plain_format, recorded_order
from spatial.findings import Code, Finding, Severity
from spatial.media.intake import open_input
from spatial.media.movies.field_sound import FieldSound, MovieField, field_declared
from spatial.media.takes.reader import Part, PartReader, open_sound
from spatial.media.wav.adm import Harmonic, read_chna, read_harmonics
from spatial.media.wav.metadata import read_bext, read_ixml, stamp_of
from spatial.media.wav.riff import WavLayout, first_bodies

# --- what files declare of their channels ---

_FORMAT_OF = {"SN3D": ChannelFormat.AMBIX, "N3D": ChannelFormat.N3D, "FuMa": ChannelFormat.FUMA}
"""Formats by the normalisation that ADM states."""


@dataclass(frozen=True, slots=True)
class Declared:
    """What a recording says of its channels."""

    by: str
    """Where it says so, in words."""
    channel_format: ChannelFormat | None
    """Order and normalisation; None where it says nothing of gains."""
    acn: tuple[int, ...] | None
    """File channels of W, Y, Z and X; None where they are the capsules of a microphone."""
    capsules: tuple[tuple[str, int], ...] = ()
    """Capsules by label, each with its file channel."""

    @property
    def picked(self) -> tuple[int, ...] | None:
        """File channels in the order that the declared format takes them."""
        if self.acn is None or self.channel_format is None:
            return None
        return recorded_order(self.channel_format, self.acn)


def declaration(
    *, harmonics: Mapping[int, Harmonic], b_format: bool, names: Sequence[str | None], names_from: str
) -> Declared | None:
    """What a recording says of its channels, by the most exact word it has.

    Parameters
    ----------
    harmonics : mapping from file channel to Harmonic
        By the ADM chunks.
    b_format : bool
        Whether the format chunk has the B-format mark.
    names : sequence of str or None
        Name of each channel.
    names_from : str
        Where the names stand, in words.
    """
    found = {harmonic.acn: (channel, harmonic.normalisation) for channel, harmonic in sorted(harmonics.items())}
    if all(acn in found for acn in range(4)) and len({found[acn][1] for acn in range(4)}) == 1:
        return Declared("its ADM chunks", _FORMAT_OF[found[0][1]], tuple(found[acn][0] for acn in range(4)))
    if b_format:
        return Declared("the B-format mark in its header", ChannelFormat.FUMA, (0, 2, 3, 1))
    return named_channels(names, names_from)


def named_channels(names: Sequence[str | None], names_from: str) -> Declared | None:
    """What the names of channels say: four of them must end or begin with W, X, Y, Z or with a capsule's label.

    Names tell order, not gains. Only the order W, X, Y, Z is proper to one format.
    """
    words = [set(re.split(r"[^A-Z0-9]+", (name or "").upper())) for name in names]
    for labels in (CHANNEL_NAMES, FIRST_ARRANGEMENT, SECOND_ARRANGEMENT):
        places = [[channel for channel, word in enumerate(words) if label in word] for label in labels]
        if any(len(place) != 1 for place in places):
            continue
        channels = tuple(place[0] for place in places)
        if len(set(channels)) < len(labels):
            continue
        if labels is CHANNEL_NAMES:
            return Declared(names_from, None, channels)
        return Declared(names_from, None, None, tuple(zip(labels, channels, strict=True)))
    return None


# --- takes ---

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100, 192_000
"""Sample rates a take may have, both included."""

_FIRST_FOUR = (0, 1, 2, 3)
"""Channels of a file of first order, or of a higher one, that are its first-order part."""

_NO_LENGTH = 1 << 62
"""More samples than any file: what libsndfile says of a FLAC file whose header gives no length."""


@dataclass(frozen=True, slots=True)
class Take:
    """A first-order recording on disk.

    Raises
    ------
    InputError
        Parts that do not begin with `path` or do not add up to `samples`.
    """

    path: Path
    """Its file, or the first of them."""
    rate_hz: int
    channels: int
    """In the file, or in all files of the same time together."""
    samples: int
    """Length of each channel, all parts together."""
    container: str
    """WAV, RF64, BW64, FLAC or CAF; of the first part."""
    subtype: str
    """Coding, as soundfile names it: PCM_24, FLOAT, ..."""
    channel_format: ReadAs
    """How its channels are read."""
    start_of_day_s: float | None = None
    """Seconds from midnight to its first sample by the recorder's timecode, where the file says so."""
    origination: datetime | None = None
    """Date and time by the recorder's clock, in no known time zone, where the file says so."""
    parts: tuple[Part, ...] = ()
    """The files it lies in, in order of time; just the one at `path` unless said otherwise."""
    findings: tuple[Finding, ...] = ()
    """What was wrong with its files and what was made of it."""
    picked: tuple[int, ...] = (0, 1, 2, 3)
    """The four of its channels that are read, in the order of the format."""
    declared: Declared | None = None
    """What its files say of its channels."""
    speaker_mask: int = 0
    """Loudspeakers its channels are labelled for, bit by bit; 0 for none."""
    recorder: str = ""
    """What its file calls the recorder that made it; empty where it does not say."""

    def __post_init__(self) -> None:
        parts = self.parts or (Part(self.path, self.samples),)
        if parts[0].path != self.path or sum(part.gap + part.samples for part in parts) != self.samples:
            raise InputError(f"the parts of {self.path.name} are not the {self.samples} samples it should have")
        object.__setattr__(self, "parts", parts)

    @property
    def duration_s(self) -> float:
        """Length in seconds of the recorder's clock."""
        return self.samples / self.rate_hz

    @property
    def paths(self) -> tuple[Path, ...]:
        """Every file it lies in, in order of time."""
        return tuple(path for part in self.parts for path in part.paths)

    @property
    def left_out_channels(self) -> int:
        """Channels beside the four that are read."""
        return self.channels - FIRST_ORDER_CHANNELS


def open_take(path: Path | str, *, channel_format: ReadAs = ChannelFormat.AMBIX) -> Take:
    """Look at a recording without reading its sound.

    Parameters
    ----------
    path : path
        WAV (RIFF, RF64, BW64), FLAC or CAF; 44.1 to 192 kHz; four channels or more.
    channel_format : ReadAs
        How its channels are to be read.

    Raises
    ------
    MediaFileError
        Missing, a folder, not readable, empty, not such a recording, or without sound. What is left of a broken one
        is read, and its findings say so.
    """
    take = open_any(path, channel_format=channel_format)
    if take.channels < FIRST_ORDER_CHANNELS:
        raise too_narrow(take)
    return take


def too_narrow(take: Take) -> MediaFileError:
    """Why a file of fewer than four channels is no take by itself."""
    return MediaFileError(
        f"a first-order take needs 4 channels; {take.path.name} has {take.channels}: it may be the camera's sound or a "
        "stereo mix; name the ambisonic recording, or all the files that hold its channels"
    )


def open_any(path: Path | str, *, channel_format: ReadAs) -> Take:
    """Look at a recording of any number of channels: one of several files may hold one or two. As open_take."""
    path = Path(path)
    with ExitStack() as stack:
        opened = open_sound(path, stack)
        sound, layout = opened.sound, opened.layout
        movie = sound.field if isinstance(sound, FieldSound) else None
        channels, rate_hz, samples = int(sound.channels), int(sound.samplerate), int(sound.frames)
        subtype = str(sound.subtype)
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise MediaFileError(
            f"{path.name} has a sample rate of {rate_hz} Hz; a take needs {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
    if samples == 0:
        raise MediaFileError(f"{path.name} holds no sound: it is zero samples long; name another recording")
    if samples >= _NO_LENGTH:
        raise MediaFileError(f"{path.name} does not say how long it is; save it as WAV and name that")
    if movie is not None:
        return _take_of_movie(movie, channel_format)
    bodies = _bodies(path) if layout is not None else {}
    notes = read_ixml(bodies.get(b"iXML", b""))
    broadcast = read_bext(bodies.get(b"bext", b""))
    stamp = stamp_of(broadcast, notes, rate_hz)
    return Take(
        *(path, rate_hz, channels, samples, opened.container, subtype, channel_format),
        start_of_day_s=stamp.start_of_day_s,
        origination=stamp.origination,
        findings=_repairs(path.name, layout),
        declared=declaration(
            harmonics=read_harmonics(read_chna(bodies.get(b"chna", b"")), bodies.get(b"axml", b"")),
            b_format=layout is not None and layout.b_format and channels >= FIRST_ORDER_CHANNELS,
            names=notes.track_names[:channels],
            names_from="the track names in its iXML chunk",
        ),
        speaker_mask=layout.speaker_mask if layout is not None else 0,
        recorder=broadcast.originator,
    )


def _take_of_movie(movie: MovieField, channel_format: ReadAs) -> Take:
    """A movie's sound field as a take, on the time of its picture."""
    declared, told = None, None
    if movie.words is not None:
        told = field_declared(movie.words, movie.channels)
    if told is not None:
        by, normalisation, acn = told
        declared = Declared(by, _FORMAT_OF.get(normalisation or ""), acn)
    return Take(
        *(movie.path, movie.rate_hz, movie.channels, movie.samples, movie.container, movie.subtype, channel_format),
        findings=movie.findings,
        declared=declared,
    )


def _bodies(path: Path) -> dict[bytes, bytes]:
    try:
        with open_input(path, "recording") as file:
            return first_bodies(file, (b"bext", b"iXML", b"chna", b"axml"))
    except (OSError, MediaFileError):
        return {}


def _repairs(name: str, layout: WavLayout | None) -> tuple[Finding, ...]:
    if layout is None or layout.repair is None:
        return ()
    severity = Severity.FIX if layout.incomplete else Severity.LOOK
    return (Finding(Code.TRUNCATED, severity, f"{name} {layout.repair}", name),)


def field_blocks(
    take: Take,
    *,
    start_sample: int = 0,
    stop_sample: int | None = None,
    block_samples: int = 1 << 16,
    channels: int | None = None,
) -> Iterator[FloatArray]:
    """Read a take in a stream, in the internal form.

    Parameters
    ----------
    take : Take
    start_sample, stop_sample : int
        Samples start <= n < stop, inside the take; by default all of it.
    block_samples : int
        Length of a block; the last may be shorter.
    channels : int, optional
        Only the first so many of the four.

    Yields
    ------
    ndarray, shape (4 or `channels`, samples), float32
        W, Y, Z, X in SN3D.

    Raises
    ------
    InputError
        A span that reaches outside the take, or a block of no samples.
    MediaFileError
        While reading: the file breaks off, is damaged, has changed, or holds a value that is no sample.
    """
    stop = take.samples if stop_sample is None else stop_sample
    _check_span(take, start_sample, stop)
    if block_samples < 1:
        raise InputError(f"a block needs at least one sample, got {block_samples}")
    return _blocks(take, start_sample, stop, block_samples, channels)


def stretch_of(take: Take, start_sample: int, stop_sample: int) -> Take:
    """A stretch of a take as a take of its own: samples start <= n < stop, with time 0 at its first one.

    Raises
    ------
    InputError
        A span that reaches outside the take, or that holds no sound.
    """
    _check_span(take, start_sample, stop_sample)
    parts: list[Part] = []
    begin = lost = 0
    for part in take.parts:
        lost += max(0, min(stop_sample, begin + part.gap) - max(start_sample, begin))
        begin += part.gap
        first, last = max(start_sample, begin), min(stop_sample, begin + part.samples)
        if first < last:
            cut = replace(part, samples=last - first, skip=part.skip + first - begin, gap=lost, cut=True)
            parts.append(cut)
            lost = 0
        begin += part.samples
    if not parts:
        raise InputError(f"samples {start_sample} to {stop_sample} of {take.path.name} hold no sound")
    start_s = take.start_of_day_s
    return replace(
        take,
        path=parts[0].path,
        samples=sum(part.gap + part.samples for part in parts),
        parts=tuple(parts),
        start_of_day_s=None if start_s is None else start_s + start_sample / take.rate_hz,
        origination=None,
        findings=(),
    )


def read_field(take: Take, start_sample: int, stop_sample: int) -> FloatArray:
    """Field samples start <= n < stop, shape (4, stop - start). Raises as field_blocks does."""
    with FieldReader(take) as reader:
        return reader.read(start_sample, stop_sample)


class FieldReader:
    """A take that stays open for many short reads, in any order. Use in a with statement."""

    def __init__(self, take: Take) -> None:
        self._take = take
        self._stack = ExitStack()
        self._readers: list[PartReader] = []

    def __enter__(self) -> Self:
        take = self._take
        with ExitStack() as stack:
            self._readers = [
                PartReader(part, take.channels, take.rate_hz, stack, used=take.picked) for part in take.parts
            ]
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def read(self, start_sample: int, stop_sample: int, *, channels: int | None = None) -> FloatArray:
        """Field samples start <= n < stop, shape (4 or `channels`, stop - start). Raises as field_blocks does."""
        take = self._take
        _check_span(take, start_sample, stop_sample)
        plain = plain_format(take.channel_format)
        capsules = plain if isinstance(plain, Capsules) and plain.corrected else None
        known = take.channel_format.calibration if isinstance(take.channel_format, Calibrated) else None
        if known is not None and (channels == 1 or not known.reach):
            known = None  # W is not touched, and what holds at all frequencies is done already
        if capsules is None and known is None:
            return self._field(start_sample, stop_sample, channels)
        # Filters look at what comes before and after.
        reach = (CORRECTION_REACH if capsules else 0) + (known.reach if known else 0)
        first, last = max(start_sample - reach, 0), min(stop_sample + reach, take.samples)
        missing = first - start_sample + reach, stop_sample + reach - last
        field = np.pad(self._field(first, last, channels if known is None else None), ((0, 0), missing))
        if capsules is not None:
            field = corrected_field(field, capsules, take.rate_hz)
        if known is not None:
            field = calibrated_field(field, known, take.rate_hz)[:channels]
        return field[:, : stop_sample - start_sample]

    def read_raw(self, start_sample: int, stop_sample: int) -> FloatArray:
        """All channels as the files have them, shape (take.channels, stop - start). Raises as field_blocks does."""
        _check_span(self._take, start_sample, stop_sample)
        return self._raw(start_sample, stop_sample).T

    def _field(self, start: int, stop: int, channels: int | None) -> FloatArray:
        picked = self._take.picked
        if channels == 1 and self._reads_omni_alone:
            # The first channel of every format of a field is W; the other three are not looked at.
            omni = self._raw(start, stop, only=picked[0]).T
            alike = np.broadcast_to(omni, (FIRST_ORDER_CHANNELS, omni.shape[1]))
            return internal_from(alike, self._take.channel_format, most=1)
        raw = self._raw(start, stop).T
        return internal_from(
            raw if picked == _FIRST_FOUR else raw[list(picked)], self._take.channel_format, most=channels
        )

    @property
    def _reads_omni_alone(self) -> bool:
        plain = plain_format(self._take.channel_format)
        return not isinstance(plain, Capsules) and all(reader.picks for reader in self._readers)

    def _raw(self, start: int, stop: int, *, only: int | None = None) -> FloatArray:
        pieces = []
        channels = self._take.channels if only is None else 1
        begin = 0
        for part, reader in zip(self._take.parts, self._readers, strict=True):
            lost = min(stop, begin + part.gap) - max(start, begin)
            if lost > 0:
                pieces.append(np.zeros((lost, channels), dtype=np.float32))
            begin += part.gap
            first, last = max(start - begin, 0), min(stop - begin, part.samples)
            if first < last:
                pieces.append(reader.read(first, last, only=only))
            begin += part.samples
        if not pieces:
            return np.zeros((0, channels), dtype=np.float32)
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def _blocks(take: Take, start: int, stop: int, block_samples: int, channels: int | None) -> Iterator[FloatArray]:
    with FieldReader(take) as reader:
        for place in range(start, stop, block_samples):
            yield reader.read(place, min(place + block_samples, stop), channels=channels)


def _check_span(take: Take, start: int, stop: int) -> None:
    if not 0 <= start <= stop <= take.samples:
        raise InputError(f"samples {start} to {stop} reach outside {take.path.name}, which has {take.samples}")
