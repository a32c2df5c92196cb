"""The day job: every clip of a folder against every take in it.

Marks of a clip are looked for beside it, as `<clip name>.marks.csv`, the camera's moves over a recorder that stood
still as `<clip name>.moves.csv`.
Functions: files_of_day, run_day; marks_beside, rig_beside (what lies beside a clip); result_name (what its
results are called); make_folder.
"""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.analysis.mountprior import MountPrior
from spatial.errors import MediaFileError, OutputError, SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding, Severity
from spatial.jobs.clocks import settle_by_clocks
from spatial.jobs.conform import ConformResult, conform_clip
from spatial.jobs.listening import listen_to_clip, listen_to_takes, require_usable, unusable
from spatial.jobs.marks import Rig
from spatial.jobs.micplace import findings_of_rigs
from spatial.jobs.onetake import Listened
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sidecar import is_track_of_ours
from spatial.jobs.sync import match_takes, open_takes, rig_of
from spatial.jobs.syncresult import SyncResult
from spatial.jobs.takehealth import health_on_clips
from spatial.media.moves import read_moves
from spatial.media.movies import open_clip
from spatial.media.takes import Take

CLIP_SUFFIXES = (".mp4", ".mov", ".mkv", ".m4v")
TAKE_SUFFIXES = (".wav", ".flac", ".caf", ".rf64", ".bw64")
TRACKS_FOLDER = "tracks"
"""Where the finished tracks go, inside the day's folder."""


@dataclass(frozen=True, slots=True, eq=False)
class DayClip:
    """One clip of a day, as far as it could be taken."""

    clip: Path
    sync: SyncResult | None
    conform: ConformResult | None
    findings: tuple[Finding, ...]
    page: Path | None = None
    """Its review page, where one was made."""


@dataclass(frozen=True, slots=True, eq=False)
class DayResult:
    """A whole shoot day."""

    folder: Path
    clips: tuple[DayClip, ...]
    unused_takes: tuple[Path, ...]
    findings: tuple[Finding, ...]
    """About the day as a whole; each clip carries its own."""
    pages: Path | None = None
    """The page that leads to each clip's review page, where they were made."""


def files_of_day(folder: Path) -> tuple[list[Path], list[Path]]:
    """Clips and takes directly in a folder, by name; tracks that we wrote are neither.

    Raises
    ------
    MediaFileError
        No such folder, or no clip or no take in it.
    """
    if not folder.is_dir():
        raise MediaFileError(f"{folder} is not a folder; name the one that holds the day's clips and takes")
    files = sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    clips = [path for path in files if path.suffix.lower() in CLIP_SUFFIXES]
    takes = [path for path in files if path.suffix.lower() in TAKE_SUFFIXES and not is_track_of_ours(path)]
    for found, what, suffixes in ((clips, "clips", CLIP_SUFFIXES), (takes, "takes", TAKE_SUFFIXES)):
        if not found:
            raise MediaFileError(f"{folder} holds no {what} (files ending in {', '.join(suffixes)})")
    return clips, takes


def run_day(
    folder: Path,
    *,
    rig_for: Callable[[Path], Rig],
    prior: MountPrior | None = None,
    repair: bool = False,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    force: bool = False,
    progress: Progress = silent,
) -> DayResult:
    """Match every clip with its take; conform and prove those that have marks.

    A clip or take that cannot be used is a finding, and the day goes on.

    Parameters
    ----------
    rig_for : callable
        The rig of each clip.

    Raises
    ------
    MediaFileError
        The folder holds nothing to work on, or no take that can be used.
    """
    clips, found = files_of_day(folder)
    # A file in the folder that is no take may be none of the shoot's: it is looked at, not mended.
    opened, unopened = open_takes(found, channel_format, severity=Severity.LOOK)
    takes, unread = listen_to_takes(opened, progress)
    require_usable(len(takes), [*unopened, *unread])
    matched = _match_all(clips, takes, rig_for, progress)
    tracks = folder / TRACKS_FOLDER
    new = not tracks.exists()
    try:
        done = []
        for clip, told in zip(clips, matched, strict=True):
            track = tracks / f"{result_name(clip, clips)}.wav"
            done.append(_finish_clip(clip, told, track, rig_for(clip), prior, repair, channel_format, force, progress))
    finally:
        if new:
            # Made for tracks that did not come; a folder with anything in it stays.
            with suppress(OSError):
                tracks.rmdir()
    done = _with_health(done, progress)
    used = {path for entry in done if entry.sync and entry.sync.estimate.matched for path in entry.sync.take.paths}
    oriented = [
        (entry.conform.rig, entry.conform.orient.place_evidence)
        for entry in done
        if entry.conform and entry.conform.orient and entry.conform.orient.place is not None
    ]
    spare = [
        Finding("no_match", Severity.NOTE, f"{take.path.name} belongs to none of the clips", take.path.name)
        for take, _ in takes
        if take.path not in used
    ]
    return DayResult(
        folder,
        tuple(done),
        tuple(path for path in found if path not in used),
        (*unopened, *unread, *spare, *findings_of_rigs(oriented)),
    )


def _with_health(done: Sequence[DayClip], progress: Progress) -> list[DayClip]:
    """Add what is wrong with each clip's take: a track that is in step and in place may have a hole in it."""
    matched = [entry.sync for entry in done if entry.sync and entry.sync.estimate.matched]
    faults = iter(health_on_clips(matched, progress=progress))
    return [
        replace(entry, findings=(*entry.findings, *next(faults)))
        if entry.sync and entry.sync.estimate.matched
        else entry
        for entry in done
    ]


def marks_beside(clip: Path) -> Path:
    """Where a clip's marks are looked for."""
    return clip.with_name(f"{clip.stem}.marks.csv")


def result_name(clip: Path, clips: Iterable[Path]) -> str:
    """What a clip's results are called: without its suffix, unless another clip of the day differs in that alone."""
    return clip.name if sum(other.stem == clip.stem for other in clips) > 1 else clip.stem


def rig_beside(clip: Path, rig: Rig) -> Rig:
    """The rig with the moves of its camera, where they lie beside the clip.

    Raises
    ------
    MovesFileError
        They cannot be used.
    """
    moves = clip.with_name(f"{clip.stem}.moves.csv")
    return replace(rig, moves=read_moves(moves)) if moves.exists() else rig


def _match_all(
    clips: Sequence[Path],
    takes: Sequence[tuple[Take, Listened]],
    rig_for: Callable[[Path], Rig],
    progress: Progress,
) -> list[SyncResult | Finding]:
    """Match every clip by its sound; then those that sound leaves open by what the clocks of all of them say."""
    matched: list[SyncResult | Finding] = []
    for clip in clips:
        try:
            opened = open_clip(clip)
            with listen_to_clip(opened, progress) as (sound, heard):
                apart = rig_of(rig_for(clip).mic_offset_m, sd_m=rig_for(clip).mic_offset_sd_m)
                matched.append(match_takes(opened, sound, heard, takes, separation=apart, progress=progress))
        except SoundplumbError as error:
            matched.append(unusable(clip, error, Severity.FIX))
    settled = iter(settle_by_clocks([told for told in matched if isinstance(told, SyncResult)]))
    return [next(settled) if isinstance(told, SyncResult) else told for told in matched]


def _finish_clip(
    clip: Path,
    result: SyncResult | Finding,
    track: Path,
    rig: Rig,
    prior: MountPrior | None,
    repair: bool,
    channel_format: ReadAs,
    force: bool,
    progress: Progress,
) -> DayClip:
    """Conform a clip that was matched, where its marks tell how."""
    if isinstance(result, Finding):
        return DayClip(clip, None, None, (result,))
    marks = marks_beside(clip)
    if not result.estimate.matched:
        return DayClip(clip, result, None, result.findings)
    if not marks.exists():
        missing = Finding(
            "undetermined",
            Severity.LOOK,
            f"{clip.name} has no marks, so how the microphone sat is not known: write {marks.name} beside it",
            clip.name,
        )
        return DayClip(clip, result, None, (*result.findings, missing))
    if track.exists() and not force:
        kept = Finding(
            "undetermined",
            Severity.LOOK,
            f"{track.parent.name}/{track.name} was there before and has been left as it is: add --force to make it "
            "anew",
            clip.name,
        )
        return DayClip(clip, result, None, (*result.findings, kept))
    try:
        rig = rig_beside(clip, rig)
        make_folder(track.parent)
        conformed = conform_clip(
            clip,
            result.take.paths,
            track,
            marks_path=marks,
            rig=rig,
            prior=prior,
            repair=repair,
            channel_format=channel_format,
            force=force,
            progress=progress,
        )
    except SoundplumbError as error:
        # The take is known all the same: only the track could not be made.
        undone = Finding("undetermined", Severity.FIX, str(error), clip.name)
        return DayClip(clip, result, None, (*result.findings, undone))
    used = [_used_moves(rig.moves.path)] if rig.moves else []
    return DayClip(clip, conformed.sync, conformed, (*conformed.findings, *used))


def _used_moves(moves: Path) -> Finding:
    return Finding(
        "facing",
        Severity.NOTE,
        f"{moves.name} lies beside the clip, so the sound is turned in time against the camera's moves; take it away "
        "if the recorder turned with the camera",
        moves.name,
    )


def make_folder(folder: Path) -> None:
    """Make a folder for results, where it is not there yet.

    Raises
    ------
    OutputError
    """
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"the folder {folder} cannot be made: {error.strerror}") from error
