"""Work on spans of sound while the next ones are read.

Reading a span and transforming it both leave the interpreter free most of the time, so a second thread makes them
overlap.

Functions: while_reading (results in order).
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

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
