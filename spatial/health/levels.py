"""How loud a recording is over time: peaks, loud and quiet moments, what is not moving at all.

Goal: levels that a few knocks or minutes of silence do not spoil.
Conventions: dB re full scale are 20 log10 of size over full scale (a sine at full scale has a mean level of
-3.01 dB; AES17 counts such a sine as 0 dB: add 3.01 to compare).
Functions: LevelMeter.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.health.pages import Page

_FRAME = 2048
"""Samples in one frame: 43 ms at 48 kHz, a syllable or a knock."""

_SHARE_LOUD, _SHARE_QUIET = 0.95, 0.10
"""Quantiles of the frames that stand for loud and for quiet moments: a few knocks, or minutes of silence, do not move
them."""


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Levels of each recorded channel, full scale 1."""

    rms: FloatArray
    """Over everything, shape (channels,)."""
    loud: FloatArray
    """RMS of a frame that only one in twenty exceeds, digital silence left out."""
    quiet: FloatArray
    """RMS of a frame that nine in ten exceed, digital silence left out."""
    quiet_spread_db: float
    """From a frame that nineteen in twenty exceed to one that seven in ten exceed, all channels together."""
    offset: FloatArray
    """Mean of each channel: median over frames of a second, digital silence left out."""
    offset_sd: FloatArray
    silent_start_s: float
    """Digital silence (zeros in all channels) before the first sound; the whole length if there is no sound."""
    silent_end_s: float


class LevelMeter:
    """Adds up levels."""

    def __init__(self, channels: int, rate_hz: int) -> None:
        self._channels, self._rate_hz = channels, rate_hz
        self._power: list[FloatArray] = []
        self._means: list[FloatArray] = []
        self._sums = np.zeros(channels)
        self._samples = 0
        self._first: int | None = None
        self._last = 0

    def push(self, page: Page) -> None:
        """Look at a page."""
        core = page.core
        whole = page.length // _FRAME * _FRAME
        self._sums += np.einsum("cn,cn->c", core, core, dtype=np.float64) if page.length < _FRAME else 0.0
        if whole:
            frames = core[:, :whole].reshape(self._channels, -1, _FRAME)
            power = np.einsum("cfn,cfn->cf", frames, frames)
            self._power.append((power / _FRAME).astype(np.float32))
            self._sums += power.sum(axis=1, dtype=np.float64)
            rest = core[:, whole:]
            self._sums += np.einsum("cn,cn->c", rest, rest)
        mean = core.mean(axis=1)
        self._samples += page.length
        if core[0, 0] != 0.0 and core[0, -1] != 0.0 and self._first is not None:
            self._last = page.start + page.length
            self._means.append(mean)
            return
        alive = np.flatnonzero(core.any(axis=0))
        if alive.size:
            if self._first is None:
                self._first = page.start + int(alive[0])
            self._last = page.start + int(alive[-1]) + 1
            # A page that is partly padding would have too small a mean.
            if alive[-1] - alive[0] > 0.9 * page.length:
                self._means.append(mean)

    def finish(self) -> Levels:
        """Everything together."""
        power = np.concatenate(self._power, axis=1) if self._power else np.zeros((self._channels, 0))
        power = power[:, power.any(axis=0)]
        if not power.shape[1]:
            power = (self._sums / max(self._samples, 1))[:, np.newaxis]
        loud, quiet = np.quantile(power, [_SHARE_LOUD, _SHARE_QUIET], axis=1)
        lower, upper = np.quantile(power.sum(axis=0), [0.05, 0.30])
        means = np.array(self._means) if self._means else np.zeros((1, self._channels))
        spread = 1.4826 * np.median(np.abs(means - np.median(means, axis=0)), axis=0)
        first = self._samples if self._first is None else self._first
        return Levels(
            rms=np.sqrt(self._sums / max(self._samples, 1)),
            loud=np.sqrt(loud),
            quiet=np.sqrt(quiet),
            quiet_spread_db=float(10 * np.log10(max(upper, 1e-24) / max(lower, 1e-24))),
            offset=np.median(means, axis=0),
            offset_sd=spread / np.sqrt(len(means)),
            silent_start_s=first / self._rate_hz,
            silent_end_s=(self._samples - self._last) / self._rate_hz,
        )
