"""A day as a table: one row a clip, for spreadsheets and programs.

Functions: day_csv.
"""

import csv
import io
from collections.abc import Callable

import numpy as np

from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.media.tables import text_cell
from spatial.report.words import ranked
from spatial.verification.placement import Verdict

COLUMNS = (
    *("clip", "status", "take", "offset_s", "offset_sd_s", "drift_ppm", "drift_sd_ppm"),
    *("yaw_deg", "pitch_deg", "roll_deg", "yaw_sd_deg", "pitch_sd_deg", "roll_sd_deg"),
    *("track", "start_timecode", "frame_rate", "duration_s", "performers_in_place", "performers", "findings"),
)


def day_csv(day: DayResult, track_name: Callable[[DayClip], str]) -> str:
    """The table, in the order of the clips' names; cells are empty where nothing is known.

    Parameters
    ----------
    day : DayResult
    track_name : callable
        What a clip's track is called where the table lies; empty where it has none.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for entry in day.clips:
        writer.writerow(_row(entry, track_name(entry)))
    return text.getvalue()


def _row(entry: DayClip, track: str) -> dict[str, str]:
    row = {"clip": text_cell(entry.clip.name), "status": entry.status.value, "track": text_cell(track)}
    row["findings"] = text_cell(" | ".join(f"{said.severity.value}: {said.message}" for said in ranked(entry.findings)))
    sync, made = entry.sync, entry.conform
    if sync is not None:
        clip = sync.clip
        row["start_timecode"] = text_cell(clip.start_timecode or "")
        row["frame_rate"] = str(clip.frame_rate or "")
        row["duration_s"] = _number(clip.duration_s, 3)
        if sync.estimate.matched:
            row["take"] = text_cell(sync.take.path.name)
            row["offset_s"], row["offset_sd_s"] = _number(sync.law.offset_s, 6), _number(sync.estimate.offset_sd_s, 6)
            row["drift_ppm"] = _number(sync.law.drift_ppm, 3)
            row["drift_sd_ppm"] = _number(sync.estimate.drift_sd_ppm, 3)
    if made is not None:
        angles, sd = made.mount_angles, made.mount_sd_rad
        for name in ("yaw", "pitch", "roll"):
            row[f"{name}_deg"] = _degrees(getattr(angles, f"{name}_rad"))
            row[f"{name}_sd_deg"] = "" if sd is None else _degrees(getattr(sd, f"{name}_rad"))
        verdicts = [check.verdict for _, check in made.proof.marks]
        row["performers"] = str(len(verdicts))
        row["performers_in_place"] = str(verdicts.count(Verdict.IN_PLACE))
    return row


def _degrees(angle_rad: float) -> str:
    return _number(float(np.degrees(angle_rad)), 2)


def _number(value: float | None, digits: int) -> str:
    return "" if value is None or not np.isfinite(value) else f"{value:.{digits}f}"
