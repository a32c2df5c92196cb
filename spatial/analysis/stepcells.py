"""What every step of a recording says of directions, small enough to keep for hours.

Conventions: spatial.conventions (axes). Time runs in steps, the rows of spatial.analysis.direction.
Functions: step_cells (from bins); join_cells.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from spatial.analysis.direction import FieldBins
from spatial.analysis.sphere import Pulls, sphere_grid
from spatial.conventions import FloatArray

BINS_A_STEP = 32
"""The weightiest beginnings of a step that are kept."""

NARROW = 0.2
"""Spread of the kernel: narrower than for one performer, to tell two apart."""

GRID = sphere_grid()
"""Where the density is worked out, shape (points, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class StepCells:
    """The weightiest beginnings of every step, and what they say on the grid."""

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
    # Noise hides who sounds, so clear bins are chosen; where they sound is told better by their whole weight.
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
