"""Where the system limits how much memory a process may take, the work is done in a second process that is watched.

Libraries written in C that decode, resample and encode do not all ask whether the memory they wanted was given to them:
where it was not, the process dies in the middle of their work, and no word can be said in it any more. A system without
such a limit lends more memory than it has, so that they are never refused; there nothing is watched, and nothing costs
time.
Functions: watched (run this very command again in a process of its own, where a limit is set); too_narrow (whether the
limit is too low to begin at all).
"""

import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from types import FrameType

from spatial.errors import STOP_SIGNALS

WATCHED = "SOUNDPLUMB_WATCHED"
"""Set for the process that does the work."""

_LIMITS = ("RLIMIT_AS", "RLIMIT_DATA")
"""Limits of memory that a system may set: of addresses, and of data."""

_MEGABYTE = 1_000_000
"""Bytes."""

_LEAST_BYTES = 600 * _MEGABYTE
"""The libraries alone take 400 MB of addresses as they are loaded, and one of them asks again for ever where it is
refused in that."""

_FEW_THREADS = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "1"}
"""Each thread of a library takes 40 MB of addresses, most of which are never used."""


def watched() -> tuple[int, str]:
    """Run this command in a process of its own, where memory is limited.

    Returns
    -------
    code : int
        Exit code of that process; -1 where there is no limit (or this is that process), and the work is to be done
        here.
    sentence : str
        What to say where it died of a fault in a library; empty where it has said all there is to say.
    """
    limit = _limit_bytes()
    if limit is None or os.environ.get(WATCHED):
        return -1, ""
    from subprocess import Popen

    # Before there is a process to pass them on to, signals wait.
    waiting: list[int] = []
    passing: list[Callable[[int], None]] = [waiting.append]

    def pass_on(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 Python passes it
        passing[-1](number)

    for name in STOP_SIGNALS:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), pass_on)
    # In a group of its own, or Ctrl-C would reach it twice.
    with Popen(
        [sys.executable, *sys.orig_argv[1:]], env={**_FEW_THREADS, **os.environ, WATCHED: "1"}, process_group=0
    ) as work:

        def send(number: int) -> None:
            with suppress(ProcessLookupError):
                work.send_signal(number)

        passing.append(send)
        for number in waiting:
            send(number)
        code = work.wait()
    if code >= 0:
        return code, ""
    return 3, (
        "a library that soundplumb uses broke off, most likely for want of memory: a process may take no more than "
        f"{limit / _MEGABYTE:.0f} MB here (ulimit); allow more, and run it again, which clears what was left behind too"
    )


def too_narrow() -> str:
    """Why nothing can be done under the limit that is set; empty where it leaves room to begin."""
    limit = _limit_bytes()
    if limit is None or limit >= _LEAST_BYTES:
        return ""
    return (
        f"a process may take no more than {limit / _MEGABYTE:.0f} MB of memory here (ulimit), and soundplumb needs "
        f"{_LEAST_BYTES / _MEGABYTE:.0f} MB to begin at all; allow more"
    )


def _limit_bytes() -> int | None:
    try:
        import resource
    except ImportError:  # Windows
        return None
    found = [resource.getrlimit(getattr(resource, name))[0] for name in _LIMITS if hasattr(resource, name)]
    set_ones = [limit for limit in found if limit != resource.RLIM_INFINITY]
    return min(set_ones, default=None)
