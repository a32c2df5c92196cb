"""The day's other recordings, in one or two channels: lavaliers, booms. Lined up with the clips, cut to their length.

Goal: beside each clip's track lies what every other microphone heard of it, in step with the track, not turned.
Method: a recording is held against W of the clip's own take, on clip time, for that is what it will be mixed with:
`sync/close_microphone.py` says what "in step" means. What was found and written is remembered by the contents of the
files, so that a second day costs nothing.
Functions: split_recordings (takes and others among the files of a day); OtherMatcher (lines others up with clips);
nowhere_findings (recordings that belong to no clip).
"""

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray, W
from spatial.errors import SoundplumbError
from spatial.field import ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.render import narrow_on_clip_time, on_clip_time
from spatial.jobs.faults import as_fault
from spatial.jobs.inspect.channel_reading import excerpt
from spatial.jobs.progress import Progress
from spatial.jobs.sync.listen import unusable
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.time_of_day import clip_start_of_day_s
from spatial.media.buffers import Spool, resampled
from spatial.media.cache import FeatureCache
from spatial.media.output import TrackWriter, whole_file
from spatial.media.ownership import Kind, portable_name
from spatial.media.takes.grouping import gather_takes
from spatial.media.takes.narrow import NarrowSamples, narrow_blocks
from spatial.media.takes.take import Take, open_any
from spatial.media.wav.track_notes import ParentFile
from spatial.sync.close_microphone import LineUp, line_up
from spatial.sync.envelope import ENVELOPE_VERSION, WORKING_RATE_HZ, EnvelopeBuilder
from spatial.sync.one_place import no_lag_ratio
from spatial.timebase import ClockLaw
from spatial.version import __version__

_ONE_MICROPHONE = 1.0
"""Agreement without a lag over that with one from which files of one channel each are one microphone's: where its
nature puts it. Measured by tests/bench/other_recordings.py."""

_ENVELOPE = f"envelope of the mean {ENVELOPE_VERSION}"


@dataclass(frozen=True, slots=True, eq=False)
class OtherRecording:
    """What another microphone recorded of a clip."""

    path: Path
    law: ClockLaw | None
    """Its time from clip time; None where it does not belong to the clip."""
    sd_s: float | None
    reason: str
    """Why it does not; empty where it does."""
    covered_s: tuple[float, float] | None = None
    """Clip time from which and until which it runs."""
    inverted: bool = False
    output: Path | None = None
    """Where it lies, cut to the clip; None where the clip has no track to lie beside."""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Split:
    """The files of a day's sound."""

    takes: tuple[Path, ...]
    """Ambisonic recordings, and what cannot be told."""
    others: tuple[Take, ...]
    """Recordings in one or two channels that are no part of one."""


def split_recordings(paths: Sequence[Path], read_as: ReadAs) -> Split:
    """Tell the ambisonic takes of a day from its other recordings.

    Files of one channel each that are named and as long as the channels of one field are held against each other: four
    lavaliers of one recorder look just so.
    """
    gathered = gather_takes(paths, channel_format=read_as)
    others: list[Take] = []
    for path, _ in gathered.failures:
        with suppress(SoundplumbError):
            opened = open_any(path, channel_format=read_as)
            if opened.channels < FIRST_ORDER_CHANNELS:
                others.append(opened)
    for take in gathered.takes:
        if any(part.beside for part in take.parts) and not _is_one_microphone(take):
            others += [open_any(path, channel_format=read_as) for path in take.paths]
    aside = {other.path for other in others}
    takes = tuple(path for path in paths if path not in aside)
    # Without any take the files are what the messages must be about.
    return Split(takes, tuple(others)) if takes else Split(tuple(paths), ())


def _is_one_microphone(take: Take) -> bool:
    if take.declared is not None:
        return True
    sound = excerpt(take)
    ratio = np.nan if sound is None else no_lag_ratio(sound, take.rate_hz)
    return not ratio < _ONE_MICROPHONE  # silence tells nothing: then it is what its name says


def nowhere_findings(others: Sequence[Take], told: Sequence[OtherRecording]) -> list[Finding]:
    """That a recording belongs to none of the clips, or could not be held against them: said of the day, once."""
    placed = {one.path for one in told if one.law is not None}
    judged = {one.path for one in told}
    # A recording that cannot be read is no fault of any clip.
    broken = [said for one in told if one.law is None for said in one.findings]
    unread = {one.path for one in told if one.law is None and one.findings}
    nowhere = [
        Finding(
            Code.OTHER_RECORDING,
            Severity.NOTE,
            f"{other.path.name} is no ambisonic take ({_channels(other)}), and it "
            + ("belongs to none of the clips" if other.path in judged else "was held against no clip: none has a take"),
            other.path.name,
        )
        for other in others
        if other.path not in placed | unread
    ]
    return [*dict.fromkeys(broken), *nowhere]


def _channels(other: Take) -> str:
    return "one channel" if other.channels == 1 else f"{other.channels} channels"


@dataclass(frozen=True, slots=True, eq=False)
class OtherMatcher:
    """Lines the other recordings of a day up with its clips."""

    others: tuple[Take, ...]
    cache: FeatureCache
    force: bool
    progress: Progress

    def of_clip(self, result: SyncResult, track: Path | None) -> tuple[OtherRecording, ...]:
        """What every other recording has of a clip; written beside its track where there is one.

        Parameters
        ----------
        result : SyncResult
            The clip's match.
        track : Path, optional
            The clip's track.
        """
        if not self.others or not result.estimate.matched:
            return ()
        found: list[OtherRecording] = []
        reference: tuple[Spool, FloatArray] | None = None
        with Spool(WORKING_RATE_HZ) as spool:
            for other in self.others:
                try:
                    with as_fault(other.path.name):
                        kind = self._kind(result)
                        lined = self._remembered(other, kind)
                        if lined is None:
                            reference = reference or (spool, _omni_of_clip(result, spool))
                            lined = self._lined_up(other, reference)
                            self._keep(other, kind, lined)
                        told = _told(other, result, lined)
                except SoundplumbError as error:
                    broken = unusable(other.path, error, Severity.LOOK)
                    found.append(OtherRecording(other.path, None, None, str(error), findings=(broken,)))
                    continue
                try:
                    with as_fault(other.path.name):
                        told = self._written(told, other, result, track)
                except SoundplumbError as error:
                    # It belongs to the clip all the same: only its track could not be written.
                    undone = Finding(Code.NOT_DONE, Severity.LOOK, str(error), result.clip.path.name)
                    told = replace(told, findings=(undone,))
                found.append(told)
        return tuple(found)

    def _lined_up(self, other: Take, reference: tuple[Spool, FloatArray]) -> LineUp:
        spool, powers = reference
        self.progress(f"lining up {other.path.name}", 0.0)
        with NarrowSamples(other, WORKING_RATE_HZ) as samples:
            return line_up(spool, samples, (powers, self._envelope(other)))

    def _envelope(self, other: Take) -> FloatArray:
        held = self.cache.load(other.path, _ENVELOPE)
        if held is not None and "powers" in held:
            return np.asarray(held["powers"])
        powers = _envelope_of(resampled(_mean_blocks(other), other.rate_hz, WORKING_RATE_HZ))
        self.cache.store(other.path, _ENVELOPE, {"powers": powers})
        return powers

    def _written(self, told: OtherRecording, other: Take, result: SyncResult, track: Path | None) -> OtherRecording:
        """The recording, cut and laid beside the track, or left as it lies there."""
        if told.law is None or track is None:
            return told
        output = track.with_name(f"{track.stem}.{portable_name(other.path.stem)}.wav")
        wanted = result.clip.samples_at(DELIVERY_RATE_HZ)
        kind = self._written_kind(other, told.law, wanted, output)
        held = self.cache.load(other.path, kind)
        if output.exists():
            same = held is not None and held["sha256"].tobytes().decode() == self.cache.digest(output)
            if same:
                return replace(told, output=output)
            if not self.force:
                left = Finding(
                    Code.ALREADY_THERE,
                    Severity.LOOK,
                    f"{output.parent.name}/{output.name} was there before and has been left as it is: add --force to "
                    "make it anew",
                    result.clip.path.name,
                )
                return replace(told, findings=(left,))
        start_s = clip_start_of_day_s(result.clip, result.take, result.law)
        parent = ParentFile(other.path.name, self.cache.digest(other.path), other.path.stat().st_size)
        with (
            whole_file(output, Kind.TRACK, force=self.force, inputs=[other.path, *result.take.paths]) as temporary,
            TrackWriter(
                temporary,
                start_of_day_s=start_s,
                channels=other.channels,
                description=f"{other.path.name} in step with {track.name}",
                parent=parent,
            ) as writer,
        ):
            for block in narrow_on_clip_time(other, told.law, wanted):
                writer.write(block)
                self.progress(f"writing {output.name}", writer.samples / max(wanted, 1))
        digest = np.frombuffer(self.cache.digest(output).encode(), dtype=np.uint8)
        self.cache.store(other.path, kind, {"sha256": digest})
        return replace(told, output=output)

    def _kind(self, result: SyncResult) -> str:
        law = result.law
        steps = [[step.clip_time_s, step.step_s] for step in law.steps]
        files = [self.cache.digest(path) for path in (result.clip.path, *result.take.paths)]
        rest = [law.offset_s, law.drift_ppm, steps, repr(result.take.channel_format)]
        return f"lined up {_hash([__version__, files, rest])}"

    def _written_kind(self, other: Take, law: ClockLaw, wanted: int, output: Path) -> str:
        return f"cut {_hash([__version__, other.path.name, law.offset_s, law.drift_ppm, wanted, output.name])}"

    def _remembered(self, other: Take, kind: str) -> LineUp | None:
        held = self.cache.load(other.path, kind)
        if held is None or "told" not in held:
            return None
        with suppress(ValueError, LookupError, TypeError):
            facts = json.loads(held["told"].tobytes().decode())
            law = None if facts["offset_s"] is None else ClockLaw(facts["offset_s"], facts["drift_ppm"])
            return LineUp(law, facts["sd_s"], facts["reason"], facts["windows"], facts["inverted"])
        return None

    def _keep(self, other: Take, kind: str, lined: LineUp) -> None:
        law = lined.law
        facts = {
            "offset_s": law.offset_s if law else None,
            "drift_ppm": law.drift_ppm if law else None,
            "sd_s": lined.sd_s,
            "reason": lined.reason,
            "windows": lined.windows,
            "inverted": lined.inverted,
        }
        text = json.dumps(facts).encode()
        with suppress(OSError):
            self.cache.store(other.path, kind, {"told": np.frombuffer(text, dtype=np.uint8)})


def _told(other: Take, result: SyncResult, lined: LineUp) -> OtherRecording:
    """The line-up with what it means for the clip."""
    if lined.law is None:
        return OtherRecording(other.path, None, None, lined.reason)
    length_s = result.clip.duration_s
    start_s = max(0.0, lined.law.clip_from_take(0.0))
    stop_s = min(length_s, lined.law.clip_from_take(other.duration_s))
    return OtherRecording(other.path, lined.law, lined.sd_s, "", (start_s, stop_s), lined.inverted)


def _hash(told: object) -> str:
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _mean_blocks(other: Take) -> Iterator[FloatArray]:
    for block in narrow_blocks(other):
        yield np.mean(block, axis=0, keepdims=True)


def _omni_of_clip(result: SyncResult, spool: Spool) -> FloatArray:
    """Lay W of a clip's take on clip time aside; returns its envelope."""
    omni = (block[W : W + 1] for block in on_clip_time(result, lambda block, _first: block))

    def laid_aside() -> Iterator[FloatArray]:
        for block in resampled(omni, DELIVERY_RATE_HZ, WORKING_RATE_HZ):
            spool.write(block)
            yield block

    return _envelope_of(laid_aside())


def _envelope_of(blocks: Iterator[FloatArray]) -> FloatArray:
    builder = EnvelopeBuilder()
    for block in blocks:
        builder.push(block)
    return builder.finish()
