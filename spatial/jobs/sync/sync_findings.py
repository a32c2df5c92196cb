"""What there is to say about a clip and its take, beyond the numbers.

Functions: match_findings (they match); no_match_finding (none does); missing_finding (a part was not given);
riding_findings, riding_over_day (an automatic gain); is_pulled (of a law).
"""

from collections.abc import Sequence

import numpy as np

from spatial.conventions import SDS_OF_95, SPEED_OF_SOUND_M_S
from spatial.findings import Code, Finding, Severity
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.takes.joining import missing_parts, time_between
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate
from spatial.sync.camera_gain import LEAST_DB
from spatial.timebase import ClockLaw, ClockStep

_PADDED_S = 0.1
"""Seconds without sound at an end, two or three frames, below which that is not worth a word."""

_DOUBT_WORTH_SAYING_S = 0.005
"""A clip's sound that may start this much earlier or later is worth a word, seconds: it is more than sync leaves
open."""

_PULL_PPM, _CLOCKS_PPM = 1000.0, 200.0
"""A pull of 1000/1001 (999 or 1000 ppm), give or take what two clocks differ by on their own."""

_FEW = 3
"""Takes whose reasons are named in a message at most; of more it only grows longer."""

APART_M = 0.6
"""A recorder further than this from the lens is not on the camera's rig (common practice, no source)."""


def no_match_finding(clip: Clip, ranked: Sequence[tuple[Take, SyncEstimate]]) -> Finding:
    """Why none of the takes is said to belong to a clip."""
    if len(ranked) == 1:
        take, estimate = ranked[0]
        if estimate.undecided:
            message = f"whether {take.path.name} belongs to {clip.path.name} cannot be told: {estimate.reason}"
        else:
            message = f"{take.path.name} does not belong to {clip.path.name}, as far as can be heard: {estimate.reason}"
    elif len(ranked) <= _FEW:
        reasons = "; ".join(f"{take.path.name}: {estimate.reason}" for take, estimate in ranked)
        message = f"none of the {len(ranked)} takes can be matched with {clip.path.name} ({reasons})"
    else:
        take, estimate = ranked[0]
        message = (
            f"none of the {len(ranked)} takes can be matched with {clip.path.name}; the first, {take.path.name}: "
            f"{estimate.reason}"
        )
    return Finding(Code.NO_MATCH, Severity.FIX, message, clip.path.name)


def match_findings(result: SyncResult) -> list[Finding]:
    """What is worth saying of a match: how its clip is read, what is not covered, steps, drift, a wrong rate."""
    clip, take, estimate = result.clip, result.take, result.estimate
    findings = [*clip.findings]
    start, stop = result.covered_s
    if start > _PADDED_S or stop < clip.duration_s - _PADDED_S:
        findings.append(
            Finding(
                Code.PARTLY_COVERED,
                Severity.LOOK,
                f"{take.path.name} covers {clip.path.name} only from {start:.2f} s to {stop:.2f} s of "
                f"{clip.duration_s:.2f} s: the rest will be silent",
                clip.path.name,
                start if start > _PADDED_S else stop,
            )
        )
        findings += _missing(result)
    findings += [
        _step(step, clip, take, (estimate.true_rate_hz or take.rate_hz) / take.rate_hz) for step in estimate.steps
    ]
    if estimate.true_rate_hz is not None:
        findings.append(
            Finding(
                Code.WRONG_RATE,
                Severity.FIX,
                f"{take.path.name} says {take.rate_hz} Hz, but its sound runs as it was recorded at "
                f"{estimate.true_rate_hz} Hz: its header is wrong; conform reads it right, other programs need the "
                "header mended",
                take.path.name,
            )
        )
    elif estimate.drift_significant:
        findings.append(_drift(clip, take, estimate))
    findings += [*baseline_findings(result), *riding_findings(result)]
    if clip.scratch is not None and clip.scratch.start_doubt_s > _DOUBT_WORTH_SAYING_S:
        findings.append(
            Finding(
                Code.LIP_SYNC,
                Severity.LOOK,
                f"{clip.path.name} does not say exactly where its sound starts, so the offset may be off by up to "
                f"{clip.scratch.start_doubt_s * 1e3:.0f} ms: check lips by eye",
                clip.path.name,
            )
        )
    if clip.frames is None:
        findings.append(
            Finding(
                Code.NO_PICTURE,
                Severity.NOTE,
                f"{clip.path.name} has no picture, so its first sample counts as time 0",
                clip.path.name,
            )
        )
    return findings


def riding_findings(result: SyncResult) -> list[Finding]:
    """That the camera's gain rides, where it does."""
    if not _rides(result):
        return []
    message = (
        f"the camera rode its gain over about {result.riding_db:.0f} dB while it recorded {result.clip.path.name}; "
        "nothing need be done"
    )
    return [Finding(Code.RIDING_GAIN, Severity.NOTE, message, result.clip.path.name)]


def riding_over_day(results: Sequence[SyncResult]) -> list[Finding]:
    """The same of all clips of a day at once."""
    ranges_db = [result.riding_db for result in results if _rides(result) and result.riding_db is not None]
    if not ranges_db:
        return []
    low, high = f"{min(ranges_db):.0f}", f"{max(ranges_db):.0f}"
    over = low if low == high else f"{low} to {high}"
    message = (
        f"the camera rode its gain over about {over} dB in {len(ranges_db)} of {len(results)} clips that have a take; "
        "nothing need be done"
    )
    return [Finding(Code.RIDING_GAIN, Severity.NOTE, message)]


def _rides(result: SyncResult) -> bool:
    return result.riding_db is not None and result.riding_db >= LEAST_DB


def missing_finding(clip: Clip, first: Take, second: Take, gap_s: float, missing: Sequence[str]) -> Finding:
    """That a part of a recording was not given, and which."""
    return Finding(
        Code.MISSING_PART,
        Severity.FIX,
        f"{first.path.name} and {second.path.name} are parts of one recording, and the {gap_s:.2f} s between them are "
        f"not there: {' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing; name all its parts",
        clip.path.name,
    )


def _missing(result: SyncResult) -> list[Finding]:
    """Parts that are missing between the take and another one, where the clip goes on."""
    take, (start_s, stop_s) = result.take, result.covered_s
    for other, _ in result.others:
        for first, second, goes_on in (
            (take, other, stop_s < result.clip.duration_s - _PADDED_S),
            (other, take, start_s > _PADDED_S),
        ):
            gap_s = time_between(first, second)
            if goes_on and gap_s is not None and (missing := missing_parts(first, second)):
                return [missing_finding(result.clip, first, second, gap_s, missing)]
    return []


def is_pulled(law: ClockLaw) -> bool:
    """Whether two clocks differ as those of boxes that were set to different frame rates do."""
    return abs(abs(law.drift_ppm) - _PULL_PPM) <= _CLOCKS_PPM


def _drift(clip: Clip, take: Take, estimate: SyncEstimate) -> Finding:
    assert estimate.law is not None
    ppm = estimate.law.drift_ppm
    slip_ms, faster = abs(ppm) * 1e-3 * clip.duration_s, "fast" if ppm > 0 else "slow"
    message = (
        f"the recorder's clock runs {faster} against the camera's by {abs(ppm):.1f} ppm "
        f"(±{SDS_OF_95 * (estimate.drift_sd_ppm or 0.0):.1f}), {slip_ms:.1f} ms over this clip"
    )
    if not is_pulled(estimate.law):
        return Finding(Code.DRIFT, Severity.NOTE, message, take.path.name)
    pull = "pull-down" if ppm < 0 else "pull-up"
    return Finding(
        Code.DRIFT,
        Severity.LOOK,
        f"{message}: that is a {pull} of 0.1 % (1000/1001), so the two boxes were set to different frame rates, such "
        "as 24 and 23.976; conform takes it out",
        take.path.name,
    )


def _step(step: ClockStep, clip: Clip, take: Take, ratio: float) -> Finding:
    """`ratio` is that of the take's true rate to its header's, by which the step counts."""
    size_ms, spread_ms = (1e3 * size_s / ratio for size_s in (abs(step.step_s), SDS_OF_95 * step.sd_s))
    lost, other = (take.path.name, clip.path.name) if step.step_s < 0 else (clip.path.name, take.path.name)
    return Finding(
        Code.CLOCK_STEP,
        Severity.LOOK,
        f"{lost} lost {size_ms:.1f} ms (±{spread_ms:.1f} ms) near {step.clip_time_s:.1f} s of the clip, or {other} "
        "put in as much: conform mends it piece by piece; listen to the join",
        clip.path.name,
        step.clip_time_s,
    )


def baseline_findings(result: SyncResult) -> list[Finding]:
    """Where recorder and camera are apart: what that does to the sound's travel."""
    estimate, evidence = result.estimate, result.estimate.evidence
    if evidence is None:
        return []
    if result.apart_m > APART_M:
        reach_ms = result.apart_m / SPEED_OF_SOUND_M_S * 1e3
        message = (
            f"the recorder is {result.apart_m:.1f} m from the lens and hears a performer up to {reach_ms:.1f} ms "
            "earlier or later than the camera does; the offset is that of the clocks, and its uncertainty counts this"
        )
        return [Finding(Code.RECORDER_APART, Severity.NOTE, message, result.take.path.name)]
    if estimate.apart and estimate.offset_sd_s is not None:
        message = (
            "performers are heard as if the recorder stood metres from the camera, not on its rig: give --mic-offset; "
            f"without it the offset is known to ±{2e3 * estimate.offset_sd_s:.0f} ms only"
        )
        return [Finding(Code.RECORDER_APART, Severity.LOOK, message, result.take.path.name)]
    far = float(np.linalg.norm(evidence.separation_m))
    sure = far > 4.0 * float(np.max(evidence.separation_sd_m))
    if result.apart_m or not sure or far < APART_M or estimate.offset_sd_s is None:
        return []
    return [
        Finding(
            Code.RECORDER_APART,
            Severity.LOOK,
            f"performers are heard as if the recorder hung {far:.1f} m from the camera, not on its rig: give "
            "--mic-offset, or the offset may be off by some milliseconds",
            result.take.path.name,
        )
    ]
