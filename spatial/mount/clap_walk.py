"""The clap walk: claps found in a recording and paired with the places named.

Goal: the moments of single hand claps near the microphone among speech, steps and knocks; and which clap belongs to
which place, though some may be missing, doubled, or no claps at all, whatever the microphone's mount is and whether or
not the field is mirrored.
Method: a clap starts within a millisecond or two in every band at once, and is gone before a syllable would have begun:
what is left after it is the room. Every pairing in order is weighed by the rotation that fits it best
(spatial.mount.wahba).
Conventions: spatial.conventions (mount).
Functions: ClapFinder (push sound, then finish); Clap; clap_direction (a place by name); merge_doubled; pair_claps.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import logsumexp

from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.field import angle_between
from spatial.mount.channel_faults import INVERTED_OMNI, mirroring_faults
from spatial.mount.mark_fit import MIRRORED
from spatial.mount.prior import MountPrior, word_rows
from spatial.mount.wahba import BoolArray, fit_rotations
from spatial.rotation import rotation_angle

# --- which clap is which ---

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
"""Claps that follow each other within this time, seconds, and from directions closer than _DOUBLED_RAD, are one place
clapped twice. A larger value joins two places of a quick walk."""

_DOUBLED_RAD = np.radians(20.0)
"""See _DOUBLED_S: less than half the angle between neighbouring places that a person names (45 degrees)."""

_MOST_MISSING = 2
"""Most places without a clap, and most claps without a place (_MOST_SPARE), that a pairing may have. They bound the
number of pairings; beyond them the walk is not what was named."""

_MOST_SPARE = 5
"""See _MOST_MISSING: knocks and steps are found as claps more often than claps are missed."""

_MISSING, _SPARE = 0.05, 0.1
"""How often a named place has no clap, and how often a clap has no place (assumed, no source)."""

_SURE = 0.95
"""How likely all pairings together that mean one mount must be for it to be sure. At less another mount is worth
considering."""

_SAME_RAD = np.radians(30.0)
"""Mounts closer than this put the sound in the same place as far as pairing is concerned: neighbouring pairings differ
by 45 degrees and more."""


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


# --- finding claps ---

HOP_S = 0.0025
"""Seconds from one power to the next: the rise of a clap, a millisecond or two, lies within one of them or two."""

_BANDS_HZ = ((800.0, 1600.0), (1600.0, 3200.0), (3200.0, 6400.0))
"""Octaves that a clap starts in at once, Hz: below them speech and steps are loud, above them room and air take off too
much."""

# In hops. Chosen on simulated walks that no test or benchmark uses (tests/bench/clapwalk.py, seeds below 1000).
_BEFORE = (24, 2)
"""What a moment is held against: the hops from the first to the second before it, 60 to 5 ms."""

_BURST = 3
"""Hops of a clap's first moments whose mean is its level, 7.5 ms."""

_AFTER = (16, 48)
"""Hops after its start in which it must have fallen, 40 to 120 ms: by then a syllable is in full sound."""

_PEAK_HOPS = 40
"""Least number of hops between two claps, 100 ms: nearer, the second is a reflection of the first."""

_RISE_DB = 12.0
"""Least rise in the band where it is least, dB. At less syllables and knocks count, at more claps from afar are
missed."""

_FALL_DB = 6.0
"""Least fall from its first moments to what is left after it, dB. At less syllables count, at more claps in live rooms
are missed."""

_WEAKEST_DB = 18.0
"""A clap is no weaker than this against the strongest: one person claps much alike, at much the same distance."""


@dataclass(frozen=True, slots=True)
class Clap:
    """One clap."""

    time_s: float
    """When it starts."""
    level_db: float
    """Of its first moments, re full scale."""
    rise_db: float
    """How far it stands out of what was just before, in the band where that is least."""


class ClapFinder:
    """Finds claps in sound that comes block by block."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._hop = round(HOP_S * rate_hz)
        from scipy.signal import butter  # half a second to import: only a clap walk needs it

        self._filters = [butter(2, band, "bandpass", fs=rate_hz, output="sos") for band in _BANDS_HZ]
        self._states = [np.zeros((sos.shape[0], 2)) for sos in self._filters]
        self._rest = np.zeros((len(_BANDS_HZ), 0))
        self._powers: list[FloatArray] = []

    def push(self, omni: FloatArray) -> None:
        """Listen to the next samples of W, shape (samples,)."""
        from scipy.signal import sosfilt

        bands = []
        for number, sos in enumerate(self._filters):
            filtered, self._states[number] = sosfilt(sos, omni, zi=self._states[number])
            bands.append(filtered)
        sound = np.concatenate([self._rest, np.stack(bands)], axis=1)
        whole = sound.shape[1] // self._hop * self._hop
        self._powers.append(np.mean(sound[:, :whole].reshape(len(bands), -1, self._hop) ** 2, axis=2))
        self._rest = sound[:, whole:]

    def finish(self) -> tuple[Clap, ...]:
        """The claps, in order of time."""
        powers = np.concatenate(self._powers, axis=1) if self._powers else np.zeros((len(_BANDS_HZ), 0))
        if powers.shape[1] <= _BEFORE[0] + _AFTER[1]:
            return ()
        rise = _rise(10 * np.log10(powers + 1e-14))
        if rise.max() < _RISE_DB:
            return ()
        from librosa.util import peak_pick  # a second to import: only what may be a clap walk needs it

        strength = np.maximum(rise, 0.0)
        peaks = peak_pick(
            strength, pre_max=_PEAK_HOPS, post_max=_PEAK_HOPS, pre_avg=1, post_avg=2, delta=0.0, wait=_PEAK_HOPS
        )
        total = np.sum(powers, axis=0)
        found = []
        for peak in peaks:
            burst = float(np.mean(total[peak : peak + _BURST]))
            after = float(np.mean(total[peak + _AFTER[0] : peak + _AFTER[1]])) if peak + _AFTER[1] < total.size else 0.0
            fall_db = 10 * np.log10(burst / max(after, 1e-14)) if burst > 0 else 0.0
            if rise[peak] >= _RISE_DB and fall_db >= _FALL_DB:
                found.append(Clap(float(peak * HOP_S), float(10 * np.log10(burst)), float(rise[peak])))
        loudest = max((clap.level_db for clap in found), default=0.0)
        return tuple(clap for clap in found if clap.level_db > loudest - _WEAKEST_DB)


def _rise(level_db: FloatArray) -> FloatArray:
    """How far each moment stands above what was just before, in the band where that is least, shape (hops,)."""
    first, last = _BEFORE
    sums = np.cumsum(np.pad(level_db, ((0, 0), (1, 0))), axis=1)
    before = np.full_like(level_db, np.inf)
    before[:, first:] = (
        sums[:, first - last + 1 : level_db.shape[1] - last + 1] - sums[:, : level_db.shape[1] - first]
    ) / (first - last + 1)
    # A clap may start late in a hop: the next one has its strength.
    strongest = np.maximum(level_db, np.pad(level_db[:, 1:], ((0, 0), (0, 1)), mode="edge"))
    return np.asarray(np.min(strongest - before, axis=0))
