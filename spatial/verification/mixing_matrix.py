"""The matrix that makes a film's channels of a track's, found under everything else that is mixed to them.

Goal: film = h(frequency) g(time) M track + other sound, with M real, and how surely each part of M is known.
Method: covariances of film and track together, in patches of half a second by a third of an octave or so. A patch in
which other sound is loud weighs little (weighted least squares, weights from the residual of the last round). The
common filter h and the common gain g (faders, compressors) are fitted beside M. What is known of a row of M is kept as
its information matrix, so that a field of one direction only leaves the rest of the row open instead of wrong; it is
scaled to how the halves of seconds really stray from each other.
Conventions: spatial.conventions (field, array layout).
Functions: patch_covariances; agreement (of each half second, at one lag); fit_matrix.
Sources:
[1] Beaton and Tukey 1974, Technometrics 16(2): iteratively reweighted least squares.
[2] White 1980, Econometrica 48(4): the covariance of an estimate from the scatter of its scores.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.ndimage import uniform_filter1d

from spatial.conventions import FIRST_ORDER_CHANNELS, ComplexArray, FloatArray
from spatial.dsp.samples import Samples
from spatial.verification.sound_lag import BAND_HZ

FRAMES = 24
"""Frames of half an overlap in a patch: half a second."""

FRAME_S = 0.0427
"""Length of a frame, long against a room's first reflections and a coder's blocks; the nearest power of two samples."""

_BANDS = 14
"""From 200 Hz to 6 kHz, a little over a third of an octave each."""

_INDEPENDENT = 0.49
"""Part of the cells of a patch that count as independent: with a Hann taper and half an overlap neighbours in
frequency correlate by 2/3 and 1/6, in time by 1/6."""

_CODER = 2e-3
"""Least residual as a part of a patch's power: what coders and a filter that is not quite common leave."""

_SILENT = 1e-4
"""Least residual as a part of the film's mean power in the band: a silent channel is known to be so, to -40 dB."""

_NOTHING = 1e-30
_ROUNDS = 8

_GAIN_PRIOR = 0.5
"""Standard deviation of a half second's gain about that of its neighbours, as a part of it: faders and compressors."""

_READ = 16
"""Patches that are read at once, 8 s."""


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Covariances of the film's and the track's channels together."""

    covariance: ComplexArray
    """Shape (times, bands, film + 4, film + 4)."""
    cells: FloatArray
    """Independent cells in a patch, shape (bands,)."""
    band_hz: FloatArray
    """Edges of the bands, shape (bands + 1,)."""
    step_s: float
    """From one time to the next."""
    channels: int
    """Of the film."""

    def between(self, first: int, last: int) -> "Patches":
        """The patches first <= time < last."""
        return Patches(self.covariance[first:last], self.cells, self.band_hz, self.step_s, self.channels)


@dataclass(frozen=True, slots=True, eq=False)
class MatrixFit:
    """What was fitted."""

    matrix: FloatArray
    """Shape (film, 4), for the gain and the filter at their means."""
    information: FloatArray
    """Inverse covariance of each row, shape (film, 4, 4)."""
    normal: FloatArray
    """Information of each time, without that scaling, shape (times, film, 4, 4)."""
    right: FloatArray
    """Information times row of each time, shape (times, film, 4)."""
    gain: FloatArray
    """Common gain of each time against the mean, by itself, shape (times,)."""
    gain_sd: FloatArray
    """Its standard deviation, shape (times,)."""
    filter: ComplexArray
    """Common filter, shape (bands,)."""
    other: float
    """Power of what the matrix does not explain over that of what it does."""
    stray: float
    """By how much half seconds stray more than their residual explains, as a factor on covariances."""
    kept: FloatArray
    """How much of each of the track's own dimensions in a patch is in the film, 1 for all of what the matrix, gain and
    filter say, shape (times, bands, 4)."""
    kept_sd: FloatArray
    """Its standard deviation, shape (times, bands, 4)."""
    share_db: FloatArray
    """Power of a dimension against its patch, dB, shape (times, bands, 4)."""
    loudness_db: FloatArray
    """Explained level of each patch, dB, at the common filter and the median gain, shape (times, bands)."""


def frame_sizes(rate_hz: int) -> tuple[int, int]:
    """Samples in a frame and from one patch to the next."""
    size = 1 << round(np.log2(FRAME_S * rate_hz))
    return size, FRAMES * size // 2


def patch_covariances(film: Samples, track: Samples, lag: float) -> Patches:
    """Covariances in patches, with the track read so that film[n] is held against track[n + lag].

    Parameters
    ----------
    film : Samples
        One to four channels.
    track : Samples
        Four channels.
    lag : float
        Samples; the nearest whole number is used, the rest is a filter common to all channels.
    """
    rate = film.rate_hz
    size, step = frame_sizes(rate)
    freqs = fft.rfftfreq(size, 1 / rate)
    edges = np.geomspace(*BAND_HZ, _BANDS + 1)
    places = np.searchsorted(freqs, edges)
    taper = np.hanning(size + 1)[:size].astype(np.float32)
    whole = round(lag)
    times = max(1, film.length // step)
    parts = []
    channels = film.read(0, 0).shape[0]
    # The patches lie in the middle of the shot: what is left over at its ends is less than one of them.
    begin = max(0, (film.length - times * step) // 2)
    for first in range(0, times, _READ):
        count = min(_READ, times - first)
        low = begin + first * step
        high = low + count * step
        both = np.concatenate(
            [film.read(low, high + size // 2), track.read(low + whole, high + size // 2 + whole)], axis=0
        ).astype(np.float32)
        frames = np.lib.stride_tricks.sliding_window_view(both, size, axis=1)[:, :: size // 2][:, : count * FRAMES]
        spectra = fft.rfft(frames * taper, axis=2)
        block = np.empty((count, _BANDS, len(both), len(both)), dtype=np.complex128)
        for band in range(_BANDS):
            cells = spectra[:, :, places[band] : places[band + 1]].reshape(len(both), count, -1).transpose(1, 0, 2)
            block[:, band] = cells @ cells.conj().transpose(0, 2, 1) / cells.shape[2]
        parts.append(block)
    cells_in = np.diff(places) * FRAMES * _INDEPENDENT
    return Patches(np.concatenate(parts), cells_in, edges, step / rate, channels)


def agreement(patches: Patches) -> FloatArray:
    """How much likelier film and track share sound than not, at each time, natural log, shape (times,); 0 by chance.

    The likelihood ratio of Gaussian signals with and without cross-covariance, less what chance is expected to give.
    """
    cov = patches.covariance
    power = np.einsum("tbcc->tbc", cov).real
    scale = 1.0 / np.sqrt(np.where(power > 0, power, 1.0))
    alike = cov * scale[..., :, np.newaxis] * scale[..., np.newaxis, :] + 0.003 * np.eye(cov.shape[2])
    own = patches.channels
    gain = (
        np.linalg.slogdet(alike[..., :own, :own])[1]
        + np.linalg.slogdet(alike[..., own:, own:])[1]
        - np.linalg.slogdet(alike)[1]
    )
    return np.asarray(np.sum(gain * patches.cells - own * FIRST_ORDER_CHANNELS, axis=1))


def fit_matrix(patches: Patches) -> MatrixFit:
    """Fit the mixing matrix, the common gain and the common filter ([1], weights; [2], scatter).

    Parameters
    ----------
    patches : Patches
        Of at least one time.
    """
    own = patches.channels
    cov, cells = patches.covariance, patches.cells
    times, bands = cov.shape[:2]
    film = np.einsum("tbcc->tbc", cov[..., :own, :own]).real
    held, cross = cov[..., own:, own:], cov[..., :own, own:]
    least = _SILENT * np.mean(film, axis=(0, 2))[np.newaxis, :, np.newaxis] + _NOTHING
    noise = np.maximum(film, least)
    gain: FloatArray = np.ones(times)
    colour: ComplexArray = np.ones(bands, dtype=complex)
    for number in range(_ROUNDS):
        weight = cells[np.newaxis, :, np.newaxis] / noise
        square = np.outer(gain**2, np.abs(colour) ** 2)[..., np.newaxis] * weight
        normal = np.einsum("tbc,tbij->tcij", square, held.real)
        matched = np.real(np.conj(colour)[:, np.newaxis, np.newaxis] * cross)
        right = np.einsum("t,tbc,tbci->tci", gain, weight, matched)
        matrix = rows_from(normal.sum(axis=0), right.sum(axis=0))
        power = np.maximum(np.einsum("ci,tbij,cj->tbc", matrix, held, matrix).real, 0.0)
        common = np.einsum("ci,tbci->tbc", matrix, cross)
        precision = np.sum(weight * power, axis=2)
        # The gain that each patch has by itself, filter included.
        apart = np.sum(weight * common, axis=2) / np.maximum(precision, _NOTHING)
        if 0 < number < _ROUNDS - 1:
            gain, colour = _common(apart, precision, gain, colour)
        factor = (gain[:, np.newaxis] * colour)[..., np.newaxis]
        residual = film - 2 * np.real(np.conj(factor) * common) + np.abs(factor) ** 2 * power
        noise = np.maximum(np.maximum(residual, _CODER * np.mean(film, axis=2, keepdims=True)), least)
    square = np.abs(factor[..., 0]) ** 2
    explained = float(np.sum(square[..., np.newaxis] * power))
    total = normal.sum(axis=0)
    score = right - np.einsum("tcij,cj->tci", normal, matrix)
    # Of complex cells with that residual the scores' squares are expected to be half of the information.
    strays = 2.0 * np.einsum("tci,cij,tcj->c", score, np.linalg.pinv(total, hermitian=True), score)
    stray = max(1.0, float(np.mean(strays)) / FIRST_ORDER_CHANNELS * times / (times - 1)) if times > 1 else 2.0
    # The gain of each half second by itself: where a fader closes nothing is missing.
    gain_weight = np.sum(precision * np.abs(colour) ** 2, axis=1)
    gain = np.real(np.sum(precision * np.conj(colour) * apart, axis=1)) / np.maximum(gain_weight, _NOTHING)
    gain = np.maximum(gain, 1e-6)
    kept, kept_sd, share_db = _dimensions(matrix, held.real, matched, gain, np.abs(colour) ** 2, weight)
    return MatrixFit(
        matrix=matrix,
        information=2.0 * total / stray,
        normal=2.0 * normal,
        right=2.0 * right,
        gain=gain,
        gain_sd=1.0 / np.sqrt(np.maximum(2.0 * gain_weight, _NOTHING)),
        filter=colour,
        other=float(np.sum(np.maximum(residual, 0.0))) / max(explained, _NOTHING),
        stray=stray,
        kept=kept,
        kept_sd=kept_sd,
        share_db=share_db,
        loudness_db=10 * np.log10(np.abs(colour) ** 2 * np.sum(power, axis=2) + _NOTHING),
    )


def _dimensions(
    matrix: FloatArray,
    held: FloatArray,
    matched: FloatArray,
    gain: FloatArray,
    filtered: FloatArray,
    weight: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How much of each principal direction of the track's channels in a patch the film holds."""
    scale = gain[:, np.newaxis] * filtered
    values, vectors = np.linalg.eigh(held)
    values = np.maximum(values, 0.0)
    expected = np.einsum("ci,tbik->tbck", matrix, vectors)
    found = np.einsum("tbci,tbik->tbck", matched, vectors)
    # `matched` has the conjugate filter on it, so what it should be has the filter's square and the gain.
    square = np.maximum(np.einsum("tbc,tbck->tbk", weight, expected**2) * values * scale[..., np.newaxis], _NOTHING)
    kept = np.einsum("tbc,tbck,tbck->tbk", weight, expected, found) / square
    share_db = 10 * np.log10(np.maximum(values, _NOTHING) / np.maximum(np.sum(values, axis=2, keepdims=True), _NOTHING))
    # The information is that of twice the expected power: the gain once more.
    return kept, 1.0 / np.sqrt(np.maximum(2.0 * square * gain[:, np.newaxis, np.newaxis], _NOTHING)), share_db


def rows_from(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Rows that solve their normal equations; 0 in what the track does not hold, shape (film, 4)."""
    return np.asarray(
        np.stack([np.linalg.lstsq(one, side, rcond=1e-7)[0] for one, side in zip(normal, right, strict=True)])
    )


def _common(
    apart: ComplexArray, precision: FloatArray, gain: FloatArray, colour: ComplexArray
) -> tuple[FloatArray, ComplexArray]:
    """Gain of each time and filter of each band whose product comes nearest to each patch's own gain."""
    filter_weight = np.sum(precision * gain[:, np.newaxis] ** 2, axis=0)
    # Where nothing is known of a band, it is taken to be as the others.
    known = filter_weight + 1e-3 * np.mean(filter_weight) + _NOTHING
    colour = (np.sum(precision * gain[:, np.newaxis] * apart, axis=0) + known - filter_weight) / known
    gain_weight = np.sum(precision * np.abs(colour) ** 2, axis=1)
    gain = np.real(np.sum(precision * np.conj(colour) * apart, axis=1)) / np.maximum(gain_weight, _NOTHING)
    near = uniform_filter1d(gain * gain_weight, 5, mode="nearest") / np.maximum(
        uniform_filter1d(gain_weight, 5, mode="nearest"), _NOTHING
    )
    prior = 1.0 / np.maximum((_GAIN_PRIOR * near) ** 2, 1e-4)
    gain = np.maximum((gain * gain_weight + near * prior) / (gain_weight + prior), 0.0)
    level = np.sqrt(np.sum(filter_weight * np.abs(colour) ** 2) / max(float(np.sum(filter_weight)), _NOTHING))
    mean = np.sum(gain_weight * gain**2) / max(float(np.sum(gain_weight * gain)), _NOTHING)
    return gain / max(float(mean), 1e-6), colour / max(float(level), 1e-6)
