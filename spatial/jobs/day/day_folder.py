"""The day job: every clip of a folder against every take in it.

Whatever goes wrong with one clip or take, mistakes of ours included, is its own finding, and the others go on.
Functions: run_day; in_doubt (a file beside a clip that may be another's); make_folder.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from spatial.errors import FaultError, InconclusiveError, MediaFileError, OutputError, SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.conform_clip import conform_match
from spatial.jobs.conform.track_memory import ConformResult, Recalled, recalled
from spatial.jobs.day.day_files import (
    MARKS,
    MOVES,
    beside,
    files_of_day,
    is_there,
    prior_of,
    result_names,
    rig_beside,
    shared_beside,
)
from spatial.jobs.day.day_matches import ClipMatch, DayMatcher, usable_takes
from spatial.jobs.day.day_result import DayClip as DayClip
from spatial.jobs.day.day_result import DayResult as DayResult
from spatial.jobs.day.other_recordings import OtherMatcher, nowhere_findings, split_recordings
from spatial.jobs.day.same_content import Watch, overlapping_findings, without_copies
from spatial.jobs.faults import as_fault
from spatial.jobs.inspect.take_health import health_on_clips
from spatial.jobs.orient.mic_place import findings_of_rigs, one_place_of_all, unseen_findings, unseen_of_rigs
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.day_clocks import settle_by_clocks
from spatial.jobs.sync.listen import require_usable, unusable
from spatial.jobs.sync.sync_clip import open_takes
from spatial.jobs.sync.sync_findings import match_findings, riding_findings, riding_over_day
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.media.cache import FeatureCache
from spatial.media.ownership import is_too_long
from spatial.media.shoot_file import Shoot
from spatial.media.takes.take import Take
from spatial.media.track_files import is_unfinished
from spatial.media.work_folders import clear_leftovers
from spatial.mount.prior import MountPrior

TRACKS_FOLDER = "tracks"
"""Where the finished tracks go, inside the day's folder."""

_SAME_MOMENT_S = 0.1
"""Clips that lie no further apart in a take, and end together, are copies: pictures of one camera, not two scenes."""


def run_day(
    folder: Path,
    *,
    rig_for: Callable[[Path], Rig],
    prior: MountPrior | None = None,
    repair: bool = False,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    shoot: Shoot | None = None,
    force: bool = False,
    progress: Progress = silent,
) -> DayResult:
    """Match every clip with its take; conform and prove those that have marks, or whose hanging the crew knows.

    A track of an earlier run is shown with its answer, where all that it was made from is as it was.

    A clip or take that cannot be used is a finding, and the day goes on.

    Parameters
    ----------
    rig_for : callable
        The rig of each clip.
    shoot : Shoot, optional
        What the shoot file says of pairs, of how takes are read and microphones hung; `prior` goes before it.

    Raises
    ------
    MediaFileError
        The folder holds nothing to work on, or no take that can be used.
    """
    clips, found = files_of_day(folder)
    shoot = shoot or Shoot()
    cache = FeatureCache()
    watch = Watch.over([*clips, *found])
    clips, found, copied = _without_copies(clips, found, shoot, cache)
    split = split_recordings(found, channel_format)
    opened, unopened = _open_all(split.takes, channel_format, shoot)
    takes = usable_takes(opened, cache, progress)
    require_usable(len(takes.takes), [*unopened, *takes.unread])
    names = result_names(clips)
    tracks = folder / TRACKS_FOLDER
    request = _Request(rig_for, prior, repair, channel_format, shoot)
    older = {clip: _recall(clip, tracks / f"{names[clip]}.wav", request, cache) for clip in clips}
    matched, unsettled = _match_all(clips, DayMatcher(takes, cache, shoot, progress), request, older)
    syncs = {clip: told.result for clip, told in matched.items() if isinstance(told, ClipMatch)}
    new = not tracks.exists()
    clear_leftovers(tracks)
    finish = _Finish(request, cache, force, progress)
    try:
        done = []
        for clip, told in matched.items():
            track = tracks / f"{names[clip]}.wav"
            doubt = [in_doubt(clip, syncs, clips, what) for what in (MARKS, MOVES)]
            doubts = [said for said in doubt if said is not None]
            done.append(finish.clip(clip, told, _Place(track, older[clip], doubts)))
    finally:
        if new:
            # Made for tracks that did not come; a folder with anything in it stays.
            with suppress(OSError):
                tracks.rmdir()
    beside_tracks = OtherMatcher(split.others, cache, force, progress)
    done = [_with_others(entry, beside_tracks) for entry in done]
    told_others = [one for entry in done for one in entry.other_recordings]
    used = {path for entry in done if entry.sync and entry.sync.estimate.matched for path in entry.sync.take.paths}
    # One that fits some clip as well as the take that is used, such as a copy of it, is reported with the clip.
    may_be = used | {path for entry in done if entry.sync for p in entry.sync.possibilities for path in p.take.paths}
    spare = [
        Finding(Code.UNUSED_TAKE, Severity.NOTE, f"{take.path.name} belongs to none of the clips", take.path.name)
        for take in takes.takes
        if may_be.isdisjoint(take.paths)
    ]
    placed = one_place_of_all([entry.conform.rig for entry in done if entry.conform])
    riding = riding_over_day([entry.sync for entry in done if entry.sync and entry.sync.estimate.matched])
    proofs = [(entry.conform.rig, entry.conform.proof.sight) for entry in done if entry.conform]
    seen = [(rig, sight) for rig, sight in proofs if sight is not None]
    of_places = [*findings_of_rigs((rig, sight.evidence) for rig, sight in seen), *unseen_of_rigs(seen)]
    for entry in done:
        if entry.conform is not None:
            # So that the next day need not read the track through to know that nobody has changed it.
            with suppress(OSError):
                cache.digest(entry.conform.output)
    return DayResult(
        folder,
        tuple(_without_day_notes(entry) for entry in done),
        tuple(path for path in found if path not in used | {one.path for one in told_others if one.law is not None}),
        (
            *(*watch.changed(), *copied, *unopened, *takes.unread, *unsettled, *spare),
            *nowhere_findings(split.others, told_others),
            *overlapping_findings([entry.sync for entry in done if entry.sync]),
            *(*of_places, *placed, *riding),
        ),
    )


def _without_copies(
    clips: Sequence[Path], takes: Sequence[Path], shoot: Shoot, cache: FeatureCache
) -> tuple[list[Path], list[Path], list[Finding]]:
    """Clips and takes without those that hold the same as another, as after a card was copied twice."""
    paired = {name for pair in shoot.pairs for name in pair}

    def named(file: Path) -> bool:
        return file.name in paired or any(is_there(beside(file, what)) for what in (MARKS, MOVES))

    own_clips, copied_clips = without_copies(clips, cache.digest, kept=named)
    own_takes, copied_takes = without_copies(takes, cache.digest, kept=lambda take: take.name in paired)
    return own_clips, own_takes, [*copied_clips, *copied_takes]


def _with_others(entry: DayClip, matcher: OtherMatcher) -> DayClip:
    """A clip with what the day's other recordings have of it."""
    if entry.sync is None:
        return entry
    others = matcher.of_clip(entry.sync, entry.conform.output if entry.conform else None)
    said = [finding for one in others for finding in one.findings]
    return replace(entry, other_recordings=others, findings=(*entry.findings, *said))


@dataclass(frozen=True, slots=True, eq=False)
class _Request:
    """What is asked of every clip's track."""

    rig_for: Callable[[Path], Rig]
    prior: MountPrior | None
    repair: bool
    read_as: ReadAs
    shoot: Shoot

    def of(self, clip: Path) -> TrackRequest:
        """What is asked of a clip's track, with what lies beside the clip.

        Raises
        ------
        SoundplumbError
            The moves beside it cannot be used.
        """
        marks = beside(clip, MARKS)
        return TrackRequest(
            marks if is_there(marks) else None,
            rig=rig_beside(clip, self.rig_for(clip)),
            prior=prior_of(clip, self.prior, self.shoot),
            repair=self.repair,
            read_as=self.read_as,
            formats=tuple((rig.takes, rig.channel_format) for rig in self.shoot.rigs if rig.channel_format),
            pair=self.shoot.take_of(clip.name),
        )

    def tells_hanging(self, clip: Path) -> bool:
        """Whether a clip without marks can be done: the crew says which way up the microphone hung."""
        prior = prior_of(clip, self.prior, self.shoot)
        return prior is not None and prior.hanging is not None


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Where a clip's track goes, what lies there, and what speaks against making it."""

    track: Path
    there: Recalled | None
    doubts: Sequence[Finding]


def _recall(clip: Path, track: Path, request: _Request, cache: FeatureCache) -> Recalled | None:
    """The track of an earlier run; whatever is wrong with it, or with what lies beside the clip, is said later."""
    with suppress(SoundplumbError), as_fault(track.name):
        return recalled(clip, track, request.of(clip), cache.digest)
    return None


def _without_day_notes(entry: DayClip) -> DayClip:
    """A clip without what is said of the whole day once: the camera's gain, and what its proof could not see."""
    noted = riding_findings(entry.sync) if entry.sync else []
    if entry.conform:
        noted += unseen_findings(entry.conform.proof.sight, entry.conform.rig)
    return replace(entry, findings=tuple(finding for finding in entry.findings if finding not in noted))


def _open_all(paths: Sequence[Path], channel_format: ReadAs, shoot: Shoot) -> tuple[list[Take], list[Finding]]:
    """Open takes, each as the shoot file says that it is to be read, or as all the others."""
    groups: dict[ChannelFormat | None, list[Path]] = {}
    for path in paths:
        groups.setdefault(shoot.format_of(path.name), []).append(path)
    if len(groups) == 1:
        ((told, group),) = groups.items()
        return _open_takes(group, told or channel_format)
    opened: list[Take] = []
    broken: list[Finding] = []
    for told, group in groups.items():
        try:
            takes, failures = _open_takes(group, told or channel_format)
        except MediaFileError as error:
            # None of these can be opened; others may.
            broken.append(unusable(group[0], error, Severity.LOOK))
            continue
        opened += takes
        broken += failures
    require_usable(len(opened), broken)
    return opened, broken


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
    clips: Sequence[Path], matcher: DayMatcher, request: _Request, older: Mapping[Path, Recalled | None]
) -> tuple[dict[Path, ClipMatch | Finding], list[Finding]]:
    """Match every clip by its sound; then those that sound leaves open by what the clocks of all of them say.

    What is wrong with each clip's take comes with it: a track that is in step and in place may have a hole in it.
    """
    matched: dict[Path, ClipMatch | Finding] = {}
    for clip in clips:
        known = older[clip]
        if known and known.made and known.health is not None and matcher.all_tried(clip, known):
            matched[clip] = ClipMatch(known.made.sync, known.health)
        else:
            matched[clip] = matcher.match(clip, request.rig_for(clip), known)
    own = {clip: told for clip, told in matched.items() if isinstance(told, ClipMatch)}
    unsettled = []
    settled = {clip: told.result for clip, told in own.items()}
    try:
        with as_fault("what the clocks of all clips say together"):
            settled = dict(zip(own, settle_by_clocks(list(settled.values())), strict=True))
    except FaultError as error:
        unsettled.append(Finding(Code.NOT_DONE, Severity.FIX, str(error)))
    # A track that lies there rests on its own match, which the clocks of that day were asked about.
    mine = {clip for clip, known in older.items() if known and known.made and own.get(clip) is not None}
    settled = {clip: own[clip].result if clip in mine else result for clip, result in settled.items()}
    asked = [
        clip
        for clip, result in settled.items()
        if result.estimate.matched and (own[clip].health is None or result is not own[clip].result)
    ]
    found = dict(zip(asked, health_on_clips([settled[clip] for clip in asked], progress=matcher.progress), strict=True))
    for clip, told in own.items():
        match = ClipMatch(settled[clip], tuple(found[clip]) if clip in found else told.health)
        if clip in found and match.result is told.result:
            matcher.keep(request.rig_for(clip), match)
        matched[clip] = match
    return matched, unsettled


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
    """What makes a clip's track, or shows the one that lies there."""

    request: _Request
    cache: FeatureCache
    force: bool
    progress: Progress

    def clip(self, clip: Path, match: ClipMatch | Finding, place: _Place) -> DayClip:
        """Conform a clip that was matched, where its marks tell how, or the crew and the camera's sound."""
        if isinstance(match, Finding):
            return DayClip(clip, None, None, (match,))
        result, health = match.result, match.health or ()
        if not result.estimate.matched:
            return DayClip(clip, result, None, result.findings)
        if place.doubts:
            return DayClip(clip, result, None, (*result.findings, *place.doubts, *health), health=health)
        marked = is_there(beside(clip, MARKS))
        if not marked and not self.request.tells_hanging(clip):
            return _unmarked(clip, match, _without_marks(clip))
        if place.there is not None and place.there.made is not None:
            # Made anew it would be the same, so --force leaves it too.
            shown = _shown(clip, match, place.there, place.there.made)
            if shown is not None:
                return shown
        unfinished = is_unfinished(place.track)
        if place.track.exists() and not self.force and not unfinished:
            left = _left(clip, result.take, place)
            return DayClip(clip, result, None, (*result.findings, left, *health), health=health)
        try:
            with as_fault(clip.name):
                asked = self.request.of(clip)
                make_folder(place.track.parent)
                made = conform_match(
                    *(result, place.track, asked),
                    health=match.health,
                    cache=self.cache,
                    force=self.force or unfinished,
                    progress=self.progress,
                )
        except InconclusiveError as error:
            if marked:
                return self._undone(clip, match, error)
            missing = _without_marks(clip, f"and the camera's sound does not tell it either ({error})")
            return _unmarked(clip, match, missing)
        except SoundplumbError as error:
            return self._undone(clip, match, error)
        return _done(clip, made, health)

    def _undone(self, clip: Path, match: ClipMatch, error: SoundplumbError) -> DayClip:
        # The take is known all the same: only the track could not be made.
        undone = Finding(Code.NOT_DONE, Severity.FIX, str(error), clip.name)
        health = match.health or ()
        return DayClip(clip, match.result, None, (*match.result.findings, undone, *health), health=health)


def _unmarked(clip: Path, match: ClipMatch, missing: Finding) -> DayClip:
    """A clip of which nothing tells how the microphone sat."""
    health = match.health or ()
    return DayClip(
        clip, match.result, None, (*match.result.findings, missing, *health), health=health, needs_marks=True
    )


def _done(clip: Path, made: ConformResult, health: Sequence[Finding], *, remembered: bool = False) -> DayClip:
    moves = made.rig.moves
    beside_it = [_used_moves(moves.path)] if moves else []
    if not made.proof.marks:
        beside_it.append(_unproved(clip))
    findings = (*made.findings, *beside_it, *health)
    return DayClip(clip, made.sync, made, findings, remembered=remembered, health=tuple(health))


def _shown(clip: Path, match: ClipMatch, there: Recalled, made: ConformResult) -> DayClip | None:
    """A track that lies there, with its answer; None where its clip would be cut otherwise now."""
    health = there.health if there.health is not None else match.health or ()
    if match.result is made.sync:
        return _done(clip, made, health, remembered=True)
    # A new take was held against the clip: what it leaves open is said, also of the track that was made before it.
    if not _same_moment(match.result, made.sync):
        return None
    own = match_findings(match.result)
    more = [said for said in match.result.findings if said not in own and said not in made.findings]
    shown = _done(clip, made, health, remembered=True)
    return replace(shown, findings=(*more, *shown.findings))


def _without_marks(clip: Path, more: str = "so how the microphone sat is not known") -> Finding:
    marks = beside(clip, MARKS)
    todo = f"make marks by clicks in its review page (--pages), and save them beside it as {marks.name}"
    if is_too_long(marks):
        todo = "give it a shorter name, so that marks can lie beside it"
    return Finding(Code.UNDETERMINED, Severity.LOOK, f"{clip.name} has no marks, {more}: {todo}", clip.name)


def _unproved(clip: Path) -> Finding:
    marks = beside(clip, MARKS)
    return Finding(
        Code.FACING,
        Severity.LOOK,
        f"{clip.name} has no marks: its track is turned as the camera's stereo sound and your word tell, and no mark "
        f"proves that anybody is heard where they are seen; one mark in {marks.name} would",
        clip.name,
    )


def _left(clip: Path, take: Take, place: _Place) -> Finding:
    """That an older track has been left as it is, and why it is older where that is known."""
    name = f"{place.track.parent.name}/{place.track.name}"
    if place.there is None:
        message = (
            f"{name} was there before and has been left as it is: add --force to make it anew, or move it elsewhere if "
            "somebody has changed it"
        )
    else:
        why = place.there.older or f"other takes have come, and {clip.name} is matched with {take.path.name} now"
        message = f"{name} is an older track, left as it is: since it was made {why}; add --force to make it anew"
    return Finding(Code.ALREADY_THERE, Severity.LOOK, message, clip.name)


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
