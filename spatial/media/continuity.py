"""What the sound on both sides of a join tells: whether it runs on from one file to the next, or repeats itself.

Functions: sound_runs_on; repeated_samples.

How channels are to be read may not be known yet, so they are looked at as the files have them.

That the sound runs on is judged against chance: linear prediction from the sound before the join meets the first
samples after it as closely as it meets samples anywhere, where foreign sound would lie as far off as sound spreads.
White noise cannot be predicted, and one silence or fade fits any other: no evidence, no join.
"""

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import MediaFileError
from spatial.media.takes import FieldReader, Take

_WINDOW = 2048
"""Samples on either side from which the sound's nature is learnt: 43 ms at 48 kHz."""

_ORDER = 16
"""Samples of each channel that predict the next, and samples after the join that are predicted."""

_EDGE = 64
"""Samples next to the join that must be as loud as the rest: at the end of a fade anything fits anything."""

_EDGE_LEAST = 0.15
"""Their least level against the window's; the end of a straight fade has 1/32."""

_LEAST_LOG_ODDS = 12.0
"""Sound that runs on is likelier than chance by e^12 at least: once in 160 000 pairs of foreign files."""

MOST_REPEATED_S = 2.0
"""A recorder that splits repeats no more (common practice, no source)."""

_SAME_LEAST = 16
"""Samples of all channels that must be the same for an overlap: sound never repeats itself to the last bit."""

_FLOOR = 1e-6
"""Added to the variance of every channel, of the mean error: channels that say the same twice count once."""


def sound_runs_on(first: Take, second: Take) -> bool:
    """Whether nothing but an unbroken recording would fit at the join so well."""
    if min(first.samples, second.samples) < _WINDOW:
        return False
    try:
        before, after = _around(first, second, _WINDOW)
    except MediaFileError:
        return False  # who reads the take will hear of it
    both = np.concatenate([before, after], axis=1).astype(np.float64)
    live = [channel for channel in both if np.isfinite(channel).all() and np.ptp(channel) > 0][:FIRST_ORDER_CHANNELS]
    if not live:
        return False
    before, after = np.split(np.stack(live), 2, axis=1)
    # Forward and backward in time: a bang on one side alone must not hide a break.
    return _fits(before, after) and _fits(after[:, ::-1], before[:, ::-1])


def repeated_samples(first: Take, second: Take) -> int:
    """Samples at the end of the first that the second begins with, to the bit; 0 where there are none."""
    reach = min(first.samples, second.samples, round(MOST_REPEATED_S * first.rate_hz))
    if reach < _SAME_LEAST:
        return 0
    try:
        before, after = _around(first, second, reach)
    except MediaFileError:
        return 0  # who reads the take will hear of it
    starts = np.lib.stride_tricks.sliding_window_view(before, _SAME_LEAST, axis=1)
    same = np.ones(starts.shape[1], dtype=bool)
    for sample in range(_SAME_LEAST):
        same &= (starts[:, :, sample] == after[:, sample : sample + 1]).all(axis=0)
    for start in np.flatnonzero(same):
        tail = before[:, start:]
        # One silence is like any other.
        if np.ptp(tail[:, :_SAME_LEAST], axis=1).any() and np.array_equal(tail, after[:, : tail.shape[1]]):
            return int(tail.shape[1])
    return 0


def _around(first: Take, second: Take, samples: int) -> tuple[FloatArray, FloatArray]:
    """All channels of the last samples of one take and the first of another, as the files have them."""
    with FieldReader(first) as reader:
        before = reader.read_raw(first.samples - samples, first.samples)
    with FieldReader(second) as reader:
        return before, reader.read_raw(0, samples)


def _fits(before: FloatArray, after: FloatArray) -> bool:
    """Whether `after` goes on where `before` ends, both of shape (channels, _WINDOW)."""
    live = np.ptp(before, axis=1) > 0
    level = (before[live] - before[live].mean(axis=1, keepdims=True)) ** 2
    if not live.any() or level[:, -_EDGE:].mean() < _EDGE_LEAST**2 * level.mean():
        return False
    return _log_odds(before[live], after[live]) > _LEAST_LOG_ODDS


def _log_odds(before: FloatArray, after: FloatArray) -> float:
    """How much likelier (natural logarithm) the first samples of `after` are following `before` than foreign to it.

    Both have shape (channels, _WINDOW) and are taken for Gaussian processes of the nature that `before` shows: each
    sample is predicted from the _ORDER before it, or from those of them that lie in `after`.
    """
    whole = np.concatenate([before, after[:, :_ORDER]], axis=1)
    following = _prediction_errors(whole, _ORDER)
    floor = _FLOOR * np.mean(following[:, _ORDER:_WINDOW] ** 2) + np.finfo(np.float64).tiny
    odds = 0.0
    for known in range(_ORDER):
        foreign = _prediction_errors(whole, known)
        place = _WINDOW + known
        odds += _log_likelihood(following, place, floor) - _log_likelihood(foreign, place, floor)
    return odds


def _prediction_errors(channels: FloatArray, order: int) -> FloatArray:
    """Errors of linear prediction from the `order` samples before, as learnt from the first _WINDOW."""
    errors = np.zeros_like(channels)
    for channel, error in zip(channels, errors, strict=True):
        frames = np.lib.stride_tricks.sliding_window_view(channel, order + 1)
        known, present = np.column_stack([frames[:, :order], np.ones(len(frames))]), frames[:, order]
        learnt = slice(_WINDOW - order)
        error[order:] = present - known @ np.linalg.lstsq(known[learnt], present[learnt], rcond=None)[0]
    return errors


def _log_likelihood(errors: FloatArray, place: int, floor: float) -> float:
    """Of the errors in all channels at a place, by their covariance over the window; a constant left out."""
    usual = errors[:, _ORDER:_WINDOW]
    covariance = usual @ usual.T / (_WINDOW - 2 * _ORDER) + floor * np.eye(len(errors))
    miss = errors[:, place]
    return float(-0.5 * (np.linalg.slogdet(covariance)[1] + miss @ np.linalg.solve(covariance, miss)))
