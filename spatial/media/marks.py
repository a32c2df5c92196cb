"""The marks file: who was seen where and when, as the crew wrote it down.

Conventions: spatial.conventions (azimuth, elevation; time). Rows are numbered as a spreadsheet numbers them:
the line with the column names is row 1.
Functions: read_marks.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.errors import InputError, MarksFileError
from spatial.field import azimuth_elevation
from spatial.media.sheets import Row, read_lines, split_cells
from spatial.picture import Picture

_ALWAYS = ("who", "start_s", "end_s")
_ANGLES = ("azimuth_deg", "elevation_deg")
_PIXELS = ("x_px", "y_px")
_DISTANCE = "distance_m"
_COLUMNS = (*_ALWAYS, *_ANGLES, *_PIXELS, _DISTANCE)

_NEAREST_M, _FARTHEST_M = 0.01, 1000.0
"""Nobody performs nearer to a lens, or can be heard from farther: such a number is in another unit."""

_MOST_BYTES = 100_000
"""A day of marks is a few thousand bytes; what is larger is another file, named by mistake."""

_MOST_MARKS = 500
"""Each is listened to: thousands take minutes, and no clip needs them."""

LONGEST_NAME = 100
"""Letters of a name, which must find room in tables, on stills and on the review page."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One performer, seen from the lens in one direction for a while."""

    who: str
    start_s: float
    """Clip time."""
    end_s: float
    """Clip time, after start_s."""
    azimuth_rad: float
    elevation_rad: float
    distance_m: float | None
    """From the lens; None where it was not written down."""
    pixel: tuple[float, float] | None = None
    """Across and down, where the mark was written in pixels."""


def read_marks(path: Path | str, *, picture: Picture | None = None, no_pixels: str | None = None) -> tuple[Mark, ...]:
    """Read a marks file.

    Parameters
    ----------
    path : path
        CSV in UTF-8, comma or semicolon (then with decimal commas or points), columns in any order:
        who, start_s, end_s, azimuth_deg, elevation_deg, distance_m; or x_px, y_px in place of the angles.
        Azimuths from -360 to 360 are folded into (-180, 180]. distance_m may be empty or left out.
    picture : Picture, optional
        How pixels look out; not used where the marks are angles.
    no_pixels : str, optional
        Why pixels of this clip say nothing of directions; not used where the marks are angles.

    Returns
    -------
    tuple of Mark
        In the order of the rows; at least one.

    Raises
    ------
    MarksFileError
        The file cannot be read as marks, or a row holds something else than it should; file and row are named.
    """
    path = Path(path)
    lines = [
        (number, line)
        for number, line in enumerate(read_lines(path, "marks", MarksFileError, most_bytes=_MOST_BYTES), start=1)
        if line.strip(" \t,;")
    ]
    if not lines:
        raise MarksFileError(f"{path.name} is empty; its first line must name the columns: {_wanted()}")
    (head_number, head), *body = lines
    delimiter = ";" if ";" in head else ","
    columns = [column.lower() for column in split_cells(head, delimiter)]
    pixels = _check_columns(columns, f"{path.name}, row {head_number}")
    if pixels and no_pixels is not None:
        raise MarksFileError(f"{path.name} gives places in pixels, but {no_pixels}")
    if pixels and picture is None:
        raise MarksFileError(
            f"{path.name} gives places in pixels; add --picture LAYOUT to say how the picture is laid out"
        )
    if not body:
        raise MarksFileError(f"{path.name} has no marks after its column names; write one row for each")
    if len(body) > _MOST_MARKS:
        raise MarksFileError(
            f"{path.name} has {len(body)} marks, and {_MOST_MARKS} are the most; a handful, well apart, tell as much"
        )
    marks = []
    for number, line in body:
        cells = split_cells(line, delimiter)
        row = Row(
            (path.name, number),
            dict(zip(columns, cells, strict=False)),
            MarksFileError,
            decimal_comma=delimiter == ";",
            optional=_DISTANCE,
        )
        if len(cells) > len(columns):
            raise row.error(f"there are {len(cells)} values for {len(columns)} columns; a decimal comma counts as two")
        marks.append(_mark(row, picture if pixels else None))
    return tuple(marks)


def _mark(row: Row, picture: Picture | None) -> Mark:
    who, start_s, end_s = row.text("who"), row.number("start_s"), row.number("end_s")
    if start_s < 0:
        raise row.error(f"start_s is {start_s:g}; a mark cannot start before the clip does, at 0")
    if end_s <= start_s:
        raise row.error(f"end_s is {end_s:g}, which is not after start_s, {start_s:g}")
    azimuth_rad, elevation_rad = _angles(row) if picture is None else _seen(row, picture)
    if not who.isprintable():
        raise row.error(f"who is {who[:LONGEST_NAME]!r}, which cannot be shown; write it in plain letters")
    if len(who) > LONGEST_NAME:
        raise row.error(f"who is {len(who)} letters long; write a name of at most {LONGEST_NAME}")
    distance_m = row.number(_DISTANCE) if row.has(_DISTANCE) else None
    if distance_m is not None and not _NEAREST_M <= distance_m <= _FARTHEST_M:
        raise row.error(f"{_DISTANCE} is {distance_m:g}; write metres from the lens, or leave it empty")
    pixel = None if picture is None else (row.number("x_px"), row.number("y_px"))
    return Mark(who, start_s, end_s, azimuth_rad, elevation_rad, distance_m, pixel)


def _angles(row: Row) -> tuple[float, float]:
    azimuth, elevation = row.number("azimuth_deg"), row.number("elevation_deg")
    if abs(azimuth) > 360:
        raise row.error(f"azimuth_deg is {azimuth:g}; write -180 to 180, positive to the left")
    if abs(elevation) > 90:
        raise row.error(f"elevation_deg is {elevation:g}; write -90 (down) to 90 (up)")
    folded = azimuth - 360 * math.ceil((azimuth - 180) / 360)
    return math.radians(folded), math.radians(elevation)


def _seen(row: Row, picture: Picture) -> tuple[float, float]:
    try:
        direction = picture.direction_from_pixel(row.number("x_px"), row.number("y_px"))
    except InputError as error:
        raise row.error(str(error)) from error
    azimuth, elevation = azimuth_elevation(np.asarray(direction))
    return float(azimuth), float(elevation)


def _check_columns(columns: list[str], place: str) -> bool:
    """Raise unless the columns are those of a marks file; whether the places are pixels."""
    for column in columns:
        if not column:
            raise MarksFileError(f"{place}: a column has no name; the columns are {_wanted()}")
        if column not in _COLUMNS:
            raise MarksFileError(f"{place}: there is no column '{column[:LONGEST_NAME]}'; the columns are {_wanted()}")
        if columns.count(column) > 1:
            raise MarksFileError(f"{place}: the column {column} stands there twice; keep one")
    pixels = any(column in columns for column in _PIXELS)
    if pixels and any(column in columns for column in _ANGLES):
        raise MarksFileError(f"{place}: there are both angles and pixels; keep one of the two")
    missing = [column for column in (*_ALWAYS, *(_PIXELS if pixels else _ANGLES)) if column not in columns]
    if missing:
        raise MarksFileError(f"{place}: the column {missing[0]} is missing; the columns are {_wanted()}")
    return pixels


def _wanted() -> str:
    return f"{','.join((*_ALWAYS, *_ANGLES, _DISTANCE))} (or {','.join(_PIXELS)} in place of the angles)"
