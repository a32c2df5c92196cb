"""A picture that its header turns is used as it is shown, or refused."""

from pathlib import Path

import av
import numpy as np
import pytest

from spatial.errors import MarksFileError, MediaFileError
from spatial.jobs.orient.measure_marks import marks_of_clip
from spatial.jobs.rig import Rig
from spatial.media.movies.boxes import display_matrix
from spatial.media.movies.clip import open_clip
from spatial.media.movies.display import DisplayTurn, display_turn, frame_turn, turned_in_words
from spatial.media.movies.proxy import frame_at, write_pictures
from spatial.picture import parse_picture

TURNS = {
    "as stored": ([65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30], DisplayTurn.AS_STORED),
    "half": ([-65536, 0, 0, 0, -65536, 0, 0, 0, 1 << 30], DisplayTurn.HALF),
    "quarter": ([0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30], DisplayTurn.QUARTER),
    "other quarter": ([0, -65536, 0, 65536, 0, 0, 0, 0, 1 << 30], DisplayTurn.QUARTER),
    "mirror": ([-65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30], DisplayTurn.MIRRORED),
    "upside mirror": ([65536, 0, 0, 0, -65536, 0, 0, 0, 1 << 30], DisplayTurn.MIRRORED),
    "askew": ([56756, 32768, 0, -32768, 56756, 0, 0, 0, 1 << 30], DisplayTurn.ASKEW),
}


def write_turned(path: Path, matrix: list[int]) -> None:
    """Write a movie of two eyes whose stored picture is red at the top left, green at the bottom right."""
    image = np.zeros((64, 128, 3), np.uint8)
    image[:16, :16, 0], image[-16:, -16:, 1] = 255, 255
    with av.open(str(path), "w") as movie:
        stream = movie.add_stream("libx264", rate=25, options={"qp": "0"})
        stream.width, stream.height, stream.pix_fmt = 128, 64, "yuv444p"
        stream.set_display_matrix(matrix)
        for _ in range(5):
            movie.mux(stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")))
        movie.mux(stream.encode(None))


@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv"])
@pytest.mark.parametrize("name", TURNS)
def test_the_header_is_read_as_the_decoder_passes_it_on(tmp_path: Path, name: str, suffix: str) -> None:
    matrix, turn = TURNS[name]
    if suffix == "mkv" and name == "askew":
        pytest.skip("Matroska has quarter turns and mirrors only in what this library writes")
    path = tmp_path / f"c.{suffix}"
    write_turned(path, matrix)
    clip = open_clip(path)
    with av.open(str(path)) as movie:
        assert frame_turn(next(movie.decode(video=0))) is clip.turn
    assert clip.turn is turn
    assert len(clip.findings) == (turn is not DisplayTurn.AS_STORED)
    if clip.findings:
        assert turn.value in clip.findings[0].message


def test_a_track_that_is_not_there_has_no_matrix(tmp_path: Path) -> None:
    write_turned(tmp_path / "c.mp4", TURNS["half"][0])
    assert display_matrix(tmp_path / "c.mp4", 7) is None
    assert display_turn(None) is DisplayTurn.AS_STORED
    assert display_turn(((0.0, 0.0), (0.0, 0.0))) is DisplayTurn.AS_STORED
    assert display_turn(((2.0, 0.0), (0.0, 1.0))) is DisplayTurn.AS_STORED


def test_half_a_turn_is_followed_by_stills_proxy_and_marks(tmp_path: Path) -> None:
    """The stored lower right, in the second eye, is shown at the upper left, in the first."""
    path = tmp_path / "c.mp4"
    write_turned(path, TURNS["half"][0])
    picture = parse_picture("equirect180-sbs", 128, 64)
    still = frame_at(path, picture, 0.1, height_px=64)
    assert still.shape == (64, 64, 3)
    assert still[4, 4, 1] > 200
    assert still[4, 4, 0] < 60
    assert still[-4, -4].max() < 60
    write_pictures(path, picture, tmp_path / "small.mp4", duration_s=0.2)
    with av.open(str(tmp_path / "small.mp4")) as small:
        frame = next(small.decode(video=0))
        assert frame_turn(frame) is DisplayTurn.AS_STORED
        shown = frame.to_ndarray(format="rgb24")
    assert shown[4, 4, 1] > 120
    assert shown[-4, -4].max() < 80
    (tmp_path / "m.csv").write_text("who,start_s,end_s,x_px,y_px\nOdile,0,0.1,4,4\n")
    (mark,) = marks_of_clip(tmp_path / "m.csv", open_clip(path), Rig(picture="equirect180-sbs"))
    assert mark.azimuth_rad > 1.0
    assert mark.elevation_rad > 1.0


@pytest.mark.parametrize("name", ["quarter", "mirror"])
def test_other_turns_are_refused_where_pixels_are_used_and_only_there(tmp_path: Path, name: str) -> None:
    path = tmp_path / "c.mp4"
    write_turned(path, TURNS[name][0])
    clip, rig = open_clip(path), Rig(picture="equirect180-sbs")
    (tmp_path / "m.csv").write_text("who,start_s,end_s,x_px,y_px\nOdile,0,0.1,4,4\n")
    with pytest.raises(MarksFileError, match=r"m\.csv gives places in pixels, but the header of c\.mp4 says"):
        marks_of_clip(tmp_path / "m.csv", clip, rig)
    (tmp_path / "a.csv").write_text("who,start_s,end_s,azimuth_deg,elevation_deg\nOdile,0,0.1,4,4\n")
    assert len(marks_of_clip(tmp_path / "a.csv", clip, rig)) == 1
    assert turned_in_words(path, clip.turn, angles=True) in clip.findings[0].message
    assert clip.findings[0].message.endswith("export the clip upright, or write marks as angles")
    # Marks as angles help no picture.
    with pytest.raises(MediaFileError, match=r"is to be shown .* export the clip upright$"):
        frame_at(path, parse_picture("equirect180-sbs", 128, 64), 0.1)
