"""A ceiling of the spectrum that no microphone makes: traces of a resampler or a lossy coder.

Goal: notice that a recording went through 32 or 44.1 kHz, or through a coder, before it came here.
A microphone and its preamplifier hiss up to half the sample rate. Where a recording falls within a few hundred hertz
by many dB to almost nothing and stays there, something cut it. The converter's own filter cuts above 0.45 of the
sample rate and is left alone.
Functions: find_ceiling.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray

_LOWEST_HZ = 9000.0
_HIGHEST_PART = 0.445
_SPAN_HZ = 1500.0
_GAP_HZ = 700.0
LEAST_FALL_DB = 12.0
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
