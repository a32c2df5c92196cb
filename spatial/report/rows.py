"""Results as CSV rows.

Functions: write_directions_csv.
"""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from spatial.jobs.directions import DirectionsResult
from spatial.media.writing import write_text_whole


def write_directions_csv(result: DirectionsResult, path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Write directions over time; cells are empty where nothing direct was heard; several at once have a row each.

    Raises
    ------
    OutputError
        The file exists (without `force`), is an input, or cannot be written.
    """
    frames = result.frames
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["time_s", "azimuth_deg", "elevation_deg", "sd_deg", "diffuseness", "level_db", "source"])
    columns = (
        (frames.times_s, 3),
        (np.degrees(frames.azimuth_rad), 2),
        (np.degrees(frames.elevation_rad), 2),
        (np.degrees(frames.sd_rad), 2),
        (frames.diffuseness, 3),
        (frames.level_db, 1),
        (np.where(frames.source > 0, frames.source, np.nan), 0),
    )
    for row in zip(*(values for values, _ in columns), strict=True):
        writer.writerow(
            [
                f"{value:.{digits}f}" if np.isfinite(value) else ""
                for value, (_, digits) in zip(row, columns, strict=True)
            ]
        )
    write_text_whole(path, text.getvalue(), force=force, inputs=inputs)
