"""A day's table: names of files are text to a spreadsheet, whatever they begin with.

Source: OWASP, "CSV Injection" (which cells a spreadsheet takes for formulas).
"""

import csv
from pathlib import Path

import pytest

from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.report.day_table import COLUMNS, day_csv


@pytest.mark.parametrize(
    ("name", "cell"),
    [
        ("=1+1.mov", "'=1+1.mov"),
        ("+1.mov", "'+1.mov"),
        ("-1.mov", "'-1.mov"),
        ("@SUM(1).mov", "'@SUM(1).mov"),
        ("\t=1.mov", "'=1.mov"),
        ("\r=1.mov", "'=1.mov"),
        (" =1.mov", "'=1.mov"),
        ("two\nlines.mov", "two lines.mov"),
        ("b-1=2.mov", "b-1=2.mov"),
    ],
)
def test_names_are_text_to_a_spreadsheet(name, cell):
    said = Finding(Code.NOT_DONE, Severity.FIX, f"{name} cannot be read", name)
    clip = DayClip(Path("day") / name, None, None, (said,))
    text = day_csv(DayResult(Path("day"), (clip,), (), ()), lambda entry: entry.clip.name)
    assert text.count("\n") == 2
    (row,) = csv.DictReader(text.splitlines())
    assert tuple(row) == COLUMNS
    assert (row["clip"], row["track"]) == (cell, cell)
    assert row["findings"].startswith("fix: ")
