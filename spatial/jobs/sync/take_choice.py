"""What the choice between takes is made of: what is possible, who decided, and what became of it.

Types: Possibility, DecidedBy, Pairing, Choice.
Functions: serious (doubts that are no mere notes).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from spatial.findings import Finding, Severity
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw


@dataclass(frozen=True, slots=True)
class Possibility:
    """One way in which clip and take may belong together."""

    take: Take
    law: ClockLaw
    """From clip time."""
    share: float
    """Its probability, if it is one of those named."""
    estimate: SyncEstimate | None = None
    """The match there; None where its take has several places, or the two contradict each other there."""


class DecidedBy(Enum):
    """What the answer rests on."""

    SOUND = "sound"
    CLOCKS = "clocks"
    """The sound alone is doubtful; the boxes' own clocks say yes."""
    CREW = "crew"
    """The sound alone is doubtful; the crew says that they were filmed together."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """That a clip and a take were filmed together, and who says so."""

    by: DecidedBy = DecidedBy.CREW
    offset_s: float | None = None
    """Where in the take, if that was decided before: take time minus clip time at the clip's start."""
    finding: Finding | None = None
    """The finding on that decision; it stands in place of the doubt."""


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """What became of the takes that were tried."""

    take: Take
    estimate: SyncEstimate
    findings: tuple[Finding, ...]
    possibilities: tuple[Possibility, ...] = ()
    """Likeliest first; more than one where it cannot be decided."""
    decided_by: DecidedBy = DecidedBy.SOUND
    alignment: SyncEstimate | None = None
    """Where no answer is given although the two align: the estimate there."""
    riding: tuple[Take, ClockLaw, float | None] | None = None
    """A take and a law from the time of the clip's samples, and by how much the camera's gain rides along them, dB."""
    doubts: tuple[Finding, ...] = ()
    """Those of the findings that doubt that clip and take belong together there, a note of little sound too."""

    def without_doubts(self) -> tuple[Finding, ...]:
        """Its findings but for doubts that ask somebody to look: what does not doubt the place is as true as before."""
        doubts = serious(self.doubts)
        return tuple(finding for finding in self.findings if finding not in doubts)


def serious(doubts: Sequence[Finding]) -> tuple[Finding, ...]:
    """Doubts that ask somebody to look; the others are for whoever reads on."""
    return tuple(doubt for doubt in doubts if doubt.severity is not Severity.NOTE)
