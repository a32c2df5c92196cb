"""How a first-order microphone differs from an ideal one, and the field with that difference taken out.

Goal: capsules that are not alike, and gains that are not right, bend directions by several degrees. What is common to
every recording of one microphone is learned once and taken out of all of them.
Conventions: spatial.conventions (axes, field). For a plane wave from the unit vector q, with unit W, an ideal
microphone has X, Y, Z = q; a real one has `gains @ q + leak`: the symmetric matrix holds the gains of its axes and how
far they lean against each other, the leak is the part of W that unlike capsules leave in their differences. A turn of
all axes together is a part of the mount. What all three gains have in common turns no direction and cannot be learned
from directions: the determinant is 1.
Functions: Calibration (what is known, in CalibrationBand by band); calibration_taps, calibrated_field.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray, W, X, Y, Z
from spatial.errors import InputError

CALIBRATION_REACH = 96
"""Samples on either side that the filters look at: 2 ms at 48 kHz, which resolves bands down to some 300 Hz."""

_MOST_OFF = 0.6
"""No microphone that still resolves directions has axes or leaks so far off (common practice, no source)."""

Row = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class CalibrationBand:
    """What a microphone makes of plane waves in one band.

    Raises
    ------
    InputError
        Numbers that no microphone has.
    """

    band_hz: tuple[float, float]
    gains: tuple[Row, Row, Row]
    """Symmetric, in the order x, y, z; 1, 1, 1 on the diagonal for an ideal microphone."""
    leak: Row
    """What W leaves in X, Y and Z, as a part of W."""

    def __post_init__(self) -> None:
        gains, leak = np.array(self.gains), np.array(self.leak)
        low_hz, high_hz = self.band_hz
        if not (np.isfinite(gains).all() and np.isfinite(leak).all() and 0.0 <= low_hz < high_hz < np.inf):
            raise InputError(f"the band {low_hz:g} to {high_hz:g} Hz of a microphone holds numbers that are none")
        if np.max(np.abs(gains - np.eye(3))) > _MOST_OFF or np.max(np.abs(leak)) > _MOST_OFF:
            raise InputError(
                f"in the band {low_hz:g} to {high_hz:g} Hz the microphone would be off by more than {_MOST_OFF:g}, "
                "which no microphone is"
            )
        if np.max(np.abs(gains - gains.T)) > 1e-6:
            raise InputError(f"the gains in the band {low_hz:g} to {high_hz:g} Hz are not symmetric")

    @property
    def middle_hz(self) -> float:
        """The band's geometric middle."""
        low_hz, high_hz = max(self.band_hz[0], 20.0), self.band_hz[1]
        return float(np.sqrt(low_hz * high_hz))

    @property
    def undoing(self) -> FloatArray:
        """Turns recorded W, Y, Z, X into those of an ideal microphone, shape (4, 4)."""
        inverse = np.linalg.inv(np.array(self.gains))
        xyz = np.array([X, Y, Z])
        matrix = np.eye(FIRST_ORDER_CHANNELS)
        matrix[np.ix_(xyz, xyz)] = inverse
        matrix[xyz, W] = -inverse @ np.array(self.leak)
        return matrix


@dataclass(frozen=True, slots=True)
class Calibration:
    """What is known of one microphone.

    Raises
    ------
    InputError
        No band, or bands out of order; a covariance that is none.
    """

    bands: tuple[CalibrationBand, ...]
    """From low to high. Between their middles gains are interpolated, beyond them they stay."""
    covariance: tuple[tuple[float, ...], ...]
    """Of what is left of log gains xx, yy, zz, xy, xz, yz and leak x, y, z, alike in all bands, shape (9, 9)."""

    def __post_init__(self) -> None:
        middles = [band.middle_hz for band in self.bands]
        if not middles or sorted(set(middles)) != middles:
            raise InputError("a microphone needs at least one band, and bands go from low to high")
        covariance = np.array(self.covariance, dtype=float)
        if covariance.shape != (9, 9) or not np.isfinite(covariance).all():
            raise InputError("the covariance of a microphone has 9 rows of 9 numbers")
        if np.max(np.abs(covariance - covariance.T)) > 1e-9 or np.linalg.eigvalsh(covariance)[0] < -1e-9:
            raise InputError("the covariance of a microphone is not one: it is not symmetric, or not positive")

    @property
    def reach(self) -> int:
        """Samples on either side that are looked at: none where one matrix holds at all frequencies."""
        return CALIBRATION_REACH if len(self.bands) > 1 else 0


def calibrated_field(field: FloatArray, calibration: Calibration, rate_hz: int) -> FloatArray:
    """A recorded field as an ideal microphone would have recorded it.

    Parameters
    ----------
    field : ndarray, shape (4, samples + 2 * calibration.reach)
        W, Y, Z, X in SN3D.
    calibration : Calibration
    rate_hz : int

    Returns
    -------
    ndarray, shape (4, samples), float32

    Examples
    --------
    >>> flat = CalibrationBand((300.0, 5000.0), ((1.25, 0, 0), (0, 1, 0), (0, 0, 0.8)), (0.0, 0.1, 0.0))
    >>> known = Calibration((flat,), tuple(tuple(row) for row in np.zeros((9, 9)).tolist()))
    >>> recorded = np.array([[1.0], [0.1], [0.0], [1.25]])  # from in front
    >>> calibrated_field(recorded, known, 48_000).ravel().round(6).tolist()
    [1.0, 0.0, 0.0, 1.0]
    """
    if len(calibration.bands) == 1:
        return np.asarray(calibration.bands[0].undoing.astype(np.float32) @ np.asarray(field, dtype=np.float32))
    from scipy.signal import oaconvolve

    taps = calibration_taps(calibration, rate_hz)
    reach, samples = calibration.reach, field.shape[1] - 2 * calibration.reach
    if samples <= 0:
        return np.zeros((FIRST_ORDER_CHANNELS, 0), dtype=np.float32)
    out = np.empty((FIRST_ORDER_CHANNELS, samples), dtype=np.float32)
    out[W] = field[W, reach : reach + samples]
    for axis in (X, Y, Z):
        out[axis] = np.sum(oaconvolve(field, taps[axis], mode="valid", axes=1), axis=0)
    return out


@lru_cache(maxsize=8)
def calibration_taps(calibration: Calibration, rate_hz: int) -> FloatArray:
    """Filters that undo a microphone, shape (4 out, 4 in, 2 * CALIBRATION_REACH + 1), around time 0.

    They are symmetric in time, so nothing is made early or late.
    """
    size = 16 * CALIBRATION_REACH
    frequencies_hz = np.maximum(np.fft.rfftfreq(size, 1.0 / rate_hz), 1.0)
    middles = np.log([band.middle_hz for band in calibration.bands])
    undoing = np.stack([band.undoing for band in calibration.bands])
    wanted = np.empty((FIRST_ORDER_CHANNELS, FIRST_ORDER_CHANNELS, len(frequencies_hz)))
    for row, column in np.ndindex(FIRST_ORDER_CHANNELS, FIRST_ORDER_CHANNELS):
        wanted[row, column] = np.interp(np.log(frequencies_hz), middles, undoing[:, row, column])
    middle = np.arange(-CALIBRATION_REACH, CALIBRATION_REACH + 1)
    taps = np.fft.irfft(wanted, size, axis=2)[:, :, middle] * np.hanning(middle.size + 2)[1:-1]
    return np.asarray(taps)
