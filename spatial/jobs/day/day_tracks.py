"""The tracks of a day: what is asked of each, whether it is made, and what is said where it is not.

Functions: finish_all (what becomes of every clip); same_moment (two clips of one stretch of a take); make_folder,
require_written (of results).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.errors import InconclusiveError, OutputError, SoundplumbError
from spatial.field import ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.conform_clip import conform_match
from spatial.jobs.conform.track_memory import Applied, ConformResult, Recalled
from spatial.jobs.day.both_cores import WORTH_IT_S, on_both_cores
from spatial.jobs.day.day_files import (
    MARKS,
    beside,
    is_there,
    rig_beside,
)
from spatial.jobs.day.day_matches import ClipMatch
from spatial.jobs.day.day_progress import DayProgress, Log
from spatial.jobs.day.day_result import DayClip
from spatial.jobs.day.day_rigs import superseded
from spatial.jobs.day.shoot_words import prior_of, reading_words
from spatial.jobs.faults import as_fault
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.from_rig import RIG, RigAnswer
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_findings import match_findings
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.media.cache import FeatureCache
from spatial.media.ownership import is_too_long
from spatial.media.shoot_file import Shoot
from spatial.media.track_files import is_unfinished
from spatial.media.work_folders import working_folder
from spatial.mount.prior import MountPrior
from spatial.rotation import rotation_angle

_SAME_MS = 1.0
"""Milliseconds below which two tracks are in step alike: a match is measured again once the mount is known."""

_SAME_MOMENT_S = 0.1
"""Clips that lie no further apart in a take, and end together, are copies: pictures of one camera, not two scenes."""


@dataclass(frozen=True, slots=True, eq=False)
class DayRequest:
    """What is asked of every clip's track."""

    rigs: Mapping[Path, Rig]
    """Of each clip."""
    prior: MountPrior | None
    repair: bool
    read_as: ReadAs
    shoot: Shoot

    def of(self, clip: Path) -> TrackRequest:
        """What is asked of a clip's track, with what lies beside the clip.

        Raises
        ------
        SoundplumbError
            The moves beside it cannot be used.
        """
        marks = beside(clip, MARKS)
        return TrackRequest(
            marks if is_there(marks) else None,
            rig=rig_beside(clip, self.rigs[clip]),
            prior=prior_of(clip, self.prior, self.shoot),
            repair=self.repair,
            read_as=self.read_as,
            formats=reading_words(self.shoot),
            pair=self.shoot.take_of(clip.name),
        )

    def tells_hanging(self, clip: Path) -> bool:
        """Whether a clip without marks can be done: the crew says which way up the microphone hung."""
        prior = prior_of(clip, self.prior, self.shoot)
        return prior is not None and prior.hanging is not None


@dataclass(frozen=True, slots=True, eq=False)
class TrackPlace:
    """Where a clip's track goes, what lies there, and what speaks against making it."""

    track: Path
    there: Recalled | None
    doubts: Sequence[Finding]
    answer: RigAnswer | None = None
    """How the microphone sat, as all clips of its rig tell."""

    @property
    def oriented(self) -> OrientResult | None:
        """The same, where they tell it."""
        return self.answer.oriented if self.answer else None


def same_moment(one: SyncResult | None, other: SyncResult | None) -> bool:
    """Whether two clips are the same stretch of one take."""
    if one is None or other is None or not (one.estimate.matched and other.estimate.matched):
        return False
    return (
        one.take.paths == other.take.paths
        and abs(one.law.offset_s - other.law.offset_s) < _SAME_MOMENT_S
        and abs(one.clip.duration_s - other.clip.duration_s) < _SAME_MOMENT_S
    )


@dataclass(frozen=True, slots=True, eq=False)
class Finish:
    """What makes a clip's track, or shows the one that lies there."""

    request: DayRequest
    cache: FeatureCache
    force: bool
    again: bool
    progress: Progress

    def as_it_is(self, clip: Path, match: ClipMatch | Finding, place: TrackPlace) -> DayClip | None:
        """A clip of which nothing is made, or whose track lies there; None where it is to be made."""
        if isinstance(match, Finding):
            return DayClip(clip, None, None, (match,), no_take=self.request.shoot.has_no_take(clip.name))
        result, health = match.result, match.health or ()
        if not result.estimate.matched:
            return DayClip(clip, result, None, result.findings)
        if place.doubts:
            return DayClip(clip, result, None, (*result.findings, *place.doubts, *health), health=health)
        marked = is_there(beside(clip, MARKS))
        older = (place.there.once or place.there.made) if place.there else None
        if not marked and place.oriented is None and not self.request.tells_hanging(clip):
            why_not = place.answer.why_not if place.answer else ""
            return replace(_unmarked(clip, match, _without_marks(clip, why_not or _NOT_KNOWN)), older=older)
        if place.there is not None and place.there.made is not None:
            # Made anew it would be the same, so --force leaves it too.
            shown = _shown(clip, match, place.there, place.there.made)
            other_mount = superseded(place.there.made, place.answer)
            if shown is not None and not other_mount:
                return shown
            if other_mount:
                place = replace(place, there=Recalled(other_mount))
        if place.track.exists() and not self._replaces(place):
            left = _left(clip, result, place)
            return DayClip(clip, result, None, (*result.findings, left, *health), health=health, older=older)
        return None

    def _replaces(self, place: TrackPlace) -> bool:
        """Whether what lies in a track's place is made anew; whether it may be, is asked where it is written."""
        return self.force or (self.again and place.there is not None) or is_unfinished(place.track)

    def made(self, clip: Path, match: ClipMatch, place: TrackPlace) -> DayClip:
        """Conform a clip that was matched, as its marks tell, or all clips of its rig, or the crew and the camera."""
        health, marked = match.health or (), is_there(beside(clip, MARKS))
        try:
            with as_fault(clip.name):
                asked = replace(self.request.of(clip), oriented=place.oriented)
                make_folder(place.track.parent)
                made = conform_match(
                    *(match.result, place.track, asked),
                    health=match.health,
                    cache=self.cache,
                    force=self._replaces(place),
                    progress=self.progress,
                )
        except InconclusiveError as error:
            if marked:
                return self._undone(clip, match, error)
            missing = _without_marks(clip, f"and the camera's sound does not tell it either ({error})")
            return _unmarked(clip, match, missing)
        except SoundplumbError as error:
            return self._undone(clip, match, error)
        return _done(clip, made, health)

    def _undone(self, clip: Path, match: ClipMatch, error: SoundplumbError) -> DayClip:
        # The take is known all the same: only the track could not be made.
        undone = Finding(Code.NOT_DONE, Severity.FIX, str(error), clip.name)
        health = match.health or ()
        return DayClip(clip, match.result, None, (*match.result.findings, undone, *health), health=health)


def finish_one(task: tuple[Finish, Path, ClipMatch, TrackPlace], progress: Progress) -> DayClip:
    """Make one clip's track, here or in another process."""
    finish, clip, match, place = task
    return replace(finish, progress=progress).made(clip, match, place)


def finish_all(
    finish: Finish, matched: Mapping[Path, ClipMatch | Finding], places: Mapping[Path, TrackPlace], log: Log
) -> list[DayClip]:
    """What becomes of every clip, two at a time where that is worth it."""
    entries = {clip: finish.as_it_is(clip, match, places[clip]) for clip, match in matched.items()}
    left = [(clip, match) for clip, match in matched.items() if entries[clip] is None and isinstance(match, ClipMatch)]
    work_s = {clip: match.result.clip.duration_s for clip, match in left}
    told = DayProgress("done", work_s, finish.progress, log)
    worth_it = sum(work_s.values()) > WORTH_IT_S
    sent = replace(finish, cache=FeatureCache(), progress=silent) if worth_it else finish
    tasks = [(sent, clip, match.without_sound() if worth_it else match, places[clip]) for clip, match in left]
    for _, entry in on_both_cores(
        tasks, finish_one, lambda number, step, part: told.working(left[number][0], step, part), worth_it=worth_it
    ):
        entries[entry.clip] = entry
        told.done(entry.clip, entry.status.value.replace("_", " "))
    return [entry for entry in entries.values() if entry is not None]


def _unmarked(clip: Path, match: ClipMatch, missing: Finding) -> DayClip:
    """A clip of which nothing tells how the microphone sat."""
    health = match.health or ()
    return DayClip(
        clip, match.result, None, (*match.result.findings, missing, *health), health=health, needs_marks=True
    )


def _done(clip: Path, made: ConformResult, health: Sequence[Finding], *, remembered: bool = False) -> DayClip:
    moves = made.rig.moves
    beside_it = [_used_moves(moves.path)] if moves else []
    if not made.proof.marks and (made.orient is None or made.orient.evidence != RIG):
        beside_it.append(_unproved(clip))
    findings = (*made.findings, *beside_it, *health)
    return DayClip(clip, made.sync, made, findings, remembered=remembered, health=tuple(health))


def _shown(clip: Path, match: ClipMatch, there: Recalled, made: ConformResult) -> DayClip | None:
    """A track that lies there, with its answer; None where its clip would be cut otherwise now."""
    health = there.health if there.health is not None else match.health or ()
    if match.result is made.sync:
        return _done(clip, made, health, remembered=True)
    # A new take was held against the clip: what it leaves open is said, also of the track that was made before it.
    if not same_moment(match.result, made.sync):
        return None
    own = match_findings(match.result)
    more = [said for said in match.result.findings if said not in own and said not in made.findings]
    shown = _done(clip, made, health, remembered=True)
    return replace(shown, findings=(*more, *shown.findings))


_NOT_KNOWN = "so how the microphone sat is not known"

_ITS_PAGE = "its review page (--pages)"
"""What a clip without marks is told of, until its page is made."""


def with_page(entry: DayClip, page: Path) -> DayClip:
    """A clip with its review page, which is named where marks are asked for."""
    named = f"{page.parent.parent.name}/{page.parent.name}/{page.name}"
    findings = tuple(
        replace(said, message=said.message.replace(_ITS_PAGE, named)) if said.code is Code.UNDETERMINED else said
        for said in entry.findings
    )
    return replace(entry, page=page, findings=findings)


def _without_marks(clip: Path, more: str) -> Finding:
    marks = beside(clip, MARKS)
    todo = f"make marks by clicks in {_ITS_PAGE}, and save them beside it as {marks.name}"
    if is_too_long(marks):
        todo = "give it a shorter name, so that marks can lie beside it"
    return Finding(Code.UNDETERMINED, Severity.LOOK, f"{clip.name} has no marks, {more}: {todo}", clip.name)


def _unproved(clip: Path) -> Finding:
    marks = beside(clip, MARKS)
    return Finding(
        Code.FACING,
        Severity.LOOK,
        f"{clip.name} has no marks: its track is turned as the camera's stereo sound and your word tell, and no mark "
        f"proves that anybody is heard where they are seen; one mark in {marks.name} would",
        clip.name,
    )


def _left(clip: Path, result: SyncResult, place: TrackPlace) -> Finding:
    """That an older track has been left as it is, and why it is older where that is known."""
    take = result.take
    name = f"{place.track.parent.name}/{place.track.name}"
    if place.there is None:
        message = (
            f"{name} was there before and has been left as it is: add --force to make it anew, or move it elsewhere if "
            "somebody has changed it"
        )
    else:
        why = place.there.older or f"other takes have come, and {clip.name} is matched with {take.path.name} now"
        message = f"{name} is an older track, left as it is: since it was made {why}; add --again to make it anew"
        if place.there.was is not None:
            message = (
                f"{name} is an older track, left as it is: {why}; made anew, which --again does, "
                f"{_would_change(result, place.there.was, place.oriented)}"
            )
    return Finding(Code.ALREADY_THERE, Severity.LOOK, message, clip.name)


def _would_change(result: SyncResult, was: Applied, oriented: OrientResult | None) -> str:
    """What this version would make of another's track, in words."""
    later_ms = 1e3 * (was.offset_s - result.law.offset_s)
    shift = "it would be in step to within a millisecond of what it is"
    if abs(later_ms) >= _SAME_MS:
        shift = f"its sound would come {abs(later_ms):.1f} ms {'later' if later_ms > 0 else 'earlier'}"
    if oriented is None or oriented.matrix is None:
        return shift
    turn = np.degrees(rotation_angle(was.mount, oriented.matrix))
    within = SDS_OF_95 * np.degrees(np.sqrt(np.trace(oriented.mount.covariance)))
    return f"{shift}, and it would be turned by {turn:.1f}° more (the mount is known to ±{within:.0f}°)"


def _used_moves(moves: Path) -> Finding:
    return Finding(
        Code.CAMERA_MOVES,
        Severity.NOTE,
        f"{moves.name} lies beside the clip, so the sound is turned in time against the camera's moves; take it away "
        "if the recorder turned with the camera",
        moves.name,
    )


def make_folder(folder: Path) -> None:
    """Make a folder for results, where it is not there yet.

    Raises
    ------
    OutputError
    """
    try:
        folder.mkdir(exist_ok=True)
    except FileExistsError as error:
        what = "a link that leads nowhere" if folder.is_symlink() else "a file"
        raise OutputError(
            f"{folder} is {what}, and the results go into a folder of that name; move it elsewhere"
        ) from error
    except OSError as error:
        raise OutputError(
            f"the folder {folder} cannot be made ({error.strerror}); make it yourself, or name a folder on a disk that "
            "can be written (-o FOLDER)"
        ) from error


def require_written(folder: Path) -> None:
    """Raise where nothing can be written into a folder, or it cannot be made: to be asked before the day's work.

    Raises
    ------
    OutputError
    """
    place = folder if folder.is_dir() else folder.parent
    try:
        # Permissions tell less than trying: disks are mounted read-only, and some users may write everywhere.
        with working_folder(place):
            pass
    except OSError as error:
        raise OutputError(
            f"nothing can be written into {place} ({error.strerror}); name a folder for the results (-o FOLDER)"
        ) from error
