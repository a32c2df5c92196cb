"""The sidecar of a track: what was done to what, in numbers that can be done again.

Functions: sidecar_text; moves_facts, place_facts, level_facts (parts of it).
"""

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.field import Calibrated
from spatial.findings import Finding, written_out
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.judges import gave_facts
from spatial.jobs.orient.mic_place import sight_facts, unseen_facts
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.verify import VerifyResult
from spatial.media.ownership import BLANK_SEAL, digest_of
from spatial.mount.channel_faults import ChannelFault
from spatial.mount.mic_offset import OffsetJudgement
from spatial.rotation import ypr_from_matrix
from spatial.timebase import ClockLaw
from spatial.version import __version__


def sidecar_text(
    inputs: Sequence[Path],
    *,
    sync: SyncResult,
    law: ClockLaw,
    mount: FloatArray,
    rig: Rig,
    repaired: ChannelFault | None,
    output: Path,
    samples: int,
    proof: VerifyResult,
    findings: Sequence[Finding],
    oriented: OrientResult | None = None,
    digest: Callable[[Path], str] = digest_of,
    track_sha256: str | None = None,
    made_from: Mapping[str, object] | None = None,
    kept: str | None = None,
) -> str:
    """JSON text: version, inputs with sizes and hashes, every number applied, what it was worth, the proof.

    Parameters
    ----------
    digest : callable
        SHA-256 of an input.
    track_sha256 : str, optional
        Of the track as it goes to its place.
    made_from : mapping, optional
        What the track is tied to (spatial.jobs.conform.track_memory), and `kept`, the whole answer.
    """
    estimate, angles, step = sync.estimate, ypr_from_matrix(mount), proof.step
    clip, take = sync.clip, sync.take
    facts = {
        "soundplumb": __version__,
        "seal": BLANK_SEAL,
        "inputs": [{"path": str(path), "bytes": path.stat().st_size, "sha256": digest(path)} for path in inputs],
        "clip": {
            "path": str(clip.path),
            "duration_s": clip.duration_s,
            "frames": clip.frames,
            "frame_rate": str(clip.frame_rate) if clip.frame_rate else None,
            "start_timecode": clip.start_timecode,
        },
        "take": {
            "path": str(take.path),
            "files": [str(path) for path in take.paths],
            "rate_hz": take.rate_hz,
            "channels": take.channels,
            "read_as": take.channel_format.value,
            "microphone": take.channel_format.facts if isinstance(take.channel_format, Calibrated) else None,
        },
        "output": {
            "path": str(output),
            "sha256": track_sha256,
            "samples": samples,
            "rate_hz": DELIVERY_RATE_HZ,
            "bits": 24,
            "channel_order": "ACN",
            "normalisation": "SN3D",
        },
        "applied": {
            "offset_s": law.offset_s,
            "drift_ppm": law.drift_ppm,
            "steps": [{"clip_time_s": step.clip_time_s, "step_s": step.step_s} for step in law.steps],
            "mount": {
                "yaw_deg": float(np.degrees(angles.yaw_rad)),
                "pitch_deg": float(np.degrees(angles.pitch_rad)),
                "roll_deg": float(np.degrees(angles.roll_rad)),
                "matrix": mount.tolist(),
            },
            "mount_from": "given" if oriented is None else oriented.evidence,
            "mount_marks": [] if oriented is None else gave_facts(h.mark for h in oriented.marks if h.heard.heard),
            "mic_offset": place_facts(rig, oriented.place if oriented else None),
            "moves": moves_facts(rig),
            "level": level_facts(rig),
            "repaired": None
            if repaired is None
            else {
                "fault": repaired.name,
                "xyz_from_take_xyz": repaired.mic_from_take.tolist(),
            },
            "sound_from_s": sync.covered_s[0],
            "sound_until_s": sync.covered_s[1],
        },
        "decided_by": sync.decided_by.value,
        "measured": {
            "offset_sd_s": estimate.offset_sd_s,
            "drift_ppm": estimate.law.drift_ppm if estimate.law else None,
            "drift_sd_ppm": estimate.drift_sd_ppm,
            "drift_significant": estimate.drift_significant,
        },
        "proof": {
            "offset_s": step.law.offset_s if step and step.law else None,
            "drift_ppm": step.law.drift_ppm if step and step.law else None,
            "marks": [
                {
                    "who": heard.mark.who,
                    "verdict": check.verdict.value,
                    "error_deg": _degrees(check.error_rad),
                    "track_error_deg": _degrees(check.track_error_rad),
                    "judged_by": check.judged_by.value,
                }
                for heard, check in proof.marks
            ],
            "mic_offset_shown_m": sight_facts(proof.sight),
            "mic_offset_20cm_deg": unseen_facts(proof.sight),
        },
        "findings": [written_out(finding) for finding in findings],
        "made_from": made_from,
        "kept": kept,
    }
    return json.dumps(facts, indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def moves_facts(rig: Rig) -> dict[str, object] | None:
    """The camera's moves that a track was turned against; None where it was not turned in time."""
    if rig.moves is None:
        return None
    motion = rig.moves.motion
    return {
        "path": str(rig.moves.path),
        "rows": motion.times_s.size,
        "from_s": float(motion.times_s[0]),
        "until_s": float(motion.times_s[-1]),
        "order": "repaired, mount, then the camera's turn taken back at every moment, then level",
    }


def place_facts(rig: Rig, place: OffsetJudgement | None) -> dict[str, object]:
    """Where the microphone is taken to have hung, and what the clip itself says of it."""
    axes = ("forward", "left", "up")
    return {
        "given_m": list(rig.mic_offset_m),
        "given_sd_m": rig.mic_offset_sd_m,
        "fits_m": None if place is None else (np.asarray(rig.mic_offset_m) + place.difference_m).tolist(),
        "fits_sd_m": None if place is None else place.sd_m.tolist(),
        "wrong_share": None if place is None else place.wrong,
        "measured": [] if place is None else [axis for axis, told in zip(axes, place.told, strict=True) if told],
    }


def level_facts(rig: Rig) -> dict[str, object] | None:
    """How a track was turned along with a levelled picture; None where it was not."""
    if rig.levelled is None:
        return None
    angles = ypr_from_matrix(rig.levelled)
    return {
        "pitch_deg": float(np.degrees(angles.pitch_rad)),
        "roll_deg": float(np.degrees(angles.roll_rad)),
        "matrix": rig.levelled.tolist(),
    }


def _degrees(angle_rad: float) -> float | None:
    return float(np.degrees(angle_rad)) if np.isfinite(angle_rad) else None
