"""Who sounds where, when several do: tracks of direction over time, each with an identity and gaps.

Goal: a row of directions for every source at once, moving ones followed without lag or jumps.
Method: each string of places (spatial.direction.place_strings) is fitted with the smoothest path that its own bins
allow. The fit looks both ways in time, so it does not lag; how smooth is decided for each track by how well half of its
half seconds predict the other half. A step counts as sounding only where it is likely enough that somebody sounds
there: its own beginnings, its level and what the same source has just done distinguish a source from a rest, a room's
tail and a reflection.
Conventions: spatial.conventions (axes). Time runs in steps, the rows of spatial.direction.intensity.
Functions: find_tracks (the sources); rows_by_source (tracks as rows); surest (one for each step).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, percentile_filter, uniform_filter1d

from spatial.conventions import FloatArray
from spatial.direction.doa import SPREAD, Pulls, law_of_sd
from spatial.direction.intensity import FrameDirections
from spatial.direction.place_strings import (
    BINS_A_STEP,
    NARROW,
    SAME_PLACE_RAD,
    PlaceString,
    StepCells,
    leading_strings,
    merge_strings,
    string_places,
)
from spatial.field import angle_between, azimuth_elevation

# Chosen on 26 simulated scenes (seeds 7000 to 7025) that no committed result uses.
_REST = 0.04
"""Part of a string's usual weight (smoothed over a step) below which it rests. A lower value follows a room's tail, a
higher one cuts off soft ends."""

_PAUSE_S = 0.3
"""Rests up to this long are bridged, seconds: the gaps within speech."""

_PACE_S = 1.0
"""Seconds of sound before and after a rest by which a walker's pace is measured: longer, and who turned round leapt."""

_PACE_LEAST = 6
"""Least number of steps that tell a pace: the path of half a second of sound bends with its reflections."""

_STIFFNESS = (1.0, 10.0, 1e2, 1e3, 1e4, 1e6)
"""Weights of the second differences that are tried for each track, from one that follows every step to one that stands
still."""

_FORETOLD_S = 0.5
"""Length of the blocks that predict each other when the stiffness is chosen, seconds: long enough that a block's
reflections are not those of the next."""

# Fitted on 40 simulated scenes (tests/scenes/ring.py, seeds 21000 to 21039) that no committed result uses.
_DOUBT = (-2.51, -0.284, -0.97, -2.89)
"""Logarithm of the odds that nobody sounds where a track is: for each tenfold of the part of a step's beginnings that
agree with it, each dB above the quietest of the minute, each tenfold of what has agreed in the last second, and 0."""
_MOST_ABOVE_DB = 15.0
"""Levels further above the floor than this add nothing, dB."""

_RECENT_S = 1.0
"""How long what has agreed counts as recent, seconds."""

_FLOOR_S, _FLOOR_PERCENT = 60.0, 5.0
"""The floor is this percentile of the levels within this many seconds: a minute holds rests, and its quietest steps are
not one odd step."""

_MOST_DOUBT = 0.15
"""A step that is no surer than this is a rest, a room's tail or a reflection."""
_WIDENED_UP_TO = 0.04
"""With more doubt than 0.05 no region however wide holds 95 in 100; the few such steps are not widened further."""
_LAW_SCALE = 1.8
"""Factor on the law of spans. See _SHARED_SD_RAD: 32 bins a step follow a room's changes less well than a mark's
thousands do. Lower values state regions that hold the truth too seldom."""

_SHARED_SD_RAD = np.radians(1.0)
"""What a step's uncertainty holds beside that: what one room does to one place all the time does not show in how its
bins stray."""


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One source followed over time."""

    source: int
    """Its number, from 1, in the order of their first sound."""
    active: npt.NDArray[np.bool_]
    """In which steps it surely sounds, shape (steps,)."""
    vectors: FloatArray
    """Where it is in each step, shape (steps, 3); in its gaps on the way from one sound to the next."""
    sd_rad: FloatArray
    """One standard deviation along each of the two directions across, in each step, shape (steps,)."""
    doubt: FloatArray
    """How likely it is that nobody sounds there in a step, 0 to 1, shape (steps,)."""


def find_tracks(cells: StepCells, step_s: float) -> tuple[Track, ...]:
    """The sources of a recording.

    Parameters
    ----------
    cells : StepCells
    step_s : float

    Returns
    -------
    tuple of Track
        In the order of their first sound.
    """
    strings = leading_strings(cells, merge_strings(string_places(cells, step_s)), step_s)
    above_db = _above_floor(cells.level_db, step_s)
    followed = [(string, _followed(cells, string, step_s, above_db)) for string in strings]
    parts = [part for string, track in followed if track for part in _stays(string, track, step_s)]
    if len(parts) > sum(track is not None for _, track in followed):
        # The parts may belong to other strings of their places, and each gets a path of its own.
        strings = leading_strings(cells, merge_strings(parts), step_s)
        followed = [(string, _followed(cells, string, step_s, above_db)) for string in strings]
    tracks = [track for _, track in followed if track]
    tracks.sort(key=lambda track: int(np.argmax(track.active)))
    return tuple(replace(track, source=number) for number, track in enumerate(tracks, 1))


def _stays(string: PlaceString, track: Track, step_s: float) -> list[PlaceString]:
    """A string cut at each rest after which sound comes from where its source can hardly have gone.

    A room's tail leads from one performer to the next when they take turns, and a string follows it. Where somebody
    surely sounds, before and after, tells the two apart; who walked on at their pace is still the same.
    """
    steps = np.flatnonzero(track.active)
    rests = np.flatnonzero(np.diff(steps) * step_s > _PAUSE_S) + 1
    # A second of steady sound on either side, no more: a pace does not last longer.
    reach = round(_PACE_S / step_s)
    cuts = [rest for rest in rests if _leapt(track, steps[max(0, rest - reach) : rest], steps[rest : rest + reach])]
    if not cuts:
        return [string]
    parts = []
    for sounding in np.split(steps, cuts):
        part = PlaceString([], [])
        for step, vector in zip(string.steps, string.vectors, strict=True):
            if sounding[0] <= step <= sounding[-1]:
                part.add(step, vector)
        if part.steps:
            parts.append(part)
    return parts


def _leapt(track: Track, before: npt.NDArray[np.int_], after: npt.NDArray[np.int_]) -> bool:
    """Whether a track goes further in the rest between some steps than its pace on either side explains."""
    leaves, arrives = track.vectors[before[-1]], track.vectors[after[0]]
    rest = int(after[0] - before[-1])
    reached = [(leaves, arrives)]
    for steps, place, sign, other in ((before, leaves, 1.0, arrives), (after, arrives, -1.0, leaves)):
        if steps.size >= _PACE_LEAST:
            pace = (track.vectors[steps[-1]] - track.vectors[steps[0]]) / (steps[-1] - steps[0])
            ahead = place + sign * rest * pace
            reached.append((ahead / np.linalg.norm(ahead), other))
    return bool(min(float(angle_between(one, other)) for one, other in reached) > SAME_PLACE_RAD)


def rows_by_source(frames: FrameDirections, steps: npt.NDArray[np.int_], tracks: Sequence[Track]) -> FrameDirections:
    """One row for each source that sounds in a step; steps in which none does stay as they are.

    Parameters
    ----------
    frames : FrameDirections
        One row a step.
    steps : ndarray of int, shape (rows,)
        Which step of the tracks each row is.
    tracks : sequence of Track
    """
    sounding = np.zeros((len(tracks) + 1, steps.size), dtype=bool)
    for track in tracks:
        sounding[track.source] = track.active[steps]
    sounding[0] = ~sounding.any(axis=0)
    row, source = np.nonzero(sounding.T)
    out = frames.only(row)
    azimuth, elevation, sd = out.azimuth_rad.copy(), out.elevation_rad.copy(), out.sd_rad.copy()
    for track in tracks:
        own = source == track.source
        azimuth[own], elevation[own] = azimuth_elevation(track.vectors[steps[row[own]]])
        sd[own] = track.sd_rad[steps[row[own]]]
    return FrameDirections(out.times_s, azimuth, elevation, sd, out.diffuseness, out.level_db, source)


def surest(tracks: Sequence[Track], steps: npt.NDArray[np.int_]) -> tuple[FloatArray, FloatArray]:
    """Where the source is that most surely sounds in each of some steps, and one standard deviation, radians.

    Returns
    -------
    vectors, sd_rad : ndarray, shape (n, 3), (n,)
        NaN where nobody surely sounds.
    """
    vectors, sd_rad, least = np.full((steps.size, 3), np.nan), np.full(steps.size, np.nan), np.ones(steps.size)
    for track in tracks:
        better = track.active[steps] & (track.doubt[steps] < least)
        vectors[better], sd_rad[better] = track.vectors[steps[better]], track.sd_rad[steps[better]]
        least[better] = track.doubt[steps[better]]
    return vectors, sd_rad


def _followed(cells: StepCells, string: PlaceString, step_s: float, above_db: FloatArray) -> Track | None:
    """The smoothest path that a string's own bins allow, and when it sounds."""
    steps = np.arange(len(cells.weight))
    own = np.asarray(string.steps)
    rough = np.stack([np.interp(steps, own, part) for part in np.asarray(string.vectors).T], axis=1)
    rough /= np.maximum(np.linalg.norm(rough, axis=1, keepdims=True), 1e-9)
    path = rough
    for _ in range(3):
        target, say, _ = _pulled(cells, path, NARROW)
        # Only where the string runs: elsewhere somebody else may sound near by.
        say = np.where(_near_steps(own, steps, _PAUSE_S / step_s), say, 0.0)
        if not say.any():
            return None
        path, stiffness = _smoothest(target, say / np.mean(say[say > 0]), step_s)
    recent = gaussian_filter1d(say, 1.0)
    active = _bridged(recent > _REST * np.quantile(recent[say > 0], 0.9), round(_PAUSE_S / step_s))
    if np.count_nonzero(active) < 2:
        return None
    # A smoothing spline of second differences looks about this far to each side (effective steps).
    reach_s = step_s * min(3.0 * stiffness**0.25, float(np.count_nonzero(active)))
    _, told, stray = _pulled(cells, path, SPREAD)
    # Who walks is somewhere along their way in a step, nobody knows where: evenly likely over what they go in it.
    within_step = np.linalg.norm(np.gradient(path, axis=0), axis=1) / np.sqrt(12.0)
    law = _law_of_steps(np.where(say > 0, told, 0.0), stray, active, round(reach_s / step_s), step_s)
    doubt = _doubt(cells, path, active, step_s, above_db)
    sure = active & (doubt < _MOST_DOUBT)
    if not sure.any():
        return None
    own = np.hypot(np.hypot(_LAW_SCALE * law, _SHARED_SD_RAD), within_step)
    return Track(0, sure, path, own * _widened(doubt), doubt)


def _doubt(
    cells: StepCells, path: FloatArray, active: npt.NDArray[np.bool_], step_s: float, above_db: FloatArray
) -> FloatArray:
    """How likely it is, step by step, that nobody sounds on a path.

    A rest, a reflection and a room's tail have few beginnings that agree, are soft, and follow little that agreed.
    """
    steps = np.flatnonzero(active)
    there = StepCells(*(getattr(cells, column.name)[steps] for column in fields(StepCells)))
    _, agreed, _ = _pulled(replace(there, weight=there.clear), path[steps], SPREAD)
    begun = cells.clear.sum(axis=1)
    say = np.zeros(len(path))
    say[steps] = agreed
    share = say / np.maximum(begun, 1e-9)
    reach = max(1, round(_RECENT_S / step_s)) + 1
    sums = np.concatenate([np.zeros(reach), np.cumsum(say)])
    recent = (sums[reach:] - sums[:-reach]) / np.quantile(begun[begun > 0], 0.9)
    of_share, of_level, of_recent, at_zero = _DOUBT
    odds = of_share * np.log10(np.maximum(share, 1e-3)) + of_level * np.minimum(above_db, _MOST_ABOVE_DB)
    odds += of_recent * np.log10(np.maximum(recent, 1e-4)) + at_zero
    return np.where(active, 1.0 / (1.0 + np.exp(-odds)), 1.0)


def _above_floor(level_db: FloatArray, step_s: float) -> FloatArray:
    """How far each step is above the quietest of the minute around it, dB."""
    size = min(2 * round(_FLOOR_S / step_s / 2) + 1, 2 * len(level_db) + 1)
    return np.asarray(level_db - percentile_filter(level_db, _FLOOR_PERCENT, size=size))


def _widened(doubt: FloatArray) -> FloatArray:
    """How much wider a region must be to hold 95 in 100 although nobody may be there (Rayleigh's law)."""
    there = 1.0 - np.minimum(doubt, _WIDENED_UP_TO)
    return np.asarray(np.sqrt(np.log(1.0 - 0.95 / there) / np.log(0.05)))


def _law_of_steps(
    told: FloatArray, stray: FloatArray, active: npt.NDArray[np.bool_], reach: int, step_s: float
) -> FloatArray:
    """Standard deviation in each step, from what sounds as far around it as the path looks.

    Somebody who comes back for half a second after a long rest is known by that half second.
    """
    size = max(reach, 1)
    weight = uniform_filter1d(told, size, mode="constant")
    strayed = uniform_filter1d(told * stray, size, mode="constant")
    # A running sum leaves crumbs where nothing sounds.
    heard = weight > 1e-9 * np.max(weight)
    overall = float(np.sum(told * stray) / np.sum(told))
    away = np.sqrt(np.where(heard, np.maximum(strayed, 0.0) / np.where(heard, weight, 1.0), overall))
    lasted_s = step_s * np.maximum(uniform_filter1d(active.astype(float), size, mode="constant") * size, 1.0)
    return law_of_sd(away, lasted_s)


def _pulled(cells: StepCells, path: FloatArray, spread: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where each step's bins pull the path to, with what weight, and how far they stray (squared)."""
    towards = path.astype(np.float32)
    target, say, stray = np.zeros_like(path), np.zeros(len(path)), np.zeros(len(path))
    filled = np.flatnonzero(cells.weight.any(axis=1))
    for first in range(0, filled.size, 2000):
        rows = filled[first : first + 2000]
        there = np.repeat(towards[rows], BINS_A_STEP, axis=0)
        bins = Pulls(
            cells.pull[rows].reshape(-1, 3), cells.swing[rows].reshape(-1, 3), cells.weight[rows].ravel(), spread
        )
        force = bins.forces(there)
        away = bins.pull - there
        # The fit of each bin to its own step's direction: q = away . force / spread^2.
        own = np.exp(-0.5 * np.sum(away * force, axis=1) / spread**2) * bins.narrow()
        shape = (rows.size, BINS_A_STEP)
        total = own.reshape(shape).sum(axis=1)
        pull = (force * own[:, np.newaxis]).reshape(*shape, 3).sum(axis=1)
        target[rows] = path[rows] + pull / np.maximum(total, 1e-12)[:, np.newaxis]
        say[rows] = total
        squares = (own * np.sum(away**2, axis=1)).reshape(shape).sum(axis=1)
        stray[rows] = squares / np.maximum(total, 1e-12)
    return target, say, stray


def _near_steps(own: npt.NDArray[np.int_], steps: npt.NDArray[np.int_], reach: float) -> npt.NDArray[np.bool_]:
    after = np.clip(np.searchsorted(own, steps), 0, own.size - 1)
    before = np.clip(after - 1, 0, own.size - 1)
    return np.asarray(np.minimum(np.abs(own[after] - steps), np.abs(own[before] - steps)) <= reach)


def _smoothest(target: FloatArray, weight: FloatArray, step_s: float) -> tuple[FloatArray, float]:
    """Path through weighted targets with small second differences, as stiff as predicts best."""
    block = (np.arange(len(weight)) * step_s / _FORETOLD_S).astype(int) % 2
    errors = []
    for stiffness in _STIFFNESS:
        error = 0.0
        for side in (0, 1):
            path = _spline(target, np.where(block == side, weight, 0.0), stiffness)
            other = np.where(block == side, 0.0, weight)
            error += float(np.sum(other * np.sum((target - path) ** 2, axis=1)))
        errors.append(error)
    # Of paths that predict alike, the stiffest.
    best = max(number for number, error in enumerate(errors) if error <= 1.03 * min(errors))
    path = _spline(target, weight, _STIFFNESS[best])
    return path, _STIFFNESS[best]


def _spline(target: FloatArray, weight: FloatArray, stiffness: float) -> FloatArray:
    """Minimise sum of weight (p - target)^2 + stiffness (second differences of p)^2; unit vectors."""
    from scipy.linalg import solveh_banded  # sync, which follows nobody, need not load it

    count = len(weight)
    band = np.zeros((3, count))
    band[2] = weight + 1e-9
    if count > 2:
        for offset, products in enumerate(((1.0, 4.0, 1.0), (-2.0, -2.0), (1.0,))):
            for place, product in enumerate(products):
                band[2 - offset, offset + place : count - 2 + offset + place] += stiffness * product
    path = solveh_banded(band, weight[:, np.newaxis] * target)
    return np.asarray(path / np.maximum(np.linalg.norm(path, axis=1, keepdims=True), 1e-9))


def _bridged(active: npt.NDArray[np.bool_], gap: int) -> npt.NDArray[np.bool_]:
    """Rests of at most `gap` steps filled."""
    out = active.copy()
    on = np.flatnonzero(active)
    for first, second in pairwise(on):
        if second - first <= gap + 1:
            out[first:second] = True
    return out
