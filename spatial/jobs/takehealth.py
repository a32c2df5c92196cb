"""What is wrong with a take, as far as a clip needs it, each with its moment in the clip.

Functions: health_on_clip; health_on_clips (of a day, each take read once).
"""

from collections.abc import Sequence
from dataclasses import replace

from spatial.errors import SoundplumbError
from spatial.findings import Finding, Severity
from spatial.jobs.faults import as_fault
from spatial.jobs.health import HealthReport, check_health, check_many
from spatial.jobs.health_findings import health_findings
from spatial.jobs.listening import unusable
from spatial.jobs.progress import Progress, silent
from spatial.jobs.syncresult import SyncResult


def health_on_clip(result: SyncResult, *, progress: Progress = silent) -> list[Finding]:
    """Look a clip's take through, as `inspect` does; losses and cuts elsewhere in it are left out.

    Parameters
    ----------
    result : SyncResult
        A match.

    Returns
    -------
    list of Finding
        Their sentences name times in the take, `clip_time_s` the same moment in the clip.
    """
    return _on_clip(result, check_health(result.take, progress=progress))


def health_on_clips(results: Sequence[SyncResult], *, progress: Progress = silent) -> list[list[Finding]]:
    """Look the takes of several clips through, each once, however many clips lie in it.

    Parameters
    ----------
    results : sequence of SyncResult
        Matches.

    Returns
    -------
    list of list of Finding
        As of health_on_clip, for each clip; of a take that cannot be read to its end, that.
    """
    takes = {result.take.paths: result.take for result in results}
    reports = dict(zip(takes, check_many(list(takes.values()), progress=progress), strict=True))
    found = []
    for result in results:
        report = reports[result.take.paths]
        if isinstance(report, SoundplumbError):
            found.append([unusable(result.take.path, report, Severity.FIX)])
            continue
        try:
            with as_fault(result.take.path.name):
                found.append(_on_clip(result, report))
        except SoundplumbError as error:
            found.append([unusable(result.take.path, error, Severity.FIX)])
    return found


def _on_clip(result: SyncResult, report: HealthReport) -> list[Finding]:
    take, law = result.take, result.law
    first, last = (law.take_from_clip(time_s) * take.rate_hz for time_s in (0.0, result.clip.duration_s))
    health = report.health
    here = replace(
        health,
        # Of what is cut off only the first place is known: where that comes after the clip, none lies in it.
        clippings=tuple(one for one in health.clippings if one.first < last),
        holes=tuple(one for one in health.holes if first - one.length <= one.start < last),
        repeats=tuple(one for one in health.repeats if first <= one.start < last),
        clicks=tuple(one for one in health.clicks if first <= one.sample < last),
    )
    found = []
    for finding in health_findings(here, report.names, take.path.name, height_in=report.height_in):
        take_s = finding.take_time_s
        clip_s = None if take_s is None else law.clip_from_take(take_s)
        inside = clip_s is not None and 0.0 <= clip_s <= result.clip.duration_s
        found.append(replace(finding, clip_time_s=clip_s if inside else None))
    return found
