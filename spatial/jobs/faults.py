"""A mistake of ours in one clip or take ends neither the others nor the day.

Functions: as_fault (turns any failure into an error that is named); fault_sentence (what to say of one, with a report
to send); is_want_of_memory (whether it comes of too little free memory).
"""

import errno
import os
import platform
import sys
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager

from spatial.errors import FaultError, SoundplumbError
from spatial.version import __version__


@contextmanager
def as_fault(what: str) -> Iterator[None]:
    """Let errors that we name through, and name every other.

    This is the one place that catches everything: what fails here is one clip or take of many.

    Parameters
    ----------
    what : str
        The file that is worked on.

    Raises
    ------
    FaultError
        Something failed in a way nobody thought of.
    """
    try:
        yield
    except SoundplumbError:
        raise
    except Exception as error:
        raise FaultError(fault_sentence(error, what)) from error


def fault_sentence(error: BaseException, what: str) -> str:
    """What to say of a failure nobody thought of; where it happened is written to a file of its own.

    Parameters
    ----------
    error : BaseException
    what : str
        The file, or the command, that was worked on.
    """
    if is_want_of_memory(error):
        return f"this machine has too little free memory for {what}; close other programs and try again"
    if isinstance(error, OSError) and error.filename:
        return f"{error.filename} cannot be used ({error.strerror}); check its name, its disk and its permissions"
    name = f"{type(error).__name__}: {error}"[:200]
    report = _report(error, what)
    send = f"send us the file {report}" if report else f"send us this: {_place(error)}"
    return f"{what} could not be done, by a mistake in soundplumb itself ({name}); {send}"


_NO_MEMORY = ("can't start new thread", "cannot allocate memory", "failed to map segment")
"""What Python says of a thread without room for its stack, and the system's loader of a library without room. Neither
has an error of its own to know it by."""


def is_want_of_memory(error: BaseException) -> bool:
    """Whether a failure comes of too little free memory, whatever it calls itself."""
    if isinstance(error, OSError) and not isinstance(error, MemoryError):
        return error.errno == errno.ENOMEM
    named = isinstance(error, (RuntimeError, ImportError)) and any(words in str(error).lower() for words in _NO_MEMORY)
    return isinstance(error, MemoryError) or named


def _report(error: BaseException, what: str) -> str | None:
    """Write what we need to mend it to a new file; None where there is no room for one."""
    text = "".join(
        [
            f"soundplumb {__version__}, Python {sys.version}\n{platform.platform()}\n{what}\n\n",
            *traceback.format_exception(error),
        ]
    )
    try:
        handle, path = tempfile.mkstemp(prefix="soundplumb-mistake-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)
    except OSError:
        return None
    return path


def _place(error: BaseException) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    return f"{os.path.basename(frames[-1].filename)}, line {frames[-1].lineno}" if frames else "no place"  # noqa: PTH119
