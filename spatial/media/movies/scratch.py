"""The sound of a movie, decoded in a stream and placed on picture time.

Goal: a sound and a picture that happened together get the same clip time, to the sample where the container allows it.
Every audio frame is placed by its time stamp, never by counting samples alone: the stamps carry the edit list, the
encoder's priming, a late start and holes.
Conventions: spatial.conventions (time, array layout).
Functions: find_scratch (where the sound starts, and how sure that is); placed_sound (the sound itself); joined (two
tracks as left and right); samples_of (what a decoded frame holds).
"""

import math
import statistics
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.audio.plane import AudioPlane

from spatial.conventions import FloatArray
from spatial.errors import MediaFileError
from spatial.media.movies.boxes import movie_clock_s
from spatial.media.movies.container import only_sound, opened

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
"""Sample rates a camera's sound may have, both included. At 1 Hz a small file would last for days."""

MOST_CHANNELS = 64
"""Most channels of one stream of sound."""

_MOST_BLOCK = 1 << 22
"""Samples of all channels in a block: 16 MB."""

_NO_SAMPLE = 1e6
"""120 dB over full scale is damage, not sound."""

HOLE_S = 0.003
"""A time stamp this far from the count of samples is a hole or a jump. Smaller steps are rounding: the stamps of
MKV and FLV are whole milliseconds, and two rounded stamps differ by up to 1 ms from the truth."""

_WORTH_SEEKING_S, _LEAD_IN_S = 10.0, 0.5
"""Sound before a stretch that is skipped where it is longer than this; and what is decoded before the stretch all the
same, because a transform codec's first frames after a jump lack what overlaps them."""

_BESIDE = 0.5
"""Two tracks whose first samples are closer than this, in samples, are left and right of one recording."""

_FIRST_FRAMES = 64
"""Audio frames whose time stamps place the start: 1.4 s of AAC."""

_FINE_CLOCK_S = 1e-4
"""Clocks with ticks up to here place sound well enough; a coarser one is named as a doubt."""

_SAMPLE_TYPES = {"u8": "u1", "s16": "i2", "s32": "i4", "flt": "f4", "dbl": "f8"}
"""Names of the decoder's kinds of samples and of numpy's."""

_INTEGER_STEP = {np.dtype("i2"): np.float32(2.0**-15), np.dtype("i4"): np.float32(2.0**-31)}
"""What makes full scale 1. Sound of 24 bits is decoded into the upper bits of 32."""


@dataclass(frozen=True, slots=True)
class Scratch:
    """The clip's own sound."""

    codec: str
    rate_hz: int
    channels: int
    phase_s: float
    """Clip time of the first sample that placed_sound yields: in [0, 1/rate_hz), or whole samples later where only a
    stretch of the clip is listened to."""
    start_s: float
    """Clip time at which the movie's sound really starts: before the picture (negative), with it, or late."""
    start_doubt_s: float
    """How far start_s may be off, because the container does not say: one codec frame where the encoder's priming
    is not declared, one tick where a late start is written in a coarse clock; 0 where it is certain."""
    track: int = 0
    """Which of the clip's streams of sound that can be decoded it is, from 0."""
    picked: tuple[int, ...] = ()
    """Which channels of that stream are used, from 0; empty for all of them."""
    right: "Scratch | None" = None
    """The right channel, where the camera wrote left and right as two tracks of one channel; this is the left one."""


@dataclass(frozen=True, slots=True)
class _Stamp:
    """A decoded frame's time stamp, in ticks, and its length in samples."""

    pts: int
    samples: int


def find_scratch(
    container: Any, stream: Any, path: Path, *, zero_s: float | None, track: int = 0, picked: tuple[int, ...] = ()
) -> Scratch | None:
    """Decode the first second or so of a movie's sound to learn its form and where it starts.

    Parameters
    ----------
    container, stream : av.container.InputContainer, av.AudioStream
        At the start of the file.
    path : Path
        The same file.
    zero_s : float or None
        Container time of the first shown picture frame; None for sound alone, which starts at its first sample.
    track : int
        Which of container.sound_streams the stream is.
    picked : tuple of int
        Channels that are used; empty for all.

    Returns
    -------
    Scratch or None
        None when the stream holds no sound.
    """
    first_packet_pts: int | None = None
    frames: list[Any] = []
    for packet in container.demux(stream):
        if first_packet_pts is None:
            first_packet_pts = packet.pts
        frames += packet.decode()
        if len(frames) >= _FIRST_FRAMES:
            break
    if not frames:
        return None
    rate, channels = frames[0].sample_rate, frames[0].layout.nb_channels
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise MediaFileError(
            f"the sound in {path.name} has a sample rate of {rate} Hz; a camera's sound needs {LOWEST_RATE_HZ} to "
            f"{HIGHEST_RATE_HZ} Hz"
        )
    if channels > MOST_CHANNELS:
        raise MediaFileError(
            f"the sound in {path.name} has {channels} channels, and {MOST_CHANNELS} are the most; export it in stereo"
        )
    codec, channels = stream.codec_context.name, len(picked) or channels
    if zero_s is None:
        return Scratch(codec, rate, channels, 0.0, 0.0, 0.0, track, picked)

    stamps = [_Stamp(frame.pts, frame.samples) for frame in frames if frame.pts is not None]
    if not stamps:
        raise MediaFileError(
            f"the sound in {path.name} carries no time stamps, so nothing ties it to the picture; "
            "export it as MP4 or MOV"
        )
    tick_s = float(stream.time_base)
    late_by_edit_list = "mov" in container.format.name and stream.frames > 0 and (stream.start_time or 0) > 0
    # The first frame comes after the first packet where the file told the decoder to drop the priming.
    declared = late_by_edit_list or (first_packet_pts is not None and stamps[0].pts > first_packet_pts)
    start_s = _start(stamps, tick_s, rate, zero_s) - zero_s
    doubt_s = 0.0
    if late_by_edit_list:
        tick_s = max(tick_s, movie_clock_s(path) or 0.0)
    if tick_s > _FINE_CLOCK_S and start_s != 0.0:
        doubt_s = tick_s
    if not declared and _has_priming(stream.codec_context):
        doubt_s = max(doubt_s, max(stamp.samples for stamp in stamps) / rate)
    # The grid of samples goes back (or forward) from the start in whole samples to just after the picture's start.
    phase_s = start_s - math.floor(start_s * rate + 1e-6) / rate
    return Scratch(codec, rate, channels, max(phase_s, 0.0), start_s, doubt_s, track, picked)


def joined(left: Scratch, right: Scratch) -> Scratch | None:
    """Two tracks of one channel as left and right; None where they do not run sample by sample beside each other."""
    beside = abs(left.start_s - right.start_s) * left.rate_hz < _BESIDE
    if left.rate_hz != right.rate_hz or not beside or (left.channels, right.channels) != (1, 1):
        return None
    doubt_s = max(left.start_doubt_s, right.start_doubt_s)
    return replace(left, channels=2, start_doubt_s=doubt_s, right=right)


def _has_priming(codec: Any) -> bool:
    """Whether an encoder puts samples of its own before the sound, as all transform codecs do."""
    return bool(codec.codec.lossy) and not codec.codec.lossless and not codec.name.startswith("pcm_")


def _start(stamps: list[_Stamp], tick_s: float, rate_hz: int, zero_s: float) -> float:
    """Container time of the first sample, finer than one tick where the stamps allow it."""
    first_s = stamps[0].pts * tick_s
    # Two streams with the same first stamp started together: the later stamps can only add rounding.
    if tick_s <= 1.0 / rate_hz or abs(first_s - zero_s) < 0.5 * tick_s:
        return zero_s if abs(first_s - zero_s) < 1e-9 else first_s
    # Each stamp, rounded, bounds the start to within half a tick; all of them together bound it more closely.
    estimates_s, count = [], 0
    for stamp in stamps:
        estimate_s = stamp.pts * tick_s - count / rate_hz
        if abs(estimate_s - first_s) > HOLE_S:
            break
        estimates_s.append(estimate_s)
        count += stamp.samples
    low, high = max(estimates_s) - 0.5 * tick_s, min(estimates_s) + 0.5 * tick_s
    if low > high:
        return statistics.median(estimates_s)
    return min(max(first_s, low), high)


def placed_sound(
    path: Path, scratch: Scratch, *, duration_s: float, block_s: float, most_silence_s: float = math.inf
) -> Iterator[FloatArray]:
    """Decode a movie's sound onto picture time.

    Parameters
    ----------
    path : Path
    scratch : Scratch
        From find_scratch on the same file.
    duration_s : float
        Length of the clip; no sample at or after this clip time is given.
    block_s : float
        Length of a block.
    most_silence_s : float
        How much silence, in all, the time stamps may ask for where the sound starts late or has holes.

    Yields
    ------
    ndarray, shape (channels, samples), float32
        Without gaps; the first sample of all lies at scratch.phase_s. About block_s long, or shorter.

    Raises
    ------
    MediaFileError
        Time stamps that leave out more than that, a damaged packet, a value that is no sample, or sound whose rate
        or channels change.
    """
    if scratch.right is not None:
        sides = (replace(scratch, channels=1, right=None), replace(scratch.right, phase_s=scratch.phase_s))
        told = {"duration_s": duration_s, "block_s": block_s, "most_silence_s": most_silence_s}
        yield from _beside(*(placed_sound(path, side, **told) for side in sides))
        return
    rate = scratch.rate_hz
    size = max(1, min(round(block_s * rate), _MOST_BLOCK // scratch.channels))
    # 1e-6 of a sample: a length that is a whole number of samples must not gain one by rounding.
    total = math.ceil((duration_s - scratch.phase_s) * rate - 1e-6)
    done, silent = 0, 0
    for place, sound in _runs(path, scratch, size):
        good = np.abs(sound) < _NO_SAMPLE  # false for NaN too
        if not good.all():
            raise MediaFileError(
                f"the sound in {path.name} holds a value that is no sample, at "
                f"{max(place + int(np.argmin(good.all(axis=0))), 0) / rate:.3f} s; export it again"
            )
        silent += max(min(place, total) - done, 0)
        if silent > most_silence_s * rate:
            raise MediaFileError(
                f"the time stamps of the sound in {path.name} leave out {silent / rate:.0f} s until {place / rate:.0f} "
                "s, and nothing else in the file says that it lasts so long: copy it from the card again, or export it"
            )
        while done < min(place, total):
            silence = np.zeros((scratch.channels, min(place, total, done + size) - done), dtype=np.float32)
            yield silence
            done += silence.shape[1]
        # Sound before clip time 0, and sound that overlaps what was there before, is dropped.
        kept = sound[:, max(done - place, 0) : max(total - place, 0)]
        if kept.shape[1]:
            yield kept
            done += kept.shape[1]
        if done >= total:
            return


def _beside(left: Iterator[FloatArray], right: Iterator[FloatArray]) -> Iterator[FloatArray]:
    """Two sounds of one channel as two channels of one; the shorter is followed by silence."""
    nothing = np.zeros((1, 0), dtype=np.float32)
    held = [nothing, nothing]
    while True:
        for side, blocks in enumerate((left, right)):
            if held[side].shape[1] == 0:
                held[side] = next(blocks, nothing)
        lengths = [part.shape[1] for part in held]
        if not any(lengths):
            return
        length = min(length for length in lengths if length)
        yield np.concatenate(
            [part[:, :length] if part.shape[1] else np.zeros_like(part, shape=(1, length)) for part in held]
        )
        held = [part[:, length:] for part in held]


def _runs(path: Path, scratch: Scratch, size: int) -> Iterator[tuple[int, FloatArray]]:
    """Unbroken runs of sound, each with the place of its first sample on the clip's grid (0 at phase_s)."""
    rate, coded = scratch.rate_hz, 0
    first = round((scratch.start_s - scratch.phase_s) * rate)
    first_pts: int | None = None
    # An hour is 170 000 frames: gathered by the library they take half the time of arrays joined one by one.
    gathered = av.AudioFifo()
    place, count = first, 0
    with opened(path) as container:
        stream = only_sound(container, path, scratch.track)
        samples_per_tick = float(stream.time_base) * rate
        try:
            for frame in _frames(container, stream, -first / rate):
                pts, samples = frame.pts, frame.samples
                if pts is not None:
                    first_pts = pts if first_pts is None else first_pts
                    stamped = first + (pts - first_pts) * samples_per_tick
                    if abs(stamped - place - count) > HOLE_S * rate:
                        if count:
                            yield place, _taken(gathered, scratch, coded, path)
                        place, count = round(stamped), 0
                    # It has been placed; the fifo would hold it to a count of its own.
                    frame.pts = None
                coded = coded or frame.layout.nb_channels
                fits = max(scratch.picked) < coded if scratch.picked else coded == scratch.channels
                if frame.sample_rate != rate or frame.layout.nb_channels != coded or not fits:
                    raise _changing(path)
                try:
                    gathered.write(frame)
                except ValueError as error:
                    raise _changing(path) from error
                count += samples
                if count >= size:
                    yield place, _taken(gathered, scratch, coded, path)
                    place, count = place + count, 0
        except MemoryError:
            raise
        except av.error.FFmpegError as error:
            raise MediaFileError(
                f"the sound in {path.name} is damaged at {(place + count) / rate:.1f} s ({error.strerror}); "
                "copy the file from the card again, or cut the clip before that"
            ) from error
    if count:
        yield place, _taken(gathered, scratch, coded, path)


def _frames(container: Any, stream: Any, wanted_s: float) -> Iterator[Any]:
    """Decoded frames: the first, by whose stamp all others are placed, then those from shortly before `wanted_s` on.

    `wanted_s` counts from the first frame. Only indexed containers are read from the middle.
    """
    frames = container.decode(stream)
    first = next(frames, None)
    if first is None:
        return
    pts = first.pts
    yield first
    indexed = any(name in container.format.name for name in ("mov", "matroska"))
    if indexed and pts is not None and wanted_s > _WORTH_SEEKING_S:
        container.seek(pts + int((wanted_s - _LEAD_IN_S) / stream.time_base), stream=stream)
        frames = container.decode(stream)
    yield from frames


def _changing(path: Path) -> MediaFileError:
    return MediaFileError(
        f"the sound in {path.name} changes its sample rate or its channels along the way; cut the clip at that place "
        "and use the parts one by one"
    )


def _taken(gathered: av.AudioFifo, scratch: Scratch, coded: int, path: Path) -> FloatArray:
    """All gathered sound, of the channels that are used."""
    frame = gathered.read()
    assert frame is not None
    sound = samples_of(frame, coded, path)
    return np.ascontiguousarray(sound[list(scratch.picked)]) if scratch.picked else sound


def samples_of(frame: Any, channels: int, path: Path) -> FloatArray:
    """A decoded frame's sound, planar or packed, of any sample type.

    Returns
    -------
    ndarray, shape (channels, samples), float32
        Full scale 1.

    Raises
    ------
    MediaFileError
        Samples that are not read.
    """
    kind = _SAMPLE_TYPES.get(frame.format.name.removesuffix("p"))
    if kind is None:  # integers of 64 bits
        raise MediaFileError(
            f"the sound in {path.name} is coded in a way that cannot be read; export it with AAC or PCM sound"
        )
    count, each = (channels, 1) if frame.format.is_planar else (1, channels)
    # The frame's own list of its planes runs past its end where there are eight of them.
    planes: list[Any] = [AudioPlane(frame, n) for n in range(count)]
    held = np.stack([np.frombuffer(plane, dtype=kind, count=frame.samples * each) for plane in planes])
    sound = held.reshape(-1, each).T if each > 1 else held
    if sound.dtype == np.uint8:
        sound = (sound.astype(np.int16) - 128) << 8
    scale = _INTEGER_STEP.get(sound.dtype, np.float32(1.0))
    # What is too large for single precision is no sample: it becomes infinite here, and whoever reads on reports it.
    with np.errstate(over="ignore"):
        return np.ascontiguousarray(sound * scale if scale != 1.0 else sound, dtype=np.float32)
