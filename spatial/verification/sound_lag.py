"""Where in a finished track a film's sound comes from, whatever else is mixed to it and however its channels lie.

Goal: the few lags at which a stretch of film can be the track, to a small part of a millisecond, within seconds around
the place that the picture says; and how likely chance alone is to make such a lag.
Method: both sides are levelled in time and whitened in frequency [1] and across channels, so that each pair of a film
channel and a track channel says something of its own. The squares of all pairs' correlations are added up: a turn, a
mirror, an inversion or an exchange of channels moves sound from pair to pair and leaves the sum. Sums elsewhere, where
only chance is at work, have a gamma distribution, whose tail is the chance of a peak.
Conventions: spatial.conventions (time). film[n] is track[n + lag]: a lag above the one expected is EARLY sound.
Functions: find_lags (candidates).
Sources:
[1] Knapp and Carter 1976, IEEE TASSP 24(4): generalized cross-correlation and its weightings.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.ndimage import uniform_filter1d
from scipy.signal import find_peaks
from scipy.special import gammaincc, gammaln

from spatial.conventions import ComplexArray, FloatArray
from spatial.dsp.samples import Samples

BAND_HZ = (200.0, 6000.0)
"""Below it are wind, hum and the bass of music; above it coders replace the wave by noise."""

_CHUNK_S, _HOP_S = 4.0, 2.0
"""A stretch that is searched as one: a slip leaves at least a good second on one side in one of them."""

_LEAST_REACH_S = 0.25
"""A narrower search holds too few lags where only chance is at work."""

_LEVEL_S = 0.1
"""Levels are evened out over this time, so that a shout does not drown the rest of its stretch."""

_SMOOTH_HZ = 4.0
"""Spectra are whitened by their level over so many hertz: tones are taken down, their width stays."""

_RIDGE = 0.03
"""Part of the mean power below which a channel that differs from the others is no sound of its own."""

_APART_S = 0.002
"""Peaks nearer than this are one."""

_SIDE = 0.02
"""Part of the highest peak that another must reach: what lasts a second beside three has a ninth of the height, and
the ripples of voices about as much."""

_MOST = 8
"""Candidates kept of a stretch."""

_SURE_LOG10 = -7.0
"""Chance of a peak, over all lags searched, below which it is no chance."""


@dataclass(frozen=True, slots=True)
class LagCandidate:
    """A lag at which film and track may be one sound."""

    lag: float
    """Samples: film[n] is track[n + lag]."""
    log10_chance: float
    """Power of ten of the chance that unrelated sound makes such a peak anywhere in the search."""


@dataclass(frozen=True, slots=True, eq=False)
class _Curve:
    """Sums of squared correlations, expected 1 from each pair by chance."""

    heights: FloatArray
    first: float
    step: float


def find_lags(film: Samples, track: Samples, around: float, reach: float) -> tuple[list[LagCandidate], float]:
    """Lags at which some stretch of the film may be the track, most likely first.

    Parameters
    ----------
    film, track : Samples
        One to four channels each, of one rate.
    around, reach : float
        Lags searched, samples: around - reach to around + reach, and a quarter of a second at least, since what chance
        makes is learned from the lags beside a peak.

    Returns
    -------
    candidates : list of LagCandidate
        None where chance explains all peaks.
    detectable : float
        Part of the film's power that the track would need to be found, from 0 to 1.
    """
    rate = film.rate_hz
    reach = max(reach, _LEAST_REACH_S * rate)
    chunk, hop = round(_CHUNK_S * rate), round(_HOP_S * rate)
    starts = [0] if film.length <= chunk else list(range(0, film.length - hop, hop))
    found: list[LagCandidate] = []
    total: _Curve | None = None
    sounding_s = 0.0
    for start in starts:
        stop = film.length if start == starts[-1] else start + chunk
        curve = _curve(film, track, (start, stop), around, reach)
        if curve is None:
            continue
        sounding_s += (stop - start) / rate * (1.0 if len(starts) == 1 else _HOP_S / _CHUNK_S)
        found += _peaks(curve, rate)
        # The last stretch may be longer and have other steps: it is read at the places of the first.
        if total is None:
            total = curve
        else:
            places = total.first + total.step * np.arange(total.heights.size)
            own = curve.first + curve.step * np.arange(curve.heights.size)
            total = _Curve(total.heights + np.interp(places, own, curve.heights), total.first, total.step)
    if total is None:
        return [], 1.0
    found += _peaks(total, rate)
    samples = 2.0 * (BAND_HZ[1] - BAND_HZ[0]) * sounding_s
    # A pair's squared correlation is the shared part of the power times the samples; of some 45 above chance one in ten
    # million lags has more, and whitening costs about a half.
    detectable = min(1.0, 2.0 * 45.0 / max(samples, 1.0))
    return _merged(found, _APART_S / 2 * rate), detectable


def _curve(film: Samples, track: Samples, span: tuple[int, int], around: float, reach: float) -> _Curve | None:
    start, stop = span
    first = int(np.floor(start + around - reach))
    last = int(np.ceil(stop + around + reach)) + 1
    size = fft.next_fast_len(last - first, real=True)
    parts = []
    for samples, low, high in ((film, start, stop), (track, first, last)):
        part = _conditioned(samples.read(low, high), samples.rate_hz, size)
        if part is None:
            return None
        parts.append(part)
    bins = parts[0].shape[1]
    low_bin = int(np.ceil(BAND_HZ[0] * size / film.rate_hz))
    short = fft.next_fast_len(2 * (low_bin + bins) + 2, real=True)
    cross = np.zeros(short // 2 + 1, dtype=np.complex64)
    lags = int((last - first - (stop - start)) * short / size)
    heights = np.zeros(lags)
    for heard in parts[0]:
        for held in parts[1]:
            cross[low_bin : low_bin + bins] = np.conj(heard) * held
            correlation = fft.irfft(cross, short)[:lags].astype(float) ** 2
            heights += correlation / max(np.median(correlation) / 0.4549, 1e-30)
    return _Curve(heights, first - start, size / short)


def _conditioned(channels: FloatArray, rate_hz: int, size: int) -> ComplexArray | None:
    """Spectra in the band: levelled, whitened, and made independent of each other; None where nothing sounds."""
    channels = np.asarray(channels, dtype=np.float32)
    level = uniform_filter1d(np.mean(channels.astype(float) ** 2, axis=0), max(1, round(_LEVEL_S * rate_hz)))
    most = float(np.max(level, initial=0.0))
    if most <= 0.0:
        return None
    spectra = fft.rfft(channels / np.sqrt(level + 1e-5 * most).astype(np.float32), size, axis=1)
    band = slice(*(int(np.ceil(edge * size / rate_hz)) for edge in BAND_HZ))
    kept = spectra[:, band]
    power = np.mean(kept.real**2 + kept.imag**2, axis=0)
    smooth = uniform_filter1d(power, max(1, round(_SMOOTH_HZ * size / rate_hz)))
    kept = kept / np.sqrt(smooth + 1e-8 * np.max(smooth) + 1e-30)
    sounding = np.mean(kept.real**2 + kept.imag**2, axis=1)
    kept = kept[sounding > 1e-9 * np.max(sounding)]
    covariance = np.real(kept @ kept.conj().T) / kept.shape[1]
    ridge = _RIDGE * np.trace(covariance) / len(covariance) * np.eye(len(covariance))
    return np.asarray(np.linalg.solve(np.linalg.cholesky(covariance + ridge), kept), dtype=np.complex64)


def _peaks(curve: _Curve, rate_hz: int) -> list[LagCandidate]:
    """Peaks that chance does not make."""
    heights = curve.heights
    apart = max(1, round(_APART_S * rate_hz / curve.step))
    top = int(np.argmax(heights))
    elsewhere = np.delete(heights, slice(max(0, top - 10 * apart), top + 10 * apart))
    # Clipped at what one in a thousand exceeds: other true peaks are no chance.
    elsewhere = np.minimum(elsewhere, np.quantile(elsewhere, 0.999)) if elsewhere.size else heights
    mean, variance = float(np.mean(elsewhere)), float(np.var(elsewhere))
    shape, scale = mean**2 / variance, variance / mean
    places, _ = find_peaks(heights, height=max(mean, _SIDE * float(heights[top])), distance=apart)
    if top not in places:
        places = np.append(places, top)
    found = []
    for place in sorted(places, key=lambda each: -heights[each])[:_MOST]:
        chance = _log10_tail(shape, float(heights[place]) / scale) + np.log10(heights.size)
        if chance < _SURE_LOG10:
            inside = min(max(int(place), 1), heights.size - 2)
            before, here, after = heights[inside - 1 : inside + 2]
            bend = before - 2 * here + after
            off = 0.5 * (before - after) / bend if bend < 0 else 0.0
            found.append(LagCandidate(curve.first + curve.step * (inside + float(np.clip(off, -0.5, 0.5))), chance))
    return found


def _log10_tail(shape: float, height: float) -> float:
    """Power of ten of the chance that a gamma distribution of unit scale exceeds a height, however small."""
    tail = float(gammaincc(shape, height))
    if tail > 1e-250:
        return float(np.log10(tail))
    return float(((shape - 1) * np.log(height) - height - gammaln(shape)) / np.log(10.0))


def _merged(found: list[LagCandidate], apart: float) -> list[LagCandidate]:
    """One candidate for each place, the least likely to be chance."""
    kept: list[LagCandidate] = []
    for candidate in sorted(found, key=lambda each: each.log10_chance):
        if all(abs(candidate.lag - other.lag) > apart for other in kept):
            kept.append(candidate)
    return kept
