"""A folder of results: whole or not at all, in place of an older one only when told to, and never over others' files.

Functions: whole_folder; may_be_made (refuses a folder before any work); is_whole (whether it is ours, with its page);
holds (whether it is ours, of a kind).
"""

import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from enum import StrEnum
from pathlib import Path

from spatial.errors import OutputError
from spatial.media.output import no_folder, unstopped
from spatial.media.ownership import digest_of, is_one_of, is_too_long, plain_place, too_long
from spatial.media.work_folders import working_folder

LIST_NAME = "made-by-soundplumb.txt"
"""Names the files of the folder that we wrote, and what is in them: just these, and no others, may be replaced."""

INDEX = "index.html"


class FolderKind(StrEnum):
    """A kind of folder that we write, as people call it."""

    PAGE = "review page"
    STILLS = "set of stills"
    HANDOVER = "handover"
    SHEET = "sheet of a day"


_HEADS = {
    kind: f"soundplumb wrote these files, a {kind}; run again with --force, it replaces those that are unchanged, and "
    "touches no others."
    for kind in FolderKind
}
"""First line of the list, by kind: an older folder of another kind is not replaced."""

_LINE = re.compile(r"([0-9a-f]{64})  ([^/\\]+)")
"""A line of the list: the digest of a file, two spaces, and its name."""


@contextmanager
def whole_folder(
    folder: Path, *, kind: FolderKind = FolderKind.PAGE, force: bool = False, inputs: Sequence[Path] = ()
) -> Iterator[Path]:
    """Write a folder of files, whole or not at all.

    Parameters
    ----------
    folder : path
        The result. Where it exists and `force` is set, files that we wrote before are replaced and all others stay.
    kind : FolderKind
        What it is: one of another kind is not replaced.
    inputs : sequence of Path
        Files the result is made from: never written over.

    Yields
    ------
    Path
        An empty folder on the same disk; the files put there, no deeper, appear in `folder` when the with block ends
        well. A file called index.html appears last, and an older one goes first: a run that is killed between leaves
        no page with half of another's files.

    Raises
    ------
    OutputError
        The folder exists and is not empty (without `force`), is a file, is of another kind, holds something of that
        name that we did not write or that somebody has changed, or cannot be written.
    """
    folder = Path(folder)
    may_be_made(folder, kind=kind, force=force, inputs=inputs)
    temporary: Path | None = None
    try:
        with working_folder(folder.parent) as temporary:
            made = temporary / (folder.name or "result")
            made.mkdir()
            yield made
            names = sorted(path.name for path in made.iterdir())
            for name in names:
                # Its bytes are on the disk before its name is: power may fail.
                with (made / name).open("rb+") as file:
                    os.fsync(file.fileno())
            new = {(digest_of(made / name), name) for name in names}
            if folder.exists():
                old = _require_ours(folder, names, kind, inputs)
                _replace_ours(made, folder, kind, new=new, old=old)
            else:
                _put_list(made, made, kind, new)
                made.replace(folder)
    except OSError as error:
        if error.filename is not None and temporary is not None and not _about(error, temporary, folder):
            raise
        raise OutputError(_sentence(folder, error)) from error


def may_be_made(
    folder: Path, *, kind: FolderKind = FolderKind.PAGE, force: bool = False, inputs: Sequence[Path] = ()
) -> None:
    """Refuse a folder that must not be written: to be asked before an hour of work. Parameters as for whole_folder.

    Raises
    ------
    OutputError
        As whole_folder, before it writes anything.
    """
    plain_place(folder)
    if is_too_long(folder):
        raise OutputError(too_long(folder))
    if is_one_of(folder, inputs):
        raise OutputError(f"{folder} is one of the files to be read; give the result another name")
    if os.path.lexists(folder) and not folder.is_dir():
        what = "a link that leads nowhere" if folder.is_symlink() else "a file" if folder.is_file() else "no folder"
        raise OutputError(f"{folder} is {what}; name a folder for the result")
    if not folder.absolute().parent.is_dir():
        raise OutputError(no_folder(folder))
    try:
        _require_ours(folder, (), kind, inputs)
        if folder.is_dir() and any(folder.iterdir()) and not force:
            raise OutputError(
                f"{folder} exists already; name another folder, or add --force to replace what is ours in it"
            )
    except OSError as error:
        raise OutputError(_sentence(folder, error)) from error


def is_whole(folder: Path) -> bool:
    """Whether a folder is one that we wrote, down to its page."""
    return _listed(folder) and (folder / INDEX).is_file()


def holds(folder: Path, kind: FolderKind) -> bool:
    """Whether a folder is one of a kind that we wrote, whatever has become of its files since."""
    read = _read_list(folder) if _listed(folder) else None
    return read is not None and read[0] is kind


def _listed(folder: Path) -> bool:
    return (folder / LIST_NAME).is_file() and not (folder / LIST_NAME).is_symlink()


def _put_list(made: Path, folder: Path, kind: FolderKind, files: Iterable[tuple[str, str]]) -> None:
    """Write the list: digest and name of each file; of one that is being replaced, of both."""
    lines = [f"{digest}  {name}" for digest, name in sorted(files, key=lambda file: (file[1], file[0]))]
    (made / ".list").write_text("\n".join([_HEADS[kind], *lines]) + "\n", encoding="utf-8", newline="\n")
    (made / ".list").replace(folder / LIST_NAME)


def _read_list(folder: Path) -> tuple[FolderKind, set[tuple[str, str]]] | None:
    """What the list says; None where it is not just as we write it, for then it proves nothing."""
    try:
        head, *lines, last = (folder / LIST_NAME).read_bytes().decode().split("\n")
    except ValueError:
        return None
    # Only plain names: a list that somebody changed must not lead out of the folder.
    files = [_LINE.fullmatch(line) for line in lines]
    kind = next((kind for kind in FolderKind if _HEADS[kind] == head), None)
    if kind is None or last or not all(files):
        return None
    named = {(file[1], file[2]) for file in files if file}
    return None if any(name in (LIST_NAME, ".", "..") for _, name in named) else (kind, named)


def _require_ours(folder: Path, names: Sequence[str], kind: FolderKind, inputs: Sequence[Path]) -> set[tuple[str, str]]:
    """Digest and name of each file in a folder that we wrote, and that may go or be replaced.

    Parameters
    ----------
    names : sequence of str
        What is to be put there.

    Raises
    ------
    OutputError
        Something in the folder is not ours, and would be lost.
    """
    if not folder.is_dir() or not any(folder.iterdir()):
        return set()
    if not _listed(folder):
        raise OutputError(
            f"{folder} holds files that soundplumb did not write; move them elsewhere, or name another folder, or an "
            "empty one"
        )
    read = _read_list(folder)
    if read is None:
        raise OutputError(
            f"{folder / LIST_NAME} is not just as soundplumb wrote it (it has been changed since, or comes from an "
            f"early version), so nothing in {folder} is replaced even with --force; move the folder elsewhere, or name "
            "another"
        )
    if read[0] is not kind:
        raise OutputError(
            f"{folder} holds a {read[0]} that soundplumb wrote, and no {kind}, so it is not replaced even with "
            "--force; name another folder, or move it elsewhere"
        )
    there = set()
    for name in sorted({*names, *(name for _, name in read[1])}):
        file = folder / name
        if not os.path.lexists(file):
            continue
        found = (digest_of(file), name) if file.is_file() and not file.is_symlink() else None
        if is_one_of(file, inputs):
            raise OutputError(f"{file} is one of the files to be read; name another folder")
        if found not in read[1]:
            raise OutputError(
                f"{file} is not a file that soundplumb wrote, or has been changed since, so it is not replaced even "
                "with --force; move it elsewhere, or name another folder"
            )
        there.add(found)
    return there


def _replace_ours(
    made: Path, folder: Path, kind: FolderKind, *, new: set[tuple[str, str]], old: set[tuple[str, str]]
) -> None:
    """Put new files into the place of old ones; each is digest and name."""
    names = {name for _, name in new}
    index, aside = folder / INDEX, made / ".older"
    with unstopped():
        if any(name == INDEX for _, name in old):
            index.replace(aside)
        changed = False
        try:
            _put_list(made, folder, kind, new | old)
            for name in sorted(names, key=lambda name: (name == INDEX, name)):
                (made / name).replace(folder / name)
                changed = True
        except OSError:
            if aside.is_file() and not changed:
                aside.replace(index)
            raise
        spare = {file for file in old if file[1] not in names}
        for _, name in spare:
            # One that another program holds open stays, and stays in the list.
            with suppress(OSError):
                (folder / name).unlink()
        _put_list(made, folder, kind, new | {file for file in spare if (folder / file[1]).exists()})


def _sentence(folder: Path, error: OSError) -> str:
    if isinstance(error, PermissionError) and folder.is_dir():
        return (
            f"{folder} cannot be written: a file in it is open in another program, or the folder is protected; close "
            "it there and run this again"
        )
    return f"{folder} cannot be written ({error.strerror}); name another folder"


def _about(error: OSError, *folders: Path) -> bool:
    return any(str(error.filename).startswith(str(folder)) for folder in (*folders, folders[-1].parent))
