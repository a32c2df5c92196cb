"""Marks files whose directions are still empty: read as moments to be marked, never as marks."""

import csv

import pytest

from spatial.errors import MarksFileError
from spatial.media.tables import OpenMark, has_marks, open_marks_text, read_marks, read_open_marks

HEAD = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"


def test_what_is_suggested_is_read_again(tmp_path):
    names = ("Odile, left", "Bo", "=1+1", "-2", "@Ilse", "+1", "'=x", "'Jo'", "\uff1d1")
    told = tuple(OpenMark(name, 1.5 + n, 4.25 + n) for n, name in enumerate(names))
    file = tmp_path / "scene.moments.csv"
    file.write_text(open_marks_text(told), encoding="utf-8")
    assert read_open_marks(file) == told
    cells = [row["who"] for row in csv.DictReader(file.read_text(encoding="utf-8").splitlines())]
    assert cells == ["Odile, left", "Bo", "'=1+1", "'-2", "'@Ilse", "'+1", "''=x", "'Jo'", "'\uff1d1"]
    assert not has_marks(file)
    with pytest.raises(MarksFileError, match=r"names 9 moments and says of none where .* open it with review"):
        read_marks(file)


def test_filled_in_rows_are_marks_and_the_others_wait(tmp_path):
    file = tmp_path / "scene.marks.csv"
    file.write_text(HEAD + "Odile,1,4,20,5,2\nBo,10,12,,,\n", encoding="utf-8")
    (mark,) = read_marks(file)
    assert (mark.who, has_marks(file)) == ("Odile", True)
    assert read_open_marks(file) == (OpenMark("Bo", 10.0, 12.0),)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("Bo,10,12,20,,", "row 2: elevation_deg is empty"),
        ("Bo,12,10,,,", "row 2: end_s is 10, which is not after start_s, 12"),
        (",10,12,,,", "row 2: who is empty"),
    ],
)
def test_a_row_that_is_half_a_mark_is_an_error(tmp_path, row, said):
    file = tmp_path / "scene.marks.csv"
    file.write_text(HEAD + row + "\nOdile,1,4,20,5,2\n", encoding="utf-8")
    with pytest.raises(MarksFileError, match=said):
        _read_all(file)


def _read_all(file):
    return read_marks(file), read_open_marks(file)
