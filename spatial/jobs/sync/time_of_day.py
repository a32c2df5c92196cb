"""The time of day at which a clip starts: for the bext chunk of its track, and to hold it against a recorder's clock.

Functions: clip_start_of_day_s; camera_stamp_s (when the camera made its file); camera_stamps, camera_stamps_by_kind
(every way to read when a clip began by the camera's clock); timecode_start_s.
"""

from contextlib import suppress
from datetime import datetime

from spatial.errors import InputError
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.wall_clock import CameraStamp
from spatial.timebase import QUARTER_HOUR_S, ClockLaw, frame_from_timecode

_FRAMES = 2.0
"""Boxes that were jammed are together within a frame, and run apart by less than another in some hours."""

_WHOLE_S = 1.5
"""Stamps in whole seconds: rounded by one of them, and written half a second before or after the first picture."""

FIRST_YEAR = 2000
"""A camera whose clock says an earlier year was never set, as one that counts from 1970: it tells no time of day."""


def clip_start_of_day_s(clip: Clip, take: Take, law: ClockLaw) -> float | None:
    """Seconds from midnight at the first picture frame.

    By the camera's timecode, so that an editor lays track and picture together; where it has none, by the
    recorder's; None where neither tells. A timecode counts frames: 01:00:00:00 at 24000/1001 is 3603.6 s.
    """
    if clip.start_timecode is not None and clip.frame_rate is not None:
        with suppress(InputError):
            return float(frame_from_timecode(clip.start_timecode, clip.frame_rate) / clip.frame_rate)
    if take.start_of_day_s is None:
        return None
    return take.start_of_day_s + law.take_from_clip(0.0)


def camera_stamp_s(clip: Clip) -> float | None:
    """Seconds of the camera's day at which the clip was made."""
    try:
        made = datetime.fromisoformat(clip.created or "")
    except ValueError:
        return None
    return made.hour * 3600.0 + made.minute * 60.0 + made.second + made.microsecond * 1e-6


def camera_stamps(clip: Clip) -> list[CameraStamp]:
    """Every way to read when a clip began by the camera's clock, the finest first.

    A timecode on a whole hour is left out: cameras that were set to nothing count from there, and so do recorders.
    """
    stamps = []
    timecode_s = timecode_start_s(clip)
    if timecode_s is not None and clip.frame_rate is not None:
        within_s = _FRAMES / float(clip.frame_rate)
        stamps.append(CameraStamp(timecode_s, within_s))
        # Some recorders count the labels of 24000/1001 as if they were seconds (common practice, no source).
        label_s = timecode_s * float(clip.frame_rate) / round(clip.frame_rate)
        if abs(label_s - timecode_s) > within_s:
            stamps.append(CameraStamp(label_s, within_s))
    made_s = camera_stamp_s(clip)
    if made_s is not None:
        # When a file was begun, or when it was closed; in some time zone.
        stamps += [
            CameraStamp(start_s, _WHOLE_S, repeats_s=QUARTER_HOUR_S, by="time of day")
            for start_s in (made_s, made_s - clip.duration_s)
        ]
    return stamps


def camera_stamps_by_kind(clip: Clip) -> dict[str, CameraStamp]:
    """The clip's stamps by what they are, so that each can be held against the same kind of another clip."""
    timecode_s, made_s = timecode_start_s(clip), camera_stamp_s(clip)
    stamps = {}
    if timecode_s is not None and clip.frame_rate is not None:
        stamps["timecode"] = CameraStamp(timecode_s, _FRAMES / float(clip.frame_rate))
    if made_s is not None:
        stamps["begun"] = CameraStamp(made_s, _WHOLE_S, by="time of day")
        stamps["closed"] = CameraStamp(made_s - clip.duration_s, _WHOLE_S, by="time of day")
    return stamps


def timecode_start_s(clip: Clip) -> float | None:
    """Seconds from midnight by the camera's timecode at the first picture; None without one, or from a preset."""
    if clip.start_timecode is None or clip.frame_rate is None:
        return None
    try:
        frame = frame_from_timecode(clip.start_timecode, clip.frame_rate)
    except InputError:
        return None
    if clip.start_timecode[2:].strip("0:;") == "":
        return None
    return float(frame / clip.frame_rate)
