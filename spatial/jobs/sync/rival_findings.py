"""What is said of the takes that may belong to a clip, where music played back makes several match.

Functions: ambiguous, copies_of, doubtful, only_music, too_little (findings); other_moment (why there is no match).
"""

from collections.abc import Sequence

from spatial.findings import Code, Finding, Severity
from spatial.jobs.sync.take_choice import Possibility
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.same_music import Moments

_SHORT_S = 15.0
"""In a shorter clip nobody may have spoken, and a beat can be laid through a few sounds by chance (seconds)."""


def other_moment(take: Take, against: Moments) -> str:
    """Why a take that holds the same music is no match."""
    return (
        f"they share {against.shared_s:.0f} s of the same sound, but not {_spans(against)}, where both hold other "
        f"sound: the same music played again, and {take.path.name} is another take of it (if the recorder stood "
        "metres from the camera, give --mic-offset)"
    )


def doubtful(clip: Clip, take: Take, against: Moments) -> Finding:
    """That parts of a clip and its take differ."""
    where = f" ({_spans(against)})" if against.spans_s else ""
    short = against.covered_s < _SHORT_S
    why = f"{against.covered_s:.0f} s are too short to tell the same moment from" if short else "it may be"
    return Finding(
        Code.AMBIGUOUS_MATCH,
        Severity.NOTE if short else Severity.LOOK,
        f"{take.path.name} matches {clip.path.name}, but each holds sound that the other does not{where}; {why} the "
        "same music played again: if music was played back, make sure that this is the take that was rolling, and if "
        "it is, say --paired",
        clip.path.name,
    )


def only_music(clip: Clip, take: Take) -> Finding:
    """That a match rests on music that may have been played back."""
    return Finding(
        Code.AMBIGUOUS_MATCH,
        Severity.LOOK,
        f"{clip.path.name} and {take.path.name} share nothing but steady music: if it was played back, any other take "
        "of it would match as well; a clap, a word or a step that both hold settles it, or soundplumb day over the "
        "whole shoot, where both boxes wrote the time of day",
        clip.path.name,
    )


def too_little(clip: Clip, take: Take) -> Finding:
    """That a match rests on sounds that may be music, or too few to tell."""
    return Finding(
        Code.AMBIGUOUS_MATCH,
        Severity.NOTE,
        f"{clip.path.name} and {take.path.name} match, but they share too few sounds that are surely no music: if "
        "music was played back, make sure that this is the take that was rolling",
        clip.path.name,
    )


def copies_of(clip: Clip, take: Take, possibilities: Sequence[Possibility]) -> Finding:
    """That other takes seem to be the same recording."""
    others = ", ".join(p.take.path.name for p in possibilities if p.take is not take)
    return Finding(
        Code.AMBIGUOUS_MATCH,
        Severity.LOOK,
        f"{others} fits {clip.path.name} just as {take.path.name} does, and seems to be a copy of it: keep one of them",
        clip.path.name,
    )


def ambiguous(clip: Clip, possibilities: Sequence[Possibility]) -> Finding:
    """Which takes and places it may be, and what would settle it."""
    named = ", ".join(
        f"{p.take.path.name}, started {abs(p.law.offset_s):.2f} s {'before' if p.law.offset_s > 0 else 'after'} the "
        f"clip ({100 * p.share:.0f} %)"
        for p in possibilities[:4]
    )
    return Finding(
        Code.AMBIGUOUS_MATCH,
        Severity.FIX,
        f"{clip.path.name} may belong to {named}; a clap, a word or a step that only one of them holds settles it, "
        "or soundplumb day over the whole shoot, where both boxes wrote the time of day",
        clip.path.name,
    )


def _spans(against: Moments) -> str:
    spans = [f"{start:.1f} to {end:.1f} s" for start, end in against.spans_s[:3]]
    return " and ".join(spans) + (" and more" if len(against.spans_s) > 3 else "")
