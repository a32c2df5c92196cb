"""Whether each performer is heard where they are seen.

Goal: the error of one mark in words that a person can act on, and a verdict that knows its own uncertainty.
Conventions: spatial.conventions (angles). Errors are heard minus seen: positive = too far left, too high.
Functions: check_mark; mirrored_axis (of a whole track).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import ORDINARY
from spatial.field import angle_between, azimuth_elevation

TOLERANCE_AZIMUTH_RAD = np.radians(5.0)
"""Offsets of picture and sound act on people from 5 to 10 degrees of azimuth (Stenzel, Francombe and Jackson
2019, Frontiers in Neuroscience 13:451)."""

TOLERANCE_ELEVATION_RAD = np.radians(10.0)
"""People hear height more coarsely: minimum audible angle 3.65 degrees upright against 0.97 across (Perrott
and Saberi 1990, JASA 87(4)), and fuse larger disparities in elevation (Hendrickx et al. 2015, JASA 138(6))."""


STEEP_RAD = np.radians(60.0)
"""Higher up, or lower down, a degree of azimuth is less than half a degree of angle: left and right mislead."""


class Verdict(StrEnum):
    """What a mark comes to."""

    IN_PLACE = "in place"
    BORDERLINE = "borderline"
    """Outside the tolerance by less than twice its uncertainty."""
    OFF = "off"
    UNHEARD = "unheard"
    UNJUDGED = "unjudged"
    """The track lies so far from the clip that at the mark's time others are heard."""


class JudgedBy(StrEnum):
    """What a mark's direction was held against."""

    OTHER_MARKS = "other_marks"
    """The mount that the other marks give: its own part is left out."""
    SAME_MARKS = "same_marks"
    """The mount that it helped to give, as too few others did."""
    TRACK = "track"
    """The track as it is, whose mount these marks did not give."""


@dataclass(frozen=True, slots=True, eq=False)
class Judge:
    """What one mark is judged by: how the track would be turned further, had its own mark taken no part."""

    judged_by: JudgedBy
    turn: FloatArray | None = None
    """Shape (3, 3); None where the track is taken as it is."""
    sd_rad: float = 0.0
    """What that turn, and what is unknown of the microphone, add to a direction's uncertainty, along either direction
    across it."""


AS_IT_IS = Judge(JudgedBy.TRACK, sd_rad=ORDINARY.somewhere_sd_rad)
"""A track whose mount nothing measured, by a microphone of which nothing was measured."""


@dataclass(frozen=True, slots=True, eq=False)
class MarkCheck:
    """One mark, expected and measured, both as seen from the microphone."""

    verdict: Verdict
    expected: FloatArray
    """Unit vector, shape (3,)."""
    measured: FloatArray
    """Unit vector, shape (3,); NaN where unheard."""
    error_rad: float
    """Angle between the two."""
    azimuth_rad: float
    """Heard too far left (+) or right (-): the difference of azimuths, as one reads them off. The higher one looks,
    the less of an angle it is; the verdict goes by that angle."""
    up_rad: float
    """Heard too high (+) or low (-)."""
    sd_rad: float
    judged_by: JudgedBy = JudgedBy.TRACK
    track_error_rad: float = float("nan")
    """Angle between expected and measured in the track; error_rad is what the judge makes of it."""

    @property
    def sides_tell(self) -> bool:
        """Whether both directions are low enough for azimuths to place them."""
        return bool(max(abs(self.expected[2]), abs(self.measured[2])) < np.sin(STEEP_RAD))


def check_mark(
    expected: FloatArray,
    heard: SpanDirection,
    *,
    tolerance_azimuth_rad: float = TOLERANCE_AZIMUTH_RAD,
    tolerance_elevation_rad: float = TOLERANCE_ELEVATION_RAD,
    judge: Judge = AS_IT_IS,
    place_sd_rad: float = 0.0,
) -> MarkCheck:
    """Compare where a performer should be heard with where they are heard.

    Parameters
    ----------
    expected : ndarray, shape (3,)
        Unit vector as seen from the microphone, picture axes.
    heard : SpanDirection
        Measured in the same axes.
    tolerance_azimuth_rad, tolerance_elevation_rad : float
    judge : Judge
        The errors and the verdict are those after its turn.
    place_sd_rad : float
        How far the expected direction may be off because the microphone's place is known only so well.

    Returns
    -------
    MarkCheck
    """
    if not heard.heard:
        nan = float("nan")
        return MarkCheck(Verdict.UNHEARD, expected, heard.vector, nan, nan, nan, nan, judge.judged_by)
    turned = heard.vector if judge.turn is None else judge.turn @ heard.vector
    sd_rad = float(np.hypot(np.hypot(heard.sd_rad, judge.sd_rad), place_sd_rad))
    seen_azimuth, seen_elevation = azimuth_elevation(expected)
    azimuth, elevation = azimuth_elevation(turned)
    # A degree of azimuth is less of an angle the higher one looks.
    turn = float(np.angle(np.exp(1j * (azimuth - seen_azimuth))))
    across = turn * float(np.cos(seen_elevation))
    up = float(elevation - seen_elevation)
    excess = max(abs(across) - tolerance_azimuth_rad, abs(up) - tolerance_elevation_rad)
    if excess <= 0:
        verdict = Verdict.IN_PLACE
    elif excess <= 2 * sd_rad:
        verdict = Verdict.BORDERLINE
    else:
        verdict = Verdict.OFF
    return MarkCheck(
        verdict=verdict,
        expected=expected,
        measured=heard.vector,
        error_rad=float(angle_between(turned, expected)),
        azimuth_rad=turn,
        up_rad=up,
        sd_rad=sd_rad,
        judged_by=judge.judged_by,
        track_error_rad=float(angle_between(heard.vector, expected)),
    )


def mirrored_axis(
    expected: FloatArray,
    heard: Sequence[SpanDirection],
    *,
    tolerance_azimuth_rad: FloatArray,
    tolerance_elevation_rad: FloatArray,
) -> int | None:
    """Which axis of a finished track seems inverted: with it put right, marks that were off are in place.

    Parameters
    ----------
    expected : ndarray, shape (marks, 3)
    heard : sequence of SpanDirection
        In the track's own axes.
    tolerance_azimuth_rad, tolerance_elevation_rad : ndarray, shape (marks,)

    Returns
    -------
    int or None
        0, 1 or 2 for front-back, left-right, up-down; None where none explains two marks or more that are off.
    """
    told = [n for n, each in enumerate(heard) if each.heard]

    def off(flip: FloatArray) -> int:
        checks = (
            check_mark(
                expected[n],
                replace(heard[n], vector=heard[n].vector * flip),
                tolerance_azimuth_rad=float(tolerance_azimuth_rad[n]),
                tolerance_elevation_rad=float(tolerance_elevation_rad[n]),
            )
            for n in told
        )
        return sum(check.verdict is Verdict.OFF for check in checks)

    as_is = off(np.ones(3))
    left_off = [off(1.0 - 2.0 * axis) for axis in np.eye(3)]
    best = int(np.argmin(left_off))
    # One mark in four may be wrong for a reason of its own.
    return best if as_is - left_off[best] >= 2 and left_off[best] <= len(told) // 4 else None
