"""The turn of a track: how the microphone sat, how the camera moved over it, how the picture was levelled.

Conventions: spatial.conventions (mount).
Functions: track_turn (turns block after block); moves_findings (what the moves leave unsaid).
"""

from collections.abc import Callable

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.field import rewire_field
from spatial.findings import Finding, Severity
from spatial.jobs.marks import Rig
from spatial.media.movies import Clip
from spatial.rotation import TURN_STEP, turn_field, turn_field_along

Turn = Callable[[FloatArray, int], FloatArray]
"""Turns a block of a take that lies on clip time into the picture's axes; told the number of its first sample."""

_UNTOLD_S = 0.5
"""A clip that goes on for longer than its moves, before or after them, is worth a word."""


def track_turn(mount: FloatArray, repaired: FloatArray | None, rig: Rig) -> Turn:
    """The turn that makes a take's field face the lens at every moment.

    Parameters
    ----------
    mount : ndarray, shape (3, 3)
        picture_from_mic; where the camera moved over a microphone that stood still, as the camera looked at 0, 0, 0.
    repaired : ndarray, shape (3, 3), optional
        Puts the channels right first.
    rig : Rig
        Its moves, and how its picture was levelled.
    """
    shown = rig.shown_from_filmed

    def turned(block: FloatArray, first: int) -> FloatArray:
        field = block if repaired is None else rewire_field(block, repaired)
        if rig.moves is None:
            return turn_field(field, shown @ mount)
        motion, samples = rig.moves.motion, block.shape[1]
        knots_s = (first + np.arange(0, samples + TURN_STEP, TURN_STEP)) / DELIVERY_RATE_HZ
        if motion.rests(first / DELIVERY_RATE_HZ, (first + samples) / DELIVERY_RATE_HZ):
            knots_s = knots_s[:1]
        # The picture turns with the camera, what stands still the other way.
        turns = shown @ motion.at(knots_s).transpose(0, 2, 1) @ mount
        return turn_field(field, turns[0]) if len(turns) == 1 else turn_field_along(field, turns)

    return turned


def moves_findings(clip: Clip, rig: Rig) -> list[Finding]:
    """Where the moves leave part of a clip untold."""
    if rig.moves is None:
        return []
    first_s, last_s = (float(rig.moves.motion.times_s[end]) for end in (0, -1))
    if first_s <= _UNTOLD_S and last_s >= clip.duration_s - _UNTOLD_S:
        return []
    message = (
        f"{rig.moves.path.name} tells how the camera turned from {first_s:.2f} s to {last_s:.2f} s of "
        f"{clip.duration_s:.2f} s; before and after that it is taken to have stood still"
    )
    # A camera that did stand still there is nothing to mend, and the proof shows it if it did not.
    return [Finding("facing", Severity.NOTE, message, rig.moves.path.name)]
