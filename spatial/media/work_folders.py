"""Folders for work that is not done yet, and what a run that was killed left of them.

A run that is killed, or a machine that loses power, cannot tidy up. So each such folder holds a file that its run keeps
locked: the system takes the lock away with the process, however that ends. A folder whose file nobody holds is left
over, and is cleared by the next run that writes beside it.
Functions: working_folder (a folder of one's own for a with block); clear_leftovers.
"""

import errno
import os
import re
import shutil
import socket
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import FileIO
from pathlib import Path

from spatial.timebase import DAY_S

WINDOWS = os.name == "nt"
"""Whether files are locked, named and removed as Windows does it."""

_PREFIX = ".soundplumb-"
_NAME = re.compile(re.escape(_PREFIX) + r"[a-z0-9_]{8}")
_LOCK_NAME = ".soundplumb-lock"
_HEAD = "Soundplumb works in this folder while this file is locked, on the machine called "
_STRANGE_S = 2 * DAY_S
"""A lock may not reach over a network, so a folder of another machine may be in use although nobody here holds it; of
one so old the run is over. It may well be this machine's, under a name that it had then."""
_UNBORN_S = 3600.0
"""An empty folder this old is not about to get its lock."""
_TRIES = 5
"""How often a name is drawn anew where another run has cleared the folder before it was locked."""

_LONGEST_BYTES = 1000
"""Bytes of a lock file that are read; ours has some hundred."""

_HELD = frozenset({errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK})
"""Errors that mean that another process holds a lock."""


@contextmanager
def working_folder(parent: Path) -> Iterator[Path]:
    """A new folder beside a result, for as long as the with block lasts.

    Raises
    ------
    OSError
        It cannot be made.
    """
    clear_leftovers(parent)
    folder, lock = _claimed(parent)
    try:
        yield folder
    finally:
        # Windows removes no file that is open.
        lock.close()
        shutil.rmtree(folder, ignore_errors=True)


def clear_leftovers(parent: Path) -> int:
    """Remove what dead runs left in a folder.

    What is of live runs and of other people stays, and for two days what is of other machines.

    Returns
    -------
    int
        How many were removed.
    """
    cleared = 0
    with suppress(OSError):
        for folder in parent.iterdir():
            if _NAME.fullmatch(folder.name) and folder.is_dir() and not folder.is_symlink():
                cleared += _cleared(folder)
    return cleared


def _content() -> bytes:
    return (_HEAD + socket.gethostname() + "\n").encode()


def _cleared(folder: Path) -> bool:
    lock_path = folder / _LOCK_NAME
    try:
        with lock_path.open("r+b", buffering=0) as lock:
            said = lock.read(_LONGEST_BYTES)
            old = os.fstat(lock.fileno()).st_mtime < time.time() - _STRANGE_S
            ours = said == _content() or (old and said.startswith(_HEAD.encode()) and said.count(b"\n") == 1)
            if not ours or not _locked(lock):
                return False
            if not WINDOWS:
                shutil.rmtree(folder, ignore_errors=True)
        if WINDOWS:
            shutil.rmtree(folder, ignore_errors=True)
    except FileNotFoundError:
        # Between the making of a folder and of its lock there is a moment; only an old, empty one has had its time.
        with suppress(OSError):
            if folder.stat().st_mtime < time.time() - _UNBORN_S:
                folder.rmdir()
    except OSError:
        return False
    return not folder.exists()


def _claimed(parent: Path) -> tuple[Path, FileIO]:
    """A new folder and its locked file."""
    for _ in range(_TRIES):
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=parent))
        path = folder / _LOCK_NAME
        lock = path.open("xb", buffering=0)
        try:
            lock.write(_content())
            # Another run may have taken it for a left-over in the moment before.
            if _locked(lock) is not False and path.exists():
                return folder, lock
        except OSError:
            lock.close()
            shutil.rmtree(folder, ignore_errors=True)
            raise
        lock.close()
    raise OSError(f"no folder of its own could be made in {parent}")


def _locked(file: FileIO) -> bool | None:
    """Lock a file. False where another process holds it, None where this disk or system knows no locks."""
    try:
        import fcntl
    except ImportError:
        return _locked_on_windows(file)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return False if error.errno in _HELD else None
    return True


def _locked_on_windows(file: FileIO) -> bool | None:
    try:
        import msvcrt
    except ImportError:
        return None
    file.seek(0)
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    except OSError as error:
        return False if error.errno in _HELD else None
    return True
