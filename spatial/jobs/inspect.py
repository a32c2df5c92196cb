"""The inspect job: what a recording is, and whether it is sound.

Functions: inspect_takes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding, Severity
from spatial.jobs.health import check_many
from spatial.jobs.progress import Progress, silent
from spatial.jobs.reading import ConventionEvidence, settle
from spatial.media.gathering import open_takes
from spatial.media.takes import Take


@dataclass(frozen=True, slots=True, eq=False)
class InspectResult:
    """One recording, looked through."""

    take: Take
    peak_dbfs: tuple[float, ...]
    """For W, Y, Z, X (capsules: in their own order), against what the file itself can hold."""
    rms_dbfs: tuple[float, ...]
    """For W, Y, Z, X, in the internal form (capsules: as recorded)."""
    findings: tuple[Finding, ...]
    convention: ConventionEvidence
    """Why its channels are read as they are."""
    quiet_dbfs: tuple[float, ...] = ()
    """RMS of a moment that nine in ten exceed: the noise floor, where there were rests. As rms_dbfs."""


def inspect_takes(
    paths: Sequence[Path], *, channel_format: ReadAs = ChannelFormat.AMBIX, progress: Progress = silent
) -> list[InspectResult]:
    """Read takes through and say what they are and what is wrong with them; several files may make up one.

    Raises
    ------
    MediaFileError
        A file cannot be read, or is no first-order recording nor part of one.
    """
    settled = [settle(take) for take in open_takes(paths, channel_format=channel_format)]
    takes = [take for take, _ in settled]
    return [
        InspectResult(
            take,
            report.peak_dbfs,
            report.rms_dbfs,
            (*take.findings, *report.findings, *_left_out(take)),
            evidence,
            report.quiet_dbfs,
        )
        for (take, evidence), report in zip(settled, check_many(takes, progress=progress), strict=True)
    ]


def _left_out(take: Take) -> list[Finding]:
    if not take.left_out_channels or take.picked != (0, 1, 2, 3):
        return []
    name = take.path.name
    text = (
        f"{name} has {take.channels} channels: the first four are read as the first-order field, "
        f"{take.left_out_channels} are left out"
    )
    return [Finding("convention_guess", Severity.NOTE, text, name)]
