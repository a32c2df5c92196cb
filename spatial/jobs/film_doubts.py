"""What speaks against a film's layout, and against the track that is laid under it.

Goal: a wrong word about the picture, or the track of another scene, is noticed before somebody puts a headset on.
Method: the shape of the frame and the likeness of its halves; the clip that a track of ours names; the film's own
sound, held against the track by the code that holds takes against clips.
Conventions: spatial.conventions (time).
Functions: picture_findings; own_sound; track_findings.
"""

from dataclasses import dataclass
from pathlib import Path

from spatial.errors import InputError, MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.film.film_files import tracks_of_shoot
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.listen import listen_to_clip
from spatial.jobs.verify import step_of_track
from spatial.media.movies.clip import Clip, stretch_of_clip
from spatial.media.movies.display import DisplayTurn
from spatial.media.movies.small_pictures import packing_seen
from spatial.media.ownership import digest_of, is_one_of
from spatial.media.takes.take import Take
from spatial.media.track_files import clip_of_track
from spatial.picture import LAYOUTS, Packing, Picture, Projection, parse_picture
from spatial.verification.lip_sync import LipSync, Verdict, judge_lip_sync

_HEARD_S = 120.0
"""Seconds of the film's own sound, from its middle, that are held against the track: two minutes tell as surely as an
hour, and a long film stays quick."""


@dataclass(frozen=True, slots=True)
class OwnSound:
    """What a film's own sound says of the track."""

    lip_sync: LipSync | None = None
    """How early the track is against it; None where the two cannot be held against each other."""
    why: str = ""
    """Why they cannot."""
    findings: tuple[Finding, ...] = ()


# --- the picture ---


def picture_findings(film: Clip, layout: str | None) -> list[Finding]:
    """What in the film's frame contradicts the layout that it is marked with.

    Silent on pictures that were squeezed or cropped: two eyes that are alike where the layout has them may have any
    shape, and a shape that is no layout's contradicts none.

    Raises
    ------
    InputError
        The layout does not go with the frame.
    """
    if layout is None or film.width_px is None or film.height_px is None or film.turn is not DisplayTurn.AS_STORED:
        return []
    picture = parse_picture(layout, film.width_px, film.height_px)
    try:
        seen = packing_seen(film)
    except MediaFileError:
        seen = Packing.ONE_EYE
    alike = seen is not Packing.ONE_EYE
    if (alike and seen is picture.packing) or (not alike and picture.undistorted):
        return []
    fitting = [name for name in LAYOUTS if name != layout and _fits(name, picture, seen if alike else None)]
    if not fitting:
        return []
    name = film.path.name
    halves = ""
    if alike:
        where = "left and right" if seen is Packing.SIDE_BY_SIDE else "upper and lower"
        halves = f" whose {where} halves show the same, as two eyes do,"
    message = (
        f"the picture of {name} is to be marked {layout} ({LAYOUTS[layout]}), but a frame of {film.width_px} x "
        f"{film.height_px} pixels{halves} looks like {' or '.join(fitting)}: look at it, and say what it is with "
        "--picture"
    )
    sure = alike and not picture.undistorted
    return [Finding(Code.PICTURE_LAYOUT, Severity.FIX if sure else Severity.LOOK, message, name)]


def _fits(name: str, told: Picture, packing: Packing | None) -> bool:
    """Whether a layout goes with the shape of a frame, and with what its halves show."""
    try:
        other = parse_picture(name, told.width_px, told.height_px)
    except InputError:
        return False
    # The boxes of a movie, and so what it may be marked with, know no fisheye.
    return (
        other.projection is Projection.EQUIRECTANGULAR
        and other.undistorted
        and (packing is None or other.packing is packing)
    )


# --- the sound ---


def own_sound(film: Clip, track: Take, progress: Progress = silent) -> OwnSound:
    """A film's own sound, held against the track.

    Sound that is not found proves nothing by itself: the film's own may have been replaced by music or another mix.
    """
    if film.scratch is None:
        return OwnSound(why="the film has no sound of its own")
    spare_s = max(0.0, film.duration_s - _HEARD_S) / 2
    start_s, stop_s = max(spare_s, film.scratch.phase_s, 0.0), film.duration_s - spare_s
    try:
        part = stretch_of_clip(film, start_s, stop_s)
        with listen_to_clip(part, progress) as heard:
            step = step_of_track(part, track, heard, rig=Rig(), progress=progress)
    except (InputError, MediaFileError) as error:
        return OwnSound(why=str(error))
    law = step.applied_law
    if law is None:
        return OwnSound(why="the film's own sound is not found in the track, as where it is music or another mix")
    middle_s = (start_s + stop_s) / 2
    found = judge_lip_sync(middle_s - law.take_from_clip(middle_s), sd_s=step.offset_sd_s or 0.0)
    if found.verdict.rank < Verdict.ACCEPTABLE.rank or found.verdict is Verdict.UNDECIDED:
        return OwnSound(found)
    way = "early" if found.early_s > 0 else "late"
    size = f"{abs(found.early_s):.2f} s" if abs(found.early_s) >= 1.0 else f"{abs(found.early_s) * 1e3:.0f} ms"
    grave = Severity.FIX if found.verdict is Verdict.UNACCEPTABLE else Severity.LOOK
    message = (
        f"{track.path.name} is {size} {way} against the sound of {film.path.name} itself: name the track that conform "
        "wrote for it, from its first picture on, and no raw take"
    )
    return OwnSound(found, findings=(Finding(Code.LIP_SYNC, grave, message, track.path.name),))


def track_findings(film: Clip, track: Take, own: OwnSound) -> list[Finding]:
    """That a track of ours was made for another clip, or that the film has another track.

    Silent where the film's own sound is in the track, where the film is called after the clip, as an export is, and
    where it is as long as the track to a picture: then it may be that clip under a name of its own.
    """
    if own.lip_sync is not None:
        return []
    name, track_name = film.path.name, track.path.name
    made = tracks_of_shoot(film.path.absolute().parent, [film.path]).get(film.path)
    if made is not None and is_one_of(made.path, [track.path]):
        return []
    for_clip = clip_of_track(track.path)
    if for_clip is None:
        if made is None or film.scratch is None:
            return []
        message = (
            f"nothing of the sound of {name} is found in {track_name}, and {_shown(made.path, film.path)} is the track "
            "that was made for it: name that one"
        )
        return [Finding(Code.NO_MATCH, Severity.FIX, message, track_name)]
    if for_clip.is_called(film.path) or for_clip.is_file(film.path, digest_of):
        return []
    named = f"{track_name} was made for {for_clip.name}, not for {name}"
    if made is not None:
        message = f"{named}, whose own track is {_shown(made.path, film.path)}: name that one"
        return [Finding(Code.NO_MATCH, Severity.FIX, message, track_name)]
    assert film.frame_rate is not None
    if abs(track.duration_s - film.duration_s) * film.frame_rate <= 1.0:
        return []
    message = f"{named}, and nothing shows that the two are one: make sure that it is the track of this film"
    return [Finding(Code.NO_MATCH, Severity.LOOK, message, track_name)]


def _shown(path: Path, film: Path) -> str:
    """A file as it is seen from the film's folder."""
    folder = film.absolute().parent
    return str(path.relative_to(folder)) if path.is_relative_to(folder) else path.name
