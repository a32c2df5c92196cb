"""`soundplumb headset` as somebody types it: words, JSON, exit codes, and what it replaces."""

import json
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from cli.main import cli
from demo_audio.write_movie import write_movie
from tests.scenes.fields import talking_field

RATE = 48_000
COULD_NOT, USAGE, BAD = 3, 2, 4


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    frames = (np.full((64, 128, 3), number, dtype=np.uint8) for number in range(50))
    write_movie(folder / "film.mp4", frames=frames, frame_rate=Fraction(25))
    field = talking_field(np.random.default_rng(2), seconds=2.0)
    soundfile.write(folder / "track.wav", field.T, RATE, "PCM_24")
    return folder


def run(*words):
    result = CliRunner().invoke(cli, [str(word) for word in ("headset", *words)], prog_name="soundplumb")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    return result


def test_words_then_json_then_not_without_force(shoot, tmp_path):
    named = (shoot / "film.mp4", shoot / "track.wav", "-o", tmp_path / "out.mov", "--picture", "equirect180-sbs")
    told = run(*named)
    assert (told.exit_code, told.stderr) == (0, "")
    assert "every sample is the track's" in told.stdout
    assert "Picture: 50 packets, byte for byte those of the film; marked as front half" in told.stdout
    before = (tmp_path / "out.mov").read_bytes()
    again = run(*named)
    assert again.exit_code == COULD_NOT
    assert "add --force to replace it" in again.stderr
    forced = run(*named, "--force", "--json", "--keep-sound")
    assert forced.exit_code == COULD_NOT
    assert "has no sound of its own to keep" in json.loads(forced.stdout)["error"]
    assert (tmp_path / "out.mov").read_bytes() == before
    result = json.loads(run(*named, "--force", "--json").stdout)
    assert result["packets_identical"] is True
    assert result["proof"]["offset_samples"] == 0
    assert result["proof"]["exact"] is True
    assert result["findings"] == []


@pytest.mark.parametrize(
    "options",
    [
        ["--sound", "mp3"],
        ["--bit-rate-kbps", "20"],
        ["--bit-rate-kbps", "x"],
        ["--format", "stereo"],
        ["--picture", "cube"],
    ],
)
def test_wrong_use(shoot, tmp_path, options):
    result = run(shoot / "film.mp4", shoot / "track.wav", "-o", tmp_path / "out.mp4", *options)
    assert (result.exit_code, list(tmp_path.iterdir())) == (USAGE, [])


def test_four_where_the_answer_is_bad(shoot, tmp_path, monkeypatch):
    from spatial.jobs import headset

    real = headset.write_movie

    def exchanged(film, blocks, path, **options):
        return real(film, (np.ascontiguousarray(block[[0, 3, 1, 2]]) for block in blocks), path, **options)

    monkeypatch.setattr(headset, "write_movie", exchanged)
    result = run(shoot / "film.mp4", shoot / "track.wav", "-o", tmp_path / "out.mov", "--picture", "equirect180")
    assert result.exit_code == BAD
    assert "FIX" in result.stdout


def test_the_shoot_file_beside_the_film_says_how_its_picture_is_laid_out(shoot, tmp_path):
    for name in ("film.mp4", "track.wav"):
        (tmp_path / name).write_bytes((shoot / name).read_bytes())
    (tmp_path / "shoot.toml").write_text('[[rig]]\nclips = ["film.mp4"]\npicture = "equirect180-sbs"\n')
    named = (tmp_path / "film.mp4", tmp_path / "track.wav", "-o", tmp_path / "out.mov")
    told = run(*named, "--json")
    assert json.loads(told.stdout)["picture"] == "equirect180-sbs"
    assert told.stderr == "soundplumb: from shoot.toml, for film.mp4: picture equirect180-sbs\n"
    typed = run(*named, "--json", "--force", "--picture", "equirect360")
    assert (json.loads(typed.stdout)["picture"], typed.stderr) == ("equirect360", "")
    alone = run(*named[:3], tmp_path / "out.wav", "--json")
    assert (alone.exit_code, alone.stderr) == (0, "")
