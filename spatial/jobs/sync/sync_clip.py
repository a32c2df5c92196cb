"""The sync job: which take belongs to a clip, where it starts, how the clocks drift.

Functions: sync_clip (from files); open_shoot, open_takes, rig_of (what it starts from); match_takes, sync_listened
(all already listened to); with_estimate (a match measured anew).
"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding, Severity
from spatial.jobs.inspect.channel_reading import settle
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync.choose_take import Tried, choose_take, on_picture_time, with_parts_joined
from spatial.jobs.sync.crew_word import require_one_take
from spatial.jobs.sync.listen import listen_to_all, listen_to_take, require_usable, unusable
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.sync_findings import match_findings, no_match_finding
from spatial.jobs.sync.sync_result import SyncResult, recounted
from spatial.jobs.sync.take_choice import Choice, Pairing
from spatial.media.buffers import Spool, TakeSamples
from spatial.media.movies.clip import Clip, open_clip
from spatial.media.takes.grouping import gather_takes
from spatial.media.takes.take import Take
from spatial.mount.mic_offset import GIVEN_SD_M
from spatial.sync.alignment import FAINT_SCORE, SyncEstimate, estimate_sync, no_match
from spatial.sync.baseline import Separation, rig_of_length, rig_of_mount
from spatial.sync.camera_gain import estimate_gain_range
from spatial.sync.coarse import Candidate, find_candidates
from spatial.sync.envelope import WORKING_RATE_HZ, as_if_at_rate, is_steady

_RATES_HZ = (44_100, 48_000, 88_200, 96_000)
"""What a take may really have been recorded at, where its header is wrong."""

_SURE_OF_RATE = 13.0
"""Match strength for believing that: several rates are tried, so chance has several goes."""


def sync_clip(
    clip_path: Path,
    take_paths: Sequence[Path],
    *,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    mic_offset_m: Sequence[float] = (0.0, 0.0, 0.0),
    pairing: Pairing | None = None,
    mic_offset_sd_m: float = GIVEN_SD_M,
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
    pairing : Pairing, optional
        That clip and take were filmed together: an answer is given wherever the two align.
    mic_offset_sd_m : float
        How exactly that is known, one standard deviation along each axis.
    progress : Progress
        Told how far the job is.

    Returns
    -------
    SyncResult
        estimate.matched False where no take fits.

    Raises
    ------
    MediaFileError
        The clip, or every take, cannot be used; one take among others is a finding.
    InputError
        Takes of several recordings are said to be paired with one clip.
    """
    clip, takes, unopened = open_shoot(clip_path, take_paths, channel_format)
    with listen_to_all(clip, takes, progress) as (sound, heard, listened, unread):
        result = match_takes(
            clip,
            sound,
            heard,
            listened,
            separation=rig_of(mic_offset_m, sd_m=mic_offset_sd_m),
            pairing=pairing,
            progress=progress,
        )
    return replace(result, findings=(*result.findings, *beside(result, [*unopened, *unread])))


def open_shoot(
    clip_path: Path, take_paths: Sequence[Path], channel_format: ReadAs
) -> tuple[Clip, list[Take], list[Finding]]:
    """Open a clip and its takes, as open_clip and open_takes do.

    Raises
    ------
    InputError, MediaFileError
        As they do; or clip and take seem to have been named the other way round.
    """
    clip = open_clip(clip_path)
    if clip.frames is None and clip.scratch is not None and clip.scratch.channels >= FIRST_ORDER_CHANNELS:
        for path in take_paths:
            with suppress(MediaFileError):
                other = open_clip(path)
                what = "a movie" if other.frames is not None else f"sound in {_channels(other)} channels"
                if other.frames is not None or _channels(other) < FIRST_ORDER_CHANNELS:
                    raise InputError(
                        f"{clip_path.name} is a recording in {_channels(clip)} channels and {path.name} is {what}: "
                        "name them the other way round, the clip first, then its takes"
                    )
    return clip, *open_takes(take_paths, channel_format)


def _channels(clip: Clip) -> int:
    return clip.scratch.channels if clip.scratch is not None else 0


def open_takes(
    paths: Sequence[Path], channel_format: ReadAs, *, severity: Severity = Severity.FIX
) -> tuple[list[Take], list[Finding]]:
    """Open takes; files that continue each other, or hold each other's channels, become one.

    Those that cannot be opened are findings; how the channels of the others are read is settled.

    Raises
    ------
    InputError
        None is named.
    MediaFileError
        None can be opened.
    """
    if not paths:
        raise InputError("sync needs at least one take")
    gathered = gather_takes(paths, channel_format=channel_format)
    broken = [unusable(path, error, severity) for path, error in gathered.failures]
    require_usable(len(gathered.takes), broken)
    return [settle(take)[0] for take in gathered.takes], broken


def beside(result: SyncResult, broken: Sequence[Finding]) -> list[Finding]:
    """Findings about takes that cannot be used: not bad news for a clip that belongs to another."""
    if not result.estimate.matched:
        return list(broken)
    return [replace(finding, severity=Severity.LOOK) for finding in broken]


def rig_of(
    mic_offset_m: Sequence[float], picture_from_mic: FloatArray | None = None, *, sd_m: float = GIVEN_SD_M
) -> Separation | None:
    """What the microphone's place, and how it sat where that is known, tell about the travel of sound.

    None where the place is not known (all 0).
    """
    if not any(mic_offset_m):
        return None
    offset_m = np.array(mic_offset_m, dtype=float)
    if picture_from_mic is None:
        return rig_of_length(float(np.linalg.norm(offset_m)), sd_m)
    return rig_of_mount(offset_m, picture_from_mic, sd_m)


def match_takes(
    clip: Clip,
    sound: Spool,
    heard: Listened,
    takes: Sequence[tuple[Take, Listened]],
    *,
    separation: Separation | None = None,
    pairing: Pairing | None = None,
    progress: Progress = silent,
) -> SyncResult:
    """Find the take that fits a clip, where all of them have been listened to already.

    Raises
    ------
    InputError
        Takes of several recordings are said to be paired with one clip.
    """
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

    def try_whole(take: Take) -> Tried:
        told = listen_to_take(take, progress)
        return take, told, sync_listened(clip, sound, heard, take, told, separation=separation, progress=progress)

    tried = with_parts_joined(clip, tried, try_whole)
    if pairing is not None:
        require_one_take(clip, tried)
    choice = choose_take(clip, sound, heard, tried, separation=separation, pairing=pairing)
    others = tuple((take, estimate) for take, _, estimate in tried if take is not choice.take)
    # Where the mount is known, the direction is too, and a length of its own is not.
    apart_m = (separation.length_m or float(np.linalg.norm(separation.mean_m))) if separation else 0.0
    (heard_of_take,) = [told for take, told, _ in tried if take is choice.take]
    result = SyncResult(
        *(clip, choice.take, choice.estimate, (), others, choice.possibilities, apart_m),
        listened=heard_of_take,
        decided_by=choice.decided_by,
        alignment=choice.alignment,
        doubts=choice.doubts,
        riding_db=_riding_db(clip, sound, choice),
    )
    if choice.estimate.matched:
        findings = [*choice.take.findings, *match_findings(result), *choice.findings]
    else:
        findings = [*choice.findings] or [no_match_finding(clip, [(choice.take, choice.estimate), *others])]
        findings = [*clip.findings, *findings]
    return replace(result, findings=tuple(findings))


def with_estimate(result: SyncResult, estimate: SyncEstimate) -> SyncResult:
    """A match measured anew in its place; what is said of it follows, what is said of others stays."""
    again = replace(result, estimate=estimate)
    before, after = match_findings(result), match_findings(again)
    kept = [finding for finding in result.findings if finding not in before]
    place = next((n for n, finding in enumerate(result.findings) if finding in before), len(result.take.findings))
    return replace(again, findings=(*kept[:place], *after, *kept[place:]))


def _riding_db(clip: Clip, sound: Spool, choice: Choice) -> float | None:
    """By how much the camera's gain rides; None without a match, or with a take whose header counts wrong seconds."""
    law = choice.estimate.law
    if law is None or clip.scratch is None or choice.estimate.true_rate_hz is not None:
        return None
    along = law.from_clip_time(clip.scratch.phase_s)
    if choice.riding is not None and choice.riding[0] is choice.take and choice.riding[1] == along:
        return choice.riding[2]
    with TakeSamples(choice.take, WORKING_RATE_HZ) as field:
        return estimate_gain_range(sound, field, along)


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
                # Take time is as the header counts it.
                estimate = replace(recounted(other, rate_hz / take.rate_hz), true_rate_hz=rate_hz)
    if not estimate.matched and (is_steady(heard.powers) or is_steady(listened.powers)):
        estimate = replace(estimate, undecided=True, reason="one of the two holds hardly any sound that comes and goes")
    return on_picture_time(estimate, clip)
