"""The seal of a result: a digest of the whole file, written inside it, which no longer fits once anything is changed.

Goal: a result that somebody has worked on since is somebody's work, whatever still stands in it about its maker.
Functions: put_seal (on a file whose maker left room for it); is_sealed (whether it still fits); digest_of (a file's).
Sources:
[1] W3C, "Portable Network Graphics": each chunk ends in a check sum of its kind and body.
"""

import hashlib
import os
import re
import zlib
from pathlib import Path
from typing import BinaryIO

_DIGITS = 64
BLANK_SEAL = "soundplumb-seal-" + "0" * _DIGITS
"""What a maker writes where the seal is to go."""

_SEAL = re.compile(rb"soundplumb-seal-([0-9a-f]{64})")
_SOUGHT_BYTES = 1 << 16
"""A seal stands among what is said of a file, which comes first, or last of all."""

_BLOCK_BYTES = 1 << 20
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
_CHECK_BYTES = 4


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
        seal = _digest(file, place, length).encode()
        if length > _DIGITS:
            seal += _check_sum(file, place, seal)
        file.seek(place)
        file.write(seal)


def is_sealed(file: BinaryIO) -> bool:
    """Whether a file is just as it was when it was sealed. It is read from end to end, a block at a time."""
    found = _place(file)
    if found is None:
        return False
    place, length = found
    file.seek(place)
    return file.read(_DIGITS) == _digest(file, place, length).encode()


def digest_of(path: Path) -> str:
    """SHA-256 of a whole file, read a block at a time."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _place(file: BinaryIO) -> tuple[int, int] | None:
    """Where the digits of the seal start, and how many bytes it changes: in a PNG, the check sum after it too ([1])."""
    size = file.seek(0, os.SEEK_END)
    for start in (0, max(0, size - _SOUGHT_BYTES)):
        file.seek(start)
        held = file.read(_SOUGHT_BYTES)
        found = _SEAL.search(held)
        if found:
            png = start == 0 and held.startswith(_PNG_HEAD)
            return start + found.start(1), _DIGITS + _CHECK_BYTES * png
    return None


def _digest(file: BinaryIO, place: int, length: int) -> str:
    """SHA-256 of a file without the bytes that the seal itself changes."""
    digest = hashlib.sha256()
    file.seek(0)
    digest.update(file.read(place))
    file.seek(place + length)
    while block := file.read(_BLOCK_BYTES):
        digest.update(block)
    return digest.hexdigest()


def _check_sum(file: BinaryIO, place: int, seal: bytes) -> bytes:
    file.seek(0)
    before = file.read(place)
    return zlib.crc32(before[before.rindex(b"tEXt") :] + seal).to_bytes(_CHECK_BYTES, "big")
