"""Moments of each clip that are worth marking, written as a marks file without directions.

Goal: whoever marks a day need not search it. Where people wear microphones these say who sounds alone when; where
nobody does, the field says when one place sounds alone, and the names are left to whoever looks.
Functions: suggest_marks (for the clips of a day that have none); suggested_for (one clip).
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.moments import Moment, moments_of_people, moments_of_places
from spatial.errors import SoundplumbError
from spatial.field import ChannelFormat
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_files import MARKS, beside, is_there
from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.jobs.day.other_recordings import OtherRecording
from spatial.jobs.directions import directions_of_match
from spatial.jobs.faults import as_fault
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.media.output import write_text_whole
from spatial.media.tables import LONGEST_NAME, OpenMark, open_marks_text
from spatial.media.takes.narrow import NarrowSamples
from spatial.media.takes.take import open_any
from spatial.sync.envelope import WORKING_RATE_HZ

MOMENTS = "moments"
"""A clip's suggestions lie beside it as <clip>.moments.csv: its marks file is what somebody has filled in."""

_STEP_S = 0.1
"""Time of a step in which sources are told apart, seconds."""

_FRAME_S = 0.1
"""Time over which levels are compared, seconds: a syllable is twice that."""


def suggest_marks(day: DayResult, *, rig_for: Callable[[Path], Rig], progress: Progress = silent) -> DayResult:
    """Write suggestions beside every clip that has a take and no marks.

    A file that lies there already is left as it is.

    Returns
    -------
    DayResult
        With a finding for each clip: what was written, or why nothing was.
    """
    return replace(day, clips=tuple(_with_suggestions(entry, rig_for, progress) for entry in day.clips))


def _with_suggestions(entry: DayClip, rig_for: Callable[[Path], Rig], progress: Progress) -> DayClip:
    if entry.sync is None or not entry.sync.estimate.matched or is_there(beside(entry.clip, MARKS)):
        return entry
    path = entry.clip.with_name(f"{entry.clip.stem}.{MOMENTS}.csv")
    if beside(entry.clip, MOMENTS) != path or is_there(path):
        said = Finding(
            Code.ALREADY_THERE,
            Severity.NOTE,
            f"{beside(entry.clip, MOMENTS).name} is there already and has been left as it is",
            entry.clip.name,
        )
        return replace(entry, findings=(*entry.findings, said))
    try:
        with as_fault(f"the suggestions for {entry.clip.name}"):
            found = suggested_for(entry, rig_for(entry.clip).band_hz, progress)
            if found:
                write_text_whole(path, open_marks_text(found), inputs=[entry.clip])
    except SoundplumbError as error:
        said = Finding(Code.NOT_DONE, Severity.LOOK, f"no marks could be suggested: {error}", entry.clip.name)
        return replace(entry, findings=(*entry.findings, said))
    message = f"nowhere in {entry.clip.name} does one place sound alone for long enough to suggest a mark"
    if found:
        message = (
            f"{path.name} suggests {len(found)} {'moment' if len(found) == 1 else 'moments'} to mark: make the page "
            "(--pages), in which they are listed, or fill in the directions and call the file "
            f"{beside(entry.clip, MARKS).name}"
        )
    said = Finding(Code.UNDETERMINED, Severity.NOTE, message, entry.clip.name)
    return replace(entry, findings=(*entry.findings, said))


def suggested_for(entry: DayClip, band_hz: tuple[float, float], progress: Progress = silent) -> list[OpenMark]:
    """Moments of a clip that are worth marking: by the microphones that people wear, else by the field.

    Parameters
    ----------
    entry : DayClip
        With a match.
    band_hz : (float, float)
        In which directions are trusted.
    progress : Progress
    """
    assert entry.sync is not None
    clip = entry.sync.clip
    worn = [one for one in entry.other_recordings if one.law is not None]
    # One microphone alone may be a boom, which hears everybody: it takes two to say who.
    if len(worn) > 1:
        names = [one.path.stem[:LONGEST_NAME] for one in worn]
        moments = moments_of_people(_levels_db(worn, clip.duration_s), 1.0 / _FRAME_S)
        if moments:
            return _as_marks(moments, names, clip.duration_s)
    rows = directions_of_match(entry.sync, step_s=_STEP_S, band_hz=band_hz, progress=progress)
    moments = moments_of_places(rows, _STEP_S)
    names = [f"place {number}" for number in range(1, 2 + max((moment.who for moment in moments), default=0))]
    return _as_marks(moments, names, clip.duration_s)


def _as_marks(moments: Sequence[Moment], names: Sequence[str], duration_s: float) -> list[OpenMark]:
    return [
        OpenMark(names[moment.who], round(moment.start_s, 2), round(min(moment.end_s, duration_s), 2))
        for moment in moments
    ]


def _levels_db(worn: Sequence[OtherRecording], duration_s: float) -> FloatArray:
    """Level of each recording on clip time, shape (recordings, frames); -inf where it does not run."""
    frames = int(duration_s / _FRAME_S)
    length = round(_FRAME_S * WORKING_RATE_HZ)
    levels = np.full((len(worn), frames), -np.inf)
    for row, one in zip(levels, worn, strict=True):
        assert one.law is not None
        recording = open_any(one.path, channel_format=ChannelFormat.AMBIX)
        with NarrowSamples(recording, WORKING_RATE_HZ) as sound:
            for first in range(0, frames, 600):
                last = min(first + 600, frames)
                # Drift moves a minute by milliseconds: a frame is a tenth of a second.
                start = round(one.law.take_from_clip(first * _FRAME_S) * WORKING_RATE_HZ)
                span = sound.read(start, start + (last - first) * length)[0].reshape(last - first, length)
                power = np.mean(span.astype(np.float64) ** 2, axis=1)
                row[first:last] = np.where(power > 0, 10 * np.log10(np.maximum(power, 1e-30)), -np.inf)
    return levels
