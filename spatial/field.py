"""A sound field in the one internal form, and the conversions into it.

Conventions: spatial.conventions (axes, angles, field).
Functions: unit_vectors, azimuth_elevation, angle_between (angles and vectors); encode (a plane wave);
recorded_order; internal_from (other channel orders and gains, and raw capsules, into ours); rewire_field (channels
inverted or swapped, put right).
Sources:
[1] Nachbar, Zotter, Deleflie, Sontacchi 2011, "AmbiX - A Suggested Ambisonics Format": ACN order, SN3D.
[2] M. Leese, "File format for B-format": FuMa order W, X, Y, Z with W 3.01 dB down.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from spatial.calibration import Calibration, calibrated_field
from spatial.capsules import Capsules, field_matrix
from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray, X, Y, Z
from spatial.errors import InputError


class ChannelFormat(StrEnum):
    """How the channels of a recording are to be read."""

    AMBIX = "ambix"
    """ACN order (W, Y, Z, X), SN3D: the internal form."""
    N3D = "n3d"
    """ACN order, N3D: X, Y and Z are sqrt(3) larger than in SN3D."""
    FUMA = "fuma"
    """W, X, Y, Z, with W 3.01 dB down."""
    AUTO = "auto"
    """To be found out: by what the file declares, and by what the sound itself shows."""


PlainFormat = ChannelFormat | Capsules
"""How channels are to be read: as a field, or as the capsules of a microphone."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Channels to be read in some way, of a microphone that is known: its errors are taken out."""

    channel_format: PlainFormat
    calibration: Calibration
    name: str
    """Of the file that it was read from."""

    @property
    def value(self) -> str:
        """Name of the format beneath."""
        return self.channel_format.value

    @property
    def facts(self) -> dict[str, object]:
        """Numbers and strings that describe what is taken out."""
        return {
            "file": self.name,
            "bands": [
                {"hz": list(band.band_hz), "gains": [list(row) for row in band.gains], "leak": list(band.leak)}
                for band in self.calibration.bands
            ],
        }


ReadAs = PlainFormat | Calibrated
"""How the channels of a recording are to be read."""

_SQRT_THIRD = 1.0 / np.sqrt(3.0)

# For each format: which of its channels feeds W, Y, Z, X, and with which gain.
_ROUTES: dict[ChannelFormat, tuple[tuple[int, int, int, int], tuple[float, float, float, float]]] = {
    ChannelFormat.AMBIX: ((0, 1, 2, 3), (1.0, 1.0, 1.0, 1.0)),
    ChannelFormat.N3D: ((0, 1, 2, 3), (1.0, _SQRT_THIRD, _SQRT_THIRD, _SQRT_THIRD)),
    ChannelFormat.FUMA: ((0, 2, 3, 1), (np.sqrt(2.0), 1.0, 1.0, 1.0)),
}


def plain_format(channel_format: ReadAs) -> PlainFormat:
    """A format without what is known of the microphone."""
    return channel_format.channel_format if isinstance(channel_format, Calibrated) else channel_format


def recorded_order(channel_format: ReadAs, acn: Sequence[int]) -> tuple[int, int, int, int]:
    """File channels in the order that a format takes them, from those of W, Y, Z, X.

    Examples
    --------
    >>> recorded_order(ChannelFormat.FUMA, (2, 5, 3, 4))
    (2, 4, 5, 3)
    """
    plain = plain_format(channel_format)
    order = (0, 1, 2, 3) if isinstance(plain, Capsules) else _ROUTES[plain][0]
    places = [0] * FIRST_ORDER_CHANNELS
    for channel, place in zip(acn, order, strict=True):
        places[place] = channel
    return places[0], places[1], places[2], places[3]


def unit_vectors(azimuth_rad: FloatArray | float, elevation_rad: FloatArray | float) -> FloatArray:
    """Unit vectors towards given angles.

    Parameters
    ----------
    azimuth_rad, elevation_rad : array_like, broadcastable, radians
        As in spatial.conventions.

    Returns
    -------
    ndarray, shape (..., 3)
        x (front), y (left), z (up).

    Examples
    --------
    >>> unit_vectors(np.radians(30.0), 0.0).round(3).tolist()
    [0.866, 0.5, 0.0]
    """
    azimuth, elevation = np.broadcast_arrays(azimuth_rad, elevation_rad)
    level = np.cos(elevation)
    return np.stack([np.cos(azimuth) * level, np.sin(azimuth) * level, np.sin(elevation)], axis=-1)


def azimuth_elevation(vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Azimuth and elevation, in radians, of vectors of any length.

    Parameters
    ----------
    vectors : ndarray, shape (..., 3)
        x (front), y (left), z (up). The zero vector reads as straight ahead.

    Returns
    -------
    azimuth_rad, elevation_rad : ndarray, shape (...)

    Examples
    --------
    >>> azimuth, elevation = azimuth_elevation(np.array([0.0, -2.0, 0.0]))
    >>> float(np.degrees(azimuth)), float(elevation)
    (-90.0, 0.0)
    """
    x, y, z = np.moveaxis(np.asarray(vectors, dtype=float), -1, 0)
    azimuth = np.arctan2(y, x)
    # (-180, 180]: a negative zero in y must not turn "straight back" into -180.
    azimuth = np.where(azimuth <= -np.pi, np.pi, azimuth)
    return azimuth, np.arctan2(z, np.hypot(x, y))


def angle_between(first: FloatArray, second: FloatArray) -> FloatArray:
    """Angle between unit vectors, radians, exact also for very small angles.

    Parameters
    ----------
    first, second : ndarray, shape (..., 3)
        Unit vectors.

    Returns
    -------
    ndarray, shape (...)
        In [0, pi].
    """
    across = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.arctan2(across, np.sum(first * second, axis=-1)))


def encode(signal: FloatArray, azimuth_rad: float, elevation_rad: float) -> FloatArray:
    """Encode a plane wave as a first-order field ([1]).

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        What an omnidirectional microphone would hear.
    azimuth_rad, elevation_rad : float
        Where it comes from.

    Returns
    -------
    ndarray, shape (4, samples)
        W, Y, Z, X in SN3D.

    Examples
    --------
    >>> encode(np.ones(1), np.radians(30.0), 0.0).round(3).ravel().tolist()
    [1.0, 0.5, 0.0, 0.866]
    """
    x, y, z = unit_vectors(azimuth_rad, elevation_rad)
    return np.stack([signal, y * signal, z * signal, x * signal])


def internal_from(channels: FloatArray, channel_format: ReadAs, *, most: int | None = None) -> FloatArray:
    """Convert recorded channels into the internal form.

    Parameters
    ----------
    channels : ndarray, shape (4 or more, samples)
        As read from the file. Channels after the fourth belong to higher orders and are left out: in all
        formats the first four are the first-order part.
    channel_format : ReadAs
        How to read them. What needs the sound before and after is left to others: the correction of capsules to
        spatial.capsules.corrected_field, a calibration of several bands to spatial.calibration.calibrated_field.
    most : int, optional
        Only the first so many of W, Y, Z, X, which spares converting the others.

    Returns
    -------
    ndarray, shape (4 or `most`, samples), float32
        W, Y, Z, X in SN3D.

    Raises
    ------
    InputError
        Fewer than four channels, or a format that is yet to be found out.
    """
    if channel_format is ChannelFormat.AUTO:
        raise InputError("how the channels are to be read has not been found out yet; name a format")
    if isinstance(channel_format, Calibrated):
        calibration = channel_format.calibration
        if calibration.reach or most == 1:
            return internal_from(channels, channel_format.channel_format, most=most)
        return calibrated_field(internal_from(channels, channel_format.channel_format), calibration, 0)[:most]
    if channels.ndim != 2 or channels.shape[0] < FIRST_ORDER_CHANNELS:
        raise InputError(f"a first-order field needs 4 channels, got an array of shape {channels.shape}")
    if isinstance(channel_format, Capsules):
        matrix = field_matrix(channel_format)[:most].astype(np.float32)
        return np.asarray(matrix @ channels[:FIRST_ORDER_CHANNELS].astype(np.float32, copy=False))
    order, gains = _ROUTES[channel_format]
    if channel_format is ChannelFormat.AMBIX:
        return np.ascontiguousarray(channels[:FIRST_ORDER_CHANNELS][:most], dtype=np.float32)
    gain = np.asarray(gains[:most], dtype=np.float32)[:, np.newaxis]
    return np.asarray(channels[list(order[:most])], dtype=np.float32) * gain


def rewire_field(field: FloatArray, xyz_from_take: FloatArray) -> FloatArray:
    """Put X, Y, Z of a field right that were inverted or swapped. W is not touched.

    Parameters
    ----------
    field : ndarray, shape (4, samples)
        W, Y, Z, X.
    xyz_from_take : ndarray, shape (3, 3)
        Signed permutation: what X, Y and Z are in terms of what was recorded as X, Y, Z.

    Returns
    -------
    ndarray, shape (4, samples), same dtype as `field`
        Sample for sample the recorded values, or their negatives.

    Raises
    ------
    InputError
        Not a signed permutation.

    Examples
    --------
    >>> rewire_field(np.array([[1.0], [0.5], [0.0], [0.8]]), np.diag([1.0, -1.0, 1.0])).ravel().tolist()
    [1.0, -0.5, 0.0, 0.8]
    """
    wiring = np.asarray(xyz_from_take)
    if wiring.shape != (3, 3) or not np.array_equal(np.abs(wiring) @ np.abs(wiring).T, np.eye(3)):
        raise InputError("channels are put right by a signed permutation of X, Y and Z")
    sources = np.argmax(np.abs(wiring), axis=1)
    signs = wiring[np.arange(3), sources]
    rewired = field.copy()
    xyz = np.array([X, Y, Z])
    rewired[xyz] = field[xyz[sources]] * signs[:, np.newaxis].astype(field.dtype)
    return rewired
