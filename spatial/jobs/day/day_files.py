"""The files of a shoot day: its clips and takes, what lies beside a clip, and what a clip's results are called.

Marks of a clip are looked for beside it, as `<clip name>.marks.csv`, the camera's moves over a recorder that stood
still as `<clip name>.moves.csv`: the clip's name in full, or without its suffix.
Functions: files_of_day, clips_and_takes; result_names; beside, shared_beside, is_there (files beside a clip);
rig_beside; stray_findings (marks and moves that fit no clip).
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from spatial.errors import MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.rig import Rig
from spatial.media.ownership import portable_name, spelling
from spatial.media.tables import read_moves
from spatial.media.track_files import is_track_of_ours

CLIP_SUFFIXES = (".mp4", ".mov", ".mkv", ".m4v")
TAKE_SUFFIXES = (".wav", ".flac", ".caf", ".rf64", ".bw64")
MARKS, MOVES = "marks", "moves"

_MEANT = re.compile(r"(?P<stem>.+?)[ ._-]+(?P<what>mark|move)s?(?: ?\(\d+\)| copy)?(?:\.csv)+(?:\.txt)?", re.IGNORECASE)
"""What somebody calls a file of marks or moves, spelt as a person, a browser or a desktop spells it."""

_LONG_NAME = 6
"""Letters from which a slip is told from another name: "dawn" and "down" are two scenes, "slipway" and "sliway" one."""


def files_of_day(folder: Path) -> tuple[list[Path], list[Path]]:
    """Clips and takes directly in a folder, by name; tracks that we wrote are neither.

    Raises
    ------
    MediaFileError
        No such folder, or no clip or no take in it.
    """
    if not folder.is_dir():
        raise MediaFileError(f"{folder} is not a folder; name the one that holds the day's clips and takes")
    clips, takes = clips_and_takes(folder)
    for found, what, suffixes in ((clips, "clips", CLIP_SUFFIXES), (takes, "takes", TAKE_SUFFIXES)):
        if not found:
            raise MediaFileError(f"{folder} holds no {what} (files ending in {', '.join(suffixes)})")
    return clips, takes


def clips_and_takes(folder: Path) -> tuple[list[Path], list[Path]]:
    """Clips and takes directly in a folder, by name; there may be none."""
    # Names that begin with a point are hidden: so are the leftovers of copying that macOS calls "._" and the name.
    files = sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    clips = [path for path in files if path.suffix.lower() in CLIP_SUFFIXES]
    takes = [path for path in files if path.suffix.lower() in TAKE_SUFFIXES and not is_track_of_ours(path)]
    return clips, takes


def others_of_day(folder: Path, known: Iterable[str]) -> list[str]:
    """Names of files in a folder that a day would take for clips or takes, but for those that are known.

    Nothing where there is no such folder, or it cannot be read.
    """
    try:
        names = [path.name for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
    except OSError:
        return []
    suffixes = (*CLIP_SUFFIXES, *TAKE_SUFFIXES)
    return [
        name
        for name in set(names) - set(known)
        if name.lower().endswith(suffixes) and not is_track_of_ours(folder / name)
    ]


def result_names(clips: Sequence[Path], *, taken: Iterable[str] = ()) -> dict[Path, str]:
    """What each clip's results are called; no two alike on any system, and every system takes them.

    A clip's results are called by its name without its suffix; where others would be called so too, by its whole name;
    where that does not tell them apart either, with a number.

    Parameters
    ----------
    clips : sequence of Path
    taken : iterable of str
        Names that are used for something else.

    Examples
    --------
    >>> names = result_names([Path(name) for name in ("a.mov", "s.mov", "s.mov.mp4", "s.mp4", "T?.mov", "t_.MOV")])
    >>> list(names.values())
    ['a', 's.mov', 's.mov.mp4', 's.mp4', 'T_.mov', 't_.MOV (2)']
    """
    names = {clip: portable_name(clip.stem) for clip in clips}
    other = [spelling(name) for name in taken]
    for _ in clips:
        count = Counter([*map(spelling, names.values()), *other])
        longer = {
            clip: whole
            for clip, name in names.items()
            if count[spelling(name)] > 1 and (whole := portable_name(clip.name)) != name
        }
        if not longer:
            break
        names.update(longer)
    used = Counter(other)
    for clip, name in names.items():
        number, numbered = 1, name
        while used[spelling(numbered)]:
            number += 1
            numbered = f"{name} ({number})"
        names[clip] = numbered
        used[spelling(numbered)] += 1
    return names


def beside(clip: Path, what: str) -> Path:
    """Where a clip's marks or moves are looked for; by its whole name first, for others may share its stem."""
    whole = clip.with_name(f"{clip.name}.{what}.csv")
    return whole if is_there(whole) else clip.with_name(f"{clip.stem}.{what}.csv")


def is_there(file: Path) -> bool:
    """Whether a file lies there; none does under a name that no disk takes, as marks of a clip with a very long one."""
    try:
        return file.exists()
    except OSError:
        return False


def shared_beside(clip: Path, clips: Iterable[Path], what: str) -> list[Path]:
    """The other clips that a file beside a clip might belong to as well; none where there is no such file."""
    file = beside(clip, what)
    if not is_there(file):
        return []
    return [other for other in clips if other != clip and beside(other, what) == file]


def rig_beside(clip: Path, rig: Rig) -> Rig:
    """The rig with the moves of its camera, where they lie beside the clip.

    Raises
    ------
    MovesFileError
        They cannot be used.
    """
    moves = beside(clip, MOVES)
    return replace(rig, moves=read_moves(moves)) if is_there(moves) else rig


def stray_findings(folder: Path, clips: Sequence[Path]) -> list[Finding]:
    """Marks and moves in a day's folder that fit none of its clips, so that nobody takes them for used.

    A name that is all but that of a clip without such a file is to be looked at. Any other is a note: the clip may have
    been taken away, or lie in another folder.

    Parameters
    ----------
    folder : Path
    clips : sequence of Path
        All clips that lie in it.
    """
    findings = []
    used = {beside(clip, what) for clip in clips for what in (MARKS, MOVES)}
    for file in sorted(folder.iterdir()):
        meant = _MEANT.fullmatch(file.name)
        if meant is None or file in used or file.name.startswith(".") or not file.is_file():
            continue
        what = MARKS if meant["what"].lower() == "mark" else MOVES
        near = [clip for clip in clips if _may_mean(meant["stem"], clip) and not _was_here(folder, meant["stem"], clip)]
        bare = [clip for clip in near if not is_there(beside(clip, what))]
        said = f"{file.name} fits no clip in this folder, so it is not used"
        severity = Severity.NOTE
        if len(bare) == 1:
            severity, said = Severity.LOOK, f"{said}; did you mean {beside(bare[0], what).name}?"
        elif near and not bare:
            said = f"{file.name} is not used: the {what} of {near[0].name} are {beside(near[0], what).name}"
        findings.append(Finding(Code.UNCLEAR_NAME, severity, said, file.name))
    return findings


def _may_mean(stem: str, clip: Path) -> bool:
    """Whether a name is that of a clip but for case, spaces and the like, or one slip inside a word."""
    return any(_is_slip(_letters(stem), _letters(name)) for name in (clip.stem, clip.name))


def _letters(name: str) -> str:
    # Numbers of scenes count, not the zeros before them.
    return re.sub(r"\d+", lambda digits: str(int(digits[0])), re.sub(r"[\W_]+", " ", name.lower()))


def _is_slip(typed: str, meant: str) -> bool:
    """Whether one letter was left out, put in, put wrong or swapped with the next, and that is no other name.

    Cameras and crews tell clips apart by numbers and by the last letter (scene 3, boat B), so neither is a slip.
    """
    if typed.replace(" ", "") == meant.replace(" ", ""):
        return True
    short, long = sorted((typed, meant), key=len)
    if len(short) < _LONG_NAME or len(long) - len(short) > 1:
        return False
    if re.findall(r"\d+", typed) != re.findall(r"\d+", meant):
        return False
    first = next((at for at, (one, other) in enumerate(zip(short, long, strict=False)) if one != other), len(short))
    if len(long) > len(short):
        at, slip = first, short[first:] == long[first + 1 :]
    elif short[first + 2 :] == long[first + 2 :] and short[first : first + 2] == long[first : first + 2][::-1]:
        at, slip = first, True
    else:
        at, slip = first, short[first + 1 :] == long[first + 1 :]
    around = long[max(at - 1, 0) : at + 2]
    # Inside a word: letters on both sides, and no word of one letter.
    return slip and len(around) == 3 and around.isalpha()


def _was_here(folder: Path, stem: str, clip: Path) -> bool:
    """Whether a clip of just that name was done in this folder once: its track lies there still."""
    return stem != clip.stem and is_there(folder / "tracks" / f"{portable_name(stem)}.json")
