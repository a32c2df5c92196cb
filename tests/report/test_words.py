"""Numbers as people say them: each sign has its word, and tables stand straight."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from spatial.analysis.direction import FrameDirections, SpanDirection
from spatial.analysis.sync import SyncEstimate
from spatial.analysis.verification import check_mark
from spatial.field import ChannelFormat, unit_vectors
from spatial.findings import Finding, Severity
from spatial.jobs.directions import DirectionsResult
from spatial.jobs.marks import HeardMark
from spatial.jobs.sync import SyncResult
from spatial.jobs.verify import VerifyResult, off_in_words
from spatial.media.marks import Mark
from spatial.media.movies import Clip
from spatial.media.takes import Take
from spatial.report import words
from spatial.rotation import YawPitchRoll
from spatial.timebase import ClockLaw

CLIP = Clip(Path("scene.mov"), 60.0, None, None, None, None, None, None, None)
TAKE = Take(Path("take.wav"), 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX)


def vector(azimuth_deg, elevation_deg):
    return unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))


def heard_mark(seen_deg, heard_deg, who="Odile"):
    mark = Mark(who, 61.0, 75.25, *np.radians(seen_deg), 2.0)
    return HeardMark(mark, vector(*seen_deg), 0.0, SpanDirection(True, vector(*heard_deg), np.radians(1.0), 1.0))


def estimate(offset_s, drift_ppm, drift_sd_ppm=1.0):
    return SyncEstimate(True, "", ClockLaw(offset_s, drift_ppm), 2e-4, drift_sd_ppm, None, ClockLaw(offset_s))


@pytest.mark.parametrize(
    ("azimuth_deg", "said"),
    [
        (30.0, "30.0° left"),
        (-30.0, "30.0° right"),
        (0.04, "straight ahead"),
        (-0.04, "straight ahead"),
        (0.06, "0.1° left"),
        (180.0, "straight back"),
        (-179.97, "straight back"),
        (179.9, "179.9° left"),
    ],
)
def test_side(azimuth_deg, said):
    assert words.side(azimuth_deg) == said


@pytest.mark.parametrize(
    ("elevation_deg", "said"), [(12.0, "12.0° up"), (-12.0, "12.0° down"), (0.0, "level"), (-0.04, "level")]
)
def test_height(elevation_deg, said):
    assert words.height(elevation_deg) == said


def test_place():
    assert words.place(vector(-45.0, 20.0)) == "45.0° right, 20.0° up"
    assert words.place(np.full(3, np.nan)) == "-"


@pytest.mark.parametrize(
    ("seconds", "said"), [(0.0, "0:00.0"), (9.96, "0:09.9"), (59.99, "0:59.9"), (60.0, "1:00.0"), (3725.5, "62:05.5")]
)
def test_clock_time(seconds, said):
    assert words.clock_time(seconds) == said


@pytest.mark.parametrize(
    ("angles_deg", "said"),
    [
        ((0, 0, 0), "it faced the lens's way, not tipped, not leaning"),
        ((180, 0, 0), "it faced straight back, not tipped, not leaning"),
        ((92.6, 0, 0), "it faced 92.6° left of the lens, not tipped, not leaning"),
        ((-92.6, 4, 0), "it faced 92.6° right of the lens, tipped 4.0° up, not leaning"),
        ((0, -4, 3), "it faced the lens's way, tipped 4.0° down, leaning 3.0° to its right"),
        ((0, 0, -3), "it faced the lens's way, not tipped, leaning 3.0° to its left"),
        ((0, 0, 180), "it faced the lens's way, not tipped, upside down"),
        ((0, 0, 176), "it faced the lens's way, not tipped, upside down, leaning 4.0° to its left"),
        ((0, 0, -176), "it faced the lens's way, not tipped, upside down, leaning 4.0° to its right"),
    ],
)
def test_turn(angles_deg, said):
    assert words.turn(YawPitchRoll.from_degrees(*angles_deg)) == said


def test_mount_parts_say_the_same_as_turn():
    assert words.mount_parts(YawPitchRoll.from_degrees(-8, 5, 176)) == (
        "8.0° right", "5.0° up", "upside down, 4.0° to its left",
    )  # fmt: skip
    assert words.mount_parts(YawPitchRoll.from_degrees(0, 0, 0)) == ("straight ahead", "level", "straight")


def test_tables_line_up():
    lines = words.table(["who", "off"], [["Odile", "1.0°"], ["Bram", "12.0°"]])
    assert lines == ["who    off", "-----  -----", "Odile  1.0°", "Bram   12.0°"]


def test_findings_come_worst_first_as_sentences():
    findings = [
        Finding("drift", Severity.NOTE, "the clock runs fast"),
        Finding("clipping", Severity.FIX, "take.wav is clipped"),
        Finding("no_match", Severity.LOOK, "only half is covered."),
    ]
    assert words.findings_lines(findings) == [
        "  FIX   take.wav is clipped.",  # a file's name keeps its letters
        "  LOOK  Only half is covered.",
        "  note  The clock runs fast.",
    ]


@pytest.mark.parametrize(
    ("offset_s", "drift_ppm", "starts", "clock"),
    [
        (3.217, 50.0, "starts 3.2170 s before the clip (±0.20 ms)", "clock runs 50.0 ppm fast (±1.0); conform takes"),
        (-1.5, -50.0, "starts 1.5000 s after the clip (±0.20 ms)", "clock runs 50.0 ppm slow (±1.0); conform takes"),
        (0.0, 1.0, "starts 0.0000 s before the clip", "agree as far as this clip can tell: 1.0 ppm fast (±1.0)"),
    ],
)
def test_sync_lines(offset_s, drift_ppm, starts, clock):
    lines = words.sync_lines(SyncResult(CLIP, TAKE, estimate(offset_s, drift_ppm), ()))
    assert lines[0] == "scene.mov belongs to take.wav"
    assert starts in lines[1]
    assert clock in lines[2]


@pytest.mark.parametrize(
    ("offset_s", "said"),
    [
        (0.063, "63 ms late (1.6 frames at 25 a second): not noticed by most viewers (ITU-R BT.1359-1)."),
        (-0.063, "63 ms early (1.6 frames at 25 a second): noticed, but acceptable (ITU-R BT.1359-1)."),
        (0.63, "630 ms late (15.8 frames at 25 a second): not acceptable (ITU-R BT.1359-1)."),
    ],
)
def test_sync_lines_of_a_take_cut_to_the_clip(offset_s, said):
    clip = replace(CLIP, frame_rate=Fraction(25))
    cut = replace(TAKE, samples=60 * 48_000, parts=())
    lines = words.sync_lines(SyncResult(clip, cut, estimate(offset_s, 0.5), ()))
    assert lines[-1].endswith(f"is heard, against the camera's sound, {said}")
    assert not any("is heard" in line for line in words.sync_lines(SyncResult(clip, TAKE, estimate(3.2, 0.5), ())))


def test_sync_lines_without_a_match():
    lost = SyncEstimate(False, "silence", None, None, None, None)
    finding = Finding("no_match", Severity.FIX, "take.wav is silent")
    assert words.sync_lines(SyncResult(CLIP, TAKE, lost, (finding,))) == [
        "scene.mov: no take matches",
        "  FIX   take.wav is silent.",
    ]


@pytest.mark.parametrize(
    ("heard_deg", "off", "as_sentence", "verdict"),
    [
        ((32.0, 0.0), "2.0° left, 0.0° ", "2° to the left", "in place"),
        ((10.0, 0.0), "20.0° right, 0.0° ", "20° to the right", "off"),
        ((30.0, 15.0), "0.0° ", "15° above", "off"),
        ((42.0, -15.0), "12.0° left, 15.0° down", "12° to the left and 15° below", "off"),
    ],
)
def test_what_is_off_and_which_way(heard_deg, off, as_sentence, verdict):
    mark = heard_mark((30.0, 0.0), heard_deg)
    check = check_mark(mark.expected, mark.heard)
    header, _, row = words.check_table([(mark, check)])
    assert header.split("  ")[0] == "who"
    assert "Odile  1:01.0-1:15.2  30.0° left, level" in row
    assert off in row
    assert row.endswith(verdict)
    assert off_in_words(check) == as_sentence


@pytest.mark.parametrize(("offset_s", "said"), [(0.0031, "3.10 ms late"), (-0.0031, "3.10 ms early")])
def test_early_and_late(offset_s, said):
    """take_time = clip_time + offset_s: with 3 ms of offset, what is seen at 10 s is heard at 10.003 s."""
    result = VerifyResult(CLIP, TAKE, (), estimate(offset_s, -0.5), ())
    line = words.step_line(result)
    assert said in line
    assert "drift -0.50 ppm (±1.00)" in line


def test_directions_lines_leave_out_what_was_not_heard():
    nan = float("nan")
    frames = FrameDirections(
        times_s=np.array([0.05, 0.15]),
        azimuth_rad=np.array([nan, np.radians(-30.0)]),
        elevation_rad=np.array([nan, np.radians(10.0)]),
        sd_rad=np.array([nan, np.radians(3.0)]),
        diffuseness=np.array([nan, 0.25]),
        level_db=np.array([-90.0, -20.0]),
    )
    lines = words.directions_lines(DirectionsResult(TAKE, frames, None, ()))
    assert lines[0] == "take.wav, in the take's own time, in the microphone's own axes:"
    assert len(lines) == 4
    assert lines[3].split() == ["0:00.1", "30.0°", "right,", "10.0°", "up", "3°", "0.25", "-20", "dB"]
    nothing = replace(frames, azimuth_rad=np.full(2, nan))
    assert words.directions_lines(DirectionsResult(TAKE, nothing, None, ()))[-1] == "  nothing direct was heard"
