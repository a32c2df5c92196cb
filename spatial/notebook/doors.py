"""What is checked of every value that comes in from outside, once, in one sentence that says what to do.

Functions: checked_path, checked_paths, checked_rate, checked_sound, checked_number (what may come in); chosen_format (a
format by its name); at_rate (another sample rate); as_file (an array where a job reads files).
"""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from numbers import Real
from pathlib import Path

import numpy as np
import numpy.typing as npt

from spatial.capsules import Capsules
from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError
from spatial.field import Calibrated, ChannelFormat, ReadAs
from spatial.media.buffers import resampled
from spatial.media.takes.take import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from spatial.media.wav.array_file import array_as_file

PathLike = str | Path
"""A file's name."""

FIELD = (FIRST_ORDER_CHANNELS,)
SCRATCH = (1, 2)
"""Channels that a field and a camera's sound may have."""

SoundArray = npt.NDArray[np.floating]
"""Sound, time last."""

LOWEST_ARRAY_RATE_HZ = 16_000
"""Directions are measured up to 5 kHz and clocks up to 8 kHz: sound of a lower rate does not hold that."""

_LOUDEST = 1e6
"""120 dB over full scale is damage, not sound: files with such a sample are refused alike."""


def checked_path(path: object, what: str) -> Path:
    """One path.

    Raises
    ------
    InputError
        Something that is no path.
    """
    if isinstance(path, str | Path):
        return checked_paths(path, what)[0]
    raise InputError(f"{what} must be named by one path, not by a value of type {_kind(path)}")


def checked_paths(paths: object, what: str) -> tuple[Path, ...]:
    """One path or several as a tuple.

    Raises
    ------
    InputError
        None, or something that is no path.
    """
    if isinstance(paths, str | Path):
        several: list[object] = [paths]
    elif isinstance(paths, list | tuple):
        several = list(paths)
    else:
        raise InputError(f"{what} must be named by a path or a list of paths, not by a value of type {_kind(paths)}")
    if not several:
        raise InputError(f"{what} is an empty list of paths; name at least one file")
    found: list[Path] = []
    for path in several:
        if not isinstance(path, str | Path):
            raise InputError(f"{what} must be named by paths; one of the list is a value of type {_kind(path)}")
        if not str(path):
            raise InputError(f"{what} is named by an empty path; name a file")
        found.append(Path(path))
    return tuple(found)


def checked_rate(rate_hz: object, what: str, *, least_hz: int = LOWEST_ARRAY_RATE_HZ) -> int:
    """A sample rate as a whole number.

    Raises
    ------
    InputError
        Missing, no whole number, or out of range.
    """
    if rate_hz is None:
        raise InputError(f"{what} is an array, which does not know its sample rate; give that too, in Hz")
    if isinstance(rate_hz, bool) or not isinstance(rate_hz, Real):
        raise InputError(f"the sample rate of {what} must be a number in Hz, not a value of type {_kind(rate_hz)}")
    rate = float(rate_hz)
    if not math.isfinite(rate) or rate != round(rate) or not least_hz <= rate <= HIGHEST_RATE_HZ:
        raise InputError(
            f"the sample rate of {what} is {rate:g} Hz; it must be a whole number from {least_hz} to {HIGHEST_RATE_HZ}"
        )
    return round(rate)


def checked_sound(sound: object, rate_hz: int, what: str, *, channels: tuple[int, ...]) -> SoundArray:
    """Sound as an array of shape (channels, samples), its numbers untouched.

    Parameters
    ----------
    channels : tuple of int
        How many it may have; one channel may also come as shape (samples,).

    Raises
    ------
    InputError
        Another shape; no floating-point numbers; no samples; a sample that is not finite or louder than any sound.
    """
    data = np.asarray(sound)
    if data.dtype.kind != "f":
        whole = data.dtype.kind in "iu"
        why = "divide whole numbers by their full scale (32768 for 16 bits)" if whole else "convert it"
        raise InputError(
            f"{what} holds values of type {data.dtype}; it must hold floats with full scale at 1, so {why}"
        )
    if data.ndim == 1 and 1 in channels:
        data = data[np.newaxis]
    allowed = " or ".join(str(count) for count in channels)
    if data.ndim != 2 or data.shape[0] not in channels:
        turned = "; transpose it" if data.ndim == 2 and data.shape[1] in channels else ""
        raise InputError(f"{what} has the shape {data.shape}; it must be ({allowed}, samples), time last{turned}")
    if data.shape[1] == 0:
        raise InputError(f"{what} holds no samples")
    # NaN passes through least and greatest, and fails every comparison: no second array as large as the sound is made.
    if not (float(np.min(data)) > -_LOUDEST and float(np.max(data)) < _LOUDEST):
        channel, sample = (int(place) for place in np.argwhere(~(np.abs(data) < _LOUDEST))[0])
        raise InputError(
            f"{what} holds {float(data[channel, sample]):g} in channel {channel + 1} at {sample / rate_hz:.3f} s, "
            "which is no sample of sound; cut that out, or make it 0"
        )
    return data


def checked_number(value: object, what: str, *, least: float = -math.inf, most: float = math.inf) -> float:
    """A finite number within limits, both included.

    Raises
    ------
    InputError
        It is none.
    """
    if isinstance(value, bool) or not isinstance(value, Real):
        raise InputError(f"{what} must be a number, not a value of type {_kind(value)}")
    number = float(value)
    if not math.isfinite(number) or not least <= number <= most:
        limits = "" if math.isinf(least) and math.isinf(most) else f" from {least:g} to {most:g}"
        raise InputError(f"{what} is {number:g}; it must be a finite number{limits}")
    return number


def chosen_format(read_as: ReadAs | str) -> ReadAs:
    """A channel format by its name, or as it is.

    Raises
    ------
    InputError
        There is none of that name.
    """
    if isinstance(read_as, ChannelFormat | Capsules | Calibrated):
        return read_as
    if read_as == "aformat":
        return Capsules()
    try:
        return ChannelFormat(read_as)
    except ValueError:
        names = ", ".join([*ChannelFormat, "aformat"])
        raise InputError(f"channels cannot be read as {read_as!r}; choose one of {names}") from None


def at_rate(sound: SoundArray, rate_hz: int, wanted_hz: int) -> FloatArray:
    """Sound at another rate, shape (channels, samples), float32, as long in time to the nearest sample."""
    if rate_hz == wanted_hz:
        return np.asarray(sound, dtype=np.float32)
    wanted = round(sound.shape[1] * wanted_hz / rate_hz)
    whole = np.concatenate([np.zeros((sound.shape[0], 0), np.float32), *resampled([sound], rate_hz, wanted_hz)], axis=1)
    return np.pad(whole[:, :wanted], ((0, 0), (0, max(0, wanted - whole.shape[1]))))


@contextmanager
def as_file(sound: SoundArray, rate_hz: int, name: str) -> Iterator[Path]:
    """Checked sound as a file that jobs take, for a with block: at the delivery rate where its own is too low for one.

    Raises
    ------
    OutputError
        There is no room for temporary files.
    """
    file_rate_hz = rate_hz if rate_hz >= LOWEST_RATE_HZ else DELIVERY_RATE_HZ
    with array_as_file(at_rate(sound, rate_hz, file_rate_hz), file_rate_hz, name) as path:
        yield path


def _kind(value: object) -> str:
    return type(value).__name__
