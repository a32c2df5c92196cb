"""The coarse search for a clip inside a take, by their envelopes.

Goal: find the offset to about a hundredth of a second anywhere in hours of sound, at the cost of a few Fourier
transforms of a hundred values a second.
Conventions: spatial.conventions (time). Offsets are take time minus clip time, seconds.
Functions: find_candidates (coarse clock laws).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d

from spatial.conventions import FloatArray
from spatial.sync.envelope import ENVELOPE_RATE_HZ, changes_of
from spatial.timebase import ClockLaw

MAX_DRIFT_PPM = 1500.0
"""Widest clock difference searched: pull-up and pull-down (1000 ppm) with room for the clocks' own error."""

_SHORTEST_SEGMENT_S = 8.0
"""Shortest stretch of the clip that is correlated by itself, seconds: a few words; shorter ones fit in too many places.
Clips shorter than this are one stretch."""

_LONGEST_SEGMENT_S = 30.0
"""Longest such stretch, seconds. At MAX_DRIFT_PPM its ends shift by 45 ms against each other, four envelope frames; in
a longer one the peak smears further."""

_MAX_SEGMENTS = 24
"""Most stretches, evenly spread over the clip. Each costs a correlation with the whole take."""

_BLOCK = 1 << 14
"""Frames in one block of the overlap-save correlation: small enough to stay in the processor's cache."""

_FINE = 10
"""Parts of a frame in which lines are placed in the end: a clear peak is known to a tenth of a frame, 1 ms."""

_MARGIN = 20
"""Frames kept on both sides of what the drift can reach, so that resampling does not wrap an edge onto the peak."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place where the clip might lie in the take."""

    law: ClockLaw
    score: float
    """Height of the correlation over its own scatter, in standard deviations."""


def find_candidates(clip_powers: FloatArray, take_powers: FloatArray, *, count: int = 5) -> list[Candidate]:
    """Find the most likely coarse clock laws, best first.

    Each of up to 24 stretches of the clip is correlated with the whole take; the curves are added along
    every clock difference up to MAX_DRIFT_PPM.

    Parameters
    ----------
    clip_powers, take_powers : ndarray, shape (bands, frames)
        From EnvelopeBuilder.
    count : int
        Most candidates wanted.

    Returns
    -------
    list of Candidate
        Empty where either side never changes (silence, a steady tone).
    """
    if 0 in (clip_powers.shape[1], take_powers.shape[1]):
        return []
    starts, length = _segments(clip_powers.shape[1])
    clip = changes_of(clip_powers)
    segments = np.stack([clip[:, start : start + length] for start in starts])
    sounding = bool(clip.any())
    del clip
    take = changes_of(take_powers)
    if not (sounding and take.any()):
        return []
    curves, scales = _segment_curves(segments, take)
    del take
    # The clip's frame k at the take's frame l is lag l - k; a curve starts at the segment's lag -length + 1.
    first_lags = [1 - length - start for start in starts]
    return _best_lines(curves, scales, first_lags, np.asarray(starts) + length / 2, count)


def _segments(frames: int) -> tuple[list[int], int]:
    wanted = min(max(frames / ENVELOPE_RATE_HZ / 4, _SHORTEST_SEGMENT_S), _LONGEST_SEGMENT_S)
    length = min(frames, int(wanted * ENVELOPE_RATE_HZ))
    count = min(_MAX_SEGMENTS, max(1, frames // length))
    return [int(start) for start in np.linspace(0, frames - length, count)], length


def _segment_curves(segments: FloatArray, take: FloatArray) -> tuple[FloatArray, list[float]]:
    """Each segment's correlation with the take, shape (segments, length - 1 + take frames), and one over its scatter.

    By overlap-save: blocks that fit the cache, and no spectrum of hours at once.
    """
    count, _, length = segments.shape
    lags = length - 1 + take.shape[1]
    size = fft.next_fast_len(min(max(_BLOCK, 4 * length), lags + length - 1), real=True)
    step = size - length + 1
    spectra = np.conj(fft.rfft(segments, size))
    energy = _sliding_energy(take, length)
    sounding = energy > np.min(energy)
    level = np.sqrt(energy).astype(np.float32)
    del energy
    # Half precision is a thousandth of a peak, and half the room.
    curves = np.empty((count, lags), dtype=np.float16)
    for first in range(0, lags, step):
        begin = first - length + 1
        block = np.zeros((len(take), size), dtype=np.float32)
        inside = take[:, max(begin, 0) : begin + size]
        block[:, max(-begin, 0) :][:, : inside.shape[1]] = inside
        product = np.einsum("sbf,bf->sf", spectra, fft.rfft(block))
        last = min(first + step, lags)
        curves[:, first:last] = fft.irfft(product, size)[:, : last - first] / level[first:last]
    # Where the take is silent the curve is zero, which is no scatter: a padded take would seem to fit anywhere.
    scatters = [1.4826 * float(np.median(np.abs(curve[sounding].astype(np.float32)))) for curve in curves]
    return curves, [1.0 / scatter if scatter > 0 else 0.0 for scatter in scatters]


def _sliding_energy(take: FloatArray, length: int) -> FloatArray:
    """Energy of the take under a segment at every lag, kept off zero so that silence cannot score."""
    total = np.concatenate([[0.0], np.cumsum(np.einsum("bf,bf->f", take, take), dtype=np.float64)])
    # At lag l it lies under take frames l to l + length - 1, of those that there are.
    energy = np.concatenate([total[1:], np.full(length - 1, total[-1])])
    energy[length - 1 :] -= total[:-1]
    return np.asarray(np.maximum(energy, 0.1 * np.max(energy), out=energy))


def _best_lines(
    curves: FloatArray, scales: Sequence[float], first_lags: Sequence[int], centres: FloatArray, count: int
) -> list[Candidate]:
    """Highest sums of scaled curves along every clock difference; a curve begins at its lag in `first_lags`."""
    middle = float(np.mean(centres))
    reach = np.abs(centres - middle) * MAX_DRIFT_PPM * 1e-6
    lowest = min(first_lags)
    pooled = np.zeros(max(first_lags) - lowest + curves.shape[1])
    for curve, scale, width, first in zip(curves, scales, reach, first_lags, strict=True):
        pooled[first - lowest :][: curve.size] += _widened(curve.astype(np.float32) * scale, int(np.ceil(width)))
    pooled /= np.sqrt(len(curves))
    found: list[Candidate] = []
    apart = int(0.2 * ENVELOPE_RATE_HZ + 2 * np.max(reach))
    beside = int(np.ceil(np.max(reach))) + 2 + _MARGIN
    while len(found) < count and np.max(pooled) > 0:
        peak = int(np.argmax(pooled))
        near = np.stack(
            [
                _around(curve, peak + lowest - first, beside) * scale
                for curve, scale, first in zip(curves, scales, first_lags, strict=True)
            ]
        )
        place, slope, score = _refine_line(near, centres - middle)
        offset = (place + peak + lowest - beside - slope * middle) / ENVELOPE_RATE_HZ
        found.append(Candidate(ClockLaw(offset, slope * 1e6), score))
        pooled[max(0, peak - apart) : peak + apart + 1] = 0
    return sorted(found, key=lambda candidate: -candidate.score)


def _around(curve: FloatArray, place: int, beside: int) -> FloatArray:
    """The curve within +-beside of a place, zero outside its ends."""
    near = np.zeros(2 * beside + 1, dtype=np.float32)
    inside = curve[max(place - beside, 0) : max(place + beside + 1, 0)]
    near[max(beside - place, 0) :][: inside.size] = inside
    return near


def _widened(curve: FloatArray, reach: int) -> FloatArray:
    """Largest value within +-reach of each place."""
    return np.asarray(maximum_filter1d(curve, 2 * reach + 1)) if reach else curve


def _refine_line(near: FloatArray, from_middle: FloatArray) -> tuple[float, float, float]:
    """Best line through pieces of the curves, between frames: a clear peak is known to a tenth of one.

    Returns
    -------
    place, slope, score
        Where it passes the middle of the clip, in frames of the pieces, and by how many frames a frame it rises.
    """
    half_span = float(np.ptp(from_middle)) / 2
    # Slopes that differ by a frame at the ends of the clip, then by a tenth of one around the best.
    widest = int(np.ceil(half_span * MAX_DRIFT_PPM * 1e-6)) if half_span else 0
    _, _, bend = _best_bend(near, from_middle, np.arange(-widest, widest + 1.0), half_span)
    around = bend * _FINE + np.arange(1 - _FINE, _FINE) if half_span else np.zeros(1)
    fine = _finer(near)
    best_score, best_place, best_bend = _best_bend(fine, from_middle, around, half_span)
    slope = best_bend / half_span / _FINE if half_span else 0.0
    return best_place / _FINE, slope, best_score / float(np.sqrt(len(near)))


def _finer(curves: FloatArray) -> FloatArray:
    """Band-limited curves with _FINE times as many points, shape (curves, _FINE * points).

    As scipy.signal.resample does it, whose import alone takes longer than syncing a short clip.
    """
    points = curves.shape[1]
    # An odd number of points, so that no bin lies at half the rate and would have to be shared.
    assert points % 2
    return np.asarray(fft.irfft(fft.rfft(curves), points * _FINE) * _FINE)


def _best_bend(
    curves: FloatArray, from_middle: FloatArray, bends: FloatArray, half_span: float
) -> tuple[float, int, float]:
    """Highest sum of the curves, its place, and by how many of their steps the line bends at the clip's ends."""
    best = (-np.inf, 0, 0.0)
    for bend in bends:
        shifts = np.rint(bend * from_middle / half_span).astype(int) if half_span else np.zeros(len(curves), dtype=int)
        summed = np.zeros(curves.shape[1])
        for curve, shift in zip(curves, shifts, strict=True):
            if shift >= 0:
                summed[: summed.size - shift] += curve[shift:]
            else:
                summed[-shift:] += curve[:shift]
        top = int(np.argmax(summed))
        if summed[top] > best[0]:
            best = (float(summed[top]), top, float(bend))
    return best
