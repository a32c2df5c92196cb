"""Options that several commands share, and what they mean once they are typed.

A group of options reaches its command as one thing (`rig: RigChoice`), which is asked for its meaning inside the run:
reading a file may fail, and that is said in one sentence.

Functions: clip_and_takes, force_option, pages_option, paired_option, repair_option, mount_option (single options);
rig_options, prior_options, handover_options, tolerance_options (groups); mount_from, pairing_from (what was typed).
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.running import (
    Command,
    Layout,
    Number,
    Numbers,
    input_file,
    mic_offset_option,
    mic_offset_sd_option,
    output_path,
)

if TYPE_CHECKING:
    from spatial.field import ReadAs
    from spatial.jobs.handover.hand_over import Wanted
    from spatial.jobs.rig import Rig
    from spatial.jobs.sync.take_choice import Pairing
    from spatial.jobs.verify import Tolerance
    from spatial.mount.prior import MountPrior
    from spatial.rotation import YawPitchRoll

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]
_LAYOUTS_HELP = (
    "How the picture is laid out, for marks in pixels: equirect360, equirect180 or fisheye180 (any field of view: "
    "fisheye190) for one eye; with -sbs for two side by side, with -tb for one above the other (equirect180-sbs)."
)
REPAIR_OR_MOUNT = "--repair goes by the marks, and --mount leaves them unasked: give one of the two"


@dataclass(frozen=True)
class RigChoice:
    """What the options say of the rig."""

    mic_offset: tuple[float, ...]
    mic_offset_sd: float
    picture: str | None
    moves: Path | None = None
    level: tuple[float, ...] | None = None
    band_hz: tuple[float, ...] = (300.0, 5000.0)

    def told(self, channel_format: ReadAs | None = None) -> Rig:
        """The rig, with its camera's moves read from their file, and what a microphone file leaves open."""
        from spatial.direction.microphone_error import ORDINARY
        from spatial.field import Calibrated
        from spatial.jobs.rig import Rig
        from spatial.media.tables import read_moves
        from spatial.rotation import YawPitchRoll, matrix_from_ypr

        microphone = ORDINARY
        if isinstance(channel_format, Calibrated):
            from spatial.jobs.orient.learn_microphone import still_unknown

            microphone = still_unknown(channel_format)
        forward, left, up = self.mic_offset
        low, high = self.band_hz
        return Rig(
            mic_offset_m=(forward, left, up),
            mic_offset_sd_m=self.mic_offset_sd,
            picture=self.picture,
            band_hz=(low, high),
            moves=None if self.moves is None else read_moves(self.moves),
            levelled=None if self.level is None else matrix_from_ypr(YawPitchRoll.from_degrees(0.0, *self.level)),
            microphone=microphone,
        )


@dataclass(frozen=True)
class PriorChoice:
    """What the options say of how the microphone sat."""

    upright: bool
    upside_down: bool
    level_within_deg: float | None
    facing_deg: float | None

    def __post_init__(self) -> None:
        if self.upright and self.upside_down:
            raise click.UsageError("the microphone cannot have been --upright and --upside-down: give one of the two")

    @property
    def hanging(self) -> str | None:
        """Which way up, in the words of `Hanging`; None where that was not said."""
        return "upright" if self.upright else "upside_down" if self.upside_down else None

    def told(self) -> MountPrior:
        """What the crew says of how the microphone sat."""
        from math import radians

        from spatial.mount.prior import Hanging, MountPrior

        return MountPrior(
            hanging=Hanging(self.hanging) if self.hanging else None,
            level_within_rad=None if self.level_within_deg is None else radians(self.level_within_deg),
            facing_rad=None if self.facing_deg is None else radians(self.facing_deg),
        )


@dataclass(frozen=True)
class ToleranceChoice:
    """How far the options let a performer be heard from where they are seen."""

    tolerance_azimuth_deg: float
    tolerance_elevation_deg: float

    def told(self) -> Tolerance:
        """The tolerance."""
        from math import radians

        from spatial.jobs.verify import Tolerance

        return Tolerance(radians(self.tolerance_azimuth_deg), radians(self.tolerance_elevation_deg))


_BESIDE_RESULTS = "<FOLDER>/handover"
"""Where --handover goes that names no folder."""


@dataclass(frozen=True)
class DeliveryChoice:
    """What the options ask of a day beside its tracks."""

    handover: Path | None
    names: str | None
    sheet: bool

    def __post_init__(self) -> None:
        if self.names is not None and self.handover is None:
            raise click.UsageError("--names says what tracks are called in a handover: add --handover")

    @property
    def asked(self) -> bool:
        """Whether anything is asked."""
        return self.sheet or self.handover is not None

    def told(self, results: Path, inputs: Sequence[Path]) -> Wanted:
        """What is wanted, for a day whose results lie in a folder; `inputs` are never written over."""
        from spatial.errors import InputError
        from spatial.jobs.handover.hand_over import HANDOVER_FOLDER, SHEET_FOLDER, Wanted
        from spatial.jobs.handover.track_names import DEFAULT_NAMES, NamePattern

        try:
            names = NamePattern(DEFAULT_NAMES if self.names is None else self.names)
        except InputError as error:
            raise click.UsageError(str(error)) from error
        handover = results / HANDOVER_FOLDER if self.handover == Path(_BESIDE_RESULTS) else self.handover
        return Wanted(handover, names, results / SHEET_FOLDER if self.sheet else None, tuple(inputs), results)


def mount_from(mount: tuple[float, ...] | None) -> YawPitchRoll | None:
    """The mount that --mount names."""
    from spatial.rotation import YawPitchRoll

    return YawPitchRoll.from_degrees(*mount) if mount else None


def clip_and_takes(command: Command) -> Command:
    """Add CLIP and TAKE..."""
    takes = click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
    return click.argument("clip", type=input_file())(takes(command))


def force_option(help_text: str) -> Decorator:
    """Add --force."""
    return click.option("--force", is_flag=True, help=help_text)


def pages_option(command: Command) -> Command:
    """Add --pages."""
    return click.option(
        "--pages",
        is_flag=True,
        help="Also make a page of each clip, to look at and to listen to, as review does. FOLDER/pages/index.html "
        "leads to them. This takes about a third of the clips' length.",
    )(command)


def mount_option(command: Command) -> Command:
    """Add --mount."""
    return click.option(
        "--mount",
        type=Numbers("YAW", "PITCH", "ROLL", limit=360.0),
        help="How the microphone sat, in degrees, if you know it. Left, up and right side down are positive.",
    )(command)


def paired_option(command: Command) -> Command:
    """Add --paired."""
    return click.option(
        "--paired",
        is_flag=True,
        help="You say that clip and take were filmed together. The answer is then given wherever the two align, also "
        "where the sound alone would leave it in doubt. The doubt is still shown.",
    )(command)


def pairing_from(*, paired: bool) -> Pairing | None:
    """What --paired says."""
    from spatial.jobs.sync.take_choice import Pairing

    return Pairing() if paired else None


def repair_option(command: Command) -> Command:
    """Add --repair."""
    return click.option(
        "--repair", is_flag=True, help="Put the channels of a mirrored take right, and say which were wrong."
    )(command)


def rig_options(*, moves: bool = False, level: bool = False, band: bool = False) -> Decorator:
    """Add --picture, --mic-offset, --mic-offset-sd and, where wanted, --moves, --level and --band-hz, as `rig`."""
    picture = click.option("--picture", type=Layout(), metavar="LAYOUT", help=_LAYOUTS_HELP)
    wanted = [
        picture,
        mic_offset_option,
        mic_offset_sd_option,
        *([_MOVES] if moves else []),
        *([_LEVEL] if level else []),
    ]
    return _grouped("rig", RigChoice, [*wanted, *([_BAND] if band else [])])


def prior_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --upright, --upside-down, --level-within and --facing, as `prior`."""
    return _grouped("prior", PriorChoice, _PRIOR)(command)


def handover_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --handover, --names and --sheet, as `delivery`."""
    return _grouped("delivery", DeliveryChoice, _DELIVERY)(command)


def tolerance_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --tolerance-azimuth-deg and --tolerance-elevation-deg, as `tolerance`."""
    return _grouped("tolerance", ToleranceChoice, _TOLERANCE)(command)


def _grouped(name: str, choice: type[Any], options: Sequence[Decorator]) -> Decorator:
    """Add options, and hand what they say to the command as one thing."""

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(command)
        def wrapped(*arguments: Any, **told: Any) -> Any:
            mine = {field.name: told.pop(field.name) for field in fields(choice) if field.name in told}
            return command(*arguments, **{name: choice(**mine)}, **told)

        whole: Callable[..., Any] = wrapped
        for option in reversed(options):
            whole = option(whole)
        return whole

    return decorate


def _band(ctx: click.Context, param: click.Parameter, value: tuple[float, ...]) -> tuple[float, ...]:
    """Refuse a band that is none."""
    if not 0.0 < value[0] < value[1]:
        raise click.BadParameter("LOW must be above 0 and below HIGH", ctx=ctx, param=param)
    return value


_BAND = click.option(
    "--band-hz",
    type=Numbers("LOW", "HIGH", limit=96_000.0),
    callback=_band,
    default="300,5000",
    show_default=True,
    help="Band of frequencies whose directions are trusted. Below LOW, directions are bent by the bass lift of close "
    "voices and by the room's own modes: go lower only far from performers or in the open. Above HIGH, the capsules "
    "are too far apart for the wave; HIGH is about 55000 divided by their distance in mm from the microphone's middle.",
)

_MOVES = click.option(
    "--moves",
    type=input_file(),
    metavar="FILE",
    help="How the camera turned while the recorder stood still: CSV file of time_s (clip time), yaw_deg, pitch_deg, "
    "roll_deg of the camera. Left, up and right side down are positive. From row to row the camera is taken to turn "
    "the shortest way. Marks are as seen at their time. The mount and --mic-offset are those at the camera's 0,0,0. "
    "Leave this out if the recorder turned with the camera.",
)

_LEVEL = click.option(
    "--level",
    type=Numbers("PITCH", "ROLL", limit=90.0),
    help="How the picture was levelled after it was filmed, in degrees; the sound is turned along. What is in front "
    "went UP by PITCH, what is at the right went DOWN by ROLL. If the camera had tipped 4 degrees down, this is -4,0. "
    "Marks are as seen in the picture as filmed, before that.",
)

_PRIOR = [
    *(
        click.option(name, is_flag=True, help=help_text)
        for name, help_text in (
            ("--upright", "The microphone stood upright, level within about 5 degrees."),
            ("--upside-down", "The microphone hung upside down, level within about 5 degrees."),
        )
    ),
    click.option(
        "--level-within",
        "level_within_deg",
        metavar="DEG",
        type=Number(min=0.0, min_open=True, max=90.0),
        help="The microphone was level within this angle (19 times in 20): either way up, unless you say which.",
    ),
    click.option(
        "--facing",
        "facing_deg",
        metavar="DEG",
        type=Number(min=-360.0, max=360.0),
        help="The microphone faced about this way (within about 20 degrees), seen from the lens: positive = left.",
    ),
]

_DELIVERY = [
    click.option(
        "--handover",
        is_flag=False,
        flag_value=_BESIDE_RESULTS,
        type=output_path(),
        metavar="[FOLDER]",
        help="Also make a folder for the editor: a timeline (day.otio) with pictures, tracks and raw takes, the tracks "
        "by names of their own, day.csv and day.html. Without a name it is handover/ beside tracks/; a name is a "
        "path from the folder you are in.",
    ),
    click.option(
        "--names",
        metavar="PATTERN",
        help="What tracks are called in the handover, made of <clip>, <take>, <day> and <date>; "
        "<clip>_<take>_ambix.wav unless you say otherwise.",
    ),
    click.option(
        "--sheet",
        is_flag=True,
        help="Also write sheet/day.html, the day on one page to print or to send, and sheet/day.csv.",
    ),
]

_TOLERANCE = [
    click.option(
        f"--tolerance-{name}-deg",
        type=Number(min=0.0, min_open=True, max=180.0),
        default=degrees,
        show_default=True,
        help=f"How far in {name} a performer may be heard from where they are seen, in degrees.",
    )
    for name, degrees in (("azimuth", 5.0), ("elevation", 10.0))
]
