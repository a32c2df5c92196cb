"""Whether a clip and a take that match recorded one moment, or the same music played back at another.

Goal: hold two explanations of one match against each other, and accuse only where the second one has evidence.
"The same moment" explains every difference of level that a camera makes: a gain common to all bands that rides as it
likes, the colour of the boxes, each box's own noise, which the gain lifts in rests. "Another playback" needs music,
and people or things beside it that sound on one side and not on the other. What follows:

1. Where both recordings share sounds that keep no steady beat (speech, steps, claps, players without a click), it is
   one moment: nobody speaks the same to the sample twice. Nothing is asked further.
2. Where all that they share is steady music, the match stands but says so (MUSIC); where it is too little or too
   mixed to tell, that is said (UNTOLD).
3. Sound in the clip that the take should hold and does not, and sound in the take that the clip should hold and does
   not, in moments in which their waves do not agree, is another moment: a sign of it on both sides is a doubt, and a
   second of it on both sides, beside steady music, is a contradiction. One side alone is a hand on one of the boxes.

Evidence is what the fullest minute holds, so that a long clip is not accused for its length.
Conventions: spatial.conventions (time). Times are clip times.
Functions: compare_moments (clip and take), moments_of (from spectra at hand), fit_levels (what a camera made of the
levels), whitened_cross, by_window, unlike_cells.
"""

from dataclasses import dataclass
from enum import Enum
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import median_filter

from spatial.conventions import ComplexArray, FloatArray
from spatial.dsp.samples import Samples
from spatial.sync.envelope import ENVELOPE_RATE_HZ, changes_of
from spatial.sync.gcc_phat import unit_phase
from spatial.sync.paired_spectra import (
    HOP,
    BoolArray,
    band_levels,
    block_starts,
    clip_spectra,
    near_height,
    take_spectra,
)
from spatial.timebase import ClockLaw

Number = TypeVar("Number", np.floating, np.complexfloating)

WINDOW_BLOCKS = 16
"""Blocks that share a window: half a second, long enough for waves that agree to show (blocks)."""

WINDOW_HOP = 8
"""Blocks from one window to the next: they overlap by half."""

BANDS = slice(8, 36)
"""Bands that count, 0.5 to 5 kHz: below it wind, above it what a lossy codec drops."""

_GAIN_BLOCKS = 21
"""Blocks that a riding gain is followed over, two thirds of a second: its median over fewer rides on words, and over
more it misses the first moments of a rest."""

SMOOTH_BLOCKS = 3
"""Blocks that levels are averaged over, a tenth of a second: one block of noise strays by 3 dB and more."""

UNLIKE_DB = 10.0
"""How far a cell lies off what the other side predicts, and over the noise of both sides, before it counts, dB. One
tone has levels up to 10 dB apart at two places in a room in one band in ten; in two neighbouring bands it hardly ever
has."""

_NIL_HEIGHT = 3.5
"""Height of the waves' correlation over its scatter below which a window does not agree; chance alone reaches 3."""

_AGREE_HEIGHT = 4.5
"""The same from which a window agrees. Of unrelated windows one in a hundred reaches it."""

_SHARED_HEIGHT = 5.0
"""Height from which a window clearly holds the same on both sides. It only counts how long they share sound, and
decides nothing."""

_FULLEST_S = 60.0
"""Evidence is counted in the fullest stretch of this length, seconds."""

# Chosen on seeds below 90 of tests/scenes/cameras.py and below 12 of tests/scenes/songs.py: of clips and takes of one
# song with talk around it 33 of 36 wrong pairs have 0.25 s or more on both sides and 26 have 0.75 s; of 60 right pairs
# a steadily plucked string, through a fast gain, reached 0.5 s, and no other that keeps a beat 0.25 s.
_DOUBTFUL_S = 0.25
"""Seconds of sound on each side alone from which one moment is in doubt. At less, right pairs other than the plucked
string come into doubt; at more, fewer wrong pairs do."""

_CONTRADICTED_S = 0.75
"""Seconds of it from which, beside steady music, one moment is contradicted. At 0.5 s the right pair with the plucked
string would be; at more, fewer wrong pairs are."""

_STRETCH_S = 12.0
"""Length over which a beat is sought: music changes its beat, and a word or two must not drown in minutes of song."""

_FEWEST_ONSETS = 15
"""A pulse can be laid through fewer sounds by chance."""

# In the same scenes no stretch of 120 wrong pairs lies on its beat by less than 0.48; of right pairs all 12 with speech
# and all 11 with reeds do somewhere, 8 of 12 with steps and claps, one of 12 with steadily plucked strings.
_UNSTEADY, _UNSTEADY_OFF = 0.48, 0.15
"""A stretch keeps no beat where less than the first part of its onsets falls on the best pulse and more than the second
part of the distinct ones lies off it."""

_STEADY = 0.50
"""Part of the onsets on the best pulse from which a stretch keeps a beat: a little above _UNSTEADY, so that a stretch
between the two is neither."""

_ALONE_OFF = 0.10
"""With no more onsets than this off it, it is the beat alone; one who claps beside a steady string has 0.12 to 0.2."""

_PULSE_HZ = (2.0, 10.0)
"""Eighths and sixteenths of all music lie in here; a slower beat has faster notes between."""

_FINENESS = 10
"""Rates tried are this part of a turn over the whole stretch apart."""

_OFF_S = 0.025
"""An onset further from the pulse is off it: a machine keeps it to milliseconds, and room adds some."""

_APART_FRAMES = 4
"""Least number of envelope frames between two onsets: 40 ms, less than half the time between two notes at the fastest
pulse."""

_PROMINENT, _LOUD_QUANTILE = 0.25, 0.98
"""An onset stands out by this part of the loud ones, which are those at that quantile. A lower part counts ripples as
onsets, a higher one loses soft notes."""

_PART = 1024
"""Blocks that are worked on at once: it bounds the memory, since minutes of sound took 430 MB as a whole."""

# What levels are fitted with: cells this far above a side's floor hold sound, nearer than that hold its noise, dB.
_SOUND_DB, _NOISE_DB, _CLEAR_OF_NOISE_DB = 12.0, 4.0, 6.0
_FLOOR_QUANTILE = 0.1
"""Quantile of a band's levels in the take that stands for its floor: not the lowest, which one odd block decides."""

_ROUNDS = 6
"""Rounds in which gain, colour and noise are estimated in turn."""

_FEWEST_CELLS = 4
"""Fewest cells whose median counts; with fewer the former value stays."""


class Standing(Enum):
    """How a match stands by itself."""

    CLEAR = "clear"
    UNTOLD = "untold"
    """What they share is too little, or too mixed, to decide whether it is music."""
    MUSIC = "music"
    """All that the two share is steady music: another playback of it would match as well."""
    DOUBTFUL = "doubtful"
    CONTRADICTED = "contradicted"


@dataclass(frozen=True, slots=True)
class Moments:
    """What a clip and a take that match share, and what they hold against each other."""

    standing: Standing
    spans_s: tuple[tuple[float, float], ...]
    """Clip time from-to of what speaks against one moment, in order."""
    only_clip_s: float
    """How long the clip holds sound that the take should hold and does not, in the fullest minute."""
    only_take_s: float
    """The same of the take."""
    shared_s: float
    """How long they clearly share sound, seconds."""
    covered_s: float
    unsteady: bool
    """Whether they share sounds that keep no beat."""
    steady: bool
    """Whether they share steady music."""

    @property
    def against_s(self) -> float:
        """How much speaks for another moment: what both sides hold alone."""
        return min(self.only_clip_s, self.only_take_s)


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """What a camera made of the levels that the take holds, all in dB.

    The clip's level is modelled as `gain + 10 log10(10**((colour + take) / 10) + 10**(clip_noise / 10))`.
    """

    gain_db: FloatArray
    """Common to all bands, shape (blocks,)."""
    colour_db: FloatArray
    """Of each band, shape (bands,)."""
    clip_noise_db: FloatArray
    """The camera's noise before its gain, shape (bands,)."""
    take_noise_db: FloatArray
    """The take's floor, shape (bands,)."""


def compare_moments(
    clip: Samples, take: Samples, law: ClockLaw, signs: FloatArray, powers: tuple[FloatArray, FloatArray]
) -> Moments:
    """Hold "the same moment" against "the same music, played back again".

    Parameters
    ----------
    clip : Samples
        The camera's sound at 16 kHz.
    take : Samples
        The field, internal form, at 16 kHz.
    law : ClockLaw
        Along which they match, with its steps.
    signs : ndarray, shape (camera channels,)
        +1 or -1.
    powers : tuple of ndarray, shape (bands, frames) each
        Envelopes of clip and take, from EnvelopeBuilder.

    Returns
    -------
    Moments
        CLEAR only where they share what nobody could have played back.
    """
    starts = block_starts(clip)
    heard, (field, covered) = clip_spectra(clip, starts), take_spectra(take, law, starts, clip.rate_hz)
    onsets = shared_onsets(*powers, law)
    return moments_of(heard, field, covered, starts, signs, onsets, clip.rate_hz)


def moments_of(
    heard: ComplexArray,
    field: ComplexArray,
    covered: BoolArray,
    starts: npt.NDArray[np.int_],
    signs: FloatArray,
    onsets: FloatArray,
    rate_hz: int,
) -> Moments:
    """The same from spectra and shared onsets at hand."""
    if not covered.all():
        heard, field, starts = heard[:, covered], field[covered], starts[covered]
    covered_s = len(starts) * HOP / rate_hz
    if len(starts) < 2 * WINDOW_BLOCKS:
        return Moments(Standing.UNTOLD, (), 0.0, 0.0, 0.0, covered_s, unsteady=False, steady=False)
    only_clip, only_take = unlike_cells(heard, field, rate_hz)
    heights = window_heights(heard, field, signs, rate_hz)
    nil = heights < _NIL_HEIGHT
    step_s = WINDOW_HOP * HOP / rate_hz
    first = starts[: len(heights) * WINDOW_HOP : WINDOW_HOP] / rate_hz
    alone = [_fullest(nil & (cells >= 1), first) * step_s for cells in (only_clip, only_take)]
    middles_s = first + (WINDOW_BLOCKS + 1) * HOP / 2 / rate_hz
    unsteady, steady, only_beat = _beats(onsets, middles_s, heights > _AGREE_HEIGHT)
    against_s = min(alone)
    if unsteady:
        standing = Standing.CLEAR
    elif steady and against_s >= _CONTRADICTED_S:
        standing = Standing.CONTRADICTED
    elif against_s >= _DOUBTFUL_S:
        standing = Standing.DOUBTFUL
    else:
        standing = Standing.MUSIC if only_beat else Standing.UNTOLD
    return Moments(
        standing=standing,
        spans_s=_spans(first[nil & ((only_clip >= 1) | (only_take >= 1))], step_s),
        only_clip_s=alone[0],
        only_take_s=alone[1],
        shared_s=float((heights > _SHARED_HEIGHT).sum()) * step_s,
        covered_s=covered_s,
        unsteady=unsteady,
        steady=steady,
    )


def fit_levels(clip_db: FloatArray, take_db: FloatArray) -> Levels:
    """Fit gain, colour and noises so that the take's levels explain the clip's.

    Parameters
    ----------
    clip_db, take_db : ndarray, shape (blocks, bands)
        From band_levels (spatial.sync.paired_spectra), along the clock law.

    Returns
    -------
    Levels
        Medians throughout, so that what only one side holds does not move them.
    """
    take_noise = np.quantile(take_db, _FLOOR_QUANTILE, axis=0)
    over = take_db - take_noise
    loud, rest = over > _SOUND_DB, over < _NOISE_DB
    ratio = np.where(loud, clip_db - take_db, np.nan)
    colour = _median(ratio, 0, np.zeros(clip_db.shape[1]))
    gain = _median(ratio - colour, 1, np.full(len(clip_db), np.nan))
    # Until the noise is known, a gain that is not is taken for none.
    gain = np.where(np.isfinite(gain), gain, 0.0)
    before_gain = clip_db - gain[:, np.newaxis]
    noise = _median(np.where(rest, before_gain, np.nan), 0, np.quantile(before_gain, 0.05, axis=0))
    for _ in range(_ROUNDS):
        gain = np.median(clip_db - _sum_db(colour + take_db, noise), axis=1)
        before_gain = clip_db - gain[:, np.newaxis]
        clear = loud & (colour + take_db > noise + _CLEAR_OF_NOISE_DB)
        colour = _median(np.where(clear, before_gain - take_db, np.nan), 0, colour)
        hidden = rest | (colour + take_db < noise - _NOISE_DB)
        noise = _median(np.where(hidden, before_gain, np.nan), 0, noise)
    return Levels(gain, colour, noise, take_noise)


def unlike_cells(heard: ComplexArray, field: ComplexArray, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Cells in each window that only the clip and only the take holds, neighbouring bands together."""
    clip_db, take_db = (band_levels(spectra, rate_hz, blocks=SMOOTH_BLOCKS) for spectra in (heard, field))
    fitted = fit_levels(clip_db, take_db)
    # A word is shorter than what the gain is followed over: else the gain would explain it away.
    before_gain = clip_db - median_filter(fitted.gain_db, _GAIN_BLOCKS, mode="nearest")[:, np.newaxis]
    excess = before_gain - _sum_db(fitted.colour_db + take_db, fitted.clip_noise_db)
    # What stands out of all that the camera would hold anyway stands out of its noise; what the take holds must stand
    # out of the take's own noise too, which a camera whose noise reduction shuts in rests does not hold.
    for_take = take_db - fitted.take_noise_db > UNLIKE_DB
    found = []
    for unlike in (excess > UNLIKE_DB, (excess < -UNLIKE_DB) & for_take):
        inside = unlike[:, BANDS]
        found.append(by_window((inside[:, 1:] & inside[:, :-1]).sum(axis=1).astype(float)))
    return found[0], found[1]


def window_heights(heard: ComplexArray, field: ComplexArray, signs: FloatArray, rate_hz: int) -> FloatArray:
    """Correlation near the law in each window, over its own scatter."""
    return near_height(by_window(whitened_cross(heard, field, signs)), rate_hz)


def whitened_cross(heard: ComplexArray, field: ComplexArray, signs: FloatArray) -> ComplexArray:
    """Phases of the cross-spectrum of clip and take, camera channels added with their signs, shape (blocks, bins)."""
    cross = np.zeros_like(field)
    weights = (signs / len(signs)).astype(np.float32)
    # A part at a time: of minutes of sound every intermediate step would stand in memory whole.
    for first in range(0, len(field), _PART):
        part = slice(first, first + _PART)
        camera = np.tensordot(weights, unit_phase(np.conj(heard[:, part])), axes=(0, 0))
        cross[part] = camera * unit_phase(field[part])
    return cross


def by_window(blocks: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """Sums over the blocks of each window, shape (windows, ...)."""
    count = max(0, (len(blocks) - WINDOW_BLOCKS) // WINDOW_HOP + 1)
    return np.stack([blocks[WINDOW_HOP * n : WINDOW_HOP * n + WINDOW_BLOCKS].sum(axis=0) for n in range(count)])


def shared_onsets(clip_powers: FloatArray, take_powers: FloatArray, law: ClockLaw) -> FloatArray:
    """How strongly clip and take both rise at each frame of the clip, shape (frames,); 0 where the take is not."""
    clip, take = changes_of(clip_powers), changes_of(take_powers)
    times_s = np.arange(clip.shape[1]) / ENVELOPE_RATE_HZ
    heard_s = times_s * law.ratio + law.offset_s
    for step in law.steps:
        heard_s[times_s >= step.clip_time_s] += step.step_s
    places = np.rint(heard_s * ENVELOPE_RATE_HZ).astype(int)
    covered = (places >= 0) & (places < take.shape[1])
    onsets = np.zeros(clip.shape[1])
    for one, other in zip(clip, take, strict=True):
        onsets[covered] += np.sqrt(np.maximum(one[covered], 0.0) * np.maximum(other[places[covered]], 0.0))
    return onsets


def _beats(onsets: FloatArray, middles_s: FloatArray, agree: BoolArray) -> tuple[bool, bool, bool]:
    """Whether a stretch of the shared onsets keeps no beat, whether one keeps it, and whether one is nothing else.

    Only onsets in moments in which the waves agree are shared; elsewhere two people may speak at once by chance.
    """
    frames_s = np.arange(len(onsets)) / ENVELOPE_RATE_HZ
    nearest = np.clip(np.searchsorted(middles_s, frames_s), 1, len(middles_s) - 1)
    nearest -= frames_s - middles_s[nearest - 1] < middles_s[nearest] - frames_s
    # Long clips are looked at in stretches only; between them nothing is known.
    looked_at = np.abs(middles_s[nearest] - frames_s) < WINDOW_BLOCKS * HOP * 0.5 / 16_000
    shared = np.where(agree[nearest] & looked_at, onsets, 0.0)
    length = int(_STRETCH_S * ENVELOPE_RATE_HZ)
    unsteady = steady = alone = False
    for first in range(0, max(1, len(shared) - length // 2), length // 2):
        steadiness, off, count = _pulse(shared[first : first + length])
        if count >= _FEWEST_ONSETS:
            unsteady |= steadiness < _UNSTEADY and off > _UNSTEADY_OFF
            steady |= steadiness >= _STEADY
            alone |= steadiness >= _STEADY and off <= _ALONE_OFF
    return unsteady, steady, alone


def _pulse(onsets: FloatArray) -> tuple[float, float, int]:
    """How much of the onsets falls on their best pulse, the share of distinct ones off it, and how many there are."""
    if not onsets.any():
        return 0.0, 1.0, 0
    size = fft.next_fast_len(_FINENESS * len(onsets), real=True)
    rates_hz = np.arange(size // 2 + 1) * ENVELOPE_RATE_HZ / size
    turns = np.where((rates_hz >= _PULSE_HZ[0]) & (rates_hz <= _PULSE_HZ[1]), fft.rfft(onsets, size), 0.0)
    best = int(np.argmax(np.abs(turns)))
    loud = float(np.quantile(onsets, _LOUD_QUANTILE))
    peaks = _distinct_peaks(onsets, apart=_APART_FRAMES, prominence=_PROMINENT * loud)
    if not peaks.size:
        return 0.0, 1.0, 0
    cycles = peaks / ENVELOPE_RATE_HZ * rates_hz[best] + np.angle(turns[best]) / (2 * np.pi)
    off_s = np.abs(cycles - np.rint(cycles)) / rates_hz[best]
    return float(np.abs(turns[best]) / onsets.sum()), float(np.mean(off_s > _OFF_S)), int(peaks.size)


def _distinct_peaks(curve: FloatArray, *, apart: int, prominence: float) -> npt.NDArray[np.int_]:
    """Places of the peaks that no higher one lies nearer to than `apart`, and that stand out by `prominence`.

    As scipy.signal.find_peaks finds them, whose import alone takes longer than syncing a short clip. A flat top counts
    in its middle. A peak stands out of the higher of two lows: those between it and what is higher on either side.
    """
    changes = np.flatnonzero(np.diff(curve))
    starts, ends = np.append(0, changes + 1), np.append(changes, len(curve) - 1)
    rises = np.diff(curve[starts]) > 0
    tops = np.flatnonzero(rises[:-1] & ~rises[1:]) + 1
    if not tops.size:
        return tops
    places = (starts[tops] + ends[tops]) // 2
    heights = curve[places]
    lows = np.minimum.reduceat(curve, np.append(0, places))
    first, last = np.searchsorted(places, places - apart + 1), np.searchsorted(places, places + apart)
    crowded = last - first > 1
    kept = np.ones(len(places), dtype=bool)
    for peak in np.argsort(heights)[::-1]:
        if crowded[peak] and kept[peak]:
            kept[first[peak] : last[peak]] = False
            kept[peak] = True
    out_of = np.maximum(_lows_before(heights, lows[:-1]), _lows_before(heights[::-1], lows[:0:-1])[::-1])
    return np.asarray(places[kept & (heights - out_of >= prominence)])


def _lows_before(heights: FloatArray, lows: FloatArray) -> FloatArray:
    """The lowest place between each peak and the next higher one before it; `lows` lie just before each peak."""
    # Plain numbers: single ones of an array cost ten times as much.
    tops, found = heights.tolist(), lows.tolist()
    lower: list[int] = []
    for peak, height in enumerate(tops):
        while lower and tops[lower[-1]] <= height:
            found[peak] = min(found[peak], found[lower.pop()])
        lower.append(peak)
    return np.array(found)


def _fullest(counted: BoolArray, starts_s: FloatArray) -> int:
    """How many of the windows lie in the stretch of _FULLEST_S that holds most of them."""
    places = starts_s[counted]
    return int(np.max(np.searchsorted(places, places + _FULLEST_S) - np.arange(places.size), initial=0))


def _sum_db(one: FloatArray, other: FloatArray) -> FloatArray:
    """Level of two powers together."""
    return np.asarray(10 * np.log10(10 ** (one / 10) + 10 ** (other / 10)))


def _median(values: FloatArray, axis: int, otherwise: FloatArray) -> FloatArray:
    """Median of what is finite, or something else where hardly anything is."""
    enough = np.count_nonzero(np.isfinite(values), axis=axis) >= _FEWEST_CELLS
    filled = np.where(np.expand_dims(enough, axis), values, 0.0)
    return np.asarray(np.where(enough, np.nanmedian(filled, axis=axis), otherwise))


def _spans(starts_s: FloatArray, step_s: float) -> tuple[tuple[float, float], ...]:
    """Runs of windows, gaps of up to 2 s closed."""
    spans: list[list[float]] = []
    length_s = 2.0 * step_s
    for start in starts_s:
        if spans and start - spans[-1][1] < 2.0:
            spans[-1][1] = float(start) + length_s
        else:
            spans.append([float(start), float(start) + length_s])
    return tuple((begin, end) for begin, end in spans)
