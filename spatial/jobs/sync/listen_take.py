"""One pass over a take: what is kept of it, or remembered from the last time.

Conventions: spatial.conventions (time).
Functions: remembered_take, is_remembered; hear_take (the pass itself); keep_take (for the next time).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.jobs.progress import Progress
from spatial.media.buffers import resampled
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


def hear_take(take: Take, progress: Progress) -> Listened:
    """Read a take's W once for its envelope."""
    envelope, peak, done = EnvelopeBuilder(), 0.0, 0

    def omni() -> Iterator[FloatArray]:
        nonlocal done
        for block in field_blocks(take, channels=1):
            done += block.shape[1]
            progress(f"listening to {take.path.name}", done / max(take.samples, 1))
            yield block

    for block in resampled(omni(), take.rate_hz, WORKING_RATE_HZ):
        envelope.push(block)
        peak = max(peak, float(np.max(np.abs(block))))
    return Listened(envelope.finish(), peak)


def keep_take(take: Take, heard: Listened, cache: FeatureCache) -> None:
    """Remember what was heard of a take; its file is read through once more, for a name that is its content's."""
    cache.store(take, _KIND, {"powers": heard.powers, "peak": np.array(heard.peak)})
