"""A whole shoot day, as words and as JSON.

Functions: day_lines, day_json, all_findings; write_index (the page that leads to the clips' review pages).
"""

from collections import Counter
from pathlib import Path
from urllib.parse import quote

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.findings import Finding, Severity, is_bad
from spatial.jobs.conform.track_memory import ConformResult
from spatial.jobs.day.day_result import DayClip, DayResult, Status, worst_first
from spatial.jobs.day.other_recordings import OtherRecording
from spatial.report.html import write_html
from spatial.report.json_output import Json, conform_json, findings_json, mount_json, sync_json
from spatial.report.text import judged_in_words
from spatial.report.words import clock, findings_lines, ranked, sentence, side, table
from spatial.verification.placement import Verdict

_HEADER = ["clip", "status", "take", "take starts", "clock", "microphone faced (± 95 %)", "performers in place"]

_STATUS = {
    Status.FAULTY_TAKE: ("faulty take", "has a faulty take", "have a faulty take"),
    Status.NO_TAKE: ("no take", "has no take", "have no take"),
    Status.NEEDS_LOOK: ("needs a look", "needs a look", "need a look"),
    Status.NEEDS_MARKS: ("needs marks", "needs marks", "need marks"),
    Status.BEING_DONE: ("being done", "is being done", "are being done"),
    Status.READY: ("ready", "ready", "ready"),
}
"""Each status in words: in the table, and in the last line for one clip and for several."""

_MEND = ("must be mended", "must be mended", "must be mended")
"""The same of a clip that needs a look because something about it is marked FIX."""


def all_findings(result: DayResult) -> list[Finding]:
    """Findings of the day and of each of its clips."""
    return [*result.findings, *(finding for clip in result.clips for finding in clip.findings)]


def day_lines(result: DayResult) -> list[str]:
    """One row a clip, the worst first, then findings in the same order; in the last line, how many stand where."""
    clips = worst_first(result.clips)
    lines = table(_HEADER, [_row(clip) for clip in clips])
    if remembered := sum(clip.remembered for clip in clips):
        lines += ["", _as_before(remembered, len(clips))]
    for clip in clips:
        if said := [*findings_lines(clip.findings, said=["drift"]), *_others_lines(clip)]:
            lines += ["", clip.clip.name, *said]
    checks = [check for clip in clips if clip.conform for _, check in clip.conform.proof.marks]
    if judged := judged_in_words(checks, columns=False):
        lines += ["", *judged]
    if result.findings:
        lines += ["", "The day as a whole", *findings_lines(result.findings)]
    tracks = {clip.conform.output.parent for clip in clips if clip.conform}
    lines += ["", *(f"Tracks are in {folder}, each called as its clip." for folder in sorted(tracks))]
    if bad := [clip.conform.output.name for clip in clips if clip.conform and is_bad(clip.findings)]:
        lines.append(f"Do not use {' or '.join(bad)} before what is marked FIX above is mended.")
    if result.unwritten:
        lines.append("To write which take is whose into shoot.toml, add --remember.")
    return [*lines, *([pages_line(result.pages)] if result.pages else []), summary_line(result)]


def summary_line(result: DayResult) -> str:
    """How many clips stand where, those that are ready first.

    "14 ready, 2 need marks, 1 has no take"
    """
    found = Counter(_words(clip) for clip in result.clips)
    order = [_STATUS[status] for status in reversed(Status)]
    order.insert(order.index(_STATUS[Status.NEEDS_LOOK]) + 1, _MEND)
    counts = [(words, found[words]) for words in order if found[words]]
    return ", ".join(f"{count} {words[1 if count == 1 else 2]}" for words, count in counts)


def status_in_words(entry: DayClip) -> str:
    """Where a clip stands, as a person reads it."""
    return _words(entry)[0]


def _words(entry: DayClip) -> tuple[str, str, str]:
    # To be looked at and to be mended are one status, but nobody is to take the one for the other.
    return _MEND if entry.status is Status.NEEDS_LOOK and is_bad(entry.findings) else _STATUS[entry.status]


def _as_before(remembered: int, clips: int) -> str:
    """That nothing was measured of some clips."""
    which = f"{remembered} of {clips} clips" if remembered < clips else "1 clip" if clips == 1 else f"all {clips} clips"
    return f"The track of {which} was there, made from what lies here now: it is shown as it was."


def pages_line(pages: Path) -> str:
    """Where to look and listen."""
    return f"To look and to listen, open {pages} in a browser; headphones: start low."


def write_index(result: DayResult, path: Path) -> None:
    """Write the page that leads to each clip's review page, which lies in a folder beside it."""
    # It brings a drawing library along, whose start a day without pages need not wait for.
    from spatial.report.plots.style import legible

    rows = [
        {
            "name": legible(entry.clip.name),
            "link": "/".join(quote(part, errors="surrogateescape") for part in entry.page.parts[-2:])
            if entry.page
            else "",
            "cells": [legible(cell) for cell in _row(entry)[1:]],
            "findings": [
                {"severity": finding.severity.value, "message": legible(sentence(finding.message))}
                for finding in ranked(entry.findings)
                if finding.severity is not Severity.NOTE
            ],
        }
        for entry in worst_first(result.clips)
    ]
    title = f"Clips of {legible(result.folder.resolve().name)}"
    write_html("day.html.j2", path, title=title, style="page.css", header=_HEADER, rows=rows)


def day_json(result: DayResult) -> Json:
    """For `day`."""
    return {
        "folder": str(result.folder),
        "clips": [
            {
                "clip": str(clip.clip),
                "status": clip.status.value,
                **_answer(clip),
                "sync": sync_json(clip.sync) if clip.sync else None,
                "conform": conform_json(clip.conform) if clip.conform else None,
                "other_recordings": [_other_json(other) for other in clip.other_recordings],
                "findings": findings_json(clip.findings),
                "page": str(clip.page) if clip.page else None,
                "remembered": clip.remembered,
            }
            for clip in result.clips
        ],
        "unused_takes": [str(take) for take in result.unused_takes],
        "summary": {status.value: count for status, count in result.summary.items()},
        "findings": findings_json(result.findings),
        "pages": str(result.pages) if result.pages else None,
    }


def _other_json(other: OtherRecording) -> Json:
    """What another microphone has of a clip."""
    law = other.law
    return {
        "recording": str(other.path),
        "matched": law is not None,
        "reason": other.reason or None,
        "offset_s": law.offset_s if law else None,
        "offset_sd_s": other.sd_s,
        "drift_ppm": law.drift_ppm if law else None,
        "covered_from_s": other.covered_s[0] if other.covered_s else None,
        "covered_until_s": other.covered_s[1] if other.covered_s else None,
        "inverted": other.inverted,
        "output": str(other.output) if other.output else None,
    }


def _others_lines(clip: DayClip) -> list[str]:
    """One line for each other recording that has something of a clip."""
    lines = []
    for other in clip.other_recordings:
        if other.law is None or other.covered_s is None:
            continue
        start_s, stop_s = other.covered_s
        all_of_it = f"from {start_s:.1f} s to {stop_s:.1f} s of it"
        undone = (
            "not written, as is said of the clip" if clip.conform else "not written before the clip's track is made"
        )
        where = f"in {other.output.name}" if other.output else undone
        spread = f"±{SDS_OF_95 * 1e3 * (other.sd_s or 0.0):.1f} ms"
        lines.append(f"  also  {other.path.name} heard it {all_of_it} ({spread}), {where}.")
    return lines


def _answer(clip: DayClip) -> Json:
    """What most readers want of a clip, as `sync` and `conform` below it have it too."""
    law = clip.sync.true_estimate.law if clip.sync else None
    made = clip.conform
    sd = made.mount_sd_rad if made else None
    return {
        "take": str(clip.sync.take.path) if clip.sync and law else None,
        "offset_s": law.offset_s if law else None,
        "drift_ppm": law.drift_ppm if law else None,
        "mount": mount_json(made.mount, made.mount_angles) if made else None,
        "sd_deg": dict(zip(("yaw", "pitch", "roll"), np.degrees([sd.yaw_rad, sd.pitch_rad, sd.roll_rad]), strict=True))
        if sd
        else None,
        "track": str(made.output) if made else None,
    }


def _row(entry: DayClip) -> list[str]:
    sync, conformed = entry.sync, entry.conform
    first = [entry.clip.name, status_in_words(entry)]
    if sync is None or sync.estimate.law is None:
        return [*first, "none", "-", "-", "-", "-"]
    law = sync.true_estimate.law
    assert law is not None
    begin = f"{abs(law.offset_s):.3f} s {'before' if law.offset_s >= 0 else 'after'}"
    pace = "agrees"
    if sync.estimate.drift_significant:
        pace = clock(law.drift_ppm)
    told = [*first, sync.take.path.name, begin, pace]
    if conformed is not None:
        return [*told, _faced(conformed), _proved(conformed) + (", but see FIX" if is_bad(entry.findings) else "")]
    if entry.older is not None:
        return [*told, f"{_faced(entry.older)} (older track)", f"{_proved(entry.older)} (older track)"]
    return [*told, "not known", "-"]


def _proved(conformed: ConformResult) -> str:
    """How many performers are in place in a track."""
    marks = conformed.proof.marks
    right = sum(check.verdict is Verdict.IN_PLACE for _, check in marks)
    return f"{right} of {len(marks)}" if marks else "no marks"


def _faced(conformed: ConformResult) -> str:
    """Which way the microphone faced, and how sure that is in 95 cases of 100; what was given has no uncertainty."""
    angles, sd = conformed.mount_angles, conformed.mount_sd_rad
    hung = ", upside down" if abs(angles.roll_rad) > np.pi / 2 else ""
    within = f" ±{SDS_OF_95 * np.degrees(sd.yaw_rad):.0f}°" if sd is not None and np.isfinite(sd.yaw_rad) else ""
    return side(float(np.degrees(angles.yaw_rad))) + within + hung
