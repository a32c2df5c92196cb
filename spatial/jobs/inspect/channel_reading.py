"""How a take's channels are to be read: told, declared by its files, heard in its sound, or assumed; with the findings.

Functions: settle (a take, ready to be read then); excerpt (sound to judge by).
"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from spatial.capsules import Capsules
from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import Calibrated, ChannelFormat, plain_format, recorded_order
from spatial.findings import Code, Finding, Severity
from spatial.health.channel_format import (
    OTHER,
    SURE,
    MeasuredConvention,
    find_channels,
    live_channels,
    measure_convention,
)
from spatial.jobs.inspect.movie_words import declaration_findings, movie_of, what_players_do
from spatial.media.takes.take import Declared, FieldReader, Take

_SPANS, _SPAN_S = 10, 3.0
"""Half a minute of sound from all over the take: more of it would take more memory than the whole reading."""

_HIGHER_ORDERS = (9, 16)
"""Channels of fields of second and third order: (order + 1) squared."""

_CENTRE_FIRST = {"4.0": (2, 0, 1, 3), "5.1": (2, 0, 1, 4), "5.1(side)": (2, 0, 1, 4)}
"""Where the first four channels of AAC's own order (centre, left, right, what is behind: ISO/IEC 14496-3) stand once
they are decoded, by the name of the decoder's layout."""

_WORDS = {
    "ambix": "ACN/SN3D (ambix)",
    "n3d": "ACN/N3D (n3d)",
    "fuma": "W,X,Y,Z with W 3 dB down (fuma)",
    "aformat": "the raw capsules of a tetrahedral microphone (aformat)",
}


class Basis(StrEnum):
    """What the reading of a take rests on."""

    TOLD = "told"
    DECLARED = "declared"
    MEASURED = "measured"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class ConventionEvidence:
    """Why a take is read as it is."""

    basis: Basis
    declared: Declared | None
    measured: MeasuredConvention | None
    """None where there was too little sound, or nobody asked."""


def settle(take: Take) -> tuple[Take, ConventionEvidence]:
    """Settle how a take's channels are read. A format that was told stays; only which channels it is may be found.

    Of a sound field inside a movie it is said, too, what players make of its words where they are wrong.
    """
    settled, evidence = _settled(take)
    movie = movie_of(take)
    if movie is None:
        return settled, evidence
    if evidence.basis is Basis.TOLD:
        evidence = replace(evidence, measured=_measured(excerpt(settled), settled.picked, settled.rate_hz))
    return _with(settled, [*declaration_findings(movie), *_played_otherwise(settled, evidence)]), evidence


def _settled(take: Take) -> tuple[Take, ConventionEvidence]:
    if isinstance(take.channel_format, Calibrated):
        known = take.channel_format
        settled, evidence = _settled(replace(take, channel_format=known.channel_format))
        plain = plain_format(settled.channel_format)
        return replace(settled, channel_format=replace(known, channel_format=plain)), evidence
    if take.channel_format is not ChannelFormat.AUTO:
        return _placed(take), ConventionEvidence(Basis.TOLD, take.declared, None)
    sound = excerpt(take)
    declared = take.declared
    if declared is not None and declared.capsules:
        return _as_named_capsules(take, declared)
    if declared is not None and declared.channel_format is not None and declared.picked is not None:
        measured = _measured(sound, declared.picked, take.rate_hz)
        settled = replace(take, channel_format=declared.channel_format, picked=declared.picked)
        evidence = ConventionEvidence(Basis.DECLARED, declared, measured)
        return _with(settled, _conflict(take, declared, measured)), evidence
    if declared is not None and declared.acn is not None:
        return _as_named_channels(take, declared, sound)
    found = _found(sound, take)
    if found is None or not found[1].sure:
        settled = replace(take, channel_format=ChannelFormat.AMBIX)
        measured = found[1] if found else None
        return _with(settled, [_guess(take, measured)]), ConventionEvidence(Basis.ASSUMED, declared, measured)
    picked, measured = found
    read_as = Capsules() if measured.best == "aformat" else ChannelFormat(measured.best)
    settled = replace(take, channel_format=read_as, picked=picked)
    return _with(settled, _heard(settled, measured)), ConventionEvidence(Basis.MEASURED, declared, measured)


def excerpt(take: Take) -> FloatArray | None:
    """Half a minute of all channels from all over a take, shape (channels, samples); None where it cannot be read."""
    span = min(round(_SPAN_S * take.rate_hz), take.samples)
    spans = min(_SPANS, max(1, take.samples // span))
    starts = np.linspace(0, take.samples - span, spans).round().astype(int)
    # Damage in channels that may turn out not to be used must not be in the way.
    with suppress(MediaFileError), FieldReader(replace(take, picked=())) as reader:
        sound = np.concatenate([reader.read_raw(int(start), int(start) + span) for start in starts], axis=1)
        return np.where(np.abs(sound) < 1e3, sound, np.float32(0.0))
    return None


def _placed(take: Take) -> Take:
    """A take whose format was told, with its channels by what the file declares, or by which are not empty."""
    if take.channels == FIRST_ORDER_CHANNELS and take.declared is None:
        return take
    assert not isinstance(take.channel_format, ChannelFormat) or take.channel_format is not ChannelFormat.AUTO
    if (
        take.declared is not None
        and take.declared.acn is not None
        and not isinstance(plain_format(take.channel_format), Capsules)
    ):
        return replace(take, picked=recorded_order(take.channel_format, take.declared.acn))
    sound = excerpt(take)
    live = live_channels(sound) if sound is not None else []
    if len(live) < FIRST_ORDER_CHANNELS or live[:FIRST_ORDER_CHANNELS] == [0, 1, 2, 3]:
        return take
    return replace(take, picked=tuple(live[:FIRST_ORDER_CHANNELS]))


def _found(sound: FloatArray | None, take: Take) -> tuple[tuple[int, ...], MeasuredConvention] | None:
    if sound is None:
        return None
    if take.channels in _HIGHER_ORDERS and live_channels(sound)[:4] == [0, 1, 2, 3]:
        measured = _measured(sound, (0, 1, 2, 3), take.rate_hz)
        return ((0, 1, 2, 3), measured) if measured is not None else None
    found = find_channels(sound, take.rate_hz)
    movie = movie_of(take)
    if movie is None or (found is not None and found[1].sure):
        return found
    # A coder that was handed W first may have taken it for the centre, which stands first in its own order.
    centre_first = _CENTRE_FIRST.get(movie.tracks[0].layout)
    if centre_first is not None:
        measured = _measured(sound, centre_first, take.rate_hz)
        if measured is not None and measured.sure:
            return centre_first, measured
    return found


def _measured(sound: FloatArray | None, picked: Sequence[int], rate_hz: int) -> MeasuredConvention | None:
    if sound is not None:
        with suppress(InputError):
            return measure_convention(sound[list(picked)], rate_hz)
    return None


def _as_named_capsules(take: Take, declared: Declared) -> tuple[Take, ConventionEvidence]:
    capsules = Capsules(tuple(label for label, _ in declared.capsules))
    settled = replace(take, channel_format=capsules, picked=tuple(channel for _, channel in declared.capsules))
    message = (
        f"{take.path.name} holds raw capsules, by {declared.by}: they are taken for cardioids "
        f"{capsules.radius_m * 1e3:g} mm from the centre; --format aformat with --capsule-omni-part and "
        "--capsule-radius-mm says otherwise"
    )
    finding = Finding(Code.CONVENTION_GUESS, Severity.NOTE, message, take.path.name)
    return _with(settled, [finding]), ConventionEvidence(Basis.DECLARED, declared, None)


def _as_named_channels(take: Take, declared: Declared, sound: FloatArray | None) -> tuple[Take, ConventionEvidence]:
    """Names tell which channel is which, the sound tells the gains."""
    assert declared.acn is not None
    measured = _measured(sound, declared.acn, take.rate_hz)
    gains = _sure_gains(measured)
    sure = gains is not None
    if gains is not None:
        read_as = gains
    else:
        in_order = recorded_order(ChannelFormat.FUMA, declared.acn)
        read_as = ChannelFormat.FUMA if list(in_order) == sorted(in_order) else ChannelFormat.AMBIX
    settled = replace(take, channel_format=read_as, picked=recorded_order(read_as, declared.acn))
    message = (
        f"which channel of {take.path.name} is which is told by {declared.by}; its gains are "
        f"{'heard' if sure else 'guessed'} to be those of {read_as.value}; if that is not so, name another --format"
    )
    finding = Finding(Code.CONVENTION_GUESS, Severity.NOTE if sure else Severity.LOOK, message, take.path.name)
    return _with(settled, [finding]), ConventionEvidence(Basis.DECLARED, declared, measured)


def _sure_gains(measured: MeasuredConvention | None) -> ChannelFormat | None:
    """The gains of a field whose order is known, where the sound tells them."""
    if measured is None or measured.best in ("aformat", OTHER):
        return None
    name, odds = max(measured.normalisation_odds.items(), key=lambda entry: entry[1])
    return ChannelFormat("ambix" if name == "sn3d" else name) if odds >= SURE else None


def _conflict(take: Take, declared: Declared, measured: MeasuredConvention | None) -> list[Finding]:
    assert declared.channel_format is not None
    if measured is None or not measured.sure or measured.best == declared.channel_format.value or movie_of(take):
        return []
    message = (
        f"{take.path.name} is {_WORDS[declared.channel_format.value]} by {declared.by}, but sounds like "
        f"{_WORDS[measured.best]} ({100 * measured.odds[measured.best]:.0f} %): it is read as declared; if you know "
        f"better, add --format {measured.best}"
    )
    return [Finding(Code.CONVENTION_GUESS, Severity.LOOK, message, take.path.name)]


def _played_otherwise(take: Take, evidence: ConventionEvidence) -> list[Finding]:
    """What players do with a movie's field that is not what they take each for."""
    measured, name = evidence.measured, take.path.name
    if measured is None or not measured.sure or measured.best == ChannelFormat.AMBIX.value:
        return []
    by = "players take a field in a movie for ACN/SN3D"
    if evidence.declared is not None:
        by = f"{evidence.declared.by} says ACN/SN3D, which players believe"
    read_as = plain_format(take.channel_format).value
    reading = "it is read so" if read_as == measured.best else f"it is read as {read_as}; add --format {measured.best}"
    message = (
        f"{name} sounds like {_WORDS[measured.best]} ({100 * measured.odds[measured.best]:.0f} %), and {by}: they "
        f"{what_players_do(measured.best)}; {reading}, and have soundplumb headset put the field in anew with --format "
        f"{measured.best}"
    )
    return [Finding(Code.CONVENTION_GUESS, Severity.LOOK, message, name)]


def _guess(take: Take, measured: MeasuredConvention | None) -> Finding:
    if measured is None:
        heard = "there is too little sound to tell"
    else:
        ranked = sorted(measured.odds.items(), key=lambda entry: -entry[1])
        told = ", ".join(f"{name} {100 * odds:.0f} %" for name, odds in ranked[:3] if odds >= 0.005)
        heard = f"its sound does not decide ({told}{_sure_order(measured)})"
    message = f"how the channels of {take.path.name} are meant is not declared, and {heard}: read as ACN/SN3D; if you "
    message += "know better, name it with --format"
    return Finding(Code.CONVENTION_GUESS, Severity.LOOK, message, take.path.name)


def _sure_order(measured: MeasuredConvention) -> str:
    """That the order is clear where only the gains are not."""
    name, odds = max(measured.order_odds.items(), key=lambda entry: entry[1])
    if measured.best in ("aformat", OTHER) or odds < SURE:
        return ""
    return (
        f"; the order {'W, Y, Z, X' if name == 'acn' else 'W, X, Y, Z'} is clear, {100 * odds:.0f} %, the gains are not"
    )


def _heard(take: Take, measured: MeasuredConvention) -> list[Finding]:
    name, odds = take.path.name, f"{100 * measured.odds[measured.best]:.0f} %"
    findings = []
    plain = plain_format(take.channel_format)
    if isinstance(plain, Capsules):
        message = (
            f"{name} sounds like {_WORDS['aformat']} ({odds}): which capsule is which cannot be heard, so it is read "
            f"as cardioids {','.join(plain.order)}; check the microphone's papers and name --format "
            "aformat --capsules"
        )
        findings.append(Finding(Code.CONVENTION_GUESS, Severity.LOOK, message, name))
    elif plain is not ChannelFormat.AMBIX:
        message = f"{name} is read as {_WORDS[measured.best]}, by its sound ({odds}); if you know better, add --format"
        findings.append(Finding(Code.CONVENTION_GUESS, Severity.NOTE, message, name))
    if take.picked != (0, 1, 2, 3):
        channels = ", ".join(str(channel + 1) for channel in take.picked)
        message = f"channels {channels} of {name} are read as the sound field, by their sound; the others are left out"
        findings.append(Finding(Code.CONVENTION_GUESS, Severity.NOTE, message, name))
    if take.speaker_mask:
        message = f"the channels of {name} are labelled as loudspeakers; they are a sound field by their sound"
        findings.append(Finding(Code.CONVENTION_GUESS, Severity.NOTE, message, name))
    return findings


def _with(take: Take, findings: Sequence[Finding]) -> Take:
    return replace(take, findings=(*take.findings, *findings))
