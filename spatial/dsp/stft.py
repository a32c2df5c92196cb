"""Short Fourier frames of a field, and what in them has just begun to sound.

Conventions: spatial.conventions (array layout).
Functions: framed_spectra (by any taper); frame_spectrum (by the one that directions are read by); power_of; onset_of
(what has just risen); above_floor (what is no steady noise).
"""

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from spatial.conventions import ComplexArray, FloatArray

_EDGE_FRAMES = 14
"""Frames whose loudest an onset must exceed. Fewer count the ripples of a room's tail as onsets, more miss syllables
that follow each other fast. It is chosen on development scenes."""

_ONSET_RATIO = 10.0
"""Times as loud as the past that an onset must be to count in full; what rises less counts with the square of its
part."""

_CALM_FRAMES = 10
"""Frames over which the energy is smoothed before its floor is sought, so that one quiet frame by chance is not the
floor."""

_FLOOR_QUANTILE = 0.05
"""Quantile of the smoothed energy of a frequency that stands for its steady noise. A lower one is one odd moment, a
higher one takes soft sounds for noise."""

_FLOOR_TIMES = 10.0
"""Bins less than ten times as loud as the quietest few frames of their frequency count for less."""


def framed_spectra(
    channels: FloatArray, window: FloatArray, hop: int, *, bins: slice | npt.NDArray[np.bool_] | None = None
) -> ComplexArray:
    """Spectra of tapered frames that begin every `hop` samples.

    Parameters
    ----------
    channels : ndarray, shape (channels, samples)
    window : ndarray, shape (size,)
        What each frame is multiplied by.
    hop : int
        Samples from one frame's beginning to the next one's.
    bins : slice, or ndarray of bool, shape (size / 2 + 1,)
        Those that are kept; all of them by default.

    Returns
    -------
    ndarray, shape (channels, frames, bins)
        No frames where there are fewer samples than `size`.
    """
    if channels.shape[1] < window.size:
        kept = np.arange(window.size // 2 + 1)[slice(None) if bins is None else bins]
        return np.zeros((len(channels), 0, kept.size), dtype=np.complex64)
    frames = np.lib.stride_tricks.sliding_window_view(channels, window.size, axis=1)[:, ::hop]
    if bins is None:
        return np.asarray(fft.rfft(frames * window, axis=-1))
    # Channel by channel: what is not kept need not be held for all of them at once.
    return np.stack([fft.rfft(own * window, axis=-1)[:, bins] for own in frames])


def frame_spectrum(field: FloatArray, size: int, hop: int) -> ComplexArray:
    """Tapered frames of unit gain, shape (4, frames, size / 2 + 1)."""
    taper = (np.hanning(size) * np.sqrt(2.0 / (size * np.sum(np.hanning(size) ** 2)))).astype(np.float32)
    return framed_spectra(field, taper, hop)


def power_of(spectrum: ComplexArray) -> FloatArray:
    """Squared size of each bin."""
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def above_floor(energy: FloatArray, frame: npt.NDArray[np.int_], column: npt.NDArray[np.int_]) -> FloatArray:
    """Near 1 for bins far above the quietest that their frequency is, near 0 for noise; alike for a steady tone."""
    if energy.shape[0] == 0:
        return np.zeros(0)
    calm = uniform_filter1d(energy, _CALM_FRAMES, axis=0)[:: _CALM_FRAMES // 2]
    floor = np.quantile(calm, _FLOOR_QUANTILE, axis=0)
    return np.asarray(1.0 / (1.0 + (_FLOOR_TIMES * floor[column] / energy[frame, column]) ** 2))


def onset_of(energy: FloatArray, memory: int) -> FloatArray:
    """Near 1 where energy has just risen well above all of the last frames and their longer mean, else near 0.

    Only the leading edge of a sound is free of its reflections.
    """
    onset = np.zeros_like(energy)
    if energy.shape[0] > memory:
        # Both filters end with the frame before.
        past = uniform_filter1d(energy, memory, axis=0, origin=(memory - 1) // 2)
        loudest = maximum_filter1d(energy, _EDGE_FRAMES, axis=0, origin=(_EDGE_FRAMES - 1) // 2)
        past = np.maximum(np.maximum(past, loudest), 1e-20)
        onset[memory:] = np.minimum(1.0, energy[memory:] / past[memory - 1 : -1] / _ONSET_RATIO) ** 2
    return onset
