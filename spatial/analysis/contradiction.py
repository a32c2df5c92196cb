"""Whether a clip and a take that match contradict each other somewhere: the same music, but not the same moment.

Where both hold sound well above their floors along the clock law, and yet windows do not hear each other while cells
of time and frequency stand 10 dB above what the other side makes one expect, they did not hear one moment. Noise on
one side masks cells of the other and makes none audible; a riding gain and the boxes' colour are taken off first.

Conventions: spatial.conventions (time). Times are clip times.
Functions: find_contradiction.
"""

from dataclasses import dataclass
from enum import Enum
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from spatial.analysis.cells import (
    HOP,
    BoolArray,
    band_levels,
    block_starts,
    clip_spectra,
    louder,
    near_height,
    take_spectra,
)
from spatial.analysis.correlation import unit_phase
from spatial.analysis.samples import Samples
from spatial.conventions import ComplexArray, FloatArray
from spatial.timebase import ClockLaw

Number = TypeVar("Number", np.floating, np.complexfloating)

WINDOW_BLOCKS = 16
"""Blocks that share a window: half a second."""

WINDOW_HOP = 8

BANDS = slice(8, 36)
"""Bands that count, 0.5 to 5 kHz: below it wind, above it what a lossy codec drops."""

UNLIKE_DB = 10.0
CLEARLY_UNLIKE_DB = 12.0
SMOOTH_BLOCKS = 3
_AUDIBLE_DB = 10.0
_NIL_HEIGHT = 3.5
_BOTH_CELLS = 5
_ANY_CELLS = 15
_SHARED_HEIGHT = 5.0
_PART = 1024

# Chosen on 56 true pairs with hardships (tests/bench/songs_hard.py, seeds below 60): handling noise on both boxes came
# to 2.8 s and 1.8 s, one who talks right beside a recorder metres away to 3.1 s and 1.1 s, everything else to 1.1 s
# and 0.1 s. Of 18 clips against wrong takes of their song, with talk around, 7 are contradicted and the rest doubtful.
_CONTRADICTED_S = 4.0
_CONTRADICTED_BOTH_S = 2.0
_DOUBTFUL_S = 0.75
_DOUBTFUL_SHARE = 0.012
"""Of the two shares' geometric mean: noise on one side makes one of them large, another moment both."""


class Standing(Enum):
    """How a match stands by itself."""

    CLEAR = "clear"
    DOUBTFUL = "doubtful"
    CONTRADICTED = "contradicted"


@dataclass(frozen=True, slots=True)
class Contradiction:
    """What a clip and a take hold against each other."""

    standing: Standing
    spans_s: tuple[tuple[float, float], ...]
    """Clip time from-to of what contradicts, in order."""
    contradicted_s: float
    shared_s: float
    """How long they clearly hear each other."""
    covered_s: float
    only_take: float
    """Share of the take's audible cells that the clip does not hold."""
    only_clip: float
    """Share of the clip's audible cells that the take does not hold."""


def find_contradiction(clip: Samples, take: Samples, law: ClockLaw, signs: FloatArray) -> Contradiction:
    """Look for moments that a clip and a take do not share.

    Parameters
    ----------
    clip : Samples
        The camera's sound at 16 kHz.
    take : Samples
        The field, internal form, at 16 kHz.
    law : ClockLaw
        Along which they match, with its steps.
    signs : ndarray, shape (camera channels,)
        +1 or -1.

    Returns
    -------
    Contradiction
        CLEAR where nothing speaks against the match, which is no proof that there is one.
    """
    starts = block_starts(clip)
    heard, (field, covered) = clip_spectra(clip, starts), take_spectra(take, law, starts, clip.rate_hz)
    return contradiction_of(heard, field, covered, starts, signs, clip.rate_hz)


def contradiction_of(
    heard: ComplexArray,
    field: ComplexArray,
    covered: BoolArray,
    starts: npt.NDArray[np.int_],
    signs: FloatArray,
    rate_hz: int,
) -> Contradiction:
    """The same from spectra at hand."""
    if not covered.all():
        heard, field, starts = heard[:, covered], field[covered], starts[covered]
    if len(starts) < 2 * WINDOW_BLOCKS:
        return Contradiction(Standing.DOUBTFUL, (), 0.0, 0.0, len(starts) * HOP / rate_hz, 0.0, 0.0)
    only_clip, only_take, shares = unlike_cells(heard, field, rate_hz)
    heights = window_heights(heard, field, signs, rate_hz)
    nil = heights < _NIL_HEIGHT
    both = nil & (only_clip >= _BOTH_CELLS) & (only_take >= _BOTH_CELLS)
    either = nil & (only_clip + only_take >= _ANY_CELLS)
    step_s = WINDOW_HOP * HOP / rate_hz
    either_s, both_s = float(either.sum()) * step_s, float(both.sum()) * step_s
    if either_s >= _CONTRADICTED_S or both_s >= _CONTRADICTED_BOTH_S:
        standing = Standing.CONTRADICTED
    elif float((either | both).sum()) * step_s >= _DOUBTFUL_S or np.sqrt(np.prod(shares)) > _DOUBTFUL_SHARE:
        standing = Standing.DOUBTFUL
    else:
        standing = Standing.CLEAR
    first = starts[: len(heights) * WINDOW_HOP : WINDOW_HOP] / rate_hz
    return Contradiction(
        standing=standing,
        spans_s=_spans(first[either | both], step_s),
        contradicted_s=float((either | both).sum()) * step_s,
        shared_s=float((heights > _SHARED_HEIGHT).sum()) * step_s,
        covered_s=len(starts) * HOP / rate_hz,
        only_take=shares[1],
        only_clip=shares[0],
    )


def unlike_cells(
    heard: ComplexArray, field: ComplexArray, rate_hz: int
) -> tuple[FloatArray, FloatArray, tuple[float, float]]:
    """Cells in each window that only the clip and only the take holds, and their shares of all audible ones."""
    levels = (band_levels(spectra, rate_hz, blocks=SMOOTH_BLOCKS) for spectra in (heard, field))
    cells = louder(*levels)
    counts, shares = [], []
    for excess, over in (
        (cells.excess_db, cells.clip_over_floor_db),
        (-cells.excess_db, cells.take_over_floor_db),
    ):
        audible = (over > _AUDIBLE_DB)[:, BANDS]
        counts.append(by_window(((excess[:, BANDS] > UNLIKE_DB) & audible).sum(axis=1).astype(float)))
        clearly = (excess[:, BANDS] > CLEARLY_UNLIKE_DB) & audible
        shares.append(float(clearly.sum() / max(audible.sum(), 1)))
    return counts[0], counts[1], (shares[0], shares[1])


def window_heights(heard: ComplexArray, field: ComplexArray, signs: FloatArray, rate_hz: int) -> FloatArray:
    """Correlation near the law in each window, over its own scatter."""
    return near_height(by_window(whitened_cross(heard, field, signs)), rate_hz)


def whitened_cross(heard: ComplexArray, field: ComplexArray, signs: FloatArray) -> ComplexArray:
    """Phases of the cross-spectrum of clip and take, camera channels added with their signs, shape (blocks, bins)."""
    cross = np.zeros_like(field)
    say = (signs / len(signs)).astype(np.float32)
    # A part at a time: of minutes of sound every intermediate step would stand in memory whole.
    for first in range(0, len(field), _PART):
        part = slice(first, first + _PART)
        camera = np.tensordot(say, unit_phase(np.conj(heard[:, part])), axes=(0, 0))
        cross[part] = camera * unit_phase(field[part])
    return cross


def by_window(blocks: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """Sums over the blocks of each window, shape (windows, ...)."""
    count = max(0, (len(blocks) - WINDOW_BLOCKS) // WINDOW_HOP + 1)
    return np.stack([blocks[WINDOW_HOP * n : WINDOW_HOP * n + WINDOW_BLOCKS].sum(axis=0) for n in range(count)])


def _spans(starts_s: FloatArray, step_s: float) -> tuple[tuple[float, float], ...]:
    """Runs of windows, gaps of up to 2 s closed."""
    spans: list[list[float]] = []
    length_s = 2.0 * step_s
    for start in starts_s:
        if spans and start - spans[-1][1] < 2.0:
            spans[-1][1] = float(start) + length_s
        else:
            spans.append([float(start), float(start) + length_s])
    return tuple((begin, end) for begin, end in spans)
