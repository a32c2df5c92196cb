"""Simulated clap walks with known truth: rooms, talk and knocks between the claps, and every fault of channels.

Functions: make_walk; FAULTS (what can be wrong with a recorder's channels).
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from demo_audio.boxes import power_while_sounding
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from spatial.conventions import FloatArray, W
from spatial.field import azimuth_elevation
from spatial.mount.clap_walk import clap_direction
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.stage import RATE, recorded_words, speech

FAULTS: dict[str, FloatArray] = {
    "none": np.eye(3),
    "X inverted": np.diag([-1.0, 1.0, 1.0]),
    "Y inverted": np.diag([1.0, -1.0, 1.0]),
    "Z inverted": np.diag([1.0, 1.0, -1.0]),
    "W inverted": -np.eye(3),
    "X and Y swapped": np.eye(3)[[1, 0, 2]],
    "X and Z swapped": np.eye(3)[[2, 1, 0]],
    "Y and Z swapped": np.eye(3)[[0, 2, 1]],
}
"""Recorded (X, Y, Z) in terms of the true ones."""

RING = ("front", "left", "back", "right")


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """A recording of a clap walk on disk, and what is true of it."""

    take: Path
    names: tuple[str, ...]
    mount: FloatArray
    """picture_from_mic."""
    fault: str


def make_walk(
    seed: int,
    folder: Path,
    *,
    fault: str = "none",
    upside_down: bool = False,
    above: bool = True,
    left_out: str | None = None,
    doubled: str | None = None,
    talk: bool = True,
    facing_deg: float | None = None,
) -> Walk:
    """Somebody walks around the camera and claps, talking in between; knocks and noise as rooms have them."""
    rng = np.random.default_rng((seed, 7))
    size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.7, 3.8))
    room = Room(size, rng.uniform(0.25, 0.7))
    yaw = rng.choice([0.0, 90.0, -90.0, 180.0]) + rng.normal(0, 8) if facing_deg is None else facing_deg
    mount = YawPitchRoll.from_degrees(yaw, rng.normal(0, 3), (180.0 if upside_down else 0.0) + rng.normal(0, 3))
    lens = (size[0] / 2 + rng.uniform(-0.3, 0.3), size[1] / 2 + rng.uniform(-0.3, 0.3), rng.uniform(1.3, 1.6))
    rig = Rig(lens_m=lens, facing_azimuth_deg=rng.uniform(-180, 180), mic_offset_m=(0.0, 0.0, 0.0), mount=mount)
    names = (*RING, "above") if above else RING
    performers, place_s = [], 2.0
    for name in names:
        azimuth, elevation = azimuth_elevation(clap_direction(name))
        overhead = name == "above"
        distance = rng.uniform(0.5, 0.8) if overhead else rng.uniform(1.0, 1.8)
        azimuth += rng.normal(0, np.radians(5.0))
        elevation += rng.normal(0, np.radians(5.0))
        out = distance * np.array(
            [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
        )
        where = tuple(np.clip(rig.place(out), 0.2, np.asarray(size) - 0.2).tolist())
        if name != left_out:
            performers.append(Performer(name, where, _clap(rng), place_s))
        if name == doubled:
            performers.append(Performer(name, where, _clap(rng), place_s + rng.uniform(0.4, 1.5)))
        if talk:
            performers.append(Performer("talk", where, _talk(rng), place_s + rng.uniform(1.6, 2.2)))
            floor = (where[0], where[1], 0.05)
            performers.append(Performer("step", floor, _step(rng), place_s + rng.uniform(2.2, 3.5)))
        place_s += rng.uniform(4.5, 6.0)
    heard = simulate_shoot(room, rig, performers, duration_s=place_s + 1.0, rng=rng).field
    power = power_while_sounding(heard[W], rate_hz=RATE) * 10 ** (-rng.uniform(12.0, 30.0) / 10)
    heard = heard + np.sqrt(power) * fast_diffuse_noise(rig, heard.shape[1], rng=rng)[0]
    heard[[3, 1, 2]] = FAULTS[fault] @ heard[[3, 1, 2]]
    take = folder / f"walk-{seed}.wav"
    soundfile.write(take, (0.5 * heard / np.max(np.abs(heard))).T, RATE, subtype="PCM_24")
    return Walk(take, names, matrix_from_ypr(mount), fault)


def _clap(rng: np.random.Generator) -> FloatArray:
    time = np.arange(RATE // 20) / RATE
    burst = rng.standard_normal(time.size) * np.exp(-time / rng.uniform(0.002, 0.006))
    return np.asarray(rng.uniform(0.5, 1.0) * burst * np.minimum(1.0, time / 0.0005))


def _talk(rng: np.random.Generator) -> FloatArray:
    words = speech(recorded_words(), rng.uniform(0.8, 1.6), rng)
    return np.asarray(words * rng.uniform(0.1, 0.4) / max(float(np.max(np.abs(words))), 1e-9))


def _step(rng: np.random.Generator) -> FloatArray:
    time = np.arange(RATE // 10) / RATE
    thud = np.sin(2 * np.pi * rng.uniform(60, 120) * time) * np.exp(-time / 0.03)
    scuff = 0.1 * rng.standard_normal(time.size) * np.exp(-time / 0.01)
    return np.asarray(rng.uniform(0.1, 0.3) * (thud + scuff))
