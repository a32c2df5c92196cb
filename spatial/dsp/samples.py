"""Random access to sound in memory or in a file, and work on spans of it while the next ones are read.

Goal: the measuring modules open no files; a long recording reaches them as something that can read a span. Reading a
span and transforming it both leave the interpreter free most of the time, so that a second thread makes them overlap.
Conventions: spatial.conventions (array layout).
Functions: ArraySamples (sound in memory); Excerpt (a part of other sound); while_reading (results in order).
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from spatial.conventions import FloatArray

# --- random access to sound ---


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


# --- reading ahead ---

Item = TypeVar("Item")
Result = TypeVar("Result")

_AHEAD = 6
"""Spans read and not yet worked on: enough to keep both cores busy, little enough memory."""


def while_reading(work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
    """Results of `work` on each item, in order, while the following items are taken from their iterable.

    Parameters
    ----------
    work : callable
        Run in another thread; must not share anything with the making of the items.
    items : iterable
        Consumed in the calling thread, at most a few items ahead.

    Yields
    ------
    The results. What `work` raises is raised here.

    Examples
    --------
    >>> list(while_reading(abs, iter([-3, 2])))
    [3, 2]
    """
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(1) as pool:
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) > _AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)
