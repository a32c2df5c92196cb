"""Which of a film's lags against its track holds at each half second, and the sample at which it gives way.

Goal: a slip of the sound with its moment, and no slip where music merely repeats itself.
Method: the likelihood ratio of "these channels share sound" is compared between the lags, half second by half second;
another lag must earn its place before the path goes over to it, and again before it goes back (a Viterbi search) [1].
Conventions: spatial.conventions (time). film[n] is track[n + lag].
Functions: follow_lags (the path); moments_of_change (where it jumps).
Sources:
[1] Forney 1973, Proceedings of the IEEE 61(3): the Viterbi algorithm.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.dsp.samples import Samples
from spatial.verification.mixing_matrix import Patches, agreement, patch_covariances
from spatial.verification.sound_lag import LagCandidate

_SWITCH = 30.0
"""What another lag must explain better, natural log of odds, before the path goes over to it and again before it goes
back: half seconds of music that repeats itself stray by some ten."""

_LEAST_SLIP_S = 0.0015
"""Lags nearer than this are one: filters and reverberation move a peak by less."""

_REACH_S = 0.8
"""A jump is sought so far to either side of the half seconds between which it lies."""


def follow_lags(
    film: Samples, track: Samples, candidates: list[LagCandidate]
) -> tuple[FloatArray, Patches, FloatArray]:
    """The lag of each half second, the patches read along it, and how much film and track agree there.

    Parameters
    ----------
    film : Samples
        One to four channels.
    track : Samples
        Four channels.
    candidates : list of LagCandidate
        At least one.

    Returns
    -------
    lags : ndarray, shape (times,)
        Samples.
    patches : Patches
    scores : ndarray, shape (times,)
        Natural log of odds.
    """
    rate = film.rate_hz
    tried = [patch_covariances(film, track, candidate.lag) for candidate in candidates]
    scores = np.stack([agreement(patches) for patches in tried], axis=1)
    chosen = _viterbi(scores)
    chosen = _without_short(chosen, scores)
    lags = np.array([candidate.lag for candidate in candidates])
    # Two lags that a filter could have made of one are one.
    main = int(np.bincount(chosen, weights=np.maximum(scores[np.arange(len(chosen)), chosen], 0) + 1e-6).argmax())
    near = np.abs(lags[chosen] - lags[main]) < _LEAST_SLIP_S * rate
    chosen = np.where(near, main, chosen)
    along = np.stack([tried[lag].covariance[time] for time, lag in enumerate(chosen)])
    return lags[chosen], replace(tried[0], covariance=along), scores[np.arange(len(chosen)), chosen]


def _viterbi(scores: FloatArray) -> npt.NDArray[np.int_]:
    times, count = scores.shape
    best, back = scores[0].copy(), np.zeros((times, count), dtype=int)
    for time in range(1, times):
        top = int(np.argmax(best))
        stay = best >= best[top] - _SWITCH
        back[time] = np.where(stay, np.arange(count), top)
        best = np.where(stay, best, best[top] - _SWITCH) + scores[time]
    path = np.zeros(times, dtype=int)
    path[-1] = int(np.argmax(best))
    for time in range(times - 1, 0, -1):
        path[time - 1] = back[time, path[time]]
    return path


def _without_short(chosen: npt.NDArray[np.int_], scores: FloatArray) -> npt.NDArray[np.int_]:
    """A piece of one half second is a coincidence, unless the shot has no more."""
    chosen = chosen.copy()
    while True:
        bounds = [0, *(np.flatnonzero(np.diff(chosen)) + 1), len(chosen)]
        short = [n for n in range(len(bounds) - 1) if bounds[n + 1] - bounds[n] < 2]
        if len(bounds) <= 2 or not short:
            return chosen
        first, last = bounds[short[0]], bounds[short[0] + 1]
        beside = [chosen[place] for place in (first - 1, last) if 0 <= place < len(chosen)]
        chosen[first:last] = max(beside, key=lambda lag: float(np.sum(scores[first:last, lag])))


def moments_of_change(
    film: Samples, track: Samples, matrix: FloatArray, rough: FloatArray, lags: FloatArray
) -> FloatArray:
    """The samples at which one lag gives way to the next, between the ends of the film and in order.

    Parameters
    ----------
    film, track : Samples
        As for follow_lags.
    matrix : ndarray, shape (film, 4)
        From the track's channels to the film's.
    rough : ndarray, shape (jumps,)
        Samples near which it jumps, in order.
    lags : ndarray, shape (jumps + 1,)
        The lags that follow each other.

    Returns
    -------
    ndarray, shape (jumps,)
        Each piece between two of them, or an end of the film, holds samples.
    """
    ends = np.concatenate([[0.0], rough, [float(film.length)]])
    # Two jumps beside each other may not cross, or a piece would have no length.
    reach = np.minimum(0.45 * np.diff(ends), _REACH_S * film.rate_hz)
    found = [
        _moment(film, track, matrix, (place - before, place + after), (lags[number], lags[number + 1]))
        for number, (place, before, after) in enumerate(zip(rough, reach[:-1], reach[1:], strict=True))
    ]
    return np.array(found)


def _moment(
    film: Samples, track: Samples, matrix: FloatArray, span: tuple[float, float], lags: tuple[float, float]
) -> float:
    """Where the agreement before and after adds up to most."""
    low, high = round(span[0]), round(span[1])
    block = max(1, film.rate_hz // 100)
    # Differences from sample to sample: bass says little of when.
    heard = np.diff(film.read(low, high).astype(float), axis=1)
    places = np.arange(0, heard.shape[1], block)
    alike = []
    for lag in lags:
        model = np.diff(matrix @ track.read(low + round(lag), high + round(lag)).astype(float), axis=1)
        both, own, other = (
            np.add.reduceat(np.sum(one * two, axis=0), places)
            for one, two in ((heard, model), (heard, heard), (model, model))
        )
        # Each hundredth says as much, loud or not, whatever gain a fader had.
        alike.append(both / np.sqrt(own * other + 1e-30))
    before = np.concatenate([[0.0], np.cumsum(alike[0] - alike[1])])
    return float(min(low + block * int(np.argmax(before)), high))
