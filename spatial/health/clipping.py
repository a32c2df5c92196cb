"""Tops that were cut off, at full scale or wherever a later gain has put them.

Goal: distinguish a wave that ran into a ceiling from one that merely turned there.
A smooth top that stays within t of its peak for m samples lies at most about t (1 + 2/m)^2 below it one sample
further on (a parabola: it falls by c k^2 / 2 in k samples, t in m / 2). A cut top falls by far more. So a run counts as
cut where the samples beside it lie 2.5 times deeper than that, and it lies at the highest value of its channel and
sign. This holds for a bass note in 16 bits, whose tops are flat by rounding, and needs no full scale.
Functions: ClippingMeter.
Sources: AES17 (full scale: the largest code; from memory); three samples: common practice, no source.
"""

from dataclasses import dataclass, field

import numpy as np

from spatial.conventions import FloatArray
from spatial.health.pages import MARGIN, Page

SHORTEST_RUN = 3
"""Samples in a row at the ceiling that are no accident (common practice, no source)."""

_CEILING = 0.9995
"""A run lies at the ceiling if it is this part of the highest sample of its sign, or more: 0.004 dB."""

_SURE = 2.5
"""A cut top leaves the ceiling by this many times what a smooth one can."""

_LEAST_STEPS = 400
"""Steps of the coding below which a peak is too coarse to be judged."""


@dataclass(frozen=True, slots=True)
class Clipping:
    """What was cut off one channel."""

    channel: int
    runs: int
    samples: int
    """In all runs together."""
    longest: int
    """Samples of the longest run."""
    first: int
    """Sample at which the first run begins."""
    ceiling: float
    """Size of the value at which it was cut; full scale is 1."""


@dataclass(slots=True)
class _Ceiling:
    """One channel and sign."""

    peak: float = 0.0
    level: float = 0.0
    """Of the runs that are kept."""
    runs: list[tuple[int, int]] = field(default_factory=list)
    """Start and length."""


class ClippingMeter:
    """Looks for cut tops.

    Parameters
    ----------
    channels : int
    step : float
        Size of one step of the coding: 2^-15 for 16 bits.
    """

    def __init__(self, channels: int, step: float) -> None:
        self._step = step
        self._ceilings = [(_Ceiling(), _Ceiling()) for _ in range(channels)]
        self.peaks = np.zeros(channels)
        """Largest size of a sample so far."""

    def push(self, page: Page) -> None:
        """Look at a page."""
        core = page.core
        highest, lowest = core.max(axis=1), -core.min(axis=1)
        self.peaks = np.maximum(self.peaks, np.maximum(highest, lowest))
        for channel, (up, down) in enumerate(self._ceilings):
            for ceiling, sign, peak in ((up, 1.0, float(highest[channel])), (down, -1.0, float(lowest[channel]))):
                if peak > 0.0 and peak >= _CEILING * ceiling.peak:
                    ceiling.peak = max(ceiling.peak, peak)
                    if peak >= _LEAST_STEPS * self._step:
                        self._look(ceiling, sign * page.sound[channel], page.start)

    def finish(self) -> tuple[Clipping, ...]:
        """The channels that were cut."""
        found = []
        for channel, signs in enumerate(self._ceilings):
            cut = [ceiling for ceiling in signs if ceiling.runs and ceiling.level >= _CEILING * ceiling.peak]
            if cut:
                runs = [run for ceiling in cut for run in ceiling.runs]
                found.append(
                    Clipping(
                        channel=channel,
                        runs=len(runs),
                        samples=sum(length for _, length in runs),
                        longest=max(length for _, length in runs),
                        first=min(start for start, _ in runs),
                        ceiling=max(ceiling.peak for ceiling in cut),
                    )
                )
        return tuple(found)

    def _look(self, ceiling: _Ceiling, sound: FloatArray, start: int) -> None:
        within = max(2.0 * self._step, 1e-5 * ceiling.peak)
        high = np.flatnonzero(sound >= _CEILING * ceiling.peak - within)
        if high.size < SHORTEST_RUN:
            return
        for run in np.split(high, np.flatnonzero(np.diff(high) > 1) + 1):
            first, last = int(run[0]), int(run[-1])
            # A run belongs to the page whose core holds its first sample; MARGIN shows enough of its end.
            if run.size < SHORTEST_RUN or not MARGIN <= first < sound.size - MARGIN:
                continue
            top = sound[first : last + 1]
            flat = np.flatnonzero(top >= top.max() - within)
            begin, end = first + int(flat[0]), first + int(flat[-1])
            count = end - begin + 1
            if count < SHORTEST_RUN or flat.size < count or end + 1 >= sound.size:
                continue
            level = float(top.max())
            leaves = level - 0.5 * float(sound[begin - 1] + sound[end + 1])
            if leaves < _SURE * (within * (1.0 + 2.0 / count) ** 2 + self._step):
                continue
            if level < _CEILING * ceiling.level:
                continue
            if level > ceiling.level / _CEILING:
                ceiling.runs.clear()  # what was kept was lower: no ceiling after all
            ceiling.level = max(ceiling.level, level)
            ceiling.runs.append((start + begin - MARGIN, count))
