"""What is unknown of a microphone: worked by hand, by simulation, and held against simulated real ones."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import fft
from scipy.spatial.transform import Rotation

from demo_audio.microphones import draw_microphone, field_response
from demo_audio.rooms import Images
from spatial.direction.microphone_error import (
    ORDINARY,
    PERFECT,
    Microphone,
    _icosahedron_turns,
    scatter_sd_rad,
    turned_by,
)
from spatial.field import angle_between, unit_vectors
from spatial.mount.mark_fit import estimate_mount
from spatial.mount.wahba import fit_rotations
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle, ypr_from_matrix

NOTHING = Microphone(0.0, 0.0, 0.0, 0.0, 0.0)


def directions(azimuths, elevations=0.0):
    return unit_vectors(np.radians(np.asarray(azimuths, dtype=float)), np.radians(elevations))


def drawn_errors(microphone: Microphone, toward: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Errors with the covariance that the model states, shape (draws, n, 3)."""
    count = 3 * len(toward)
    whole = microphone.covariance(toward, toward).transpose(0, 2, 1, 3).reshape(count, count)
    values, vectors = np.linalg.eigh(whole)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return (rng.standard_normal((draws, count)) @ root.T).reshape(draws, len(toward), 3)


def heard_with(error: np.ndarray, toward: np.ndarray) -> np.ndarray:
    moved = toward + error
    return moved / np.linalg.norm(moved, axis=-1, keepdims=True)


def test_gains_act_between_the_axes_and_not_on_them():
    """By hand: (g1 x, g2 y) at 45 degrees moves by half the difference of the gains, along one of two ways across."""
    gains = replace(NOTHING, gain=0.1)
    sd = gains.sd_rad(np.vstack([np.eye(3), directions([45.0, 90.0, 135.0])]))
    np.testing.assert_allclose(sd, [0, 0, 0, 0.05, 0, 0.05], atol=1e-9)
    tall = gains.covariance(directions([0.0], [45.0]), directions([0.0], [45.0]))[0, 0]
    up = np.array([-np.sqrt(0.5), 0.0, np.sqrt(0.5)])
    assert np.sqrt(up @ tall @ up) == pytest.approx(0.1 * np.sqrt(2) / 2)  # all of it is height


def test_a_turned_housing_acts_everywhere_and_a_mount_by_ear_takes_it_up_wholly():
    turned = replace(NOTHING, housing_rad=0.02)
    toward = directions([0, 45, -60, 100], [0, 30, 10, -20])
    np.testing.assert_allclose(turned.sd_rad(toward), 0.02, atol=1e-9)
    np.testing.assert_allclose(turned.sd_rad(toward, housing=False), 0.0, atol=1e-9)
    fit = turned_by(turned, toward, np.ones(4), 4 * np.eye(3) - toward.T @ toward)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), 0.02, rtol=1e-6)
    np.testing.assert_allclose(fit.left_sd_rad(directions([-120.0, 20.0])), 0.0, atol=1e-6)


def test_a_leak_of_the_omni_part_is_the_same_from_everywhere():
    np.testing.assert_allclose(
        replace(NOTHING, leak=0.03).sd_rad(directions([0, 33, 140], [0, 50, -80])), 0.03, atol=1e-9
    )


def test_a_measured_microphone_brings_its_own_covariance():
    """As gains alone, said as a covariance of E and b; the housing comes on top."""
    spread = np.zeros((12, 12))
    spread[[0, 4, 8], [0, 4, 8]] = 0.05**2
    told = replace(ORDINARY, measured=tuple(map(tuple, spread.tolist())))
    plain = replace(ORDINARY, gain=0.05, leak=0.0, askew_rad=0.0)
    toward = directions([0, 40, -100], [0, 20, -5])
    np.testing.assert_allclose(told.covariance(toward, toward), plain.covariance(toward, toward), atol=1e-12)
    assert told.in_a_track().somewhere_sd_rad == pytest.approx(plain.in_a_track().somewhere_sd_rad)
    assert np.all(told.sd_rad(toward) < ORDINARY.sd_rad(toward))


def test_near_directions_err_together_and_far_ones_do_not():
    local = replace(NOTHING, local_rad=0.03, local_reach_rad=np.radians(30.0))
    near = local.covariance(directions([0.0]), directions([3.0]))[0, 0]
    far = local.covariance(directions([0.0]), directions([90.0]))[0, 0]
    assert near[1, 1] == pytest.approx(0.03**2, rel=0.01)
    assert np.max(np.abs(far)) < 0.02 * 0.03**2


def test_in_a_track_every_direction_is_alike():
    track = ORDINARY.in_a_track()
    sd = track.sd_rad(directions([0, 45, 20, -130], [0, 0, 35, -60]))
    np.testing.assert_allclose(sd, sd[0], rtol=1e-6)
    # The mean over all directions of what the known axes give, as variances.
    many = unit_vectors(*np.meshgrid(np.linspace(-np.pi, np.pi, 73)[:-1], np.arcsin(np.linspace(-0.99, 0.99, 67))))
    assert sd[0] == pytest.approx(np.sqrt(np.mean(ORDINARY.sd_rad(many.reshape(-1, 3)) ** 2)), rel=0.01)
    assert ORDINARY.somewhere_sd_rad == pytest.approx(sd[0])


@pytest.mark.slow
def test_what_a_mount_takes_up_and_leaves_by_simulation(rng):
    marks, others = directions([42, 0, -48, -85], [6, 5, 0, 15]), directions([20, -170], [12, 3])
    errors = drawn_errors(ORDINARY, np.vstack([marks, others]), 3000, rng)
    heard = heard_with(errors, np.vstack([marks, others]))
    sd = np.radians([2.0, 1.0, 3.0, 2.0])
    turns, left = [], []
    for one in heard:
        matrix = fit_rotations(marks[np.newaxis], one[np.newaxis, :4], sd, np.ones((1, 4), bool)).matrices[0]
        turns.append(Rotation.from_matrix(matrix).as_rotvec())
        left.append(angle_between(one[4:] @ matrix.T, others))
    information = fit_rotations(marks[np.newaxis], marks[np.newaxis], sd, np.ones((1, 4), bool)).information[0]
    fit = turned_by(ORDINARY, marks, sd**-2, information)
    # 3000 draws: 1.3 % of a standard deviation, and what is beyond the first order.
    np.testing.assert_allclose(np.std(turns, axis=0), np.sqrt(np.diag(fit.covariance)), rtol=0.05)
    np.testing.assert_allclose(np.sqrt(np.mean(np.square(left), axis=0) / 2), fit.left_sd_rad(others), rtol=0.05)


def test_more_marks_do_not_make_the_microphone_better():
    few, many = directions([-60, 0, 60], [5, 0, 10]), directions(np.linspace(-60, 60, 30), [0, 5, 10] * 10)
    sds = []
    for marks in (few, many):
        told = estimate_mount(marks, marks, np.full(len(marks), np.radians(0.3)))
        alone = estimate_mount(marks, marks, np.full(len(marks), np.radians(0.3)), microphone=PERFECT)
        sds.append((told.sd_rad.yaw_rad, alone.sd_rad.yaw_rad))
    assert sds[1][1] < 0.5 * sds[0][1]  # marks of a perfect microphone average out
    assert sds[1][0] > 0.8 * sds[0][0]
    assert np.degrees(sds[1][0]) > 1.0


def mount_held(stated: Microphone, count: int, draws: int, rng: np.random.Generator) -> float:
    """How often stated 95 % intervals of yaw, pitch and roll hold the truth for marks heard by unknown microphones."""
    held = []
    for _ in range(draws):
        mount = matrix_from_ypr(YawPitchRoll.from_degrees(*rng.uniform((-180, -10, -10), (180, 10, 10))))
        seen = directions(np.linspace(-65, 65, count) + rng.uniform(-8, 8, count), rng.uniform(-15, 20, count))
        heard = heard_with(drawn_errors(ORDINARY, seen @ mount, 1, rng)[0], seen @ mount)
        heard = heard_with(np.radians(1.0) * rng.standard_normal(heard.shape), heard)
        told = estimate_mount(seen, heard, np.full(count, np.radians(1.0)), microphone=stated)
        if told.angles is None:
            continue
        true = ypr_from_matrix(mount)
        for name in ("yaw_rad", "pitch_rad", "roll_rad"):
            off = np.angle(np.exp(1j * (getattr(told.angles, name) - getattr(true, name))))
            held.append(abs(off) < 1.96 * getattr(told.sd_rad, name))
    assert len(held) > draws
    return float(np.mean(held))


@pytest.mark.slow
@pytest.mark.parametrize("count", [4, 6])
def test_the_mounts_intervals_hold_only_with_the_common_error(rng, count):
    assert mount_held(ORDINARY, count, 60, rng) >= 0.92
    assert mount_held(PERFECT, count, 60, rng) < 0.85


@pytest.mark.slow
def test_what_is_left_of_each_mark_is_what_the_others_do_not_take_up(rng):
    seen = directions([-60, -20, 25, 60], [0, 10, -5, 12])
    told = estimate_mount(seen, seen, np.full(4, np.radians(1.0)))
    errors = drawn_errors(ORDINARY, seen, 2000, rng)
    offs = []
    for one in heard_with(errors, seen):
        others = fit_rotations(seen[np.newaxis, 1:], one[np.newaxis, 1:], np.full(3, 0.02), np.ones((1, 3), bool))
        offs.append(angle_between(one[0] @ others.matrices[0].T, seen[0]))
    assert told.without_microphone_sds[0] == pytest.approx(np.sqrt(np.mean(np.square(offs)) / 2), rel=0.07)
    assert told.without_microphone_sds[0] > np.radians(2.0)


def test_a_wrong_mark_is_still_named_where_the_microphone_is_unknown(rng):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(92.6, -3, 178))
    seen = directions([50, -40, 5, -80, 25, -15], [10, -5, 20, 0, -10, 25])
    named = 0
    for wrong in range(6):
        heard = heard_with(drawn_errors(ORDINARY, seen @ mount, 1, rng)[0], seen @ mount)
        expected = seen.copy()
        expected[wrong] = directions([70 if wrong else -70], [-10])[0]
        told = estimate_mount(expected, heard, np.full(6, np.radians(1.5)))
        named += np.flatnonzero(told.wrong > 0.9).tolist() == [wrong]
        assert rotation_angle(told.picture_from_take, mount) < np.radians(9.0)
    assert named >= 5


@pytest.mark.slow
def test_scatter_is_what_a_fit_leaves_over_its_freedom(rng):
    seen = directions([-60, -20, 25, 60, 0], [0, 10, -5, 12, 30])
    scatter = []
    for one in heard_with(drawn_errors(ORDINARY, seen, 1500, rng), seen):
        fit = fit_rotations(seen[np.newaxis], one[np.newaxis], np.full(5, 1.0), np.ones((1, 5), bool))
        scatter.append(np.sum(angle_between(one @ fit.matrices[0].T, seen) ** 2) / 7)
    assert scatter_sd_rad(ORDINARY, seen)[0] == pytest.approx(np.sqrt(np.mean(scatter)), rel=0.06)
    np.testing.assert_allclose(scatter_sd_rad(PERFECT, seen), 0.0)


@pytest.mark.slow
def test_simulated_real_microphones_err_as_the_model_says():
    """Their direct sound alone, without a room: the middle direction of all bands, in regions that hold 95 of 100."""
    toward = directions([-170, -75, -40, 0, 33, 58, 90, 135], [8, -15, 10, 5, -10, 20, 0, -25])
    bins = slice(round(300 * 1024 / 48_000), round(5000 * 1024 / 48_000))
    held, radii = [], []
    for seed in range(16):
        microphone = draw_microphone(np.random.default_rng((seed, 77)))
        bodies = np.array([0.0, 0.0, 0.2]) + [body.offset_m for body in microphone.bodies]
        for one in toward:
            image = Images(3.0 * one[np.newaxis], np.ones(1), np.zeros(1, dtype=bool))
            sound = field_response(microphone, image, np.eye(3), np.zeros(3), bodies)
            first = int(np.argmax(np.abs(sound[0]))) - 100
            w, y, z, x = fft.rfft(sound[:, first : first + 1024], axis=1)[:, bins]
            pointing = np.median(np.real(np.stack([x, y, z]) / w), axis=1)
            off = float(angle_between(pointing / np.linalg.norm(pointing), one))
            radii.append(2.448 * float(ORDINARY.sd_rad(one[np.newaxis])[0]))
            held.append(off < radii[-1])
    assert 0.88 < np.mean(held) < 0.99  # 16 microphones: each is one draw for all its directions
    assert 4.0 < np.degrees(np.median(radii)) < 9.0


def test_turns_of_an_icosahedron_have_the_mean_of_another_one_turned_against_it() -> None:
    """Of degree 4 the mean over the group is the mean over all turns: the pose of the icosahedron is all the same."""

    def mean(turns: np.ndarray) -> np.ndarray:
        return np.mean(np.einsum("rab,rcd,ref,rgh->rabcdefgh", turns, turns, turns, turns), axis=0)

    own = _icosahedron_turns()
    pose = Rotation.from_rotvec([0.3, -0.7, 0.2]).as_matrix()
    other = pose @ Rotation.create_group("I").as_matrix() @ pose.T
    assert own.shape == (60, 3, 3)
    np.testing.assert_allclose(mean(own), mean(other), atol=1e-12)
