"""Headphones: the sphere's response against the published solution, sides and turns by ear, and no sample too loud."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spatial.dsp.binaural import (
    HEAD_RADIUS_M,
    LATENCY_SAMPLES,
    FilteredField,
    Limiter,
    head_filters,
    headphones,
    sphere_response,
)
from spatial.errors import InputError
from spatial.field import encode
from spatial.rotation import YawPitchRoll, matrix_from_ypr

RATE = 48_000

# dB re free field at 0, 30, ... 180 degrees: rigid sphere of 8.75 cm, source at infinity, series solution in the form
# of Duda and Martens 1998, JASA 104(5) 3048-3058 (form from memory, worked independently of this code).
SPHERE_DB = {
    100: (0.02, 0.01, -0.03, -0.05, -0.03, 0.00, 0.02),
    500: (2.21, 1.85, 0.83, -0.40, -0.69, 0.01, 0.41),
    1000: (3.74, 3.49, 2.76, 0.99, -2.10, -0.79, 0.89),
    2000: (5.14, 4.76, 3.78, 1.56, -0.62, -5.23, 1.24),
    4000: (5.70, 5.43, 4.50, 2.17, -1.43, -4.21, 1.00),
    8000: (5.92, 5.79, 5.10, 2.45, -2.80, -7.07, -0.16),
}


@pytest.mark.parametrize("frequency_hz", SPHERE_DB)
def test_sphere_response_is_the_published_one(frequency_hz):
    response = sphere_response(np.array([float(frequency_hz)]), np.radians(np.arange(0, 181, 30)))
    assert 20 * np.log10(np.abs(response[:, 0])) == pytest.approx(SPHERE_DB[frequency_hz], abs=0.006)


def test_limits_of_the_sphere():
    # No sphere for long waves; twice the pressure (6.02 dB) straight on for short ones.
    assert sphere_response(np.array([0.0, 1e-3]), np.array([0.0, 2.0])) == pytest.approx(np.ones((2, 2)), abs=1e-4)
    assert 20 * np.log10(abs(sphere_response(np.array([20e3]), np.array([0.0]))[0, 0])) == pytest.approx(6.02, abs=0.06)


@pytest.mark.parametrize(("angle_deg", "low_us"), [(15, 198.1), (30, 382.7), (60, 662.8), (90, 765.3)])
def test_long_waves_reach_the_far_ear_late_as_kuhn_says(angle_deg, low_us):
    """Kuhn 1977: between the ears 3 (a / c) sin(angle), for low frequencies; a 8.75 cm, c 343 m/s."""
    frequency = np.array([50.0])
    near, far = sphere_response(frequency, np.radians([90.0 - angle_deg, 90.0 + angle_deg]))[:, 0]
    late_us = np.angle(near / far) / (2 * np.pi * frequency[0]) * 1e6
    assert late_us == pytest.approx(low_us, rel=0.01)


def heard(azimuth_deg, head_yaw_deg=0.0, elevation_deg=0.0, seconds=0.5):
    """Both ears' noise from a direction, and how much louder (dB) and earlier (us, below 700 Hz) the left one is."""
    noise = np.random.default_rng(1).standard_normal(round(seconds * RATE)) * 0.1
    field = encode(noise, np.radians(azimuth_deg), np.radians(elevation_deg))
    turn = matrix_from_ypr(YawPitchRoll.from_degrees(-head_yaw_deg, 0.0, 0.0))
    left, right = headphones(FilteredField(RATE).push(field), turn)
    spectra = np.fft.rfft(left), np.fft.rfft(right)
    frequency = np.fft.rfftfreq(left.size, 1 / RATE)
    low = (frequency > 200) & (frequency < 600)
    across = np.sum(spectra[0][low] * np.conj(spectra[1][low]) * np.exp(0j))
    early_us = np.angle(across) / (2 * np.pi * 400) * 1e6
    return 10 * np.log10(np.sum(left**2) / np.sum(right**2)), early_us


def test_left_is_louder_and_earlier_in_the_left_ear():
    louder, early_us = heard(60.0)
    assert louder > 2.0
    # Kuhn's 663 us for long waves; the first-order field recreates them there.
    assert early_us == pytest.approx(663, rel=0.1)
    assert heard(-60.0) == pytest.approx((-louder, -early_us))


@pytest.mark.parametrize("azimuth_deg", [0.0, 180.0])
def test_front_and_back_are_the_same_in_both_ears(azimuth_deg):
    assert heard(azimuth_deg) == pytest.approx((0.0, 0.0), abs=1e-6)


def test_height_changes_nothing_but_the_side():
    assert heard(0.0, elevation_deg=50.0) == pytest.approx((0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize("head_deg", [90.0, 180.0, -90.0, 37.0])
def test_who_is_heard_stays_where_they_are_when_the_head_turns(head_deg):
    # A performer 20 degrees left is 70 degrees right of a head that faces left.
    assert heard(20.0, head_deg) == pytest.approx(heard(20.0 - head_deg), abs=1e-6)


def test_the_sound_of_a_frontal_voice_keeps_its_level_and_time():
    noise = np.random.default_rng(2).standard_normal(4000) * 0.1
    left = headphones(FilteredField(RATE).push(encode(noise, 0.0, 0.0)), np.eye(3))[0]
    # A sphere adds a few dB in the middle of the band; nothing may come out as a whisper or a shout.
    assert 10 * np.log10(np.sum(left**2) / np.sum(noise**2)) == pytest.approx(2.0, abs=2.5)
    lag = np.argmax(np.correlate(left, noise[:3000], "valid"))
    assert abs(lag - LATENCY_SAMPLES) < HEAD_RADIUS_M / 343 * RATE * 1.5


def test_up_and_down_cancel_in_the_head_filters():
    omni, ahead, aside = head_filters(RATE)
    assert omni.shape == ahead.shape == aside.shape
    # The ears lie on the axis of Y: what comes from straight ahead and from behind reaches them alike.
    assert np.max(np.abs(ahead)) < 1e-9 * np.max(np.abs(aside))


@pytest.mark.slow
@pytest.mark.parametrize("size", [1, 100, 511, 512, 700, 4096])
def test_blocks_do_not_matter(size):
    field = np.random.default_rng(3).standard_normal((4, 5000)).astype(np.float32)
    whole = FilteredField(RATE).push(field)
    stream = FilteredField(RATE)
    step = size if size > 1 else 50
    parts = [stream.push(field[:, start : start + step]) for start in range(0, 5000, step)]
    np.testing.assert_allclose(np.concatenate(parts, axis=1), whole, rtol=0, atol=1e-9, equal_nan=False)


def test_nothing_in_nothing_out_and_no_field_is_refused():
    assert FilteredField(RATE).push(np.zeros((4, 0))).shape == (7, 0)
    with pytest.raises(InputError, match=r"field of shape \(4, samples\)"):
        FilteredField(RATE).push(np.zeros((2, 10)))


@pytest.mark.slow
@settings(max_examples=30)
@given(
    seed=st.integers(0, 2**32 - 1),
    loud=st.floats(0.01, 30.0),
    cuts=st.lists(st.integers(0, 9000), max_size=6),
)
def test_no_sample_passes_the_ceiling_and_none_is_lost(seed, loud, cuts):
    rng = np.random.default_rng(seed)
    sound = rng.standard_normal((2, 9000)) * np.where(rng.random(9000) > 0.99, loud, 0.05)
    whole = Limiter(RATE)
    once = np.concatenate([whole.push(sound), whole.finish()], axis=1)
    assert once.shape == sound.shape
    assert np.max(np.abs(once)) <= 0.89 + 1e-12
    stream = Limiter(RATE)
    bounds = [0, *sorted(cuts), 9000]
    parts = [stream.push(sound[:, a:b]) for a, b in itertools.pairwise(bounds)]
    np.testing.assert_allclose(
        np.concatenate([*parts, stream.finish()], axis=1), once, rtol=0, atol=1e-12, equal_nan=False
    )


def test_quiet_sound_goes_through_as_it_is():
    sound = 0.1 * np.random.default_rng(4).standard_normal((2, 5000))
    limiter = Limiter(RATE)
    np.testing.assert_allclose(
        np.concatenate([limiter.push(sound), limiter.finish()], axis=1), sound, rtol=1e-6, atol=0, equal_nan=False
    )
    assert Limiter(RATE).finish().shape == (2, 0)
