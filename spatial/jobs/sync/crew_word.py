"""Who decides whether clip and take belong together, where the sound alone leaves a doubt: the clocks, or the crew.

The sound has to offer an alignment first: neither can invent one. What it doubts stays as a finding, in words.

Functions: settled (a choice with the evidence of clocks and crew); require_one_take (a crew's word is about one);
clocks_note (a finding).
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from spatial.errors import InputError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.take_choice import Choice, DecidedBy, Pairing, Possibility, serious
from spatial.jobs.sync.time_of_day import camera_stamps
from spatial.media.movies.clip import Clip
from spatial.media.takes.joining import missing_parts
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate
from spatial.sync.choice import DECIDED
from spatial.sync.wall_clock import LIKELY_CHANCE, SURE_CHANCE, Agreement, agreement_of
from spatial.timebase import ClockLaw

_SAME_S = 0.05
"""Two places in one take that are closer are one."""

_FEW_PLACES = 4
"""Places that are named in a message at most; of more it only grows longer."""


def settled(
    choice: Choice,
    clip: Clip,
    tried: Sequence[tuple[Take, Listened, SyncEstimate]],
    *,
    pairing: Pairing | None,
    place: Callable[[Possibility], SyncEstimate],
) -> Choice:
    """A choice that the sound made, with what the clocks and then the crew say to its doubts.

    Parameters
    ----------
    choice : Choice
        Refused, doubtful or clear.
    tried : sequence of (Take, Listened, SyncEstimate)
        Every take with its own estimate, on clip time.
    pairing : Pairing, optional
        The crew's word, or what the clocks of a whole day decided.
    place : callable
        The estimate at one possibility; not matched where the two do not align there.

    Returns
    -------
    Choice
        The same one where neither has anything to say.
    """
    if pairing is None or pairing.by is DecidedBy.CREW:
        choice = _by_clocks(choice, clip, tried, place)
    return choice if pairing is None else _by_word(choice, clip, tried, pairing, place)


def require_one_take(clip: Clip, tried: Sequence[tuple[Take, Listened, SyncEstimate]]) -> None:
    """Raise where a crew's word is given about several takes.

    Raises
    ------
    InputError
        They are not parts of one recording.
    """
    takes = [take for take, _, _ in tried]
    if len(takes) < 2:
        return
    laws = [estimate.law for _, _, estimate in tried]
    if len(takes) == 2 and _parts_of_one(takes, laws):
        return
    names = [take.path.name for take in takes]
    raise InputError(
        f"--paired says that {clip.path.name} was filmed together with one take, and {', '.join(names[:-1])} and "
        f"{names[-1]} are not parts of one recording: name the take that was rolling, with all its parts and no other"
    )


def _parts_of_one(takes: Sequence[Take], laws: Sequence[ClockLaw | None]) -> bool:
    """Whether one of two takes goes on where the other ends, with a part missing in between."""
    for first, second in ((0, 1), (1, 0)):
        ends, begins = laws[first], laws[second]
        gap_s = None
        if ends is not None and begins is not None:
            gap_s = begins.clip_from_take(0.0) - ends.clip_from_take(takes[first].duration_s)
        if missing_parts(takes[first], takes[second], gap_s):
            return True
    return False


def _possible(choice: Choice, tried: Sequence[tuple[Take, Listened, SyncEstimate]]) -> tuple[Possibility, ...]:
    """Where the clip may lie, likeliest first: as the choice says, else wherever a take aligns."""
    if choice.possibilities:
        return choice.possibilities
    aligned = [(take, estimate) for take, _, estimate in tried if estimate.law is not None]
    return tuple(Possibility(take, e.law, 1.0 / len(aligned), e) for take, e in aligned if e.law is not None)


def _by_clocks(
    choice: Choice,
    clip: Clip,
    tried: Sequence[tuple[Take, Listened, SyncEstimate]],
    place: Callable[[Possibility], SyncEstimate],
) -> Choice:
    """What the stamps of the two boxes say, for this clip alone."""
    possible = _possible(choice, tried)
    everywhere = [*possible, *_elsewhere(possible, tried)]
    stamps = camera_stamps(clip)
    agreeing = [
        (p, agreement)
        for p in everywhere
        if (agreement := agreement_of(stamps, p.take.start_of_day_s, p.law.offset_s, places=len(everywhere)))
    ]
    # Where two places agree with the stamps, these do not distinguish them.
    if len(agreeing) != 1:
        return choice
    ((found, agreement),) = agreeing
    if not choice.estimate.matched:
        return _answered(choice, clip, possible, found, agreement, place)
    law = choice.estimate.law
    here = found.take is choice.take and law is not None and abs(found.law.offset_s - law.offset_s) < _SAME_S
    if not here:
        return _contradicted(choice, clip, found, agreement)
    doubts = serious(choice.doubts)
    if not doubts or agreement.chance > LIKELY_CHANCE:
        return choice
    return _relieved(choice, clocks_note(clip, found.take, agreement), DecidedBy.CLOCKS)


def _relieved(choice: Choice, word: Finding, by: DecidedBy) -> Choice:
    """A choice whose serious doubts somebody else has settled, with their word in place of these."""
    findings = choice.without_doubts()
    left = tuple(doubt for doubt in choice.doubts if doubt in findings)
    return replace(choice, findings=(*findings, word), doubts=left, decided_by=by)


def _elsewhere(
    possible: Sequence[Possibility], tried: Sequence[tuple[Take, Listened, SyncEstimate]]
) -> list[Possibility]:
    """Alignments of other takes, which the choice has left behind."""
    known = {p.take.path for p in possible}
    return [
        Possibility(take, estimate.law, 0.0, estimate)
        for take, _, estimate in tried
        if estimate.law is not None and estimate.true_rate_hz is None and take.path not in known
    ]


def _answered(
    choice: Choice,
    clip: Clip,
    possible: Sequence[Possibility],
    found: Possibility,
    agreement: Agreement,
    place: Callable[[Possibility], SyncEstimate],
) -> Choice:
    """A refused choice, where the clocks are sure enough for an answer."""
    others = [p.share for p in possible if p is not found]
    odds = np.log(max(found.share, 1e-12) / agreement.chance) - np.log(max([*others, 1e-12]))
    if agreement.chance > SURE_CHANCE or (others and odds < DECIDED):
        return choice
    estimate = place(found)
    if not estimate.matched:
        return choice
    note = clocks_note(clip, found.take, agreement)
    only = replace(found, share=1.0, estimate=estimate)
    return replace(
        choice,
        take=found.take,
        estimate=estimate,
        findings=(note,),
        doubts=(),
        possibilities=(only,),
        decided_by=DecidedBy.CLOCKS,
    )


def _contradicted(choice: Choice, clip: Clip, found: Possibility, agreement: Agreement) -> Choice:
    """That the clocks say another place than the sound."""
    if agreement.chance > SURE_CHANCE:
        return choice
    message = (
        f"by its sound {clip.path.name} belongs to {choice.take.path.name}, but it aligns with {found.take.path.name} "
        f"too, and there {agreement.in_words()}: make sure which of the two was rolling"
    )
    doubt = Finding(Code.AMBIGUOUS_MATCH, Severity.LOOK, message, clip.path.name)
    return replace(choice, findings=(*choice.findings, doubt), doubts=(*choice.doubts, doubt))


def clocks_note(clip: Clip, take: Take, agreement: Agreement) -> Finding:
    """That the sound alone is doubtful, and the clocks say yes."""
    return Finding(
        Code.CLOCKS_DECIDE,
        Severity.NOTE,
        f"by its sound alone it would stay in doubt that {clip.path.name} belongs to {take.path.name}; the clocks say "
        f"yes: {agreement.in_words()}",
        clip.path.name,
    )


def _by_word(
    choice: Choice,
    clip: Clip,
    tried: Sequence[tuple[Take, Listened, SyncEstimate]],
    pairing: Pairing,
    place: Callable[[Possibility], SyncEstimate],
) -> Choice:
    """What the crew says of it, or what was decided over the whole day."""
    if choice.estimate.matched:
        return choice if pairing.finding is None else _relieved(choice, pairing.finding, pairing.by)
    possible = _possible(choice, tried)
    if pairing.offset_s is not None:
        wanted = pairing.offset_s
        possible = tuple(p for p in possible if abs(p.law.offset_s - wanted) < _SAME_S)
    for number, possibility in enumerate(possible):
        estimate = place(possibility)
        if not estimate.matched:
            continue
        word = pairing.finding or _taken_on_word(choice, clip, possible, number)
        only = replace(possibility, estimate=estimate)
        rest = tuple(p for p in possible if p is not possibility)
        return replace(
            choice,
            take=possibility.take,
            estimate=estimate,
            findings=(*choice.without_doubts(), word),
            # A word of the crew leaves the doubt beside it; what the clocks of a day decide does not.
            doubts=() if pairing.finding else (word,),
            possibilities=(only, *rest),
            decided_by=pairing.by,
        )
    return choice


def _taken_on_word(choice: Choice, clip: Clip, possible: Sequence[Possibility], number: int) -> Finding:
    """What the sound doubts, and that the crew's word goes before it."""
    taken = possible[number]
    if len(possible) > 1:
        named = " or ".join(_begin(p) for p in possible[:_FEW_PLACES])
        message = (
            f"by its sound alone {clip.path.name} may lie in several places of {taken.take.path.name}, which started "
            f"{named}; --paired says that they were filmed together, and so the likeliest place is taken, "
            f"{_begin(taken)}: check lips there, for the others are no less in tune"
        )
    else:
        message = (
            f"by their sound alone, {taken.take.path.name} would not be taken for the take of {clip.path.name} "
            f"({choice.estimate.reason}); --paired says that they were filmed together, and that is taken for true: "
            "check lips"
        )
    return Finding(Code.AMBIGUOUS_MATCH, Severity.LOOK, message, clip.path.name)


def _begin(possibility: Possibility) -> str:
    offset_s = possibility.law.offset_s
    return f"{abs(offset_s):.2f} s {'before' if offset_s > 0 else 'after'} the clip ({100 * possibility.share:.0f} %)"
