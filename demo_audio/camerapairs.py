"""What a camera's two microphones pick up from each direction: spaced, nearly coincident and coincident pairs.

Goal: every first-order pair by three numbers, so that crossed capsules and a decoded middle and side are one thing.
Conventions: spatial.conventions (axes), in the picture's axes. The left channel picks up omni + forward x + side y of
sound from the unit vector (x, y, z), the right channel omni + forward x - side y.
Functions: crossed; middle_side.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray


@dataclass(frozen=True, slots=True)
class CameraPair:
    """Patterns of a camera's left and right channel, mirror images of each other."""

    omni: float
    forward: float
    side: float

    def gain(self, towards: FloatArray, side: float) -> FloatArray:
        """Pickup of the left (side 1) or right (side -1) channel for picture directions, shape (..., 3) to (...)."""
        return np.asarray(self.omni + towards @ np.array([self.forward, side * self.side, 0.0]))


def crossed(omni_part: float, apart_deg: float) -> CameraPair:
    """Two equal capsules, omni_part + (1 - omni_part) cos, whose axes stand this far apart.

    Examples
    --------
    >>> crossed(0.5, 90.0).gain(np.array([0.0, 1.0, 0.0]), 1.0).round(3).item()
    0.854
    """
    aim = np.radians(apart_deg) / 2
    return CameraPair(omni_part, float((1.0 - omni_part) * np.cos(aim)), float((1.0 - omni_part) * np.sin(aim)))


def middle_side(middle_omni_part: float, side_gain: float) -> CameraPair:
    """A middle capsule, and a figure of eight to the left that is added to it and taken from it.

    Examples
    --------
    >>> middle_side(1.0, 0.5).gain(np.array([0.0, 1.0, 0.0]), -1.0).item()
    0.5
    """
    return CameraPair(middle_omni_part, 1.0 - middle_omni_part, side_gain)


BUILT_IN = crossed(0.7, 90.0)
"""Capsules in a camera's body, a little deaf behind (an assumption, no source)."""
