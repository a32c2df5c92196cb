"""What is known of the rig beforehand, and a line's answer once the distance is known."""

import numpy as np
import pytest

from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.sync.baseline import on_sphere, rig_of_length, rig_of_mount, unknown_rig

RIG = slice(2, 5)
CAMERA_SD_M = 0.05


def answer(rng, *, sd_m, at_m):
    """Offset, drift and separation that hang together, as a fit leaves them: the offset mostly by the separation."""
    mixed = np.eye(5) + 0.3 * rng.standard_normal((5, 5))
    mixed[0, RIG] = [1.0, -0.7, 0.4]
    covariance = mixed @ mixed.T
    scale = np.array([1.0, 1.0, sd_m, sd_m, sd_m]) / np.sqrt(np.diag(covariance))
    covariance = scale[:, np.newaxis] * covariance * scale
    return np.array([0.5, -0.2, *at_m]), covariance


def by_sampling(rng, solution, covariance, length_m, cap_rad, count=400_000):
    """The same by brute force: points drawn over a cap of the shell, each as likely as the Gaussian says."""
    toward = solution[RIG] / np.linalg.norm(solution[RIG])
    aside = np.linalg.svd(toward[np.newaxis])[2][1:]
    along, around = rng.uniform(np.cos(cap_rad), 1.0, (count, 1)), rng.uniform(0.0, 2 * np.pi, (count, 1))
    level = np.sqrt(1.0 - along**2)
    points = along * toward + level * (np.cos(around) * aside[0] + np.sin(around) * aside[1])
    # Three radii of one weight each, CAMERA_SD_M apart, have this deviation.
    points *= rng.normal(length_m, CAMERA_SD_M * np.sqrt(2 / 3), (count, 1))
    inverse = np.linalg.inv(covariance[RIG, RIG])
    off = points - solution[RIG]
    misfit = np.einsum("pi,ij,pj->p", off, inverse, off)
    weights = np.exp(-0.5 * (misfit - misfit.min()))
    weights /= weights.sum()
    assert 1 / np.sum(weights**2) > 300  # enough of them count for what is compared below
    gain = covariance[:, RIG] @ inverse
    means = solution + off @ gain.T
    mean = weights @ means
    spread = (means - mean).T @ ((means - mean) * weights[:, np.newaxis])
    return mean, covariance - gain @ covariance[RIG] + spread


@pytest.mark.parametrize("length_m", [0.3, 2.0, 5.0])
@pytest.mark.parametrize("part", [1.0, 0.3, 0.1, 0.03])
def test_the_sphere_agrees_with_sampling(rng, length_m, part):
    """For all that windows may tell of the direction: nothing (part 1) to within 2 degrees (part 0.03)."""
    toward = np.array([2.0, -1.0, 2.0]) / 3.0
    solution, covariance = answer(rng, sd_m=part * length_m, at_m=1.05 * length_m * toward)
    mean, found = on_sphere(solution, covariance, RIG, length_m)
    expected, spread = by_sampling(rng, solution, covariance, length_m, cap_rad=min(np.pi, 8.0 * part))
    sd, expected_sd = np.sqrt(np.diag(found)), np.sqrt(np.diag(spread))
    # The sample has 300 draws at the least: 0.06 sd for a mean, 4 % for a deviation; twice that, and three radii.
    assert np.all(np.abs(mean - expected) < 0.15 * expected_sd)
    assert sd == pytest.approx(expected_sd, rel=0.15)


@pytest.mark.parametrize("length_m", [0.3, 2.0])
def test_what_the_windows_tell_well_is_not_made_surer_than_it_is(rng, length_m):
    """Separation known to 1 cm across the line of sight: the sphere tells about its length and nothing else."""
    toward = np.array([2.0, -1.0, 2.0]) / 3.0
    solution, covariance = answer(rng, sd_m=0.01, at_m=length_m * toward)
    mean, found = on_sphere(solution, covariance, RIG, length_m)
    across = np.array([1.0, 2.0, 0.0]) / np.sqrt(5.0)
    before, after = (np.sqrt(across @ whole[RIG, RIG] @ across) for whole in (covariance, found))
    assert after > 0.8 * before
    assert np.linalg.norm(mean[RIG] - solution[RIG]) < 0.02
    assert np.all(np.abs(mean - solution) < 2.0 * np.sqrt(np.diag(covariance)))


@pytest.mark.parametrize("length_m", [0.3, 1.0, 3.0])
def test_the_mean_has_about_the_known_length(rng, length_m):
    solution, covariance = answer(rng, sd_m=0.15 * length_m, at_m=np.array([0.0, 1.3 * length_m, 0.0]))
    mean, found = on_sphere(solution, covariance, RIG, length_m)
    # A cap of the sphere has its mean inside; the camera's microphones are CAMERA_SD_M about.
    assert 0.85 * length_m < np.linalg.norm(mean[RIG]) < length_m + CAMERA_SD_M
    assert found[3, 3] < 0.5 * covariance[3, 3]  # along the line of sight the length is known
    assert np.all(np.diag(found) > 0)
    np.testing.assert_allclose(found, found.T, atol=1e-12 * length_m**2)
    # And with the place the offset that hangs on it.
    assert found[0, 0] < covariance[0, 0]


def test_no_direction_at_all_leaves_the_middle():
    """Told nothing, the mean of a sphere is its centre and its deviation is 1/sqrt(3) of the radius each way."""
    solution, covariance = np.zeros(5), np.diag([1.0, 1.0, 1e4, 1e4, 1e4])
    mean, found = on_sphere(solution, covariance, RIG, 2.0)
    np.testing.assert_allclose(mean, 0.0, atol=2e-3)
    np.testing.assert_allclose(np.diag(found)[RIG], 4.0 / 3.0, rtol=5e-3)
    np.testing.assert_allclose(np.diag(found)[:2], 1.0)


@pytest.mark.parametrize("length_m", [0.3, 2.0])
def test_a_known_length_tells_no_direction(length_m):
    rig = rig_of_length(length_m)
    np.testing.assert_array_equal(rig.mean_m, 0.0)
    # The mean square of a vector of this length, and of the camera's own microphones about the lens.
    assert np.trace(rig.covariance_m2) == pytest.approx(length_m**2 + 3 * CAMERA_SD_M**2)
    assert rig.length_m == length_m
    assert rig.widest_lag_s == pytest.approx((length_m + CAMERA_SD_M) / SPEED_OF_SOUND_M_S)


@pytest.mark.parametrize(
    ("mount", "mic_offset_m", "camera_from_recorder"),
    [
        ((0, 0, 0), (0.0, 0.0, 1.0), (0, 0, -1)),  # hung above the lens: the camera is below
        ((0, 0, 0), (2.0, 0.0, 0.0), (-2, 0, 0)),  # in front of it: behind
        ((90, 0, 0), (2.0, 0.0, 0.0), (0, 2, 0)),  # it faced left, so what lies behind the lens is on its left
        ((180, 0, 0), (2.0, 0.0, 0.0), (2, 0, 0)),
        ((0, 0, 180), (0.0, 0.0, -0.3), (0, 0, -0.3)),  # upside down under the lens: the camera is at its feet
    ],
)
def test_a_known_mount_tells_where_the_camera_is(mount, mic_offset_m, camera_from_recorder):
    rig = rig_of_mount(np.array(mic_offset_m), matrix_from_ypr(YawPitchRoll.from_degrees(*mount)))
    np.testing.assert_allclose(rig.mean_m, camera_from_recorder, atol=1e-12)
    assert rig.length_m is None
    # 4 degrees of mount at 2 m are 14 cm; never less than the camera's microphones.
    expected = np.hypot(CAMERA_SD_M, np.linalg.norm(mic_offset_m) * np.radians(4.0))
    np.testing.assert_allclose(rig.covariance_m2, expected**2 * np.eye(3))


def test_places_add_more_the_further_the_recorder_is():
    """L^2 / 2r at r = 1.5 m: 3 cm for a rig of 30 cm, 0.09 ms; never more than the separation itself."""
    assert unknown_rig().place_sd_s == pytest.approx(1e-4)  # 0.087 ms, and no less than 0.1 ms
    far = rig_of_length(2.0)
    assert far.place_sd_s == pytest.approx(2.05**2 / 3.0 / SPEED_OF_SOUND_M_S)
    assert rig_of_length(10.0).place_sd_s == pytest.approx(rig_of_length(10.0).widest_lag_s)
