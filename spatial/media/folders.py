"""A folder of results: whole or not at all, in place of an older one only when told to, and never over others' files.

Functions: whole_folder.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from spatial.errors import OutputError
from spatial.media.unstopped import unstopped

LIST_NAME = "made-by-soundplumb.txt"
"""Names the files of the folder that we wrote: these, and no others, may be replaced."""

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
        well. A file called index.html appears last.

    Raises
    ------
    OutputError
        The folder exists (without `force`), is a file, holds something of that name that we did not write, or cannot be
        written.
    """
    folder = Path(folder)
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder for the result")
    if folder.exists() and not force:
        raise OutputError(f"{folder} exists already; name another folder, or add --force to replace what is ours in it")
    if folder.is_dir() and not (folder / LIST_NAME).is_file() and any(folder.iterdir()):
        raise OutputError(f"{folder} holds files that soundplumb did not write; name another folder, or an empty one")
    temporary: Path | None = None
    try:
        temporary = Path(tempfile.mkdtemp(prefix=".soundplumb-", dir=folder.parent))
        made = temporary / (folder.name or "result")
        made.mkdir()
        yield made
        names = sorted((path.name for path in made.iterdir()), key=lambda name: (name == "index.html", name))
        (made / LIST_NAME).write_text("\n".join([_HEAD, *names]) + "\n", encoding="utf-8")
        if folder.exists():
            _replace_ours(made, folder, [LIST_NAME, *names], inputs)
        else:
            made.replace(folder)
    except OSError as error:
        if error.filename is not None and temporary is not None and not _about(error, temporary, folder):
            raise
        raise OutputError(f"{folder} cannot be written ({error.strerror}); name another folder") from error
    finally:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)


def _replace_ours(made: Path, folder: Path, names: list[str], inputs: Sequence[Path]) -> None:
    listed = folder / LIST_NAME
    # Somebody may have opened the list and saved it in another encoding.
    text = listed.read_text(encoding="utf-8", errors="replace") if listed.is_file() else ""
    ours = set(text.splitlines()[1:])
    for name in names:
        target = folder / name
        strange = os.path.lexists(target) and (target.is_dir() or (name not in ours and name != LIST_NAME))
        if strange or any(target.exists() and source.exists() and target.samefile(source) for source in inputs):
            raise OutputError(
                f"{target} is not a file that soundplumb wrote, so it is not replaced even with --force; name another "
                "folder"
            )
    with unstopped():
        for name in names:
            (made / name).replace(folder / name)
        for name in ours - set(names):
            # Only plain names: a list that somebody changed must not lead out of the folder.
            if name and Path(name).name == name and (folder / name).is_file():
                (folder / name).unlink()


def _about(error: OSError, *folders: Path) -> bool:
    return any(str(error.filename).startswith(str(folder)) for folder in (*folders, folders[-1].parent))
