"""How the microphone sat, for a clip and its take: by marks, by the camera's own stereo sound, or by both.

Without marks the stereo sound has to give the mount; beside marks it settles what they leave open.

Conventions: spatial.conventions (mount).
Functions: orient_clip (from files); orient_match (a match at hand, by what there is); orient_by_scratch, with_scratch,
sides_checked.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.errors import InconclusiveError, SoundplumbError
from spatial.field import angle_between
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.from_marks import OrientResult, orient_marks, require_match
from spatial.jobs.orient.from_stereo import UnmarkedResult, orient_unmarked
from spatial.jobs.orient.measure_marks import (
    MeasuredMark,
    as_if_still,
    measure_marks,
    seen_in_other_layouts,
)
from spatial.jobs.orient.orient_findings import (
    MountFindings,
    exchanged_message,
    layout_message,
    listed,
    mirrored_message,
    not_mirrored_message,
    sides_message,
    turned_message,
)
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import sync_clip
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.media.tables import CameraMoves
from spatial.mount.left_axis import LeftAxis
from spatial.mount.mark_fit import MountEstimate
from spatial.mount.mount_from_left import UnmarkedMount, turn_from_left, turned_aside
from spatial.mount.prior import AxisMeasurement, Hanging, MountPrior
from spatial.mount.still_camera import moves_contradicted
from spatial.picture import parallax_angle_rad
from spatial.rotation import YawPitchRoll
from spatial.sync.baseline import NEAR_M

SCRATCH = "scratch"
"""What a mount without marks rests on, in `OrientResult.evidence`."""

_LEFT = np.array([0.0, 1.0, 0.0])
_FRONT = np.array([1.0, 0.0, 0.0])
_BELOW_M = -0.3
"""How far above the lens a recorder hangs often enough: below it, metres (common practice, no source)."""

_NOTHING = np.zeros(0)

_FEW_MARKS = 2
"""Number of marks up to which a mount, with a word of how the microphone hung, is borne out by nothing else."""

_CHECKED_S = 60.0
"""Seconds of a clip that show whether its marks are a quarter of a turn off: a check must cost less than sync."""

_ON_ITS_SIDE = 0.5
"""Cosine of the angle of the microphone's up from the picture's below which it lay on its side: more than 60 degrees
either way."""

_NO_FIT_RAD, _FIT_RAD = np.radians(15.0), np.radians(5.0)
"""Marks that leave so much contradict each other; those of the right layout leave no more than the second."""
_AS_WELL_RAD = np.radians(0.5)
"""Layouts whose marks are left this close to the best one fit as well."""

SIDES_SD_RAD = np.radians(20.0)
"""Uncertainty of the picture's left up to which it is held against the marks; a less sure one contradicts nothing."""

_SIDES_APART_RAD = np.radians(60.0)
"""Three of these deviations: the picture's left, by marks and by the camera's sound, is one, another, or opposite."""


def orient_clip(
    clip_path: Path,
    take_paths: Sequence[Path],
    asked: TrackRequest,
    *,
    progress: Progress = silent,
) -> OrientResult:
    """Sync a clip with its take and find how the microphone sat.

    Parameters
    ----------
    asked : TrackRequest
        Without marks the camera's stereo sound has to tell. A mount and tolerances are not used.

    Raises
    ------
    InconclusiveError
        No take matches, or no mark was heard.
    """
    result = sync_clip(
        *(clip_path, take_paths),
        channel_format=asked.read_as,
        mic_offset_m=asked.rig.mic_offset_m,
        mic_offset_sd_m=asked.rig.mic_offset_sd_m,
        pairing=asked.pairing,
        progress=progress,
    )
    require_match(result)
    heard = measure_marks(result.take, result.law, asked.marks_of(result.clip), asked.rig)
    return orient_match(result, heard, rig=asked.rig, prior=asked.prior, repair=asked.repair, progress=progress)


def orient_match(
    result: SyncResult,
    heard: Sequence[MeasuredMark],
    *,
    rig: Rig,
    prior: MountPrior | None = None,
    repair: bool = False,
    progress: Progress = silent,
) -> OrientResult:
    """Find how the microphone sat from a match: by its marks, or by the camera's stereo sound where there are none.

    Parameters
    ----------
    result : SyncResult
        A match.
    heard : sequence of MeasuredMark
        Its marks, heard; none where nobody made any.

    Raises
    ------
    InconclusiveError
        No mark was heard; or there are none, and the camera turned over the recorder.
    """
    if not heard:
        return orient_by_scratch(result, rig=rig, prior=prior, progress=progress)
    oriented = orient_marks(result, heard, prior=prior, repair=repair, rig=rig)
    if rig.moves is not None and _moves_contradicted(heard, rig):
        oriented = replace(oriented, findings=(*oriented.findings, _false_moves(rig.moves)))
    oriented = _layout_checked(oriented, rig, prior)
    oriented = with_scratch(oriented, rig=rig, prior=prior, repair=repair, progress=progress)
    return _place_asked(sides_checked(oriented, rig=rig, prior=prior, progress=progress), rig)


def _moves_contradicted(heard: Sequence[MeasuredMark], rig: Rig) -> bool:
    used = [mark for mark in heard if mark.heard.heard]
    if not used:
        return False
    still = [as_if_still(mark, rig) for mark in used]
    return moves_contradicted(
        np.stack([mark.expected for mark in used]),
        np.stack([mark.expected for mark in still]),
        np.stack([mark.heard.vector for mark in used]),
        np.hypot([mark.stated_sd_rad for mark in used], [mark.parallax_sd_rad for mark in used]),
    )


def _false_moves(moves: CameraMoves) -> Finding:
    return Finding(
        Code.CAMERA_MOVES,
        Severity.FIX,
        f"the marks fit together only if the camera did not turn over the recorder as {moves.path.name} says: leave "
        "the moves out if the recorder turned with the camera, or find the file that belongs to this clip",
        moves.path.name,
    )


def orient_by_scratch(
    result: SyncResult, *, rig: Rig, prior: MountPrior | None = None, progress: Progress = silent
) -> OrientResult:
    """Find how the microphone sat from a match alone, without marks.

    Raises
    ------
    InconclusiveError
        The camera turned over the recorder.
    """
    if rig.moves is not None:
        raise InconclusiveError(
            "the camera turned over a recorder that stood still, so its stereo sound cannot tell how the microphone "
            "sat: give --marks FILE with moments in which the camera stands still"
        )
    told = _told(result, rig, prior, progress)
    return OrientResult(
        *(result.take, result, _estimate(told), (), (), (*result.findings, *told.findings)),
        evidence=SCRATCH,
        about=MountFindings(told.open),
    )


def with_scratch(
    oriented: OrientResult,
    *,
    rig: Rig,
    prior: MountPrior | None = None,
    repair: bool = False,
    progress: Progress = silent,
) -> OrientResult:
    """What marks left open, told by the camera's stereo sound if it can; the same where marks tell all."""
    sync, mount = oriented.sync, oriented.mount
    if sync is None or rig.moves is not None or not mount.undetermined or mount.contradictory:
        return oriented
    told = _told(sync, rig, prior, progress)
    if told.left is None or told.left.doubt is not None:
        return oriented
    sd = float(np.sqrt(np.trace(told.left.axis_covariance) / 2))
    again = orient_marks(
        sync, oriented.marks, prior=prior, axes=[AxisMeasurement(told.left.axis, _LEFT, sd)], repair=repair, rig=rig
    )
    if again.matrix is None:
        return oriented
    opened = listed(mount.undetermined)
    message = (
        f"the marks alone leave {opened} open; the camera's stereo sound, which knows left from right (±"
        f"{SDS_OF_95 * np.degrees(sd):.0f}°), tells the rest: were its two channels swapped, that would be wrong, and "
        f"{_more_marks(oriented.marks)} would show it"
    )
    if mount.mirror_or_turned:
        message = not_mirrored_message(mount, sd)
    return replace(again, findings=(*again.findings, Finding(Code.FACING, Severity.NOTE, message)))


def sides_checked(
    oriented: OrientResult, *, rig: Rig, prior: MountPrior | None = None, progress: Progress = silent
) -> OrientResult:
    """A mount by marks, held against the camera's stereo sound, which knows left.

    Marks that are all wrong in the same way prove the track that they turned: pixels of a picture that is laid out
    otherwise than was given, left and right exchanged ("put right", the track would be the wrong way round), one mark
    alone, which fits anything.
    """
    sync, mount = oriented.sync, oriented.mount
    if sync is None or rig.moves is not None or mount.undetermined:
        return oriented
    # Not with --mic-offset: how the microphone sat in a field that may be mirrored is just what is not known.
    hanging = None if mount.mirrored or oriented.matrix is None else _hung(oriented.matrix)
    left = orient_unmarked(sync, hanging=hanging, most_s=_CHECKED_S, microphone=rig.microphone, progress=progress).left
    if left is None or left.doubt is not None:
        return oriented
    # Levels alone know left from right, and hardly how it leans: that counts where it may stand anywhere.
    known = np.trace(left.axis_covariance) / 2 < SIDES_SD_RAD**2
    apart = float(angle_between(mount.picture_from_take @ left.axis, _LEFT))
    if mount.mirrored:
        return _mirror_checked(oriented, apart) if known else oriented
    turn, sd = turn_from_left(left, mount.picture_from_take)
    few = sum(heard.heard.heard for heard in oriented.marks) <= _FEW_MARKS
    pixels = rig.picture if any(heard.mark.pixel for heard in oriented.marks) else None
    aside = sd < SIDES_SD_RAD and turned_aside(turn, float(np.hypot(sd, oriented.sd_rad.yaw_rad)))
    if aside and (pixels or not few):
        layout = _layout_that_agrees(oriented, left, rig, prior) if pixels else None
        message = turned_message(turn, sd, pixels, layout)
        # Marks and sound that agree in another layout are two witnesses against the one that was given.
        severity = Severity.LOOK if layout is None else Severity.FIX
        return replace(oriented, findings=(*oriented.findings, Finding(Code.FACING, severity, message)))
    if not (few and known) or apart < _SIDES_APART_RAD:
        return oriented
    doubt = Finding(Code.MARK_OFF, Severity.LOOK, sides_message(apart))
    return replace(oriented, findings=(*oriented.findings, doubt))


def _hung(matrix: FloatArray) -> Hanging | None:
    """Which side of the microphone was up; None where it lay on its side."""
    if abs(matrix[2, 2]) < _ON_ITS_SIDE:
        return None
    return Hanging.UPRIGHT if matrix[2, 2] > 0 else Hanging.UPSIDE_DOWN


def _layout_that_agrees(oriented: OrientResult, left: LeftAxis, rig: Rig, prior: MountPrior | None) -> str | None:
    """The layout of the picture whose marks agree with the camera's sound and fit each other best; None where none."""
    fits = []
    for name, again in _by_other_layouts(oriented, rig, prior):
        turn, sd = turn_from_left(left, again.mount.picture_from_take)
        if abs(turn) < SDS_OF_95 * np.hypot(sd, again.sd_rad.yaw_rad):
            fits.append((_left_over(again), name))
    return _fitting_best(fits) if fits else None


def _fitting_best(fits: Sequence[tuple[float, str]]) -> str:
    """The layout that leaves least of the marks, or those that leave about as little.

    Near its middle a fisheye picture puts marks where an equirectangular half does.
    """
    least, _ = min(fits)
    return " or ".join(name for left_over, name in fits if left_over < least + _AS_WELL_RAD)


def _layout_checked(oriented: OrientResult, rig: Rig, prior: MountPrior | None) -> OrientResult:
    """Marks in pixels that contradict each other: whether they would fit in another layout of the picture."""
    if rig.picture is None or not (oriented.mount.contradictory or _left_over(oriented) > _NO_FIT_RAD):
        return oriented
    if sum(heard.heard.heard for heard in oriented.marks) <= _FEW_MARKS:
        return oriented
    fits = [(_left_over(again), name) for name, again in _by_other_layouts(oriented, rig, prior)]
    if not fits or min(fits)[0] > _FIT_RAD:
        return oriented
    message = layout_message(rig.picture, _fitting_best(fits), min(fits)[0])
    return replace(oriented, findings=(*oriented.findings, Finding(Code.FACING, Severity.LOOK, message)))


def _left_over(oriented: OrientResult) -> float:
    """Root mean square of what the mount leaves of the marks, radians."""
    residuals = oriented.mount.residuals_rad
    return float(np.sqrt(np.mean(residuals**2))) if residuals.size else 0.0


def _by_other_layouts(oriented: OrientResult, rig: Rig, prior: MountPrior | None) -> Iterator[tuple[str, OrientResult]]:
    """What marks in pixels give in each other layout that goes with the shape of the frame, where they tell a mount."""
    if oriented.sync is None:
        return
    for name, marks in seen_in_other_layouts(oriented.sync.clip, oriented.marks, rig):
        try:
            again = orient_marks(oriented.sync, marks, prior=prior, rig=rig)
        except SoundplumbError:
            continue
        if not (again.mount.undetermined or again.mount.mirrored or again.matrix is None):
            yield name, again


def _mirror_checked(oriented: OrientResult, apart_rad: float) -> OrientResult:
    """A mirrored field: whether the camera's sound has left where the marks have it, or where they have right."""
    about, mirrored = oriented.about, oriented.about.mirrored
    if mirrored is None:
        return oriented
    if apart_rad < _SIDES_APART_RAD:
        message = mirrored_message(oriented.faults, oriented.repaired, sides_sure=True)
        surer = replace(mirrored, message=message)
        findings = tuple(surer if each == mirrored else each for each in oriented.findings)
        return replace(oriented, findings=findings, about=replace(about, mirrored=surer))
    if apart_rad < np.pi - _SIDES_APART_RAD:
        return oriented
    others = [each for each in oriented.findings if each not in (mirrored, *about.posture)]
    exchanged = Finding(Code.MIRRORED, Severity.FIX, exchanged_message())
    about = MountFindings(about.undetermined, exchanged, about.marks)
    return replace(oriented, faults=(), repaired=None, findings=(*others, exchanged), about=about)


def _place_asked(oriented: OrientResult, rig: Rig) -> OrientResult:
    """A microphone told to be at the lens that seems tilted may hang above or below it instead."""
    if not oriented.about.tilted or any(rig.mic_offset_m):
        return oriented
    told = np.degrees(parallax_angle_rad(_FRONT, NEAR_M, (0.0, 0.0, _BELOW_M)))
    message = (
        f"the tilt holds for a microphone at the lens, as no --mic-offset was given: {-100 * _BELOW_M:.0f} cm below it "
        f"performers {NEAR_M:g} m away are heard {told:.0f}° higher, which looks like a tilt: measure where it hung, "
        "and give --mic-offset F,L,U"
    )
    return replace(oriented, findings=(*oriented.findings, Finding(Code.TILT, Severity.LOOK, message)))


def _told(result: SyncResult, rig: Rig, prior: MountPrior | None, progress: Progress) -> UnmarkedResult:
    hanging = prior.hanging if prior else None
    all_around = rig.picture is not None and rig.picture.startswith("equirect360")
    return orient_unmarked(
        result,
        hanging=hanging,
        mic_offset_m=rig.mic_offset_m,
        microphone=rig.microphone,
        all_around=all_around,
        progress=progress,
    )


def _more_marks(marks: Sequence[MeasuredMark]) -> str:
    return "a second mark, off to one side," if len(marks) == 1 else "one more mark, off to one side,"


def _estimate(told: UnmarkedResult) -> MountEstimate:
    """The mount as marks would have given it, without any."""
    mount: UnmarkedMount | None = told.mount
    known = mount is not None and not told.undetermined
    endless = float("inf")
    matrix = mount.matrix if mount is not None else np.eye(3)
    return MountEstimate(
        matrix=matrix if known else None,
        angles=mount.angles if known and mount is not None else None,
        sd_rad=mount.sd_rad if known and mount is not None else YawPitchRoll(endless, endless, endless),
        undetermined=told.undetermined,
        residuals_rad=_NOTHING,
        misfit=0.0,
        mirrored=None,
        picture_from_take=matrix,
        other_hand=-matrix,
        covariance=mount.covariance if mount is not None else np.full((3, 3), endless),
        wrong=_NOTHING,
        contradictory=False,
        word_doubted=False,
        mirror_share=0.0,
    )
