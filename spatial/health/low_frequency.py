"""Low frequencies: wind and handling, mains hum.

Goal: distinguish wind on the capsules from a bass drum, traffic or thunder, and hum from bass notes, at a hundredth of
the work that the full sample rate would take.
Method: the lowest octaves are taken out at a rate of about 750 Hz by 256 taps (at 48 kHz) under a Blackman window, flat
within 1 dB up to 200 Hz; what it folds into the band below 200 Hz lies above 550 Hz and is at least 70 dB down.
- In any field of far sources, one or many, X^2 + Y^2 + Z^2 = W^2 on the average in SN3D [1]. Noise that each of four
  coincident cardioids makes for itself gives 3 W^2 in each of X, Y and Z: nine times as much, not in phase with W. A
  near source (proximity) or a room's mode also raises X, Y, Z, but in step with W: what W predicts is taken away.
- Hum stands still: its lines keep their place and last through words and rests. So spectra of 2.7 s are averaged in dB,
  where what is there half of the time counts half; and all lines must be multiples of one frequency within 1 % of 50 or
  60 Hz [2], [3].
Functions: LowBand (streams a sound into its low band); RumbleMeter (wind and handling); HumMeter.
Sources:
[1] Nachbar, Zotter, Deleflie and Sontacchi 2011, "AmbiX - A Suggested Ambisonics Format", Ambisonics Symposium: SN3D;
the ratio follows from the gains of one plane wave.
[2] IEC 60038: nominal 50 and 60 Hz.
[3] EN 50160: 50 Hz +-1 % for 99.5 % of a year in joined grids (value from memory).
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.dsp.stft import framed_spectra
from spatial.health.pages import MARGIN, Page

# --- wind and handling ---

LOWEST_HZ, HIGHEST_HZ = 15.0, 120.0
"""Band in which wind and handling are measured, Hz. Below it recorders' own filters cut (common practice, no source),
above it voices begin."""

_FRAME = 256
"""Samples of the low band in one frame: a third of a second, bins of 3 Hz."""

_HOP = 128
"""Samples from one frame to the next: half a frame."""

_CHUNK_FRAMES = 8
"""Spectra averaged into one look: 1.5 s. With 8 overlapping frames noise predicts noise by about a fifth."""

OWN_NOISE_RATIO = 3.0
"""XYZ power that W does not predict over W: 1 in a diffuse field, 9 for capsules on their own."""


@dataclass(frozen=True, slots=True, eq=False)
class Rumble:
    """The low octaves over time, one value a look."""

    times_s: FloatArray
    """Start of each look."""
    ratio: FloatArray
    """Power that W does not predict in the middle one of X, Y, Z, times three, over the power of W. One channel alone
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
        spectra = framed_spectra(field, self._window, _HOP, bins=self._bins)
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


# --- mains hum ---

NOMINALS_HZ = (50.0, 60.0)
"""Mains frequencies, Hz (IEC 60038)."""

TOLERANCE = 0.01
"""Part by which the mains may stray from its nominal value (EN 50160)."""

_HUM_FRAME = 2048
"""Samples of the low band in one frame: 2.7 s, bins of 0.37 Hz. A shorter one does not part a line from a bass note
beside it, a longer one needs a longer recording."""

_HIGHEST_HZ = 310.0
"""Highest multiple that is looked at, Hz: six of 50 Hz and five of 60 Hz lie below. Above it the low band falls off."""

_WIDTH_HZ = 1.2
"""A line's window half-width, and half the gap it must stand in alone."""

_FLOOR_HZ = 6.0
"""How far to either side a line's floor is measured, Hz."""

_AGREE_HZ = 0.12
"""How far a line's frequency over its number may lie from the common one."""


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum in one channel."""

    channel: int
    frequency_hz: float
    """Of the first multiple, whether or not that stands out."""
    lines: tuple[int, ...]
    """The multiples that stand out."""
    excess_db: float
    """How far the strongest stands above what lies around it."""
    rms: float
    """Of all of them together, full scale 1."""


class HumMeter:
    """Looks for hum in the low band (spatial.health.low_frequency)."""

    def __init__(self, channels: int, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._rest = np.zeros((channels, 0), dtype=np.float32)
        self._window = np.hanning(_HUM_FRAME + 1)[:-1].astype(np.float32)
        bins = int(_HIGHEST_HZ * _HUM_FRAME / rate_hz) + 2
        self._sum_db = np.zeros((channels, bins))
        self._frames = 0

    def push(self, low: FloatArray) -> None:
        """Take the next samples of the low band, shape (channels, samples)."""
        self._rest = np.concatenate([self._rest, low], axis=1)
        while self._rest.shape[1] >= _HUM_FRAME:
            spectrum = np.fft.rfft(self._rest[:, :_HUM_FRAME] * self._window, axis=1)[:, : self._sum_db.shape[1]]
            # A sine of mean square p gives p / 2 in its bin.
            power = np.abs(spectrum) ** 2 / self._window.sum() ** 2 * 2.0
            self._sum_db += 10 * np.log10(np.maximum(power, 1e-20))
            self._frames += 1
            self._rest = self._rest[:, _HUM_FRAME // 2 :]

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
        spacing = self._rate_hz / _HUM_FRAME
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


# --- the low band ---

TARGET_RATE_HZ = 750.0
"""Sample rate of the low band, about: a sixty-fourth of 48 kHz, and the nearest whole part of other rates."""

_LENGTHS = 4
"""Length of the filter in output samples."""

_CUT_HZ = 300.0
"""Where the filter's ideal response ends, Hz. With its 256 taps it is flat within 1 dB to 200 Hz; a higher one folds
more into the band."""


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
