"""Whether the microphone hung where --mic-offset says, of one clip and of a day.

Conventions: spatial.conventions (axes, mount).
Functions: offset_evidence (of a clip); findings_of_rigs (of several); offset_findings, one_place_of_all,
assumed_in_words (what to say of it); sight_of_marks (what a proof by marks could see of a wrong place),
sight_findings, unseen_findings, unseen_of_rigs (what to say of that), sight_facts, unseen_facts (as JSON).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.direction.microphone_error import Microphone, scatter_sd_rad
from spatial.field import unit_vectors
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.mount.mark_fit import MountEstimate
from spatial.mount.mic_offset import (
    OffsetEvidence,
    OffsetJudgement,
    combined,
    errors_shown_m,
    evidence_of_arrivals,
    evidence_of_marks,
    judge_offset,
)
from spatial.mount.wahba import turn_between
from spatial.sync.alignment import SyncEstimate
from spatial.sync.baseline import NEAR_M

_Told = TypeVar("_Told")
_BELONGS = 0.5
"""Marks that are less likely wrong than this take part."""

_AXES = (("forward", "back"), ("left", "right"), ("up", "down"))
"""What the three axes are called, their positive end first."""

UNSEEN_M = 0.2
"""An error of the microphone's place that is easily made, such as a forgotten bar, and that matters: some 8 degrees at
1.5 m. A proof that could not show it says so."""


@dataclass(frozen=True, slots=True, eq=False)
class OffsetSight:
    """What marks and arrival times would show of a wrong --mic-offset."""

    evidence: OffsetEvidence
    judgement: OffsetJudgement
    shown_m: FloatArray
    """The smallest error that would show, forward, left, up, shape (3,); infinite where none would."""
    at_marks_rad: FloatArray
    """How far off the marked performer who suffers most would be heard with UNSEEN_M of error along each axis, the
    mount having taken up what it can, shape (3,)."""
    turn_rad: FloatArray
    """How far the mount would turn for it, and with it all that sounds far away, shape (3,)."""

    @property
    def unseen(self) -> tuple[bool, bool, bool]:
        """Along which of forward, left and up UNSEEN_M would not show."""
        forward, left, up = self.shown_m > UNSEEN_M
        return bool(forward), bool(left), bool(up)


def offset_evidence(
    used: Sequence[MeasuredMark], mount: MountEstimate, rig: Rig, sync: SyncResult | None
) -> OffsetEvidence:
    """What the marks of a clip, all heard, and its arrival times say of the microphone's place.

    Nothing where the camera turned over the recorder: the place seen from the lens then turned too.
    """
    if rig.moves is not None or mount.undetermined or mount.contradictory:
        return OffsetEvidence()
    fits = [mark for mark, wrong in zip(used, mount.wrong, strict=True) if wrong < _BELONGS]
    if not fits:
        return OffsetEvidence()
    estimate = sync.estimate if sync is not None else None
    return _evidence(fits, mount.picture_from_take, rig, rig.microphone, estimate)


def _evidence(
    marks: Sequence[MeasuredMark], matrix: FloatArray, rig: Rig, microphone: Microphone, sync: SyncEstimate | None
) -> OffsetEvidence:
    """What heard marks, and the arrival times of a sync, say; `matrix` turns what is heard into the filmed picture."""
    heard = np.stack([mark.heard.vector for mark in marks])
    place = rig.mic_offset_m
    parts = [
        evidence_of_marks(
            _seen(marks),
            np.array([np.nan if mark.mark.distance_m is None else mark.mark.distance_m for mark in marks], dtype=float),
            heard,
            np.hypot([mark.heard.sd_rad for mark in marks], scatter_sd_rad(microphone, heard)),
            mic_offset_m=place,
            picture_from_mic=matrix,
        )
    ]
    told = sync.evidence if sync is not None and not sync.apart else None
    if told is not None:
        parts.append(
            evidence_of_arrivals(
                told.arrival_m, told.arrival_covariance_m2, mic_offset_m=place, picture_from_mic=matrix
            )
        )
    return combined(parts)


def _seen(marks: Sequence[MeasuredMark]) -> FloatArray:
    return np.stack([unit_vectors(mark.mark.azimuth_rad, mark.mark.elevation_rad) for mark in marks])


def sight_of_marks(
    marks: Sequence[MeasuredMark], rig: Rig, sync: SyncEstimate | None, picture_from_sound: FloatArray
) -> OffsetSight | None:
    """What marks, and arrival times, would show of a wrong --mic-offset.

    The mount may have been found with the same wrong place, so that any turn is left free.

    Parameters
    ----------
    marks : sequence of MeasuredMark
    rig : Rig
    sync : SyncEstimate, optional
        Of the same sound against the clip.
    picture_from_sound : ndarray, shape (3, 3)
        Turns what is heard into the picture as filmed.

    Returns
    -------
    OffsetSight or None
        None where nobody is heard: nothing is proved then.
    """
    heard = [mark for mark in marks if mark.heard.heard]
    if not heard:
        return None
    evidence = OffsetEvidence()
    if rig.moves is None:
        evidence = _evidence(heard, picture_from_sound, rig, heard[0].microphone, sync)
    seen, sd_rad = _seen(heard), np.array([mark.heard.sd_rad for mark in heard])
    distances = np.array([NEAR_M if mark.mark.distance_m is None else mark.mark.distance_m for mark in heard])
    towards = seen * distances[:, np.newaxis] - rig.mic_offset_m
    expected = towards / np.linalg.norm(towards, axis=1, keepdims=True)
    at_marks, turns = np.zeros(3), np.zeros(3)
    for axis in range(3):
        true = towards - UNSEEN_M * np.eye(3)[axis]
        shifted = true / np.linalg.norm(true, axis=1, keepdims=True)
        turn = turn_between(expected, shifted, sd_rad)
        left = shifted + np.cross(turn, shifted) - expected
        at_marks[axis], turns[axis] = np.max(np.linalg.norm(left, axis=1)), np.linalg.norm(turn)
    shown = errors_shown_m(evidence, rig.mic_offset_sd_m)
    return OffsetSight(evidence, judge_offset(evidence, rig.mic_offset_sd_m), shown, at_marks, turns)


def sight_findings(sight: OffsetSight | None, rig: Rig, *, said: bool) -> list[Finding]:
    """What a proof has to say of the microphone's place: that another fits clearly better, or what it cannot see.

    `said`: the former is said already, of the same marks.
    """
    better = offset_findings(sight.judgement, rig) if sight is not None and not said else []
    return [*better, *unseen_findings(sight, rig)]


def unseen_findings(sight: OffsetSight | None, rig: Rig, clips: int = 1) -> list[Finding]:
    """A note that marks in place prove nothing of a place along which UNSEEN_M would not show; nothing where it would.

    None either where another place fits clearly better, which is said as it is (offset_findings).
    """
    if sight is None or sight.judgement.clear or not any(sight.unseen):
        return []
    ways = ("further forward or back", "further to one side", "higher or lower")
    where = " or ".join(words for words, unseen in zip(ways, sight.unseen, strict=True) if unseen)
    given = "--mic-offset says" if any(rig.mic_offset_m) else "the lens, as no --mic-offset was given"
    message = (
        f"{'these marks' if clips == 1 else f'the marks of {clips} clips'} would not show it if the microphone hung "
        f"{100 * UNSEEN_M:.0f} cm {where} than {given}: measure it with a tape"
    )
    return [Finding(Code.MIC_OFFSET, Severity.NOTE, message)]


def unseen_of_rigs(clips: Iterable[tuple[Rig, OffsetSight]]) -> list[Finding]:
    """The same of clips filmed with the microphone in one place, as far as the crew says: one note for each place."""
    findings = []
    for rig, sights in _by_place(clips):
        evidence = combined(sight.evidence for sight in sights)
        sd = rig.mic_offset_sd_m
        together = OffsetSight(
            evidence,
            judge_offset(evidence, sd),
            errors_shown_m(evidence, sd),
            np.max([sight.at_marks_rad for sight in sights], axis=0),
            np.max([sight.turn_rad for sight in sights], axis=0),
        )
        findings += unseen_findings(together, rig, len(sights))
    return findings


def sight_facts(sight: OffsetSight | None) -> dict[str, object] | None:
    """The smallest error of each axis that would show, null where none would; null as a whole where nobody is heard."""
    if sight is None:
        return None
    names = ("forward", "left", "up")
    return {name: float(size) if np.isfinite(size) else None for name, size in zip(names, sight.shown_m, strict=True)}


def unseen_facts(sight: OffsetSight | None) -> dict[str, object] | None:
    """What UNSEEN_M of error along each axis would do, in degrees: to the marked performer who suffers most; afar."""
    if sight is None:
        return None
    names = ("forward", "left", "up")
    return {
        what: dict(zip(names, np.degrees(angles).tolist(), strict=True))
        for what, angles in (("marks", sight.at_marks_rad), ("far", sight.turn_rad))
    }


def offset_findings(judgement: OffsetJudgement | None, rig: Rig, clips: int = 1) -> list[Finding]:
    """That another place of the microphone fits clearly better; nothing where it does not."""
    if judgement is None or not judgement.clear:
        return []
    better = np.asarray(rig.mic_offset_m) + judgement.difference_m
    parts = [
        f"{abs(100 * difference):.0f} cm further {words[0] if difference > 0 else words[1]}"
        for words, difference, sd in zip(_AXES, judgement.difference_m, judgement.sd_m, strict=True)
        if abs(difference) > sd
    ]
    where = " and ".join(parts) if parts else "elsewhere"
    told = any(rig.mic_offset_m)
    given = "--mic-offset says" if told else "the lens, where it is taken to be without --mic-offset"
    of = "marks and arrival times" if clips == 1 else f"marks and arrival times of {clips} clips together"
    values = ",".join(f"{value:.2f}" for value in better)
    spread = ", ".join(f"{100 * SDS_OF_95 * sd:.0f}" for sd in judgement.sd_m)
    message = (
        f"the microphone seems to have hung {where} than {given}: {of} fit {values} better (forward, left, "
        f"up in metres; ±{spread} cm), likely to {100 * judgement.wrong:.0f} %; measure the rig again, and give "
        "--mic-offset"
    )
    return [Finding(Code.MIC_OFFSET, Severity.LOOK, message)]


def findings_of_rigs(clips: Iterable[tuple[Rig, OffsetEvidence]]) -> list[Finding]:
    """What clips filmed with the microphone in one place, as far as the crew says, tell of that place together."""
    findings = []
    for rig, alike in _by_place(clips):
        alone = [judge_offset(evidence, rig.mic_offset_sd_m) for evidence in alike]
        if len(alike) > 1 and not any(judgement.clear for judgement in alone):
            together = judge_offset(combined(alike), rig.mic_offset_sd_m)
            findings += offset_findings(together, rig, len(alike))
    return findings


def _by_place(clips: Iterable[tuple[Rig, _Told]]) -> list[tuple[Rig, list[_Told]]]:
    """What is told of clips, put together for those whose microphone is given in one place."""
    rigs: dict[tuple[float, ...], tuple[Rig, list[_Told]]] = {}
    for rig, told in clips:
        rigs.setdefault((*rig.mic_offset_m, rig.mic_offset_sd_m), (rig, []))[1].append(told)
    return list(rigs.values())


def assumed_in_words(judgement: OffsetJudgement | None, rig: Rig) -> str | None:
    """What the mount takes for granted of the microphone's place, where nothing measured it; None where all is."""
    if judgement is None or judgement.clear:
        return None
    axes = ("forward or back", "sideways", "up or down")
    open_axes = [words for words, told in zip(axes, judgement.told, strict=True) if not told]
    if not open_axes:
        return None
    tip = np.degrees(np.arctan2(0.2, NEAR_M))
    place = "at the place of --mic-offset" if any(rig.mic_offset_m) else "at the lens, as no --mic-offset was given"
    return (
        f"This takes the microphone to be {place}, to ±{100 * SDS_OF_95 * rig.mic_offset_sd_m:.0f} cm (95 %): how far "
        f"{' and '.join(open_axes)} it hung cannot be told from this clip, and 20 cm there would look like a turn of "
        f"about {tip:.0f}° (performers {NEAR_M:g} m away)."
    )


def one_place_of_all(rigs: Sequence[Rig]) -> list[Finding]:
    """That one --mic-offset is taken for several clips, said once; nothing where none was given."""
    places = {rig.mic_offset_m for rig in rigs}
    if len(rigs) < 2 or len(places) != 1 or not any(rigs[0].mic_offset_m):
        return []
    place = ",".join(f"{part:g}" for part in rigs[0].mic_offset_m)
    message = (
        f"one --mic-offset, {place}, is taken for all {len(rigs)} clips that were conformed: if the microphone hung "
        "elsewhere in one of them, conform that one by itself"
    )
    return [Finding(Code.MIC_OFFSET, Severity.NOTE, message)]
