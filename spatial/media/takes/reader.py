"""One part of a recording: its file or files opened whatever its container, and read in spans.

Conventions: raw sound here is as the file has it, shape (samples, channels); spatial.media.takes.take turns it into a
field.
Functions: open_sound (for decoding); PartReader (many spans of one part).

WAV files are found by our own chunk walk and decoded through a view of their sound: libsndfile opens neither
BW64 nor RF64 with an odd-sized chunk before the sound, and takes a file that breaks off for a shorter one. The common
codings are plain numbers, which we read ourselves: three times as fast as libsndfile, and one channel of four ten
times as fast.
"""

import os
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

from spatial.conventions import FloatArray
from spatial.errors import MediaFileError
from spatial.media.intake import open_input
from spatial.media.movies.field_sound import FieldSound, is_movie
from spatial.media.wav.riff import DataView, WavLayout, is_wave, read_layout
from spatial.media.work_folders import WINDOWS

_OTHER_CONTAINERS = {b"fLaC": "FLAC", b"caff": "CAF"}
"""First four bytes of what libsndfile reads for us."""

_NO_SAMPLE = 1e6
"""120 dB over full scale: a floating-point file that holds such a number holds damage, not sound."""

_PLAIN_BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4}
"""Bytes of a sample, by the codings that are whole numbers with a sign."""


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch of a recording: a file, or several that hold its channels."""

    path: Path
    samples: int
    """Length of each channel, as far as it is used."""
    beside: tuple[Path, ...] = ()
    """Further files of the same time that hold the following channels."""
    skip: int = 0
    """Samples at its start that the part before has given already."""
    gap: int = 0
    """Samples that were lost before it: read as silence."""
    cut: bool = False
    """Only a stretch is wanted: the files may hold more after it."""

    @property
    def paths(self) -> tuple[Path, ...]:
        """Every file of it."""
        return (self.path, *self.beside)


class PartReader:
    """One part of a recording, open for many reads until the stack is closed.

    Parameters
    ----------
    part : Part
    channels, rate_hz : int
        What it must have, all its files together.
    stack : ExitStack
    used : sequence of int
        Channels that are wanted: only they must hold samples.
    """

    def __init__(self, part: Part, channels: int, rate_hz: int, stack: ExitStack, *, used: Sequence[int]) -> None:
        self._part, self._rate_hz, self._used = part, rate_hz, list(used)
        opened = [open_sound(path, stack) for path in part.paths]
        self._sounds = [one.sound for one in opened]
        self._plain = [one.plain for one in opened]
        enough = all(sound.frames >= part.skip + part.samples for sound in self._sounds)
        alone = part.cut or len(self._sounds) > 1 or self._sounds[0].frames == part.skip + part.samples
        same = {sound.samplerate for sound in self._sounds} == {rate_hz}
        if not (enough and alone and same and sum(sound.channels for sound in self._sounds) == channels):
            raise MediaFileError(f"{part.path.name} has changed since it was opened; run this again")

    @property
    def picks(self) -> bool:
        """Whether it reads one channel without reading the others."""
        return len(self._plain) == 1 and self._plain[0] is not None

    def read(self, start: int, stop: int, *, only: int | None = None) -> FloatArray:
        """Raw samples start <= n < stop of this part, shape (stop - start, channels), float32.

        `only`: that one channel, where it `picks`.

        Raises
        ------
        MediaFileError
            A file breaks off, is damaged, or holds a value that is no sample in a channel that is used.
        """
        start, stop = start + self._part.skip, stop + self._part.skip
        if only is not None:
            return self._read(0, start, stop, only)
        raws = [self._read(number, start, stop) for number in range(len(self._sounds))]
        raw = raws[0] if len(raws) == 1 else np.concatenate(raws, axis=1)
        if any(sound.subtype in ("FLOAT", "DOUBLE") for sound in self._sounds):
            self._check_samples(raw, start)
        return raw

    def _read(self, number: int, start: int, stop: int, only: int | None = None) -> FloatArray:
        sound, plain, path = self._sounds[number], self._plain[number], self._part.paths[number]
        try:
            if plain is not None:
                raw = plain.read(start, stop, only)
            else:
                # Seeking makes the FLAC decoder start anew: not in a stream.
                if sound.tell() != start:
                    sound.seek(start)
                raw = sound.read(stop - start, dtype="float32", always_2d=True)
        except (soundfile.LibsndfileError, OSError) as error:
            raise self._broken(path, start, stop) from error
        if len(raw) < stop - start:
            raise self._broken(path, start, start + len(raw))
        return raw

    def _broken(self, path: Path, start: int, stop: int) -> MediaFileError:
        whole = self._part.skip + self._part.samples
        start_s, stop_s, whole_s = (count / self._rate_hz for count in (start, stop, whole))
        return MediaFileError(
            f"{path.name} breaks off or is damaged between {start_s:.2f} and {stop_s:.2f} s of the "
            f"{whole_s:.2f} s it should hold; copy it from the card again"
        )

    def _check_samples(self, raw: FloatArray, start: int) -> None:
        good = np.abs(raw[:, self._used]) < _NO_SAMPLE  # false for NaN too
        if good.all():
            return
        sample, index = (int(place) for place in np.argwhere(~good)[0])
        channel = self._used[index]
        value = raw[sample, channel]
        said = "not a number" if np.isnan(value) else f"{value:g}"
        raise MediaFileError(
            f"{self._part.path.name} holds a value that is no sample ({said}) in channel "
            f"{channel + 1} at {(start + sample) / self._rate_hz:.3f} s; export it again, or cut that out"
        )


class PlainSound:
    """The sound of a WAV file whose samples are whole numbers of 16, 24 or 32 bits."""

    def __init__(self, file: BinaryIO, layout: WavLayout) -> None:
        self._file, self._start, self._channels = file, layout.data_start, layout.channels
        self._frames = layout.data_bytes // layout.frame_bytes
        self._bytes, self._frame_bytes = _PLAIN_BYTES[layout.subtype], layout.frame_bytes

    def read(self, start: int, stop: int, only: int | None = None) -> FloatArray:
        """Samples start <= n < stop, shape (stop - start or less where it breaks off, channels or 1), full scale 1."""
        raw, got = self._bytes_of(start, min(stop, self._frames))
        channels = range(self._channels) if only is None else (only,)
        out = np.empty((len(channels), got), dtype=np.float32)
        # Three bytes are read as four, of which the first belongs to the sample before and is shifted out.
        kind, early = ("<i2", 0) if self._bytes == 2 else ("<i4", 4 - self._bytes)
        for row, channel in zip(out, channels, strict=True) if got else ():
            place = 1 + channel * self._bytes - early
            values = np.ndarray((got,), kind, raw, place, (self._frame_bytes,))
            row[:] = values >> 8 if early else values
            row *= np.float32(2.0 ** (1 - 8 * self._bytes))
        return out.T

    def _bytes_of(self, start: int, stop: int) -> tuple[bytearray, int]:
        """What the file holds of these samples, after one byte of nothing, and how many whole ones."""
        raw = bytearray(1 + max(0, stop - start) * self._frame_bytes)
        view, held = memoryview(raw)[1:], 0
        self._file.seek(self._start + start * self._frame_bytes)
        # A raw file may give less than was asked for before its end.
        while held < len(view) and (more := self._file.readinto(view[held:])):  # type: ignore[attr-defined]
            held += more
        return raw, held // self._frame_bytes


@dataclass(frozen=True, slots=True)
class OpenSound:
    """A recording open for decoding."""

    sound: soundfile.SoundFile | FieldSound
    container: str
    """WAV, RF64, BW64, FLAC or CAF; MOV, MP4, MKV or OGG of a movie."""
    layout: WavLayout | None
    """Of a WAV file."""
    plain: PlainSound | None = None
    """The same, where its samples need no decoder."""


def open_sound(path: Path, stack: ExitStack) -> OpenSound:
    """Open a recording for decoding until the stack is closed."""
    file = stack.enter_context(open_input(path, "recording"))
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
            plain = PlainSound(file, layout) if layout.subtype in _PLAIN_BYTES else None
            return OpenSound(stack.enter_context(sound), layout.container, layout, plain)
        if is_movie(head):
            movie = FieldSound(path, stack)
            return OpenSound(movie, movie.field.container, None)
        container = _OTHER_CONTAINERS.get(head[:4])
        if container is None:
            raise MediaFileError(
                f"{path.name} is not a WAV, FLAC or CAF recording, nor a movie that holds a sound field; name the "
                "recorder's file"
            )
        # Bytes, because a name that is no text cannot be encoded; Windows names are always text.
        sound = soundfile.SoundFile(path if WINDOWS else os.fsencode(path))
        return OpenSound(stack.enter_context(sound), container, None)
    except OSError as error:
        raise MediaFileError(f"{path.name} cannot be read ({error.strerror}); copy it from the card again") from error
    except soundfile.LibsndfileError as error:
        raise MediaFileError(f"{path.name} is damaged or incomplete; copy it from the card again") from error
