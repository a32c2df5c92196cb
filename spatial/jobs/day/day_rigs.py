"""How the microphone sat in the clips of a day: those that one rig filmed are oriented together.

Functions: orient_together (an answer for each clip that others can help, or that helps others); superseded (why a track
of an earlier run no longer goes with it).
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from spatial.errors import SoundplumbError
from spatial.findings import Finding
from spatial.jobs.conform.track_memory import ConformResult, Recalled
from spatial.jobs.faults import as_fault
from spatial.jobs.orient.from_marks import OrientResult, orient_marks
from spatial.jobs.orient.from_rig import RIG, RigAnswer, RigClip, orient_rig
from spatial.jobs.orient.measure_marks import marks_of_clip, measure_marks
from spatial.jobs.orient.orient_clip import SCRATCH, orient_match
from spatial.jobs.progress import Progress
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.time_of_day import FIRST_YEAR, timecode_start_s
from spatial.jobs.track_request import TrackRequest
from spatial.media.movies.clip import Clip
from spatial.rotation import rotation_angle

_MOVED_RAD = np.radians(2.0)
"""A track stays as it is while what more clips tell of its mount lies within this, or within what it says of itself."""


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """A clip with its match, and what is asked of its track."""

    sync: SyncResult
    asked: TrackRequest
    there: Recalled | None = None
    """Its track of an earlier run."""

    @property
    def remembered(self) -> OrientResult | None:
        """How it was oriented then, where that still holds."""
        made = self.there.made if self.there else None
        return made.orient if made else None


def orient_together(
    clips: Sequence[Matched], rig_number: Callable[[Path], int | None], progress: Progress
) -> tuple[dict[Path, RigAnswer], list[Finding]]:
    """Orient the clips of each rig together.

    Parameters
    ----------
    clips : sequence of Matched
        Those whose marks, if any, are surely their own.
    rig_number : callable
        Which of the shoot file's rigs filmed a clip; None where that is not said.
    progress : Progress

    Returns
    -------
    answers : dict
        By clip. A clip that is not in it stands for itself.
    findings : list of Finding
        Where a microphone was knocked.
    """
    answers: dict[Path, RigAnswer] = {}
    findings: list[Finding] = []
    for group in _rigs(clips, rig_number):
        if len(group) < 2 or not any(clip.asked.marks_path for clip in group):
            # What this version would make of another's track is said, which takes its mount.
            older = [clip for clip in group if clip.there is not None and clip.there.was is not None]
            answers |= {clip.sync.clip.path: RigAnswer(_own(clip, progress)) for clip in older}
            continue
        row = in_order(group)
        members = [RigClip(clip.sync, _own(clip, progress)) for clip in row]
        told, knocks = orient_rig(members, row[0].asked.rig, row[0].asked.prior)
        findings += knocks
        answers |= {clip.sync.clip.path: answer for clip, answer in zip(row, told, strict=True)}
    return answers, findings


def _rigs(clips: Sequence[Matched], rig_number: Callable[[Path], int | None]) -> list[list[Matched]]:
    """Clips of one rig, as far as anybody says: one place of the microphone, one way to read its takes."""
    groups: list[tuple[tuple[object, ...], list[Matched]]] = []
    for clip in clips:
        rig, take = clip.asked.rig, clip.sync.take
        if rig.moves is not None:
            # The microphone stood still and the camera did not: its mount is that of a moment.
            continue
        number = rig_number(clip.sync.clip.path)
        own = (number, rig, clip.asked.prior, clip.asked.repair, take.channel_format, take.picked)
        for known, group in groups:
            if known == own:
                group.append(clip)
                break
        else:
            groups.append((own, [clip]))
    return [group for _, group in groups]


def in_order(clips: Sequence[Matched]) -> list[Matched]:
    """Clips in the order in which they were filmed: by the camera's clock where all of them tell it, else by name.

    By date and time first: a time of day alone, as a timecode is, puts what was filmed after midnight before the rest.
    """
    for stamp in (_made_s, timecode_start_s):
        told = [stamp(clip.sync.clip) for clip in clips]
        if all(time_s is not None for time_s in told) and len(set(told)) == len(told):
            return [clip for _, clip in sorted(zip(told, clips, strict=True), key=lambda pair: pair[0] or 0.0)]
    return list(clips)


def _made_s(clip: Clip) -> float | None:
    """Seconds since 1970 at which the camera says that it made a clip; None where its clock was not set.

    A clock that lost its battery counts from a day long ago, and would put the clips that follow before all others.
    """
    try:
        made = datetime.fromisoformat(clip.created or "")
    except ValueError:
        return None
    if made.year < FIRST_YEAR:
        return None
    return (made if made.tzinfo else made.replace(tzinfo=UTC)).timestamp()


def _own(clip: Matched, progress: Progress) -> OrientResult | None:
    """How a clip's own marks have it; None where it has none, or they tell nothing."""
    asked, sync = clip.asked, clip.sync
    if asked.marks_path is None:
        return None
    # What is wrong with its marks is said where its track is made.
    with suppress(SoundplumbError), as_fault(sync.clip.path.name):
        known = clip.remembered
        if known is not None and known.marks:
            return orient_marks(sync, known.marks, prior=asked.prior, repair=asked.repair, rig=asked.rig)
        marks = marks_of_clip(asked.marks_path, sync.clip, asked.rig)
        progress(f"hearing the marks of {sync.clip.path.name}", 0.0)
        heard = measure_marks(sync.take, sync.law, marks, asked.rig)
        if heard:
            return orient_match(
                *(sync, heard), rig=asked.rig, prior=asked.prior, repair=asked.repair, progress=progress
            )
    return None


def superseded(made: ConformResult, answer: RigAnswer | None) -> str:
    """Why a track no longer goes with what the clips of its rig tell; empty where it does."""
    if made.orient is None:
        return ""
    oriented = answer.oriented if answer else None
    if oriented is None or oriented.matrix is None:
        gone = made.orient.evidence == RIG
        return "the other clips no longer tell how the microphone sat" if gone else ""
    if made.orient.evidence == SCRATCH:
        return "marks in other clips tell how the microphone sat"
    known_rad = float(np.sqrt(np.trace(made.orient.mount.covariance)))
    moved_rad = rotation_angle(made.mount, oriented.matrix)
    if moved_rad < max(_MOVED_RAD, known_rad):
        return ""
    return f"the marks of all clips of its rig turn it by {np.degrees(moved_rad):.0f}° more"
