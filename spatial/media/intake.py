"""The one door in: every file that is read passes here first.

Goal: a named pipe, a device or a socket never makes a command wait, and a file that is far too large for what it should
be is refused before it is read.
Functions: open_input (a file of any length, open for reading); read_input (a small file, whole); read_toml (a small
file of settings); require_file (a file that a library opens by its name).
"""

import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any, BinaryIO

from spatial.errors import MediaFileError, SoundplumbError

_KINDS = (
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def open_input(
    path: Path, thing: str, error: type[SoundplumbError] = MediaFileError, *, buffering: int = 0
) -> BinaryIO:
    """Open a file for reading, in binary.

    Parameters
    ----------
    path : Path
    thing : str
        What it should be, as "recording" or "marks file"; for messages.
    error : type
        What is raised.
    buffering : int
        As of `open`; 0 for none.

    Raises
    ------
    `error`
        Missing, not readable, or no ordinary file.
    """
    require_file(path, thing, error)
    try:
        # Asked again once it is open: what lies there may have been exchanged in between.
        # A path's own `open` takes no opener; the caller closes it.
        file: BinaryIO = open(path, "rb", buffering=buffering, opener=_without_waiting)  # noqa: SIM115
        mode = os.fstat(file.fileno()).st_mode
    except (OSError, ValueError) as cause:
        raise _unreadable(path, thing, error, cause) from cause
    if not stat.S_ISREG(mode):
        file.close()
        raise _irregular(path, thing, error, mode)
    return file


def read_input(path: Path, thing: str, error: type[SoundplumbError] = MediaFileError, *, most_bytes: int) -> bytes:
    """Read a small file whole.

    Parameters
    ----------
    path, thing, error
        As for open_input.
    most_bytes : int
        A larger file is refused.

    Raises
    ------
    `error`
        As open_input, or the file is too large to be such a thing.
    """
    with open_input(path, thing, error) as file:
        try:
            raw = file.read(most_bytes + 1)
            # A raw file may give less than was asked for before its end.
            while len(raw) <= most_bytes and (more := file.read(most_bytes + 1 - len(raw))):
                raw += more
        except OSError as cause:
            raise _unreadable(path, thing, error, cause) from cause
    if len(raw) > most_bytes:
        raise error(f"{path.name} is larger than {most_bytes // 1000} kB, so it is no {thing}; name another")
    return raw


def read_toml(
    path: Path, thing: str, error: type[SoundplumbError], *, most_bytes: int, what_to_do: str
) -> tuple[str, dict[str, Any]]:
    """Read a file of settings in TOML: its text, and what it holds.

    Parameters
    ----------
    path, thing, error, most_bytes
        As for read_input.
    what_to_do : str
        The end of the sentence about a file that is no TOML.

    Raises
    ------
    `error`
        As read_input, or the file is no TOML in UTF-8; where its line can be told, it is.
    """
    raw = read_input(path, thing, error, most_bytes=most_bytes)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        line = raw.count(b"\n", 0, cause.start) + 1
        raise error(f"{path.name}, line {line}: this is no text in UTF-8, as a {thing} is; {what_to_do}") from cause
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as cause:
        raise error(f"{path.name} cannot be read as a {thing} ({cause}); {what_to_do}") from cause
    except RecursionError as cause:
        raise error(
            f"{path.name} cannot be read as a {thing}: its lists or tables lie too deep inside each other; {what_to_do}"
        ) from cause
    except ValueError as cause:
        # Python makes no number of thousands of digits, and does not say where they stand.
        long = max(_DIGITS.finditer(text), key=lambda found: len(found[0]), default=None)
        where, key = "", ""
        if long is not None:
            before = text[: long.start()].splitlines()
            where = f", line {max(1, len(before))}"
            key = before[-1].partition("=")[0].strip() if before and "=" in before[-1] else ""
        raise error(
            f"{path.name}{where}: {f'{key} holds' if key else 'there is'} a number with too many digits; {what_to_do}"
        ) from cause


def require_file(path: Path, thing: str, error: type[SoundplumbError] = MediaFileError) -> int:
    """Raise unless there is an ordinary file of that name.

    Returns
    -------
    int
        Its length in bytes.
    """
    try:
        found = path.stat()
    except (OSError, ValueError) as cause:
        raise _unreadable(path, thing, error, cause) from cause
    if not stat.S_ISREG(found.st_mode):
        raise _irregular(path, thing, error, found.st_mode)
    return found.st_size


_DIGITS = re.compile(r"[0-9_]+")


def _without_waiting(name: str, flags: int) -> int:
    # Opening a named pipe for reading waits for a writer, unless it is told not to.
    return os.open(name, flags | getattr(os, "O_NONBLOCK", 0))


def _irregular(path: Path, thing: str, error: type[SoundplumbError], mode: int) -> SoundplumbError:
    if stat.S_ISDIR(mode):
        return error(f"{path} is a folder; name the {thing} in it")
    kind = next((words for holds, words in _KINDS if holds(mode)), "something else")
    return error(f"{path} is not a file but {kind}; name the {thing} itself")


def _unreadable(path: Path, thing: str, error: type[SoundplumbError], cause: OSError | ValueError) -> SoundplumbError:
    if isinstance(cause, FileNotFoundError):
        kind = thing if thing.endswith("file") else "file"
        return error(f"there is no {kind} {path}; check the name and the folder")
    why = cause.strerror if isinstance(cause, OSError) else "no file can have such a name"
    return error(f"{path} cannot be opened ({why}); check its name and permissions")
