"""Which clip and which take of a folder are the newest, and what says so.

Method: a file is as new as the time at which it was last written. Boxes close a file at the end of its recording, so
two files of one box are written at least one recording apart. Where they are written closer together they were copied,
and the time of writing is that of the copying: then the times in their headers count, where all of them have one.
Functions: newest_clip, newest_take; still_growing (a file that changes while it is read).
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from spatial.conventions import FIRST_ORDER_CHANNELS
from spatial.errors import MediaFileError, SoundplumbError
from spatial.field import ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.inspect.channel_reading import settle
from spatial.media.movies.clip import Clip, open_clip
from spatial.media.takes.grouping import gather_takes
from spatial.media.takes.take import Take, open_any

WRITTEN, HEADER = "the time it was written", "the time in its header"
"""What a choice rests on."""

_LAST_COPIED = 40
"""Copied files whose headers are read, the last written first: a folder of 300 clips must not cost a minute."""

_SLACK_S = 2.0
"""Disks of cards count in steps of two seconds."""

_LOOK_AGAIN_S = 0.4
"""A copy that goes on adds to its file within this many seconds."""


@dataclass(frozen=True, slots=True)
class Newest:
    """Which file was chosen, and by what."""

    path: Path
    written_s: float
    """When it was last written, seconds since 1970."""
    by: str
    """WRITTEN or HEADER."""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Timed:
    path: Path
    written_s: float
    duration_s: float
    made: datetime | None
    """By its header."""


def newest_clip(paths: Sequence[Path]) -> tuple[Clip, Newest]:
    """The clip that was made last.

    Raises
    ------
    MediaFileError
        It cannot be read, or is still being written: the next one is not taken in its place.
    """
    ranked = _by_written(paths)
    first = _opened_clip(ranked[0])
    timed = [_clip_times(first)]
    for path in ranked[1:_LAST_COPIED]:
        if len(timed) == 1 and not _copied(timed[0], path):
            break
        try:
            timed.append(_clip_times(open_clip(path)))
        except SoundplumbError:
            continue  # an older one; whoever does the day will hear of it
    chosen = _chosen(timed, "clip")
    return (first if chosen.path == first.path else _opened_clip(chosen.path)), chosen


def newest_take(paths: Sequence[Path], read_as: ReadAs) -> tuple[Take, Newest]:
    """The ambisonic take that was made last, all its files together; recordings in one or two channels are passed over.

    Raises
    ------
    MediaFileError
        It cannot be read or is still being written, or there is none.
    """
    gathered = gather_takes(paths, channel_format=read_as)
    narrow = {path for path, _ in gathered.failures if _is_narrow(path, read_as)}
    written = {path: path.stat().st_mtime for path in paths}
    broken = [(path, error) for path, error in gathered.failures if path not in narrow]
    if not gathered.takes and not broken:
        raise MediaFileError(
            f"there is no ambisonic take among the {len(paths)} recordings: all have one or two channels"
        )
    last = max([written[path] for take in gathered.takes for path in take.paths], default=0.0)
    for path, error in broken:
        if written[path] >= last:
            raise _not_read("take", error)
    takes = {take.path: take for take in gathered.takes}
    timed = sorted(
        (
            _Timed(take.path, max(written[path] for path in take.paths), take.duration_s, _take_made(take))
            for take in gathered.takes
        ),
        key=lambda one: -one.written_s,
    )
    if len(timed) > 1 and not _copied(timed[0], timed[1].path, timed[1].written_s):
        timed = timed[:1]
    chosen = _chosen(timed[:_LAST_COPIED], "take")
    take = takes[chosen.path]
    for path in take.paths:
        _require_whole(path, "take")
    return settle(take)[0], chosen


def still_growing(path: Path) -> bool:
    """Whether a file gets longer while one looks at it."""
    before = path.stat()
    if time.time() - before.st_mtime > _SLACK_S + _LOOK_AGAIN_S:
        return False
    time.sleep(_LOOK_AGAIN_S)
    after = path.stat()
    return (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns)


def _opened_clip(path: Path) -> Clip:
    _require_whole(path, "clip")
    try:
        return open_clip(path)
    except SoundplumbError as error:
        raise _not_read("clip", error) from error


def _require_whole(path: Path, what: str) -> None:
    if still_growing(path):
        raise MediaFileError(
            f"{path.name} is the newest {what} and is still being written: wait until it is all there, then check again"
        )


def _not_read(what: str, error: SoundplumbError) -> MediaFileError:
    return MediaFileError(f"the newest {what} cannot be checked, and no older one is taken in its place: {error}")


def _by_written(paths: Sequence[Path]) -> list[Path]:
    return sorted(paths, key=lambda path: (-path.stat().st_mtime, path.name))


def _is_narrow(path: Path, read_as: ReadAs) -> bool:
    try:
        return open_any(path, channel_format=read_as).channels < FIRST_ORDER_CHANNELS
    except SoundplumbError:
        return False


def _clip_times(clip: Clip) -> _Timed:
    return _Timed(clip.path, clip.path.stat().st_mtime, clip.duration_s, _date(clip.created))


def _take_made(take: Take) -> datetime | None:
    return take.origination.replace(tzinfo=None) if take.origination else None


def _date(text: str | None) -> datetime | None:
    try:
        return datetime.fromisoformat(text or "").replace(tzinfo=None)
    except ValueError:
        return None


def _copied(last: _Timed, before: Path, written_s: float | None = None) -> bool:
    """Whether two files were written closer together than one box records them."""
    written_s = before.stat().st_mtime if written_s is None else written_s
    return last.written_s - written_s < last.duration_s - _SLACK_S


def _chosen(timed: Sequence[_Timed], what: str) -> Newest:
    """The newest of some: by its header where they were copied and all headers say when."""
    last = timed[0]
    made = [(one.made, one) for one in timed if one.made is not None]
    if len(timed) == 1:
        return Newest(last.path, last.written_s, WRITTEN)
    latest = max(made, key=lambda pair: pair[0])[1] if made else last
    if len(made) == len(timed) and len({when for when, _ in made}) > 1:
        return Newest(latest.path, latest.written_s, HEADER)
    doubt = Finding(
        Code.NEWEST_UNCLEAR,
        Severity.LOOK,
        f"{last.path.name} is taken for the newest {what} because it was written last, but {timed[1].path.name} was "
        "written at almost the same time, as copies are, and the files do not all say when they were recorded: make "
        f"sure that it is the {what} you mean, or name it with --{what}",
        last.path.name,
    )
    return Newest(last.path, last.written_s, WRITTEN, (doubt,))
