"""Work on several clips at once, each in a process of its own.

A worker is a fresh process: it shares no open file, no lock and no library's state with this one. Where it dies, what
it worked on is done here; where this process is stopped, workers are stopped too and tidy up behind them.
Functions: on_both_cores; main_of_worker (what runs there).
"""

import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar, cast

from spatial.jobs.progress import Progress

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Work = Callable[[Task, Progress], Answer]
"""What is done with a task; a function that another process can import. It raises nothing."""

WORTH_IT_S = 150.0
"""Seconds of clips from which a second process pays: it loads its modules for some 3 s, as 60 s of a clip take."""

_WORKERS = 2
_TOLD_EVERY_S = 0.1
"""From one word of progress to the next, seconds."""
_STOPS_WITHIN_S = 10.0
"""How long a worker that was stopped may tidy up."""


def on_both_cores(
    tasks: Sequence[Task], work: Work[Task, Answer], progress: Callable[[int, str, float], None], *, worth_it: bool
) -> Iterator[tuple[int, Answer]]:
    """Do each task, two at a time where that is worth it.

    Parameters
    ----------
    tasks : sequence
        What can be sent to another process.
    work : callable
    progress : callable
        Told the number of a task, its step, and the part of it that is done.
    worth_it : bool
        Whether there is work enough for two.

    Yields
    ------
    tuple of (int, answer)
        The number of a task and what came of it, as each is done.
    """
    left = list(range(len(tasks)))
    if worth_it and len(tasks) > 1 and (os.cpu_count() or 1) > 1:
        pool = _Pool(work, progress)
        try:
            for number, answer in pool.done(tasks):
                left.remove(number)
                yield number, answer
        finally:
            pool.stop()
    # Whatever a worker could not do, for it died or could not be started, is done here.
    for number in left:
        yield number, work(tasks[number], lambda step, part, number=number: progress(number, step, part))  # type: ignore[misc]


class _Pool(Generic[Task, Answer]):
    """Workers, each with a pipe."""

    def __init__(self, work: Work[Task, Answer], progress: Callable[[int, str, float], None]) -> None:
        self._work, self._progress = work, progress
        self._workers: dict[Connection, BaseProcess] = {}

    def done(self, tasks: Sequence[Task]) -> Iterator[tuple[int, Answer]]:
        """Send tasks out and yield what comes back."""
        context = get_context("spawn")
        waiting = list(range(len(tasks)))
        at_work: set[Connection] = set()
        try:
            for _ in range(min(_WORKERS, len(tasks))):
                ours, theirs = context.Pipe()
                worker = context.Process(target=main_of_worker, args=(theirs, self._work), daemon=True)
                worker.start()
                theirs.close()
                self._workers[ours] = worker
        except OSError:
            # No more processes are to be had here.
            pass
        for pipe in self._workers:
            self._send(pipe, waiting, tasks, at_work)
        while at_work:
            for pipe in cast(list[Connection], wait(list(at_work), timeout=0.5)):
                try:
                    number, step, told = pipe.recv()
                except (EOFError, OSError):
                    at_work.discard(pipe)
                    continue
                if step is not None:
                    self._progress(number, step, told)
                    continue
                at_work.discard(pipe)
                self._send(pipe, waiting, tasks, at_work)
                yield number, told

    def _send(self, pipe: Connection, waiting: list[int], tasks: Sequence[Task], at_work: set[Connection]) -> None:
        if not waiting:
            return
        number = waiting.pop(0)
        try:
            pipe.send((number, tasks[number]))
            at_work.add(pipe)
        except OSError:
            # The worker is gone: what it was to do is done here in the end.
            return

    def stop(self) -> None:
        """End the workers; one that is at work tidies up first."""
        for pipe, worker in self._workers.items():
            pipe.close()
            worker.terminate()
        ends = time.monotonic() + _STOPS_WITHIN_S
        for worker in self._workers.values():
            worker.join(max(0.0, ends - time.monotonic()))
            if worker.is_alive():
                worker.kill()
                worker.join()


def main_of_worker(pipe: Connection, work: Work[Any, Any]) -> None:
    """Do what comes through the pipe until it is closed."""
    # Ctrl-C reaches all processes of a terminal: the one that sent the work decides, and ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _stop)
    try:
        while True:
            number, task = pipe.recv()
            told_s = 0.0

            def tell(step: str, part: float, number: int = number) -> None:
                nonlocal told_s
                if time.monotonic() - told_s >= _TOLD_EVERY_S:
                    told_s = time.monotonic()
                    try:
                        pipe.send((number, step, part))
                    except OSError:
                        # Nobody waits for it any more; a mere error would be named as a mistake in the clip.
                        raise KeyboardInterrupt from None

            pipe.send((number, None, work(task, tell)))
    except (EOFError, OSError, KeyboardInterrupt):
        return


def _stop(number: int, frame: object) -> None:  # noqa: ARG001 Python passes them
    raise KeyboardInterrupt
