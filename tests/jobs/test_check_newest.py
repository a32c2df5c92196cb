"""The check on set: five lines and a verdict of the newest clip and take; its exit codes, and what it leaves unsaid."""

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from spatial.field import ChannelFormat
from spatial.jobs.check.check_newest import Answer, check_newest
from spatial.jobs.check.heard import stretches_of
from spatial.jobs.demo import lay_out
from spatial.jobs.inspect.take_health import check_health
from spatial.jobs.rig import Rig
from spatial.media.takes.take import open_take
from spatial.mount.prior import Hanging, MountPrior
from tests.cli.test_commands import run
from tests.scenes.open_air import shoot_open_air

DOWN = MountPrior(hanging=Hanging.UPSIDE_DOWN)
RIG = Rig((0.03, 0.0, -0.3), "equirect180-sbs")


@pytest.fixture(scope="module")
def slipway(tmp_path_factory):
    """The demo's second scene: the microphone hung upside down and faced 8 degrees left."""
    folder = tmp_path_factory.mktemp("slipway")
    lay_out(folder)
    for spare in ("lantern.mp4", "lantern.marks.csv", "rec-0041.flac", "slipway.marks.csv"):
        (folder / spare).unlink()
    return folder


def asked(folder, prior=DOWN, **more):
    return check_newest(folder, rig_for=lambda _clip: RIG, prior=prior, channel_format=ChannelFormat.AMBIX, **more)


@pytest.fixture(scope="module")
def good(slipway):
    return asked(slipway)


def answers(result):
    return [result.sound, result.in_step, result.facing.answer, result.facing.left, result.faults]


@pytest.mark.slow
def test_a_good_set_up_is_usable(good):
    assert (good.ready, answers(good)) == (True, [Answer.YES] * 5)
    assert good.heard.sync.law.offset_s == pytest.approx(2.2633, abs=0.5e-3)
    assert np.degrees(good.facing.angles.yaw_rad) == pytest.approx(8.0, abs=8.0)
    assert good.covered_s == (0.0, pytest.approx(16.5165, abs=1e-3))


@pytest.mark.slow
def test_five_lines_and_a_verdict(slipway):
    outcome = run("check", slipway, "--upside-down", "--picture", "equirect180-sbs", "--mic-offset", "0.03,0,-0.3")
    lines = outcome.out.splitlines()
    assert (outcome.code, len(lines)) == (0, 6)
    assert [line[:19].split(maxsplit=1)[1].strip() for line in lines[:5]] == [
        "sound on both", "in step", "microphone", "left is left", "no faults",
    ]  # fmt: skip
    assert lines[5].startswith("USABLE  slipway.mov with rec-0042.flac")
    assert all(len(line) <= 120 for line in lines)


@pytest.mark.slow
def test_json_has_the_promised_keys(slipway):
    outcome = run("check", slipway, "--upside-down", "--json")
    told = json.loads(outcome.out)
    assert {"clip", "take", "ready", "lines", "findings"} <= set(told)
    assert [line["about"] for line in told["lines"]] == [
        "sound_on_both", "in_step", "microphone", "left_is_left", "no_faults",
    ]  # fmt: skip
    assert (outcome.code, told["ready"], told["chosen_by"]["take"]) == (0, True, "the time it was written")


@pytest.mark.slow
def test_without_a_word_on_the_hanging_both_ways_are_told_and_it_is_usable_all_the_same(slipway):
    result = asked(slipway, prior=None)
    assert (result.ready, result.facing.answer) == (True, Answer.UNSURE)
    assert {way.hanging for way in result.facing.ways} == set(Hanging)


@pytest.mark.slow
def test_marks_beside_the_clip_go_before_the_stereo_sound(tmp_path):
    lay_out(tmp_path)
    (tmp_path / "lantern.mp4").unlink()
    result = asked(tmp_path, prior=None, named=(tmp_path / "slipway.mov", tmp_path / "rec-0042.flac"))
    assert (result.facing.by, result.facing.marks, result.facing.left) == ("marks", 4, Answer.YES)
    assert np.degrees(result.facing.angles.yaw_rad) == pytest.approx(8.0, abs=3.0)


@pytest.mark.slow
@pytest.mark.parametrize("flip", [(1, -1, 1, 1)])
def test_a_mirrored_field_is_not_said_to_be_right(slipway, tmp_path, flip):
    shutil.copy(slipway / "slipway.mov", tmp_path)
    field, rate = soundfile.read(slipway / "rec-0042.flac")
    soundfile.write(tmp_path / "take.wav", field * flip, rate, subtype="PCM_24")
    result = asked(tmp_path)
    assert result.facing.left in (Answer.LOOK, Answer.NO)
    assert [finding for finding in result.findings if finding.code == "facing" and finding.severity != "note"]


@pytest.mark.slow
def test_a_take_that_did_not_hear_the_clip_is_not_usable(tmp_path):
    air = shoot_open_air(tmp_path, frames=250)
    other = shoot_open_air(tmp_path, scene=2, name="other.mov", frames=250)
    air.take.unlink()
    other.clip.unlink()
    outcome = run("check", tmp_path)
    assert outcome.code == 4
    verdict = outcome.out.splitlines()[-1]
    assert verdict.startswith("NOT USABLE  clip.mov with other-take.wav: Other-take.wav did not hear clip.mov") or (
        "other-take.wav did not hear clip.mov" in verdict
    )
    # Recorded within minutes of each other: nothing is said of their clocks.
    assert "may not be of this set-up" not in verdict
    os.utime(air.clip, (1_700_000_000, 1_700_000_000))
    assert "may not be of this set-up: is its card copied?" in run("check", tmp_path).out


@pytest.mark.slow
def test_a_silent_camera_is_not_usable(tmp_path):
    shoot_open_air(tmp_path, level=0.0, name="silent.mov")
    (tmp_path / "silent-take.wav").unlink()
    shoot_open_air(tmp_path, name="clip.mov")
    (tmp_path / "clip.mov").unlink()
    result = asked(tmp_path)
    assert (result.ready, result.sound, result.in_step) == (False, Answer.NO, Answer.NO)
    assert "switch the camera's own microphone on" in result.findings[-1].message or any(
        "switch the camera's own microphone on" in finding.message for finding in result.findings
    )


@pytest.mark.slow
def test_a_clip_too_short_to_tell_is_neither(tmp_path):
    air = shoot_open_air(tmp_path, frames=60)
    result = asked(tmp_path)
    assert result.ready is None
    outcome = run("check", tmp_path)
    assert (outcome.code, outcome.out.splitlines()[-1].startswith("CANNOT TELL  clip.mov with ")) == (3, True)
    assert air.clip.exists()


@pytest.mark.slow
def test_a_recorder_that_started_late_is_said(tmp_path):
    shoot_open_air(tmp_path, frames=250, take_from_s=3.0)
    result = asked(tmp_path)
    assert (result.ready, result.in_step) == (True, Answer.LOOK)
    (said,) = [finding.message for finding in result.findings if finding.code == "partly_covered"]
    assert said == "clip-take.wav covers clip.mov only from 3.0 s to 10.0 s of 10.0 s: the rest would be silent"


@pytest.mark.slow
def test_a_hole_in_the_take_is_told_on_the_takes_own_time(tmp_path):
    air = shoot_open_air(tmp_path, frames=250)
    field, rate = soundfile.read(air.take)
    field[5 * rate : 5 * rate + 2000] = 0.0
    soundfile.write(air.take, field, rate, subtype="PCM_24")
    result = asked(tmp_path)
    assert (result.ready, result.faults) == (False, Answer.NO)
    report = check_health(open_take(air.take), span=(2 * rate, 9 * rate))
    (said,) = [finding for finding in report.findings if finding.code == "dropout" and finding.severity == "fix"]
    assert "at 5.00 s" in said.message
    assert said.take_time_s == pytest.approx(5.0, abs=1e-3)


def test_no_more_is_heard_of_a_long_clip_than_of_a_short_one():
    assert stretches_of(74.0) == [(0.0, 74.0)]
    for duration_s in (76.0, 600.0, 3600.0):
        spans = stretches_of(duration_s)
        assert sum(stop - start for start, stop in spans) == pytest.approx(80.0)
        assert all(0.0 <= start < stop <= duration_s for start, stop in spans)


@pytest.mark.slow
def test_a_word_against_the_sound_is_no_reason_to_record_again(slipway):
    """The exit code of a good recording, whatever was typed beside it."""
    outcome = run("check", slipway, "--upright")
    verdict = outcome.out.splitlines()[-1]
    assert (outcome.code, verdict.split("  ")[0]) == (0, "USABLE")
    assert "the recording is usable, but had it hung upright, as you say" in verdict.lower()
    assert "it hung upside down, or left and right are swapped" in verdict
    assert "LOOK  microphone" in outcome.out


def test_a_bare_name_is_looked_for_in_the_folder(slipway, tmp_path, monkeypatch):
    from spatial.errors import MediaFileError
    from spatial.jobs.check import check_newest as module

    class Opened(Exception):
        pass

    def opened(paths):
        raise Opened(paths)

    monkeypatch.setattr(module, "newest_clip", opened)
    with pytest.raises(Opened) as found:
        asked(slipway, named=(Path("slipway.mov"), None))
    assert found.value.args[0] == [slipway / "slipway.mov"]
    with pytest.raises(MediaFileError, match=r"there is no slipvay.mov; .* holds rec-0042.flac, slipway.mov$"):
        asked(slipway, named=(Path("slipvay.mov"), None))
    with pytest.raises(MediaFileError, match=r"there is no x.wav; .* holds no clip and no take$"):
        check_newest(
            tmp_path, rig_for=lambda _clip: RIG, channel_format=ChannelFormat.AMBIX, named=(None, Path("x.wav"))
        )
