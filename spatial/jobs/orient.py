"""The orient job: how the microphone sat, from marks in a clip.

Functions: orient_clip (from files); orient_marks (marks already heard); determined_mount.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.analysis.orientation import Hanging, MountEstimate, estimate_mount
from spatial.conventions import FloatArray
from spatial.errors import InconclusiveError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding, Severity
from spatial.jobs.marks import HeardMark, Rig, hear_marks, marks_of_clip
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync import SyncResult, sync_clip

_TILTED_RAD = np.radians(3.0)
_UPSIDE_DOWN_RAD = np.radians(90.0)
_MARK_OFF_RAD = np.radians(15.0)
_POOR_FIT = 4.0
"""Marks scatter twice as far as their uncertainties explain: something that was told to us is wrong."""


@dataclass(frozen=True, slots=True, eq=False)
class OrientResult:
    """How the microphone sat, and what says so."""

    sync: SyncResult
    mount: MountEstimate
    marks: tuple[HeardMark, ...]
    """Every mark; those not heard took no part."""
    residuals_rad: tuple[float | None, ...]
    """For each mark, the angle left over; None where unheard."""
    findings: tuple[Finding, ...]


def orient_clip(
    clip_path: Path,
    take_paths: Sequence[Path],
    marks_path: Path,
    *,
    rig: Rig,
    hanging: Hanging | None = None,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    progress: Progress = silent,
) -> OrientResult:
    """Sync a clip with its take and find how the microphone sat.

    Raises
    ------
    InconclusiveError
        No take matches, or no mark was heard.
    """
    result = sync_clip(
        clip_path, take_paths, channel_format=channel_format, mic_offset_m=rig.mic_offset_m, progress=progress
    )
    require_match(result)
    marks = marks_of_clip(marks_path, result.clip, rig)
    return orient_marks(result, hear_marks(result.take, result.law, marks, rig), hanging=hanging)


def require_match(result: SyncResult) -> None:
    """Raise where no take matches: without a place in time nothing further can be measured.

    Raises
    ------
    InconclusiveError
    """
    if not result.estimate.matched:
        raise InconclusiveError(result.findings[0].message)


def orient_marks(result: SyncResult, marks: Sequence[HeardMark], *, hanging: Hanging | None = None) -> OrientResult:
    """Find how the microphone sat from marks that have been heard.

    Raises
    ------
    InconclusiveError
        No mark was heard.
    """
    used = [heard for heard in marks if heard.heard.heard]
    if not used:
        raise InconclusiveError(
            f"in none of the {len(marks)} marks is anybody heard clearly enough to tell a direction; "
            "mark moments in which just one performer sounds"
        )
    mount = estimate_mount(
        np.stack([heard.expected for heard in used]),
        np.stack([heard.heard.vector for heard in used]),
        np.array([np.hypot(heard.heard.sd_rad, heard.parallax_sd_rad) for heard in used]),
        hanging=hanging,
    )
    left_over = iter(mount.residuals_rad)
    residuals = tuple(float(next(left_over)) if heard.heard.heard else None for heard in marks)
    findings = [*unheard_findings(marks), *_mount_findings(mount)]
    if mount.matrix is not None:
        findings += [
            Finding(
                "mark_off",
                Severity.LOOK,
                f"the mark of {heard.mark.who} lies {np.degrees(residual):.0f}° from where the other marks put it: "
                "check that it names the right performer and moment",
                heard.mark.who,
            )
            for heard, residual in zip(marks, residuals, strict=True)
            if residual is not None and residual > _MARK_OFF_RAD
        ]
    return OrientResult(result, mount, tuple(marks), residuals, (*result.findings, *findings))


def determined_mount(oriented: OrientResult) -> FloatArray:
    """The mount's matrix, where the marks tell it.

    Raises
    ------
    InconclusiveError
        The marks leave an angle open.
    """
    if oriented.mount.matrix is None:
        raise InconclusiveError(_undetermined(oriented.mount))
    return oriented.mount.matrix


def unheard_findings(marks: Sequence[HeardMark]) -> list[Finding]:
    """A finding for each mark in which nobody is heard."""
    return [
        Finding(
            "mark_unheard",
            Severity.LOOK,
            f"nobody is heard clearly from {heard.mark.start_s:.2f} s to {heard.mark.end_s:.2f} s, where "
            f"{heard.mark.who} is marked: move the mark to where they sound alone",
            heard.mark.who,
        )
        for heard in marks
        if not heard.heard.heard
    ]


def _listed(angles: Sequence[str]) -> str:
    """Angles as one says them: "yaw, pitch and roll"."""
    return " and ".join([", ".join(angles[:-1]), angles[-1]] if len(angles) > 1 else angles)


def _undetermined(mount: MountEstimate) -> str:
    # They may be far enough apart, and wrong: no way of hanging comes near them all.
    if np.sqrt(np.mean(mount.residuals_rad**2)) > _MARK_OFF_RAD:
        return (
            "these marks contradict each other, so how the microphone sat cannot be told: check that each names the "
            "right performer, moment and side (positive = left), --picture for pixels, and how the channels are read "
            "(--format)"
        )
    return (
        f"these marks cannot tell the {_listed(mount.undetermined)}: add marks further apart, or say how "
        "the microphone hung (--upright or --upside-down)"
    )


def _mount_findings(mount: MountEstimate) -> list[Finding]:
    findings = []
    if mount.undetermined:
        findings.append(Finding("undetermined", Severity.LOOK, _undetermined(mount)))
    if mount.mirrored:
        findings.append(
            Finding(
                "mirrored",
                Severity.FIX,
                "the field is a mirror image of the picture: a channel is inverted or two are swapped; "
                "check the channel order and --format before using the sound",
            )
        )
    if mount.angles is None or mount.matrix is None:
        return findings
    if mount.misfit > _POOR_FIT:
        findings.append(
            Finding(
                "mark_off",
                Severity.LOOK,
                f"the marks do not fit together well (up to {np.degrees(np.max(mount.residuals_rad)):.0f}° left over): "
                "check --mic-offset, --picture, and that each mark names the right performer and moment",
            )
        )
    # The picture's height of the microphone's own up: below the horizon, it hung upside down.
    tilt = float(np.arccos(np.clip(mount.matrix[2, 2], -1.0, 1.0)))
    if tilt > _UPSIDE_DOWN_RAD:
        findings.append(
            Finding("upside_down", Severity.NOTE, "the microphone hung upside down; the sound is turned to match")
        )
        tilt = float(np.pi - tilt)
    if tilt > _TILTED_RAD:
        findings.append(
            Finding(
                "tilt",
                Severity.NOTE,
                f"the microphone hung {np.degrees(tilt):.1f}° off level; the sound is turned to match",
            )
        )
    return findings
