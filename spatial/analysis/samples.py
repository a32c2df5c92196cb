"""Random access to sound, whether it lies in memory or in a file somewhere else.

Analysis opens no files; a long recording reaches it as something that can read a span.

Conventions: spatial.conventions (array layout).
Functions: ArraySamples (sound in memory).
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

    def read(self, start: int, stop: int) -> FloatArray:
        """Samples start <= n < stop, shape (channels, stop - start), zeros where there is no sound."""


@dataclass(frozen=True, slots=True, eq=False)
class ArraySamples:
    """Sound in memory, shape (channels, samples)."""

    data: FloatArray
    rate_hz: int

    @property
    def length(self) -> int:
        """Number of samples."""
        return int(self.data.shape[1])

    def read(self, start: int, stop: int) -> FloatArray:
        """Samples start <= n < stop, zeros where there is no sound.

        Examples
        --------
        >>> ArraySamples(np.array([[1.0, 2.0]]), 48_000).read(-1, 3).tolist()
        [[0.0, 1.0, 2.0, 0.0]]
        """
        span = np.zeros((self.data.shape[0], stop - start), dtype=self.data.dtype)
        first, last = max(start, 0), min(stop, self.length)
        if first < last:
            span[:, first - start : last - start] = self.data[:, first:last]
        return span
