"""Where the picture's left lies in the recorder's axes, from how loud each place is in the camera's two channels.

Goal: a pair that points left and right has sound from the left louder in its first channel, with no difference of
time at all where both sit in one place. Channels of first order are 1 + forward x + side y and 1 + forward x - side y
for sound from the unit vector (x, y, z) of the picture [1]: crossed capsules and a decoded middle and side are both of
this kind. Places that sound give contrasts, which are fitted by all axes in turn, with patterns and gains unknown. How
much hotter one channel is must be known apart from them, since an axis turned a little looks just like that: room and
noise, which come from all around, measure it, by the covariance in which the recorder has them.
Conventions: spatial.conventions (axes, mount). Contrasts as in spatial.mount.stereo_tdoa.
Functions: fit_levels.
Sources:
[1] Eargle 2004, The Microphone Book, 2nd ed., ch. on stereo pairs: patterns of first order and their sum and
difference (from memory). [2] Lange, Little and Taylor 1989, Journal of the American
Statistical Association 84(408): robust fits by Student's law (from memory).
"""

from dataclasses import dataclass, replace

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.doa import GROUP_S
from spatial.mount.prior import HANGING_SD_RAD, Hanging
from spatial.mount.stereo_tdoa import SAME_PLACE_RAD, ScratchPairs

_YAW_STEP_RAD = np.radians(5.0)
"""From one tried azimuth to the next, radians. A smaller step costs time, a larger one is coarse beside the hill over
which the mean is taken."""

_TAILS = 0.4
"""Contrasts further than this from their place's mean have less weight: reflections, and other sounds."""

_MOMENT_SD = 0.1
"""What the contrast of a place may be off that sounds for a moment only, one standard deviation: a moment cannot show
its own scatter."""

_PLACE_SD = 0.015
"""What reflections do to a place's contrast however long it sounds."""

_SHRUNK = 0.08
"""Reflections, noise and codecs that join the channels pull a contrast towards that of the room, by a part of it that
is not the same at all places; what all share is a narrower pair."""

_GAIN_SD = 0.025
"""How exactly room and noise measure the channels' gains: logarithm of the amplitude; _GAIN_SHARE_SD is the part of it
that is added. Chosen on development scenes: with less, an axis turned a little is called sure."""

_GAIN_SHARE_SD = 0.1
"""See _GAIN_SD."""

_UNDERSTATED = 1.15
"""Wind, handling and codecs put the same into both channels: gains are further apart than they seem, by this factor in
the mean of 48 scenes (tests/bench/unmarked.py, development seeds)."""

_JOINED = 1e-3
"""Part of a bin's power in which the channels differ, below which a codec has made them one."""

_ANY_GAIN_SD = 0.2
"""How far apart two channels' gains may be: 1.7 dB (common practice, no source)."""

_SIDE, _SIDE_MORE_SD, _SIDE_LESS_SD = np.log(0.55), 0.35, 0.7
"""Logarithm of the usual side part of a pair over what it records from all around, and how much more and less there may
be, one standard deviation each: less wide where a codec or the camera narrows its stereo."""

_FORWARD, _FORWARD_SD = 0.5, 0.25
"""Usual forward part and its standard deviation, likewise. Usual pairs are cardioids 60 to 130 degrees apart and middle
and side."""

_MODEL_SD_RAD = np.radians(2.0)
"""What pairs that are not quite mirror images, and patterns that change with frequency, do to the axis."""

_UNCHECKED = 2.0
"""Two places have no third that would show one of them wrong: their interval is wider by this factor."""

_FREEDOM = 5.0
"""Freedom of Student's law for a place's contrast [2]: places far off have less weight. More comes nearer to a
Gaussian, less lets two of three places be outliers."""

_ONE_HILL_RAD = np.radians(60.0)
"""Azimuths this close to the best one are on its hill; what lies beyond is another answer."""

_LEAST_SIDE = -4.0
"""Least logarithm of the side part that the fit may reach: below 2 % the pair points nowhere and the fit runs away."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelFit:
    """The picture's left by levels, for a microphone that hung one way up."""

    turn_rad: float
    """Azimuth of the picture's left about the RECORDER's z axis."""
    sd_rad: float
    """By levels alone: that the recorder hangs beside the camera is not in it."""
    elsewhere: float
    """How likely the left lies on another hill, 0 to 1."""
    varies: float
    """How much better than contrasts that do not go with directions: twice the logarithm of how likely they are."""
    side: float
    forward: float
    """The pattern of the pair, as parts of what it records from all around."""
    gain_db: float
    """How much hotter the second channel is."""
    moved: FloatArray
    """How the turn moves with the direction of each place, radians, shape (places, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    directions: FloatArray
    contrasts: FloatArray
    sd: FloatArray
    around: FloatArray
    around_log: FloatArray
    up: FloatArray


def fit_levels(pairs: ScratchPairs, directions: FloatArray, hanging: Hanging) -> LevelFit | None:
    """Fit the picture's left to the contrasts of places and to what comes from all around.

    Parameters
    ----------
    pairs : ScratchPairs
    directions : ndarray, shape (places, 3)
        Unit vectors, in the recorder's axes, of the places that sounds came from.
    hanging : Hanging
        Which side of the recorder was up.

    Returns
    -------
    LevelFit or None
        None where nothing came from all around, or from fewer than two places.
    """
    known = np.isfinite(pairs.around.louder_log)
    if len(directions) < 2 or not known.any():
        return None
    rows = np.array([_contrast(pairs, direction) for direction in directions])
    measured = _Measured(
        directions, rows[:, 0], rows[:, 1], pairs.around.field[known], pairs.around.louder_log[known],
        np.array([0.0, 0.0, 1.0 if hanging is Hanging.UPRIGHT else -1.0]),
    )  # fmt: skip
    turns = np.arange(-np.pi, np.pi - _YAW_STEP_RAD / 2, _YAW_STEP_RAD)
    found, costs = _fitted(measured, turns)
    say = np.exp((np.min(costs) - costs) / 2)
    say /= np.sum(say)
    best = int(np.argmin(costs))
    away = np.angle(np.exp(1j * (turns - turns[best])))
    hill = np.where(np.abs(away) <= _ONE_HILL_RAD, say, 0.0)
    mean = float(np.sum(hill * away) / np.sum(hill))
    spread = float(np.sqrt(np.sum(hill * (away - mean) ** 2) / np.sum(hill)))
    spread = float(np.hypot(spread * (_UNCHECKED if len(directions) < 3 else 1.0), _MODEL_SD_RAD))
    _, side, forward, gain = found[best]
    moved = _moved(measured, float(turns[best]), found[best])
    return LevelFit(
        float(np.angle(np.exp(1j * (turns[best] + mean)))), spread, float(1.0 - np.sum(hill)),
        _alike(measured) - float(np.min(costs)), float(np.exp(side)), float(forward), float(gain * 20 / np.log(10)),
        moved,
    )  # fmt: skip


def _moved(measured: _Measured, turn: float, unknown: FloatArray) -> FloatArray:
    """How the best turn moves with each place's direction: that of least squares, to first order."""
    step = 1e-4

    def residuals(change: FloatArray, directions: FloatArray = measured.directions) -> FloatArray:
        at = np.array([turn + change[0]]), (unknown + change[1:])[np.newaxis]
        return np.asarray(_residuals(replace(measured, directions=directions), *at)[0])

    here = residuals(np.zeros(5))
    slopes = np.stack([(residuals(each) - here) / step for each in step * np.eye(5)], axis=1)
    places = len(measured.directions)
    shifts = (step * np.eye(3 * places)).reshape(3 * places, places, 3)
    by_place = np.stack(
        [(residuals(np.zeros(5), measured.directions + shift) - here) / step for shift in shifts], axis=1
    )
    normal = slopes.T @ slopes
    moved = -np.linalg.solve(normal + 1e-6 * np.trace(normal) * np.eye(5), slopes.T @ by_place)
    return np.asarray(moved[0].reshape(places, 3))


def _contrast(pairs: ScratchPairs, direction: FloatArray) -> tuple[float, float]:
    """Contrast of a place and its standard deviation by how its quarter seconds differ."""
    own = (pairs.directions @ direction > np.cos(SAME_PLACE_RAD)) & (pairs.paired > 0)
    apart = own & (1.0 - np.sqrt(1.0 - pairs.contrasts**2) * np.cos(pairs.phases_rad) > _JOINED)
    own = apart if apart.any() else own
    weights, contrasts = pairs.paired[own], pairs.contrasts[own]
    mean = float(np.sum(weights * contrasts) / np.sum(weights))
    say = weights
    for _ in range(10):
        say = weights * np.exp(-(((contrasts - mean) / _TAILS) ** 2) / 2)
        mean = float(np.sum(say * contrasts) / np.sum(say))
    _, group = np.unique((pairs.times_s[own] / GROUP_S).astype(int), return_inverse=True)
    pulls, totals = np.bincount(group, say * (contrasts - mean)), np.bincount(group, say)
    whole = float(np.sum(totals))
    moments = whole**2 / float(np.sum(totals**2))
    return mean, float(np.sqrt(np.sum(pulls**2) / whole**2 + (_MOMENT_SD / moments) ** 2))


def _fitted(measured: _Measured, turns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The best tilt, side, forward and gain for each turn, by damped Newton steps, and what is left (chi squared)."""
    found = np.tile([0.0, _SIDE, _FORWARD, float(-np.median(measured.around_log))], (len(turns), 1))
    left = _residuals(measured, turns, found)
    costs, damping = np.sum(left**2, axis=1), np.full(len(turns), 1e-2)
    step = 1e-4
    for _ in range(25):
        slopes = np.stack(
            [(_residuals(measured, turns, found + each) - left) / step for each in step * np.eye(4)], axis=-1
        )
        normal = np.einsum("yni,ynj->yij", slopes, slopes)
        stiff = normal + damping[:, np.newaxis, np.newaxis] * np.eye(4) * np.einsum("yii->yi", normal)[:, np.newaxis]
        pull = np.einsum("yni,yn->yi", slopes, left)
        moved = found - np.clip(np.linalg.solve(stiff, pull[..., np.newaxis])[..., 0], -0.5, 0.5)
        moved[:, 1] = np.maximum(moved[:, 1], _LEAST_SIDE)
        again = _residuals(measured, turns, moved)
        better = np.sum(again**2, axis=1) < costs
        found[better], left[better] = moved[better], again[better]
        costs, damping = np.sum(left**2, axis=1), np.where(better, damping / 3, damping * 4)
    return found, costs


def _residuals(measured: _Measured, turns: FloatArray, unknown: FloatArray) -> FloatArray:
    """What is left of each place, of room and noise, and of what is known beforehand, shape (turns, rows)."""
    tilt, side, forward, gain = unknown.T
    to_left = np.stack([np.cos(turns) * np.cos(tilt), np.sin(turns) * np.cos(tilt), np.sin(tilt)], axis=1)
    ahead = np.cross(to_left, measured.up)
    ahead *= (forward / np.linalg.norm(ahead, axis=1))[:, np.newaxis]
    aside = np.exp(side)[:, np.newaxis] * to_left
    direct = [(1 + each @ measured.directions.T) ** 2 for each in (ahead + aside, ahead - aside)]
    contrasts = np.tanh(_log_ratio(*direct) - gain[:, np.newaxis])
    shrunk = _SHRUNK * (contrasts + np.tanh(gain)[:, np.newaxis])
    sd = np.sqrt(measured.sd**2 + _PLACE_SD**2 + shrunk**2)
    first, second = (np.column_stack([np.ones(len(turns)), ahead + sign * aside]) for sign in (1.0, -1.0))
    powers = [
        np.einsum("ybj,yj->yb", np.tensordot(each, measured.around, ([1], [1])), each) for each in (first, second)
    ]
    gains = _log_ratio(*powers) - measured.around_log
    middle = np.median(gains, axis=1)
    bands_sd = 1.48 * np.median(np.abs(gains - middle[:, np.newaxis]), axis=1) / np.sqrt(gains.shape[1])
    gain_sd = np.sqrt(_GAIN_SD**2 + (_GAIN_SHARE_SD * middle) ** 2 + bands_sd**2)
    known = np.stack(
        [
            (_UNDERSTATED * middle - gain) / gain_sd,
            tilt / HANGING_SD_RAD,
            (side - _SIDE) / np.where(side > _SIDE, _SIDE_MORE_SD, _SIDE_LESS_SD),
            (forward - _FORWARD) / _FORWARD_SD,
            gain / _ANY_GAIN_SD,
        ],
        axis=1,
    )
    return np.concatenate([_student((measured.contrasts - contrasts) / sd), _widths(sd), known], axis=1)


def _alike(measured: _Measured) -> float:
    """What is left of all places where one contrast, whatever it is, holds for them all."""
    sd = np.sqrt(measured.sd**2 + _PLACE_SD**2)
    steady = np.linspace(-1.0, 1.0, 401)[:, np.newaxis]
    left = np.concatenate(
        [_student((measured.contrasts - steady) / sd), np.tile(_widths(sd), (len(steady), 1))], axis=1
    )
    return float(np.min(np.sum(left**2, axis=1)))


def _log_ratio(first: FloatArray, second: FloatArray) -> FloatArray:
    return np.asarray(0.5 * np.log((first + 1e-6) / (second + 1e-6)))


def _student(left: FloatArray) -> FloatArray:
    """Residuals whose squares are twice the logarithm of Student's law ([2])."""
    return np.asarray(np.sign(left) * np.sqrt((_FREEDOM + 1) * np.log1p(left**2 / _FREEDOM)))


def _widths(sd: FloatArray) -> FloatArray:
    """A wider law is a lower one: as residuals, whose squares must not be negative."""
    return np.asarray(np.sqrt(2 * np.log(sd / _PLACE_SD)))
