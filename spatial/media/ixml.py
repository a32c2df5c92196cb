"""What recorders write into the iXML chunk: when, at which timecode rate, and what each channel is called.

Functions: read_ixml.
Sources: [1] the iXML specification: SPEED and TRACK_LIST.

It is read by its few tags, not as XML: recorders pad it, cut it, and write text in it that is not escaped. Nothing in
it is trusted further than a number in range or a name; what is missing or contradicts itself is None. It is walked once
from tag to tag, so that no body, however it is made, takes longer than its length.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from xml.sax.saxutils import unescape

_MOST_TRACKS = 256
_MOST_RATE = 1000
_LONGEST_TEXT = 256

_TAG = re.compile(rb"<(/?)([A-Za-z0-9_]{1,64})>")
_NUMBER = re.compile(rb"\d{1,20}")


@dataclass(frozen=True, slots=True)
class FieldNotes:
    """What an iXML chunk says that is of use here."""

    samples_since_midnight: int | None = None
    """(HI << 32) + LO ([1]); two public readers glue the two as decimal text, which is wrong for HI > 0."""
    timestamp_rate_hz: int | None = None
    """The rate those samples are counted in; the file's own where it is None."""
    timecode_rate: Fraction | None = None
    """Frames per second of the recorder's timecode: bext has no place for it."""
    drop_frame: bool | None = None
    track_names: tuple[str | None, ...] = ()
    """Name of each channel of the file, as far as they are told."""


def read_ixml(body: bytes) -> FieldNotes:
    """Read the body of an iXML chunk, in a time that grows with its length only. Never raises."""
    leaves, tracks = _leaves(body)
    high, low = (_number(leaves, b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_" + word) for word in (b"HI", b"LO"))
    count = (high << 32) + low if high is not None and low is not None and not low >> 32 else None
    flag = _text(leaves, b"TIMECODE_FLAG")
    return FieldNotes(
        samples_since_midnight=count,
        timestamp_rate_hz=_number(leaves, b"TIMESTAMP_SAMPLE_RATE") or None,
        timecode_rate=_rate(_text(leaves, b"TIMECODE_RATE")),
        drop_frame={"DF": True, "NDF": False}.get(flag.upper()) if flag else None,
        track_names=_track_names(tracks),
    )


_Leaves = dict[bytes, set[bytes]]
"""Texts by the tag that stands on both sides of them."""


def _leaves(body: bytes) -> tuple[_Leaves, list[_Leaves]]:
    """All texts between a tag and its end, and those of each track."""
    leaves: _Leaves = {}
    tracks: list[_Leaves] = []
    inside: _Leaves | None = None
    opened, start = b"", 0
    for tag in _TAG.finditer(body):
        name = tag[2]
        if not tag[1]:
            opened, start = name, tag.end()
            if name == b"TRACK":
                inside = {}
                # What follows the last track that counts belongs to none of them.
                if len(tracks) < _MOST_TRACKS:
                    tracks.append(inside)
            continue
        if name == b"TRACK":
            inside = None
        # No other tag between the two: `opened` would be that tag. Anything else with a "<" is no text.
        if name == opened:
            text = body[start : tag.start()]
            if b"<" not in text and len(text := text.strip()) <= _LONGEST_TEXT:
                for found in (leaves, inside):
                    if found is not None and text:
                        found.setdefault(name, set()).add(text)
        opened = b""
    return leaves, tracks


def _number(leaves: _Leaves, tag: bytes) -> int | None:
    found = {int(text) for text in leaves.get(tag, ()) if _NUMBER.fullmatch(text)}
    return found.pop() if len(found) == 1 else None


def _text(leaves: _Leaves, tag: bytes) -> str | None:
    found = leaves.get(tag, set())
    return unescape(next(iter(found)).decode("utf-8", errors="replace")) if len(found) == 1 else None


def _rate(text: str | None) -> Fraction | None:
    """A rate as "24000/1001", "25/1" or "25"."""
    match = re.fullmatch(r"(\d{1,6})(?:/(\d{1,6}))?", text or "")
    if match is None or not int(match[1]) or not int(match[2] or 1):
        return None
    rate = Fraction(int(match[1]), int(match[2] or 1))
    return rate if rate < _MOST_RATE else None


def _track_names(tracks: Sequence[_Leaves]) -> tuple[str | None, ...]:
    """Names by INTERLEAVE_INDEX, which counts the channels of the file from 1 ([1])."""
    names: dict[int, str] = {}
    for track in tracks:
        index, name = _number(track, b"INTERLEAVE_INDEX"), _text(track, b"NAME")
        if index is not None and 1 <= index <= _MOST_TRACKS and name and index not in names:
            names[index] = name
    return tuple(names.get(index) for index in range(1, max(names, default=0) + 1))
