"""Integrated loudness of signals whose loudness is published: BS.1770-4 and EBU Tech 3341 (values from memory)."""

import numpy as np
import pytest

from spatial.dsp.loudness import LoudnessMeter, hearing_filter
from spatial.errors import InputError

RATE = 48_000


def sine(hz, dbfs, seconds, rate=RATE):
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


def loudness(sound, rate=RATE, block=10_007):
    meter = LoudnessMeter(rate)
    for start in range(0, sound.shape[1], block):
        meter.add(sound[:, start : start + block])
    return meter.integrated_lufs


def test_the_filters_are_those_of_the_recommendation():
    """BS.1770-4 annex 1, tables 1 and 2, at 48 kHz."""
    shelf, cut = hearing_filter(RATE)
    expected = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
    np.testing.assert_allclose(shelf, expected, atol=1e-9)
    np.testing.assert_allclose(cut, [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621], atol=1e-9)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_a_full_sine_of_997_hz_reads_minus_3_01(rate):
    """BS.1770-4 annex 1: in one front channel."""
    assert loudness(sine(997, 0, 5, rate)[np.newaxis], rate) == pytest.approx(-3.01, abs=0.02)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([(-23, 20)], -23.0),  # EBU Tech 3341, case 1
        ([(-33, 20)], -33.0),  # case 2
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),  # case 3: the relative gate
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),  # case 4: both gates
    ],
)
def test_stereo_sines_of_1000_hz_read_as_ebu_has_them(parts, expected):
    sound = np.concatenate([sine(1000, dbfs, seconds) for dbfs, seconds in parts])
    assert loudness(np.stack([sound, sound])) == pytest.approx(expected, abs=0.1)


def test_blocks_of_any_length_give_the_same():
    sound = np.random.default_rng(3).normal(0, 0.1, (1, 3 * RATE))
    assert loudness(sound, block=997) == pytest.approx(loudness(sound, block=3 * RATE), abs=1e-9)


@pytest.mark.parametrize("sound", [np.zeros((1, RATE)), np.ones((1, RATE // 5)), np.zeros((1, 0))])
def test_silence_and_shreds_have_no_loudness(sound):
    meter = LoudnessMeter(RATE)
    meter.add(sound)
    assert meter.integrated_lufs is None


def test_channels_may_not_change():
    meter = LoudnessMeter(RATE)
    meter.add(np.zeros((1, 10)))
    with pytest.raises(InputError, match="one number of channels"):
        meter.add(np.zeros((2, 10)))
