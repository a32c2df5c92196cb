"""Small tables that people write: CSV from a spreadsheet or by hand, with errors that say where they are.

Rows are numbered as a spreadsheet numbers them: the line with the column names is row 1.
Functions: read_lines, split_cells; Row (the values of one row, by column).
"""

import csv
import math
from pathlib import Path

from spatial.errors import SoundplumbError


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
            raise self.error(f"{column} is '{cell}', which is not a number; write it like 12.5")
        return value

    def has(self, column: str) -> bool:
        """Whether there is a value."""
        return bool(self._cells.get(column))

    def error(self, what: str) -> SoundplumbError:
        """Build the error that names file and row."""
        return self._error(f"{self._place}: {what}")


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line, without the empty ones that spreadsheets leave at its end."""
    cells = [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def read_lines(path: Path, what: str, error: type[SoundplumbError], *, most_bytes: int) -> list[str]:
    """Lines of a text file, first line first; `what` says in one word what it holds."""
    try:
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except FileNotFoundError as cause:
        raise error(f"there is no {what} file {path}; check the name and the folder") from cause
    except IsADirectoryError as cause:
        raise error(f"{path} is a folder; name the {what} file in it") from cause
    except OSError as cause:
        raise error(f"{path} cannot be read ({cause.strerror}); check its permissions") from cause
    if len(raw) > most_bytes:
        raise error(f"{path.name} is larger than {most_bytes // 1000} kB, so it is no {what} file; name another")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise error(f"{path.name} is not a {what} file; export the {what} as CSV in UTF-8")
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
