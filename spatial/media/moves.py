"""The moves file: how the camera turned during a clip.

Conventions: spatial.conventions (yaw, pitch, roll; time). Rows are numbered as a spreadsheet numbers them.
Functions: read_moves.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.errors import MovesFileError
from spatial.media.sheets import Row, read_lines, split_cells
from spatial.rotation import Motion, YawPitchRoll, matrix_from_ypr

_COLUMNS = ("time_s", "yaw_deg", "pitch_deg", "roll_deg")
_WANTED = ",".join(_COLUMNS)
_LIMITS_DEG = {"yaw_deg": 36_000.0, "pitch_deg": 90.0, "roll_deg": 360.0}
_WIDEST_STEP_DEG = 90.0
"""From one row to the next the shorter way is meant; of more than this one cannot be sure of it."""

_LATEST_S = 86_400.0
"""Clips are shorter than a day."""

_MOST_BYTES = 20_000_000
"""An hour of rows for each of 60 pictures a second has less."""


@dataclass(frozen=True, slots=True, eq=False)
class CameraMoves:
    """How the camera turned during a clip, against where it looked at 0, 0, 0."""

    path: Path
    motion: Motion
    """set_from_camera over clip time: a direction in the picture, multiplied by it, in the axes that stand still."""


def read_moves(path: Path | str) -> CameraMoves:
    """Read a moves file.

    Parameters
    ----------
    path : path
        CSV in UTF-8, comma or semicolon (then with decimal commas or points), columns in any order:
        time_s (clip time, rising), yaw_deg, pitch_deg, roll_deg of the camera.

    Returns
    -------
    CameraMoves

    Raises
    ------
    MovesFileError
        The file cannot be read as moves, or a row holds something else than it should; file and row are named.
    """
    path = Path(path)
    found = read_lines(path, "moves", MovesFileError, most_bytes=_MOST_BYTES)
    lines = [(number, line) for number, line in enumerate(found, start=1) if line.strip(" \t,;")]
    if not lines:
        raise MovesFileError(f"{path.name} is empty; its first line must name the columns: {_WANTED}")
    (head_number, head), *body = lines
    delimiter = ";" if ";" in head else ","
    columns = [column.lower() for column in split_cells(head, delimiter)]
    if sorted(columns) != sorted(_COLUMNS):
        raise MovesFileError(
            f"{path.name}, row {head_number}: the columns are {_WANTED}, and this row names {','.join(columns)}"
        )
    if not body:
        raise MovesFileError(f"{path.name} has no moves after its column names; write one row for each moment")
    times_s: list[float] = []
    matrices = []
    for number, line in body:
        cells = split_cells(line, delimiter)
        row = Row(
            (path.name, number),
            dict(zip(columns, cells, strict=False)),
            MovesFileError,
            decimal_comma=delimiter == ";",
        )
        if len(cells) > len(columns):
            raise row.error(f"there are {len(cells)} values for {len(columns)} columns; a decimal comma counts as two")
        time_s = row.number("time_s")
        if abs(time_s) > _LATEST_S:
            raise row.error(f"time_s is {time_s:g}; write seconds from the clip's first picture, within a day")
        if times_s and time_s <= times_s[-1]:
            raise row.error(f"time_s is {time_s:g}, which is not after {times_s[-1]:g} in the row before")
        times_s.append(time_s)
        matrices.append(matrix_from_ypr(YawPitchRoll.from_degrees(*(_angle(row, column) for column in _LIMITS_DEG))))
    motion = Motion(np.array(times_s), np.stack(matrices))
    wide = np.flatnonzero(np.degrees(motion.angles_rad) > _WIDEST_STEP_DEG + 1e-6)
    if wide.size:
        raise MovesFileError(
            f"{path.name}, row {body[wide[0] + 1][0]}: the camera turns {np.degrees(motion.angles_rad[wide[0]]):.0f}° "
            f"from the row before, and which way round is not sure above {_WIDEST_STEP_DEG:.0f}°; write rows between"
        )
    return CameraMoves(path, motion)


def _angle(row: Row, column: str) -> float:
    angle = row.number(column)
    if abs(angle) > _LIMITS_DEG[column]:
        raise row.error(
            f"{column} is {angle:g}; write degrees from {-_LIMITS_DEG[column]:g} to {_LIMITS_DEG[column]:g}"
        )
    return angle
