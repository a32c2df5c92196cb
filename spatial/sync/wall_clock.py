"""Evidence of the boxes' own clocks on which take belongs to which clip.

A camera writes when it made a file, a recorder when it started; both clocks may be wrong by minutes or by time zones,
but by the SAME amount all day. If clip i starts `offset_s` into take j, then

    difference = take's stamp + offset_s - clip's stamp        (1)

is one constant for every true pair, and for a wrong one it is off by the time between two takes.

Conventions: spatial.conventions (time). Stamps are seconds of each box's own clock, from any common midnight.
A timecode that was jammed from one box into the other makes the difference nothing, for one clip alone.
Functions: weigh_clocks (log-odds of every offer); agreement_of (of one place, for boxes
that are set to one time), agreement_over_day (with the difference that other clips share); apart_of.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.timebase import DAY_S, HOUR_S, QUARTER_HOUR_S

STAMP_SD_S = 1.2
"""Stamps are whole seconds, often rounded up when a file is closed (common practice, no source)."""

MOST_LOG_ODDS = 6.0
"""However well they agree: files are copied, clocks are set at lunch."""

MOST_ALONE = 1.0
"""Log-odds of a single clip at most: boxes are mostly set right to a minute, and else wrong by whole quarter hours."""

_SET_RIGHT_SD_S = 45.0
"""How exactly a clock is right that was set by hand, one standard deviation, seconds (assumed, no source)."""

_STRAYS = 0.1
"""Share of clips whose stamps do not follow the common difference: copied files, clocks set anew (assumed, no
source)."""

BY_CHANCE_PER_S = 0.01
"""How often, at most, a wrong place has a difference within any given second. Takes follow each other by minutes, and
clocks set by hand are off by most of a minute (0.009 in the likeliest second): no second is likelier than that."""

SURE_CHANCE = 1.0 / 300.0
"""An agreement that chance gives so seldom outweighs what the sound holds against a place."""

LIKELY_CHANCE = 1.0 / 15.0
"""One that settles a doubt, where the sound holds nothing against it."""

AGREEING_OTHERS = 3
"""Fewest other clips with one difference that make it the one of the two clocks."""

_MOST_OF = 0.5
"""Least part of those that have stamps that must agree: else the difference is one of several, or chance among many."""

_SET_ANEW = 0.1
"""How often, at most, a difference that others share does not hold for one more clip: clocks are set at lunch. Where it
holds, a wrong take is off by the time between two takes, and never agrees."""


@dataclass(frozen=True, slots=True)
class CameraStamp:
    """One way to read when a clip began by the camera's own clock."""

    start_s: float
    """Seconds of its day at the first picture."""
    within_s: float
    """How far from nothing the difference of two boxes is that are set to one time: by how the stamp is rounded."""
    repeats_s: float = DAY_S
    """Differences by whole multiples of this mean nothing: a day, or the hours between time zones."""
    by: str = "timecode"
    """What stamped it, in words."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """That the place which the sound found is where the two clocks put it, as far as they are set to one time."""

    apart_s: float
    """Recorder's clock minus the camera's, if they record one moment there."""
    chance: float
    """How often a wrong place would agree so well, over all places that were tried."""
    by: str
    clips: int = 0
    """Other clips of the day that have the same difference; 0 where the two clocks are set to one time."""
    away_s: float = 0.0
    """How far this clip's difference is from theirs."""

    def in_words(self) -> str:
        """A phrase about the agreement and what it is worth."""
        if self.clips:
            what = (
                f"the recorder's time of day and the camera's {self.by} are {_in_words(self.apart_s)} apart, as in "
                f"{self.clips} other clips (within {_in_words(self.away_s)})"
            )
        else:
            what = f"the recorder's time of day and the camera's {self.by} agree within {_in_words(self.apart_s)}"
        return f"{what}, which a wrong place would do once in {1.0 / self.chance:.0f} times"


def _in_words(seconds: float) -> str:
    size = abs(seconds)
    return f"{max(size * 1e3, 1.0):.0f} ms" if size < 1.0 else f"{size:.1f} s"


@dataclass(frozen=True, slots=True)
class Offer:
    """One clip may lie in one take, here."""

    clip: int
    take: int
    offset_s: float
    """Take time minus clip time at the clip's start."""


@dataclass(frozen=True, slots=True, eq=False)
class ClockEvidence:
    """Evidence of the clocks on each offer."""

    log_odds: FloatArray
    """Of each offer against its being chance, natural logarithm, shape (offers,); 0 where a stamp is missing."""
    difference_s: float | None
    """Recorder's clock minus the camera's; None where no two clips agree."""
    agreeing_clips: int
    """Clips that have an offer at that difference."""


def weigh_clocks(
    clip_stamps_s: Sequence[float | None],
    clip_lengths_s: Sequence[float],
    take_stamps_s: Sequence[float | None],
    offers: Sequence[Offer],
) -> ClockEvidence:
    """Find the constant difference of the two clocks, and weigh every offer by it.

    An offer is judged by the OTHER clips' offers: one that agrees with itself only proves nothing.

    Parameters
    ----------
    clip_stamps_s : sequence of float or None
        Camera's wall clock at each clip's start, or at its end: which one is found out.
    clip_lengths_s : sequence of float
        Length of each clip, seconds.
    take_stamps_s : sequence of float or None
        Recorder's wall clock at each take's first sample.
    offers : sequence of Offer
        Everything that the sound leaves possible.

    Returns
    -------
    ClockEvidence
    """
    best: ClockEvidence | None = None
    best_fit = -np.inf
    for at_end in (False, True):
        found = [_difference(offer, clip_stamps_s, clip_lengths_s, take_stamps_s, at_end=at_end) for offer in offers]
        evidence, fit = _weigh(offers, np.array(found, dtype=float))
        # Most cameras stamp the start: the end must fit clearly better.
        if best is None or fit > best_fit + 1.0:
            best, best_fit = evidence, fit
    assert best is not None
    return best


def agreement_of(
    stamps: Sequence[CameraStamp], take_stamp_s: float | None, offset_s: float, *, places: int
) -> Agreement | None:
    """Whether the two boxes' clocks, if they were set to one time, agree with the sound on a place.

    Parameters
    ----------
    stamps : sequence of CameraStamp
        Every way to read the camera's stamp, the finest first; each has a chance to agree that is counted.
    take_stamp_s : float or None
        Recorder's wall clock at the take's first sample.
    offset_s : float
        Take time minus clip time at the clip's start.
    places : int
        How many places the sound leaves possible: each has its own chance to agree.

    Returns
    -------
    Agreement or None
        None where a stamp is missing, or none agrees: boxes that were never set to one time say nothing.

    Examples
    --------
    >>> found = agreement_of([CameraStamp(36_003.0, 0.08)], 36_000.5, 2.52, places=1)
    >>> round(found.apart_s, 3), round(1 / found.chance)
    (0.02, 1250)
    """
    # On the whole hour count boxes that were set to nothing but a preset; a second one agrees with it by design.
    if take_stamp_s is None or take_stamp_s % HOUR_S == 0.0:
        return None
    spent = 0.0
    for stamp in stamps:
        apart_s = apart_of(stamp, take_stamp_s, offset_s)
        if abs(apart_s) <= stamp.within_s:
            tail_s = 2.0 * max(abs(apart_s), stamp.within_s / 2)
            chance = places * BY_CHANCE_PER_S * (tail_s + spent)
            return Agreement(apart_s, min(chance, 1.0), stamp.by)
        spent += 2.0 * stamp.within_s
    return None


def agreement_over_day(
    stamp: CameraStamp,
    take_stamp_s: float | None,
    offset_s: float,
    *,
    others: Sequence[Sequence[float]],
    places: int,
) -> Agreement | None:
    """Whether a place has the difference of the two clocks that the day's other clips have.

    Parameters
    ----------
    stamp : CameraStamp
        The clip's.
    others : sequence of sequence of float
        For each other clip that has stamps, the differences at the places its sound leaves possible (`apart_of`), by
        the same kind of stamp.
    places : int
        How many places the sound leaves possible for this clip.

    Returns
    -------
    Agreement or None
        None where too few other clips have the difference, or it is but one of several.
    """
    if take_stamp_s is None:
        return None
    here_s = apart_of(stamp, take_stamp_s, offset_s)
    half = stamp.repeats_s / 2
    near = []
    for differences in others:
        off = [(other - here_s + half) % stamp.repeats_s - half for other in differences]
        closest = min(off, key=abs, default=np.inf)
        if abs(closest) <= stamp.within_s:
            near.append(closest)
    if len(near) < AGREEING_OTHERS or len(near) < _MOST_OF * len(others):
        return None
    away_s = abs(float(np.median(near)))
    tail_s = 2.0 * max(away_s, stamp.within_s / 2)
    chance = min(1.0, places * BY_CHANCE_PER_S * tail_s * _SET_ANEW)
    return Agreement(here_s, chance, stamp.by, clips=len(near), away_s=away_s)


def apart_of(stamp: CameraStamp, take_stamp_s: float, offset_s: float) -> float:
    """Recorder's clock minus the camera's, if they record one moment, within half of what the stamp repeats by."""
    half = stamp.repeats_s / 2
    return (take_stamp_s + offset_s - stamp.start_s + half) % stamp.repeats_s - half


def _difference(
    offer: Offer,
    clip_stamps_s: Sequence[float | None],
    clip_lengths_s: Sequence[float],
    take_stamps_s: Sequence[float | None],
    *,
    at_end: bool,
) -> float:
    """Equation (1), wrapped into half a day either way; NaN where a stamp is missing."""
    clip, take = clip_stamps_s[offer.clip], take_stamps_s[offer.take]
    if clip is None or take is None:
        return float("nan")
    start = clip - clip_lengths_s[offer.clip] if at_end else clip
    return (take + offer.offset_s - start + DAY_S / 2) % DAY_S - DAY_S / 2


def _weigh(offers: Sequence[Offer], differences: FloatArray) -> tuple[ClockEvidence, float]:
    clips = np.array([offer.clip for offer in offers], dtype=int)
    known = np.isfinite(differences)
    log_odds = np.zeros(len(offers))
    if not known.any():
        return ClockEvidence(log_odds, None, 0), 0.0
    # The difference may lie between two stamps' roundings: places beside each offer's own are tried too.
    places = (differences[known][:, np.newaxis] + STAMP_SD_S * np.linspace(-1.5, 1.5, 7)).ravel()
    bells = np.where(known, _bell(places[:, np.newaxis] - np.where(known, differences, 0.0)), 0.0)
    told = {}
    for clip in np.unique(clips[known]):
        own = (clips == clip) & known
        told[int(clip)] = np.log(_STRAYS + (1.0 - _STRAYS) * bells[:, own].sum(axis=1) / own.sum() * _NARROW)
    prior = _prior(places)
    total = prior + sum(told.values())
    for number in np.flatnonzero(known):
        others = [value for clip, value in told.items() if clip != clips[number]]
        if others:
            posterior = prior + sum(others)
            posterior = np.exp(posterior - np.max(posterior))
            agreed = float(posterior @ bells[:, number] / posterior.sum())
            log_odds[number] = np.clip(np.log((agreed + _NEVER) / _BY_CHANCE), -MOST_LOG_ODDS, MOST_LOG_ODDS)
        else:
            alone = float(_prior(differences[number : number + 1])[0])
            log_odds[number] = np.clip(alone, -MOST_ALONE, MOST_ALONE)
    top = float(places[int(np.argmax(total))])
    near = known & (np.abs(differences - top) < 3 * STAMP_SD_S)
    agreeing = len(np.unique(clips[near]))
    return ClockEvidence(log_odds, top if agreeing > 1 else None, agreeing), float(np.max(total))


_NARROW = 20.0
"""How much likelier an agreement within a second or two is for the true difference than for a chance one."""


_NEVER, _BY_CHANCE = 1e-3, 0.1
"""How often a true pair misses the difference altogether, and how far chance alone agrees with it."""


def _bell(apart_s: FloatArray) -> FloatArray:
    # Two stamps, each with its own rounding.
    return np.asarray(np.exp(-0.5 * (apart_s / (np.sqrt(2.0) * STAMP_SD_S)) ** 2))


def _prior(places_s: FloatArray) -> FloatArray:
    """Boxes are set right, or wrong by whole quarter hours, more often than by anything else."""
    off = (places_s + QUARTER_HOUR_S / 2) % QUARTER_HOUR_S - QUARTER_HOUR_S / 2
    whole_hours = np.where(np.abs(places_s) < QUARTER_HOUR_S / 2, 1.0, 0.5)
    return np.asarray(np.log(0.3 + whole_hours * np.exp(-0.5 * (off / _SET_RIGHT_SD_S) ** 2)))
