"""Listen through a clip or a take once, keeping what sync needs.

Conventions: spatial.conventions (time).
Functions: listen_to_clip, listen_to_take.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from spatial.analysis.envelope import WORKING_RATE_HZ, EnvelopeBuilder
from spatial.conventions import FloatArray, W
from spatial.errors import MediaFileError
from spatial.jobs.progress import Progress
from spatial.media.movies import Clip, scratch_blocks
from spatial.media.resampling import resampled
from spatial.media.spool import Spool
from spatial.media.takes import Take, field_blocks

SILENT_DBFS = -90.0
"""A peak below this is no sound: the last bit of a 16-bit file lies at -90 dB."""


@dataclass(frozen=True, slots=True, eq=False)
class Listened:
    """What one pass over a recording left behind."""

    powers: FloatArray
    """Band envelope, shape (bands, frames)."""
    peak: float
    """Largest sample, 1 = full scale."""

    @property
    def silent(self) -> bool:
        """Whether there is nothing to hear."""
        return self.peak < 10 ** (SILENT_DBFS / 20)


@contextmanager
def listen_to_clip(clip: Clip, progress: Progress) -> Iterator[tuple[Spool, Listened]]:
    """Decode the camera's sound once, at WORKING_RATE_HZ; sample 0 lies at clip.scratch.phase_s.

    Raises
    ------
    MediaFileError
        The clip has no sound.
    """
    if clip.scratch is None:
        raise MediaFileError(
            f"{clip.path.name} has no sound, so nothing ties it to a take; use the clip with the camera's own sound"
        )
    rate = clip.scratch.rate_hz
    with Spool(WORKING_RATE_HZ) as spool:
        envelope, peak = EnvelopeBuilder(), 0.0
        for block in resampled(scratch_blocks(clip), rate, WORKING_RATE_HZ):
            spool.write(block)
            envelope.push(block)
            peak = max(peak, float(np.max(np.abs(block))))
            progress(f"listening to {clip.path.name}", spool.length / WORKING_RATE_HZ / max(clip.duration_s, 1e-9))
        yield spool, Listened(envelope.finish(), peak)


def listen_to_take(take: Take, progress: Progress) -> Listened:
    """Read a take's W once for its envelope."""
    envelope, peak, done = EnvelopeBuilder(), 0.0, 0

    def omni() -> Iterator[FloatArray]:
        nonlocal done, peak
        for block in field_blocks(take):
            done += block.shape[1]
            peak = max(peak, float(np.max(np.abs(block[W]))))
            progress(f"listening to {take.path.name}", done / max(take.samples, 1))
            yield block[W : W + 1]

    for block in resampled(omni(), take.rate_hz, WORKING_RATE_HZ):
        envelope.push(block)
    return Listened(envelope.finish(), peak)
