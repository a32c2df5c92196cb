"""Samples that are missing without a trace: the sound jumps from one sample to the next.

Goal: find joins where a buffer was lost, and not take a clap, a consonant or a struck string for one.
The third difference of natural sound is small, because little of it lies near half the sample rate; a jump by J
leaves an impulse of 3 J in it. What sounds, however suddenly it begins, goes on for milliseconds; a join is over
after three samples. So a click is a peak of the third difference that stands alone on both sides.
Functions: ClickMeter.
"""

from dataclasses import dataclass

import numpy as np

from spatial.analysis.pages import MARGIN, Page
from spatial.conventions import FloatArray

_CELL = 64
_NEIGHBOURS = 5
"""Cells on either side that a click's cell is compared with."""

_APART = 4
"""Samples around a click's peak that are still the click."""

_REACH = 256
"""Samples on either side in which nothing may come near the click: 5 ms at 48 kHz, a pitch period of most voices."""

STANDS_OUT = 10.0
"""How many times larger than anything near it: claps reach 3 to 4 in simulated rooms."""

_LEAST = 2e-3
"""Third difference of a click nobody hears: a jump of -64 dBFS."""

_LEAST_STEPS = 50.0
"""The same in steps of the coding; rounding alone reaches 4."""


@dataclass(frozen=True, slots=True)
class Click:
    """A jump."""

    sample: int
    channels: tuple[int, ...]
    size: float
    """Third difference at its peak; full scale is 1."""


class ClickMeter:
    """Looks for clicks."""

    def __init__(self, channels: int, step: float) -> None:
        self._channels = channels
        self._least = max(_LEAST, _LEAST_STEPS * step)
        self._found: list[tuple[int, int, float]] = []
        self._length = 0

    def push(self, page: Page) -> None:
        """Look at a page."""
        self._length = page.start + page.length
        jumps = _third_difference(page.sound)
        cells = jumps.shape[1] // _CELL
        peaks = jumps[:, : cells * _CELL].reshape(self._channels, cells, _CELL).max(axis=2)
        near = np.zeros_like(peaks)
        for shift in range(2, _NEIGHBOURS + 1):
            np.maximum(near[:, shift:], peaks[:, :-shift], out=near[:, shift:])
            np.maximum(near[:, :-shift], peaks[:, shift:], out=near[:, :-shift])
        loud = peaks > np.maximum(STANDS_OUT * near, self._least)
        if loud.any():
            for channel, cell in np.argwhere(loud):
                self._look(int(channel), int(cell), jumps[channel], page)

    def finish(self) -> tuple[Click, ...]:
        """All clicks, in order of time; those of several channels at one moment are one."""
        clicks: list[Click] = []
        for place, channel, size in sorted(self._found):
            # The first and last samples jump from nothing and to nothing.
            if not MARGIN <= place < self._length - MARGIN:
                continue
            if clicks and place - clicks[-1].sample <= _APART:
                last = clicks[-1]
                channels = tuple(sorted({*last.channels, channel}))
                clicks[-1] = Click(last.sample, channels, max(size, last.size))
            else:
                clicks.append(Click(place, (channel,), size))
        return tuple(clicks)

    def _look(self, channel: int, cell: int, jumps: FloatArray, page: Page) -> None:
        peak = cell * _CELL + int(np.argmax(jumps[cell * _CELL : (cell + 1) * _CELL]))
        # Sample 2 is the first to have a third difference; the jump lies before the peak's second sample.
        place = page.start + peak + 2 - MARGIN
        if not page.start <= place < page.start + page.length:
            return
        before = jumps[max(0, peak - _REACH) : peak - _APART]
        after = jumps[peak + _APART + 1 : peak + _REACH]
        size = float(jumps[peak])
        if min(before.size, after.size) < _REACH // 2:
            return
        if size > STANDS_OUT * max(float(before.max()), float(after.max())):
            self._found.append((place, channel, size))


def _third_difference(sound: FloatArray) -> FloatArray:
    """Size of x[n+3] - 3 x[n+2] + 3 x[n+1] - x[n], shape (channels, samples - 3)."""
    jumps = sound[:, 1:-2] - sound[:, 2:-1]
    jumps *= np.float32(3.0)
    jumps += sound[:, 3:]
    jumps -= sound[:, :-3]
    return np.abs(jumps, out=jumps)
