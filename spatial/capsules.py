"""Raw signals of a tetrahedral microphone: four capsules close together, and the field they measure.

Conventions: spatial.conventions (axes, field). A capsule is named by where it points: front or back, left or right, up
or down, as "FLU".
Functions: Capsules (what the microphone is like); capsule_directions, field_matrix, corrected_field.
Sources:
[1] M. Gerzon 1975, "The Design of Precisely Coincident Microphone Arrays for Stereo and Surround Sound", AES 50th
    Convention, L-20: the filters that undo the capsules' distance from the centre (values from memory; the tests
    derive them again from the diffuse field).
[2] The sum and difference matrix of the four capsules, as at martinjaroszewicz.com/spatial_audio/S9.html.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from spatial.errors import InputError

FIRST_ARRANGEMENT = ("FLU", "FRD", "BLD", "BRU")
SECOND_ARRANGEMENT = ("FRU", "FLD", "BRD", "BLU")
"""The two ways four capsules can sit in the corners of a cube; one is the other upside down or turned by 90 degrees."""

CORRECTION_REACH = 64
"""Samples on either side that the correction looks at."""

LEAST_RADIUS_M, MOST_RADIUS_M = 0.002, 0.05
"""Distance of the capsules from the centre that is believed, both included: 2 mm to 5 cm. Others are in another unit
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Capsules:
    """A tetrahedral microphone whose capsules were recorded as they are.

    Raises
    ------
    InputError
        Four capsules that are no tetrahedron, or a number out of range.
    """

    order: tuple[str, ...] = FIRST_ARRANGEMENT
    """Which capsule each of the four channels is."""
    omni_part: float = 0.5
    """Pattern of a capsule, a + (1 - a) cos: 0.5 is a cardioid, more is wider."""
    radius_m: float = 0.0147
    """From the centre to a capsule; the default is a usual size (common practice, no source)."""
    corrected: bool = False
    """Whether what the distance between the capsules does to high notes is undone ([1]); made for cardioids."""

    def __post_init__(self) -> None:
        if sorted(self.order) not in (sorted(FIRST_ARRANGEMENT), sorted(SECOND_ARRANGEMENT)):
            raise InputError(
                f"capsules {','.join(self.order)} are no tetrahedron; name {','.join(FIRST_ARRANGEMENT)} or "
                f"{','.join(SECOND_ARRANGEMENT)}, in the order of the channels"
            )
        if not 0.1 <= self.omni_part <= 0.9:
            raise InputError(
                f"a capsule's omni part lies between 0.1 and 0.9 (0.5 is a cardioid), not {self.omni_part}"
            )
        if not LEAST_RADIUS_M <= self.radius_m <= MOST_RADIUS_M:
            raise InputError(
                f"capsules sit {LEAST_RADIUS_M * 1e3:g} to {MOST_RADIUS_M * 1e3:g} mm from the centre, not "
                f"{self.radius_m * 1e3:g} mm"
            )

    @property
    def value(self) -> str:
        """Name of this format, as of any other."""
        return "aformat"

    @property
    def limit_hz(self) -> float:
        """Above this the capsules are more than half a wavelength apart and directions are no longer measured rightly.

        At a third of it single waves come out 2 degrees wrong in the median, at the limit 13 (cardioids, plain matrix;
        measured in the tests).

        Examples
        --------
        >>> round(Capsules(radius_m=0.0147).limit_hz)
        7149
        """
        # The edge of a tetrahedron is sqrt(8/3) times the distance from its centre to a corner.
        return float(SPEED_OF_SOUND_M_S / (2.0 * np.sqrt(8.0 / 3.0) * self.radius_m))


def capsule_directions(capsules: Capsules) -> FloatArray:
    """Unit vectors the capsules point to, shape (4, 3): x front, y left, z up.

    Examples
    --------
    >>> (capsule_directions(Capsules()) * 3**0.5).round().astype(int).tolist()
    [[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]
    """
    signs = [[1.0 if letter in "FLU" else -1.0 for letter in label] for label in capsules.order]
    return np.asarray(np.array(signs) / np.sqrt(3.0))


def field_matrix(capsules: Capsules) -> FloatArray:
    """Turns the four channels into W, Y, Z, X in SN3D, shape (4, 4) ([2]).

    Exact where all capsules sit in one point, and so for wavelengths long against the microphone.
    """
    front_left_up = capsule_directions(capsules).T * np.sqrt(3.0)
    omni = np.ones((1, 4)) / (4.0 * capsules.omni_part)
    figures = front_left_up[[1, 2, 0]] * np.sqrt(3.0) / (4.0 * (1.0 - capsules.omni_part))
    return np.concatenate([omni, figures])


def corrected_field(field: FloatArray, capsules: Capsules, rate_hz: int) -> FloatArray:
    """Undo what the capsules' distance from the centre does to the level of a field made with field_matrix ([1]).

    It mends the colour of what comes from all around, not directions: what aliases between the capsules stays.

    Parameters
    ----------
    field : ndarray, shape (n, samples + 2 * CORRECTION_REACH)
        The first n of W, Y, Z, X.
    capsules : Capsules
    rate_hz : int

    Returns
    -------
    ndarray, shape (n, samples), float32
    """
    from scipy.signal import oaconvolve

    omni, figures = correction_taps(capsules, rate_hz)
    taps = np.stack([omni, figures, figures, figures])[: len(field)]
    return np.asarray(oaconvolve(field, taps, mode="valid", axes=1), dtype=np.float32)


def correction_taps(capsules: Capsules, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Filters for W and for X, Y, Z, each of 2 * CORRECTION_REACH + 1 taps around time 0.

    Gain 1 at low frequencies: [1]'s sqrt(6) belongs to its own normalisation, ours is in field_matrix. Above limit_hz
    the gains stay what they are there. Matrix and filters together put the sound early by the travel from the centre
    to a capsule; that time is taken out, so that the field is timed at the centre.
    """
    size = 8 * (2 * CORRECTION_REACH)
    frequencies_hz = np.minimum(np.fft.rfftfreq(size, 1.0 / rate_hz), capsules.limit_hz)
    reach = 2.0 * np.pi * frequencies_hz * capsules.radius_m / SPEED_OF_SOUND_M_S
    common = np.exp(-1j * reach) / (1.0 + 1j * reach / 3.0)
    omni = common * (1.0 + 1j * reach - reach**2 / 3.0)
    figures = common * (1.0 + 1j * reach / 3.0 - reach**2 / 3.0)
    middle = np.arange(-CORRECTION_REACH, CORRECTION_REACH + 1)
    taper = np.hanning(len(middle) + 2)[1:-1]
    taps = [np.fft.irfft(response, size)[middle] * taper for response in (omni, figures)]
    return taps[0], taps[1]
