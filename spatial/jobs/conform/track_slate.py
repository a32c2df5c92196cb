"""What the track of a clip says of itself: names, reel, timecode and time of day, from its clip and its take.

Functions: notes_of_track.
"""

import hashlib
import re
from contextlib import suppress
from datetime import datetime, timedelta

from spatial.errors import MediaFileError
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.time_of_day import clip_start_of_day_s
from spatial.media.cache import content_glance
from spatial.media.movies.clip import camera_reel
from spatial.media.wav.metadata import read_field_notes
from spatial.media.wav.track_notes import TrackNotes

_REFERENCE_HEAD = "SOUNDPLUMB"
_REFERENCE_LETTERS = 32
"""Length of bext's originator reference (EBU Tech 3285)."""


def notes_of_track(result: SyncResult) -> TrackNotes:
    """What a track tells an editor.

    What was typed into the recorder (project, scene, take, reel) goes before names of files. The same clip, take and
    law always give the same notes, so that a track made again is the same file.

    Parameters
    ----------
    result : SyncResult
        A match.
    """
    clip, take = result.clip, result.take
    typed = read_field_notes(take.path)
    reel = None
    with suppress(MediaFileError):
        reel = camera_reel(clip.path)
    bits = re.search(r"\d+", take.subtype)
    return TrackNotes(
        clip=clip.path.name,
        take=take.path.name,
        done=_done(result),
        project=typed.project or clip.path.absolute().parent.name,
        scene=typed.scene or clip.path.stem,
        take_label=typed.take or take.path.stem,
        tape=typed.tape or reel or "",
        reference=_reference(result),
        timecode_rate=clip.frame_rate,
        drop_frame=bool(clip.start_timecode and ";" in clip.start_timecode),
        start_of_day_s=clip_start_of_day_s(clip, take, result.law),
        origination=_origination(result),
        take_rate_hz=take.rate_hz,
        take_bits=int(bits[0]) if bits and take.subtype.startswith("PCM") else None,
    )


def _done(result: SyncResult) -> str:
    drift = f"drift {result.law.drift_ppm:.1f} ppm taken out" if result.law.drift_ppm else "no drift taken out"
    return f"cut to the clip, {drift}, turned to face the lens"


def _reference(result: SyncResult) -> str:
    """Letters that no other track has, by what it is made from and how."""
    law = result.law
    steps = [(step.clip_time_s, step.step_s) for step in law.steps]
    glances = [content_glance(path) for path in (result.clip.path, *result.take.paths)]
    known = repr((glances, law.offset_s, law.drift_ppm, steps))
    return (_REFERENCE_HEAD + hashlib.sha256(known.encode()).hexdigest().upper())[:_REFERENCE_LETTERS]


def _origination(result: SyncResult) -> datetime | None:
    """Date and time at the first picture by the recorder's clock; else when the camera says it made its file.

    Timecode is no clock (it may have been set to anything), so it goes into the time reference alone.
    """
    made = result.take.origination
    if made is not None:
        return made + timedelta(seconds=result.law.take_from_clip(0.0))
    with suppress(ValueError):
        return datetime.fromisoformat(result.clip.created or "").replace(tzinfo=None)
    return None
