"""What a microphone makes of directions, learned from places whose direction is known.

Goal: unlike capsules and gains bend all directions of a microphone in one fixed way, which many known directions spread
over the sphere separate from how it was mounted, and from what a room does to each.
Conventions: spatial.conventions (mount); spatial.calibration (gains and leak).
Model: a wave from q (in the microphone's axes) is measured in the direction of `gains @ q + leak`. Logarithms of gains,
and the leak, have priors of their own; each band may differ a little from what all have in common. A floor pulls all
directions down alike, which is a leak in the room's axes and none of the microphone's: it has a parameter of its own.
Functions: learn_calibration; KnownDirections; refined (one calibration after another).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.calibration import Calibration, CalibrationBand
from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.field import angle_between
from spatial.rotation import rotation_from_vector

GAIN_SD, SHEAR_SD, LEAK_SD = 0.06, 0.02, 0.03
"""What is assumed of a microphone of which nothing is known: logarithms of its axes' gains, how far they lean against
each other, and what W leaves in each; one standard deviation (common practice, no source)."""

BANDS_HZ = ((300.0, 1000.0), (1000.0, 2500.0), (2500.0, 5000.0))
"""Bands that get a calibration of their own, Hz: together the trusted band (spatial.direction.intensity). More bands
leave each with fewer bins."""

_BANDS_DIFFER = 0.35
"""How far one band strays from what all have in common, as a part of the standard deviations above."""

_PULL_SD_RAD = np.radians(1.5)
"""How far a floor pulls all directions down together."""

FEWEST_PLACES = 6
"""Fewest known directions, two numbers each, from which a microphone's eight numbers are learned."""

_ONE_PLACE_RAD = np.radians(10.0)
"""Directions nearer to each other are one place: they share what the room does there."""

_OUTLIER = 2.5
"""Residuals beyond so many standard deviations count less."""

_HELPED = 0.9
"""The error of a direction that took no part must fall to this part of what it was."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownDirections:
    """Directions that are known, and what was measured of each in each band."""

    expected: FloatArray
    """Unit vectors in the picture's axes, shape (n, 3)."""
    measured: FloatArray
    """Unit vectors in the microphone's axes, shape (bands, n, 3); NaN where nothing was measured in that band."""
    sd_rad: FloatArray
    """One standard deviation, shape (bands, n); NaN likewise."""
    bands_hz: tuple[tuple[float, float], ...]

    def without(self, place: npt.NDArray[np.bool_]) -> "KnownDirections":
        """All but some."""
        kept = ~place
        return KnownDirections(self.expected[kept], self.measured[:, kept], self.sd_rad[:, kept], self.bands_hz)


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """A microphone, and whether knowing it helps."""

    calibration: Calibration
    picture_from_mic: FloatArray
    """Shape (3, 3)."""
    before_rad: FloatArray
    """For each direction, how far off it is when the others give the mount alone, shape (n,)."""
    after_rad: FloatArray
    """The same when the others give the microphone too."""
    places: int
    """How many places the directions stand for."""

    @property
    def rms_rad(self) -> tuple[float, float]:
        """Root mean square of `before_rad` and of `after_rad`."""
        before, after = (float(np.sqrt(np.nanmean(np.square(e)))) for e in (self.before_rad, self.after_rad))
        return before, after

    @property
    def helped(self) -> bool:
        """Whether directions that took no part became better."""
        before, after = self.rms_rad
        better = float(np.nanmean(self.after_rad < self.before_rad))
        return self.places >= FEWEST_PLACES and after <= _HELPED * before and better >= 0.5


def learn_calibration(
    known: KnownDirections, start: FloatArray, *, prior_covariance: FloatArray | None = None
) -> Learned:
    """Learn a microphone, and judge it by directions that took no part.

    Parameters
    ----------
    known : KnownDirections
        Without wrong ones.
    start : ndarray, shape (3, 3)
        picture_from_mic, to within 20 degrees or so.
    prior_covariance : ndarray, shape (9, 9), optional
        What was left open when this microphone was learned before.

    Returns
    -------
    Learned

    Raises
    ------
    InputError
        Too few directions.
    """
    places = place_numbers(known.expected)
    count = int(places.max()) + 1 if places.size else 0
    if count < 3:
        raise InputError(f"a microphone is learned from directions in three places or more, not {count}")
    prior = default_covariance() if prior_covariance is None else prior_covariance
    fitted = _fit(known, start, prior)
    before, after = np.full(len(places), np.nan), np.full(len(places), np.nan)
    for place in range(count):
        # Marks in one place share its reflections: they would vouch for each other.
        out = places == place
        rest = known.without(out)
        for errors, covariance in ((before, None), (after, prior)):
            # The turn of all of them is a start for most of them, and no more.
            errors[out] = _errors(known, out, _fit(rest, fitted.turn.T, covariance))
    return Learned(_calibration(fitted, known.bands_hz), fitted.turn.T, before, after, count)


def default_covariance() -> FloatArray:
    """Of log gains xx, yy, zz, xy, xz, yz and leak x, y, z of an unknown microphone, shape (9, 9)."""
    return np.diag(np.square([GAIN_SD] * 3 + [SHEAR_SD] * 3 + [LEAK_SD] * 3))


def place_numbers(expected: FloatArray) -> npt.NDArray[np.int_]:
    """Number of the place that each direction belongs to, shape (n,): those within 10 degrees of its first are one."""
    numbers = np.full(len(expected), -1)
    found: list[FloatArray] = []
    for row, direction in enumerate(expected):
        apart = [float(angle_between(direction, other)) for other in found]
        if apart and min(apart) < _ONE_PLACE_RAD:
            numbers[row] = int(np.argmin(apart))
        else:
            numbers[row] = len(found)
            found.append(direction)
    return numbers


def refined(known: Calibration, further: Calibration) -> Calibration:
    """One calibration for both: `further` was learned from a field that `known` had been taken out of.

    Raises
    ------
    InputError
        Their bands differ.
    """
    if [band.band_hz for band in known.bands] != [band.band_hz for band in further.bands]:
        raise InputError("the two calibrations of this microphone have other bands")
    bands = []
    for first, second in zip(known.bands, further.bands, strict=True):
        gains = np.array(first.gains) @ np.array(second.gains)
        leak = np.array(first.leak) + np.array(first.gains) @ np.array(second.leak)
        # The product of two that are nearly symmetric is so up to a turn, which belongs to the mount.
        values = np.linalg.svd(gains)
        straight = values.Vh.T @ np.diag(values.S) @ values.Vh
        bands.append(_band(first.band_hz, straight, leak))
    return Calibration(tuple(bands), further.covariance)


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    turn: FloatArray
    """mic_from_picture."""
    pull_rad: float
    common: FloatArray
    """Log gains and leak, shape (9,)."""
    bands: FloatArray
    """What each band differs by, shape (bands, 9)."""
    covariance: FloatArray
    """Of `common`."""


def _fit(known: KnownDirections, start: FloatArray, covariance: FloatArray | None) -> _Fitted:
    """The likeliest turn and microphone; the turn alone where no covariance is given."""
    count = len(known.bands_hz)
    learns = covariance is not None
    prior = default_covariance() if covariance is None else covariance
    whitening = np.linalg.inv(np.linalg.cholesky(prior + 1e-12 * np.eye(9)))
    bands, rows = np.nonzero(np.isfinite(known.sd_rad))
    measured, sd = known.measured[bands, rows], known.sd_rad[bands, rows]
    # Several marks of one place are one witness of what the room does there, in all bands.
    places = place_numbers(known.expected)[rows]
    weight = 1.0 / (sd * np.sqrt(np.bincount(places)[places]))
    base = start.T

    def residuals(p: FloatArray) -> FloatArray:
        turn = rotation_from_vector(p[:3]) @ base
        expected = _pulled(known.expected[rows], float(p[3])) @ turn.T
        found = expected
        if learns:
            found = np.zeros_like(expected)
            common, own = p[4:13], p[13:].reshape(count, 9)
            for band in range(count):
                here = bands == band
                found[here] = _seen(common + own[band], expected[here])
        across = found - np.sum(found * measured, axis=1, keepdims=True) * measured
        off = across * weight[:, np.newaxis]
        size = np.linalg.norm(off, axis=1, keepdims=True)
        # Huber's loss, on the length of each residual.
        shrink = np.where(
            size > _OUTLIER, np.sqrt(np.maximum(2 * _OUTLIER * size - _OUTLIER**2, 0)) / np.maximum(size, 1e-9), 1.0
        )
        parts = [(off * shrink).ravel(), [p[3] / _PULL_SD_RAD]]
        if learns:
            parts += [whitening @ common, (own @ whitening.T).ravel() / _BANDS_DIFFER, [100.0 * np.sum(common[:3])]]
        return np.concatenate(parts)

    size = 4 + (9 + 9 * count if learns else 0)
    from scipy.optimize import least_squares  # half a second to import: only learning needs it

    best = least_squares(residuals, np.zeros(size), method="trf", x_scale=0.02, ftol=1e-5, xtol=1e-5)
    p = np.asarray(best.x)
    turn = rotation_from_vector(p[:3]) @ base
    if not learns:
        return _Fitted(turn, float(p[3]), np.zeros(9), np.zeros((count, 9)), np.zeros((9, 9)))
    information = best.jac.T @ best.jac
    freedom = max(2 * len(np.unique(places)) - 3, 1)
    scatter = 2.0 * best.cost / freedom
    spread = np.linalg.inv(information) * max(1.0, scatter)
    return _Fitted(turn, float(p[3]), p[4:13], p[13:].reshape(count, 9), spread[4:13, 4:13])


def _errors(known: KnownDirections, rows: npt.NDArray[np.bool_], fitted: _Fitted) -> FloatArray:
    """How far off some directions are, all bands together, radians; NaN where none was measured."""
    total = np.zeros((int(np.sum(rows)), 3))
    for band in range(len(known.bands_hz)):
        log = fitted.common + fitted.bands[band]
        measured, sd = known.measured[band, rows], known.sd_rad[band, rows]
        heard = np.isfinite(sd)
        corrected = _through(_gains(-log), log[6:], measured[heard])
        total[heard] += corrected / sd[heard, np.newaxis] ** 2
    length = np.linalg.norm(total, axis=1, keepdims=True)
    expected = _pulled(known.expected[rows], fitted.pull_rad) @ fitted.turn.T
    with np.errstate(invalid="ignore"):
        return angle_between(np.where(length > 0, total / length, np.nan), expected)


def _seen(log: FloatArray, directions: FloatArray) -> FloatArray:
    made = directions @ _gains(log) + log[6:]
    return np.asarray(made / np.linalg.norm(made, axis=1, keepdims=True))


def _through(inverse: FloatArray, leak: FloatArray, measured: FloatArray) -> FloatArray:
    """Directions q with `length * measured = gains @ q + leak` and unit length."""
    along, back = measured @ inverse, leak @ inverse
    a, b, c = np.sum(along**2, axis=-1), along @ back, float(back @ back) - 1.0
    length = (b + np.sqrt(np.maximum(b**2 - a * c, 0.0))) / a
    found = length[:, np.newaxis] * along - back
    return np.asarray(found / np.linalg.norm(found, axis=-1, keepdims=True))


def _pulled(directions: FloatArray, angle_rad: float) -> FloatArray:
    """Directions pulled down by an angle: most level ones, none at the poles."""
    down = directions + np.array([0.0, 0.0, -np.tan(angle_rad)])
    return np.asarray(down / np.linalg.norm(down, axis=1, keepdims=True))


def _gains(log: FloatArray) -> FloatArray:
    """The symmetric matrix whose logarithm has xx, yy, zz, xy, xz, yz, to the third order: logs are small."""
    xx, yy, zz, xy, xz, yz = log[:6]
    log_gains = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    square = log_gains @ log_gains
    return np.asarray(np.eye(3) + log_gains + square / 2.0 + square @ log_gains / 6.0)


def _calibration(fitted: _Fitted, bands_hz: tuple[tuple[float, float], ...]) -> Calibration:
    bands = []
    for band_hz, own in zip(bands_hz, fitted.bands, strict=True):
        log = fitted.common + own
        bands.append(_band(band_hz, _gains(log), log[6:]))
    covariance = (fitted.covariance + fitted.covariance.T) / 2
    return Calibration(tuple(bands), tuple(tuple(float(v) for v in row) for row in covariance))


def _band(band_hz: tuple[float, float], gains: FloatArray, leak: FloatArray) -> CalibrationBand:
    gains = (gains + gains.T) / 2
    gains = gains / np.cbrt(np.linalg.det(gains))
    rows = tuple((float(row[0]), float(row[1]), float(row[2])) for row in gains)
    return CalibrationBand(band_hz, (rows[0], rows[1], rows[2]), (float(leak[0]), float(leak[1]), float(leak[2])))
