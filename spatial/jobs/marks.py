"""Marks of a clip: where each performer is seen, should be heard, and is heard.

Conventions: spatial.conventions (mount). "Expected" is always as seen from the microphone, in picture axes.
Functions: marks_of_clip, hear_marks, expected_direction, shared_parallax, offset_turns.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.analysis.direction import BAND_HZ, LEAD_IN_S, field_bins
from spatial.analysis.micoffset import GIVEN_SD_M
from spatial.analysis.rotationfit import turn_between
from spatial.analysis.spans import MARK_FRAMES_S, SpanDirection, span_direction
from spatial.conventions import FloatArray
from spatial.errors import InputError, MarksFileError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.media.marks import Mark, read_marks
from spatial.media.moves import CameraMoves
from spatial.media.movies import Clip
from spatial.media.takes import FieldReader, Take
from spatial.picture import parse_picture, seen_from_microphone
from spatial.timebase import ClockLaw

LIKELY_DISTANCES_M = (1.0, 4.0)
"""Where performers stand whose distance was not written down (common practice, no source)."""

_LONGEST_SPAN_S = 120.0

_MOMENTS = 25
"""Of a mark during which the camera may turn, so many moments stand for all."""

LEAST_COVERED = 0.5
"""A mark of which the take holds less than this is not used: the rest may be anything but what was marked."""


@dataclass(frozen=True, slots=True)
class Rig:
    """What the crew knows of the rig."""

    mic_offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """The microphone's place seen from the lens: forward, left, up."""
    picture: str | None = None
    """Layout of the picture, for marks in pixels."""
    band_hz: tuple[float, float] = BAND_HZ
    moves: CameraMoves | None = None
    """How the camera turned over a recorder that did not turn with it; mount and mic_offset_m are then against the
    camera at 0, 0, 0."""
    levelled: FloatArray | None = None
    """shown_from_filmed: how the picture was turned after it was filmed, shape (3, 3). Marks are as filmed."""
    mic_offset_sd_m: float = GIVEN_SD_M
    """How exactly mic_offset_m is known, one standard deviation along each axis."""

    @property
    def shown_from_filmed(self) -> FloatArray:
        """How the picture was turned after it was filmed, shape (3, 3)."""
        return np.eye(3) if self.levelled is None else self.levelled


@dataclass(frozen=True, slots=True, eq=False)
class HeardMark:
    """One mark with what was heard in it."""

    mark: Mark
    expected: FloatArray
    """Unit vector in picture axes, as seen from the microphone, shape (3,)."""
    parallax_sd_rad: float
    """How far the expected direction may be off because the distance was not given."""
    heard: SpanDirection
    """In the recording's own axes."""
    near_and_far: tuple[FloatArray, FloatArray] | None = None
    """Where it would be expected at the nearest and the farthest likely distance; None where that is known."""
    swept_sd_rad: float = 0.0
    """How far the expected direction strays from its mean because the camera turned during the mark."""
    aside: FloatArray | None = None
    """Where it would be expected with the microphone one standard deviation of its place further forward, left and up,
    unit vectors, shape (3, 3)."""
    covered: float = 1.0
    """Part of the mark's time that the take covers, 0 to 1."""


def marks_of_clip(path: Path, clip: Clip, rig: Rig) -> tuple[Mark, ...]:
    """Read a clip's marks and check that they lie inside it.

    Raises
    ------
    MarksFileError
        A row cannot be used, or lies outside the clip.
    InputError
        Pixels in a clip without a picture.
    """
    picture = None
    if rig.picture is not None:
        if clip.width_px is None or clip.height_px is None:
            raise InputError(f"{clip.path.name} has no picture, so marks in pixels mean nothing; give angles")
        picture = parse_picture(rig.picture, clip.width_px, clip.height_px)
    marks = read_marks(path, picture=picture)
    for mark in marks:
        if mark.start_s >= clip.duration_s or mark.end_s > clip.duration_s + 0.5:
            raise MarksFileError(
                f"{path.name}: the mark of {mark.who} ({mark.start_s:g} to {mark.end_s:g} s) lies outside "
                f"{clip.path.name}, which is {clip.duration_s:.2f} s long; marks are in clip time"
            )
    return marks


def expected_direction(mark: Mark, mic_offset_m: Sequence[float]) -> tuple[FloatArray, float]:
    """Where the microphone should hear a marked performer, and how far that may be off, radians.

    Returns
    -------
    direction : ndarray, shape (3,)
    sd_rad : float
        0 where the distance is known or the microphone is at the lens; else half of what the likely
        distances could make of it.
    """
    seen = unit_vectors(mark.azimuth_rad, mark.elevation_rad)
    if not any(mic_offset_m):
        return seen, 0.0
    if mark.distance_m is not None:
        try:
            return seen_from_microphone(seen, mark.distance_m, mic_offset_m), 0.0
        except InputError as error:
            raise MarksFileError(f"the mark of {mark.who} cannot be used: {error}") from error
    near, far = (seen_from_microphone(seen, distance, mic_offset_m) for distance in LIKELY_DISTANCES_M)
    middle = near + far
    return middle / np.linalg.norm(middle), float(angle_between(near, far)) / 2


def hear_marks(
    take: Take,
    law: ClockLaw,
    marks: Sequence[Mark],
    rig: Rig,
    *,
    finished: bool = False,
    sounds_s: tuple[float, float] = (-np.inf, np.inf),
) -> list[HeardMark]:
    """Measure where the sound of each mark comes from, in the recording's own axes.

    Of a mark that the take covers in part only that part is heard, and nothing where that is less than LEAST_COVERED.

    Parameters
    ----------
    take : Take
        A take, or a finished track.
    law : ClockLaw
        From clip time to the take's time.
    marks : sequence of Mark
        In clip time.
    rig : Rig
    finished : bool
        The recording is a track that faces the lens: directions are expected in the picture as shown. Of a take that
        stood still under a turning camera, they are expected in the axes of the camera at 0, 0, 0.
    sounds_s : tuple of float
        Clip time from which and until which a finished track holds sound: a take that ended early left silence.

    Returns
    -------
    list of HeardMark
        One for each mark, in order.
    """
    heard = []
    with FieldReader(take) as reader:
        for mark in marks:
            marked_s = (mark.start_s, min(mark.end_s, mark.start_s + _LONGEST_SPAN_S))
            wanted_s = [law.take_from_clip(time_s) for time_s in marked_s]
            start, stop = (law.take_from_clip(float(np.clip(time_s, *sounds_s))) for time_s in marked_s)
            start, stop = (float(np.clip(time_s, 0.0, take.duration_s)) for time_s in (start, stop))
            # A clock step may take a whole mark away.
            covered = (stop - start) / max(wanted_s[1] - wanted_s[0], 1e-6)
            if covered < LEAST_COVERED:
                stop = start
            first = max(0, round((start - LEAD_IN_S) * take.rate_hz))
            last = round(stop * take.rate_hz) if stop > start else first
            field = reader.read(first, last) if first < last else np.zeros((4, 0), dtype=np.float32)
            bins = [
                field_bins(field, take.rate_hz, start_s=first / take.rate_hz, band_hz=rig.band_hz, frame_s=frame_s)
                for frame_s in MARK_FRAMES_S
            ]
            told = _heard(mark, rig, span_direction(bins, start, stop), finished=finished)
            heard.append(replace(told, covered=covered))
    return heard


def _heard(mark: Mark, rig: Rig, heard: SpanDirection, *, finished: bool) -> HeardMark:
    """A mark with where it is expected, on average over the moves that the camera makes in it."""
    times_s = np.linspace(mark.start_s, mark.end_s, 1 if rig.moves is None else _MOMENTS)
    cameras = np.eye(3)[np.newaxis] if rig.moves is None else rig.moves.motion.at(times_s)
    seen = unit_vectors(mark.azimuth_rad, mark.elevation_rad)

    def expected(
        distance_m: float | None, mic_offset_m: Sequence[float] = rig.mic_offset_m
    ) -> tuple[FloatArray, float, float]:
        ways, sds = [], []
        for camera in cameras:
            azimuth, elevation = (float(angle) for angle in azimuth_elevation(camera @ seen))
            turned = replace(mark, azimuth_rad=azimuth, elevation_rad=elevation, distance_m=distance_m)
            way, sd = expected_direction(turned, mic_offset_m)
            ways.append(rig.shown_from_filmed @ camera.T @ way if finished else way)
            sds.append(sd)
        total = np.sum(ways, axis=0)
        middle = total / np.linalg.norm(total)
        return middle, float(np.mean(sds)), float(np.sqrt(np.mean(angle_between(np.stack(ways), middle) ** 2)))

    middle, parallax_sd, swept_sd = expected(mark.distance_m)
    near_and_far = None
    if parallax_sd > 0:
        near, far = (expected(distance)[0] for distance in LIKELY_DISTANCES_M)
        near_and_far = (near, far)
    aside = aside_of(rig, lambda place: expected(mark.distance_m, place)[0])
    return HeardMark(mark, middle, parallax_sd, heard, near_and_far, swept_sd, aside)


def aside_of(rig: Rig, expected: Callable[[tuple[float, ...]], FloatArray]) -> FloatArray | None:
    """Where a mark is expected with the microphone one deviation aside along each axis; None where it is known exactly.

    Parameters
    ----------
    rig : Rig
    expected : callable
        The expected direction, shape (3,), for a place of the microphone.
    """
    if rig.mic_offset_sd_m <= 0:
        return None
    places = np.asarray(rig.mic_offset_m) + rig.mic_offset_sd_m * np.eye(3)
    try:
        return np.stack([expected(tuple(place.tolist())) for place in places])
    except MarksFileError:
        # The performer's mouth is at the microphone, to within what is known of its place.
        return None


def shared_parallax(marks: Sequence[HeardMark]) -> FloatArray | None:
    """The turn that unknown distances may make all marks share, as a rotation vector; None where all are known.

    Performers who all stand near, or all far, look as one: a microphone 30 cm below the lens then seems tipped.

    Returns
    -------
    ndarray, shape (3,), or None
        Half of the turn between everybody at the nearest likely distance and everybody at the farthest.
    """
    if all(heard.near_and_far is None for heard in marks):
        return None
    near, far = (
        np.stack([heard.expected if heard.near_and_far is None else heard.near_and_far[end] for heard in marks])
        for end in (0, 1)
    )
    return turn_between(near, far, np.array([heard.heard.sd_rad for heard in marks])) / 2


def offset_turns(marks: Sequence[HeardMark], times: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """What the uncertain place of the microphone does to marks: turns that all share, and what is left of each mark.

    Parameters
    ----------
    marks : sequence of HeardMark
        All heard.
    times : ndarray, shape (3,), optional
        How many standard deviations of the rig each axis may be off.

    Returns
    -------
    turns : ndarray, shape (turns, 3)
        Rotation vectors, one standard deviation each, independent of each other: one for forward, left and up.
    rest_rad : ndarray, shape (marks,)
        One standard deviation, along either direction across each mark, that no common turn explains.
    """
    expected = np.stack([heard.expected for heard in marks])
    aside = np.stack([np.tile(h.expected, (3, 1)) if h.aside is None else h.aside for h in marks])
    sd_rad = np.array([heard.heard.sd_rad for heard in marks])
    times = np.ones(3) if times is None else times
    turns = np.stack([turn_between(aside[:, axis], expected, sd_rad) for axis in range(3)])
    shifts = aside - expected[:, np.newaxis]
    rest = shifts - np.stack([np.cross(turn, expected) for turn in turns], axis=1)
    return turns * times[:, np.newaxis], np.sqrt(np.sum((rest * times[:, np.newaxis]) ** 2, axis=(1, 2)) / 2)
