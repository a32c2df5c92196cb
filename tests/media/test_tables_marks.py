"""Marks files as crews and spreadsheets write them, and each mistake told with its file and row."""

import math
from pathlib import Path

import pytest

from spatial.errors import MarksFileError
from spatial.media.tables import Mark, read_marks
from spatial.picture import parse_picture

ANGLES = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"
PIXELS = "who,start_s,end_s,x_px,y_px,distance_m\n"
PICTURE = parse_picture("equirect180", 1800, 1800)  # ten pixels to the degree


def write(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "marks.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def degrees(mark: Mark) -> tuple[float, float]:
    return math.degrees(mark.azimuth_rad), math.degrees(mark.elevation_rad)


# --- good files ---------------------------------------------------------------------------------------------


def test_angles(tmp_path: Path) -> None:
    first, second = read_marks(write(tmp_path, ANGLES + "Aud,1.5,4,30,-5,2.5\nBo,6,9.25,-110,12.5,\n"))
    assert (first.who, first.start_s, first.end_s, first.distance_m) == ("Aud", 1.5, 4.0, 2.5)
    assert degrees(first) == pytest.approx((30, -5))
    assert (second.who, second.start_s, second.end_s, second.distance_m) == ("Bo", 6.0, 9.25, None)
    assert degrees(second) == pytest.approx((-110, 12.5))


@pytest.mark.parametrize(
    ("x_px", "y_px", "azimuth", "elevation"),
    [
        (899.5, 899.5, 0, 0),  # the middle of the frame looks straight ahead
        (599.5, 899.5, 30, 0),  # left in the picture is left
        (1199.5, 799.5, -30, 10),  # up in the picture is up
        (899.5, 1099.5, 0, -20),
    ],
)
def test_pixels(tmp_path: Path, x_px: float, y_px: float, azimuth: float, elevation: float) -> None:
    [mark] = read_marks(write(tmp_path, PIXELS + f"Aud,0,1,{x_px},{y_px},2\n"), picture=PICTURE)
    assert degrees(mark) == pytest.approx((azimuth, elevation), abs=1e-9)
    assert mark.distance_m == 2.0


def test_angles_do_not_need_the_picture_they_are_given(tmp_path: Path) -> None:
    [mark] = read_marks(write(tmp_path, ANGLES + "Aud,0,1,30,-5,2\n"), picture=PICTURE)
    assert degrees(mark) == pytest.approx((30, -5))


ROW = ("Aud", 1.5, 4.0, pytest.approx(math.radians(30)), pytest.approx(math.radians(-5)), 2.5)


@pytest.mark.parametrize(
    "text",
    [
        ANGLES + "Aud,1.5,4,30,-5,2.5",
        ("\ufeff" + ANGLES + "Aud,1.5,4,30,-5,2.5\n"),
        (ANGLES + "Aud,1.5,4,30,-5,2.5\n").replace("\n", "\r\n"),
        (ANGLES + "Aud,1.5,4,30,-5,2.5\n").replace("\n", "\r"),
        "\n\n" + ANGLES + "\n  \n,,,,,\nAud,1.5,4,30,-5,2.5\n\n",
        (ANGLES + "Aud,1.5,4,30,-5,2.5").replace(",", " ,\t"),
        (ANGLES + "Aud,1.5,4,30,-5,2.5").replace(",", ";"),
        ANGLES.replace(",", ";") + "Aud;1,5;4;30;-5;2,5\n",  # as a spreadsheet that writes decimal commas
        "\ufeff" + ANGLES.replace(",", ";").replace("\n", ";;\r\n") + "Aud;1,5;4,0;30,0;-5,0;2,5;;\r\n;;;;;;;\r\n",
        '"who","start_s","end_s","azimuth_deg","elevation_deg","distance_m"\n"Aud","1.5","4","30","-5","2.5"\n',
        "distance_m,elevation_deg,azimuth_deg,end_s,start_s,who\n2.5,-5,30,4,1.5,Aud\n",
        ANGLES.upper() + "Aud,1.5e0,+4,030,-5.,2.50\n",
    ],
    ids=range(12),
)
def test_as_people_and_spreadsheets_write_it(tmp_path: Path, text: str) -> None:
    [mark] = read_marks(write(tmp_path, text))
    assert (mark.who, mark.start_s, mark.end_s, mark.azimuth_rad, mark.elevation_rad, mark.distance_m) == ROW


def test_the_distance_may_be_left_out(tmp_path: Path) -> None:
    [mark] = read_marks(write(tmp_path, "who,start_s,end_s,azimuth_deg,elevation_deg\nAud,0,1,2,3\n"))
    assert mark.distance_m is None
    [mark] = read_marks(write(tmp_path, ANGLES + "Aud,0,1,2,3\n"))
    assert mark.distance_m is None


def test_names_keep_their_letters_and_commas(tmp_path: Path) -> None:
    marks = read_marks(write(tmp_path, ANGLES + '"Åse, with drum",0,1,2,3,\nÅse,1,2,2,3,\n'))
    assert [mark.who for mark in marks] == ["Åse, with drum", "Åse"]


@pytest.mark.parametrize(
    ("written", "read"),
    [(0, 0), (180, 180), (-180, 180), (181, -179), (190.5, -169.5), (359, -1), (360, 0), (-181, 179), (-360, 0)],
)
def test_azimuths_are_folded(tmp_path: Path, written: float, read: float) -> None:
    [mark] = read_marks(write(tmp_path, ANGLES + f"Aud,0,1,{written},0,\n"))
    assert math.degrees(mark.azimuth_rad) == pytest.approx(read, abs=1e-9)


# --- mistakes -----------------------------------------------------------------------------------------------

GOOD = "Aud,0,1,30,-5,2\n"


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("Bo,one,2,30,-5,2", "start_s is 'one', which is not a number"),
        ("Bo,0:01,2,30,-5,2", "start_s is '0:01', which is not a number"),
        ("Bo,0,2_0,30,-5,2", "end_s is '2_0', which is not a number"),
        ("Bo,nan,2,30,-5,2", "start_s is 'nan', which is not a number"),
        ("Bo,0,inf,30,-5,2", "end_s is 'inf', which is not a number"),
        ("Bo,0,1,-Infinity,-5,2", "azimuth_deg is '-Infinity', which is not a number"),
        ("Bo,0,1,1e999,-5,2", "azimuth_deg is '1e999', which is not a number"),
        ("Bo,0,1,30,NaN,2", "elevation_deg is 'NaN', which is not a number"),
        ("Bo,0,1,30,-5,far", "distance_m is 'far', which is not a number"),
        ("Bo,0,1,30,-5,inf", "distance_m is 'inf', which is not a number"),
        ("Bo,3,3,30,-5,2", "end_s is 3, which is not after start_s, 3"),
        ("Bo,3,2.5,30,-5,2", r"end_s is 2\.5, which is not after start_s, 3"),
        ("Bo,-0.5,2,30,-5,2", r"start_s is -0\.5; a mark cannot start before the clip"),
        ("Bo,0,1,360.5,-5,2", r"azimuth_deg is 360\.5; write -180 to 180"),
        ("Bo,0,1,-361,-5,2", "azimuth_deg is -361; write -180 to 180"),
        ("Bo,0,1,30,90.5,2", r"elevation_deg is 90\.5; write -90"),
        ("Bo,0,1,30,-91,2", "elevation_deg is -91; write -90"),
        ("Bo,0,1,30,-5,0", "distance_m is 0; write metres"),
        ("Bo,0,1,30,-5,-2", "distance_m is -2; write metres"),
        (",0,1,30,-5,2", "who is empty"),
        ("  ,0,1,30,-5,2", "who is empty"),
        ('"",0,1,30,-5,2', "who is empty"),
        ("Bo,,1,30,-5,2", "start_s is empty"),
        ("Bo,0,1,30", "elevation_deg is empty"),
        ("Bo", "start_s is empty"),
        ("Bo,0,1,30,-5,2,7", "there are 7 values for 6 columns"),
        ("Bo,0,5,1,5,30,-5,2", "there are 8 values for 6 columns; a decimal comma"),
        ('"Bo,0,1,30,-5,2', "start_s is empty"),  # a quotation mark that never closes
    ],
)
def test_a_bad_row_is_named(tmp_path: Path, row: str, words: str) -> None:
    with pytest.raises(MarksFileError, match=rf"^marks\.csv, row 4: {words}"):
        read_marks(write(tmp_path, ANGLES + GOOD + "\n" + row + "\n" + GOOD))


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("Bo,0,1,1800,5,2", r"pixel \(1800, 5\)"),
        ("Bo,0,1,5,-3,2", r"pixel \(5, -3\)"),
        ("Bo,0,1,nan,5,2", "x_px is 'nan'"),
        ("Bo,0,1,5,,2", "y_px is empty"),
    ],
)
def test_a_bad_pixel_is_named(tmp_path: Path, row: str, words: str) -> None:
    with pytest.raises(MarksFileError, match=rf"^marks\.csv, row 3: {words}"):
        read_marks(write(tmp_path, PIXELS + "Aud,0,1,5,5,2\n" + row + "\n"), picture=PICTURE)


def test_pixels_need_a_picture(tmp_path: Path) -> None:
    with pytest.raises(MarksFileError, match=r"^marks\.csv gives places in pixels; add --picture LAYOUT"):
        read_marks(write(tmp_path, PIXELS + "Aud,0,1,5,5,2\n"))


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("who,start_s,azimuth_deg,elevation_deg,distance_m", "the column end_s is missing"),
        ("start_s,end_s,azimuth_deg,elevation_deg,distance_m", "the column who is missing"),
        ("who,start_s,end_s,distance_m", "the column azimuth_deg is missing"),
        ("who,start_s,end_s,azimuth_deg", "the column elevation_deg is missing"),
        ("who,start_s,end_s,x_px,distance_m", "the column y_px is missing"),
        ("who,start_s,end_s,azimuth_deg,elevation_deg,distance", "there is no column 'distance'"),
        ("who,start_s,end_s,azimuth_deg,elevation_deg,x_px,y_px", "there are both angles and pixels"),
        ("who,who,start_s,end_s,azimuth_deg,elevation_deg", "the column who stands there twice"),
        ("who,start_s,,end_s,azimuth_deg,elevation_deg", "a column has no name"),
        ("Aud,0,1,30,-5,2", "there is no column 'aud'; the columns are who,start_s,end_s,azimuth_deg"),
        ("who\tstart_s\tend_s\tazimuth_deg\televation_deg", "there is no column 'who\tstart_s"),
    ],
)
def test_bad_column_names(tmp_path: Path, head: str, words: str) -> None:
    with pytest.raises(MarksFileError, match=rf"^marks\.csv, row 2: {words}"):
        read_marks(write(tmp_path, f"\n{head}\n{GOOD}"))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty; its first line must name the columns: who,start_s"),
        (b"\n \r\n,,,\n", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (ANGLES.encode(), "has no marks after its column names"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "is not a marks file; export the marks as CSV in UTF-8"),
        ((ANGLES + GOOD).encode("utf-16"), "is not a marks file; export the marks as CSV in UTF-8"),
        ((ANGLES + "Åse,0,1,2,3,\n").encode("latin-1"), "is not a marks file; export the marks as CSV in UTF-8"),
        ((ANGLES + GOOD * 10_000).encode(), "is larger than 100 kB, so it is no marks file"),
        ((ANGLES + "A,0,1,2,3,\n" * 501).encode(), "has 501 marks, and 500 are the most"),
    ],
    ids=["empty", "blank", "mark of byte order", "no rows", "sound", "utf-16", "latin-1", "huge", "many"],
)
def test_what_is_no_marks_file(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(MarksFileError, match=rf"^marks\.csv {words}"):
        read_marks(write(tmp_path, data))


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(MarksFileError, match=r"there is no marks file .*gone\.csv"):
        read_marks(tmp_path / "gone.csv")
    with pytest.raises(MarksFileError, match="is a folder"):
        read_marks(str(tmp_path))
    with pytest.raises(MarksFileError, match="cannot be opened"):
        read_marks(write(tmp_path, ANGLES) / "inner.csv")


def test_a_name_has_room_for_a_name(tmp_path):
    path = tmp_path / "m.csv"
    path.write_text(f"who,start_s,end_s,azimuth_deg,elevation_deg\n{'o' * 100},1,2,3,4\n", encoding="utf-8")
    assert read_marks(path)[0].who == "o" * 100
    path.write_text(f"who,start_s,end_s,azimuth_deg,elevation_deg\n{'o' * 101},1,2,3,4\n", encoding="utf-8")
    with pytest.raises(MarksFileError, match="row 2: who is 101 letters long; write a name of at most 100"):
        read_marks(path)
