"""A folder of results: whole or not at all, in place of an older one only when told to, and never over others' files.

Functions: whole_folder; is_whole (whether a folder is one of ours, with its page).
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from spatial.errors import OutputError
from spatial.media.leftovers import working_folder
from spatial.media.owners import is_one_of, plain_place
from spatial.media.unstopped import unstopped

LIST_NAME = "made-by-soundplumb.txt"
"""Names the files of the folder that we wrote: these, and no others, may be replaced."""

INDEX = "index.html"
_HEAD = "soundplumb wrote these files; run again with --force, it replaces them and touches no others."


@contextmanager
def whole_folder(folder: Path, *, force: bool = False, inputs: Sequence[Path] = ()) -> Iterator[Path]:
    """Write a folder of files, whole or not at all.

    Parameters
    ----------
    folder : path
        The result. Where it exists and `force` is set, files that we wrote before are replaced and all others stay.
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
        The folder exists (without `force`), is a file, holds something of that name that we did not write, or cannot be
        written.
    """
    folder = Path(folder)
    plain_place(folder)
    if is_one_of(folder, inputs):
        raise OutputError(f"{folder} is one of the files to be read; give the result another name")
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder for the result")
    foreign = folder.is_dir() and not _listed(folder) and any(folder.iterdir())
    if foreign:
        raise OutputError(f"{folder} holds files that soundplumb did not write; name another folder, or an empty one")
    if folder.exists() and not force:
        raise OutputError(f"{folder} exists already; name another folder, or add --force to replace what is ours in it")
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
            (made / LIST_NAME).write_text(_list(names), encoding="utf-8")
            if folder.exists():
                _replace_ours(made, folder, names, inputs)
            else:
                made.replace(folder)
    except OSError as error:
        if error.filename is not None and temporary is not None and not _about(error, temporary, folder):
            raise
        raise OutputError(_sentence(folder, error)) from error


def is_whole(folder: Path) -> bool:
    """Whether a folder is one that we wrote, down to its page."""
    return _listed(folder) and (folder / INDEX).is_file()


def _listed(folder: Path) -> bool:
    return (folder / LIST_NAME).is_file() and not (folder / LIST_NAME).is_symlink()


def _put_list(made: Path, folder: Path, names: Sequence[str]) -> None:
    (made / LIST_NAME).write_text(_list(names), encoding="utf-8")
    (made / LIST_NAME).replace(folder / LIST_NAME)


def _list(names: Sequence[str]) -> str:
    return "\n".join([_HEAD, *names]) + "\n"


def _replace_ours(made: Path, folder: Path, names: list[str], inputs: Sequence[Path]) -> None:
    listed = folder / LIST_NAME
    # Somebody may have opened the list and saved it in another encoding.
    text = listed.read_text(encoding="utf-8", errors="replace") if listed.is_file() else ""
    ours = set(text.splitlines()[1:])
    for name in [LIST_NAME, *names]:
        target = folder / name
        plain = target.is_file() and not target.is_symlink()
        strange = os.path.lexists(target) and not (plain and (name in ours or name == LIST_NAME))
        if strange or is_one_of(target, inputs):
            raise OutputError(
                f"{target} is not a file that soundplumb wrote, so it is not replaced even with --force; name another "
                "folder"
            )
    # Only plain names: a list that somebody changed must not lead out of the folder.
    old = sorted(
        name
        for name in ours - set(names)
        if name and Path(name).name == name and (folder / name).is_file() and not (folder / name).is_symlink()
    )
    index, aside = folder / INDEX, made / ".older"
    with unstopped():
        if INDEX in ours and index.is_file():
            index.replace(aside)
        changed = False
        try:
            _put_list(made, folder, [*names, *old])
            for name in sorted(names, key=lambda name: (name == INDEX, name)):
                (made / name).replace(folder / name)
                changed = True
        except OSError:
            if aside.is_file() and not changed:
                aside.replace(index)
            raise
        for name in old:
            # One that another program holds open stays, and stays in the list.
            with suppress(OSError):
                (folder / name).unlink()
        _put_list(made, folder, [*names, *(name for name in old if (folder / name).exists())])


def _sentence(folder: Path, error: OSError) -> str:
    if isinstance(error, PermissionError) and folder.is_dir():
        return (
            f"{folder} cannot be written: a file in it is open in another program, or the folder is protected; close "
            "it there and run this again"
        )
    return f"{folder} cannot be written ({error.strerror}); name another folder"


def _about(error: OSError, *folders: Path) -> bool:
    return any(str(error.filename).startswith(str(folder)) for folder in (*folders, folders[-1].parent))
