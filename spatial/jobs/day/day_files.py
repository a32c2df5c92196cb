"""The files of a shoot day: its clips and takes, what lies beside a clip, and what a clip's results are called.

Marks of a clip are looked for beside it, as `<clip name>.marks.csv`, the camera's moves over a recorder that stood
still as `<clip name>.moves.csv`: the clip's name in full, or without its suffix.
Functions: files_of_day, clips_and_takes; result_names; beside, shared_beside, is_there (files beside a clip);
rig_beside.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from spatial.errors import MediaFileError
from spatial.jobs.rig import Rig
from spatial.media.ownership import portable_name, spelling
from spatial.media.tables import read_moves
from spatial.media.track_files import is_track_of_ours

CLIP_SUFFIXES = (".mp4", ".mov", ".mkv", ".m4v")
TAKE_SUFFIXES = (".wav", ".flac", ".caf", ".rf64", ".bw64")
MARKS, MOVES = "marks", "moves"


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
