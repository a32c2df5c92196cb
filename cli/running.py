"""What every command shares: options, progress on standard error, errors in one sentence, exit codes.

Functions: json_option, mic_offset_option (options; those of a job are in cli.shared); Numbers, Number (their types);
printable (text from files, safe on a terminal); wrote; Run (one command's run); input_file, output_path, work_folder
(types of path arguments).
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
from cli.streams import put, say, silence
from cli.watching import too_narrow

if TYPE_CHECKING:
    from spatial.findings import Finding

BAD = 4
"""Exit code of a command that did its job and found something to be mended."""

_QUIET_S = 2.0
"""A job that is done within this many seconds shows no progress."""

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


def wrote(*paths: Path | None) -> list[str]:
    """What was written beside the result that is printed, one line each."""
    return [f"  Wrote {path}." for path in paths if path is not None]


class NamedPath(click.Path):
    """A path that was given a name: an empty one, as an unset variable of a script makes it, would be this folder."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the path."""
        if not os.fspath(value).strip():
            self.fail("its name is empty (for the folder you are in, write .)", param, ctx)
        return super().convert(value, param, ctx)


class InputPath(NamedPath):
    """A file to read; whether it exists is said by the job, in its own words. Never written over: see Run.inputs."""


class OutputPath(NamedPath):
    """A file or folder to write: by `spatial.media.output` or `folders` alone, which know whose it is.

    `kind` names what is written there, a member of spatial.media.ownership.Kind, or of output_folder.FolderKind for a
    `folder`: where it is known at once, the place is asked for it before anything else is loaded or read.
    """

    def __init__(self, kind: str | None = None, *, folder: bool = False) -> None:
        super().__init__(path_type=Path)
        self.kind, self.folder = kind, folder


class WorkFolder(NamedPath):
    """A folder whose files are read and beside which results are written."""


def input_file() -> InputPath:
    """The type of a file to read."""
    return InputPath(path_type=Path)


def output_path(kind: str | None = None, *, folder: bool = False) -> OutputPath:
    """The type of a file or folder to write, and the name of its kind: see OutputPath."""
    return OutputPath(kind, folder=folder)


def work_folder() -> WorkFolder:
    """The type of a day's folder."""
    return WorkFolder(path_type=Path)


def json_option(command: Command) -> Command:
    """Add --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")(command)


class Layout(click.ParamType[str]):
    """The name of a picture layout: a misspelt one is refused before anything is listened to."""

    name = "layout"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Read the name."""
        from spatial.errors import InputError
        from spatial.picture import check_layout

        try:
            check_layout(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)
        return str(value)


def mic_offset_option(command: Command) -> Command:
    """Add --mic-offset."""
    return click.option(
        "--mic-offset",
        type=Numbers("F", "L", "U", limit=10.0),
        default="0,0,0",
        show_default=True,
        help="The microphone's place seen from the lens, in metres: forward, left, up (0,0,-0.3 = 30 cm below).",
    )(command)


def mic_offset_sd_option(command: Command) -> Command:
    """Add --mic-offset-sd."""
    return click.option(
        "--mic-offset-sd",
        type=Number(min=0.0, max=1.0),
        default=0.03,
        show_default=True,
        help="How exactly --mic-offset was measured: one standard deviation along each axis, in metres.",
    )(command)


class Run:
    """One command's run: shows progress, turns our errors into one sentence, sets the exit code."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._started = time.monotonic()
        self._shown = 0.0
        self._dirty = False
        self._stopping = Stopping()

        self.inputs = _paths(InputPath)
        """Every file that the command was told to read: whatever it writes, it writes over none of them."""

    def __enter__(self) -> Self:
        narrow = too_narrow()
        if narrow:
            self._fail(narrow)
        from spatial.media.ownership import is_one_of

        outputs = _paths(OutputPath)
        for number, output in enumerate(outputs):
            if is_one_of(output, outputs[:number]):
                raise click.UsageError(f"{output} is named for two results: give each a name of its own")
        self._refuse_what_is_there()
        self._stopping.__enter__()
        return self

    def _refuse_what_is_there(self) -> None:
        """Refuse a result that exists already, where no --force is given: at the door, in a fraction of a second."""
        context = click.get_current_context(silent=True)
        if context is None or context.params.get("force"):
            return
        from spatial.errors import SoundplumbError

        try:
            for param in context.command.params:
                place = context.params.get(param.name or "")
                if isinstance(param.type, OutputPath) and param.type.kind is not None and place is not None:
                    _require_free(place, param.type.kind, self.inputs, folder=param.type.folder)
        except SoundplumbError as error:
            self._fail(str(error))
        except OSError:
            # A name that no disk takes, or a folder that cannot be looked into: the job says it in its own words.
            return

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
        """Say in one sentence what went wrong, and leave; for a mistake of ours, where the report of it lies."""
        from spatial.errors import SoundplumbError
        from spatial.jobs.faults import fault_sentence, is_want_of_memory

        # First: a job that was stopped may well have failed for that reason, and say another.
        if isinstance(error, KeyboardInterrupt) or (self._stopping.stopped and not isinstance(error, SystemExit)):
            self._fail(STOPPED)
        if isinstance(error, SoundplumbError):
            self._fail(str(error))
        if is_want_of_memory(error):
            self._fail("this machine has too little free memory for the job; close other programs and try again")
        if isinstance(error, OSError):
            where = f"{error.filename} cannot be used" if error.filename else "a file cannot be used"
            self._fail(f"{where} ({error.strerror}); check its name, its disk and its permissions")
        of_click = (click.ClickException, click.exceptions.Exit, click.Abort)
        if isinstance(error, Exception) and not isinstance(error, of_click):
            context = click.get_current_context(silent=True)
            self._fail(fault_sentence(error, context.info_name or "this" if context else "this"))

    def progress(self, step: str, part: float) -> None:
        """Show how far a step is, on a terminal, once the job has lasted two seconds."""
        now = time.monotonic()
        if not sys.stderr.isatty() or now - self._started < _QUIET_S or now - self._shown < 0.1:
            return
        self._shown, self._dirty = now, True
        filled = round(20 * min(max(part, 0.0), 1.0))
        _draw(f"\r\x1b[K{'=' * filled}{'.' * (20 - filled)} {100 * min(part, 1.0):3.0f} % {printable(step)}")

    def log(self, line: str) -> None:
        """A line on standard error where that is no terminal, which shows a bar; none for a job that is quick."""
        if not sys.stderr.isatty() and time.monotonic() - self._started >= _QUIET_S:
            say(printable(line))

    def finish(
        self,
        lines: Callable[[], Iterable[str]],
        json_text: Callable[[], str],
        findings: Iterable[Finding],
        *,
        decided: bool = True,
    ) -> None:
        """Print the result, as words or as JSON, and leave with 4 where a finding must be mended.

        `decided`: what was asked could be told. Where it could not, the result says why, and the command leaves with 3,
        as those do that stop at the same want with a message.
        """
        from spatial.findings import is_bad

        self._clear()
        self._print([json_text()] if self._as_json else [printable(line) for line in lines()])
        if not decided:
            sys.exit(COULD_NOT)
        if is_bad(findings):
            sys.exit(BAD)

    def _fail(self, sentence: str) -> None:
        say(f"soundplumb: {printable(sentence)}")
        if self._as_json:
            self._print([json.dumps({"error": sentence}, ensure_ascii=False)])
        sys.exit(COULD_NOT)

    def _print(self, lines: Iterable[str]) -> None:
        try:
            for line in lines:
                put(line, json=self._as_json)
        except OSError as error:
            silence(sys.stdout)
            if not isinstance(error, BrokenPipeError):
                say(f"soundplumb: the result cannot be printed ({error.strerror}); send it elsewhere")
            sys.exit(COULD_NOT)

    def _clear(self) -> None:
        if self._dirty:
            _draw("\r\x1b[K")
            self._dirty = False


def _draw(text: str) -> None:
    try:
        sys.stderr.write(text)
        sys.stderr.flush()
    except (OSError, ValueError):
        silence(sys.stderr)


def _require_free(place: Path, kind: str, inputs: list[Path], *, folder: bool) -> None:
    """Raise OutputError where a file, or a folder that holds something, is in a result's place.

    Names that cannot be used at all are left to the job, which knows what they should be.
    """
    if folder:
        from spatial.media.output_folder import FolderKind, may_be_made

        if place.is_dir():
            may_be_made(place, kind=FolderKind[kind], inputs=inputs)
        return
    from spatial.media.ownership import Kind, may_be_written

    if place.is_file():
        may_be_written(place, Kind[kind], force=False, inputs=inputs)


def _paths(kind: type[click.Path]) -> list[Path]:
    """What the command that runs was given for its parameters of a type."""
    context = click.get_current_context(silent=True)
    found: list[Path] = []
    for param in context.command.params if context else []:
        if isinstance(param.type, kind) and context and param.name:
            value = context.params.get(param.name)
            found += value if isinstance(value, tuple) else [value] if value is not None else []
    return found
