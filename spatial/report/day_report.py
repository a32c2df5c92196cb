"""A whole shoot day, as words and as JSON.

Functions: day_lines, day_json, all_findings; write_index (the page that leads to the clips' review pages).
"""

from pathlib import Path
from urllib.parse import quote

import numpy as np

from spatial.findings import Finding, Severity
from spatial.jobs.day.day_folder import DayClip, DayResult
from spatial.report.html import write_html
from spatial.report.json_output import Json, conform_json, findings_json, sync_json
from spatial.report.text import judged_in_words
from spatial.report.words import clock, findings_lines, ranked, sentence, side, table
from spatial.verification.placement import Verdict

_HEADER = ["clip", "take", "take starts", "clock", "microphone faced", "performers in place", "track"]


def all_findings(result: DayResult) -> list[Finding]:
    """Findings of the day and of each of its clips."""
    return [*result.findings, *(finding for clip in result.clips for finding in clip.findings)]


def day_lines(result: DayResult) -> list[str]:
    """One row a clip, findings under it."""
    lines = table(_HEADER, [_row(clip) for clip in result.clips])
    if remembered := sum(clip.remembered for clip in result.clips):
        lines += ["", _as_before(remembered, len(result.clips))]
    for clip in result.clips:
        if clip.findings:
            lines += ["", clip.clip.name, *findings_lines(clip.findings, said=["drift"])]
    checks = [check for clip in result.clips if clip.conform for _, check in clip.conform.proof.marks]
    if judged := judged_in_words(checks, columns=False):
        lines += ["", *judged]
    if result.findings:
        lines += ["", "The day as a whole", *findings_lines(result.findings)]
    return lines if result.pages is None else [*lines, "", pages_line(result.pages)]


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
        for entry in result.clips
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
                "sync": sync_json(clip.sync) if clip.sync else None,
                "conform": conform_json(clip.conform) if clip.conform else None,
                "findings": findings_json(clip.findings),
                "page": str(clip.page) if clip.page else None,
                "remembered": clip.remembered,
            }
            for clip in result.clips
        ],
        "unused_takes": [str(take) for take in result.unused_takes],
        "findings": findings_json(result.findings),
        "pages": str(result.pages) if result.pages else None,
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
    proved = f"{right} of {len(marks)}" if marks else "no marks"
    angles = conformed.mount_angles
    hung = ", upside down" if abs(angles.roll_rad) > np.pi / 2 else ""
    return [
        entry.clip.name,
        sync.take.path.name,
        begin,
        pace,
        side(float(np.degrees(angles.yaw_rad))) + hung,
        proved,
        conformed.output.name,
    ]
