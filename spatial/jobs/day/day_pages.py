"""Review pages for a whole day: one for each clip that has its take, and one that leads to them.

Functions: make_pages; require_place (whether they may go there).
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.errors import OutputError, SoundplumbError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_files import MARKS, MOVES, beside, is_there, result_names, rig_beside
from spatial.jobs.day.day_folder import in_doubt
from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.jobs.day.day_tracks import make_folder, with_page
from spatial.jobs.day.shoot_words import prior_of
from spatial.jobs.faults import as_fault
from spatial.jobs.progress import Progress, silent
from spatial.jobs.review.review_clip import ReviewResult, review_match
from spatial.jobs.rig import Rig
from spatial.jobs.track_request import TrackRequest
from spatial.media.output import whole_file
from spatial.media.output_folder import INDEX, is_whole, whole_folder
from spatial.media.ownership import Kind, may_be_written
from spatial.media.shoot_file import Shoot
from spatial.media.work_folders import clear_leftovers
from spatial.mount.prior import MountPrior

PAGES_FOLDER = "pages"
"""Where the pages go, inside the day's folder."""


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
    shoot: Shoot | None = None,
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
    shoot : Shoot, optional
        As for run_day.
    force : bool
        Replace pages that were there before; without it they are left as they are.

    Returns
    -------
    DayResult
        With the pages, and what kept others from being made: the day's work is done, and is told of without them too.

    Raises
    ------
    OutputError
        As require_place.
    """
    pages = day.results_folder / PAGES_FOLDER
    clear_leftovers(pages)
    try:
        with as_fault(f"the folder {PAGES_FOLDER}"):
            broken_off = _broken_off(pages)
    except SoundplumbError as error:
        return _without_pages(day, error)
    if pages.exists() and not force and not broken_off:
        kept = Finding(
            Code.ALREADY_THERE,
            Severity.LOOK,
            f"the folder {PAGES_FOLDER} was there before and has been left as it is: add --force to make it anew",
            PAGES_FOLDER,
        )
        return replace(day, findings=(*day.findings, kept))
    index = pages / INDEX
    require_place(day.results_folder)
    new = not pages.exists()
    try:
        make_folder(pages)
    except OutputError as error:
        return _without_pages(day, error)
    clips = [entry.clip for entry in day.clips]
    names = result_names(clips, taken=[INDEX])
    syncs = {entry.clip: entry.sync for entry in day.clips}
    try:
        done = []
        for entry in day.clips:
            doubts = [in_doubt(entry.clip, syncs, clips, what) is not None for what in (MARKS, MOVES)]
            told_prior = prior_of(entry.clip, prior, shoot or Shoot())
            told = _Told(rig_for(entry.clip), told_prior, repair, force, keep=broken_off, marks=not doubts[0])
            if doubts[1]:
                # Which clip's camera moved like that is not known, and a picture turned wrongly is worse than none.
                done.append(entry)
            else:
                done.append(_with_page(entry, pages / names[entry.clip], told, write, progress))
        paged = replace(day, clips=tuple(done), pages=index if any(entry.page for entry in done) else None)
        if paged.pages:
            try:
                with as_fault(INDEX), whole_file(index, Kind.PAGE, force=force) as temporary:
                    write.index(paged, temporary)
            except SoundplumbError as error:
                undone = Finding(Code.NOT_DONE, Severity.FIX, f"{PAGES_FOLDER}/{INDEX} is not made: {error}", INDEX)
                paged = replace(paged, findings=(*paged.findings, undone), pages=None)
    finally:
        if new:
            with suppress(OSError):
                pages.rmdir()
    return paged


def _without_pages(day: DayResult, error: SoundplumbError) -> DayResult:
    undone = Finding(Code.NOT_DONE, Severity.FIX, f"no pages could be made: {error}", PAGES_FOLDER)
    return replace(day, findings=(*day.findings, undone))


def require_place(folder: Path) -> None:
    """Raise where the pages of a day cannot go: to be asked before the day's work.

    Raises
    ------
    OutputError
        A file lies where their folder should be, or a page that we did not write where theirs should be.
    """
    pages = folder / PAGES_FOLDER
    index = pages / INDEX
    if pages.exists() and not pages.is_dir():
        raise OutputError(f"{pages} is a file, and the pages go into a folder of that name; move it elsewhere")
    may_be_written(index, Kind.PAGE, force=True)


def _broken_off(pages: Path) -> bool:
    """Whether a run was killed while it made the pages: there are some of ours, and nothing else, but no index yet."""
    return pages.is_dir() and not (pages / INDEX).exists() and all(is_whole(page) for page in pages.iterdir())


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """What a clip's page is told beside its match."""

    rig: Rig
    prior: MountPrior | None
    repair: bool
    force: bool
    keep: bool
    """Pages that a run made before it was killed are as good as new."""
    marks: bool
    """Whether the marks beside the clip are surely its own."""


def _with_page(entry: DayClip, folder: Path, told: _Told, write: PageWriter, progress: Progress) -> DayClip:
    if entry.sync is None or not entry.sync.estimate.matched:
        return entry
    marks = beside(entry.clip, MARKS)
    if told.keep and is_whole(folder):
        return with_page(entry, folder / INDEX)
    try:
        with as_fault(f"the page of {entry.clip.name}"), whole_folder(folder, force=told.force) as made:
            asked = TrackRequest(
                marks if told.marks and is_there(marks) else None,
                rig=rig_beside(entry.clip, told.rig),
                prior=told.prior,
                repair=told.repair,
            )
            result = review_match(
                *(entry.sync, made, asked),
                oriented=entry.conform.orient if entry.conform else None,
                progress=lambda step, part: progress(f"page of {entry.clip.name}: {step}", part),
            )
            write.clip(result, made)
    except SoundplumbError as error:
        # The track is good all the same.
        undone = Finding(Code.NOT_DONE, Severity.FIX, f"no page could be made: {error}", entry.clip.name)
        return replace(entry, findings=(*entry.findings, undone))
    return with_page(entry, folder / INDEX)
