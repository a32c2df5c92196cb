"""Results in lines: each sign has its word, each number its interval, and nothing is said twice."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.field import ChannelFormat, unit_vectors
from spatial.findings import Finding, Severity
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.sync.lip_sync_findings import with_lip_sync
from spatial.jobs.sync.sync_findings import match_findings
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.verify import VerifyResult, off_in_words
from spatial.media.movies.clip import Clip
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.report import text
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw
from spatial.verification.placement import Judge, JudgedBy, check_mark

CLIP = Clip(Path("scene.mov"), 60.0, None, None, None, None, None, None, None)
TAKE = Take(Path("take.wav"), 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX)


def vector(azimuth_deg, elevation_deg):
    return unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))


def heard_mark(seen_deg, heard_deg, who="Odile"):
    mark = Mark(who, 61.0, 75.25, *np.radians(seen_deg), 2.0)
    return MeasuredMark(mark, vector(*seen_deg), 0.0, SpanDirection(True, vector(*heard_deg), np.radians(1.0), 1.0))


def estimate(offset_s, drift_ppm, drift_sd_ppm=1.0):
    return SyncEstimate(True, "", ClockLaw(offset_s, drift_ppm), 2e-4, drift_sd_ppm, None, ClockLaw(offset_s))


@pytest.mark.parametrize(
    ("offset_s", "drift_ppm", "starts", "clock"),
    [
        (
            3.217,
            50.0,
            "starts 3.2170 s before the clip (±0.39 ms, 95 %)",
            "clock runs 50.0 ppm fast (±2.0), 3.0 ms over this clip; conform takes",
        ),
        (
            -1.5,
            -50.0,
            "starts 1.5000 s after the clip (±0.39 ms, 95 %)",
            "clock runs 50.0 ppm slow (±2.0), 3.0 ms over this clip; conform takes",
        ),
        (0.0, 1.0, "starts 0.0000 s before the clip", "agree as far as this clip can tell: 1.0 ppm fast (±2.0)"),
    ],
)
def test_sync_lines(offset_s, drift_ppm, starts, clock):
    told = text.sync_lines(SyncResult(CLIP, TAKE, estimate(offset_s, drift_ppm), ()))
    assert told[0] == "scene.mov belongs to take.wav"
    assert starts in told[1]
    assert clock in told[2]


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
    told = text.sync_lines(SyncResult(clip, cut, estimate(offset_s, 0.5), ()))
    assert told[-1].endswith(f"is heard, against the camera's sound, {said}")
    assert not any("is heard" in line for line in text.sync_lines(SyncResult(clip, TAKE, estimate(3.2, 0.5), ())))


def test_drift_is_said_once():
    result = SyncResult(CLIP, TAKE, estimate(3.2, 80.0), ())
    assert [f.code for f in match_findings(result)] == ["drift", "no_picture"]
    told = text.sync_lines(replace(result, findings=tuple(match_findings(result))))
    assert len([line for line in told if "80.0 ppm" in line]) == 1
    # A pull says more than the line could.
    pulled = SyncResult(CLIP, TAKE, estimate(3.2, -1000.0), ())
    (told,) = [
        line
        for line in text.sync_lines(replace(pulled, findings=tuple(match_findings(pulled))))
        if "1000.0 ppm" in line
    ]
    assert told.startswith("  LOOK  The recorder's clock runs slow against the camera's by 1000.0 ppm (±2.0), 60.0 ms")
    assert "pull-down" in told


@pytest.mark.parametrize("offset_s", [0.63, 0.063])
def test_lip_sync_is_said_once(offset_s):
    clip = replace(CLIP, frame_rate=Fraction(25))
    result = SyncResult(clip, replace(TAKE, samples=60 * 48_000, parts=()), estimate(offset_s, 0.5), ())
    told = text.sync_lines(with_lip_sync(result))
    assert len([line for line in told if "ms late" in line]) == 1


@pytest.mark.parametrize(
    ("apart_m", "said"),
    [
        (0.0, None),
        (0.005, "The 0.5 cm of --mic-offset are too little to correct for: sound crosses them in 0.01 ms."),
        (0.3, "The offset is corrected for the travel of sound over the 30 cm of --mic-offset (up to 0.9 ms)."),
        (2.0, None),  # a finding says it
    ],
)
def test_what_was_done_with_the_mic_offset(apart_m, said):
    result = SyncResult(CLIP, TAKE, estimate(3.2, 0.5), (), apart_m=apart_m)
    assert [line.strip() for line in text.sync_lines(result) if "--mic-offset" in line] == ([said] if said else [])


def test_a_wrong_rate_says_whose_seconds_it_counts():
    """44.1 kHz in a header of 48 kHz: 2 s of the recorder count 1.8375 s; a clock 10 ppm fast seems -81240.8 ppm."""
    law = ClockLaw(1.8375, ((1 + 10e-6) * 44_100 / 48_000 - 1) * 1e6)
    wrong = SyncEstimate(True, "", law, 1e-4 * 0.91875, 2.0 * 0.91875, None, ClockLaw(1.8375), true_rate_hz=44_100)
    _, begin, pace, *_ = text.sync_lines(SyncResult(CLIP, TAKE, wrong, ()))
    assert begin == (
        "  The take starts 2.0000 s before the clip (±0.20 ms, 95 %), counted at its true rate of 44100 Hz; by its "
        "header of 48000 Hz that is 1.8375 s before the clip."
    )
    assert "At its true rate the recorder's clock runs 10.0 ppm fast (±3.9)" in pace


def test_sync_lines_without_a_match():
    lost = SyncEstimate(False, "silence", None, None, None, None)
    finding = Finding("no_match", Severity.FIX, "take.wav is silent")
    assert text.sync_lines(SyncResult(CLIP, TAKE, lost, (finding,))) == [
        "scene.mov: no take matches",
        "  FIX   take.wav is silent.",
    ]


@pytest.mark.parametrize(
    ("heard_deg", "off", "as_sentence", "verdict"),
    [
        ((32.0, 0.0), "2.0° left, 0.0° ", "2° to the left of", "in place"),
        ((10.0, 0.0), "20.0° right, 0.0° ", "20° to the right of", "off"),
        ((30.0, 15.0), "0.0° ", "15° above", "off"),
        ((42.0, -15.0), "12.0° left, 15.0° down", "12° to the left of and 15° below", "off"),
        ((30.0, 70.0), "  -  ", "70° to one side of", "off"),  # overhead, left and right mislead
    ],
)
def test_what_is_off_and_which_way(heard_deg, off, as_sentence, verdict):
    mark = heard_mark((30.0, 0.0), heard_deg)
    check = check_mark(mark.expected, mark.heard, judge=Judge(JudgedBy.TRACK))
    header, _, row = text.check_table([(mark, check)])
    assert header.split("  ")[0] == "who"
    assert "Odile  1:01.0-1:15.2  30.0° left, level" in row
    assert off in row
    assert row.endswith(verdict)
    assert off_in_words(check) == as_sentence


def test_the_sides_are_what_one_reads_off_and_the_angle_is_the_angle():
    """From 68.8 right to 69.0 left at 13 degrees down are 137.8 of azimuth, and 130.7 degrees of angle."""
    mark = heard_mark((-68.8, -13.0), (69.0, -13.0))
    check = check_mark(mark.expected, mark.heard, judge=Judge(JudgedBy.TRACK))
    cosine = np.sin(np.radians(13)) ** 2 + np.cos(np.radians(13)) ** 2 * np.cos(np.radians(137.8))
    assert np.degrees(check.error_rad) == pytest.approx(np.degrees(np.arccos(cosine)))
    row = text.check_table([(mark, check)])[2]
    assert f"  {np.degrees(np.arccos(cosine)):.1f}° ±2.0°  " in row
    assert "  137.8° left, 0.0° " in row


@pytest.mark.parametrize(("offset_s", "said"), [(0.0031, "3.10 ms late"), (-0.0031, "3.10 ms early")])
def test_early_and_late(offset_s, said):
    """take_time = clip_time + offset_s: with 3 ms of offset, what is seen at 10 s is heard at 10.003 s."""
    result = VerifyResult(CLIP, TAKE, (), estimate(offset_s, -0.5), ())
    line = text.step_line(result)
    assert said in line
    assert "drift -0.50 ppm (±1.96)" in line
