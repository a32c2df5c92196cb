"""The lowest octaves of a recording, at a rate of about 750 Hz.

Goal: let hum and rumble be measured at a hundredth of the work.
Filter: 256 taps (at 48 kHz) under a Blackman window, flat within 1 dB up to 200 Hz; what it folds into the band below
200 Hz lies above 550 Hz and is at least 70 dB down.
Functions: LowBand (streams a sound into its low band).
"""

import numpy as np

from spatial.analysis.pages import MARGIN, Page
from spatial.conventions import FloatArray

TARGET_RATE_HZ = 750.0
_LENGTHS = 4
"""Length of the filter in output samples."""

_CUT_HZ = 300.0


class LowBand:
    """Streams recorded channels into their low band."""

    def __init__(self, rate_hz: int) -> None:
        self._factor = round(rate_hz / TARGET_RATE_HZ)
        self.rate_hz = rate_hz / self._factor
        """Rate of the low band, Hz."""
        taps = _LENGTHS * self._factor
        time = (np.arange(taps) - (taps - 1) / 2) / rate_hz
        filter_ = np.sinc(2 * _CUT_HZ * time) * np.blackman(taps)
        self._filter = np.ascontiguousarray((filter_ / filter_.sum()).reshape(_LENGTHS, -1).T.astype(np.float32))

    def push(self, page: Page) -> FloatArray:
        """The samples of the low band that fall into the page's core, shape (channels, samples)."""
        factor, before = self._factor, _LENGTHS // 2 * self._factor
        first = -(-page.start // factor)
        count = -(-(page.start + page.length) // factor) - first
        begin = MARGIN + first * factor - page.start - before
        # The page's margins hold half a filter on each side, up to 192 kHz.
        covered = page.sound[:, begin : begin + (count + _LENGTHS - 1) * factor]
        shares = covered.reshape(len(covered), -1, factor) @ self._filter
        return np.asarray(sum(shares[:, number : number + count, number] for number in range(_LENGTHS)))
