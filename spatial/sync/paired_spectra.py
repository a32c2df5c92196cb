"""A clip and a take side by side along a clock law, in cells of time and frequency.

Goal: what two recordings of the same music share and what they do not, finely enough that a word or a footstep
beside the music shows.
Conventions: spatial.conventions (time; array layout). Spectra have shape (blocks, bins), levels (blocks, bands), dB.
Functions: block_starts (which blocks to look at); clip_spectra, take_spectra (at those blocks); band_levels; louder
(by how much a clip's cells exceed a take's, its gain and colour taken off); near_height (is there a peak near lag 0).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft
from scipy.ndimage import median_filter, uniform_filter1d

from spatial.conventions import ComplexArray, FloatArray
from spatial.dsp.samples import Samples
from spatial.sync.gcc_phat import BAND_HZ, lead_phases
from spatial.timebase import ClockLaw

BLOCK = 1024
"""Samples in one Fourier block at 16 kHz: 64 ms, a syllable or a step, still long against first reflections."""

HOP = BLOCK // 2
"""Samples from one block to the next: half a block."""

MOST_S = 360.0
"""Longest sound looked at; of longer clips stretches, evenly spread with both ends: there people talk."""

NEAR_S = 0.0015
"""Sound from any direction reaches a recorder on the rig within this of the law."""

_BANDS = 40
"""Bands of equal width in pitch, an eighth of an octave each; the lowest of them hold a bin or two."""

_STRETCH_S = 20.0
"""Length of a stretch where a clip is longer than MOST_S, seconds."""

_CHUNK = 512
"""Blocks that are read and transformed at once: it bounds the memory, 16 s of sound."""

_FAR_S = 0.020
"""How far from the law the correlation's scatter is measured, seconds."""

_OVERSAMPLING = 4
"""Points of the correlation for each sample, so that a narrow peak is not missed between two."""

_AROUND_STEP_S = 2.0
"""Blocks this close to a clock step, beside the step's own size, do not count, seconds: its place is known no
better."""

_RIDING_BLOCKS = 31
"""Blocks over which a riding gain is followed by a median: a second. Shorter follows words, longer misses how a gain
rides."""

_AUDIBLE_DB = 6.0
"""How far over both floors a cell counts as sounding, dB: nearer, noise decides what the gain and the colour are."""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Louder:
    """By how much the clip's cells exceed the take's."""

    excess_db: FloatArray
    """Clip over take, gain and colour taken off, shape (blocks, bands)."""
    clip_over_floor_db: FloatArray
    take_over_floor_db: FloatArray
    """How far each side's cells, or what the other side makes one expect of them, stand out of its floor."""


def band_edges(rate_hz: int) -> npt.NDArray[np.int_]:
    """First bin of each band, and the bin after the last."""
    return np.unique(np.rint(np.geomspace(*BAND_HZ, _BANDS + 1) * BLOCK / rate_hz).astype(int))


def block_starts(clip: Samples) -> npt.NDArray[np.int_]:
    """First samples of the blocks to look at, in order."""
    stretch = int(_STRETCH_S * clip.rate_hz) // HOP * HOP
    count = -(-clip.length // stretch)
    most = int(MOST_S / _STRETCH_S)
    chosen = np.arange(count) if count <= most else np.unique(np.rint(np.linspace(0, count - 1, most)).astype(int))
    starts = (chosen[:, np.newaxis] * stretch + np.arange(0, stretch, HOP)).ravel()
    return starts[starts + BLOCK <= clip.length]


def clip_spectra(clip: Samples, starts: npt.NDArray[np.int_]) -> ComplexArray:
    """Spectra of every camera channel, shape (channels, blocks, bins)."""
    parts = [_spectra(clip.read(int(s[0]), int(s[-1]) + BLOCK), s - s[0], clip.rate_hz) for s in _chunks(starts)]
    return np.concatenate(parts, axis=1)


def take_spectra(
    take: Samples, law: ClockLaw, starts: npt.NDArray[np.int_], rate_hz: int
) -> tuple[ComplexArray, BoolArray]:
    """Spectra of W where the blocks lie by the law, shape (blocks, bins), and which the take covers."""
    middles = (starts + BLOCK / 2) / rate_hz
    predicted = np.array([law.take_from_clip(float(t)) for t in middles]) * rate_hz - BLOCK / 2
    low, high = band_edges(rate_hz)[[0, -1]]
    parts = []
    for where in _chunks(predicted):
        whole = np.floor(where).astype(int)
        span = take.read(int(whole.min()), int(whole.max()) + BLOCK, channels=1)
        lead = lead_phases((where - whole) / BLOCK, np.arange(low, high))
        parts.append(_spectra(span, whole - whole.min(), rate_hz)[0] * lead)
    spectra = np.concatenate(parts)
    # Digital silence is no other sound: a track is padded with it. Around a clock step a piece is missing.
    silent = ~np.any(spectra, axis=1)
    covered = (predicted >= 0) & (predicted + BLOCK <= take.length) & ~silent
    for step in law.steps:
        covered &= np.abs(middles - step.clip_time_s) > abs(step.step_s) + _AROUND_STEP_S
    return spectra, np.asarray(covered)


def band_levels(spectra: ComplexArray, rate_hz: int, *, blocks: int = 1) -> FloatArray:
    """Level of each band, dB, over a number of blocks; the powers of channels are added."""
    edges = band_edges(rate_hz)
    power = spectra.real**2 + spectra.imag**2
    bands = np.add.reduceat(power, edges[:-1] - edges[0], axis=-1)
    summed = bands if bands.ndim == 2 else bands.sum(axis=0)
    mean = uniform_filter1d(summed, blocks, axis=0) if blocks > 1 else summed
    return np.asarray(10 * np.log10(np.maximum(mean, 0.0) + 1e-12))


def louder(clip_db: FloatArray, take_db: FloatArray) -> Louder:
    """By how much the clip's cells exceed what the take makes one expect, and how audible cells are.

    The colour of the two boxes is the median of each band; the riding gain is the median over the bands, followed
    over a second.
    """
    floor_clip, floor_take = np.quantile(clip_db, 0.05, axis=0), np.quantile(take_db, 0.05, axis=0)
    sounding = (clip_db > floor_clip + _AUDIBLE_DB) & (take_db > floor_take + _AUDIBLE_DB)
    excess = np.where(sounding, clip_db - take_db, np.nan)
    colour = _median(excess, axis=0)
    gain = median_filter(_median(excess - colour, axis=1), _RIDING_BLOCKS, mode="nearest")[:, np.newaxis]
    expected_clip, expected_take = take_db + colour + gain, clip_db - colour - gain
    return Louder(
        excess_db=clip_db - expected_clip,
        clip_over_floor_db=np.minimum(clip_db - floor_clip, expected_take - floor_take),
        take_over_floor_db=np.minimum(take_db - floor_take, expected_clip - floor_clip),
    )


def near_height(cross: ComplexArray, rate_hz: int) -> FloatArray:
    """Height of the correlation near lag 0 over its scatter further out, shape (...).

    Parameters
    ----------
    cross : ndarray, shape (..., bins)
        Whitened cross-spectra, summed.
    """
    edges = band_edges(rate_hz)
    size = BLOCK * _OVERSAMPLING
    spectrum = np.zeros((*cross.shape[:-1], size // 2 + 1), dtype=np.complex64)
    spectrum[..., edges[0] : edges[-1]] = cross
    curve = fft.irfft(spectrum, size)
    step = rate_hz * _OVERSAMPLING
    lags = np.arange(-int(_FAR_S * step), int(_FAR_S * step) + 1)
    curve = curve[..., lags % size]
    near, far = np.abs(lags) <= NEAR_S * step, np.abs(lags) > 2 * NEAR_S * step
    scatter = np.sqrt(np.mean(curve[..., far] ** 2, axis=-1))
    top = np.max(curve[..., near], axis=-1)
    return np.asarray(np.divide(top, scatter, out=np.zeros_like(top), where=scatter > 0))


def _spectra(sound: FloatArray, places: npt.NDArray[np.int_], rate_hz: int) -> ComplexArray:
    low, high = band_edges(rate_hz)[[0, -1]]
    taper = np.hanning(BLOCK).astype(np.float32)
    blocks = sliding_window_view(sound.astype(np.float32, copy=False), BLOCK, axis=1)[:, places] * taper
    return np.asarray(fft.rfft(blocks, overwrite_x=True)[..., low:high])


def _chunks(places: npt.NDArray[np.number]) -> Iterator[npt.NDArray[np.number]]:
    """Runs of places that lie close together, so that what lies between is not read."""
    breaks = np.flatnonzero(np.abs(np.diff(places)) > 2 * BLOCK) + 1
    for run in np.split(places, breaks):
        for first in range(0, len(run), _CHUNK):
            yield run[first : first + _CHUNK]


def _median(values: FloatArray, *, axis: int) -> FloatArray:
    """Median of what is there; 0 where hardly anything is."""
    enough = np.count_nonzero(np.isfinite(values), axis=axis) >= 5
    filled = np.where(np.expand_dims(enough, axis), values, 0.0)
    return np.asarray(np.nanmedian(filled, axis=axis))
