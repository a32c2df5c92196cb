"""The time of day at which a clip starts, for the bext chunk of its track.

Functions: clip_start_of_day_s.
"""

from contextlib import suppress

from spatial.errors import InputError
from spatial.media.movies import Clip
from spatial.media.takes import Take
from spatial.timebase import ClockLaw, frame_from_timecode


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
