"""Where a take's sound comes from, on its clip's time.

Functions: sound_over_clip.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from spatial.analysis.direction import LEAD_IN_S, field_bins, frame_hop
from spatial.analysis.soundrows import STEP_S, WINDOW_S, SoundRows, joined_rows, sound_rows
from spatial.analysis.spans import MARK_FRAMES_S
from spatial.analysis.stepcells import StepCells, join_cells, step_cells
from spatial.analysis.tracks import find_tracks, surest
from spatial.analysis.votes import RowVotes, joined_votes, row_votes
from spatial.jobs.progress import Progress, silent
from spatial.jobs.syncresult import SyncResult
from spatial.media.takes import FieldReader, Take
from spatial.timebase import ClockLaw

_ROWS_AT_ONCE = 100
_AROUND_S = LEAD_IN_S + WINDOW_S


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
    # As marks are heard: what is averaged in the page shall come out as there.
    fine = [
        field_bins(field, rate, start_s=begin / rate, band_hz=band_hz, frame_s=frame_s) for frame_s in MARK_FRAMES_S
    ]
    votes = row_votes(fine, told.times_s, told.vectors, step_s)
    cells = step_cells(bins, origin_s=origin, step_s=step_s, first=rows.start, stop=rows.stop)
    return replace(told, times_s=(told.times_s - origin) / law.ratio), votes, cells, np.arange(rows.start, rows.stop)
