"""The robust line through window lags."""

import numpy as np
import pytest

from spatial.analysis.clockline import fit_clock_line
from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.field import unit_vectors

PLACES = unit_vectors(np.radians([40.0, -35.0, 170.0, 0.0]), np.radians([5.0, -20.0, 10.0, 50.0]))


def windows(rng, *, count=60, offset_s=1e-3, ppm=7.0, noise_s=20e-6, separation=(0.0, 0.0, 0.3)):
    """Four performers who take random turns."""
    times = np.linspace(1, 59, count)
    directions = PLACES[rng.integers(len(PLACES), size=count)]
    lags = offset_s + ppm * 1e-6 * times + directions @ np.array(separation) / SPEED_OF_SOUND_M_S
    return times, lags + noise_s * rng.standard_normal(count), directions


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 80.0])
def test_offset_drift_and_separation_are_found(rng, ppm):
    times, lags, directions = windows(rng, ppm=ppm)
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    sd = np.sqrt(np.diag(line.covariance))
    assert abs(line.offset_s - 1e-3) < 3 * sd[0] < 0.6e-3  # the rig's size and the places keep it from being surer
    assert abs(line.slope - ppm * 1e-6) < 4 * sd[1] < 2e-6
    assert np.all(np.abs(line.separation_m - [0, 0, 0.3]) < 3 * line.separation_sd_m)


def test_a_third_of_wild_windows_does_not_pull(rng):
    times, lags, directions = windows(rng)
    wild = rng.permutation(60)[:20]
    clean = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    lags[wild] += rng.uniform(0.5e-3, 2e-3, 20)
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    assert abs(line.offset_s - clean.offset_s) < 40e-6
    assert abs(line.slope - 7e-6) < 1e-6
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


def test_who_speaks_when_does_not_look_like_drift(rng):
    """One place early in the clip, another late, and a rig that makes them 0.5 ms different."""
    times, _, directions = windows(rng, ppm=0.0)
    directions = np.where(times[:, np.newaxis] < 30, PLACES[0], PLACES[3])
    swap = rng.permutation(60)[:12]
    directions[swap] = PLACES[3] + PLACES[0] - directions[swap]
    lags = 1e-3 + directions @ np.array([0.0, 0.0, 0.25]) / SPEED_OF_SOUND_M_S + 20e-6 * rng.standard_normal(60)
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    assert abs(line.slope) < 1e-6  # ignoring the places gives 7 ppm
    blind = fit_clock_line(times, lags, np.full((60, 3), np.nan), strengths=np.ones(60))
    assert abs(blind.slope) > 3e-6


def test_one_direction_leaves_the_offset_as_uncertain_as_the_rig(rng):
    times, lags, directions = windows(rng)
    directions[:] = [1.0, 0.0, 0.0]
    line = fit_clock_line(times, lags, directions, strengths=np.ones(60))
    assert np.sqrt(line.covariance[0, 0]) > 0.4e-3  # 0.2 m at 343 m/s is 0.58 ms


def test_repeated_errors_widen_the_interval(rng):
    """Errors that last six windows carry a sixth of the information: six times the variance in the long run."""
    ratios = []
    for _ in range(30):
        times, lags, directions = windows(rng, noise_s=0.0)
        independent = 50e-6 * rng.standard_normal(60)
        repeated = np.repeat(50e-6 * rng.standard_normal(10), 6)
        narrow = fit_clock_line(times, lags + independent, directions, strengths=np.ones(60))
        wide = fit_clock_line(times, lags + repeated, directions, strengths=np.ones(60))
        ratios.append(wide.covariance[1, 1] / narrow.covariance[1, 1])
    assert np.median(ratios) > 1.5  # a first-order model with ten values to learn from finds a good part of it
