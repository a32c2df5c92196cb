"""Directions: truth table, published laws of diffuseness and noise, and a room's floor."""

import numpy as np
import pytest

from spatial.direction.doa import MARK_FRAMES_S, span_direction
from spatial.direction.intensity import BAND_HZ, field_bins, frame_directions
from spatial.errors import InputError
from spatial.field import angle_between, encode, unit_vectors

RATE = 48_000


def bursts(rng, seconds):
    """Short clicks of noise with rests between: every one an onset."""
    count = int(seconds * RATE)
    gate = (np.arange(count) % int(0.3 * RATE)) < int(0.05 * RATE)
    return rng.standard_normal(count) * gate


def heard(field, rate=RATE, start=0.25):
    return span_direction(field_bins(field.astype(np.float32), rate), start, field.shape[1] / rate)


AXES_AND_CORNERS = [
    (0, 0), (90, 0), (180, 0), (-90, 0), (0, 90), (0, -90),
    (45, 35), (135, 35), (-135, 35), (-45, 35), (45, -35), (135, -35), (-135, -35), (-45, -35),
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("azimuth", "elevation"), AXES_AND_CORNERS)
def test_a_single_wave_is_heard_where_it_comes_from(rng, azimuth, elevation):
    field = encode(bursts(rng, 2.0), np.radians(azimuth), np.radians(elevation))
    result = heard(field + 1e-3 * rng.standard_normal(field.shape))
    assert result.heard
    truth = unit_vectors(np.radians(azimuth), np.radians(elevation))
    assert np.degrees(angle_between(result.vector, truth)) < 0.2  # the kernel's own grid and 50 dB of noise


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_any_rate_gives_the_same_direction(rng, rate):
    count = 2 * rate
    gate = (np.arange(count) % int(0.3 * rate)) < int(0.05 * rate)
    result = heard(encode(rng.standard_normal(count) * gate, 1.0, 0.3), rate=rate)
    assert np.degrees(angle_between(result.vector, unit_vectors(1.0, 0.3))) < 0.2


def test_normalisation_of_gain_does_not_move_it(rng):
    field = encode(bursts(rng, 2.0), 0.7, -0.2)
    np.testing.assert_allclose(heard(field).vector, heard(1e-4 * field).vector, atol=1e-4)


def test_floor_bounce_does_not_pull_the_direction_down(rng):
    """A bounce 4.4 ms late and 3 dB down from 45 degrees below.

    Plain averaging of uncorrelated energy would be off by atan2(rho sin b, 1 + rho cos b) = 15 degrees
    (reflection bias: derived).
    """
    source = bursts(rng, 3.0)
    late = np.concatenate([np.zeros(211), source])[: source.size]
    direct = encode(source, 0.4, 0.0)
    bounce = 0.707 * encode(late, 0.4, -np.pi / 4)
    result = heard(direct + bounce)
    off = np.degrees(angle_between(result.vector, unit_vectors(0.4, 0.0)))
    assert off < 15.0 / 5  # our own aim: a fifth of what plain averaging is off by


def diffuse(rng, count, waves=60):
    """Isotropic field: equal independent plane waves from a spiral over the sphere."""
    index = np.arange(waves) + 0.5
    elevation = np.arcsin(1 - 2 * index / waves)
    azimuth = np.pi * (1 + 5**0.5) * index
    return sum(encode(rng.standard_normal(count), a, e) for a, e in zip(azimuth, elevation, strict=True)) / np.sqrt(
        waves
    )


@pytest.mark.slow
def test_nobody_is_heard_in_a_diffuse_field(rng):
    result = heard(diffuse(rng, 3 * RATE))
    assert not result.heard
    assert np.all(np.isnan(result.vector))


def test_frames_of_two_lengths_agree_and_share_the_say(rng):
    field = encode(bursts(rng, 2.0), 0.5, -0.3)
    field = (field + 1e-3 * rng.standard_normal(field.shape)).astype(np.float32)
    both = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    result = span_direction(both, 0.25, 2.0)
    assert np.degrees(angle_between(result.vector, unit_vectors(0.5, -0.3))) < 0.2
    # A field from elsewhere in the one must weigh as much as the other: the densest place is one of the two.
    elsewhere = field_bins(encode(bursts(rng, 2.0), -2.0, 0.0).astype(np.float32), RATE)
    assert span_direction([both[0], elsewhere], 0.25, 2.0).share == pytest.approx(0.5, abs=0.02)


def test_nobody_is_heard_in_silence():
    assert not heard(np.zeros((4, RATE))).heard


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.25, 1.0, 4.0])
def test_diffuseness_follows_the_mixing_law(rng, ratio):
    """Merimaa and Pulkki 2005 (definition from memory): 0 for a plane wave, 1 for a diffuse field, and
    psi = 1 / (1 + G) for a mixture of direct and diffuse power G (derived)."""
    count = 10 * RATE
    field = np.sqrt(ratio) * encode(rng.standard_normal(count), 0.5, 0.1) + diffuse(rng, count)
    frames = frame_directions(field_bins(field.astype(np.float32), RATE), step_s=2.0)
    # Energy here is half the sum of W and the vector, which are equal on average: the law holds unchanged.
    assert np.mean(frames.diffuseness) == pytest.approx(1 / (1 + ratio), abs=0.03)


def test_diffuseness_limits(rng):
    plane = frame_directions(field_bins(encode(rng.standard_normal(RATE), 0.5, 0.1).astype(np.float32), RATE))
    assert np.max(plane.diffuseness) < 1e-3
    field = diffuse(rng, 10 * RATE).astype(np.float32)
    assert np.min(frame_directions(field_bins(field, RATE), step_s=5.0).diffuseness) > 0.93


@pytest.mark.slow
def test_plain_intensity_noise_follows_the_published_bound(rng):
    """Transverse sd = sqrt((1 + G) / (6 N)) / G (derived) for the mean intensity of N bins.

    Frames overlap by half under a Hann taper, so N is the number of samples' worth of band, not of bins.
    """
    ratio, errors, seconds = 1.0, [], 0.5
    for _ in range(60):
        field = encode(rng.standard_normal(int(seconds * RATE)), 0.0, 0.0) + diffuse(rng, int(seconds * RATE))
        bins = field_bins(field.astype(np.float32), RATE)
        flow = bins.intensity.sum(axis=(1, 2))
        errors.append(flow[1] / flow[0])
    independent = (BAND_HZ[1] - BAND_HZ[0]) * seconds
    bound = np.sqrt((1 + ratio) / (6 * independent)) / ratio
    assert np.std(errors) == pytest.approx(bound, rel=0.3)  # 60 draws know their sd to 9 %; tapers cost a little


def test_uncertainty_grows_with_scatter(rng):
    signal = bursts(rng, 3.0)
    clean = encode(signal, 0.5, 0.0)
    noisy = clean + 0.3 * diffuse(rng, signal.size)
    assert heard(noisy).sd_rad > heard(clean).sd_rad


def test_rows_stand_at_whole_steps(rng):
    bins = field_bins(encode(bursts(rng, 1.0), 0.5, 0.0).astype(np.float32), RATE, start_s=10.0)
    frames = frame_directions(bins, origin_s=10.0, step_s=0.1)
    np.testing.assert_allclose(frames.times_s, 10.05 + 0.1 * np.arange(10))


def test_level_of_a_full_scale_noise_band(rng):
    """White noise of unit power has the band's share of it: 10 log10((5000 - 300) / 24000) = -7.1 dB."""
    frames = frame_directions(field_bins(encode(rng.standard_normal(4 * RATE), 0, 0).astype(np.float32), RATE))
    assert np.median(frames.level_db) == pytest.approx(-7.1, abs=0.5)


@pytest.mark.parametrize("band", [(0.0, 100.0), (500.0, 400.0), (400.0, 25_000.0)])
def test_a_band_outside_the_rate_is_refused(band):
    with pytest.raises(InputError, match="band"):
        field_bins(np.zeros((4, RATE), dtype=np.float32), RATE, band_hz=band)


def test_not_a_field_is_refused():
    with pytest.raises(InputError, match="shape"):
        field_bins(np.zeros((2, RATE), dtype=np.float32), RATE)
