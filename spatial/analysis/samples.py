"""Random access to sound, whether it lies in memory or in a file somewhere else.

Analysis opens no files; a long recording reaches it as something that can read a span.

Conventions: spatial.conventions (array layout).
Functions: ArraySamples (sound in memory); Excerpt (a part of other sound).
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from spatial.conventions import FloatArray


class Samples(Protocol):
    """Sound that can be read in spans. Outside its length it is silent."""

    @property
    def rate_hz(self) -> int:
        """Sample rate, Hz."""

    @property
    def length(self) -> int:
        """Number of samples."""

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:
        """Samples start <= n < stop, shape (channels, stop - start), zeros where there is no sound.

        `channels`: only the first so many, which may be much quicker to get.
        """


@dataclass(frozen=True, slots=True, eq=False)
class ArraySamples:
    """Sound in memory, shape (channels, samples)."""

    data: FloatArray
    rate_hz: int

    @property
    def length(self) -> int:
        """Number of samples."""
        return int(self.data.shape[1])

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:
        """Samples start <= n < stop of the first `channels` or of all, zeros where there is no sound.

        Examples
        --------
        >>> ArraySamples(np.array([[1.0, 2.0]]), 48_000).read(-1, 3).tolist()
        [[0.0, 1.0, 2.0, 0.0]]
        """
        data = self.data[:channels]
        span = np.zeros((data.shape[0], stop - start), dtype=data.dtype)
        first, last = max(start, 0), min(stop, self.length)
        if first < last:
            span[:, first - start : last - start] = data[:, first:last]
        return span


@dataclass(frozen=True, slots=True, eq=False)
class Excerpt:
    """The samples first <= n < last of other sound, counted from 0."""

    whole: Samples
    first: int
    last: int

    @property
    def rate_hz(self) -> int:
        """Sample rate, Hz."""
        return self.whole.rate_hz

    @property
    def length(self) -> int:
        """Number of samples."""
        return self.last - self.first

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:
        """Samples start <= n < stop of the first `channels` or of all, zeros outside the excerpt."""
        inside = max(start, 0), min(stop, self.length)
        if inside[0] >= inside[1]:
            nothing = self.whole.read(0, 0, channels=channels)
            return np.zeros_like(nothing, shape=(len(nothing), stop - start))
        span = self.whole.read(self.first + inside[0], self.first + inside[1], channels=channels)
        return np.pad(span, ((0, 0), (inside[0] - start, stop - inside[1])))
