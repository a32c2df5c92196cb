"""Small tables that people write: CSV from a spreadsheet or by hand, with errors that say where they are.

Rows are numbered as a spreadsheet numbers them: the line with the column names is row 1.
Functions: read_lines, split_cells; Row (the values of one row, by column).
"""

import csv
import math
from pathlib import Path

from spatial.errors import SoundplumbError
from spatial.media.intake import read_input

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
