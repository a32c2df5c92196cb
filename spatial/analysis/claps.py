"""Claps in a recording: found among speech, steps and knocks.

Goal: the moments of single hand claps near the microphone. A clap starts within a millisecond or two in every band at
once, and is gone before a syllable would have begun: what is left after it is the room.
Functions: ClapFinder (push sound, then finish); Clap.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from spatial.conventions import FloatArray

HOP_S = 0.0025

_BANDS_HZ = ((800.0, 1600.0), (1600.0, 3200.0), (3200.0, 6400.0))
# In hops. Chosen on simulated walks that no test or benchmark uses (tests/bench/clapwalk.py, seeds below 1000).
_BEFORE = (24, 2)
_BURST = 3
_AFTER = (16, 48)
_PEAK_HOPS = 40
_RISE_DB = 12.0
_FALL_DB = 6.0
_WEAKEST_DB = 18.0
"""A clap is no weaker than this against the strongest: one person claps much alike, at much the same distance."""


@dataclass(frozen=True, slots=True)
class Clap:
    """One clap."""

    time_s: float
    """When it starts."""
    level_db: float
    """Of its first moments, re full scale."""
    rise_db: float
    """How far it stands out of what was just before, in the band where that is least."""


class ClapFinder:
    """Finds claps in sound that comes block by block."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._hop = round(HOP_S * rate_hz)
        self._filters = [butter(2, band, "bandpass", fs=rate_hz, output="sos") for band in _BANDS_HZ]
        self._states = [np.zeros((sos.shape[0], 2)) for sos in self._filters]
        self._rest = np.zeros((len(_BANDS_HZ), 0))
        self._powers: list[FloatArray] = []

    def push(self, omni: FloatArray) -> None:
        """Listen to the next samples of W, shape (samples,)."""
        bands = []
        for number, sos in enumerate(self._filters):
            filtered, self._states[number] = sosfilt(sos, omni, zi=self._states[number])
            bands.append(filtered)
        sound = np.concatenate([self._rest, np.stack(bands)], axis=1)
        whole = sound.shape[1] // self._hop * self._hop
        self._powers.append(np.mean(sound[:, :whole].reshape(len(bands), -1, self._hop) ** 2, axis=2))
        self._rest = sound[:, whole:]

    def finish(self) -> tuple[Clap, ...]:
        """The claps, in order of time."""
        powers = np.concatenate(self._powers, axis=1) if self._powers else np.zeros((len(_BANDS_HZ), 0))
        if powers.shape[1] <= _BEFORE[0] + _AFTER[1]:
            return ()
        from librosa.util import peak_pick  # a second to import: only a clap walk needs it

        level = 10 * np.log10(powers + 1e-14)
        rise = _rise(level)
        strength = np.maximum(rise, 0.0)
        peaks = peak_pick(
            strength, pre_max=_PEAK_HOPS, post_max=_PEAK_HOPS, pre_avg=1, post_avg=2, delta=0.0, wait=_PEAK_HOPS
        )
        total = np.sum(powers, axis=0)
        found = []
        for peak in peaks:
            burst = float(np.mean(total[peak : peak + _BURST]))
            after = float(np.mean(total[peak + _AFTER[0] : peak + _AFTER[1]])) if peak + _AFTER[1] < total.size else 0.0
            fall_db = 10 * np.log10(burst / max(after, 1e-14)) if burst > 0 else 0.0
            if rise[peak] >= _RISE_DB and fall_db >= _FALL_DB:
                found.append(Clap(float(peak * HOP_S), float(10 * np.log10(burst)), float(rise[peak])))
        loudest = max((clap.level_db for clap in found), default=0.0)
        return tuple(clap for clap in found if clap.level_db > loudest - _WEAKEST_DB)


def _rise(level_db: FloatArray) -> FloatArray:
    """How far each moment stands above what was just before, in the band where that is least, shape (hops,)."""
    first, last = _BEFORE
    sums = np.cumsum(np.pad(level_db, ((0, 0), (1, 0))), axis=1)
    before = np.full_like(level_db, np.inf)
    before[:, first:] = (
        sums[:, first - last + 1 : level_db.shape[1] - last + 1] - sums[:, : level_db.shape[1] - first]
    ) / (first - last + 1)
    # A clap may start late in a hop: the next one tells its strength.
    strongest = np.maximum(level_db, np.pad(level_db[:, 1:], ((0, 0), (0, 1)), mode="edge"))
    return np.asarray(np.min(strongest - before, axis=0))
