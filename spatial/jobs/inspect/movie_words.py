"""What a movie declares of its sound field, against what players do with that and what the track holds.

Functions: movie_of (a take's movie, where it lies in one); declaration_findings (what is wrong with its words);
said_rightly (the same, where a new movie is made); what_players_do (with a field that is declared as another);
said_of_picture; said_of_sound (its words, for people).
Sources: those of spatial.media.movies.spherical and spatial.media.movies.field_sound.
"""

from collections.abc import Sequence
from dataclasses import replace

from spatial.conventions import FIRST_ORDER_CHANNELS
from spatial.findings import Code, Finding, Severity
from spatial.media.movies.field_sound import MovieField, movie_field
from spatial.media.movies.spherical import PictureWords, SoundWords, layout_in_words
from spatial.media.takes.take import Take

_CONTAINERS = ("MOV", "MP4", "MKV", "OGG")

_ANEW = "put the field in anew with soundplumb headset"

_HEAD_LOCKED = 0x80
"""Bit of SA3D's type: two more channels follow the field and do not turn with the head."""

_FAMILIES = {
    1: "loudspeakers (Opus mapping family 1)",
    3: "a field behind a matrix (Opus mapping family 3)",
    255: "channels without a meaning (Opus mapping family 255)",
}

_AS_AMBIX = {
    "fuma": "play what is in front at the left, what is at the left from above, and what is above from the front",
    "n3d": "play W 4.8 dB too faint against X, Y and Z, so that sounds also come from the side opposite to them",
    "aformat": "play the capsules as if they were directions, which puts every sound somewhere else",
}
"""What a player does that takes a track of another form for ACN/SN3D."""


def movie_of(take: Take) -> MovieField | None:
    """The movie that a take lies in; None for a recording of its own."""
    return movie_field(take.path) if take.container in _CONTAINERS else None


def what_players_do(held: str) -> str:
    """With a track of this form that declares ACN/SN3D: the end of a sentence."""
    return _AS_AMBIX.get(held, "turn it otherwise than it was meant")


def declaration_findings(movie: MovieField) -> list[Finding]:
    """What a movie's words of its sound field make players do wrong."""
    words, name = movie.words, movie.path.name
    if words is None:
        return []  # that it lies in several tracks has been said
    if words.field is not None:
        wrong = _wrong_box(words, movie.channels)
        if wrong:
            message = f"the SA3D box of {name} says {wrong}, which players refuse or play as loudspeakers: {_ANEW}"
            return [Finding(Code.SOUND_FIELD, Severity.FIX, message, name)]
        if words.opus_family not in (None, 2):
            message = (
                f"the SA3D box of {name} says that it is a sound field, and its coder says {_family(words)}: players "
                f"differ in which they believe; {_ANEW}"
            )
            return [Finding(Code.SOUND_FIELD, Severity.LOOK, message, name)]
        return []
    if words.opus_family == 2:
        return []
    meant = _meaning(movie, words)
    message = (
        f"nothing in {name} says that its {movie.channels} channels are a sound field: by its words they are {meant}, "
        f"and players play them so, without turning them with the head; {_ANEW}"
    )
    return [Finding(Code.SOUND_FIELD, Severity.LOOK, message, name)]


def said_rightly(take: Take, findings: Sequence[Finding]) -> list[Finding]:
    """Findings of a take whose field is put into a new movie, which says it rightly.

    What its old movie says wrongly is no more than good to know then: nothing of it is in the new one.
    """
    movie = movie_of(take)
    wrong = [] if movie is None else declaration_findings(movie)
    return [
        replace(said, severity=Severity.NOTE, message=said.message.replace(_ANEW, "the new movie says it right"))
        if said in wrong
        else said
        for said in findings
    ]


def _wrong_box(words: SoundWords, channels: int) -> str:
    """What in an SA3D box is not as its specification has it for a field in these channels; empty where all is."""
    assert words.field is not None
    version, kind, order, ordering, normalisation, count, *routes = words.field
    locked = 2 if kind & _HEAD_LOCKED else 0
    if version != 0 or kind & ~_HEAD_LOCKED:
        return f"version {version} and type {kind}, and only 0 and 0 are known"
    if ordering != 0:
        return f"channel order {ordering}, and only 0, ACN, is known"
    if normalisation != 0:
        return f"normalisation {normalisation}, and only 0, SN3D, is known"
    if count != channels:
        return f"{count} channels, and the track has {channels}"
    if count != (order + 1) ** 2 + locked:
        return f"order {order} in {count} channels, and that order has {(order + 1) ** 2}"
    if routes != list(range(count)):
        return f"that its channels stand in the order {', '.join(str(route) for route in routes)}"
    return ""


def _family(words: SoundWords) -> str:
    return _FAMILIES.get(words.opus_family or 0, f"Opus mapping family {words.opus_family}")


def _meaning(movie: MovieField, words: SoundWords) -> str:
    if words.opus_family is not None:
        return _family(words)
    layout = movie.tracks[0].layout
    if words.loudspeakers or movie.subtype in ("AAC", "AC3", "EAC3"):
        return f"loudspeakers ({layout})" if "channels" not in layout else "loudspeakers"
    return "channels without a meaning"


def said_of_picture(words: PictureWords) -> str:
    """What a movie says of how its picture is shown, in words."""
    if words.layout is not None:
        return f"is marked as {words.layout} ({layout_in_words(words.layout)})"
    if words.anything:
        return f"is marked as {words.other or 'shared by two eyes, and as no part of a sphere'}"
    return "is not marked, so players show it flat"


def said_of_sound(movie: MovieField) -> str:
    """What a movie says of its field, in words."""
    words = movie.words
    if words is None or not words.says_field:
        return "is not marked as a sound field"
    by = [*(["SA3D"] if words.field is not None else []), *([_marks(words)] if words.opus_family is not None else [])]
    order = words.field[2] if words.field is not None else 1 if movie.channels >= FIRST_ORDER_CHANNELS else 0
    which = {1: "first", 2: "second", 3: "third"}.get(order, f"{order}th")
    return f"is marked as a {which}-order sound field ({', '.join(by)})"


def _marks(words: SoundWords) -> str:
    return f"Opus mapping family {words.opus_family}"
