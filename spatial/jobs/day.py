"""The day job: every clip of a folder against every take in it.

Marks of a clip are looked for beside it, as `<clip name>.marks.csv`.
Functions: files_of_day, run_day.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from spatial.analysis.orientation import Hanging
from spatial.errors import MediaFileError, OutputError, SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding, Severity
from spatial.jobs.conform import ConformResult, conform_clip
from spatial.jobs.listening import Listened, listen_to_clip, listen_to_take
from spatial.jobs.marks import Rig
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sidecar import is_track_of_ours
from spatial.jobs.sync import SyncResult, match_takes, rig_of
from spatial.media.cache import FeatureCache
from spatial.media.gathering import gather_takes
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


@dataclass(frozen=True, slots=True, eq=False)
class DayResult:
    """A whole shoot day."""

    folder: Path
    clips: tuple[DayClip, ...]
    unused_takes: tuple[Path, ...]
    findings: tuple[Finding, ...]
    """About the day as a whole; each clip carries its own."""


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
    hanging: Hanging | None = None,
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
    takes, broken = _listen_to_all(found, channel_format, progress)
    tracks = folder / TRACKS_FOLDER
    new = not tracks.exists()
    try:
        done = [
            _run_clip(clip, takes, tracks, rig_for(clip), hanging, channel_format, force, progress) for clip in clips
        ]
    finally:
        if new:
            # Made for tracks that did not come; a folder with anything in it stays.
            with suppress(OSError):
                tracks.rmdir()
    used = {path for entry in done if entry.sync and entry.sync.estimate.matched for path in entry.sync.take.paths}
    spare = [
        Finding("no_match", Severity.NOTE, f"{take.path.name} belongs to none of the clips", take.path.name)
        for take, _ in takes
        if take.path not in used
    ]
    return DayResult(folder, tuple(done), tuple(path for path in found if path not in used), (*broken, *spare))


def _listen_to_all(
    paths: Sequence[Path], channel_format: ReadAs, progress: Progress
) -> tuple[list[tuple[Take, Listened]], list[Finding]]:
    """Listen to every take once, for all clips; what cannot be used is a finding.

    Raises
    ------
    MediaFileError
        None can be used.
    """
    takes: list[tuple[Take, Listened]] = []
    cache = FeatureCache()
    gathered = gather_takes(paths, channel_format=channel_format)
    broken = [Finding("truncated", Severity.LOOK, str(error), path.name) for path, error in gathered.failures]
    for take in gathered.takes:
        try:
            takes.append((take, listen_to_take(take, progress, cache=cache)))
        except SoundplumbError as error:
            broken.append(Finding("truncated", Severity.LOOK, str(error), take.path.name))
    if not takes:
        raise MediaFileError(f"none of the {len(paths)} takes can be used; the first: {broken[0].message}")
    return takes, broken


def _run_clip(
    clip: Path,
    takes: Sequence[tuple[Take, Listened]],
    tracks: Path,
    rig: Rig,
    hanging: Hanging | None,
    channel_format: ReadAs,
    force: bool,
    progress: Progress,
) -> DayClip:
    marks = clip.with_name(f"{clip.stem}.marks.csv")
    try:
        opened = open_clip(clip)
        with listen_to_clip(opened, progress) as (sound, heard):
            apart = rig_of(rig.mic_offset_m)
            result = match_takes(opened, sound, heard, takes, separation=apart, progress=progress)
    except SoundplumbError as error:
        return DayClip(clip, None, None, (Finding("truncated", Severity.FIX, str(error), clip.name),))
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
    try:
        _make_folder(tracks)
        conformed = conform_clip(
            clip,
            result.take.paths,
            tracks / f"{clip.stem}.wav",
            marks_path=marks,
            rig=rig,
            hanging=hanging,
            channel_format=channel_format,
            force=force,
            progress=progress,
        )
    except SoundplumbError as error:
        # The take is known all the same: only the track could not be made.
        undone = Finding("undetermined", Severity.FIX, str(error), clip.name)
        return DayClip(clip, result, None, (*result.findings, undone))
    return DayClip(clip, conformed.sync, conformed, conformed.findings)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"the folder {folder} cannot be made: {error.strerror}") from error
