"""First-order recordings: what a file is, and its field in blocks or spans, whatever its length.

Conventions: spatial.conventions (field; array layout).
Functions: open_take (look, without reading the sound); field_blocks (stream); read_field (one short span);
FieldReader (many spans of one take).

WAV files are found by our own chunk walk and decoded through a view of their sound: libsndfile opens neither
BW64 nor RF64 with an odd-sized chunk before the sound, and takes a file that breaks off for a shorter one.
"""

import os
import stat
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np
import soundfile

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import ChannelFormat, internal_from
from spatial.media.wav import DataView, is_wave, read_layout

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100, 192_000
"""Sample rates a take may have, both included."""

_OTHER_CONTAINERS = {b"fLaC": "FLAC", b"caff": "CAF"}
"""First four bytes of what libsndfile reads for us."""

_NO_SAMPLE = 1e6
"""120 dB over full scale: a floating-point file that holds such a number holds damage, not sound."""

_NO_LENGTH = 1 << 62
"""More samples than any file: what libsndfile says of a FLAC file whose header gives no length."""


@dataclass(frozen=True, slots=True)
class Take:
    """A first-order recording on disk."""

    path: Path
    rate_hz: int
    channels: int
    """In the file; the first four are the first-order field."""
    samples: int
    """Length of each channel."""
    container: str
    """WAV, RF64, BW64, FLAC or CAF."""
    subtype: str
    """Coding, as soundfile names it: PCM_24, FLOAT, ..."""
    channel_format: ChannelFormat
    """How its channels are read."""

    @property
    def duration_s(self) -> float:
        """Length in seconds of the recorder's clock."""
        return self.samples / self.rate_hz

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
        Missing, a folder, not readable, empty, not such a recording, cut short, or without sound.
    """
    path = Path(path)
    with ExitStack() as stack:
        sound, container = _open_sound(path, stack)
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
    return Take(path, rate_hz, channels, samples, container, subtype, channel_format)


def field_blocks(
    take: Take, *, start_sample: int = 0, stop_sample: int | None = None, block_samples: int = 1 << 16
) -> Iterator[FloatArray]:
    """Read a take in a stream, in the internal form.

    Parameters
    ----------
    take : Take
    start_sample, stop_sample : int
        Samples start <= n < stop, inside the take; by default all of it.
    block_samples : int
        Length of a block; the last may be shorter.

    Yields
    ------
    ndarray, shape (4, samples), float32
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
    return _blocks(take, start_sample, stop, block_samples)


def read_field(take: Take, start_sample: int, stop_sample: int) -> FloatArray:
    """Field samples start <= n < stop, shape (4, stop - start). Raises as field_blocks does."""
    with FieldReader(take) as reader:
        return reader.read(start_sample, stop_sample)


class FieldReader:
    """A take that stays open for many short reads, in any order. Use in a with statement."""

    def __init__(self, take: Take) -> None:
        self._take = take
        self._stack = ExitStack()
        self._may_hold_anything = take.subtype in ("FLOAT", "DOUBLE")

    def __enter__(self) -> Self:
        take = self._take
        with ExitStack() as stack:
            self._sound, _ = _open_sound(take.path, stack)
            found = (self._sound.frames, self._sound.channels, self._sound.samplerate)
            if found != (take.samples, take.channels, take.rate_hz):
                raise MediaFileError(f"{take.path.name} has changed since it was opened; run this again")
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def read(self, start_sample: int, stop_sample: int) -> FloatArray:
        """Field samples start <= n < stop, shape (4, stop - start). Raises as field_blocks does."""
        _check_span(self._take, start_sample, stop_sample)
        wanted = stop_sample - start_sample
        try:
            # Seeking makes the FLAC decoder start anew: not in a stream.
            if self._sound.tell() != start_sample:
                self._sound.seek(start_sample)
            raw = self._sound.read(wanted, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError as error:
            raise self._broken(start_sample, stop_sample) from error
        if len(raw) < wanted:
            raise self._broken(start_sample, start_sample + len(raw))
        if self._may_hold_anything:
            self._check_samples(raw[:, :FIRST_ORDER_CHANNELS], start_sample)
        return internal_from(raw.T, self._take.channel_format)

    def _broken(self, start_sample: int, stop_sample: int) -> MediaFileError:
        take = self._take
        start_s, stop_s = start_sample / take.rate_hz, stop_sample / take.rate_hz
        return MediaFileError(
            f"{take.path.name} breaks off or is damaged between {start_s:.2f} and {stop_s:.2f} s of the "
            f"{take.duration_s:.2f} s it should hold; copy it from the card again"
        )

    def _check_samples(self, raw: FloatArray, start_sample: int) -> None:
        good = np.abs(raw) < _NO_SAMPLE  # false for NaN too
        if good.all():
            return
        sample, channel = (int(index) for index in np.argwhere(~good)[0])
        raise MediaFileError(
            f"{self._take.path.name} holds a value that is no sample ({raw[sample, channel]:g}) in channel "
            f"{channel + 1} at {(start_sample + sample) / self._take.rate_hz:.3f} s; export it again, or cut that out"
        )


def _blocks(take: Take, start: int, stop: int, block_samples: int) -> Iterator[FloatArray]:
    with FieldReader(take) as reader:
        for place in range(start, stop, block_samples):
            yield reader.read(place, min(place + block_samples, stop))


def _check_span(take: Take, start: int, stop: int) -> None:
    if not 0 <= start <= stop <= take.samples:
        raise InputError(f"samples {start} to {stop} reach outside {take.path.name}, which has {take.samples}")


def _open_sound(path: Path, stack: ExitStack) -> tuple[soundfile.SoundFile, str]:
    """Open a recording for decoding until the stack is closed; and the name of its container."""
    file = stack.enter_context(_open_file(path))
    try:
        head = file.read(12)
        if not head:
            raise MediaFileError(f"{path.name} is empty; copy it from the card again")
        if is_wave(head):
            layout = read_layout(file, path.name)
            sound = soundfile.SoundFile(
                DataView(file, layout),
                format="RAW",
                subtype=layout.subtype,
                endian="LITTLE",
                channels=layout.channels,
                samplerate=layout.rate_hz,
            )
            return stack.enter_context(sound), layout.container
        container = _OTHER_CONTAINERS.get(head[:4])
        if container is None:
            raise MediaFileError(
                f"{path.name} is not a WAV, FLAC or CAF recording; name the recorder's file (the clip comes first, "
                "then its takes)"
            )
        # Bytes, because a name that is no text cannot be encoded; Windows names are always text.
        return stack.enter_context(soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))), container
    except OSError as error:
        raise MediaFileError(f"{path.name} cannot be read ({error.strerror}); copy it from the card again") from error
    except soundfile.LibsndfileError as error:
        raise MediaFileError(f"{path.name} is damaged or incomplete; copy it from the card again") from error


def _open_file(path: Path) -> BinaryIO:
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise MediaFileError(f"{path} is a folder; name the recording in it")
        if not stat.S_ISREG(kind):
            raise MediaFileError(f"{path} is not a file; name the recording itself")
        return path.open("rb", buffering=0)
    except FileNotFoundError as error:
        raise MediaFileError(f"there is no file {path}; check the name and the folder") from error
    except OSError as error:
        raise MediaFileError(f"{path} cannot be opened ({error.strerror}); check its permissions") from error
