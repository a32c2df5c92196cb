"""Which of a clip's sound tracks, and which of their channels, is the camera's own sound.

Goal: a camera may write several tracks, or four channels, of which some hold nothing, a clip-on microphone, or a copy
that is quieter. All are listened to; the one that sounds, in stereo, is used, and it is said which and why.
Functions: choose_sound.

Stereo counts before loudness: a clip-on microphone is loud, and hears one performer from nearby, where the camera's
own microphones hear the place as the recorder does (common practice, no source).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np

from spatial.conventions import FloatArray
from spatial.errors import MediaFileError
from spatial.findings import Finding, Severity
from spatial.media.container import leave_unread, opened, sound_streams
from spatial.media.scratch import MOST_CHANNELS, samples_of

_SPOTS, _SPOT_S = 12, 1.0
"""So many places all over the clip are listened to, each so long."""

_ALL_OF_IT_S = 30.0
"""A shorter clip is listened to from end to end."""

_SPOT_PACKETS = 2000
"""At a place whose time stamps say nothing, no more is read than this."""

_SILENT_DB = -90.0
"""Under full scale; the last bit of 16 makes -98 dB where it flickers."""

_FAINT_DB = 40.0
"""A track so far under the loudest holds an input's own noise (common practice, no source)."""

_DEAD_DB = 60.0
"""A channel so far under its track's loudest is not connected (common practice, no source)."""

_SAME_DB = 40.0
"""Two channels that differ by so little hold the same; coding alone makes them differ by less."""

_LOUDER_DB = 6.0
"""A track must be so much louder to be taken before one that comes first."""


@dataclass(frozen=True, slots=True)
class ChosenSound:
    """The track that is used."""

    track: int = 0
    """Which of container.sound_streams."""
    picked: tuple[int, ...] = ()
    """Its channels that are used; empty for all."""
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
    damaged: bool = False

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
    def live(self) -> tuple[int, ...]:
        """Channels that hold sound."""
        least = max(_SILENT_DB, self.level_db - _DEAD_DB)
        return tuple(int(n) for n in np.flatnonzero(self.levels_db > least)) if self.samples else ()

    @property
    def same(self) -> bool:
        """Whether two channels hold the same."""
        return self.channels == 2 and self.difference < 10.0 ** (-_SAME_DB / 10.0) * float(np.sum(self.power))

    @property
    def stereo(self) -> bool:
        """Whether two channels hold sound, and not the same."""
        return len(self.live) == 2 and not self.same


def choose_sound(path: Path) -> ChosenSound:
    """Listen to a clip's tracks of sound, where there is anything to choose, and choose.

    One track of one or two channels is taken as it is, without listening.

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
    return _choice(tracks, path.name)


def _listened(path: Path, *, spots: bool) -> list[_Track]:
    with opened(path) as container:
        streams = sound_streams(container)
        tracks = [_Track() for _ in streams]
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


def _choice(tracks: Sequence[_Track], name: str) -> ChosenSound:
    loudest_db = max(track.level_db for track in tracks)
    sounding = [n for n, track in enumerate(tracks) if track.live and track.level_db > loudest_db - _FAINT_DB]
    if not sounding:
        return ChosenSound()

    def rank(number: int) -> tuple[bool, bool, float]:
        track = tracks[number]
        return not track.damaged, track.stereo, track.level_db

    best = max(rank(n)[:2] for n in sounding)
    alike = [n for n in sounding if rank(n)[:2] == best]
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
        findings.append(Finding("convention_guess", Severity.NOTE, message, name))
    if picked:
        silent = [str(n + 1) for n in range(track.channels) if n not in picked]
        message = (
            f"of the {track.channels} channels of {'track ' + str(chosen + 1) if len(tracks) > 1 else 'sound'} in "
            f"{name}, {' and '.join(silent)} {'is' if len(silent) == 1 else 'are'} silent and left out"
        )
        findings.append(Finding("convention_guess", Severity.NOTE, message, name))
    return ChosenSound(chosen, picked, tuple(findings))


def _like(track: _Track) -> str:
    """What a track is like, in words."""
    live = len(track.live)
    kind = "in stereo" if track.stereo else "the same in both channels" if track.same else ""
    kind = kind or ("in one channel" if live == 1 else f"in {live} channels")
    return f"{kind}, {track.level_db:.0f} dB"


def _why_not(track: _Track, chosen: _Track, loudest_db: float) -> str:
    if not track.samples:
        return "cannot be decoded"
    if not track.live:
        return "is silent"
    if track.level_db <= loudest_db - _FAINT_DB:
        return f"is faint ({track.level_db:.0f} dB)"
    if track.damaged and not chosen.damaged:
        return "is damaged"
    if chosen.stereo and not track.stereo:
        return f"is not in stereo ({_like(track)})"
    if track.level_db < chosen.level_db:
        return f"is quieter ({track.level_db:.0f} dB)"
    return f"is much the same ({_like(track)})"
