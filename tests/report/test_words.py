"""Numbers as people say them: each sign has its word, and tables stand straight."""

import numpy as np
import pytest

from spatial.field import unit_vectors
from spatial.findings import Finding, Severity
from spatial.report import words
from spatial.rotation import YawPitchRoll


def vector(azimuth_deg, elevation_deg):
    return unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))


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
    ("azimuth_deg", "elevation_deg", "said"),
    [
        (-45.0, 74.9, "45.0° right, 74.9° up"),
        (-45.0, 75.1, "overhead, 75.1° up"),
        (170.0, 90.0, "overhead, 90.0° up"),
        (30.0, -74.9, "30.0° left, 74.9° down"),
        (30.0, -80.0, "below, 80.0° down"),
    ],
)
def test_overhead_and_below_have_no_sides(azimuth_deg, elevation_deg, said):
    assert words.place(vector(azimuth_deg, elevation_deg)) == said
    assert words.steep(elevation_deg) == (said.split(",")[0] if "head" in said or "below" in said else "")


def test_a_place_in_whole_degrees():
    assert words.place(vector(0.4, -0.4), digits=0) == "straight ahead, level"
    assert words.place(vector(-12.6, 7.5001), digits=0) == "13° right, 8° up"
    assert words.place(vector(50.0, 80.4), digits=0) == "overhead, 80° up"


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


def test_straight_up_has_no_side():
    assert [words.place(np.array([0.0, 0.0, z])) for z in (1.0, -1.0)] == [
        "overhead, 90.0° up",
        "below, 90.0° down",
    ]
