"""Which of the takes that match a clip was rolling, and which are parts of one recording.

Goal: where music played back makes several takes match, one result or "cannot tell". A recorder that wrote no time of
day, or whose files were cut and named anew, leaves nothing but the clip to show that takes are parts of one recording:
along the clip's own time one begins where the other ends.
Functions: choose_take (from the estimates of all takes to one result, or to "cannot tell"); likeliest_place (of one
take that fits in several); on_picture_time (from the time of the sound's samples to clip time); fuller_part;
with_parts_joined.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from spatial.conventions import FloatArray
from spatial.findings import Finding
from spatial.jobs.sync.crew_word import settled
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.rival_findings import ambiguous, copies_of, doubtful, only_music, other_moment, too_little
from spatial.jobs.sync.sync_findings import APART_M, missing_finding
from spatial.jobs.sync.take_choice import Choice, Pairing, Possibility
from spatial.jobs.sync.time_of_day import camera_stamp_s
from spatial.media.buffers import Spool, TakeSamples
from spatial.media.movies.clip import Clip
from spatial.media.takes.joining import joined, missing_parts
from spatial.media.takes.take import Take
from spatial.sync.alignment import MATCH_SCORE, SyncEstimate, estimate_sync, no_match
from spatial.sync.choice import Alternative, Judgement, Verdict, judge_rivals, matching_laws
from spatial.sync.coarse import Candidate, find_candidates
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.sync.same_music import Standing, shared_onsets
from spatial.sync.wall_clock import Offer, weigh_clocks
from spatial.timebase import ClockLaw

if TYPE_CHECKING:
    from spatial.sync.baseline import Separation

# --- the choice ---

_MOST_TAKES, _MOST_PLACES = 4, 12
"""Takes that are held against each other, the likeliest first, and places in each that are tried. They bound the
time."""

_SAME_S = 0.002
"""Offsets closer than this in takes of one length are the same place of two copies, seconds."""

_ALONE_S = 0.5
"""Sound that one side holds alone for so long is worth a word where it cannot be told whether they share music."""


def choose_take(
    clip: Clip,
    sound: Spool,
    heard: Listened,
    tried: Sequence[tuple[Take, Listened, SyncEstimate]],
    *,
    separation: Separation | None,
    pairing: Pairing | None = None,
) -> Choice:
    """Decide between the takes that match, by what is not music played back, and by what the clocks and the crew say.

    Parameters
    ----------
    tried : sequence of (Take, Listened, SyncEstimate)
        Every take with its own estimate, on clip time.
    separation : Separation, optional
        What is known of the rig.
    pairing : Pairing, optional
        That they were filmed together, where somebody says so.

    Returns
    -------
    Choice
        Its estimate is not matched where none matches, where none can be told from another, or where the best one
        holds the same music but not the same moment.
    """
    choice = _choose_by_sound(clip, sound, heard, tried, separation)

    def place(possibility: Possibility) -> SyncEstimate:
        (entry,) = [told for told in tried if told[0] is possibility.take]
        known = possibility.estimate or entry[2]
        if known.law is not None:
            return known
        return _estimate_at(clip, sound, possibility.take, possibility.law, separation)

    choice = settled(choice, clip, tried, pairing=pairing, place=place)
    aligned = [estimate for take, _, estimate in tried if take is choice.take and estimate.law is not None]
    return choice if choice.estimate.matched or not aligned else replace(choice, alignment=aligned[0])


def _choose_by_sound(
    clip: Clip,
    sound: Spool,
    heard: Listened,
    tried: Sequence[tuple[Take, Listened, SyncEstimate]],
    separation: Separation | None,
) -> Choice:
    """Decide by the sound, and by the little that the clocks of one clip say."""
    ranked = sorted(tried, key=lambda told: -_strength(told[2]))
    likely = [told for told in ranked if told[2].true_rate_hz is None and (told[2].matched or told[2].loop)]
    first = ranked[0]
    if not likely or first[2].true_rate_hz is not None:
        return Choice(first[0], first[2], ())
    phase_s = clip.scratch.phase_s if clip.scratch is not None else 0.0
    with ExitStack() as stack:
        owners: list[tuple[Take, Listened, SyncEstimate]] = []
        alternatives: list[Alternative] = []
        for take, listened, estimate in likely[:_MOST_TAKES]:
            field = stack.enter_context(TakeSamples(take, WORKING_RATE_HZ))
            for alternative in _places(sound, field, heard, listened, estimate, phase_s):
                owners.append((take, listened, estimate))
                alternatives.append(alternative)
        if not alternatives:
            return Choice(first[0], first[2], ())
        alternatives = _with_clocks(clip, [owner[0] for owner in owners], alternatives)
        judgement = judge_rivals(sound, alternatives)
        best = judgement.best
        take, _, estimate = owners[best]
        if estimate.loop and judgement.verdict is Verdict.DECIDED:
            only = [Candidate(alternatives[best].law, np.inf)]
            estimate = estimate_sync(sound, alternatives[best].take, only, separation=separation)
            estimate = on_picture_time(estimate, clip)
    told = {owner.path: own for owner, _, own in likely}
    own_takes = [owner[0] for owner in owners]
    choice = _choice(clip, take, estimate, judgement, own_takes, alternatives, phase_s, separation, told)
    return replace(choice, riding=(take, alternatives[best].law, judgement.riding_db))


def _strength(estimate: SyncEstimate) -> float:
    known = estimate.evidence is not None and (estimate.matched or estimate.loop)
    return estimate.evidence.score if known and estimate.evidence is not None else 0.0


def _places(
    sound: Spool, field: TakeSamples, heard: Listened, listened: Listened, estimate: SyncEstimate, phase_s: float
) -> list[Alternative]:
    """Where in one take the clip may lie, on the time of the sound's samples."""
    if estimate.law is not None:
        seen = estimate.evidence
        signs, score = (seen.signs, seen.score) if seen else (np.ones(len(sound.read(0, 1))), MATCH_SCORE)
        law = estimate.law.from_clip_time(phase_s)
        return [Alternative(field, law, signs, score, shared_onsets(heard.powers, listened.powers, law))]
    candidates = find_candidates(heard.powers, listened.powers, count=_MOST_PLACES)
    trials = matching_laws(sound, field, candidates)
    return [
        Alternative(field, trial.law, trial.signs, trial.score, shared_onsets(heard.powers, listened.powers, trial.law))
        for trial in trials
    ]


def likeliest_place(
    clip: Clip, sound: Spool, heard: Listened, tried: tuple[Take, Listened, SyncEstimate], separation: Separation | None
) -> SyncEstimate:
    """The estimate at the likeliest of the places where a take fits; its own where it fits in one, or in none."""
    take, listened, estimate = tried
    if not estimate.loop:
        return estimate
    phase_s = clip.scratch.phase_s if clip.scratch is not None else 0.0
    with TakeSamples(take, WORKING_RATE_HZ) as field:
        places = _places(sound, field, heard, listened, estimate, phase_s)
    if not places:
        return estimate
    found = _estimate_at(clip, sound, take, places[0].law.from_clip_time(-phase_s), separation)
    return found if found.matched else estimate


def _estimate_at(clip: Clip, sound: Spool, take: Take, law: ClockLaw, separation: Separation | None) -> SyncEstimate:
    """The estimate at one place, told on clip time, whatever other places there are."""
    phase_s = clip.scratch.phase_s if clip.scratch is not None else 0.0
    only = [Candidate(law.from_clip_time(phase_s), np.inf)]
    with TakeSamples(take, WORKING_RATE_HZ) as field:
        return on_picture_time(estimate_sync(sound, field, only, separation=separation), clip)


def _with_clocks(clip: Clip, takes: Sequence[Take], alternatives: Sequence[Alternative]) -> list[Alternative]:
    """The alternatives with what the boxes' own clocks say: little, for one clip alone."""
    offers = [Offer(0, number, a.law.offset_s) for number, a in enumerate(alternatives)]
    said: FloatArray = weigh_clocks(
        [camera_stamp_s(clip)], [clip.duration_s], [take.start_of_day_s for take in takes], offers
    ).log_odds
    return [replace(a, log_odds=float(odds)) for a, odds in zip(alternatives, said, strict=True)]


def _choice(
    clip: Clip,
    take: Take,
    estimate: SyncEstimate,
    judgement: Judgement,
    takes: Sequence[Take],
    alternatives: Sequence[Alternative],
    phase_s: float,
    separation: Separation | None,
    told: Mapping[Path, SyncEstimate],
) -> Choice:
    order = sorted(range(len(alternatives)), key=lambda n: -judgement.shares[n])
    possibilities = tuple(
        Possibility(
            takes[n],
            alternatives[n].law.from_clip_time(-phase_s),
            judgement.shares[n],
            None if judgement.moments[n].standing is Standing.CONTRADICTED else told[takes[n].path],
        )
        for n in order
        if n == judgement.best or n in judgement.rivals
    )
    against = judgement.moments[judgement.best]
    # Further apart than a rig, each performer has a lag of their own, and moments seem not to be shared that are.
    apart = estimate.apart or (separation is not None and separation.reach_m > APART_M)
    if judgement.verdict is Verdict.NONE and not apart:
        return Choice(take, _refused(estimate, other_moment(take, against)), (), possibilities)
    if judgement.rivals:
        copies = [
            takes[n].samples == take.samples
            and abs(alternatives[n].law.offset_s - alternatives[judgement.best].law.offset_s) < _SAME_S
            for n in judgement.rivals
        ]
        if all(copies) and estimate.matched:
            copy = copies_of(clip, take, possibilities)
            return Choice(take, estimate, (copy,), possibilities, doubts=(copy,))
        places = [(takes[n], alternatives[n].law.from_clip_time(-phase_s)) for n in order if n in judgement.rivals]
        if parts := fuller_part(clip, (take, alternatives[judgement.best].law.from_clip_time(-phase_s)), places, told):
            return parts
        finding = ambiguous(clip, possibilities)
        reason = "it cannot be told which of several places it is, for they hold the same music or the same beat"
        refused = replace(_refused(estimate, reason), undecided=True)
        return Choice(take, refused, (finding,), possibilities, doubts=(finding,))
    doubts: tuple[Finding, ...] = ()
    if against.standing is Standing.DOUBTFUL and not apart:
        doubts = (doubtful(clip, take, against),)
    elif against.standing is Standing.MUSIC and judgement.verdict is Verdict.AMBIGUOUS:
        doubts = (only_music(clip, take),)
    elif against.standing is Standing.UNTOLD and against.only_clip_s + against.only_take_s >= _ALONE_S:
        doubts = (too_little(clip, take),)
    doubts = doubts if estimate.matched else ()
    return Choice(take, estimate, doubts, possibilities, doubts=doubts)


def _refused(estimate: SyncEstimate, reason: str) -> SyncEstimate:
    return no_match(reason, evidence=estimate.evidence)


def fuller_part(
    clip: Clip, one: tuple[Take, ClockLaw], others: Sequence[tuple[Take, ClockLaw]], told: Mapping[Path, SyncEstimate]
) -> Choice | None:
    """The part that covers most of the clip, where the rivals are parts of one recording with a part missing."""
    if len(others) != 1:
        return None
    (first, ends), (second, begins) = sorted((one, others[0]), key=lambda place: place[1].clip_from_take(0.0))
    end_s, start_s = ends.clip_from_take(first.duration_s), begins.clip_from_take(0.0)
    missing = missing_parts(first, second, start_s - end_s)
    if not missing:
        return None
    take, law = (first, ends) if end_s > clip.duration_s - start_s else (second, begins)
    estimate = told[take.path]
    if not estimate.matched:
        return None
    finding = missing_finding(clip, first, second, start_s - end_s, missing)
    return Choice(take, estimate, (finding,), (Possibility(take, law, 1.0, estimate),))


def on_picture_time(estimate: SyncEstimate, clip: Clip) -> SyncEstimate:
    """Move an estimate from the sound's first sample to the first picture frame; add the container's doubt."""
    assert clip.scratch is not None
    if estimate.law is None or estimate.steady is None or estimate.offset_sd_s is None:
        return estimate
    phase, doubt = clip.scratch.phase_s, clip.scratch.start_doubt_s
    return replace(
        estimate,
        law=estimate.law.from_clip_time(-phase),
        steady=estimate.steady.from_clip_time(-phase),
        # Anywhere within the doubt is as likely: a uniform spread of +-doubt has this deviation.
        offset_sd_s=(estimate.offset_sd_s**2 + doubt**2 / 3) ** 0.5,
    )


# --- parts of one recording ---

Tried = tuple[Take, Listened, SyncEstimate]

_RUNS_ON_S = 0.002
"""No recorder stops and starts again so fast: two takes this close along the clip's own time are one recording."""


def with_parts_joined(clip: Clip, tried: Sequence[Tried], try_take: Callable[[Take], Tried]) -> list[Tried]:
    """The takes that were tried, with those in one that continue each other inside the clip.

    Parameters
    ----------
    clip : Clip
    tried : sequence of (Take, Listened, SyncEstimate)
    try_take : callable
        Listens to a take that was put together, and syncs it.
    """
    told = list(tried)
    while (pair := _continuing(clip, told)) is not None:
        first, second, whole = pair
        entry = try_take(whole)
        if not entry[2].matched:
            break
        told = [other for other in told if other[0] not in (first, second)] + [entry]
    return told


def _continuing(clip: Clip, tried: Sequence[Tried]) -> tuple[Take, Take, Take] | None:
    """Two takes of which one begins, inside the clip, where the other ends or soon after; and both in one."""
    laws = [
        (take, estimate.law)
        for take, _, estimate in tried
        if estimate.law is not None and estimate.true_rate_hz is None
    ]
    for (first, ends), (second, begins) in permutations(laws, 2):
        end_s, start_s = ends.clip_from_take(first.duration_s), begins.clip_from_take(0.0)
        lost_s = start_s - end_s if start_s - end_s >= _RUNS_ON_S else 0.0
        if start_s - end_s > -_RUNS_ON_S and 0.0 < end_s < clip.duration_s:
            whole = joined(first, second, lost_s=lost_s)
            if whole is not None:
                return first, second, whole
    return None
