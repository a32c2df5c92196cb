"""Who owns the file that lies where a result is to go, and the seal by which it is known.

Goal: one place decides what may be replaced. A result that somebody has worked on since is somebody's work, whatever
still stands in it about its maker.
Method: every kind of file that we write is marked inside, and sealed, but for tables, which are known by their exact
form. The seal is a digest of the whole file, written inside it, which no longer fits once anything is changed. With
--force a file of ours that nobody has changed is replaced by another of its kind; everything else is somebody's work,
and is never replaced. What is read for a result is never written over either, under whatever name.
Functions: put_seal (on a file whose maker left room for it); is_sealed (whether it still fits); digest_of (a file's);
is_marked (made by us, and perhaps changed since); is_ours (just as we wrote it); may_be_written (refuses a target
before any work is done); is_one_of (an input by another name); plain_place (refuses names that lead elsewhere on this
system); portable_name (a name that every system takes).
Sources:
[1] Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0" (1991): the INFO list and its
ISFT, the name of the software that made a file (value from memory).
[2] W3C, "Portable Network Graphics": tEXt and its keyword Software; each chunk ends in a check sum of its kind and
body.
[3] Microsoft, "Naming Files, Paths, and Namespaces": reserved names and characters.
[4] RFC 3533 (Ogg): each page has a check sum of all of it in its head.
"""

import errno
import hashlib
import os
import re
import stat
import unicodedata
import zlib
from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO

from spatial.errors import OutputError
from spatial.media.wav.riff import chunk_bytes, first_bodies
from spatial.media.work_folders import WINDOWS
from spatial.version import __version__

# --- seals ---

_DIGITS = 64
"""Hexadecimal digits of a SHA-256."""

BLANK_SEAL = "soundplumb-seal-" + "0" * _DIGITS
"""What a maker writes where the seal is to go."""

_SEAL = re.compile(rb"soundplumb-seal-([0-9a-f]{64})")
_SOUGHT_BYTES = 1 << 16
"""A seal stands among what is said of a file, which comes first, or last of all."""

_BLOCK_BYTES = 1 << 20
"""Bytes that are read at once."""

_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
"""How every PNG begins ([2])."""

_CHECK_BYTES = 4
_PAGE_SUM_AT = 22
"""Where the check sum stands in the head of a page of Ogg."""

"""Bytes of a PNG chunk's check sum ([2])."""


def put_seal(path: Path) -> None:
    """Seal a file that holds BLANK_SEAL; any other is left as it is.

    Raises
    ------
    OSError
        It cannot be read or written.
    """
    with path.open("rb+") as file:
        found = _place(file)
        if found is None:
            return
        place, length = found
        page = _ogg_page(file, place)
        seal = _digest(file, place, length, page).encode()
        if length > _DIGITS:
            seal += _check_sum(file, place, seal)
        file.seek(place)
        file.write(seal)
        if page is not None:
            _put_page_sum(file, page)


def is_sealed(file: BinaryIO) -> bool:
    """Whether a file is just as it was when it was sealed. It is read from end to end, a block at a time."""
    found = _place(file)
    if found is None:
        return False
    place, length = found
    page = _ogg_page(file, place)
    file.seek(place)
    if file.read(_DIGITS) != _digest(file, place, length, page).encode():
        return False
    # The check sum is no part of the digest, so it is asked for itself.
    return page is None or _page_sum(file, page) == _page_sum_there(file, page)


def digest_of(path: Path) -> str:
    """SHA-256 of a whole file, read a block at a time."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _place(file: BinaryIO) -> tuple[int, int] | None:
    """Where the digits of the seal start, and how many bytes it changes: in a PNG, the check sum after it too ([2])."""
    size = file.seek(0, os.SEEK_END)
    for start in (0, max(0, size - _SOUGHT_BYTES)):
        file.seek(start)
        held = file.read(_SOUGHT_BYTES)
        found = _SEAL.search(held)
        if found:
            png = start == 0 and held.startswith(_PNG_HEAD)
            return start + found.start(1), _DIGITS + _CHECK_BYTES * png
    return None


def _digest(file: BinaryIO, place: int, length: int, page: int | None) -> str:
    """SHA-256 of a file without the bytes that the seal itself changes."""
    digest = hashlib.sha256()
    file.seek(0)
    before = file.read(place)
    if page is not None:
        before = before[: page + _PAGE_SUM_AT] + before[page + _PAGE_SUM_AT + _CHECK_BYTES :]
    digest.update(before)
    file.seek(place + length)
    while block := file.read(_BLOCK_BYTES):
        digest.update(block)
    return digest.hexdigest()


def _check_sum(file: BinaryIO, place: int, seal: bytes) -> bytes:
    file.seek(0)
    before = file.read(place)
    return zlib.crc32(before[before.rindex(b"tEXt") :] + seal).to_bytes(_CHECK_BYTES, "big")


def _ogg_page(file: BinaryIO, place: int) -> int | None:
    """Where the page of an Ogg file begins that holds a place; None in any other file."""
    file.seek(0)
    head = file.read(min(place, _SOUGHT_BYTES))
    return head.rindex(b"OggS") if head.startswith(b"OggS") else None


def _page_sum_there(file: BinaryIO, page: int) -> bytes:
    file.seek(page + _PAGE_SUM_AT)
    return file.read(_CHECK_BYTES)


def _page_sum(file: BinaryIO, page: int) -> bytes:
    """The check sum that a page should have ([4]): polynomial 0x04c11db7, as if its own four bytes were 0."""
    file.seek(page)
    head = file.read(27)
    lengths = file.read(head[26])
    body = file.read(sum(lengths))
    value = 0
    for byte in head[:_PAGE_SUM_AT] + bytes(_CHECK_BYTES) + head[_PAGE_SUM_AT + _CHECK_BYTES :] + lengths + body:
        value ^= byte << 24
        for _ in range(8):
            value = (value << 1) ^ 0x04C11DB7 if value & 0x80000000 else value << 1
    return (value & 0xFFFFFFFF).to_bytes(_CHECK_BYTES, "little")


def _put_page_sum(file: BinaryIO, page: int) -> None:
    told = _page_sum(file, page)
    file.seek(page + _PAGE_SUM_AT)
    file.write(told)


# --- owners ---

TRACK_MAKER = "Soundplumb"
"""The software that made a track, as its INFO list names it ([1])."""

MOVIE_MARK = f"{TRACK_MAKER} movie for headsets "
"""Stands in every movie that we write: in a `free` box behind the first one, or in a tag of Matroska."""

MOVIE_TAG = "SOUNDPLUMB_MOVIE"
"""Name of that tag."""

FIELD_MARK = f"{TRACK_MAKER} sound field for headsets "
"""Stands in every Ogg file that we write, among its comments (RFC 7845)."""

FIELD_TAG = "SOUNDPLUMB_FIELD"
"""Name of that comment."""

PLOT_MARK = "soundplumb plot"
"""Stands in every plot and still that we draw, as its software or creator."""

MICROPHONE_HEAD = "# A microphone as soundplumb has learned it"
"""How every microphone file of ours begins."""

TABLE_HEAD = ("time_s", "azimuth_deg", "elevation_deg", "sd_deg", "diffuseness", "level_db", "source")
TABLE_DIGITS = (3, 2, 2, 2, 3, 1, 0)
"""Columns of a table of directions, and the digits after the point in each. A comment line would keep the readers of
CSV files from reading it, so a table is known by its head and the exact form of every row: notes or columns that
somebody has added make it theirs."""

_LONGEST_ROW = 200
"""Letters of a table's row at most; one of ours has some fifty."""

_HEAD_BYTES = 4096
"""Bytes of a file in which the mark of its maker lies."""

_MOST_PDF_BYTES = 50_000_000
"""A PDF is read whole to find its mark; a larger one is none of our plots."""

_SIDECAR = re.compile(rb'\{\n  "soundplumb": "[^"\n]*",\n(?:  "seal": "[^"\n]*",\n)?  "inputs": \[')
_PAGE = re.compile(
    rb'<!doctype html>\s*<html[^>]*>\s*<head>(?:\s*<meta [^>]*>)*?\s*<meta name="generator" content="soundplumb '
)
_MOVIE_TAG = re.compile(rb"\x45\xa3.{1,8}%s\x44\x87.{1,8}%s" % (MOVIE_TAG.encode(), MOVIE_MARK.encode()), re.DOTALL)
"""TagName and TagString of a Matroska file (RFC 9559), each with its length."""

_SVG = re.compile(rb"<dc:creator>\s*<cc:Agent>\s*<dc:title>" + PLOT_MARK.encode())

_FORBIDDEN = re.compile(r'[<>:"|?*\x00-\x1f]')
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "123456789")})
_LONGEST_NAME_BYTES = 200
"""Bytes of a file name that is made up here: systems take 255, and a folder's or an ending's are added."""


class Kind(StrEnum):
    """A kind of file that we write, as people call it."""

    TRACK = "track"
    SIDECAR = "sidecar of a track"
    TABLE = "table of directions"
    PLOT = "plot"
    PAGE = "page"
    MICROPHONE = "microphone file"
    MOVIE = "movie for headsets"
    FIELD = "sound field for headsets"


def maker_chunk() -> tuple[bytes, bytes]:
    """The chunk that marks a track as ours ([1]): its kind and its body."""
    return b"LIST", b"INFO" + chunk_bytes(b"ISFT", f"{TRACK_MAKER} {__version__} {BLANK_SEAL}\0".encode())


def movie_mark() -> str:
    """What marks a movie as ours, with room for its seal."""
    return f"{MOVIE_MARK}{__version__} {BLANK_SEAL}"


def field_mark() -> str:
    """What marks an Ogg file as ours, with room for its seal."""
    return f"{FIELD_MARK}{__version__} {BLANK_SEAL}"


def is_marked(path: Path, kind: Kind) -> bool:
    """Whether a file is one that we made, of a kind, by the mark inside it; somebody may have changed it since.

    A link is never ours, for we make none. Raises nothing: what cannot be read is not ours.
    """
    return _known(path, _MARKS[kind])


def is_ours(path: Path, kind: Kind) -> bool:
    """Whether a file is one that we wrote, of a kind, and nobody has changed since: all of it is read.

    Raises nothing, as is_marked.
    """
    return is_marked(path, kind) and _known(path, _is_table if kind is Kind.TABLE else is_sealed)


def _known(path: Path, told: Callable[[BinaryIO], bool]) -> bool:
    try:
        # Not opened before it is known to be a plain file: a named pipe would wait for ever.
        if not stat.S_ISREG(path.lstat().st_mode):
            return False
        with path.open("rb") as file:
            return told(file)
    except OSError:
        return False


_QUICKLY_READ_BYTES = 50_000_000
"""Size up to which a file's digest takes a tenth of a second or two; the track of an hour takes several seconds."""


def may_be_written(path: Path, kind: Kind | None, *, force: bool, inputs: Iterable[Path] = ()) -> None:
    """Refuse a target that must not be written.

    Parameters
    ----------
    path : Path
        Where a result is to go.
    kind : Kind or None
        What the result is; None where nothing that is there may be replaced.
    force : bool
        Whether an older result of that kind may be replaced.
    inputs : iterable of Path
        Files that are read: never written over, whatever they hold.

    Raises
    ------
    OutputError
        A folder, a link, a device; one of the inputs; a file that we did not write, that somebody has changed, or that
        is write-protected; one of ours where `force` is not set; a name that is too long, or leads elsewhere on this
        system.
    """
    plain_place(path)
    if is_too_long(path):
        raise OutputError(too_long(path))
    if path.is_dir():
        raise OutputError(f"{path} is a folder; name a file in it, or move it elsewhere")
    source = is_one_of(path, inputs)
    if source is not None:
        alike = "" if _same_file(path, source) else f" but for the case of its letters ({source.name})"
        raise OutputError(f"{path} is one of the files to be read{alike}; give the result another name")
    if not os.path.lexists(path):
        return
    if path.is_symlink():
        raise OutputError(f"{path} exists already: it is a link, and is left as it is; move it elsewhere")
    if not path.is_file():
        raise OutputError(f"{path} is not a file that can be replaced; move it elsewhere")
    if kind is not None and not force and path.stat().st_size > _QUICKLY_READ_BYTES and is_marked(path, kind):
        # Whoever must not wait for an hour's work must not wait for its digest either.
        raise OutputError(
            f"{path} exists already; give the result another name, or add --force to replace it, which is done only if "
            "nobody has changed it since"
        )
    if kind is None or not is_ours(path, kind):
        what = "to be replaced"
        if kind is not None and is_marked(path, kind):
            what = f"a {kind} just as soundplumb wrote it (it has been changed since, or comes from an early version)"
        elif kind is not None:
            what = f"a {kind} that soundplumb wrote"
        if force:
            raise OutputError(f"{path} is not {what}, so it is not replaced even with --force; move it elsewhere")
        raise OutputError(f"{path} exists already, and is not {what}; move it elsewhere")
    if not force:
        raise OutputError(f"{path} exists already; give the result another name, or add --force to replace it")
    if not path.stat().st_mode & stat.S_IWUSR:
        raise OutputError(f"{path} is write-protected, so it is not replaced; lift that, or move it elsewhere")


def is_one_of(path: Path, inputs: Iterable[Path]) -> Path | None:
    """The input that a path leads to: by a link, another way, or a name that some systems take for the same.

    Disks of macOS and Windows know no upper and lower case, and some write an accent in another way.
    """
    spelt = _spelling(path)
    return next((source for source in inputs if _same_file(path, source) or _spelling(source) == spelt), None)


def is_too_long(path: Path) -> bool:
    """Whether the disk takes no name so long."""
    try:
        path.lstat()
    except OSError as error:
        return error.errno == errno.ENAMETOOLONG
    return False


def too_long(path: Path) -> str:
    """What to say of it."""
    return f"the name {path.name} could not be written: it, or the way to it, is too long; shorten it"


def plain_place(path: Path) -> None:
    """Refuse a name that Windows takes for a device, or for a hidden part of another file ([3]).

    Raises
    ------
    OutputError
    """
    if WINDOWS and portable_name(path.name) != path.name:
        raise OutputError(
            f"'{path.name}' is no name for a file on Windows; leave out < > : \" | ? *, a point or blank at its end, "
            "and names such as CON"
        )


def portable_name(name: str) -> str:
    r"""A file name that every system takes ([3]): what some forbid is replaced, and what is too long is cut.

    Examples
    --------
    >>> portable_name('take 3: "wide"?'), portable_name("aux.old"), portable_name("evening. ")
    ('take 3_ _wide__', '_aux.old', 'evening')
    """
    plain = _FORBIDDEN.sub("_", name.replace("/", "_").replace("\\", "_")).rstrip(". ") or "_"
    while len(os.fsencode(plain)) > _LONGEST_NAME_BYTES:
        plain = plain[:-1].rstrip(". ")
    return f"_{plain}" if plain.split(".")[0].strip().lower() in _DEVICES else plain


def spelling(name: str) -> str:
    """What is the same for names that some system takes for one."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _spelling(path: Path) -> str:
    return spelling(os.path.join(os.path.realpath(path.parent), path.name))  # noqa: PTH118 the last part may be a link


def _same_file(path: Path, source: Path) -> bool:
    try:
        return path.samefile(source)
    except OSError:
        return False


def _is_track(file: BinaryIO) -> bool:
    bodies = first_bodies(file, (b"LIST", b"bext"), most_bytes=_HEAD_BYTES)
    said = bodies.get(b"LIST", b"")
    mark = TRACK_MAKER.encode()
    # bext: 256 bytes of description, then 32 of originator (EBU Tech 3285).
    by = bodies.get(b"bext", b"")[256:288].rstrip(b"\0 ")
    return (said[:8] == b"INFOISFT" and said[12:].startswith(mark + b" ")) or by == mark


def _is_table(file: BinaryIO) -> bool:
    if file.readline(_LONGEST_ROW) != (",".join(TABLE_HEAD) + "\n").encode():
        return False
    cells = ",".join(rf"(-?\d+\.\d{{{digits}}})?" if digits else r"(\d+)?" for digits in TABLE_DIGITS)
    row = re.compile(cells.encode() + rb"\n")
    while line := file.readline(_LONGEST_ROW):
        if not row.fullmatch(line):
            return False
    return True


def _is_plot(file: BinaryIO) -> bool:
    head = file.read(_HEAD_BYTES)
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        text = head.split(b"IDAT", 1)[0]
        return b"tEXtSoftware\0" + PLOT_MARK.encode() in text
    if head.startswith(b"<?xml"):
        return _SVG.search(head.split(b"</metadata>", 1)[0]) is not None
    if head.startswith(b"%PDF") and file.seek(0, os.SEEK_END) <= _MOST_PDF_BYTES:
        file.seek(0)
        whole = file.read()
        info = re.findall(rb"/Info (\d+) 0 R", whole[-_HEAD_BYTES:])
        creator = rb"\n%s 0 obj\s*<<\s*/Creator \(%s" % (info[-1] if info else b"none", PLOT_MARK.encode())
        return re.search(creator, whole) is not None
    return False


def _is_movie(file: BinaryIO) -> bool:
    head = file.read(_SOUGHT_BYTES)
    if head[4:8] == b"ftyp":
        place = int.from_bytes(head[:4], "big")
        return head[place + 4 :].startswith(b"free" + MOVIE_MARK.encode())
    return head.startswith(b"\x1a\x45\xdf\xa3") and _MOVIE_TAG.search(head) is not None


def _is_field(file: BinaryIO) -> bool:
    head = file.read(_HEAD_BYTES)
    said = f"{FIELD_TAG}={FIELD_MARK}".encode()
    return head.startswith(b"OggS") and b"OpusTags" in head and said in head.partition(b"OpusTags")[2]


_MARKS: dict[Kind, Callable[[BinaryIO], bool]] = {
    Kind.TRACK: _is_track,
    Kind.SIDECAR: lambda file: _SIDECAR.match(file.read(_HEAD_BYTES)) is not None,
    Kind.TABLE: lambda file: file.readline(_HEAD_BYTES) == (",".join(TABLE_HEAD) + "\n").encode(),
    Kind.PLOT: _is_plot,
    Kind.PAGE: lambda file: _PAGE.match(file.read(_HEAD_BYTES)) is not None,
    Kind.MOVIE: _is_movie,
    Kind.FIELD: _is_field,
    Kind.MICROPHONE: lambda file: file.read(_HEAD_BYTES).startswith(MICROPHONE_HEAD.encode()),
}
