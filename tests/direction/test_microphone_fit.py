"""A microphone is learned from known directions, and whether that helps is told by those that took no part."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from spatial.calibration import Calibration, CalibrationBand
from spatial.direction.microphone_fit import (
    KnownDirections,
    learn_calibration,
    place_numbers,
    refined,
)
from spatial.errors import InputError
from spatial.field import angle_between, unit_vectors

BANDS = ((300.0, 1000.0), (1000.0, 5000.0))
GAINS = np.array([[1.1, 0.02, 0.0], [0.02, 0.98, -0.02], [0.0, -0.02, 0.9]])
GAINS /= np.cbrt(np.linalg.det(GAINS))
LEAK = np.array([0.04, -0.03, 0.02])


def scene(rng, *, marks=12, gains=GAINS, leak=LEAK, noise_deg=1.0):
    azimuth = np.radians(np.linspace(-80, 80, marks))
    expected = unit_vectors(azimuth, np.radians(rng.uniform(-35, 45, marks)))
    turn = Rotation.random(random_state=int(rng.integers(1 << 30))).as_matrix()
    made = expected @ turn.T @ gains + leak
    sd = np.radians(noise_deg)
    measured = np.stack(
        [made + np.linalg.norm(made, axis=1, keepdims=True) * rng.normal(0, sd, made.shape) for _ in BANDS]
    )
    measured /= np.linalg.norm(measured, axis=2, keepdims=True)
    off = Rotation.from_rotvec(rng.normal(0, 0.05, 3)).as_matrix()
    return KnownDirections(expected, measured, np.full((2, marks), sd), BANDS), turn.T @ off, turn


def direction_through(band, measured):
    """Where waves come from that this microphone puts elsewhere: what leads there, closer with each step."""
    gains, leak = np.array(band.gains), np.array(band.leak)
    waves = measured
    for _ in range(60):
        made = waves @ gains + leak
        made /= np.linalg.norm(made, axis=1, keepdims=True)
        waves = waves + (measured - made)
        waves /= np.linalg.norm(waves, axis=1, keepdims=True)
    return waves


@pytest.mark.slow
def test_gains_and_leak_are_found_whatever_the_mount():
    rng = np.random.default_rng(1)
    for _ in range(2):
        known, start, turn = scene(rng, noise_deg=0.3)
        learned = learn_calibration(known, start)
        assert learned.helped
        assert learned.places == 12
        for band in learned.calibration.bands:
            np.testing.assert_allclose(band.gains, GAINS, atol=0.03)
            np.testing.assert_allclose(band.leak, LEAK, atol=0.02)
        assert np.degrees(np.linalg.norm(Rotation.from_matrix(learned.picture_from_mic @ turn).as_rotvec())) < 1.5


@pytest.mark.slow
def test_directions_that_took_no_part_are_nearer():
    rng = np.random.default_rng(2)
    before, after = [], []
    for _ in range(2):
        known, start, turn = scene(rng)
        others = unit_vectors(rng.uniform(-1.4, 1.4, 30), rng.uniform(-0.6, 0.8, 30)) @ turn.T
        heard = others @ GAINS + LEAK
        heard /= np.linalg.norm(heard, axis=1, keepdims=True)
        band = learn_calibration(known, start).calibration.bands[0]
        before.append(np.median(angle_between(heard, others)))
        after.append(np.median(angle_between(direction_through(band, heard), others)))
    assert np.median(after) < 0.5 * np.median(before)


@pytest.mark.slow
def test_of_an_ideal_microphone_it_is_not_said_to_help():
    rng = np.random.default_rng(3)
    said = [
        learn_calibration(*scene(rng, gains=np.eye(3), leak=np.zeros(3), noise_deg=2.0)[:2]).helped for _ in range(3)
    ]
    assert sum(said) <= 1


@pytest.mark.slow
def test_the_stated_covariance_holds_what_is_left():
    rng = np.random.default_rng(4)
    squares = []
    for _ in range(6):
        log = rng.normal(0, [0.06] * 3 + [0.02] * 3)
        log[:3] -= np.mean(log[:3])
        xx, yy, zz, xy, xz, yz = log
        gains = Rotation.identity().as_matrix() + np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
        leak = rng.normal(0, 0.03, 3)
        learned = learn_calibration(*scene(rng, marks=7, gains=gains, leak=leak)[:2])
        sd = np.sqrt(np.diag(learned.calibration.covariance))[6:]
        squares.append(
            np.mean([(np.array(band.leak) - leak) ** 2 for band in learned.calibration.bands], axis=0) / sd**2
        )
    assert 0.4 < np.mean(squares) < 2.0


@pytest.mark.slow
def test_a_wrong_mark_does_not_decide():
    rng = np.random.default_rng(5)
    known, start, _ = scene(rng, noise_deg=0.5)
    known.measured[:, 4] = -known.measured[:, 4] + [0.3, 0.0, 0.0]
    known.measured[:, 4] /= np.linalg.norm(known.measured[:, 4], axis=1, keepdims=True)
    band = learn_calibration(known, start).calibration.bands[0]
    np.testing.assert_allclose(band.leak, LEAK, atol=0.04)


def test_marks_in_one_place_do_not_vouch_for_each_other():
    directions = unit_vectors(np.radians([0.0, 2.0, 40.0, 43.0, -60.0]), np.zeros(5))
    assert place_numbers(directions).tolist() == [0, 0, 1, 1, 2]
    known, start, _ = scene(np.random.default_rng(6), marks=2)
    with pytest.raises(InputError, match="three places"):
        learn_calibration(known, start)


def test_two_calibrations_one_after_the_other_are_one():
    none = tuple(tuple(row) for row in np.zeros((9, 9)).tolist())
    first = CalibrationBand(BANDS[0], tuple(map(tuple, GAINS.tolist())), tuple(LEAK.tolist()))
    rest = np.diag([0.97, 1.01, 1.02])
    second = CalibrationBand(BANDS[0], tuple(map(tuple, rest.tolist())), (0.01, 0.0, -0.01))
    both = refined(Calibration((first,), none), Calibration((second,), none)).bands[0]
    waves = unit_vectors(np.linspace(-3, 3, 20), np.linspace(-1.2, 1.2, 20))
    made = (waves @ rest + np.array(second.leak)) @ GAINS + LEAK
    made /= np.linalg.norm(made, axis=1, keepdims=True)
    assert np.degrees(np.max(angle_between(direction_through(both, made), waves))) < 0.3
