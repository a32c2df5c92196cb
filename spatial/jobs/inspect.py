"""The inspect job: what a recording is, and whether it is sound.

Functions: inspect_takes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.capsules import Capsules, field_matrix
from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.field import ChannelFormat, ReadAs, internal_from
from spatial.findings import Finding, Severity
from spatial.jobs.progress import Progress, silent
from spatial.media.gathering import open_takes
from spatial.media.takes import Take, field_blocks

_FULL_SCALE = 0.9999
_CLIPPED_RUN = 3
"""Consecutive samples at full scale that are no accident (common practice, no source)."""

_DEAD_DB = 60.0
"""A channel this far below the loudest one carries nothing of the same field."""

_NAMES = ("W", "Y (left-right)", "Z (up-down)", "X (front-back)")


@dataclass(frozen=True, slots=True, eq=False)
class InspectResult:
    """One recording, looked through."""

    take: Take
    peak_dbfs: tuple[float, ...]
    """For W, Y, Z, X, against what the file itself can hold."""
    rms_dbfs: tuple[float, ...]
    """For W, Y, Z, X, in the internal form."""
    findings: tuple[Finding, ...]


def inspect_takes(
    paths: Sequence[Path], *, channel_format: ReadAs = ChannelFormat.AMBIX, progress: Progress = silent
) -> list[InspectResult]:
    """Read takes through and say what they are and what is wrong with them; several files may make up one.

    Raises
    ------
    MediaFileError
        A file cannot be read, or is no first-order recording nor part of one.
    """
    return [_inspected(take, progress) for take in open_takes(paths, channel_format=channel_format)]


def _inspected(take: Take, progress: Progress) -> InspectResult:
    # Full scale in the file is another level in the internal form where the format has gains of its own.
    full = _full_scale(take)
    peak, power = np.zeros(FIRST_ORDER_CHANNELS), np.zeros(FIRST_ORDER_CHANNELS)
    clipped, first_clip_s, done = 0, None, 0
    for block in field_blocks(take):
        size = np.abs(block) / full
        peak = np.maximum(peak, size.max(axis=1))
        power += np.sum(block.astype(np.float64) ** 2, axis=1)
        runs = _runs_at_full_scale(size)
        if runs.any() and first_clip_s is None:
            first_clip_s = (done + int(np.argmax(runs.any(axis=0)))) / take.rate_hz
        clipped += int(np.count_nonzero(runs))
        done += block.shape[1]
        progress(f"inspecting {take.path.name}", done / take.samples)
    rms = np.sqrt(power / take.samples)
    findings = _findings(take, rms, clipped, first_clip_s)
    return InspectResult(take, _db(peak), _db(rms), tuple(findings))


def _full_scale(take: Take) -> FloatArray:
    """Full scale of the file in each channel of the field, shape (4, 1); with raw capsules, of the largest part."""
    if isinstance(take.channel_format, Capsules):
        return np.asarray(np.abs(field_matrix(take.channel_format)).max(axis=1, keepdims=True))
    return internal_from(np.ones((FIRST_ORDER_CHANNELS, 1), dtype=np.float32), take.channel_format)


def _runs_at_full_scale(size: np.ndarray) -> np.ndarray:
    """True on the first sample of each run of full-scale samples."""
    full = size >= _FULL_SCALE
    run = full.copy()
    for shift in range(1, _CLIPPED_RUN):
        run[:, :-shift] &= full[:, shift:]
        run[:, -shift:] = False
    run[:, 1:] &= ~full[:, :-1]
    return run


def _db(values: np.ndarray) -> tuple[float, ...]:
    return tuple(float(20 * np.log10(value)) if value > 0 else float("nan") for value in values)


def _findings(take: Take, rms: np.ndarray, clipped: int, first_clip_s: float | None) -> list[Finding]:
    findings = [*take.findings]
    name = take.path.name
    loudest = float(rms.max())
    if loudest == 0:
        findings.append(Finding("dead_channel", Severity.FIX, f"{name} is silent throughout: nothing to use", name))
    else:
        for channel, level in enumerate(rms):
            if level < loudest * 10 ** (-_DEAD_DB / 20):
                findings.append(
                    Finding(
                        "dead_channel",
                        Severity.FIX,
                        f"channel {_NAMES[channel]} of {name} is dead: directions cannot be told; check the "
                        "recorder's inputs and record again",
                        name,
                    )
                )
    if clipped:
        findings.append(
            Finding(
                "clipping",
                Severity.FIX,
                f"{name} is clipped in {clipped} places, first at {first_clip_s:.2f} s: turn the gain down and record "
                "again",
                name,
            )
        )
    if take.left_out_channels:
        findings.append(
            Finding(
                "convention_guess",
                Severity.NOTE,
                f"{name} has {take.channels} channels: the first four are read as the first-order field, "
                f"{take.left_out_channels} are left out",
                name,
            )
        )
    return findings
