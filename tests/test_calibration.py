"""A microphone that is known is taken out of what it recorded."""

import numpy as np
import pytest

from spatial.calibration import CALIBRATION_REACH, Calibration, CalibrationBand, calibrated_field, calibration_taps
from spatial.errors import InputError
from spatial.field import Calibrated, ChannelFormat, encode, internal_from, unit_vectors

RATE = 48_000
NOTHING_OPEN = tuple(tuple(row) for row in np.zeros((9, 9)).tolist())
GAINS = ((1.12, 0.02, -0.01), (0.02, 0.95, 0.03), (-0.01, 0.03, 0.9))
LEAK = (0.03, -0.02, 0.05)


def recorded(signal, azimuth_rad, elevation_rad, gains=GAINS, leak=LEAK):
    """What the microphone makes of a wave, by the definition of gains and leak."""
    x, y, z = np.array(gains) @ unit_vectors(azimuth_rad, elevation_rad) + np.array(leak)
    return np.stack([signal, y * signal, z * signal, x * signal])


def known(*bands):
    return Calibration(bands, NOTHING_OPEN)


@pytest.mark.parametrize("way", [(0.0, 0.0), (1.0, 0.3), (-2.5, -0.7), (0.4, 1.3)])
def test_a_wave_is_what_an_ideal_microphone_makes_of_it(way):
    signal = np.random.default_rng(1).standard_normal(100)
    calibration = known(CalibrationBand((300.0, 5000.0), GAINS, LEAK))
    np.testing.assert_allclose(
        calibrated_field(recorded(signal, *way), calibration, RATE), encode(signal, *way), atol=1e-5
    )


def test_bands_have_their_own_gains_and_nothing_is_made_early_or_late():
    other = ((0.9, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.1))
    calibration = known(
        CalibrationBand((300.0, 1000.0), GAINS, LEAK), CalibrationBand((2500.0, 5000.0), other, (0.0, 0.0, 0.0))
    )
    taps = calibration_taps(calibration, RATE)
    np.testing.assert_allclose(taps, taps[..., ::-1], atol=1e-12)
    time_s = np.arange(RATE // 2) / RATE
    for hz, gains, leak in ((250.0, GAINS, LEAK), (5000.0, other, (0.0, 0.0, 0.0))):
        tone = np.sin(2 * np.pi * hz * time_s)
        found = calibrated_field(recorded(tone, 0.8, 0.4, gains, leak), calibration, RATE)
        inner = slice(CALIBRATION_REACH, -CALIBRATION_REACH)
        np.testing.assert_allclose(found, encode(tone, 0.8, 0.4)[:, inner], atol=0.012)


def test_it_is_a_part_of_how_channels_are_read():
    signal = np.random.default_rng(2).standard_normal(50)
    raw = recorded(signal, 1.0, 0.2)[[0, 3, 1, 2]] * np.array([[0.5**0.5], [1.0], [1.0], [1.0]])
    calibration = known(CalibrationBand((300.0, 5000.0), GAINS, LEAK))
    read_as = Calibrated(ChannelFormat.FUMA, calibration, "mine.toml")
    np.testing.assert_allclose(internal_from(raw, read_as), encode(signal, 1.0, 0.2), atol=1e-5)
    np.testing.assert_allclose(internal_from(raw, read_as, most=1), [signal], atol=1e-5)


@pytest.mark.parametrize(
    ("gains", "leak", "band"),
    [
        (((2.0, 0, 0), (0, 1, 0), (0, 0, 1)), (0, 0, 0), (300.0, 5000.0)),
        (((1.0, 0.1, 0), (0, 1, 0), (0, 0, 1)), (0, 0, 0), (300.0, 5000.0)),
        (((1.0, 0, 0), (0, 1, 0), (0, 0, 1)), (0, 0.9, 0), (300.0, 5000.0)),
        (((1.0, 0, 0), (0, 1, 0), (0, 0, 1)), (0, float("nan"), 0), (300.0, 5000.0)),
        (((1.0, 0, 0), (0, 1, 0), (0, 0, 1)), (0, 0, 0), (5000.0, 300.0)),
    ],
)
def test_numbers_that_no_microphone_has_are_refused(gains, leak, band):
    with pytest.raises(InputError):
        CalibrationBand(band, gains, leak)


def test_bands_go_up_and_a_covariance_is_one():
    low, high = CalibrationBand((300.0, 900.0), GAINS, LEAK), CalibrationBand((900.0, 5000.0), GAINS, LEAK)
    with pytest.raises(InputError, match="low to high"):
        known(high, low)
    with pytest.raises(InputError, match="at least one band"):
        known()
    with pytest.raises(InputError, match="not symmetric, or not positive"):
        Calibration((low,), tuple(tuple(row) for row in (-np.eye(9)).tolist()))
