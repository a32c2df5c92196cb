"""Camera movies, and sound files used in their place: what they are, and their sound on picture time.

Goal: the exact frame rate, the number of shown frames, and the sound placed against the first of them.
Conventions: spatial.conventions (time): clip time 0 is the first shown picture frame.
Functions: open_clip (look at a file); open_pictures (its pictures alone); stretch_of_clip (a part of its sound);
scratch_blocks (its sound, in a stream); camera_reel (the camera's name for it).
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from spatial.conventions import FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.media.intake import open_input
from spatial.media.movies.boxes import display_matrix
from spatial.media.movies.container import opened, picture_stream, sound_stream
from spatial.media.movies.display import DisplayTurn, display_turn, frame_turn, turned_in_words
from spatial.media.movies.scratch import Scratch, find_scratch, joined, placed_sound
from spatial.media.movies.sound_tracks import ChosenSound, choose_sound
from spatial.media.wav.riff import NO_SIZE, is_wave, wave_chunks
from spatial.timebase import DAY_S, samples_for_frames

_RATE_ROUNDING = 2e-6
"""How far a rate written in a coarse clock may be from the exact one; 24000/1001 and 24 differ by 1e-3."""

_LONGEST_S = DAY_S
"""No camera records one clip for a day: time stamps that say so are damaged, and a track would fill the disk."""

_LONGEST_ALONE_S, _PICTURE_LASTS_S = 3600.0, 60.0
"""A clip that is longer than an hour must show a picture each minute, or its time stamps are not believed."""

_MOST_SILENCE_S = 600.0
"""What a clip's sound may leave out, beside a second for each picture there is."""

_TIMECODE = re.compile(r"\d\d:\d\d:\d\d[:;]\d\d")


@dataclass(frozen=True, slots=True)
class Clip:
    """A camera movie, or a sound file in its place."""

    path: Path
    duration_s: float
    """Shown frames divided by the frame rate; for sound alone the length of the sound."""
    frame_rate: Fraction | None
    """Exact, as 24000/1001; the average where the rate varies. None for sound alone."""
    frames: int | None
    """Shown frames: without those an edit list cuts off."""
    start_timecode: str | None
    """hh:mm:ss:ff, with a semicolon before the frames for drop-frame counting."""
    width_px: int | None
    height_px: int | None
    created: str | None
    """When the camera says it made the file, ISO 8601."""
    scratch: Scratch | None
    """The clip's own sound; None when it has none."""
    turn: DisplayTurn = DisplayTurn.AS_STORED
    """How its header says that its pictures are to be shown."""
    findings: tuple[Finding, ...] = ()
    """Which of several sound tracks is used and why; that the header turns the picture."""

    def samples_at(self, rate_hz: int) -> int:
        """Its length in samples, exact where it has a picture."""
        if self.frames is not None and self.frame_rate is not None:
            return samples_for_frames(self.frames, self.frame_rate, rate_hz)
        return round(self.duration_s * rate_hz)


@dataclass(frozen=True, slots=True)
class ShownPictures:
    """When a movie's pictures are shown."""

    zero_s: float
    """Container time of the first shown frame."""
    frames: int
    frame_rate: Fraction

    def samples_at(self, rate_hz: int) -> int:
        """How many samples of sound last as long, exact."""
        return samples_for_frames(self.frames, self.frame_rate, rate_hz)


def open_pictures(path: Path) -> ShownPictures | None:
    """When a movie's pictures are shown, without its sound; None for sound alone. As open_clip."""
    with opened(path) as container:
        stream = picture_stream(container)
        return None if stream is None else _picture(container, stream, path)


def open_clip(path: Path | str) -> Clip:
    """Look at a movie, or at a sound file used as one. The pictures are not decoded.

    MP4 and MOV files say how many frames they hold; in other files, and in fragmented ones, the packets are
    counted, which reads the file once.

    Raises
    ------
    MediaFileError
        Missing, empty, damaged, or neither a movie nor a sound file.
    """
    path = Path(path)
    picture, width, height, turn = None, None, None, DisplayTurn.AS_STORED
    with opened(path) as container:
        stream = picture_stream(container)
        if stream is not None:
            picture = _picture(container, stream, path)
            width, height = stream.codec_context.width, stream.codec_context.height
            turn = _turn(container, stream, path)
        created = _tag(container.metadata, "creation_time")
        timecode = _timecode(container)
    zero_s = None if picture is None else picture.zero_s
    chosen = choose_sound(path)
    scratch = _scratch(path, chosen, zero_s)
    if chosen.right is not None and (scratch is None or scratch.right is None):
        # They do not run beside each other after all.
        chosen = choose_sound(path, pairs=False)
        scratch = _scratch(path, chosen, zero_s)
    if picture is None and scratch is None and not _has_sound(path, chosen):
        raise MediaFileError(f"{path.name} holds neither moving pictures nor sound; name the camera's movie")
    if picture is not None:
        duration_s = float(picture.frames / picture.frame_rate)
    elif scratch is not None:
        _check_wave(path)
        duration_s = _sound_length_s(path, chosen)
    else:
        raise MediaFileError(f"{path.name} holds a stream of sound with nothing in it; use another recording")
    _check_length(path, duration_s, picture)
    return Clip(
        path=path,
        duration_s=duration_s,
        frame_rate=None if picture is None else picture.frame_rate,
        frames=None if picture is None else picture.frames,
        start_timecode=timecode,
        width_px=width,
        height_px=height,
        created=created,
        scratch=scratch,
        turn=turn,
        findings=(*chosen.findings, *_turn_findings(path, turn)),
    )


def camera_reel(path: Path) -> str | None:
    """The reel that the camera says a movie is on; None where it says nothing. Raises as open_clip."""
    with opened(path) as container:
        for tags in (*(stream.metadata for stream in container.streams), container.metadata):
            reel = _tag(tags, "reel_name")
            if reel is not None and reel.strip():
                return reel.strip()
    return None


def scratch_blocks(clip: Clip, *, block_s: float = 5.0) -> Iterator[FloatArray]:
    """Decode the clip's own sound on picture time, in a stream.

    Parameters
    ----------
    clip : Clip
    block_s : float
        About the length of a block; one that meets a hole or an end is shorter.

    Yields
    ------
    ndarray, shape (channels, samples), float32
        Without gaps: the first sample of all lies at clip time scratch.phase_s. Silence stands where the sound
        starts late or has holes. It ends with the clip or with the sound, whichever is first.

    Raises
    ------
    MediaFileError
        No sound, a damaged packet, or sound whose rate or channels change.
    """
    if clip.scratch is None:
        raise MediaFileError(f"{clip.path.name} has no sound; use the clip with the camera's own sound")
    yield from placed_sound(
        clip.path,
        clip.scratch,
        duration_s=clip.duration_s,
        block_s=block_s,
        most_silence_s=_MOST_SILENCE_S + (clip.frames or 0),
    )


def stretch_of_clip(clip: Clip, start_s: float, stop_s: float) -> Clip:
    """A clip of whose sound only a stretch is listened to; clip time stays what it was.

    Parameters
    ----------
    clip : Clip
        With sound of its own.
    start_s, stop_s : float
        Clip time; the sound starts with the first sample after start_s.

    Raises
    ------
    InputError
        It has no sound, or the stretch does not lie in the clip.
    """
    if clip.scratch is None or not 0.0 <= start_s < stop_s <= clip.duration_s:
        raise InputError(f"{start_s} to {stop_s} s is no stretch of the sound of {clip.path.name}")
    scratch = clip.scratch
    later = math.ceil((start_s - scratch.phase_s) * scratch.rate_hz - 1e-6)
    moved = replace(scratch, phase_s=scratch.phase_s + max(later, 0) / scratch.rate_hz)
    return replace(clip, duration_s=stop_s, scratch=moved)


def _picture(container: Any, stream: Any, path: Path) -> ShownPictures:
    tick_s = stream.time_base
    rate = stream.average_rate
    if "mov" in container.format.name and stream.frames > 0 and rate:
        # The index of the file, in which the edit list has marked what is not shown.
        if hasattr(stream, "index_entries"):
            entries = stream.index_entries
            _check_whole(path, max(entry.pos + entry.size for entry in entries) if len(entries) else 0)
            frames = sum(not entry.is_discard for entry in entries)
        else:
            frames = min(stream.frames, round(stream.duration * tick_s * rate))
        zero_s = float((stream.start_time or 0) * tick_s)
        if frames > 0:
            return ShownPictures(zero_s, frames, _exact_rate(rate))
    stamps = _shown_stamps(container, stream)
    if not stamps:
        raise MediaFileError(f"{path.name} has a picture track with no pictures in it; copy it from the card again")
    span_s = (max(stamps) - min(stamps)) * tick_s
    counted = len(stamps) - 1
    if not rate or abs(span_s * rate - counted) > 1:
        # The rate varies, or frames were lost: only the average agrees with the count.
        if not span_s:
            raise MediaFileError(f"{path.name} holds a single picture, not a movie; name the camera's movie")
        rate = counted / span_s
    return ShownPictures(float(min(stamps) * tick_s), len(stamps), _exact_rate(rate))


def _turn(container: Any, stream: Any, path: Path) -> DisplayTurn:
    """By the header of MP4 and MOV; by the first picture in Matroska, where the decoder alone passes it on."""
    if "mov" in container.format.name:
        return display_turn(display_matrix(path, stream.id))
    if "matroska" not in container.format.name:
        return DisplayTurn.AS_STORED
    with opened(path) as again:
        pictures = picture_stream(again)
        try:
            frame = None if pictures is None else next(again.decode(pictures), None)
        except MemoryError:
            raise
        except av.error.FFmpegError:
            frame = None  # whoever looks at the pictures will hear of it
        return DisplayTurn.AS_STORED if frame is None else frame_turn(frame)


def _turn_findings(path: Path, turn: DisplayTurn) -> list[Finding]:
    if turn is DisplayTurn.AS_STORED:
        return []
    if turn is DisplayTurn.HALF:
        message = (
            f"the header of {path.name} says that its picture is to be shown {turn}: marks in pixels, stills and the "
            "review page take it as it is shown, with its first eye at the left then"
        )
        return [Finding(Code.TURNED_PICTURE, Severity.NOTE, message, path.name)]
    return [Finding(Code.TURNED_PICTURE, Severity.LOOK, turned_in_words(path, turn, angles=True), path.name)]


def _check_length(path: Path, duration_s: float, picture: ShownPictures | None) -> None:
    """Raise if a clip says that it lasts longer than what is in it can last."""
    frames = 0 if picture is None else picture.frames
    believed_s = _LONGEST_S if picture is None else max(_LONGEST_ALONE_S, frames * _PICTURE_LASTS_S)
    if duration_s > min(believed_s, _LONGEST_S):
        what = "" if picture is None else f" with {frames} pictures in it"
        raise MediaFileError(
            f"{path.name} says that it is {duration_s / 3600:.1f} hours long{what}, which no camera records: its time "
            "stamps are damaged; copy it from the card again"
        )


def _check_whole(path: Path, end_bytes: int) -> None:
    """Raise if the file ends before the sound or pictures its own index promises."""
    there = path.stat().st_size
    if end_bytes > there:
        raise MediaFileError(
            f"{path.name} is cut short: {there / 1e6:.1f} MB of at least {end_bytes / 1e6:.1f} MB are there; copy it "
            "from the card again"
        )


def _check_wave(path: Path) -> None:
    """Raise if a WAV file used as a clip is cut short, which the decoder takes for its end."""
    with open_input(path, "recording") as file:
        if is_wave(file.read(12)):
            for chunk in wave_chunks(file):
                # The largest 32-bit size stands for a length that the recorder did not come to write.
                if chunk.kind == b"data" and chunk.size < NO_SIZE:
                    _check_whole(path, chunk.start + chunk.size)


def _shown_stamps(container: Any, stream: Any) -> list[int]:
    """Time stamps of all frames that are shown, in ticks: from the first key frame on, and not cut off."""
    stamps: list[int] = []
    for packet in container.demux(stream):
        if packet.pts is None or packet.is_discard or not (stamps or packet.is_keyframe):
            continue
        # Frames that lean on a key frame before the start of the file cannot be shown.
        if not stamps or packet.pts >= stamps[0]:
            stamps.append(packet.pts)
    return stamps


def _exact_rate(rate: Fraction) -> Fraction:
    """The whole or 1000/1001 rate that a rate written in a coarse clock stands for, or the rate itself."""
    # Slower than one a second there are no usual rates.
    nominal = max(1, math.ceil(rate - Fraction(1, 100)))
    for exact in (Fraction(nominal), Fraction(nominal * 1000, 1001)):
        if abs(rate / exact - 1) < _RATE_ROUNDING:
            return exact
    return Fraction(rate)


def _scratch(path: Path, chosen: ChosenSound, zero_s: float | None) -> Scratch | None:
    """Where the chosen sound starts; with its right channel, where that is a track of its own and runs beside it."""
    found = []
    for track in (chosen.track, chosen.right):
        if track is None:
            continue
        # Opened again: whoever looked at it before may have read the file to its end.
        with opened(path) as container:
            sound = sound_stream(container, path, track)
            if sound is not None:
                found.append(find_scratch(container, sound, path, zero_s=zero_s, track=track, picked=chosen.picked))
    left, right = (*found, None, None)[:2]
    return left if left is None or right is None else joined(left, right) or left


def _has_sound(path: Path, chosen: ChosenSound) -> bool:
    with opened(path) as container:
        return sound_stream(container, path, chosen.track) is not None


def _sound_length_s(path: Path, chosen: ChosenSound) -> float:
    """Length of a file of sound alone, from its first sample to its last, from the packets' time stamps."""
    with opened(path) as container:
        stream = sound_stream(container, path, chosen.track)
        assert stream is not None
        first, end = None, 0
        for packet in container.demux(stream):
            if first is None:
                # What the decoder drops at the start, the encoder's priming, is not part of the sound.
                first = next((frame.pts for frame in packet.decode()), None)
            if packet.pts is not None:
                end = max(end, packet.pts + (packet.duration or 0))
        return float((end - (first or 0)) * stream.time_base)


def _timecode(container: Any) -> str | None:
    """Timecode of the first frame, from a timecode track or a tag."""
    for tags in (*(stream.metadata for stream in container.streams), container.metadata):
        timecode = _tag(tags, "timecode")
        if timecode is not None and _TIMECODE.fullmatch(timecode):
            return timecode
    return None


def _tag(tags: dict[str, str], name: str) -> str | None:
    """A tag by its name, which some containers write in capitals."""
    return next((value for key, value in tags.items() if key.lower() == name), None)
