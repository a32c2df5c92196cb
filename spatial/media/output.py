"""Results on disk: whole or not at all, never over an input, over an older result only when that is asked for.

Goal: a run that is killed, or a disk that fills up, leaves no half of a result; several files that belong together go
to their places without being stopped between them.
Method: each file is made in a folder of its own on the same disk and moved when it is whole. What may be replaced is
decided by spatial.media.ownership. While the files move, Ctrl-C and the like wait until the last of them lies there;
they are not lost.
Conventions: spatial.conventions (field).
Functions: whole_file (a path that becomes the result in one step); whole_files (several that belong together);
write_text_whole; add_to_text (to somebody's own file); TrackWriter (the delivered track: 48 kHz, 24-bit, ACN/SN3D);
unstopped (signals wait, for a with block); no_folder (a sentence).
"""

import errno
import os
import signal
import stat
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import STOP_SIGNALS, InputError, OutputError
from spatial.media.ownership import TRACK_MAKER, Kind, maker_chunk, may_be_written, put_seal, too_long
from spatial.media.wav.adm import axml_body, chna_body
from spatial.media.wav.metadata import bext_body
from spatial.media.wav.riff import wav_header
from spatial.media.wav.track_notes import ParentFile, TrackNotes, notes_chunks, parent_ixml
from spatial.media.work_folders import WINDOWS, working_folder
from spatial.timebase import DAY_S

# --- moments that are not interrupted ---


class _Waiting:
    """Signals that came while they were held back."""

    def __init__(self) -> None:
        self._came: list[int] = []
        self._before: dict[int, Any] = {}

    def hold(self) -> None:
        # Python lets only the main thread set handlers, and runs them there: no other is stopped by them.
        if threading.current_thread() is threading.main_thread():
            for number in (getattr(signal, name) for name in STOP_SIGNALS if hasattr(signal, name)):
                self._before[number] = signal.signal(number, self._note)

    def release(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        self._before.clear()
        if self._came:
            signal.raise_signal(self._came.pop())

    def _note(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002 Python passes them
        self._came.append(number)


@contextmanager
def unstopped() -> Iterator[None]:
    """Hold signals back until the with block is left; keep it short."""
    waiting = _Waiting()
    waiting.hold()
    try:
        yield
    finally:
        waiting.release()


# --- whole files ---

_SAMPLE_BYTES = 3
"""Bytes of a sample of the delivered track: 24 bits."""

_FULL_SCALE = 1 << 23
"""A sample of 1.0 in steps of 24 bits; the highest that can be written is one step less."""

_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
"""Errors that mean a full disk, a used-up quota or a file larger than the disk's format takes."""

_NOT_WRITABLE = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})
"""Errors that mean a folder or disk that may not be written to."""

_LONGEST_PATH = 220
"""Letters of a path that Windows takes, less those of the folder in which a file is made before it goes there."""


@contextmanager
def whole_files(
    targets: Sequence[tuple[Path, Kind | None]], *, force: bool = False, inputs: Sequence[Path] = ()
) -> Iterator[list[Path]]:
    """Write files of one folder, which only mean something together, whole or not at all.

    Parameters
    ----------
    targets : sequence of (Path, Kind or None)
        The results, and what they are. They appear in this order; an older one of any but the first goes before the
        first is replaced, so that a run that is killed between leaves no two that do not belong together.
    force : bool
        Replace older results of ours of the same kind, and nothing else: see `spatial.media.ownership`.
    inputs : sequence of Path
        Files the results are made from: never written over, under whatever name or link.

    Yields
    ------
    list of Path
        Where to write: files of the same names on the same disk, which go to their places when the with block ends
        well, and are removed when it ends in any other way, Ctrl-C included.

    Raises
    ------
    OutputError
        A result may not be written there; its folder is missing or read-only; the disk is full.
    """
    first = targets[0][0]
    temporaries: list[Path] = []
    ours = True
    try:
        for path, kind in targets:
            may_be_written(path, kind, force=force, inputs=inputs)
        # A folder of its own, so that whatever speaks of the files meanwhile calls them by their right names.
        with working_folder(first.parent) as folder:
            temporaries = [folder / path.name for path, _ in targets]
            ours = False
            yield temporaries
            ours = True
            for temporary in temporaries:
                put_seal(temporary)
                with temporary.open("rb+") as file:
                    os.fsync(file.fileno())
            with unstopped():
                _settle(folder, temporaries, targets, force=force, inputs=inputs)
    except OSError as error:
        # From within the with block, only what is surely about these files is reported as such.
        if not (ours or error.errno in _NO_ROOM or error.filename in map(str, temporaries)):
            raise
        about = next((path for path, _ in targets if path.name == Path(str(error.filename)).name), first)
        raise OutputError(_sentence(about, error)) from error


@contextmanager
def whole_file(
    path: Path | str, kind: Kind | None = None, *, force: bool = False, inputs: Sequence[Path] = ()
) -> Iterator[Path]:
    """Write one file whole or not at all: `whole_files` of one."""
    with whole_files([(Path(path), kind)], force=force, inputs=inputs) as (temporary,):
        yield temporary


def write_text_whole(
    path: Path | str, text: str, kind: Kind | None = None, *, force: bool = False, inputs: Sequence[Path] = ()
) -> None:
    """Write text in UTF-8, whole or not at all. Raises as whole_files does."""
    with whole_file(path, kind, force=force, inputs=inputs) as temporary:
        # File names may hold bytes that are no text: they are escaped, not a crash.
        temporary.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


def add_to_text(path: Path, text: str, was: bytes) -> None:
    """Put a text in the place of a file of somebody's own, who asked for that: whole or not at all.

    Parameters
    ----------
    path : Path
    text : str
        What was there, with what is added to it.
    was : bytes
        What was there when the text was made.

    Raises
    ------
    OutputError
        It is a link, is write-protected, or has been changed meanwhile; its folder is read-only; the disk is full.
    """
    try:
        with working_folder(path.parent) as folder:
            temporary = folder / path.name
            temporary.write_text(text, encoding="utf-8", newline="")
            with temporary.open("rb+") as file:
                os.fsync(file.fileno())
            if path.is_symlink() or not path.stat().st_mode & stat.S_IWUSR:
                raise OutputError(f"{path} is a link or write-protected, so nothing is added to it; lift that")
            with unstopped():
                if path.read_bytes() != was:
                    raise OutputError(f"{path} was changed while the work was done; nothing is added: run this again")
                temporary.replace(path)
                _sync_folder(path.parent)
    except OSError as error:
        raise OutputError(_sentence(path, error)) from error


def _interleaved(steps: npt.NDArray[np.int32]) -> memoryview:
    """Whole numbers of shape (channels, samples) as 24 bits each, one channel after the other in each sample.

    Each number is laid down with all of its four bytes, of which the last spills into the number that follows it; that
    one is laid down later. A channel goes into all samples at once, so only the last channel's numbers, which the
    first channel's follow, need to come first, and their lowest byte again in the end.
    """
    channels, samples = steps.shape
    if not samples:
        return memoryview(b"")
    frame = channels * _SAMPLE_BYTES
    raw = bytearray(samples * frame + 1)

    def places(channel: int, kind: str) -> npt.NDArray[np.integer]:
        return np.ndarray((samples,), kind, raw, channel * _SAMPLE_BYTES, (frame,))

    for channel in (channels - 1, *range(channels - 1)):
        places(channel, "<i4")[:] = steps[channel]
    places(channels - 1, "u1")[:] = steps[channels - 1] & 0xFF
    return memoryview(raw)[: samples * frame]


class TrackWriter:
    """The delivered track, or another recording cut to its length, written as it is made. Use in a with statement.

    WAV at 48 kHz, 24-bit, four channels unless said otherwise; BW64 by itself where the size needs it. Chunks chna and
    axml name the channels of a field W, Y, Z, X in SN3D, LIST names this program as its maker, and bext tells the time
    of day. Samples are rounded to the nearest step without dither: the error, 144 dB down, lies far below the noise of
    any microphone.

    Parameters
    ----------
    path : path
    start_of_day_s : float, optional
        Seconds from midnight at the first sample; where it is not known there is no bext chunk, for its time
        reference would say midnight.
    notes : TrackNotes, optional
        What an editor is told: bext then holds it, with the time of day that it names, and so does an iXML chunk.
    channels : int
        Four are a field and are named as one.
    description : str
        What it is, for the bext chunk.
    parent : ParentFile, optional
        The file that it is cut from, for an iXML chunk; not beside notes, which name it themselves.

    Attributes
    ----------
    samples : int
        Written so far, of each channel.
    peak : float
        Largest size of any value given, 1 = full scale.
    clipped : int
        Values beyond full scale, of all channels: written as full scale.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        start_of_day_s: float | None = None,
        notes: TrackNotes | None = None,
        channels: int = FIRST_ORDER_CHANNELS,
        description: str = "First-order sound field, W Y Z X, SN3D",
        parent: ParentFile | None = None,
    ) -> None:
        self._path = Path(path)
        self._channels = channels
        self._chunks = [maker_chunk()]
        if channels == FIRST_ORDER_CHANNELS:
            self._chunks += [
                (b"chna", chna_body()),
                (b"axml", axml_body(rate_hz=DELIVERY_RATE_HZ, bits=8 * _SAMPLE_BYTES)),
            ]
        if notes is not None:
            bext, ixml = notes_chunks(notes, TRACK_MAKER)
            self._chunks = [bext, *self._chunks, ixml]
        elif start_of_day_s is not None:
            self._chunks.insert(0, (b"bext", _bext(start_of_day_s, description)))
        if parent is not None:
            self._chunks.append((b"iXML", parent_ixml(parent)))
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
        block : ndarray, shape (channels, samples)
            Of a field W, Y, Z, X in SN3D.

        Raises
        ------
        InputError
            Another shape, or a value that is NaN or infinite.
        OutputError
            It cannot be written, as on a full disk.
        """
        if block.ndim != 2 or block.shape[0] != self._channels:
            raise InputError(f"a track is written in blocks of shape ({self._channels}, samples), got {block.shape}")
        # Not of its sizes, which would be another block.
        peak = max(float(np.max(block, initial=0.0)), -float(np.min(block, initial=0.0)))
        if not np.isfinite(peak):
            raise InputError(
                f"a sample near {self.samples / DELIVERY_RATE_HZ:.3f} s of the track is not a finite number"
            )
        if peak > 1.0:
            self.clipped += int(np.count_nonzero(np.abs(block) > 1.0))
        # Scaling by a power of two is exact, so only rint rounds; the clip keeps 1.0 from wrapping round to -1.
        steps = block * np.float32(_FULL_SCALE)
        np.clip(np.rint(steps, out=steps), -_FULL_SCALE, _FULL_SCALE - 1, out=steps)
        self._put(_interleaved(steps.astype("<i4")))
        self.samples += block.shape[1]
        self.peak = max(self.peak, peak)

    def _header(self) -> bytes:
        return wav_header(
            channels=self._channels,
            rate_hz=DELIVERY_RATE_HZ,
            sample_bytes=_SAMPLE_BYTES,
            data_bytes=self.samples * self._channels * _SAMPLE_BYTES,
            chunks=self._chunks,
        )

    def _put(self, data: bytes | memoryview) -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise OutputError(_sentence(self._path, error)) from error


def _bext(start_of_day_s: float, description: str) -> bytes:
    return bext_body(
        time_reference=round(start_of_day_s % DAY_S * DELIVERY_RATE_HZ),
        originator=TRACK_MAKER,
        description=description,
        coding_history=f"A=PCM,F={DELIVERY_RATE_HZ},W={8 * _SAMPLE_BYTES},T={TRACK_MAKER}\r\n",
    )


def _settle(
    folder: Path,
    temporaries: Sequence[Path],
    targets: Sequence[tuple[Path, Kind | None]],
    *,
    force: bool,
    inputs: Sequence[Path],
) -> None:
    """Move finished files to their places; where the first cannot go, all is as it was."""
    placed: list[Path] = []
    aside: list[tuple[Path, Path]] = []
    try:
        if force:
            for path, kind in targets:
                # What lay there before the work may be something else now.
                may_be_written(path, kind, force=True, inputs=inputs)
            for number, (path, _) in enumerate(targets[1:]):
                if path.exists():
                    kept = folder / f".older-{number}"
                    path.replace(kept)
                    aside.append((kept, path))
        for temporary, (path, _) in zip(temporaries, targets, strict=True):
            _move(temporary, path, force=force)
            placed.append(path)
    except BaseException as error:
        if not force:
            for path in placed:
                path.unlink()
        elif not placed:
            for kept, path in aside:
                kept.replace(path)
        if isinstance(error, PermissionError):
            name = Path(str(error.filename2 or error.filename)).name
            raise OutputError(
                f"{name} may not be put in its place: it is open in another program, or its folder is protected; "
                "close it there, and run this again"
            ) from error
        raise
    _sync_folder(targets[0][0].parent)


def _move(temporary: Path, path: Path, *, force: bool) -> None:
    if force:
        temporary.replace(path)
        return
    try:
        # Fails where a file has appeared since; a plain move would replace it.
        path.hardlink_to(temporary)
    except FileExistsError as error:
        raise _appeared(path) from error
    except (OSError, NotImplementedError):
        # Memory cards and some network disks know no links: claim the name, then move onto our own claim.
        try:
            path.open("xb").close()
        except FileExistsError as error:
            raise _appeared(path) from error
        temporary.replace(path)


def _sync_folder(folder: Path) -> None:
    # Windows lets no folder be opened, nor do some network disks; the file itself is safe by then.
    if WINDOWS:
        return
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


def no_folder(path: Path) -> str:
    """What to say where the folder of a result is none."""
    if os.path.lexists(path.parent):
        return f"{path.parent} is not a folder, so {path.name} cannot be written to it; name another folder"
    return f"there is no folder {path.parent} to write {path.name} to; make it, or name another"


def _sentence(path: Path, error: OSError) -> str:
    """What went wrong in writing, and what to do."""
    if error.errno in _NO_ROOM:
        return f"there is no room left on the disk for {path.name}; free some, or name another folder"
    if error.errno in (errno.ENOENT, errno.ENOTDIR) and not path.parent.is_dir():
        return no_folder(path)
    if error.errno == errno.ENAMETOOLONG or (WINDOWS and len(str(path.absolute())) > _LONGEST_PATH):
        return too_long(path)
    if error.errno in _NOT_WRITABLE:
        return f"{path.name} may not be written to the folder {path.parent}; name another folder"
    return f"{path.name} could not be written ({error.strerror}); name another folder"
