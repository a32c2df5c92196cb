"""What a delivered track says of itself to an editor: the bodies of its bext and iXML chunks.

Goal: whoever gets the file alone knows which clip it belongs to, which take it was made from, when it begins, what its
four channels are and what was done to them.
Conventions: spatial.conventions (field); times of day by the clock that the start was taken from.
Functions: notes_chunks (both chunks); ixml_body; bext_of (body of bext); parent_ixml, parent_of (the file that a track
was cut from, written and read).
Sources:
[1] EBU Tech 3285, version 2 (2011): the bext chunk.
[2] EBU R 98 (1999): the coding history, a line for each step: A coding, F rate, W bits, T text (value from memory).
[3] The iXML specification: its tags. A track's FUNCTION may be any text; ours says the channel's number in ACN and the
normalisation, for words of a list made for microphones of B-format may be read as having W 3 dB down.
"""

import os
import re
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from html import escape
from urllib.parse import quote_from_bytes, unquote_to_bytes

from spatial.conventions import CHANNEL_NAMES, DELIVERY_RATE_HZ
from spatial.media.wav.metadata import bext_body
from spatial.timebase import DAY_S

_MOST_LETTERS = 200
"""Letters of a name that are written: readers, ours among them, take no text of more than 256."""

_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 has no way to write."""

_DELIVERED_BITS = 24

_PARENT = "sha256:"
_PARENT_UID = re.compile(rb"<PARENT_UID>sha256:([0-9a-f]{64}):([0-9]{1,15}):([^<>:]+)</PARENT_UID>")


@dataclass(frozen=True, slots=True)
class TrackNotes:
    """What is known of a track; None where nobody knows."""

    clip: str
    """Name of the clip's file."""
    take: str
    """Name of the take's file, or of its first."""
    done: str
    """What was done to the take, in a few words."""
    project: str = ""
    scene: str = ""
    take_label: str = ""
    """Scene and take as the recorder has them, or the names of clip and take."""
    tape: str = ""
    """The recorder's reel, or the camera's."""
    reference: str = ""
    """At most 32 ASCII characters that no other track has."""
    timecode_rate: Fraction | None = None
    """Frames per second of the clip's timecode."""
    drop_frame: bool = False
    start_of_day_s: float | None = None
    """Seconds from midnight at the first sample."""
    origination: datetime | None = None
    """Date and time at the first sample, in no known time zone."""
    take_rate_hz: int | None = None
    take_bits: int | None = None
    """None for a coding that has no fixed number of bits, such as floating point."""

    @property
    def time_reference(self) -> int:
        """Samples since midnight; 0 where the time of day is not known, as the timecode of a clip without one."""
        return 0 if self.start_of_day_s is None else round(self.start_of_day_s % DAY_S * DELIVERY_RATE_HZ)


def notes_chunks(notes: TrackNotes, maker: str) -> list[tuple[bytes, bytes]]:
    """Both chunks, each with its kind.

    Parameters
    ----------
    notes : TrackNotes
    maker : str
        The program that writes the track.
    """
    return [(b"bext", bext_of(notes, maker)), (b"iXML", ixml_body(notes))]


def bext_of(notes: TrackNotes, maker: str) -> bytes:
    """Body of the bext chunk ([1]): its description is cut to 256 characters, so what is short comes first."""
    layout = "first-order ambisonics, ACN order (W Y Z X), SN3D"
    return bext_body(
        time_reference=notes.time_reference,
        originator=maker,
        originator_reference=notes.reference,
        description=f"{layout}; {notes.done}; clip {notes.clip}; take {notes.take}",
        origination=notes.origination,
        coding_history=_history(notes, maker),
    )


def _history(notes: TrackNotes, maker: str) -> str:
    """A line for the recorder's coding and one for ours ([2]); a comma would end the free text."""
    taken = [
        "A=PCM",
        *([f"F={notes.take_rate_hz}"] if notes.take_rate_hz else []),
        *([f"W={notes.take_bits}"] if notes.take_bits else []),
        f"T={_plain(notes.take)}",
    ]
    made = ["A=PCM", f"F={DELIVERY_RATE_HZ}", f"W={_DELIVERED_BITS}", f"T={_plain(f'{maker}; {notes.done}')}"]
    return "".join(",".join(line) + "\r\n" for line in (taken, made))


def _plain(text: str) -> str:
    return re.sub(r"[,\r\n]+", " ", text)


def ixml_body(notes: TrackNotes) -> bytes:
    """Body of the iXML chunk ([3]), UTF-8."""
    rate = notes.timecode_rate
    speed = [] if rate is None else _rates(rate, drop=notes.drop_frame)
    speed += [
        ("FILE_SAMPLE_RATE", DELIVERY_RATE_HZ),
        ("AUDIO_BIT_DEPTH", _DELIVERED_BITS),
        ("DIGITIZER_SAMPLE_RATE", DELIVERY_RATE_HZ),
    ]
    if notes.start_of_day_s is not None:
        speed += [
            ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", notes.time_reference >> 32),
            ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO", notes.time_reference & 0xFFFFFFFF),
            ("TIMESTAMP_SAMPLE_RATE", DELIVERY_RATE_HZ),
        ]
    tracks = [f"<TRACK>{_tags(_channel(number, name))}</TRACK>" for number, name in enumerate(CHANNEL_NAMES)]
    head = [
        ("IXML_VERSION", "2.10"),
        ("PROJECT", notes.project),
        ("SCENE", notes.scene),
        ("TAKE", notes.take_label),
        ("TAPE", notes.tape),
        ("FILE_UID", notes.reference),
        ("NOTE", f"for clip {notes.clip}; from take {notes.take}; {notes.done}"),
    ]
    text = "".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>\n<BWFXML>',
            _tags([(tag, value) for tag, value in head if value]),
            f"<SPEED>{_tags(speed)}</SPEED>",
            f"<HISTORY>{_tags([('PARENT_FILENAME', notes.take)])}</HISTORY>",
            f"<TRACK_LIST>{_tags([('TRACK_COUNT', len(tracks))])}{''.join(tracks)}</TRACK_LIST>",
            "</BWFXML>\n",
        ]
    )
    return text.encode("utf-8", "replace")


@dataclass(frozen=True, slots=True)
class ParentFile:
    """The file that a track was cut from, as it was then."""

    name: str
    sha256: str
    size: int
    """Bytes."""


def parent_ixml(parent: ParentFile) -> bytes:
    """Body of an iXML chunk ([3]) that names the file that a track was cut from, UTF-8.

    Its name stands there for people; the identifier, which is ours to form, holds all that parent_of reads, for XML has
    no way to write some names.
    """
    identifier = f"{_PARENT}{parent.sha256}:{parent.size}:{quote_from_bytes(os.fsencode(parent.name), safe='')}"
    history = f"<PARENT_UID>{identifier}</PARENT_UID>\n{_tags([('PARENT_FILENAME', parent.name)])}"
    version = _tags([("IXML_VERSION", "2.10")])
    text = f'<?xml version="1.0" encoding="UTF-8"?>\n<BWFXML>{version}<HISTORY>{history}</HISTORY></BWFXML>\n'
    return text.encode("utf-8", "replace")


def parent_of(ixml: bytes) -> ParentFile | None:
    """What parent_ixml wrote; None where it did not."""
    found = _PARENT_UID.search(ixml)
    if found is None:
        return None
    return ParentFile(os.fsdecode(unquote_to_bytes(found[3])), found[1].decode(), int(found[2]))


def _rates(rate: Fraction, *, drop: bool) -> list[tuple[str, object]]:
    told = f"{rate.numerator}/{rate.denominator}"
    return [
        ("MASTER_SPEED", told),
        ("CURRENT_SPEED", told),
        ("TIMECODE_RATE", told),
        ("TIMECODE_FLAG", "DF" if drop else "NDF"),
    ]


def _channel(number: int, name: str) -> list[tuple[str, object]]:
    return [
        ("CHANNEL_INDEX", number + 1),
        ("INTERLEAVE_INDEX", number + 1),
        ("NAME", name),
        ("FUNCTION", f"ACN{number}-SN3D"),
    ]


def _tags(values: list[tuple[str, object]]) -> str:
    return "".join(f"<{tag}>{_safe(str(value))}</{tag}>\n" for tag, value in values)


def _safe(text: str) -> str:
    """Text of a name as XML may hold it."""
    return escape(_NO_XML.sub("_", text)[:_MOST_LETTERS], quote=False)
