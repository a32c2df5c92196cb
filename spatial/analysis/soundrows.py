"""Where sound comes from, tenth of a second by tenth of a second, in a form that can be drawn over a picture.

Goal: for each row of time the direction that its direct sound agrees on, and a coarse map of where all its sound
comes from, small enough to travel inside a page.
Conventions: spatial.conventions (axes). Directions are unit vectors in the field's own axes.
Functions: sound_rows; joined_rows (rows of several stretches, one after the other).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from spatial.analysis.direction import FieldBins, frame_directions
from spatial.analysis.spans import span_direction
from spatial.analysis.sphere import sphere_grid
from spatial.conventions import FloatArray

STEP_S = 0.1
"""Time of one row."""

WINDOW_S = 0.3
"""Time that is heard for the direction of one row, centred on it: a syllable. Rows overlap."""

PLACES = 10
"""Places of the coarse map that each row keeps, the strongest first."""

_CELLS = 420
"""Cells of the map: about 10 degrees across, less than a first-order microphone tells apart."""

_ROW_BINS = 300
"""The weightiest bins that speak for a row; more change its direction by less than its uncertainty."""


@dataclass(frozen=True, slots=True, eq=False)
class SoundRows:
    """Sound over time, one row each STEP_S."""

    times_s: FloatArray
    """Middle of each row, shape (rows,)."""
    vectors: FloatArray
    """The direction that the direct sound agrees on, shape (rows, 3); NaN where it agrees on none."""
    sd_rad: FloatArray
    """One standard deviation along either direction across the vector, shape (rows,); NaN likewise."""
    level_db: FloatArray
    """Level in the trusted band, dB re full scale, shape (rows,)."""
    place_vectors: FloatArray
    """Where sound comes from: the strongest places, shape (rows, PLACES, 3)."""
    place_powers: FloatArray
    """Power from each of these places, full scale = 1, shape (rows, PLACES); 0 where a row has fewer."""


def sound_rows(bins: FieldBins, *, origin_s: float, rows: range, step_s: float = STEP_S) -> SoundRows:
    """Rows of a stretch of sound.

    Parameters
    ----------
    bins : FieldBins
        With at least WINDOW_S before and after the rows, where the recording has it.
    origin_s : float
        Where row 0 starts, on the bins' clock.
    rows : range
        Numbers of the rows wanted, one after the other.
    step_s : float
        Time of one row on the bins' clock.

    Returns
    -------
    SoundRows
        Only those of the rows in which the recording has sound.
    """
    frames = frame_directions(bins, origin_s=origin_s, step_s=step_s)
    number = np.rint((frames.times_s - origin_s) / step_s - 0.5).astype(int)
    kept = np.flatnonzero((number >= rows.start) & (number < rows.stop))
    times_s = frames.times_s[kept]
    told = [span_direction(bins, t - WINDOW_S / 2, t + WINDOW_S / 2, most_bins=_ROW_BINS) for t in times_s]
    vectors, powers = _places(bins, np.floor((bins.times_s - origin_s) / step_s).astype(int), number[kept])
    return SoundRows(
        times_s=times_s,
        vectors=np.stack([span.vector for span in told]) if told else np.zeros((0, 3)),
        sd_rad=np.array([span.sd_rad for span in told]),
        level_db=frames.level_db[kept],
        place_vectors=vectors,
        place_powers=powers,
    )


def joined_rows(parts: Sequence[SoundRows]) -> SoundRows:
    """Rows of several stretches, one after the other; none where there is no part."""
    if not parts:
        empty = np.zeros(0)
        return SoundRows(empty, np.zeros((0, 3)), empty, empty, np.zeros((0, PLACES, 3)), np.zeros((0, PLACES)))
    return SoundRows(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(SoundRows)))


def _places(bins: FieldBins, row: FloatArray, wanted: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The strongest cells of each wanted row: their mean directions and powers."""
    vectors = np.zeros((len(wanted), PLACES, 3))
    powers = np.zeros((len(wanted), PLACES))
    grid = sphere_grid(_CELLS)
    for index, number in enumerate(wanted):
        mine = row == number
        flow = bins.intensity[:, mine].reshape(3, -1)
        strength = np.sqrt(np.sum(flow**2, axis=0))
        if not strength.any():
            continue
        # What flows past counts, not what is there: reverberation is energy that goes nowhere.
        loud = strength > 1e-4 * np.max(strength)
        flow, strength = flow[:, loud], strength[loud]
        cell = np.argmax(grid @ (flow / strength), axis=0)
        total = np.bincount(cell, strength, _CELLS)
        best = np.argsort(total)[::-1][:PLACES]
        best = best[total[best] > 0]
        mean = np.stack([np.bincount(cell, part, _CELLS)[best] for part in flow], axis=1)
        vectors[index, : len(best)] = mean / np.linalg.norm(mean, axis=1, keepdims=True)
        powers[index, : len(best)] = total[best] / np.count_nonzero(mine)
    return vectors, powers
