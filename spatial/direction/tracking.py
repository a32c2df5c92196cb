"""Who sounds where, when several do: tracks of direction over time, each with an identity and gaps.

Goal: a row of directions for every source at once, moving ones followed without lag or jumps.
Method: the weightiest beginnings of every step are kept, few enough for hours, and make a density on a grid of the
sphere. Places that stand out are strung together over time; each string is then fitted with the smoothest path that its
own bins allow. The fit looks both ways in time, so it does not lag; how smooth is decided for each track by how well
half of its half seconds predict the other half. A string that is never the strongest of its moment is a reflection, not
a source. A step counts as sounding only where it is likely enough that somebody sounds there: its own beginnings, its
level and what the same source has just done distinguish a source from a rest, a room's tail and a reflection.
Conventions: spatial.conventions (axes). Time runs in steps, the rows of spatial.direction.intensity.
Functions: step_cells (beginnings of every step); join_cells; string_places (places strung together); merge_strings (one
place, one string); leading_strings (without reflections, which never lead); find_tracks (the sources); rows_by_source
(tracks as rows); surest (one for each step).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, percentile_filter, uniform_filter1d

from spatial.conventions import FloatArray
from spatial.direction.doa import SPREAD, Pulls, law_of_sd, sphere_grid
from spatial.direction.intensity import FieldBins, FrameDirections
from spatial.field import azimuth_elevation

# --- cells of a step ---

BINS_A_STEP = 32
"""The weightiest beginnings of a step that are kept."""

NARROW = 0.2
"""Spread of the kernel: narrower than for one performer, to resolve two."""

GRID = sphere_grid()
"""Where the density is worked out, shape (points, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class StepCells:
    """The weightiest beginnings of every step, and the density they make on the grid."""

    pull: FloatArray
    """Shape (steps, BINS_A_STEP, 3); weight 0 where there are fewer."""
    swing: FloatArray
    weight: FloatArray
    """Shape (steps, BINS_A_STEP)."""
    clear: FloatArray
    """The part of it that is clear of steady noise, shape (steps, BINS_A_STEP)."""
    density: FloatArray
    """Of the clear part, shape (steps, points of the grid)."""
    level_db: FloatArray
    """Level of the sound in the band, dB re full scale, shape (steps,); -200 where there is none."""


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
    # Noise hides who sounds, so clear bins are chosen; where they sound is measured better by their whole weight.
    clear = weight * bins.clear
    step = np.floor((bins.times_s[bins.frame] - origin_s) / step_s).astype(int)
    order = np.lexsort((-clear, step))
    order = order[(step[order] >= first) & (step[order] < stop) & (clear[order] > 0)]
    step = step[order] - first
    rank = np.arange(order.size) - np.searchsorted(step, step)
    kept = rank < BINS_A_STEP
    order, at = order[kept], (step[kept], rank[kept])
    shape = (stop - first, BINS_A_STEP)
    pull, swing = np.zeros((*shape, 3), dtype=np.float32), np.zeros((*shape, 3), dtype=np.float32)
    weights, clears = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
    pull[at], swing[at], weights[at], clears[at] = bins.pull[order], bins.swing[order], weight[order], clear[order]
    say = Pulls(pull[at], swing[at], clears[at], NARROW).say(GRID)
    starts = np.searchsorted(at[0], np.arange(stop - first))
    sums = np.concatenate([np.zeros((len(GRID), 1)), np.cumsum(say, axis=1, dtype=np.float64)], axis=1)
    density = (sums[:, np.append(starts[1:], at[0].size)] - sums[:, starts]).T.astype(np.float32)
    number = np.floor((bins.times_s - origin_s) / step_s).astype(int) - first
    inside = (number >= 0) & (number < stop - first)
    energy = np.bincount(number[inside], bins.energy[inside].sum(axis=1), stop - first)
    frames = np.maximum(np.bincount(number[inside], minlength=stop - first), 1)
    level_db = 10 * np.log10(np.maximum(energy / frames, 1e-20))
    return StepCells(pull, swing, weights, clears, density, level_db)


def join_cells(parts: Sequence[StepCells]) -> StepCells:
    """Runs of steps, one after the other."""
    names = (column.name for column in fields(StepCells))
    return StepCells(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


# --- strings of places ---

# Chosen on 26 simulated scenes (seeds 7000 to 7025) that no committed result uses.
_LOOK_S = 0.3
"""Standard deviation of the look around a step in which places are sought, seconds: a syllable. A shorter look breaks
places up, a longer one smears who walks."""

_STANDS_OUT = 0.03
"""Part of the weight around a step from which a place stands out. A lower value adds reflections, a higher one loses
soft sources."""

_BESIDE_STRONGEST = 0.06
"""The same as a part of the strongest place's height: it was lowered from 0.25 so that quieter sources are kept where
they lead."""

_APART_RAD = np.radians(25.0)
"""A place this close to a string is the string's: performers stand further apart than that from each other."""
_STRING_GAP_S = 1.5
"""Longest rest after which a place is still joined to a string, seconds; longer ones are bridged by merge_strings
alone."""

_PACE_STEPS = 4
"""Steps at each end of the last places by whose means a pace is measured. Fewer make it noisy, more make it late."""

_PACE_LASTS = 4 * _PACE_STEPS
"""Steps after the place at which a pace was measured for which it still holds: twice as long as measuring took. Carried
on over a rest of seconds it would bring anybody anywhere, and give one number to two people."""

_SAME_PLACE_RAD = np.radians(18.0)
"""Two strings whose ends, or middles, are closer than this are one place. A larger angle joins two performers, a
smaller one gives one performer two numbers."""

_SHARED_STEPS = 0.2
"""Strings of one place share at most this part of the shorter one's steps: two that sound at once are two sources."""

_LED = 4
"""Least number of steps in which a string's place is the strongest; a reflection never leads."""

_LED_CLEARLY = 2
"""Least number of those in which it also stands clear of the rest (_CLEAR_SHARE)."""

_LONG_S = 1.0
"""Seconds from which a string counts as long, and fewer steps of leading are asked of it."""

_LONG_LED = 2
"""Least number of steps in which a long string leads. What stands out for so long need lead less often: a softer
performer beside a louder one hardly ever does."""

_LONG_LED_CLEARLY = 1
"""Least number of those in which a long string stands clear of the rest."""

_CLEAR_SHARE = 0.12
"""Part of a step's weight from which its strongest place stands clear of the rest."""

_ANGLES = np.arccos(np.clip(GRID @ GRID.T, -1, 1))
"""Angles between the points of the grid, radians, shape (points, points)."""

_CLOSE = [np.flatnonzero(row < np.radians(16.0)) for row in _ANGLES]
"""Points within 16 degrees of each point: those of its hill, by which its middle is found."""

_CLOSE_BY = [np.flatnonzero(row < np.radians(22.0)) for row in _ANGLES]
"""Points within 22 degrees of each point: they are taken out once a place is found, so that the hill's flank is not
found again."""


@dataclass(slots=True)
class PlaceString:
    """Places that follow each other over time, and where they are going."""

    steps: list[int]
    vectors: list[FloatArray]
    pace: FloatArray | None = None
    """Change of the unit vector in a step, shape (3,); None while the string is short."""
    middle: float = 0.0
    """The step at which `place` is where the string was."""
    place: FloatArray | None = None

    def add(self, step: int, vector: FloatArray) -> None:
        """Go on to a later place."""
        self.steps.append(step)
        self.vectors.append(vector)
        self.look_ahead()

    def look_ahead(self) -> None:
        """Work out the pace from the last places."""
        if len(self.steps) < 2 * _PACE_STEPS:
            return
        late, early = slice(-_PACE_STEPS, None), slice(-2 * _PACE_STEPS, -_PACE_STEPS)
        self.middle = sum(self.steps[late]) / _PACE_STEPS
        self.place = _middle(self.vectors[late])
        self.pace = (self.place - _middle(self.vectors[early])) / (self.middle - sum(self.steps[early]) / _PACE_STEPS)

    def apart(self, step: int, vector: FloatArray) -> float:
        """Angle of a place from where the string was last, or from where it was going, whichever is less."""
        likeness = float(vector @ self.vectors[-1])
        if self.pace is not None and self.place is not None and step - self.middle <= _PACE_LASTS:
            ahead = self.place + self.pace * (step - self.middle)
            likeness = max(likeness, float(vector @ ahead) / math.sqrt(float(ahead @ ahead)))
        return math.acos(max(-1.0, min(1.0, likeness)))


def string_places(cells: StepCells, step_s: float) -> list[PlaceString]:
    """Places that stand out, joined to the nearest string that is still near in time and direction."""
    look = _LOOK_S / step_s
    weight = gaussian_filter1d(cells.clear.sum(axis=1), look, axis=0)
    open_strings: list[PlaceString] = []
    done: list[PlaceString] = []
    gap = _STRING_GAP_S / step_s
    density = gaussian_filter1d(cells.density, look, axis=0)
    for step in np.flatnonzero(weight > 0):
        # Places are looked for in the order of their height, so the strongest chooses its string first.
        places = _places(density[step], float(weight[step]))
        done += [string for string in open_strings if step - string.steps[-1] > gap]
        open_strings = [string for string in open_strings if step - string.steps[-1] <= gap]
        free = list(open_strings)
        for vector in places:
            near = [string.apart(int(step), vector) for string in free]
            if near and min(near) < _APART_RAD:
                string = free.pop(int(np.argmin(near)))
            else:
                string = PlaceString([], [])
                open_strings.append(string)
            string.add(int(step), vector)
    return done + open_strings


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
            hill = (density[close] ** 2) @ GRID[close]
            found.append(hill / math.sqrt(float(hill @ hill)))
        left[_CLOSE_BY[top]] = 0.0


def merge_strings(strings: list[PlaceString]) -> list[PlaceString]:
    """Strings of one place that hardly ever sound at once are one source, however long the rest between them."""
    kept: list[PlaceString] = []
    # Of each kept one, its steps and its middle: an hour's strings are too long to count through for every other.
    steps_of: list[set[int]] = []
    middles: list[FloatArray] = []
    for string in sorted(strings, key=lambda string: -len(string.steps)):
        number, least = -1, _SAME_PLACE_RAD
        own_middle = _middle(string.vectors)
        for rival, (other, steps) in enumerate(zip(kept, steps_of, strict=True)):
            apart = _least_step_between(other, string, middles[rival], own_middle)
            if apart < least and sum(step in steps for step in string.steps) <= _SHARED_STEPS * len(string.steps):
                number, least = rival, apart
        if number < 0:
            kept.append(string)
            steps_of.append(set(string.steps))
            middles.append(own_middle)
            continue
        best, known = kept[number], steps_of[number]
        both = list(zip(best.steps, best.vectors, strict=True))
        both += [pair for pair in zip(string.steps, string.vectors, strict=True) if pair[0] not in known]
        both.sort(key=lambda pair: pair[0])
        best.steps, best.vectors = [step for step, _ in both], [vector for _, vector in both]
        best.look_ahead()
        steps_of[number] = set(best.steps)
        middles[number] = _middle(best.vectors)
    return kept


def _least_step_between(
    one: PlaceString, other: PlaceString, one_middle: FloatArray, other_middle: FloatArray
) -> float:
    """Angle between two strings where one leaves off and the other takes up; of entwined ones, of their middles."""
    first, second = (one, other) if one.steps[0] < other.steps[0] else (other, one)
    if first.steps[-1] < second.steps[0]:
        return first.apart(second.steps[0], _middle(second.vectors[:5]))
    return float(np.arccos(np.clip(one_middle @ other_middle, -1, 1)))


def _middle(vectors: list[FloatArray]) -> FloatArray:
    total = np.sum(vectors, axis=0) if len(vectors) > 20 else sum(vectors[1:], start=vectors[0])
    return np.asarray(total / math.sqrt(float(total @ total)))


def leading_strings(cells: StepCells, strings: list[PlaceString], step_s: float) -> list[PlaceString]:
    """Strings that lead often enough: in single steps, not in the smoothed look, their place is the strongest."""
    steps = len(cells.weight)
    peak, place = cells.density.max(axis=1), GRID[np.argmax(cells.density, axis=1)]
    nearest = np.full(steps, np.inf)
    leader = np.full(steps, -1)
    for number, string in enumerate(strings):
        own, vectors = np.asarray(string.steps), np.asarray(string.vectors)
        apart = np.arccos(np.clip(np.sum(vectors * place[own], axis=1), -1, 1))
        better = (apart < _APART_RAD) & (apart < nearest[own])
        nearest[own[better]] = apart[better]
        leader[own[better]] = number
    clear = peak > _CLEAR_SHARE * cells.clear.sum(axis=1)
    led = [np.count_nonzero(leader == number) for number in range(len(strings))]
    clearly = [np.count_nonzero((leader == number) & clear) for number in range(len(strings))]
    kept = []
    for string, times, clear_times in zip(strings, led, clearly, strict=True):
        long = len(string.steps) * step_s >= _LONG_S
        least, least_clear = (_LONG_LED, _LONG_LED_CLEARLY) if long else (_LED, _LED_CLEARLY)
        if times >= least and clear_times >= least_clear:
            kept.append(string)
    return kept


# --- tracks ---

# Chosen on 26 simulated scenes (seeds 7000 to 7025) that no committed result uses.
_REST = 0.04
"""Part of a string's usual weight (smoothed over a step) below which it rests. A lower value follows a room's tail, a
higher one cuts off soft ends."""

_PAUSE_S = 0.3
"""Rests up to this long are bridged, seconds: the gaps within speech."""

_STIFFNESS = (1.0, 10.0, 1e2, 1e3, 1e4, 1e6)
"""Weights of the second differences that are tried for each track, from one that follows every step to one that stands
still."""

_FORETOLD_S = 0.5
"""Length of the blocks that predict each other when the stiffness is chosen, seconds: long enough that a block's
reflections are not those of the next."""

# Fitted on 40 simulated scenes (tests/bench/ringscenes.py, seeds 21000 to 21039) that no committed result uses.
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
    tracks = [track for track in (_followed(cells, string, step_s, above_db) for string in strings) if track]
    tracks.sort(key=lambda track: int(np.argmax(track.active)))
    return tuple(replace(track, source=number) for number, track in enumerate(tracks, 1))


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
