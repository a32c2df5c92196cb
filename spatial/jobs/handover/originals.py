"""Whether a day's clips and takes are still what its tracks were made from.

Goal: before a card is cleared, or after a disk was copied, know that every original is what it was, byte for byte.
Method: each track's sidecar holds the digests of its clip and take as they were; a track that was cut from another
recording, such as a lavalier, holds that recording's inside it. The files are read through again; what
the cache remembers of them is not asked, for a disk that fails changes no date.
Functions: check_originals.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from spatial.errors import MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_files import others_of_day
from spatial.jobs.day.day_folder import TRACKS_FOLDER
from spatial.jobs.progress import Progress, silent
from spatial.media.ownership import Kind, digest_of, is_ours, portable_name
from spatial.media.track_files import cut_from, sidecar_facts, tracks_of_others


class OriginalState(StrEnum):
    """What has become of an original since its track was made."""

    SAME = "same"
    CHANGED = "changed"
    GONE = "gone"
    UNREADABLE = "unreadable"
    UNKNOWN = "unknown"
    """No track was made from it, so nobody knows what it was."""


@dataclass(frozen=True, slots=True)
class Original:
    """A clip, a take or another recording."""

    path: Path
    state: OriginalState
    tracks: tuple[str, ...] = ()
    """Names of the tracks that were made from it."""
    bytes_then: int | None = None
    bytes_now: int | None = None
    now_called: str | None = None
    """Of one that is gone: the file that has its content now."""


@dataclass(frozen=True, slots=True)
class OriginalsResult:
    """All originals of a day."""

    folder: Path
    originals: tuple[Original, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Then:
    """An original as it was when a track was made."""

    sha256: str
    size: int
    track: str


def check_originals(folder: Path, results: Path | None = None, *, progress: Progress = silent) -> OriginalsResult:
    """Read every clip and take again, and hold it against what its tracks were made from.

    Parameters
    ----------
    folder : Path
        Where clips and takes lie.
    results : Path, optional
        Where the day's tracks lie, if not there.

    Raises
    ------
    MediaFileError
        No such folder, or no track in it that says what it was made from.
    """
    if not folder.is_dir():
        raise MediaFileError(f"{folder} is not a folder; name the one that holds the day's clips and takes")
    tracks = (results or folder) / TRACKS_FOLDER
    known, findings = _known(tracks)
    if not known and not findings:
        raise MediaFileError(
            f"no track lies in {tracks}, so nothing tells what the originals were: make the tracks first, and check "
            "the originals whenever you have copied them"
        )
    there = [folder / name for name in others_of_day(folder, ())]
    names = sorted({*known, *(path.name for path in there)})
    sizes = {path: path.stat().st_size for path in there}
    whole = max(1, sum(sizes.values()))
    done = 0
    originals = []
    for name in names:
        path = folder / name
        originals.append(_looked_at(path, known.get(name, []), sizes))
        done += sizes.get(path, 0)
        progress(f"reading {name} again", done / whole)
    findings += [said for original in originals if (said := _finding(original)) is not None]
    silent_tracks = [track for track in tracks_of_others(tracks) if cut_from(track) is None]
    findings += [_without_parent(track) for track in silent_tracks]
    unknown = [
        original.path.name
        for original in originals
        if original.state is OriginalState.UNKNOWN and not _may_be_of(original.path, silent_tracks)
    ]
    if unknown:
        findings.append(_unknown(unknown))
    return OriginalsResult(folder, tuple(originals), tuple(findings))


def _known(tracks: Path) -> tuple[dict[str, list[_Then]], list[Finding]]:
    """By name, what clips and takes were when tracks were made from them; what is wrong with sidecars."""
    known: dict[str, list[_Then]] = {}
    findings = []
    for sidecar in sorted(tracks.glob("*.json")) if tracks.is_dir() else []:
        track = sidecar.with_suffix(".wav")
        facts = sidecar_facts(track)
        if facts is None or not is_ours(sidecar, Kind.SIDECAR):
            message = (
                f"{tracks.name}/{sidecar.name} is not just as soundplumb wrote it, so what it says of originals is not "
                "believed"
            )
            findings.append(Finding(Code.ORIGINAL, Severity.LOOK, message, sidecar.name))
            continue
        for name, then in _inputs(facts, track.name):
            known.setdefault(name, []).append(then)
    for track in tracks_of_others(tracks):
        parent = cut_from(track)
        if parent is None:
            continue
        if not is_ours(track, Kind.TRACK):
            message = (
                f"{tracks.name}/{track.name} is not just as soundplumb wrote it, so what it says of originals is not "
                "believed"
            )
            findings.append(Finding(Code.ORIGINAL, Severity.LOOK, message, track.name))
            continue
        known.setdefault(parent.name, []).append(_Then(parent.sha256, parent.size, track.name))
    return known, findings


def _without_parent(track: Path) -> Finding:
    """That a track does not say what it was cut from: those of an early version do not."""
    message = (
        f"{track.parent.name}/{track.name} does not say what it was made from, as tracks of early versions and of runs "
        "that were killed do not, so its original was not checked: move it elsewhere and run day again"
    )
    return Finding(Code.ORIGINAL, Severity.NOTE, message, track.name)


def _may_be_of(original: Path, tracks: Iterable[Path]) -> bool:
    """Whether tracks that say nothing may have been cut from a recording, by their names."""
    return any(track.stem.endswith(f".{portable_name(original.stem)}") for track in tracks)


def _inputs(facts: dict[str, Any], track: str) -> Iterator[tuple[str, _Then]]:
    """Clip and take of a track: marks and moves are written by hand, and may well have changed."""
    originals = {Path(facts["clip"]["path"]).name, *(Path(path).name for path in facts["take"]["files"])}
    for told in facts["inputs"]:
        name = Path(told["path"]).name
        if name in originals:
            yield name, _Then(told["sha256"], told["bytes"], track)


def _looked_at(path: Path, then: list[_Then], sizes: dict[Path, int]) -> Original:
    if not then:
        return Original(path, OriginalState.UNKNOWN, bytes_now=sizes.get(path))
    tracks, size = tuple(one.track for one in then), then[0].size
    if not path.is_file():
        return Original(path, OriginalState.GONE, tracks, size, now_called=_called_now(then[0], sizes))
    try:
        now = digest_of(path)
    except OSError:
        return Original(path, OriginalState.UNREADABLE, tracks, size, sizes.get(path))
    changed = [one for one in then if one.sha256 != now]
    state = OriginalState.CHANGED if changed else OriginalState.SAME
    # Tracks of two days of work may have been made from two states of it: those that it no longer fits are named.
    tracks = tuple(one.track for one in changed) if changed else tracks
    return Original(path, state, tracks, (changed or then)[0].size, sizes.get(path))


def _called_now(then: _Then, sizes: dict[Path, int]) -> str | None:
    """The file with the content of one that is gone."""
    for path, size in sizes.items():
        if size == then.size:
            try:
                if digest_of(path) == then.sha256:
                    return path.name
            except OSError:
                continue
    return None


def _finding(original: Original) -> Finding | None:
    """What is wrong with an original; None where nothing is, or nobody knows."""
    if original.state in (OriginalState.SAME, OriginalState.UNKNOWN):
        return None
    name, made = original.path.name, f"since {_and(original.tracks)} was made from it"
    if original.state is OriginalState.CHANGED:
        then, now = original.bytes_then, original.bytes_now
        sizes = f"{then} bytes then, {now} now" if then != now else f"{now} bytes then and now, but not the same"
        message = f"{name} has changed {made} ({sizes}): copy it from the card again"
    elif original.state is OriginalState.UNREADABLE:
        message = f"{name} cannot be read to its end: its disk may be failing; copy it from the card again"
    elif original.state is OriginalState.GONE and original.now_called is not None:
        message = f"{name} is called {original.now_called} now, and is the same byte for byte"
        return Finding(Code.ORIGINAL, Severity.LOOK, message, name)
    else:
        message = f"{name} is gone {made}, and no other file here has its content: copy it from the card again"
    return Finding(Code.ORIGINAL, Severity.FIX, message, name)


def _unknown(names: list[str]) -> Finding:
    one = len(names) == 1
    message = (
        f"no track was made from {_and(names)}, so nobody knows what {'it was' if one else 'they were'}: "
        f"{'it was' if one else 'they were'} not checked"
    )
    return Finding(Code.ORIGINAL, Severity.NOTE, message)


def _and(names: Iterable[str]) -> str:
    *first, last = names
    shown = [*first, last] if len(first) < 4 else [*first[:3], f"{len(first) - 2} more"]
    *first, last = shown
    return f"{', '.join(first)} and {last}" if first else last
