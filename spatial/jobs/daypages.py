"""Review pages for a whole day: one for each clip that has its take, and one that leads to them.

Functions: make_pages.
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.analysis.mountprior import MountPrior
from spatial.errors import OutputError, SoundplumbError
from spatial.findings import Finding, Severity
from spatial.jobs.day import DayClip, DayResult, make_folder, marks_beside, result_name, rig_beside
from spatial.jobs.marks import Rig
from spatial.jobs.progress import Progress, silent
from spatial.jobs.review import ReviewResult, review_match
from spatial.media.folders import whole_folder
from spatial.media.writing import whole_file

PAGES_FOLDER = "pages"
"""Where the pages go, inside the day's folder."""

INDEX = "index.html"
OUR_MARK = '<meta name="generator" content="soundplumb '
"""What an index that we wrote holds."""


@dataclass(frozen=True, slots=True)
class PageWriter:
    """What turns results into pages."""

    clip: Callable[[ReviewResult, Path], None]
    """Writes a clip's page into a folder that holds its movie and sounds."""
    index: Callable[[DayResult, Path], None]
    """Writes the page that leads to the others into a file."""


def make_pages(
    day: DayResult,
    write: PageWriter,
    *,
    rig_for: Callable[[Path], Rig],
    prior: MountPrior | None = None,
    repair: bool = False,
    force: bool = False,
    progress: Progress = silent,
) -> DayResult:
    """Make a page for each clip that has its take, conformed or not.

    Parameters
    ----------
    day : DayResult
    write : PageWriter
    rig_for : callable
        The rig of each clip, with its picture's layout.
    force : bool
        Replace pages that were there before; without it they are left as they are.

    Returns
    -------
    DayResult
        With the pages, and what kept others from being made.

    Raises
    ------
    OutputError
        The folder of pages cannot be written.
    """
    pages = day.folder / PAGES_FOLDER
    if pages.exists() and not force:
        kept = Finding(
            "undetermined",
            Severity.LOOK,
            f"the folder {PAGES_FOLDER} was there before and has been left as it is: add --force to make it anew",
            PAGES_FOLDER,
        )
        return replace(day, findings=(*day.findings, kept))
    index = pages / INDEX
    _require_ours(index)
    new = not pages.exists()
    make_folder(pages)
    clips = [entry.clip for entry in day.clips]
    try:
        done = []
        for entry in day.clips:
            name = result_name(entry.clip, clips)
            if name == INDEX:
                # That is the page which leads to the others.
                name = entry.clip.name
            told = _Told(rig_for(entry.clip), prior, repair, force)
            done.append(_with_page(entry, pages / name, told, write, progress))
        paged = replace(day, clips=tuple(done), pages=index if any(entry.page for entry in done) else None)
        if paged.pages:
            with whole_file(index, force=force) as temporary:
                write.index(paged, temporary)
    finally:
        if new:
            with suppress(OSError):
                pages.rmdir()
    return paged


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """What a clip's page is told beside its match."""

    rig: Rig
    prior: MountPrior | None
    repair: bool
    force: bool


def _with_page(entry: DayClip, folder: Path, told: _Told, write: PageWriter, progress: Progress) -> DayClip:
    if entry.sync is None or not entry.sync.estimate.matched:
        return entry
    marks = marks_beside(entry.clip)
    try:
        with whole_folder(folder, force=told.force) as made:
            result = review_match(
                entry.sync,
                made,
                marks_path=marks if marks.exists() else None,
                oriented=entry.conform.orient if entry.conform else None,
                rig=rig_beside(entry.clip, told.rig),
                prior=told.prior,
                repair=told.repair,
                progress=lambda step, part: progress(f"page of {entry.clip.name}: {step}", part),
            )
            write.clip(result, made)
    except SoundplumbError as error:
        # The track is good all the same.
        undone = Finding("undetermined", Severity.FIX, f"no page could be made: {error}", entry.clip.name)
        return replace(entry, findings=(*entry.findings, undone))
    return replace(entry, page=folder / INDEX)


def _require_ours(index: Path) -> None:
    """Raise where the page that is to be replaced is somebody else's."""
    if index.exists() and OUR_MARK not in index.read_text(encoding="utf-8", errors="replace"):
        raise OutputError(
            f"{index} is not a page that soundplumb wrote, so it is not replaced even with --force; move it elsewhere"
        )
