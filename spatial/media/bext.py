"""When a recording began, by what the recorder wrote into its WAV file.

Conventions: seconds from midnight of the recorder's timecode; date and time by its clock, in no known time zone.
Functions: read_stamp.
Sources:
[1] EBU Tech 3285: the bext chunk.
[2] The iXML specification, its SPEED block.

What is missing, broken or out of range is None: a wrong time of day would pull sync to a wrong answer.
"""

import re
import struct
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from spatial.media.wav import is_wave, wave_chunks

DAY_S = 86_400.0

_DATE, _TIME, _SAMPLES = slice(320, 330), slice(330, 338), slice(338, 346)
"""Where they stand in bext ([1]); samples since midnight are two 32-bit words, the low one first."""

_MOST_BYTES = 1 << 20
"""Of an iXML chunk; real ones have a few kilobytes."""

_NEAR_MIDNIGHT = timedelta(seconds=2)
"""A count of zero is midnight only if the clock says so too; else it was never set (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a recording began."""

    start_of_day_s: float | None = None
    """From midnight to the first sample, in [0, 86400)."""
    origination: datetime | None = None


def read_stamp(path: Path, rate_hz: int) -> Stamp:
    """When a recording began: by its bext chunk, else by its iXML. Never raises.

    Parameters
    ----------
    path : Path
        Any file; only WAV, RF64 and BW64 have these chunks.
    rate_hz : int
        Its sample rate, in which bext counts.
    """
    try:
        with path.open("rb", buffering=0) as file:
            bext, ixml = _bodies(file)
    except OSError:
        return Stamp()
    origination = _origination(bext)
    for count, count_rate_hz in (_bext_count(bext), rate_hz), _ixml_count(ixml, rate_hz):
        start_s = _start_of_day_s(count, count_rate_hz, origination)
        if start_s is not None:
            return Stamp(start_s, origination)
    return Stamp(None, origination)


def _bodies(file: BinaryIO) -> tuple[bytes, bytes]:
    """The first bext and the first iXML chunk, as far as the file holds them."""
    found = {b"bext": b"", b"iXML": b""}
    if is_wave(file.read(12)):
        for chunk in wave_chunks(file):
            if found.get(chunk.kind) == b"":
                file.seek(chunk.start)
                found[chunk.kind] = file.read(min(chunk.size, _MOST_BYTES))
    return found[b"bext"], found[b"iXML"]


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


def _bext_count(bext: bytes) -> int | None:
    """Samples since midnight."""
    return int(struct.unpack("<Q", bext[_SAMPLES])[0]) if len(bext) >= _SAMPLES.stop else None


def _ixml_count(ixml: bytes, file_rate_hz: int) -> tuple[int | None, int]:
    """Samples since midnight, and the rate they are counted in."""
    # By its few tags, not as XML: recorders pad it, cut it, and write text in it that is not escaped.
    high, low = (_ixml_number(ixml, b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_" + word) for word in (b"HI", b"LO"))
    rate_hz = _ixml_number(ixml, b"TIMESTAMP_SAMPLE_RATE") or file_rate_hz
    if high is None or low is None or low >> 32:
        return None, rate_hz
    return (high << 32) + low, rate_hz


def _ixml_number(ixml: bytes, tag: bytes) -> int | None:
    found = {int(number) for number in re.findall(rb"<%b>\s*(\d{1,20})\s*</%b>" % (tag, tag), ixml)}
    return found.pop() if len(found) == 1 else None


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
