"""A day of one rig from files to answers: marks in two clips lend their mount to the others, and one was knocked.

Clips are done two at a time here, each in a process of its own, as on a long day.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import spatial.jobs.day.day_folder
import spatial.jobs.day.day_tracks
from cli.main import cli
from spatial.conventions import SDS_OF_95
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle
from tests.scenes.rig_shoot import MIC_OFFSET_M, write_rig_shoot

KNOCKED_FROM = 4
OFFSET = "--mic-offset=" + ",".join(map(str, MIC_OFFSET_M))


def day(folder, *words):
    result = CliRunner().invoke(cli, ["day", str(folder), OFFSET, "--json", *words], prog_name="soundplumb")
    assert result.exit_code in (0, 4), result.output
    return json.loads(result.stdout)


def without_memory(told):
    for clip in told["clips"]:
        clip.pop("remembered")
    return told


def error_deg(clip, true):
    """How far a clip's mount is off, and how far it may be by its own word, as a whole rotation in degrees."""
    mount = clip["mount"]
    found = matrix_from_ypr(YawPitchRoll.from_degrees(mount["yaw_deg"], mount["pitch_deg"], mount["roll_deg"]))
    within = SDS_OF_95 * np.sqrt(sum(clip["sd_deg"][name] ** 2 for name in ("yaw", "pitch", "roll")))
    return np.degrees(rotation_angle(found, true.mount)), within


@pytest.mark.slow
def test_a_day_of_one_rig_its_memory_and_a_knock_that_later_marks_show(tmp_path, monkeypatch):
    for module in (spatial.jobs.day.day_folder, spatial.jobs.day.day_tracks):
        monkeypatch.setattr(module, "WORTH_IT_S", 1.0)
    folder = tmp_path / "day"
    true = write_rig_shoot(folder, 701, seconds=13.0, marked=(0, 1), knocked_from=KNOCKED_FROM)
    (folder / "take0.wav").write_text("this is no recording", encoding="utf-8")

    first = day(folder)
    assert [Path(clip["take"]).name for clip in first["clips"]] == [scene.take for scene in true]
    assert all(clip["track"] for clip in first["clips"])
    assert [said["where"] for said in first["findings"] if said["code"] == "unusable_file"] == ["take0.wav"]
    for clip, scene in zip(first["clips"], true, strict=True):
        assert abs(clip["offset_s"] - scene.offset_s) < 1e-3
    for clip, scene in zip(first["clips"][:KNOCKED_FROM], true, strict=False):
        off_deg, within_deg = error_deg(clip, scene)
        assert off_deg < within_deg
    # Nothing in the later clips tells of the knock, and each says so.
    for clip in first["clips"][2:]:
        assert any("only marks in this clip would show it" in said["message"] for said in clip["findings"])

    second = day(folder)
    assert all(clip["remembered"] for clip in second["clips"])
    assert without_memory(second) == without_memory(first)

    (folder / f"scene{KNOCKED_FROM + 1}.marks.csv").write_text(true[KNOCKED_FROM].marks_text, encoding="utf-8")
    third = day(folder)
    knocks = [said for said in third["findings"] if "knocked" in said["message"]]
    assert [said["where"] for said in knocks] == [f"scene{KNOCKED_FROM + 1}.mov"]
    assert [clip["remembered"] for clip in third["clips"]][:2] == [True, True]
    assert third["clips"][KNOCKED_FROM]["conform"] is None
    left = [said["message"] for clip in third["clips"] for said in clip["findings"] if said["code"] == "already_there"]
    assert len(left) >= 2
    assert all("older track" in message for message in left)

    fourth = day(folder, "--again")
    for clip, scene in zip(fourth["clips"], true, strict=True):
        if clip["mount"] is not None:
            off_deg, within_deg = error_deg(clip, scene)
            assert off_deg < within_deg
    assert fourth["clips"][KNOCKED_FROM]["mount"] is not None
    assert fourth["clips"][-1]["mount"] is not None
