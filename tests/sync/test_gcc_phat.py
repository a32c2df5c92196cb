"""Whitened correlation: signs, second implementations, sub-sample peaks, the published delay bound."""

import numpy as np
import pytest
from scipy import signal

from spatial.dsp.samples import ArraySamples
from spatial.sync.gcc_phat import cross_windows, lag_curves, refine_peak
from spatial.timebase import ClockLaw

RATE = 16_000


def delayed(x, delay_samples):
    """x later by a fraction of samples, by a phase ramp: not how the code under test does it."""
    spectrum = np.fft.rfft(x)
    frequency = np.fft.rfftfreq(x.size)
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * frequency * delay_samples), x.size)


def field_of(omni):
    return np.stack([omni, 0 * omni, 0 * omni, omni]).astype(np.float32)


def stacked_peak(clip, take, law, weights=None):
    windows = cross_windows(ArraySamples(clip[np.newaxis], RATE), ArraySamples(field_of(take), RATE), law)
    lags, curves = lag_curves(windows.phases[:, 0], RATE, max_lag_s=0.02, weights=weights)
    curve = curves.mean(axis=0)
    place, height = refine_peak(curve, int(np.argmax(curve)))
    return lags[0] + place * (lags[1] - lags[0]), height


@pytest.mark.parametrize("delay", [-40.25, -1.0, 0.0, 0.37, 63.5])
def test_a_take_that_hears_later_has_a_positive_lag(rng, delay):
    clip = rng.standard_normal(6 * RATE)
    lag, _ = stacked_peak(clip, delayed(clip, delay), ClockLaw(0.0))
    assert lag * RATE == pytest.approx(delay, abs=0.01)  # samples; parabola on a 4-fold grid


def test_lag_is_what_the_law_left_over(rng):
    clip = rng.standard_normal(6 * RATE)
    take = np.concatenate([rng.standard_normal(1000), clip])
    lag, _ = stacked_peak(clip, take, ClockLaw(offset_s=1000.4 / RATE))
    assert lag * RATE == pytest.approx(-0.4, abs=0.01)


@pytest.mark.parametrize("ppm", [-300.0, 300.0])
def test_the_law_is_followed_inside_a_window(rng, ppm):
    """With the true drift in the law, a window's peak is as high as without any drift."""
    slow = rng.standard_normal(8 * RATE)
    ratio = 1 + ppm * 1e-6
    take = np.interp(np.arange(int(slow.size * ratio) - 1) / ratio, np.arange(slow.size), slow)
    _, followed = stacked_peak(slow, take, ClockLaw(0.0, ppm))
    _, ignored = stacked_peak(slow, take, ClockLaw(0.0, 0.0))
    assert followed > 0.8
    assert followed > 1.5 * ignored


def test_phase_transform_agrees_with_direct_evaluation(rng):
    """Knapp and Carter 1976: whiten the cross-spectrum, transform back. Written out here on one block."""
    clip = rng.standard_normal(5 * RATE)
    take = delayed(clip, 5.0) + 0.1 * rng.standard_normal(clip.size)
    windows = cross_windows(ArraySamples(clip[np.newaxis], RATE), ArraySamples(field_of(take), RATE), ClockLaw(0.0))
    lags, curves = lag_curves(windows.phases[:1, 0], RATE, max_lag_s=0.005)
    frequencies = windows.frequencies_hz
    direct = [np.mean(np.real(windows.phases[0, 0] * np.exp(2j * np.pi * frequencies * lag))) for lag in lags]
    np.testing.assert_allclose(curves[0], direct, atol=1e-4)


def test_peak_lies_where_scipy_correlate_puts_it(rng):
    """Second implementation; note that scipy's own docstring formula has the other sign."""
    clip = rng.standard_normal(4 * RATE)
    take = np.roll(clip, 37)
    lag, _ = stacked_peak(clip, take, ClockLaw(0.0))
    correlation = signal.correlate(take, clip, mode="full", method="fft")
    scipy_lag = signal.correlation_lags(take.size, clip.size)[np.argmax(correlation)]
    assert round(lag * RATE) == scipy_lag == 37


@pytest.mark.parametrize("snr_db", [0.0, 10.0])
def test_delay_error_is_near_the_published_bound(rng, snr_db):
    """Knapp and Carter 1976 (value from memory): var >= 3 (1 + 2 r) / (8 pi^2 T r^2 (f2^3 - f1^3)).

    White noise in 250-7000 Hz; equal noise on both sides. The windowed estimate may lose to the taper; a factor
    of 2.5 in standard deviation is our own limit.
    """
    seconds, trials = 5, 24
    ratio = 10 ** (snr_db / 10)
    errors = []
    for _ in range(trials):
        clip = rng.standard_normal(seconds * RATE)
        take = delayed(clip, 3.3)
        noise = 10 ** (-snr_db / 20)
        lag, _ = stacked_peak(
            clip + noise * rng.standard_normal(clip.size), take + noise * rng.standard_normal(clip.size), ClockLaw(0.0)
        )
        errors.append(lag - 3.3 / RATE)
    bound = np.sqrt(3 * (1 + 2 * ratio) / (8 * np.pi**2 * seconds * ratio**2 * (7000.0**3 - 250.0**3)))
    achieved = np.sqrt(np.mean(np.square(errors)))
    assert achieved < 2.5 * bound
    assert achieved > 0.5 * bound  # lower would mean the bound, or the test, is wrong


def test_direction_points_to_the_source(rng):
    clip = rng.standard_normal(4 * RATE).astype(np.float32)
    clip *= np.arange(clip.size) % 4000 < 800
    take = ArraySamples(np.stack([clip, 0.6 * clip, 0 * clip, 0.8 * clip]), RATE)
    windows = cross_windows(ArraySamples(clip[np.newaxis], RATE), take, ClockLaw(0.0), aimed=True)
    np.testing.assert_allclose(windows.directions, [[0.8, 0.6, 0.0]] * len(windows.times_s), atol=1e-3)


def test_no_overlap_gives_no_windows(rng):
    sound = rng.standard_normal(4 * RATE)
    windows = cross_windows(ArraySamples(sound[np.newaxis], RATE), ArraySamples(field_of(sound), RATE), ClockLaw(60.0))
    assert len(windows.times_s) == 0


def test_silence_has_no_phase():
    silent = np.zeros(4 * RATE)
    windows = cross_windows(ArraySamples(silent[np.newaxis], RATE), ArraySamples(field_of(silent), RATE), ClockLaw(0.0))
    assert np.all(windows.phases == 0)


def test_a_peak_at_the_edge_stays_there():
    assert refine_peak(np.array([3.0, 2.0, 1.0]), 0) == (0.0, 3.0)
