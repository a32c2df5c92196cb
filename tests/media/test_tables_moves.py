"""Moves files as people and trackers write them, and each mistake told with its file and row."""

import numpy as np
import pytest

from spatial.errors import MovesFileError
from spatial.media.tables import read_moves
from spatial.rotation import ypr_from_matrix

HEAD = "time_s,yaw_deg,pitch_deg,roll_deg\n"


def write(folder, text):
    path = folder / "moves.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def angles_deg(moves, time_s):
    angles = ypr_from_matrix(moves.motion.at(np.array([time_s]))[0])
    return np.degrees([angles.yaw_rad, angles.pitch_rad, angles.roll_rad])


def test_rows_and_between_them(tmp_path):
    moves = read_moves(write(tmp_path, HEAD + "0,0,0,0\n2,40,0,0\n3,40,-10,0\n"))
    np.testing.assert_allclose(angles_deg(moves, 0.5), [10, 0, 0], atol=1e-9)
    np.testing.assert_allclose(angles_deg(moves, 3.0), [40, -10, 0], atol=1e-9)
    # Before the first row and after the last the camera stands still.
    np.testing.assert_allclose(angles_deg(moves, -5.0), [0, 0, 0], atol=1e-9)
    np.testing.assert_allclose(angles_deg(moves, 9.0), [40, -10, 0], atol=1e-9)


def test_a_tracker_that_folds_its_yaw_goes_the_short_way(tmp_path):
    moves = read_moves(write(tmp_path, HEAD + "0,179,0,0\n1,-179,0,0\n2,183,0,0\n"))
    assert abs(angles_deg(moves, 0.5)[0]) == pytest.approx(180.0)
    assert angles_deg(moves, 1.5)[0] == pytest.approx(-178.0)


def test_a_spreadsheet_with_decimal_commas_and_columns_in_another_order(tmp_path):
    moves = read_moves(write(tmp_path, "roll_deg;Time_s;pitch_deg;yaw_deg\r\n1,5;0;2;-3,5\r\n;;;\r\n"))
    np.testing.assert_allclose(angles_deg(moves, 1.0), [-3.5, 2, 1.5], atol=1e-9)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", r"moves\.csv is empty; its first line must name the columns: time_s,yaw_deg"),
        ("0,0,0,0\n1,1,0,0\n", r"moves\.csv, row 1: the columns are time_s,yaw_deg,pitch_deg,roll_deg, and"),
        ("time_s,yaw_deg,pitch_deg\n0,0,0\n", r"row 1: .* this row names time_s,yaw_deg,pitch_deg$"),
        (HEAD, r"has no moves after its column names"),
        (HEAD + "0,0,0,0\n1,left,0,0\n", r"moves\.csv, row 3: yaw_deg is 'left', which is not a number"),
        (HEAD + "0,0,0\n", r"row 2: roll_deg is empty; every column needs a value"),
        (HEAD + "0,0,0,0,0\n", r"row 2: there are 5 values for 4 columns"),
        (HEAD + "1,0,0,0\n\n1,5,0,0\n", r"row 4: time_s is 1, which is not after 1 in the row before"),
        (HEAD + "0,0,91,0\n", r"row 2: pitch_deg is 91; write degrees from -90 to 90"),
        (HEAD + "0,0,0,nan\n", r"row 2: roll_deg is 'nan', which is not a number"),
        (HEAD + "0,0,0,0\n1,89,0,0\n\n9,200,0,0\n", r"row 5: the camera turns 111° from the row before"),
        (b"\xff\x00\x01", r"moves\.csv is not a moves file; export the moves as CSV in UTF-8"),
    ],
)
def test_each_mistake_is_one_sentence_that_names_its_row(tmp_path, text, said):
    with pytest.raises(MovesFileError, match=said) as told:
        read_moves(write(tmp_path, text))
    assert "\n" not in str(told.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(MovesFileError, match="there is no moves file"):
        read_moves(tmp_path / "none.csv")
