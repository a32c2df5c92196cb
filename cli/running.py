"""What every command shares: options, progress on standard error, errors in one sentence, exit codes.

Functions: json_option, format_option, rig_options, hanging_option, tolerance_options (options);
Run (one command's run); input_file (a path argument's type).
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

import click

if TYPE_CHECKING:
    from spatial.analysis.orientation import Hanging
    from spatial.findings import Finding
    from spatial.jobs.marks import Rig
    from spatial.jobs.verify import Tolerance

COULD_NOT = 3
BAD = 4

_QUIET_S = 2.0
Command = TypeVar("Command", bound=Callable[..., Any])


class Numbers(click.ParamType[tuple[float, ...]]):
    """Numbers with commas between them, such as 0,0,-0.3."""

    name = "numbers"

    def __init__(self, *names: str) -> None:
        self.names = names

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:  # noqa: ARG002 click passes them
        """How the value is shown in --help."""
        return ",".join(self.names)

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Read the numbers; every one must be finite."""
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) != len(self.names) or not all(abs(number) < 1e6 for number in numbers):
            self.fail(
                f"'{value}' should be {len(self.names)} numbers with commas: {','.join(self.names)}",
                param,
                ctx,
            )
        return numbers


def input_file() -> click.Path:
    """A file to read; whether it exists is said by the job, in its own words."""
    return click.Path(path_type=Path)


def json_option(command: Command) -> Command:
    """Add --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")(command)


def format_option(command: Command) -> Command:
    """Add --format."""
    return click.option(
        "--format",
        "channel_format",
        type=click.Choice(["ambix", "n3d", "fuma"]),
        default="ambix",
        show_default=True,
        help="How the take's channels are read: ambix = ACN/SN3D, n3d = ACN/N3D, fuma = W,X,Y,Z with W 3 dB down.",
    )(command)


def rig_options(command: Command) -> Command:
    """Add --picture and --mic-offset."""
    for option in (
        click.option(
            "--mic-offset",
            type=Numbers("F", "L", "U"),
            default="0,0,0",
            show_default=True,
            help="The microphone's place seen from the lens, metres: forward, left, up (0,0,-0.3 = 30 cm below).",
        ),
        click.option("--picture", metavar="LAYOUT", help="How the picture is laid out, for marks in pixels."),
    ):
        command = option(command)
    return command


def hanging_option(command: Command) -> Command:
    """Add --upright and --upside-down."""
    for name, value, help_text in (
        ("--upside-down", "upside_down", "The microphone hung upside down, level within about 5 degrees."),
        ("--upright", "upright", "The microphone stood upright, level within about 5 degrees."),
    ):
        command = click.option(name, "hanging", flag_value=value, default=None, type=str, help=help_text)(command)
    return command


def tolerance_options(command: Command) -> Command:
    """Add --tolerance-azimuth-deg and --tolerance-elevation-deg."""
    for name, degrees in (("elevation", 10.0), ("azimuth", 5.0)):
        command = click.option(
            f"--tolerance-{name}-deg",
            type=click.FloatRange(min=0.0, min_open=True, max=180.0),
            default=degrees,
            show_default=True,
            help=f"How far in {name} a performer may be heard from where they are seen.",
        )(command)
    return command


def rig_from(mic_offset: tuple[float, ...], picture: str | None) -> Rig:
    """The rig that the options describe."""
    from spatial.jobs.marks import Rig

    forward, left, up = mic_offset
    return Rig(mic_offset_m=(forward, left, up), picture=picture)


def hanging_from(value: str | None) -> Hanging | None:
    """What --upright or --upside-down said."""
    from spatial.analysis.orientation import Hanging

    return Hanging(value) if value else None


def tolerance_from(azimuth_deg: float, elevation_deg: float) -> Tolerance:
    """The tolerance that the options describe."""
    from math import radians

    from spatial.jobs.verify import Tolerance

    return Tolerance(radians(azimuth_deg), radians(elevation_deg))


class Run:
    """One command's run: shows progress, turns our errors into one sentence, sets the exit code."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._started = time.monotonic()
        self._shown = 0.0
        self._dirty = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._clear()
        if error is None:
            return
        from spatial.errors import SoundplumbError

        if isinstance(error, SoundplumbError):
            self._fail(str(error))
        if isinstance(error, KeyboardInterrupt):
            self._fail("stopped before it was done; nothing was written")
        if isinstance(error, MemoryError):
            self._fail("this machine has too little free memory for the job; close other programs and try again")

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
        if self._as_json:
            click.echo(json_text())
        else:
            for line in lines():
                click.echo(line)
        if is_bad(findings):
            sys.exit(BAD)

    def _fail(self, sentence: str) -> None:
        click.echo(f"soundplumb: {sentence}", err=True)
        if self._as_json:
            click.echo(json.dumps({"error": sentence}, ensure_ascii=False))
        sys.exit(COULD_NOT)

    def _clear(self) -> None:
        if self._dirty:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._dirty = False
