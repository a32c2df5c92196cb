"""Right pairs as ordinary cameras record them: a gain that rides, limiters, noise reduction, low cuts, own noise.

Goal: clips that differ from their takes in everything a camera does to its scratch track and in nothing else, cheaply
enough for hundreds of them and for clips of half an hour.
Conventions: spatial.conventions (time). Everything is made at WORKING_RATE_HZ from room responses that
`demo_audio.simulate` gives for an impulse; the camera is no relative of `demo_audio.boxes.camera_sound`.
Functions: make_pair (a clip, its take and the truth); make_pairs (one scene through several cameras); camera_of (what a
camera makes of sound at its capsules); draw_camera.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import soxr
from scipy.signal import butter, istft, oaconvolve, sosfilt, stft

from demo_audio.boxes import add_at
from demo_audio.rooms import Room
from demo_audio.simulate import Performer, Rig, simulate_shoot
from spatial.conventions import FloatArray
from spatial.dsp.samples import ArraySamples
from spatial.rotation import YawPitchRoll
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.rooms import reeds
from tests.scenes.songs import make_song, place_near, steps
from tests.scenes.stage import RATE, claps, plucked, recorded_words, speech

CONTENTS = ("speech", "speech with long rests", "plucked strings", "reeds", "steps and claps", "a song, live", "all")
"""What is performed; a pair's seed goes round these."""

LENGTHS_S = (20.0, 60.0, 20.0, 60.0, 20.0, 60.0, 300.0, 20.0, 60.0, 60.0)
"""And, more slowly, round these; every sixtieth pair lasts half an hour."""

_LONG_S = 1800.0
_LONG_EVERY = 60
_BLOCK = 16
"""One millisecond: what the gain's detector looks at."""
_WALK_S = 3.0


@dataclass(frozen=True, slots=True)
class Camera:
    """What one camera does to its sound."""

    attack_s: float
    release_s: float
    range_db: float
    """How far the gain rides; 0 for a gain that stands."""
    noise_db: float
    """Its capsules' own noise, against the sound while somebody sounds."""
    limiter: bool
    noise_reduction_db: float
    low_cut_hz: float
    dual_mono: bool


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A clip and its own take, at WORKING_RATE_HZ, and what is true of them."""

    seed: int
    content: str
    length_s: float
    open_air: bool
    camera: Camera
    take_noise_db: float
    """The recorder's own noise, against the sound while somebody sounds."""
    clip: ArraySamples
    take: ArraySamples
    law: ClockLaw
    gain_db: FloatArray
    """The camera's gain in every millisecond, dB above its lowest setting, shape (milliseconds,)."""


def draw_camera(rng: np.random.Generator) -> Camera:
    """A camera out of the range of ordinary ones; one in six has a gain that stands."""
    rides = rng.random() > 1 / 6
    return Camera(
        attack_s=float(np.exp(rng.uniform(np.log(0.005), np.log(0.150)))),
        release_s=float(np.exp(rng.uniform(np.log(0.2), np.log(5.0)))),
        range_db=rng.uniform(6.0, 34.0) if rides else 0.0,
        noise_db=rng.uniform(-45.0, -12.0),
        limiter=rng.random() < 0.5,
        noise_reduction_db=rng.uniform(6.0, 18.0) if rng.random() < 0.3 else 0.0,
        low_cut_hz=rng.uniform(80.0, 250.0) if rng.random() < 0.4 else 0.0,
        dual_mono=rng.random() < 0.25,
    )


def make_pair(seed: int, *, camera: Camera | None = None) -> Pair:
    """A clip and its take; `camera` instead of the one that the seed draws."""
    return make_pairs(seed, [camera])[0]


def make_pairs(seed: int, cameras: Sequence[Camera | None], *, moving: bool = False) -> list[Pair]:
    """Clips of one scene by several cameras, None for the one that the seed draws, each with the one take.

    `moving`: whoever sounds walks from place to place meanwhile.
    """
    rng = np.random.default_rng([seed, 41])
    content = CONTENTS[seed % len(CONTENTS)]
    length_s = _LONG_S if seed % _LONG_EVERY == _LONG_EVERY - 1 else LENGTHS_S[seed // len(CONTENTS) % len(LENGTHS_S)]
    open_air = rng.random() < 0.25
    drawn = draw_camera(rng)
    take_noise_db, around_db = rng.uniform(-60.0, -18.0), rng.uniform(-45.0, -10.0)
    early_s, late_s = rng.uniform(0.5, 4.0), rng.uniform(0.5, 4.0)
    total_s = early_s + length_s + late_s
    rig, responses = _responses(seed, rng, open_air)
    sounds = _performed(content, len(responses), total_s, rng)
    sounds = _walking(sounds) if moving else sounds
    both = np.zeros((6, round(total_s * WORKING_RATE_HZ)), dtype=np.float32)
    for response, sound in zip(responses, sounds, strict=True):
        for channel, heard in enumerate(response):
            both[channel] += oaconvolve(sound, heard)[: both.shape[1]]
    loud = float(np.sqrt(_loud_power(both[0])))
    field, scratch = both[:4], both[4:]
    around = loud * 10 ** (around_db / 20)
    _add_noise_around(field, scratch, rig, around, rng)
    field = field + (loud * 10 ** (take_noise_db / 20) * rng.standard_normal(field.shape)).astype(np.float32)
    first = round(early_s * WORKING_RATE_HZ)
    scratch = scratch[:, first : first + round(length_s * WORKING_RATE_HZ)]
    own_noise = rng.standard_normal(scratch.shape)
    ppm = rng.uniform(-60.0, 60.0)
    ratio = 1.0 + ppm * 1e-6
    take = soxr.resample(np.ascontiguousarray(field.T), WORKING_RATE_HZ, WORKING_RATE_HZ * ratio, "HQ").T
    take = _as_recorded(take, rng.uniform(-30.0, -6.0), 24)
    # The clip's first sample is exact; the take's clock counts from its own first one.
    law = ClockLaw(first / WORKING_RATE_HZ * ratio, ppm)
    found = []
    for camera in (each or drawn for each in cameras):
        noisy = scratch + (loud * 10 ** (camera.noise_db / 20) * own_noise).astype(np.float32)
        clip, gain_db = _recorded_by(noisy, camera)
        pair = Pair(
            seed,
            content,
            length_s,
            open_air,
            camera,
            take_noise_db,
            ArraySamples(clip, WORKING_RATE_HZ),
            ArraySamples(take, WORKING_RATE_HZ),
            law,
            gain_db,
        )
        found.append(pair)
    return found


def camera_of(scratch: FloatArray, camera: Camera) -> FloatArray:
    """What a camera makes of the sound at its two capsules, shape (2, samples); never a delay."""
    return _recorded_by(scratch, camera)[0]


def _recorded_by(scratch: FloatArray, camera: Camera) -> tuple[FloatArray, FloatArray]:
    """The camera's sound, and its gain in every millisecond, dB."""
    heard = np.asarray(scratch, dtype=np.float32)
    if camera.dual_mono:
        heard = np.repeat(np.mean(heard, axis=0, keepdims=True), 2, axis=0)
    if camera.low_cut_hz:
        heard = sosfilt(butter(2, camera.low_cut_hz, "highpass", fs=WORKING_RATE_HZ, output="sos"), heard, axis=1)
    if camera.noise_reduction_db:
        heard = _noise_reduced(heard, camera.noise_reduction_db)
    gain_db = np.zeros(heard.shape[1] // _BLOCK)
    if camera.range_db:
        gain_db = _riding_gain_db(heard, camera)
        middles = (np.arange(gain_db.size) + 0.5) * _BLOCK
        gain = 10 ** (np.interp(np.arange(heard.shape[1]), middles, gain_db) / 20)
        heard = heard * gain.astype(np.float32)
    heard = heard / np.sqrt(_loud_power(heard[0])) * 10 ** (-20 / 20)
    if camera.limiter:
        knee = 0.12
        over = np.maximum(np.abs(heard) - knee, 0.0)
        heard = np.sign(heard) * (np.minimum(np.abs(heard), knee) + knee * np.tanh(over / knee))
    return _as_recorded(heard, None, 16), gain_db


def _riding_gain_db(heard: FloatArray, camera: Camera) -> FloatArray:
    """The gain in each block: down within the attack, up within the release, over the camera's range."""
    count = heard.shape[1] // _BLOCK
    blocks = heard[:, : count * _BLOCK].reshape(len(heard), count, _BLOCK)
    level_db = 10 * np.log10(np.mean(np.max(blocks**2, axis=0), axis=1) + 1e-12)
    loud_db = 10 * np.log10(_loud_power(heard[0]) + 1e-12)
    # Loud moments bring the gain down to 0 dB; in rests it climbs by the whole range.
    wish_db = np.clip(loud_db - level_db, 0.0, camera.range_db).tolist()
    down, up = (1.0 - np.exp(-_BLOCK / WORKING_RATE_HZ / s) for s in (camera.attack_s, camera.release_s))
    now, gain_db = 0.0, np.zeros(count)
    for number, wish in enumerate(wish_db):
        now += (wish - now) * (down if wish < now else up)
        gain_db[number] = now
    return gain_db


def _noise_reduced(heard: FloatArray, depth_db: float) -> FloatArray:
    """Turned down where a bin stays near its own steady noise, smoothed over time, as cameras' gates do."""
    out = np.empty_like(heard)
    for channel, sound in enumerate(heard):
        _, _, spectrum = stft(sound, WORKING_RATE_HZ, nperseg=512)
        power = np.abs(spectrum) ** 2
        smooth = sosfilt(butter(1, 0.08, output="sos"), power, axis=1)
        noise = np.quantile(smooth[:, :: max(1, smooth.shape[1] // 4000)], 0.1, axis=1, keepdims=True)
        open_share = np.clip((smooth / np.maximum(noise, 1e-20) - 2.0) / 6.0, 0.0, 1.0)
        low = 10 ** (-depth_db / 20)
        _, back = istft(spectrum * (low + (1.0 - low) * open_share), WORKING_RATE_HZ, nperseg=512)
        out[channel] = np.pad(back, (0, max(0, sound.size - back.size)))[: sound.size]
    return out


def _as_recorded(sound: FloatArray, loud_dbfs: float | None, bits: int) -> FloatArray:
    """At the level that the box was set to, in steps of its bits."""
    if loud_dbfs is not None:
        sound = sound / np.sqrt(_loud_power(sound[0])) * 10 ** ((loud_dbfs - 10.0) / 20)
    step = 2.0 ** (1 - bits)
    return np.asarray(np.clip(np.rint(sound / step) * step, -1.0, 1.0), dtype=np.float32)


def _loud_power(sound: FloatArray) -> float:
    """Mean power of the tenths of a second within 20 dB of the loudest."""
    block = WORKING_RATE_HZ // 10
    powers = np.mean(sound[: sound.size // block * block].reshape(-1, block) ** 2, axis=1)
    return float(np.mean(powers[powers >= powers.max() / 100.0]))


def _add_noise_around(field: FloatArray, scratch: FloatArray, rig: Rig, gain: float, rng: np.random.Generator) -> None:
    """Noise from all around at both boxes, added in place, a minute of it at a time."""
    total, done = field.shape[1], 0
    while done < total:
        count = min(60 * WORKING_RATE_HZ, total - done)
        at_mic, at_camera = fast_diffuse_noise(rig, count, rng=rng, rate_hz=WORKING_RATE_HZ)
        field[:, done : done + count] += gain * at_mic
        scratch[:, done : done + count] += gain * at_camera
        done += count


def _responses(seed: int, rng: np.random.Generator, open_air: bool) -> tuple[Rig, list[FloatArray]]:
    """A rig, and what it hears of an impulse at each of three places, shape (6, samples) each."""
    walls = np.random.default_rng([seed // 2, 43])
    size = (walls.uniform(4.5, 9.0), walls.uniform(4.5, 9.0), walls.uniform(2.5, 3.8))
    room = Room(size, walls.uniform(0.2, 0.9))
    lens = (size[0] / 2 + rng.uniform(-0.4, 0.4), size[1] / 2 + rng.uniform(-0.4, 0.4), rng.uniform(1.3, 1.6))
    turn, apart = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.4)
    offset = (0.4 * apart * np.cos(turn), 0.4 * apart * np.sin(turn), float(rng.choice([-0.9, 0.9])) * apart)
    rig = Rig(lens, rng.uniform(-180, 180), offset, YawPitchRoll.from_degrees(rng.uniform(-180, 180), 0.0, 0.0))
    impulse = np.zeros(RATE // 100)
    impulse[0] = 1.0
    found = []
    for _ in range(3):
        place = place_near(rig, size, rng, distance_m=rng.uniform(1.0, 2.5))
        shoot = simulate_shoot(room, rig, [Performer("impulse", place, impulse)], duration_s=1.2, rng=rng)
        both = np.concatenate([shoot.field, shoot.scratch])
        if open_air:
            # What arrives within 12 ms of the first sound: the straight way, and one off the ground or a wall nearby.
            first = int(np.argmax(np.abs(both[0]) > 0.2 * np.max(np.abs(both[0]))))
            both[:, first + round(0.012 * RATE) :] = 0.0
        found.append(soxr.resample(both.T, RATE, WORKING_RATE_HZ, "VHQ").T.astype(np.float32))
    return rig, found


def _performed(content: str, people: int, total_s: float, rng: np.random.Generator) -> list[FloatArray]:
    """What each of the people does, at WORKING_RATE_HZ, shape (samples,) each."""
    out = [np.zeros(round(total_s * WORKING_RATE_HZ), dtype=np.float32) for _ in range(people)]
    makers = {
        "speech": lambda s: speech(_words(), s, rng),
        "speech with long rests": lambda s: speech(_words(), s, rng),
        "plucked strings": lambda s: plucked(s, rng),
        "reeds": lambda s: reeds(s, rng),
        "steps and claps": lambda s: claps(s, rng) if rng.random() < 0.5 else 0.5 * steps(s, rng),
    }
    if content == "a song, live":
        place_s = rng.uniform(0.5, 2.0)
        while place_s < total_s - 8.0:
            song, _ = make_song(min(rng.uniform(20.0, 40.0), total_s - place_s), rng, exact=False)
            _lay(out[0], place_s, song)
            place_s += song.size / RATE + rng.uniform(0.5, 4.0)
        return out
    rest_s = (2.0, 12.0) if "rests" in content else (0.1, 2.0)
    place_s, number = rng.uniform(0.3, 1.5), 0
    loudness = rng.uniform(0.4, 1.2, people)
    while place_s < total_s - 1.0:
        kind = list(makers)[int(rng.integers(len(makers)))] if content == "all" else content
        turn_s = min(rng.uniform(1.5, 8.0), total_s - place_s)
        _lay(out[number % people], place_s, loudness[number % people] * makers[kind](turn_s))
        place_s += turn_s + rng.uniform(*rest_s)
        number += 1
    return out


def _walking(sounds: list[FloatArray]) -> list[FloatArray]:
    """All that sounds, from places between which everybody walks, each way in some seconds."""
    times_s = np.arange(sounds[0].size) / WORKING_RATE_HZ
    where = times_s / _WALK_S
    total = np.sum(sounds, axis=0)
    out = []
    for place in range(len(sounds)):
        away = np.abs((where - place + 0.5 * len(sounds)) % len(sounds) - 0.5 * len(sounds))
        share = np.sin(0.5 * np.pi * np.clip(1.0 - away, 0.0, 1.0))
        out.append((total * share).astype(np.float32))
    return out


def _lay(out: FloatArray, start_s: float, sound: FloatArray) -> None:
    piece = soxr.resample(sound, RATE, WORKING_RATE_HZ, "HQ").astype(np.float32)
    add_at(out[np.newaxis], piece[np.newaxis], round(start_s * WORKING_RATE_HZ))


@cache
def _words() -> list[FloatArray]:
    return recorded_words()
