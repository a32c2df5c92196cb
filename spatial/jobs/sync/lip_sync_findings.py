"""Lip-sync of a take that looks like a finished track: early or late if it lies under the picture as it is.

Functions: lip_sync_of; lip_sync_findings; with_lip_sync (a sync result that says so too).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from spatial.findings import Code, Finding, Severity
from spatial.media.track_files import is_track_of_ours
from spatial.verification.lip_sync import TrackLipSync, Verdict, in_words, judge_track

if TYPE_CHECKING:
    from spatial.jobs.sync.sync_result import SyncResult

_SAME_START_S = 1.0
"""Seconds, for start and end; see _SAME_LENGTH_S."""

_SAME_LENGTH_S = 2.0
"""A take that starts, ends and lasts like the clip to within these may have been cut to it."""

_SURELY_CUT_S = 0.05
"""A take whose length is the clip's to within a frame or so was cut to it: recorders are not stopped that well."""


def lip_sync_of(result: SyncResult) -> TrackLipSync | None:
    """How early a take is if it lies under the picture from its first sample; None where it is not cut to the clip.

    Takes that a recorder started by itself have an offset, not a lip-sync.
    """
    clip, take, estimate = result.clip, result.take, result.estimate
    law = estimate.applied_law
    if not estimate.matched or law is None:
        return None
    found = judge_track(
        law,
        clip.duration_s,
        offset_sd_s=estimate.offset_sd_s or 0.0,
        drift_sd_ppm=estimate.drift_sd_ppm or 0.0,
    )
    near = max(abs(found.start.early_s), abs(found.end.early_s)) < _SAME_START_S
    alike = abs(take.duration_s - clip.duration_s) < _SAME_LENGTH_S
    return found if (near and alike) or is_track_of_ours(take.path) else None


def lip_sync_findings(result: SyncResult) -> list[Finding]:
    """What there is to say of it beyond a line of words: nothing where viewers do not notice."""
    found = lip_sync_of(result)
    if found is None or found.worst.verdict is Verdict.UNNOTICED:
        return []
    clip, take = result.clip, result.take
    cut = abs(take.duration_s - clip.duration_s) < _SURELY_CUT_S or is_track_of_ours(take.path)
    bad = cut and found.worst.verdict is Verdict.UNACCEPTABLE
    # Two boxes started within a second of each other are no fault: only a finished track can be.
    what_to_do = "conform it" if cut else "conform it, if it is not a raw take that merely started with the clip"
    message = (
        f"{take.path.name}, laid under the picture of {clip.path.name} from its first sample, is heard "
        f"{in_words(found, clip.frame_rate)}; {what_to_do}"
    )
    return [Finding(Code.LIP_SYNC, Severity.FIX if bad else Severity.LOOK, message, take.path.name)]


def with_lip_sync(result: SyncResult) -> SyncResult:
    """The same result, with the findings about lip-sync after the others."""
    return replace(result, findings=(*result.findings, *lip_sync_findings(result)))
