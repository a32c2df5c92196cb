"""Diffuse room noise for the benchmarks: as `demo_audio.simulate.diffuse_noise` makes it, ten times as fast.

Functions: fast_diffuse_noise (the field and the camera's two capsules); noise_covariance (what they must agree on).
"""

import numpy as np
from scipy import fft

from demo_audio.microphones import sphere_points
from demo_audio.simulate import NOISE_WAVES, Rig
from spatial.conventions import DELIVERY_RATE_HZ, SPEED_OF_SOUND_M_S, ComplexArray, FloatArray
from spatial.rotation import matrix_from_ypr

BLOCK = 8192
"""Samples that are drawn at once: bins 6 Hz apart, where the covariance of boxes 1 m apart turns within 300 Hz."""

_LOWEST_HZ = 40.0
_FRAMES_AT_ONCE = 64
_RIDGE = 1e-9


def fast_diffuse_noise(
    rig: Rig, samples: int, *, rng: np.random.Generator, rate_hz: int = DELIVERY_RATE_HZ
) -> tuple[FloatArray, FloatArray]:
    """Noise from all around (falling 3 dB per octave), W at unit power, as `diffuse_noise` makes it.

    The 48 plane waves of `diffuse_noise` are not made one by one: six channels are drawn that have the covariance
    of their sum. Blocks overlap by half under a sine window, whose squares add up to one.

    Parameters
    ----------
    rig : Rig
    samples : int
    rng : numpy.random.Generator
    rate_hz : int

    Returns
    -------
    field, scratch : ndarray, shape (4, samples), (2, samples)
        float32.
    """
    block = BLOCK * rate_hz // DELIVERY_RATE_HZ // 2 * 2
    covariance = noise_covariance(rig, fft.rfftfreq(block, 1.0 / rate_hz))
    ridge = _RIDGE * np.einsum("fcc->f", covariance).real[:, np.newaxis, np.newaxis] * np.eye(6) + 1e-30 * np.eye(6)
    # A real signal's spectrum of N samples with variance v has mean square N v in each bin, half of it real.
    factor = (np.linalg.cholesky(covariance + ridge) * np.sqrt(block / 2.0)).astype(np.complex64)
    window = np.sin(np.pi * (np.arange(block) + 0.5) / block).astype(np.float32)
    hop = block // 2
    frames = -(-samples // hop) + 1
    out = np.zeros((6, (frames + 1) * hop), dtype=np.float32)
    for first in range(0, frames, _FRAMES_AT_ONCE):
        count = min(_FRAMES_AT_ONCE, frames - first)
        drawn = rng.standard_normal((len(factor), 6, 2 * count), dtype=np.float32).view(np.complex64)
        blocks = fft.irfft((factor @ drawn).transpose(1, 2, 0), block, axis=2) * window
        for number in range(count):
            start = (first + number) * hop
            out[:, start : start + block] += blocks[:, number]
    kept = out[:, hop : hop + samples]
    return kept[:4], kept[4:]


def noise_covariance(rig: Rig, frequencies_hz: FloatArray) -> ComplexArray:
    """Cross-spectra of W, Y, Z, X and the camera's left and right capsule, as shares of the power of W.

    Parameters
    ----------
    rig : Rig
    frequencies_hz : ndarray, shape (frequencies,)
        Evenly spaced from 0.

    Returns
    -------
    ndarray, shape (frequencies, 6, 6)
        Times the power at each frequency; the mean over all bins of a two-sided spectrum is one for W.
    """
    directions = sphere_points(NOISE_WAVES)
    x, y, z = (directions @ matrix_from_ypr(rig.mount)).T
    side = np.array([1.0, -1.0])
    pickup = np.stack([rig.camera_pair.gain(directions, each) for each in side], axis=1)
    gains = np.concatenate([np.stack([np.ones_like(x), y, z, x], axis=1), pickup], axis=1)
    at_mic = directions @ np.asarray(rig.mic_offset_m)
    at_capsules = directions[:, 1:2] * side * rig.camera_mic_spacing_m / 2
    early_s = np.concatenate([np.repeat(at_mic[:, np.newaxis], 4, axis=1), at_capsules], axis=1) / SPEED_OF_SOUND_M_S
    turned = gains * np.exp(2j * np.pi * frequencies_hz[:, np.newaxis, np.newaxis] * early_s)
    power = np.where(frequencies_hz > _LOWEST_HZ, 1.0 / np.maximum(frequencies_hz, _LOWEST_HZ), 0.0)
    power /= np.mean(np.concatenate([power, power[-2:0:-1]])) * NOISE_WAVES
    return np.asarray(np.swapaxes(turned, 1, 2) @ np.conj(turned) * power[:, np.newaxis, np.newaxis])
