"""Scenes that tell, or do not tell, where the microphone hung: marks with distances, and arrival times.

Seeds below 41040 were looked at while the judgement was made; reports use 41040 and up.
Functions: offset_scene (a simulated room, kept once made); drawn_offset_scene (direction errors from a model).
"""

import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from demo_audio.simulate import Performer, Rig, Room, record, simulate_shoot
from spatial.conventions import FloatArray
from spatial.direction.doa import MARK_FRAMES_S, span_direction
from spatial.direction.intensity import field_bins
from spatial.field import azimuth_elevation, unit_vectors
from spatial.picture import seen_from_microphone
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.sync.baseline import rig_of_length
from spatial.sync.envelope import WORKING_RATE_HZ
from tests.bench.sync import sync
from tests.scenes.rooms import KINDS, in_noise, real_microphone, sound_of_kind
from tests.scenes.stage import RATE, recorded_words

TURN_S, ROUNDS, EARLY_S = 3.0, 2, 0.7


@dataclass(frozen=True, slots=True, eq=False)
class OffsetScene:
    """What a clip tells of its rig, and the rig that is true."""

    seed: int
    kind: str
    seen: FloatArray
    """Where each marked performer is, from the lens, picture axes, shape (marks, 3)."""
    distances_m: FloatArray
    """True, from the lens, shape (marks,)."""
    measured: FloatArray
    """As heard, in the microphone's axes, shape (marks, 3)."""
    sd_rad: FloatArray
    mount: FloatArray
    """picture_from_mic, shape (3, 3)."""
    mic_offset_m: FloatArray
    """True: forward, left, up, shape (3,)."""
    arrival_m: FloatArray
    """The camera seen from the recorder, as arrival times tell it, in the microphone's axes, shape (3,)."""
    arrival_covariance_m2: FloatArray


def draw_rig(rng: np.random.Generator) -> tuple[FloatArray, YawPitchRoll]:
    """Where a recorder hangs and how: mostly below or above the lens, some beside or behind it."""
    side = rng.integers(4)
    if side < 2:
        offset = [rng.uniform(-0.1, 0.1), rng.uniform(-0.08, 0.08), rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.4)]
    elif side == 2:
        offset = [rng.uniform(-0.1, 0.1), rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.4), rng.uniform(-0.1, 0.1)]
    else:
        offset = [rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.3), *rng.uniform(-0.15, 0.15, 2)]
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-10, 10), rng.choice([0, 180]) + rng.uniform(-8, 8)
    )
    return np.array(offset), mount


def _make(seed: int, real: bool) -> OffsetScene:
    """Three to five performers at distances of their own, who sound by turns in a room."""
    rng = np.random.default_rng([seed, 7])
    kind = KINDS[int(rng.integers(len(KINDS)))]
    size = np.array([rng.uniform(5.0, 10.0), rng.uniform(5.0, 10.0), rng.uniform(2.5, 4.0)])
    room = Room(tuple(size.tolist()), rng.uniform(0.2, 0.7))
    lens = np.array([size[0] * rng.uniform(0.35, 0.65), size[1] * rng.uniform(0.35, 0.65), rng.uniform(1.2, 1.7)])
    offset, mount = draw_rig(rng)
    rig = Rig(tuple(lens.tolist()), rng.uniform(-180, 180), tuple(offset.tolist()), mount)
    count = int(rng.integers(3, 6))
    words = recorded_words()
    total_s = count * ROUNDS * TURN_S + 3.0
    performers, turns, seen, distances = [], [], [], []
    for number in range(count):
        while True:
            azimuth = np.radians(-70.0 + 140.0 * (number + 0.5 + rng.uniform(-0.4, 0.4)) / count)
            out = rng.uniform(1.0, 4.0) * unit_vectors(azimuth, np.radians(rng.uniform(-12, 15)))
            place = rig.place(out)
            if np.all(place > 0.25) and np.all(place < size - 0.25):
                break
        signal = np.zeros(round(total_s * RATE))
        for turn in range(ROUNDS):
            start = 1.0 + (count * turn + number) * TURN_S
            sound = sound_of_kind(kind, TURN_S - 0.3, words, rng)
            first = round(start * RATE)
            signal[first : first + sound.size] += sound
            turns.append((number, start, start + TURN_S - 0.3))
        performers.append(Performer(f"p{number}", tuple(place.tolist()), signal))
        distances.append(float(np.linalg.norm(out)))
        seen.append(out / distances[-1])
    microphone = real_microphone(seed) if real else None
    shoot = simulate_shoot(room, rig, performers, duration_s=total_s, rng=rng, microphone=microphone)
    shoot = in_noise(shoot, rig, rng.uniform(5.0, 25.0), rng, microphone)
    field = shoot.field.astype(np.float32)
    bins = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    rows = []
    for number, start, end in turns:
        heard = span_direction(bins, start, end)
        if heard.heard:
            rows.append((seen[number], distances[number], heard.vector, heard.sd_rad))
    clip, take = (
        record(sound, rate_hz=WORKING_RATE_HZ, start_s=begin, duration_s=total_s - 1.0, rng=rng, clock_ppm=ppm,
               noise_dbfs=-70.0)
        for sound, begin, ppm in (
            (shoot.scratch, EARLY_S, rng.uniform(-30, 30)),
            (shoot.field, 0.0, rng.uniform(-30, 30)),
        )
    )  # fmt: skip
    estimate = sync(clip, take.astype(np.float32), rig_of_length(float(np.linalg.norm(offset))))
    told = estimate.evidence if estimate.matched else None
    return OffsetScene(
        seed,
        kind,
        np.array([row[0] for row in rows]),
        np.array([row[1] for row in rows]),
        np.array([row[2] for row in rows]),
        np.array([row[3] for row in rows]),
        matrix_from_ypr(mount),
        offset,
        np.zeros(3) if told is None else told.arrival_m,
        np.diag(np.full(3, np.inf)) if told is None else told.arrival_covariance_m2,
    )


def offset_scene(seed: int, folder: Path | None = None, *, real: bool = False) -> OffsetScene:
    """A scene, made or taken from a folder where it was laid aside."""
    if folder is None:
        return _make(seed, real)
    path = folder / f"{seed}{'-real' if real else ''}.pickle"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(_make(seed, real)))
    scene = pickle.loads(path.read_bytes())
    assert isinstance(scene, OffsetScene)
    return scene


def drawn_offset_scene(seed: int, *, marks: int, near_m: float = 1.0, far_m: float = 4.0) -> OffsetScene:
    """Marks without a room: errors of direction from a model (as tests.scenes.mount.drawn), and no arrival times."""
    rng = np.random.default_rng([seed, marks, 8])
    offset, mount = draw_rig(rng)
    azimuth = np.radians(-70.0 + 140.0 * (np.arange(marks) + 0.5 + rng.uniform(-0.4, 0.4, marks)) / marks)
    seen = unit_vectors(azimuth, np.radians(rng.uniform(-12, 15, marks)))
    distances = rng.uniform(near_m, far_m, marks)
    true = np.stack([seen_from_microphone(s, d, offset) for s, d in zip(seen, distances, strict=True)])
    sd = np.radians(rng.uniform(0.7, 3.0, marks))
    # Student's errors, scaled to the same 95 % region, most of each in elevation shared by all.
    tail = 5.0
    scale = np.sqrt(-2 * np.log(0.05) / (tail * (0.05 ** (-2 / tail) - 1))) * np.sqrt(tail / rng.chisquare(tail, marks))
    up = 0.8 * rng.standard_normal() + 0.6 * rng.standard_normal(marks)
    azimuth, elevation = azimuth_elevation(true)
    heard = unit_vectors(
        azimuth + sd * scale * rng.standard_normal(marks) / np.cos(elevation), elevation + sd * scale * up
    )
    turn = matrix_from_ypr(mount)
    return OffsetScene(
        seed, "drawn", seen, distances, heard @ turn, sd, turn, offset, np.zeros(3), np.diag(np.full(3, np.inf))
    )
