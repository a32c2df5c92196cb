"""Early or late, in milliseconds and frames, and whether viewers notice.

Conventions: spatial.conventions (time). Early is positive here, as in [1]: the sound comes before the picture. A track
laid under the picture from its first sample is heard LATE by the offset of its clock law: early = -offset_s.
Functions: judge_lip_sync (one moment); judge_track (a whole track by its clock law); size_in_words, in_words.
Sources:
[1] ITU-R BT.1359-1 (1998), "Relative timing of sound and vision for broadcasting"; its numbers as the trade press
prints them (TV Technology, "Updating lip sync issues" and "Managing lip sync").
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from spatial.conventions import SDS_OF_95
from spatial.errors import InputError
from spatial.timebase import ClockLaw

DETECTABLE_EARLY_S, DETECTABLE_LATE_S = 0.045, 0.125
"""From here on viewers notice that sound is early, or late [1]."""

ACCEPTABLE_EARLY_S, ACCEPTABLE_LATE_S = 0.090, 0.185
"""Up to here, and no further, they put up with it [1]."""

SOURCE = "ITU-R BT.1359-1"

_WORTH_TELLING_APART_S = 0.005
"""Start and end are reported apart where they differ by more, seconds."""

_WORTH_SAYING_S = 0.001
"""A 95 % interval from here on is reported beside the number, seconds."""


class Verdict(StrEnum):
    """What viewers make of it. "Could be" where the 95 % interval holds a limit."""

    UNNOTICED = "not noticed"
    PERHAPS_NOTICED = "could be noticed"
    ACCEPTABLE = "noticed, acceptable"
    PERHAPS_UNACCEPTABLE = "could be unacceptable"
    UNDECIDED = "cannot be told"
    """Anything from unnoticed to unacceptable lies within the interval."""
    UNACCEPTABLE = "not acceptable"

    @property
    def rank(self) -> int:
        """How grave it is, from 0."""
        return list(Verdict).index(self)


_SENTENCE_END = {
    Verdict.UNNOTICED: "not noticed by most viewers",
    Verdict.PERHAPS_NOTICED: "could be noticed",
    Verdict.ACCEPTABLE: "noticed, but acceptable",
    Verdict.PERHAPS_UNACCEPTABLE: "noticed, and could be unacceptable",
    Verdict.UNDECIDED: "whether viewers notice cannot be told",
    Verdict.UNACCEPTABLE: "not acceptable",
}


@dataclass(frozen=True, slots=True)
class LipSync:
    """How early sound is against the picture at one moment."""

    early_s: float
    """Negative where it is late."""
    sd_s: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class TrackLipSync:
    """How early a track is from start to end."""

    start: LipSync
    end: LipSync
    worst: LipSync
    """The gravest of start, end and both sides of every step."""
    worst_s: float
    """Clip time of the worst."""

    @property
    def largest_s(self) -> float:
        """How far the track strays at most of these moments, early or late alike."""
        return max(abs(moment.early_s) for moment in (self.start, self.end, self.worst))


def judge_lip_sync(early_s: float, sd_s: float = 0.0) -> LipSync:
    """Hold an earliness (negative: late) against the limits of [1].

    Parameters
    ----------
    early_s : float
        Seconds by which sound comes before the picture.
    sd_s : float
        Its standard deviation; infinite where nothing is known of it.

    Raises
    ------
    InputError
        early_s is not a finite number, or sd_s is negative or NaN.

    Examples
    --------
    >>> judge_lip_sync(-0.063, 0.0001).verdict.value, judge_lip_sync(+0.063, 0.0001).verdict.value
    ('not noticed', 'noticed, acceptable')
    >>> judge_lip_sync(-0.120, 0.010).verdict.value
    'could be noticed'
    """
    if not math.isfinite(early_s) or not sd_s >= 0.0:
        raise InputError(f"lip-sync of {early_s} s with a deviation of {sd_s} s cannot be judged; give numbers")
    low, high = early_s - SDS_OF_95 * sd_s, early_s + SDS_OF_95 * sd_s
    zones = (_zone(low), _zone(high))
    # The zones lie around 0 like shells: an interval that holds 0 holds the innermost.
    best = 0 if low <= 0.0 <= high else min(zones)
    verdict = {
        (0, 0): Verdict.UNNOTICED,
        (0, 1): Verdict.PERHAPS_NOTICED,
        (1, 1): Verdict.ACCEPTABLE,
        (1, 2): Verdict.PERHAPS_UNACCEPTABLE,
        (0, 2): Verdict.UNDECIDED,
        (2, 2): Verdict.UNACCEPTABLE,
    }[best, max(zones)]
    return LipSync(early_s, sd_s, verdict)


def judge_track(
    law: ClockLaw,
    duration_s: float,
    *,
    offset_sd_s: float = 0.0,
    drift_sd_ppm: float = 0.0,
) -> TrackLipSync:
    """Judge a track that lies under the picture from its first sample, unchanged.

    Parameters
    ----------
    law : ClockLaw
        Of the track against the clip, with its steps.
    duration_s : float
        Length of the clip.
    offset_sd_s, drift_sd_ppm : float
        Of the law. Taken as independent, which at the end says a little too much.

    Examples
    --------
    >>> found = judge_track(ClockLaw(offset_s=0.050, drift_ppm=-100.0), 600.0)
    >>> round(found.start.early_s, 6), round(found.end.early_s, 6), found.worst.verdict.value
    (-0.05, 0.01, 'not noticed')
    """
    judged = []
    passed: list[float] = []

    def judge(time_s: float, late_s: float) -> None:
        sd_s = math.hypot(offset_sd_s, time_s * drift_sd_ppm * 1e-6, *passed)
        judged.append((judge_lip_sync(-late_s, sd_s), time_s))

    judge(0.0, law.take_from_clip(0.0))
    for step in law.steps:
        if 0.0 < step.clip_time_s < duration_s:
            after_s = law.take_from_clip(step.clip_time_s) - step.clip_time_s
            judge(step.clip_time_s, after_s - step.step_s)
            passed.append(step.sd_s)
            judge(step.clip_time_s, after_s)
    judge(duration_s, law.take_from_clip(duration_s) - duration_s)
    worst, worst_s = max(judged, key=lambda pair: (pair[0].verdict.rank, _severity(pair[0].early_s)))
    return TrackLipSync(judged[0][0], judged[-1][0], worst, worst_s)


def size_in_words(track: TrackLipSync, frame_rate: Fraction | None) -> str:
    """How early or late a track is, with frames where there is a picture.

    Examples
    --------
    >>> size_in_words(judge_track(ClockLaw(offset_s=0.063), 60.0), Fraction(25))
    '63 ms late (1.6 frames at 25 a second)'
    >>> size_in_words(judge_track(ClockLaw(offset_s=-0.020, drift_ppm=-500.0), 60.0), None)
    '20 ms early at the start, 50 ms early at the end'
    """
    said = [(track.start, "at the start"), (track.end, "at the end")]
    if track.worst not in (track.start, track.end):
        said.append((track.worst, f"{track.worst_s:.1f} s into the clip"))
    early = [moment.early_s for moment, _ in said]
    if max(early) - min(early) <= _WORTH_TELLING_APART_S:
        text = _early_or_late(track.worst)
    else:
        text = ", ".join(f"{_early_or_late(moment)} {when}" for moment, when in said)
    if frame_rate is None:
        return text
    rate = f"{float(frame_rate):.3f}".rstrip("0").rstrip(".")
    frames = abs(track.worst.early_s) * float(frame_rate)
    count = "under 0.1 frame" if frames < 0.05 else f"{frames:.1f} frame{'' if f'{frames:.1f}' == '1.0' else 's'}"
    return f"{text} ({'at worst ' if ',' in text else ''}{count} at {rate} a second)"


def in_words(track: TrackLipSync, frame_rate: Fraction | None) -> str:
    """How early or late a track is, and what viewers make of it.

    Examples
    --------
    >>> in_words(judge_track(ClockLaw(offset_s=0.063), 60.0), Fraction(25))
    '63 ms late (1.6 frames at 25 a second): not noticed by most viewers (ITU-R BT.1359-1)'
    """
    return f"{size_in_words(track, frame_rate)}: {verdict_in_words(track)}"


def verdict_in_words(track: TrackLipSync) -> str:
    """What viewers make of a track at its worst, with the source."""
    return f"{_SENTENCE_END[track.worst.verdict]} ({SOURCE})"


def _zone(early_s: float) -> int:
    """0 unnoticed, 1 noticed but acceptable, 2 not acceptable."""
    if -DETECTABLE_LATE_S < early_s < DETECTABLE_EARLY_S:
        return 0
    return 1 if -ACCEPTABLE_LATE_S <= early_s <= ACCEPTABLE_EARLY_S else 2


def _severity(early_s: float) -> float:
    """How far towards the limit of what is noticed; early sound is noticed sooner."""
    return early_s / DETECTABLE_EARLY_S if early_s > 0 else -early_s / DETECTABLE_LATE_S


def _early_or_late(moment: LipSync) -> str:
    size_s = abs(moment.early_s)
    if size_s < 0.00005:
        text = "0.0 ms off"
    else:
        size = f"{size_s:.2f} s" if size_s >= 1.0 else f"{size_s * 1e3:.{0 if size_s >= 0.01 else 1}f} ms"
        text = f"{size} {'early' if moment.early_s > 0 else 'late'}"
    spread_s = SDS_OF_95 * moment.sd_s
    return f"{text}, give or take {spread_s * 1e3:.0f} ms" if _WORTH_SAYING_S <= spread_s < math.inf else text
