"""`soundplumb film` as somebody types it: what cannot be done is said in one sentence, before anything is decoded."""

import json
from fractions import Fraction

import numpy as np
import pytest
from click.testing import CliRunner

from cli.main import cli
from demo_audio.write_movie import write_movie

COULD_NOT, USAGE, BAD = 3, 2, 4


def run(*words):
    result = CliRunner().invoke(cli, [str(word) for word in ("film", *words)], prog_name="soundplumb")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    return result


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """A film and a clip of a still picture: nothing moves, and there is no sound."""
    folder = tmp_path_factory.mktemp("shoot")
    rng = np.random.default_rng(2)
    still = np.kron(rng.integers(30, 220, (8, 16, 1)), np.ones((8, 8, 3))).astype(np.uint8)
    write_movie(folder / "clip.mp4", frames=[still] * 60, frame_rate=Fraction(25))
    write_movie(folder.parent / "film.mp4", frames=[still] * 40, frame_rate=Fraction(25))
    return folder


def test_a_still_film_without_sound_is_told_to_be_open(shoot, tmp_path):
    page = tmp_path / "film.html"
    told = run(shoot.parent / "film.mp4", shoot, "--page", page, "--json")
    result = json.loads(told.stdout)
    assert told.exit_code == 0
    (shot,) = result["shots"]
    assert (shot["clip_known"], shot["clip_start_s"], shot["lip_sync_s"]) == ("clip_only", None, None)
    assert shot["verdict"] == "open"
    assert shot["clip"].endswith("clip.mp4")
    assert [finding["code"] for finding in result["findings"]] == ["sound_field"]
    assert "cannot be told" in page.read_text(encoding="utf-8")
    again = run(shoot.parent / "film.mp4", shoot, "--page", page)
    assert again.exit_code == COULD_NOT
    assert "--force" in again.stderr
    words = run(shoot.parent / "film.mp4", shoot)
    assert "too little moves to tell from which moment of clip.mp4 it is" in words.stdout


def test_a_film_of_another_shoot_is_not_proved(shoot, tmp_path):
    other = np.kron(np.random.default_rng(3).integers(30, 220, (8, 16, 1)), np.ones((8, 8, 3))).astype(np.uint8)
    write_movie(tmp_path / "other.mp4", frames=[other] * 40, frame_rate=Fraction(25))
    told = run(tmp_path / "other.mp4", shoot, "--json")
    assert told.exit_code == COULD_NOT
    assert "shot_open" in [finding["code"] for finding in json.loads(told.stdout)["findings"]]


@pytest.mark.parametrize("options", [["--turned", "90"], ["--turned", "a,b,c"], ["--format", "stereo"], ["--nonsense"]])
def test_wrong_use(shoot, options):
    assert run(shoot.parent / "film.mp4", shoot, *options).exit_code == USAGE


def test_a_folder_without_clips_and_a_film_that_is_none(shoot, tmp_path):
    empty = run(shoot.parent / "film.mp4", tmp_path)
    assert (empty.exit_code, empty.stdout) == (COULD_NOT, "")
    assert "holds no clips" in empty.stderr
    (tmp_path / "text.mov").write_text("no film")
    wrong = run(tmp_path / "text.mov", shoot)
    assert wrong.exit_code == COULD_NOT
    assert wrong.stderr.count("\n") == 1
