"""Who sounds where, when several do: tracks of direction over time, each with an identity and gaps.

Goal: a row of directions for every source at once, moving ones followed without lag or jumps.
Conventions: spatial.conventions (axes). Time runs in steps, the rows of spatial.analysis.direction.
How: the weightiest beginnings of every step make a density on a grid of the sphere. Places that stand out are strung
together over time; each string is then fitted with the smoothest path that its own bins allow. The fit looks both
ways in time, so it does not lag; how smooth is decided for each track by how well half of its half seconds foretell
the other half. A string that is never the strongest of its moment is a reflection, not a source.
Functions: find_tracks (from spatial.analysis.stepcells); rows_by_source (tracks as rows).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.linalg import solveh_banded
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from spatial.analysis.direction import FrameDirections
from spatial.analysis.spans import law_of_sd
from spatial.analysis.sphere import SPREAD, Pulls
from spatial.analysis.stepcells import BINS_A_STEP, NARROW, StepCells
from spatial.analysis.strings import PlaceString, leading_strings, merge_strings, string_places
from spatial.conventions import FloatArray
from spatial.field import azimuth_elevation

# Chosen on 26 simulated scenes (seeds 7000 to 7025) that no committed result uses.
_REST = 0.04
_PAUSE_S = 0.3
_STIFFNESS = (1.0, 10.0, 1e2, 1e3, 1e4, 1e6)
_FORETOLD_S = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One source followed over time."""

    source: int
    """Its number, from 1, in the order of their first sound."""
    active: npt.NDArray[np.bool_]
    """In which steps it sounds, shape (steps,)."""
    vectors: FloatArray
    """Where it is in each step, shape (steps, 3); in its gaps on the way from one sound to the next."""
    sd_rad: FloatArray
    """One standard deviation along each of the two directions across, in each step, shape (steps,)."""


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
    tracks = [track for track in (_followed(cells, string, step_s) for string in strings) if track]
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
        sd[own] = track.sd_rad[steps[row[own]]]
    return FrameDirections(out.times_s, azimuth, elevation, sd, out.diffuseness, out.level_db, source)


def _followed(cells: StepCells, string: PlaceString, step_s: float) -> Track | None:
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
    return Track(0, active, path, np.hypot(law, within_step))


def _law_of_steps(
    told: FloatArray, stray: FloatArray, active: npt.NDArray[np.bool_], reach: int, step_s: float
) -> FloatArray:
    """Standard deviation in each step, from what is heard as far around it as the path looks.

    Somebody who comes back for half a second after a long rest is known by that half second.
    """
    size = max(reach, 1)
    weight = uniform_filter1d(told, size, mode="constant")
    strayed = uniform_filter1d(told * stray, size, mode="constant")
    # A running sum leaves crumbs where nothing is heard.
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
