"""The microphone file: written, read again, and refused in words."""

import numpy as np
import pytest

from spatial.calibration import Calibration, CalibrationBand
from spatial.errors import MicrophoneFileError
from spatial.media.microphone_file import LearnedFrom, calibration_text, read_calibration
from spatial.media.output import write_text_whole
from spatial.media.ownership import Kind, is_ours

BAND = CalibrationBand((300.0, 1000.0), ((1.1, 0.01, 0.0), (0.01, 1.0, 0.0), (0.0, 0.0, 0.9)), (0.01, 0.02, -0.03))
OPEN = tuple(tuple(row) for row in (1e-4 * np.eye(9)).tolist())


@pytest.fixture
def written(tmp_path):
    path = tmp_path / "mine.toml"
    learned = LearnedFrom(('a "clip".mov', "b\udcff.mov"), 4.1, 2.6)
    write_text_whole(path, calibration_text(Calibration((BAND,), OPEN), learned), Kind.MICROPHONE)
    return path


def test_what_is_written_is_read_again(written):
    calibration, learned = read_calibration(written)
    assert calibration.bands == (BAND,)
    np.testing.assert_allclose(calibration.covariance, OPEN)
    assert (learned.error_before_deg, learned.error_after_deg) == (4.1, 2.6)
    assert learned.clips[0] == 'a "clip".mov'
    assert is_ours(written, Kind.MICROPHONE)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[[band]]", "[band]", "no [[band]]"),
        ("hz = [300.0, 1000.0]", "hz = [300.0]", "hz should be 2 numbers"),
        ("leak = [0.01000", "leak = [nan", "leak should be 3 numbers"),
        ("leak = [0.01000", "leek = [0.01000", "leak is missing"),
        ("[1.10000, ", "[9.10000, ", "off by more than"),
        ("left_open", "left_over", "left_open is missing"),
        ("error_before_deg = 4.10", f"error_before_deg = 1{'0' * 400}", "error_before_deg should be a number"),
        ("error_before_deg = 4.10", f"error_before_deg = 1{'0' * 5000}", "holds a number with too many digits"),
        ("error_before_deg = 4.10", "error_before_deg = true", "error_before_deg should be a number"),
        ("soundplumb = ", "soundplumb == ", "cannot be read"),
    ],
)
def test_what_is_wrong_with_it_is_said_in_one_sentence(written, old, new, says):
    text = written.read_text(encoding="utf-8")
    assert old in text
    written.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(MicrophoneFileError) as caught:
        read_calibration(written)
    assert says in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_other_files_are_refused(tmp_path):
    for name, content in (
        ("a.toml", b"\xff\xfe"),
        ("b.toml", b""),
        ("c.toml", b"x" * 200_000),
        ("d.toml", b"[" * 50_000),
    ):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(MicrophoneFileError, match=name):
            read_calibration(tmp_path / name)
    with pytest.raises(MicrophoneFileError, match=r"no microphone file"):
        read_calibration(tmp_path / "missing.toml")
