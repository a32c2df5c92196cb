"""What a clip of a day still needs, in a word, and what must be shot again.

Functions: status_of; shoot_again (why a clip, or its take, is of no use); worst_first.
"""

from collections.abc import Iterable
from enum import StrEnum

from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_files import MARKS, beside, is_there
from spatial.jobs.day.day_folder import DayClip


class ClipStatus(StrEnum):
    """What a clip needs; the worst first."""

    NO_TAKE = "no_take"
    FAULTY_TAKE = "faulty_take"
    """Its take, or the clip itself, is spoilt in a way that no work at the desk mends."""
    NEEDS_MARKS = "needs_marks"
    NEEDS_LOOK = "needs_look"
    READY = "ready"

    @property
    def words(self) -> str:
        """As people say it."""
        return {"no_take": "no take", "needs_look": "needs a look"}.get(self.value, self.value.replace("_", " "))


_ORDER = list(ClipStatus)

_SPOILT = frozenset(
    {
        *(Code.CLIPPING, Code.DEAD_CHANNEL, Code.GAIN_MISMATCH, Code.POLARITY, Code.DROPOUT, Code.HUM, Code.RUMBLE),
        *(Code.NOISE_FLOOR, Code.LEVEL, Code.BANDWIDTH, Code.TRUNCATED, Code.UNUSABLE_FILE, Code.NO_MATCH),
    }
)
"""Codes about the recordings themselves: where they are to be mended, only another recording mends them."""


def shoot_again(entry: DayClip) -> list[Finding]:
    """What makes a clip or its take useless, or leaves the clip without a take; nothing where all can be mended."""
    return [finding for finding in entry.findings if finding.severity is Severity.FIX and finding.code in _SPOILT]


def status_of(entry: DayClip) -> ClipStatus:
    """What a clip needs."""
    if entry.sync is not None and not entry.sync.estimate.matched:
        return ClipStatus.NO_TAKE
    if shoot_again(entry):
        return ClipStatus.FAULTY_TAKE
    if entry.conform is None and entry.sync is not None and not is_there(beside(entry.clip, MARKS)):
        return ClipStatus.NEEDS_MARKS
    if entry.conform is None or any(finding.severity is not Severity.NOTE for finding in entry.findings):
        return ClipStatus.NEEDS_LOOK
    return ClipStatus.READY


def worst_first(entries: Iterable[DayClip]) -> list[DayClip]:
    """Clips by what they need, otherwise in their order."""
    return sorted(entries, key=lambda entry: _ORDER.index(status_of(entry)))
