"""Sound recordings of many kinds, for the benchmark of `inspect`.

A scene is made of a room or open air, of what sounds in it, of a microphone (four cardioids that do not quite agree,
each with its own noise) and of a format.
Functions: make_scene. The file's samples, with a fault or without, are made by tests.scenes.health_faults.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve, lfilter

from demo_audio.rooms import Room, image_sources, path_response
from spatial.conventions import FloatArray
from tests.scenes.rooms import through_real
from tests.scenes.stage import RATE, claps, plucked, recorded_words, speech

SECONDS = 12.0
_SIDE = 1 / np.sqrt(3.0)
AIMS = _SIDE * np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
"""FLU, FRD, BLD, BRU (derived from their names): x, y, z."""

CAPSULES_FROM_FIELD = 0.5 * np.column_stack([np.ones(4), AIMS[:, 1], AIMS[:, 2], AIMS[:, 0]])
FIELD_FROM_CAPSULES = np.linalg.inv(CAPSULES_FROM_FIELD)
ROOT3 = np.sqrt(3.0)
FIELD_FROM = {
    "ambix": np.eye(4),
    "n3d": np.diag([1, 1 / ROOT3, 1 / ROOT3, 1 / ROOT3]),
    "fuma": np.array([[np.sqrt(2), 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1], [0, 1, 0, 0]]),
    "capsules": FIELD_FROM_CAPSULES,
}
"""Field (W, Y, Z, X in SN3D) from recorded channels, by published gains (Nachbar et al. 2011; FuMa W: -3 dB)."""

KINDS = (
    "speech", "music", "claps", "room tone", "padded", "quiet room", "bass", "outdoors", "on an axis", "horizontal",
    "organ", "close", "thunder", "faded", "sticks", "speech", "music", "moving",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One recording before it is coded."""

    seed: int
    kind: str
    recorded_format: str
    bits: int
    rate_hz: int
    field: FloatArray
    """What a perfect microphone hears, shape (4, samples), W, Y, Z, X; loud moments near 0.1 rms."""
    noise: FloatArray
    """The capsules' own, white at unit power with a rise below 120 Hz, shape (4, samples)."""
    peak_dbfs: float
    noise_db: float
    """Of one capsule, against full scale."""
    edit: Callable[[FloatArray, np.random.Generator], FloatArray] | None = None
    """What was done to the recorded channels, shape (4, samples), before they were coded for the last time."""
    dithered: bool = True

    @property
    def step(self) -> float:
        """Of the coding."""
        return 2.0 ** (1 - self.bits)


def make_scene(seed: int, *, real: bool = False) -> Scene:
    """A sound recording, by the ideal microphone or by a real one."""
    rng = np.random.default_rng((2026, seed))
    kind = KINDS[seed % len(KINDS)]
    field = _field(kind, rng)
    if real:
        field = through_real(field, seed)
    form = str(rng.choice(["ambix", "ambix", "fuma", "n3d", "capsules", "capsules"]))
    peak = rng.uniform(-24.0, -2.0)
    bits = int(rng.choice([16, 24, 24]))
    if kind == "claps":
        peak = rng.uniform(-3.0, -0.5)
    if kind == "quiet room":
        peak, bits = rng.uniform(-62.0, -45.0), 16
    if kind == "room tone":
        peak = rng.uniform(-60.0, -40.0)
    noise = rng.standard_normal(field.shape, dtype=np.float32)
    noise += lfilter([0.02], [1.0, -0.985], noise, axis=1)
    return Scene(seed, kind, form, bits, RATE, field, noise, peak, rng.uniform(-100.0, -82.0))


def _field(kind: str, rng: np.random.Generator) -> FloatArray:
    samples = round(SECONDS * RATE)
    if kind in ("outdoors", "on an axis", "horizontal", "close"):
        return _open_air(kind, samples, rng)
    if kind in ("room tone", "quiet room", "thunder"):
        diffuse = _diffuse(samples, rng, lowest_hz=25.0 if kind == "thunder" else 60.0)
        if kind != "thunder":
            return diffuse
        swell = 0.05 + np.interp(np.arange(samples), np.linspace(0, samples, 9), rng.uniform(0, 1, 9) ** 2)
        low = lfilter([0.004], [1.0, -0.996], diffuse, axis=1)
        return 3.0 * low / np.std(low[0]) * swell + _in_room([dry_sound("speech", rng)], rng)
    names = {"padded": "speech", "faded": "speech"}
    count = 1 if kind in ("bass", "organ") else int(rng.integers(2, 4))
    sounds = [dry_sound(names.get(kind, kind), rng, turn=turn, turns=count) for turn in range(count)]
    field = _in_room(sounds, rng)
    return field + 10 ** (-rng.uniform(25.0, 45.0) / 20) * np.std(field[0]) * _diffuse(samples, rng)


def dry_sound(
    kind: str, rng: np.random.Generator, *, turn: int = 0, turns: int = 1, seconds: float = SECONDS
) -> FloatArray:
    """Something that sounds in its turn and rests in the others'."""
    samples = round(seconds * RATE)
    out = np.zeros(samples)
    begin, span = samples * turn // turns, samples // turns
    long_s = span / RATE
    time = np.arange(span) / RATE
    if kind in ("speech", "moving"):
        piece = speech(recorded_words(), long_s, rng)
    elif kind == "music":
        piece = _plucked(long_s, rng)
    elif kind == "claps":
        piece = claps(long_s, rng)
    elif kind == "sticks":
        piece = np.zeros(span)
        for start in np.arange(0.1, long_s - 0.2, rng.uniform(0.2, 0.5)):
            ring = np.arange(RATE // 20) / RATE
            tone = np.sin(2 * np.pi * rng.uniform(1500, 5000) * ring) * np.exp(-ring / rng.uniform(0.002, 0.01))
            tone *= np.minimum(1.0, ring / 2e-4)  # sticks touch for that long
            piece[int(start * RATE) : int(start * RATE) + ring.size] += tone
    elif kind == "bass":
        piece = np.zeros(span)
        notes = 55.0 * 2 ** (np.array([-5, -2, 0, 2, 3, 5, 7, -4, -7]) / 12)
        place = 0
        while place < span:
            length = min(int(rng.uniform(0.3, 2.0) * RATE), span - place)
            note = time[:length]
            hertz = rng.choice(notes)
            tone = sum(np.sin(2 * np.pi * hertz * n * note) / n**1.5 for n in range(1, 9))
            piece[place : place + length] = (
                tone * np.minimum(1, np.minimum(note, note[-1] - note) / 0.02) * np.exp(-note / 1.5)
            )
            place += length
    else:
        root = 65.4 * 2 ** (rng.integers(0, 24) / 12)
        piece = sum(
            np.sin(2 * np.pi * root * ratio * n * time + n) / n**1.2 for ratio in (1.0, 1.25, 1.5) for n in range(1, 12)
        ) * (1 + 0.2 * np.sin(2 * np.pi * 0.3 * time))
    # Nothing in a room stops from one sample to the next.
    piece = np.array(piece[: samples - begin])
    piece[-RATE // 50 :] *= np.linspace(1.0, 0.0, RATE // 50)
    out[begin : begin + piece.size] = piece
    return out


def _plucked(seconds: float, rng: np.random.Generator) -> FloatArray:
    """A plucked string; each note is damped in 10 ms before the next."""
    out = np.zeros(round(seconds * RATE))
    place = 0
    while place < out.size - RATE // 10:
        note = plucked(rng.uniform(0.3, 0.5), rng)[: out.size - place]
        note[-RATE // 100 :] *= np.linspace(1.0, 0.0, RATE // 100)
        out[place : place + note.size] += note
        place += round(rng.uniform(0.3, 0.6) * RATE)
    return out


def _in_room(sounds: list[FloatArray], rng: np.random.Generator) -> FloatArray:
    size = (rng.uniform(4.0, 8.0), rng.uniform(4.0, 7.0), rng.uniform(2.5, 3.6))
    room = Room(size, rng.choice([0.2, 0.3, 0.4, 0.5]))
    mic = np.array([size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.2, 1.8)])
    out = np.zeros((4, round(SECONDS * RATE)))
    for sound in sounds:
        azimuth, elevation, away = rng.uniform(-np.pi, np.pi), rng.uniform(-0.4, 0.4), rng.uniform(0.7, 2.2)
        place = mic + away * np.array(
            [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
        )
        place = np.clip(place, 0.2, np.array(size) - 0.2)
        images = image_sources(room, tuple(place.tolist()), tuple(mic.tolist()), rng=rng)
        seen = images.positions_m - mic
        far = np.linalg.norm(seen, axis=1)
        x, y, z = (seen / far[:, np.newaxis]).T
        gains = images.gains * np.stack([np.ones_like(x), y, z, x])
        response = path_response(far, gains, images.late, shift=0.0)
        out += fftconvolve(response, sound[np.newaxis], axes=1)[:, : out.shape[1]]
    return out


def _open_air(kind: str, samples: int, rng: np.random.Generator) -> FloatArray:
    out = np.zeros((4, samples))
    count = 1 if kind == "on an axis" else 3
    for turn in range(count):
        sound = dry_sound(str(rng.choice(["speech", "music", "claps"])), rng, turn=turn, turns=count)
        azimuth, elevation = rng.uniform(-np.pi, np.pi), 0.0
        if kind == "on an axis":
            azimuth, elevation = (
                float(rng.choice([0, 0.5, 1.0, -0.5])) * np.pi,
                float(rng.choice([0, 0, 0, 0.5])) * np.pi,
            )
        x, y, z = np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)
        away = sound
        if kind == "close":
            # A spherical wave 0.3 m away: velocity is pressure times 1 + c / (j w r).
            corner = 343.0 / (0.3 * RATE)
            away = sound + lfilter([corner], [1.0, -0.9995], sound)
        out += np.stack([sound, y * away, z * away, x * away])
        if kind == "outdoors":
            late = np.roll(sound, 180) * 0.5
            out += np.stack([late, 0.7 * y * late, -0.7 * late, 0.7 * x * late])
    if kind == "outdoors":
        out += 10 ** (-rng.uniform(25, 45) / 20) * np.std(out[0]) * _diffuse(samples, rng, flat=True)
    return out


def _diffuse(samples: int, rng: np.random.Generator, *, lowest_hz: float = 60.0, flat: bool = False) -> FloatArray:
    """Noise from 32 directions, W at unit power, falling 3 dB an octave above a corner; `flat`: from the horizon."""
    frequencies = np.fft.rfftfreq(samples, 1.0 / RATE)
    shape = np.where(frequencies > lowest_hz / 2, 1.0 / np.sqrt(np.maximum(frequencies, lowest_hz)), 0.0)
    out = np.zeros((4, samples))
    directions = rng.standard_normal((32, 3))
    if flat:
        directions[:, 2] *= 0.1
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    for x, y, z in directions:
        wave = np.fft.irfft(shape * np.exp(2j * np.pi * rng.random(shape.size)), samples)
        out += np.outer([1.0, y, z, x], wave)
    return out / np.std(out[0])


def diffuse(samples: int, rng: np.random.Generator, *, lowest_hz: float = 60.0) -> FloatArray:
    """As _diffuse, made cheaply: W, Y, Z and X of a diffuse field are noises of their own."""
    pole = np.exp(-2 * np.pi * lowest_hz / RATE)
    white = rng.standard_normal((4, samples), dtype=np.float32)
    # White noise with 20 dB more in the bass.
    out = lfilter([1.0 - pole], [1.0, -pole], white, axis=1) * 10 + 0.15 * white
    return out / np.std(out[0]) * np.sqrt([[1.0], [1 / 3], [1 / 3], [1 / 3]])
