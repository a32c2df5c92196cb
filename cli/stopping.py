"""Ctrl-C, a polite kill or a closed terminal while a command runs: an exception that cannot get lost.

Classes: Stopping (as a context: signals stop the job, and that they did is kept in mind).
"""

import signal
import threading
from types import FrameType
from typing import Any, Self

from spatial.errors import STOP_SIGNALS

WRONG_USE = 2
"""Exit code of a command that was typed wrongly."""

COULD_NOT = 3
"""Exit code of a command that could not do its job."""

STOPPED = "stopped before it was done; nothing unfinished was left behind"

_AGAIN_S = 0.01
"""Seconds until a signal that must not stop now is sent again."""


class Stopping:
    """While entered, signals raise KeyboardInterrupt in the main thread; it is cleaned up after all of them alike.

    A library written in C calls Python back to read a file. An exception raised there is printed and lost, and the
    file seems damaged; one raised while a file is being closed makes it be closed twice, which spoils memory. The
    signal is then sent again a moment later.
    """

    def __init__(self) -> None:
        self.stopped = False
        """Whether a signal came: then any other error is only what followed from it."""
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for name in STOP_SIGNALS:
                if hasattr(signal, name):
                    number = getattr(signal, name)
                    self._before[number] = signal.signal(number, self._stop)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def ignore(self) -> None:
        """Let no further signal cut short what is said at the end."""
        for number in self._before:
            signal.signal(number, signal.SIG_IGN)

    def _stop(self, number: int, frame: FrameType | None) -> None:
        self.stopped = True
        if _must_not_stop(frame):
            threading.Timer(_AGAIN_S, _raise_again, (number,)).start()
        else:
            raise KeyboardInterrupt


def _raise_again(number: int) -> None:
    signal.raise_signal(number)


def _must_not_stop(frame: FrameType | None) -> bool:
    """Whether Python code runs on behalf of libsndfile, or closes a file of its."""
    while frame is not None:
        name = frame.f_code.co_name
        if frame.f_globals.get("__name__") == "soundfile" and (name.startswith("vio_") or name == "close"):
            return True
        frame = frame.f_back
    return False
