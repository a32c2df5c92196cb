"""One pass over a take: what is kept of it, or remembered from the last time.

Conventions: spatial.conventions (time).
Functions: remembered_take, is_remembered; Hearing (block by block); listen_once (the pass itself); keep_take (for the
next time).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.dsp.samples import while_reading
from spatial.jobs.progress import Progress
from spatial.media.buffers import Resampler, Spool
from spatial.media.cache import FeatureCache
from spatial.media.takes.take import Take, field_blocks
from spatial.sync.envelope import ENVELOPE_VERSION, WORKING_RATE_HZ, EnvelopeBuilder

SILENT_DBFS = -90.0
"""A peak below this is no sound: the last bit of a 16-bit file lies at -90 dB."""

_KIND = f"envelope {ENVELOPE_VERSION}"
"""What envelopes are kept as: those of older code are not used."""


@dataclass(frozen=True, slots=True, eq=False)
class Listened:
    """What one pass over a recording left behind."""

    powers: FloatArray
    """Band envelope, shape (bands, frames)."""
    peak: float
    """Largest sample at WORKING_RATE_HZ, 1 = full scale."""

    @property
    def silent(self) -> bool:
        """Whether there is nothing to hear."""
        return self.peak < 10 ** (SILENT_DBFS / 20)


def remembered_take(take: Take, cache: FeatureCache) -> Listened | None:
    """What was heard of a take before; None where it is new."""
    known = cache.load(take, _KIND)
    if known is None or not known.keys() >= {"powers", "peak"}:
        return None
    return Listened(known["powers"], float(known["peak"]))


def is_remembered(take: Take, cache: FeatureCache) -> bool:
    """Whether a take was heard to its end before; what was heard of it is not fetched."""
    return cache.knows(take, _KIND)


class Hearing:
    """What is kept of sound that comes in blocks: its envelope, its peak and, where asked for, itself."""

    def __init__(self, rate_hz: float, spool: Spool | None = None) -> None:
        self._resampler, self._envelope = Resampler(rate_hz, WORKING_RATE_HZ), EnvelopeBuilder()
        self._spool, self._peak = spool, 0.0

    def push(self, block: FloatArray) -> None:
        """Hear the next block, shape (channels, samples)."""
        self._take_in(self._resampler.push(block))

    def finish(self) -> Listened:
        """What was heard, once there are no more blocks."""
        self._take_in(self._resampler.finish())
        return Listened(self._envelope.finish(), self._peak)

    def _take_in(self, sound: FloatArray) -> None:
        if not sound.size:
            return
        if self._spool is not None:
            self._spool.write(sound)
        self._envelope.push(sound)
        self._peak = max(self._peak, float(np.max(sound)), -float(np.min(sound)))


def listen_once(take: Take, progress: Progress) -> Listened:
    """Read a take's W once for its envelope."""
    hearing, done = Hearing(take.rate_hz), 0

    def omni() -> Iterator[FloatArray]:
        nonlocal done
        for block in field_blocks(take, channels=1):
            done += block.shape[1]
            progress(f"listening to {take.path.name}", done / max(take.samples, 1))
            yield block

    for _ in while_reading(hearing.push, omni()):
        pass
    return hearing.finish()


def keep_take(take: Take, heard: Listened, cache: FeatureCache) -> None:
    """Remember what was heard of a take; its file is read through once more, for a name that is its content's."""
    cache.store(take, _KIND, {"powers": heard.powers, "peak": np.array(heard.peak)})
