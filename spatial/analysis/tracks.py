"""Who sounds where, when several do: tracks of direction over time, each with an identity and gaps.

Goal: a row of directions for every source at once, moving ones followed without lag or jumps.
Conventions: spatial.conventions (axes). Time runs in steps, the rows of spatial.analysis.direction.
How: the weightiest beginnings of every step make a density on a grid of the sphere. Places that stand out are strung
together over time; each string is then fitted with the smoothest path that its own bins allow. The fit looks both
ways in time, so it does not lag; how smooth is decided for each track by how well half of its half seconds foretell
the other half. A string that is never the strongest of its moment is a reflection, not a source.
Functions: step_cells (from bins); join_cells; find_tracks; rows_by_source (tracks as rows).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.linalg import solveh_banded
from scipy.ndimage import gaussian_filter1d

from spatial.analysis.direction import FieldBins, FrameDirections, law_of_sd
from spatial.analysis.sphere import SPREAD, Pulls, sphere_grid
from spatial.conventions import FloatArray
from spatial.field import azimuth_elevation

BINS_A_STEP = 32
"""The weightiest beginnings of a step that are kept."""

# Chosen on 26 simulated scenes (seeds 7000 to 7025) that no committed result uses.
_GRID = sphere_grid()
_NARROW = 0.2
"""Spread of the kernel: narrower than for one performer, to tell two apart."""
_LOOK_S = 0.3
_STANDS_OUT = 0.03
_BESIDE_STRONGEST = 0.06
_APART_RAD = np.radians(25.0)
_STRING_GAP_S = 1.5
_PACE_STEPS = 4
_SAME_PLACE_RAD = np.radians(18.0)
_SHARED_STEPS = 0.2
_LED = 4
_LED_CLEARLY = 2
_CLEAR_SHARE = 0.12
_REST = 0.04
_PAUSE_S = 0.3
_STIFFNESS = (1.0, 10.0, 1e2, 1e3, 1e4, 1e6)
_FORETOLD_S = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class StepCells:
    """The weightiest beginnings of every step, and what they say on the grid."""

    pull: FloatArray
    """Shape (steps, BINS_A_STEP, 3); weight 0 where there are fewer."""
    swing: FloatArray
    weight: FloatArray
    """Shape (steps, BINS_A_STEP)."""
    density: FloatArray
    """Shape (steps, points of the grid)."""


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One source followed over time."""

    source: int
    """Its number, from 1, in the order of their first sound."""
    active: npt.NDArray[np.bool_]
    """In which steps it sounds, shape (steps,)."""
    vectors: FloatArray
    """Where it is in each step, shape (steps, 3); in its gaps on the way from one sound to the next."""
    sd_rad: float
    """One standard deviation along each of the two directions across."""


def step_cells(bins: FieldBins, *, origin_s: float, step_s: float, first: int, stop: int) -> StepCells:
    """Beginnings of the steps first <= step < stop, counted from `origin_s`.

    Parameters
    ----------
    bins : FieldBins
    origin_s, step_s : float
        As for frame_directions.
    first, stop : int
        Which steps.

    Returns
    -------
    StepCells
    """
    weight = bins.weights()
    step = np.floor((bins.times_s[bins.frame] - origin_s) / step_s).astype(int)
    order = np.lexsort((-weight, step))
    order = order[(step[order] >= first) & (step[order] < stop) & (weight[order] > 0)]
    step = step[order] - first
    rank = np.arange(order.size) - np.searchsorted(step, step)
    kept = rank < BINS_A_STEP
    order, at = order[kept], (step[kept], rank[kept])
    shape = (stop - first, BINS_A_STEP)
    pull, swing = np.zeros((*shape, 3), dtype=np.float32), np.zeros((*shape, 3), dtype=np.float32)
    weights = np.zeros(shape, dtype=np.float32)
    pull[at], swing[at], weights[at] = bins.pull[order], bins.swing[order], weight[order]
    say = Pulls(pull[at], swing[at], weights[at], _NARROW).say(_GRID)
    starts = np.searchsorted(at[0], np.arange(stop - first))
    sums = np.concatenate([np.zeros((len(_GRID), 1)), np.cumsum(say, axis=1, dtype=np.float64)], axis=1)
    density = (sums[:, np.append(starts[1:], at[0].size)] - sums[:, starts]).T.astype(np.float32)
    return StepCells(pull, swing, weights, density)


def join_cells(parts: Sequence[StepCells]) -> StepCells:
    """Runs of steps, one after the other."""
    return StepCells(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in ("pull", "swing", "weight", "density"))
    )


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
    strings = _merged(_strung(cells, step_s))
    tracks = [track for track in (_followed(cells, string, step_s) for string in _sources(cells, strings)) if track]
    tracks.sort(key=lambda track: int(np.argmax(track.active)))
    return tuple(Track(number, t.active, t.vectors, t.sd_rad) for number, t in enumerate(tracks, 1))


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
        sd[own] = track.sd_rad
    return FrameDirections(out.times_s, azimuth, elevation, sd, out.diffuseness, out.level_db, source)


@dataclass(slots=True)
class _String:
    """Places that follow each other over time."""

    steps: list[int]
    vectors: list[FloatArray]


def _strung(cells: StepCells, step_s: float) -> list[_String]:
    """Places that stand out, joined to the nearest string that is still near in time and direction."""
    look = _LOOK_S / step_s
    weight = gaussian_filter1d(cells.weight.sum(axis=1), look, axis=0)
    open_strings: list[_String] = []
    done: list[_String] = []
    gap = _STRING_GAP_S / step_s
    density = gaussian_filter1d(cells.density, look, axis=0)
    for step in np.flatnonzero(weight > 0):
        # Places are looked for in the order of their height, so the strongest chooses its string first.
        places = _places(density[step], float(weight[step]))
        done += [string for string in open_strings if step - string.steps[-1] > gap]
        open_strings = [string for string in open_strings if step - string.steps[-1] <= gap]
        free = list(open_strings)
        for vector in places:
            near = [_apart_from(string, int(step), vector) for string in free]
            if near and min(near) < _APART_RAD:
                string = free.pop(int(np.argmin(near)))
            else:
                string = _String([], [])
                open_strings.append(string)
            string.steps.append(int(step))
            string.vectors.append(vector)
    return done + open_strings


def _apart_from(string: _String, step: int, vector: FloatArray) -> float:
    """Angle from where a string was last, or from where it was going, whichever is less."""
    apart = float(vector @ string.vectors[-1])
    if len(string.steps) >= 2 * _PACE_STEPS:
        late, early = slice(-_PACE_STEPS, None), slice(-2 * _PACE_STEPS, -_PACE_STEPS)
        now, before = _middle(string.vectors[late]), _middle(string.vectors[early])
        middle = float(np.mean(string.steps[late]))
        pace = (now - before) / (middle - float(np.mean(string.steps[early])))
        ahead = now + pace * (step - middle)
        apart = max(apart, float(vector @ ahead / np.linalg.norm(ahead)))
    return float(np.arccos(np.clip(apart, -1, 1)))


def _places(density: FloatArray, weight: float) -> list[FloatArray]:
    """Directions that stand out in a density, strongest first, each the middle of its hill."""
    left = density.copy()
    strongest = float(np.max(left))
    found: list[FloatArray] = []
    while True:
        top = int(np.argmax(left))
        height = float(left[top])
        if height <= max(_STANDS_OUT * weight, _BESIDE_STRONGEST * strongest, 1e-20) or len(found) == 4:
            return found
        close = _CLOSE[top]
        # A flank of a hill already found is no hill.
        if density[close].max() <= height:
            hill = (density[close] ** 2) @ _GRID[close]
            found.append(hill / np.linalg.norm(hill))
        left[_CLOSE_BY[top]] = 0.0


_ANGLES = np.arccos(np.clip(_GRID @ _GRID.T, -1, 1))
_CLOSE = [np.flatnonzero(row < np.radians(16.0)) for row in _ANGLES]
_CLOSE_BY = [np.flatnonzero(row < np.radians(22.0)) for row in _ANGLES]


def _merged(strings: list[_String]) -> list[_String]:
    """Strings of one place that hardly ever sound at once are one source, however long the rest between them."""
    kept: list[_String] = []
    for string in sorted(strings, key=lambda string: -len(string.steps)):
        best, least = None, _SAME_PLACE_RAD
        for other in kept:
            apart = _least_step_between(other, string)
            shared = np.intersect1d(other.steps, string.steps).size
            if apart < least and shared <= _SHARED_STEPS * len(string.steps):
                best, least = other, apart
        if best is None:
            kept.append(string)
            continue
        known = set(best.steps)
        both = list(zip(best.steps, best.vectors, strict=True))
        both += [pair for pair in zip(string.steps, string.vectors, strict=True) if pair[0] not in known]
        both.sort(key=lambda pair: pair[0])
        best.steps, best.vectors = [step for step, _ in both], [vector for _, vector in both]
    return kept


def _least_step_between(one: _String, other: _String) -> float:
    """Angle between two strings where one leaves off and the other takes up; of entwined ones, of their middles."""
    first, second = (one, other) if one.steps[0] < other.steps[0] else (other, one)
    if first.steps[-1] < second.steps[0]:
        return _apart_from(first, second.steps[0], _middle(second.vectors[:5]))
    return float(np.arccos(np.clip(_middle(first.vectors) @ _middle(second.vectors), -1, 1)))


def _middle(vectors: list[FloatArray]) -> FloatArray:
    total = np.sum(vectors, axis=0)
    return np.asarray(total / np.linalg.norm(total))


def _sources(cells: StepCells, strings: list[_String]) -> list[_String]:
    """Strings that lead often enough: in single steps, not in the smoothed look, their place is the strongest."""
    steps = len(cells.weight)
    peak, place = cells.density.max(axis=1), _GRID[np.argmax(cells.density, axis=1)]
    nearest = np.full(steps, np.inf)
    leader = np.full(steps, -1)
    for number, string in enumerate(strings):
        own, vectors = np.asarray(string.steps), np.asarray(string.vectors)
        apart = np.arccos(np.clip(np.sum(vectors * place[own], axis=1), -1, 1))
        better = (apart < _APART_RAD) & (apart < nearest[own])
        nearest[own[better]] = apart[better]
        leader[own[better]] = number
    clear = peak > _CLEAR_SHARE * cells.weight.sum(axis=1)
    led = [np.count_nonzero(leader == number) for number in range(len(strings))]
    clearly = [np.count_nonzero((leader == number) & clear) for number in range(len(strings))]
    return [
        string
        for string, times, clear_times in zip(strings, led, clearly, strict=True)
        if times >= _LED and clear_times >= _LED_CLEARLY
    ]


def _followed(cells: StepCells, string: _String, step_s: float) -> Track | None:
    """The smoothest path that a string's own bins allow, and when it sounds."""
    steps = np.arange(len(cells.weight))
    own = np.asarray(string.steps)
    rough = np.stack([np.interp(steps, own, part) for part in np.asarray(string.vectors).T], axis=1)
    rough /= np.maximum(np.linalg.norm(rough, axis=1, keepdims=True), 1e-9)
    path = rough
    for _ in range(3):
        target, say, _ = _pulled(cells, path, _NARROW)
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
    away = float(np.sqrt(np.sum((told * stray)[say > 0]) / np.sum(told[say > 0])))
    return Track(0, active, path, law_of_sd(away, reach_s))


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
    """Path through weighted targets with small second differences, as stiff as foretells best."""
    block = (np.arange(len(weight)) * step_s / _FORETOLD_S).astype(int) % 2
    errors = []
    for stiffness in _STIFFNESS:
        error = 0.0
        for side in (0, 1):
            path = _spline(target, np.where(block == side, weight, 0.0), stiffness)
            other = np.where(block == side, 0.0, weight)
            error += float(np.sum(other * np.sum((target - path) ** 2, axis=1)))
        errors.append(error)
    # Of paths that foretell alike, the stiffest.
    best = max(number for number, error in enumerate(errors) if error <= 1.03 * min(errors))
    path = _spline(target, weight, _STIFFNESS[best])
    return path, _STIFFNESS[best]


def _spline(target: FloatArray, weight: FloatArray, stiffness: float) -> FloatArray:
    """Minimise sum of weight (p - target)^2 + stiffness (second differences of p)^2; unit vectors."""
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
