"""Directions in lines: one for each stretch of a source, with what was silent, and legs of a walk."""

from itertools import pairwise
from pathlib import Path

import numpy as np

from spatial.direction.intensity import FrameDirections
from spatial.field import ChannelFormat
from spatial.jobs.directions import DirectionsResult
from spatial.media.takes.take import Take
from spatial.report.text import directions_lines

TAKE = Take(Path("take.wav"), 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX)


def told(*rows):
    """Lines of rows of (time, source, azimuth, elevation, sd, level), angles in degrees."""
    time, source, azimuth, elevation, sd, level = np.array(rows, dtype=float).T
    frames = FrameDirections(
        times_s=time,
        azimuth_rad=np.radians(azimuth),
        elevation_rad=np.radians(elevation),
        sd_rad=np.radians(sd),
        diffuseness=np.full(len(rows), 0.3),
        level_db=level,
        source=source.astype(int),
    )
    return directions_lines(DirectionsResult(TAKE, frames, None, ()))


def test_a_stretch_is_one_line_and_silence_is_counted():
    silent = [(0.05, 0, np.nan, np.nan, np.nan, -90), (0.15, 0, 50, 0, 40, -90)]
    lines = told(*silent, *[(0.25 + 0.1 * row, 2, -30, 10, 3, -20 - row) for row in range(5)])
    assert lines[0] == "take.wav, in the take's own time, in the microphone's own axes:"
    assert lines[3].split() == ["0:00.2-0:00.7", "2", "30.0°", "right,", "10.0°", "up", "±6°", "-20", "dB"]
    assert lines[4:] == ["  0.2 s of 0.7 s have no direct sound"]


def test_a_rest_parts_two_stretches_and_a_breath_does_not():
    times = [0.05, 0.15, 0.25, 0.65, 0.75, 1.45, 1.55]
    lines = told(*[(time, 1, 0, 0, 0.2, -20) for time in times])
    assert [line.split()[0] for line in lines[3:]] == ["0:00.0-0:00.8", "0:01.4-0:01.6"]
    assert "±0.4°" in lines[3], "nothing is known to 0 degrees"


def test_two_at_once_have_a_line_each():
    lines = told(*[(0.05 + 0.1 * row, source, 40 * source, 0, 1, -20) for row in range(3) for source in (1, 2)])
    assert [line.split()[:3] for line in lines[3:]] == [
        ["0:00.0-0:00.3", "1", "40.0°"],
        ["0:00.0-0:00.3", "2", "80.0°"],
    ]


def test_who_walks_has_a_line_for_each_leg():
    """From 60 degrees left through the front to 60 right, and back: nothing of the way is lost."""
    way = np.concatenate([np.linspace(60, -60, 61), np.linspace(-58, 60, 60)])
    lines = told(*[(0.05 + 0.1 * row, 1, azimuth, 0, 1, -20) for row, azimuth in enumerate(way)])
    assert len(lines) - 3 == 12
    assert lines[3].split()[2:4] == ["60.0°", "left,"]
    ends = [line.split()[0].split("-") for line in lines[3:]]
    assert all(before[1] == after[0] for before, after in pairwise(ends)), ends


def test_nothing_heard():
    assert told((0.05, 0, np.nan, np.nan, np.nan, -90))[-1] == "  nothing direct was heard"
