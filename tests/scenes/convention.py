"""Recordings of known format for the benchmark of conventions: a real microphone in a room, written in many ways.

The microphone is four capsules some centimetres apart, each with a gain of its own and its own hiss; B-format is made
of them by the matrix of a microphone that is calibrated only so well.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve

from demo_audio.rooms import HALF_KERNEL, path_response
from spatial.capsules import (
    CORRECTION_REACH,
    FIRST_ARRANGEMENT,
    SECOND_ARRANGEMENT,
    Capsules,
    capsule_directions,
    corrected_field,
)
from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from spatial.field import internal_from
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.scenes.rooms import real_microphone
from tests.scenes.stage import RATE, claps, plucked, recorded_words, speech

FORMATS = ("ambix", "n3d", "fuma", "aformat")
SECONDS = 10.0
_WAVES = 10
_HANGING = (0.6, 0.3, 0.1)
"""Parts of microphones that stand upright, hang upside down and lie on their side."""
_STAYS = 4


@dataclass(frozen=True, slots=True, eq=False)
class FormatScene:
    """A recording and the truth about it."""

    seed: int
    kind: str
    format: str
    """ambix, n3d, fuma, aformat; "" where it is no field at all."""
    picked: tuple[int, ...]
    layout: str
    channels: FloatArray
    """Shape (channels, samples), 48 kHz."""
    gains: str = ""
    """Which gains are off; "" where none is by more than a microphone's own."""


GAINS = ("W 3 dB hot", "X, Y, Z hot", "W by 3 dB otherwise", "one channel", "every channel")
"""How published files keep their order but not their gains; capsules get as much, the first of them in W's stead."""


def make_format_scene(seed: int, *, real: bool = False) -> FormatScene:
    """One to three performers around a microphone that hangs anyhow, and the room's noise.

    `real`: capsules matched, and axes as loud against W, as those of a drawn real microphone (demo_audio.microphones).
    """
    rng = np.random.default_rng([seed, 11])
    kind, capsules = _draw(rng)
    sound = _sound_at(capsules, kind, rng, _HANGING)
    matched_db = rng.normal(0.0, 0.3, (4, 1))
    microphone = real_microphone(seed) if real else None
    if microphone is not None:
        matched_db = microphone.sensitivities_db[:, np.newaxis]
    sound *= 10 ** (matched_db / 20)
    loud = np.sqrt(np.mean(sound**2))
    sound += loud * 10 ** (-rng.uniform(25.0, 60.0) / 20) * rng.standard_normal(sound.shape)
    truth = FORMATS[seed % 4]
    if truth != "aformat":
        field = _field(sound, capsules)
        if microphone is not None:
            x, y, z = microphone.axis_gains
            field = field * np.array([1.0, y, z, x])[:, np.newaxis]
        sound = _written(field, truth) * 10 ** (rng.normal(0.0, 0.2, (4, 1)) / 20)
    sound *= rng.uniform(0.02, 0.6) / np.max(np.abs(sound))
    layout = ("4 channels", "stereo mix first", "empty channels after", "stereo after", "empty channels between")[
        int(rng.choice(5, p=[0.6, 0.15, 0.1, 0.1, 0.05]))
    ]
    channels, picked = _laid_out(sound, layout, rng)
    return FormatScene(seed, kind, truth, picked, layout, channels.astype(np.float32))


@dataclass(frozen=True, slots=True, eq=False)
class FourForms:
    """What a microphone's capsules recorded, to be written in every format, with gains that are off in each."""

    seed: int
    kind: str
    capsules: Capsules
    sound: FloatArray
    """Of the four capsules."""

    def scene(self, name: str) -> FormatScene:
        """The recording in a format; which gains are off goes through GAINS from scene to scene."""
        rng = np.random.default_rng([self.seed, 14, FORMATS.index(name)])
        gains = GAINS[(self.seed + FORMATS.index(name)) % len(GAINS)]
        sound = self.sound if name == "aformat" else _written(_field(self.sound, self.capsules), name)
        sound = sound * 10 ** (_gains_db(gains, name, rng)[:, np.newaxis] / 20)
        sound *= rng.uniform(0.02, 0.6) / np.max(np.abs(sound))
        return FormatScene(self.seed, self.kind, name, (0, 1, 2, 3), "4 channels", sound.astype(np.float32), gains)


def make_four_forms(seed: int, *, on_its_side: bool = False) -> FourForms:
    """As make_format_scene, by a microphone that stands or hangs within 15 degrees of upright, or lies on its side.

    A microphone on its side that has X and Y for Z records, channel by channel, what an upright one records in another
    order: where its gains are that other order's as well, the two are the same recording, and nothing can tell them.
    """
    rng = np.random.default_rng([seed, 13])
    kind, capsules = _draw(rng)
    sound = _sound_at(capsules, kind, rng, (0.0, 0.0, 1.0) if on_its_side else (2 / 3, 1 / 3, 0.0))
    sound *= 10 ** (rng.normal(0.0, 0.3, (4, 1)) / 20)
    sound += np.sqrt(np.mean(sound**2)) * 10 ** (-rng.uniform(25.0, 60.0) / 20) * rng.standard_normal(sound.shape)
    return FourForms(seed, kind, capsules, sound)


def _draw(rng: np.random.Generator) -> tuple[str, Capsules]:
    """What sounds, and the microphone."""
    kind = ("speech", "music", "claps", "ambience")[int(rng.choice(4, p=[0.45, 0.3, 0.15, 0.1]))]
    capsules = Capsules(
        FIRST_ARRANGEMENT if rng.random() < 0.6 else SECOND_ARRANGEMENT,
        omni_part=rng.uniform(0.45, 0.65),
        radius_m=rng.uniform(0.008, 0.019),
        corrected=bool(rng.random() < 0.5),
    )
    return kind, capsules


def _gains_db(gains: str, name: str, rng: np.random.Generator) -> FloatArray:
    """Of four channels, the first of which is W."""
    out = rng.normal(0.0, 0.2, 4)
    if gains == "W 3 dB hot":
        out[0] += rng.uniform(2.5, 3.0)
    elif gains == "X, Y, Z hot":
        out[1:] += rng.uniform(2.0, 3.0)
    elif gains == "W by 3 dB otherwise":
        # FuMa's W without its 3 dB; and another format's W with them.
        out[0] += 3.01 if name == "fuma" else -3.01
    elif gains == "one channel":
        out[int(rng.integers(4))] += rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 3.0)
    else:
        out = rng.uniform(-3.0, 3.0, 4)
    return out


def make_no_field(seed: int) -> FormatScene:
    """Four channels that are no sound field: spot microphones, a quartet of them that leak, or two stereo pairs."""
    rng = np.random.default_rng([seed, 12])
    words = recorded_words()
    samples = round(SECONDS * RATE)
    own = np.stack([(speech(words, SECONDS, rng), plucked(SECONDS, rng))[int(rng.integers(2))] for _ in range(4)])
    own *= rng.uniform(0.3, 1.0, (4, 1)) / np.sqrt(np.mean(own**2, axis=1, keepdims=True))
    kind = ("spots", "leaking spots", "two stereo pairs")[seed % 3]
    if kind == "leaking spots":
        sound = own * 1.0
        for at in range(4):
            for other in range(4):
                if other != at:
                    late = int(rng.integers(100, 600))
                    sound[at, late:] += own[other, : samples - late] * rng.uniform(0.1, 0.4)
    elif kind == "two stereo pairs":
        sound = np.stack([sum(own[n] * rng.uniform(0.1, 1.0) for n in range(4)) for _ in range(4)])
    else:
        sound = own
    sound += 1e-3 * rng.standard_normal(sound.shape)
    sound *= 0.3 / np.max(np.abs(sound))
    return FormatScene(seed, kind, "", (0, 1, 2, 3), "4 channels", sound.astype(np.float32))


def _sound_at(
    capsules: Capsules, kind: str, rng: np.random.Generator, hanging: tuple[float, float, float]
) -> FloatArray:
    """Performers in a room: early images exactly, then a tail from many sides, over noise from as many."""
    size, rt60_s = rng.uniform((4.5, 4.5, 2.5), (9.0, 9.0, 4.0)), rng.uniform(0.15, 0.8)
    surface = 2 * (size[0] * size[1] + size[1] * size[2] + size[0] * size[2])
    reflection = np.exp(-0.161 * np.prod(size) / (2 * surface * rt60_s))  # Eyring
    centre = size / 2 + rng.uniform(-0.6, 0.6, 3) * (1, 1, 0.3)
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-15, 15), rng.choice([0, 180, 90], p=hanging) + rng.uniform(-15, 15)
    )
    aims = capsule_directions(capsules) @ matrix_from_ypr(mount).T  # in room axes
    samples = round(SECONDS * RATE)
    sound, around = np.zeros((4, samples)), np.zeros((_WAVES, samples))
    words = recorded_words()
    # One to three performers, each of whom goes somewhere else now and then.
    stays = 0 if kind == "ambience" else int(rng.integers(1, 4)) * _STAYS
    for stay in range(stays):
        start, length_s = round(SECONDS * (stay % _STAYS) / _STAYS * RATE), SECONDS / _STAYS - 0.3
        azimuth, height = rng.uniform(-np.pi, np.pi), rng.uniform(-0.3, 0.5)
        place = centre + rng.uniform(0.8, 2.2) * np.array([np.cos(azimuth), np.sin(azimuth), height])
        images, bounces = _early_images(np.clip(place, 0.3, size - 0.3), size)
        if kind == "speech":
            signal = speech(words, length_s, rng)
        else:
            signal = plucked(length_s, rng) if kind == "music" else claps(length_s, rng)
        for channel, aim in enumerate(aims):
            seen = images - (centre + capsules.radius_m * aim)
            distances = np.linalg.norm(seen, axis=1)
            gains = reflection**bounces * (capsules.omni_part + (1 - capsules.omni_part) * (seen @ aim) / distances)
            exact = np.zeros(len(gains), dtype=bool)
            response = path_response(distances, gains[np.newaxis], exact, shift=0.0)
            heard = fftconvolve(response[0], signal)[HALF_KERNEL:][: samples - start]
            sound[channel, start : start + len(heard)] += heard
        times = np.arange(round(rt60_s * RATE)) / RATE
        tail = rng.standard_normal((_WAVES, len(times))) * 10 ** (-3 * times / rt60_s) * (times > 0.015)
        # Steady power of the tail, from V and RT60: 16 pi / A over the direct sound's 1 / r^2 at 1 m (textbook).
        absorption = 0.161 * np.prod(size) / rt60_s
        tail *= np.sqrt(16 * np.pi / absorption / np.sum(tail**2)) * rng.uniform(0.5, 1.2)
        heard = fftconvolve(tail, signal[np.newaxis], axes=1)[:, : samples - start]
        around[:, start : start + heard.shape[1]] += heard
    power = np.mean(sound**2) or 1.0
    hz = np.fft.rfftfreq(samples, 1 / RATE)
    pink = np.where(hz > 40, 1 / np.sqrt(np.maximum(hz, 40)), 0)
    noise = np.fft.irfft(pink * np.fft.rfft(rng.standard_normal((_WAVES, samples))), samples)
    noise *= rng.uniform(0.3, 1.0, (_WAVES, 1))
    noise *= np.sqrt(power * 10 ** (-rng.uniform(5.0, 30.0) / 10) / np.sum(np.mean(noise**2, axis=1)))
    return sound + _from_around(around + noise, capsules, aims, rng)


def _early_images(place: FloatArray, size: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mirror images of up to two bounces in a shoebox, and their bounces (Allen and Berkley 1979)."""
    along = []
    for x, length in zip(place, size, strict=True):
        shifts = np.arange(-1, 2)
        along.append(
            [
                *((2 * n * length + x, abs(2 * n)) for n in shifts),
                *((2 * n * length - x, abs(2 * n - 1)) for n in (0, 1)),
            ]
        )
    images, bounces = [], []
    for x in along[0]:
        for y in along[1]:
            for z in along[2]:
                if x[1] + y[1] + z[1] <= 2:
                    images.append((x[0], y[0], z[0]))
                    bounces.append(x[1] + y[1] + z[1])
    return np.array(images), np.array(bounces)


def _from_around(waves: FloatArray, capsules: Capsules, aims: FloatArray, rng: np.random.Generator) -> FloatArray:
    """What the capsules hear of plane waves from as many sides, drawn at random."""
    towards = rng.standard_normal((len(waves), 3))
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    taps = np.arange(-16, 17)
    facing = towards @ aims.T  # (waves, capsules)
    away = taps + (capsules.radius_m * facing / SPEED_OF_SOUND_M_S * RATE)[..., np.newaxis]
    kernels = np.sinc(away) * (0.5 + 0.5 * np.cos(np.pi * away / 20))
    kernels *= (capsules.omni_part + (1 - capsules.omni_part) * facing)[..., np.newaxis]
    padded = np.pad(waves, ((0, 0), (16, 16)))
    return sum(kernels[..., n].T @ padded[:, 32 - n : 32 - n + waves.shape[1]] for n in range(len(taps)))


def _field(sound: FloatArray, capsules: Capsules) -> FloatArray:
    field = internal_from(sound, capsules)
    if capsules.corrected:
        reach = ((0, 0), (CORRECTION_REACH, CORRECTION_REACH))
        return corrected_field(np.pad(field, reach), capsules, RATE)
    return field


def _written(field: FloatArray, name: str) -> FloatArray:
    """W, Y, Z, X in SN3D as another format has them, by the published gains, not by the code on trial."""
    w, y, z, x = np.asarray(field, dtype=float)
    if name == "n3d":
        return np.stack([w, *(3**0.5 * part for part in (y, z, x))])
    return np.stack([w / 2**0.5, x, y, z]) if name == "fuma" else np.stack([w, y, z, x])


def _laid_out(sound: FloatArray, layout: str, rng: np.random.Generator) -> tuple[FloatArray, tuple[int, ...]]:
    silence = np.zeros((int(rng.integers(1, 5)), sound.shape[1]))
    mix = rng.uniform(-0.3, 0.3, (2, 4)) + np.array([[0.6, 0.3, 0, 0], [0.6, -0.3, 0, 0]])
    stereo = mix @ sound
    if layout == "stereo mix first":
        return np.concatenate([stereo, sound]), (2, 3, 4, 5)
    if layout == "stereo after":
        return np.concatenate([sound, stereo]), (0, 1, 2, 3)
    if layout == "empty channels after":
        return np.concatenate([sound, silence]), (0, 1, 2, 3)
    if layout == "empty channels between":
        return np.concatenate([sound[:2], silence, sound[2:]]), (0, 1, len(silence) + 2, len(silence) + 3)
    return sound, (0, 1, 2, 3)
