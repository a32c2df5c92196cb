"""Everything that can be measured of a recording's health in one pass.

Goal: feed every detector from one stream, so that an hour is read once.
Which detector gets what: clipping, levels, holes, clicks, repeats, hum and the ceiling of the spectrum judge the
RECORDED channels, as they lie in the file; rumble and balance judge the FIELD that they make together.
Functions: HealthMeter.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError
from spatial.health.channel_balance import Balance, judge_balance
from spatial.health.clipping import Clipping, ClippingMeter
from spatial.health.dropouts import Click, ClickMeter, Hole, HoleMeter, Repeat, RepeatMeter
from spatial.health.levels import LevelMeter, Levels
from spatial.health.low_frequency import Hum, HumMeter, LowBand, Rumble, RumbleMeter
from spatial.health.pages import MARGIN, Page, Pager
from spatial.health.spectrum import Ceiling, Spectra, SpectraMeter, find_ceiling


@dataclass(frozen=True, slots=True, eq=False)
class Health:
    """What was measured; spatial.jobs.inspect.take_health has what it means."""

    rate_hz: int
    samples: int
    step: float
    """Size of one step of the coding."""
    capsules: bool
    """The recorded channels are capsules, not a field."""
    peaks: FloatArray
    """Largest size of a sample of each recorded channel."""
    levels: Levels
    clippings: tuple[Clipping, ...]
    holes: tuple[Hole, ...]
    repeats: tuple[Repeat, ...]
    clicks: tuple[Click, ...]
    """Jumps that belong to no hole and no repeat."""
    hums: tuple[Hum, ...]
    rumble: Rumble
    ceiling: Ceiling | None
    quiet_lines_db: float
    """How far lines stand out of the spectrum of quiet moments: noise has none, music has."""
    balance: Balance | None
    voice_level: float
    """RMS of the first channel of the field, 300 to 3000 Hz, in a loud moment (one page in twenty is louder)."""


class HealthMeter:
    """Measures a recording that is pushed in blocks.

    Parameters
    ----------
    rate_hz, samples : int
        Sample rate and length of what will be pushed.
    step : float
        Size of one step of the coding, full scale 1: 2^-15 for 16 bits.
    field_from_recorded : ndarray, shape (4, 4)
        W, Y, Z, X (SN3D) from the recorded channels.

    Raises
    ------
    InputError
        A matrix or a block of another shape.
    """

    def __init__(self, rate_hz: int, samples: int, *, step: float, field_from_recorded: FloatArray) -> None:
        channels = FIRST_ORDER_CHANNELS
        if field_from_recorded.shape != (channels, channels):
            raise InputError(f"a field is made of 4 recorded channels, got a matrix of {field_from_recorded.shape}")
        self._rate_hz, self._samples, self._step = rate_hz, 0, step
        self._matrix = field_from_recorded
        self._pager = Pager(channels)
        self._clipping = ClippingMeter(channels, step)
        self._levels = LevelMeter(channels, rate_hz)
        self._holes = HoleMeter(channels, step)
        self._repeats = RepeatMeter(channels, step)
        self._clicks = ClickMeter(channels, step)
        self._low = LowBand(rate_hz)
        self._hum = HumMeter(channels, self._low.rate_hz)
        self._rumble = RumbleMeter(self._low.rate_hz, field_from_recorded)
        self._spectra = SpectraMeter(channels, rate_hz, samples)

    def push(self, block: FloatArray) -> None:
        """Take the next recorded samples, shape (4, any number), float32."""
        if block.ndim != 2 or block.shape[0] != FIRST_ORDER_CHANNELS:
            raise InputError(f"a block of a take has 4 channels, got an array of shape {block.shape}")
        self._samples += block.shape[1]
        for page in self._pager.push(block):
            self._look(page)

    def finish(self) -> Health:
        """What was measured."""
        for page in self._pager.finish():
            self._look(page)
        levels, spectra = self._levels.finish(), self._spectra.finish()
        holes, repeats = self._holes.finish(levels.quiet), self._repeats.finish()
        noise = spectra.quiet_power.sum(axis=0)
        # Rounding is even noise of a twelfth of a squared step (from memory: any text on quantisation).
        rounding = FIRST_ORDER_CHANNELS * self._step**2 / 12.0 / noise.size
        return Health(
            rate_hz=self._rate_hz,
            samples=self._samples,
            step=self._step,
            capsules=bool(np.count_nonzero(self._matrix[0]) > 1),
            peaks=self._clipping.peaks,
            levels=levels,
            clippings=self._clipping.finish(),
            holes=holes,
            repeats=repeats,
            clicks=_lone_clicks(self._clicks.finish(), holes, repeats, self._sounding(levels)),
            hums=self._hum.finish(),
            rumble=self._rumble.finish(),
            ceiling=find_ceiling(spectra.frequencies_hz, noise, rounding) if levels.rms.any() else None,
            quiet_lines_db=_lines_db(spectra.frequencies_hz, noise),
            balance=judge_balance(spectra.covariances, self._matrix, quiet_power=_noise_power(spectra)),
            voice_level=_voice_level(spectra, self._matrix),
        )

    def _sounding(self, levels: Levels) -> tuple[int, int]:
        """The first and the last sample between digital silence at the ends."""
        return round(levels.silent_start_s * self._rate_hz), self._samples - round(levels.silent_end_s * self._rate_hz)

    def _look(self, page: Page) -> None:
        self._clipping.push(page)
        self._levels.push(page)
        self._holes.push(page)
        self._repeats.push(page)
        self._clicks.push(page)
        low = self._low.push(page)
        self._hum.push(low)
        self._rumble.push(low)
        self._spectra.push(page)


def _noise_power(spectra: Spectra) -> float:
    """Power of a bin that holds the recorder's noise: between 8 and 12 kHz in quiet moments, all channels."""
    noise = (spectra.frequencies_hz > 8_000.0) & (spectra.frequencies_hz < 12_000.0)
    return float(np.median(spectra.quiet_power[:, noise].sum(axis=0)))


def _lines_db(frequencies_hz: FloatArray, power: FloatArray) -> float:
    """How far the tenth most outstanding bins between 200 and 4000 Hz stand above what lies around them."""
    level_db = 10 * np.log10(np.maximum(power[(frequencies_hz > 200.0) & (frequencies_hz < 4000.0)], 1e-24))
    around = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(level_db, 7, mode="edge"), 15), axis=1)
    return float(np.quantile(level_db - around, 0.9))


def _voice_level(spectra: Spectra, matrix: FloatArray) -> float:
    """RMS of W in the covariances' bands in a loud page."""
    if not len(spectra.covariances):
        return 0.0
    power = np.einsum("c,tbcd,d->tb", matrix[0], spectra.covariances, matrix[0]).real
    # Bands are means over their bins: back to sums.
    return float(np.sqrt(np.quantile(power @ spectra.bins_per_band, 0.95)))


def _lone_clicks(
    clicks: tuple[Click, ...], holes: tuple[Hole, ...], repeats: tuple[Repeat, ...], sounding: tuple[int, int]
) -> tuple[Click, ...]:
    """Clicks that are no edge of what is known already."""
    edges = np.array(
        sorted(
            list(sounding)
            + [place for hole in holes for place in (hole.start, hole.start + hole.length)]
            + [place for one in repeats for place in (one.start - one.lag, one.start, one.start + one.length)]
        )
    )
    return tuple(click for click in clicks if np.min(np.abs(edges - click.sample)) > MARGIN // 8)
