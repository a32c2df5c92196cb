"""The one statement of axes, angles, channel order and time. Every other docstring points here.

Axes
    Right-handed: x = front (through the lens), y = left, z = up.
    A source in front has the unit vector (1, 0, 0); one to the left (0, 1, 0).
    Pinned by ``tests/test_field.py::test_encoding_matches_the_published_table``.

Azimuth
    0 = front, positive to the LEFT (anticlockwise seen from above), range (-180, 180] degrees.
    Worked number: azimuth 30, elevation 0 is (0.8660254, 0.5, 0).

Elevation
    0 = horizon, positive UP, range [-90, 90] degrees.
    Worked number: azimuth 45, elevation 30 is (0.6123724, 0.6123724, 0.5).
    Sources for both: ITU-R BS.2076 (polar coordinates), AES69, and Nachbar, Zotter, Deleflie and
    Sontacchi 2011, "AmbiX - A Suggested Ambisonics Format".

Yaw, pitch, roll
    Yaw positive = to the left. Pitch positive = UP (minus the right-hand rotation about y).
    Roll positive = right side DOWN. Applied yaw, then pitch, then roll, about the moving axes (intrinsic).
    Pinned by ``tests/test_rotation.py::test_signs_in_words``.

Mount
    How the microphone sat, as one rotation ``picture_from_mic``: a direction measured in the microphone's
    axes, multiplied by it, is the direction in the picture's axes. The same matrix applied to (X, Y, Z)
    turns the recorded field to face the lens.
    Worked number: a microphone that faced 90 degrees left of the lens has yaw 90; a performer in front of
    the lens is at the microphone's azimuth -90, and -90 + 90 = 0.
    Pinned by ``tests/test_rotation.py::test_mount_turns_the_field_to_face_the_lens``.

Field
    Channels in ACN order (W, Y, Z, X), SN3D normalisation, float32, shape (channels, samples).
    A plane wave of signal s from the unit vector (x, y, z) is (s, y s, z s, x s).

Time
    Seconds. Clip time 0 is the first shown PICTURE frame; take time 0 is the take's first sample.
    ``take_time = clip_time * (1 + drift_ppm * 1e-6) + offset_s``.
    offset_s > 0: the take was already running when the picture started.
    drift_ppm > 0: the recorder's clock counts more seconds than the camera's.
    Worked number: offset 3.217 s, drift 50 ppm: clip time 100 s is take time 103.222 s.
    Pinned by ``tests/test_timebase.py::test_clock_law_worked_number``.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]
"""An array of real numbers."""

ComplexArray = npt.NDArray[np.complexfloating]
"""An array of complex numbers."""

W: Final = 0
"""ACN index of the omnidirectional channel."""

Y: Final = 1
"""ACN index of the left-right channel (positive left)."""

Z: Final = 2
"""ACN index of the up-down channel (positive up)."""

X: Final = 3
"""ACN index of the front-back channel (positive front)."""

FIRST_ORDER_CHANNELS: Final = 4
"""Channels of a first-order field."""

CHANNEL_NAMES: Final = ("W", "Y", "Z", "X")
"""Their names, in order."""

DELIVERY_RATE_HZ: Final = 48_000
"""Sample rate of every track we hand over: the rate of sound in movie files (common practice, no source)."""

SPEED_OF_SOUND_M_S: Final = 343.2
"""In air at 20 degrees Celsius, ISO 9613-1: 343.2 * sqrt(T / 293.15). It moves by 0.6 m/s per degree."""

SDS_OF_95: Final = 1.96
"""Standard deviations either side that hold 95 cases of 100 (Gaussian): "±" in words and plots. JSON has one."""

REGION_SDS_OF_95: Final = 2.448
"""Radius of the region that holds 95 directions of 100, whose two errors across are equal and independent, in standard
deviations of each (Rayleigh's law: the root of -2 ln 0.05)."""
