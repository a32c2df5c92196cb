"""Frames of a field: where they begin, what they hold, and which bins are kept."""

import numpy as np
import pytest

from spatial.dsp.stft import frame_spectrum, framed_spectra

SIZE, HOP = 16, 5
BINS = {"all": None, "a slice": slice(2, 6), "a mask": np.arange(SIZE // 2 + 1) % 3 == 1}


@pytest.mark.parametrize("bins", BINS.values(), ids=BINS)
def test_each_frame_is_the_transform_of_its_own_samples(rng, bins):
    """One by one, by the sum that defines the transform."""
    channels, window = rng.standard_normal((3, 41)), rng.uniform(0.5, 1.0, SIZE)
    turns = np.exp(-2j * np.pi * np.outer(np.arange(SIZE // 2 + 1), np.arange(SIZE)) / SIZE)
    expected = np.stack([
        [turns @ (channel[first : first + SIZE] * window) for first in range(0, 41 - SIZE + 1, HOP)]
        for channel in channels
    ])  # fmt: skip
    found = framed_spectra(channels, window, HOP, bins=bins)
    np.testing.assert_allclose(found, expected[:, :, slice(None) if bins is None else bins], atol=1e-12)


@pytest.mark.parametrize("bins", BINS.values(), ids=BINS)
def test_less_than_a_frame_is_no_frame(bins):
    kept = np.arange(SIZE // 2 + 1)[slice(None) if bins is None else bins].size
    assert framed_spectra(np.ones((2, SIZE - 1)), np.ones(SIZE), HOP, bins=bins).shape == (2, 0, kept)


def test_noise_of_power_one_has_power_one_in_the_frames_of_directions(rng):
    """The sum over all bins, both halves of the spectrum, of a frame is the mean square of its samples."""
    field = rng.standard_normal((4, 64_000)).astype(np.float32)
    power = np.mean(np.abs(frame_spectrum(field, 256, 128)) ** 2, axis=1)
    assert np.mean(np.sum(power[:, 1:-1], axis=1)) == pytest.approx(1.0, abs=0.02)
