"""The verify job: is each performer heard where they are seen, and in time.

Functions: verify_track (from files), check_track (a track against marks already read), check_marks; with_sight (what
the proof could not see).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, SDS_OF_95
from spatial.direction.doa import SpanDirection
from spatial.field import ChannelFormat, ReadAs, angle_between
from spatial.findings import Code, Finding, Severity
from spatial.jobs.inspect.channel_reading import settle
from spatial.jobs.orient.judges import judges_of_track, mark_key, marks_that_gave
from spatial.jobs.orient.measure_marks import (
    MeasuredMark,
    marks_of_clip,
    measure_marks,
    offset_turns,
    seen_in_other_layouts,
)
from spatial.jobs.orient.mic_place import OffsetSight, sight_findings, sight_of_marks
from spatial.jobs.orient.orient_findings import unheard_findings
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.choose_take import likeliest_place, on_picture_time
from spatial.jobs.sync.listen import listen_to_clip, listen_to_take
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.sync_clip import rig_of, sync_listened
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import Pairing
from spatial.media.buffers import Spool, TakeSamples
from spatial.media.movies.clip import Clip, open_clip
from spatial.media.takes.take import Take, open_take
from spatial.sync.alignment import SURE_SCORE, SyncEstimate, estimate_sync
from spatial.sync.baseline import Separation
from spatial.sync.coarse import Candidate
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.timebase import ClockLaw
from spatial.verification.lip_sync import TrackLipSync, judge_track, size_in_words, verdict_in_words
from spatial.verification.placement import (
    AS_IT_IS,
    TOLERANCE_AZIMUTH_RAD,
    TOLERANCE_ELEVATION_RAD,
    Judge,
    JudgedBy,
    MarkCheck,
    Verdict,
    check_mark,
    mirrored_axis,
)

IN_STEP_S = 0.010
"""A track further than this from the picture was not conformed to it; viewers notice far later
(spatial.verification.lip_sync)."""

_HEARD_ELSEWHEN_S = 0.25
"""Marks are begun and ended to about a syllable; of a track that is further off, others are heard in them."""

_SIDES = (
    ("front and back", "azimuth 0 = front"),
    ("left and right", "azimuth positive = left"),
    ("up and down", "elevation positive = up"),
)
"""What an inverted X, Y or Z exchanges, and how marks are written."""

_SLACK_S = 0.001
"""What a length may differ by where the track was not made for this clip to the sample."""

_FEWEST_OF_LAYOUT = 2
"""Marks that are off together as one layout has them, and in place as another has: one alone may be anything."""

ON_CLIP_TIME = ClockLaw(offset_s=0.0)
"""The clock law of a track that has been conformed."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far from where they are seen a performer may be heard."""

    azimuth_rad: float = TOLERANCE_AZIMUTH_RAD
    elevation_rad: float = TOLERANCE_ELEVATION_RAD


@dataclass(frozen=True, slots=True, eq=False)
class VerifyResult:
    """Every mark of a track, checked."""

    clip: Clip
    track: Take
    marks: tuple[tuple[MeasuredMark, MarkCheck], ...]
    step: SyncEstimate | None
    """The track's time against the clip's own sound; None where the clip has none."""
    findings: tuple[Finding, ...]
    sight: OffsetSight | None = None
    """What the marks could show of a wrong place of the microphone; None where none of them is heard in place."""

    @property
    def placed(self) -> bool:
        """Whether the track's place against the clip's own sound is known; also where the clip has none to ask."""
        return self.step is None or self.step.applied_law is not None


def verify_track(
    clip_path: Path,
    track_path: Path,
    marks_path: Path,
    *,
    rig: Rig,
    tolerance: Tolerance | None = None,
    pairing: Pairing | None = None,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    progress: Progress = silent,
) -> VerifyResult:
    """Check a finished track against a clip and its marks.

    Parameters
    ----------
    pairing : Pairing, optional
        That the track was made for this clip: of several places where it fits, the likeliest is judged.

    Raises
    ------
    MediaFileError, MarksFileError
        A file cannot be used.
    """
    clip = open_clip(clip_path)
    track, _ = settle(open_take(track_path, channel_format=channel_format))
    marks = marks_of_clip(marks_path, clip, rig)
    heard = measure_marks(track, ON_CLIP_TIME, marks, rig, finished=True)
    gave = marks_that_gave(track_path)
    judges = judges_of_track(heard, [mark_key(mark) in gave for mark in marks], rig)
    step = None
    if clip.scratch is not None:
        with listen_to_clip(clip, progress) as (sound, listened):
            step = step_of_track(clip, track, (sound, listened), rig=rig, pairing=pairing, progress=progress)
    tolerance = tolerance or Tolerance()
    other_layout = layout_findings(clip, heard, rig, tolerance)
    result = check_track(clip, track, heard, step=step, tolerance=tolerance, judges=judges, all_off=other_layout)
    return with_sight(result, rig)


_BESIDE_S = 2.0
"""A window of a track lies beside one of its take where they are this close, seconds: two windows overlap by then."""


def step_of_track(
    clip: Clip,
    track: Take,
    heard: tuple[Spool, Listened],
    *,
    rig: Rig,
    pairing: Pairing | None = None,
    progress: Progress = silent,
) -> SyncEstimate:
    """A track's time against the clip's own sound, which has been listened to."""
    sound, listened = heard
    told, separation = listen_to_take(track, progress), facing_the_lens(rig)
    step = sync_listened(clip, sound, listened, track, told, separation=separation, progress=progress)
    if pairing is None:
        return step
    return likeliest_place(clip, sound, listened, (track, told, step), separation)


def step_of_made(
    result: SyncResult, track: Take, heard: tuple[Spool, Listened], *, rig: Rig, progress: Progress = silent
) -> SyncEstimate:
    """The time of a track that has just been cut by a match, against the clip's own sound.

    It should lie at lag 0, where a take fits that fitted in one place only: windows at that lag say whether it does,
    and no search for other places is needed. Where they do not say so clearly, it is searched as any track is.
    """
    clip, (sound, _), estimate = result.clip, heard, result.estimate
    in_one_place = result.pairing is None and estimate.matched and len(result.possibilities) <= 1
    if clip.scratch is not None and in_one_place and not estimate.steps:
        begin = [Candidate(ClockLaw(clip.scratch.phase_s), np.inf)]
        with TakeSamples(track, WORKING_RATE_HZ) as field:
            step = estimate_sync(
                sound, field, begin, separation=facing_the_lens(rig), explain=False,
                progress=lambda part: progress(f"syncing {track.path.name}", part),
            )  # fmt: skip
        if step.matched and not step.steps and _holds_throughout(step, estimate):
            return on_picture_time(step, clip)
    return step_of_track(clip, track, heard, rig=rig, pairing=result.pairing, progress=progress)


def _holds_throughout(step: SyncEstimate, match: SyncEstimate) -> bool:
    """Whether a track agrees surely with its clip wherever its take does: nothing of it was moved or left out."""
    if step.evidence is None or match.evidence is None or step.evidence.score < SURE_SCORE:
        return False
    known, found = (np.unique(seen.times_s[seen.weights > 0.5]) for seen in (match.evidence, step.evidence))
    if not found.size:
        return False
    apart = np.min(np.abs(known[:, np.newaxis] - found), axis=1)
    lost = apart > max(float(np.median(np.diff(known))) if known.size > 1 else 0.0, _BESIDE_S)
    # One window by itself may be a matter of noise.
    return not np.any(lost[:-1] & lost[1:])


def facing_the_lens(rig: Rig) -> Separation | None:
    """What is known of a finished track's microphone: its place, and that it has been turned to face the lens."""
    # Seen from a camera that turned, the microphone's place turned too: only how far away it was holds throughout.
    turned = rig.shown_from_filmed.T if rig.moves is None else None
    return rig_of(rig.mic_offset_m, turned, sd_m=rig.mic_offset_sd_m)


def check_track(
    clip: Clip,
    track: Take,
    heard: Sequence[MeasuredMark],
    *,
    step: SyncEstimate | None,
    tolerance: Tolerance,
    judges: Sequence[Judge] | None = None,
    all_off: Sequence[Finding] = (),
) -> VerifyResult:
    """Turn heard marks, and the track's time against the clip, into checks and findings.

    `all_off`: what explains that all are off, in place of a finding for each.
    """
    lost = _lost(clip, track, step)
    checks, findings = check_marks(heard, tolerance, judges, all_off)
    if lost:
        checks, findings = tuple(_unjudged(mark) for mark in heard), ()
    of_step = _step_findings(clip, step, lost=lost and bool(heard))
    findings = (*clip.findings, *track.findings, *_length_findings(clip, track), *of_step, *findings)
    return VerifyResult(clip, track, checks, step, findings)


def _lost(clip: Clip, track: Take, step: SyncEstimate | None) -> bool:
    """Whether a track lies so far from the clip, or nobody knows where, that its marks are heard at other times.

    A track as long as the clip to the sample was made for it, also where the clip's own sound does not tell.
    """
    if step is None:
        return False
    if step.applied_law is None:
        return bool(_length_findings(clip, track))
    return abs(_against(clip, step.applied_law, step).largest_s) > _HEARD_ELSEWHEN_S


def _unjudged(mark: MeasuredMark) -> tuple[MeasuredMark, MarkCheck]:
    """A mark of which nothing is said."""
    nobody = SpanDirection(False, np.full(3, np.nan), float("nan"), 0.0)
    return replace(mark, heard=nobody), replace(check_mark(mark.expected, nobody), verdict=Verdict.UNJUDGED)


def with_sight(result: VerifyResult, rig: Rig, *, said: bool = False) -> VerifyResult:
    """A proof with what it could not see of the microphone's place.

    Marks that are off, such as those of a wrong performer, say nothing of that place and take no part.

    Parameters
    ----------
    said : bool
        It is said already that another place fits clearly better.
    """
    in_place = [mark for mark, check in result.marks if check.verdict in (Verdict.IN_PLACE, Verdict.BORDERLINE)]
    sight = sight_of_marks(in_place, rig, result.step, rig.shown_from_filmed.T)
    return replace(result, sight=sight, findings=(*result.findings, *sight_findings(sight, rig, said=said)))


def check_marks(
    heard: Sequence[MeasuredMark],
    tolerance: Tolerance,
    judges: Sequence[Judge] | None = None,
    all_off: Sequence[Finding] = (),
) -> tuple[tuple[tuple[MeasuredMark, MarkCheck], ...], tuple[Finding, ...]]:
    """Turn marks, heard in a field that faces the lens, into checks and findings.

    `judges`: by what each mark is judged; the field as it is, where nothing is said.
    """
    judges = [AS_IT_IS] * len(heard) if judges is None else judges
    place_sds = _place_sds(heard, judges)
    checks = tuple(
        (
            mark,
            check_mark(
                mark.expected,
                mark.heard,
                tolerance_azimuth_rad=tolerance.azimuth_rad + mark.parallax_sd_rad,
                tolerance_elevation_rad=tolerance.elevation_rad + mark.parallax_sd_rad,
                judge=judge,
                place_sd_rad=place_sd,
            ),
        )
        for mark, judge, place_sd in zip(heard, judges, place_sds, strict=True)
    )
    mirrored = _mirrored_findings(heard, tolerance)
    off = (
        [*all_off]
        or mirrored
        or [
            Finding(
                Code.MARK_OFF,
                Severity.FIX if check.verdict is Verdict.OFF else Severity.LOOK,
                f"{mark.mark.who} is heard {off_in_words(check)} where they are seen "
                f"(±{np.degrees(SDS_OF_95 * check.sd_rad):.1f}°{_by_whom(check)}): orient again, or check the mark",
                mark.mark.who,
                mark.mark.start_s,
            )
            for mark, check in checks
            if check.verdict in (Verdict.OFF, Verdict.BORDERLINE)
        ]
    )
    return checks, (*_unproven_findings(heard), *unheard_findings(heard), *off)


def _by_whom(check: MarkCheck) -> str:
    return ", by the mount that the other marks give" if check.judged_by is JudgedBy.OTHER_MARKS else ""


def _place_sds(heard: Sequence[MeasuredMark], judges: Sequence[Judge]) -> list[float]:
    """What the uncertain place of the microphone adds to each mark's error.

    A mount found from marks has taken up the turn that all share; a track's mount that came from elsewhere has not.
    """
    sds = [0.0] * len(heard)
    told = [n for n, mark in enumerate(heard) if mark.heard.heard and mark.aside is not None]
    if not told:
        return sds
    _, rest_rad = offset_turns([heard[n] for n in told])
    for n, rest in zip(told, rest_rad, strict=True):
        aside = heard[n].aside
        assert aside is not None
        whole = float(np.sqrt(np.sum(angle_between(aside, heard[n].expected) ** 2) / 2))
        sds[n] = whole if judges[n].judged_by is JudgedBy.TRACK else float(rest)
    return sds


def _unproven_findings(heard: Sequence[MeasuredMark]) -> list[Finding]:
    """That nothing is known to be in place: silence is no proof."""
    if not heard or any(mark.heard.heard for mark in heard):
        return []
    message = (
        "nobody is heard at any of the marks, so it is not proven that anybody is heard where they are seen: mark "
        "moments in which one performer sounds alone, or look at --band-hz and the track"
    )
    return [Finding(Code.MARK_UNHEARD, Severity.FIX, message)]


def _mirrored_findings(heard: Sequence[MeasuredMark], tolerance: Tolerance) -> list[Finding]:
    """One finding for a track whose marks are all off because two sides are exchanged."""
    if not heard:
        return []
    parallax = np.array([mark.parallax_sd_rad for mark in heard])
    axis = mirrored_axis(
        np.stack([mark.expected for mark in heard]),
        [mark.heard for mark in heard],
        tolerance_azimuth_rad=tolerance.azimuth_rad + parallax,
        tolerance_elevation_rad=tolerance.elevation_rad + parallax,
    )
    if axis is None:
        return []
    sides, sign = _SIDES[axis]
    message = (
        f"{sides} are exchanged: with them put right, performers are heard where they are seen. First see whether the "
        f"marks exchange {sides} ({sign}); if they are right, a channel of the take is inverted: conform it again with "
        f"--repair and with --upright or --upside-down"
    )
    return [Finding(Code.MIRRORED, Severity.FIX, message)]


def layout_findings(clip: Clip, heard: Sequence[MeasuredMark], rig: Rig, tolerance: Tolerance) -> list[Finding]:
    """One finding for marks in pixels that are off as the picture is said to be laid out, and in place otherwise."""
    found = [mark for mark in heard if mark.heard.heard]
    if rig.picture is None or len(found) < _FEWEST_OF_LAYOUT or not _all_are(found, tolerance, (Verdict.OFF,)):
        return []
    better = [
        name
        for name, again in seen_in_other_layouts(clip, found, rig, finished=True)
        if _all_are(again, tolerance, (Verdict.IN_PLACE, Verdict.BORDERLINE))
    ]
    if not better:
        return []
    message = (
        f"no performer is heard where --picture {rig.picture} puts them, and all are with {' or '.join(better)}: is "
        "--picture right? If it is, the track is turned by as much: orient again, and conform the take again"
    )
    return [Finding(Code.FACING, Severity.FIX, message)]


def _all_are(heard: Sequence[MeasuredMark], tolerance: Tolerance, verdicts: Sequence[Verdict]) -> bool:
    return all(check.verdict in verdicts for _, check in check_marks(heard, tolerance)[0])


def off_in_words(check: MarkCheck) -> str:
    """How far off a mark is, before "where they are seen": "12° to the left of and 3° above"."""
    if not check.sides_tell:
        return f"{np.degrees(check.error_rad):.0f}° to one side of"
    left, up = np.degrees(check.azimuth_rad), np.degrees(check.up_rad)
    side = f"{abs(left):.0f}° to the {'left' if left > 0 else 'right'} of"
    height = f"{abs(up):.0f}° {'above' if up > 0 else 'below'}"
    parts = [text for text, size in ((side, left), (height, up)) if abs(size) >= 0.5]
    return " and ".join(parts) if parts else "within 0.5° of"


def _length_findings(clip: Clip, track: Take) -> list[Finding]:
    """A track that does not end with the clip, to the sample where the clip has a picture."""
    wanted = clip.samples_at(track.rate_hz)
    slack = 0 if clip.frames is not None and track.rate_hz == DELIVERY_RATE_HZ else _SLACK_S * track.rate_hz
    short = wanted - track.samples
    if abs(short) <= slack:
        return []
    off_s = abs(short) / track.rate_hz
    size = f"{off_s:.3f} s" if off_s >= _SLACK_S else f"{abs(short)} sample{'s' if abs(short) > 1 else ''}"
    message = (
        f"{track.path.name} is {track.duration_s:.3f} s long, {size} "
        f"{'shorter' if short > 0 else 'longer'} than {clip.path.name}: conform the take anew"
    )
    return [Finding(Code.WRONG_LENGTH, Severity.FIX, message, track.path.name)]


def _against(clip: Clip, law: ClockLaw, step: SyncEstimate) -> TrackLipSync:
    return judge_track(
        law,
        clip.duration_s,
        offset_sd_s=step.offset_sd_s or 0.0,
        drift_sd_ppm=step.drift_sd_ppm or 0.0,
    )


def _step_findings(clip: Clip, step: SyncEstimate | None, *, lost: bool) -> list[Finding]:
    """That a track is not in step, or that it cannot be told; `lost`: so far that no mark is judged."""
    unjudged = ", and as others may sound at these times, no mark is judged" if lost else ""
    if step is None:
        return []
    law = step.applied_law
    if law is None:
        message = f"the track cannot be held against the sound of {clip.path.name}{unjudged}: {step.reason}"
        return [Finding(Code.NO_MATCH, Severity.FIX, message, clip.path.name)]
    found = _against(clip, law, step)
    if found.largest_s <= IN_STEP_S:
        return []
    message = (
        f"the track is {size_in_words(found, clip.frame_rate)} against the sound of {clip.path.name}, "
        f"{verdict_in_words(found)}, where a conformed track is within {IN_STEP_S * 1e3:.0f} ms{unjudged}: "
        "conform it first"
    )
    return [Finding(Code.LIP_SYNC, Severity.FIX, message, clip.path.name)]
