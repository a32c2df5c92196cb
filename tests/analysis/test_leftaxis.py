"""The picture's left from arrival times: worked numbers, what cannot be told, and the mount it gives."""

import numpy as np
import pyroomacoustics
import pytest
from scipy.spatial.transform import Rotation

from spatial.analysis.leftaxis import AxisDoubt, estimate_left_axis
from spatial.analysis.mountprior import Hanging
from spatial.analysis.samples import ArraySamples
from spatial.analysis.scratchpairs import ScratchPairs, scratch_pairs, seen_from_camera
from spatial.analysis.unmarked import mount_from_left
from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.errors import InputError
from spatial.field import angle_between, unit_vectors
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.timebase import ClockLaw
from tests.hearing import bursts_of_noise

RATE = 16_000
SPREAD_DEG = (60.0, 5.0, -50.0)


def pairs_of(azimuths_deg, *, mount=None, spacing_m=0.12, rng, wander_rad=0.05, phase_sd=0.3, elevations_deg=0.0):
    """Bins as they would be heard of performers at these azimuths of the picture."""
    mount = np.eye(3) if mount is None else mount
    count = 400
    places = unit_vectors(np.radians(np.asarray(azimuths_deg, dtype=float)), np.radians(elevations_deg))
    number = np.tile(np.arange(len(places)), count)
    frequencies = rng.uniform(300, 5000, number.size)
    delays = spacing_m * places[number, 1] / SPEED_OF_SOUND_M_S
    phases = 2 * np.pi * frequencies * delays + phase_sd * rng.standard_normal(number.size)
    heard = places[number] @ mount + wander_rad * rng.standard_normal((number.size, 3))
    return ScratchPairs(
        times_s=np.sort(rng.uniform(0, 20, number.size)),
        frequencies_hz=frequencies,
        directions=heard / np.linalg.norm(heard, axis=1, keepdims=True),
        phases_rad=np.angle(np.exp(1j * phases)),
        heard=np.ones(number.size),
        paired=np.ones(number.size),
        difference=float(np.mean(1 - np.cos(phases))),
    )


def test_a_place_is_heard_early_by_d_sin_azimuth_over_c(rng):
    """Far-field delay of two microphones: 0.12 m, 60 degrees, 343.2 m/s: 0.10392 m or 302.8 us, worked by hand."""
    left = estimate_left_axis(pairs_of(SPREAD_DEG, rng=rng))
    delays = {round(np.degrees(np.arctan2(p.direction[1], p.direction[0])) / 5) * 5: p.delay_s for p in left.places}
    assert delays[60] == pytest.approx(302.8e-6, abs=5e-6)  # 0.3 rad of phase over 400 bins: under 1 us; wander 0.3 deg
    assert delays[5] == pytest.approx(30.5e-6, abs=5e-6)
    assert delays[-50] == pytest.approx(-267.8e-6, abs=5e-6)


@pytest.mark.parametrize("yaw", [0, 37, -90, 135, 180])
@pytest.mark.parametrize("roll", [0, 180, 6, -174])
def test_yaw_is_found_over_the_full_circle(rng, yaw, roll):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(yaw, 0, roll))
    left = estimate_left_axis(pairs_of(SPREAD_DEG, mount=mount, rng=rng, elevations_deg=[25, -20, 10]))
    assert left.doubt is None
    assert np.degrees(angle_between(left.axis, mount[1])) < 8.0
    assert np.linalg.norm(left.spacing_m) == pytest.approx(0.12, abs=0.01)
    found = mount_from_left(left, Hanging.UPSIDE_DOWN if abs(roll) > 90 else Hanging.UPRIGHT)
    off = np.degrees(np.angle(np.exp(1j * (found.angles.yaw_rad - np.radians(yaw)))))
    assert abs(off) < 3.0
    assert found.in_front == pytest.approx(1.0)
    assert found.undetermined == ()


def test_swapped_channels_put_left_to_the_right_and_everybody_behind(rng):
    pairs = pairs_of(SPREAD_DEG, rng=rng)
    swapped = ScratchPairs(
        pairs.times_s, pairs.frequencies_hz, pairs.directions, -pairs.phases_rad, pairs.heard, pairs.paired,
        pairs.difference,
    )  # fmt: skip
    right_way, wrong_way = estimate_left_axis(pairs), estimate_left_axis(swapped)
    np.testing.assert_allclose(wrong_way.spacing_m, -right_way.spacing_m, atol=1e-3)
    assert mount_from_left(wrong_way, Hanging.UPRIGHT).in_front == pytest.approx(0.0)


def test_a_channel_wired_the_wrong_way_round_is_seen_and_undone(rng):
    pairs = pairs_of(SPREAD_DEG, rng=rng)
    turned = ScratchPairs(
        pairs.times_s, pairs.frequencies_hz, pairs.directions, np.angle(-np.exp(1j * pairs.phases_rad)), pairs.heard,
        pairs.paired, pairs.difference,
    )  # fmt: skip
    left = estimate_left_axis(turned)
    assert left.inverted
    np.testing.assert_allclose(left.spacing_m, estimate_left_axis(pairs).spacing_m, atol=1e-3)
    assert not estimate_left_axis(pairs).inverted


@pytest.mark.parametrize(
    ("azimuths_deg", "spacing_m", "phase_sd", "doubt"),
    [
        (SPREAD_DEG, 0.0, 0.01, AxisDoubt.MONO),
        (SPREAD_DEG, 0.01, 0.3, AxisDoubt.TOO_CLOSE),
        ([20.0], 0.12, 0.3, AxisDoubt.ONE_PLACE),
        ([20.0, 24.0], 0.12, 0.3, AxisDoubt.ONE_PLACE),
        (SPREAD_DEG, 0.12, 3.0, AxisDoubt.NO_AGREEMENT),
    ],
)
def test_what_cannot_be_told_is_not_guessed(rng, azimuths_deg, spacing_m, phase_sd, doubt):
    left = estimate_left_axis(pairs_of(azimuths_deg, spacing_m=spacing_m, phase_sd=phase_sd, rng=rng))
    assert left.doubt is doubt


def test_hardly_any_direct_sound_is_said(rng):
    pairs = pairs_of(SPREAD_DEG, rng=rng)
    few = ScratchPairs(*(getattr(pairs, name)[:30] for name in list(ScratchPairs.__slots__)[:-1]), pairs.difference)
    assert estimate_left_axis(few).doubt is AxisDoubt.NOTHING_DIRECT


def test_the_covariance_is_that_of_the_axis_on_the_sphere(rng):
    left = estimate_left_axis(pairs_of(SPREAD_DEG, rng=rng, elevations_deg=[25, -20, 10]))
    np.testing.assert_allclose(left.axis_covariance @ left.axis, 0.0, atol=1e-12)
    # A small draw from the vector's covariance, scaled to a unit vector, scatters as the axis' covariance says.
    drawn = rng.multivariate_normal(left.spacing_m, 1e-4 * left.covariance_m2, 40_000)
    drawn /= np.linalg.norm(drawn, axis=1, keepdims=True)
    spread = 1e4 * np.cov(drawn.T)
    np.testing.assert_allclose(spread, left.axis_covariance, atol=0.03 * np.trace(spread))  # 40000 draws: 1 %


@pytest.mark.parametrize("yaw", [20.0, 110.0, -160.0])
@pytest.mark.parametrize("hanging", list(Hanging))
def test_the_mount_agrees_with_scipy(rng, yaw, hanging):
    """Intrinsic z, y, x with the pitch's sign turned, by scipy's Rotation."""
    upside_down = hanging is Hanging.UPSIDE_DOWN
    true = Rotation.from_euler("ZYX", [yaw, 0.0, 180.0 * upside_down], degrees=True).as_matrix()
    left = estimate_left_axis(pairs_of(SPREAD_DEG, mount=true, rng=rng, wander_rad=0.01, phase_sd=0.05))
    found = mount_from_left(left, hanging)
    turn = Rotation.from_matrix(found.matrix @ true.T)
    assert np.degrees(turn.magnitude()) < 2.0
    # Level as told: what is not measured keeps the spread that was told, about the picture's left axis.
    assert found.covariance[1, 1] == pytest.approx(np.radians(5.0) ** 2)


def test_angle_deviations_agree_with_turning_by_scipy(rng):
    true = matrix_from_ypr(YawPitchRoll.from_degrees(70, 0, 0))
    found = mount_from_left(estimate_left_axis(pairs_of(SPREAD_DEG, mount=true, rng=rng)), Hanging.UPRIGHT)
    turns = Rotation.from_rotvec(rng.multivariate_normal(np.zeros(3), 1e-2 * found.covariance, 20_000)).as_matrix()
    angles = Rotation.from_matrix(turns @ found.matrix).as_euler("ZYX")
    sd = 10 * np.std(np.unwrap(angles, axis=0), axis=0)
    told = (found.sd_rad.yaw_rad, found.sd_rad.pitch_rad, found.sd_rad.roll_rad)
    np.testing.assert_allclose(sd, told, rtol=0.03)  # 20000 draws: 0.5 %; the turn is small but not nothing


def test_directions_move_to_the_camera():
    """A recorder 0.5 m left of the camera has a performer 2 m in front; the camera has them 14.04 degrees left."""
    pairs = ScratchPairs(*(np.ones(1),) * 2, np.array([[1.0, 0.0, 0.0]]), *(np.ones(1),) * 3, 1.0)
    moved = seen_from_camera(pairs, np.array([0.0, 0.5, 0.0]), 2.0).directions[0]
    assert np.degrees(np.arctan2(moved[1], moved[0])) == pytest.approx(14.04, abs=0.01)


def test_sound_of_an_independent_simulator(rng):
    """pyroomacoustics in the open: two omnis 0.14 m apart and a recorder at the same place, turned 100 degrees."""
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(100, 0, 0))
    middle = np.array([50.0, 50.0, 50.0])
    field, camera = np.zeros((4, 12 * RATE)), np.zeros((2, 12 * RATE))
    for number, azimuth in enumerate(np.radians([70.0, 0.0, -40.0])):
        towards = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
        room = pyroomacoustics.AnechoicRoom(3, fs=RATE)
        room.set_sound_speed(SPEED_OF_SOUND_M_S)
        room.add_source(middle + 3.0 * towards, signal=np.array(bursts_of_noise(4.0, rng)))
        capsules = middle[:, np.newaxis] + np.array([[0, 0, 0], [0, 0.07, -0.07], [0, 0, 0]])
        room.add_microphone_array(capsules)
        room.simulate()
        heard = room.mic_array.signals[:, : 4 * RATE]
        span = slice(4 * RATE * number, 4 * RATE * number + heard.shape[1])
        x, y, z = towards @ mount
        field[:, span] = np.array([1.0, y, z, x])[:, np.newaxis] * heard[0]
        camera[:, span] = heard[1:]
    # The two are recorded with gains of their own: the level must not matter.
    camera *= np.array([[0.5], [1.3]])
    pairs = scratch_pairs(ArraySamples(camera, RATE), ArraySamples(field, RATE), ClockLaw(0.0))
    left = estimate_left_axis(pairs)
    assert np.linalg.norm(left.spacing_m) == pytest.approx(0.14, abs=0.005)
    found = mount_from_left(left, Hanging.UPRIGHT)
    assert np.degrees(found.angles.yaw_rad) == pytest.approx(100.0, abs=1.0)  # 0.07 m of 3 m: 0.02 deg; frames 0.5


def test_one_channel_is_refused(rng):
    sound = ArraySamples(rng.standard_normal((1, RATE)), RATE)
    with pytest.raises(InputError, match="needs two"):
        scratch_pairs(sound, ArraySamples(np.zeros((4, RATE)), RATE), ClockLaw(0.0))


def test_silence_says_nothing():
    quiet = scratch_pairs(
        ArraySamples(np.zeros((2, RATE)), RATE), ArraySamples(np.zeros((4, RATE)), RATE), ClockLaw(0.0)
    )
    assert estimate_left_axis(quiet).doubt is AxisDoubt.NOTHING_DIRECT
