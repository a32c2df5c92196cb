"""Whether the microphone hung where --mic-offset says, of one clip and of a day.

Conventions: spatial.conventions (axes, mount).
Functions: offset_evidence (what a clip says); offset_findings, assumed_in_words (what to say of it).
"""

from collections.abc import Sequence

import numpy as np

from spatial.analysis.micoffset import (
    OffsetEvidence,
    OffsetJudgement,
    combined,
    evidence_of_arrivals,
    evidence_of_marks,
)
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
    place, matrix = rig.mic_offset_m, mount.picture_from_take
    distances = [np.nan if mark.mark.distance_m is None else mark.mark.distance_m for mark in fits]
    parts = [
        evidence_of_marks(
            np.stack([unit_vectors(mark.mark.azimuth_rad, mark.mark.elevation_rad) for mark in fits]),
            np.array(distances, dtype=float),
            np.stack([mark.heard.vector for mark in fits]),
            np.array([mark.heard.sd_rad for mark in fits]),
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
    given = (
        "as --mic-offset has it" if any(rig.mic_offset_m) else "the lens, where it is taken to be without --mic-offset"
    )
    of = "marks and arrival times" if clips == 1 else f"marks and arrival times of {clips} clips together"
    values = ",".join(f"{value:.2f}" for value in better)
    spread = ", ".join(f"{100 * SDS_OF_95 * sd:.0f}" for sd in judgement.sd_m)
    message = (
        f"the microphone seems to have hung {where} than {given}: {of} fit {values} better (forward, left, up in metres; "
        f"±{spread} cm), with a chance of {100 * judgement.wrong:.0f} %; measure the rig again, and give --mic-offset"
    )
    return [Finding("facing", Severity.LOOK, message)]


def assumed_in_words(judgement: OffsetJudgement | None, rig: Rig) -> str | None:
    """What the mount takes for granted of the microphone's place, where nothing measured it; None where all is."""
    if judgement is None or judgement.clear:
        return None
    open_axes = [words for words, told in zip(("forward or back", "sideways", "up or down"), judgement.told, strict=True)
                 if not told]  # fmt: skip
    if not open_axes:
        return None
    tip = np.degrees(np.arctan2(0.2, _NEAR_M))
    place = "at the place of --mic-offset" if any(rig.mic_offset_m) else "at the lens, as no --mic-offset was given"
    return (
        f"This takes the microphone to be {place}, to ±{100 * SDS_OF_95 * rig.mic_offset_sd_m:.0f} cm (95 %): how far "
        f"{' and '.join(open_axes)} it hung cannot be told from this clip, and 20 cm there would look like a turn of "
        f"about {tip:.0f}° (performers {_NEAR_M:g} m away)."
    )
