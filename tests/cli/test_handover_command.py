"""`day` with --handover, --names, --sheet and --check-originals: what it prints, its exit codes, what it refuses."""

import json
import shutil

import pytest
from click.testing import CliRunner

from cli.main import cli

WRONG_USAGE, COULD_NOT, BAD = 2, 3, 4
RIGS = """
[[rig]]
clips = ["lantern.mp4"]
picture = "equirect180"
mic_offset_m = [-0.04, 0.0, 0.16]

[[rig]]
clips = ["slipway.mov"]
picture = "equirect180-sbs"
mic_offset_m = [0.03, 0.0, -0.3]
"""


def run(*words):
    result = CliRunner().invoke(cli, ["day", *map(str, words)], prog_name="soundplumb")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    return result


@pytest.fixture
def shoot(demo_done, tmp_path):
    """A copy of the demo, done, with its rigs in a shoot file: its tracks are remembered."""
    shutil.copytree(demo_done.home / "shoot", tmp_path / "shoot")
    (tmp_path / "shoot" / "shoot.toml").write_text(RIGS, encoding="utf-8")
    return tmp_path / "shoot"


@pytest.mark.slow
def test_a_day_is_handed_over_beside_its_tracks(shoot):
    result = run(shoot, "--handover", "--sheet", "--names", "<day>_<clip>.wav", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert [(clip["status"], clip["remembered"]) for clip in told["clips"]] == [("ready", True)] * 2
    folder = shoot / "handover"
    assert told["handover"] == {
        "timeline": str(folder / "day.otio"),
        "tracks": [str(folder / f"shoot_{name}.wav") for name in ("lantern", "slipway")],
    }
    assert told["sheet"] == str(shoot / "sheet" / "day.html")
    page = (folder / "day.html").read_text(encoding="utf-8")
    assert '<p class="summary">2 ready</p>' in page
    assert page.count("data:image/jpeg;base64,") == 2
    assert page.count('<svg class="mount"') == 2
    again = run(shoot, "--handover")
    assert again.exit_code == 0, again.output
    assert f"LOOK  {folder} was there before and has been left as it is" in again.stdout
    assert "type the line again with --force" in again.stdout
    assert again.stdout.splitlines()[-1] == "2 ready"
    assert (folder / "day.html").read_text(encoding="utf-8") == page
    made = run(shoot, "--handover", "--force")
    assert made.exit_code == 0, made.output
    assert f"Handed over in {folder.absolute()}: " in made.stdout
    lines = run(shoot).stdout.splitlines()
    assert not any("Handed over" in line for line in lines)


@pytest.mark.slow
def test_originals_are_checked_and_nothing_else_is_done(shoot):
    (shoot / "shoot.toml").write_text("[[rig]]\nnonsense = 1\n", encoding="utf-8")
    good = run(shoot, "--check-originals", "--json")
    assert good.exit_code == 0, good.output
    assert {original["state"] for original in json.loads(good.stdout)["originals"]} == {"same"}
    with (shoot / "slipway.mov").open("ab") as file:
        file.write(b"more")
    bad = run(shoot, "--check-originals")
    assert bad.exit_code == BAD
    assert "3 of 4 are as they were" in bad.stdout
    assert "FIX   slipway.mov has changed since slipway.wav was made from it" in bad.stdout


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--names", "<clip>.wav"], "add --handover"),
        (["--handover", "--names", "<scene>.wav"], "has <scene>, and names are made of"),
        (["--handover", ""], "its name is empty"),
        (["--handover", "--names", ""], "does not end in .wav"),
    ],
)
def test_what_makes_no_sense_is_wrong_usage(demo_files, words, why):
    result = run(demo_files, *words)
    assert (result.exit_code, result.stdout) == (WRONG_USAGE, "")
    assert why in result.stderr


@pytest.mark.parametrize("name", [".", "tracks", "pages", "sheet", "../empty/tracks/"])
def test_the_folders_of_the_day_itself_are_not_for_a_handover(tmp_path, name):
    folder = tmp_path / "empty"
    folder.mkdir()
    result = run(folder, "--handover", f"{folder}/{name}", "--force")
    assert (result.exit_code, result.stdout) == (COULD_NOT, "")
    assert "so no handover goes there" in result.stderr
    assert list(folder.iterdir()) == []


def test_a_folder_of_somebody_elses_is_refused_before_the_work(demo_files, tmp_path):
    (tmp_path / "notes.txt").write_text("tea at four", encoding="utf-8")
    result = run(demo_files, "--handover", tmp_path)
    assert (result.exit_code, result.stdout) == (COULD_NOT, "")
    assert "holds files that soundplumb did not write" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
