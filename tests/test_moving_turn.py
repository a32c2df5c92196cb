"""A rotation that changes in time, and a field turned along it.

External check: scipy's Rotation and Slerp (spherical interpolation after Shoemake 1985).
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation, Slerp

from spatial.errors import InputError
from spatial.field import encode
from spatial.rotation import TURN_STEP, Motion, turn_field, turn_field_along

RATE = 48_000


@pytest.fixture
def wander(rng):
    """Forty rotations at uneven times, each up to some 60 degrees from the last; as scipy has them, too."""
    times_s = np.cumsum(rng.uniform(0.1, 1.0, 40))
    turns = [Rotation.from_rotvec(rng.normal(0, 1, 3))]
    for _ in range(39):
        turns.append(turns[-1] * Rotation.from_rotvec(rng.normal(0, 0.4, 3)))
    return times_s, Rotation.concatenate(turns)


def knots_of(motion, samples, start_s=0.0):
    return motion.at(start_s + np.arange(0, samples + TURN_STEP, TURN_STEP)[: -(-samples // TURN_STEP) + 1] / RATE)


def test_between_moments_as_scipy_has_it(wander, rng):
    times_s, turns = wander
    asked = np.concatenate([rng.uniform(times_s[0], times_s[-1], 500), times_s])
    # Rounding of a few double operations.
    np.testing.assert_allclose(
        Motion(times_s, turns.as_matrix()).at(asked), Slerp(times_s, turns)(asked).as_matrix(), atol=1e-13
    )


def test_rests_where_rows_are_alike():
    still, turned = np.eye(3), Rotation.from_euler("z", 30, degrees=True).as_matrix()
    motion = Motion(np.array([1.0, 2.0, 3.0, 4.0]), np.stack([still, still, turned, turned]))
    assert [motion.rests(*span) for span in ((0, 1.5), (1.0, 2.0), (1.9, 2.1), (2.5, 2.6), (3.0, 9), (5, 6))] == [
        True, True, False, False, True, True,
    ]  # fmt: skip


@pytest.mark.parametrize("samples", [0, 1, TURN_STEP - 1, TURN_STEP, TURN_STEP + 1, 20_011])
def test_a_field_is_turned_as_scipy_turns_each_sample(samples, rng):
    """A camera that swings at 120 degrees a second, sample by sample against scipy."""
    times_s = np.array([0.0, 0.5])
    turns = Rotation.concatenate([Rotation.identity(), Rotation.from_rotvec([0.2, -0.3, 0.98])])
    field = rng.standard_normal((4, samples))
    turned = turn_field_along(field, knots_of(Motion(times_s, turns.as_matrix()), samples))
    np.testing.assert_array_equal(turned[0], field[0])
    if samples:
        at = Slerp(times_s, turns)(np.arange(samples) / RATE)
        # Matrices mixed in a straight line: the angle of a step squared over 8, times values up to 5.
        chord = (np.radians(120) * TURN_STEP / RATE) ** 2 / 8
        np.testing.assert_allclose(turned[[3, 1, 2]].T, at.apply(field[[3, 1, 2]].T), atol=5 * chord + 1e-12)


def test_a_camera_that_pans_left_hears_a_standing_source_move_right():
    """Worked by hand: panned 90 degrees to the left within a second, what was in front ends at the right."""
    motion = Motion(np.array([0.0, 1.0]), Rotation.from_rotvec([[0, 0, 0], [0, 0, np.pi / 2]]).as_matrix())
    field = encode(np.ones(RATE + 1), 0.0, 0.0).astype(np.float32)
    picture_from_set = knots_of(motion, RATE + 1).transpose(0, 2, 1)
    turned = turn_field_along(field, picture_from_set)
    for part, azimuth_deg in ((0.0, 0.0), (1 / 3, -30.0), (2 / 3, -60.0), (1.0, -90.0)):
        y, x = turned[[1, 3], round(part * RATE)]
        assert np.degrees(np.arctan2(y, x)) == pytest.approx(azimuth_deg, abs=0.01)
    assert turned.dtype == np.float32


def test_standing_still_it_is_the_fixed_turn(rng):
    turn = Rotation.from_euler("zyx", [40, 10, -70], degrees=True).as_matrix()
    field = rng.standard_normal((4, 1000))
    along = turn_field_along(field, np.broadcast_to(turn, (-(-1000 // TURN_STEP) + 1, 3, 3)))
    np.testing.assert_allclose(along, turn_field(field, turn), atol=1e-12)


def test_blocks_join_without_a_seam(wander):
    """Cut anywhere, the same track: knots lie elsewhere, but the turn is one."""
    motion = Motion(wander[0], wander[1].as_matrix())
    field = np.ones((4, 9000))
    whole = turn_field_along(field, knots_of(motion, 9000, 3.0))
    later = turn_field_along(field[:, 1001:], knots_of(motion, 7999, 3.0 + 1001 / RATE))
    np.testing.assert_allclose(whole[:, 1001:], later, atol=1e-4)


def test_what_cannot_be_a_motion_is_refused():
    two = np.broadcast_to(np.eye(3), (2, 3, 3))
    for times, matrices, said in (
        (np.array([1.0, 1.0]), two, "rise"),
        (np.zeros(0), two[:0], "at least one"),
        (np.array([1.0]), two, "as many rotations"),
    ):
        with pytest.raises(InputError, match=said):
            Motion(times, matrices)
    with pytest.raises(InputError, match="take 3 rotations"):
        turn_field_along(np.zeros((4, TURN_STEP + 1)), two)
