"""Marks with known mounts for the mount benchmark: heard in simulated rooms, or drawn from models of what rooms do.

Functions: heard_in_room (marks of a simulated scene); drawn (marks with errors drawn from a model).
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from spatial.conventions import FloatArray
from spatial.direction.doa import MARK_FRAMES_S, span_direction
from spatial.direction.intensity import field_bins
from spatial.field import azimuth_elevation, unit_vectors
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.scenes.rooms import make_scene
from tests.scenes.stage import RATE

PLACED_RAD = np.radians(1.0)
"""How well a person places a mark on a mouth."""


@dataclass(frozen=True, slots=True, eq=False)
class MarkSet:
    """Marks of one clip, and the mount that is true."""

    kind: str
    expected: FloatArray
    """As marked, in picture axes, shape (marks, 3)."""
    measured: FloatArray
    """As heard, in the microphone's axes, shape (marks, 3)."""
    sd_rad: FloatArray
    mount: FloatArray
    """picture_from_mic, shape (3, 3)."""
    rt60_s: float = float("nan")


def heard_in_room(seed: int, *, real: bool = False) -> MarkSet:
    """Six marks, two for each of three performers, as the program hears them in a simulated room."""
    scene = make_scene(seed, rt60_s=(0.2, 0.8), diffuse_snr_db=(5.0, 25.0), turn_s=3.3, rounds=2, real=real)
    field = scene.shoot.field.astype(np.float32)
    bins = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    rng = np.random.default_rng((seed, 1))
    expected, measured, sd = [], [], []
    for number, start, end in scene.turns:
        heard = span_direction(bins, start, end)
        if heard.heard:
            view = scene.shoot.truth[number].from_mic
            expected.append(nudged(unit_vectors(view.azimuth_rad, view.elevation_rad), PLACED_RAD, rng))
            measured.append(heard.vector)
            sd.append(heard.sd_rad)
    shape = (len(sd), 3)
    return MarkSet(
        scene.kind,
        np.reshape(expected, shape),
        np.reshape(measured, shape),
        np.asarray(sd),
        matrix_from_ypr(scene.rig.mount),
        scene.room.rt60_s,
    )


def drawn(
    seed: int, *, marks: int = 4, tail: float | None = 5.0, spread_deg: float = 60.0, pulled: float = 0.8
) -> MarkSet:
    """Marks at random places of the picture, at least so far apart, heard with errors from a model.

    `tail` is the freedom of Student's law that the errors follow (None: normal), scaled so that each mark's stated
    95 % region holds 95 %: what is outside lies the farther out. `pulled` is the part of each error in elevation that
    all marks have in common, as floors and ceilings make it.
    """
    rng = np.random.default_rng((seed, marks, 2))
    while True:
        azimuth = np.radians(rng.uniform(-85, 85, marks))
        if np.ptp(azimuth) >= np.radians(spread_deg):
            break
    true = unit_vectors(azimuth, np.radians(rng.uniform(-20, 25, marks)))
    mount = matrix_from_ypr(
        YawPitchRoll.from_degrees(
            rng.uniform(-180, 180), rng.uniform(-15, 15), rng.choice([0, 180]) + rng.uniform(-15, 15)
        )
    )
    sd = np.radians(rng.uniform(1.0, 3.5, marks))
    scale = np.ones(marks)
    if tail is not None:
        # In two dimensions Student's law holds 1 - (1 + r^2 / tail)^(-tail / 2) within r.
        stated = np.sqrt(-2 * np.log(0.05) / (tail * (0.05 ** (-2 / tail) - 1)))
        scale = stated * np.sqrt(tail / rng.chisquare(tail, marks))
    common = rng.standard_normal()
    across = rng.standard_normal(marks)
    up = pulled * common + np.sqrt(1 - pulled**2) * rng.standard_normal(marks)
    azimuth, elevation = azimuth_elevation(true)
    heard = unit_vectors(azimuth + sd * scale * across / np.cos(elevation), elevation + sd * scale * up)
    measured = heard @ mount
    expected = np.stack([nudged(row, PLACED_RAD, rng) for row in true])
    return MarkSet("drawn", expected, measured, sd, mount)


def nudged(vector: FloatArray, sd_rad: float, rng: np.random.Generator) -> FloatArray:
    """A direction moved by a normal error of so much along either direction across it."""
    error = rng.standard_normal(3) * sd_rad
    error -= (error @ vector) * vector
    return np.asarray(Rotation.from_rotvec(np.cross(vector, error)).apply(vector))
