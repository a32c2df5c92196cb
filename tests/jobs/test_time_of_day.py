"""The time of day of a clip's first frame: by the camera's timecode, else by the recorder's clock."""

from fractions import Fraction
from types import SimpleNamespace

import pytest

from spatial.jobs.sync.time_of_day import clip_start_of_day_s
from spatial.timebase import ClockLaw

NTSC = Fraction(24_000, 1001)


@pytest.mark.parametrize(
    ("timecode", "rate", "take_s", "expected_s"),
    [
        ("10:00:00:00", NTSC, 5.0, 36_036.0),  # SMPTE ST 12-1, worked by hand
        ("01:00:00;00", Fraction(30_000, 1001), None, 3599.9964),  # SMPTE ST 12-1, worked by hand
        (None, NTSC, 36_000.0, 36_003.217),
        ("10:00:00:00", None, 36_000.0, 36_003.217),
        ("10:00:00:99", NTSC, 36_000.0, 36_003.217),
        (None, NTSC, None, None),
    ],
)
def test_by_the_best_clock_there_is(timecode, rate, take_s, expected_s):
    clip = SimpleNamespace(start_timecode=timecode, frame_rate=rate)
    take = SimpleNamespace(start_of_day_s=take_s)
    assert clip_start_of_day_s(clip, take, ClockLaw(3.217, 50.0)) == pytest.approx(expected_s, abs=1e-6)
