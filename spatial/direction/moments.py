"""Moments worth marking: in which one place, or one person, sounds alone.

Goal: a handful of short spans of a clip, spread over its time and over the places that sound, each of which would make
a good mark. Nobody wants the same person ten times.
Conventions: spatial.conventions (time: clip time; directions are in the recording's own axes).
Functions: moments_of_places (by directions alone); moments_of_people (by the levels of microphones that people wear).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.direction.intensity import FrameDirections
from spatial.field import angle_between, unit_vectors

BoolArray = npt.NDArray[np.bool_]

_LEAST_S, _MOST_S = 1.5, 5.0
"""Length of a moment, seconds: two or three words tell a direction; longer ones invite somebody else to speak."""

_BRIDGED_S = 0.4
"""A rest inside a sentence, seconds."""

_SAME_RAD = np.radians(20.0)
"""Directions this close are one place."""

_STRAY_RAD = np.radians(10.0)
"""A source that strays further within a moment walks, or is two."""

_EACH, _PLACES = 2, 6
"""Most moments of one place or person, and most places: three or four marks, well apart, tell a mount."""

_APART_S = 20.0
"""Two moments of one person further apart than this say more than neighbours: people move."""

_ACTIVE_DB = 15.0
"""How far below their loud moments people still speak (common practice, no source)."""

_OWN_DB = 8.0
"""By how much a wearer's own microphone must stand out, each against its own loud moments: another wearer's voice is
heard in it 15 to 30 dB lower (common practice, no source)."""


_LOUD_S = 1.0
"""What somebody reaches for this long in all is how loud they are, seconds: a click does not last."""

_QUIETER_DB = 10.0
"""No wearer is softer than this below the loudest, each in their own microphone, as gains are set (common practice, no
source): who does not speak at all is not taken for somebody who whispers all the time."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A span in which one place or person sounds alone."""

    who: int
    """Number of the person as given, or of the place, from 0, the one that sounds longest first."""
    start_s: float
    end_s: float
    """Clip time."""


def moments_of_places(rows: FrameDirections, step_s: float) -> list[Moment]:
    """Moments in which one source alone is followed, spread over the places where sources are.

    Parameters
    ----------
    rows : FrameDirections
        On clip time, a row for each source that sounds in a step.
    step_s : float
        Time of one step.

    Returns
    -------
    list of Moment
        In order of time.
    """
    if not rows.times_s.size:
        return []
    number = np.rint((rows.times_s - rows.times_s.min()) / step_s).astype(int)
    sounding = np.bincount(number[rows.source > 0], minlength=number.max() + 1)
    vectors = unit_vectors(rows.azimuth_rad, rows.elevation_rad)
    found: list[tuple[float, float, FloatArray]] = []
    for source in np.unique(rows.source[rows.source > 0]):
        mine = np.flatnonzero(rows.source == source)
        sounds = np.zeros(number.max() + 1, dtype=bool)
        sounds[number[mine]] = True
        for first, last in _runs(sounds & (sounding == 1), blocked=sounding > sounds, step_s=step_s):
            inside = mine[(number[mine] >= first) & (number[mine] < last)]
            middle = np.mean(vectors[inside], axis=0)
            middle = middle / max(float(np.linalg.norm(middle)), 1e-9)
            if np.quantile(angle_between(vectors[inside], middle), 0.9) < _STRAY_RAD:
                start_s = float(rows.times_s.min()) + (first - 0.5) * step_s
                found.append((max(0.0, start_s), start_s + (last - first) * step_s, middle))
    places: list[list[tuple[float, float]]] = []
    centres: list[FloatArray] = []
    for start_s, end_s, middle in sorted(found, key=lambda one: one[0] - one[1]):
        near = [n for n, centre in enumerate(centres) if angle_between(centre, middle) < _SAME_RAD]
        if near:
            places[near[0]].append((start_s, end_s))
        else:
            centres.append(middle)
            places.append([(start_s, end_s)])
    longest = sorted(places, key=lambda spans: -sum(end - start for start, end in spans))[:_PLACES]
    return _chosen(longest)


def moments_of_people(levels_db: FloatArray, rate_hz: float) -> list[Moment]:
    """Moments in which one wearer of a microphone sounds and no other does.

    Parameters
    ----------
    levels_db : ndarray, shape (people, frames)
        Level in each microphone, lined up with the clip; -inf or NaN where a recording does not run.
    rate_hz : float
        Frames a second.

    Returns
    -------
    list of Moment
        In order of time.
    """
    levels = np.where(np.isfinite(levels_db), levels_db, -200.0)
    runs = levels > -200.0
    count = min(levels.shape[1], max(1, round(_LOUD_S * rate_hz)))
    loud = np.sort(levels, axis=1)[:, -count] if levels.shape[1] else np.zeros(len(levels))
    loud = np.maximum(loud, loud.max(initial=-200.0) - _QUIETER_DB)
    against_own = np.where(runs, levels - loud[:, np.newaxis], -200.0)
    spans: list[list[tuple[float, float]]] = []
    for person, own in enumerate(against_own):
        others = np.delete(against_own, person, axis=0)
        beside = others.max(axis=0) if len(others) else np.full(own.shape, -200.0)
        sounds = own > -_ACTIVE_DB
        alone = sounds & (own - beside > _OWN_DB)
        blocked = (beside > -_ACTIVE_DB) & ~alone
        spans.append(
            [(first / rate_hz, last / rate_hz) for first, last in _runs(alone, blocked=blocked, step_s=1.0 / rate_hz)]
        )
    return _chosen(spans)


def _runs(alone: BoolArray, *, blocked: BoolArray, step_s: float) -> list[tuple[int, int]]:
    """Runs of steps in which one sounds alone, rests bridged where nobody else sounds: first and one past the last."""
    places = np.flatnonzero(alone)
    runs: list[tuple[int, int]] = []
    most = max(1, round(_BRIDGED_S / step_s))
    for place in places.tolist():
        if runs and place - runs[-1][1] <= most and not blocked[runs[-1][1] : place].any():
            runs[-1] = (runs[-1][0], place + 1)
        else:
            runs.append((place, place + 1))
    longest = round(_MOST_S / step_s)
    return [(first, min(last, first + longest)) for first, last in runs if (last - first) * step_s >= _LEAST_S - 1e-9]


def _chosen(spans: Sequence[Sequence[tuple[float, float]]]) -> list[Moment]:
    """The longest moment of each, and one more of each that lies well apart from it."""
    chosen = []
    for who, mine in enumerate(spans):
        kept: list[tuple[float, float]] = []
        for span in sorted(mine, key=lambda one: one[0] - one[1]):
            if len(kept) < _EACH and all(abs(span[0] - other[0]) > _APART_S for other in kept):
                kept.append(span)
        chosen += [Moment(who, start_s, end_s) for start_s, end_s in kept]
    return sorted(chosen, key=lambda moment: moment.start_s)
