"""Priors from the crew's word on how a microphone sat, and directions that are known beside the marks.

Conventions: spatial.conventions (mount; azimuth).
Functions: word_rows (the crew's word as directions); ways_to_take (and how far to believe it).
"""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from spatial.conventions import FloatArray

HANGING_SD_RAD = np.radians(5.0)
"""How level a microphone hangs that someone calls upright or upside down (common practice, no source)."""

FACING_SD_RAD = np.radians(20.0)
"""How exactly a person states which way a microphone faced (common practice, no source)."""

WITHIN_95 = float(np.sqrt(-2 * np.log(0.05)))
"""A tilt lies within so many of its standard deviations (per axis) in 95 of 100: the two-dimensional normal law."""

_WRONG_WORD = 0.01
"""How often the crew's word on how the microphone hung is wrong (common practice, no source)."""


class Hanging(StrEnum):
    """The microphone's up side, as the crew states it."""

    UPRIGHT = "upright"
    UPSIDE_DOWN = "upside_down"


@dataclass(frozen=True, slots=True, eq=False)
class AxisMeasurement:
    """A direction known in both axes that is no mark, such as the picture's left by the camera's sound."""

    in_mic: FloatArray
    """Unit vector, shape (3,)."""
    in_picture: FloatArray
    """Unit vector, shape (3,)."""
    sd_rad: float
    """One standard deviation along either direction across it."""


@dataclass(frozen=True, slots=True)
class MountPrior:
    """A prior from the crew's word on how the microphone sat, as wide as such words deserve."""

    hanging: Hanging | None = None
    level_within_rad: float | None = None
    """It hung level within this angle, in 95 of 100; either way up unless `hanging` states which."""
    facing_rad: float | None = None
    """It faced about there, as an azimuth in the picture."""
    certain: bool = False
    """That the crew is wrong is out of the question."""


def word_rows(prior: MountPrior) -> tuple[tuple[AxisMeasurement, ...], ...]:
    """The crew's word as rows; several sets of them where it leaves open which way up, none where nothing is stated."""
    rows: list[AxisMeasurement] = []
    if prior.facing_rad is not None:
        ahead = np.array([np.cos(prior.facing_rad), np.sin(prior.facing_rad), 0.0])
        rows.append(AxisMeasurement(np.array([1.0, 0.0, 0.0]), ahead, FACING_SD_RAD))
    if prior.hanging is None and prior.level_within_rad is None:
        return (tuple(rows),) if rows else ()
    sd = HANGING_SD_RAD if prior.level_within_rad is None else prior.level_within_rad / WITHIN_95
    ways = [hanging for hanging in Hanging if prior.hanging in (None, hanging)]
    up = np.array([0.0, 0.0, 1.0])
    return tuple((*rows, AxisMeasurement(up, up if way is Hanging.UPRIGHT else -up, sd)) for way in ways)


def ways_to_take(prior: MountPrior) -> list[tuple[tuple[AxisMeasurement, ...], bool, bool, float]]:
    """The ways to take the crew's word: rows, whether they count, whether that is to believe it, and how often."""
    words = word_rows(prior)
    if not words:
        return [((), False, False, 1.0)]
    if prior.certain:
        return [(rows, True, True, 1.0 / len(words)) for rows in words]
    ways = [(rows, True, True, (1 - _WRONG_WORD) / len(words)) for rows in words]
    anyhow = _WRONG_WORD
    if prior.hanging is not None:
        # Who is wrong about up and down is so by half a turn, mostly.
        other = Hanging.UPRIGHT if prior.hanging is Hanging.UPSIDE_DOWN else Hanging.UPSIDE_DOWN
        ways.append((word_rows(replace(prior, hanging=other))[0], True, False, 0.8 * _WRONG_WORD))
        anyhow = 0.2 * _WRONG_WORD
    return [*ways, (words[0], False, False, anyhow)]
