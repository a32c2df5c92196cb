"""Talkers' delays told from jumps and drift of a clock, on windows alone and on sounds the whole way."""

import numpy as np
import pytest

from spatial.field import unit_vectors
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.sync.talker_delays import WidePeaks, clocks_steps, fit_talkers
from spatial.timebase import ClockLaw, ClockStep
from tests.scenes.hearing import bursts_of_noise, sync_arrays

RATE = WORKING_RATE_HZ
AZIMUTHS = np.radians([50.0, 10.0, -40.0])
AT_3_M = np.array([2.5e-3, -1.9e-3, -5.5e-3])
"""What three talkers' delays may be for a recorder 3 m from the camera."""

ON_A_RIG = np.array([0.4e-3, 0.1e-3, -0.5e-3])
LAW = ClockLaw(4.0)
STEP = ClockStep(31.0, -5e-3)


def in_turn(times):
    """Each talks for 4 s."""
    return (times // 4).astype(int) % 3


def in_blocks(times):
    """Each talks for a third of the clip."""
    return (times // 20).astype(int) % 3


def peaks_of(rng, delays_s, who, *, ppm=0.0, step=None, stray=0.1):
    """Sixty windows of a minute, a tenth of them anything."""
    times = np.linspace(0.5, 59.5, 60)
    talker = who(times)
    lags = delays_s[talker] + ppm * 1e-6 * times + 4e-5 * rng.standard_normal(times.size)
    if step is not None:
        lags += step.step_s * (times >= step.clip_time_s)
    lags = np.where(rng.random(times.size) < stray, rng.uniform(-0.04, 0.04, times.size), lags)
    directions = unit_vectors(AZIMUTHS, np.zeros(3))[talker] + 0.06 * rng.standard_normal((times.size, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    between = 3e-4 * np.sin(AZIMUTHS)[talker] + 2e-5 * rng.standard_normal(times.size)
    return WidePeaks(times, lags, between, directions)


@pytest.mark.slow
@pytest.mark.parametrize("who", [in_turn, in_blocks])
@pytest.mark.parametrize("ppm", [-35.0, 0.0, 80.0])
def test_lags_that_jump_with_who_talks_are_no_steps(rng, who, ppm):
    """Every change of talker is offered as a step, exactly as large as it looks."""
    peaks = peaks_of(rng, AT_3_M, who, ppm=ppm)
    times = np.arange(0.0, 60.0, 1.0)
    changes = times[1:][np.diff(who(times)) != 0]
    offered = [ClockStep(at, float(AT_3_M[who(at)] - AT_3_M[who(at - 1.0)])) for at in changes]
    assert len(offered) >= 2
    assert clocks_steps(peaks, offered[:8]) == ()


@pytest.mark.parametrize("size_s", [-5e-3, 2e-3, 25e-3])
@pytest.mark.parametrize("delays_s", [ON_A_RIG, AT_3_M])
def test_a_jump_of_all_talkers_is_a_step(rng, delays_s, size_s):
    step = ClockStep(31.0, size_s)
    peaks = peaks_of(rng, delays_s, in_turn, ppm=20.0, step=step)
    assert clocks_steps(peaks, [step]) == (step,)


def test_a_step_among_changes_of_talkers_is_kept_and_they_are_not(rng):
    peaks = peaks_of(rng, AT_3_M, in_turn, step=STEP)
    change = ClockStep(16.0, float(AT_3_M[1] - AT_3_M[0]))
    assert clocks_steps(peaks, [change, STEP]) == (STEP,)


def test_more_than_a_recorders_distance_is_a_step_whoever_talks(rng):
    step = ClockStep(20.0, 0.05)
    assert clocks_steps(peaks_of(rng, AT_3_M, in_blocks, step=step), [step]) == (step,)


@pytest.mark.slow
@pytest.mark.parametrize("who", [in_turn, in_blocks])
def test_the_interval_of_the_drift_holds(rng, who):
    fits = [(ppm, fit_talkers(peaks_of(rng, AT_3_M, who, ppm=ppm), LAW)) for ppm in rng.uniform(-80.0, 80.0, 24)]
    assert all(fit is not None for _, fit in fits)
    held = [abs(1e6 * fit.slope - ppm) < 1.96e6 * fit.slope_sd for ppm, fit in fits]
    assert np.mean(held) >= 0.82  # 95 % less three binomial deviations of 24
    assert all(np.sort(fit.delays_s[fit.talkers]).size == 3 for _, fit in fits)


def test_where_each_talks_once_the_drift_is_less_sure(rng):
    sd = [np.median([fit_talkers(peaks_of(rng, AT_3_M, who), LAW).slope_sd for _ in range(5)])
          for who in (in_turn, in_blocks)]  # fmt: skip
    assert sd[1] > 1.5 * sd[0]


def shoot(rng, delays_s, *, lost_s=0.0):
    """A minute of three talkers in turn whom the recorder hears from their directions with these delays."""
    seconds, offset_s = 60.0, 4.0
    whole = bursts_of_noise(offset_s + seconds + 3.0, rng)
    who = in_turn(np.arange(whole.size) / RATE)
    take = np.zeros((4, whole.size))
    for number, (azimuth, delay_s) in enumerate(zip(AZIMUTHS, delays_s, strict=True)):
        heard = np.roll(whole * (who == number), round(delay_s * RATE))
        take += np.array([1.0, np.sin(azimuth), 0.0, np.cos(azimuth)])[:, np.newaxis] * heard
    at = round(35.0 * RATE)
    take = np.delete(take, np.s_[at : at + round(lost_s * RATE)], axis=1)
    clip = whole[round(offset_s * RATE) :][: round(seconds * RATE)]
    hiss = 1e-3 * rng.standard_normal((5, take.shape[1]))
    return clip + hiss[4, : clip.size], take + hiss[:4]


@pytest.mark.slow
def test_talkers_in_turn_and_a_recorder_3_m_away(rng):
    estimate = sync_arrays(*shoot(rng, AT_3_M))
    assert estimate.matched
    assert estimate.apart
    assert estimate.steps == ()
    assert abs(estimate.law.offset_s - 4.0) < 1.96 * estimate.offset_sd_s
    assert abs(estimate.law.drift_ppm) < 1.96 * estimate.drift_sd_ppm
    assert estimate.drift_sd_ppm < 5.0


@pytest.mark.slow
def test_talkers_in_turn_and_a_recorder_on_the_rig_that_lost_5_ms(rng):
    estimate = sync_arrays(*shoot(rng, ON_A_RIG, lost_s=5e-3))
    assert not estimate.apart
    assert [step.clip_time_s for step in estimate.steps] == [pytest.approx(31.0, abs=0.5)]
    assert estimate.steps[0].step_s == pytest.approx(-5e-3, abs=0.2e-3)
    assert abs(estimate.law.drift_ppm) < 1.96 * estimate.drift_sd_ppm
