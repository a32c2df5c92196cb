"""A day by its shoot file: the demo's two clips had two rigs, which no options can say."""

import json

import pytest
from click.testing import CliRunner

from cli.main import cli
from spatial.findings import Severity
from spatial.jobs.day.day_folder import run_day
from spatial.jobs.day.shoot_words import prior_of, shoot_of
from spatial.jobs.demo import lay_out
from spatial.jobs.rig import Rig
from spatial.jobs.sync.take_choice import Pairing
from spatial.mount.prior import Hanging, MountPrior

TWO_RIGS = """\
[[rig]]
clips = ["lantern*"]
mic_offset_m = [-0.04, 0.0, 0.16]
picture = "equirect180"

[[rig]]
clips = ["slipway*"]
mic_offset_m = [0.03, 0.0, -0.3]
picture = "equirect180-sbs"
hanging = "upside_down"
"""


@pytest.fixture
def folder(tmp_path):
    lay_out(tmp_path / "shoot")
    (tmp_path / "shoot" / "shoot.toml").write_text(TWO_RIGS, encoding="utf-8")
    return tmp_path / "shoot"


@pytest.fixture
def asked(monkeypatch):
    """What `day` on the command line asks of the job, which is not done."""
    told = {}

    def ask(folder, **options):
        told.update(options, folder=folder)
        raise KeyboardInterrupt

    monkeypatch.setattr("spatial.jobs.day.day_folder.run_day", ask)

    def run(*arguments):
        CliRunner().invoke(cli, ["day", *map(str, arguments)])
        return told

    return run


def test_each_clip_has_its_rig_and_options_go_before_the_file(folder, asked):
    lantern, slipway = folder / "lantern.mp4", folder / "slipway.mov"
    told = asked(folder)
    assert told["rig_for"](lantern).mic_offset_m == (-0.04, 0.0, 0.16)
    assert told["rig_for"](lantern).picture == "equirect180"
    assert told["rig_for"](slipway).mic_offset_m == (0.03, 0.0, -0.3)
    told = asked(folder, "--mic-offset", "0,0,0", "--picture", "equirect360")
    # Typed, also where it is what would hold anyway.
    assert told["rig_for"](slipway).mic_offset_m == (0.0, 0.0, 0.0)
    assert told["rig_for"](slipway).picture == "equirect360"


def test_the_format_that_is_typed_goes_before_the_files(folder, asked):
    file = folder / "shoot.toml"
    file.write_text(file.read_text(encoding="utf-8") + 'takes = ["rec-0042*"]\nformat = "fuma"\n', encoding="utf-8")
    assert asked(folder)["shoot"].format_of("rec-0042.flac") == "fuma"
    assert asked(folder, "--format", "ambix")["shoot"].format_of("rec-0042.flac") is None


def test_the_word_for_all_clips_goes_before_the_files(folder):
    shoot = shoot_of(folder)
    clips = [folder / "lantern.mp4", folder / "slipway.mov"]
    assert [prior_of(clip, None, shoot) for clip in clips] == [None, MountPrior(hanging=Hanging.UPSIDE_DOWN)]
    facing = MountPrior(facing_rad=0.5)
    assert prior_of(clips[1], facing, shoot) == MountPrior(hanging=Hanging.UPSIDE_DOWN, facing_rad=0.5)
    upright = MountPrior(hanging=Hanging.UPRIGHT)
    assert prior_of(clips[1], upright, shoot) == upright


def test_a_mistake_in_it_is_the_commands_one_sentence(folder):
    (folder / "shoot.toml").write_text("[[rig]]\nclips = ['none*']\n", encoding="utf-8")
    result = CliRunner().invoke(cli, ["day", str(folder), "--json"])
    assert result.exit_code == 3
    assert json.loads(result.stdout)["error"].startswith("shoot.toml, line 2: clips names 'none*', and none of")


def test_pairs_and_formats_hold_in_the_day(folder):
    """Slipway is paired by hand with the other clip's take; lantern's take is read as FuMa, which it is not."""
    for name in ("lantern.marks.csv", "slipway.marks.csv"):
        (folder / name).unlink()
    (folder / "shoot.toml").write_text(
        '[[rig]]\nclips = ["lantern*"]\ntakes = ["rec-0041*"]\nformat = "fuma"\n'
        '[[pair]]\nclip = "slipway.mov"\ntake = "rec-0041.flac"\n',
        encoding="utf-8",
    )
    shoot = shoot_of(folder)
    lantern, slipway = run_day(folder, rig_for=lambda _clip: Rig(), shoot=shoot).clips
    assert lantern.sync.take.channel_format == "fuma"
    assert lantern.sync.pairing is None
    # No other take is tried, and where the two share no sound nothing is made up.
    assert slipway.sync.take.path.name == "rec-0041.flac"
    assert not slipway.sync.estimate.matched
    assert slipway.sync.others == ()
    assert slipway.sync.pairing == Pairing()
    (said,) = [finding for finding in slipway.findings if finding.code == "no_match"]
    assert said.severity is Severity.FIX
