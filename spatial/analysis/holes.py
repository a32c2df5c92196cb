"""Sound that was lost and replaced by nothing: exact zeros where there was sound before and after.

Goal: find holes of a third of a millisecond and longer in any channel, and not take padding, silence between scenes,
a fade, or the rounding of a quiet 16-bit recording for one, whatever it was mixed into later.
- The step of the coding is measured beside each hole: material of 16 bits in a file of 24 is still rounded to 16.
- Data are lost in all channels at once. Zeros in one of them alone are a loss only amid sound that is far too loud to
  be rounded to zero, however coarse the coding may have been.
- A microphone is never quieter than its own noise. Sound that falls far below the quiet moments of the same recording
  was faded by somebody.
Functions: HoleMeter.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.analysis.pages import MARGIN, Page
from spatial.conventions import FloatArray

SHORTEST_HOLE = 16
"""Samples. A slow wave of 8 steps rms may round to so many zeros in a row, but not beside a jump."""

_LEAST_LEVEL_STEPS = 8.0
"""RMS of the sound on either side of a hole: below, zeros come from rounding, and end with a jump where somebody
begins to speak."""

_LONG_HOLE, _LONG_LEVEL_STEPS = 160, 2.0
"""Sound this loud does not round to so many zeros in a row, not even a slow wave."""

_LEAST_JUMP_STEPS = 4.0
"""A hole begins or ends abruptly: a slow wave that rounds to zero comes and goes by one step."""

_LEAST_JUMP = 0.1
"""The same against the RMS beside it: a fade that somebody made ends lower."""

_ALONE_LEVEL_STEPS, _COARSE_STEP = 32.0, 2.0**-15
"""RMS beside zeros in some channels only: this many steps of 16 bits at least, in which most material was once."""

_TOGETHER = 8
"""Samples between the edges of one loss in different channels."""

_FADED = 0.4
"""Part of the RMS of the recording's quiet moments: 8 dB below is no microphone (its noise strays by a few dB in 256
samples)."""

_LOOK = 256
"""Samples beside a hole from which its neighbourhood is judged."""

_COARSEST_STEP = 2.0**-11
"""12 bits, the least that recorders ever had (common practice, no source)."""

IndexArray = npt.NDArray[np.intp]

_EVERY = SHORTEST_HOLE // 2


@dataclass(frozen=True, slots=True)
class Hole:
    """Exact zeros between sound."""

    channel: int
    start: int
    """First zero sample."""
    length: int
    """Samples."""
    level: float
    """RMS of the sound beside it, on the quieter side, full scale 1."""


@dataclass(frozen=True, slots=True)
class _Side:
    """What lies beside a run of zeros."""

    level: float
    """RMS."""
    jump: float
    """Size of the nearest sample."""
    step: float
    """The smallest difference of neighbouring samples: that of the coding which the sound has been through here."""


_NOTHING = _Side(0.0, 0.0, 0.0)


class HoleMeter:
    """Looks for holes."""

    def __init__(self, channels: int, step: float) -> None:
        self._step = step
        self._channels = channels
        self._open: list[tuple[int, _Side] | None] = [None] * channels
        self._heard = np.zeros(channels, dtype=bool)
        self._found: list[Hole] = []

    def push(self, page: Page) -> None:
        """Look at a page."""
        core = page.core
        sparse = core[:, ::_EVERY] == 0.0
        pairs = (sparse[:, 1:] & sparse[:, :-1]).any(axis=1) if sparse.shape[1] > 1 else sparse.any(axis=1)
        for channel in range(len(core)):
            if self._open[channel] is None and not pairs[channel] and core[channel, -1] != 0.0 and core[channel, 0]:
                self._heard[channel] = True
                continue
            self._look(channel, page)

    def finish(self, quiet: FloatArray) -> tuple[Hole, ...]:
        """All holes, in order of time. Zeros up to the end are no hole.

        Parameters
        ----------
        quiet : ndarray, shape (channels,)
            RMS of each channel in quiet moments.
        """
        found = sorted(self._found, key=lambda hole: (hole.start, hole.channel))
        kept, group = [], list[Hole]()
        for hole in [*found, None]:
            if group and (hole is None or hole.start - group[0].start > _TOGETHER):
                kept += self._lost(group, quiet)
                group = []
            if hole is not None:
                group.append(hole)
        return tuple(kept)

    def _lost(self, group: list[Hole], quiet: FloatArray) -> list[Hole]:
        """Of runs of zeros that begin together, those that are a loss."""
        ends = [hole.start + hole.length for hole in group]
        together = len({hole.channel for hole in group}) == self._channels and max(ends) - min(ends) <= _TOGETHER
        least = 0.0 if together else _ALONE_LEVEL_STEPS * _COARSE_STEP
        loud = [hole for hole in group if hole.level >= max(least, _FADED * float(quiet[hole.channel]))]
        # A fade is one for all channels, whatever a quiet one's noise makes of it.
        return loud if not together or 2 * len(loud) > self._channels else []

    def _look(self, channel: int, page: Page) -> None:
        sound = page.sound[channel]
        zero = np.zeros(page.length + 2, dtype=bool)
        zero[1:-1] = page.core[channel] == 0.0
        edges = np.flatnonzero(zero[1:] != zero[:-1])
        begins, ends = edges[::2], edges[1::2]
        opened = self._open[channel]
        if opened is not None and (not begins.size or begins[0] != 0):
            self._close(channel, opened, page.start, sound, MARGIN)
        self._open[channel] = None
        for begin, end in self._likely(begins, ends, sound, page.length):
            run = opened if begin == 0 and opened is not None else None
            if run is None:
                if begin == 0 and page.start > 0 and sound[MARGIN - 1] == 0.0:
                    run = (page.start, _NOTHING)
                else:
                    if end - begin < SHORTEST_HOLE and end < page.length:
                        continue  # it begins where the page does, and nothing was open
                    run = (page.start + begin, _beside(sound[max(0, begin + MARGIN - _LOOK) : begin + MARGIN][::-1]))
            if end == page.length:
                self._open[channel] = run
            else:
                self._close(channel, run, page.start + end, sound, MARGIN + end)
        if begins.size == 0 or begins[0] > 0 or ends[-1] < page.length:
            self._heard[channel] = True

    def _likely(self, begins: IndexArray, ends: IndexArray, sound: FloatArray, length: int) -> list[tuple[int, int]]:
        """Of the runs of zeros in a page those that may be a hole, or part of one: most are rounding, with no jump."""
        beside = np.maximum(
            np.abs(sound[MARGIN + begins - 1]), np.abs(sound[np.minimum(MARGIN + ends, sound.size - 1)])
        )
        likely = (ends - begins >= SHORTEST_HOLE) & (beside >= _LEAST_JUMP_STEPS * self._step)
        likely |= (begins == 0) | (ends == length)
        return list(zip(begins[likely].tolist(), ends[likely].tolist(), strict=True))

    def _close(self, channel: int, run: tuple[int, _Side], stop: int, sound: FloatArray, place: int) -> None:
        start, before = run
        length = stop - start
        if start == 0 or length < SHORTEST_HOLE:
            return
        after = _beside(sound[place : place + _LOOK])
        abrupt = max(before.jump - _LEAST_JUMP * before.level, after.jump - _LEAST_JUMP * after.level) > 0.0
        # Of a run that was zero already where the page began, only the end is known.
        quieter = min(before.level, after.level) if before.level > 0.0 else after.level
        louder = max(before.level, after.level)
        step = max(self._step, before.step, after.step)
        rounded = quieter < (_LONG_LEVEL_STEPS if length >= _LONG_HOLE else _LEAST_LEVEL_STEPS) * step
        if rounded or louder < _LEAST_LEVEL_STEPS * step:
            return
        if not abrupt or max(before.jump, after.jump) < _LEAST_JUMP_STEPS * step:
            return
        self._found.append(Hole(channel, start, length, quieter))


def _beside(sound: FloatArray) -> _Side:
    """Measure what lies beside a hole, nearest sample first."""
    if not sound.size:
        return _NOTHING
    steps = np.abs(np.diff(sound))
    finest = float(np.min(steps, where=steps > 0.0, initial=np.inf))
    level = float(np.sqrt(np.mean(sound.astype(np.float64) ** 2)))
    # A loud stretch may have no two samples that are close: no coding is coarser than 12 bits.
    return _Side(level, float(abs(sound[0])), finest if finest <= _COARSEST_STEP else 0.0)
