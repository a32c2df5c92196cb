"""What was handed over, and whether originals are as they were, as words and as JSON.

Functions: delivered_lines, with_delivered (to a day's JSON); originals_lines, originals_json.
"""

from collections import Counter

from spatial.jobs.handover.hand_over import Delivered
from spatial.jobs.handover.originals import OriginalsResult, OriginalState
from spatial.report.json_output import Json, findings_json
from spatial.report.words import findings_lines, table

_TOLD = {
    OriginalState.SAME: "as it was",
    OriginalState.CHANGED: "CHANGED",
    OriginalState.GONE: "GONE",
    OriginalState.UNREADABLE: "CANNOT BE READ",
    OriginalState.UNKNOWN: "not known from any track",
}


def delivered_lines(day: list[str], done: Delivered) -> list[str]:
    """The lines of a day, with where things lie before the last of them, which counts."""
    lines = []
    if done.timeline is not None:
        tracks = "no track" if not done.tracks else "1 track" if len(done.tracks) == 1 else f"{len(done.tracks)} tracks"
        lines.append(
            f"Handed over in {done.timeline.parent.absolute()}: {done.timeline.name}, {tracks}, day.csv and day.html."
        )
    if done.sheet is not None:
        lines.append(f"The day on one page, to print or to send: {done.sheet}; as a table: day.csv beside it.")
    return [*day[:-1], *findings_lines(done.findings), *lines, *day[-1:]]


def with_delivered(day: Json, done: Delivered) -> Json:
    """For `day`: its object, with what was handed over, and what kept more from it among the day's findings."""
    findings = day["findings"]
    assert isinstance(findings, list)
    return {
        **day,
        "findings": [*findings, *findings_json(done.findings)],
        "handover": None
        if done.timeline is None
        else {"timeline": str(done.timeline), "tracks": [str(track) for track in done.tracks]},
        "sheet": None if done.sheet is None else str(done.sheet),
    }


def originals_lines(result: OriginalsResult) -> list[str]:
    """A row for each clip and take, and how many are as they were."""
    rows = [[original.path.name, _TOLD[original.state], ", ".join(original.tracks)] for original in result.originals]
    count = Counter(original.state for original in result.originals)
    known = len(result.originals) - count[OriginalState.UNKNOWN]
    same = count[OriginalState.SAME]
    which = f"all {known}" if same == known else f"{same} of {known}"
    return [
        *table(["original", "is", "made into"], rows),
        "",
        f"Read again byte for byte: {which} are as they were when their tracks were made.",
        *findings_lines(result.findings),
    ]


def originals_json(result: OriginalsResult) -> Json:
    """For `day --check-originals`."""
    return {
        "folder": str(result.folder),
        "originals": [
            {
                "path": str(original.path),
                "state": original.state.value,
                "made_into": list(original.tracks),
                "bytes_then": original.bytes_then,
                "bytes_now": original.bytes_now,
                "now_called": original.now_called,
            }
            for original in result.originals
        ],
        "findings": findings_json(result.findings),
    }
