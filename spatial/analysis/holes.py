"""Sound that was lost and replaced by nothing: exact zeros where there was sound before and after.

Goal: find holes of a third of a millisecond and longer in any channel, and not take padding, silence between scenes
or the rounding of a quiet 16-bit recording for one.
Functions: HoleMeter.
"""

from dataclasses import dataclass

import numpy as np

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

_LOOK = 256
"""Samples beside a hole from which its neighbourhood is judged."""

_EVERY = SHORTEST_HOLE // 2


@dataclass(frozen=True, slots=True)
class Hole:
    """Exact zeros between sound."""

    channel: int
    start: int
    """First zero sample."""
    length: int
    """Samples."""


class HoleMeter:
    """Looks for holes."""

    def __init__(self, channels: int, step: float) -> None:
        self._step = step
        self._open: list[tuple[int, float, float] | None] = [None] * channels
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

    def finish(self) -> tuple[Hole, ...]:
        """All holes, in order of time. Zeros up to the end are no hole."""
        return tuple(sorted(self._found, key=lambda hole: (hole.start, hole.channel)))

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
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
            run = opened if begin == 0 and opened is not None else None
            if run is None:
                if begin == 0 and page.start > 0 and sound[MARGIN - 1] == 0.0:
                    run = (page.start, 0.0, 0.0)
                else:
                    if end - begin < SHORTEST_HOLE and end < page.length:
                        continue
                    run = (page.start + begin, *_beside(sound[max(0, begin + MARGIN - _LOOK) : begin + MARGIN][::-1]))
            if end == page.length:
                self._open[channel] = run
            else:
                self._close(channel, run, page.start + end, sound, MARGIN + end)
        if begins.size == 0 or begins[0] > 0 or ends[-1] < page.length:
            self._heard[channel] = True

    def _close(self, channel: int, run: tuple[int, float, float], stop: int, sound: FloatArray, place: int) -> None:
        start, level, jump = run
        level_after, jump_after = _beside(sound[place : place + _LOOK])
        abrupt = max(jump - _LEAST_JUMP * level, jump_after - _LEAST_JUMP * level_after) > 0.0
        if start == 0 or stop - start < SHORTEST_HOLE:
            return
        # Of a run that was zero already where the page began, only the end is known.
        quieter = min(level, level_after) if level > 0.0 else level_after
        rounded = quieter < (_LONG_LEVEL_STEPS if stop - start >= _LONG_HOLE else _LEAST_LEVEL_STEPS) * self._step
        if rounded or max(level, level_after) < _LEAST_LEVEL_STEPS * self._step:
            return
        if not abrupt or max(jump, jump_after) < _LEAST_JUMP_STEPS * self._step:
            return
        self._found.append(Hole(channel, start, stop - start))


def _beside(sound: FloatArray) -> tuple[float, float]:
    """RMS, and size of the nearest sample, of what lies beside a hole, nearest first."""
    if not sound.size:
        return 0.0, 0.0
    return float(np.sqrt(np.mean(sound.astype(np.float64) ** 2))), float(abs(sound[0]))
