"""Places that sound, strung together over time: what the tracks of several sources are made from.

Goal: strings of places, one for each source and stretch of its time, and none for a reflection.
Method: the weightiest beginnings of every step are kept, few enough for hours, and make a density on a grid of the
sphere. Places that stand out are strung together over time. A string that is never the strongest of its moment is a
reflection, not a source.
Conventions: spatial.conventions (axes). Time runs in steps, the rows of spatial.direction.intensity.
Functions: step_cells (beginnings of every step); join_cells; string_places (places strung together); merge_strings (one
place, one string); leading_strings (without reflections, which never lead).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy.ndimage import gaussian_filter1d

from spatial.conventions import FloatArray
from spatial.direction.doa import Pulls, say_on_grid, sphere_grid
from spatial.direction.intensity import FieldBins

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
    # Places without a beginning weigh nothing, so that each step has as many of them.
    say = say_on_grid(Pulls(pull.reshape(-1, 3), swing.reshape(-1, 3), clears.ravel(), NARROW))
    density = np.ascontiguousarray(say.reshape(-1, *shape).sum(axis=2).T)
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

SAME_PLACE_RAD = np.radians(18.0)
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
        number, least = -1, SAME_PLACE_RAD
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
