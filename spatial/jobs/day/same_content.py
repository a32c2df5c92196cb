"""Files of a day that hold the same, files that change while they are read, and clips that show the same moments.

Functions: without_copies (a card that was copied twice is done once); Watch (what changes between two reads);
overlapping_findings (several cameras on one scene).
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from spatial.findings import Code, Finding, Severity
from spatial.jobs.sync.sync_result import SyncResult

_SHARED_S = 1.0
"""Clips that share less than this follow each other."""

_GLANCE_BYTES = 1 << 16
"""What two files of one length must share at their start and at their end before they are read through."""


def without_copies(
    files: Sequence[Path], digest: Callable[[Path], str], *, kept: Callable[[Path], bool]
) -> tuple[list[Path], list[Finding]]:
    """The files without those that hold the same as another, and a finding for each of these.

    Only files of one length that begin and end alike are read through.

    Parameters
    ----------
    files : sequence of Path
    digest : callable
        SHA-256 of a file.
    kept : callable
        Whether something else lies there for a file, as marks do: of several copies it is the one that is used; else
        that which was written first, or has the shorter name.
    """
    alike: dict[tuple[int, bytes], list[Path]] = defaultdict(list)
    for file in files:
        with suppress(OSError):
            alike[_glance(file)].append(file)
    copies: dict[Path, Path] = {}
    for group in alike.values():
        if len(group) < 2:
            continue
        same: dict[str, list[Path]] = defaultdict(list)
        for file in group:
            with suppress(OSError):
                same[digest(file)].append(file)
        for equal in same.values():
            used = min(equal, key=lambda file: (not kept(file), file.stat().st_mtime, len(file.name), file.name))
            # Where more than one has marks of its own somebody means both.
            copies.update({file: used for file in equal if file != used and not kept(file)})
    findings = [
        Finding(
            Code.DUPLICATE,
            Severity.NOTE,
            f"{copy.name} holds the same as {used.name}, and is left out: the day is done once",
            copy.name,
        )
        for copy, used in copies.items()
    ]
    return [file for file in files if file not in copies], findings


def _glance(file: Path) -> tuple[int, bytes]:
    with file.open("rb") as opened:
        size = opened.seek(0, 2)
        opened.seek(0)
        first = opened.read(_GLANCE_BYTES)
        opened.seek(max(0, size - _GLANCE_BYTES))
        return size, first + opened.read(_GLANCE_BYTES)


@dataclass(frozen=True, slots=True)
class Watch:
    """How long files were, and when they were written, at a first look."""

    seen: Mapping[Path, tuple[int, int]]

    @classmethod
    def over(cls, files: Iterable[Path]) -> "Watch":
        """Look at files for the first time."""
        return cls({file: about for file in files if (about := _about(file)) is not None})

    def changed(self) -> list[Finding]:
        """A finding for each that is another now: it was being copied or recorded while it was read."""
        findings = []
        for file, before in self.seen.items():
            now = _about(file)
            if now == before:
                continue
            how = "is gone" if now is None else "grew" if now[0] > before[0] else "changed"
            todo = "put it back" if now is None else "what is said of it rests on a part of it: wait until it is whole"
            findings.append(
                Finding(
                    Code.CHANGED_WHILE_READ,
                    Severity.FIX,
                    f"{file.name} {how} while the day was done, as a file does that is still being copied; {todo}, and "
                    "do the day again",
                    file.name,
                )
            )
        return findings


def _about(file: Path) -> tuple[int, int] | None:
    try:
        about = file.stat()
    except OSError:
        return None
    return about.st_size, about.st_mtime_ns


def overlapping_findings(results: Sequence[SyncResult]) -> list[Finding]:
    """That clips show the same moments, as those of several cameras on one scene do."""
    findings = []
    for one, other in combinations([result for result in results if result.estimate.matched], 2):
        if one.take.paths != other.take.paths:
            continue
        begins = [result.law.take_from_clip(0.0) for result in (one, other)]
        ends = [result.law.take_from_clip(result.clip.duration_s) for result in (one, other)]
        shared_s = min(ends) - max(begins)
        if shared_s < _SHARED_S:
            continue
        first, second = (one, other) if begins[0] <= begins[1] else (other, one)
        later_s = max(begins) - min(begins)
        findings.append(
            Finding(
                Code.OVERLAPPING_CLIPS,
                Severity.NOTE,
                f"{first.clip.path.name} and {second.clip.path.name} show the same {shared_s:.1f} s of "
                f"{one.take.path.name}: {second.clip.path.name} begins {later_s:.3f} s after {first.clip.path.name}",
                second.clip.path.name,
            )
        )
    return findings
