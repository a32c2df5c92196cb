"""The sync job: which take belongs to a clip, where it starts, how the clocks drift.

Functions: sync_clip (from files); open_takes, rig_of (what it starts from); match_takes, sync_listened (all already
listened to).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.analysis.envelope import WORKING_RATE_HZ, Candidate, as_if_at_rate, find_candidates, is_steady
from spatial.analysis.separation import Separation, rig_of_length, rig_of_mount
from spatial.analysis.sync import FAINT_SCORE, SyncEstimate, estimate_sync, no_match
from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding
from spatial.jobs.choosing import Possibility, choose_take, on_picture_time
from spatial.jobs.listening import Listened, listen_to_all
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync_findings import match_findings, no_match_finding
from spatial.media import gathering
from spatial.media.movies import Clip, open_clip
from spatial.media.resampling import TakeSamples
from spatial.media.spool import Spool
from spatial.media.takes import Take
from spatial.timebase import ClockLaw

_RATES_HZ = (44_100, 48_000, 88_200, 96_000)
"""What a take may really have been recorded at, where its header is wrong."""

_SURE_OF_RATE = 13.0
"""Match strength for believing that: several rates are tried, so chance has several goes."""


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
    possibilities: tuple[Possibility, ...] = ()
    """Which take and place it may be, likeliest first; more than one where that cannot be told."""
    apart_m: float = 0.0
    """How far the recorder is from the lens, where that was told."""

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
    channel_format: ReadAs = ChannelFormat.AMBIX,
    mic_offset_m: Sequence[float] = (0.0, 0.0, 0.0),
    progress: Progress = silent,
) -> SyncResult:
    """Find the take that heard what the camera heard.

    Parameters
    ----------
    clip_path : Path
        A movie, or sound alone.
    take_paths : sequence of Path
        One or more takes; files that continue each other are one.
    channel_format : ReadAs
        How the takes' channels are to be read.
    mic_offset_m : sequence of float
        The microphone's place seen from the lens: forward, left, up; all 0 where it is not known.
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
    takes = open_takes(take_paths, channel_format)
    with listen_to_all(clip, takes, progress) as (sound, heard, listened):
        return match_takes(clip, sound, heard, listened, separation=rig_of(mic_offset_m), progress=progress)


def open_takes(paths: Sequence[Path], channel_format: ReadAs) -> list[Take]:
    """Open takes; files that continue each other, or hold each other's channels, become one.

    Raises
    ------
    InputError
        None is named.
    MediaFileError
        One cannot be used.
    """
    if not paths:
        raise InputError("sync needs at least one take")
    return gathering.open_takes(paths, channel_format=channel_format)


def rig_of(mic_offset_m: Sequence[float], picture_from_mic: FloatArray | None = None) -> Separation | None:
    """What the microphone's place, and how it sat where that is known, tell about the travel of sound.

    None where the place is not known (all 0).
    """
    if not any(mic_offset_m):
        return None
    offset_m = np.array(mic_offset_m, dtype=float)
    if picture_from_mic is None:
        return rig_of_length(float(np.linalg.norm(offset_m)))
    return rig_of_mount(offset_m, picture_from_mic)


def match_takes(
    clip: Clip,
    sound: Spool,
    heard: Listened,
    takes: Sequence[tuple[Take, Listened]],
    *,
    separation: Separation | None = None,
    progress: Progress = silent,
) -> SyncResult:
    """Find the take that fits a clip, where all of them have been listened to already."""
    tried: list[tuple[Take, Listened, SyncEstimate]] = []
    # Another sample rate than the header's is thought of only where no take fits as it is; of one take at once.
    for thorough in (False, True) if len(takes) > 1 else (True,):
        tried = [
            (take, told, sync_listened(clip, sound, heard, take, told, separation=separation, thorough=thorough,
                                       progress=progress))
            for take, told in takes
        ]  # fmt: skip
        if any(estimate.matched or estimate.loop for _, _, estimate in tried):
            break
    choice = choose_take(clip, sound, heard, tried, separation=separation)
    others = tuple((take, estimate) for take, _, estimate in tried if take is not choice.take)
    apart_m = (separation.length_m or 0.0) if separation else 0.0
    result = SyncResult(clip, choice.take, choice.estimate, (), others, choice.possibilities, apart_m)
    if choice.estimate.matched:
        findings = [*choice.take.findings, *match_findings(result), *choice.findings]
    else:
        findings = [*choice.findings] or [no_match_finding(clip, [(choice.take, choice.estimate), *others])]
    return replace(result, findings=tuple(findings))


def sync_listened(
    clip: Clip,
    sound: Spool,
    heard: Listened,
    take: Take,
    listened: Listened,
    *,
    separation: Separation | None = None,
    thorough: bool = True,
    progress: Progress = silent,
) -> SyncEstimate:
    """Sync one clip and one take that have both been listened to already.

    `thorough`: where they do not match, think of other sample rates than the header's, and show the best place.
    """
    if heard.silent:
        return no_match(f"the camera's sound in {clip.path.name} is silent", undecided=True)
    if listened.silent:
        return no_match(f"{take.path.name} is silent in its first channel, W", undecided=True)

    def at_rate(rate_hz: int, candidates: Sequence[Candidate], powers: FloatArray) -> SyncEstimate:
        with TakeSamples(take, WORKING_RATE_HZ, true_rate_hz=rate_hz) as field:
            return estimate_sync(
                sound,
                field,
                candidates,
                powers=(heard.powers, powers),
                separation=separation,
                explain=thorough,
                progress=lambda part: progress(f"syncing {take.path.name}", part),
            )

    estimate = at_rate(take.rate_hz, find_candidates(heard.powers, listened.powers), listened.powers)
    if thorough and not estimate.matched and not estimate.undecided:
        for rate_hz in _RATES_HZ:
            if rate_hz == take.rate_hz:
                continue
            powers = as_if_at_rate(listened.powers, rate_hz / take.rate_hz)
            candidates = find_candidates(heard.powers, powers)
            if not candidates or candidates[0].score < FAINT_SCORE:
                continue
            other = at_rate(rate_hz, candidates, powers)
            if other.matched and other.evidence is not None and other.evidence.score >= _SURE_OF_RATE:
                estimate = _on_header_time(other, rate_hz, take.rate_hz)
    if not estimate.matched and (is_steady(heard.powers) or is_steady(listened.powers)):
        estimate = replace(estimate, undecided=True, reason="one of the two holds hardly any sound that comes and goes")
    return on_picture_time(estimate, clip)


def _on_header_time(estimate: SyncEstimate, true_hz: int, header_hz: int) -> SyncEstimate:
    """An estimate found at a take's true rate, for take time as its header counts it."""
    ratio = true_hz / header_hz

    def counted(law: ClockLaw) -> ClockLaw:
        steps = tuple(replace(step, step_s=step.step_s * ratio, sd_s=step.sd_s * ratio) for step in law.steps)
        return ClockLaw(law.offset_s * ratio, (law.ratio * ratio - 1.0) * 1e6, steps)

    if estimate.law is None or estimate.steady is None or estimate.offset_sd_s is None or estimate.drift_sd_ppm is None:
        return estimate
    return replace(
        estimate,
        law=counted(estimate.law),
        steady=counted(estimate.steady),
        offset_sd_s=estimate.offset_sd_s * ratio,
        drift_sd_ppm=estimate.drift_sd_ppm * ratio,
        true_rate_hz=true_hz,
    )
