"""A mount found by other means against the picture's left by the camera's sound, with given numbers."""

import numpy as np
import pytest

from spatial.mount.left_axis import LeftAxis, PairKind
from spatial.mount.mount_from_left import turn_from_left, turned_aside
from spatial.rotation import YawPitchRoll, matrix_from_ypr

MOUNT = matrix_from_ypr(YawPitchRoll.from_degrees(118.0, 5.0, 176.0))


def left_of(mount, *, sd_deg=(4.0, 40.0), up_rad=0.0):
    """The left axis of a microphone that sat so, known to these deviations across and up, its height off by this."""
    axis = mount.T @ np.array([0.0, np.cos(up_rad), np.sin(up_rad)])
    across, up = np.radians(sd_deg)
    covariance = mount.T @ np.diag([across**2, 0.01**2, up**2]) @ mount
    return LeftAxis(0.12 * axis, axis, covariance, (), 0.9, False, None, PairKind.SPACED, by_times=True)


@pytest.mark.parametrize("turn_deg", [0.0, 93.0, -88.0, 35.0])
def test_a_mount_that_is_turned_further_left_has_a_positive_turn(turn_deg):
    """The height of the axis, which times hardly measure, says nothing of a turn about the upright."""
    wrong = matrix_from_ypr(YawPitchRoll.from_degrees(turn_deg, 0.0, 0.0)) @ MOUNT
    turn, sd = turn_from_left(left_of(MOUNT, up_rad=0.6), wrong)
    assert np.degrees(turn) == pytest.approx(turn_deg, abs=0.5)
    assert 3.5 < np.degrees(sd) < 6.0


@pytest.mark.parametrize(
    ("turn_deg", "sd_deg", "aside"),
    [
        (90.0, 5.0, True),
        (-90.0, 15.0, True),
        (41.0, 5.0, True),
        # A right mount, as far off as any that was measured.
        (28.0, 5.0, False),
        # As sure as that, no more: 60 degrees may be chance.
        (60.0, 16.0, False),
        # The camera's channels are swapped.
        (178.0, 5.0, False),
        (-150.0, 5.0, False),
    ],
)
def test_what_contradicts_the_cameras_sound(turn_deg, sd_deg, aside):
    assert turned_aside(np.radians(turn_deg), np.radians(sd_deg)) is aside
