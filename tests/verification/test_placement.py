"""Verdicts on marks, both signs, and their published tolerances."""

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.field import unit_vectors
from spatial.verification.placement import (
    TOLERANCE_AZIMUTH_RAD,
    TOLERANCE_ELEVATION_RAD,
    Judge,
    JudgedBy,
    Verdict,
    check_mark,
    mirrored_axis,
)


def heard_at(azimuth, elevation, sd=0.5):
    return SpanDirection(True, unit_vectors(np.radians(azimuth), np.radians(elevation)), np.radians(sd), 0.9)


EXACT = Judge(JudgedBy.TRACK)
"""A track by a microphone of which all is known."""


def expected_at(azimuth, elevation):
    return unit_vectors(np.radians(azimuth), np.radians(elevation))


@pytest.mark.parametrize(
    ("azimuth", "elevation", "left", "up"),
    [(37, 0, 7, 0), (23, 0, -7, 0), (30, 12, 0, 12), (30, -12, 0, -12)],
)
def test_left_and_up_are_positive(azimuth, elevation, left, up):
    check = check_mark(expected_at(30, 0), heard_at(azimuth, elevation), judge=EXACT)
    assert np.degrees(check.azimuth_rad) == pytest.approx(left, abs=1e-6)
    assert np.degrees(check.up_rad) == pytest.approx(up, abs=1e-6)
    assert check.verdict is Verdict.OFF


@pytest.mark.parametrize(
    ("azimuth", "sd", "verdict"),
    [
        (4.9, 0.5, Verdict.IN_PLACE),
        (5.8, 0.5, Verdict.BORDERLINE),
        (6.2, 0.5, Verdict.OFF),
        (9.0, 3.0, Verdict.BORDERLINE),
    ],
)
def test_the_uncertainty_decides_between_borderline_and_off(azimuth, sd, verdict):
    assert check_mark(expected_at(0, 0), heard_at(azimuth, 0, sd), judge=EXACT).verdict is verdict


def test_a_microphone_of_which_nothing_is_known_accuses_nobody_of_its_own_error():
    """6.2 degrees at a tolerance of 5 are off by a known microphone; by an unknown one they may be its own."""
    assert check_mark(expected_at(0, 0), heard_at(6.2, 0, 0.5)).verdict is Verdict.BORDERLINE
    assert check_mark(expected_at(0, 0), heard_at(5.0 + 2 * 3.5, 0, 0.5)).verdict is Verdict.OFF


def test_errors_across_the_back_are_small():
    check = check_mark(expected_at(179, 0), heard_at(-179, 0))
    assert np.degrees(check.azimuth_rad) == pytest.approx(2.0, abs=1e-6)
    assert check.verdict is Verdict.IN_PLACE


def test_azimuth_counts_less_high_up():
    """60 degrees up, 8 degrees of azimuth are 4 degrees of angle."""
    check = check_mark(expected_at(0, 60), heard_at(8, 60))
    assert np.degrees(check.azimuth_rad) == pytest.approx(8.0, abs=1e-6)
    assert check.verdict is Verdict.IN_PLACE


def test_unheard_is_no_number():
    check = check_mark(expected_at(0, 0), SpanDirection(False, np.full(3, np.nan), np.nan, 0.1))
    assert check.verdict is Verdict.UNHEARD
    assert np.isnan(check.error_rad)


def test_default_tolerances_lie_between_published_figures():
    """Above the minimum audible angles 0.97 and 3.65 degrees (Perrott and Saberi 1990, JASA 87(4) 1728-31), not
    above the 5 to 10 degrees from which picture-sound offsets act on people (Stenzel, Francombe and Jackson 2019)."""
    assert 0.97 < np.degrees(TOLERANCE_AZIMUTH_RAD) <= 5.0
    assert 3.65 < np.degrees(TOLERANCE_ELEVATION_RAD) <= 10.0


def test_sides_mislead_overhead():
    assert check_mark(expected_at(0, 55), heard_at(20, 55)).sides_tell
    assert not check_mark(expected_at(0, 55), heard_at(20, 65)).sides_tell
    assert not check_mark(expected_at(0, -65), heard_at(20, -55)).sides_tell


PLACES = ((55, 10), (5, 20), (-40, -15), (-75, 25))


def axis_of(heard, expected=PLACES):
    count = len(expected)
    return mirrored_axis(
        np.stack([expected_at(*place) for place in expected]),
        heard,
        tolerance_azimuth_rad=np.full(count, TOLERANCE_AZIMUTH_RAD),
        tolerance_elevation_rad=np.full(count, TOLERANCE_ELEVATION_RAD),
    )


@pytest.mark.parametrize(
    ("turned", "axis"),
    [
        (lambda azimuth, elevation: (180 - azimuth, elevation), 0),
        (lambda azimuth, elevation: (-azimuth, elevation), 1),
        (lambda azimuth, elevation: (azimuth, -elevation), 2),
        (lambda azimuth, elevation: (azimuth, elevation), None),
        (lambda azimuth, elevation: (azimuth + 90, elevation), None),  # turned, not mirrored
        (lambda azimuth, elevation: (-azimuth, -elevation), None),  # upside down, not mirrored
    ],
)
def test_exchanged_sides_are_named(turned, axis):
    assert axis_of([heard_at(*turned(*place)) for place in PLACES]) == axis


def test_one_mark_of_four_may_be_wrong_beside_exchanged_sides():
    heard = [heard_at(-azimuth, elevation) for azimuth, elevation in PLACES]
    unheard = SpanDirection(False, np.full(3, np.nan), np.nan, 0.1)
    assert axis_of([heard_at(150, -50), *heard[1:]]) == 1
    assert axis_of([unheard, *heard[1:]]) == 1
    # A single mark that is off may as well name another place.
    assert axis_of([heard_at(-55, 10)], PLACES[:1]) is None
    assert axis_of([heard_at(150, -50), heard_at(-150, -50), *heard[2:]]) is None
