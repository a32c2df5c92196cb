"""Faults of channels: all 48, what directions can tell of them and what they cannot."""

import numpy as np
import pytest

from spatial.errors import InputError
from spatial.field import ChannelFormat, encode, internal_from, rewire_field, unit_vectors
from spatial.mount.channel_faults import (
    SIGNED_PERMUTATIONS,
    fault_name,
    in_another_order,
    mirroring_faults,
    possible_faults,
)
from spatial.mount.mark_fit import estimate_mount
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle

MARKS = unit_vectors(np.radians([40.0, -50.0, 5.0, -85.0, 10.0]), np.radians([10.0, -5.0, 25.0, 0.0, 80.0]))
SD = np.full(5, np.radians(1.5))


def mount_of(yaw, pitch=2.0, roll=-1.0):
    return matrix_from_ypr(YawPitchRoll.from_degrees(yaw, pitch, roll))


def estimate(mount, fault, prior=None, marks=MARKS):
    return estimate_mount(marks, marks @ mount @ fault.T, SD[: len(marks)], prior=prior)


def test_there_are_48_and_half_of_them_mirror():
    assert len({tuple(fault.ravel()) for fault in SIGNED_PERMUTATIONS}) == 48
    assert sum(np.linalg.det(fault) > 0 for fault in SIGNED_PERMUTATIONS) == 24
    assert len({fault_name(fault) for fault in SIGNED_PERMUTATIONS}) == 48


@pytest.mark.parametrize("fault", SIGNED_PERMUTATIONS, ids=fault_name)
def test_the_sound_is_put_right_whatever_the_fault(fault):
    """Of a fault that turns, the mount takes care; of one that mirrors, the likeliest repair and its mount together."""
    mount = mount_of(20.0)
    result = estimate(mount, fault)
    mirrors = np.linalg.det(fault) < 0
    assert result.mirrored is bool(mirrors)
    turn = result.matrix
    if mirrors:
        assert result.matrix is None
        first = possible_faults(result.picture_from_take, MountPrior())[0]
        assert np.linalg.det(first.mount) == pytest.approx(1.0)
        turn = first.mount @ first.mic_from_take
    np.testing.assert_allclose(turn, mount @ fault.T, atol=1e-6)


@pytest.mark.parametrize(("fault", "share"), mirroring_faults(), ids=[fault_name(f) for f, _ in mirroring_faults()])
@pytest.mark.parametrize("roll", [0.0, 180.0])
@pytest.mark.parametrize("facing", [0.0, 90.0, 180.0])
def test_told_which_way_up_and_where_it_faced_the_channel_is_named(fault, share, roll, facing):
    mount = mount_of(facing + 10.0, roll=roll + 3.0)
    prior = MountPrior(Hanging.UPSIDE_DOWN if roll else Hanging.UPRIGHT, facing_rad=np.radians(facing))
    result = estimate(mount, fault, prior)
    assert result.mirrored is True
    first = possible_faults(result.picture_from_take, prior)[0]
    assert first.name == fault_name(fault)
    assert first.share > 0.9
    assert np.degrees(rotation_angle(first.mount, mount)) < 1.0
    assert share > 0


def test_told_which_way_up_x_or_y_is_left_open():
    prior = MountPrior(Hanging.UPRIGHT)
    result = estimate(mount_of(0.0), np.diag([1.0, -1.0, 1.0]), prior)
    faults = possible_faults(result.picture_from_take, prior)
    yaws = {fault.name[0]: np.degrees(fault.angles.yaw_rad) for fault in faults if "inverted" in fault.name}
    assert {"X", "Y"} <= set(yaws)
    assert "Z" not in yaws
    assert "W" not in yaws
    assert yaws["Y"] == pytest.approx(0.0, abs=0.5)
    assert abs(yaws["X"]) == pytest.approx(180.0, abs=0.5)
    assert max(fault.share for fault in faults) < 0.8


def test_told_nothing_all_that_could_be_are_named():
    result = estimate(mount_of(0.0), -np.eye(3))
    names = [fault.name for fault in possible_faults(result.picture_from_take, MountPrior())]
    assert any(name.startswith("W is inverted") for name in names)
    assert any(name.startswith("Z ") for name in names)


@pytest.mark.parametrize("fault", [np.diag([1.0, -1.0, 1.0]), np.diag([1.0, 1.0, -1.0]), -np.eye(3)], ids=fault_name)
def test_marks_in_one_plane_do_not_tell_a_mirror_from_a_turn(fault):
    ring = unit_vectors(np.radians([0.0, 90.0, 180.0, -90.0]), 0.0)
    result = estimate_mount(ring, ring @ mount_of(0.0, 0.0, 0.0) @ fault.T, SD[:4])
    assert result.mirrored is None


def test_a_mirror_in_one_plane_against_the_crews_word_is_no_mount():
    """Upside down after all, or Y inverted: with the word for it neither may be told as if it were sure."""
    ring = unit_vectors(np.radians([0.0, 90.0, -90.0]), 0.0)
    measured = ring * np.array([1.0, -1.0, 1.0])
    result = estimate_mount(ring, measured, SD[:3], prior=MountPrior(Hanging.UPRIGHT))
    assert result.mirrored is None
    assert result.matrix is None


@pytest.mark.parametrize(
    ("written", "read", "name"),
    [
        (ChannelFormat.FUMA, ChannelFormat.AMBIX, "X, Y and Z hold Z, X and Y"),
        (ChannelFormat.AMBIX, ChannelFormat.FUMA, "X, Y and Z hold Y, Z and X"),
    ],
)
def test_another_channel_order_is_suspected_by_its_signature(written, read, name):
    """What a confusion of orders makes of front, left and up (derived), through the reading code, both ways round."""
    order = {ChannelFormat.FUMA: [0, 3, 1, 2], ChannelFormat.AMBIX: [0, 1, 2, 3]}[written]
    heard = []
    for azimuth, elevation in np.radians([(0.0, 0.0), (90.0, 0.0), (0.0, 90.0), (-40.0, 20.0)]):
        _, y, z, x = internal_from(encode(np.ones(1), azimuth, elevation)[order], read)[:, 0]
        heard.append([x, y, z])
    true = unit_vectors(np.radians([0.0, 90.0, 0.0, -40.0]), np.radians([0.0, 0.0, 90.0, 20.0]))
    result = estimate_mount(true, np.asarray(heard), SD[:4])
    found = in_another_order(result.matrix, MountPrior())
    assert found is not None
    assert found.name == name
    assert np.degrees(rotation_angle(found.mount, np.eye(3))) < 0.1


@pytest.mark.parametrize("angles", [(0, 0, 0), (92, 3, 176), (-90, -5, 2), (30, 20, 10), (0, 45, 0)])
def test_ordinary_mounts_are_not_taken_for_another_order(angles):
    assert in_another_order(matrix_from_ypr(YawPitchRoll.from_degrees(*angles)), MountPrior()) is None


@pytest.mark.parametrize("fault", SIGNED_PERMUTATIONS, ids=fault_name)
def test_rewiring_undoes_a_fault_sample_for_sample(fault, rng):
    field = rng.standard_normal((4, 50)).astype(np.float32)
    spoilt = field.copy()
    spoilt[[3, 1, 2]] = fault.astype(np.float32) @ field[[3, 1, 2]]
    np.testing.assert_array_equal(rewire_field(spoilt, fault.T), field)


@pytest.mark.parametrize("wiring", [np.zeros((3, 3)), 0.5 * np.eye(3), np.ones((3, 3)), np.eye(2)])
def test_rewiring_takes_signed_permutations_only(wiring):
    with pytest.raises(InputError, match="signed permutation"):
        rewire_field(np.zeros((4, 5)), wiring)
