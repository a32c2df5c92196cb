"""What was learnt from a recording, kept for the next run: small arrays in the user's cache folder.

Goal: syncing a second clip with the same takes need not read them again. Entries go by content, so a copied or renamed
file finds them and a changed one does not. The folder may be deleted at any time, and several processes may use it at
once: every file in it is written whole under a name of its own, and what is missing, cut or damaged is just not there.
Nothing here raises because the folder cannot be used: work goes on without it.
Functions: default_folder; FeatureCache (arrays, and digests of files); content_glance (what a file is known by without
reading it through).

The environment variable SOUNDPLUMB_CACHE names another folder; empty or "off" turns the cache off.
"""

import hashlib
import os
import re
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from spatial.media.ownership import digest_of
from spatial.media.takes.take import Take
from spatial.timebase import DAY_S

Arrays = dict[str, npt.NDArray[Any]]

_MOST_BYTES = 500_000_000
"""Bytes of all kept features; beyond it those not used for longest go."""

_MOST_HASH_BYTES = 16_000_000
"""Bytes of all remembered content hashes: about 4000 of them."""

_DISK_BLOCK = 4096
"""What the smallest file takes up."""

_FRESH_NS = 3_000_000_000
"""A file changed less than this before it was read may change again within one tick of its disk's clock (2 s on
memory cards), with nothing to show for it: its hash is not remembered."""

_ABANDONED_S = DAY_S
"""A temporary file this old has no writer any more."""

_GLANCE_BYTES = 1 << 16
"""Read at the start, the middle and the end of a file to know it again."""

_DIGEST_BYTES = 32
"""Bytes of a SHA-256."""

_FEATURES = re.compile(r"[0-9a-f]{32}-[0-9a-f]{64}\.features")
_NOTE = re.compile(r"[0-9a-f]{64}\.sha256")
_PART = re.compile(r"new-[a-z0-9_]{8}\.part")
"""Names of what lies in the cache."""


def default_folder() -> Path | None:
    """Where features are kept, or None where the cache is off or there is no place for it."""
    told = os.environ.get("SOUNDPLUMB_CACHE")
    if told is not None:
        told = told.strip()
        return None if told.lower() in ("", "off") else Path(told).absolute()
    try:
        if sys.platform == "darwin":
            base = Path.home() / "Library" / "Caches"
        elif sys.platform == "win32":
            base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
        else:
            base = Path(os.environ.get("XDG_CACHE_HOME", ""))
            # By the XDG base directory specification a relative path is to be ignored.
            base = base if base.is_absolute() else Path.home() / ".cache"
    except RuntimeError:  # a user without a home
        return None
    return base / "soundplumb"


class FeatureCache:
    """Arrays learnt from takes and movies, found again by content.

    Parameters
    ----------
    folder : Path or None
        Where to keep them; default_folder() if None.
    most_bytes : int
        How much to keep.
    """

    def __init__(self, folder: Path | None = None, *, most_bytes: int = _MOST_BYTES) -> None:
        self._folder = default_folder() if folder is None else folder
        self._most_bytes = most_bytes
        self._looked_at: dict[tuple[Path, ...], list[_Glance]] = {}
        self._digests: dict[str, str] = {}

    def knows(self, source: Path | Take, kind: str) -> bool:
        """Whether load would find something, undamaged; nothing is read but what a hash needs."""
        if self._folder is None:
            return False
        with suppress(OSError, ValueError):
            glances = _glances(source)
            prefix = _prefix(source, kind, glances)
            if any(self._features.glob(f"{prefix}-*.features")):
                return (self._features / f"{prefix}-{self._content_key(glances)}.features").is_file()
        return False

    def digest(self, path: Path) -> str:
        """SHA-256 of a file's content; the file is read through only where its hash is not remembered.

        Raises
        ------
        OSError
            It cannot be read.
        """
        glance = _Glance(path)
        found = self._digests.get(glance.key)
        if found is None:
            try:
                found = digest_of(path) if self._folder is None else self._content_hash(glance)
            except OSError:
                # It changes while it is read, or the folder of the cache does.
                found = digest_of(path)
            self._digests[glance.key] = found
        return found

    def load(self, source: Path | Take, kind: str) -> Arrays | None:
        """What was stored for files of this content, or None.

        Files are read through (about 1 GB/s) only where something is stored for others of the same length and their
        hash is not remembered.

        Parameters
        ----------
        source : Path or Take
            A file; or a take in all its parts, as read in its channel format.
        kind : str
            What the arrays are, and the version of the code that makes them.
        """
        if self._folder is None:
            return None
        with suppress(OSError, ValueError):
            glances = self._looked_at[_paths(source)] = _glances(source)
            prefix = _prefix(source, kind, glances)
            if not any(self._features.glob(f"{prefix}-*.features")):
                return None
            path = self._features / f"{prefix}-{self._content_key(glances)}.features"
            arrays = _unpacked(path)
            with suppress(OSError):
                os.utime(path)  # used now: the last to go
            return arrays
        return None

    def store(self, source: Path | Take, kind: str, arrays: Mapping[str, npt.NDArray[Any]]) -> None:
        """Keep arrays for later; nothing is kept of a file that has changed since load looked at it.

        Raises
        ------
        ValueError
            An array of Python objects.
        """
        if any(np.asanyarray(array).dtype.hasobject for array in arrays.values()):
            raise ValueError("arrays of Python objects cannot be kept")
        if self._folder is None or sum(np.asanyarray(array).nbytes for array in arrays.values()) > self._most_bytes:
            return
        with suppress(OSError):
            glances = _glances(source)
            if self._looked_at.get(_paths(source), glances) != glances:
                return
            name = f"{_prefix(source, kind, glances)}-{self._content_key(glances)}.features"
            _write(self._features / name, partial(_pack, arrays))
            _prune(self._features, _FEATURES, self._most_bytes)

    @property
    def _features(self) -> Path:
        return (self._folder or Path()) / "features"

    @property
    def _hashes(self) -> Path:
        return (self._folder or Path()) / "hashes"

    def _content_key(self, glances: list["_Glance"]) -> str:
        """Hash of the content of all files in order."""
        return _hash("".join(self._content_hash(glance) for glance in glances).encode())

    def _content_hash(self, glance: "_Glance") -> str:
        """Hash of a file's content, remembered if possible. OSError if the file changes meanwhile."""
        note = self._hashes / f"{glance.key}.sha256"
        with suppress(OSError, ValueError):
            remembered = note.read_bytes().decode("ascii")
            if len(bytes.fromhex(remembered)) == _DIGEST_BYTES:
                with suppress(OSError):
                    os.utime(note)
                return remembered
        began_ns = time.time_ns()
        with glance.path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
        if _Glance(glance.path) != glance:
            raise OSError(f"{glance.path} changes while it is read")
        if glance.changed_ns < began_ns - _FRESH_NS:
            with suppress(OSError):
                _write(note, lambda file: file.write(found.encode()))
                _prune(self._hashes, _NOTE, _MOST_HASH_BYTES)
        return found


def content_glance(path: Path) -> str:
    """What a file is known by, whatever its name and place: a hash of its length and of three places inside.

    Empty where the file cannot be read any more.
    """
    with suppress(OSError), path.open("rb", buffering=0) as file:
        size = os.fstat(file.fileno()).st_size
        return _hash(str(size).encode() + _seen_in(file, size))
    return ""


class _Glance:
    """A file as it looks from outside, and in three places inside: memory cards may give one number to two files."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("rb", buffering=0) as file:
            about = os.fstat(file.fileno())
            self.size = about.st_size
            self.changed_ns = max(about.st_mtime_ns, about.st_ctime_ns)
            seen = _seen_in(file, self.size)
        outside = (about.st_dev, about.st_ino, about.st_size, about.st_mtime_ns, about.st_ctime_ns)
        self.key = _hash(repr(outside).encode() + seen)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Glance) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)


def _seen_in(file: BinaryIO, size: int) -> bytes:
    """The start, the middle and the end of a file."""
    return b"".join(_read_at(file, place) for place in (0, size // 2, max(size - _GLANCE_BYTES, 0)))


def _read_at(file: BinaryIO, place: int) -> bytes:
    file.seek(place)
    return file.read(_GLANCE_BYTES)


def _paths(source: Path | Take) -> tuple[Path, ...]:
    return source.paths if isinstance(source, Take) else (source,)


def _glances(source: Path | Take) -> list[_Glance]:
    return [_Glance(path) for path in _paths(source)]


def _prefix(source: Path | Take, kind: str, glances: list[_Glance]) -> str:
    """What can be known of an entry's name without reading the files through."""
    # Not the names of files: a take that was moved is the same take.
    parts = [(part.samples, part.skip, part.gap) for part in source.parts] if isinstance(source, Take) else []
    reading = (source.channel_format, source.picked, parts) if isinstance(source, Take) else ""
    sizes = [glance.size for glance in glances]
    return _hash(repr((kind, reading, sizes)).encode())[:32]


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _pack(arrays: Mapping[str, npt.NDArray[Any]], file: BinaryIO) -> None:
    """Write arrays as an npz file with a digest of it in front: straight to the file, for they may be large."""
    file.write(bytes(_DIGEST_BYTES))
    with zipfile.ZipFile(file, "w") as archive:
        for name, array in arrays.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
                np.lib.format.write_array(member, np.asanyarray(array), allow_pickle=False)
    digest = _digest(file)
    file.seek(0)
    file.write(digest)


def _unpacked(path: Path) -> Arrays:
    """Arrays from what _pack wrote. ValueError if it is damaged."""
    with path.open("rb") as file:
        if file.read(_DIGEST_BYTES) != _digest(file):
            raise ValueError("damaged")
        try:
            with zipfile.ZipFile(file) as archive:
                return {name.removesuffix(".npy"): _member(archive, name) for name in archive.namelist()}
        except (zipfile.BadZipFile, EOFError, AttributeError) as error:
            raise ValueError("not an archive of arrays") from error


def _member(archive: zipfile.ZipFile, name: str) -> npt.NDArray[Any]:
    with archive.open(name) as member:
        array: npt.NDArray[Any] = np.lib.format.read_array(member, allow_pickle=False)
        return array


def _digest(file: BinaryIO) -> bytes:
    """Of all that follows the digest."""
    found = hashlib.sha256()
    file.seek(_DIGEST_BYTES)
    while block := file.read(1 << 20):
        found.update(block)
    return found.digest()


def _write(path: Path, write: Callable[[BinaryIO], object]) -> None:
    """Write a file whole, or leave what is there."""
    _make_folder(path.parent)
    handle, temporary = tempfile.mkstemp(prefix="new-", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "w+b") as file:
            write(file)
        Path(temporary).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(temporary).unlink()
        raise


def _make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing, for the user alone."""
    if not folder.is_dir():
        if folder.parent != folder:
            _make_folder(folder.parent)
        folder.mkdir(mode=0o700, exist_ok=True)


def _prune(folder: Path, ours: re.Pattern[str], most_bytes: int) -> None:
    """Remove the files not used for longest until the rest fits, and temporary files without a writer.

    Only names that we give are touched: the folder may be named by hand, and hold somebody's own files.
    """
    for path in folder.glob("new-*.part"):
        with suppress(OSError):
            if _PART.fullmatch(path.name) and path.stat().st_mtime < time.time() - _ABANDONED_S:
                path.unlink()
    kept = []
    for path in folder.iterdir():
        if not ours.fullmatch(path.name):
            continue
        with suppress(OSError):
            about = path.stat()
            kept.append((about.st_mtime_ns, max(about.st_size, _DISK_BLOCK), path))
    total = sum(size for _, size, _ in kept)
    for _, size, path in sorted(kept):
        if total <= most_bytes:
            return
        with suppress(OSError):
            path.unlink()
        total -= size
