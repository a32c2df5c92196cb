"""The day job: every clip of a folder against every take in it.

Whatever goes wrong with one clip or take, mistakes of ours included, is its own finding, and the others go on.
Functions: run_day; in_doubt (a file beside a clip that may be another's).
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from spatial.errors import FaultError, SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.track_memory import Recalled, recalled
from spatial.jobs.day.both_cores import WORTH_IT_S, on_both_cores
from spatial.jobs.day.day_files import (
    MARKS,
    MOVES,
    beside,
    files_of_day,
    is_there,
    result_names,
    shared_beside,
    stray_findings,
)
from spatial.jobs.day.day_matches import ClipMatch, DayMatcher, match_one
from spatial.jobs.day.day_progress import DayProgress, Log, no_log
from spatial.jobs.day.day_result import DayClip as DayClip
from spatial.jobs.day.day_result import DayResult as DayResult
from spatial.jobs.day.day_rigs import Matched, orient_together
from spatial.jobs.day.day_takes import open_good_takes, usable_takes
from spatial.jobs.day.day_tracks import (
    DayRequest,
    Finish,
    TrackPlace,
    finish_all,
    make_folder,
    require_written,
    same_moment,
)
from spatial.jobs.day.other_recordings import OtherMatcher, nowhere_findings, split_recordings
from spatial.jobs.day.remember import has_more
from spatial.jobs.day.same_content import Watch, overlapping_findings, without_copies
from spatial.jobs.faults import as_fault
from spatial.jobs.inspect.take_health import health_on_clips
from spatial.jobs.orient.from_rig import RigAnswer
from spatial.jobs.orient.mic_place import findings_of_rigs, one_place_of_all, unseen_findings, unseen_of_rigs
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.day_clocks import settle_by_clocks
from spatial.jobs.sync.listen import require_usable
from spatial.jobs.sync.sync_findings import riding_findings, riding_over_day
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.cache import FeatureCache, default_folder
from spatial.media.movies.clip import open_clip
from spatial.media.shoot_file import SHOOT_FILE, Shoot
from spatial.media.work_folders import clear_leftovers
from spatial.mount.prior import MountPrior

TRACKS_FOLDER = "tracks"
"""Where the finished tracks go, inside the day's folder."""


def run_day(
    folder: Path,
    *,
    rig_for: Callable[[Path], Rig],
    prior: MountPrior | None = None,
    repair: bool = False,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    shoot: Shoot | None = None,
    force: bool = False,
    again: bool = False,
    results: Path | None = None,
    progress: Progress = silent,
    log: Log = no_log,
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
    force : bool
        Replace tracks that are older than what they were made from, whoever says so; `again` replaces those of which
        that is known.
    results : Path, optional
        The folder under which the tracks go, made where it is not there; the day's own without it.
    log : callable
        Told a line as each clip is matched or done, where there are several.

    Raises
    ------
    MediaFileError
        The folder holds nothing to work on, or no take that can be used.
    OutputError
        Tracks are to be made, and nothing can be written where they go.
    """
    clips, found = files_of_day(folder)
    shoot = shoot or Shoot()
    cache = FeatureCache()
    watch = Watch.over([*clips, *found])
    strays = stray_findings(folder, clips)
    clips, found, copied = _without_copies(clips, found, shoot, cache)
    request = DayRequest({clip: rig_for(clip) for clip in clips}, prior, repair, channel_format, shoot)
    if results is not None:
        make_folder(results)
    tracks = (results or folder) / TRACKS_FOLDER
    if any(is_there(beside(clip, MARKS)) or request.tells_hanging(clip) for clip in clips):
        # Before an hour of listening, not after it.
        require_written(tracks)
    split = split_recordings(found, channel_format)
    opened, unopened = open_good_takes(split.takes, channel_format, shoot)
    takes = usable_takes(opened, cache, progress)
    require_usable(len(takes.takes), [*unopened, *takes.unread])
    names = result_names(clips)
    older = {clip: _recall(clip, tracks / f"{names[clip]}.wav", request, cache) for clip in clips}
    matched, unsettled = _match_all(clips, DayMatcher(takes, cache, shoot, progress), request, older, log)
    syncs = {clip: told.result for clip, told in matched.items() if isinstance(told, ClipMatch)}
    new = not tracks.exists()
    clear_leftovers(tracks)
    finish = Finish(request, cache, force, again, progress)
    doubts = {
        clip: [said for what in (MARKS, MOVES) if (said := in_doubt(clip, syncs, clips, what)) is not None]
        for clip in clips
    }
    answers, knocks = _oriented(
        request, {clip: sync for clip, sync in syncs.items() if not doubts[clip]}, older, progress
    )
    try:
        places = {
            clip: TrackPlace(tracks / f"{name}.wav", older[clip], doubts[clip], answers.get(clip))
            for clip, name in names.items()
        }
        done = finish_all(finish, matched, places, log)
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
    result = DayResult(
        folder,
        tuple(_without_day_notes(entry) for entry in done),
        tuple(path for path in found if path not in used | {one.path for one in told_others if one.law is not None}),
        (
            *(*watch.changed(), *copied, *unopened, *takes.unread, *unsettled, *knocks, *spare),
            *strays,
            *nowhere_findings(split.others, told_others),
            *overlapping_findings([entry.sync for entry in done if entry.sync]),
            *(*of_places, *placed, *riding),
        ),
        results=results,
    )
    return replace(result, unwritten=has_more(result, shoot))


def _without_copies(
    clips: Sequence[Path], takes: Sequence[Path], shoot: Shoot, cache: FeatureCache
) -> tuple[list[Path], list[Path], list[Finding]]:
    """Clips and takes without those that hold the same as another, as after a card was copied twice."""
    paired = {name for pair in shoot.pairs for name in (pair.clip, pair.take) if name is not None}

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
    said = [finding for one in others if one.law is not None for finding in one.findings]
    return replace(entry, other_recordings=others, findings=(*entry.findings, *said))


def _recall(clip: Path, track: Path, request: DayRequest, cache: FeatureCache) -> Recalled | None:
    """The track of an earlier run; whatever is wrong with it, or with what lies beside the clip, is said later."""
    with suppress(SoundplumbError), as_fault(track.name):
        there = recalled(clip, track, request.of(clip), cache.digest)
        taken = {path.name for path in there.made.sync.take.paths} if there and there.made else set()
        if not taken.isdisjoint(request.shoot.not_takes_of(clip.name)) or not all(map(request.shoot.is_good, taken)):
            return Recalled(f"{SHOOT_FILE} says that its take {' and '.join(sorted(taken))} is not to be used")
        return there
    return None


def _without_day_notes(entry: DayClip) -> DayClip:
    """A clip without what is said of the whole day once: the camera's gain, and what its proof could not see."""
    noted = riding_findings(entry.sync) if entry.sync else []
    if entry.conform:
        noted += unseen_findings(entry.conform.proof.sight, entry.conform.rig)
    return replace(entry, findings=tuple(finding for finding in entry.findings if finding not in noted))


def _oriented(
    request: DayRequest, syncs: Mapping[Path, SyncResult], older: Mapping[Path, Recalled | None], progress: Progress
) -> tuple[dict[Path, RigAnswer], list[Finding]]:
    """How the microphone sat in the clips of each rig together; a mistake of ours leaves each clip to itself."""
    clips = []
    for clip, sync in syncs.items():
        with suppress(SoundplumbError):
            if sync.estimate.matched:
                clips.append(Matched(sync, request.of(clip), older[clip]))

    def number(clip: Path) -> int | None:
        rig = request.shoot.rig_of(clip.name)
        return None if rig is None else rig.number

    try:
        with as_fault("what the marks of all clips say together"):
            return orient_together(clips, number, progress)
    except FaultError as error:
        return {}, [Finding(Code.NOT_DONE, Severity.FIX, str(error))]


def _match_all(
    clips: Sequence[Path],
    matcher: DayMatcher,
    request: DayRequest,
    older: Mapping[Path, Recalled | None],
    log: Log,
) -> tuple[dict[Path, ClipMatch | Finding], list[Finding]]:
    """Match every clip by its sound; then those that sound leaves open by what the clocks of all of them say.

    What is wrong with each clip's take comes with it: a track that is in step and in place may have a hole in it.
    """
    matched: dict[Path, ClipMatch | Finding] = {}
    for clip in clips:
        known = older[clip]
        if request.shoot.has_no_take(clip.name):
            said = f"{SHOOT_FILE} says that no take belongs to {clip.name}, so it is matched with none"
            matched[clip] = Finding(Code.NO_MATCH, Severity.NOTE, said, clip.name)
        elif known and known.made and known.health is not None and matcher.all_tried(clip, known):
            matched[clip] = ClipMatch(known.made.sync, known.health)
        else:
            told = matcher.known(clip, request.rigs[clip], known)
            if told is not None:
                matched[clip] = told
    matched |= _match_new([clip for clip in clips if clip not in matched], matcher, request, log)
    matched = {clip: matched[clip] for clip in clips}
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
    for clip, mine_told in own.items():
        match = ClipMatch(settled[clip], tuple(found[clip]) if clip in found else mine_told.health)
        if clip in found and match.result is mine_told.result:
            matcher.keep(request.rigs[clip], match)
        matched[clip] = match
    return matched, unsettled


def _match_new(
    clips: Sequence[Path], matcher: DayMatcher, request: DayRequest, log: Log
) -> dict[Path, ClipMatch | Finding]:
    """Match clips that nothing is known of, two at a time where that is worth it."""
    work_s = {clip: _duration_s(clip) for clip in clips}
    told = DayProgress("matched", work_s, matcher.progress, log)
    # Another process finds what was heard of the takes in the cache alone.
    worth_it = sum(work_s.values()) > WORTH_IT_S and default_folder() is not None
    if worth_it:
        # So that it is heard once, and not by each.
        matcher.takes.listened(matcher.progress)
        matcher = matcher.for_another_process()
    tasks = [(matcher, clip, request.rigs[clip]) for clip in clips]
    found: dict[Path, ClipMatch | Finding] = {}
    for number, match in on_both_cores(
        tasks, match_one, lambda number, step, part: told.working(clips[number], step, part), worth_it=worth_it
    ):
        found[clips[number]] = match
        told.done(clips[number])
    return found


def _duration_s(clip: Path) -> float:
    """How long a clip lasts; nothing where it cannot be read, which is said later."""
    with suppress(SoundplumbError), as_fault(clip.name):
        return open_clip(clip).duration_s
    return 0.0


def in_doubt(clip: Path, syncs: Mapping[Path, SyncResult | None], clips: Sequence[Path], what: str) -> Finding | None:
    """Why a file beside a clip is not used: another clip has as good a claim to it.

    A movie and its small copy, which lie at the same place in the same take, share what lies beside them.
    """
    others = shared_beside(clip, clips, what)
    if all(same_moment(syncs.get(clip), syncs.get(other)) for other in others):
        return None
    file, names = beside(clip, what), " or ".join([clip.name, *(other.name for other in others)])
    return Finding(
        Code.UNCLEAR_NAME,
        Severity.LOOK,
        f"{file.name} may belong to {names}, so it is used for none of them: call it {clip.name}.{what}.csv if it is "
        f"this clip's",
        clip.name,
    )
