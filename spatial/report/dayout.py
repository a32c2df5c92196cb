"""A whole shoot day, as words and as JSON.

Functions: day_lines, day_json, all_findings.
"""

import numpy as np

from spatial.analysis.verification import Verdict
from spatial.findings import Finding
from spatial.jobs.day import DayClip, DayResult
from spatial.report.jsonout import Json, conform_json, findings_json, sync_json
from spatial.report.words import clock, findings_lines, side, table


def all_findings(result: DayResult) -> list[Finding]:
    """Findings of the day and of each of its clips."""
    return [*result.findings, *(finding for clip in result.clips for finding in clip.findings)]


def day_lines(result: DayResult) -> list[str]:
    """One row a clip, findings under it."""
    header = ["clip", "take", "take starts", "clock", "microphone faced", "performers in place", "track"]
    lines = table(header, [_row(clip) for clip in result.clips])
    for clip in result.clips:
        if clip.findings:
            lines += ["", clip.clip.name, *findings_lines(clip.findings, said=["drift"])]
    return lines + findings_lines(result.findings)


def day_json(result: DayResult) -> Json:
    """For `day`."""
    return {
        "folder": str(result.folder),
        "clips": [
            {
                "clip": str(clip.clip),
                "sync": sync_json(clip.sync) if clip.sync else None,
                "conform": conform_json(clip.conform) if clip.conform else None,
                "findings": findings_json(clip.findings),
            }
            for clip in result.clips
        ],
        "unused_takes": [str(take) for take in result.unused_takes],
        "findings": findings_json(result.findings),
    }


def _row(entry: DayClip) -> list[str]:
    sync, conformed = entry.sync, entry.conform
    if sync is None or sync.estimate.law is None:
        return [entry.clip.name, "none", "-", "-", "-", "-", "-"]
    law = sync.true_estimate.law
    assert law is not None
    begin = f"{abs(law.offset_s):.3f} s {'before' if law.offset_s >= 0 else 'after'}"
    pace = "agrees"
    if sync.estimate.drift_significant:
        pace = clock(law.drift_ppm)
    if conformed is None:
        return [entry.clip.name, sync.take.path.name, begin, pace, "not known", "-", "-"]
    marks = conformed.proof.marks
    right = sum(check.verdict is Verdict.IN_PLACE for _, check in marks)
    angles = conformed.mount_angles
    hung = ", upside down" if abs(angles.roll_rad) > np.pi / 2 else ""
    return [
        entry.clip.name,
        sync.take.path.name,
        begin,
        pace,
        side(float(np.degrees(angles.yaw_rad))) + hung,
        f"{right} of {len(marks)}",
        conformed.output.name,
    ]
