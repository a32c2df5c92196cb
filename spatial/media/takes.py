"""First-order recordings: what a file is, and its field in blocks or spans, whatever its length.

Conventions: spatial.conventions (field; array layout).
Functions: open_take (look, without reading the sound); field_blocks (stream); read_field (one short span);
FieldReader (many spans of one take).

A take may lie in several files, where the recorder split it: spatial.media.joining finds them, and here they are
read as one.
"""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import ChannelFormat, internal_from
from spatial.findings import Finding, Severity
from spatial.media.bext import read_stamp
from spatial.media.parts import Part, PartReader, open_sound
from spatial.media.wav import WavLayout

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100, 192_000
"""Sample rates a take may have, both included."""

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
    """In the file; the first four are the first-order field."""
    samples: int
    """Length of each channel, all parts together."""
    container: str
    """WAV, RF64, BW64, FLAC or CAF; of the first part."""
    subtype: str
    """Coding, as soundfile names it: PCM_24, FLOAT, ..."""
    channel_format: ChannelFormat
    """How its channels are read."""
    start_of_day_s: float | None = None
    """Seconds from midnight to its first sample by the recorder's timecode, where the file says so."""
    origination: datetime | None = None
    """Date and time by the recorder's clock, in no known time zone, where the file says so."""
    parts: tuple[Part, ...] = ()
    """The files it lies in, in order of time; just the one at `path` unless said otherwise."""
    findings: tuple[Finding, ...] = ()
    """What was wrong with its files and what was made of it."""

    def __post_init__(self) -> None:
        parts = self.parts or (Part(self.path, self.samples),)
        if parts[0].path != self.path or sum(part.samples for part in parts) != self.samples:
            raise InputError(f"the parts of {self.path.name} are not the {self.samples} samples it should have")
        object.__setattr__(self, "parts", parts)

    @property
    def duration_s(self) -> float:
        """Length in seconds of the recorder's clock."""
        return self.samples / self.rate_hz

    @property
    def paths(self) -> tuple[Path, ...]:
        """Every file it lies in, in order of time."""
        return tuple(part.path for part in self.parts)

    @property
    def left_out_channels(self) -> int:
        """Channels after the fourth, which are not read."""
        return self.channels - FIRST_ORDER_CHANNELS


def open_take(path: Path | str, *, channel_format: ChannelFormat = ChannelFormat.AMBIX) -> Take:
    """Look at a recording without reading its sound.

    Parameters
    ----------
    path : path
        WAV (RIFF, RF64, BW64), FLAC or CAF; 44.1 to 192 kHz; four channels or more.
    channel_format : ChannelFormat
        How its channels are to be read.

    Raises
    ------
    MediaFileError
        Missing, a folder, not readable, empty, not such a recording, or without sound. What is left of a broken one
        is read, and its findings say so.
    """
    path = Path(path)
    with ExitStack() as stack:
        opened = open_sound(path, stack)
        sound, container, layout = opened.sound, opened.container, opened.layout
        channels, rate_hz, samples = int(sound.channels), int(sound.samplerate), int(sound.frames)
        subtype = str(sound.subtype)
    if channels < FIRST_ORDER_CHANNELS:
        raise MediaFileError(
            f"a first-order take needs 4 channels; {path.name} has {channels}: it may be the camera's sound or a "
            "stereo mix; name the ambisonic recording"
        )
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise MediaFileError(
            f"{path.name} has a sample rate of {rate_hz} Hz; a take needs {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
    if samples == 0:
        raise MediaFileError(f"{path.name} holds no sound: it is zero samples long; name another recording")
    if samples >= _NO_LENGTH:
        raise MediaFileError(f"{path.name} does not say how long it is; save it as WAV and name that")
    stamp = read_stamp(path, rate_hz)
    return Take(
        *(path, rate_hz, channels, samples, container, subtype, channel_format),
        start_of_day_s=stamp.start_of_day_s,
        origination=stamp.origination,
        findings=_repairs(path.name, layout),
    )


def _repairs(name: str, layout: WavLayout | None) -> tuple[Finding, ...]:
    if layout is None or layout.repair is None:
        return ()
    severity = Severity.FIX if layout.incomplete else Severity.LOOK
    return (Finding("truncated", severity, f"{name} {layout.repair}", name),)


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
            self._readers = [PartReader(part, take.channels, take.rate_hz, stack) for part in take.parts]
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
        pieces = []
        begin = 0
        for part, reader in zip(take.parts, self._readers, strict=True):
            first, last = max(start_sample - begin, 0), min(stop_sample - begin, part.samples)
            if first < last:
                pieces.append(reader.read(first, last))
            begin += part.samples
        if not pieces:
            return np.zeros((FIRST_ORDER_CHANNELS, 0), dtype=np.float32)[:channels]
        raw = pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
        return internal_from(raw.T, take.channel_format, most=channels)


def _blocks(take: Take, start: int, stop: int, block_samples: int, channels: int | None) -> Iterator[FloatArray]:
    with FieldReader(take) as reader:
        for place in range(start, stop, block_samples):
            yield reader.read(place, min(place + block_samples, stop), channels=channels)


def _check_span(take: Take, start: int, stop: int) -> None:
    if not 0 <= start <= stop <= take.samples:
        raise InputError(f"samples {start} to {stop} reach outside {take.path.name}, which has {take.samples}")
