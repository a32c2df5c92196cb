"""Sound in equal pages, each with what came just before it.

Goal: let detectors that look a little back and a little ahead work on a stream, whatever blocks it comes in.
Conventions: spatial.conventions (array layout).
Functions: Pager (cuts a stream into pages).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray

PAGE = 1 << 16
"""Samples that are looked at together: four channels of them stay in the processor's cache."""

MARGIN = 512
"""Samples before and after each sample of the core that a detector can count on."""


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A stretch of the stream. The cores of all pages lie end to end and cover the stream once."""

    sound: FloatArray
    """Shape (channels, samples), float32: MARGIN samples, the core, MARGIN samples. Zeros outside the stream."""
    start: int
    """Place in the stream of its core's first sample."""

    @property
    def core(self) -> FloatArray:
        """The samples that are this page's own, shape (channels, samples)."""
        return self.sound[:, MARGIN:-MARGIN]

    @property
    def length(self) -> int:
        """Samples of the core."""
        return int(self.sound.shape[1]) - 2 * MARGIN


class Pager:
    """Cuts a stream into pages."""

    def __init__(self, channels: int) -> None:
        self._buffer = np.zeros((channels, MARGIN + PAGE + MARGIN), dtype=np.float32)
        self._filled = MARGIN
        self._start = 0

    def push(self, block: FloatArray) -> Iterator[Page]:
        """Take the next samples, shape (channels, any number). A page is valid until the next is asked for."""
        done = 0
        while done < block.shape[1]:
            count = min(block.shape[1] - done, self._buffer.shape[1] - self._filled)
            self._buffer[:, self._filled : self._filled + count] = block[:, done : done + count]
            self._filled += count
            done += count
            if self._filled == self._buffer.shape[1]:
                yield Page(self._buffer, self._start)
                self._buffer[:, : 2 * MARGIN] = self._buffer[:, -2 * MARGIN :]
                self._filled = 2 * MARGIN
                self._start += PAGE

    def finish(self) -> Iterator[Page]:
        """What is left."""
        left = self._filled - MARGIN
        if left > 0:
            self._buffer[:, self._filled : self._filled + MARGIN] = 0.0
            yield Page(self._buffer[:, : self._filled + MARGIN], self._start)
