"""How much of a sound field came through: one that was sent against one that was received, sample by sample.

Goal: prove a coder, a container or an export by what arrives: the delay, the gain, how far directions have turned, and
how much of one channel has got into another.
Conventions: spatial.conventions (field, array layout). A positive delay: the received field is late.
Functions: FieldComparison (takes both fields in, block by block); FieldMatch.
Sources:
[1] Merimaa and Pulkki 2005, JAES 53(12): active intensity and energy of a first-order field; their ratio is 1 for one
    plane wave and 0 in a diffuse field.
[2] Knapp and Carter 1976, IEEE Trans. ASSP 24(4): delay by the cross-spectrum.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from spatial.conventions import FIRST_ORDER_CHANNELS, ComplexArray, FloatArray, W, X, Y, Z
from spatial.errors import InputError
from spatial.field import angle_between

STEP_S = 0.1
"""Directions are compared tenth by tenth: shorter than a syllable."""

BAND_HZ = (300.0, 5000.0)
"""Where a small first-order microphone tells directions (see spatial.direction.intensity), and coders keep the wave."""

FROM_ONE_SIDE = 0.5
"""A tenth counts where at least this part of its energy flows one way ([1]): where sound comes from everywhere there
is no direction that could be turned, and its angle is chance."""

_QUIET_DB, _SILENT_DB = 50.0, -90.0
"""A tenth so far under the loudest, or so faint, is a room's hiss."""

_BLOCK = 1 << 15
_MOST_DELAY = _BLOCK // 4
"""0.17 s at 48 kHz."""

_ALIKE = 0.7
"""A piece tells its own delay where both are so alike at it, as a correlation."""

_RIDGE = 1e-4
"""Part of the field's power that keeps a mix from being explained by channels that hold next to nothing."""

_HALF_STEP = 2.0**-24 * 1.01
"""Half a step of 24 bits, and what single precision adds to it."""


@dataclass(frozen=True, slots=True, eq=False)
class FieldMatch:
    """What came through."""

    delay_samples: int | None
    """By all of it; None where nothing that was received is like what was sent."""
    worst_piece_samples: int
    """The largest difference of one piece's delay from that."""
    worst_piece_s: float
    """When that piece starts."""
    gain_db: float
    """Level of the received field against the sent one, in the band; NaN where nothing was sent."""
    exact: bool
    """Whether every sample is the same, to half a step of 24 bits."""
    mix: FloatArray
    """What of each sent channel (columns) is in each received one (rows), in the band, shape (4, 4)."""
    turned_rad: FloatArray
    """Angle between both directions, in each tenth that has one, shape (tenths,)."""
    tenths: int
    """Tenths in all that are not silent."""

    @property
    def leakage_db(self) -> float:
        """The largest part of one channel in another, against that channel; -inf for none."""
        aside = np.abs(self.mix - np.diag(np.diag(self.mix)))
        own = max(float(np.max(np.abs(np.diag(self.mix)))), 1e-12)
        return float(20.0 * np.log10(max(np.max(aside) / own, 1e-15)))

    def turned_by(self, share: float) -> float:
        """The angle within which this share of the tenths lies, radians; NaN where none has a direction."""
        return float(np.quantile(self.turned_rad, share)) if len(self.turned_rad) else float("nan")

    @property
    def exchanged(self) -> bool:
        """Whether a channel has come through as another, or inverted, or not at all."""
        # A turn of up to 60 degrees leaves more than half of a channel in its place, and is told by the directions.
        return bool(np.any(np.diag(self.mix) < 0.5 * np.max(np.abs(self.mix))))


class FieldComparison:
    """Takes both fields in, block by block, and says what came through.

    Parameters
    ----------
    rate_hz : int
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._held = (np.zeros((FIRST_ORDER_CHANNELS, 0), np.float32),) * 2
        self._cross = np.zeros(_BLOCK + 1, dtype=np.complex128)
        self._pieces: list[tuple[int, int]] = []
        self._count = 0
        self._exact = True
        self._own = np.zeros((FIRST_ORDER_CHANNELS,) * 2)
        self._mixed = np.zeros((FIRST_ORDER_CHANNELS,) * 2)
        self._arrived = 0.0
        self._rows: list[FloatArray] = []
        self._step = round(STEP_S * rate_hz)
        freqs = fft.rfftfreq(self._step, 1 / rate_hz)
        self._bins = (freqs >= BAND_HZ[0]) & (freqs < BAND_HZ[1])
        self._taper = np.hanning(self._step).astype(np.float32)

    def add(self, sent: FloatArray, received: FloatArray) -> None:
        """Take in the next block of both.

        Parameters
        ----------
        sent, received : ndarray, shape (4, samples)

        Raises
        ------
        InputError
            Other shapes.
        """
        if sent.shape != received.shape or sent.ndim != 2 or len(sent) != FIRST_ORDER_CHANNELS:
            raise InputError(f"two blocks of shape (4, samples) are compared, got {sent.shape} and {received.shape}")
        self._exact = self._exact and bool(np.all(np.abs(sent - received) <= _HALF_STEP))
        sent, received = (
            np.concatenate([held, block], axis=1) for held, block in zip(self._held, (sent, received), strict=True)
        )
        # Whole tenths and whole pieces: their common length is a number of both.
        size = self._step * (_BLOCK // self._step)
        while sent.shape[1] >= size:
            self._take(sent[:, :size], received[:, :size])
            sent, received = sent[:, size:], received[:, size:]
        self._held = (sent, received)

    def result(self) -> FieldMatch:
        """What came through; call it once, when all has been taken in."""
        sent, received = self._held
        if sent.shape[1]:
            missing = -sent.shape[1] % self._step
            self._take(*(np.pad(part, ((0, 0), (0, missing))) for part in (sent, received)))
        delay = self._delay(self._cross)
        worst = max(self._pieces, key=lambda piece: abs(piece[1] - (delay or 0)), default=(0, delay or 0))
        power = float(np.trace(self._own))
        mix = np.zeros((4, 4))
        gain = float("nan")
        if power > 0:
            # By power: a coder that replaces faint noise by other noise keeps the level, but not the wave.
            gain = float(10.0 * np.log10(max(self._arrived / power, 1e-30)))
            ratio = float(np.trace(self._mixed) / power)
            # What a gain for all does not explain; channels that hold nothing are left as that gain makes them.
            rest = self._mixed - ratio * self._own
            ridge = _RIDGE * power / FIRST_ORDER_CHANNELS * np.eye(FIRST_ORDER_CHANNELS)
            mix = ratio * np.eye(4) + np.linalg.solve(self._own + ridge, rest.T).T
        rows = np.concatenate(self._rows, axis=0) if self._rows else np.zeros((0, 10))
        level_db = 10.0 * np.log10(rows[:, 0] + 1e-30)
        heard = level_db > max(_SILENT_DB, float(np.max(level_db, initial=-300.0)) - _QUIET_DB)
        flow = np.linalg.norm(rows[:, 1:4], axis=1)
        arrived = np.linalg.norm(rows[:, 4:7], axis=1)
        one_way = heard & (flow >= FROM_ONE_SIDE * rows[:, 7]) & (arrived > 0)
        turned = angle_between(rows[one_way, 1:4], rows[one_way, 4:7]) if np.any(one_way) else np.zeros(0)
        return FieldMatch(
            delay_samples=delay,
            worst_piece_samples=0 if delay is None else worst[1] - delay,
            worst_piece_s=worst[0] / self._rate_hz,
            gain_db=gain,
            exact=self._exact,
            mix=mix,
            turned_rad=np.asarray(turned),
            tenths=int(np.count_nonzero(heard)),
        )

    def _take(self, sent: FloatArray, received: FloatArray) -> None:
        # As changes from sample to sample: a rumble, which is alike everywhere, says little of when.
        spectra = [
            fft.rfft(np.diff(part, axis=1, prepend=part[:, :1]), 2 * _BLOCK, axis=1) for part in (sent, received)
        ]
        cross = np.sum(np.conj(spectra[0]) * spectra[1], axis=0)
        self._cross += cross
        powers = [float(np.sum(np.abs(part) ** 2)) for part in spectra]
        self._piece(cross, powers)
        self._count += sent.shape[1]
        self._rows.append(self._tenths(sent, received))

    def _piece(self, cross: ComplexArray, powers: list[float]) -> None:
        whole = np.sqrt(powers[0] * powers[1])
        if whole <= 0:
            return
        lags = fft.irfft(cross)
        peak = float(np.max(np.abs(lags))) * len(lags) / 2 / whole
        delay = self._delay(cross)
        # The one-sided sum counts each frequency once, the inverse transform twice.
        if delay is not None and peak >= _ALIKE:
            self._pieces.append((self._count, delay))

    @staticmethod
    def _delay(cross: ComplexArray) -> int | None:
        lags = fft.irfft(cross)
        near = np.concatenate([lags[-_MOST_DELAY:], lags[: _MOST_DELAY + 1]])
        if not np.any(near):
            return None
        return int(np.argmax(near)) - _MOST_DELAY

    def _tenths(self, sent: FloatArray, received: FloatArray) -> FloatArray:
        """Level, both intensities (X, Y, Z) and the sent energy of each tenth, shape (tenths, 8)."""
        rows = []
        spectra = []
        for part in (sent, received):
            cut = part.reshape(FIRST_ORDER_CHANNELS, -1, self._step) * self._taper
            spectra.append(fft.rfft(cut, axis=2)[:, :, self._bins])
        for spectrum in spectra:
            flow = np.real(np.conj(spectrum[W])[None] * spectrum[[X, Y, Z]]).sum(axis=2).T
            rows.append(flow)
        own, other = (spectrum.reshape(FIRST_ORDER_CHANNELS, -1).astype(np.complex128) for spectrum in spectra)
        self._own += np.real(own @ own.conj().T)
        self._mixed += np.real(other @ own.conj().T)
        self._arrived += float(np.sum(np.abs(other) ** 2))
        energy = 0.5 * np.sum(np.abs(spectra[0]) ** 2, axis=(0, 2))
        level = np.mean(sent[W].reshape(-1, self._step).astype(np.float64) ** 2, axis=1)
        return np.concatenate([level[:, None], rows[0], rows[1], energy[:, None]], axis=1)
