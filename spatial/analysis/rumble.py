"""Wind and handling: low-frequency noise that the channels do not share as a sound field must.

Goal: tell wind on the capsules from a bass drum, traffic or thunder.
In any field of far sources, one or many, X^2 + Y^2 + Z^2 = W^2 on the average (SN3D; CHECKS 1). Noise that each of
four coincident cardioids makes for itself gives 3 W^2 in each of X, Y and Z: nine times as much, unlike W in phase.
A near source (proximity) or a room's mode also raises X, Y, Z, but in step with W: what W foretells is taken away.
Functions: RumbleMeter.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray

LOWEST_HZ, HIGHEST_HZ = 15.0, 120.0
_FRAME = 256
_HOP = 128
_CHUNK_FRAMES = 8
"""Spectra averaged into one look: 1.5 s. With 8 overlapping frames noise foretells noise by about a fifth."""

OWN_NOISE_RATIO = 3.0
"""XYZ power that W does not foretell over W: 1 in a diffuse field, 9 for capsules on their own."""


@dataclass(frozen=True, slots=True, eq=False)
class Rumble:
    """The low octaves over time, one value a look."""

    times_s: FloatArray
    """Start of each look."""
    ratio: FloatArray
    """Power that W does not foretell in the middle one of X, Y, Z, times three, over the power of W. One channel alone
    does not raise it: that would be its gain, or hum."""
    level: FloatArray
    """RMS of W, X, Y and Z together in the low octaves, full scale 1."""

    @property
    def unshared(self) -> np.ndarray:
        """Looks in which the low octaves are no sound field."""
        return np.asarray(self.ratio >= OWN_NOISE_RATIO)


class RumbleMeter:
    """Measures the low octaves of the field, from the low band of the recorded channels.

    Parameters
    ----------
    rate_hz : float
        Of the low band.
    field_from_recorded : ndarray, shape (4, 4)
    """

    def __init__(self, rate_hz: float, field_from_recorded: FloatArray) -> None:
        self._rate_hz = rate_hz
        self._matrix = field_from_recorded
        self._rest = np.zeros((FIRST_ORDER_CHANNELS, 0))
        self._window = np.hanning(_FRAME + 1)[:-1]
        frequencies = np.fft.rfftfreq(_FRAME, 1.0 / rate_hz)
        self._bins = (frequencies >= LOWEST_HZ) & (frequencies <= HIGHEST_HZ)
        self._done = 0
        self._rows: list[tuple[float, float, float]] = []

    def push(self, low: FloatArray) -> None:
        """Take the next samples of the low band, shape (4, samples)."""
        self._rest = np.concatenate([self._rest, self._matrix @ low], axis=1)
        span = (_CHUNK_FRAMES - 1) * _HOP + _FRAME
        while self._rest.shape[1] >= span:
            self._look(self._rest[:, :span])
            step = _CHUNK_FRAMES * _HOP
            self._rest = self._rest[:, step:]
            self._done += step

    def finish(self) -> Rumble:
        """All looks."""
        rows = np.array(self._rows).reshape(-1, 3)
        return Rumble(rows[:, 0], rows[:, 1], rows[:, 2])

    def _look(self, field: FloatArray) -> None:
        frames = np.lib.stride_tricks.sliding_window_view(field, _FRAME, axis=1)[:, ::_HOP]
        spectra = np.fft.rfft(frames * self._window, axis=2)[:, :, self._bins]
        power = np.mean(np.abs(spectra) ** 2, axis=1)
        cross = np.mean(spectra[1:] * np.conj(spectra[:1]), axis=1)
        foretold = np.abs(cross) ** 2 / np.maximum(power[:1], 1e-30)
        # W and noise of its own agree by chance in one of so many frames; overlapping ones count for less.
        left = np.maximum(power[1:] - foretold, 0.0).sum(axis=1) * _CHUNK_FRAMES / (_CHUNK_FRAMES - 1.5)
        omni = power[0].sum()
        scale = 2.0 / (self._window.sum() ** 2 * 1.5)
        if omni > 0:
            level = float(np.sqrt(power.sum() * scale))
            self._rows.append((self._done / self._rate_hz, 3.0 * float(np.median(left)) / float(omni), level))
