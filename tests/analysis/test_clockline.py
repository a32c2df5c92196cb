"""The robust line through window lags."""

import numpy as np
import pytest

from spatial.analysis.clockline import fit_clock_line
from spatial.conventions import SPEED_OF_SOUND_M_S


def windows(rng, *, count=60, offset_s=1e-3, ppm=7.0, noise_s=20e-6, separation=(0.0, 0.0, 0.3)):
    times = np.linspace(1, 59, count)
    angles = rng.uniform(-np.pi, np.pi, count)
    directions = np.stack([np.cos(angles), np.sin(angles), rng.uniform(-0.3, 0.3, count)], axis=1)
    lags = offset_s + ppm * 1e-6 * times + directions @ np.array(separation) / SPEED_OF_SOUND_M_S
    return times, lags + noise_s * rng.standard_normal(count), directions


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 80.0])
def test_offset_drift_and_separation_are_found(rng, ppm):
    times, lags, directions = windows(rng, ppm=ppm)
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    sd = np.sqrt(np.diag(line.covariance))
    assert abs(line.offset_s - 1e-3) < 4 * sd[0] < 60e-6
    assert abs(line.slope - ppm * 1e-6) < 4 * sd[1] < 2e-6
    np.testing.assert_allclose(line.separation_m, [0, 0, 0.3], atol=0.1)


def test_a_third_of_wild_windows_does_not_pull(rng):
    times, lags, directions = windows(rng)
    wild = rng.permutation(60)[:20]
    lags[wild] += rng.uniform(0.5e-3, 2e-3, 20)
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    assert abs(line.offset_s - 1e-3) < 40e-6
    assert np.all(line.weights[wild] < 0.2)


def test_uncertainty_is_calibrated(rng):
    """Standardised errors over many draws have unit scatter: 95 % intervals hold about 95 %."""
    scores = []
    for _ in range(150):
        times, lags, directions = windows(rng, separation=(0.1, -0.1, 0.05))
        line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
        scores.append((line.slope - 7e-6) / np.sqrt(line.covariance[1, 1]))
    held = np.mean(np.abs(scores) < 1.96)
    assert 0.90 <= held <= 0.995  # binomial spread of 150 draws, and a mild widening for repeated errors


def test_one_direction_leaves_the_offset_as_uncertain_as_the_rig(rng):
    times, lags, directions = windows(rng)
    directions[:] = [1.0, 0.0, 0.0]
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    assert np.sqrt(line.covariance[0, 0]) > 0.4e-3  # 0.2 m at 343 m/s is 0.58 ms


def test_repeated_errors_widen_the_interval(rng):
    times, lags, directions = windows(rng, noise_s=0.0)
    independent = 50e-6 * rng.standard_normal(60)
    repeated = np.repeat(50e-6 * rng.standard_normal(10), 6)
    narrow = fit_clock_line(times, lags + independent, directions, strengths=np.ones(60))
    wide = fit_clock_line(times, lags + repeated, directions, strengths=np.ones(60))
    assert wide.covariance[1, 1] > 1.5 * narrow.covariance[1, 1]
