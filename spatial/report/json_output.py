"""Results as JSON: the keys promised in cli/REFERENCE.md, units in names, never NaN.

Functions: dumps; sync_json, orient_json, verify_json, conform_json, directions_json.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from spatial.conventions import FloatArray
from spatial.field import azimuth_elevation
from spatial.findings import Finding, written_out
from spatial.jobs.sync.lip_sync_findings import lip_sync_of

if TYPE_CHECKING:
    from spatial.jobs.conform.track_memory import ConformResult
    from spatial.jobs.directions import DirectionsResult
    from spatial.jobs.orient.from_marks import OrientResult
    from spatial.jobs.orient.learn_microphone import LearnedMicrophone
    from spatial.jobs.orient.measure_marks import MeasuredMark
    from spatial.jobs.sync.sync_result import SyncResult
    from spatial.jobs.verify import VerifyResult
    from spatial.mount.channel_faults import ChannelFault
    from spatial.rotation import YawPitchRoll
    from spatial.verification.placement import MarkCheck

Json = dict[str, object]


def dumps(value: Json) -> str:
    """One JSON object; NaN and infinity become null."""
    return json.dumps(_plain(value), allow_nan=False, ensure_ascii=False)


def _plain(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Iterable):
        return [_plain(item) for item in value]
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value)


def sync_json(result: SyncResult) -> Json:
    """For `sync`."""
    estimate = result.estimate
    covered = result.covered_s if estimate.matched else None
    return {
        "clip": str(result.clip.path),
        "take": str(result.take.path) if estimate.matched else None,
        "matched": estimate.matched,
        "decided_by": result.decided_by.value if estimate.matched else None,
        "reason": estimate.reason or None,
        "offset_s": estimate.law.offset_s if estimate.law else None,
        "offset_sd_s": estimate.offset_sd_s,
        "drift_ppm": estimate.law.drift_ppm if estimate.law else None,
        "drift_sd_ppm": estimate.drift_sd_ppm,
        "drift_significant": estimate.drift_significant if estimate.matched else None,
        "covered_from_s": covered[0] if covered else None,
        "covered_until_s": covered[1] if covered else None,
        "match_strength": estimate.evidence.score if estimate.evidence else None,
        "steps": [
            {"clip_time_s": step.clip_time_s, "step_s": step.step_s, "step_sd_s": step.sd_s} for step in estimate.steps
        ],
        "files": [str(path) for path in result.take.paths] if estimate.matched else [],
        "true_rate_hz": estimate.true_rate_hz,
        "riding_gain_db": result.riding_db,
        "possibilities": [
            {"take": str(p.take.path), "offset_s": p.law.offset_s, "share": p.share} for p in result.possibilities
        ],
        "lip_sync": lip_sync_json(result),
        "findings": findings_json(result.findings),
    }


def lip_sync_json(result: SyncResult) -> Json | None:
    """How early a take that looks cut to the clip is heard (late: negative), at its worst in frames."""
    found = lip_sync_of(result)
    if found is None:
        return None
    rate = result.clip.frame_rate
    return {
        "early_start_ms": found.start.early_s * 1e3,
        "early_end_ms": found.end.early_s * 1e3,
        "frames": None if rate is None else found.worst.early_s * float(rate),
        "verdict": found.worst.verdict.value,
    }


def orient_json(result: OrientResult, learned: LearnedMicrophone | None = None) -> Json:
    """For `orient`."""
    from spatial.jobs.conform.sidecar import place_facts  # most of the house: sync does without

    mount = result.mount
    return {
        "clip": str(result.sync.clip.path) if result.sync else None,
        "take": str(result.take.path),
        "mount": mount_json(result.matrix, result.angles),
        "sd_deg": dict(zip(("yaw", "pitch", "roll"), _angles_deg(result.sd_rad), strict=True)),
        "undetermined": list(mount.undetermined),
        "mirrored": mount.mirrored,
        "evidence": result.evidence,
        "microphone": learned and {"places": learned.learned.places, "helped": learned.helped, **learned.errors_deg},
        "mic_offset": place_facts(result.rig, result.place) if result.rig else None,
        "faults": [_fault_json(fault) for fault in result.faults],
        "repaired": _fault_json(result.repaired) if result.repaired else None,
        "marks": [
            {
                **_mark_json(heard, heard.heard.vector),
                "residual_deg": None if residual is None else math.degrees(residual),
                "sd_deg": math.degrees(heard.stated_sd_rad),
                "parallax_sd_deg": math.degrees(heard.parallax_sd_rad),
            }
            for heard, residual in zip(result.marks, result.residuals_rad, strict=True)
        ],
        "findings": findings_json(result.findings),
    }


def _fault_json(fault: ChannelFault) -> Json:
    """What may be wrong with the channels, and the mount it would mean."""
    return {
        "fault": fault.name,
        "share": fault.share,
        "xyz_from_take_xyz": fault.mic_from_take,
        "mount": mount_json(fault.mount, fault.angles),
    }


def mount_json(matrix: FloatArray | None, angles: YawPitchRoll | None) -> Json:
    """A mount, or nulls where it is not known."""
    yaw, pitch, roll = _angles_deg(angles) if angles else (None, None, None)
    return {"yaw_deg": yaw, "pitch_deg": pitch, "roll_deg": roll, "matrix": matrix}


def verify_json(result: VerifyResult) -> Json:
    """For `verify`."""
    from spatial.jobs.orient.mic_place import sight_facts, unseen_facts

    return {
        "clip": str(result.clip.path),
        "track": str(result.track.path),
        "offset_s": result.step.law.offset_s if result.step and result.step.law else None,
        "drift_ppm": result.step.law.drift_ppm if result.step and result.step.law else None,
        "marks": checks_json(result.marks),
        "mic_offset_shown_m": sight_facts(result.sight),
        "mic_offset_20cm_deg": unseen_facts(result.sight),
        "findings": findings_json(result.findings),
    }


def checks_json(marks: Sequence[tuple[MeasuredMark, MarkCheck]]) -> list[Json]:
    """Each mark, checked."""
    return [
        {
            **_mark_json(heard, check.measured),
            "error_deg": math.degrees(check.error_rad),
            "azimuth_error_deg": math.degrees(check.azimuth_rad),
            "elevation_error_deg": math.degrees(check.up_rad),
            "sd_deg": math.degrees(check.sd_rad),
            "track_error_deg": math.degrees(check.track_error_rad),
            "judged_by": check.judged_by.value,
            "verdict": check.verdict.value,
        }
        for heard, check in marks
    ]


def conform_json(result: ConformResult) -> Json:
    """For `conform`."""
    from spatial.jobs.conform.sidecar import level_facts, moves_facts, place_facts
    from spatial.jobs.orient.mic_place import sight_facts, unseen_facts

    step = result.proof.step
    return {
        "output": str(result.output),
        "samples": result.samples,
        "clip": str(result.sync.clip.path),
        "take": str(result.sync.take.path),
        "decided_by": result.sync.decided_by.value,
        "applied": {
            "offset_s": result.law.offset_s,
            "drift_ppm": result.law.drift_ppm,
            "mount": mount_json(result.mount, result.mount_angles),
            "mic_offset": place_facts(result.rig, result.orient.place if result.orient else None),
            "moves": moves_facts(result.rig),
            "level": level_facts(result.rig),
            "repaired": _fault_json(result.orient.repaired) if result.orient and result.orient.repaired else None,
        },
        "proof": {
            "offset_s": step.law.offset_s if step and step.law else None,
            "drift_ppm": step.law.drift_ppm if step and step.law else None,
            "marks": checks_json(result.proof.marks),
            "mic_offset_shown_m": sight_facts(result.proof.sight),
            "mic_offset_20cm_deg": unseen_facts(result.proof.sight),
        },
        "findings": findings_json(result.findings),
    }


def directions_json(result: DirectionsResult) -> Json:
    """For `directions`."""
    frames = result.frames
    columns = zip(
        frames.times_s,
        np.degrees(frames.azimuth_rad),
        np.degrees(frames.elevation_rad),
        np.degrees(frames.sd_rad),
        frames.diffuseness,
        frames.level_db,
        (int(source) or None for source in frames.source),
        strict=True,
    )
    names = ("time_s", "azimuth_deg", "elevation_deg", "sd_deg", "diffuseness", "level_db", "source")
    return {
        "take": str(result.take.path),
        "clip": str(result.sync.clip.path) if result.sync else None,
        "frames": [dict(zip(names, row, strict=True)) for row in columns],
        "findings": findings_json(result.findings),
    }


def findings_json(findings: Sequence[Finding]) -> list[Json]:
    """Findings, in order."""
    return [dict(written_out(finding)) for finding in findings]


def _mark_json(heard: MeasuredMark, measured: FloatArray) -> Json:
    expected_azimuth, expected_elevation = np.degrees(azimuth_elevation(heard.expected))
    known = bool(np.all(np.isfinite(measured)))
    azimuth, elevation = np.degrees(azimuth_elevation(measured)) if known else (None, None)
    return {
        "who": heard.mark.who,
        "start_s": heard.mark.start_s,
        "end_s": heard.mark.end_s,
        "expected_azimuth_deg": float(expected_azimuth),
        "expected_elevation_deg": float(expected_elevation),
        "measured_azimuth_deg": float(azimuth) if azimuth is not None else None,
        "measured_elevation_deg": float(elevation) if elevation is not None else None,
    }


def _angles_deg(angles: YawPitchRoll) -> tuple[float, float, float]:
    return (math.degrees(angles.yaw_rad), math.degrees(angles.pitch_rad), math.degrees(angles.roll_rad))
