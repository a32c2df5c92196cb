"""How a take's channels are to be read, as the command line says it.

Functions: format_option, track_format_option, judged_format_option (add the options); read_as (what they mean).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.running import Number, input_file

if TYPE_CHECKING:
    from spatial.field import ReadAs


@dataclass(frozen=True)
class FormatChoice:
    """What --format and the options beside it say."""

    name: str
    capsules: tuple[str, ...]
    omni_part: float
    radius_mm: float
    corrected: bool
    microphone: Path | None = None


_CAPSULE_ORDERS = ("FLU", "FRD", "BLD", "BRU"), ("FRU", "FLD", "BRD", "BLU")
"""The two arrangements of spatial.capsules, which is not imported here: it would load numpy for every --help."""


class CapsuleList(click.ParamType[tuple[str, ...]]):
    """Four capsules in the order of the channels, separated by commas."""

    name = "capsules"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, ...]:
        """Read the labels."""
        if isinstance(value, tuple):
            return value
        labels = tuple(label.strip().upper() for label in str(value).split(","))
        if sorted(labels) not in (sorted(order) for order in _CAPSULE_ORDERS):
            orders = " or ".join(",".join(order) for order in _CAPSULE_ORDERS)
            self.fail(f"'{value}' does not name the four capsules {orders}, in the order of the channels", param, ctx)
        return labels


def _format_option(command: Callable[..., Any], *, default: str, microphone: bool) -> Callable[..., Any]:
    """Add --format, and the options that say what a microphone's capsules are like."""

    @functools.wraps(command)
    def wrapped(
        *arguments: Any,
        channel_format: str,
        capsules: tuple[str, ...],
        capsule_omni_part: float,
        capsule_radius_mm: float,
        capsule_correction: bool,
        known_microphone: Path | None = None,
        **options: Any,
    ) -> Any:
        chosen = FormatChoice(
            *(channel_format, capsules, capsule_omni_part, capsule_radius_mm, capsule_correction), known_microphone
        )
        return command(*arguments, channel_format=chosen, **options)

    for add in (
        click.option(
            "--capsule-correction",
            is_flag=True,
            help="With aformat: level out what the distance between the capsules does to high notes (Gerzon 1975).",
        ),
        click.option(
            "--capsule-radius-mm",
            type=Number(min=2.0, max=50.0),
            default=14.7,
            show_default=True,
            help="With aformat: mm from the centre to a capsule. Directions hold up to about 105 kHz divided by this.",
        ),
        click.option(
            "--capsule-omni-part",
            type=Number(min=0.1, max=0.9),
            default=0.5,
            show_default=True,
            help="With aformat: the capsules' pattern; 0.5 is a cardioid, more is wider.",
        ),
        click.option(
            "--capsules",
            type=CapsuleList(),
            default="FLU,FRD,BLD,BRU",
            show_default=True,
            help="With aformat: which capsule each channel is (front or back, left or right, up or down). The other "
            "kind of microphone has FRU,FLD,BRD,BLU.",
        ),
        click.option(
            "--format",
            "channel_format",
            type=click.Choice(["auto", "ambix", "n3d", "fuma", "aformat"]),
            default=default,
            show_default=True,
            help="How the take's channels are read. ambix = ACN/SN3D, n3d = ACN/N3D, fuma = W,X,Y,Z with W 3 dB down, "
            "aformat = the raw capsules of a tetrahedral microphone, auto = as the file declares, else as the sound "
            "tells where it is sure, else ambix.",
        ),
    ):
        wrapped = add(wrapped)
    if microphone:
        wrapped = click.option(
            "--microphone",
            "known_microphone",
            type=input_file(),
            help="File that orient --save-microphone wrote about this very microphone; its faults are corrected.",
        )(wrapped)
    return wrapped


def format_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --format, ambix by default: what a format sounds like is a judgement, and results must not hang on it."""
    return _format_option(command, default="ambix", microphone=True)


def track_format_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The same for a finished track, which was turned: what its microphone was like is no longer to be taken out."""
    return _format_option(command, default="ambix", microphone=False)


def judged_format_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The same with auto for its default, where the question is what a recording is."""
    return _format_option(command, default="auto", microphone=False)


def read_as(choice: FormatChoice) -> ReadAs:
    """What --format and the options beside it mean."""
    from spatial.capsules import Capsules
    from spatial.field import ChannelFormat

    plain: ChannelFormat | Capsules = (
        ChannelFormat(choice.name)
        if choice.name != "aformat"
        else Capsules(choice.capsules, choice.omni_part, choice.radius_mm / 1e3, choice.corrected)
    )
    if choice.microphone is None:
        return plain
    from spatial.jobs.orient.learn_microphone import calibrated

    return calibrated(plain, choice.microphone)
