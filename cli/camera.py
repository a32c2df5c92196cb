"""What a camera does that its recorder does not: options for moves and for a levelled picture.

Functions: moves_option, level_option; rig_under (the rig once they are known).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.running import Command, Numbers, input_file

if TYPE_CHECKING:
    from spatial.jobs.marks import Rig


def moves_option(command: Command) -> Command:
    """Add --moves."""
    return click.option(
        "--moves",
        type=input_file(),
        metavar="FILE",
        help="How the camera turned over a recorder that stood still: CSV of time_s (clip time), yaw_deg, pitch_deg, "
        "roll_deg of the camera; left, up, right side down are positive. Between rows the shortest turn is taken. "
        "Marks are as seen at their time; mount and --mic-offset are against the camera at 0,0,0. Not for a recorder "
        "that turned with the camera.",
    )(command)


def level_option(command: Command) -> Command:
    """Add --level."""
    return click.option(
        "--level",
        type=Numbers("PITCH", "ROLL", limit=90.0),
        help="The picture was levelled after it was filmed, so turn the sound along, degrees: what is in front went UP "
        "by PITCH, what is at the right went DOWN by ROLL (a camera that had tipped 4 degrees down: -4,0). Marks are "
        "as seen in the picture as filmed, before that.",
    )(command)


def rig_under(rig: Rig, moves: Path | None, level: tuple[float, ...] | None = None) -> Rig:
    """The rig with its camera's moves and the levelling of its picture."""
    from spatial.media.moves import read_moves
    from spatial.rotation import YawPitchRoll, matrix_from_ypr

    return replace(
        rig,
        moves=None if moves is None else read_moves(moves),
        levelled=None if level is None else matrix_from_ypr(YawPitchRoll.from_degrees(0.0, *level)),
    )
