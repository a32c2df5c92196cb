"""What a whole shoot's clocks say of clips that sound alone cannot place.

Two boxes' clocks differ by one constant all day. Where the other clips have shown it, it tells which of several takes
was rolling.

Functions: settle_by_clocks.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spatial.analysis.rivals import DECIDED
from spatial.analysis.walltime import ClockEvidence, Offer, weigh_clocks
from spatial.conventions import FloatArray
from spatial.findings import Finding, Severity
from spatial.jobs.choice_findings import Possibility, only_music
from spatial.jobs.sync_findings import match_findings
from spatial.jobs.syncresult import SyncResult
from spatial.jobs.timeofday import camera_stamp_s

_AGREEING_CLIPS = 3
"""A difference that fewer clips share, the one in question among them, is no constant."""

_CONFIRMED = float(np.log(5.0))
"""Log-odds, of a place that is the only one, from which the clocks confirm it: 2.3 is the most they say."""


def settle_by_clocks(results: Sequence[SyncResult]) -> list[SyncResult]:
    """Decide, of the clips that may belong to several takes, those that the clocks of both boxes decide.

    Parameters
    ----------
    results : sequence of SyncResult
        Of all clips of one camera and one recorder.

    Returns
    -------
    list of SyncResult
        In the same order; those that were decided by sound keep their take.
    """
    offers = [
        (Offer(number, index, possibility.law.offset_s), possibility)
        for number, result in enumerate(results)
        for index, possibility in enumerate(result.possibilities)
    ]
    if not offers:
        return list(results)
    told = _weigh(results, offers)
    if told.agreeing_clips < _AGREEING_CLIPS or told.difference_s is None:
        return list(results)
    settled = []
    for number, result in enumerate(results):
        own = [(offer, possibility) for offer, possibility in offers if offer.clip == number]
        odds = np.array([told.log_odds[n] for n, (offer, _) in enumerate(offers) if offer.clip == number])
        settled.append(_settle(result, [p for _, p in own], odds, _alone(results, own), told) if own else result)
    return settled


def _settle(
    result: SyncResult,
    possibilities: Sequence[Possibility],
    log_odds: FloatArray,
    log_odds_alone: FloatArray,
    told: ClockEvidence,
) -> SyncResult:
    if len(possibilities) == 1:
        sure = log_odds[0] >= _CONFIRMED
        music = only_music(result.clip, result.take)
        return replace(result, findings=tuple(f for f in result.findings if f != music)) if sure else result
    if not result.estimate.undecided:
        return result
    # What this clip's own stamps said by themselves is in the shares already.
    shares = np.log([max(p.share, 1e-12) for p in possibilities]) + log_odds - log_odds_alone
    first, second = np.argsort(-shares)[:2]
    best = possibilities[first]
    if shares[first] - shares[second] < DECIDED or best.estimate is None or not best.estimate.matched:
        return result
    chosen = replace(result, take=best.take, estimate=best.estimate, possibilities=(best,), findings=())
    others = " and ".join(dict.fromkeys(p.take.path.name for p in possibilities if p is not best))
    settled = Finding(
        "ambiguous_match",
        Severity.NOTE,
        f"by its sound {result.clip.path.name} fits {others} as well; the clocks of camera and recorder, "
        f"{abs(told.difference_s or 0.0):.0f} s apart in {told.agreeing_clips} clips, say that it is "
        f"{best.take.path.name}",
        result.clip.path.name,
    )
    return replace(chosen, findings=(*chosen.take.findings, *match_findings(chosen), settled))


def _weigh(results: Sequence[SyncResult], offers: Sequence[tuple[Offer, Possibility]]) -> ClockEvidence:
    takes = [possibility.take for _, possibility in offers]
    return weigh_clocks(
        [camera_stamp_s(result.clip) for result in results],
        [result.clip.duration_s for result in results],
        [take.start_of_day_s for take in takes],
        [replace(offer, take=number) for number, (offer, _) in enumerate(offers)],
    )


def _alone(results: Sequence[SyncResult], own: Sequence[tuple[Offer, Possibility]]) -> FloatArray:
    return _weigh(results, own).log_odds
