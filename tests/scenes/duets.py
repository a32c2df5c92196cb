"""Clips in which two performers sound at once in the marked moments, with known truth.

Functions: make_duets (one scene, together or each alone).
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np

from demo_audio.boxes import power_while_sounding
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from spatial.conventions import FloatArray, W
from spatial.field import angle_between, unit_vectors
from spatial.media.tables import Mark
from spatial.rotation import YawPitchRoll
from tests.scenes.mount import PLACED_RAD, nudged
from tests.scenes.rooms import in_noise
from tests.scenes.stage import RATE, plucked, recorded_words, speech

APART_DEG = 30.0
"""Least angle between any two performers."""
_SEEN_DEG = 88.0
"""How far to the side a picture of 180 degrees shows somebody."""


@dataclass(frozen=True, slots=True, eq=False)
class DuetScene:
    """One clip's field in the microphone's axes, its marks, and what is true."""

    kind: str
    rig: Rig
    rt60_s: float
    apart_deg: float
    """Least angle between two who sound at once."""
    level_db: float
    """Largest difference in level of two who sound at once, at the microphone."""
    positions: int
    field: FloatArray
    marks: tuple[Mark, ...]
    truth: FloatArray
    """Where each mark's performer is, seen from the microphone, in the picture's axes, shape (marks, 3)."""
    shared: tuple[bool, ...]
    """Whether somebody else sounds in most of a mark."""


def make_duets(
    seed: int,
    *,
    together: bool = True,
    half: bool | None = None,
    positions: int | None = None,
    turn_s: tuple[float, float] = (2.5, 3.5),
    silent: bool = False,
) -> DuetScene:
    """A scene with two to four performers and marks in which two of them sound at once.

    Parameters
    ----------
    seed : int
    together : bool
        False: the same people in the same places say the same, one after the other.
    half : bool, optional
        As many marks again of each alone; by the seed where it is not given.
    positions : int, optional
        How many performers; by the seed where it is not given.
    turn_s : (shortest, longest)
    silent : bool
        One of the marks names a performer who does not sound in it.
    """
    rng = np.random.default_rng(seed)
    kind = ("speech", "music", "both")[seed % 3]
    count = positions or 2 + (seed // 3) % 3
    alone_too = bool((seed // 9) % 2) if half is None else half
    size = (rng.uniform(5.0, 9.0), rng.uniform(5.0, 9.0), rng.uniform(2.5, 3.8))
    room = Room(size, rng.uniform(0.2, 0.7))
    lens = (size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.3, 1.6))
    offset = rng.uniform(-0.08, 0.08), rng.uniform(-0.08, 0.08), rng.choice([-1, 1]) * rng.uniform(0.1, 0.3)
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-10, 10), rng.choice([0, 180]) + rng.uniform(-8, 8)
    )
    rig = Rig(lens_m=lens, facing_azimuth_deg=rng.uniform(-180, 180), mic_offset_m=offset, mount=mount)
    out = _places(count, rng)
    places = [np.clip(rig.place(rng.uniform(1.0, 2.3) * way), 0.25, np.asarray(size) - 0.25) for way in out]
    level_db = rng.uniform(0.0, 10.0, 4)
    turns = _turns(count, alone_too, turn_s, rng)
    if not together:
        turns = [(start + 0.0, ((who, 0.0, length),)) for start, who, length in _one_by_one(turns)]
    total_s = turns[-1][0] + max(late + length for _, late, length in turns[-1][1]) + 1.5
    mic = rig.place(offset)
    signals = [np.zeros(round(total_s * RATE)) for _ in range(count)]
    marked: list[tuple[int, float, float, bool]] = []
    apart, levels = 180.0, [0.0]
    for number, (start, sounding) in enumerate(turns):
        louder = seed % 2 if len(sounding) > 1 else 0
        for place, (who, late, length) in enumerate(sounding):
            music = kind == "music" or (kind == "both" and who % 2 == 1)
            sound = _sound(music, length, (seed, who)).copy()
            far = float(np.linalg.norm(places[who] - mic))
            down = level_db[number % 4] if len(sounding) > 1 and place != louder else 0.0
            quiet = silent and number == 0 and place != louder
            sound *= 0.0 if quiet else 0.05 * far * 10 ** (-down / 20) / np.sqrt(np.mean(sound**2))
            first = round((start + late) * RATE)
            signals[who][first : first + sound.size] += sound[: signals[who].size - first]
            marked.append((who, start + late, start + late + length, len(sounding) > 1))
            levels.append(down)
        for (one, *_), (other, *_) in combinations(sounding, 2):
            apart = min(apart, float(np.degrees(angle_between(places[one] - mic, places[other] - mic))))
    performers = [Performer(f"p{who}", tuple(places[who].tolist()), signals[who]) for who in range(count)]
    shoot = in_noise(
        simulate_shoot(room, rig, performers, duration_s=total_s, rng=rng), rig, rng.uniform(10.0, 25.0), rng
    )
    field = shoot.field.astype(np.float32)
    field *= np.float32(0.05 / np.sqrt(power_while_sounding(field[W], rate_hz=RATE)))
    marks, truth = [], []
    for who, start, end, _ in marked:
        seen = shoot.truth[who]
        way = nudged(unit_vectors(seen.from_lens.azimuth_rad, seen.from_lens.elevation_rad), PLACED_RAD, rng)
        marks.append(
            Mark(
                f"p{who}",
                start,
                end,
                float(np.arctan2(way[1], way[0])),
                float(np.arcsin(way[2])),
                seen.from_lens.distance_m,
            )
        )
        truth.append(unit_vectors(seen.from_mic.azimuth_rad, seen.from_mic.elevation_rad))
    return DuetScene(
        kind,
        rig,
        room.rt60_s,
        apart,
        max(levels),
        count,
        field,
        tuple(marks),
        np.stack(truth),
        tuple(shared for *_, shared in marked),
    )


@lru_cache(16)
def _sound(music: bool, length_s: float, seed: tuple[int, int]) -> FloatArray:
    rng = np.random.default_rng((*seed, round(1000 * length_s)))
    return plucked(length_s, rng) if music else speech(recorded_words(), length_s, rng)


def _places(count: int, rng: np.random.Generator) -> FloatArray:
    """Directions at least APART_DEG from each other, shape (count, 3)."""
    while True:
        azimuth = np.radians(rng.uniform(-_SEEN_DEG, _SEEN_DEG, count))
        ways = unit_vectors(azimuth, np.radians(rng.uniform(-10, 15, count)))
        if all(angle_between(one, other) >= np.radians(APART_DEG) for one, other in combinations(ways, 2)):
            return ways


def _turns(
    count: int, alone_too: bool, turn_s: tuple[float, float], rng: np.random.Generator
) -> list[tuple[float, tuple[tuple[int, float, float], ...]]]:
    """Start of each turn, and who sounds in it, how late, for how long."""
    pairs = list(combinations(range(count), 2))
    if count == 4 and rng.random() < 0.5:
        pairs = [pairs[0], pairs[5]]
    pairs = [pairs[place] for place in rng.permutation(len(pairs))]
    pairs = (pairs * 3)[: 2 if alone_too or len(pairs) == 2 else 3]
    groups: list[tuple[int, ...]] = [tuple(rng.permutation(pair).tolist()) for pair in pairs]
    if alone_too:
        groups += [(who,) for who in rng.permutation(count).tolist()]
    turns, start = [], 1.0
    for group in groups:
        sounding = tuple((who, rng.uniform(0.0, 0.4), rng.uniform(*turn_s)) for who in group)
        turns.append((start, sounding))
        start += max(late + length for _, late, length in sounding) + 0.5
    return turns


def _one_by_one(
    turns: list[tuple[float, tuple[tuple[int, float, float], ...]]],
) -> list[tuple[float, int, float]]:
    start, alone = 1.0, []
    for _, sounding in turns:
        for who, _, length in sounding:
            alone.append((start, who, length))
            start += length + 0.5
    return alone
