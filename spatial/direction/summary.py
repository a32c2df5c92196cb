"""Where sound comes from, tenth of a second by tenth of a second, small enough for a page.

Goal: for each row of time the direction that its direct sound agrees on, and a coarse map of where all its sound comes
from; and each row's vote, so that a span which somebody has just marked in the page gets the direction that
`span_direction` gives it.
Method: there a direction is the densest place on the sphere of all bins of a span. Each row's share of that density is
kept as one hill: its top, its height, and how steeply it falls to each side. The sum of the hills of a span has its top
within some tenths of a degree of the bins' own, where the bins are sure of it to 5 degrees.
Conventions: spatial.conventions (axes). Directions are unit vectors in the field's own axes.
Functions: sound_rows; joined_rows (rows of several stretches, one after the other); row_votes; joined_votes (of several
stretches); left_and_up (the two directions across a direction).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.doa import Pulls, climb, span_direction, sphere_grid, spread_about, weightiest
from spatial.direction.intensity import FieldBins, frame_directions

# --- rows ---

STEP_S = 0.1
"""Time of one row."""

WINDOW_S = 0.3
"""Time that counts for the direction of one row, centred on it: a syllable. Rows overlap."""

PLACES = 10
"""Places of the coarse map that each row keeps, the strongest first."""

_CELLS = 420
"""Cells of the map: about 10 degrees across, less than a first-order microphone resolves."""

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


# --- votes ---

_VOTE_BINS = 300
"""The weightiest bins of each frame length; more move the sum of a span by less than 0.05 degrees."""

_LEAST_STEEP = 0.5
"""Between two sources a tenth may be nearly flat one way: so much keeps it a hill."""

_CLIMB_STEPS = 8
"""Newton's steps uphill from the row's own direction, which lies near the top already. More cost time for each row."""


@dataclass(frozen=True, slots=True, eq=False)
class RowVotes:
    """The hill of each row; a height of 0 where a row has none."""

    tops: FloatArray
    """Unit vectors, shape (rows, 3)."""
    heights: FloatArray
    """Weight of the bins that agree, shape (rows,)."""
    steepness: FloatArray
    """Second derivatives of minus the logarithm at the top, along left and up as seen from the middle ([0] towards
    growing azimuth, [1] towards growing elevation), 1 / rad^2, shape (rows, 2, 2)."""
    strays: FloatArray
    """How far the bins that agree stray from the top, shape (rows,): see spread_about."""


def row_votes(bins: Sequence[FieldBins], times_s: FloatArray, starts: FloatArray, step_s: float) -> RowVotes:
    """Votes of rows.

    Parameters
    ----------
    bins : sequence of FieldBins
        Of one field, in frames of each length that marks are heard in.
    times_s : ndarray, shape (rows,)
        Middle of each row, on the bins' clock.
    starts : ndarray, shape (rows, 3)
        About where each row is heard; NaN where it is not.
    step_s : float
        Time of one row.

    Returns
    -------
    RowVotes
    """
    lengths = _with_equal_say(bins)
    votes = [
        _vote(lengths, time_s - step_s / 2, time_s + step_s / 2, start) if np.isfinite(start[0]) else None
        for time_s, start in zip(times_s, starts, strict=True)
    ]
    return RowVotes(
        tops=np.array([vote[0] if vote else np.zeros(3) for vote in votes]).reshape(-1, 3),
        heights=np.array([vote[1] if vote else 0.0 for vote in votes]),
        steepness=np.array([vote[2] if vote else np.zeros((2, 2)) for vote in votes]).reshape(-1, 2, 2),
        strays=np.array([vote[3] if vote else 0.0 for vote in votes]),
    )


def joined_votes(parts: Sequence[RowVotes]) -> RowVotes:
    """Votes of several stretches, one after the other."""
    if not parts:
        return RowVotes(np.zeros((0, 3)), np.zeros(0), np.zeros((0, 2, 2)), np.zeros(0))
    return RowVotes(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(RowVotes)))


@dataclass(frozen=True, slots=True, eq=False)
class _Beginnings:
    """Bins of one frame length in which a sound has just begun, in the order of time."""

    times_s: FloatArray
    pull: FloatArray
    swing: FloatArray
    weight: FloatArray


def _with_equal_say(bins: Sequence[FieldBins]) -> list[_Beginnings]:
    """Bins of each frame length, weighed so that all lengths count alike."""
    weights = [frames.weights() for frames in bins]
    totals = [float(np.sum(weight)) for weight in weights]
    mean = float(np.mean(totals))
    return [
        _Beginnings(frames.times_s[frames.frame], frames.pull, frames.swing, weight * (mean / total))
        for frames, weight, total in zip(bins, weights, totals, strict=True)
        if total > 0.0
    ]


def _vote(
    lengths: Sequence[_Beginnings], start_s: float, end_s: float, start: FloatArray
) -> tuple[FloatArray, float, FloatArray, float] | None:
    """Top, height, steepness and stray of the density of one row; None where nothing has just begun in it."""
    parts = []
    for all_of in lengths:
        inside = slice(*np.searchsorted(all_of.times_s, (start_s, end_s)))
        weight = all_of.weight[inside]
        if not weight.any():
            continue
        kept = weightiest(weight, _VOTE_BINS)
        parts.append((all_of.pull[inside][kept], all_of.swing[inside][kept], weight[kept]))
    if not parts:
        return None
    pull, swing, weights = (np.concatenate(column) for column in zip(*parts, strict=True))
    pulls = Pulls(pull, swing, weights)
    top = climb(pulls, start, steps=_CLIMB_STEPS)
    say = pulls.say(top[np.newaxis])[0].astype(float)
    height = float(np.sum(say))
    if height <= 0.0:
        return None
    across = left_and_up(top)
    force = pulls.forces(top) @ across.T / pulls.spread**2
    bend = across @ pulls.stiffness(say) @ across.T / pulls.spread**2 - (force * say[:, np.newaxis]).T @ force
    sizes, axes = np.linalg.eigh(bend / height)
    return top, height, (axes * np.maximum(sizes, _LEAST_STEEP)) @ axes.T, spread_about(pulls, top)


def left_and_up(direction: FloatArray) -> FloatArray:
    """The two directions across a direction: towards growing azimuth and growing elevation, shape (2, 3)."""
    level = float(np.hypot(direction[0], direction[1]))
    left = np.array([-direction[1], direction[0], 0.0]) / level if level > 1e-6 else np.array([0.0, 1.0, 0.0])
    return np.stack([left, np.cross(direction, left)])
