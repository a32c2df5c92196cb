"""Sound that was lost: holes, joins where samples are missing, and buffers written twice.

Goal: find holes of a third of a millisecond and longer in any channel, joins where a buffer was lost, and stretches
that repeat the stretch right before them; and not take for one padding, silence between scenes, a fade, the rounding of
a quiet 16-bit recording, a clap, a consonant, a struck string or a test tone.
Method: each of the three has its own.
- Holes are exact zeros with sound before and after. The step of the coding is measured beside each: material of 16 bits
  in a file of 24 is still rounded to 16. Data are lost in all channels at once; zeros in one of them alone are a loss
  only amid sound that is far too loud to be rounded to zero, however coarse the coding may have been. A microphone is
  never quieter than its own noise: sound that falls far below the quiet moments of the same recording was faded by
  somebody.
- At a join the sound jumps from one sample to the next. The third difference of natural sound is small, because little
  of it lies near half the sample rate; a jump by J leaves an impulse of 3 J in it. What sounds, however suddenly it
  begins, goes on for milliseconds; a join is over after three samples. So a click is a peak of the third difference
  that stands alone on both sides.
- Recorded sound has noise and never repeats itself sample by sample. Each sample that is the highest within 16 on
  either side is, with its neighbours, a key; equal keys within reach are compared sample by sample. A test tone repeats
  itself all along, not once.
Functions: HoleMeter; ClickMeter; RepeatMeter.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.health.pages import MARGIN, PAGE, Page

# --- holes ---

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

TOGETHER = 8
"""Samples between the edges of one loss in different channels."""

_FADED = 0.4
"""Part of the RMS of the recording's quiet moments: 8 dB below is no microphone (its noise strays by a few dB in 256
samples)."""

_LOOK = 256
"""Samples beside a hole from which its neighbourhood is judged."""

COARSEST_STEP = 2.0**-11
"""12 bits, the least that recorders ever had (common practice, no source)."""

IndexArray = npt.NDArray[np.intp]

_EVERY = SHORTEST_HOLE // 2
"""From one sample to the next in a first look for zeros: two of them lie in every hole of SHORTEST_HOLE samples."""


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
"""Where nothing is known of a side."""


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
            if group and (hole is None or hole.start - group[0].start > TOGETHER):
                kept += self._lost(group, quiet)
                group = []
            if hole is not None:
                group.append(hole)
        return tuple(kept)

    def _lost(self, group: list[Hole], quiet: FloatArray) -> list[Hole]:
        """Of runs of zeros that begin together, those that are a loss."""
        ends = [hole.start + hole.length for hole in group]
        together = len({hole.channel for hole in group}) == self._channels and max(ends) - min(ends) <= TOGETHER
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
    return _Side(level, float(abs(sound[0])), finest if finest <= COARSEST_STEP else 0.0)


# --- joins ---

_CELL = 64
"""Samples in one cell of the first look for clicks. Fewer cost time; in more a click hides beside what else sounds
there."""

_NEIGHBOURS = 5
"""Cells on either side that a click's cell is compared with."""

_APART = 4
"""Samples around a click's peak that are still the click."""

_REACH = 256
"""Samples on either side in which nothing may come near the click: 5 ms at 48 kHz, a pitch period of most voices."""

STANDS_OUT = 10.0
"""How many times larger than anything near it: claps reach 3 to 4 in simulated rooms."""

_LEAST = 2e-3
"""Third difference of an inaudible click: a jump of -64 dBFS."""

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


# --- repeated buffers ---

_REPEAT_CELL = 32
"""Samples around a top that are no higher, 16 on either side. Fewer make more keys and cost time; with more, short
repeats hold none."""

LONGEST = 1 << 14
"""Samples: no recorder has a larger buffer (common practice, no source)."""

_SHORTEST = 48
"""Samples of the shortest repeat: 1 ms at 48 kHz. A shorter one holds a key or two, and may be a tone's."""

_LEAST_REPEAT_STEPS = 8.0
"""Tops lower than this many steps of the coding are no keys: rounding makes them equal by chance."""

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
        self._least = _LEAST_REPEAT_STEPS * step
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
        places = np.flatnonzero(core == _running_maximum(core, _REPEAT_CELL)) + MARGIN
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


def _running_maximum(values: FloatArray, cell: int) -> FloatArray:
    """Largest of the values up to cell / 2 away on either side; `cell` is a power of two.

    As scipy.ndimage.maximum_filter1d over cell + 1 values, in a tenth of its time: of two, four, eight, and so on.
    """
    beside = np.full(cell // 2, -np.inf, dtype=values.dtype)
    largest, reach = np.concatenate([beside, values, beside]), 1
    while reach < cell:
        largest = np.maximum(largest[:-reach], largest[reach:])
        reach *= 2
    return np.asarray(np.maximum(largest[:-1], largest[1:]))


def _extent(equal: np.ndarray, at: int) -> tuple[int, int]:
    """The run of true values around a place."""
    different = np.flatnonzero(~equal)
    place = int(np.searchsorted(different, at))
    start = int(different[place - 1]) + 1 if place else 0
    stop = int(different[place]) if place < different.size else equal.size
    return start, stop


assert PAGE >= LONGEST
