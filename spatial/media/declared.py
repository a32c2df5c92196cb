"""What a recording says of its channels: by its ADM chunks, by the B-format mark, or by the names of its tracks.

Conventions: spatial.conventions (field). Channels of the file are counted from 0.
Functions: declaration; named_channels (what names of channels or of files say).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from spatial.capsules import FIRST_ARRANGEMENT, SECOND_ARRANGEMENT
from spatial.field import ChannelFormat, recorded_order
from spatial.media.adm import Harmonic

_FORMAT_OF = {"SN3D": ChannelFormat.AMBIX, "N3D": ChannelFormat.N3D, "FuMa": ChannelFormat.FUMA}

_HARMONIC_NAMES = ("W", "Y", "Z", "X")


@dataclass(frozen=True, slots=True)
class Declared:
    """What a recording says of its channels."""

    by: str
    """Where it says so, in words."""
    channel_format: ChannelFormat | None
    """Order and normalisation; None where it says nothing of gains."""
    acn: tuple[int, ...] | None
    """File channels of W, Y, Z and X; None where they are the capsules of a microphone."""
    capsules: tuple[tuple[str, int], ...] = ()
    """Capsules by label, each with its file channel."""

    @property
    def picked(self) -> tuple[int, ...] | None:
        """File channels in the order that the declared format takes them."""
        if self.acn is None or self.channel_format is None:
            return None
        return recorded_order(self.channel_format, self.acn)


def declaration(
    *, harmonics: Mapping[int, Harmonic], b_format: bool, names: Sequence[str | None], names_from: str
) -> Declared | None:
    """What a recording says of its channels, by the most exact word it has.

    Parameters
    ----------
    harmonics : mapping from file channel to Harmonic
        By the ADM chunks.
    b_format : bool
        Whether the format chunk has the B-format mark.
    names : sequence of str or None
        Name of each channel.
    names_from : str
        Where the names stand, in words.
    """
    found = {harmonic.acn: (channel, harmonic.normalisation) for channel, harmonic in sorted(harmonics.items())}
    if all(acn in found for acn in range(4)) and len({found[acn][1] for acn in range(4)}) == 1:
        return Declared("its ADM chunks", _FORMAT_OF[found[0][1]], tuple(found[acn][0] for acn in range(4)))
    if b_format:
        return Declared("the B-format mark in its header", ChannelFormat.FUMA, (0, 2, 3, 1))
    return named_channels(names, names_from)


def named_channels(names: Sequence[str | None], names_from: str) -> Declared | None:
    """What the names of channels say: four of them must end or begin with W, X, Y, Z or with a capsule's label.

    Names tell order, not gains. Only the order W, X, Y, Z is proper to one format.
    """
    words = [set(re.split(r"[^A-Z0-9]+", (name or "").upper())) for name in names]
    for labels in (_HARMONIC_NAMES, FIRST_ARRANGEMENT, SECOND_ARRANGEMENT):
        places = [[channel for channel, word in enumerate(words) if label in word] for label in labels]
        if any(len(place) != 1 for place in places):
            continue
        channels = tuple(place[0] for place in places)
        if len(set(channels)) < len(labels):
            continue
        if labels is _HARMONIC_NAMES:
            return Declared(names_from, None, channels)
        return Declared(names_from, None, None, tuple(zip(labels, channels, strict=True)))
    return None
