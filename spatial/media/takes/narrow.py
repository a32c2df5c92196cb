"""Recordings in one or two channels beside the ambisonic takes: of a lavalier, a boom, a stereo pair.

Goal: read one as a stream or span by span, without taking it for part of a sound field.
Conventions: spatial.conventions (array layout). What is measured is the mean of its channels, so that a stereo file of
one microphone counts as that one; what is delivered are its own channels.
Functions: narrow_blocks (a stream of its channels); NarrowSamples (any span of their mean at another rate).
"""

from collections.abc import Iterator
from contextlib import ExitStack
from math import gcd
from types import TracebackType
from typing import Self

import numpy as np
import soxr

from spatial.conventions import FloatArray
from spatial.media.takes.reader import PartReader
from spatial.media.takes.take import Take

_GUARD_S = 0.02
"""Sound read on either side of a span, so that the filter has settled inside it."""


def narrow_blocks(
    recording: Take, *, start_sample: int = 0, stop_sample: int | None = None, block_samples: int = 1 << 16
) -> Iterator[FloatArray]:
    """Read a recording in a stream, all its channels.

    Parameters
    ----------
    recording : Take
        As open_any gives it; one file.
    start_sample, stop_sample : int
        Samples start <= n < stop.
    block_samples : int

    Yields
    ------
    ndarray, shape (channels, samples), float32

    Raises
    ------
    MediaFileError
        It breaks off, is damaged, has changed, or holds a value that is no sample.
    """
    stop = recording.samples if stop_sample is None else stop_sample
    with ExitStack() as stack:
        reader = _reader(recording, stack)
        for place in range(start_sample, stop, block_samples):
            yield reader.read(place, min(place + block_samples, stop)).T


class NarrowSamples:
    """The mean of a recording's channels at another rate, read span by span; silent outside its length."""

    def __init__(self, recording: Take, rate_hz: int) -> None:
        self._recording = recording
        self._stack = ExitStack()
        self.rate_hz = rate_hz
        divisor = gcd(rate_hz, recording.rate_hz)
        self._out_step, self._in_step = rate_hz // divisor, recording.rate_hz // divisor
        self.length = recording.samples * rate_hz // recording.rate_hz

    def __enter__(self) -> Self:
        self._reader = _reader(self._recording, self._stack)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:  # noqa: ARG002 one is all
        """Samples start <= n < stop at rate_hz, shape (1, stop - start)."""
        guard = int(_GUARD_S * self.rate_hz)
        # Both rates share an instant every out_step samples: reading from one keeps the spans on one time grid.
        first, last = (start - guard) // self._out_step, -(-(stop + guard) // self._out_step)
        native = self._native(first * self._in_step, last * self._in_step)
        if self._out_step != self._in_step:
            native = soxr.resample(native, self._in_step, self._out_step, quality="HQ")
        return np.asarray(native[np.newaxis, start - first * self._out_step :][:, : stop - start])

    def _native(self, start: int, stop: int) -> FloatArray:
        span = np.zeros(stop - start, dtype=np.float32)
        first, last = max(start, 0), min(stop, self._recording.samples)
        if first < last:
            span[first - start : last - start] = np.mean(self._reader.read(first, last), axis=1)
        return span


def _reader(recording: Take, stack: ExitStack) -> PartReader:
    (part,) = recording.parts
    return PartReader(part, recording.channels, recording.rate_hz, stack, used=range(recording.channels))
