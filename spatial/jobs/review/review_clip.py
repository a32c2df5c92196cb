"""The review job: all that a page needs to show and to play a clip with its take.

Functions: review_clip (from files); review_match (a match at hand).
"""

import shlex
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.summary import RowVotes, SoundRows
from spatial.errors import InconclusiveError, InputError, MediaFileError
from spatial.field import ChannelFormat
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.render import moves_findings, track_turn
from spatial.jobs.inspect.take_health import health_on_clip
from spatial.jobs.orient.from_marks import OrientResult, require_match
from spatial.jobs.orient.judges import judges_of_mount
from spatial.jobs.orient.measure_marks import MeasuredMark, measure_marks, settled_by_turn
from spatial.jobs.orient.mic_place import sight_findings, sight_of_marks
from spatial.jobs.orient.orient_clip import orient_match
from spatial.jobs.orient.orient_findings import unheard_findings
from spatial.jobs.progress import Progress, silent
from spatial.jobs.review.clip_sound import play_for_ears, sound_over_clip
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import sync_clip
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import Tolerance, check_marks
from spatial.media.cache import content_glance
from spatial.media.movies.clip import Clip, open_clip
from spatial.media.movies.display import turned_in_words
from spatial.media.movies.proxy import join_movie, write_pictures
from spatial.media.tables import Mark, OpenMark, has_marks, read_open_marks
from spatial.picture import LAYOUTS, Picture, parse_picture
from spatial.rotation import YawPitchRoll, ypr_from_matrix
from spatial.verification.placement import Judge, MarkCheck, Verdict

_OVER_S = 0.5
"""A moment may end this much after its clip, seconds, as a mark may: somebody wrote its length by hand."""

MOVIE = "movie.mp4"
"""The small movie, with the sound of a head that faces front."""


@dataclass(frozen=True, slots=True, eq=False)
class ReviewResult:
    """What there is to look at and to listen to."""

    sync: SyncResult
    picture: Picture
    rows: SoundRows
    """In the microphone's own axes, on the clip's time."""
    votes: RowVotes
    """What each row says in a mark that is made by hand."""
    mount: FloatArray | None
    """picture_from_mic, shape (3, 3); None where nothing tells. Under a camera that moved, as it looked at 0, 0, 0."""
    orient: OrientResult | None
    """How the mount was found; None where it was given, or nothing could be asked."""
    marks: tuple[tuple[MeasuredMark, MarkCheck | None], ...]
    """Each mark, and how it comes out once the sound is turned; None where the mount is not known."""
    rig: Rig
    """With the camera's moves. The picture is shown as filmed; what is heard is turned along with its levelling."""
    tolerance: Tolerance
    sounds: dict[str, str]
    """Sound files by the way the head faces, and "recorded"."""
    findings: tuple[Finding, ...]
    moments: tuple[OpenMark, ...] = ()
    """Moments that are still to be marked: of the marks file, and suggested beside the clip."""
    clip_glance: str = ""
    """What the clip's file is known by, under any name; empty where it is not known."""
    judges: tuple[Judge, ...] = ()
    """By what each mark is judged; empty where none is."""
    to_type: str = ""
    """The command line that makes this page with a word of how the microphone hung; empty where that was said, or how
    it sat is known."""

    @property
    def clip(self) -> Clip:
        """The clip."""
        return self.sync.clip

    @property
    def repaired(self) -> FloatArray | None:
        """mic_from_take, which puts the channels right first, shape (3, 3); None where they are left as they are."""
        return self.orient.repaired.mic_from_take if self.orient and self.orient.repaired else None

    @property
    def picture_from_take(self) -> FloatArray | None:
        """Turns directions in the take as recorded; a mirror image, where the channels are put right."""
        return None if self.mount is None else self.mount if self.repaired is None else self.mount @ self.repaired

    @property
    def mount_angles(self) -> YawPitchRoll | None:
        """The mount as angles."""
        return None if self.mount is None else ypr_from_matrix(self.mount)


def review_clip(
    clip_path: Path, take_paths: Sequence[Path], folder: Path, asked: TrackRequest, *, progress: Progress = silent
) -> ReviewResult:
    """Sync, orient where anything tells, measure where sound comes from, and write movie and sound into a folder.

    Parameters
    ----------
    folder : Path
        An empty folder; MOVIE and the sound files go there.
    asked : TrackRequest
        Its marks are shown, and they tell the mount where it is not given. Without marks the camera's stereo sound is
        asked; where that cannot tell, all is shown and played as recorded.

    Raises
    ------
    InconclusiveError
        No take matches.
    InputError
        No picture layout was named.
    MediaFileError, MarksFileError
        A file cannot be used.
    """
    clip = open_clip(clip_path)

    def find() -> SyncResult:
        return sync_clip(
            *(clip_path, take_paths),
            channel_format=asked.read_as,
            mic_offset_m=asked.rig.mic_offset_m,
            mic_offset_sd_m=asked.rig.mic_offset_sd_m,
            pairing=asked.pairing,
            progress=progress,
        )

    return _reviewed(_Review(clip, asked, None, folder, progress), find)


def review_match(
    result: SyncResult,
    folder: Path,
    asked: TrackRequest,
    *,
    oriented: OrientResult | None = None,
    progress: Progress = silent,
) -> ReviewResult:
    """The same for a clip whose take has been found, and perhaps how the microphone sat.

    Parameters
    ----------
    result : SyncResult
    folder, asked, progress
        As for review_clip.
    oriented : OrientResult, optional
        How the microphone sat, where that was found before.
    """
    return _reviewed(_Review(result.clip, asked, oriented, folder, progress), lambda: result)


@dataclass(frozen=True, slots=True, eq=False)
class _Review:
    """A review in the making."""

    clip: Clip
    asked: TrackRequest
    oriented: OrientResult | None
    """How the microphone sat, where that was found before."""
    folder: Path
    progress: Progress

    def orient(self, result: SyncResult, heard: Sequence[MeasuredMark]) -> tuple[OrientResult | None, list[Finding]]:
        """How the microphone sat, as far as that is to be found; or why it cannot be."""
        asked = self.asked
        if asked.mount is not None or self.oriented is not None:
            return self.oriented, []
        try:
            return orient_match(
                result, heard, rig=asked.rig, prior=asked.prior, repair=asked.repair, progress=self.progress
            ), []
        except InconclusiveError as error:
            return None, [Finding(Code.UNDETERMINED, Severity.LOOK, str(error))]


def _reviewed(review: _Review, find: Callable[[], SyncResult]) -> ReviewResult:
    """Make the small movie beside all else."""
    clip, asked, folder, progress = review.clip, review.asked, review.folder, review.progress
    rig = asked.rig
    picture = _picture_of(clip, rig)
    marks, moments = _marks_and_moments(clip, asked)
    with ExitStack() as stack:
        pool = stack.enter_context(ThreadPoolExecutor(1))
        drawing = _Background()
        stack.callback(drawing.stop)
        pictures = folder / "pictures.mp4"
        drawn = pool.submit(
            write_pictures, clip.path, picture, pictures, duration_s=clip.duration_s, progress=drawing.told
        )
        result = find()
        require_match(result)
        heard = measure_marks(result.take, result.law, marks, rig)
        oriented, untold = review.orient(result, heard)
        matrix = asked.mount_matrix
        if matrix is None and oriented is not None:
            matrix = oriented.matrix
        repaired = oriented.repaired.mic_from_take if oriented and oriented.repaired else None
        unsound = health_on_clip(result, progress=progress)
        rows, votes = sound_over_clip(result, band_hz=rig.band_hz, progress=progress)
        turn = None if matrix is None else track_turn(matrix, repaired, rig)
        names = play_for_ears(result, turn, rows.level_db, folder, progress=progress)
        while not drawn.done():
            progress(f"making a small movie of {clip.path.name}", drawing.part)
            wait([drawn], timeout=0.2)
        drawn.result()
        front = folder / names["front"]
        join_movie(pictures, front, folder / MOVIE)
        pictures.unlink()
        front.unlink()
    findings = [*(oriented.findings if oriented else (*result.findings, *untold)), *moves_findings(clip, rig), *unsound]
    checks: list[MarkCheck | None] = [None] * len(heard)
    judges = judges_of_mount(oriented, len(heard), rig, finished=False)
    if matrix is None:
        findings += unheard_findings(heard)
    else:
        take_turn = matrix if repaired is None else matrix @ repaired
        heard = settled_by_turn(heard, take_turn)
        seen = [_seen_by_camera(mark, take_turn, rig) for mark in heard]
        checked, said = check_marks(seen, asked.tolerance, judges)
        checks = [check for _, check in checked]
        findings += said
        right = [
            mark
            for mark, (_, check) in zip(heard, checked, strict=True)
            if check.verdict in (Verdict.IN_PLACE, Verdict.BORDERLINE)
        ]
        said_before = oriented is not None and oriented.place is not None and oriented.place.clear
        sight = sight_of_marks(right, rig, result.estimate, take_turn)
        findings += sight_findings(sight, rig, said=said_before)
    return ReviewResult(
        sync=result,
        picture=picture,
        rows=rows,
        votes=votes,
        mount=matrix,
        orient=oriented,
        marks=tuple(zip(heard, checks, strict=True)),
        rig=rig,
        tolerance=asked.tolerance,
        sounds={facing: name for facing, name in names.items() if facing != "front"},
        findings=tuple(dict.fromkeys(findings)),
        moments=moments,
        clip_glance=content_glance(clip.path),
        judges=tuple(judges),
        to_type=_line_to_type(result, asked) if matrix is None and not marks else "",
    )


def _line_to_type(result: SyncResult, asked: TrackRequest) -> str:
    """The whole command line that says how the microphone hung, with the names of the files; empty where it is said."""
    rig, prior = asked.rig, asked.prior
    if prior is not None and prior.hanging is not None:
        return ""
    clip, takes = result.clip.path, result.take.paths
    words = ["soundplumb", "review", clip.name, *(path.name for path in takes), "-o", f"{clip.stem}-upright"]
    words += ["--picture", str(rig.picture)]
    if any(rig.mic_offset_m):
        words += ["--mic-offset", ",".join(f"{part:g}" for part in rig.mic_offset_m)]
    if isinstance(asked.read_as, ChannelFormat) and asked.read_as is not ChannelFormat.AMBIX:
        words += ["--format", asked.read_as.value]
    return shlex.join([*words, "--upright"])


def _marks_and_moments(clip: Clip, asked: TrackRequest) -> tuple[tuple[Mark, ...], tuple[OpenMark, ...]]:
    """The marks of a clip, and the moments of which nobody has said yet where they are seen."""
    files = [path for path in (asked.marks_path, clip.path.with_name(f"{clip.path.stem}.moments.csv")) if path]
    moments = [moment for path in files if _is_there(path) for moment in read_open_marks(path)]
    inside = tuple(moment for moment in dict.fromkeys(moments) if moment.end_s <= clip.duration_s + _OVER_S)
    if asked.marks_path and not has_marks(asked.marks_path):
        return (), inside
    return asked.marks_of(clip), inside


def _is_there(path: Path) -> bool:
    # No file lies under a name that no disk takes, as beside a clip with a very long one.
    with suppress(OSError):
        return path.exists()
    return False


def _seen_by_camera(heard: MeasuredMark, picture_from_take: FloatArray, rig: Rig) -> MeasuredMark:
    """A mark as the camera sees it in its middle, expected and heard: directions turn with the field."""
    vector = picture_from_take @ heard.heard.vector
    if rig.moves is None:
        return replace(heard, heard=replace(heard.heard, vector=vector))
    (camera,) = rig.moves.motion.at(np.array([(heard.mark.start_s + heard.mark.end_s) / 2]))
    aside = None if heard.aside is None else heard.aside @ camera
    return replace(
        heard, expected=camera.T @ heard.expected, aside=aside, heard=replace(heard.heard, vector=camera.T @ vector)
    )


def _picture_of(clip: Clip, rig: Rig) -> Picture:
    if clip.width_px is None or clip.height_px is None:
        raise InputError(f"{clip.path.name} has no pictures to draw on; name the camera's movie")
    if rig.picture is None:
        raise InputError(
            f"nothing tells how the picture of {clip.path.name} is laid out, and so where sound is seen in it: add "
            f"--picture LAYOUT, one of {', '.join(LAYOUTS)}"
        )
    if not clip.turn.shown:
        raise MediaFileError(turned_in_words(clip.path, clip.turn))
    return parse_picture(rig.picture, clip.width_px, clip.height_px)


class _Stopped(Exception):
    """The job has failed elsewhere: the pictures need not be finished."""


class _Background:
    """How far the pictures are, which are made beside all else."""

    def __init__(self) -> None:
        self.part = 0.0
        self._stopped = False

    def told(self, part: float) -> None:
        if self._stopped:
            raise _Stopped
        self.part = part

    def stop(self) -> None:
        self._stopped = True
