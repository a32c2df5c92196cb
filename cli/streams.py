"""Standard input, output and error as they may be: closed, full, a pipe that nobody reads, a console without Unicode.

Functions: stand_in (for closed streams, before any file is opened); say, put (a line to standard error or output);
silence (a stream that takes no more).
"""

import codecs
import os
import sys
from contextlib import suppress
from typing import Any

import click

_PLAIN = str.maketrans({"°": " deg", "±": "+-", "×": "x", "–": "-", "…": "...", "’": "'"})
"""What our own words hold beyond ASCII."""


def stand_in() -> None:
    """Open something where a standard stream is closed.

    The next file to be opened would get its number: a library that writes to standard error would write into a track.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            # The lowest number that is free, which is this one.
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 for as long as the program runs
    if sys.stdout is not None:
        with suppress(AttributeError):
            sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]


def say(text: str) -> None:
    """A line to standard error; where that takes nothing, nobody is told."""
    try:
        click.echo(text, err=True)
    except (OSError, ValueError):
        silence(sys.stderr)


def put(text: str, *, json: bool) -> None:
    """A line to standard output.

    Parameters
    ----------
    text : str
    json : bool
        Whether it is JSON, which may be read by a program: what the stream's encoding lacks is written as an escape.

    Raises
    ------
    OSError
        It cannot be written.
    """
    if sys.stdout is None:
        raise OSError(None, "standard output is closed")
    # A file name may hold bytes that are no text; JSON writes them just as backslashreplace does.
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    if codecs.lookup(encoding).name != "utf-8":
        if json:
            text = "".join(part if part.isascii() else _escaped(part) for part in text)
        else:
            text = "".join(part if _fits(part, encoding) else part.translate(_PLAIN) for part in text)
            text = text.encode(encoding, "replace").decode(encoding)
    click.echo(text)


def silence(stream: Any) -> None:
    """Let nothing more be written to a stream that has failed: Python would try again on its way out."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _escaped(letter: str) -> str:
    pairs = letter.encode("utf-16-be")
    return "".join(f"\\u{pairs[at]:02x}{pairs[at + 1]:02x}" for at in range(0, len(pairs), 2))


def _fits(letter: str, encoding: str) -> bool:
    try:
        letter.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True
