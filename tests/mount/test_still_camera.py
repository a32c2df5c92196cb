"""Moves that the marks contradict are noticed, and true ones never: drawn shoots of two to six marks.

Directions are measured to 2 to 7 degrees, one in twenty marks is plainly wrong, the microphone sat anyhow.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from spatial.mount.still_camera import moves_contradicted


def shoot(rng, *, widest_deg, really_moved):
    """Marks of a shoot whose file says that the camera turned by up to so much between them."""
    count = int(rng.integers(2, 7))
    azimuth, elevation = rng.uniform(-1.4, 1.4, count), rng.uniform(-0.4, 0.4, count)
    level = np.cos(elevation)
    seen = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)], axis=1)
    yaw = rng.uniform(0, np.radians(widest_deg)) * rng.uniform(-1, 1, count)
    said = Rotation.from_euler("z", yaw[:, np.newaxis]).apply(seen)
    true = said if really_moved else seen
    sd = np.radians(rng.uniform(2, 7, count))
    noisy = true + sd[:, np.newaxis] * rng.normal(size=(count, 3))
    wrong = rng.uniform(size=count) < 0.05
    noisy[wrong] = rng.normal(size=(int(np.sum(wrong)), 3))
    heard = Rotation.random(random_state=rng).apply(noisy / np.linalg.norm(noisy, axis=1, keepdims=True))
    return said, seen, heard, sd, np.degrees(np.ptp(yaw))


@pytest.mark.slow
@pytest.mark.parametrize("widest_deg", [2.0, 10.0, 40.0, 120.0])
def test_true_moves_are_not_accused(rng, widest_deg):
    for _ in range(300):
        *drawn, _ = shoot(rng, widest_deg=widest_deg, really_moved=True)
        assert not moves_contradicted(*drawn)


def test_false_moves_are(rng):
    drawn = [shoot(rng, widest_deg=120.0, really_moved=False) for _ in range(600)]
    wide = [moves_contradicted(*one) for *one, turned_deg in drawn if turned_deg >= 60.0 and len(one[0]) >= 4]
    assert len(wide) > 100
    assert np.mean(wide) > 0.9


def test_one_mark_proves_nothing():
    one = np.array([[1.0, 0.0, 0.0]])
    assert not moves_contradicted(one, -one, one, np.array([0.01]))
