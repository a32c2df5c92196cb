"""What a whole shoot's clocks say of clips that sound alone cannot place.

Two boxes' clocks differ by one constant all day. Where the other clips have shown it, it shows which of several takes
was rolling.

Functions: settle_by_clocks.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from spatial.conventions import FloatArray
from spatial.findings import Code, Finding, Severity
from spatial.jobs.sync.crew_word import clocks_note
from spatial.jobs.sync.sync_findings import match_findings
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import DecidedBy, Pairing, Possibility, serious
from spatial.jobs.sync.time_of_day import camera_stamp_s, camera_stamps_by_kind, timecode_start_s
from spatial.media.movies.clip import Clip
from spatial.sync.choice import DECIDED
from spatial.sync.wall_clock import Agreement, ClockEvidence, Offer, agreement_over_day, apart_of, weigh_clocks

_AGREEING_CLIPS = 3
"""A difference that fewer clips share, the one in question among them, is no constant."""


def settle_by_clocks(results: Sequence[SyncResult]) -> list[SyncResult]:
    """Decide, of the clips that the sound leaves in doubt, those that the clocks of both boxes decide.

    Parameters
    ----------
    results : sequence of SyncResult
        Of all clips of one camera and one recorder.

    Returns
    -------
    list of SyncResult
        In the same order; those that were decided by sound keep their take.
    """
    return [_confirmed(result, results) if len(result.possibilities) == 1 else result for result in _between(results)]


def _between(results: Sequence[SyncResult]) -> list[SyncResult]:
    """Decide which of several places it is."""
    offers = [
        (Offer(number, index, possibility.law.offset_s), possibility)
        for number, result in enumerate(results)
        for index, possibility in enumerate(result.possibilities)
    ]
    # A timecode is kept only where it is the time of day; when the file was made is known of more cameras.
    told = max(
        (_weigh(results, offers, stamp) for stamp in (timecode_start_s, camera_stamp_s)),
        key=lambda evidence: evidence.agreeing_clips,
    )
    if told.agreeing_clips < _AGREEING_CLIPS:
        return list(results)
    settled = []
    for number, result in enumerate(results):
        own = [(offer, possibility) for offer, possibility in offers if offer.clip == number]
        odds = np.array([told.log_odds[n] for n, (offer, _) in enumerate(offers) if offer.clip == number])
        several = len(own) > 1
        settled.append(_settle(result, [p for _, p in own], odds, _alone(results, own), told) if several else result)
    return settled


def _confirmed(result: SyncResult, results: Sequence[SyncResult]) -> SyncResult:
    """Decide whether the only place there is is the one, where the sound doubts or refuses it."""
    (only,) = result.possibilities
    doubts = serious(result.doubts)
    if result.estimate.matched and not doubts:
        return result
    estimate = result.estimate if result.estimate.matched else result.alignment
    agreement = _over_day(result, only, results)
    # What three other clips share is as sure as a refused match needs (walltime.SURE_CHANCE): no doubt is too grave.
    if agreement is None or estimate is None or not estimate.matched:
        return result
    note = clocks_note(result.clip, only.take, agreement)
    pairing = Pairing(DecidedBy.CLOCKS, only.law.offset_s, note)
    chosen = replace(
        result,
        take=only.take,
        estimate=estimate,
        possibilities=(replace(only, share=1.0, estimate=estimate),),
        decided_by=DecidedBy.CLOCKS,
        pairing=pairing,
        doubts=tuple(doubt for doubt in result.doubts if doubt not in doubts),
    )
    if result.estimate.matched:
        return replace(chosen, findings=(*(f for f in result.findings if f not in doubts), note))
    return replace(chosen, findings=(*chosen.take.findings, *match_findings(chosen), note), doubts=())


def _over_day(result: SyncResult, only: Possibility, results: Sequence[SyncResult]) -> Agreement | None:
    """What the difference of the two clocks over the other clips says of a place; by the stamp that says most."""
    found = []
    for kind, stamp in camera_stamps_by_kind(result.clip).items():
        others = []
        for other in results:
            theirs = camera_stamps_by_kind(other.clip).get(kind)
            starts = [(p.take.start_of_day_s, p.law.offset_s) for p in other.possibilities]
            apart = [apart_of(theirs, start, offset) for start, offset in starts if theirs and start is not None]
            if other.clip.path != result.clip.path and apart:
                others.append(apart)
        agreement = agreement_over_day(stamp, only.take.start_of_day_s, only.law.offset_s, others=others, places=1)
        found += [agreement] if agreement else []
    return min(found, key=lambda agreement: agreement.chance, default=None)


def _settle(
    result: SyncResult,
    possibilities: Sequence[Possibility],
    log_odds: FloatArray,
    log_odds_alone: FloatArray,
    told: ClockEvidence,
) -> SyncResult:
    if not result.estimate.undecided:
        return result
    # The evidence of this clip's own stamps is in the shares already.
    shares = np.log([max(p.share, 1e-12) for p in possibilities]) + log_odds - log_odds_alone
    first, second = np.argsort(-shares)[:2]
    best = possibilities[first]
    if shares[first] - shares[second] < DECIDED or best.estimate is None or not best.estimate.matched:
        return result
    chosen = replace(
        result,
        take=best.take,
        estimate=best.estimate,
        possibilities=(best,),
        decided_by=DecidedBy.CLOCKS,
        listened=None,
        doubts=(),
    )
    others = " and ".join(dict.fromkeys(p.take.path.name for p in possibilities if p is not best))
    settled = Finding(
        Code.CLOCKS_DECIDE,
        Severity.NOTE,
        f"by its sound {result.clip.path.name} fits {others} as well; the clocks of camera and recorder, "
        f"{abs(told.difference_s or 0.0):.0f} s apart in {told.agreeing_clips} clips, say that it is "
        f"{best.take.path.name}",
        result.clip.path.name,
    )
    return replace(
        chosen,
        findings=(*chosen.take.findings, *match_findings(chosen), settled),
        pairing=Pairing(DecidedBy.CLOCKS, best.law.offset_s, settled),
    )


def _weigh(
    results: Sequence[SyncResult],
    offers: Sequence[tuple[Offer, Possibility]],
    stamp: Callable[[Clip], float | None] = camera_stamp_s,
) -> ClockEvidence:
    takes = [possibility.take for _, possibility in offers]
    return weigh_clocks(
        [stamp(result.clip) for result in results],
        [result.clip.duration_s for result in results],
        [take.start_of_day_s for take in takes],
        [replace(offer, take=number) for number, (offer, _) in enumerate(offers)],
    )


def _alone(results: Sequence[SyncResult], own: Sequence[tuple[Offer, Possibility]]) -> FloatArray:
    return _weigh(results, own).log_odds
