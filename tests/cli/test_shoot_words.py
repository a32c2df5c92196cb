"""Commands in a folder with a shoot file use it and say so; what is typed goes before it."""

import pytest
from click.testing import CliRunner

from cli.main import cli
from spatial.field import ChannelFormat
from spatial.jobs.sync.take_choice import Pairing
from spatial.jobs.track_request import TrackRequest
from spatial.mount.prior import Hanging

FILE = """\
[[rig]]
name = "tower"
clips = ["a.mov"]
picture = "equirect180-sbs"
mic_offset_m = [0.1, 0, -0.3]
hanging = "upside_down"
facing_deg = -90
takes = ["1.wav"]
format = "fuma"

[[pair]]
clip = "a.mov"
take = "1.wav"

[[pair]]
clip = "b.mov"
not_take = "2.wav"

[[take]]
files = ["3.wav"]
good = false
"""
JOBS = {
    "sync": "spatial.jobs.sync.sync_clip.sync_clip",
    "orient": "spatial.jobs.orient.orient_clip.orient_clip",
    "conform": "spatial.jobs.conform.conform_clip.conform_clip",
    "review": "spatial.jobs.review.review_clip.review_clip",
    "directions": "spatial.jobs.directions.directions_of_take",
    "verify": "spatial.jobs.verify.verify_track",
    "inspect": "spatial.jobs.inspect.inspect_takes.inspect_takes",
}


@pytest.fixture
def asked(tmp_path, monkeypatch):
    """What a command asks of its job, which is not done, and what it says on standard error."""
    (tmp_path / "shoot.toml").write_text(FILE, encoding="utf-8")
    for name in ("a.mov", "b.mov", "1.wav", "2.wav", "3.wav", "a.marks.csv"):
        (tmp_path / name).write_bytes(b"")
    told = {}

    def ask(*arguments, **options):
        told.update(options, arguments=arguments)
        for request in (one for one in arguments if isinstance(one, TrackRequest)):
            told.update(rig=request.rig, prior=request.prior, channel_format=request.read_as, pairing=request.pairing)
        raise KeyboardInterrupt

    for job in JOBS.values():
        monkeypatch.setattr(job, ask)

    def run(command, *words):
        words = [str(tmp_path / word) if (tmp_path / word).exists() or "never" in word else word for word in words]
        result = CliRunner().invoke(cli, [command, *words])
        assert told, result.output
        return told, result.stderr

    return run


@pytest.mark.parametrize(
    ("command", "words"),
    [("orient", ()), ("conform", ("-o", "never.wav")), ("review", ("-o", "never")), ("sync", ())],
)
def test_what_it_says_of_a_clip_is_used_and_said(asked, command, words):
    told, err = asked(command, "a.mov", "1.wav", *words)
    said = "from shoot.toml, for a.mov (tower): format fuma, "
    place = told["mic_offset_m"] if command == "sync" else told["rig"].mic_offset_m
    assert place == (0.1, 0.0, -0.3)
    assert told["channel_format"] is ChannelFormat.FUMA
    assert told["pairing"] == Pairing()
    assert said in err
    assert "a.mov is paired with 1.wav" in err
    if command != "sync":
        assert told["rig"].picture == "equirect180-sbs"
        assert told["prior"].hanging is Hanging.UPSIDE_DOWN
        assert "hanging upside_down, facing_deg -90" in err


def test_what_is_typed_goes_before_it_and_is_not_said_to_be_from_it(asked):
    told, err = asked("orient", "a.mov", "1.wav", "--mic-offset", "0,0,0", "--upright", "--format", "ambix")
    assert told["rig"].mic_offset_m == (0.0, 0.0, 0.0)
    assert told["prior"].hanging is Hanging.UPRIGHT
    assert told["channel_format"] is ChannelFormat.AMBIX
    assert "mic_offset_m" not in err
    assert "hanging" not in err
    assert "picture equirect180-sbs" in err


@pytest.mark.parametrize(
    ("clip", "take", "said"),
    [
        ("b.mov", "2.wav", "2.wav is not a take of b.mov; you named 2.wav, so it is used all the same"),
        ("b.mov", "3.wav", "3.wav is a bad take"),
        ("a.mov", "2.wav", "the take of a.mov is 1.wav"),
    ],
)
def test_what_is_typed_against_its_word_is_done_and_said(asked, clip, take, said):
    told, err = asked("sync", clip, take)
    assert told["pairing"] is None
    assert said in err


def test_takes_and_tracks(asked):
    told, err = asked("inspect", "1.wav")
    assert told["channel_format"] is ChannelFormat.FUMA
    assert "for 1.wav (tower): format fuma" in err
    told, err = asked("verify", "a.mov", "1.wav", "--marks", "a.marks.csv")
    assert told["rig"].picture == "equirect180-sbs"
    # A finished track is no take of the recorder.
    assert told["channel_format"] is ChannelFormat.AMBIX
    told, _ = asked("directions", "1.wav", "--clip", "a.mov")
    assert told["rig"].mic_offset_m == (0.1, 0.0, -0.3)


@pytest.mark.usefixtures("asked")
def test_takes_that_are_read_in_several_ways(tmp_path):
    result = CliRunner().invoke(cli, ["sync", *(str(tmp_path / name) for name in ("b.mov", "1.wav", "2.wav"))])
    assert result.exit_code == 3
    assert "shoot.toml reads these takes in several ways" in result.stderr
