"""Which clap of a walk around the camera is which, though some may be missing, doubled, or no claps at all.

Goal: pair the claps that were found with the places that were named, in order, whatever the microphone's mount is and
whether or not the field is mirrored. Every pairing in order is weighed (spatial.analysis.rotationfit).
Conventions: spatial.conventions (mount).
Functions: clap_direction (a place by name); pair_claps; merge_doubled.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import logsumexp

from spatial.analysis.mountguesses import MIRRORED
from spatial.analysis.mountprior import MountPrior, word_rows
from spatial.analysis.rotationfit import BoolArray, fit_rotations
from spatial.analysis.wiring import INVERTED_OMNI, mirroring_faults
from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.field import angle_between
from spatial.rotation import rotation_angle

CLAP_SD_RAD = np.radians(8.0)
"""How exactly a person stands in front, at the left and so on, and holds their hands at the microphone's height
(common practice, no source)."""

_PLACES = {
    "front": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "above": (0.0, 0.0, 1.0),
    "below": (0.0, 0.0, -1.0),
}
_DOUBLED_S = 4.0
_DOUBLED_RAD = np.radians(20.0)
_MOST_MISSING = 2
_MOST_SPARE = 5
_MISSING, _SPARE = 0.05, 0.1
_SURE = 0.95
_SAME_RAD = np.radians(30.0)


@dataclass(frozen=True, slots=True)
class Pairing:
    """Which clap is which."""

    pairs: tuple[tuple[int, int], ...]
    """(place named, clap found) for each pair, in order; empty where fewer than two fit."""
    sure: bool
    """No other pairing that would mean another mount is worth considering."""


def clap_direction(name: str) -> FloatArray:
    """Direction of a place by name, in the picture's axes: front, left, back, right, above, below, or two with a dash.

    Raises
    ------
    InputError
        No such place.

    Examples
    --------
    >>> clap_direction("front-left").round(3).tolist()
    [0.707, 0.707, 0.0]
    """
    parts = [_PLACES.get(part) for part in name.strip().lower().split("-")]
    total = np.sum([part for part in parts if part is not None], axis=0) if all(parts) else np.zeros(3)
    if len(parts) > 2 or not np.any(total) or (len(parts) == 2 and parts[0] == parts[1]):
        raise InputError(
            f"'{name}' is no place to clap from; name front, left, back, right, above, below, or two such as front-left"
        )
    return np.asarray(total / np.linalg.norm(total))


def merge_doubled(times_s: FloatArray, vectors: FloatArray) -> list[list[int]]:
    """Claps that follow each other within seconds from one direction, as groups of places.

    Parameters
    ----------
    times_s : ndarray, shape (claps,)
        In order.
    vectors : ndarray, shape (claps, 3)
        Unit vectors.
    """
    groups: list[list[int]] = []
    for number, (time_s, vector) in enumerate(zip(times_s, vectors, strict=True)):
        last = groups[-1][-1] if groups else None
        doubled = last is not None and time_s - times_s[last] < _DOUBLED_S
        if doubled and angle_between(vector, vectors[groups[-1][0]]) < _DOUBLED_RAD:
            groups[-1].append(number)
        else:
            groups.append([number])
    return groups


def pair_claps(
    places: FloatArray, vectors: FloatArray, sd_rad: FloatArray, *, prior: MountPrior | None = None
) -> Pairing:
    """Pair claps with places, both in order.

    Parameters
    ----------
    places : ndarray, shape (named, 3)
        Where somebody said they would clap, in the picture's axes.
    vectors : ndarray, shape (claps, 3)
        Where claps were heard, in the microphone's axes.
    sd_rad : ndarray, shape (claps,)
        One standard deviation of each, both hearing and standing.
    prior : MountPrior, optional

    Returns
    -------
    Pairing
    """
    named, found = len(places), len(vectors)
    chosen, spare = _pairings(named, found)
    if not len(chosen):
        return Pairing((), False)
    words = word_rows(prior or MountPrior()) or ((),)
    mirrors = mirroring_faults() if words[0] else ((INVERTED_OMNI, 1.0),)
    matched = chosen >= 0
    count = np.sum(matched, axis=1)
    log_choice = (
        (named - count) * np.log(_MISSING) + spare * np.log(_SPARE) + (named - spare - count) * np.log(4 * np.pi)
    )
    log_odds, matrices, which = [], [], []
    for rows in words:
        told = len(rows)
        wanted = np.concatenate([places, np.reshape([row.in_picture for row in rows], (told, 3))])
        heard = np.concatenate(
            [vectors[chosen], np.tile(np.reshape([row.in_mic for row in rows], (1, told, 3)), (len(chosen), 1, 1))],
            axis=1,
        )
        sd = np.concatenate([sd_rad[chosen], np.tile([row.sd_rad for row in rows], (len(chosen), 1))], axis=1)
        used: BoolArray = np.concatenate([matched, np.ones((len(chosen), told), dtype=bool)], axis=1)
        for fault, share in ((np.eye(3), 1 - MIRRORED), *((fault, MIRRORED * part) for fault, part in mirrors)):
            recorded = heard.copy()
            recorded[:, :named] = recorded[:, :named] @ fault
            fits = fit_rotations(wanted[np.newaxis], recorded, sd, used)
            log_odds.append(fits.log_evidence + log_choice + np.log(share))
            matrices.append(fits.matrices @ fault.T)
            which.append(np.arange(len(chosen)))
    odds, turns, pairing = np.concatenate(log_odds), np.concatenate(matrices), np.concatenate(which)
    shares = np.exp(odds - logsumexp(odds))
    best = int(np.argmax(shares))
    rivals = [
        n for n in np.flatnonzero(shares > 1e-3) if pairing[n] != pairing[best] and not _alike(turns[n], turns[best])
    ]
    pairs = tuple((place, int(clap)) for place, clap in enumerate(chosen[pairing[best]]) if clap >= 0)
    return Pairing(pairs, float(np.sum(shares[rivals])) < 1 - _SURE)


def _alike(first: FloatArray, second: FloatArray) -> bool:
    """Whether two matrices put the sound in the same place."""
    return bool(np.linalg.det(first @ second) > 0) and rotation_angle(first, second) < _SAME_RAD


def _pairings(named: int, found: int) -> tuple[FloatArray, FloatArray]:
    """Every pairing in order: the clap of each place (-1: missing), shape (pairings, named); how many are left."""
    rows, spare = [], []
    fewest = max(2, min(named, found) - _MOST_MISSING, found - _MOST_SPARE)
    for count in range(fewest, min(named, found) + 1):
        for places in combinations(range(named), count):
            for claps in combinations(range(found), count):
                row = np.full(named, -1)
                row[list(places)] = claps
                rows.append(row)
                spare.append(found - count)
    return np.asarray(rows), np.asarray(spare)
