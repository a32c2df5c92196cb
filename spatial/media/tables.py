"""The tables that people write: marks and moves, as CSV.

Goal: read who was seen where and when, and how the camera turned during a clip, from a spreadsheet or from text written
by hand, with errors that name file and row.
Conventions: spatial.conventions (azimuth, elevation; yaw, pitch, roll; time). Rows are numbered as a spreadsheet
numbers them: the line with the column names is row 1.
Functions: read_marks; read_open_marks, open_marks_text, has_marks (moments that are still to be marked); read_moves;
read_lines, split_cells, read_row (of any such table); Row (the values of one row, by column); text_cell, text_of_cell
(text that no spreadsheet takes for a formula).
Sources:
[1] OWASP, "CSV Injection": cells that begin with = + - @, a tab or a line's end, also in full width, are formulas to
spreadsheets; an apostrophe before them makes them text.
"""

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.errors import InputError, MarksFileError, MovesFileError, SoundplumbError
from spatial.field import azimuth_elevation
from spatial.media.intake import read_input
from spatial.picture import Picture
from spatial.rotation import Motion, YawPitchRoll, matrix_from_ypr
from spatial.timebase import DAY_S

# --- tables of any kind ---

_LONGEST_LINE = 2000
"""Letters; a row of names and numbers has a hundred. The reader of CSV stops at fields of 131 072."""

_MOST_LINES = 500_000
"""Two hours of rows for each of 60 pictures a second."""

_SHOWN = 40
"""Letters of a wrong value that are repeated in a message."""


class Row:
    """The values of one row by column."""

    def __init__(
        self,
        place: tuple[str, int],
        cells: dict[str, str],
        error: type[SoundplumbError],
        *,
        decimal_comma: bool,
        optional: str | None = None,
    ) -> None:
        """File and row number; `error` is what a bad value raises; `optional` the one column that may be empty."""
        self._place = f"{place[0]}, row {place[1]}"
        self._cells = cells
        self._error = error
        self._decimal_comma = decimal_comma
        self._optional = optional

    def text(self, column: str) -> str:
        """Return a value that must not be empty."""
        cell = self._cells.get(column, "")
        if not cell:
            every = f"every column but {self._optional}" if self._optional else "every column"
            raise self.error(f"{column} is empty; {every} needs a value")
        return cell

    def number(self, column: str) -> float:
        """Return a finite number."""
        cell = self.text(column)
        try:
            value = float(cell.replace(",", ".") if self._decimal_comma else cell)
        except ValueError:
            value = math.nan
        # Python reads 1_0 as ten; nobody else does.
        if not math.isfinite(value) or "_" in cell:
            raise self.error(f"{column} is '{cell[:_SHOWN]}', which is not a number; write it like 12.5")
        return value

    def has(self, column: str) -> bool:
        """Whether there is a value."""
        return bool(self._cells.get(column))

    def error(self, what: str) -> SoundplumbError:
        """Build the error that names file and row."""
        return self._error(f"{self._place}: {what}")


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line of read_lines, without the empty ones that spreadsheets leave at its end."""
    cells = [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    while cells and not cells[-1]:
        cells.pop()
    return cells


_FORMULA = re.compile(r"'*[=+\-@\uff1d\uff0b\uff0d\uff20]")


def text_cell(text: str) -> str:
    r"""A cell that holds text from outside, such as a file's name, so that a spreadsheet only shows it.

    What ends a line or is a tab becomes a blank; what would be a formula has an apostrophe before it ([1]).

    Examples
    --------
    >>> text_cell("=1+1.mov"), text_cell("take\n2.wav"), text_cell("b-2.wav")
    ("'=1+1.mov", 'take 2.wav', 'b-2.wav')
    """
    plain = " ".join(re.split(r"[\t\r\n\v\f\x1c-\x1e\x85\u2028\u2029]+", text)).strip()
    return f"'{plain}" if _FORMULA.match(plain) else plain


def text_of_cell(cell: str) -> str:
    """The text in a cell that text_cell wrote, or that somebody typed.

    Examples
    --------
    >>> text_of_cell("'=Odile"), text_of_cell("'Odile'")
    ('=Odile', "'Odile'")
    """
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def read_row(
    place: tuple[str, int],
    line: str,
    columns: Sequence[str],
    delimiter: str,
    error: type[SoundplumbError],
    *,
    optional: str | None = None,
) -> Row:
    """One row under its column names; place, error and optional as in Row.

    Raises
    ------
    SoundplumbError
        Of the type given: there are more values than columns.
    """
    cells = split_cells(line, delimiter)
    named = dict(zip(columns, cells, strict=False))
    row = Row(place, named, error, decimal_comma=delimiter == ";", optional=optional)
    if len(cells) > len(columns):
        raise row.error(f"there are {len(cells)} values for {len(columns)} columns; a decimal comma counts as two")
    return row


def read_lines(path: Path, what: str, error: type[SoundplumbError], *, most_bytes: int) -> list[str]:
    """Lines of a text file, first line first; `what` says in one word what it holds.

    Raises
    ------
    `error`
        Not an ordinary file, larger than `most_bytes`, no text, or with more or longer lines than such a table has.
    """
    raw = read_input(path, f"{what} file", error, most_bytes=most_bytes)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise error(f"{path.name} is not a {what} file; export the {what} as CSV in UTF-8")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    # Counted before they are cut apart: each line costs some ten times its length in memory.
    if text.count("\n") > _MOST_LINES:
        raise error(f"{path.name} has more than {_MOST_LINES} lines, so it is no {what} file; name another")
    lines = text.split("\n")
    for number, line in enumerate(lines, start=1):
        if len(line) > _LONGEST_LINE:
            raise error(
                f"{path.name}, row {number}: this line has {len(line)} letters, and no row of {what} has more than "
                f"{_LONGEST_LINE}; export the {what} as CSV, one row to a line"
            )
    return lines


# --- marks ---

_ALWAYS = ("who", "start_s", "end_s")
"""Columns of every marks file; then those of angles, those of pixels in place of them, and the one that may be left
out."""

_ANGLES = ("azimuth_deg", "elevation_deg")
_PIXELS = ("x_px", "y_px")
_DISTANCE = "distance_m"
_MARK_COLUMNS = (*_ALWAYS, *_ANGLES, *_PIXELS, _DISTANCE)

_NEAREST_M, _FARTHEST_M = 0.01, 1000.0
"""Nobody performs nearer to a lens, or can be heard from farther: such a number is in another unit."""

_MOST_MARK_BYTES = 100_000
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
    body, columns, delimiter, pixels = _marks_table(path)
    if pixels and no_pixels is not None:
        raise MarksFileError(f"{path.name} gives places in pixels, but {no_pixels}")
    if pixels and picture is None:
        raise MarksFileError(
            f"{path.name} gives places in pixels; add --picture LAYOUT to say how the picture is laid out"
        )
    marks = []
    for number, line in body:
        row = read_row((path.name, number), line, columns, delimiter, MarksFileError, optional=_DISTANCE)
        if not _is_open(row):
            marks.append(_mark(row, picture if pixels else None))
    if not marks:
        raise MarksFileError(
            f"{path.name} names {len(body)} moments and says of none where its performer is seen: open it with review "
            "and mark them in the page, or fill in the directions"
        )
    return tuple(marks)


@dataclass(frozen=True, slots=True)
class OpenMark:
    """A row of a marks file that says who and when, and not yet where."""

    who: str
    start_s: float
    """Clip time."""
    end_s: float


def read_open_marks(path: Path | str) -> tuple[OpenMark, ...]:
    """The rows of a marks file that are still to be marked: both directions of each are empty.

    Raises
    ------
    MarksFileError
        The file cannot be read as marks, or such a row holds something else than it should.
    """
    path = Path(path)
    body, columns, delimiter, _ = _marks_table(path)
    rows = [read_row((path.name, n), line, columns, delimiter, MarksFileError, optional=_DISTANCE) for n, line in body]
    return tuple(OpenMark(*_who_and_when(row)) for row in rows if _is_open(row))


def has_marks(path: Path | str) -> bool:
    """Whether any row of a marks file says where somebody is seen.

    Raises
    ------
    MarksFileError
        The file cannot be read as marks.
    """
    path = Path(path)
    body, columns, delimiter, _ = _marks_table(path)
    rows = [read_row((path.name, n), line, columns, delimiter, MarksFileError, optional=_DISTANCE) for n, line in body]
    return not all(_is_open(row) for row in rows)


def open_marks_text(marks: Iterable[OpenMark]) -> str:
    """A marks file of rows that are still to be marked."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*_ALWAYS, *_ANGLES, _DISTANCE))
    writer.writerows((text_cell(mark.who), f"{mark.start_s:.2f}", f"{mark.end_s:.2f}", "", "", "") for mark in marks)
    return out.getvalue()


def _is_open(row: Row) -> bool:
    """Whether a row says who and when, and nothing of where."""
    when = row.has("start_s") and row.has("end_s")
    return when and not any(row.has(column) for column in (*_ANGLES, *_PIXELS))


def _marks_table(path: Path) -> tuple[list[tuple[int, str]], list[str], str, bool]:
    """Numbered rows, names of the columns, what stands between cells, and whether places are in pixels."""
    lines = [
        (number, line)
        for number, line in enumerate(read_lines(path, "marks", MarksFileError, most_bytes=_MOST_MARK_BYTES), start=1)
        if line.strip(" \t,;")
    ]
    if not lines:
        raise MarksFileError(f"{path.name} is empty; its first line must name the columns: {_wanted()}")
    (head_number, head), *body = lines
    delimiter = ";" if ";" in head else ","
    columns = [column.lower() for column in split_cells(head, delimiter)]
    pixels = _check_columns(columns, f"{path.name}, row {head_number}")
    if not body:
        raise MarksFileError(f"{path.name} has no marks after its column names; write one row for each")
    if len(body) > _MOST_MARKS:
        raise MarksFileError(
            f"{path.name} has {len(body)} marks, and {_MOST_MARKS} are the most; a handful, well apart, tell as much"
        )
    return body, columns, delimiter, pixels


def _who_and_when(row: Row) -> tuple[str, float, float]:
    who, start_s, end_s = text_of_cell(row.text("who")), row.number("start_s"), row.number("end_s")
    if start_s < 0:
        raise row.error(f"start_s is {start_s:g}; a mark cannot start before the clip does, at 0")
    if end_s <= start_s:
        raise row.error(f"end_s is {end_s:g}, which is not after start_s, {start_s:g}")
    if not who.isprintable():
        raise row.error(f"who is {who[:LONGEST_NAME]!r}, which cannot be shown; write it in plain letters")
    if len(who) > LONGEST_NAME:
        raise row.error(f"who is {len(who)} letters long; write a name of at most {LONGEST_NAME}")
    return who, start_s, end_s


def _mark(row: Row, picture: Picture | None) -> Mark:
    who, start_s, end_s = _who_and_when(row)
    azimuth_rad, elevation_rad = _angles(row) if picture is None else _seen(row, picture)
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
        if column not in _MARK_COLUMNS:
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


# --- moves ---

_MOVE_COLUMNS = ("time_s", "yaw_deg", "pitch_deg", "roll_deg")
_WANTED = ",".join(_MOVE_COLUMNS)
_LIMITS_DEG = {"yaw_deg": 36_000.0, "pitch_deg": 90.0, "roll_deg": 360.0}
"""Largest size of each angle, degrees: the yaw of a camera that turns round and round counts on beyond 360, up to a
hundred turns."""

_WIDEST_STEP_DEG = 90.0
"""From one row to the next the shorter way is meant; of more than this one cannot be sure of it."""

_LATEST_S = DAY_S
"""Clips are shorter than a day."""

_MOST_MOVE_BYTES = 20_000_000
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
    found = read_lines(path, "moves", MovesFileError, most_bytes=_MOST_MOVE_BYTES)
    lines = [(number, line) for number, line in enumerate(found, start=1) if line.strip(" \t,;")]
    if not lines:
        raise MovesFileError(f"{path.name} is empty; its first line must name the columns: {_WANTED}")
    (head_number, head), *body = lines
    delimiter = ";" if ";" in head else ","
    columns = [column.lower() for column in split_cells(head, delimiter)]
    if sorted(columns) != sorted(_MOVE_COLUMNS):
        raise MovesFileError(
            f"{path.name}, row {head_number}: the columns are {_WANTED}, and this row names {','.join(columns)}"
        )
    if not body:
        raise MovesFileError(f"{path.name} has no moves after its column names; write one row for each moment")
    times_s: list[float] = []
    matrices = []
    for number, line in body:
        row = read_row((path.name, number), line, columns, delimiter, MovesFileError)
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
