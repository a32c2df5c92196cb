"""Where a take's sound comes from, on its clip's time.

Functions: sound_over_clip.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from spatial.analysis.direction import LEAD_IN_S, field_bins, frame_hop
from spatial.analysis.soundrows import STEP_S, WINDOW_S, SoundRows, joined_rows, sound_rows
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync import SyncResult
from spatial.media.takes import FieldReader, Take
from spatial.timebase import ClockLaw

_ROWS_AT_ONCE = 100
_AROUND_S = LEAD_IN_S + WINDOW_S


def sound_over_clip(result: SyncResult, *, band_hz: tuple[float, float], progress: Progress = silent) -> SoundRows:
    """Where sound comes from, in the microphone's axes, row by row on the clip's time."""
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
    return joined_rows(parts)


def _stretches(law: ClockLaw, total: int) -> Iterator[tuple[int, int, ClockLaw]]:
    """Runs of rows between clock steps, each with the law that holds there."""
    bounds = [0, *(min(max(round(step.clip_time_s / STEP_S), 0), total) for step in law.steps), total]
    for first, last in pairwise(bounds):
        if first < last:
            yield first, last, law.piece_at((first + last) / 2 * STEP_S)


def _rows(
    reader: FieldReader, take: Take, law: ClockLaw, rows: range, band_hz: tuple[float, float]
) -> SoundRows | None:
    """Rows of one run, heard with enough sound before and after them; None outside the take."""
    rate = take.rate_hz
    start, stop = (law.take_from_clip(row * STEP_S) for row in (rows.start, rows.stop))
    begin = max(0, round((start - _AROUND_S) * rate))
    begin -= begin % frame_hop(rate)
    end = min(take.samples, round((stop + WINDOW_S) * rate))
    if begin >= end:
        return None
    bins = field_bins(reader.read(begin, end), rate, start_s=begin / rate, band_hz=band_hz)
    if bins.times_s.size == 0:
        return None
    origin = law.take_from_clip(0.0)
    told = sound_rows(bins, origin_s=origin, rows=rows, step_s=STEP_S * law.ratio)
    return replace(told, times_s=(told.times_s - origin) / law.ratio)
