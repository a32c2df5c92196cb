"""The inspect job: what a recording is, and whether it is sound.

Functions: inspect_takes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spatial.errors import SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.inspect.channel_reading import ConventionEvidence, settle
from spatial.jobs.inspect.movie_words import movie_of
from spatial.jobs.inspect.take_health import HealthReport, check_many
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync.listen import require_usable, unusable
from spatial.media.movies.field_sound import MovieField
from spatial.media.takes.grouping import gather_takes
from spatial.media.takes.take import Take

_CODED = ("OPUS", "AAC", "AC3", "EAC3", "VORBIS", "MP3")
"""Lossy coders of a movie's sound."""


@dataclass(frozen=True, slots=True, eq=False)
class InspectResult:
    """One recording, looked through."""

    take: Take
    peak_dbfs: tuple[float, ...]
    """For W, Y, Z, X (capsules: in their own order), against what the file itself can hold."""
    rms_dbfs: tuple[float, ...]
    """For W, Y, Z, X, in the internal form (capsules: as recorded)."""
    findings: tuple[Finding, ...]
    convention: ConventionEvidence
    """Why its channels are read as they are."""
    quiet_dbfs: tuple[float, ...] = ()
    """RMS of a moment that nine in ten exceed: the noise floor, where there were rests. As rms_dbfs."""

    @property
    def movie(self) -> MovieField | None:
        """The movie that it lies in, with what that says of its picture and its sound; None for a recording."""
        return movie_of(self.take)


@dataclass(frozen=True, slots=True, eq=False)
class Unusable:
    """A file that is no recording to look through, beside others that are."""

    path: Path
    findings: tuple[Finding, ...]
    """What is in the way."""


def inspect_takes(
    paths: Sequence[Path], *, channel_format: ReadAs = ChannelFormat.AMBIX, progress: Progress = silent
) -> list[InspectResult | Unusable]:
    """Read takes through and say what they are and what is wrong with them; several files may make up one.

    Files that cannot be used come after those that can.

    Raises
    ------
    MediaFileError
        None of the files can be read as a first-order recording or part of one.
    """
    gathered = gather_takes(paths, channel_format=channel_format)
    failures = list(gathered.failures)
    settled = [settle(take) for take in gathered.takes]
    results: list[InspectResult | Unusable] = []
    for (take, evidence), report in zip(
        settled, check_many([take for take, _ in settled], progress=progress), strict=True
    ):
        if isinstance(report, SoundplumbError):
            failures.append((take.path, report))
        else:
            results.append(_result(take, evidence, report))
    broken = [Unusable(path, (unusable(path, error, Severity.FIX),)) for path, error in failures]
    require_usable(len(results), [finding for one in broken for finding in one.findings])
    return [*results, *broken]


def _result(take: Take, evidence: ConventionEvidence, report: HealthReport) -> InspectResult:
    # A movie's coder leaves out what lies above its band; nobody has a better file of it to be asked for.
    coded = take.subtype in _CODED
    health = [finding for finding in report.findings if not (coded and finding.code is Code.BANDWIDTH)]
    return InspectResult(
        take,
        report.peak_dbfs,
        report.rms_dbfs,
        (*take.findings, *health, *_left_out(take)),
        evidence,
        report.quiet_dbfs,
    )


def _left_out(take: Take) -> list[Finding]:
    if not take.left_out_channels or take.picked != (0, 1, 2, 3):
        return []
    name = take.path.name
    text = (
        f"{name} has {take.channels} channels: the first four are read as the first-order field, "
        f"{take.left_out_channels} are left out"
    )
    return [Finding(Code.CONVENTION_GUESS, Severity.NOTE, text, name)]
