"""--paired on the command line: the answer, the doubt beside it, and who decided."""

import json

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from cli.main import cli
from spatial.errors import InputError
from spatial.jobs.sync.take_choice import Pairing
from spatial.jobs.track_request import TrackRequest
from spatial.mount.prior import Hanging
from tests.scenes.open_air import published_gains, shoot_open_air
from tests.scenes.songs import make_song
from tests.scenes.stage import RATE


@pytest.fixture(scope="module")
def loop(tmp_path_factory):
    """Ten seconds of an exact loop, filmed 4 s into a take that holds nothing else."""
    folder, rng = tmp_path_factory.mktemp("loop"), np.random.default_rng(4)
    song, _ = make_song(20.0, rng, exact=True)
    seen = song[4 * RATE : 14 * RATE] + 1e-3 * rng.standard_normal(10 * RATE)
    heard = song + 1e-3 * rng.standard_normal(song.size)
    soundfile.write(folder / "clip.wav", 0.3 * np.stack([seen, seen], axis=1), RATE, subtype="PCM_24")
    field = 0.3 * published_gains(35.0, 10.0, "ambix")[:, np.newaxis] * heard
    soundfile.write(folder / "take.wav", field.T, RATE, subtype="PCM_24")
    return folder


@pytest.mark.slow
def test_a_track_of_a_loop_is_written_on_the_crews_word(loop):
    wanted = [str(loop / "clip.wav"), str(loop / "take.wav"), "--mount", "0,0,0", "-o", str(loop / "track.wav")]
    refused = CliRunner().invoke(cli, ["conform", *wanted])
    assert refused.exit_code == 3
    assert not (loop / "track.wav").exists()
    told = CliRunner().invoke(cli, ["conform", *wanted, "--paired", "--json"])
    assert told.exit_code in (0, 4), told.output
    result = json.loads(told.stdout)
    assert result["decided_by"] == "crew"
    (doubt,) = [f for f in result["findings"] if f["code"] == "ambiguous_match"]
    assert doubt["severity"] == "look"
    assert json.loads((loop / "track.json").read_text(encoding="utf-8"))["decided_by"] == "crew"


def test_two_takes_cannot_be_paired_with_one_clip(tmp_path):
    air, other = shoot_open_air(tmp_path), shoot_open_air(tmp_path, scene=2, name="other.mov")
    told = CliRunner().invoke(cli, ["sync", str(air.clip), str(air.take), str(other.take), "--paired"])
    assert told.exit_code == 3
    assert "are not parts of one recording: name the take that was rolling" in told.stderr


@pytest.mark.parametrize("said", [True, False])
@pytest.mark.parametrize(
    ("command", "job"),
    [
        ("orient", "spatial.jobs.orient.orient_clip.orient_clip"),
        ("conform", "spatial.jobs.conform.conform_clip.conform_clip"),
        ("review", "spatial.jobs.review.review_clip.review_clip"),
    ],
)
def test_the_crews_word_reaches_every_job_that_syncs(loop, tmp_path, monkeypatch, command, job, said):
    seen = []

    def watched(*arguments, **_options):
        seen.extend(argument for argument in arguments if isinstance(argument, TrackRequest))
        raise InputError("far enough")

    monkeypatch.setattr(job, watched)
    output = [] if command == "orient" else ["-o", str(tmp_path / "made.wav")]
    words = ["--paired"] if said else []
    CliRunner().invoke(cli, [command, str(loop / "clip.wav"), str(loop / "take.wav"), *output, "--upright", *words])
    (asked,) = seen
    assert asked.pairing == (Pairing() if said else None)
    assert asked.prior.hanging is Hanging.UPRIGHT


def test_a_clap_walk_has_nothing_to_pair():
    told = CliRunner().invoke(cli, ["orient", "take.wav", "--claps", "front,left", "--paired"])
    assert told.exit_code == 2
