"""The check job: on set, with the newest clip and the newest take: would they be usable, and how sure is that.

Five questions: is there sound on both; are they in step; which way does the microphone face and hang; is left left; is
the take sound. Each is answered by the very code that the day runs afterwards, on stretches instead of the whole.
Conventions: spatial.conventions (mount; time).
Functions: check_newest.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.errors import MediaFileError, SoundplumbError
from spatial.field import ReadAs
from spatial.findings import Code, Finding, Severity, is_bad
from spatial.jobs.check.heard import Heard, hear_both
from spatial.jobs.check.newest import Newest, newest_clip, newest_take
from spatial.jobs.day.day_files import (
    CLIP_SUFFIXES,
    MARKS,
    MOVES,
    TAKE_SUFFIXES,
    beside,
    files_of_day,
    is_there,
    shared_beside,
)
from spatial.jobs.day.shoot_words import prior_of
from spatial.jobs.inspect.take_health import HealthReport, check_health
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.from_stereo import UnmarkedResult, orient_unmarked
from spatial.jobs.orient.measure_marks import marks_of_clip, measure_marks
from spatial.jobs.orient.orient_clip import orient_match
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import rig_of
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import serious
from spatial.media.movies.clip import Clip
from spatial.media.shoot_file import Shoot
from spatial.media.takes.take import Take
from spatial.mount.mount_from_left import UnmarkedMount
from spatial.mount.prior import FACING_SD_RAD, Hanging, MountPrior
from spatial.rotation import YawPitchRoll

_STEREO_S = 60.0
"""Seconds of the clip's stereo sound that are asked for the microphone's facing: as beside marks (jobs/orient)."""

_HEALTH_S = 75.0
"""Seconds of the take that are looked through for faults, around what was heard of the clip."""

_MARKS = 6
"""Marks that are measured, evenly spread over those there are: a mount needs three."""

_UNCOVERED_S = 0.1
"""Seconds of the clip without the take below which that is not worth a word: two or three frames."""

_APART_S = 300.0
"""A clip and a take that do not match and were written further apart than they last, by this much, may not be of one
set-up, seconds: two boxes' clocks differ by less once somebody has set them (common practice, no source)."""

_FRONT = 0.5
"""Part of the sound that comes from in front of the lens from which on left is where the camera has it."""

_NAMES = 8
"""Names of a folder's files that are said; a terminal's line or two."""

_OF_WHOLE = (Code.PARTLY_COVERED, Code.MISSING_PART, Code.DRIFT, Code.NO_MATCH, Code.RIDING_GAIN)
"""What a stretch cannot judge, or what is told here in another way."""


class Answer(StrEnum):
    """What is answered to one of the five questions."""

    YES = "yes"
    LOOK = "look"
    NO = "no"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True, eq=False)
class Facing:
    """How the microphone faced and hung, and whether left is left."""

    answer: Answer
    left: Answer
    by: str
    """"marks", "scratch", or empty where nothing tells."""
    angles: YawPitchRoll | None = None
    sd_rad: YawPitchRoll | None = None
    ways: tuple[UnmarkedMount, ...] = ()
    """One for each way of hanging, where nobody said which it was."""
    in_front: float | None = None
    """Part of the sound that comes from in front of the lens."""
    marks: int = 0
    why: str = ""
    """Why it is not known."""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CheckResult:
    """The five answers and what they rest on."""

    clip: Clip
    take: Take
    clip_by: Newest
    take_by: Newest
    ready: bool | None
    """Whether they would be usable; None where that cannot be told."""
    sound: Answer
    in_step: Answer
    facing: Facing
    faults: Answer
    heard: Heard | None
    """None where the clip has no sound."""
    health: HealthReport
    health_span_s: tuple[float, float]
    """Take time that was looked through for faults."""
    findings: tuple[Finding, ...]

    @property
    def covered_s(self) -> tuple[float, float] | None:
        """Clip time from which and until which the take covers the clip; None where they do not match."""
        if self.heard is None or not self.heard.sync.estimate.matched:
            return None
        return replace(self.heard.sync, clip=self.clip).covered_s


def check_newest(
    folder: Path,
    *,
    rig_for: Callable[[Path], Rig],
    prior: MountPrior | None = None,
    channel_format: ReadAs,
    shoot: Shoot | None = None,
    named: tuple[Path | None, Path | None] = (None, None),
    progress: Progress = silent,
) -> CheckResult:
    """Ask the five questions of the newest clip and the newest take of a folder.

    Parameters
    ----------
    rig_for : callable
        The rig of a clip.
    prior : MountPrior, optional
        What the crew says of how the microphone sat; it goes before the shoot file's word.
    shoot : Shoot, optional
    named : (Path or None, Path or None)
        The clip and the take to look at in place of the newest.

    Raises
    ------
    MediaFileError
        No clip or no take there, or the newest cannot be read or is still being written.
    """
    shoot = shoot or Shoot()
    clip_path, take_path = (_found(path, folder) for path in named)
    clips, recordings = ([], []) if clip_path and take_path else files_of_day(folder)
    clip, clip_by = newest_clip([clip_path] if clip_path else clips)
    take, take_by = newest_take([take_path] if take_path else recordings, channel_format)
    told_format = shoot.format_of(take.path.name)
    if told_format is not None:
        take, _ = newest_take(take.paths, told_format)
    rig = rig_for(clip.path)
    heard = None
    if clip.scratch is not None:
        heard = hear_both(
            *(clip, take),
            expected_end_s=_expected_end_s(take, clip_by, take_by),
            separation=rig_of(rig.mic_offset_m, sd_m=rig.mic_offset_sd_m),
            progress=progress,
        )
    match = heard.sync if heard is not None and heard.sync.estimate.matched else None
    span_s = _health_span_s(take, heard, match)
    samples = (int(span_s[0] * take.rate_hz), min(round(span_s[1] * take.rate_hz), take.samples))
    health = check_health(take, span=samples, progress=progress)
    facing = _facing(clip, match, clips or [clip.path], rig, prior_of(clip.path, prior, shoot), progress)
    findings = [*clip_by.findings, *take_by.findings, *take.findings, *health.findings, *facing.findings]
    step, more = _in_step(clip, take, heard, match, (clip_by, take_by))
    findings += more
    if match is not None:
        findings += [finding for finding in match.findings if finding.code not in _OF_WHOLE]
    findings = list(dict.fromkeys(findings))
    sound = _sound(clip, heard, health)
    return CheckResult(
        *(clip, take, clip_by, take_by),
        ready=_ready(step, sound, findings),
        sound=sound,
        in_step=step,
        facing=facing,
        faults=_worst([*take.findings, *health.findings]),
        heard=heard,
        health=health,
        health_span_s=span_s,
        findings=tuple(findings),
    )


def _found(path: Path | None, folder: Path) -> Path | None:
    """A file that was named: by its path, or by its name in the folder.

    Raises
    ------
    MediaFileError
        It is in neither place.
    """
    if path is None or is_there(path):
        return path
    if is_there(folder / path):
        return folder / path
    held = sorted(each.name for each in folder.iterdir() if each.is_file()) if folder.is_dir() else []
    held = [name for name in held if name.lower().endswith((*CLIP_SUFFIXES, *TAKE_SUFFIXES))]
    more = f" and {len(held) - _NAMES} more" if len(held) > _NAMES else ""
    holds = ", ".join(held[:_NAMES]) + more if held else "no clip and no take"
    raise MediaFileError(f"there is no {path}; {folder} holds {holds}")


def _ready(step: Answer, sound: Answer, findings: Sequence[Finding]) -> bool | None:
    """Usable unless something must be mended; not to be told where it is not known whether the two are in step."""
    if is_bad(findings) or Answer.NO in (step, sound):
        return False
    return None if Answer.UNSURE in (step, sound) else True


def _expected_end_s(take: Take, clip_by: Newest, take_by: Newest) -> float | None:
    """Take time at which the clip ended, by when their files were written; None where that lies outside the take."""
    end_s = take.duration_s - (take_by.written_s - clip_by.written_s)
    return end_s if 0.0 < end_s <= take.duration_s else None


def _health_span_s(take: Take, heard: Heard | None, match: SyncResult | None) -> tuple[float, float]:
    """The stretch of the take that is looked through: where the clip was heard, else its last minute."""
    if match is None or heard is None:
        return max(0.0, take.duration_s - _HEALTH_S), take.duration_s
    first_s, last_s = (
        match.law.take_from_clip(time_s)
        for time_s in (match.clip.scratch.phase_s if match.clip.scratch else 0.0, match.clip.duration_s)
    )
    spare_s = max(0.0, _HEALTH_S - (last_s - first_s)) / 2
    start_s = min(max(0.0, first_s - spare_s), max(0.0, take.duration_s - 1.0))
    return start_s, min(take.duration_s, max(last_s + spare_s, start_s + 1.0))


# --- the answers ---


def _worst(findings: Sequence[Finding]) -> Answer:
    graves = {finding.severity for finding in findings}
    if Severity.FIX in graves:
        return Answer.NO
    return Answer.LOOK if Severity.LOOK in graves else Answer.YES


def _sound(clip: Clip, heard: Heard | None, health: HealthReport) -> Answer:
    if clip.scratch is None or heard is None or all(one.silent for one in heard.stretches):
        return Answer.NO
    peaks = [peak for peak in health.peak_dbfs if np.isfinite(peak)]
    return Answer.YES if peaks else Answer.NO


def _in_step(
    clip: Clip, take: Take, heard: Heard | None, match: SyncResult | None, chosen: tuple[Newest, Newest]
) -> tuple[Answer, list[Finding]]:
    """Whether clip and take heard one moment, and what there is to say of it."""
    name = clip.path.name
    if heard is None or all(one.silent for one in heard.stretches):
        what = "has no sound" if clip.scratch is None else "holds no sound in what was heard of it"
        return Answer.NO, [
            Finding(
                Code.NO_MATCH,
                Severity.FIX,
                f"{name} {what}, so nothing ties it to a take: switch the camera's own microphone on",
                name,
            )
        ]
    if match is None:
        return _no_match(clip, take, heard, chosen)
    findings = []
    first_s, last_s = replace(match, clip=clip).covered_s
    answer = Answer.YES
    if first_s > _UNCOVERED_S or last_s < clip.duration_s - _UNCOVERED_S:
        answer = Answer.LOOK
        findings.append(
            Finding(
                Code.PARTLY_COVERED,
                Severity.LOOK,
                f"{take.path.name} covers {name} only from {first_s:.1f} s to {last_s:.1f} s of {clip.duration_s:.1f} "
                "s: the rest would be silent",
                name,
            )
        )
    if heard.jump_s is not None:
        answer = Answer.LOOK
        findings.append(
            Finding(
                Code.CLOCK_STEP,
                Severity.LOOK,
                f"{take.path.name} and {name} come out of step by {1e3 * abs(heard.jump_s):.0f} ms along the clip: one "
                "of the two lost sound, or their clocks were set to different frame rates",
                name,
            )
        )
    doubts = serious(match.doubts)
    if doubts:
        answer = Answer.NO if is_bad(doubts) else Answer.LOOK
    return answer, findings


def _no_match(clip: Clip, take: Take, heard: Heard, chosen: tuple[Newest, Newest]) -> tuple[Answer, list[Finding]]:
    name, estimate = clip.path.name, heard.sync.estimate
    clip_by, take_by = chosen
    apart_s = take_by.written_s - clip_by.written_s
    odd = abs(apart_s) > _APART_S + max(clip.duration_s, take.duration_s)
    when = ""
    if odd:
        later = "after" if apart_s > 0 else "before"
        when = (
            f"; the take was written {_minutes(abs(apart_s))} {later} the clip, so one of the two may not be of this "
            "set-up: is its card copied?"
        )
    all_of_it = heard.searched_s > take.duration_s - 1.0
    if estimate.undecided or not all_of_it:
        why = (
            estimate.reason
            if estimate.undecided
            else (
                f"{heard.heard_s:.0f} s of the clip are not in the {_minutes(heard.searched_s)} of the take that "
                f"were searched, and it lasts {_minutes(take.duration_s)}: run sync on the two"
            )
        )
        message = f"whether {take.path.name} heard {name} cannot be told: {why}{when}"
        return Answer.UNSURE, [Finding(Code.NO_MATCH, Severity.LOOK, message, name)]
    message = (
        f"{take.path.name} did not hear {name}, as far as can be told from {heard.heard_s:.0f} s of it: was the "
        f"recorder running{when}"
    )
    return Answer.NO, [Finding(Code.NO_MATCH, Severity.FIX, message if odd else f"{message}?", name)]


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


# --- the microphone ---


def _facing(
    clip: Clip,
    match: SyncResult | None,
    clips: Sequence[Path],
    rig: Rig,
    prior: MountPrior | None,
    progress: Progress,
) -> Facing:
    """How the microphone sat: by marks beside the clip, else by the camera's stereo sound."""
    if match is None:
        return Facing(Answer.UNSURE, Answer.UNSURE, "", why="no sound ties the two together")
    marks = beside(clip.path, MARKS)
    if is_there(beside(clip.path, MOVES)):
        return Facing(Answer.UNSURE, Answer.UNSURE, "", why="the camera turned over the recorder")
    why = ""
    if is_there(marks) and not shared_beside(clip.path, clips, MARKS):
        try:
            return _by_marks(clip, match, marks, rig, prior, progress)
        except SoundplumbError as error:
            why = f"its marks do not tell ({error})"
    told = orient_unmarked(
        match,
        hanging=prior.hanging if prior else None,
        mic_offset_m=rig.mic_offset_m,
        most_s=_STEREO_S,
        all_around=rig.picture is not None and rig.picture.startswith("equirect360"),
        microphone=rig.microphone,
        progress=progress,
    )
    return _by_stereo(told, prior, why)


def _by_marks(
    clip: Clip, match: SyncResult, marks_path: Path, rig: Rig, prior: MountPrior | None, progress: Progress
) -> Facing:
    marks = marks_of_clip(marks_path, clip, rig)
    if len(marks) > _MARKS:
        marks = tuple(marks[int(number)] for number in np.linspace(0, len(marks) - 1, _MARKS))
    heard = measure_marks(match.take, match.law, marks, rig)
    oriented: OrientResult = orient_match(match, heard, rig=rig, prior=prior, progress=progress)
    own = tuple(finding for finding in oriented.findings if finding not in match.findings)
    used = sum(mark.heard.heard for mark in heard)
    if oriented.matrix is None or oriented.mount.undetermined:
        why = f"{used} of its marks tell too little"
        return Facing(Answer.UNSURE, Answer.UNSURE, "marks", marks=used, why=why, findings=own)
    left = _worst([finding for finding in own if finding.code in (Code.MIRRORED, Code.FACING, Code.MARK_OFF)])
    return Facing(
        *(_worst([finding for finding in own if finding.code == Code.FACING]), left, "marks"),
        angles=oriented.angles,
        sd_rad=oriented.sd_rad,
        marks=used,
        findings=own,
    )


def _by_stereo(told: UnmarkedResult, prior: MountPrior | None, why: str) -> Facing:
    findings = tuple(finding for finding in told.findings if finding != told.open)
    if told.mount is not None:
        mount = told.mount
        in_front = mount.in_front >= _FRONT
        own, findings = findings, tuple(_only_a_word(one, mount, prior) for one in findings)
        contradiction = _against_word(mount, prior)
        answer = Answer.LOOK if contradiction or findings != own else Answer.YES
        findings = (*findings, *contradiction)
        left = Answer.YES if in_front else _worst([one for one in findings if one.code == Code.FACING])
        return Facing(
            *(answer, left, "scratch"),
            angles=mount.angles,
            sd_rad=mount.sd_rad,
            in_front=mount.in_front,
            findings=findings,
        )
    why = "; ".join([*([why] if why else []), *([told.open.message] if told.open else [])])
    if len(told.candidates) > 1 and "yaw" not in told.candidates[0].undetermined:
        best = max(told.candidates, key=lambda mount: mount.in_front)
        return Facing(
            *(Answer.UNSURE, Answer.UNSURE, "scratch"),
            ways=told.candidates,
            in_front=best.in_front,
            why=why,
            findings=findings,
        )
    return Facing(Answer.UNSURE, Answer.UNSURE, "", why=why, findings=findings)


def _only_a_word(finding: Finding, mount: UnmarkedMount, prior: MountPrior | None) -> Finding:
    """What the sound says against the crew's word on the hanging: no reason to record again, whichever is wrong.

    The field of an inverted channel looks just so, and is put right afterwards.
    """
    if prior is None or prior.hanging is None or (finding.code, finding.severity) != (Code.FACING, Severity.FIX):
        return finding
    words = ["upright", "upside down"]
    said, other = words if prior.hanging is Hanging.UPRIGHT else reversed(words)
    message = (
        f"the recording is usable, but had it hung {said}, as you say, {100 * (1 - mount.in_front):.0f} % of the sound "
        f"would be behind: it hung {other}, or left and right are swapped somewhere"
    )
    return replace(finding, severity=Severity.LOOK, message=message)


def _against_word(mount: UnmarkedMount, prior: MountPrior | None) -> list[Finding]:
    """That the camera's sound has the microphone face otherwise than the crew says."""
    if prior is None or prior.facing_rad is None:
        return []
    apart = float(np.angle(np.exp(1j * (mount.angles.yaw_rad - prior.facing_rad))))
    limit = SDS_OF_95 * float(np.hypot(mount.sd_rad.yaw_rad, FACING_SD_RAD))
    if abs(apart) <= limit:
        return []
    message = (
        f"by the camera's sound the microphone faced {np.degrees(mount.angles.yaw_rad):+.0f}° (left is positive), and "
        f"you say {np.degrees(prior.facing_rad):+.0f}°: was it turned, or are the camera's channels swapped?"
    )
    return [Finding(Code.FACING, Severity.LOOK, message)]
