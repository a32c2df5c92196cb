"""The clap walk on files: from a recording and the names of places to facing, level, upside down and mirrored."""

import json

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from cli.main import cli
from spatial.errors import InconclusiveError, InputError
from spatial.jobs.orient.from_claps import orient_claps
from spatial.mount.channel_faults import fault_name, mirroring_faults
from spatial.mount.clap_walk import clap_direction
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle
from tests.scenes.stage import RATE

NAMES = ("front", "left", "back", "right", "above")


@pytest.fixture
def walk(tmp_path, rng):
    """Write a walk in the open air: a clap every 2 s from each place, as the microphone at this mount hears them."""

    def write(mount=(0, 0, 0), *, fault=None, names=NAMES, twice=(), name="walk.wav"):
        matrix = matrix_from_ypr(YawPitchRoll.from_degrees(*mount))
        wiring = np.eye(3) if fault is None else fault
        field = 1e-4 * rng.standard_normal((4, round((2.0 * len(names) + 2.0) * RATE)))
        for number, place in enumerate(names):
            x, y, z = wiring @ (clap_direction(place) @ matrix)
            for late_s in (0.0, 0.6) if place in twice else (0.0,):
                time = np.arange(RATE // 20) / RATE
                burst = 0.3 * rng.standard_normal(time.size) * np.exp(-time / 0.004)
                first = round((1.0 + 2.0 * number + late_s) * RATE)
                field[:, first : first + burst.size] += np.outer([1.0, y, z, x], burst)
        path = tmp_path / name
        soundfile.write(path, field.T, RATE, subtype="PCM_24")
        return path, matrix

    return write


@pytest.mark.slow
@pytest.mark.parametrize("mount", [(0, 0, 0), (92, 3, -4), (178, -5, 176)])
def test_facing_and_tilt_are_told(walk, mount):
    path, true = walk(mount)
    result = orient_claps([path], NAMES)
    assert result.evidence == "claps"
    assert result.mount.mirrored is False
    assert np.degrees(rotation_angle(result.matrix, true)) < 1.0  # open air: what hearing leaves
    assert [heard.mark.who for heard in result.marks] == list(NAMES)
    np.testing.assert_allclose([heard.mark.start_s for heard in result.marks], [1, 3, 5, 7, 9], atol=0.005)
    # Somebody who claps "at the left" stands there to 8 degrees or so, and the answer says so.
    assert 2.0 < np.degrees(result.sd_rad.yaw_rad) < 6.0


@pytest.mark.slow
@pytest.mark.parametrize("fault", [fault for fault, _ in mirroring_faults()], ids=fault_name)
def test_every_mirroring_fault_is_seen_and_repaired(walk, fault):
    path, true = walk((4, -2, 3), fault=fault)
    found = orient_claps([path], NAMES)
    assert found.mount.mirrored is True
    assert found.matrix is None
    assert fault_name(fault) in [each.name for each in found.faults]
    assert [f.severity for f in found.findings if f.code == "mirrored"] == ["fix"]
    repaired = orient_claps([path], NAMES, repair=True)
    turn = repaired.matrix @ repaired.repaired.mic_from_take
    np.testing.assert_allclose(turn, true @ fault.T, atol=np.radians(1.5))


@pytest.mark.slow
def test_a_doubled_clap_is_one(walk):
    path, true = walk((20, 0, 0), twice=("left", "above"))
    result = orient_claps([path], NAMES)
    assert len(result.marks) == 5
    assert np.degrees(rotation_angle(result.matrix, true)) < 1.0


def test_a_missing_clap_is_said(walk):
    path, true = walk((20, 0, 0), names=("front", "back", "right", "above"))
    result = orient_claps([path], NAMES)
    assert [(f.code, f.where) for f in result.findings if f.code == "mark_unheard"] == [("mark_unheard", "left")]
    assert np.degrees(rotation_angle(result.matrix, true)) < 1.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mount", "fault"),
    [((0, 0, 180), None), ((0, 0, 0), np.diag([1.0, -1.0, 1.0])), ((90, 0, 0), np.diag([-1.0, 1.0, 1.0]))],
)
def test_a_ring_cannot_tell_upside_down_from_a_channel_inverted_and_one_clap_above_would(walk, mount, fault):
    path, _ = walk(mount, fault=fault, names=NAMES[:4])
    result = orient_claps([path], NAMES[:4])
    assert (result.mount.mirrored, result.matrix) == (None, None)
    (said,) = [f.message for f in result.findings if f.code == "undetermined"]
    assert "a microphone that hung upside down and a field with a channel inverted" in said
    assert "one clap above the camera would settle it" in said
    assert "say --upright or --upside-down" in said
    path, _ = walk(mount, fault=fault)
    assert orient_claps([path], NAMES).mount.mirrored is (fault is not None)


def test_a_walk_the_other_way_round_than_named_is_thought_of_before_a_channel_is_blamed(walk):
    path, _ = walk((12, 0, 0), names=("front", "right", "back", "left", "above"))
    (said,) = [f.message for f in orient_claps([path], NAMES).findings if f.code == "mirrored"]
    assert "first make sure that the places are named in the order of the claps" in said


def test_claps_that_do_not_go_with_the_crews_word_are_not_called_unclear(walk):
    path, _ = walk((163, -6, 1))
    with pytest.raises(InconclusiveError, match="they do not go with what you said of the microphone"):
        orient_claps([path], NAMES, prior=MountPrior(facing_rad=0.0))


def test_a_ring_that_is_said_to_hang_upside_down_is_believed(walk):
    path, true = walk((20, 0, 180), names=NAMES[:4])
    result = orient_claps([path], NAMES[:4], prior=MountPrior(Hanging.UPSIDE_DOWN))
    assert result.mount.mirrored is None
    assert np.degrees(rotation_angle(result.matrix, true)) < 1.5


def test_a_ring_against_the_crews_word_is_mended_by_repair_and_not_before(walk):
    fault = np.diag([1.0, -1.0, 1.0])
    path, true = walk((20, 0, 0), fault=fault, names=NAMES[:4])
    told = MountPrior(Hanging.UPRIGHT)
    result = orient_claps([path], NAMES[:4], prior=told)
    assert (result.mount.mirrored, result.matrix) == (None, None)
    (said,) = [f.message for f in result.findings if f.code == "undetermined"]
    assert "where what you said of it is certain, add --repair to --upright" in said
    repaired = orient_claps([path], NAMES[:4], prior=told, repair=True)
    assert repaired.mount.mirrored is True
    turn = repaired.matrix @ repaired.repaired.mic_from_take
    np.testing.assert_allclose(turn, true @ fault.T, atol=np.radians(2.0))
    assert [f.severity for f in repaired.findings if f.code == "mirrored"] == ["look"]


def test_the_command_leaves_with_3_where_a_ring_does_not_tell(walk):
    path, _ = walk((0, 0, 180), names=NAMES[:4])
    outcome = CliRunner().invoke(cli, ["orient", str(path), "--claps", ",".join(NAMES[:4]), "--json"])
    assert outcome.exit_code == 3
    found = json.loads(outcome.stdout)
    assert (found["mirrored"], found["mount"]["matrix"]) == (None, None)
    assert found["undetermined"] == ["yaw", "pitch", "roll"]


def test_what_is_no_walk(walk, tmp_path):
    path, _ = walk(names=("front", "left", "back", "above"))
    with pytest.raises(InconclusiveError, match=r"5 claps are named and 4 found \(1\.0 s, .*which is which"):
        orient_claps([path], NAMES)
    with pytest.raises(InputError, match="two claps or more"):
        orient_claps([path], ["front"])
    with pytest.raises(InputError, match="'up' is no place"):
        orient_claps([path], ["front", "up"])
    soundfile.write(tmp_path / "silent.wav", np.zeros((5 * RATE, 4)), RATE)
    with pytest.raises(InconclusiveError, match=r"0 found \(nowhere\)"):
        orient_claps([tmp_path / "silent.wav"], NAMES)
    with pytest.raises(InputError, match="these are 2"):
        orient_claps([path, tmp_path / "silent.wav"], NAMES)


def test_the_command_in_json_and_in_words(walk):
    path, _ = walk((92, 3, -4))
    run = CliRunner()
    outcome = run.invoke(cli, ["orient", str(path), "--claps", ",".join(NAMES), "--json"])
    assert outcome.exit_code == 0
    found = json.loads(outcome.stdout)
    assert (found["evidence"], found["clip"], found["take"]) == ("claps", None, str(path))
    assert (found["mirrored"], found["faults"], found["repaired"]) == (False, [], None)
    assert found["mount"]["yaw_deg"] == pytest.approx(92.0, abs=1.0)
    assert [mark["who"] for mark in found["marks"]] == list(NAMES)
    words = run.invoke(cli, ["orient", str(path), "--claps", ",".join(NAMES)]).stdout
    assert words.startswith("The microphone: it faced 9")


def test_the_command_on_a_mirrored_take(walk):
    path, _ = walk((0, 0, 0), fault=np.diag([1.0, -1.0, 1.0]))
    run = CliRunner()
    claps = ["orient", str(path), "--claps", ",".join(NAMES), "--upright", "--facing", "0", "--json"]
    outcome = run.invoke(cli, claps)
    assert outcome.exit_code == 4
    found = json.loads(outcome.stdout)
    assert found["mirrored"] is True
    assert found["mount"]["matrix"] is None
    assert found["faults"][0]["fault"] == "Y (left-right) is inverted"
    outcome = run.invoke(cli, [*claps, "--repair"])
    assert outcome.exit_code == 0
    found = json.loads(outcome.stdout)
    assert found["repaired"]["xyz_from_take_xyz"] == [[1, 0, 0], [0, -1, 0], [0, 0, 1]]
    assert abs(found["mount"]["yaw_deg"]) < 1.0


@pytest.mark.parametrize(
    "arguments",
    [
        ["orient", "take.wav"],
        ["orient", "take.wav", "--marks", "m.csv"],
        ["orient", "clip.mp4", "take.wav", "--marks", "m.csv", "--claps", "front,left"],
        ["orient", "take.wav", "--claps", "front,left", "--level-within", "0"],
        ["orient", "take.wav", "--claps", "front,left", "--facing", "nan"],
    ],
)
def test_wrong_usage(arguments):
    assert CliRunner().invoke(cli, arguments).exit_code == 2
