"""Scenes in which several performers sound at once, or one walks, with known truth.

Functions: make_crowd (two or three who stand), make_turns (some who take turns and come back), make_walk (one who walks
round the microphone).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.signal import fftconvolve

from demo_audio.rooms import HALF_KERNEL, image_sources, path_response
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from spatial.conventions import FloatArray
from spatial.field import angle_between, unit_vectors
from tests.scenes.rooms import in_noise
from tests.scenes.stage import RATE, plucked, recorded_words, speech

LENS_HEIGHT_M = 1.5
_WALK_BLOCK_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Crowd:
    """A field in the microphone's axes, and where who sounds when."""

    field: FloatArray
    rt60_s: float
    apart_deg: float
    """Least angle between two who sound at once."""
    speed_deg_s: float
    """Of a walk, positive to the left; 0 for who stands."""
    truth: FloatArray
    """Unit vectors, shape (performers, 3); for a walk (1, steps of 0.1 s, 3), at their middles."""
    spans_s: tuple[tuple[float, float], ...]
    """When each sounds."""


def _room(rng: np.random.Generator, rt60_s: tuple[float, float]) -> tuple[Room, Rig]:
    size = (rng.uniform(5.5, 9.0), rng.uniform(5.5, 9.0), rng.uniform(2.5, 3.8))
    middle = (size[0] / 2 + rng.uniform(-0.4, 0.4), size[1] / 2 + rng.uniform(-0.4, 0.4), LENS_HEIGHT_M)
    return Room(size, rng.uniform(*rt60_s)), Rig(middle, rng.uniform(-180, 180))


def _voice(rng: np.random.Generator, seconds: float) -> FloatArray:
    sound = speech(recorded_words(), seconds, rng) if rng.random() < 0.7 else plucked(seconds, rng)
    return sound * 0.05 / np.sqrt(np.mean(sound**2))


def make_crowd(
    seed: int, *, count: int = 2, apart_deg: tuple[float, float], rt60_s: tuple[float, float] = (0.3, 0.7)
) -> Crowd:
    """Performers who begin by turns, one second apart, and then sound together, about equally loud."""
    rng = np.random.default_rng(seed)
    room, rig = _room(rng, rt60_s)
    azimuth_deg, performers, spans, seen = rng.uniform(-180, 180), [], [], []
    apart, total_s = rng.uniform(*apart_deg), 7.0
    for number in range(count):
        elevation = rng.uniform(-10, 15)
        place = rig.place(rng.uniform(1.0, 2.2) * unit_vectors(np.radians(azimuth_deg), np.radians(elevation)))
        place = np.clip(place, 0.3, np.asarray(room.size_m) - 0.3)
        view = rig.picture_from_room @ (place - np.asarray(rig.lens_m))
        distance = float(np.linalg.norm(view))
        start = 0.5 + number
        spans.append((start, total_s - 0.5))
        sound = _voice(rng, total_s - 0.5 - start) * distance * 10 ** (rng.uniform(-2, 2) / 20)
        performers.append(Performer(f"p{number}", tuple(place.tolist()), sound, start))
        seen.append(view / distance)
        azimuth_deg += apart
    shoot = simulate_shoot(room, rig, performers, duration_s=total_s, rng=rng)
    field = in_noise(shoot, rig, rng.uniform(10.0, 25.0), rng).field.astype(np.float32)
    truth = np.stack(seen)
    angles = np.degrees(np.arccos(np.clip(truth @ truth.T, -1, 1)))[~np.eye(count, dtype=bool)]
    return Crowd(field, room.rt60_s, float(angles.min()) if count > 1 else 180.0, 0.0, truth, tuple(spans))


def make_turns(seed: int, *, count: int = 3, turns: int = 5, rt60_s: tuple[float, float] = (0.3, 0.7)) -> Crowd:
    """Performers who take turns, with rests as in a scene, and come back to their places; nobody sounds twice running.

    `truth` and `spans_s` have a row for each turn.
    """
    rng = np.random.default_rng(seed)
    room, rig = _room(rng, rt60_s)
    azimuths = rng.uniform(-180, 180) + np.cumsum(rng.uniform(25.0, 100.0, count))
    places = []
    for azimuth_deg in azimuths:
        way = unit_vectors(np.radians(azimuth_deg), np.radians(rng.uniform(-10, 15)))
        place = rig.place(rng.uniform(1.0, 2.2) * way)
        places.append(np.clip(place, 0.3, np.asarray(room.size_m) - 0.3))
    start, last, performers, spans, seen = 0.5, -1, [], [], []
    for number in range(turns):
        last = number if number < count else int(rng.choice([who for who in range(count) if who != last]))
        view = rig.picture_from_room @ (places[last] - np.asarray(rig.lens_m))
        distance, lasts_s = float(np.linalg.norm(view)), rng.uniform(1.2, 3.0)
        sound = _voice(rng, lasts_s) * distance * 10 ** (rng.uniform(-2, 2) / 20)
        performers.append(Performer(f"p{number}", tuple(places[last].tolist()), sound, start))
        spans.append((start, start + lasts_s))
        seen.append(view / distance)
        start += lasts_s + rng.uniform(0.2, 1.2)
    shoot = simulate_shoot(room, rig, performers, duration_s=start, rng=rng)
    field = in_noise(shoot, rig, rng.uniform(10.0, 25.0), rng).field.astype(np.float32)
    truth = np.stack(seen)
    least = min(angle_between(one, other) for one, other in pairwise(truth))
    return Crowd(field, room.rt60_s, float(np.degrees(least)), 0.0, truth, tuple(spans))


def make_walk(seed: int, *, speed_deg_s: tuple[float, float], rt60_s: tuple[float, float] = (0.3, 0.7)) -> Crowd:
    """One performer who walks round the microphone; each tenth of a second is heard over its own reflections."""
    rng = np.random.default_rng(seed)
    room, rig = _room(rng, rt60_s)
    total_s, distance = 7.0, rng.uniform(1.2, 2.2)
    speed, from_deg = rng.choice([-1, 1]) * rng.uniform(*speed_deg_s), rng.uniform(-180, 180)
    sound = _voice(rng, total_s - 0.5)
    hop = round(_WALK_BLOCK_S * RATE)
    taper = np.hanning(2 * hop + 1)[:-1]
    out, truth = np.zeros((4, round((total_s + 1.5) * RATE))), []
    for number in range(int(total_s / _WALK_BLOCK_S)):
        azimuth = np.radians(from_deg + speed * number * _WALK_BLOCK_S)
        middle = azimuth + np.radians(speed * _WALK_BLOCK_S / 2)
        place = rig.place(distance * unit_vectors(azimuth, 0.05))
        images = image_sources(room, tuple(place.tolist()), rig.lens_m, rng=np.random.default_rng(seed))
        seen = rig.picture_from_room @ (images.positions_m - np.asarray(rig.lens_m)).T
        far = np.linalg.norm(seen, axis=0)
        x, y, z = seen / far
        truth.append(unit_vectors(middle, float(np.arcsin(seen[2, 0] / far[0]))))
        first = (number - 1) * hop
        piece = sound[max(first, 0) : first + 2 * hop] * taper[max(-first, 0) :][: max(0, sound.size - max(first, 0))]
        if piece.size == 0:
            continue
        gains = images.gains * np.stack([np.ones_like(x), y, z, x])
        heard = fftconvolve(path_response(far, gains, images.late, shift=0.0), piece[np.newaxis], axes=1)
        begin = max(first, 0) + HALF_KERNEL
        end = min(begin + heard.shape[1], out.shape[1])
        out[:, begin:end] += heard[:, : end - begin]
    field = out[:, : round(total_s * RATE)]
    return Crowd(
        field.astype(np.float32), room.rt60_s, 180.0, float(speed), np.stack(truth)[np.newaxis], ((0.1, total_s - 0.6),)
    )
