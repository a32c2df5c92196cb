"""Who is who among performers who sound together: places given to marks, weighed with the mount.

The places are exact but where a test says otherwise, so what should come out is known.
"""

import numpy as np
import pytest

from spatial.direction.microphone_error import PERFECT
from spatial.direction.mixture import Place
from spatial.field import unit_vectors
from spatial.mount.mark_assignment import MarkGroup, Way, estimate_among, likely_ways, way_for_turn
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle

AT_DEG = {"Odile": (50, 10), "Juno": (-40, -5), "Tamsin": (5, 20), "Perrin": (-80, 0)}
SD = np.radians(2.0)
UPRIGHT = MountPrior(hanging=Hanging.UPRIGHT)


def seen(*names):
    return np.stack([unit_vectors(*np.radians(AT_DEG[name])) for name in names])


def place(direction, mount, share=0.4):
    """A place in the picture as the microphone hears it."""
    return Place(mount.T @ direction, SD, share)


def nothing_alone(count):
    return np.full((count, 3), np.nan), np.full(count, np.nan)


@pytest.mark.parametrize("angles_deg", [(92, 2, -3), (-150, 8, 5), (10, -6, 178)])
def test_two_pairs_tell_the_mount_and_who_is_who(angles_deg):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(*angles_deg))
    expected = seen("Odile", "Juno", "Tamsin", "Perrin")
    groups = [
        MarkGroup((0, 1), (place(expected[1], mount), place(expected[0], mount, 0.2))),
        MarkGroup((2, 3), (place(expected[2], mount), place(expected[3], mount, 0.05))),
    ]
    ways = likely_ways(expected, *nothing_alone(4), groups)
    found, way, torn = estimate_among(expected, ways)
    assert not torn
    assert np.degrees(rotation_angle(found.picture_from_take, mount)) < 0.5
    np.testing.assert_allclose(way.measured @ mount.T, expected, atol=1e-9)


def test_a_duet_that_always_sounds_together_needs_a_word_and_is_torn_without():
    """Either of two exchanged is a rotation that fits exactly: one of them upside down."""
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(92, 2, -3))
    expected = seen("Odile", "Juno")
    groups = [MarkGroup((0, 1), (place(expected[1], mount), place(expected[0], mount, 0.3)))]
    found, _, torn = estimate_among(expected, likely_ways(expected, *nothing_alone(2), groups, UPRIGHT), prior=UPRIGHT)
    assert not torn
    assert np.degrees(rotation_angle(found.picture_from_take, mount)) < 6.0
    found, _, torn = estimate_among(expected, likely_ways(expected, *nothing_alone(2), groups))
    assert torn
    assert found.matrix is None
    assert found.undetermined == ("yaw", "pitch", "roll")


def test_one_heard_alone_says_who_the_other_is():
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(-60, 0, 0))
    expected = seen("Odile", "Juno", "Odile", "Tamsin")
    alone, sd = nothing_alone(4)
    alone[[2, 3]], sd[[2, 3]] = expected[[2, 3]] @ mount, SD
    groups = [MarkGroup((0, 1), (place(expected[0], mount), place(expected[1], mount, 0.3)))]
    found, way, torn = estimate_among(expected, likely_ways(expected, alone, sd, groups, UPRIGHT), prior=UPRIGHT)
    assert not torn
    assert np.degrees(rotation_angle(found.picture_from_take, mount)) < 0.5
    np.testing.assert_allclose(way.measured @ mount.T, expected, atol=1e-9)


@pytest.mark.parametrize("share", [0.05, 0.15])
def test_who_is_silent_is_not_given_a_reflection(share):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(20, 0, 0))
    expected = seen("Odile", "Tamsin", "Perrin", "Odile", "Juno")
    alone, sd = nothing_alone(5)
    alone[:3], sd[:3] = expected[:3] @ mount, SD
    reflected = unit_vectors(np.radians(-75.0), np.radians(-40.0))
    groups = [MarkGroup((3, 4), (place(expected[3], mount), place(reflected, mount, share)))]
    _, way, torn = estimate_among(expected, likely_ways(expected, alone, sd, groups, UPRIGHT), prior=UPRIGHT)
    assert not torn
    assert way.heard.tolist() == [True, True, True, True, False]


def test_where_the_mount_is_known_each_place_is_used_once_and_a_strong_one_is_somebodys():
    expected = seen("Odile", "Juno")
    elsewhere = unit_vectors(np.radians(-70.0), 0.0)
    strong = MarkGroup((0, 1), (place(expected[0], np.eye(3)), place(elsewhere, np.eye(3), 0.35)))
    way = way_for_turn(expected, *nothing_alone(2), [strong], np.eye(3))
    np.testing.assert_allclose(way.measured, [expected[0], elsewhere])
    faint = MarkGroup((0, 1), (place(expected[0], np.eye(3)), place(elsewhere, np.eye(3), 0.04)))
    assert way_for_turn(expected, *nothing_alone(2), [faint], np.eye(3)).heard.tolist() == [True, False]
    lone = MarkGroup((0, 1), (place(expected[1], np.eye(3)),))
    assert way_for_turn(expected, *nothing_alone(2), [lone], np.eye(3)).heard.tolist() == [False, True]


def test_three_at_once():
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(130, 4, 2))
    expected = seen("Odile", "Juno", "Perrin")
    groups = [MarkGroup((0, 1, 2), tuple(place(expected[n], mount, 0.3 - 0.05 * n) for n in (2, 0, 1)))]
    found, way, torn = estimate_among(
        expected, likely_ways(expected, *nothing_alone(3), groups, UPRIGHT), prior=UPRIGHT, microphone=PERFECT
    )
    assert not torn
    # The crew's "upright" pulls a little at a microphone that hung 4.5 degrees off level.
    assert np.degrees(rotation_angle(found.picture_from_take, mount)) < 1.0
    np.testing.assert_allclose(way.measured @ mount.T, expected, atol=1e-9)


def test_marks_in_one_place_share_what_is_heard_there():
    expected = seen("Odile", "Odile", "Juno")
    group = MarkGroup((0, 1, 2), (place(expected[0], np.eye(3)), place(expected[2], np.eye(3), 0.3)))
    np.testing.assert_allclose(way_for_turn(expected, *nothing_alone(3), [group], np.eye(3)).measured, expected)


def test_a_second_way_that_is_not_far_off_makes_the_mount_less_sure():
    mount = np.eye(3)
    expected = seen("Odile", "Juno", "Tamsin")
    near = matrix_from_ypr(YawPitchRoll.from_degrees(8, 0, 0))
    sd = np.full(3, np.radians(4.0))
    ways = [Way(expected @ mount, sd, 0.0, np.zeros(3)), Way(expected @ near.T, sd, 0.0, np.zeros(3))]
    sure, _, _ = estimate_among(expected, ways[:1], prior=UPRIGHT)
    less, _, torn = estimate_among(expected, ways, prior=UPRIGHT)
    assert not torn
    assert less.sd_rad.yaw_rad > 1.5 * sure.sd_rad.yaw_rad
