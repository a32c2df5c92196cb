"""What single cells of time and frequency tell of four channels whose meaning is not known yet.

Conventions: spatial.conventions (array layout).
Functions: band_spectra (the cells); single_waves, leading_edges (the gains of those in which one wave arrives alone);
ratios_db, steadiest, power_ratio_db (of one channel against the others).
"""

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d

from spatial.conventions import ComplexArray, FloatArray

_EDGE_BAND_HZ = 400.0, 2500.0
_EDGE_FRAME_S = 0.0106
_PAST_FRAMES, _RISE_DB, _REAL = 48, 10.0, 0.95
"""An edge stands this far above all of so many frames before, its channels in phase to this part."""
_GROUPS = 12
"""Of frequencies, whose scatter tells how well the whole ratio is known."""


def band_spectra(
    channels: FloatArray, rate_hz: int, frame_s: float, overlap: int, band_hz: tuple[float, float]
) -> ComplexArray:
    """Short-time spectra in a band, shape (channels, frames, bins)."""
    size = int(fft.next_fast_len(round(frame_s * rate_hz), real=True))
    frames = np.lib.stride_tricks.sliding_window_view(channels, size, axis=1)[:, :: size // overlap]
    low, high = (round(hz * size / rate_hz) for hz in band_hz)
    taper = np.hanning(size).astype(np.float32)
    return np.stack([fft.rfft(own * taper)[:, max(low, 1) : high + 1] for own in frames])


def single_waves(cells: ComplexArray, least: float = 0.97) -> tuple[FloatArray, FloatArray]:
    """Real gains of the cells, shape (4, cells), in which all channels are in phase or against it; and where."""
    square = np.sum(cells**2, axis=0)
    power = np.sum(np.abs(cells) ** 2, axis=0)
    real = np.abs(square) > least * power
    turned = np.real(cells[:, real] * np.exp(-0.5j * np.angle(square[real])))
    sign = np.where(turned.sum(axis=0) < 0, -1.0, 1.0)
    size = np.sqrt(np.sum(turned**2, axis=0))
    return np.asarray(turned * sign / np.maximum(size, 1e-30)), real


def leading_edges(channels: FloatArray, rate_hz: int) -> FloatArray:
    """Gains in the cells that stand far above what came before, shape (4, cells)."""
    spectra = band_spectra(channels, rate_hz, _EDGE_FRAME_S, 4, _EDGE_BAND_HZ)
    power = np.sum(np.abs(spectra) ** 2, axis=0)
    # The four frames before overlap with this one.
    past = maximum_filter1d(power, _PAST_FRAMES, axis=0, origin=_PAST_FRAMES // 2 - 1)
    past = np.concatenate([np.full((4 + _PAST_FRAMES, power.shape[1]), np.inf), past[_PAST_FRAMES:-4]])[: len(power)]
    rising = (power > past * 10 ** (_RISE_DB / 10)) & (power > np.median(power))
    return single_waves(spectra[:, rising], _REAL)[0]


def ratios_db(gains: FloatArray, omni: int = 0) -> FloatArray:
    """Power of the other three gains over that of `omni`, dB, in each cell."""
    return np.asarray(10 * np.log10((1.0 - gains[omni] ** 2 + 1e-9) / (gains[omni] ** 2 + 1e-9)))


def steadiest(ratios: FloatArray, width: float, grid: FloatArray) -> tuple[float, float]:
    """Where most of the ratios lie together, and how many of them."""
    density = np.exp(-0.5 * ((ratios[:, np.newaxis] - grid) / width) ** 2).mean(axis=0)
    return float(grid[int(np.argmax(density))]), float(density.max())


def power_ratio_db(powers: FloatArray) -> tuple[float, float]:
    """Power of the last three channels over the first, dB, and its scatter as groups of frequencies tell it.

    Performers who stand still are heard over the same paths all the time: only frequencies are so many trials.
    """
    groups = np.stack([part.sum(axis=(1, 2)) for part in np.array_split(powers, _GROUPS, axis=2)], axis=1)
    whole = 10 * np.log10(groups[1:].sum() / max(groups[0].sum(), 1e-30))
    own = 10 * np.log10(np.maximum(groups[1:].sum(axis=0), 1e-30) / np.maximum(groups[0], 1e-30))
    shares = groups.sum(axis=0) / groups.sum()
    return float(whole), float(np.sqrt(np.sum(shares**2 * (own - whole) ** 2)))
