"""Whether files of one channel each are the channels of one microphone, or microphones of their own.

Goal: four lavaliers of one recorder are named and as long as the four channels of a sound field. Capsules of one
microphone, and the channels made of them, hear everything at once, to a fraction of a millisecond; microphones that
people wear hear each other late by metres.
Method: in loud frames, the lag at which the first channel and each other agree best, by the phase transform; the share
of frames in which that is no lag at all.
Conventions: spatial.conventions (array layout).
Functions: share_without_lag.
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


def share_without_lag(sound: FloatArray, rate_hz: int) -> float:
    """The share of loud frames in which the channels agree without a lag, of the middle one of the pairs, 0 to 1.

    Parameters
    ----------
    sound : ndarray, shape (channels, samples)
        Two channels or more.
    rate_hz : int

    Returns
    -------
    float
        About 1 for one microphone, about 0.04 for sounds that know nothing of each other; NaN for silence.
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
    shares = []
    for other in spectra[1:]:
        cross = np.conj(spectra[0]) * other
        size = np.abs(cross)
        curve = fft.irfft(np.divide(cross, size, out=np.zeros_like(cross), where=size > 1e-20), axis=1)
        near = np.abs(np.concatenate([curve[:, -longest:], curve[:, : longest + 1]], axis=1))
        shares.append(float(np.mean(np.abs(np.argmax(near, axis=1) - longest) <= none)))
    return float(np.median(shares))
