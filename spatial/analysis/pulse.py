"""Whether the sound that a clip and a take share is steady music and nothing else.

Music from a machine keeps its beat to within milliseconds for as long as it plays; people do not, whether they talk,
clap or play. Where every onset that both recordings hold lies on one unwavering pulse, the match rests on music that
may have been played back, and any other take of the same playback would match as well.

Conventions: spatial.conventions (time). Band envelopes as in spatial.analysis.envelope.
Functions: find_pulse.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.signal import find_peaks

from spatial.analysis.envelope import ENVELOPE_RATE_HZ, changes_of
from spatial.conventions import FloatArray
from spatial.timebase import ClockLaw

MIN_SHARED_S = 12.0
"""In less, a player's beat may seem as steady as a machine's."""

MOST_S = 900.0
"""No song keeps one tempo for longer."""

# Chosen on seeds below 30 of tests/bench/songs.py and below 12 of tests/bench/syncscenes.py: pairs that share nothing
# but the song reached 0.55 to 0.73 with at most 0.06 of their onsets off the pulse; talk, claps and a string
# instrument by turns in rooms at most 0.29 with 0.32 or more; one plucked to the sample, with claps, 0.72 with 0.11.
_STEADY = 0.5
_MOST_OFF = 0.08

_PULSE_HZ = (2.0, 10.0)
"""Eighths and sixteenths of all music lie in here; a slower beat has faster notes between."""

_FINENESS = 10
_OFF_S = 0.025
_APART_FRAMES = 4
_PROMINENT, _LOUD_QUANTILE = 0.25, 0.98


@dataclass(frozen=True, slots=True)
class Pulse:
    """The pulse of the onsets that two recordings share."""

    shared_s: float
    rate_hz: float
    steadiness: float
    """How much of all onsets falls on the pulse, 0 to 1: 1 is a click without length."""
    off: float
    """Share of the distinct onsets that lie off the pulse, up to 1."""

    @property
    def nothing_else(self) -> bool:
        """Whether there is nothing beside steady music."""
        return self.shared_s >= MIN_SHARED_S and self.steadiness >= _STEADY and self.off <= _MOST_OFF


def find_pulse(clip_powers: FloatArray, take_powers: FloatArray, law: ClockLaw) -> Pulse:
    """The steadiest pulse in what a clip and a take share.

    Parameters
    ----------
    clip_powers, take_powers : ndarray, shape (bands, frames)
        From EnvelopeBuilder.
    law : ClockLaw
        From the time of the clip's envelope to the take's.

    Returns
    -------
    Pulse
        With nothing shared, and of clips longer than MOST_S, of steadiness 0.
    """
    if clip_powers.shape[1] > MOST_S * ENVELOPE_RATE_HZ:
        return Pulse(clip_powers.shape[1] / ENVELOPE_RATE_HZ, 0.0, 0.0, 1.0)
    onsets = _shared_onsets(clip_powers, take_powers, law)
    shared_s = len(onsets) / ENVELOPE_RATE_HZ
    if shared_s < 1.0 or not onsets.any():
        return Pulse(shared_s, 0.0, 0.0, 1.0)
    times_s = np.arange(len(onsets)) / ENVELOPE_RATE_HZ
    # Rates a tenth of a turn apart over the whole of it.
    size = fft.next_fast_len(_FINENESS * len(onsets), real=True)
    rates_hz = np.arange(size // 2 + 1) * ENVELOPE_RATE_HZ / size
    likely = (rates_hz >= _PULSE_HZ[0]) & (rates_hz <= _PULSE_HZ[1])
    turns = np.where(likely, fft.rfft(onsets, size), 0.0)
    best = int(np.argmax(np.abs(turns)))
    rate_hz = float(rates_hz[best])
    loud = float(np.quantile(onsets, _LOUD_QUANTILE))
    peaks, _ = find_peaks(onsets, distance=_APART_FRAMES, prominence=_PROMINENT * loud)
    cycles = times_s[peaks] * rate_hz + np.angle(turns[best]) / (2 * np.pi)
    off_s = np.abs(cycles - np.rint(cycles)) / rate_hz
    off = float(np.mean(off_s > _OFF_S)) if peaks.size else 1.0
    return Pulse(shared_s, rate_hz, float(np.abs(turns[best]) / onsets.sum()), off)


def _shared_onsets(clip_powers: FloatArray, take_powers: FloatArray, law: ClockLaw) -> FloatArray:
    """How strongly both rise at each frame of the clip that the take covers, shape (frames,)."""
    clip, take = changes_of(clip_powers), changes_of(take_powers)
    times_s = np.arange(clip.shape[1]) / ENVELOPE_RATE_HZ
    heard_s = times_s * law.ratio + law.offset_s
    for step in law.steps:
        heard_s[times_s >= step.clip_time_s] += step.step_s
    places = np.rint(heard_s * ENVELOPE_RATE_HZ).astype(int)
    covered = (places >= 0) & (places < take.shape[1])
    onsets = np.zeros(int(covered.sum()))
    for one, other in zip(clip, take, strict=True):
        onsets += np.sqrt(np.maximum(one[covered], 0.0) * np.maximum(other[places[covered]], 0.0))
    return onsets
