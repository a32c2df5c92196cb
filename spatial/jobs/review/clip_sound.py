"""Where a take's sound comes from on its clip's time, and that sound for headphones.

Functions: sound_over_clip (rows of directions); play_for_ears (the take for headphones, once for each way the head
faces).
"""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from itertools import chain, pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.direction.doa import MARK_FRAMES_S
from spatial.direction.intensity import LEAD_IN_S, field_bins, frame_hop
from spatial.direction.place_strings import StepCells, join_cells, step_cells
from spatial.direction.summary import (
    STEP_S,
    WINDOW_S,
    RowVotes,
    SoundRows,
    joined_rows,
    joined_votes,
    row_votes,
    sound_rows,
)
from spatial.direction.tracking import find_tracks, surest
from spatial.dsp.binaural import LATENCY_SAMPLES, FilteredField, Limiter, headphones
from spatial.jobs.conform.render import Turn, on_clip_time
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.proxy import SoundWriter
from spatial.media.takes.take import FieldReader, Take
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.timebase import ClockLaw

# --- directions over a clip ---

_ROWS_AT_ONCE = 100
"""Rows that are worked on at once, 10 s of them: it bounds the memory."""

_AROUND_S = LEAD_IN_S + WINDOW_S
"""Sound that the first row needs before it, seconds."""


def sound_over_clip(
    result: SyncResult, *, band_hz: tuple[float, float], progress: Progress = silent
) -> tuple[SoundRows, RowVotes]:
    """Where sound comes from, in the microphone's axes, row by row on the clip's time; and each row's say in a span.

    A row's direction is that of the source, followed through the whole clip, that most surely sounds in it.
    """
    take, law, clip = result.take, result.law, result.clip
    total = max(1, int(np.ceil(clip.duration_s / STEP_S - 1e-6)))
    parts = []
    with FieldReader(take) as reader:
        for first, last, piece in _stretches(law, total):
            for row in range(first, last, _ROWS_AT_ONCE):
                until = min(row + _ROWS_AT_ONCE, last)
                part = _rows(reader, take, piece, range(row, until), band_hz)
                if part is not None:
                    parts.append(part)
                progress(f"directions in {take.path.name}", until / total)
    rows, votes = joined_rows([part[0] for part in parts]), joined_votes([part[1] for part in parts])
    if not parts:
        return rows, votes
    tracks = find_tracks(join_cells([part[2] for part in parts]), STEP_S)
    # Rows that the take does not cover have no cells: each row is looked up where its own are.
    numbers = np.concatenate([part[3] for part in parts])
    own = np.searchsorted(numbers, np.rint(rows.times_s / STEP_S - 0.5).astype(int))
    vectors, sd_rad = surest(tracks, np.minimum(own, numbers.size - 1))
    return replace(rows, vectors=vectors, sd_rad=sd_rad), votes


def _stretches(law: ClockLaw, total: int) -> Iterator[tuple[int, int, ClockLaw]]:
    """Runs of rows between clock steps, each with the law that holds there."""
    bounds = [0, *(min(max(round(step.clip_time_s / STEP_S), 0), total) for step in law.steps), total]
    for first, last in pairwise(bounds):
        if first < last:
            yield first, last, law.piece_at((first + last) / 2 * STEP_S)


def _rows(
    reader: FieldReader, take: Take, law: ClockLaw, rows: range, band_hz: tuple[float, float]
) -> tuple[SoundRows, RowVotes, StepCells, npt.NDArray[np.int_]] | None:
    """Rows of one run, with enough sound before and after them, and cells of each by number; None outside the take."""
    rate = take.rate_hz
    start, stop = (law.take_from_clip(row * STEP_S) for row in (rows.start, rows.stop))
    begin = max(0, round((start - _AROUND_S) * rate))
    begin -= begin % frame_hop(rate)
    end = min(take.samples, round((stop + WINDOW_S) * rate))
    if begin >= end:
        return None
    field = reader.read(begin, end)
    bins = field_bins(field, rate, start_s=begin / rate, band_hz=band_hz)
    if bins.times_s.size == 0:
        return None
    origin = law.take_from_clip(0.0)
    step_s = STEP_S * law.ratio
    told = sound_rows(bins, origin_s=origin, rows=rows, step_s=step_s)
    # As marks are measured: what is averaged in the page shall come out as there.
    fine = [
        field_bins(field, rate, start_s=begin / rate, band_hz=band_hz, frame_s=frame_s) for frame_s in MARK_FRAMES_S
    ]
    votes = row_votes(fine, told.times_s, told.vectors, step_s)
    cells = step_cells(bins, origin_s=origin, step_s=step_s, first=rows.start, stop=rows.stop)
    return replace(told, times_s=(told.times_s - origin) / law.ratio), votes, cells, np.arange(rows.start, rows.stop)


# --- headphone sound ---

FACINGS = {"front": 0.0, "left": 90.0, "back": 180.0, "right": -90.0}
"""Ways the head faces, degrees to the left."""

RECORDED = "recorded"
"""Name of the sound before it is turned."""

_LOUD_DB = -22.0
"""Where the louder moments come to lie: well below full scale, so that the limiter seldom acts."""

_MOST_GAIN_DB = 36.0
"""Most that a take is turned up or down for headphones, dB: a take that is nearly silent would be all noise."""


def play_for_ears(
    result: SyncResult, turn: Turn | None, level_db: FloatArray, folder: Path, *, progress: Progress = silent
) -> dict[str, str]:
    """Write what a head hears that faces front, left, back and right; and front before the sound is turned.

    Parameters
    ----------
    turn : Turn or None
        Makes the field face the lens; where that is not known, every facing is of the sound as recorded.
    level_db : ndarray
        How loud it is over time, dB re full scale.

    Returns
    -------
    dict
        File name by facing; with "recorded" where the sound is turned.
    """
    heads = {
        facing: matrix_from_ypr(YawPitchRoll.from_degrees(-degrees, 0.0, 0.0)) for facing, degrees in FACINGS.items()
    }
    gain = 10 ** (_gain_db(level_db) / 20)
    names = {facing: f"sound-{facing}.m4a" for facing in (*heads, *([] if turn is None else [RECORDED]))}
    total = result.clip.samples_at(DELIVERY_RATE_HZ)
    with ExitStack() as stack:
        writers = {
            facing: stack.enter_context(SoundWriter(folder / name, DELIVERY_RATE_HZ)) for facing, name in names.items()
        }
        limiters = {facing: Limiter(DELIVERY_RATE_HZ) for facing in names}
        lens, mic, done = FilteredField(DELIVERY_RATE_HZ), FilteredField(DELIVERY_RATE_HZ), -LATENCY_SAMPLES
        end = np.zeros((FIRST_ORDER_CHANNELS, LATENCY_SAMPLES), dtype=np.float32)
        for block in chain(on_clip_time(result, _as_it_is), [end]):
            # What the filters delay is taken off at the start, and added at the end.
            late = max(0, -done)
            facing_lens = block if turn is None else turn(block, done + LATENCY_SAMPLES)
            filtered = lens.push(facing_lens)[:, late:] * gain
            for facing, head in heads.items():
                writers[facing].write(limiters[facing].push(headphones(filtered, head)))
            if turn is not None:
                as_recorded = headphones(mic.push(block)[:, late:] * gain, np.eye(3))
                writers[RECORDED].write(limiters[RECORDED].push(as_recorded))
            done += block.shape[1]
            progress("sound for headphones", max(done, 0) / max(total, 1))
        for facing, limiter in limiters.items():
            writers[facing].write(limiter.finish())
    return names


def _as_it_is(block: FloatArray, first: int) -> FloatArray:  # noqa: ARG001 a Turn
    """Unturned: the head is turned instead."""
    return block


def _gain_db(level_db: FloatArray) -> float:
    """What brings the louder moments to a good level for headphones."""
    if level_db.size == 0:
        return 0.0
    return float(np.clip(_LOUD_DB - np.percentile(level_db, 95), -_MOST_GAIN_DB, _MOST_GAIN_DB))
