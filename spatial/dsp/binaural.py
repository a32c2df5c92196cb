"""A first-order field for headphones: two ears on a rigid sphere, and a head that turns.

Goal: anyone with headphones hears whether a performer stays where they are seen when the head turns.
Conventions: spatial.conventions (axes, field).
Functions: sphere_response (pressure on a rigid sphere); FilteredField (a field, filtered once, for any turn);
headphones (both ears of a head that is turned); Limiter (no sample over full scale).
Notes: the field plays from eight loudspeakers far away at the corners of a cube around the head. Left ear and right
ear mirror each other, so that W, X and Z reach both alike and Y with opposite signs: the field is filtered once, and a
turn of the head is a mix of what was filtered. The ears lie straight left and right: such a head hears no difference
between front and back, nor up and down, until it turns. A real head has outer ears, and does.
Sources:
[1] Duda and Martens 1998, JASA 104(5) 3048-3058: response of a rigid sphere (form from memory; values checked).
[2] Gerzon 1992, "General metatheory of auditory localisation", AES 92nd Convention: below about 700 Hz velocity, above
it energy decides where a sound is heard (from memory); for first order in three dimensions the energy vector is longest
with X, Y, Z down by 1 / sqrt(3).
"""

import numpy as np
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from spatial.conventions import SPEED_OF_SOUND_M_S, ComplexArray, FloatArray, W, X, Y, Z
from spatial.errors import InputError

HEAD_RADIUS_M = 0.0875
"""An average head (Duda and Martens 1998)."""

_TAPS = 512
"""Length of the head's filters, samples: 11 ms at 48 kHz, far more than the sphere's response lasts. More cost time and
add latency, fewer cut off the lowest frequencies."""

_CROSSOVER_HZ = 700.0
"""Where decoding turns from velocity to energy, Hz [2]."""

_ENERGY_GAIN = 1.0 / np.sqrt(3.0)
"""Gain of X, Y and Z above it, at which the energy vector is longest [2]."""

_CUBE = np.array([(x, y, z) for x in (1, -1) for y in (1, -1) for z in (1, -1)]) / np.sqrt(3.0)
"""Towards the loudspeakers, shape (8, 3)."""


def sphere_response(
    frequency_hz: FloatArray, angle_rad: FloatArray, *, radius_m: float = HEAD_RADIUS_M
) -> ComplexArray:
    """Pressure on a rigid sphere from a source at infinity, over that at its centre without the sphere ([1]).

    Parameters
    ----------
    frequency_hz : ndarray, shape (frequencies,)
    angle_rad : ndarray, shape (angles,)
        Between the place on the sphere and the source, seen from the centre.
    radius_m : float

    Returns
    -------
    ndarray of complex, shape (angles, frequencies)
        Time goes as exp(+j omega t): a negative phase is a delay.
    """
    x = 2 * np.pi * np.asarray(frequency_hz, dtype=float) * radius_m / SPEED_OF_SOUND_M_S
    cosine = np.cos(np.asarray(angle_rad, dtype=float))
    result = np.zeros((cosine.size, x.size), dtype=complex)
    moving = x > 1e-3
    most = int(np.ceil(1.5 * np.max(x, initial=0.0))) + 12
    for order in range(most):
        # High orders of small x overflow: what they add is then 0.
        with np.errstate(over="ignore", invalid="ignore"):
            slope = spherical_jn(order, x[moving], True) + 1j * spherical_yn(order, x[moving], True)
            term = np.where(np.isfinite(slope), 1j / (x[moving] ** 2 * slope), 0.0)
        weight = (2 * order + 1) * (-1j) ** order * eval_legendre(order, cosine)
        result[:, moving] += weight[:, np.newaxis] * term
    result[:, ~moving] = 1.0
    return np.conj(result)


class FilteredField:
    """A stream of field that has gone through the head's filters once, ready for any turn of the head."""

    def __init__(self, rate_hz: int) -> None:
        omni, ahead, aside = head_filters(rate_hz)
        # W; then X, Y, Z each as if it lay ahead, and each as if it lay to the side.
        self._filters = np.stack([omni, *[ahead] * 3, *[aside] * 3])
        self._tail = np.zeros((7, _TAPS - 1))

    def push(self, field: FloatArray) -> FloatArray:
        """Filter a block.

        Parameters
        ----------
        field : ndarray, shape (4, samples)
            W, Y, Z, X in SN3D; half of _TAPS samples later it comes out.

        Returns
        -------
        ndarray, shape (7, samples)
            For `headphones`.
        """
        if field.ndim != 2 or field.shape[0] != 4:
            raise InputError(f"headphones need a field of shape (4, samples), got {field.shape}")
        count = field.shape[1]
        if count == 0:
            return np.zeros((7, 0))
        from scipy.signal import oaconvolve  # half a second to import: only who hears a head needs it

        long = oaconvolve(field[[W, X, Y, Z, X, Y, Z]].astype(float), self._filters, axes=1)
        long[:, : _TAPS - 1] += self._tail[:, : long.shape[1]]
        # A block shorter than the filter leaves part of the old tail for the next one.
        self._tail = long[:, count:]
        return np.asarray(long[:, :count])


LATENCY_SAMPLES = _TAPS // 2
"""How much later than the field the headphones' sound comes."""


def headphones(filtered: FloatArray, head_from_field: FloatArray) -> FloatArray:
    """Both ears.

    Parameters
    ----------
    filtered : ndarray, shape (7, samples)
        From FilteredField.
    head_from_field : ndarray, shape (3, 3)
        Turns directions of the field into the head's axes: for a head turned left by a, a turn by -a times the mount.

    Returns
    -------
    ndarray, shape (2, samples)
        Left and right.
    """
    both = filtered[0] + head_from_field[0] @ filtered[1:4]
    side = head_from_field[1] @ filtered[4:7]
    return np.stack([both + side, both - side])


def head_filters(rate_hz: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What W, X and Y become at the left ear: three filters, shape (_TAPS,) each. Z becomes nothing.

    Loudspeakers above and below the ears' height mirror each other, so that what Z adds above it takes below.
    """
    frequency = np.fft.rfftfreq(_TAPS, 1.0 / rate_hz)
    left_ear = np.array([0.0, 1.0, 0.0])
    response = sphere_response(frequency, np.arccos(np.clip(_CUBE @ left_ear, -1.0, 1.0)))
    # From velocity to energy ([2]), over two octaves.
    octaves = np.log2(np.maximum(frequency, 1.0) / _CROSSOVER_HZ)
    high = 0.5 - 0.5 * np.cos(np.pi * np.clip(octaves / 2 + 0.5, 0.0, 1.0))
    # First order at the cube's corners: (W + 3 g . d) / 8 recreates pressure and velocity in the middle.
    directional = 3.0 * (1.0 - high * (1.0 - _ENERGY_GAIN))
    # Eight loudspeakers whose sound adds by energy, not pressure, would be duller: the level is kept the same.
    level = np.sqrt((1.0 + 3.0) / (1.0 + directional**2 / 3.0))
    delay = np.exp(-2j * np.pi * frequency * LATENCY_SAMPLES / rate_hz)
    taper = np.hanning(_TAPS + 1)[:_TAPS] ** 0.25
    filters = []
    for gains in (level[np.newaxis], directional * level * _CUBE[:, [0]], directional * level * _CUBE[:, [1]]):
        spectrum = np.mean(gains * response, axis=0) * delay
        spectrum[-1] = spectrum[-1].real
        filters.append(np.fft.irfft(spectrum, _TAPS) * taper)
    return filters[0], filters[1], filters[2]


class Limiter:
    """Turns a stream down just where it would pass the ceiling, without a click: it looks ahead.

    For every sample the gain that it needs; the least of that over a window, then its mean over the same window, is
    nowhere more than any sample in reach needs.
    """

    def __init__(self, rate_hz: int, *, ceiling: float = 0.89, window_s: float = 0.02) -> None:
        self._ceiling = ceiling
        self._half = max(1, round(window_s * rate_hz / 2))
        self._held = np.zeros((2, 0))
        self._before = 0

    def push(self, block: FloatArray) -> FloatArray:
        """Give a block of shape (channels, samples); get what is ready, which is a window late."""
        self._held = np.concatenate([self._held, block], axis=1) if self._held.size else np.asarray(block, dtype=float)
        return self._ready(self._held.shape[1] - 2 * self._half)

    def finish(self) -> FloatArray:
        """The rest."""
        return self._ready(self._held.shape[1])

    def _ready(self, until: int) -> FloatArray:
        start = self._before
        if until <= start:
            return self._held[:, :0]
        peak = np.max(np.abs(self._held), axis=0)
        needed = np.minimum(1.0, self._ceiling / np.maximum(peak, 1e-12))
        size = 2 * self._half + 1
        gain = uniform_filter1d(minimum_filter1d(needed, size, mode="nearest"), size, mode="nearest")
        ready = self._held[:, start:until] * gain[start:until]
        drop = max(0, until - 2 * self._half)
        self._held, self._before = self._held[:, drop:], until - drop
        return np.asarray(ready)
