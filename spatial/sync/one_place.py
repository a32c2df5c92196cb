"""Whether files of one channel each are the channels of one microphone, or microphones of their own.

Goal: four lavaliers of one recorder are named and as long as the four channels of a sound field. Capsules of one
microphone, and the channels made of them, hear everything at once, to a fraction of a millisecond; microphones that
people wear hear each other late by metres.
Method: the squared correlation of the first channel and each other over lag, by the phase transform [1], summed over
loud frames, so that a channel may swing either way. Where a microphone of its own hears the same voice the sum has its
peak at a lag; channels of one microphone have it at none.
Conventions: spatial.conventions (array layout).
Functions: no_lag_ratio.
Sources: [1] Knapp and Carter 1976, IEEE TASSP 24(4): generalized cross-correlation and its phase transform.
"""

import numpy as np
from scipy import fft

from spatial.conventions import FloatArray

_FRAME_S = 0.085
"""Length of a frame, seconds: a syllable, and several times the longest lag that is sought."""

_LONGEST_S = 0.02
"""Longest lag sought, seconds: 7 m."""

_NONE_S = 0.0004
"""Lags up to this are none, seconds: capsules 5 cm apart hear a wave 0.15 ms apart, read at whole samples."""

_LOUD_DB = 20.0
"""Frames within this of the loudest count."""


def no_lag_ratio(sound: FloatArray, rate_hz: int) -> float:
    """How high the agreement of the channels stands without a lag, against the highest with one.

    Parameters
    ----------
    sound : ndarray, shape (channels, samples)
        Two channels or more.
    rate_hz : int

    Returns
    -------
    float
        Above 1 for one microphone, below for several; of the middle one of the pairs. NaN for silence.
    """
    length = int(_FRAME_S * rate_hz)
    count = sound.shape[1] // length
    frames = sound[:, : count * length].reshape(len(sound), count, length)
    level = np.sum(frames[0].astype(np.float64) ** 2, axis=1)
    if count == 0 or level.max() <= 0.0:
        return float("nan")
    frames = frames[:, level > level.max() * 10 ** (-_LOUD_DB / 10)]
    spectra = fft.rfft(frames * np.hanning(length), 2 * length, axis=2)
    frequencies = fft.rfftfreq(2 * length, 1.0 / rate_hz)
    spectra = spectra * ((frequencies > 200.0) & (frequencies < 4000.0))
    longest, none = int(_LONGEST_S * rate_hz), int(_NONE_S * rate_hz)
    apart = np.abs(np.arange(-longest, longest + 1)) > none
    ratios = []
    for other in spectra[1:]:
        cross = np.conj(spectra[0]) * other
        size = np.abs(cross)
        curve = fft.irfft(np.divide(cross, size, out=np.zeros_like(cross), where=size > 1e-20), axis=1)
        near = np.sum(np.concatenate([curve[:, -longest:], curve[:, : longest + 1]], axis=1) ** 2, axis=0)
        ratios.append(float(near[~apart].max() / max(near[apart].max(), 1e-30)))
    return float(np.median(ratios))
