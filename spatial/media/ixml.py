"""What recorders write into the iXML chunk: when, at which timecode rate, and what each channel is called.

Functions: read_ixml.
Sources: [1] the iXML specification: SPEED and TRACK_LIST.

It is read by its few tags, not as XML: recorders pad it, cut it, and write text in it that is not escaped. Nothing in
it is trusted further than a number in range or a name; what is missing or contradicts itself is None.
"""

import re
from dataclasses import dataclass
from fractions import Fraction
from xml.sax.saxutils import unescape

_MOST_TRACKS = 256
_MOST_RATE = 1000


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
    """Read the body of an iXML chunk. Never raises."""
    high, low = (_number(body, b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_" + word) for word in (b"HI", b"LO"))
    count = (high << 32) + low if high is not None and low is not None and not low >> 32 else None
    flag = _text(body, b"TIMECODE_FLAG")
    return FieldNotes(
        samples_since_midnight=count,
        timestamp_rate_hz=_number(body, b"TIMESTAMP_SAMPLE_RATE") or None,
        timecode_rate=_rate(_text(body, b"TIMECODE_RATE")),
        drop_frame={"DF": True, "NDF": False}.get(flag.upper()) if flag else None,
        track_names=_track_names(body),
    )


def _number(body: bytes, tag: bytes) -> int | None:
    found = {int(number) for number in re.findall(rb"<%b>\s*(\d{1,20})\s*</%b>" % (tag, tag), body)}
    return found.pop() if len(found) == 1 else None


def _text(body: bytes, tag: bytes) -> str | None:
    found = set(re.findall(rb"<%b>\s*([^<]{1,256}?)\s*</%b>" % (tag, tag), body))
    return unescape(found.pop().decode("utf-8", errors="replace")) if len(found) == 1 else None


def _rate(text: str | None) -> Fraction | None:
    """A rate as "24000/1001", "25/1" or "25"."""
    match = re.fullmatch(r"(\d{1,6})(?:/(\d{1,6}))?", text or "")
    if match is None or not int(match[1]) or not int(match[2] or 1):
        return None
    rate = Fraction(int(match[1]), int(match[2] or 1))
    return rate if rate < _MOST_RATE else None


def _track_names(body: bytes) -> tuple[str | None, ...]:
    """Names by INTERLEAVE_INDEX, which counts the channels of the file from 1 ([1])."""
    names: dict[int, str] = {}
    # No nested repetition: a hostile body must not make the search slow.
    for track in body.split(b"<TRACK>")[1 : _MOST_TRACKS + 1]:
        inside = track.split(b"</TRACK>", 1)[0]
        index, name = _number(inside, b"INTERLEAVE_INDEX"), _text(inside, b"NAME")
        if index is not None and 1 <= index <= _MOST_TRACKS and name and index not in names:
            names[index] = name
    return tuple(names.get(index) for index in range(1, max(names, default=0) + 1))
