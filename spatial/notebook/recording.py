"""A sound field in memory: read from a take, turned, written as a track.

Conventions: spatial.conventions (axes, yaw, pitch, roll, field, time).
Functions: Recording (what the others take and give); read, rotate, write_track.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.errors import InputError, OutputError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding
from spatial.jobs.inspect.channel_reading import settle
from spatial.media.output import TrackWriter, whole_file
from spatial.media.ownership import Kind
from spatial.media.takes.grouping import gather_takes
from spatial.media.takes.take import field_blocks
from spatial.notebook.doors import (
    FIELD,
    PathLike,
    SoundArray,
    at_rate,
    checked_number,
    checked_path,
    checked_paths,
    checked_rate,
    checked_sound,
    chosen_format,
)
from spatial.rotation import YawPitchRoll, checked_rotation, matrix_from_ypr, turn_field

_BLOCK = 1 << 16
"""Samples that are read or written at once, 1.4 s at 48 kHz: it bounds the memory."""

_LOWEST_TRACK_RATE_HZ = 8_000
"""Lowest rate of a field that is written as a track; a track of 48 kHz made of less has hardly any sound in it."""


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Recording:
    """A first-order sound field in memory, and where it came from.

    Raises
    ------
    InputError
        The field is not four channels of finite floats, or the rate is not from 16 to 192 kHz.
    """

    field: FloatArray
    """Shape (4, samples), W, Y, Z, X in SN3D, full scale at 1; may not be written into."""
    rate_hz: int
    paths: tuple[Path, ...] = ()
    """The files it was read from; none where it was made from an array."""
    start_s: float = 0.0
    """Time of its first sample, seconds: take time where it was read from a take, clip time where a clip cut it."""
    start_of_day_s: float | None = None
    """Seconds from midnight to its first sample by the recorder's timecode, where the files say so."""
    findings: tuple[Finding, ...] = ()
    """What was wrong with the files, or guessed about their channels."""

    def __post_init__(self) -> None:
        rate = checked_rate(self.rate_hz, "a recording")
        view = checked_sound(self.field, rate, "a recording", channels=FIELD).view()
        view.flags.writeable = False
        checked_number(self.start_s, "the start of a recording")
        object.__setattr__(self, "rate_hz", rate)
        object.__setattr__(self, "field", view)

    @property
    def samples(self) -> int:
        """Length of each channel."""
        return int(self.field.shape[1])

    @property
    def duration_s(self) -> float:
        """Length, seconds."""
        return self.samples / self.rate_hz

    @property
    def name(self) -> str:
        """Of its file, or of the first of them."""
        return self.paths[0].name if self.paths else "an array"

    def __repr__(self) -> str:
        peak = max(float(np.max(self.field)), -float(np.min(self.field)))
        level = f"peak {20 * np.log10(peak):.1f} dBFS" if peak > 0 else "silent"
        more = f", {len(self.findings)} findings" if self.findings else ""
        return (
            f"Recording of {self.name}: {self.duration_s:.2f} s from {self.start_s:.2f} s on, {self.rate_hz} Hz, "
            f"W Y Z X in SN3D, {level}{more}"
        )


FieldLike = TypeVar("FieldLike", SoundArray, Recording)


def read(
    path: PathLike | Sequence[PathLike],
    *,
    start_s: float = 0.0,
    stop_s: float | None = None,
    read_as: ReadAs | str = ChannelFormat.AMBIX,
) -> Recording:
    """Read a take, or a part of it, into memory: 46 MB a minute at 48 kHz.

    Parameters
    ----------
    path : str, Path, or list of them
        One take: WAV, FLAC or CAF of four channels or more, 44.1 to 192 kHz. Several files are those that hold its
        channels, or continue each other; their order does not matter where their names tell it.
    start_s, stop_s : float
        The part to read, seconds of take time; by default all of it.
    read_as : {"ambix", "n3d", "fuma", "auto", "aformat"} or ReadAs
        How its channels are to be read; "ambix" is ACN order and SN3D.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        A span that is none or reaches outside the take; files of several takes; a format that is none.
    MediaFileError
        A file is missing, damaged, or no such recording.

    Examples
    --------
    >>> from demo_audio import shoot_files
    >>> take = next(str(item) for item in shoot_files() if item.name == "rec-0041.flac")
    >>> read(take, start_s=2.0, stop_s=3.5).field.shape
    (4, 72000)
    """
    paths = checked_paths(path, "the take")
    gathered = gather_takes(paths, channel_format=chosen_format(read_as))
    if gathered.failures:
        raise gathered.failures[0][1]
    if len(gathered.takes) > 1:
        names = ", ".join(take.path.name for take in gathered.takes)
        raise InputError(f"these are {len(gathered.takes)} recordings ({names}), not one; read them one by one")
    take, _ = settle(gathered.takes[0])
    first_s = checked_number(start_s, "start_s", least=0.0)
    last_s = take.duration_s if stop_s is None else checked_number(stop_s, "stop_s", least=0.0)
    first, last = round(first_s * take.rate_hz), round(last_s * take.rate_hz)
    if not first < last <= take.samples:
        raise InputError(
            f"there is no span from {first_s:g} to {last_s:g} s in {take.path.name}, which is {take.duration_s:.3f} s "
            "long; stop_s must come after start_s and lie within the take"
        )
    field = np.empty((4, last - first), dtype=np.float32)
    place = 0
    for block in field_blocks(take, start_sample=first, stop_sample=last, block_samples=_BLOCK):
        field[:, place : place + block.shape[1]] = block
        place += block.shape[1]
    day_s = None if take.start_of_day_s is None else take.start_of_day_s + first / take.rate_hz
    return Recording(field, take.rate_hz, take.paths, first / take.rate_hz, day_s, take.findings)


def rotate(
    field: FieldLike,
    *,
    yaw_deg: float | None = None,
    pitch_deg: float | None = None,
    roll_deg: float | None = None,
    matrix: FloatArray | None = None,
) -> FieldLike:
    """Turn a sound field: what was heard at azimuth a is heard at a + yaw_deg.

    Parameters
    ----------
    field : Recording, or ndarray of float, shape (4, samples)
        W, Y, Z, X in SN3D.
    yaw_deg, pitch_deg, roll_deg : float
        Degrees: to the left, UP, right side DOWN; in this order about the moving axes. Those left out are 0.
    matrix : ndarray, shape (3, 3)
        The same as a rotation matrix instead, such as the `matrix` of a Mount: picture_from_mic.

    Returns
    -------
    Recording, or ndarray, shape (4, samples), same dtype
        A new one; W is as it was.

    Raises
    ------
    InputError
        No turn is named, or angles and a matrix; angles that are not finite; no rotation; no field.

    Examples
    --------
    >>> ahead = np.array([[1.0], [0.0], [0.0], [1.0]])
    >>> rotate(ahead, yaw_deg=90.0).round(6).ravel().tolist()
    [1.0, 1.0, 0.0, 0.0]
    """
    angles = {"yaw_deg": yaw_deg, "pitch_deg": pitch_deg, "roll_deg": roll_deg}
    given = {name: checked_number(angle, name) for name, angle in angles.items() if angle is not None}
    if matrix is None and not given:
        raise InputError(
            "no turn is named: give yaw_deg, pitch_deg or roll_deg, or a matrix; the matrix of a mount that was not "
            "found is None"
        )
    if matrix is not None and given:
        raise InputError("a turn is named twice: give angles or a matrix, not both")
    if matrix is None:
        turn = matrix_from_ypr(YawPitchRoll.from_degrees(*(given.get(name, 0.0) for name in angles)))
    else:
        turn = checked_rotation(matrix)
    if isinstance(field, Recording):
        return replace(field, field=turn_field(field.field, turn))
    # The rate only places a bad sample in time, which nobody can do here.
    return turn_field(checked_sound(field, 1, "the field", channels=FIELD), turn)


def write_track(
    path: PathLike,
    field: Recording | SoundArray,
    rate_hz: float | None = None,
    *,
    start_of_day_s: float | None = None,
    force: bool = False,
) -> Path:
    """Write a sound field as a track: WAV, 48 kHz, 24 bit, marked as ACN/SN3D; whole or not at all.

    A field of another rate is resampled.

    Parameters
    ----------
    path : str or Path
        Ends in .wav.
    field : Recording, or ndarray of float, shape (4, samples)
        W, Y, Z, X in SN3D, full scale at 1.
    rate_hz : float
        Of an array, 8 to 192 kHz; a Recording has its own.
    start_of_day_s : float
        Seconds from midnight to the first sample, for the track's time stamp; a Recording may have its own.
    force : bool
        Replace an older track that Soundplumb wrote and nobody has changed; nothing else is ever replaced.

    Returns
    -------
    Path
        Of the track.

    Raises
    ------
    InputError
        No field, no rate, or samples beyond full scale, which would be cut off.
    OutputError
        The name does not end in .wav; a file is there already; the folder is missing or full.
    """
    output = checked_path(path, "the track")
    if output.suffix.lower() != ".wav":
        raise OutputError(f"a track is written as WAV; end its name in .wav, not as in '{output.name}'")
    inputs: tuple[Path, ...] = ()
    if isinstance(field, Recording):
        if rate_hz is not None:
            raise InputError("a recording has a rate of its own; leave rate_hz out")
        data, rate, inputs = field.field, field.rate_hz, field.paths
        day_s = field.start_of_day_s if start_of_day_s is None else start_of_day_s
    else:
        rate = checked_rate(rate_hz, "the field", least_hz=_LOWEST_TRACK_RATE_HZ)
        data, day_s = checked_sound(field, rate, "the field", channels=FIELD), start_of_day_s
    if day_s is not None:
        day_s = checked_number(day_s, "start_of_day_s")
    whole = at_rate(data, rate, DELIVERY_RATE_HZ)
    peak = max(float(np.max(whole)), -float(np.min(whole)))
    if peak > 1.0:
        raise InputError(
            f"the field reaches {20 * np.log10(peak):.1f} dB over full scale, which a track would cut off; multiply it "
            f"by {0.99 / peak:.2g}"
        )
    with (
        whole_file(output, Kind.TRACK, force=force, inputs=inputs) as temporary,
        TrackWriter(temporary, start_of_day_s=day_s) as writer,
    ):
        for first in range(0, whole.shape[1], _BLOCK):
            writer.write(whole[:, first : first + _BLOCK])
    return output
