"""Sound between files and measurements: at another rate, or laid aside on disk.

Goal: read sound at the rate that a measurement works at, in a stream or span by span, and read hours of decoded sound
in spans without filling memory.
Conventions: spatial.conventions (array layout; time).
Functions: resampled, Resampler (a stream of blocks at another rate); TakeSamples (any span of a take at another rate);
Spool (write blocks to disk, then read any span).
"""

import tempfile
from collections.abc import Iterable, Iterator
from contextlib import suppress
from math import gcd
from types import TracebackType
from typing import Self

import numpy as np
import soxr

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import OutputError
from spatial.media.takes.take import FieldReader, Take

# --- resampling ---

_GUARD_S = 0.02
"""Sound read on either side of a span, so that the filter has settled inside it."""


def resampled(blocks: Iterable[FloatArray], in_rate_hz: float, out_rate_hz: float) -> Iterator[FloatArray]:
    """Resample a stream of blocks; output sample n lies at time n / out_rate_hz of the input.

    Parameters
    ----------
    blocks : iterable of ndarray, shape (channels, samples)
    in_rate_hz, out_rate_hz : float
        Need not be whole: clocks that differ by parts per million are resampled by their exact ratio.

    Yields
    ------
    ndarray, shape (channels, samples), float32
    """
    stream = Resampler(in_rate_hz, out_rate_hz)
    for block in blocks:
        out = stream.push(block)
        if out.size:
            yield out
    rest = stream.finish()
    if rest.size:
        yield rest


class Resampler:
    """Resamples block after block, as `resampled` does it: for who takes the blocks as they come."""

    def __init__(self, in_rate_hz: float, out_rate_hz: float) -> None:
        self._rates_hz = in_rate_hz, out_rate_hz
        # A stream for each channel: interleaving them and taking them apart again costs as much as half the filter.
        self._streams: list[soxr.ResampleStream] = []

    def push(self, block: FloatArray) -> FloatArray:
        """What is ready after a block of shape (channels, samples), float32, shape (channels, 0 or more)."""
        if not self._streams:
            self._streams = [soxr.ResampleStream(*self._rates_hz, 1, dtype="float32", quality="HQ") for _ in block]
        ready = [
            stream.resample_chunk(np.ascontiguousarray(channel, dtype=np.float32))
            for stream, channel in zip(self._streams, block, strict=True)
        ]
        return np.stack(ready)

    def finish(self) -> FloatArray:
        """What the filter still holds, shape (channels, samples); of nothing, nothing."""
        nothing = np.zeros(0, dtype=np.float32)
        rest = [stream.resample_chunk(nothing, last=True) for stream in self._streams]
        return np.stack(rest) if rest else np.zeros((0, 0), dtype=np.float32)


class TakeSamples:
    """A take's field at another rate, read span by span; silent outside its length.

    `true_rate_hz` is the rate at which it was really recorded, where its header says another.
    """

    def __init__(self, take: Take, rate_hz: int, *, true_rate_hz: int | None = None) -> None:
        self._reader = FieldReader(take)
        self._take = take
        self.rate_hz = rate_hz
        recorded_hz = true_rate_hz or take.rate_hz
        divisor = gcd(rate_hz, recorded_hz)
        self._out_step, self._in_step = rate_hz // divisor, recorded_hz // divisor
        self.length = take.samples * rate_hz // recorded_hz

    def __enter__(self) -> Self:
        self._reader.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._reader.__exit__(kind, error, trace)

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:
        """Field samples start <= n < stop at rate_hz, shape (4 or `channels`, stop - start)."""
        guard = int(_GUARD_S * self.rate_hz)
        # Both rates share an instant every out_step samples: reading from one keeps the spans on one time grid.
        first = (start - guard) // self._out_step
        last = -(-(stop + guard) // self._out_step)
        native = self._read_native(first * self._in_step, last * self._in_step, channels)
        if self._out_step == self._in_step:
            whole = native
        else:
            whole = soxr.resample(native.T, self._in_step, self._out_step, quality="HQ").T
        return np.asarray(whole[:, start - first * self._out_step :][:, : stop - start])

    def _read_native(self, start: int, stop: int, channels: int | None) -> FloatArray:
        span = np.zeros((FIRST_ORDER_CHANNELS, stop - start), dtype=np.float32)[:channels]
        first, last = max(start, 0), min(stop, self._take.samples)
        if first < last:
            span[:, first - start : last - start] = self._reader.read(first, last, channels=channels)
        return span


# --- sound laid aside on disk ---

_SAMPLE_BYTES = 4
"""Bytes of a sample: float32."""

_IN_MEMORY_BYTES = 16 << 20
"""Sound up to this size stays in memory: a minute and a half of mono at 48 kHz. More goes to the folder for temporary
files."""


class Spool:
    """Float32 sound in a temporary file (in memory while it is small), gone when closed."""

    def __init__(self, rate_hz: int) -> None:
        self._file = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY_BYTES, prefix="soundplumb-")  # noqa: SIM115 closed by __exit__
        self._channels = 1
        self.rate_hz = rate_hz
        self.length = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # What a full disk did not take is not wanted any more.
        with suppress(OSError):
            self._file.close()

    def write(self, block: FloatArray) -> None:
        """Append a block, shape (channels, samples); every block has the same channels.

        Raises
        ------
        OutputError
            No room left for temporary files.
        """
        self._channels = block.shape[0]
        try:
            self._file.seek(0, 2)
            self._file.write(np.ascontiguousarray(block.T, dtype=np.float32).tobytes())
            # Here, not in a later read, is where a full disk must show.
            self._file.flush()
        except OSError as error:
            raise OutputError(
                f"the folder for temporary files has no room ({error.strerror}); free some or set TMPDIR"
            ) from error
        self.length += block.shape[1]

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:
        """Samples start <= n < stop, shape (channels, stop - start), zeros where there is no sound.

        `channels`: only the first so many.
        """
        span = np.zeros((self._channels, stop - start), dtype=np.float32)
        first, last = max(start, 0), min(stop, self.length)
        if first < last:
            frame = self._channels * _SAMPLE_BYTES
            self._file.seek(first * frame)
            raw = self._file.read((last - first) * frame)
            span[:, first - start : last - start] = np.frombuffer(raw, np.float32).reshape(-1, self._channels).T
        return span[:channels]
