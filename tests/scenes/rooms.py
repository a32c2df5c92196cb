"""Varied scenes with known truth for the benchmarks: rooms, voices, instruments, claps, mounts, clocks, noise.

Seeds 1000 and up: none of them was looked at while thresholds were chosen.
"""

from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from demo_audio.boxes import power_while_sounding
from demo_audio.microphones import Microphone, draw_microphone, field_through, hiss
from demo_audio.simulate import Performer, Rig, Room, Shoot, simulate_shoot
from spatial.conventions import FloatArray, W
from spatial.rotation import YawPitchRoll
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.stage import RATE, claps, plucked, recorded_words, speech

Answer = TypeVar("Answer")
Task = TypeVar("Task")
KINDS = ("speech", "music", "claps", "reeds")


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One simulated scene."""

    seed: int
    kind: str
    room: Room
    rig: Rig
    shoot: Shoot
    snr_db: float
    """Of the performers over noise from all around."""
    turns: tuple[tuple[int, float, float], ...]
    """Performer, start and end of each turn, seconds of true time."""


def make_scene(
    seed: int,
    *,
    rt60_s: tuple[float, float],
    diffuse_snr_db: tuple[float, float],
    turn_s: float,
    rounds: int,
    real: bool = False,
) -> Scene:
    """Three performers who sound by turns around a rig somewhere in a room of its own.

    `real` gives the same scene to a real microphone, drawn from a generator of its own.
    """
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)]
    size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8))
    room = Room(size, rng.uniform(*rt60_s))
    lens = (size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.3, 1.6))
    offset = rng.uniform(-0.08, 0.08), rng.uniform(-0.08, 0.08), rng.choice([-1, 1]) * rng.uniform(0.1, 0.3)
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-10, 10), rng.choice([0, 180]) + rng.uniform(-8, 8)
    )
    rig = Rig(lens_m=lens, facing_azimuth_deg=rng.uniform(-180, 180), mic_offset_m=offset, mount=mount)
    words = recorded_words()
    total_s = 3 * rounds * turn_s + 2.0
    performers, turns = [], []
    for number, centre in enumerate((55.0, 0.0, -55.0)):
        azimuth = np.radians(centre + rng.uniform(-20, 20))
        elevation = np.radians(rng.uniform(-10, 15))
        distance = rng.uniform(1.0, 2.0 if min(size) < 5.5 else 3.0)
        out = distance * np.array(
            [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
        )
        place = np.clip(rig.place(out), 0.25, np.asarray(size) - 0.25)
        signal = np.zeros(round(total_s * RATE))
        for turn in range(rounds):
            start = 1.0 + (3 * turn + number) * turn_s
            sound = sound_of_kind(kind, turn_s - 0.3, words, rng)
            first = round(start * RATE)
            signal[first : first + sound.size] += sound
            turns.append((number, start, start + turn_s - 0.3))
        performers.append(Performer(f"p{number}", tuple(place.tolist()), signal))
    snr_db = rng.uniform(*diffuse_snr_db)
    microphone = real_microphone(seed) if real else None
    shoot = simulate_shoot(room, rig, performers, duration_s=total_s, rng=rng, microphone=microphone)
    shoot = in_noise(shoot, rig, snr_db, rng, microphone)
    return Scene(seed, kind, room, rig, shoot, snr_db, tuple(turns))


def real_microphone(seed: int) -> Microphone:
    """The real microphone of a scene: its draw moves nothing else in the scene."""
    return draw_microphone(np.random.default_rng((seed, 14)))


def through_real(field: FloatArray, seed: int) -> FloatArray:
    """A finished field as a scene's real microphone would have recorded it, as far as four channels can say."""
    microphone = real_microphone(seed)
    heard = field_through(microphone, field)
    return heard + hiss(microphone, heard, np.random.default_rng((seed, 15)))


def in_noise(
    shoot: Shoot, rig: Rig, snr_db: float, rng: np.random.Generator, microphone: Microphone | None = None
) -> Shoot:
    """A shoot with noise from all around added, so far below the power of the performers in W while they sound."""
    gain = np.sqrt(power_while_sounding(shoot.field[W], rate_hz=RATE) * 10 ** (-snr_db / 10))
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    if microphone is not None:
        at_mic = field_through(microphone, at_mic)
    return replace(shoot, field=shoot.field + gain * at_mic, scratch=shoot.scratch + gain * at_camera)


def sound_of_kind(kind: str, seconds: float, words: list[FloatArray], rng: np.random.Generator) -> FloatArray:
    if kind == "speech":
        return speech(words, seconds, rng)
    if kind == "reeds":
        return reeds(seconds, rng)
    return plucked(seconds, rng) if kind == "music" else claps(seconds, rng)


def reeds(seconds: float, rng: np.random.Generator) -> FloatArray:
    """A squeezed instrument: chords that swell over 30 to 150 ms, so that no onset runs ahead of its reflections."""
    out, place = np.zeros(round(seconds * RATE)), 0
    while place < out.size:
        length_s = rng.uniform(0.3, 1.0)
        time = np.arange(round(length_s * RATE)) / RATE
        swell = np.clip(time / rng.uniform(0.03, 0.15), 0, 1) * np.clip((length_s - time) / 0.06, 0, 1)
        note = np.zeros(time.size)
        for pitch_hz in 220.0 * 2 ** (rng.choice(20, 2, replace=False) / 12):
            partials = np.arange(1, int(6000 / pitch_hz) + 1)
            phases = rng.uniform(0, 2 * np.pi, (partials.size, 1))
            for reed_hz in (pitch_hz, pitch_hz * 1.004):
                note += np.sum(np.sin(2 * np.pi * reed_hz * np.outer(partials, time) + phases) / partials[:, None], 0)
        piece = (0.03 * np.sin(swell * np.pi / 2) ** 2 * note)[: out.size - place]
        out[place : place + piece.size] += piece
        place += round((length_s + rng.uniform(0.0, 0.15)) * RATE)
    return out


def on_both_cores(function: Callable[[Task], Answer], seeds: Iterable[Task]) -> list[Answer]:
    """Run over seeds on two processes, in order."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(function, seeds))


def rows_of(groups: dict[str, list[float]], *, form: str = ".2f") -> list[str]:
    """Markdown rows: group, count, median, 95 %, worst of absolute errors."""
    rows = []
    for name, errors in groups.items():
        size = np.abs(np.asarray(errors))
        if size.size:
            rows.append(
                f"| {name} | {size.size} | {np.median(size):{form}} | {np.percentile(size, 95):{form}} "
                f"| {size.max():{form}} |"
            )
    return rows
