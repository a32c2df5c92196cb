"""The conform job: write the synced, de-drifted, turned track, exactly as long as the clip, and prove it.

Functions: conform_clip (from files); conform_match (a match at hand).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.dsp.samples import while_reading
from spatial.errors import OutputError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.render import Turn, moves_findings, on_clip_time, track_turn
from spatial.jobs.conform.sidecar import sidecar_text
from spatial.jobs.conform.track_memory import ConformResult, kept_answer, made_from
from spatial.jobs.conform.track_slate import notes_of_track
from spatial.jobs.orient.from_marks import OrientResult, determined_turn, require_match
from spatial.jobs.orient.judges import judges_of_mount
from spatial.jobs.orient.measure_marks import measure_marks
from spatial.jobs.orient.orient_clip import orient_match
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync.listen import listen_to_all, listen_to_clip, listen_to_take
from spatial.jobs.sync.listen_take import Listened, remembered_take
from spatial.jobs.sync.sync_clip import match_takes, open_shoot, sync_listened, with_estimate
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import ON_CLIP_TIME, check_track, step_of_made, with_sight
from spatial.media.buffers import Spool
from spatial.media.cache import FeatureCache
from spatial.media.output import TrackWriter, whole_files
from spatial.media.ownership import Kind, digest_of, may_be_written, put_seal
from spatial.media.tables import Mark
from spatial.media.takes.take import open_take


def conform_clip(
    clip_path: Path,
    take_paths: Sequence[Path],
    output: Path,
    asked: TrackRequest,
    *,
    force: bool = False,
    progress: Progress = silent,
) -> ConformResult:
    """Sync, orient, write, read back, prove.

    Parameters
    ----------
    output : Path
        The track, a WAV file; its sidecar goes beside it.
    asked : TrackRequest
    force : bool
        Replace a track of ours that is there.

    Raises
    ------
    InconclusiveError
        No take matches, or nothing tells the mount.
    OutputError
        The track is not named as WAV, cannot be written, or exists and `force` is not set.
    """
    inputs = _inputs(clip_path, take_paths, asked)
    targets = _targets(output, asked, force=force, inputs=inputs)
    clip, takes, unopened = open_shoot(clip_path, take_paths, asked.read_as)
    marks = asked.marks_of(clip)
    inputs += [path for take in takes for path in take.paths if path not in inputs]
    # Both files appear only when the proof has been read back, and are claimed before an hour of work.
    with (
        whole_files(targets, force=force, inputs=inputs) as temporaries,
        listen_to_all(clip, takes, progress) as (sound, heard, listened, unread),
    ):
        separation = asked.separation(asked.mount_matrix)
        result = match_takes(
            clip, sound, heard, listened, separation=separation, pairing=asked.pairing, progress=progress
        )
        require_match(result)
        work = _Work(output, asked, marks, (sound, heard), progress)
        made = work.done(replace(result, pairing=asked.pairing), temporaries[0], [*unopened, *unread])
        _write_sidecar(temporaries, inputs, made, _Memory(asked, None, FeatureCache()))
    return made


def conform_match(
    result: SyncResult,
    output: Path,
    asked: TrackRequest,
    *,
    health: Sequence[Finding] | None = None,
    cache: FeatureCache | None = None,
    force: bool = False,
    progress: Progress = silent,
) -> ConformResult:
    """The same for a clip whose take has been found.

    Parameters
    ----------
    result : SyncResult
        A match, with what the microphone's distance from the lens tells.
    output : Path
    asked : TrackRequest
    health : sequence of Finding, optional
        What is wrong with its take, where that was looked for: the sidecar keeps it for another day.
    cache : FeatureCache, optional
        What remembers the digests of files.

    Raises
    ------
    InconclusiveError, OutputError
        As conform_clip.
    """
    require_match(result)
    inputs = _inputs(result.clip.path, result.take.paths, asked)
    targets = _targets(output, asked, force=force, inputs=inputs)
    marks = asked.marks_of(result.clip)
    with (
        whole_files(targets, force=force, inputs=inputs) as temporaries,
        listen_to_clip(result.clip, progress) as listened,
    ):
        work = _Work(output, asked, marks, listened, progress)
        if asked.mount_matrix is not None:
            result = work.aimed(result, asked.mount_matrix)
        made = work.done(result, temporaries[0])
        _write_sidecar(temporaries, inputs, made, _Memory(asked, health, cache or FeatureCache()))
    return made


def _inputs(clip_path: Path, take_paths: Sequence[Path], asked: TrackRequest) -> list[Path]:
    marks, moves = asked.marks_path, asked.rig.moves
    return [clip_path, *take_paths, *([marks] if marks else []), *([moves.path] if moves else [])]


def _targets(output: Path, asked: TrackRequest, *, force: bool, inputs: Sequence[Path]) -> list[tuple[Path, Kind]]:
    """The files of a track, which may be written; asked before any work is done."""
    asked.require_answer()
    if output.suffix.lower() != ".wav":
        raise OutputError(
            f"a track is written as WAV, and '{output}' does not say so; end its name in .wav, as in lantern.wav"
        )
    targets = [(output, Kind.TRACK), (output.with_suffix(".json"), Kind.SIDECAR)]
    for path, kind in targets:
        may_be_written(path, kind, force=force, inputs=inputs)
    return targets


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """A track in the making."""

    output: Path
    asked: TrackRequest
    marks: tuple[Mark, ...]
    heard: tuple[Spool, Listened]
    """The clip's own sound."""
    progress: Progress

    def done(self, result: SyncResult, temporary: Path, broken: Sequence[Finding] = ()) -> ConformResult:
        """Orient, write, read back and prove; `broken`: what is to be said of takes that could not be used."""
        asked, rig, progress = self.asked, self.asked.rig, self.progress
        oriented, repaired, matrix = None, None, asked.mount_matrix
        if matrix is None:
            oriented = self._oriented(result)
            matrix = determined_turn(oriented)
            repaired = oriented.repaired.mic_from_take if oriented.repaired else None
            aimed = self.aimed(result, matrix if repaired is None else matrix @ repaired)
            # What is said of the match is said of the one that the track is cut by.
            others = [finding for finding in oriented.findings if finding not in result.findings]
            oriented = replace(oriented, sync=aimed, findings=(*aimed.findings, *others))
            result = aimed
        samples, clipped = _write(result, track_turn(matrix, repaired, rig), temporary, progress=progress)
        track = open_take(temporary)
        proof = check_track(
            result.clip,
            track,
            measure_marks(track, ON_CLIP_TIME, self.marks, rig, finished=True, sounds_s=result.covered_s),
            step=step_of_made(result, track, self.heard, rig=rig, progress=progress),
            tolerance=asked.tolerance,
            judges=judges_of_mount(oriented, len(self.marks), rig),
        )
        said = oriented is not None and oriented.place is not None and oriented.place.clear
        proof = with_sight(proof, rig, said=said)
        findings = [*(oriented.findings if oriented else result.findings), *broken]
        findings += [*moves_findings(result.clip, rig), *proof.findings]
        if clipped:
            findings.append(_clipping(clipped, self.output))
        findings = list(dict.fromkeys(findings))
        return ConformResult(self.output, samples, result.law, matrix, rig, result, oriented, proof, tuple(findings))

    def _oriented(self, result: SyncResult) -> OrientResult:
        asked = self.asked
        if asked.oriented is not None:
            return asked.oriented
        heard = measure_marks(result.take, result.law, self.marks, asked.rig)
        return orient_match(
            result, heard, rig=asked.rig, prior=asked.prior, repair=asked.repair, progress=self.progress
        )

    def aimed(self, result: SyncResult, picture_from_take: FloatArray) -> SyncResult:
        """The match again, once it is known how the microphone sat, and so what sound's travel does to each window."""
        separation = self.asked.separation(picture_from_take)
        if separation is None:
            return result
        sound, heard = self.heard
        told = result.listened or remembered_take(result.take, FeatureCache())
        told = told or listen_to_take(result.take, self.progress)
        again = sync_listened(
            result.clip, sound, heard, result.take, told, separation=separation, progress=self.progress
        )
        return with_estimate(result, again) if again.matched else result


@dataclass(frozen=True, slots=True, eq=False)
class _Memory:
    """What the sidecar keeps beside the result."""

    asked: TrackRequest
    health: Sequence[Finding] | None
    cache: FeatureCache


def _write_sidecar(temporaries: Sequence[Path], inputs: Sequence[Path], made: ConformResult, memory: _Memory) -> None:
    track, path = temporaries
    # The digest is that of the track as it will lie there; sealing it again changes nothing.
    put_seal(track)
    folder = made.sync.clip.path.parent
    text = sidecar_text(
        inputs,
        sync=made.sync,
        law=made.law,
        mount=made.mount,
        rig=memory.asked.rig,
        repaired=made.orient.repaired if made.orient else None,
        output=made.output,
        samples=made.samples,
        proof=made.proof,
        findings=made.findings,
        oriented=made.orient,
        digest=memory.cache.digest,
        track_sha256=digest_of(track),
        made_from=made_from(made.sync, memory.asked, memory.cache.digest),
        kept=kept_answer(made, memory.health, folder),
    )
    # The names of inputs may hold bytes that are no text: JSON writes them just as backslashreplace does.
    path.write_text(text, encoding="utf-8", errors="backslashreplace")


def _write(result: SyncResult, turned: Turn, path: Path, *, progress: Progress) -> tuple[int, int]:
    """Stream the take into the track. Returns samples written and samples that passed full scale."""
    wanted = result.clip.samples_at(DELIVERY_RATE_HZ)
    with TrackWriter(path, notes=notes_of_track(result)) as writer:
        for _ in while_reading(writer.write, on_clip_time(result, turned)):
            progress("writing the track", writer.samples / max(wanted, 1))
        return writer.samples, writer.clipped


def _clipping(clipped: int, output: Path) -> Finding:
    return Finding(
        Code.CLIPPING,
        Severity.FIX,
        f"{clipped} samples of the turned track pass full scale and are cut off: lower the take's gain by a few dB "
        "and conform again",
        output.name,
    )
