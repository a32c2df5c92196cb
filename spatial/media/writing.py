"""Results on disk: whole or not at all, never over an input, over an older result only when told to.

Conventions: spatial.conventions (field).
Functions: check_target (may this be written); whole_file (a path that becomes the result in one step);
write_text_whole; TrackWriter (the delivered track: 48 kHz, 24-bit, ACN/SN3D).
"""

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import InputError, OutputError
from spatial.media.adm import axml_body, chna_body
from spatial.media.bext import DAY_S, bext_body
from spatial.media.wav import wav_header

_SAMPLE_BYTES = 3
_FULL_SCALE = 1 << 23
"""A sample of 1.0 in steps of 24 bits; the highest that can be written is one step less."""

_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_NOT_WRITABLE = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})


@contextmanager
def whole_file(path: Path | str, *, force: bool = False, inputs: Sequence[Path] = ()) -> Iterator[Path]:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : path
        The result.
    force : bool
        Replace a file that is there. A link is replaced itself; what it points to stays as it is.
    inputs : sequence of Path
        Files the result is made from: never written over, under whatever name or link.

    Yields
    ------
    Path
        Where to write: a file of the same name on the same disk, which moves to `path` in one step when
        the with block ends well, and is removed when it ends in any other way, Ctrl-C included.

    Raises
    ------
    OutputError
        The result exists, is a folder or an input; its folder is missing or read-only; the disk is full.
    """
    path = Path(path)
    folder: Path | None = None
    ours = True
    try:
        check_target(path, force=force, inputs=inputs)
        # A folder of its own, so that whatever speaks of the file meanwhile calls it by its right name.
        folder = Path(tempfile.mkdtemp(prefix=".soundplumb-", dir=path.parent))
        temporary = folder / path.name
        ours = False
        yield temporary
        ours = True
        _settle(temporary, path, force=force)
    except OSError as error:
        # From within the with block, only what is surely about this file is told as such.
        if not (ours or error.errno in _NO_ROOM or error.filename == str(temporary)):
            raise
        raise OutputError(_sentence(path, error)) from error
    finally:
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)


def write_text_whole(path: Path | str, text: str, *, force: bool = False, inputs: Sequence[Path] = ()) -> None:
    """Write text in UTF-8, whole or not at all. Raises as whole_file does."""
    with whole_file(path, force=force, inputs=inputs) as temporary:
        # File names may hold bytes that are no text: they are escaped, not a crash.
        temporary.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


class TrackWriter:
    """The delivered track, written as it is made. Use in a with statement.

    WAV at 48 kHz, 24-bit, four channels; BW64 by itself where the size needs it. Its chna and axml chunks name the
    channels W, Y, Z, X in SN3D, and bext tells the time of day. Samples are rounded to the nearest step without
    dither: the error, 144 dB down, lies far below the noise of any microphone.

    Parameters
    ----------
    path : path
    start_of_day_s : float, optional
        Seconds from midnight at the first sample; where it is not known there is no bext chunk, for its time
        reference would say midnight.

    Attributes
    ----------
    samples : int
        Written so far, of each channel.
    peak : float
        Largest size of any value given, 1 = full scale.
    clipped : int
        Values beyond full scale, of all channels: written as full scale.
    """

    def __init__(self, path: Path | str, *, start_of_day_s: float | None = None) -> None:
        self._path = Path(path)
        self._chunks = [(b"chna", chna_body()), (b"axml", axml_body(rate_hz=DELIVERY_RATE_HZ, bits=8 * _SAMPLE_BYTES))]
        if start_of_day_s is not None:
            self._chunks.insert(0, (b"bext", _bext(start_of_day_s)))
        self.samples = 0
        self.peak = 0.0
        self.clipped = 0

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("wb")
        except OSError as error:
            raise OutputError(_sentence(self._path, error)) from error
        self._put(self._header())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self._file.seek(0)
                self._file.write(self._header())
            self._file.close()
        except OSError as failure:
            with suppress(OSError):
                self._file.close()
            if error is None:
                raise OutputError(_sentence(self._path, failure)) from failure

    def write(self, block: FloatArray) -> None:
        """Append a block.

        Parameters
        ----------
        block : ndarray, shape (4, samples)
            W, Y, Z, X in SN3D.

        Raises
        ------
        InputError
            Another shape, or a value that is NaN or infinite.
        OutputError
            It cannot be written, as on a full disk.
        """
        if block.ndim != 2 or block.shape[0] != FIRST_ORDER_CHANNELS:
            raise InputError(f"a track is written in blocks of shape (4, samples), got {block.shape}")
        peak = float(np.max(np.abs(block), initial=0.0))
        if not np.isfinite(peak):
            raise InputError(
                f"a sample near {self.samples / DELIVERY_RATE_HZ:.3f} s of the track is not a finite number"
            )
        if peak > 1.0:
            self.clipped += int(np.count_nonzero(np.abs(block) > 1.0))
        # Scaling by a power of two is exact, so only rint rounds; the clip keeps 1.0 from wrapping round to -1.
        steps = np.clip(np.rint(block.T * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1).astype("<i4", order="C")
        self._put(steps.view(np.uint8).reshape(-1, 4)[:, :_SAMPLE_BYTES].tobytes())
        self.samples += block.shape[1]
        self.peak = max(self.peak, peak)

    def _header(self) -> bytes:
        return wav_header(
            channels=FIRST_ORDER_CHANNELS,
            rate_hz=DELIVERY_RATE_HZ,
            sample_bytes=_SAMPLE_BYTES,
            data_bytes=self.samples * FIRST_ORDER_CHANNELS * _SAMPLE_BYTES,
            chunks=self._chunks,
        )

    def _put(self, data: bytes) -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise OutputError(_sentence(self._path, error)) from error


def _bext(start_of_day_s: float) -> bytes:
    return bext_body(
        time_reference=round(start_of_day_s % DAY_S * DELIVERY_RATE_HZ),
        originator="Soundplumb",
        description="First-order sound field, W Y Z X, SN3D",
        coding_history=f"A=PCM,F={DELIVERY_RATE_HZ},W={8 * _SAMPLE_BYTES},T=Soundplumb\r\n",
    )


def check_target(path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Refuse a target that must not be written, before any work is done.

    Raises
    ------
    OutputError
        A folder, one of the inputs, no plain file, or a file that exists and `force` is not set.
    """
    if path.is_dir():
        raise OutputError(f"{path} is a folder; name a file in it")
    for source in inputs:
        if path.exists() and source.exists() and path.samefile(source):
            raise OutputError(f"{path} is one of the files to be read; give the result another name")
    if path.exists() and not path.is_file():
        raise OutputError(f"{path} is not a file that can be replaced; give the result another name")
    if os.path.lexists(path) and not force:
        raise OutputError(f"{path} exists already; give the result another name, or add --force to replace it")


def _settle(temporary: Path, path: Path, *, force: bool) -> None:
    """Move a finished file to its place, with its bytes on the disk before its name."""
    with temporary.open("rb+") as file:
        os.fsync(file.fileno())
    if not force:
        try:
            # Fails where a file has appeared since; a plain move would replace it.
            path.hardlink_to(temporary)
        except FileExistsError as error:
            raise _appeared(path) from error
        except OSError:
            # Memory cards and some network disks know no links: claim the name, then move onto our own claim.
            try:
                path.open("xb").close()
            except FileExistsError as error:
                raise _appeared(path) from error
            temporary.replace(path)
    else:
        temporary.replace(path)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    # Not every system lets a folder be opened; the file itself is safe by then.
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _appeared(path: Path) -> OutputError:
    return OutputError(
        f"{path} has appeared while the result was made; it was left as it is: move it and run this again"
    )


def _sentence(path: Path, error: OSError) -> str:
    """What went wrong in writing, and what to do."""
    if error.errno in _NO_ROOM:
        return f"there is no room left on the disk for {path.name}; free some, or name another folder"
    if error.errno in (errno.ENOENT, errno.ENOTDIR) and not path.parent.is_dir():
        return f"there is no folder {path.parent} to write {path.name} to; make it, or name another"
    if error.errno in _NOT_WRITABLE:
        return f"{path.name} may not be written to the folder {path.parent}; name another folder"
    return f"{path.name} could not be written ({error.strerror}); name another folder"
