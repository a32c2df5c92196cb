"""The conform job: write the synced, de-drifted, turned track, exactly as long as the clip, and prove it.

Functions: conform_clip.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.errors import InconclusiveError, OutputError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.render import Turn, moves_findings, on_clip_time, track_turn
from spatial.jobs.conform.sidecar import sidecar_text
from spatial.jobs.orient.from_marks import OrientResult, determined_turn, require_match
from spatial.jobs.orient.judges import judges_of_mount
from spatial.jobs.orient.measure_marks import hear_marks, marks_of_clip
from spatial.jobs.orient.orient_clip import orient_match
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.listen import listen_to_all, listen_to_take
from spatial.jobs.sync.sync_clip import match_takes, open_shoot, rig_of, sync_listened
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import Pairing
from spatial.jobs.sync.time_of_day import clip_start_of_day_s
from spatial.jobs.verify import ON_CLIP_TIME, Tolerance, VerifyResult, check_track, step_of_track, with_sight
from spatial.media.output import TrackWriter, whole_files
from spatial.media.ownership import Kind, may_be_written
from spatial.media.takes.take import open_take
from spatial.mount.prior import MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr, ypr_from_matrix
from spatial.timebase import ClockLaw


@dataclass(frozen=True, slots=True, eq=False)
class ConformResult:
    """A track that was written, and its proof."""

    output: Path
    samples: int
    law: ClockLaw
    mount: FloatArray
    rig: Rig
    """With the moves and the levelling that were applied too."""
    sync: SyncResult
    orient: OrientResult | None
    """How the mount was found; None where it was given by hand."""
    proof: VerifyResult
    findings: tuple[Finding, ...]

    @property
    def mount_angles(self) -> YawPitchRoll:
        """The mount as angles."""
        return ypr_from_matrix(self.mount)


def conform_clip(
    clip_path: Path,
    take_paths: Sequence[Path],
    output: Path,
    *,
    marks_path: Path | None = None,
    mount: YawPitchRoll | None = None,
    rig: Rig,
    prior: MountPrior | None = None,
    repair: bool = False,
    tolerance: Tolerance | None = None,
    pairing: Pairing | None = None,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    force: bool = False,
    progress: Progress = silent,
) -> ConformResult:
    """Sync, orient, write, read back, prove.

    Parameters
    ----------
    marks_path : Path, optional
        Marks of the clip: they tell the mount where it is not given, and prove the track.
    mount : YawPitchRoll, optional
        How the microphone sat, where the crew knows; under a camera that moved, as it looked at 0, 0, 0.
    rig : Rig
        Where its camera moved over a recorder that did not, or its picture was levelled, the sound is turned along.
    prior : MountPrior, optional
        What the crew says of how it sat, where marks tell the rest.
    repair : bool
        Put the channels of a mirrored take right.
    pairing : Pairing, optional
        That clip and take were filmed together.

    Raises
    ------
    InconclusiveError
        No take matches, or nothing tells the mount.
    OutputError
        The track is not named as WAV, cannot be written, or exists and `force` is not set.
    """
    if mount is None and marks_path is None and (prior is None or prior.hanging is None):
        raise InconclusiveError(
            "nothing tells how the microphone sat: give --marks FILE, or --mount YAW,PITCH,ROLL (0,0,0 if it faced "
            "the lens and hung level), or --upright or --upside-down, where the camera's stereo sound tells the rest"
        )
    if output.suffix.lower() != ".wav":
        raise OutputError(
            f"a track is written as WAV, and '{output}' does not say so; end its name in .wav, as in lantern.wav"
        )
    inputs = [clip_path, *take_paths, *([marks_path] if marks_path else []), *([rig.moves.path] if rig.moves else [])]
    targets = [(output, Kind.TRACK), (output.with_suffix(".json"), Kind.SIDECAR)]
    for path, kind in targets:
        may_be_written(path, kind, force=force, inputs=inputs)
    clip, takes, unopened = open_shoot(clip_path, take_paths, channel_format)
    marks = marks_of_clip(marks_path, clip, rig) if marks_path else ()
    inputs += [path for take in takes for path in take.paths if path not in inputs]
    # Both files appear only when the proof has been read back, and are claimed before an hour of work.
    with (
        whole_files(targets, force=force, inputs=inputs) as (temporary, temporary_sidecar),
        listen_to_all(clip, takes, progress) as (sound, heard, listened, unread),
    ):
        given = matrix_from_ypr(mount) if mount is not None else None
        separation = rig_of(rig.mic_offset_m, given, sd_m=rig.mic_offset_sd_m)
        result = match_takes(clip, sound, heard, listened, separation=separation, pairing=pairing, progress=progress)
        require_match(result)
        oriented, repaired = None, None
        if given is not None:
            matrix = given
        else:
            heard_marks = hear_marks(result.take, result.law, marks, rig)
            oriented = orient_match(result, heard_marks, rig=rig, prior=prior, repair=repair, progress=progress)
            matrix = determined_turn(oriented)
            repaired = oriented.repaired.mic_from_take if oriented.repaired else None
            if separation is not None:
                # Now that it is known how the microphone sat, so is what the sound's travel does to each window.
                turned = matrix if repaired is None else matrix @ repaired
                aimed = rig_of(rig.mic_offset_m, turned, sd_m=rig.mic_offset_sd_m)
                told = result.listened or listen_to_take(result.take, progress)
                again = sync_listened(clip, sound, heard, result.take, told, separation=aimed, progress=progress)
                result = replace(result, estimate=again) if again.matched else result
        samples, clipped = _write(result, track_turn(matrix, repaired, rig), temporary, progress=progress)
        track = open_take(temporary)
        proof = check_track(
            clip,
            track,
            hear_marks(track, ON_CLIP_TIME, marks, rig, finished=True, sounds_s=result.covered_s),
            step=step_of_track(clip, track, (sound, heard), rig=rig, pairing=pairing, progress=progress),
            tolerance=tolerance or Tolerance(),
            judges=judges_of_mount(oriented, len(marks), rig),
        )
        said = oriented is not None and oriented.place is not None and oriented.place.clear
        proof = with_sight(proof, rig, said=said)
        findings = [*(oriented.findings if oriented else result.findings), *unopened, *unread]
        findings += [*moves_findings(clip, rig), *proof.findings]
        if clipped:
            findings.append(_clipping(clipped, output))
        findings = list(dict.fromkeys(findings))
        text = sidecar_text(
            inputs,
            sync=result,
            law=result.law,
            mount=matrix,
            rig=rig,
            repaired=oriented.repaired if oriented else None,
            output=output,
            samples=samples,
            proof=proof,
            findings=findings,
            oriented=oriented,
        )
        # The names of inputs may hold bytes that are no text: JSON writes them just as backslashreplace does.
        temporary_sidecar.write_text(text, encoding="utf-8", errors="backslashreplace")
    return ConformResult(output, samples, result.law, matrix, rig, result, oriented, proof, tuple(findings))


def _write(result: SyncResult, turned: Turn, path: Path, *, progress: Progress) -> tuple[int, int]:
    """Stream the take into the track. Returns samples written and samples that passed full scale."""
    wanted = result.clip.samples_at(DELIVERY_RATE_HZ)
    start_s = clip_start_of_day_s(result.clip, result.take, result.law)
    with TrackWriter(path, start_of_day_s=start_s) as writer:
        for block in on_clip_time(result, turned):
            writer.write(block)
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
