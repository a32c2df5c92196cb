"""Marks of a clip: where each performer is seen, is expected to be measured, and is measured.

Goal: for each mark a direction expected and a direction measured with its uncertainty. Of the time that several marks
claim at once, each mark's own part is used; marks without enough of their own are measured together.
Conventions: spatial.conventions (mount). "Expected" is always as seen from the microphone, in picture axes.
Functions: marks_of_clip, measure_marks, expected_direction, as_if_still, seen_in, seen_in_other_layouts,
shared_parallax, offset_turns; own_time; grouped (marks that can only be taken together); unexplained (places that
nobody known makes); groups_of, with_way, settled_by_turn (marks that overlap).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.doa import MARK_FRAMES_S, SpanDirection, span_direction
from spatial.direction.intensity import LEAD_IN_S, FieldBins, field_bins
from spatial.direction.microphone_error import ORDINARY, Microphone
from spatial.direction.mixture import Place, span_places
from spatial.errors import InputError, MarksFileError, SoundplumbError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.jobs.rig import Rig
from spatial.media.movies.clip import Clip
from spatial.media.movies.display import turned_in_words
from spatial.media.tables import Mark, read_marks
from spatial.media.takes.take import FieldReader, Take
from spatial.mount.mark_assignment import NEAR_RAD, MarkGroup, Way, way_for_turn
from spatial.mount.wahba import turn_between
from spatial.picture import LAYOUTS, Picture, parse_picture, seen_from_microphone
from spatial.timebase import ClockLaw

# --- shared time ---

Span = tuple[float, float]

LEAST_ALONE_S = 0.75
"""Seconds that a mark must be alone to be as good as any other: a word or two (common practice, no source)."""

_TOUCHES_S = 0.1
"""Marks that share less than this follow each other."""
_SAME_RAD = np.radians(20.0)
"""Places closer than this to one that is known are that one. With a larger angle a second performer is hidden, with a
smaller one the rim of the first passes for another."""


@dataclass(frozen=True, slots=True, eq=False)
class SharedTime:
    """What sounds in the time that a group of marks claims."""

    places: tuple[Place, ...]
    """In the recording's own axes, the strongest first."""


def own_time(number: int, spans: Sequence[Span], expected: FloatArray) -> Span | None:
    """The longest part of a mark that no mark of another place claims; None where all of it is its own.

    Parameters
    ----------
    number : int
        Which mark.
    spans : sequence of (start, end)
        Of all marks, seconds.
    expected : ndarray, shape (marks, 3)
        Where each is expected.
    """
    start, end = spans[number]
    others = [
        span
        for other, span in enumerate(spans)
        if _shares(spans[number], span) and angle_between(expected[number], expected[other]) >= NEAR_RAD
    ]
    if not others:
        return None
    edges = sorted({start, end, *(float(np.clip(edge, start, end)) for span in others for edge in span)})
    best, run = (start, start), start
    for one, two in pairwise(edges):
        if any(other[0] < (one + two) / 2 < other[1] for other in others):
            run = two
        elif two - run > best[1] - best[0]:
            best = run, two
    return best


def grouped(numbers: Sequence[int], spans: Sequence[Span]) -> list[list[int]]:
    """Those of some marks that overlap, directly or through each other."""
    groups: list[list[int]] = []
    for number in sorted(numbers, key=lambda each: spans[each]):
        joined = [group for group in groups if any(_shares(spans[number], spans[other]) for other in group)]
        groups = [group for group in groups if group not in joined]
        groups.append(sorted([number, *(other for group in joined for other in group)]))
    return groups


def unexplained(
    places: Sequence[Place], wanted: FloatArray, known: Sequence[tuple[FloatArray, FloatArray]]
) -> tuple[Place, ...]:
    """Places, but for those of marks that overlap too and were heard alone.

    Parameters
    ----------
    places : sequence of Place
    wanted : ndarray, shape (marks, 3)
        Where the marks are expected that need a place.
    known : sequence of (expected, heard)
        Of the marks that have one, unit vectors of shape (3,).
    """
    taken = [heard for expected, heard in known if np.min(angle_between(wanted, expected[np.newaxis])) > _SAME_RAD]
    return tuple(place for place in places if all(angle_between(place.vector, heard) > _SAME_RAD for heard in taken))


def _shares(one: Span, other: Span) -> bool:
    return min(one[1], other[1]) - max(one[0], other[0]) > _TOUCHES_S


# --- marks ---

LIKELY_DISTANCES_M = (1.0, 4.0)
"""Where performers stand whose distance was not written down (common practice, no source)."""

_LONGEST_SPAN_S = 120.0
"""Seconds of a mark that are measured at the most: more make its direction no surer, and a mark from end to end of a
clip would take as long as the clip."""

_MOMENTS = 25
"""Moments that stand for all of a mark during which the camera may turn."""

LEAST_COVERED = 0.5
"""A mark of which the take holds less than this is not used: the rest may be anything but what was marked."""


_UNHEARD = SpanDirection(False, np.full(3, np.nan), float("nan"), 0.0)
"""A mark in which nothing points anywhere."""


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredMark:
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
    shared: SharedTime | None = None
    """What sounds in the mark's time, where it shares that with others and has none of its own; the same object for
    all of them. `heard` is then one of its places once that is settled, and nobody before."""
    partly: bool = False
    """Only the part that the mark does not share with others is heard."""
    rival: float = 0.0
    """Of a mark that overlaps with others: the strongest place that is nobody's, as a part of the strongest of all."""

    microphone: Microphone = ORDINARY
    """What is unknown of the microphone that heard it: an error that all marks have in common."""

    @property
    def stated_sd_rad(self) -> float:
        """How sure the direction in the recording's own axes is, all things considered; NaN where unheard."""
        if not self.heard.heard:
            return float("nan")
        return float(np.hypot(self.heard.sd_rad, self.microphone.sd_rad(self.heard.vector[np.newaxis])[0]))

    @property
    def extra_sd_rad(self) -> float:
        """What makes the mark less sure beside what is heard."""
        return float(np.hypot(self.parallax_sd_rad, self.swept_sd_rad))


def marks_of_clip(path: Path, clip: Clip, rig: Rig) -> tuple[Mark, ...]:
    """Read a clip's marks and check that they lie inside it.

    Raises
    ------
    MarksFileError
        A row cannot be used, or lies outside the clip; or it is in pixels of a picture that is turned in a way that
        is not followed.
    InputError
        Pixels in a clip without a picture.
    """
    picture = None
    if rig.picture is not None:
        if clip.width_px is None or clip.height_px is None:
            raise InputError(f"{clip.path.name} has no picture, so marks in pixels mean nothing; give angles")
        picture = parse_picture(rig.picture, clip.width_px, clip.height_px)
    no_pixels = None if clip.turn.shown else turned_in_words(clip.path, clip.turn, angles=True)
    marks = read_marks(path, picture=picture, no_pixels=no_pixels)
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


def measure_marks(
    take: Take,
    law: ClockLaw,
    marks: Sequence[Mark],
    rig: Rig,
    *,
    finished: bool = False,
    sounds_s: tuple[float, float] = (-np.inf, np.inf),
) -> list[MeasuredMark]:
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
    list of MeasuredMark
        One for each mark, in order.
    """
    spans, covered = [], []
    for mark in marks:
        marked_s = (mark.start_s, min(mark.end_s, mark.start_s + _LONGEST_SPAN_S))
        wanted_s = [law.take_from_clip(time_s) for time_s in marked_s]
        start, stop = (law.take_from_clip(float(np.clip(time_s, *sounds_s))) for time_s in marked_s)
        start, stop = (float(np.clip(time_s, 0.0, take.duration_s)) for time_s in (start, stop))
        # A clock step may take a whole mark away.
        covered.append((stop - start) / max(wanted_s[1] - wanted_s[0], 1e-6))
        spans.append((start, stop if covered[-1] >= LEAST_COVERED else start))
    heard = [with_expected(mark, rig, _UNHEARD, finished=finished) for mark in marks]
    heard = [replace(each, covered=part) for each, part in zip(heard, covered, strict=True)]
    expected = np.stack([each.expected for each in heard]) if heard else np.zeros((0, 3))
    crowded = []
    with FieldReader(take) as reader:
        for number, (start, stop) in enumerate(spans):
            own = own_time(number, spans, expected)
            first, last = (start, stop) if own is None else own
            found = _UNHEARD
            if own is None or last - first >= LEAST_ALONE_S:
                found = span_direction(_bins(reader, take, rig, start, stop), first, last)
            if own is not None and not found.heard:
                crowded.append(number)
            heard[number] = replace(heard[number], heard=found, partly=own is not None and found.heard)
        for group in grouped(crowded, spans):
            start, stop = min(spans[n][0] for n in group), max(spans[n][1] for n in group)
            stop = min(stop, start + _LONGEST_SPAN_S)
            places = span_places(_bins(reader, take, rig, start, stop), start, stop, most=max(3, len(group)))
            known = [(e.expected, e.heard.vector) for e, s in zip(heard, spans, strict=True)
                     if e.heard.heard and min(s[1], stop) > max(s[0], start)]  # fmt: skip
            shared = SharedTime(unexplained(places, expected[group], known))
            for number in group:
                heard[number] = replace(heard[number], shared=shared)
    return settled_by_turn(heard, np.eye(3)) if finished else heard


def _bins(reader: FieldReader, take: Take, rig: Rig, start: float, stop: float) -> list[FieldBins]:
    """What is heard from start to stop, seconds of the take, with a lead-in, in frames of each length."""
    first = max(0, round((start - LEAD_IN_S) * take.rate_hz))
    last = round(stop * take.rate_hz) if stop > start else first
    field = reader.read(first, last) if first < last else np.zeros((4, 0), dtype=np.float32)
    return [
        field_bins(field, take.rate_hz, start_s=first / take.rate_hz, band_hz=rig.band_hz, frame_s=frame_s)
        for frame_s in MARK_FRAMES_S
    ]


def groups_of(marks: Sequence[MeasuredMark]) -> list[MarkGroup]:
    """The groups of marks that can only be taken together, by their places in the list."""
    groups = []
    for shared in {id(each.shared): each.shared for each in marks if each.shared is not None}.values():
        rows = tuple(number for number, each in enumerate(marks) if each.shared is shared)
        groups.append(MarkGroup(rows, shared.places, tuple(marks[row].extra_sd_rad for row in rows)))
    return groups


def measured_alone(marks: Sequence[MeasuredMark]) -> tuple[FloatArray, FloatArray]:
    """What is heard of marks that have time of their own, shapes (marks, 3) and (marks,); NaN for all others."""
    alone = [each.heard if each.shared is None and each.heard.heard else _UNHEARD for each in marks]
    extra = np.array([each.extra_sd_rad for each in marks])
    return np.stack([each.vector for each in alone]), np.hypot([each.sd_rad for each in alone], extra)


def with_way(marks: Sequence[MeasuredMark], way: Way) -> list[MeasuredMark]:
    """Marks that overlap, each with the place that a way gives it; all others as they are."""
    settled = []
    for number, mark in enumerate(marks):
        if mark.shared is None:
            settled.append(mark)
            continue
        found = _UNHEARD
        if np.isfinite(way.sd_rad[number]):
            vector = way.measured[number]
            (share,) = (place.share for place in mark.shared.places if np.array_equal(place.vector, vector))
            found = SpanDirection(True, vector, float(way.sd_rad[number]), share)
        settled.append(replace(mark, heard=found, rival=float(way.rival[number])))
    return settled


def settled_by_turn(marks: Sequence[MeasuredMark], picture_from_take: FloatArray) -> list[MeasuredMark]:
    """Marks that overlap, each with its likeliest place, where it is known how the field sits; all others as they are.

    Each place is used for one mark only, or for several in one direction.
    """
    groups = groups_of(marks)
    if not groups:
        return list(marks)
    expected = np.stack([each.expected for each in marks])
    return with_way(marks, way_for_turn(expected, *measured_alone(marks), groups, picture_from_take))


def with_expected(mark: Mark, rig: Rig, heard: SpanDirection, *, finished: bool) -> MeasuredMark:
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
    microphone = rig.microphone.in_a_track() if finished else rig.microphone
    return MeasuredMark(mark, middle, parallax_sd, heard, near_and_far, swept_sd, aside, microphone=microphone)


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


def as_if_still(heard: MeasuredMark, rig: Rig) -> MeasuredMark:
    """A mark of a take, expected as if the camera had not moved."""
    return with_expected(heard.mark, replace(rig, moves=None), heard.heard, finished=False)


def seen_in(heard: MeasuredMark, picture: Picture, rig: Rig, *, finished: bool = False) -> MeasuredMark:
    """A mark in pixels, of a take or of a finished track, as another layout of the picture would have it seen.

    Raises
    ------
    InputError
        Its pixel shows nothing in that layout.
    """
    assert heard.mark.pixel is not None
    azimuth, elevation = (float(angle) for angle in azimuth_elevation(picture.direction_from_pixel(*heard.mark.pixel)))
    mark = replace(heard.mark, azimuth_rad=azimuth, elevation_rad=elevation)
    again = with_expected(mark, rig, heard.heard, finished=finished)
    return replace(again, covered=heard.covered, shared=heard.shared, partly=heard.partly)


def seen_in_other_layouts(
    clip: Clip, marks: Sequence[MeasuredMark], rig: Rig, *, finished: bool = False
) -> Iterator[tuple[str, list[MeasuredMark]]]:
    """Marks in pixels as each other layout that goes with the shape of the frame has them; nothing for other marks.

    Yields
    ------
    name, marks
        Of each layout of undistorted pictures, but the rig's own, in which all pixels show something.
    """
    if clip.width_px is None or clip.height_px is None or not all(mark.mark.pixel for mark in marks):
        return
    for name in LAYOUTS:
        if name == rig.picture:
            continue
        try:
            picture = parse_picture(name, clip.width_px, clip.height_px)
            if not picture.undistorted:
                continue
            again = [seen_in(mark, picture, rig, finished=finished) for mark in marks]
        except SoundplumbError:
            continue
        yield name, again


def shared_parallax(marks: Sequence[MeasuredMark]) -> FloatArray | None:
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


def offset_turns(marks: Sequence[MeasuredMark], times: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """What the uncertain place of the microphone does to marks: turns that all share, and what is left of each mark.

    Parameters
    ----------
    marks : sequence of MeasuredMark
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
