"""A day as lanes of a timeline: pictures, our tracks under them, and the takes as an editor would need them without.

Goal: clips that were filmed at the same time lie over each other, all others one after another; what an editor hears
under a picture is what the sidecar of its track says, to half a sample.
Method: clips that share a take are placed by the take, to a fraction of a millisecond; else by time of day, of the
recorder, or of the camera's timecode. Those that overlap form a scene; scenes follow each other with a gap. A picture
lies on a whole frame, and all sound goes with its own picture: what a frame leaves over between two cameras is stated
(`beside_frame_s`).
Conventions: spatial.conventions (time).
Functions: day_lanes; raw_pieces (a take under its clip).
"""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from spatial.conventions import CHANNEL_NAMES, DELIVERY_RATE_HZ
from spatial.errors import InputError
from spatial.findings import Finding, Severity, written_out
from spatial.jobs.conform.track_memory import ConformResult
from spatial.jobs.day.day_result import DayClip
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.time_of_day import timecode_start_s
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.media.timeline_file import Lane, LaneKind, Moment, Stretch, Tint
from spatial.media.wav.metadata import read_stamp
from spatial.timebase import DAY_S, ClockLaw, frame_from_timecode
from spatial.verification.placement import MarkCheck, Verdict

_GAP_S = 1
"""Between two scenes, at least, seconds: so that they are told apart."""

_DAY_BEGINS_S = 4 * 3600.0
"""Times before this belong to the evening before: a performance may end after midnight (common practice, no source)."""

_NO_PICTURE_RATE = Fraction(25)
"""Frames a second of a timeline of clips without pictures."""

_TINTS = {Severity.FIX: Tint.RED, Severity.LOOK: Tint.YELLOW, Severity.NOTE: Tint.CYAN}
_TINT_OF_MARK = {Verdict.IN_PLACE: Tint.GREEN, Verdict.BORDERLINE: Tint.YELLOW, Verdict.OFF: Tint.RED}


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A clip on the timeline."""

    entry: DayClip
    sync: SyncResult
    at_s: Fraction
    lane: int
    beside_frame_s: float
    """How much later than its whole frame it began, against the first clip of its scene."""

    @property
    def clip(self) -> Clip:
        return self.sync.clip


def day_lanes(
    entries: Sequence[DayClip], *, place: Callable[[Path], Path | None], digest: Callable[[Path], str]
) -> list[Lane]:
    """Lanes of a day's clips; one that cannot be opened is on none of them.

    Parameters
    ----------
    entries : sequence of DayClip
    place : callable
        Where the editor finds a track of ours; None where it is not handed over.
    digest : callable
        SHA-256 of a file.
    """
    placed = _placed([entry for entry in entries if entry.sync is not None])
    lanes: list[Lane] = []
    for number in sorted({one.lane for one in placed}):
        mine = [one for one in placed if one.lane == number]
        name = "" if number == 0 else f" {number + 1}"
        pictures = [_picture(one, digest) for one in mine if one.clip.frame_rate is not None]
        tracks = [
            _track(one, made, track)
            for one in mine
            if (made := one.entry.conform) is not None and (track := place(made.output)) is not None
        ]
        done = {stretch.facts["for_clip"] for stretch in tracks}
        lanes += [
            Lane(f"Picture{name}", LaneKind.PICTURE, tuple(pictures)),
            Lane(f"Sound field{name}", LaneKind.SOUND, tuple(tracks)),
        ]
        others = [(nth, stretch) for one in mine for nth, stretch in enumerate(_others(one, place))]
        lanes += _numbered(f"Other recording{name}", others)
        takes = [
            piece
            for one in mine
            if one.sync.estimate.matched
            for piece in _raw(one, alone=one.clip.path.name not in done)
        ]
        lanes += _numbered(f"Raw take{name}", takes)
    return [lane for lane in lanes if lane.stretches]


def _numbered(name: str, stretches: Sequence[tuple[int, Stretch]]) -> list[Lane]:
    """A lane for each number; those after the first are counted in their names."""
    return [
        Lane(
            f"{name}, file {number + 1}" if number else name,
            LaneKind.SOUND,
            tuple(stretch for other, stretch in stretches if other == number),
        )
        for number in sorted({number for number, _ in stretches})
    ]


# --- where clips lie ---


def _placed(entries: Sequence[DayClip]) -> list[_Placed]:
    """Clips that overlap together, all others in a row."""
    rates = Counter(entry.sync.clip.frame_rate for entry in entries if entry.sync and entry.sync.clip.frame_rate)
    rate = rates.most_common(1)[0][0] if rates else _NO_PICTURE_RATE
    placed: list[_Placed] = []
    begin_s = Fraction(0)
    for scene in _scenes(entries):
        lanes: list[float] = []
        end_s = begin_s
        for entry, after_s in scene:
            assert entry.sync is not None
            frame = round(Fraction(after_s) * rate)
            number = next((n for n, until in enumerate(lanes) if until <= frame / rate), len(lanes))
            at_s = begin_s + frame / rate
            placed.append(_Placed(entry, entry.sync, at_s, number, after_s - float(frame / rate)))
            until_s = frame / rate + Fraction(entry.sync.clip.duration_s)
            lanes[number : number + 1] = [float(until_s)]
            end_s = max(end_s, begin_s + until_s)
        begin_s = math.ceil((end_s + _GAP_S) * rate) / rate
    return placed


def _scenes(entries: Sequence[DayClip]) -> list[list[tuple[DayClip, float]]]:
    """Clips that overlap, each with how long after the first of them it begins; scenes in order of time.

    Scenes keep the order of the clips' names where not all of them have a time of day.
    """
    by_clock: dict[str, list[tuple[float, int]]] = {}
    for number, entry in enumerate(entries):
        assert entry.sync is not None
        clock, begin_s = _moment(entry.sync, number)
        by_clock.setdefault(clock, []).append((begin_s, number))
    scenes: list[list[tuple[float, int]]] = []
    for begun in by_clock.values():
        until_s = -math.inf
        for begin_s, number in sorted(begun):
            if begin_s >= until_s:
                scenes.append([])
            scenes[-1].append((begin_s, number))
            sync = entries[number].sync
            assert sync is not None
            until_s = max(until_s, begin_s + sync.clip.duration_s)
    if set(by_clock) != {_DAY}:
        scenes.sort(key=lambda scene: min(number for _, number in scene))
    return [[(entries[number], begin_s - scene[0][0]) for begin_s, number in scene] for scene in scenes]


_DAY = "time of day"


def _moment(sync: SyncResult, number: int) -> tuple[str, float]:
    """By which clock it is known when a clip began, and when."""
    law = sync.true_estimate.applied_law
    if sync.estimate.matched and law is not None:
        begin_s = law.take_from_clip(0.0)
        if sync.take.start_of_day_s is None:
            return f"take {sync.take.path}", begin_s
        return _DAY, (sync.take.start_of_day_s - _DAY_BEGINS_S) % DAY_S + begin_s
    by_timecode = timecode_start_s(sync.clip)
    if by_timecode is not None:
        return _DAY, (by_timecode - _DAY_BEGINS_S) % DAY_S
    return f"clip {number}", 0.0


# --- what lies there ---


def _picture(one: _Placed, digest: Callable[[Path], str]) -> Stretch:
    clip, rate = one.clip, one.clip.frame_rate
    assert rate is not None
    begin, frames = _first_frame(clip), clip.frames or round(clip.duration_s * rate)
    moments = [_finding_moment(said, begin, frames, rate) for said in one.entry.findings]
    if one.entry.conform is not None:
        moments += [_mark_moment(heard, check, begin, rate) for heard, check in one.entry.conform.proof.marks]
    return Stretch(
        *(clip.path.name, clip.path, one.at_s, rate),
        start=begin,
        length=frames,
        media_start=begin,
        media_length=frames,
        moments=tuple(moments),
        facts=_facts(one, digest),
    )


def _first_frame(clip: Clip) -> int:
    if clip.start_timecode is not None and clip.frame_rate is not None:
        with suppress(InputError):
            return frame_from_timecode(clip.start_timecode, clip.frame_rate)
    return 0


def _finding_moment(said: Finding, begin: int, frames: int, rate: Fraction) -> Moment:
    """A finding where it is; at the clip's first frame where it is about all of it."""
    frame = min(max(round(Fraction(said.clip_time_s or 0.0) * rate), 0), frames - 1)
    name = f"{said.severity.value}: {said.code.value}"
    return Moment(name, begin + frame, 1, _TINTS[said.severity], said.message, written_out(said))


def _mark_moment(heard: MeasuredMark, check: MarkCheck, begin: int, rate: Fraction) -> Moment:
    """A performer, for as long as the mark lasts."""
    mark = heard.mark
    first, last = (round(Fraction(time_s) * rate) for time_s in (mark.start_s, mark.end_s))
    facts = {
        "who": mark.who,
        "start_s": mark.start_s,
        "end_s": mark.end_s,
        "azimuth_deg": np.degrees(mark.azimuth_rad),
        "elevation_deg": np.degrees(mark.elevation_rad),
        "distance_m": mark.distance_m,
        "error_deg": np.degrees(check.error_rad),
        "sd_deg": np.degrees(check.sd_rad),
        "verdict": check.verdict.value,
    }
    tint = _TINT_OF_MARK.get(check.verdict, Tint.CYAN)
    return Moment(mark.who, begin + first, max(1, last - first), tint, f"heard: {check.verdict.value}", facts)


def _track(one: _Placed, made: ConformResult, track: Path) -> Stretch:
    """Our track: as long as the clip, from the samples since midnight that it says itself."""
    rate = Fraction(DELIVERY_RATE_HZ)
    begin = _our_first_sample(made.output)
    facts = {
        "role": "sound field, cut and turned",
        "for_clip": one.clip.path.name,
        "channels": list(CHANNEL_NAMES),
        "channel_order": "ACN",
        "normalisation": "SN3D",
    }
    return Stretch(
        *(track.name, track, one.at_s, rate),
        start=begin,
        length=made.samples,
        media_start=begin,
        media_length=made.samples,
        facts=facts,
    )


def _others(one: _Placed, place: Callable[[Path], Path | None]) -> list[Stretch]:
    """What the day's other microphones recorded of a clip, cut to it as our track is."""
    found = []
    for other in one.entry.other_recordings:
        target = None if other.output is None else place(other.output)
        if other.output is None or target is None:
            continue
        begin = _our_first_sample(other.output)
        length = one.clip.samples_at(DELIVERY_RATE_HZ)
        facts = {"role": "other recording, cut, not turned", "for_clip": one.clip.path.name, "from": other.path.name}
        found.append(
            Stretch(
                *(target.name, target, one.at_s, Fraction(DELIVERY_RATE_HZ)),
                start=begin,
                length=length,
                media_start=begin,
                media_length=length,
                facts=facts,
            )
        )
    return found


def _our_first_sample(track: Path) -> int:
    """Samples since midnight at the first sample of a track of ours, as it says itself; 0 where it does not."""
    stamp_s = read_stamp(track, DELIVERY_RATE_HZ).start_of_day_s
    return 0 if stamp_s is None else round(stamp_s * DELIVERY_RATE_HZ)


@dataclass(frozen=True, slots=True)
class RawPiece:
    """A part of a take's file under a clip."""

    clip_time_s: float
    """Where it begins."""
    part: int
    """Which of the take's parts it is from."""
    begin: float
    end: float
    """From which to which sample of the file."""
    ratio: float
    """Seconds that pass in the file for one of the clip."""


def raw_pieces(take: Take, law: ClockLaw, from_s: float, until_s: float) -> list[RawPiece]:
    """A take under its clip, from one clip time until another, cut where a clock jumps and where a file ends.

    Where the recorder lost sound there is nothing.
    """
    cuts = [from_s, *(step.clip_time_s for step in law.steps if from_s < step.clip_time_s < until_s), until_s]
    lost = {step.clip_time_s: max(0.0, -step.step_s) for step in law.steps}
    pieces = []
    for begin_s, end_s in pairwise(cuts):
        first_s = begin_s + lost.get(begin_s, 0.0)
        if first_s >= end_s:
            continue
        here = law.piece_at((first_s + end_s) / 2)
        span = [here.take_from_clip(time_s) * take.rate_hz for time_s in (first_s, end_s)]
        place = 0
        for number, part in enumerate(take.parts):
            place += part.gap
            first, last = max(span[0], place), min(span[1], place + part.samples)
            if last - first >= 1:
                at_s, in_file = here.clip_from_take(first / take.rate_hz), part.skip - place
                pieces.append(RawPiece(at_s, number, first + in_file, last + in_file, here.ratio))
            place += part.samples
    return pieces


def _raw(one: _Placed, *, alone: bool) -> list[tuple[int, Stretch]]:
    """A take under its clip, each stretch with the number of its file where several hold one time.

    `alone`: it is all there is to hear; else it is switched off.
    """
    sync = one.sync
    take, law, rate = sync.take, sync.law, Fraction(sync.take.rate_hz)
    facts = {
        "role": "raw take, neither turned nor cut",
        "for_clip": one.clip.path.name,
        "offset_s": law.offset_s,
        "drift_ppm": law.drift_ppm,
    }
    stretches = []
    for piece in raw_pieces(take, law, *sync.covered_s):
        at_s, sample, length = _on_samples(one.at_s + Fraction(piece.clip_time_s), piece, rate)
        part = take.parts[piece.part]
        # Since midnight by the recorder's clock, as the file's own chunks say.
        begin = _midnight_sample(take, piece.part)
        for number, path in enumerate(part.paths):
            stretch = Stretch(
                *(path.name, path, at_s, rate),
                start=begin + sample,
                length=length,
                media_start=begin,
                media_length=part.skip + part.samples,
                speed=piece.ratio,
                enabled=alone,
                facts={**facts, "clip_time_s": float(at_s - one.at_s)},
            )
            stretches.append((number, stretch))
    return stretches


def _on_samples(at_s: Fraction, piece: RawPiece, rate: Fraction) -> tuple[Fraction, int, int]:
    """Where on the timeline a piece begins, with which sample of its file, and how many samples it lasts.

    It begins with a sample of the timeline, and with that of its file which is nearest then: half a sample off at most.
    """
    place = round(at_s * rate)
    sample = round(piece.begin + float(place - at_s * rate) * piece.ratio)
    if sample < math.floor(piece.begin):
        # Before what there is of the file, or of this side of a jump.
        place, sample = place + 1, sample + 1
    # A whole sample must not become the one before it by rounding.
    return place / rate, sample, math.floor((piece.end - sample) / piece.ratio + 1e-3)


def _midnight_sample(take: Take, part: int) -> int:
    """Samples since midnight at the first sample of a part's file."""
    stamp_s = read_stamp(take.parts[part].path, take.rate_hz).start_of_day_s
    return 0 if stamp_s is None else round(stamp_s * take.rate_hz)


def _facts(one: _Placed, digest: Callable[[Path], str]) -> dict[str, Any]:
    """What is known of a clip, in the words of the day's JSON."""
    entry, sync, made = one.entry, one.sync, one.entry.conform
    estimate = sync.estimate
    facts: dict[str, Any] = {
        "clip": entry.clip.name,
        "status": entry.status.value,
        "sha256": digest(entry.clip),
        "start_timecode": sync.clip.start_timecode,
        "beside_frame_s": one.beside_frame_s,
        "take": sync.take.path.name if estimate.matched else None,
    }
    if estimate.matched:
        facts |= {
            "take_sha256": [digest(path) for path in sync.take.paths],
            "offset_s": sync.law.offset_s,
            "offset_sd_s": estimate.offset_sd_s,
            "drift_ppm": sync.law.drift_ppm,
            "drift_sd_ppm": estimate.drift_sd_ppm,
            "steps": [{"clip_time_s": step.clip_time_s, "step_s": step.step_s} for step in sync.law.steps],
        }
    if made is not None:
        angles = made.mount_angles
        facts["mount"] = {
            "yaw_deg": np.degrees(angles.yaw_rad),
            "pitch_deg": np.degrees(angles.pitch_rad),
            "roll_deg": np.degrees(angles.roll_rad),
            "matrix": made.mount,
        }
        sd = made.mount_sd_rad
        if sd is not None:
            facts["mount_sd_deg"] = {
                name: np.degrees(part)
                for name, part in (("yaw", sd.yaw_rad), ("pitch", sd.pitch_rad), ("roll", sd.roll_rad))
            }
    facts["findings"] = [written_out(finding) for finding in entry.findings]
    return facts
