"""A cheap picture of a sound's comings and goings, at a hundred values a second.

Conventions: spatial.conventions (time; array layout).
Functions: EnvelopeBuilder (from blocks of sound to a band envelope); as_if_at_rate (the same at another sample
rate); changes_of (its rises and falls); is_steady.
"""

import numpy as np
from scipy import fft

from spatial.conventions import FloatArray

WORKING_RATE_HZ = 16_000
"""Sync listens at this rate: the timing of speech and music shows below 8 kHz, lossy scratch sound above it."""

HOP = 160
"""Samples between envelope frames: 10 ms."""

ENVELOPE_VERSION = 1
"""Counts on with every change to what EnvelopeBuilder makes: kept envelopes of older versions are not used."""

ENVELOPE_RATE_HZ = WORKING_RATE_HZ / HOP
"""Envelope frames in a second: 100."""

_WINDOW = 512
"""Samples in one envelope frame: 32 ms. Shorter ones cannot part the lowest bands, longer ones blur what starts within
10 ms."""

_BATCH = 64
"""Frames transformed at once: few enough to stay in the processor's cache, which halves the time."""

_ROOM = 1 << 20
"""Frames that room is set aside for at once, three hours: so much the system takes back whole, and none of it is used
before it is filled."""

_EDGES_HZ = np.geomspace(200.0, 7000.0, 13)
"""Edges of the 12 bands, evenly spaced in pitch. Below 200 Hz lies wind and handling, above 7 kHz what lossy sound
drops."""

_LIVELY, _LIVELY_SHARE = 0.5, 0.02
"""A sound is steady when less than a fiftieth of it changes by 2 dB within 40 ms."""

_STEADY = 0.03
"""A band whose level changes by less, in log power, holds a tone or nothing."""


class EnvelopeBuilder:
    """Turns blocks of sound at WORKING_RATE_HZ into log band powers, 12 bands by 100 frames a second.

    Frame k is centred on sample k * HOP + 256.
    """

    def __init__(self) -> None:
        self._tail: FloatArray | None = None
        self._blocks: list[FloatArray] = []
        self._count = 0
        self._window = np.hanning(_WINDOW).astype(np.float32)
        bins = np.fft.rfftfreq(_WINDOW, 1.0 / WORKING_RATE_HZ)
        self._bands = np.searchsorted(bins, _EDGES_HZ)

    def push(self, channels: FloatArray) -> None:
        """Add a block, shape (channels, samples). The powers of the channels are summed."""
        # Resampled blocks come with the channels interleaved, in which frames would be read four times as slowly.
        joined = np.ascontiguousarray(channels if self._tail is None else np.hstack([self._tail, channels]))
        count = (joined.shape[-1] - _WINDOW) // HOP + 1
        if count <= 0:
            self._tail = joined
            return
        frames = np.lib.stride_tricks.sliding_window_view(joined, _WINDOW, axis=-1)[:, ::HOP][:, :count]
        for first in range(0, count, _BATCH):
            spectrum = fft.rfft(frames[:, first : first + _BATCH] * self._window, axis=-1)
            power = np.sum(spectrum.real**2 + spectrum.imag**2, axis=0)
            self._append(np.add.reduceat(power, self._bands, axis=-1)[:, :-1].T)
        self._tail = joined[:, count * HOP :]

    def finish(self) -> FloatArray:
        """Band powers, shape (12, frames)."""
        powers = np.empty((len(self._bands) - 1, self._count), dtype=np.float32)
        for first in range(0, self._count, _ROOM):
            # Each block goes as it is copied, so that hours of frames never stand in memory twice.
            powers[:, first : first + _ROOM] = self._blocks.pop(0)[:, : self._count - first]
        return powers

    def _append(self, bands: FloatArray) -> None:
        done = 0
        while done < bands.shape[1]:
            place = self._count % _ROOM
            if place == 0:
                self._blocks.append(np.empty((len(bands), _ROOM), dtype=np.float32))
            part = bands[:, done : done + _ROOM - place]
            self._blocks[-1][:, place : place + part.shape[1]] = part
            self._count += part.shape[1]
            done += part.shape[1]


def as_if_at_rate(powers: FloatArray, ratio: float) -> FloatArray:
    """The envelope that the same samples would have, had they been read at `ratio` times their rate.

    Parameters
    ----------
    powers : ndarray, shape (bands, frames)
    ratio : float
        Read faster, 1 or more, they last shorter and sound higher.

    Returns
    -------
    ndarray, shape (bands, frames / ratio)
    """
    frames = powers.shape[1]
    # Frames are centred half a window after their first sample, which is another time at another rate.
    places = np.arange(int(frames / ratio)) * ratio + _WINDOW / 2 / HOP * (ratio - 1.0)
    up = round(np.log(ratio) / np.log(_EDGES_HZ[1] / _EDGES_HZ[0]))
    moved = np.zeros_like(powers)
    if up >= 0:
        moved[up:] = powers[: len(powers) - up]
    else:
        moved[:up] = powers[-up:]
    return np.stack([np.interp(places, np.arange(frames), band) for band in moved]).astype(np.float32)


def is_steady(powers: FloatArray) -> bool:
    """Whether hardly anything in a sound comes and goes: hum, a chord, silence, DC."""
    if powers.shape[1] < 8:
        return True
    levels = np.log(powers + 1e-4 * np.max(powers) + 1e-30)
    lively = np.max(np.abs(levels[:, 4:] - levels[:, :-4]), axis=0) > _LIVELY
    return bool(np.mean(lively) < _LIVELY_SHARE)


def changes_of(powers: FloatArray) -> FloatArray:
    """Rises and falls of each band, deaf to slow gain riding and to the noise floor; unit variance.

    Parameters
    ----------
    powers : ndarray, shape (bands, frames)
        From EnvelopeBuilder.

    Returns
    -------
    ndarray, shape (bands, frames)
        0 in bands that hold a tone or nothing.
    """
    changes = np.zeros(powers.shape, dtype=np.float32)
    if powers.shape[1] < 8:
        return changes
    least = 1e-12 * float(np.max(powers)) + 1e-30
    # Band by band: over hours the room for all of them at once is not there.
    for band, scaled in zip(powers, changes, strict=True):
        levels = np.log(band + np.float32(np.quantile(band, 0.25) + least))
        change = levels[3:-1] + levels[4:] - levels[:-4] - levels[1:-3]
        spread = float(np.sqrt(np.sum(change.astype(np.float64) ** 2) / band.size - (np.sum(change) / band.size) ** 2))
        if spread > _STEADY:
            scaled[2:-2] = np.clip(change / spread, -4.0, 4.0)
    return changes
