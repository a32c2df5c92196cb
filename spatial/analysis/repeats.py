"""Buffers that were written twice.

Goal: find a stretch of sound that repeats the stretch right before it sample by sample, whatever its length.
Recorded sound has noise and never repeats itself. Each sample that is the highest within 16 on either side is, with
its neighbours, a key; equal keys within reach are looked at sample by sample. A test tone repeats itself all along, not
once.
Functions: RepeatMeter.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d

from spatial.analysis.pages import MARGIN, PAGE, Page
from spatial.conventions import FloatArray

_CELL = 32
LONGEST = 1 << 14
"""Samples: no recorder has a larger buffer (common practice, no source)."""

_SHORTEST = 48
_LEAST_STEPS = 8.0
_MOST_TIMES = 4
"""A buffer is written again once or twice; what repeats more often is a tone."""


@dataclass(frozen=True, slots=True)
class Repeat:
    """Samples start <= n < start + length equal those `lag` before them, in every channel."""

    start: int
    length: int
    lag: int


class RepeatMeter:
    """Looks for repeated buffers."""

    def __init__(self, channels: int, step: float) -> None:
        self._least = _LEAST_STEPS * step
        self._past = np.zeros((channels, LONGEST), dtype=np.float32)
        self._keys: FloatArray = np.zeros(0)
        self._places = np.zeros(0, dtype=np.int64)
        self._found: list[Repeat] = []

    def push(self, page: Page) -> None:
        """Look at a page."""
        keys, places = self._keys_of(page)
        keys, places = np.concatenate([self._keys, keys]), np.concatenate([self._places, places])
        order = np.argsort(keys, kind="stable")
        same = np.flatnonzero(np.diff(keys[order]) == 0.0)
        if same.size:
            earlier, later = places[order[same]], places[order[same + 1]]
            near = (later - earlier <= LONGEST) & (later - earlier >= _SHORTEST) & (later >= page.start)
            if near.any():
                self._look(earlier[near], later[near], page)
        kept = places >= page.start + page.length - LONGEST
        self._keys, self._places = keys[kept], places[kept]
        core = page.core[:, -LONGEST:]
        self._past = np.concatenate([self._past[:, core.shape[1] :], core], axis=1)

    def finish(self) -> tuple[Repeat, ...]:
        """All repeats, in order of time."""
        return tuple(sorted(self._found, key=lambda repeat: repeat.start))

    def _keys_of(self, page: Page) -> tuple[FloatArray, np.ndarray]:
        first, second = page.sound[0], page.sound[-1]
        # Tops, not the tops of cells: the same in both copies wherever they lie.
        core = first[MARGIN : MARGIN + page.length]
        places = np.flatnonzero(core == maximum_filter1d(core, _CELL + 1)) + MARGIN
        tops = first[places].astype(np.float64)
        # Irrational weights: sums are equal where all four values are, and next to never otherwise.
        keys = (
            tops + 0.7548776662 * first[places + 1] + 0.5698402910 * first[places - 1] + 0.3247179572 * second[places]
        )
        loud = np.abs(tops) >= self._least
        return keys[loud], places[loud] - MARGIN + page.start

    def _look(self, earlier: np.ndarray, later: np.ndarray, page: Page) -> None:
        sound = np.concatenate([self._past, page.core, page.sound[:, -MARGIN:]], axis=1)
        origin = page.start - LONGEST
        lags = later - earlier
        for lag in np.unique(lags).tolist()[:32]:
            equal = (sound[:, lag:] == sound[:, :-lag]).all(axis=0)
            covered = -1
            for place in np.sort(later[lags == lag]).tolist():
                at = place - origin - lag
                if at < covered or not equal[at]:
                    continue
                start, stop = _extent(equal, at)
                covered = stop
                length = stop - start
                # What goes on beyond what is seen is a tone; or the next page sees its end.
                if start == 0 or stop == equal.size:
                    continue
                if min(lag, 256) * 0.9 <= length <= _MOST_TIMES * lag + _SHORTEST and length >= _SHORTEST:
                    self._add(Repeat(start + origin + lag, length, lag))

    def _add(self, repeat: Repeat) -> None:
        """Keep it unless it is one that is known, seen from another page or with a multiple of its lag."""
        if all(abs(repeat.start - known.start) > known.length for known in self._found[-8:]):
            self._found.append(repeat)


def _extent(equal: np.ndarray, at: int) -> tuple[int, int]:
    """The run of true values around a place."""
    different = np.flatnonzero(~equal)
    place = int(np.searchsorted(different, at))
    start = int(different[place - 1]) + 1 if place else 0
    stop = int(different[place]) if place < different.size else equal.size
    return start, stop


assert PAGE >= LONGEST
