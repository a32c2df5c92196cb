"""What every command shares: options, progress on standard error, errors in one sentence, exit codes.

Functions: json_option, mic_offset_option (options; those of a job are in cli.shared); Numbers, Number (their types);
printable (text from files, safe on a terminal); Run (one command's run); input_file (a path argument's type).
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

import click

from cli.stopping import COULD_NOT, STOPPED, Stopping

if TYPE_CHECKING:
    from spatial.findings import Finding

BAD = 4

_QUIET_S = 2.0
Command = TypeVar("Command", bound=Callable[..., Any])


class Numbers(click.ParamType[tuple[float, ...]]):
    """Numbers with commas between them, such as 0,0,-0.3."""

    name = "numbers"

    def __init__(self, *names: str, limit: float) -> None:
        self.names = names
        self.limit = limit

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:  # noqa: ARG002 click passes them
        """How the value is shown in --help."""
        return ",".join(self.names)

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Read the numbers; none may be larger than the limit, or NaN."""
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) != len(self.names) or not all(abs(number) <= self.limit for number in numbers):
            self.fail(
                f"'{value}' should be {len(self.names)} numbers with commas, {','.join(self.names)}, each between "
                f"{-self.limit:g} and {self.limit:g}",
                param,
                ctx,
            )
        return numbers


class Number(click.FloatRange):
    """A number in a range; unlike click's own, never NaN."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read the number."""
        number = float(super().convert(value, param, ctx))
        if number != number:
            self.fail(f"'{value}' is not a number", param, ctx)
        return number


def printable(text: str) -> str:
    """Text with what would move the cursor, break the line or be no text at all written as an escape."""
    return "".join(part if part.isprintable() else ascii(part)[1:-1] for part in text)


def input_file() -> click.Path:
    """A file to read; whether it exists is said by the job, in its own words."""
    return click.Path(path_type=Path)


def json_option(command: Command) -> Command:
    """Add --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")(command)


def mic_offset_option(command: Command) -> Command:
    """Add --mic-offset."""
    return click.option(
        "--mic-offset",
        type=Numbers("F", "L", "U", limit=10.0),
        default="0,0,0",
        show_default=True,
        help="The microphone's place seen from the lens, metres: forward, left, up (0,0,-0.3 = 30 cm below).",
    )(command)


def mic_offset_sd_option(command: Command) -> Command:
    """Add --mic-offset-sd."""
    return click.option(
        "--mic-offset-sd",
        type=Number(min=0.0, max=1.0),
        default=0.03,
        show_default=True,
        help="How exactly --mic-offset was measured, metres, one standard deviation along each axis.",
    )(command)


class Run:
    """One command's run: shows progress, turns our errors into one sentence, sets the exit code."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._started = time.monotonic()
        self._shown = 0.0
        self._dirty = False
        self._stopping = Stopping()

    def __enter__(self) -> Self:
        self._stopping.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.ignore()
        try:
            self._clear()
            if error is not None:
                self._explain(error)
        finally:
            self._stopping.__exit__()

    def _explain(self, error: BaseException) -> None:
        """Say in one sentence what we understand of an error, and leave; let the others through."""
        from spatial.errors import SoundplumbError

        # First: a job that was stopped may well have failed for that reason, and say another.
        if isinstance(error, KeyboardInterrupt) or (self._stopping.stopped and not isinstance(error, SystemExit)):
            self._fail(STOPPED)
        if isinstance(error, SoundplumbError):
            self._fail(str(error))
        if isinstance(error, MemoryError):
            self._fail("this machine has too little free memory for the job; close other programs and try again")
        if isinstance(error, OSError):
            where = f"{error.filename} cannot be used" if error.filename else "a file cannot be used"
            self._fail(f"{where} ({error.strerror}); check its name, its disk and its permissions")

    def progress(self, step: str, part: float) -> None:
        """Show how far a step is, on a terminal, once the job has lasted two seconds."""
        now = time.monotonic()
        if not sys.stderr.isatty() or now - self._started < _QUIET_S or now - self._shown < 0.1:
            return
        self._shown, self._dirty = now, True
        filled = round(20 * min(max(part, 0.0), 1.0))
        sys.stderr.write(f"\r\x1b[K{'=' * filled}{'.' * (20 - filled)} {100 * min(part, 1.0):3.0f} % {step}")
        sys.stderr.flush()

    def finish(
        self, lines: Callable[[], Iterable[str]], json_text: Callable[[], str], findings: Iterable[Finding]
    ) -> None:
        """Print the result, as words or as JSON, and leave with 4 where a finding must be mended."""
        from spatial.findings import is_bad

        self._clear()
        self._print([json_text()] if self._as_json else [printable(line) for line in lines()])
        if is_bad(findings):
            sys.exit(BAD)

    def _fail(self, sentence: str) -> None:
        click.echo(f"soundplumb: {printable(sentence)}", err=True)
        if self._as_json:
            self._print([json.dumps({"error": sentence}, ensure_ascii=False)])
        sys.exit(COULD_NOT)

    def _print(self, lines: Iterable[str]) -> None:
        try:
            for line in lines:
                # A file name may hold bytes that are no text; JSON writes them just as backslashreplace does.
                click.echo(line.encode("utf-8", "backslashreplace").decode("utf-8"))
            sys.stdout.flush()
        except OSError as error:
            # Python would try to write the rest again on its way out.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            if not isinstance(error, BrokenPipeError):
                click.echo(f"soundplumb: the result cannot be printed ({error.strerror}); send it elsewhere", err=True)
            sys.exit(COULD_NOT)

    def _clear(self) -> None:
        if self._dirty:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._dirty = False
