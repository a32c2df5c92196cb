"""The picture's left in the recorder's axes, from the camera's two microphones.

Goal: the direction of the picture's left with its covariance, or why the camera's sound cannot measure it. The mount
that it gives is in spatial.mount.mount_from_left.
Method: direct sound from the unit vector u reaches the camera's first (left) microphone earlier than its second by s .
u / c, where s is the vector from the second to the first. Regressing arrival times on directions gives s in the
recorder's axes: its direction is the picture's left, its length the camera's spacing. A pair in one place has no
differences of time, but points left and right: there levels measure the axis (spatial.mount.stereo_levels). Where both
do, both count. Sound from one place only, or the same sound in both channels, leaves no axis.
Conventions: spatial.conventions (axes). Vectors in metres, in the RECORDER's axes.
Functions: estimate_left_axis.
Sources:
[1] Knapp and Carter 1976, IEEE TASSP 24(4): delay as the slope of the cross-spectrum's phase. [2] Huber 1981, Robust
Statistics: iteratively reweighted least squares.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from spatial.direction.doa import GROUP_S, Pulls, densest_direction, sphere_grid
from spatial.direction.microphone_error import ORDINARY, Microphone
from spatial.mount.prior import Hanging
from spatial.mount.stereo_levels import fit_levels
from spatial.mount.stereo_tdoa import SAME_PLACE_RAD, ScratchPairs

_KERNEL_RAD = np.radians(15.0)
"""Width of the kernel by which bins count towards a place's scatter. A larger one lets other sounds count, a smaller
one hides what strays."""

_KERNEL_GAIN = 1.5
"""Factor by which the step of a mean shift falls short of where it is going: the kernel has not yet seen what lies
there."""

_MOMENT_SD_RAD = np.radians(2.5)
"""Uncertainty of a direction from a moment or two, which cannot show its own scatter."""

SPACING_SD_M = 0.1
"""A camera's two microphones are about a hand apart (common practice, no source)."""

LEAST_SPACING_M = 0.04
"""Sound reaches microphones closer than this at about one time: what is left is error."""

ASIDE_UNKNOWN = 0.05
"""How far to the left or right of the camera the recorder may hang, over how far the performers stand: 10 cm and 2 m
(common practice, no source)."""

_MOST_PLACES = 8
"""Most places that are sought: it bounds the time."""

_LEAST_SHARE = 0.06
"""Least share of all that was measured that a place has. At less the rims of other places count."""

_ROOM_SD = 0.035
"""What reflections and the way from recorder to camera do to a place's arrival time, as a part of the spacing."""

_MOMENT_SD_S = 45e-6
"""What the delay of a place may be off that sounds for a moment only, one standard deviation, seconds: a moment cannot
show its own scatter."""

_PHASE_RAD = 0.6
"""Phases further from the fit than this lose their weight, as a Gaussian's standard deviation. A larger value lets
reflections pull, a smaller one loses bins before the fit has climbed near."""

_SLACK = 3.0
"""Standard deviations off the fit at which a place has a quarter of its weight left."""

_SHARED_ALL = 4e-3
"""Mean of 1 - cos(phase) below which both channels hold the same sound. It is chosen on development scenes: with more,
pairs in one place pass for mono; with less, coding makes mono pass for a pair."""

_FEWEST_BINS = 60
"""Fewest bins of direct sound that are fitted."""

_LEAST_AGREEMENT = 0.6
"""Mean cosine of what is left of the phases from which arrival times go with directions; 1 is a perfect fit. It is
chosen on development scenes: at less chance fits count as axes."""

_OPEN_M = 0.04
"""Second largest standard deviation of the spacing, metres, from which the axis is open: as large as the least
spacing."""

_GRID_BINS = 3000
"""Weightiest bins by which the start is sought: it bounds the time."""

_GRID_M = np.arange(0.01, 0.2, 0.01)
"""Spacings that are tried, metres: from 1 cm to 19 cm."""

_LEVELS_TELL = 10.0
"""Levels that go with directions only this much better than with none may do so by chance (twice the logarithm)."""

_LEAST_SIDE = 0.2
"""Pairs that point so little to the sides, over what they hear from all around, are leaks and chance; usual ones have
0.35 to 1, and seem no narrower than 0.28 by a codec."""

_ONE_WAY = 0.02
"""How likely another axis may be that fits the levels."""

_LEVELS_SD_RAD = np.radians(20.0)
"""Standard deviation by levels from which they leave open where left is: it is that of an angle that is no answer
(UNDETERMINED_RAD of spatial.mount.mark_fit)."""

_CONTRADICT = 3.5
"""Number of standard deviations apart from which levels and arrival times cannot both be right. At less pairs that are
not quite mirror images are accused."""

_UP_SD = 0.5
"""Levels of people who stand about as high do not measure how far the microphone leant to its side."""

_ONE_PLACE_M, _NEAR_M = 0.02, 0.06
"""Pairs closer than the first are called coincident, closer than the second nearly so."""


class AxisDoubt(StrEnum):
    """Why the camera's sound cannot distinguish left from right."""

    NOTHING_DIRECT = "nothing_direct"
    """Hardly any moment in which direct sound reaches both."""
    MONO = "mono"
    """Both channels hold the same sound."""
    TOO_CLOSE = "too_close"
    """Sound reaches both channels at one time and about equally loud, whatever its direction."""
    ONE_PLACE = "one_place"
    """All sound comes from about one direction: the axis may lie anywhere on a cone around it."""
    NO_AGREEMENT = "no_agreement"
    """Arrival times do not go with directions."""
    LEVELS_OPEN = "levels_open"
    """Sound reaches both channels at one time; its levels go with directions, but leave open where left is."""
    CONTRADICTION = "contradiction"
    """Arrival times give another left than levels."""


class PairKind(StrEnum):
    """How far apart the camera's two microphones are, to the left and right."""

    SPACED = "spaced"
    NEARLY = "near_coincident"
    COINCIDENT = "coincident"


@dataclass(frozen=True, slots=True)
class MeasuredPlace:
    """A place in the room that sounds came from."""

    direction: tuple[float, float, float]
    """Unit vector in the recorder's axes."""
    delay_s: float
    """How much earlier it reaches the camera's first microphone."""
    sd_s: float
    share: float
    """Its part of all that sounded."""
    agreement: float
    """How far its bins agree on the delay, at most 1."""
    counted: float
    """What it counted in the end, 0 to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class LeftAxis:
    """The picture's left, as arrival times and levels at the camera measure it by the recorder's directions."""

    spacing_m: FloatArray
    """By arrival times, from the camera's second microphone to its first, shape (3,); NaN where nothing is known."""
    axis: FloatArray
    """The picture's left, unit vector in the recorder's axes, shape (3,); meaningless where there is a `doubt`."""
    covariance: FloatArray
    """Of the axis, with the part along it (its length), shape (3, 3). Wide along what the directions measured leave
    open, and wider by what is unknown of the recorder's microphone."""
    places: tuple[MeasuredPlace, ...]
    agreement: float
    """How far all bins agree with one vector, at most 1."""
    inverted: bool
    """Whether one of the camera's channels is wired the wrong way round."""
    doubt: AxisDoubt | None
    kind: PairKind | None = None
    """None where there is a doubt."""
    by_times: bool = False
    by_levels: bool = False

    @property
    def axis_covariance(self) -> FloatArray:
        """Covariance of the axis, shape (3, 3), radians squared; 0 along the axis itself."""
        across = np.eye(3) - np.outer(self.axis, self.axis)
        return np.asarray(across @ self.covariance @ across)


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Places as arrays, one row each."""

    directions: FloatArray
    delays_s: FloatArray
    sd_s: FloatArray
    shares: FloatArray
    agreements: FloatArray


def estimate_left_axis(
    pairs: ScratchPairs,
    *,
    aside: float = ASIDE_UNKNOWN,
    hanging: Hanging | None = None,
    microphone: Microphone = ORDINARY,
) -> LeftAxis:
    """Fit the picture's left to directions, phases ([1], [2]) and levels.

    A vector is sought that all bins agree on; then each place in the room that sounds came from gets one direction
    and one delay, since what reflections do there does not average out, and the vector is fitted to the places.

    Parameters
    ----------
    pairs : ScratchPairs
    aside : float
        How far to the left or right of the camera the recorder may still be, over how far the performers stand, one
        standard deviation: it shifts all directions by about as much.
    hanging : Hanging, optional
        Which side of the recorder was up: levels alone mean a little less where it is not known.
    microphone : Microphone
        What is unknown of the recorder's: its errors of direction are the same all through, and no number of moments
        makes them smaller.

    Returns
    -------
    LeftAxis
        `doubt` says why there is none.
    """
    if pairs.times_s.size < _FEWEST_BINS or not pairs.paired.any():
        return _nothing(AxisDoubt.NOTHING_DIRECT)
    (start, agreement), (other, other_agreement) = _best_on_grid(pairs)
    inverted = other_agreement > max(agreement, _LEAST_AGREEMENT)
    if inverted:
        pairs = replace(pairs, phases_rad=pairs.phases_rad + np.pi)
        start, agreement = other, other_agreement
    spacing = _climbed(pairs, start)
    places = _places_of(pairs, spacing)
    if len(places.shares) == 0:
        return _nothing(AxisDoubt.NOTHING_DIRECT, agreement)
    spacing, covariance, counted, moved_m = _fitted(places, spacing, aside)
    rows = zip(
        places.directions.tolist(), places.delays_s, places.sd_s, places.shares, places.agreements, counted, strict=True
    )
    told = tuple(MeasuredPlace(tuple(direction), *map(float, rest)) for direction, *rest in rows)
    doubt = None
    if pairs.difference < _SHARED_ALL:
        doubt = AxisDoubt.MONO
    elif agreement < _LEAST_AGREEMENT:
        doubt = AxisDoubt.NO_AGREEMENT
    elif np.sqrt(np.linalg.eigvalsh(covariance)[1]) > _OPEN_M:
        # The way up may stay open, since everybody stands about as high; a second way open leaves no axis.
        doubt = AxisDoubt.ONE_PLACE
    elif np.linalg.norm(spacing) < LEAST_SPACING_M:
        doubt = AxisDoubt.TOO_CLOSE
    length = max(float(np.linalg.norm(spacing)), 1e-9)
    by_times = LeftAxis(
        spacing, spacing / length, covariance / length**2, told, agreement, inverted, doubt, _kind(spacing),
        by_times=doubt is None,
    )  # fmt: skip
    errors = microphone.covariance(places.directions, places.directions)
    levels = _levels_of(pairs, places.directions, hanging)
    return _with_levels(by_times, levels, aside, moved_m / length, errors)


def _kind(spacing_m: FloatArray) -> PairKind:
    # To the left and right: heights measure so little that the way up is mostly error.
    apart_m = float(np.linalg.norm(spacing_m[:2]))
    if apart_m < _ONE_PLACE_M:
        return PairKind.COINCIDENT
    return PairKind.NEARLY if apart_m < _NEAR_M else PairKind.SPACED


def _nothing(doubt: AxisDoubt, agreement: float = 0.0) -> LeftAxis:
    unknown = np.full(3, np.nan)
    return LeftAxis(unknown, unknown, np.full((3, 3), np.nan), (), agreement, False, doubt)


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """Azimuth of the picture's left in the recorder's axes, by levels, and its standard deviation."""

    turn_rad: float
    sd_rad: float
    doubt: AxisDoubt | None
    moved: FloatArray
    """How it moves with the direction of each place, shape (places, 3)."""


def _levels_of(pairs: ScratchPairs, directions: FloatArray, hanging: Hanging | None) -> _Levels:
    fits = [fit_levels(pairs, directions, way) for way in ([hanging] if hanging is not None else Hanging)]
    own = [fit for fit in fits if fit is not None and fit.varies > _LEVELS_TELL and fit.side > _LEAST_SIDE]
    if len(own) < len(fits):
        return _Levels(0.0, np.inf, AxisDoubt.TOO_CLOSE, np.zeros_like(directions))
    # Upright or upside down, the channels hold more from in front: that bends the fit a little, one way or the other.
    turns = np.array([fit.turn_rad for fit in own])
    mean = float(np.angle(np.mean(np.exp(1j * turns))))
    apart = np.angle(np.exp(1j * (turns - mean)))
    sd = float(np.sqrt(np.mean([fit.sd_rad**2 for fit in own]) + np.mean(apart**2)))
    open_ = sd > _LEVELS_SD_RAD or max(fit.elsewhere for fit in own) > _ONE_WAY
    moved = np.mean([fit.moved for fit in own], axis=0)
    return _Levels(mean, sd, AxisDoubt.LEVELS_OPEN if open_ else None, moved)


_TIMES_MEAN_NOTHING = (AxisDoubt.MONO, AxisDoubt.TOO_CLOSE)
"""Doubts of arrival times beside which levels may still measure the axis."""


def _with_levels(left: LeftAxis, levels: _Levels, aside: float, moved: FloatArray, errors: FloatArray) -> LeftAxis:
    """Arrival times and levels together; either alone where the other does not measure it.

    Parameters
    ----------
    left : LeftAxis
        By arrival times, as if the microphone were known.
    moved : ndarray, shape (3, places, 3)
        How that axis moves with the direction of each place.
    errors : ndarray, shape (places, places, 3, 3)
        Covariance of the directions' errors that the microphone makes.
    """
    no_times = left.doubt in _TIMES_MEAN_NOTHING
    if levels.doubt is not None or (left.doubt is not None and not no_times):
        doubt = levels.doubt if no_times and levels.doubt is AxisDoubt.LEVELS_OPEN else left.doubt
        wider = left.covariance + _spread(moved, errors)
        return replace(left, covariance=wider, doubt=doubt, kind=None if doubt else left.kind)
    if no_times or np.linalg.norm(left.spacing_m[:2]) < LEAST_SPACING_M:
        own = np.array([np.cos(levels.turn_rad), np.sin(levels.turn_rad), 0.0])
        across = np.array([-own[1], own[0], 0.0])
        covariance = _UP_SD**2 * (np.eye(3) - np.outer(across, across))
        covariance += (levels.sd_rad**2 + aside**2) * np.outer(across, across)
        covariance += _spread(across[:, np.newaxis, np.newaxis] * levels.moved, errors)
        return replace(left, axis=own, covariance=covariance, doubt=None, by_times=False, by_levels=True)
    turn = np.arctan2(left.axis[1], left.axis[0])
    across = np.array([-np.sin(turn), np.cos(turn), 0.0])
    apart = float(np.angle(np.exp(1j * (levels.turn_rad - turn))))
    # A recorder beside the camera shifts directions for both alike: what they share makes neither surer.
    before = float(across @ left.covariance @ across)
    times = max(before - aside**2, 1e-8)
    differently = levels.moved - np.einsum("i,ina->na", across, moved)
    by_microphone = float(_spread(differently[np.newaxis], errors)[0, 0])
    if abs(apart) > _CONTRADICT * np.sqrt(times + levels.sd_rad**2 + by_microphone):
        return replace(left, doubt=AxisDoubt.CONTRADICTION, kind=None)
    both = 1.0 / (1.0 / times + 1.0 / levels.sd_rad**2) + aside**2
    gain = left.covariance @ across / before
    share = times / (times + levels.sd_rad**2)
    axis = left.axis + gain * apart * share
    covariance = left.covariance - np.outer(gain, gain) * max(before - both, 0.0)
    covariance += _spread(moved + (gain * share)[:, np.newaxis, np.newaxis] * differently, errors)
    return replace(left, axis=axis / np.linalg.norm(axis), covariance=covariance, by_levels=True)


def _spread(moved: FloatArray, errors: FloatArray) -> FloatArray:
    """Covariance of what moves with directions so, shape (k, places, 3), for their errors; shape (k, k)."""
    return np.asarray(np.einsum("ina,nmab,jmb->ij", moved, errors, moved, optimize=True))


def _best_on_grid(pairs: ScratchPairs) -> list[tuple[FloatArray, float]]:
    """The vector of a grid on which the weightiest bins agree best, and how far they do.

    As the camera's channels are, and with one of them inverted, which turns every phase by half a circle.
    """
    chosen = np.argsort(-pairs.paired)[:_GRID_BINS]
    grid = sphere_grid().astype(np.float32)
    turns = (2 * np.pi / SPEED_OF_SOUND_M_S * pairs.frequencies_hz[chosen]).astype(np.float32)
    slopes = (grid @ pairs.directions[chosen].T.astype(np.float32)) * turns
    phases = pairs.phases_rad[chosen].astype(np.float32)
    say = (pairs.paired[chosen] / np.sum(pairs.paired[chosen])).astype(np.float32)
    heights = np.stack([np.cos(phases - np.float32(length) * slopes) @ say for length in _GRID_M])
    best = []
    for sign in (1, -1):
        row, column = np.unravel_index(int(np.argmax(sign * heights)), heights.shape)
        best.append((_GRID_M[row] * sphere_grid()[column], sign * float(heights[row, column])))
    return best


def _climbed(pairs: ScratchPairs, spacing: FloatArray) -> FloatArray:
    slopes = 2 * np.pi / SPEED_OF_SOUND_M_S * pairs.frequencies_hz[:, np.newaxis] * pairs.directions
    for _ in range(40):
        say, left = _say(pairs.paired, pairs.phases_rad - slopes @ spacing)
        normal = slopes.T @ (slopes * say[:, np.newaxis])
        step = np.linalg.solve(normal + 1e-3 * np.trace(normal) * np.eye(3), slopes.T @ (say * left))
        spacing = spacing + step
        if np.linalg.norm(step) < 1e-5:
            break
    return spacing


def _say(weights: FloatArray, phases_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What each bin counts, less the further its phase is off, and how far it is off, in (-pi, pi]."""
    left = np.angle(np.exp(1j * phases_rad))
    return weights * np.exp(-(left**2) / (2 * _PHASE_RAD**2)), np.asarray(left)


def _places_of(pairs: ScratchPairs, spacing: FloatArray) -> _Places:
    """The places that sounds came from, each with its direction, delay and what that is worth."""
    rows: list[tuple[FloatArray, float, float, float, float]] = []
    rest = np.ones(pairs.times_s.size, dtype=bool)
    whole = float(np.sum(pairs.heard))
    # What is left over of a place's rim may come up again: twice as many goes as places.
    for _ in range(2 * _MOST_PLACES):
        if np.sum(pairs.heard[rest]) < _LEAST_SHARE * whole or len(rows) == _MOST_PLACES:
            break
        direction = densest_direction(_pulls(pairs.directions[rest], pairs.heard[rest]))
        own = rest & (pairs.directions @ direction > np.cos(SAME_PLACE_RAD))
        if not own.any():
            break
        rest &= ~own
        share = float(np.sum(pairs.heard[own])) / whole
        if share >= _LEAST_SHARE and np.any(pairs.paired[own] > 0):
            rows.append((direction, *_delay(pairs, own, direction, spacing), share))
    return _Places(
        directions=np.array([row[0] for row in rows]).reshape(-1, 3),
        delays_s=np.array([row[1] for row in rows]),
        sd_s=np.array([row[2] for row in rows]),
        shares=np.array([row[4] for row in rows]),
        agreements=np.array([row[3] for row in rows]),
    )


def _delay(
    pairs: ScratchPairs, own: npt.NDArray[np.bool_], direction: FloatArray, spacing: FloatArray
) -> tuple[float, float, float]:
    """Delay of a place near the one expected, its standard deviation, and how far its bins agree."""
    weights, phases = pairs.paired[own], pairs.phases_rad[own]
    slopes = 2 * np.pi * pairs.frequencies_hz[own]
    delay = float(spacing @ direction) / SPEED_OF_SOUND_M_S
    for _ in range(20):
        say, left = _say(weights, phases - slopes * delay)
        step = float(np.sum(say * slopes * left)) / max(float(np.sum(say * slopes**2)), 1e-30)
        delay += step
        if abs(step) < 1e-8:
            break
    agreement = float(np.sum(weights * np.cos(left)) / np.sum(weights))
    groups = (pairs.times_s[own] / GROUP_S).astype(int)
    pulls, totals = np.bincount(groups, say * slopes * left), np.bincount(groups, say * slopes**2)
    whole = max(float(np.sum(totals)), 1e-30)
    moments = max(whole**2 / max(float(np.sum(totals**2)), 1e-30), 1.0)
    wander = _scatter_sd(pairs.directions[own], pairs.heard[own], groups, direction)
    size_s = float(np.linalg.norm(spacing)) / SPEED_OF_SOUND_M_S
    sd = np.sqrt(
        np.sum(pulls**2) / whole**2 + (_MOMENT_SD_S / moments) ** 2 + (wander * size_s) ** 2 + (_ROOM_SD * size_s) ** 2
    )
    return delay, float(sd / max(agreement, 0.05)), agreement


def _fitted(
    places: _Places, spacing: FloatArray, aside: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Vector, covariance and what each place counts: places that do not go with the others lose their weight.

    Last comes how the vector moves with each place's direction, shape (3, places, 3): where that is wrong by a small e,
    the delay expected there is wrong by the vector times e over the speed of sound.

    A recorder to one side of the camera has everybody further to the other: a delay that all places share.
    """
    slopes = np.column_stack([places.directions, np.ones(len(places.directions))]) / SPEED_OF_SOUND_M_S
    counted = np.ones(len(slopes))
    for _ in range(30):
        precision = counted / places.sd_s**2
        shared_m = max(aside * float(np.linalg.norm(spacing)), 1e-6)
        prior = np.diag([SPACING_SD_M**-2] * 3 + [shared_m**-2])
        normal = slopes.T @ (slopes * precision[:, np.newaxis]) + prior
        moved = np.linalg.solve(normal, slopes.T @ (precision * places.delays_s))
        left = (places.delays_s - slopes @ moved) / places.sd_s
        counted = 1.0 / (1.0 + (left / _SLACK) ** 2) ** 2
        done = np.linalg.norm(moved[:3] - spacing) < 1e-6
        spacing = moved[:3]
        if done:
            break
    covariance = np.linalg.inv(normal)
    told = (covariance @ (slopes.T * precision))[:3]
    moved = -told[:, :, np.newaxis] * spacing / SPEED_OF_SOUND_M_S
    return spacing, covariance[:3, :3], counted, moved


def _pulls(vectors: FloatArray, weights: FloatArray) -> Pulls:
    """Directions that no known reflection pulls."""
    return Pulls(vectors, np.zeros_like(vectors), weights)


def _scatter_sd(vectors: FloatArray, weights: FloatArray, groups: FloatArray, vector: FloatArray) -> float:
    """Standard deviation per axis across the direction, radians, from how far quarter seconds pull it to and fro.

    Each quarter second's pull is what it adds to the mean shift's next step; independent pulls add in squares. Few
    quarter seconds cannot tell their own scatter: what a moment may be wrong by is added, shrinking with their number.
    """
    say = weights * np.exp((vectors @ vector - 1.0) / _KERNEL_RAD**2)
    _, number = np.unique(groups, return_inverse=True)
    total = np.bincount(number, say)
    across = vectors - np.outer(vectors @ vector, vector)
    pulls = np.stack([np.bincount(number, say * part) for part in across.T])
    # A mean shift step falls short of where it is going: the kernel has not yet seen what lies there.
    moved = np.sum(pulls**2) / np.sum(total) ** 2
    independent = np.sum(total) ** 2 / np.sum(total**2)
    return float(np.sqrt(moved / 2 * _KERNEL_GAIN**2 + (_MOMENT_SD_RAD / independent) ** 2))
