"""The day job: every clip of a folder against every take in it.

Whatever goes wrong with one clip or take, mistakes of ours included, is its own finding, and the others go on.
Functions: run_day; in_doubt (a file beside a clip that may be another's); make_folder.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.errors import FaultError, OutputError, SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.conform_clip import ConformResult, TrackRequest, conform_match
from spatial.jobs.conform.sidecar import is_unfinished
from spatial.jobs.day.day_files import (
    MARKS,
    MOVES,
    beside,
    files_of_day,
    is_there,
    result_names,
    rig_beside,
    shared_beside,
)
from spatial.jobs.faults import as_fault
from spatial.jobs.inspect.take_health import health_on_clips
from spatial.jobs.orient.mic_place import findings_of_rigs, one_place_of_all, unseen_findings, unseen_of_rigs
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.day_clocks import settle_by_clocks
from spatial.jobs.sync.listen import listen_to_clip, listen_to_takes, require_usable, unusable
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.sync_clip import match_takes, open_takes, rig_of
from spatial.jobs.sync.sync_findings import riding_findings, riding_over_day
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import open_clip
from spatial.media.ownership import is_too_long
from spatial.media.takes.take import Take
from spatial.media.work_folders import clear_leftovers
from spatial.mount.prior import MountPrior

TRACKS_FOLDER = "tracks"
"""Where the finished tracks go, inside the day's folder."""

_SAME_MOMENT_S = 0.1
"""Clips that lie no further apart in a take, and end together, are copies: pictures of one camera, not two scenes."""


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
    opened, unopened = _open_takes(found, channel_format)
    takes, unread = listen_to_takes(opened, progress)
    require_usable(len(takes), [*unopened, *unread])
    matched, unsettled = _match_all(clips, takes, rig_for, progress)
    syncs = {clip: told for clip, told in zip(clips, matched, strict=True) if isinstance(told, SyncResult)}
    names = result_names(clips)
    tracks = folder / TRACKS_FOLDER
    new = not tracks.exists()
    clear_leftovers(tracks)
    try:
        done = []
        for clip, told in zip(clips, matched, strict=True):
            track = tracks / f"{names[clip]}.wav"
            doubt = [in_doubt(clip, syncs, clips, what) for what in (MARKS, MOVES)]
            finish = _Finish(rig_for, prior, repair, force, progress)
            done.append(finish.clip(clip, told, track, [said for said in doubt if said is not None]))
    finally:
        if new:
            # Made for tracks that did not come; a folder with anything in it stays.
            with suppress(OSError):
                tracks.rmdir()
    done = _with_health(done, progress)
    used = {path for entry in done if entry.sync and entry.sync.estimate.matched for path in entry.sync.take.paths}
    # One that fits some clip as well as the take that is used, such as a copy of it, is told of with the clip.
    may_be = used | {path for entry in done if entry.sync for p in entry.sync.possibilities for path in p.take.paths}
    spare = [
        Finding(Code.UNUSED_TAKE, Severity.NOTE, f"{take.path.name} belongs to none of the clips", take.path.name)
        for take, _ in takes
        if may_be.isdisjoint(take.paths)
    ]
    placed = one_place_of_all([entry.conform.rig for entry in done if entry.conform])
    riding = riding_over_day([entry.sync for entry in done if entry.sync and entry.sync.estimate.matched])
    proofs = [(entry.conform.rig, entry.conform.proof.sight) for entry in done if entry.conform]
    seen = [(rig, sight) for rig, sight in proofs if sight is not None]
    of_places = [*findings_of_rigs((rig, sight.evidence) for rig, sight in seen), *unseen_of_rigs(seen)]
    return DayResult(
        folder,
        tuple(_without_day_notes(entry) for entry in done),
        tuple(path for path in found if path not in used),
        (*unopened, *unread, *unsettled, *spare, *of_places, *placed, *riding),
    )


def _without_day_notes(entry: DayClip) -> DayClip:
    """A clip without what is said of the whole day once: the camera's gain, and what its proof could not see."""
    noted = riding_findings(entry.sync) if entry.sync else []
    if entry.conform:
        noted += unseen_findings(entry.conform.proof.sight, entry.conform.rig)
    return replace(entry, findings=tuple(finding for finding in entry.findings if finding not in noted))


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


def _open_takes(paths: Sequence[Path], channel_format: ReadAs) -> tuple[list[Take], list[Finding]]:
    """Open takes; where that fails in a way nobody thought of, each by itself, to know which of them it is."""
    # A file in the folder that is no take may be none of the shoot's: it is looked at, not mended.
    try:
        with as_fault("the takes"):
            return open_takes(paths, channel_format, severity=Severity.LOOK)
    except FaultError:
        opened: list[Take] = []
        broken: list[Finding] = []
        for path in paths:
            try:
                with as_fault(path.name):
                    opened += open_takes([path], channel_format, severity=Severity.LOOK)[0]
            except SoundplumbError as error:
                broken.append(unusable(path, error, Severity.FIX if isinstance(error, FaultError) else Severity.LOOK))
        require_usable(len(opened), broken)
        return opened, broken


def _match_all(
    clips: Sequence[Path],
    takes: Sequence[tuple[Take, Listened]],
    rig_for: Callable[[Path], Rig],
    progress: Progress,
) -> tuple[list[SyncResult | Finding], list[Finding]]:
    """Match every clip by its sound; then those that sound leaves open by what the clocks of all of them say."""
    matched: list[SyncResult | Finding] = []
    for clip in clips:
        try:
            with as_fault(clip.name):
                opened = open_clip(clip)
                with listen_to_clip(opened, progress) as (sound, heard):
                    apart = rig_of(rig_for(clip).mic_offset_m, sd_m=rig_for(clip).mic_offset_sd_m)
                    matched.append(match_takes(opened, sound, heard, takes, separation=apart, progress=progress))
        except SoundplumbError as error:
            matched.append(unusable(clip, error, Severity.FIX))
    try:
        with as_fault("what the clocks of all clips say together"):
            settled = iter(settle_by_clocks([told for told in matched if isinstance(told, SyncResult)]))
            return [next(settled) if isinstance(told, SyncResult) else told for told in matched], []
    except FaultError as error:
        return matched, [Finding(Code.NOT_DONE, Severity.FIX, str(error))]


def in_doubt(clip: Path, syncs: Mapping[Path, SyncResult | None], clips: Sequence[Path], what: str) -> Finding | None:
    """Why a file beside a clip is not used: another clip has as good a claim to it.

    A movie and its small copy, which lie at the same place in the same take, share what lies beside them.
    """
    others = shared_beside(clip, clips, what)
    if all(_same_moment(syncs.get(clip), syncs.get(other)) for other in others):
        return None
    file, names = beside(clip, what), " or ".join([clip.name, *(other.name for other in others)])
    return Finding(
        Code.UNCLEAR_NAME,
        Severity.LOOK,
        f"{file.name} may belong to {names}, so it is used for none of them: call it {clip.name}.{what}.csv if it is "
        f"this clip's",
        clip.name,
    )


def _same_moment(one: SyncResult | None, other: SyncResult | None) -> bool:
    """Whether two clips are the same stretch of one take."""
    if one is None or other is None or not (one.estimate.matched and other.estimate.matched):
        return False
    return (
        one.take.paths == other.take.paths
        and abs(one.law.offset_s - other.law.offset_s) < _SAME_MOMENT_S
        and abs(one.clip.duration_s - other.clip.duration_s) < _SAME_MOMENT_S
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Finish:
    """What a clip's track is made with beside its match."""

    rig_for: Callable[[Path], Rig]
    prior: MountPrior | None
    repair: bool
    force: bool
    progress: Progress

    def clip(self, clip: Path, result: SyncResult | Finding, track: Path, doubts: Sequence[Finding]) -> DayClip:
        """Conform a clip that was matched, where its marks tell how."""
        if isinstance(result, Finding):
            return DayClip(clip, None, None, (result,))
        if not result.estimate.matched:
            return DayClip(clip, result, None, result.findings)
        marks = beside(clip, MARKS)
        if doubts:
            return DayClip(clip, result, None, (*result.findings, *doubts))
        if not is_there(marks):
            todo = f"write {marks.name} beside it"
            if is_too_long(marks):
                todo = "give it a shorter name, so that marks can lie beside it"
            missing = Finding(
                Code.UNDETERMINED,
                Severity.LOOK,
                f"{clip.name} has no marks, so how the microphone sat is not known: {todo}",
                clip.name,
            )
            return DayClip(clip, result, None, (*result.findings, missing))
        unfinished = is_unfinished(track)
        if track.exists() and not self.force and not unfinished:
            kept = Finding(
                Code.ALREADY_THERE,
                Severity.LOOK,
                f"{track.parent.name}/{track.name} was there before and has been left as it is: add --force to make it "
                "anew, or move it elsewhere if somebody has changed it",
                clip.name,
            )
            return DayClip(clip, result, None, (*result.findings, kept))
        try:
            with as_fault(clip.name):
                rig = rig_beside(clip, self.rig_for(clip))
                make_folder(track.parent)
                asked = TrackRequest(marks, rig=rig, prior=self.prior, repair=self.repair)
                conformed = conform_match(
                    *(result, track, asked), force=self.force or unfinished, progress=self.progress
                )
        except SoundplumbError as error:
            # The take is known all the same: only the track could not be made.
            undone = Finding(Code.NOT_DONE, Severity.FIX, str(error), clip.name)
            return DayClip(clip, result, None, (*result.findings, undone))
        used = [_used_moves(rig.moves.path)] if rig.moves else []
        return DayClip(clip, conformed.sync, conformed, (*conformed.findings, *used))


def _used_moves(moves: Path) -> Finding:
    return Finding(
        Code.CAMERA_MOVES,
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
    except FileExistsError as error:
        what = "a link that leads nowhere" if folder.is_symlink() else "a file"
        raise OutputError(
            f"{folder} is {what}, and the results go into a folder of that name; move it elsewhere"
        ) from error
    except OSError as error:
        raise OutputError(
            f"the folder {folder} cannot be made ({error.strerror}); make it yourself, or copy the day to a disk that "
            "can be written"
        ) from error
