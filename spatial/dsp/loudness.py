"""How loud a recording is to people, by the recommendation that broadcasters measure by.

Goal: integrated loudness of any length of sound, in a stream, as ITU-R BS.1770-4 defines it and EBU R 128 uses it.
Method: each channel goes through two filters that stand for head and hearing; the power of blocks of 0.4 s, which
overlap by three quarters, is gated at -70 LUFS and then 10 LU below what passes; the mean of the rest is the loudness.
Conventions: spatial.conventions (array layout). Channels all weigh alike, as front ones do; a field's W is given alone.
Functions: LoudnessMeter; hearing_filter (the two filters, as second-order sections).
Sources:
[1] ITU-R BS.1770-4 (2015), annex 1: filters (coefficients at 48 kHz), gating, equation numbers as there.
[2] EBU Tech 3341: signals with known loudness.
"""

import numpy as np
from scipy.signal import sosfilt

from spatial.conventions import FloatArray
from spatial.errors import InputError

_STEP_S, _STEPS = 0.1, 4
"""Blocks of 0.4 s begin every 0.1 s ([1])."""

_ABSOLUTE_LUFS, _RELATIVE_LU, _OFFSET = -70.0, -10.0, -0.691
"""The two gates, and what makes a sine of 997 Hz at full scale read -3.01 ([1], equations 2 to 7)."""

_SHELF = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_CUT = 38.13547087602444, 0.5003270373238773
"""Frequency (Hz), gain (dB) and Q of the shelf, frequency and Q of the low cut: at 48 kHz they give the coefficients
that the recommendation lists, which the test holds them to, and at other rates the same filters."""


def hearing_filter(rate_hz: int) -> FloatArray:
    """The two filters of [1], shape (2, 6), for scipy's sosfilt."""
    hz, gain_db, q = _SHELF
    k = np.tan(np.pi * hz / rate_hz)
    high = 10 ** (gain_db / 20)
    band = high**0.4996667741545416
    a0 = 1 + k / q + k * k
    shelf = [(high + band * k / q + k * k) / a0, 2 * (k * k - high) / a0, (high - band * k / q + k * k) / a0]
    shelf += [1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0]
    hz, q = _CUT
    k = np.tan(np.pi * hz / rate_hz)
    a0 = 1 + k / q + k * k
    cut = [1.0, -2.0, 1.0, 1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0]
    return np.array([shelf, cut])


class LoudnessMeter:
    """Integrated loudness of a stream.

    Parameters
    ----------
    rate_hz : int
    """

    def __init__(self, rate_hz: int) -> None:
        self._filters = hearing_filter(rate_hz)
        self._size = round(_STEP_S * rate_hz)
        self._state: FloatArray | None = None
        self._rest = np.zeros(0)
        self._steps: list[FloatArray] = []

    def add(self, block: FloatArray) -> None:
        """Take in the next samples, shape (channels, samples).

        Raises
        ------
        InputError
            Another number of channels than before, or no array of two dimensions.
        """
        if block.ndim != 2 or (self._state is not None and self._state.shape[1] != block.shape[0]):
            raise InputError(f"loudness needs blocks of one number of channels, got an array of shape {block.shape}")
        if not block.shape[1]:
            return
        if self._state is None:
            self._state = np.zeros((2, block.shape[0], 2))
        weighted, self._state = sosfilt(self._filters, block.astype(float), axis=1, zi=self._state)
        # Channels are only ever summed in power ([1], equation 2, all weights 1).
        power = np.concatenate([self._rest, np.sum(weighted**2, axis=0)])
        whole = len(power) // self._size * self._size
        if whole:
            self._steps.append(power[:whole].reshape(-1, self._size).mean(axis=1))
        self._rest = power[whole:]

    @property
    def integrated_lufs(self) -> float | None:
        """Loudness of all that passes the gates, LUFS; None where nothing does, or it is shorter than 0.4 s."""
        steps = np.concatenate(self._steps) if self._steps else np.zeros(0)
        if len(steps) < _STEPS:
            return None
        blocks = np.lib.stride_tricks.sliding_window_view(steps, _STEPS).mean(axis=1)
        loud = blocks[blocks > _power(_ABSOLUTE_LUFS)]
        if not loud.size:
            return None
        loud = loud[loud > loud.mean() * 10 ** (_RELATIVE_LU / 10)]
        return float(_OFFSET + 10 * np.log10(loud.mean()))


def _power(lufs: float) -> float:
    return float(10 ** ((lufs - _OFFSET) / 10))
