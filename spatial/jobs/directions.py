"""The directions job: where sound came from over time, in a take or on a clip's time.

Functions: directions_of_take.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from spatial.direction.intensity import LEAD_IN_S, FrameDirections, field_bins, frame_directions, frame_hop
from spatial.direction.place_strings import StepCells, join_cells, step_cells
from spatial.direction.tracking import find_tracks, rows_by_source
from spatial.errors import InconclusiveError, InputError
from spatial.field import ChannelFormat, ReadAs, angle_between, unit_vectors
from spatial.findings import Finding
from spatial.jobs.inspect.channel_reading import settle
from spatial.jobs.orient.from_marks import require_match
from spatial.jobs.orient.measure_marks import MeasuredMark, marks_of_clip, measure_marks
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import sync_clip
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.ownership import Kind, is_marked
from spatial.media.takes.take import FieldReader, Take, open_take

_CHUNK_STEPS = 100
"""Rows that are worked on at once, 10 s of them: it bounds the memory."""

_LONGEST_STEP_S = 0.5
"""Sources are told apart by rows that hold one each: with 1 s two performers 18 degrees apart became one who moves,
with 5 s four of the demo's became one, with 20 s nobody (python -m cli directions rec-0041.flac --step-s 5)."""
_FACING_RAD = np.radians(20.0)
"""A track in which half of the marks are farther off does not face the lens; of one that does, some may be."""


@dataclass(frozen=True, slots=True, eq=False)
class DirectionsResult:
    """Directions over time, in the recording's own axes."""

    take: Take
    frames: FrameDirections
    sync: SyncResult | None
    """How the take lies against the clip; None where no clip was given and times are the take's own."""
    findings: tuple[Finding, ...]
    marks: tuple[MeasuredMark, ...] = ()
    """Of the clip, as heard in the take."""
    facing: bool = False
    """The recording is a finished track, or has been shown to face the lens: its axes are the picture's."""


def directions_of_take(
    take_path: Path,
    *,
    clip_path: Path | None = None,
    step_s: float = 0.1,
    marks_path: Path | None = None,
    rig: Rig = Rig(),  # noqa: B008 a frozen value
    channel_format: ReadAs = ChannelFormat.AMBIX,
    progress: Progress = silent,
) -> DirectionsResult:
    """Measure where sound comes from, row by row.

    Parameters
    ----------
    clip_path : Path, optional
        Put the rows on this clip's time, and only as long as the clip.
    step_s : float
        Time of one row, seconds; 0.05 to 0.5.
    marks_path : Path, optional
        The clip's marks, to be heard too.
    rig : Rig
        The band to trust, and what marks are seen from.

    Raises
    ------
    InconclusiveError
        Take and clip do not match; or there are marks, and the take does not face the lens.
    """
    if step_s < 0.05:
        raise InputError(f"a step of {step_s:g} s is too short to tell a direction; use 0.05 s or more")
    if step_s > _LONGEST_STEP_S:
        raise InputError(
            f"a step of {step_s:g} s holds several who take turns, and they would be told as one; use "
            f"{_LONGEST_STEP_S:g} s or less"
        )
    if marks_path is not None and clip_path is None:
        raise InputError("marks are in a clip's time; name the clip too")
    band_hz = rig.band_hz
    if clip_path is None:
        take, _ = settle(open_take(take_path, channel_format=channel_format))
        frames = _frames(take, 0.0, take.duration_s, step_s, band_hz, progress)
        facing = is_marked(take.path, Kind.TRACK)
        return DirectionsResult(take, _as_sure(frames, rig, facing=facing), None, take.findings, facing=facing)
    result = sync_clip(clip_path, [take_path], channel_format=channel_format, progress=progress)
    require_match(result)
    take = result.take
    frames = directions_of_match(result, step_s=step_s, band_hz=band_hz, progress=progress)
    marks: tuple[MeasuredMark, ...] = ()
    if marks_path is not None:
        seen = marks_of_clip(marks_path, result.clip, rig)
        marks = tuple(measure_marks(take, result.law, seen, rig, finished=True))
        _require_facing(take, marks)
    facing = marks_path is not None or is_marked(take.path, Kind.TRACK)
    return DirectionsResult(take, _as_sure(frames, rig, facing=facing), result, result.findings, marks, facing)


def directions_of_match(
    result: SyncResult, *, step_s: float, band_hz: tuple[float, float], progress: Progress = silent
) -> FrameDirections:
    """Directions of a clip's take, in the recording's own axes, on the clip's time.

    Parameters
    ----------
    result : SyncResult
        A match.
    step_s : float
        Time of one row, seconds.
    band_hz : (float, float)
        The band to trust.
    """
    start, stop = (result.law.take_from_clip(time) for time in (0.0, result.clip.duration_s))
    # A step of the clip's time is a little more or less on the take's clock.
    frames = _frames(result.take, start, stop, step_s * result.law.ratio, band_hz, progress)
    return replace(frames, times_s=np.array([result.law.clip_from_take(time) for time in frames.times_s]))


def _as_sure(frames: FrameDirections, rig: Rig, *, facing: bool) -> FrameDirections:
    """The same rows, as sure as a microphone of which so much is unknown lets them be.

    In a track that faces the lens the microphone's axes lie nobody knows how.
    """
    microphone = rig.microphone.in_a_track() if facing else rig.microphone
    if not frames.times_s.size:
        return frames
    vectors = unit_vectors(frames.azimuth_rad, frames.elevation_rad)
    return replace(frames, sd_rad=np.hypot(frames.sd_rad, microphone.sd_rad(vectors)))


def _require_facing(take: Take, marks: Sequence[MeasuredMark]) -> None:
    """Marks drawn over sound in the microphone's own axes would mislead whoever looks at it."""
    off = [float(angle_between(mark.expected, mark.heard.vector)) for mark in marks if mark.heard.heard]
    if off and np.median(off) > _FACING_RAD:
        raise InconclusiveError(
            f"marks are heard {np.degrees(np.median(off)):.0f}° from where they are seen, so {take.path.name} does not "
            "face the lens, and marks drawn over it would mislead: draw them over the track that conform writes"
        )


def _frames(
    take: Take, start_s: float, stop_s: float, step_s: float, band_hz: tuple[float, float], progress: Progress
) -> FrameDirections:
    parts = list(_chunks(take, start_s, stop_s, step_s, band_hz, progress))
    if not parts:
        nothing = np.zeros(0)
        return FrameDirections(*(nothing,) * 6, source=nothing.astype(int))
    frames = FrameDirections(
        *(np.concatenate([getattr(part, field.name) for part, _ in parts]) for field in fields(FrameDirections))
    )
    steps = np.rint((frames.times_s - start_s) / step_s - 0.5).astype(int)
    return rows_by_source(frames, steps, find_tracks(join_cells([cells for _, cells in parts]), step_s))


def _chunks(
    take: Take, start_s: float, stop_s: float, step_s: float, band_hz: tuple[float, float], progress: Progress
) -> Iterator[tuple[FrameDirections, StepCells]]:
    """A hundred rows at a time, each with enough sound before and after it to be as if whole."""
    # A row that rounding alone would add at the end is no row.
    rows = int(np.ceil((stop_s - start_s) / step_s - 1e-6))
    with FieldReader(take) as reader:
        for row in range(0, rows, _CHUNK_STEPS):
            until = min(row + _CHUNK_STEPS, rows)
            first = max(0, round((start_s + row * step_s - LEAD_IN_S - 0.1) * take.rate_hz))
            first -= first % frame_hop(take.rate_hz)
            last = min(take.samples, round((start_s + until * step_s + 0.1) * take.rate_hz))
            field = reader.read(first, last) if first < last else np.zeros((4, 0), dtype=np.float32)
            bins = field_bins(field, take.rate_hz, start_s=first / take.rate_hz, band_hz=band_hz)
            frames = frame_directions(bins, origin_s=start_s, step_s=step_s)
            # By number, not by time: a frame on the border of two chunks must fall into one row, not two.
            number = np.rint((frames.times_s - start_s) / step_s - 0.5)
            kept = (number >= row) & (number < until)
            yield frames.only(kept), step_cells(bins, origin_s=start_s, step_s=step_s, first=row, stop=until)
            progress(f"directions in {take.path.name}", until / rows)
