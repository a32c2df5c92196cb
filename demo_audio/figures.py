"""The figures of the demo shoot, painted on an upright plane whose origin is the place that sounds.

Functions: paint_still (body and furniture), paint_moving (mouth or instrument, by how strongly it sounds).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_audio.scenes import Part
from spatial.conventions import FloatArray

Colour = tuple[int, int, int]
Mask = npt.NDArray[np.bool_]

SKIN, HAIR, DARK, WOOD, BRASS, CANVAS = (
    (226, 190, 160),
    (70, 56, 50),
    (52, 46, 48),
    (150, 112, 74),
    (212, 178, 96),
    (232, 226, 206),
)
HEAD_ABOVE_INSTRUMENT_M = 0.50  # from the instrument up to the mouth


@dataclass(frozen=True, slots=True)
class Brush:
    """Paints shapes given in metres right of and above the origin into part of an image, in place."""

    image: npt.NDArray[np.float64]
    across_m: FloatArray
    up_m: FloatArray

    def oval(self, x: float, y: float, half_width: float, half_height: float, colour: Colour) -> None:
        """Fill an ellipse round (x, y)."""
        inside = ((self.across_m - x) / half_width) ** 2 + ((self.up_m - y) / half_height) ** 2 < 1
        self._fill(inside, colour)

    def beam(
        self, start: tuple[float, float], end: tuple[float, float], colour: Colour, *, wide: float, narrow: float
    ) -> None:
        """Fill a straight bar that is `wide` metres across at its start and `narrow` at its end."""
        along = np.subtract(end, start)
        length = float(np.hypot(*along))
        east, north = along / length
        forth = (self.across_m - start[0]) * east + (self.up_m - start[1]) * north
        aside = (self.up_m - start[1]) * east - (self.across_m - start[0]) * north
        half = (wide + (narrow - wide) * forth / length) / 2
        self._fill((forth >= 0) & (forth <= length) & (np.abs(aside) <= half), colour)

    def _fill(self, inside: Mask, colour: Colour) -> None:
        self.image[inside] = colour


def paint_still(brush: Brush, part: Part, *, height_m: float) -> None:
    """Paint body and furniture; the floor is `height_m` below the place that sounds."""
    mouth = 0.0 if part.sounds_with == "mouth" else HEAD_ABOVE_INSTRUMENT_M
    floor, hip = -height_m, mouth - 0.78
    if part.pose == "ladder":
        hip, feet = mouth - 0.78, max(floor, mouth - 1.6)
        for side in (-0.24, 0.24):
            brush.beam((side, floor), (side * 0.8, mouth + 0.1), WOOD, wide=0.06, narrow=0.05)
        for rung in np.arange(floor + 0.3, mouth - 0.2, 0.3):
            brush.beam((-0.24, rung), (0.24, rung), WOOD, wide=0.045, narrow=0.045)
    elif part.pose == "bench":
        feet = max(floor, mouth - 1.6)
        brush.beam((-0.55, feet - 0.03), (0.55, feet - 0.03), WOOD, wide=0.08, narrow=0.08)
        for side in (-0.45, 0.45):
            brush.beam((side, feet), (side, floor), WOOD, wide=0.07, narrow=0.07)
    elif part.pose in ("seated", "floor"):
        feet = floor
        hip = max(hip, floor + 0.12)
        if part.pose == "seated":
            brush.beam((-0.24, hip - 0.08), (0.24, hip - 0.08), WOOD, wide=0.07, narrow=0.07)
            for side in (-0.2, 0.2):
                brush.beam((side, hip - 0.1), (side * 1.2, floor), WOOD, wide=0.05, narrow=0.05)
    else:
        feet = floor
    for side in (-1, 1):
        if part.pose == "floor":  # cross-legged
            brush.beam((0.12 * side, hip), (0.42 * side, floor + 0.09), DARK, wide=0.17, narrow=0.13)
            brush.beam((0.42 * side, floor + 0.08), (-0.05 * side, floor + 0.06), DARK, wide=0.13, narrow=0.1)
        else:
            brush.beam((0.09 * side, hip), (0.1 * side, feet), DARK, wide=0.17, narrow=0.11)
    brush.beam((0.0, mouth - 0.17), (0.0, hip - 0.05), part.colour, wide=0.46, narrow=0.36)
    brush.oval(0.0, mouth - 0.2, 0.23, 0.07, part.colour)
    brush.beam((0.0, mouth - 0.05), (0.0, mouth - 0.2), SKIN, wide=0.11, narrow=0.12)
    brush.oval(0.0, mouth + 0.09, 0.150, 0.180, HAIR)
    brush.oval(0.0, mouth + 0.055, 0.128, 0.165, SKIN)
    for side in (-1, 1):
        brush.oval(0.05 * side, mouth + 0.1, 0.016, 0.02, DARK)
        if part.sounds_with == "mouth":
            raised = 0.35 if part.pose == "ladder" and side > 0 else -0.62
            _arm(brush, part, side, mouth, hand=(0.3 * side, mouth + raised))
    if mouth:
        brush.oval(0.0, mouth, 0.035, 0.008, DARK)


def paint_moving(brush: Brush, part: Part, *, level: float, time_s: float) -> None:
    """Paint the mouth or the instrument that sounds with `level` 0 to 1."""
    mouth = HEAD_ABOVE_INSTRUMENT_M
    if part.sounds_with == "mouth":
        brush.oval(0.0, 0.0, 0.052 - 0.012 * level, 0.008 + 0.062 * level, (96, 40, 44))
    elif part.sounds_with == "concertina":
        half = 0.13 + (0.05 + 0.06 * np.sin(2 * np.pi * 0.9 * time_s)) * min(1.0, 3.0 * level)
        for side in (-1, 1):
            _arm(brush, part, side, mouth, hand=((half + 0.05) * side, 0.0))
        brush.beam((-half, 0.0), (half, 0.0), CANVAS, wide=0.19, narrow=0.19)
        for fold in np.linspace(-half, half, 7)[1:-1]:
            brush.beam((fold, -0.095), (fold, 0.095), DARK, wide=0.012, narrow=0.012)
        for side in (-1, 1):
            brush.beam((half * side, 0.0), ((half + 0.06) * side, 0.0), WOOD, wide=0.22, narrow=0.2)
    elif part.sounds_with == "lute":
        brush.beam((0.1, 0.02), (0.62, 0.2), WOOD, wide=0.05, narrow=0.045)
        brush.oval(0.0, 0.0, 0.21, 0.15, WOOD)
        brush.oval(0.03, 0.01, 0.05, 0.05, DARK)
        stroke = 0.07 * level * np.sin(2 * np.pi * 3.3 * time_s)
        _arm(brush, part, 1, mouth, hand=(0.48, 0.15))
        _arm(brush, part, -1, mouth, hand=(-0.03, 0.03 + stroke))
    elif part.sounds_with == "drum":
        brush.oval(0.0, 0.0, 0.25, 0.25, WOOD)
        brush.oval(0.0, 0.0, 0.22, 0.22, CANVAS if level < 0.25 else (250, 246, 232))
        _arm(brush, part, -1, mouth, hand=(-0.25, -0.05))
        _arm(brush, part, 1, mouth, hand=(0.06 + 0.16 * (1 - level), 0.02 + 0.2 * (1 - level)))
    elif part.sounds_with == "bell":
        swing = 0.09 * min(1.0, 3.0 * level) * np.sin(2 * np.pi * 2.5 * time_s)
        _arm(brush, part, -1, mouth, hand=(-0.28, -0.15))
        _arm(brush, part, 1, mouth, hand=(0.02 - swing, 0.17))
        brush.beam((0.02 - swing, 0.2), (0.0, 0.06), WOOD, wide=0.035, narrow=0.035)
        brush.beam((0.0, 0.09), (swing, -0.09), BRASS, wide=0.07, narrow=0.21)


def _arm(brush: Brush, part: Part, side: int, mouth: float, *, hand: tuple[float, float]) -> None:
    """Shoulder, elbow and hand; `side` 1 is right in the picture."""
    shoulder = (0.2 * side, mouth - 0.2)
    elbow = ((shoulder[0] + hand[0]) / 2 + 0.1 * side, (shoulder[1] + hand[1]) / 2 - 0.06)
    sleeve = tuple(round(0.85 * value) for value in part.colour)
    brush.beam(shoulder, elbow, (sleeve[0], sleeve[1], sleeve[2]), wide=0.12, narrow=0.1)
    brush.beam(elbow, hand, (sleeve[0], sleeve[1], sleeve[2]), wide=0.1, narrow=0.075)
    brush.oval(elbow[0], elbow[1], 0.05, 0.05, (sleeve[0], sleeve[1], sleeve[2]))
    brush.oval(hand[0], hand[1], 0.045, 0.045, SKIN)
