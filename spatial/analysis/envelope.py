"""A cheap picture of a sound's comings and goings, and the coarse search for a clip inside a take.

Goal: find the offset to about a hundredth of a second anywhere in hours of sound, at the cost of a few
Fourier transforms of a hundred values a second.
Conventions: spatial.conventions (time). Offsets are take time minus clip time, seconds.
Functions: EnvelopeBuilder (from blocks of sound to a band envelope); as_if_at_rate (the same at another sample
rate); find_candidates (coarse clock laws); is_steady.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d
from scipy.signal import resample

from spatial.conventions import FloatArray
from spatial.timebase import ClockLaw

WORKING_RATE_HZ = 16_000
"""Sync listens at this rate: speech and music tell their timing below 8 kHz, lossy scratch sound above it."""

HOP = 160
"""Samples between envelope frames: 10 ms."""

ENVELOPE_VERSION = 1
"""Counts on with every change to what EnvelopeBuilder makes: kept envelopes of older versions are not used."""

ENVELOPE_RATE_HZ = WORKING_RATE_HZ / HOP
_WINDOW = 512
_EDGES_HZ = np.geomspace(200.0, 7000.0, 13)
_SHORTEST_SEGMENT_S = 8.0
_LONGEST_SEGMENT_S = 30.0
_MAX_SEGMENTS = 24
_FINE = 10
_MARGIN = 20
_LIVELY, _LIVELY_SHARE = 0.5, 0.02
"""A sound is steady when less than a fiftieth of it changes by 2 dB within 40 ms."""

_STEADY = 0.03
"""A band whose level changes by less, in log power, holds a tone or nothing."""

MAX_DRIFT_PPM = 1500.0
"""Widest clock difference searched: pull-up and pull-down (1000 ppm) with room for the clocks' own error."""


class EnvelopeBuilder:
    """Turns blocks of sound at WORKING_RATE_HZ into log band powers, 12 bands by 100 frames a second.

    Frame k is centred on sample k * HOP + 256.
    """

    def __init__(self) -> None:
        self._tail: FloatArray | None = None
        self._frames: list[FloatArray] = []
        self._window = np.hanning(_WINDOW).astype(np.float32)
        bins = np.fft.rfftfreq(_WINDOW, 1.0 / WORKING_RATE_HZ)
        self._bands = np.searchsorted(bins, _EDGES_HZ)

    def push(self, channels: FloatArray) -> None:
        """Add a block, shape (channels, samples). The powers of the channels are summed."""
        joined = channels if self._tail is None else np.concatenate([self._tail, channels], axis=-1)
        count = (joined.shape[-1] - _WINDOW) // HOP + 1
        if count <= 0:
            self._tail = joined
            return
        frames = np.lib.stride_tricks.sliding_window_view(joined, _WINDOW, axis=-1)[:, ::HOP][:, :count]
        spectrum = fft.rfft(frames * self._window, axis=-1)
        power = np.sum(spectrum.real**2 + spectrum.imag**2, axis=0)
        bands = np.add.reduceat(power, self._bands, axis=-1)[:, :-1]
        self._frames.append(bands.astype(np.float32))
        self._tail = joined[:, count * HOP :]

    def finish(self) -> FloatArray:
        """Band powers, shape (12, frames)."""
        if not self._frames:
            return np.zeros((len(self._bands) - 1, 0), dtype=np.float32)
        return np.concatenate(self._frames).T


def as_if_at_rate(powers: FloatArray, ratio: float) -> FloatArray:
    """The envelope that the same samples would have, had they been read at `ratio` times their rate.

    Parameters
    ----------
    powers : ndarray, shape (bands, frames)
    ratio : float
        Read faster, 1 or more, they last shorter and sound higher.

    Returns
    -------
    ndarray, shape (bands, frames / ratio)
    """
    frames = powers.shape[1]
    places = np.arange(int(frames / ratio)) * ratio
    up = round(np.log(ratio) / np.log(_EDGES_HZ[1] / _EDGES_HZ[0]))
    moved = np.zeros_like(powers)
    if up >= 0:
        moved[up:] = powers[: len(powers) - up]
    else:
        moved[:up] = powers[-up:]
    return np.stack([np.interp(places, np.arange(frames), band) for band in moved]).astype(np.float32)


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
    clip, take = _changes(clip_powers), _changes(take_powers)
    if not (clip.any() and take.any()):
        return []
    starts, length = _segments(clip.shape[1])
    size = fft.next_fast_len(take.shape[1] + length, real=True)
    take_spectrum = fft.rfft(take, size, axis=1)
    take_energy = _sliding_energy(take, length)
    sounding = take_energy > np.min(take_energy)
    first_offset, offsets = -clip.shape[1], clip.shape[1] + take.shape[1]
    curves = np.zeros((len(starts), offsets), dtype=np.float32)
    for row, start in enumerate(starts):
        segment = clip[:, start : start + length]
        spectrum = np.conj(fft.rfft(segment, size, axis=1)) * take_spectrum
        circular = fft.irfft(spectrum.sum(axis=0), size)
        # Lags from -length + 1 (only the segment's end overlaps the take) to take.shape[1] - 1.
        curve = np.concatenate([circular[size - length + 1 :], circular[: take.shape[1]]])
        curve /= np.sqrt(take_energy)
        # Where the take is silent the curve is zero, which is no scatter: a padded take would seem to fit anywhere.
        scatter = 1.4826 * np.median(np.abs(curve[sounding]))
        place = -length + 1 - start - first_offset
        if scatter > 0:
            curves[row, place : place + curve.size] = curve / scatter
    centres = np.asarray(starts) + length / 2
    return _best_lines(curves, centres, first_offset, count)


def is_steady(powers: FloatArray) -> bool:
    """Whether hardly anything in a sound comes and goes: hum, a chord, silence, DC."""
    if powers.shape[1] < 8:
        return True
    levels = np.log(powers + 1e-4 * np.max(powers) + 1e-30)
    lively = np.max(np.abs(levels[:, 4:] - levels[:, :-4]), axis=0) > _LIVELY
    return bool(np.mean(lively) < _LIVELY_SHARE)


def _changes(powers: FloatArray) -> FloatArray:
    """Rises and falls of each band, deaf to slow gain riding and to the noise floor; unit variance."""
    if powers.shape[1] < 8:
        return np.zeros_like(powers)
    floor = np.quantile(powers, 0.25, axis=1, keepdims=True) + 1e-12 * np.max(powers) + 1e-30
    levels = np.log(powers + floor)
    change = np.zeros_like(levels)
    change[:, 2:-2] = levels[:, 3:-1] + levels[:, 4:] - levels[:, :-4] - levels[:, 1:-3]
    spread = np.std(change, axis=1, keepdims=True)
    scaled = np.divide(change, spread, out=np.zeros_like(change), where=spread > _STEADY)
    return np.asarray(np.clip(scaled, -4.0, 4.0), dtype=np.float32)


def _segments(frames: int) -> tuple[list[int], int]:
    wanted = min(max(frames / ENVELOPE_RATE_HZ / 4, _SHORTEST_SEGMENT_S), _LONGEST_SEGMENT_S)
    length = min(frames, int(wanted * ENVELOPE_RATE_HZ))
    count = min(_MAX_SEGMENTS, max(1, frames // length))
    return [int(start) for start in np.linspace(0, frames - length, count)], length


def _sliding_energy(take: FloatArray, length: int) -> FloatArray:
    """Energy of the take under a segment at every lag, kept off zero so that silence cannot score."""
    total = np.concatenate([[0.0], np.cumsum(np.sum(take.astype(np.float64) ** 2, axis=0))])
    lags = np.arange(-length + 1, take.shape[1])
    energy = total[np.minimum(lags + length, take.shape[1])] - total[np.maximum(lags, 0)]
    return np.asarray(np.maximum(energy, 0.1 * np.max(energy)))


def _best_lines(curves: FloatArray, centres: FloatArray, first_offset: int, count: int) -> list[Candidate]:
    middle = float(np.mean(centres))
    reach = np.abs(centres - middle) * MAX_DRIFT_PPM * 1e-6
    pooled = np.zeros(curves.shape[1])
    for curve, width in zip(curves, reach, strict=True):
        pooled += _widened(curve, int(np.ceil(width)))
    pooled /= np.sqrt(len(curves))
    found: list[Candidate] = []
    apart = int(0.2 * ENVELOPE_RATE_HZ + 2 * np.max(reach))
    while len(found) < count and np.max(pooled) > 0:
        peak = int(np.argmax(pooled))
        law, score = _refine_line(curves, centres - middle, peak, int(np.ceil(np.max(reach))) + 2)
        offset_mid = (law.offset_s * ENVELOPE_RATE_HZ + first_offset) / ENVELOPE_RATE_HZ
        offset = offset_mid - law.drift_ppm * 1e-6 * middle / ENVELOPE_RATE_HZ
        found.append(Candidate(ClockLaw(offset, law.drift_ppm), score))
        pooled[max(0, peak - apart) : peak + apart + 1] = 0
    return sorted(found, key=lambda candidate: -candidate.score)


def _widened(curve: FloatArray, reach: int) -> FloatArray:
    """Largest value within +-reach of each place."""
    return np.asarray(maximum_filter1d(curve, 2 * reach + 1)) if reach else curve


def _refine_line(curves: FloatArray, from_middle: FloatArray, peak: int, reach: int) -> tuple[ClockLaw, float]:
    """Best line through the curves near a pooled peak, between frames: a clear peak tells a tenth of one."""
    first = max(0, peak - reach - _MARGIN)
    near = curves[:, first : min(curves.shape[1], peak + reach + _MARGIN + 1)]
    fine = resample(near, near.shape[1] * _FINE, axis=1)
    half_span = float(np.ptp(from_middle)) / 2
    # Slopes told apart by a frame at the ends of the clip, then by a tenth of one around the best.
    widest = int(np.ceil(half_span * MAX_DRIFT_PPM * 1e-6)) if half_span else 0
    best_score, best_place, best_bend = _best_bend(
        fine, from_middle, np.arange(-widest, widest + 1.0) * _FINE, half_span
    )
    if half_span:
        around = best_bend + np.arange(1 - _FINE, _FINE)
        best_score, best_place, best_bend = _best_bend(fine, from_middle, around, half_span)
    best_slope = best_bend / half_span if half_span else 0.0
    law = ClockLaw((first + best_place / _FINE) / ENVELOPE_RATE_HZ, best_slope / _FINE * 1e6)
    return law, best_score / float(np.sqrt(len(curves)))


def _best_bend(
    fine: FloatArray, from_middle: FloatArray, bends: FloatArray, half_span: float
) -> tuple[float, int, float]:
    """Highest sum of the curves, its place, and by how many fine steps the line bends at the clip's ends."""
    best = (-np.inf, 0, 0.0)
    for bend in bends:
        shifts = np.rint(bend * from_middle / half_span).astype(int) if half_span else np.zeros(len(fine), dtype=int)
        summed = np.zeros(fine.shape[1])
        for curve, shift in zip(fine, shifts, strict=True):
            if shift >= 0:
                summed[: summed.size - shift] += curve[shift:]
            else:
                summed[-shift:] += curve[:shift]
        top = int(np.argmax(summed))
        if summed[top] > best[0]:
            best = (float(summed[top]), top, float(bend))
    return best
