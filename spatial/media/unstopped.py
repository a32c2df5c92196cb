"""Moments in which a job must not be stopped: several files that only mean something together go to their places.

Ctrl-C and the like wait until the last of them lies there; they are not lost.
Functions: unstopped (for a with block).
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")


class _Waiting:
    """Signals that came while they were held back."""

    def __init__(self) -> None:
        self._came: list[int] = []
        self._before: dict[int, Any] = {}

    def hold(self) -> None:
        # Python lets only the main thread set handlers, and runs them there: no other is stopped by them.
        if threading.current_thread() is threading.main_thread():
            for number in (getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)):
                self._before[number] = signal.signal(number, self._note)

    def release(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        self._before.clear()
        if self._came:
            signal.raise_signal(self._came.pop())

    def _note(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002 Python passes them
        self._came.append(number)


@contextmanager
def unstopped() -> Iterator[None]:
    """Hold signals back until the with block is left; keep it short."""
    waiting = _Waiting()
    waiting.hold()
    try:
        yield
    finally:
        waiting.release()
