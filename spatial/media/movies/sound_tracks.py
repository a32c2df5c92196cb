"""Which of a clip's sound tracks, and which of their channels, is the camera's own sound.

Goal: a camera may write several tracks, or four channels, of which some hold nothing, a clip-on microphone, or a copy
that is quieter. All are listened to; the one that sounds, in stereo, is used, and it is said which and why. Left and
right may also be two tracks of one channel each.
Functions: choose_sound.

Stereo counts before loudness: a clip-on microphone is loud, and hears one performer from nearby, where the camera's
own microphones hear the place as the recorder does (common practice, no source).
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.errors import MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.media.movies.container import leave_unread, opened, sound_streams
from spatial.media.movies.scratch import MOST_CHANNELS, samples_of

_SPOTS, _SPOT_S = 12, 1.0
"""Number of places all over the clip at which its tracks are compared, and the length of each, seconds."""

_ALL_OF_IT_S = 30.0
"""A shorter clip is listened to from end to end."""

_SPOT_PACKETS = 2000
"""At a place whose time stamps say nothing, no more is read than this."""

_SILENT_DB = -90.0
"""Level under full scale up to which a track is silent; the last bit of 16 makes -98 dB where it flickers."""

_FAINT_DB = 40.0
"""A track so far under the loudest holds an input's own noise (common practice, no source)."""

_DEAD_DB = 60.0
"""A channel so far under its track's loudest is not connected (common practice, no source)."""

_SAME_DB = 30.0
"""Two channels that differ by so little hold the same; this library's AAC makes two that were alike differ by 37 dB."""

_LOUDER_DB = 6.0
"""A track must be so much louder to be taken before one that comes first."""


_PAIR_DB = 12.0
"""Left and right of one camera are no further apart in level: both hear the same place, with like microphones (common
practice, no source)."""

_PAIR_LENGTH_S = 0.1
"""Two tracks whose lengths or starts differ by more were not written together."""

_AVERAGED_S = 1.0 / 750.0
"""Samples averaged over this hold what is below 300 Hz or so, where a wave is long beside a camera."""

_STEPS = 6
"""Left may hear a sound earlier or later than right by up to this many sixths of that: 1.3 ms, 45 cm."""

_PAIR_LEAST = 0.35
"""How alike left and right must be below 300 Hz, as a correlation. In a room two microphones are alike by sin(kd)/kd
(Cook et al. 1955, JASA 27(6) 1072-1077; value from memory), 0.8 at 20 cm and 300 Hz; a clip-on microphone and a camera
metres away hear the same voice many milliseconds apart, and are not."""


_BLOCK = 960
"""Samples whose level is taken at once: 20 ms at 48 kHz, half a syllable's rise."""

_STEADY_DB = 3.0
"""A channel whose level stays within this, for nine blocks in ten, holds a tone, timecode or an input's noise: noise in
blocks of that length keeps within 0.7 dB (chi squared), timecode within less; speech and music go up and down by 10 dB
and more (common practice, no source)."""

_STEADY_BLOCKS = 50
"""Fewest blocks that can show that: 1 s."""


@dataclass(frozen=True, slots=True)
class ChosenSound:
    """The track that is used."""

    track: int = 0
    """Which of container.sound_streams."""
    picked: tuple[int, ...] = ()
    """Its channels that are used; empty for all."""
    right: int | None = None
    """The track of one channel that is the right one, where `track` is the left one."""
    findings: tuple[Finding, ...] = ()


@dataclass(slots=True)
class _Track:
    """What was heard of one stream of sound."""

    channels: int = 0
    samples: int = 0
    power: FloatArray = field(default_factory=lambda: np.zeros(0))
    """Sum of squares of each channel."""
    difference: float = 0.0
    """Sum of squares of the first two live channels' difference, for a stream of two."""
    blocks: list[FloatArray] = field(default_factory=list)
    """Level of each channel in blocks, each of shape (channels, blocks)."""
    damaged: bool = False
    span_s: tuple[float, float] | None = None
    """Start and length that the file gives; None where it gives none."""

    def add(self, sound: FloatArray) -> None:
        """Count in a block, shape (channels, samples)."""
        if self.samples == 0:
            self.channels, self.power = len(sound), np.zeros(len(sound))
        if len(sound) != self.channels:
            self.damaged = True
            return
        # What is no sample is told when the sound is read.
        sound = np.where(np.abs(sound) < 10.0, sound, 0.0).astype(np.float64)
        self.samples += sound.shape[1]
        self.power += np.sum(sound**2, axis=1)
        # What changes from one sample to the next: rumble goes up and down in whatever an input picks up.
        steps = np.diff(sound, axis=1)
        count = max(1, steps.shape[1] // _BLOCK)
        whole = steps[:, : steps.shape[1] - steps.shape[1] % count].reshape(self.channels, count, -1)
        if whole.shape[2]:
            self.blocks.append(10.0 * np.log10(np.mean(whole**2, axis=2) + 1e-20))
        if self.channels == 2:
            self.difference += float(np.sum((sound[0] - sound[1]) ** 2))

    @property
    def levels_db(self) -> FloatArray:
        """Level of each channel under full scale."""
        return 10.0 * np.log10(self.power / max(self.samples, 1) + 1e-20)

    @property
    def level_db(self) -> float:
        """Level of the loudest channel."""
        return float(np.max(self.levels_db)) if self.samples and self.channels else -200.0

    @property
    def loud(self) -> tuple[int, ...]:
        """Channels that are not silent."""
        least = max(_SILENT_DB, self.level_db - _DEAD_DB)
        return tuple(int(n) for n in np.flatnonzero(self.levels_db > least)) if self.samples else ()

    @property
    def live(self) -> tuple[int, ...]:
        """Channels that hold sound; those that hold one level throughout only where all do."""
        steady = self._steady
        moving = tuple(n for n in self.loud if not steady[n])
        return moving or self.loud

    @property
    def steady(self) -> bool:
        """Whether all its channels that are not silent hold one level throughout: a tone, timecode, noise."""
        return bool(self.loud) and bool(np.all(self._steady[list(self.loud)]))

    @property
    def _steady(self) -> npt.NDArray[np.bool_]:
        if sum(levels.shape[1] for levels in self.blocks) < _STEADY_BLOCKS:
            return np.zeros(self.channels, dtype=bool)
        low_db, high_db = np.percentile(np.concatenate(self.blocks, axis=1), (5.0, 95.0), axis=1)
        return np.asarray(high_db - low_db < _STEADY_DB)

    @property
    def same(self) -> bool:
        """Whether two channels hold the same."""
        return self.channels == 2 and self.difference < 10.0 ** (-_SAME_DB / 10.0) * float(np.sum(self.power))

    @property
    def stereo(self) -> bool:
        """Whether two channels hold sound, and not the same."""
        return len(self.live) == 2 and not self.same


def choose_sound(path: Path, *, pairs: bool = True) -> ChosenSound:
    """Listen to a clip's tracks of sound, where there is anything to choose, and choose.

    One track of one or two channels is taken as it is, without listening.

    Parameters
    ----------
    path : Path
    pairs : bool
        Whether two tracks of one channel may be left and right.

    Raises
    ------
    MediaFileError
        The clip cannot be read.
    """
    with opened(path) as container:
        streams = sound_streams(container)
        if not streams or (len(streams) == 1 and streams[0].codec_context.channels <= 2):
            return ChosenSound()
    tracks = _listened(path, spots=True)
    if all(not track.live for track in tracks):
        # What sounds here and there only is found by listening to all of it.
        tracks = _listened(path, spots=False)
    return _choice(tracks, path.name, _pair(path, tracks) if pairs else None)


def _pair(path: Path, tracks: Sequence[_Track]) -> tuple[int, int] | None:
    """Two neighbouring tracks of one channel that are left and right; None where a stereo track makes it needless."""
    loudest_db = max(track.level_db for track in tracks)
    if any(track.stereo and not track.steady and track.level_db > loudest_db - _FAINT_DB for track in tracks):
        return None
    alike = {}
    for number, (left, right) in enumerate(itertools.pairwise(tracks)):
        levels_db = left.level_db, right.level_db
        if (
            (left.channels, right.channels) == (1, 1)
            and left.live
            and right.live
            and not (left.damaged or right.damaged)
            and min(levels_db) > max(loudest_db - _FAINT_DB, max(levels_db) - _PAIR_DB)
            and _written_together(left, right)
        ):
            alike[number] = _likeness(path, number)
    # Of three tracks in a row two neighbours may pass, a clip-on microphone and the left one: the two of the camera are
    # more alike.
    first = max(alike, key=alike.__getitem__, default=0)
    return (first, first + 1) if alike.get(first, 0.0) > _PAIR_LEAST else None


def _written_together(left: _Track, right: _Track) -> bool:
    if left.span_s is None or right.span_s is None:
        return left.span_s is right.span_s
    return all(abs(one - other) < _PAIR_LENGTH_S for one, other in zip(left.span_s, right.span_s, strict=True))


def _likeness(path: Path, first: int) -> float:
    """How alike a track and the next are below 300 Hz, as a correlation; 0 where one is a copy of the other."""
    whole, powers, products = np.zeros((2, 2)), np.zeros(2), np.zeros(2 * _STEPS + 1)
    with opened(path) as container:
        streams = sound_streams(container)[first : first + 2]
        if streams[0].codec_context.sample_rate != streams[1].codec_context.sample_rate:
            return 0.0
        size = round(streams[0].codec_context.sample_rate * _AVERAGED_S)
        if size < _STEPS:
            return 0.0
        leave_unread(container, streams)
        length_s, start_s = (container.duration or 0) / av.time_base, (container.start_time or 0) / av.time_base
        places = (np.arange(_SPOTS) + 0.5) / _SPOTS if length_s > _ALL_OF_IT_S else [0.0]
        for place in places:
            try:
                container.seek(round((start_s + place * length_s) * av.time_base))
            except MemoryError:
                raise
            except (av.error.FFmpegError, OverflowError):
                break
            left, right = _heard_together(
                container, streams, path, _SPOT_S if length_s > _ALL_OF_IT_S else _ALL_OF_IT_S
            )
            both = np.stack([left, right])
            whole += both @ both.T
            if both.shape[1] <= 4 * size:
                continue
            sums = np.cumsum(both, axis=1)
            # What changes from one average to the next: neither an offset nor the deepest hum makes two tracks alike.
            low = (sums[:, 2 * size :] - 2 * sums[:, size:-size] + sums[:, : -2 * size])[:, :: size // _STEPS]
            powers += np.sum(low**2, axis=1)
            inner = low[0, _STEPS:-_STEPS]
            products += [inner @ low[1, shift : shift + len(inner)] for shift in range(2 * _STEPS + 1)]
    if min(powers) <= 0.0 or min(whole[0, 0], whole[1, 1]) <= 0.0:
        return 0.0
    alike = float(np.max(products)) / math.sqrt(powers[0] * powers[1])
    copied = 1.0 - whole[0, 1] ** 2 / (whole[0, 0] * whole[1, 1]) < 10.0 ** (-_SAME_DB / 10.0)
    return 0.0 if copied else alike


def _heard_together(container: Any, streams: Sequence[Any], path: Path, most_s: float) -> tuple[FloatArray, FloatArray]:
    """What two tracks of one channel hold at the same time from here on, two arrays of one length."""
    starts: list[float | None] = [None, None]
    parts: list[list[FloatArray]] = [[], []]
    lengths, rate = [0, 0], streams[0].codec_context.sample_rate
    try:
        for packets, packet in enumerate(container.demux(list(streams))):
            side = 0 if packet.stream.index == streams[0].index else 1
            for frame in packet.decode():
                if frame.pts is None or frame.layout.nb_channels != 1 or frame.sample_rate != rate:
                    return np.zeros(0), np.zeros(0)
                if starts[side] is None:
                    starts[side] = float(frame.pts * streams[side].time_base)
                parts[side].append(samples_of(frame, 1, path)[0].astype(np.float64))
                lengths[side] += frame.samples
            if (packets > _SPOT_PACKETS and most_s == _SPOT_S) or min(lengths) >= most_s * rate:
                break
    except MemoryError:
        raise
    except (av.error.FFmpegError, MediaFileError):
        pass  # whoever reads the sound will hear of it
    if starts[0] is None or starts[1] is None:
        return np.zeros(0), np.zeros(0)
    later = max(starts[0], starts[1])
    sounds = [
        np.concatenate(part)[round((later - start) * rate) :]
        for part, start in zip(parts, starts, strict=True)
        if start is not None
    ]
    sounds = [np.where(np.abs(sound) < 10.0, sound, 0.0) for sound in sounds]
    length = min(len(sound) for sound in sounds)
    return sounds[0][:length], sounds[1][:length]


def _listened(path: Path, *, spots: bool) -> list[_Track]:
    with opened(path) as container:
        streams = sound_streams(container)
        tracks = [_Track(span_s=_span_s(stream)) for stream in streams]
        leave_unread(container, streams)
        length_s = (container.duration or 0) / av.time_base
        start_s = (container.start_time or 0) / av.time_base
        if not spots or length_s <= _ALL_OF_IT_S:
            _listen(container, streams, tracks, path, most_s=np.inf)
            return tracks
        for place in (np.arange(_SPOTS) + 0.5) / _SPOTS:
            try:
                container.seek(round((start_s + place * length_s) * av.time_base))
            except MemoryError:
                raise
            except (av.error.FFmpegError, OverflowError):
                break
            _listen(container, streams, tracks, path, most_s=_SPOT_S)
    return tracks


def _span_s(stream: Any) -> tuple[float, float] | None:
    if stream.duration is None:
        return None
    return float((stream.start_time or 0) * stream.time_base), float(stream.duration * stream.time_base)


def _listen(container: Any, streams: Sequence[Any], tracks: Sequence[_Track], path: Path, *, most_s: float) -> None:
    """Count in what each stream holds from here on, for a while."""
    wanted = {stream.index: most_s for stream in streams}
    packets = 0
    try:
        for packet in container.demux(list(streams)):
            number = next(n for n, stream in enumerate(streams) if stream.index == packet.stream.index)
            packets += 1
            try:
                frames = packet.decode()
            except MemoryError:
                raise
            except av.error.FFmpegError:
                tracks[number].damaged = True
                continue
            for frame in frames:
                channels, rate = frame.layout.nb_channels, frame.sample_rate
                if not 0 < channels <= MOST_CHANNELS or rate <= 0:
                    tracks[number].damaged = True
                    continue
                tracks[number].add(samples_of(frame, channels, path))
                wanted[packet.stream.index] -= frame.samples / rate
            if most_s < np.inf and (packets > _SPOT_PACKETS or max(wanted.values()) <= 0):
                return
    except MemoryError:
        raise
    except (av.error.FFmpegError, MediaFileError):
        # Where the file breaks off, or cannot be read, is told when the sound is read.
        return


def _choice(tracks: Sequence[_Track], name: str, pair: tuple[int, int] | None) -> ChosenSound:
    if pair is not None:
        return _joined_choice(tracks, name, pair)
    loudest_db = max(track.level_db for track in tracks)
    sounding = [n for n, track in enumerate(tracks) if track.live and track.level_db > loudest_db - _FAINT_DB]
    if not sounding:
        return ChosenSound()

    def rank(number: int) -> tuple[bool, bool, bool]:
        track = tracks[number]
        return not track.damaged, not track.steady, track.stereo

    best = max(rank(n) for n in sounding)
    alike = [n for n in sounding if rank(n) == best]
    chosen = alike[0]
    for number in alike[1:]:
        if tracks[number].level_db > tracks[chosen].level_db + _LOUDER_DB:
            chosen = number
    track = tracks[chosen]
    picked = track.live if len(track.live) < track.channels else ()
    findings = []
    if len(tracks) > 1:
        others = "; ".join(
            f"track {n + 1} {_why_not(tracks[n], track, loudest_db)}" for n in range(len(tracks)) if n != chosen
        )
        message = f"{name} has {len(tracks)} sound tracks: track {chosen + 1} is used ({_like(track)}); {others}"
        findings.append(Finding(Code.SOUND_TRACK, Severity.NOTE, message, name))
    if picked:
        silent = [str(n + 1) for n in range(track.channels) if n not in track.loud]
        steady = [str(n + 1) for n in track.loud if n not in picked]
        said = [
            *([f"{' and '.join(silent)} {'is' if len(silent) == 1 else 'are'} silent"] if silent else []),
            *([f"{' and '.join(steady)} {_HOLDS[len(steady) > 1]}"] if steady else []),
        ]
        message = (
            f"of the {track.channels} channels of {'track ' + str(chosen + 1) if len(tracks) > 1 else 'sound'} in "
            f"{name}, {' and '.join(said)} and left out"
        )
        findings.append(Finding(Code.SOUND_TRACK, Severity.NOTE, message, name))
    return ChosenSound(chosen, picked, None, tuple(findings))


_HOLDS = "holds one level throughout, as a tone, timecode or an input's noise does,", "hold one level throughout,"


def _joined_choice(tracks: Sequence[_Track], name: str, pair: tuple[int, int]) -> ChosenSound:
    left, right = pair
    loudest_db = max(track.level_db for track in tracks)
    chosen = tracks[left] if tracks[left].level_db > tracks[right].level_db else tracks[right]
    others = [
        f"; track {n + 1} {_why_not(tracks[n], chosen, loudest_db, pair=True)}"
        for n in range(len(tracks))
        if n not in pair
    ]
    message = (
        f"{name} has {len(tracks)} sound tracks: tracks {left + 1} and {right + 1}, of one channel each, are used as "
        f"left and right ({tracks[left].level_db:.0f} and {tracks[right].level_db:.0f} dB){''.join(others)}"
    )
    return ChosenSound(left, (), right, (Finding(Code.SOUND_TRACK, Severity.NOTE, message, name),))


def _like(track: _Track) -> str:
    """What a track is like, in words."""
    live = len(track.live)
    kind = "in stereo" if track.stereo else "the same in both channels" if track.same else ""
    kind = kind or ("in one channel" if live == 1 else f"in {live} channels")
    return f"{kind}, {track.level_db:.0f} dB"


def _why_not(track: _Track, chosen: _Track, loudest_db: float, *, pair: bool = False) -> str:
    if not track.samples:
        return "cannot be decoded"
    if not track.live:
        return "is silent"
    if track.level_db <= loudest_db - _FAINT_DB:
        return f"is faint ({track.level_db:.0f} dB)"
    if track.damaged and not chosen.damaged:
        return "is damaged"
    if track.steady and not chosen.steady:
        return f"holds one level throughout ({track.level_db:.0f} dB), as a tone, timecode or an input's noise does"
    if (chosen.stereo or pair) and not track.stereo:
        return f"is not in stereo ({_like(track)})"
    if track.level_db < chosen.level_db:
        return f"is quieter ({track.level_db:.0f} dB)"
    return f"is much the same ({_like(track)})"
