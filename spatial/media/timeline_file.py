"""A timeline for an editor: stretches of media files on lanes, as an OpenTimelineIO file (`.otio`).

Goal: where each stretch lies on the timeline and in its file is exact: pictures in frames of their own rate, sound in
samples.
Method: rates are given as exact fractions, since 29.97 is another rate than 30000/1001. A stretch of a recording whose
clock runs fast or slow gets a LinearTimeWarp; its length is then that on the timeline, for the warp does not change
it. Everything that is ours stands under one name, METADATA_NAME, as plain values.
Conventions: a stretch begins at `at_s` of the timeline; its `start` counts in the media's own time, which begins at
`media_start` (a clip's start timecode, a recording's samples since midnight).
Functions: timeline_text; relative_url (a file, seen from the folder of the timeline).
Source: the OpenTimelineIO specification (Timeline, Clip, Marker, LinearTimeWarp), by its Python library.
"""

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

import numpy as np

METADATA_NAME = "soundplumb"

Facts = Mapping[str, Any]
"""Plain values: text, numbers of Python, lists and dicts of these."""


class LaneKind(StrEnum):
    """What a lane holds."""

    PICTURE = "Video"
    SOUND = "Audio"


class Tint(StrEnum):
    """Colours of markers, by their names in OpenTimelineIO."""

    GREEN = "GREEN"
    YELLOW = "YELLOW"
    RED = "RED"
    CYAN = "CYAN"


@dataclass(frozen=True, slots=True)
class Moment:
    """Something to look at in a stretch; `start` and `length` count as the stretch's do."""

    name: str
    start: int
    length: int
    tint: Tint
    comment: str = ""
    facts: Facts = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a media file on a lane."""

    name: str
    path: Path
    at_s: Fraction
    """Where it begins on the timeline."""
    rate: Fraction
    """Frames or samples a second, in which all that follows counts."""
    start: int
    length: int
    media_start: int
    media_length: int
    speed: float = 1.0
    """Seconds of the media that pass in a second of the timeline."""
    enabled: bool = True
    moments: tuple[Moment, ...] = ()
    facts: Facts = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Lane:
    """Stretches one after the other, none over another."""

    name: str
    kind: LaneKind
    stretches: tuple[Stretch, ...]


def timeline_text(name: str, lanes: Sequence[Lane], *, folder: Path, facts: Facts) -> str:
    """The text of a timeline.

    Parameters
    ----------
    name : str
    lanes : sequence of Lane
        The first lies lowest.
    folder : Path
        Where the file is going to lie: media are named by their way from there.
    facts : mapping
        What is to be said of the whole.
    """
    # Half of what it takes to start is this library, and most commands write no timeline.
    from opentimelineio.schema import Timeline

    timeline = Timeline(name=_text(name), metadata={METADATA_NAME: _plain(facts)})
    for lane in lanes:
        timeline.tracks.append(_track(lane, folder))
    return str(timeline.to_json_string(indent=2)) + "\n"


def relative_url(path: Path, folder: Path) -> str:
    """A file as seen from a folder, as a URL: relative, so that both can be moved together.

    On Windows a file on another drive has no way from here, and is named in full.

    Examples
    --------
    >>> relative_url(Path("/day/A 001.mov"), Path("/day/handover"))
    '../A%20001.mov'
    """
    try:
        way = os.path.relpath(path.absolute(), folder.absolute())
    except ValueError:
        return path.absolute().as_uri()
    return "/".join(quote(os.fsencode(part)) for part in PurePosixPath(Path(way).as_posix()).parts)


def _track(lane: Lane, folder: Path) -> Any:
    from opentimelineio.schema import Gap, Track

    track = Track(name=_text(lane.name), kind=lane.kind.value)
    end_s = Fraction(0)
    for stretch in sorted(lane.stretches, key=lambda stretch: stretch.at_s):
        gap = (stretch.at_s - end_s) * stretch.rate
        # Sound begins on a whole sample; half of one is never heard, and it does not add up from gap to gap.
        # Pictures of one rate lie on whole frames anyway; where rates differ, in step goes before whole.
        length = Fraction(round(gap)) if lane.kind is LaneKind.SOUND else gap
        if length > 0:
            track.append(Gap(source_range=_span(0, length, stretch.rate)))
            end_s += length / stretch.rate
        track.append(_clip(stretch, folder))
        end_s += Fraction(stretch.length) / stretch.rate
    return track


def _clip(stretch: Stretch, folder: Path) -> Any:
    from opentimelineio.schema import Clip, ExternalReference, LinearTimeWarp, Marker

    media = ExternalReference(
        target_url=relative_url(stretch.path, folder),
        available_range=_span(stretch.media_start, stretch.media_length, stretch.rate),
    )
    media.name = _text(stretch.path.name)
    clip = Clip(
        name=_text(stretch.name),
        media_reference=media,
        source_range=_span(stretch.start, stretch.length, stretch.rate),
        metadata={METADATA_NAME: _plain(stretch.facts)} if stretch.facts else None,
    )
    clip.enabled = stretch.enabled
    if stretch.speed != 1.0:
        clip.effects.append(LinearTimeWarp(name="clock", time_scalar=float(stretch.speed)))
    for moment in stretch.moments:
        clip.markers.append(
            Marker(
                name=_text(moment.name),
                marked_range=_span(moment.start, moment.length, stretch.rate),
                color=moment.tint.value,
                comment=_text(moment.comment),
                metadata={METADATA_NAME: _plain(moment.facts)} if moment.facts else None,
            )
        )
    return clip


def _span(start: Fraction | int, length: Fraction | int, rate: Fraction) -> Any:
    from opentimelineio.opentime import RationalTime, TimeRange

    exact = rate.numerator / rate.denominator
    return TimeRange(RationalTime(float(start), exact), RationalTime(float(length), exact))


def _plain(value: Any) -> Any:
    """Values as the library takes them: numbers of Python's own, for it refuses those of numpy, and no NaN."""
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, Mapping):
        return {_text(str(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, str | Path):
        return _text(str(value))
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return [_plain(item) for item in value]


def _text(text: str) -> str:
    """Text of which every letter is one: names of files may hold bytes that are none."""
    return text.encode("utf-8", "backslashreplace").decode()
