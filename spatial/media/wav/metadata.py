"""The bext and iXML chunks: when a recording began, and what its channels are called.

Goal: read and write the bext chunk, read iXML, and find when a recording began by all that its file holds.
Method: what is missing, broken or out of range is None: a wrong time of day would pull sync to a wrong answer. iXML is
read by its few tags, not as XML: recorders pad it, cut it, and write text in it that is not escaped. Nothing in it is
trusted further than a number in range or a name; what contradicts itself is None. It is walked once from tag to tag, so
that no body, however it is made, takes longer than its length.
Conventions: seconds from midnight of the recorder's timecode; date and time by its clock, in no known time zone.
Functions: read_bext, bext_body; read_ixml, read_field_notes; read_stamp, stamp_of (by bext, else by iXML).
Sources:
[1] EBU Tech 3285, version 2 (2011): the bext chunk, its versions 0, 1 and 2.
[2] The iXML specification: SPEED and TRACK_LIST.
"""

import re
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

from spatial.errors import InputError, MediaFileError
from spatial.media.intake import open_input
from spatial.media.wav.riff import MOST_CHANNELS, first_bodies
from spatial.timebase import DAY_S

# --- iXML ---

_MOST_RATE = 1000
"""Frames per second of a timecode are fewer; larger numbers are damage."""

_LONGEST_TEXT = 256
"""Letters of a name at most; a longer text is none."""

_TAG = re.compile(rb"<(/?)([A-Za-z0-9_]{1,64})>")
_NUMBER = re.compile(rb"\d{1,20}")


@dataclass(frozen=True, slots=True)
class FieldNotes:
    """What an iXML chunk says that is of use here."""

    samples_since_midnight: int | None = None
    """(HI << 32) + LO ([2]); two public readers glue the two as decimal text, which is wrong for HI > 0."""
    timestamp_rate_hz: int | None = None
    """The rate those samples are counted in; the file's own where it is None."""
    timecode_rate: Fraction | None = None
    """Frames per second of the recorder's timecode: bext has no place for it."""
    drop_frame: bool | None = None
    track_names: tuple[str | None, ...] = ()
    """Name of each channel of the file, as far as they are told."""
    project: str | None = None
    scene: str | None = None
    take: str | None = None
    tape: str | None = None
    """As they were typed into the recorder."""


def read_ixml(body: bytes) -> FieldNotes:
    """Read the body of an iXML chunk, in a time that grows with its length only. Never raises."""
    leaves, tracks = _leaves(body)
    high, low = (_number(leaves, b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_" + word) for word in (b"HI", b"LO"))
    count = (high << 32) + low if high is not None and low is not None and not low >> 32 else None
    flag = _tag_text(leaves, b"TIMECODE_FLAG")
    return FieldNotes(
        samples_since_midnight=count,
        timestamp_rate_hz=_number(leaves, b"TIMESTAMP_SAMPLE_RATE") or None,
        timecode_rate=_rate(_tag_text(leaves, b"TIMECODE_RATE")),
        drop_frame={"DF": True, "NDF": False}.get(flag.upper()) if flag else None,
        track_names=_track_names(tracks),
        project=_tag_text(leaves, b"PROJECT"),
        scene=_tag_text(leaves, b"SCENE"),
        take=_tag_text(leaves, b"TAKE"),
        tape=_tag_text(leaves, b"TAPE"),
    )


def read_field_notes(path: Path) -> FieldNotes:
    """Read the iXML chunk of a recording, whatever it is; nothing where it has none. Never raises."""
    return read_ixml(_first_bodies(path).get(b"iXML", b""))


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
                if len(tracks) < MOST_CHANNELS:
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


def _tag_text(leaves: _Leaves, tag: bytes) -> str | None:
    found = leaves.get(tag, set())
    if len(found) != 1:
        return None
    text = next(iter(found)).decode("utf-8", errors="replace")
    # By hand, for xml.sax.saxutils loads what speaks with servers, a tenth of a second; the ampersand last, or it would
    # make new ones.
    return text.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")


def _rate(text: str | None) -> Fraction | None:
    """A rate as "24000/1001", "25/1" or "25"."""
    match = re.fullmatch(r"(\d{1,6})(?:/(\d{1,6}))?", text or "")
    if match is None or not int(match[1]) or not int(match[2] or 1):
        return None
    rate = Fraction(int(match[1]), int(match[2] or 1))
    return rate if rate < _MOST_RATE else None


def _track_names(tracks: Sequence[_Leaves]) -> tuple[str | None, ...]:
    """Names by INTERLEAVE_INDEX, which counts the channels of the file from 1 ([2])."""
    names: dict[int, str] = {}
    for track in tracks:
        index, name = _number(track, b"INTERLEAVE_INDEX"), _tag_text(track, b"NAME")
        if index is not None and 1 <= index <= MOST_CHANNELS and name and index not in names:
            names[index] = name
    return tuple(names.get(index) for index in range(1, max(names, default=0) + 1))


# --- bext ---

_DESCRIPTION, _ORIGINATOR, _REFERENCE = slice(0, 256), slice(256, 288), slice(288, 320)
_DATE, _TIME, _SAMPLES = slice(320, 330), slice(330, 338), slice(338, 346)
_VERSION, _UMID, _LOUDNESS, _HISTORY = slice(346, 348), slice(348, 412), slice(412, 422), slice(602, None)
"""Where the fields stand ([1]); samples since midnight are two 32-bit words, the low one first."""

_NOT_MEASURED = 0x7FFF
"""A loudness field that holds no measurement ([1], value from memory)."""

_NEAR_MIDNIGHT = timedelta(seconds=2)
"""A count of zero is midnight only if the clock says so too; else it was never set (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Loudness:
    """Loudness fields of version 2; None where not measured."""

    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    momentary_lufs: float | None
    short_term_lufs: float | None


@dataclass(frozen=True, slots=True)
class BroadcastInfo:
    """What a bext chunk holds."""

    description: str
    originator: str
    originator_reference: str
    origination: datetime | None
    time_reference: int | None
    """Samples since midnight, whether or not they make sense: see read_stamp."""
    version: int
    umid: bytes
    """64 bytes, or none: since version 1."""
    loudness: Loudness | None
    """Since version 2."""
    coding_history: str


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a recording began."""

    start_of_day_s: float | None = None
    """From midnight to the first sample, in [0, 86400)."""
    origination: datetime | None = None


def read_bext(body: bytes) -> BroadcastInfo:
    """Read the body of a bext chunk, as far as it goes. Never raises."""
    version = int.from_bytes(body[_VERSION], "little")
    return BroadcastInfo(
        description=_text(body[_DESCRIPTION]),
        originator=_text(body[_ORIGINATOR]),
        originator_reference=_text(body[_REFERENCE]),
        origination=_origination(body),
        time_reference=int(struct.unpack("<Q", body[_SAMPLES])[0]) if len(body) >= _SAMPLES.stop else None,
        version=version,
        umid=body[_UMID] if version >= 1 and any(body[_UMID]) else b"",
        loudness=_loudness(body[_LOUDNESS]) if version >= 2 else None,
        coding_history=_text(body[_HISTORY]),
    )


def bext_body(
    *,
    time_reference: int,
    originator: str,
    originator_reference: str = "",
    description: str = "",
    origination: datetime | None = None,
    coding_history: str = "",
) -> bytes:
    """Body of a bext chunk of version 1, without UMID ([1]).

    Parameters
    ----------
    time_reference : int
        Samples since midnight at the first sample of the sound, at the file's rate.
    originator, originator_reference, description, coding_history : str
        ASCII; cut to 32, 32 and 256 characters, the history to none.
    origination : datetime, optional
        Left blank where it is not known.

    Raises
    ------
    InputError
        A time reference below 0 or beyond 64 bits.
    """
    if not 0 <= time_reference < 1 << 64:
        raise InputError(f"a time reference counts samples since midnight; {time_reference} cannot be one")
    date, time = (origination.strftime(form).encode() if origination else b"" for form in ("%Y-%m-%d", "%H:%M:%S"))
    fields = struct.pack(
        "<256s32s32s10s8sQH64s10s180s",
        *(text.encode("ascii", "replace") for text in (description, originator, originator_reference)),
        *(date, time),
        *(time_reference, 1, b"", b"", b""),
    )
    return fields + coding_history.encode("ascii", "replace")


def read_stamp(path: Path, rate_hz: int) -> Stamp:
    """When a recording began: by its bext chunk, else by its iXML. Never raises.

    Parameters
    ----------
    path : Path
        Any file; only WAV, RF64 and BW64 have these chunks.
    rate_hz : int
        Its sample rate, in which bext counts.
    """
    bodies = _first_bodies(path)
    return stamp_of(read_bext(bodies.get(b"bext", b"")), read_ixml(bodies.get(b"iXML", b"")), rate_hz)


def _first_bodies(path: Path) -> dict[bytes, bytes]:
    try:
        with open_input(path, "recording") as file:
            return first_bodies(file, (b"bext", b"iXML"))
    except (OSError, MediaFileError):
        return {}


def stamp_of(bext: BroadcastInfo, notes: FieldNotes, rate_hz: int) -> Stamp:
    """When a recording began, by what its chunks say; bext goes first where both do (common practice, no source)."""
    counts = (bext.time_reference, rate_hz), (notes.samples_since_midnight, notes.timestamp_rate_hz or rate_hz)
    for count, count_rate_hz in counts:
        start_s = _start_of_day_s(count, count_rate_hz, bext.origination)
        if start_s is not None:
            return Stamp(start_s, bext.origination)
    return Stamp(None, bext.origination)


def _text(field: bytes) -> str:
    """Text up to its first zero byte; ASCII by the book, anything in practice."""
    return field.split(b"\0", 1)[0].decode("utf-8", errors="replace").strip()


def _loudness(field: bytes) -> Loudness | None:
    """Five signed hundredths ([1])."""
    if len(field) < 10:
        return None
    return Loudness(*(None if raw == _NOT_MEASURED else raw / 100 for raw in struct.unpack("<5h", field)))


def _origination(bext: bytes) -> datetime | None:
    """Date and time, whatever separates their numbers: - : _ . and a space all occur."""
    date = re.fullmatch(rb"(\d{4})[^\d](\d\d)[^\d](\d\d)", bext[_DATE])
    time = re.fullmatch(rb"(\d\d)[^\d](\d\d)[^\d](\d\d)", bext[_TIME])
    if not date or not time:
        return None
    try:
        return datetime(*(int(number) for number in (*date.groups(), *time.groups())))  # type: ignore[arg-type]
    except ValueError:
        return None


def _start_of_day_s(count: int | None, rate_hz: int, origination: datetime | None) -> float | None:
    # A recorder that runs past midnight may go on counting: up to a second day, no more.
    if count is None or count >= 2 * DAY_S * rate_hz:
        return None
    if count == 0:
        return 0.0 if origination is not None and _is_near_midnight(origination) else None
    return count / rate_hz % DAY_S


def _is_near_midnight(moment: datetime) -> bool:
    since = moment - moment.replace(hour=0, minute=0, second=0)
    return min(since, timedelta(days=1) - since) <= _NEAR_MIDNIGHT
