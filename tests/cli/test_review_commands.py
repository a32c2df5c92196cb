"""`review` and `verify --stills` as typed: words, JSON, exit codes, and a folder that is whole or not there."""

import contextlib
import io
import json

import pytest

from cli.main import cli
from spatial.jobs.demo import lay_out
from spatial.media.output_folder import LIST_NAME

RIG = ("--mic-offset", "-0.04,0,0.16", "--picture", "equirect180")


def run(*arguments):
    """Exit code, standard output and standard error of a command."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            cli.main([str(part) for part in arguments], prog_name="soundplumb")
        except SystemExit as leaving:
            code = leaving.code or 0
    return int(code), out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    lay_out(folder)
    return folder


@pytest.mark.slow
def test_review_says_where_the_page_is_and_how_the_microphone_sat(shoot, tmp_path, monkeypatch, two_pictures):
    marks = ("--marks", shoot / "lantern.marks.csv")
    arguments = ("review", shoot / "lantern.mp4", shoot / "rec-0041.flac", "-o", tmp_path / "look", *marks, *RIG)
    code, out, err = run(*arguments)
    assert (code, err) == (0, "")
    assert out.startswith(f"lantern.mp4 with rec-0041.flac: open {tmp_path / 'look' / 'index.html'} in a browser.")
    assert "The microphone: it faced 17" in out
    assert "start low" in out
    there = {path.name: path.read_bytes() for path in (tmp_path / "look").iterdir()}
    assert {"index.html", "movie.mp4", "sound-left.m4a", "sound-recorded.m4a", LIST_NAME} <= there.keys()
    code, out, err = run(*arguments, "--json")
    assert code == 3
    assert "add --force" in json.loads(out)["error"]
    assert {path.name: path.read_bytes() for path in (tmp_path / "look").iterdir()} == there
    # Once more, to replace it; its pictures are as good as they were.
    monkeypatch.setattr("spatial.jobs.review.review_clip.write_pictures", two_pictures)
    code, out, _ = run(*arguments, "--json", "--force")
    assert code == 0
    assert json.loads(out)["page"] == str(tmp_path / "look" / "index.html")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("clip", "take", "options", "words"),
    [
        ("lantern.mp4", "rec-0041.flac", (), "add --picture LAYOUT"),
        ("slipway.mov", "rec-0041.flac", ("--picture", "equirect180-sbs"), "does not belong to slipway.mov"),
        ("lantern.mp4", "lantern.mp4", ("--picture", "equirect180"), "lantern.mp4"),
        ("no.mp4", "rec-0041.flac", ("--picture", "equirect180"), "there is no file"),
    ],
)
def test_what_cannot_be_reviewed_leaves_nothing(shoot, tmp_path, clip, take, options, words):
    code, out, err = run("review", shoot / clip, shoot / take, "-o", tmp_path / "look", *options)
    assert (code, out) == (3, "")
    assert words in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ["review", "a.mp4", "a.wav"],
        ["review", "a.mp4", "-o", "look"],
        ["review", "a.mp4", "a.wav", "-o", "look", "--mount", "1,2"],
        ["review", "a.mp4", "a.wav", "-o", "look", "--mount", "1,2,3", "--repair"],
        ["verify", "a.mp4", "a.wav", "--marks", "m.csv", "--stills", "look"],
        ["day", "folder", "--pages"],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_2(arguments):
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    assert "Error: " in err
