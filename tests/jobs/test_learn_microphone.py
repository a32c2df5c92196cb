"""A microphone is learned from a clip's marks, saved, and taken out of the next recording: files in, files out.

The scene is in the open air: plane waves from twelve people, through a microphone whose gains and leak are known.
"""

import json
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from cli.main import cli
from demo_audio.write_movie import write_movie
from spatial.direction.doa import SpanDirection
from spatial.field import unit_vectors
from spatial.jobs.orient.learn_microphone import marks_to_learn_from
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.media.microphone_file import read_calibration
from spatial.media.tables import Mark
from tests.scenes.stage import RATE

pytestmark = pytest.mark.slow

GAINS = np.array([[1.1, 0.02, 0.0], [0.02, 0.99, -0.02], [0.0, -0.02, 0.92]])
LEAK = np.array([0.05, -0.04, 0.03])
AZIMUTHS, ELEVATIONS = np.linspace(-78, 78, 12), np.tile([-25.0, 35.0, 5.0], 4)
TURN_S, GAP_S = 1.0, 0.3
FACED_DEG = 40.0


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """A clip, its take by a microphone that faced 40 degrees left, and marks."""
    folder = tmp_path_factory.mktemp("microphone")
    rng = np.random.default_rng(7)
    samples = round((12 * (TURN_S + GAP_S) + 1.0) * RATE)
    field, scratch = rng.normal(0, 1e-4, (4, samples)), rng.normal(0, 1e-3, (2, samples))
    rows = ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"]
    for number, (azimuth, elevation) in enumerate(zip(AZIMUTHS, ELEVATIONS, strict=True)):
        start_s = 0.3 + number * (TURN_S + GAP_S)
        first, count = round(start_s * RATE), round(TURN_S * RATE)
        sound = 0.1 * rng.standard_normal(count) * (rng.random(count // 4800).repeat(4800) > 0.4)
        way = unit_vectors(np.radians(azimuth - FACED_DEG), np.radians(elevation))
        x, y, z = GAINS @ way + LEAK
        field[:, first : first + count] += np.stack([sound, y * sound, z * sound, x * sound])
        scratch[:, first : first + count] += sound
        rows.append(f"person {number + 1},{start_s},{start_s + TURN_S},{azimuth:.2f},{elevation:.2f},")
    frames = (np.zeros((48, 96, 3), dtype=np.uint8) for _ in range(samples * 25 // RATE))
    write_movie(folder / "clip.mov", frames=frames, frame_rate=Fraction(25), audio=scratch, audio_codec="pcm_s16le")
    soundfile.write(folder / "take.wav", field.T, RATE, subtype="PCM_24")
    (folder / "clip.marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def run(*words):
    result = CliRunner().invoke(cli, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture(scope="module")
def learned(shoot):
    path = shoot / "mine.toml"
    words = ("orient", shoot / "clip.mov", shoot / "take.wav", "--marks", shoot / "clip.marks.csv", "--json")
    return path, json.loads(run(*words, "--save-microphone", path).stdout)


def test_it_is_learned_and_what_it_gains_is_told(learned):
    path, said = learned
    assert said["microphone"]["helped"]
    assert said["microphone"]["places"] == 12
    assert said["microphone"]["error_after_deg"] < 0.6 * said["microphone"]["error_before_deg"]
    for band in read_calibration(path)[0].bands:
        np.testing.assert_allclose(band.gains, GAINS / np.cbrt(np.linalg.det(GAINS)), atol=0.04)
        np.testing.assert_allclose(band.leak, LEAK, atol=0.02)


def test_with_it_marks_and_mount_are_nearer(shoot, learned):
    words = ("orient", shoot / "clip.mov", shoot / "take.wav", "--marks", shoot / "clip.marks.csv", "--json")
    without, with_it = (json.loads(run(*words, *more).stdout) for more in ((), ("--microphone", learned[0])))
    off = [np.median([mark["residual_deg"] for mark in said["marks"]]) for said in (without, with_it)]
    assert off[1] < 0.5 * off[0]
    # What is known of the microphone is no longer open, and the mount is the surer for it.
    assert with_it["sd_deg"]["yaw"] < 0.9 * without["sd_deg"]["yaw"]
    assert abs(with_it["mount"]["yaw_deg"] - FACED_DEG) < 1.5


def test_the_delivered_field_has_right_gains_and_says_so(shoot, learned):
    track = shoot / "track.wav"
    words = ("conform", shoot / "clip.mov", shoot / "take.wav", "-o", track, "--mount", f"{FACED_DEG},0,0")
    run(*words, "--microphone", learned[0])
    field = soundfile.read(track)[0].T
    for number, (azimuth, elevation) in enumerate(zip(AZIMUTHS, ELEVATIONS, strict=True)):
        first = round((0.3 + number * (TURN_S + GAP_S)) * RATE)
        w, y, z, x = field[:, first : first + RATE]
        gains = np.array([x @ w, y @ w, z @ w]) / (w @ w)
        # What all three gains have in common turns no direction, and is not learned.
        gains /= np.linalg.norm(gains)
        np.testing.assert_allclose(gains, unit_vectors(np.radians(azimuth), np.radians(elevation)), atol=0.06)
    facts = json.loads(track.with_suffix(".json").read_text(encoding="utf-8"))
    assert facts["take"]["microphone"]["file"] == "mine.toml"


def test_it_is_replaced_only_with_force_and_never_without_known_directions(shoot, learned):
    clip, take, marks = shoot / "clip.mov", shoot / "take.wav", shoot / "clip.marks.csv"
    again = run("orient", clip, take, "--marks", marks, "--save-microphone", learned[0])
    assert (again.exit_code, "exists already" in again.stderr) == (3, True)
    other = run("orient", clip, take, "--marks", marks, "--save-microphone", shoot / "mine.txt")
    assert (other.exit_code, "end its name in .toml" in other.stderr) == (3, True)
    unmarked = run("orient", clip, take, "--save-microphone", shoot / "other.toml")
    assert unmarked.exit_code == 2


def test_it_is_the_wrong_mark_that_is_left_out_whoever_is_unheard_before_it():
    def mark(who, *, heard=True):
        sound = SpanDirection(heard, np.array([1.0, 0.0, 0.0]), 0.02, 0.8)
        return MeasuredMark(Mark(who, 0.0, 1.0, 0.0, 0.0, None), np.array([1.0, 0.0, 0.0]), 0.0, sound)

    marks = (mark("unheard", heard=False), mark("right"), mark("wrong"), mark("right too"))
    oriented = SimpleNamespace(marks=marks, mount=SimpleNamespace(wrong=np.array([0.01, 0.97, 0.02])))
    assert [each.mark.who for each in marks_to_learn_from(oriented)] == ["right", "right too"]


def test_few_marks_write_nothing_and_say_why(shoot):
    head, *rows = (shoot / "clip.marks.csv").read_text(encoding="utf-8").splitlines()
    few = shoot / "few.csv"
    few.write_text("\n".join([head, *rows[:4]]) + "\n", encoding="utf-8")
    words = ("orient", shoot / "clip.mov", shoot / "take.wav", "--marks", few, "--upright")
    result = run(*words, "--save-microphone", shoot / "few.toml")
    assert "microphone file is written" in result.stdout
    assert (result.exit_code, result.stderr) == (
        3, f"soundplumb: {shoot / 'few.toml'} is not written; why, and what to do, stands above\n",
    )  # fmt: skip
    assert not (shoot / "few.toml").exists()
