"""What came of a shoot day: of each clip, and of the folder as a whole.

Types: Status (where a clip stands), DayClip, DayResult.
Functions: worst_first.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from spatial.findings import Finding, Severity, is_bad
from spatial.jobs.conform.track_memory import ConformResult
from spatial.jobs.day.other_recordings import OtherRecording
from spatial.jobs.sync.sync_result import SyncResult


class Status(StrEnum):
    """Where a clip stands; each word is a promise to whoever reads the JSON. The worst first."""

    FAULTY_TAKE = "faulty_take"
    """Its take has a fault that spoils it."""
    NO_TAKE = "no_take"
    """No take belongs to it."""
    NEEDS_LOOK = "needs_look"
    """Something speaks against it, or it could not be done; its findings say what."""
    NEEDS_MARKS = "needs_marks"
    """Its take is known, and nothing tells how the microphone sat."""
    BEING_DONE = "being_done"
    """It is not there whole yet, or somebody else is at work on it."""
    READY = "ready"
    """Its track lies there, proved, and nothing speaks against it."""


@dataclass(frozen=True, slots=True, eq=False)
class DayClip:
    """One clip of a day, as far as it could be taken."""

    clip: Path
    sync: SyncResult | None
    conform: ConformResult | None
    findings: tuple[Finding, ...]
    page: Path | None = None
    """Its review page, where one was made."""
    remembered: bool = False
    """Nothing was measured: its track lies there, and all that it was made from is as it was then."""
    health: tuple[Finding, ...] = ()
    """What is wrong with its take; part of `findings` too."""
    needs_marks: bool = False
    """All that keeps it from being done is that nothing tells how the microphone sat."""
    no_take: bool = False
    """The crew says that no take belongs to it."""
    other_recordings: tuple[OtherRecording, ...] = ()
    """What the day's other microphones recorded of it."""
    busy: bool = False
    """It is not there whole yet, or somebody else is at work on it."""
    older: ConformResult | None = None
    """The answer of an older track that lies there and was left, where it can be read."""

    @property
    def status(self) -> Status:
        """Where it stands."""
        if self.busy:
            return Status.BEING_DONE
        if self.no_take or (self.sync is not None and not self.sync.estimate.matched):
            return Status.NO_TAKE
        if is_bad(self.health):
            return Status.FAULTY_TAKE
        if self.needs_marks:
            return Status.NEEDS_MARKS
        if self.conform is None or any(finding.severity is not Severity.NOTE for finding in self.findings):
            return Status.NEEDS_LOOK
        return Status.READY


@dataclass(frozen=True, slots=True, eq=False)
class DayResult:
    """A whole shoot day."""

    folder: Path
    clips: tuple[DayClip, ...]
    unused_takes: tuple[Path, ...]
    findings: tuple[Finding, ...]
    """About the day as a whole; each clip carries its own."""
    pages: Path | None = None
    """The page that leads to each clip's review page, where they were made."""
    unwritten: bool = False
    """Something was found that the shoot file could keep, and nobody asked for that."""
    results: Path | None = None
    """The folder under which tracks and pages lie, where that is not the day's own."""

    @property
    def results_folder(self) -> Path:
        """The folder under which tracks and pages lie."""
        return self.results or self.folder

    @property
    def decided(self) -> bool:
        """Whether anything could be told of any clip: its take, that it has none by the crew's word, or to wait."""
        return any(
            clip.busy or clip.no_take or (clip.sync is not None and clip.sync.estimate.matched) for clip in self.clips
        )

    @property
    def summary(self) -> dict[Status, int]:
        """How many clips stand where, the worst first; every status is there."""
        found = [clip.status for clip in self.clips]
        return {status: found.count(status) for status in Status}


def worst_first(clips: Iterable[DayClip]) -> list[DayClip]:
    """The clips that need somebody before those that do not; of one status, what must be mended first, then by name."""
    order = list(Status)
    return sorted(clips, key=lambda clip: (order.index(clip.status), not is_bad(clip.findings)))
