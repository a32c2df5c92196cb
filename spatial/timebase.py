"""Frame rates, timecode and the clock law.

Conventions: spatial.conventions (time).
Functions: ClockLaw (between clip time and take time), ClockStep (where a clock jumps); timecode_from_frame,
frame_from_timecode (SMPTE ST 12-1, with and without drop-frame); samples_for_frames (exact length of a clip in
samples).
"""

import math
import re
from dataclasses import dataclass, replace
from fractions import Fraction

from spatial.errors import InputError

DAY_S = 86_400.0
"""Seconds of a day."""

HOUR_S = 3600.0
"""Seconds of an hour."""

QUARTER_HOUR_S = 900.0
"""Seconds of a quarter of an hour: time zones differ by whole ones, and clocks are set wrong by them."""

DROP_FRAME_RATES = {Fraction(30000, 1001): 2, Fraction(60000, 1001): 4}
"""Frame rates that may use drop-frame timecode, and how many labels a minute leaves out (ST 12-1)."""


@dataclass(frozen=True, slots=True)
class ClockStep:
    """A place where one of the two clocks jumps: from clip_time_s on, take time is step_s further on.

    Negative where the recorder lost sound (a dropped buffer), positive where the camera did.
    """

    clip_time_s: float
    step_s: float
    sd_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ClockLaw:
    """How take time follows clip time: take = clip * (1 + drift_ppm * 1e-6) + offset_s + the steps passed."""

    offset_s: float
    drift_ppm: float = 0.0
    steps: tuple[ClockStep, ...] = ()
    """In order of clip time."""

    @property
    def ratio(self) -> float:
        """Seconds that pass on the recorder's clock for one second on the camera's."""
        return 1.0 + self.drift_ppm * 1e-6

    def take_from_clip(self, clip_time_s: float) -> float:
        """Take time of a clip time, seconds.

        Examples
        --------
        >>> round(ClockLaw(offset_s=3.217, drift_ppm=50.0).take_from_clip(100.0), 6)
        103.222
        >>> ClockLaw(3.0, steps=(ClockStep(20.0, -0.01),)).take_from_clip(20.0)
        22.99
        """
        jumped = sum(step.step_s for step in self.steps if clip_time_s >= step.clip_time_s)
        return clip_time_s * self.ratio + self.offset_s + jumped

    def clip_from_take(self, take_time_s: float) -> float:
        """Clip time of a take time, seconds: the first where the take holds it twice, the step's where never."""
        begin, jumped, lost = -math.inf, 0.0, None
        for end, step_s in [*((step.clip_time_s, step.step_s) for step in self.steps), (math.inf, 0.0)]:
            clip_time_s = (take_time_s - self.offset_s - jumped) / self.ratio
            if begin <= clip_time_s < end:
                return clip_time_s
            jumped += step_s
            if lost is None and clip_time_s >= end and (take_time_s - self.offset_s - jumped) / self.ratio < end:
                lost = end
            begin = end
        # Only rounding at a step's very edge leaves no such step.
        return clip_time_s if lost is None else lost

    def piece_at(self, clip_time_s: float) -> "ClockLaw":
        """The law without steps that holds around a clip time."""
        return ClockLaw(self.take_from_clip(clip_time_s) - clip_time_s * self.ratio, self.drift_ppm)

    def moved(self, lag_s: float, slope: float = 0.0) -> "ClockLaw":
        """The law with take time later by lag_s + slope * clip time."""
        return replace(self, offset_s=self.offset_s + lag_s, drift_ppm=self.drift_ppm + slope * 1e6)

    def from_clip_time(self, zero_s: float) -> "ClockLaw":
        """The same law for clip time counted from zero_s: what was zero_s becomes 0."""
        steps = tuple(replace(step, clip_time_s=step.clip_time_s - zero_s) for step in self.steps)
        return ClockLaw(self.offset_s + zero_s * self.ratio, self.drift_ppm, steps)


def samples_for_frames(frames: int, frame_rate: Fraction, rate_hz: int) -> int:
    """Length of `frames` picture frames in samples, to the nearest whole sample.

    Examples
    --------
    >>> samples_for_frames(5, Fraction(30000, 1001), 48_000)
    8008
    """
    return round(frames * rate_hz / frame_rate)


def timecode_from_frame(frame: int, frame_rate: Fraction, *, drop: bool = False) -> str:
    """Timecode label of a frame count since 00:00:00:00 (ST 12-1). Wraps after 24 hours.

    Parameters
    ----------
    frame : int
        Frames since midnight, 0 or more.
    frame_rate : Fraction
        Exact frames per second.
    drop : bool
        Drop-frame counting, written with a semicolon. Only for 30000/1001 and 60000/1001.

    Raises
    ------
    InputError
        Drop-frame asked for at a rate that has none; a negative frame; 100 or more frames per second, for
        which the standard has no label.

    Examples
    --------
    >>> timecode_from_frame(1800, Fraction(30000, 1001), drop=True)
    '00:01:00;02'
    """
    nominal = round(frame_rate)
    if frame < 0 or nominal > 99:
        raise InputError(f"there is no timecode for frame {frame} at {float(frame_rate):.3f} frames per second")
    if drop:
        left_out = _labels_left_out(frame_rate)
        per_minute = nominal * 60 - left_out
        per_ten = nominal * 600 - 9 * left_out
        frame %= per_ten * 144
        tens, rest = divmod(frame, per_ten)
        frame += 9 * left_out * tens
        if rest >= nominal * 60:
            frame += left_out * (1 + (rest - nominal * 60) // per_minute)
    else:
        frame %= nominal * round(DAY_S)
    seconds, label = divmod(frame, nominal)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    mark = ";" if drop else ":"
    return f"{hour:02d}:{minute:02d}:{second:02d}{mark}{label:02d}"


def frame_from_timecode(timecode: str, frame_rate: Fraction) -> int:
    """Frames since 00:00:00:00 of a timecode label; a semicolon before the frames means drop-frame.

    Raises
    ------
    InputError
        Not a timecode, a field out of range, or a label that drop-frame counting leaves out.

    Examples
    --------
    >>> frame_from_timecode("00:01:00;02", Fraction(30000, 1001))
    1800
    """
    match = re.fullmatch(r"(\d\d):(\d\d):(\d\d)([:;])(\d\d)", timecode.strip())
    if match is None:
        raise InputError(f"'{timecode}' is not a timecode; write hh:mm:ss:ff, or hh:mm:ss;ff for drop-frame")
    hour, minute, second, label = (int(match[group]) for group in (1, 2, 3, 5))
    nominal = round(frame_rate)
    if hour > 23 or minute > 59 or second > 59 or label >= nominal:
        raise InputError(f"timecode '{timecode}' does not exist at {float(frame_rate):.3f} frames per second")
    frame = ((hour * 60 + minute) * 60 + second) * nominal + label
    if match[4] == ":":
        return frame
    left_out = _labels_left_out(frame_rate)
    if second == 0 and label < left_out and minute % 10:
        raise InputError(f"timecode '{timecode}' is one of the labels that drop-frame counting leaves out")
    minutes = hour * 60 + minute
    return frame - left_out * (minutes - minutes // 10)


def _labels_left_out(frame_rate: Fraction) -> int:
    if frame_rate not in DROP_FRAME_RATES:
        raise InputError(f"{float(frame_rate):.3f} frames per second has no drop-frame timecode (SMPTE ST 12-1)")
    return DROP_FRAME_RATES[frame_rate]
