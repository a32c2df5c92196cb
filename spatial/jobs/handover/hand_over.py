"""The handover of a day: one folder with a timeline, the tracks by names of their own, a table and a page.

Goal: an editor opens the timeline, and every picture has its sound; nothing in the folder is older than the originals
it was made from.
Method: tracks are copied, and each copy is held against the seal inside it. Clips and takes stay where they are;
the timeline names them by their way from the folder. A folder belongs to one day: another day's is not replaced.
Functions: require_places (to be asked before the day's work); deliver.
"""

import json
import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from spatial.errors import OutputError, SoundplumbError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_folder import TRACKS_FOLDER
from spatial.jobs.day.day_pages import PAGES_FOLDER
from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.jobs.faults import as_fault
from spatial.jobs.handover.day_timeline import day_lanes
from spatial.jobs.handover.track_names import NamePattern, distinct
from spatial.jobs.progress import Progress, silent
from spatial.media.cache import FeatureCache
from spatial.media.intake import read_input
from spatial.media.output_folder import FolderKind, holds, may_be_made, whole_folder
from spatial.media.ownership import Kind, is_one_of, is_ours
from spatial.media.timeline_file import METADATA_NAME, timeline_text
from spatial.media.track_files import cut_from, tracks_of_others
from spatial.version import __version__

HANDOVER_FOLDER, SHEET_FOLDER = "handover", "sheet"
"""Where they go in the folder of the results, unless said otherwise."""

TIMELINE, TABLE, PAGE = "day.otio", "day.csv", "day.html"

_MOST_BYTES = 200_000_000
"""A timeline of a day has some hundred kilobytes."""


@dataclass(frozen=True, slots=True)
class DayWriters:
    """What turns a day into a table and a page, for a folder in which they are going to lie."""

    table: Callable[[DayResult, Callable[[DayClip], str]], str]
    """The text of a table; told what a clip's track is called there."""
    page: Callable[[DayResult, Path, Progress], str]
    """The text of a page; told where it is going to lie."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of a day beside its tracks."""

    handover: Path | None = None
    """The folder to hand over; None where that was not asked for."""
    names: NamePattern = field(default_factory=NamePattern)
    sheet: Path | None = None
    """The folder of the sheet alone."""
    inputs: tuple[Path, ...] = ()
    """Files that are read, beside clips and takes: never written over, under whatever name."""
    results: Path | None = None
    """The folder in which the day's tracks, pages and sheet lie: none of these is one for a handover."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """What was written, and what kept more from being written: the day's work is done all the same."""

    timeline: Path | None = None
    tracks: tuple[Path, ...] = ()
    sheet: Path | None = None
    """Its page."""
    findings: tuple[Finding, ...] = ()


def require_places(wanted: Wanted, *, force: bool) -> None:
    """Raise where a handover or a sheet cannot go: to be asked before the day's work.

    One of ours that lies there, and is not to be replaced, is no reason to leave the day undone: see deliver.

    Raises
    ------
    OutputError
        As whole_folder does before anything is written; the handover was to go into a folder of the day's own results.
    """
    if wanted.handover is not None and wanted.results is not None:
        own = [wanted.results, *(wanted.results / name for name in (TRACKS_FOLDER, PAGES_FOLDER, SHEET_FOLDER))]
        if is_one_of(wanted.handover, own) is not None:
            raise OutputError(
                f"{wanted.handover} is where the day itself lies, or where its tracks, its pages or its sheet go, so "
                f"no handover goes there; name another folder, such as {wanted.results / HANDOVER_FOLDER}"
            )
    for folder, kind in ((wanted.handover, FolderKind.HANDOVER), (wanted.sheet, FolderKind.SHEET)):
        if folder is not None and (force or not holds(folder, kind)):
            may_be_made(folder, kind=kind, force=force, inputs=wanted.inputs)


def deliver(
    day: DayResult, wanted: Wanted, write: DayWriters, *, force: bool = False, progress: Progress = silent
) -> Delivered:
    """Write what is wanted, each folder whole or not at all.

    Parameters
    ----------
    day : DayResult
    wanted : Wanted
    write : DayWriters
    force : bool
        Replace an older handover of this day, and an older sheet; without it they are left as they are, and that is
        said.
    """
    done = Delivered()
    if wanted.handover is not None:
        try:
            with as_fault(wanted.handover.name):
                done = _handed_over(day, wanted, wanted.handover, write, force=force, progress=progress)
        except SoundplumbError as error:
            message = f"the day could not be handed over: {error}"
            done = Delivered(findings=(Finding(Code.NOT_DONE, Severity.FIX, message, wanted.handover.name),))
    if wanted.sheet is not None and _is_left(wanted.sheet, FolderKind.SHEET, force=force):
        done = replace(done, findings=(*done.findings, _left(wanted.sheet)))
    elif wanted.sheet is not None:
        try:
            with as_fault(wanted.sheet.name), whole_folder(wanted.sheet, kind=FolderKind.SHEET, force=force) as made:
                outputs = [entry.conform.output for entry in day.clips if entry.conform is not None]
                called = {output: output.name for output in outputs}
                _write_sheet(day, made, wanted.sheet, write, called, progress)
            done = replace(done, sheet=wanted.sheet / PAGE)
        except SoundplumbError as error:
            undone = Finding(Code.NOT_DONE, Severity.FIX, f"the sheet could not be written: {error}", wanted.sheet.name)
            done = replace(done, findings=(*done.findings, undone))
    return done


def _handed_over(
    day: DayResult, wanted: Wanted, folder: Path, write: DayWriters, *, force: bool, progress: Progress
) -> Delivered:
    cache = FeatureCache()
    clips = {entry.clip: cache.digest(entry.clip) for entry in day.clips if entry.sync is not None}
    _require_same_day(folder, set(clips.values()))
    if _is_left(folder, FolderKind.HANDOVER, force=force):
        return Delivered(findings=(_left(folder),))
    title = day.folder.resolve().name
    called = _names(day.clips, title, wanted.names)

    def place(result: Path) -> Path | None:
        return folder / called[result] if result in called else None

    with whole_folder(folder, kind=FolderKind.HANDOVER, force=force, inputs=wanted.inputs) as made:
        for number, (result, name) in enumerate(called.items()):
            progress(f"handing over {name}", number / len(called))
            _copy(result, made / name)
        lanes = day_lanes(day.clips, place=place, digest=cache.digest)
        facts = {"version": __version__, "day": title, "clip_sha256": sorted(clips.values())}
        text = timeline_text(title, lanes, folder=folder, facts=facts)
        (made / TIMELINE).write_text(text, encoding="utf-8", newline="\n")
        _write_sheet(day, made, folder, write, called, progress)
    missing = [entry for entry in day.clips if entry.conform is None]
    tracks = tuple(folder / name for name in called.values())
    own = (wanted.results or day.folder) / TRACKS_FOLDER
    findings = [*([_without_track(missing)] if missing else []), *_orphans(own, called, day.folder)]
    return Delivered(folder / TIMELINE, tracks, findings=tuple(findings))


def _orphans(tracks: Path, called: Iterable[Path], folder: Path) -> list[Finding]:
    """Tracks that were cut from other recordings once, and are not handed over now."""
    handed = {track.name for track in called}
    found = []
    for track in tracks_of_others(tracks):
        parent = cut_from(track)
        if parent is None or track.name in handed:
            continue
        why = "belongs to its clip no more, or is another file now" if (folder / parent.name).exists() else "is gone"
        message = (
            f"{tracks.name}/{track.name} is not handed over: {parent.name}, from which it was made, {why}; bring that "
            "back as it was and run day again, or take the track away"
        )
        found.append(Finding(Code.NOT_DONE, Severity.LOOK, message, track.name))
    return found


def _is_left(folder: Path, kind: FolderKind, *, force: bool) -> bool:
    """Whether one that was made before lies in a folder, and is not to be replaced."""
    return not force and holds(folder, kind)


def _left(folder: Path) -> Finding:
    message = (
        f"{folder} was there before and has been left as it is, so it may be older than the day: type the line again "
        "with --force to make it anew, or move it elsewhere"
    )
    return Finding(Code.ALREADY_THERE, Severity.LOOK, message, folder.name)


def _names(entries: Sequence[DayClip], day: str, pattern: NamePattern) -> dict[Path, str]:
    """What each track, and each other recording that was cut to a clip, is called in the handover."""
    done = [entry for entry in entries if entry.conform is not None]
    others = [(entry, other) for entry in done for other in entry.other_recordings if other.output is not None]
    wanted = [*pattern.names(done, day), *(f"{entry.clip.stem}_{other.path.stem}.wav" for entry, other in others)]
    results = [
        *(entry.conform.output for entry in done if entry.conform is not None),
        *(other.output for _, other in others if other.output is not None),
    ]
    return dict(zip(results, distinct(wanted, taken=[TIMELINE, TABLE, PAGE]), strict=True))


def _write_sheet(
    day: DayResult, made: Path, folder: Path, write: DayWriters, called: dict[Path, str], progress: Progress
) -> None:
    table = write.table(day, lambda entry: called.get(entry.conform.output, "") if entry.conform else "")
    (made / TABLE).write_text(table, encoding="utf-8", errors="backslashreplace", newline="\n")
    page = write.page(day, folder, progress)
    (made / PAGE).write_text(page, encoding="utf-8", errors="backslashreplace", newline="\n")


def _copy(track: Path, target: Path) -> None:
    """Copy a track, and hold the copy against the seal inside it.

    Raises
    ------
    OutputError
        It is not what was made.
    """
    shutil.copyfile(track, target)
    if not is_ours(target, Kind.TRACK):
        raise OutputError(
            f"{track.name} is not just as it was made, or could not be read back from the disk as it was, so nothing "
            "is handed over; run day again with --force"
        )


def _require_same_day(folder: Path, clips: set[str]) -> None:
    """Refuse the folder of another day: two days are never mixed, and neither is replaced by the other.

    Raises
    ------
    OutputError
    """
    told = _told(folder / TIMELINE)
    theirs = set(told.get("clip_sha256") or ())
    if theirs and clips and theirs.isdisjoint(clips):
        raise OutputError(
            f"{folder} holds the handover of another day ({told.get('day')}), and none of its clips is one of these; "
            "name another folder"
        )


def _told(timeline: Path) -> dict[str, Any]:
    """What a timeline says of its day; nothing where there is none, or it is not ours."""
    if not timeline.is_file():
        return {}
    try:
        facts = json.loads(read_input(timeline, "timeline", most_bytes=_MOST_BYTES))["metadata"][METADATA_NAME]
    except (SoundplumbError, ValueError, LookupError, TypeError, RecursionError):
        return {}
    return facts if isinstance(facts, dict) else {}


def _without_track(missing: Sequence[DayClip]) -> Finding:
    names = [entry.clip.name for entry in missing]
    shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    message = (
        f"{len(names)} of the clips {'has' if len(names) == 1 else 'have'} no track to hand over ({shown}): in the "
        "timeline they have their raw take alone, or nothing"
    )
    return Finding(Code.NOT_DONE, Severity.LOOK, message)
