"""What the tool has to say beside its numbers: one plain sentence each, with how grave it is.

Functions: is_bad (whether any finding must be mended before the work is used); written_out (a finding for JSON).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How grave a finding is."""

    NOTE = "note"
    """Good to know."""
    LOOK = "look"
    """Look at it before you go on."""
    FIX = "fix"
    """Mend it: the answer is bad."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found."""

    code: str
    severity: Severity
    message: str
    """What, how much, and what to do, in one sentence."""
    where: str = ""
    """The file, mark or time it is about."""
    clip_time_s: float | None = None
    """The moment of the clip that it is about; None where it is about all of it, or there is no clip."""
    take_time_s: float | None = None
    """The moment of the take that it is about, the first where there are many; None where it is about all of it."""


def written_out(finding: Finding) -> dict[str, str]:
    """A finding as every JSON of ours holds it."""
    return {
        "code": finding.code,
        "severity": finding.severity,
        "message": finding.message,
        "where": finding.where,
    }


def is_bad(findings: Iterable[Finding]) -> bool:
    """Whether any finding is of severity "fix"."""
    return any(finding.severity is Severity.FIX for finding in findings)
