"""Clips with known truth for the benchmark of intervals: who sounds where in every tenth of a second, and marks.

Three places, one after the other, each alone for some seconds (these are the marks) with rests between them; then
either nothing more, or two of the places at once. Rooms, open air over a floor, noise, mounts, microphones.
Functions: make_ring_scene.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from demo_audio.boxes import add_at, power_while_sounding
from demo_audio.microphones import LEAD, Microphone, field_response, field_through, hiss
from demo_audio.rooms import HALF_KERNEL, Images, Room, image_sources, path_response
from demo_audio.simulate import Rig
from demo_audio.sounds import Voice, concertina, hand_drum, lute
from demo_audio.sounds import speech as spoken
from spatial.conventions import FloatArray, W
from spatial.field import unit_vectors
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.rooms import real_microphone, reeds
from tests.scenes.stage import RATE, plucked, recorded_words, speech

KINDS = ("voices", "plucked", "sustained", "steps")
ROOMS: tuple[tuple[str, tuple[float, float] | None], ...] = (
    ("open air", None),
    ("RT60 0.2 to 0.35 s", (0.2, 0.35)),
    ("RT60 0.35 to 0.5 s", (0.35, 0.5)),
    ("RT60 0.5 to 0.65 s", (0.5, 0.65)),
    ("RT60 0.65 to 0.8 s", (0.65, 0.8)),
)
STEP_S = 0.1
"""Time of one row."""
_TURN_S, _REST_S, _TOGETHER_S = 2.8, 0.7, 4.0
_BAND_HZ = (300.0, 5000.0)
_SOUNDS_DB = -30.0
"""A performer sounds in a tenth of a second whose direct sound is less than this below their own loud moments."""
_WORDS = (
    "Put the kettle on before the tide turns, will you.",
    "Nobody told the ferryman that the bridge was closed.",
    "Seven baskets of plums, and not one of them ripe.",
    "Turn the lamp a little to the left, please.",
    "If the rain stops we go up to the orchard.",
    "Who left a saddle in the middle of the stairs?",
)
_VOICES = ("en-gb+f2", "en-gb+f4", "en-gb+m2", "en-gb+m3", "en-gb+Annie", "en-us+m5")


@dataclass(frozen=True, slots=True, eq=False)
class RingScene:
    """One simulated clip."""

    seed: int
    kind: str
    room: str
    two: bool
    """Whether two sound at once after their turns."""
    snr_db: float
    field: FloatArray
    """Shape (4, samples), in the microphone's axes, at 48 kHz."""
    mount: FloatArray
    """picture_from_mic, shape (3, 3)."""
    upside_down: bool
    places: FloatArray
    """Where each performer is seen from the microphone, in the picture's axes, shape (performers, 3)."""
    sounds: np.ndarray
    """Who sounds in each row, shape (performers, rows), bool."""
    marks_s: tuple[tuple[int, float, float], ...]
    """Performer, start and end of each turn."""


def make_ring_scene(seed: int, *, real: bool = False) -> RingScene:
    """The scene of a seed: kinds, rooms, and one or two at once come round in 40 seeds.

    `real`: through a real microphone of the seed's own (demo_audio.microphones), which moves nothing else.
    """
    microphone = real_microphone(seed) if real else None
    rng = np.random.default_rng((seed, 12))
    kind, (name, rt60_s), two = KINDS[seed % 4], ROOMS[seed // 4 % 5], bool(seed // 20 % 2)
    size = (rng.uniform(4.8, 9.0), rng.uniform(4.8, 9.0), rng.uniform(2.5, 3.8))
    mic = np.array([size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.2, 1.7)])
    over = bool(rng.random() < 0.4)
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.normal(0, 6), (180.0 if over else 0.0) + rng.normal(0, 6)
    )
    rig = Rig(tuple(mic.tolist()), rng.uniform(-180, 180), mount=mount)
    room = None if rt60_s is None else Room(size, rng.uniform(*rt60_s))
    total_s = 1.0 + 3 * (_TURN_S + _REST_S) + (_TOGETHER_S + 1.0 if two else 0.5)
    samples = round(total_s * RATE)
    centres = rng.permutation([-58.0, 0.0, 58.0]) + rng.uniform(-18, 18, 3)
    chosen = rng.choice(3, 2, replace=False)
    field, directs, places, marks = np.zeros((4, samples)), [], [], []
    for number, centre in enumerate(centres):
        place = _place(rig, kind, centre, size if room else None, rng)
        start = 1.0 + number * (_TURN_S + _REST_S)
        dry = np.zeros(samples)
        length_s = rng.uniform(0.8, 1.0) * _TURN_S
        turns = [(start, length_s)]
        if two and number in chosen:
            turns.append((1.0 + 3 * (_TURN_S + _REST_S) + rng.uniform(0.0, 0.8), _TOGETHER_S - 0.8))
        for start_s, seconds in turns:
            add_at(dry[np.newaxis], _sound(kind, seconds, rng)[np.newaxis], round(start_s * RATE))
        far = float(np.linalg.norm(place - mic))
        dry *= far * 0.05 / np.sqrt(power_while_sounding(dry, rate_hz=RATE)) * 10 ** (rng.uniform(-3, 3) / 20)
        heard, direct = _over_paths(room, place, rig, microphone, dry, rng)
        field += heard
        directs.append(direct)
        places.append(rig.picture_from_room @ (place - mic) / far)
        marks.append((number, start, start + length_s))
    snr_db = float(rng.uniform(5.0, 25.0))
    power = power_while_sounding(field[W], rate_hz=RATE) * 10 ** (-snr_db / 10)
    noise = fast_diffuse_noise(rig, samples, rng=rng)[0]
    field += np.sqrt(power) * (noise if microphone is None else field_through(microphone, noise))
    if microphone is not None:
        field += hiss(microphone, field, np.random.default_rng((seed, 15)))
    sounds = np.stack([_sounding(direct) for direct in directs])
    return RingScene(
        seed, kind, name, two, snr_db, field, matrix_from_ypr(mount), over, np.stack(places), sounds, tuple(marks)
    )


def _place(
    rig: Rig, kind: str, centre_deg: float, size: tuple[float, float, float] | None, rng: np.random.Generator
) -> FloatArray:
    """Room coordinates of a performer; those who step sound from the floor."""
    azimuth = np.radians(centre_deg)
    if kind == "steps":
        level = rig.picture_from_room.T @ (rng.uniform(1.3, 2.4) * unit_vectors(azimuth, 0.0))
        place = np.asarray(rig.lens_m) + level
        place[2] = 0.04
    else:
        elevation = np.radians(rng.uniform(-15, 20))
        place = rig.place(rng.uniform(1.1, 2.6) * unit_vectors(azimuth, elevation))
    high = np.full(3, 50.0) if size is None else np.asarray(size) - 0.25
    low = np.array([0.25, 0.25, 0.04]) if size is not None else np.array([-50.0, -50.0, 0.04])
    return np.clip(place, low, high)


def _over_paths(
    room: Room | None,
    place: FloatArray,
    rig: Rig,
    microphone: Microphone | None,
    dry: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """The field of a performer, and their direct sound alone in W."""
    mic, mic_from_room = np.asarray(rig.lens_m), matrix_from_ypr(rig.mount).T @ rig.picture_from_room
    if room is not None:
        images = image_sources(room, tuple(place.tolist()), tuple(mic.tolist()), rng=rng)
    else:
        mirrored = place * np.array([1.0, 1.0, -1.0])
        images = Images(np.stack([place, mirrored]), np.array([1.0, rng.uniform(0.2, 0.8)]), np.zeros(2, dtype=bool))
    seen = mic_from_room @ (images.positions_m - mic).T
    far = np.linalg.norm(seen, axis=0)
    x, y, z = seen / far
    gains = images.gains * np.stack([np.ones_like(x), y, z, x])
    out, direct = np.zeros((4, dry.size)), np.zeros((1, dry.size))
    if microphone is None:
        response, lead = path_response(far, gains, images.late, shift=0.0), HALF_KERNEL
    else:
        # The microphone is where these scenes look from; the camera hangs 20 cm above it.
        bodies = np.array([rig.place(body.offset_m) for body in microphone.bodies]) + np.array([0.0, 0.0, 0.2])
        response, lead = field_response(microphone, images, mic_from_room, mic, bodies), LEAD
    add_at(out, fftconvolve(response, dry[np.newaxis], axes=1), -lead)
    alone = path_response(far[:1], gains[:1, :1], images.late[:1], shift=0.0)
    add_at(direct, fftconvolve(alone, dry[np.newaxis], axes=1), -HALF_KERNEL)
    return out, direct[0]


def _sounding(direct: FloatArray) -> np.ndarray:
    """In which rows direct sound is there, in the trusted band."""
    band = butter(4, _BAND_HZ, "bandpass", fs=RATE, output="sos")
    power = sosfilt(band, direct) ** 2
    hop = round(STEP_S * RATE)
    rows = power[: power.size // hop * hop].reshape(-1, hop).mean(axis=1)
    loud = np.mean(rows[rows >= rows.max() / 100.0])
    return np.asarray(rows > loud * 10 ** (_SOUNDS_DB / 10))


def _sound(kind: str, seconds: float, rng: np.random.Generator) -> FloatArray:
    other = rng.random() < 0.5
    if kind == "voices":
        if other:
            return speech(recorded_words(), seconds, rng)
        voice = Voice(str(rng.choice(_VOICES)), int(rng.integers(30, 70)), int(rng.integers(140, 180)))
        sound = spoken(voice, str(rng.choice(_WORDS)))
    elif kind == "plucked":
        if other:
            return plucked(seconds, rng)
        tones = rng.choice(["A3", "C4", "D4", "E4", "F4", "G4", "A4"], 12)
        sound = lute([(str(tone), float(rng.choice([0.3, 0.45, 0.6]))) for tone in tones], rng=rng)
    elif kind == "sustained":
        if other:
            return reeds(seconds, rng)
        tones = rng.choice(["D4+A4", "G4", "F4+A4", "E4", "C4+G4"], 12)
        sound = concertina([(str(tone), float(rng.uniform(0.25, 0.9))) for tone in tones], rng=rng)
    elif other:
        sound = hand_drum([(float(rng.uniform(0.25, 0.6)), float(rng.uniform(0.5, 1.0))) for _ in range(12)], rng=rng)
    else:
        return _steps(seconds, rng)
    sound = sound[: round(seconds * RATE)]
    sound[-480:] *= np.linspace(1.0, 0.0, 480)
    return sound


def _steps(seconds: float, rng: np.random.Generator) -> FloatArray:
    """Someone who walks on the spot: a thud and a scuff, twice a second or so."""
    out, place = np.zeros(round(seconds * RATE)), round(0.1 * RATE)
    time = np.arange(round(0.12 * RATE)) / RATE
    while place < out.size - time.size:
        thud = np.sin(2 * np.pi * rng.uniform(60, 140) * time) * np.exp(-time / 0.03)
        scuff = rng.uniform(0.1, 0.5) * rng.standard_normal(time.size) * np.exp(-time / rng.uniform(0.005, 0.025))
        out[place : place + time.size] += rng.uniform(0.4, 1.0) * (thud + scuff)
        place += round(rng.uniform(0.4, 0.65) * RATE)
    return out
