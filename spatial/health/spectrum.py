"""Mean spectra of the channels, and a ceiling that no microphone makes.

Goal: one set of transforms for everything that is judged by frequency; and notice that a recording went through 32 or
44.1 kHz, or through a lossy coder, before it came here.
Method: of each page of a long recording some frames are transformed, spread evenly. A microphone and its preamplifier
hiss up to half the sample rate. Where a recording falls within a few hundred hertz by many dB to almost nothing and
stays there, something cut it. The converter's own filter cuts above 0.45 of the sample rate and is left alone.
Functions: SpectraMeter; find_ceiling.
"""

import heapq
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import fft

from spatial.conventions import ComplexArray, FloatArray
from spatial.health.pages import Page

# --- mean spectra ---

FRAME = 2048
"""Samples in one frame: 43 ms at 48 kHz, bins of 23 Hz."""

_ALL_UP_TO_S = 300.0
"""Recordings up to this long are measured whole, seconds; of longer ones every _PART_OF_LONG-th frame counts, to save
time."""

_PART_OF_LONG = 4
"""See _ALL_UP_TO_S."""

_QUIET_PAGES = 64
"""Most pages whose spectra stand for quiet moments: it bounds the memory."""

_GROUP = 8
"""Frames in one covariance: a third of a second, in which a word comes from one place."""

BAND_EDGES_HZ = (300.0, 450.0, 600.0, 800.0, 1000.0, 1300.0, 1700.0, 2200.0, 3000.0)
"""Bands of the covariances: between what a small microphone measures truly (proximity below, aliasing above)."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectra:
    """What was found."""

    frequencies_hz: FloatArray
    power: FloatArray
    """Mean power in each bin, full scale 1, shape (channels, bins); loud frames count most."""
    quiet_power: FloatArray
    """The mean over the quietest fifth of the pages, digital silence left out; at most _QUIET_PAGES of them."""
    covariances: ComplexArray
    """Mean over the bins of a band, shape (times, bands, channels, channels)."""
    bins_per_band: FloatArray


class SpectraMeter:
    """Adds up spectra of recorded channels."""

    def __init__(self, channels: int, rate_hz: int, samples: int) -> None:
        self._part = 1 if samples <= _ALL_UP_TO_S * rate_hz else _PART_OF_LONG
        self._window = (np.hanning(FRAME + 1)[:-1]).astype(np.float32)
        self._frequencies = fft.rfftfreq(FRAME, 1.0 / rate_hz)
        edges = np.searchsorted(self._frequencies, BAND_EDGES_HZ)
        self._slices = [slice(int(a), int(b)) for a, b in pairwise(edges)]
        self._quiet: list[tuple[float, int, FloatArray]] = []
        self._sum = np.zeros((channels, self._frequencies.size))
        self._frames = 0
        self._covariances: list[ComplexArray] = []

    def push(self, page: Page) -> None:
        """Look at a page."""
        count = page.length // FRAME
        if not count:
            return
        frames = page.core[:, : count * FRAME].reshape(len(page.core), count, FRAME)[:, :: self._part]
        spectra = fft.rfft(frames * self._window, axis=2)
        # Real and imaginary parts lie side by side: squared and added up in one pass each.
        squares = np.square(spectra.view(np.float32))
        power = squares.sum(axis=1).reshape(len(spectra), -1, 2).sum(axis=2)
        used = frames.shape[1]
        self._sum += power
        self._frames += used
        total = float(power.sum()) / used
        if total > 0.0:
            # The page number keeps equal totals from being compared by their arrays.
            entry = (-total, page.start, (power / used).astype(np.float32))
            (heapq.heappushpop if len(self._quiet) >= _QUIET_PAGES else heapq.heappush)(self._quiet, entry)
        bands = []
        groups = max(1, used // _GROUP)
        for part in self._slices:
            bins = spectra[:, : used // groups * groups, part].reshape(len(spectra), groups, -1).swapaxes(0, 1)
            bands.append(bins @ bins.conj().swapaxes(1, 2) / bins.shape[2])
        self._covariances.append(np.array(bands).swapaxes(0, 1))

    def finish(self) -> Spectra:
        """Everything together."""
        scale = 2.0 / float(np.sum(self._window.astype(np.float64) ** 2)) / FRAME
        channels = len(self._sum)
        bins = np.array([part.stop - part.start for part in self._slices], dtype=float)
        if not self._frames:
            nothing = np.zeros((0, len(self._slices), channels, channels), dtype=complex)
            return Spectra(self._frequencies, self._sum, self._sum, nothing, bins)
        ranked = [power for _, _, power in sorted(self._quiet, key=lambda entry: -entry[0])]
        quiet = ranked[: max(1, min(_QUIET_PAGES, len(self._covariances) // 5))]
        return Spectra(
            self._frequencies,
            self._sum / self._frames * scale,
            (np.mean(quiet, axis=0) if quiet else self._sum) * scale,
            np.concatenate(self._covariances) * scale,
            bins,
        )


# --- a ceiling of the spectrum ---

_LOWEST_HZ = 9000.0
"""Lowest ceiling that is looked for, Hz. Below it sound itself may end."""

_HIGHEST_PART = 0.445
"""Highest ceiling as a part of the sample rate: above it the converter's own filter cuts."""

_SPAN_HZ = 1500.0
"""Width below and above a ceiling whose levels are compared, a third of it on either side."""

_GAP_HZ = 700.0
"""Width that the fall itself may take, Hz. A microphone that falls off takes more."""

LEAST_FALL_DB = 12.0
"""Least fall from just below to just above, dB. At less ordinary hiss that slopes counts; at more gentle coders are
missed."""

_ROUNDING = 8.0
"""Nothing but rounding: dither makes three times as much of it, and one more rounding adds to it."""


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Where the spectrum ends."""

    frequency_hz: float
    fall_db: float
    """From just below to just above."""


def find_ceiling(frequencies_hz: FloatArray, power: FloatArray, rounding: float) -> Ceiling | None:
    """The place where all sound ends, if it ends suddenly.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (bins,)
    power : ndarray, shape (bins,)
        Of all channels, in quiet moments: loud ones leak over the whole spectrum.
    rounding : float
        What the rounding of the coding alone puts into a bin.
    """
    spacing = float(frequencies_hz[1] - frequencies_hz[0])
    level_db = 10 * np.log10(np.maximum(power, 1e-22))
    span, gap = max(4, int(_SPAN_HZ / spacing)), max(1, int(_GAP_HZ / spacing))
    first, last = int(_LOWEST_HZ / spacing), int(_HIGHEST_PART * 2 * frequencies_hz[-1] / spacing)
    # What lies close to half the rate belongs to the converter's filter.
    end = int(0.995 * (len(level_db) - 1))
    best: Ceiling | None = None
    for place in range(first, min(last, end - 2 * gap)):
        below = level_db[place - gap - span // 3 : place - gap // 2]
        above = level_db[place + gap // 2 : end]
        near = level_db[place + gap // 2 : place + gap // 2 + span // 3]
        fall = float(np.median(below) - np.median(near))
        if np.median(above) > 10 * np.log10(_ROUNDING * rounding):
            continue
        # It stays down, and what is above is flat: the rounding of the coding, no sound.
        if fall < LEAST_FALL_DB or np.quantile(above, 0.98) > np.median(below) - 0.6 * fall:
            continue
        steep = float(np.quantile(below, 0.1) - np.quantile(near, 0.9))
        if steep < 0.5 * LEAST_FALL_DB:
            continue
        if best is None or fall > best.fall_db:
            best = Ceiling(float(frequencies_hz[place]), fall)
    return best
