"""Whether the microphone hung where --mic-offset says, of one clip and of a day.

Conventions: spatial.conventions (axes, mount).
Functions: offset_evidence (what a clip says); findings_of_rigs (what several say); offset_findings, one_place_of_all,
assumed_in_words (what to say of it).
"""

from collections.abc import Iterable, Sequence

import numpy as np

from spatial.analysis.micoffset import (
    OffsetEvidence,
    OffsetJudgement,
    combined,
    evidence_of_arrivals,
    evidence_of_marks,
    judge_offset,
)
from spatial.analysis.microphone import scatter_sd_rad
from spatial.analysis.orientation import MountEstimate
from spatial.conventions import SDS_OF_95
from spatial.field import unit_vectors
from spatial.findings import Finding, Severity
from spatial.jobs.marks import HeardMark, Rig
from spatial.jobs.syncresult import SyncResult

_BELONGS = 0.5
_AXES = (("forward", "back"), ("left", "right"), ("up", "down"))
_NEAR_M = 1.5
"""How near performers stand (common practice, no source)."""


def offset_evidence(
    used: Sequence[HeardMark], mount: MountEstimate, rig: Rig, sync: SyncResult | None
) -> OffsetEvidence:
    """What the marks of a clip, all heard, and its arrival times say of the microphone's place.

    Nothing where the camera turned over the recorder: the place seen from the lens then turned too.
    """
    if rig.moves is not None or mount.undetermined or mount.contradictory:
        return OffsetEvidence()
    fits = [mark for mark, wrong in zip(used, mount.wrong, strict=True) if wrong < _BELONGS]
    if not fits:
        return OffsetEvidence()
    heard = np.stack([mark.heard.vector for mark in fits])
    place, matrix = rig.mic_offset_m, mount.picture_from_take
    distances = [np.nan if mark.mark.distance_m is None else mark.mark.distance_m for mark in fits]
    parts = [
        evidence_of_marks(
            np.stack([unit_vectors(mark.mark.azimuth_rad, mark.mark.elevation_rad) for mark in fits]),
            np.array(distances, dtype=float),
            heard,
            np.hypot([mark.heard.sd_rad for mark in fits], scatter_sd_rad(rig.microphone, heard)),
            mic_offset_m=place,
            picture_from_mic=matrix,
        )
    ]
    told = sync.estimate.evidence if sync is not None and not sync.estimate.apart else None
    if told is not None:
        parts.append(
            evidence_of_arrivals(
                told.arrival_m, told.arrival_covariance_m2, mic_offset_m=place, picture_from_mic=matrix
            )
        )
    return combined(parts)


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
    return [Finding("facing", Severity.LOOK, message)]


def findings_of_rigs(clips: Iterable[tuple[Rig, OffsetEvidence]]) -> list[Finding]:
    """What clips filmed with the microphone in one place, as far as the crew says, tell of that place together."""
    rigs: dict[tuple[float, ...], list[tuple[Rig, OffsetEvidence]]] = {}
    for rig, evidence in clips:
        rigs.setdefault((*rig.mic_offset_m, rig.mic_offset_sd_m), []).append((rig, evidence))
    findings = []
    for alike in rigs.values():
        rig = alike[0][0]
        alone = [judge_offset(evidence, rig.mic_offset_sd_m) for _, evidence in alike]
        if len(alike) > 1 and not any(judgement.clear for judgement in alone):
            together = judge_offset(combined(evidence for _, evidence in alike), rig.mic_offset_sd_m)
            findings += offset_findings(together, rig, len(alike))
    return findings


def assumed_in_words(judgement: OffsetJudgement | None, rig: Rig) -> str | None:
    """What the mount takes for granted of the microphone's place, where nothing measured it; None where all is."""
    if judgement is None or judgement.clear:
        return None
    axes = ("forward or back", "sideways", "up or down")
    open_axes = [words for words, told in zip(axes, judgement.told, strict=True) if not told]
    if not open_axes:
        return None
    tip = np.degrees(np.arctan2(0.2, _NEAR_M))
    place = "at the place of --mic-offset" if any(rig.mic_offset_m) else "at the lens, as no --mic-offset was given"
    return (
        f"This takes the microphone to be {place}, to ±{100 * SDS_OF_95 * rig.mic_offset_sd_m:.0f} cm (95 %): how far "
        f"{' and '.join(open_axes)} it hung cannot be told from this clip, and 20 cm there would look like a turn of "
        f"about {tip:.0f}° (performers {_NEAR_M:g} m away)."
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
    return [Finding("facing", Severity.NOTE, message)]
