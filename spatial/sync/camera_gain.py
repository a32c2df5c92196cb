"""By how much a camera's automatic gain rides, from a clip and the take that was rolling.

Goal: a range that means the gain and nothing else a camera does. A clip alone cannot show it: a noise that is louder in
rests may as well be a louder rest. Beside a take it shows twice. Where somebody sounds, clearly over the noise of both
boxes, the clip's level over the take's is the gain, in all bands alike. Where the take is at its floor, the clip holds
its background only (the room's noise and its own, through whatever noise reduction and low cut), and that is one
spectrum at all times but for the gain: it is learnt in bands that happen to be empty while somebody sounds, when the
gain is known, and looked for again in rests. A gain that stands lifts nothing there. Noise reduction takes the same off
an empty band in a word and in a rest; where it shuts in rests alone, the background falls, which no automatic gain
does, and is not counted. What errs, errs low: noise reduction that opens beside sound takes its depth off the range, a
limiter's distortion fills empty bands, a take noisier than its clip hides what the clip still holds.

Conventions: levels have shape (blocks, bands), dB, along the clock law (spatial.sync.paired_spectra).
Functions: estimate_gain_range (clip and take); gain_range_of_spectra, riding_range_db (from spectra, from levels).
"""

import numpy as np
from scipy.ndimage import median_filter

from spatial.conventions import ComplexArray, FloatArray
from spatial.dsp.samples import Samples
from spatial.sync.paired_spectra import band_levels, block_starts, clip_spectra, take_spectra
from spatial.timebase import ClockLaw

LEAST_DB = 8.0
"""A range below this is not worth a word. Where the take is noisier than the clip it hides faint tails, which may look
like half of it."""

# Chosen on seeds below 40 of tests/scenes/cameras.py.
_SMOOTH_BLOCKS = 3
_FIRST_BAND = 8
"""Below 0.5 kHz wind and handling are on one side only."""
_SOUND_DB, _FLOOR_DB = 12.0, 4.0
"""How far over the take's floor a cell holds sound, and up to where it holds nothing but the background, dB."""
_LOUDEST_DB = 15.0
"""The first look takes only cells so far below a band's loudest: the background is not known yet."""
_OVER_BACKGROUND_DB = 6.0
"""How far a cell must lie over the background, once that is estimated, to measure the gain, dB. At less the background
is measured instead; 6 did better than 10 on the development scenes."""

_FLOOR_QUANTILE, _LOUD_QUANTILE = 0.1, 0.98
"""Quantiles of each band's levels in the take that stand for its floor and its loudest cells. They are not the
extremes, which one odd block decides."""

_BACKGROUND_QUANTILE = 0.4
"""Quantile of an empty band's levels beside sound that stands for its background: tails, leaks and a limiter's
distortion only ever add to it."""

_LATER_BLOCKS = 4
"""A clap fills all bands: the background is then learnt within an eighth of a second after it."""
_ROUNDS = 3
"""Rounds in which gain and background are estimated in turn: three instead of five were chosen on the development
scenes."""

_FEWEST_CELLS, _FEWEST_BANDS, _FEWEST_BLOCKS = 8, 4, 8
"""Fewest cells that make a band's colour or background, fewest bands that make a block's gain, and fewest blocks with a
gain that make an answer. Fewer let chance decide, more leave short clips without an answer."""

_REST_SHARE = 0.5
"""A rest is where this part of the bands is at the floor."""
_STEADY_BLOCKS = 7
"""Blocks of rest over which the background's level is smoothed by a median, and the fewest that make an answer: a
quarter of a second. Shorter lets single blocks of noise count as a risen gain, longer misses short rests."""

_RISEN_QUANTILE = 0.95
"""Quantile of the smoothed levels in rests that stands for the risen gain: near the highest, and not the highest
itself, which one leaked sound decides."""


def estimate_gain_range(clip: Samples, take: Samples, law: ClockLaw) -> float | None:
    """By how much the camera's gain rides.

    Parameters
    ----------
    clip : Samples
        The camera's sound at 16 kHz.
    take : Samples
        The field, internal form, at 16 kHz.
    law : ClockLaw
        Along which they match, with its steps.

    Returns
    -------
    float or None
        dB, about 0 for a gain that stands; None where there are too few clear sounds or rests to tell.
    """
    starts = block_starts(clip)
    if not starts.size:
        return None
    heard, (field, covered) = clip_spectra(clip, starts), take_spectra(take, law, starts, clip.rate_hz)
    return gain_range_of_spectra(heard[:, covered], field[covered], clip.rate_hz)


def gain_range_of_spectra(heard: ComplexArray, field: ComplexArray, rate_hz: int) -> float | None:
    """The same from the spectra of the blocks that the take covers (spatial.sync.paired_spectra)."""
    levels = (band_levels(spectra, rate_hz, blocks=_SMOOTH_BLOCKS) for spectra in (heard, field))
    return riding_range_db(*levels)


def riding_range_db(clip_db: FloatArray, take_db: FloatArray) -> float | None:
    """By how much the gain is higher in rests than in loud moments, dB; None where that cannot be measured.

    Parameters
    ----------
    clip_db, take_db : ndarray, shape (blocks, bands)
        From band_levels (spatial.sync.paired_spectra) over 3 blocks, along the clock law.
    """
    if len(clip_db) < _FEWEST_BLOCKS:
        return None
    clip, take = clip_db[:, _FIRST_BAND:], take_db[:, _FIRST_BAND:]
    over = take - np.quantile(take, _FLOOR_QUANTILE, axis=0)
    empty = over < _FLOOR_DB
    clear = (over > _SOUND_DB) & (take > np.quantile(take, _LOUD_QUANTILE, axis=0) - _LOUDEST_DB)
    gain: FloatArray = np.zeros(len(clip))
    background: FloatArray = np.full(clip.shape[1], np.nan)
    for _ in range(_ROUNDS):
        steady = (clip - take) - np.nan_to_num(gain)[:, np.newaxis]
        colour = _quantile(np.where(clear & np.isfinite(gain)[:, np.newaxis], steady, np.nan), 0.5, 0, _FEWEST_CELLS)
        gain = _quantile(np.where(clear, clip - take - colour, np.nan), 0.5, 1, _FEWEST_BANDS)
        if np.count_nonzero(np.isfinite(gain)) < _FEWEST_BLOCKS:
            return None
        background = _background(clip, empty, gain)
        # Where a band is never empty beside sound, its background is no louder than its faintest moment.
        known = np.isfinite(gain)
        ceiling = np.min(clip[known] - gain[known, np.newaxis], axis=0)
        clear = (over > _SOUND_DB) & (take + colour > np.where(np.isfinite(background), background, ceiling)
                                      + _OVER_BACKGROUND_DB)  # fmt: skip
    in_rests = _quantile(np.where(empty, clip - background, np.nan), 0.5, 1, int(_REST_SHARE * clip.shape[1]))
    in_rests = in_rests[np.isfinite(in_rests)]
    if in_rests.size < _STEADY_BLOCKS:
        return None
    known = np.isfinite(gain)
    level = np.max(take, axis=1)
    loud = known & (level >= np.median(level[known]))
    risen = np.quantile(median_filter(in_rests, _STEADY_BLOCKS), _RISEN_QUANTILE)
    return float(max(0.0, risen - np.median(gain[loud])))


def _background(clip: FloatArray, empty: np.ndarray, gain: FloatArray) -> FloatArray:
    """What the clip holds of each band before its gain where the take is at its floor, dB; NaN where unknown."""
    found = np.full(clip.shape[1], np.nan)
    for known in (gain, _carried_on(gain)):
        cells = np.where(empty, clip - known[:, np.newaxis], np.nan)
        found = np.where(np.isfinite(found), found, _quantile(cells, _BACKGROUND_QUANTILE, 0, _FEWEST_CELLS))
    return found


def _carried_on(gain: FloatArray) -> FloatArray:
    """The gain, taken to stay for a moment after it was last known."""
    out = gain.copy()
    for later in range(1, _LATER_BLOCKS + 1):
        before = np.concatenate([np.full(later, np.nan), gain[:-later]])
        out = np.where(np.isfinite(out), out, before)
    return out


def _quantile(values: FloatArray, share: float, axis: int, fewest: int) -> FloatArray:
    """Quantile of what is finite along an axis; NaN where that is too little."""
    in_order = np.sort(values, axis=axis)  # NaN goes last
    count = np.isfinite(values).sum(axis=axis, keepdims=True)
    place = np.rint(share * np.maximum(count - 1, 0)).astype(int)
    found = np.take_along_axis(in_order, place, axis=axis)
    return np.asarray(np.where(count >= fewest, found, np.nan).squeeze(axis))
