"""Mains hum: lines at 50 or 60 Hz and their multiples, there all the time.

Goal: tell hum from bass notes. Hum stands still: its lines keep their place and last through words and rests. So
spectra of 2.7 s are averaged in dB, where what is there half of the time counts half; and all lines must be
multiples of one frequency within 1 % of 50 or 60 Hz.
Functions: HumMeter.
Sources: IEC 60038 (nominal 50 and 60 Hz); EN 50160 (50 Hz +-1 % for 99.5 % of a year in joined grids; value from
memory).
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray

NOMINALS_HZ = (50.0, 60.0)
TOLERANCE = 0.01
_FRAME = 2048
_HIGHEST_HZ = 310.0
_WIDTH_HZ = 1.2
"""A line's window half-width, and half the gap it must stand in alone."""

_FLOOR_HZ = 6.0
_AGREE_HZ = 0.12
"""How far a line's frequency over its number may lie from the common one."""


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum in one channel."""

    channel: int
    frequency_hz: float
    """Of the first multiple, whether or not that is heard."""
    lines: tuple[int, ...]
    """The multiples that stand out."""
    excess_db: float
    """How far the strongest stands above what lies around it."""
    rms: float
    """Of all of them together, full scale 1."""


class HumMeter:
    """Looks for hum in the low band (spatial.analysis.lowband)."""

    def __init__(self, channels: int, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._rest = np.zeros((channels, 0), dtype=np.float32)
        self._window = np.hanning(_FRAME + 1)[:-1].astype(np.float32)
        bins = int(_HIGHEST_HZ * _FRAME / rate_hz) + 2
        self._sum_db = np.zeros((channels, bins))
        self._frames = 0

    def push(self, low: FloatArray) -> None:
        """Take the next samples of the low band, shape (channels, samples)."""
        self._rest = np.concatenate([self._rest, low], axis=1)
        while self._rest.shape[1] >= _FRAME:
            spectrum = np.fft.rfft(self._rest[:, :_FRAME] * self._window, axis=1)[:, : self._sum_db.shape[1]]
            # A sine of mean square p gives p / 2 in its bin.
            power = np.abs(spectrum) ** 2 / self._window.sum() ** 2 * 2.0
            self._sum_db += 10 * np.log10(np.maximum(power, 1e-20))
            self._frames += 1
            self._rest = self._rest[:, _FRAME // 2 :]

    def finish(self) -> tuple[Hum, ...]:
        """The channels that hum. A recording of less than 4 s cannot be judged."""
        if self._frames < 2:
            return ()
        levels = self._sum_db / self._frames
        found = []
        for channel, level_db in enumerate(levels):
            hums = [hum for nominal in NOMINALS_HZ if (hum := self._hum(channel, level_db, nominal)) is not None]
            if hums:
                found.append(max(hums, key=lambda hum: (len(hum.lines), hum.excess_db)))
        return tuple(found)

    def _hum(self, channel: int, level_db: FloatArray, nominal_hz: float) -> Hum | None:
        # One frame of noise scatters by 5.6 dB, and a line is sought among a few bins.
        least_db = 7.0 + 14.0 / np.sqrt(self._frames / 2.0)
        lines = {}
        for number in range(1, int(_HIGHEST_HZ // nominal_hz) + 1):
            line = self._line(level_db, number * nominal_hz, number)
            if line is not None and line[1] >= least_db:
                lines[number] = line
        if not lines:
            return None
        strongest = max(lines, key=lambda number: lines[number][1])
        base_hz = lines[strongest][0]
        kept = {number: line for number, line in lines.items() if abs(line[0] - base_hz) <= _AGREE_HZ}
        best = lines[strongest][1]
        if len(kept) < 2 and not (strongest <= 2 and best >= least_db + 12.0):
            return None
        power = sum(10 ** (line[2] / 10) for line in kept.values())
        return Hum(channel, base_hz, tuple(sorted(kept)), best, float(np.sqrt(power)))

    def _line(self, level_db: FloatArray, target_hz: float, number: int) -> tuple[float, float, float] | None:
        """Frequency over number, excess in dB and level in dB of a line that peaks near a frequency."""
        spacing = self._rate_hz / _FRAME
        centre, width = target_hz / spacing, max(_WIDTH_HZ, target_hz * TOLERANCE) / spacing
        first, last = int(np.floor(centre - width)), int(np.ceil(centre + width))
        around = int(_FLOOR_HZ / spacing)
        if last + around >= level_db.size:
            return None
        peak = first + int(np.argmax(level_db[first : last + 1]))
        left, top, right = (float(value) for value in level_db[peak - 1 : peak + 2])
        if not (top >= left and top >= right):
            return None
        bend = left - 2 * top + right
        frequency = (peak + (0.5 * (left - right) / bend if bend < 0 else 0.0)) * spacing / number
        if abs(frequency / (target_hz / number) - 1.0) > TOLERANCE:
            return None
        gap = int(np.ceil(2.0 / spacing))
        beside = np.concatenate([level_db[peak - around : peak - gap], level_db[peak + gap : peak + around]])
        # A slope (rumble) puts one side higher: the higher side is the floor.
        floor = max(float(np.median(beside[: around - gap])), float(np.median(beside[around - gap :])))
        return frequency, top - floor, top
