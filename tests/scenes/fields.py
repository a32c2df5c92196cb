"""A sound field for the tests of inspect: somebody talks, in bursts, from all sides, to a microphone with hiss.

Functions: talking_field (W, Y, Z, X); measured (what the detectors make of recorded channels).
"""

import numpy as np
from scipy.signal import butter, sosfilt

from spatial.conventions import FloatArray
from spatial.health.meter import Health, HealthMeter
from tests.scenes.stage import RATE

_VOICE = butter(4, (250.0, 4000.0), "bandpass", fs=RATE, output="sos")


def talking_field(
    rng: np.random.Generator, *, seconds: float = 4.0, level: float = 0.1, hiss: float = 1e-4, flat: bool = False
) -> FloatArray:
    """Bursts of a fifth of a second, each from a direction of its own (`flat`: in the horizontal plane)."""
    field = hiss * rng.standard_normal((4, round(seconds * RATE)))
    length = RATE // 5
    for start in range(RATE // 10, field.shape[1] - length, RATE // 4):
        x, y, z = rng.standard_normal(3) * (1.0, 1.0, 0.0 if flat else 1.0)
        x, y, z = np.array([x, y, z]) / np.sqrt(x * x + y * y + z * z)
        voice = sosfilt(_VOICE, rng.standard_normal(length))
        burst = level * rng.uniform(0.3, 1.0) * voice / np.std(voice) * np.hanning(length)
        field[:, start : start + length] += np.outer([1.0, y, z, x], burst)
    return field


def measured(
    recorded: FloatArray,
    *,
    matrix: FloatArray | None = None,
    bits: int = 24,
    rate_hz: int = RATE,
    block: int = 50_000,
) -> Health:
    """Code channels with so many bits and push them through the detectors in blocks."""
    full = 2.0 ** (bits - 1)
    coded = (np.clip(np.rint(np.asarray(recorded) * full), -full, full - 1) / full).astype(np.float32)
    meter = HealthMeter(
        rate_hz, coded.shape[1], step=1.0 / full, field_from_recorded=np.eye(4) if matrix is None else matrix
    )
    for start in range(0, coded.shape[1], block):
        meter.push(coded[:, start : start + block])
    return meter.finish()
