"""The sync job: which take belongs to a clip, where it starts, how the clocks drift.

Functions: sync_clip (from files); sync_takes (a clip already listened to); match_takes, sync_listened (all already
listened to); choose_take.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.analysis.envelope import WORKING_RATE_HZ, find_candidates
from spatial.analysis.sync import SyncEstimate, estimate_sync, no_match
from spatial.errors import InputError
from spatial.field import ChannelFormat
from spatial.findings import Finding, Severity
from spatial.jobs.listening import Listened, listen_to_clip, listen_to_take
from spatial.jobs.progress import Progress, silent
from spatial.media.movies import Clip, open_clip
from spatial.media.resampling import TakeSamples
from spatial.media.spool import Spool
from spatial.media.takes import Take, open_take
from spatial.timebase import ClockLaw

_CLOSE_RIVAL = 0.6
_PADDED_S = 0.02
_DOUBT_WORTH_SAYING_S = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class SyncResult:
    """A clip, the take that fits it best, and how they fit."""

    clip: Clip
    take: Take
    """The best take; the first one where none matches."""
    estimate: SyncEstimate
    findings: tuple[Finding, ...]
    others: tuple[tuple[Take, SyncEstimate], ...] = ()
    """The takes that were tried and left."""

    @property
    def law(self) -> ClockLaw:
        """The clock law to cut by.

        Raises
        ------
        InputError
            There is no match.
        """
        law = self.estimate.applied_law
        if law is None:
            raise InputError(f"{self.clip.path.name} and {self.take.path.name} do not match: {self.estimate.reason}")
        return law

    @property
    def covered_s(self) -> tuple[float, float]:
        """Clip time from which and until which the take covers the clip."""
        return (
            max(0.0, self.law.clip_from_take(0.0)),
            min(self.clip.duration_s, self.law.clip_from_take(self.take.duration_s)),
        )


def sync_clip(
    clip_path: Path,
    take_paths: Sequence[Path],
    *,
    channel_format: ChannelFormat = ChannelFormat.AMBIX,
    progress: Progress = silent,
) -> SyncResult:
    """Find the take that heard what the camera heard.

    Parameters
    ----------
    clip_path : Path
        A movie, or sound alone.
    take_paths : sequence of Path
        One or more takes.
    channel_format : ChannelFormat
        How the takes' channels are to be read.
    progress : Progress
        Told how far the job is.

    Returns
    -------
    SyncResult
        estimate.matched False where no take fits.

    Raises
    ------
    MediaFileError
        A file cannot be used.
    """
    clip = open_clip(clip_path)
    takes = [open_take(path, channel_format=channel_format) for path in take_paths]
    if not takes:
        raise InputError("sync needs at least one take")
    with listen_to_clip(clip, progress) as (sound, heard):
        return sync_takes(clip, sound, heard, takes, progress=progress)


def sync_takes(
    clip: Clip, sound: Spool, heard: Listened, takes: Sequence[Take], *, progress: Progress = silent
) -> SyncResult:
    """Find the take that fits a clip that has been listened to already."""
    listened = [(take, listen_to_take(take, progress)) for take in takes]
    return match_takes(clip, sound, heard, listened, progress=progress)


def match_takes(
    clip: Clip,
    sound: Spool,
    heard: Listened,
    takes: Sequence[tuple[Take, Listened]],
    *,
    progress: Progress = silent,
) -> SyncResult:
    """Find the take that fits a clip, where all of them have been listened to already."""
    return choose_take(
        clip,
        [(take, sync_listened(clip, sound, heard, take, listened, progress=progress)) for take, listened in takes],
    )


def sync_listened(
    clip: Clip, sound: Spool, heard: Listened, take: Take, listened: Listened, *, progress: Progress = silent
) -> SyncEstimate:
    """Sync one clip and one take that have both been listened to already."""
    if heard.silent:
        return no_match(f"the camera's sound in {clip.path.name} is silent", undecided=True)
    if listened.silent:
        return no_match(f"{take.path.name} is silent in its first channel, W", undecided=True)
    candidates = find_candidates(heard.powers, listened.powers)
    with TakeSamples(take, WORKING_RATE_HZ) as field:
        estimate = estimate_sync(
            sound, field, candidates, progress=lambda part: progress(f"syncing {take.path.name}", part)
        )
    return _on_picture_time(estimate, clip)


def _on_picture_time(estimate: SyncEstimate, clip: Clip) -> SyncEstimate:
    """Move an estimate from the sound's first sample to the first picture frame; add the container's doubt."""
    assert clip.scratch is not None
    if estimate.law is None or estimate.steady is None or estimate.offset_sd_s is None:
        return estimate
    phase, doubt = clip.scratch.phase_s, clip.scratch.start_doubt_s
    return replace(
        estimate,
        law=ClockLaw(estimate.law.take_from_clip(-phase), estimate.law.drift_ppm),
        steady=ClockLaw(estimate.steady.take_from_clip(-phase)),
        # Anywhere within the doubt is as likely: a uniform spread of +-doubt has this deviation.
        offset_sd_s=(estimate.offset_sd_s**2 + doubt**2 / 3) ** 0.5,
    )


def choose_take(clip: Clip, tried: Sequence[tuple[Take, SyncEstimate]]) -> SyncResult:
    """The best of the takes that were tried, with what there is to say about the choice."""

    def strength(pair: tuple[Take, SyncEstimate]) -> float:
        estimate = pair[1]
        return estimate.evidence.score if estimate.matched and estimate.evidence else 0.0

    ranked = sorted(tried, key=strength, reverse=True)
    take, estimate = ranked[0]
    result = SyncResult(clip, take, estimate, (), tuple(ranked[1:]))
    if not estimate.matched:
        findings = [_no_match(clip, ranked)]
    else:
        findings = _match_findings(result)
        if len(ranked) > 1 and strength(ranked[1]) > _CLOSE_RIVAL * strength(ranked[0]):
            findings.append(
                Finding(
                    "ambiguous_match",
                    Severity.LOOK,
                    f"{ranked[1][0].path.name} matches {clip.path.name} nearly as well as {take.path.name}: "
                    "check which one was rolling",
                    clip.path.name,
                )
            )
    return replace(result, findings=tuple(findings))


def _no_match(clip: Clip, ranked: Sequence[tuple[Take, SyncEstimate]]) -> Finding:
    if len(ranked) == 1:
        take, estimate = ranked[0]
        if estimate.undecided:
            message = f"whether {take.path.name} belongs to {clip.path.name} cannot be told: {estimate.reason}"
        else:
            message = f"{take.path.name} does not belong to {clip.path.name}, as far as can be heard: {estimate.reason}"
    else:
        reasons = "; ".join(f"{take.path.name}: {estimate.reason}" for take, estimate in ranked)
        message = f"none of the {len(ranked)} takes can be matched with {clip.path.name} ({reasons})"
    return Finding("no_match", Severity.FIX, message, clip.path.name)


def _match_findings(result: SyncResult) -> list[Finding]:
    clip, take, estimate = result.clip, result.take, result.estimate
    findings = []
    start, stop = result.covered_s
    if start > _PADDED_S or stop < clip.duration_s - _PADDED_S:
        findings.append(
            Finding(
                "no_match",
                Severity.LOOK,
                f"{take.path.name} covers {clip.path.name} only from {start:.2f} s to {stop:.2f} s of "
                f"{clip.duration_s:.2f} s: the rest will be silent",
                clip.path.name,
            )
        )
    if estimate.drift_significant and estimate.law is not None:
        slip = abs(estimate.law.drift_ppm) * 1e-6 * clip.duration_s
        faster = "fast" if estimate.law.drift_ppm > 0 else "slow"
        findings.append(
            Finding(
                "drift",
                Severity.NOTE,
                f"the recorder's clock runs {faster} against the camera's by {abs(estimate.law.drift_ppm):.1f} ppm, "
                f"{slip * 1e3:.1f} ms over this clip",
                take.path.name,
            )
        )
    if clip.scratch is not None and clip.scratch.start_doubt_s > _DOUBT_WORTH_SAYING_S:
        findings.append(
            Finding(
                "lip_sync",
                Severity.LOOK,
                f"{clip.path.name} does not say exactly where its sound starts, so the offset may be off by up to "
                f"{clip.scratch.start_doubt_s * 1e3:.0f} ms: check lips by eye",
                clip.path.name,
            )
        )
    if clip.frames is None:
        findings.append(
            Finding(
                "lip_sync",
                Severity.NOTE,
                f"{clip.path.name} has no picture, so its first sample counts as time 0",
                clip.path.name,
            )
        )
    return findings
