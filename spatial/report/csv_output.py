"""Results as CSV rows.

Functions: check_table; write_directions_csv.
"""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from spatial.errors import OutputError
from spatial.jobs.directions import DirectionsResult
from spatial.media.output import write_text_whole
from spatial.media.ownership import TABLE_DIGITS, TABLE_HEAD, Kind, may_be_written


def check_table(path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Refuse a table that must not be written, before the work that it is to hold.

    Raises
    ------
    OutputError
        The suffix is not .csv, or `spatial.media.ownership` refuses the file.
    """
    if path.suffix.lower() != ".csv":
        raise OutputError(
            f"a table is written as CSV, and '{path}' does not say so; end its name in .csv, as in take.csv"
        )
    may_be_written(path, Kind.TABLE, force=force, inputs=inputs)


def write_directions_csv(result: DirectionsResult, path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Write directions over time; cells are empty where nothing direct was heard; several at once have a row each.

    Raises
    ------
    OutputError
        As of check_table; or the file cannot be written.
    """
    check_table(path, force=force, inputs=inputs)
    frames = result.frames
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(TABLE_HEAD)
    columns = (
        frames.times_s,
        np.degrees(frames.azimuth_rad),
        np.degrees(frames.elevation_rad),
        np.degrees(frames.sd_rad),
        frames.diffuseness,
        frames.level_db,
        np.where(frames.source > 0, frames.source, np.nan),
    )
    for row in zip(*columns, strict=True):
        writer.writerow(
            [
                f"{value:.{digits}f}" if np.isfinite(value) else ""
                for value, digits in zip(row, TABLE_DIGITS, strict=True)
            ]
        )
    write_text_whole(path, text.getvalue(), Kind.TABLE, force=force, inputs=inputs)
