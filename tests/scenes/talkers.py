"""Cheap scenes for the benchmark of talkers: talkers by turns, a recorder near the camera or metres from it.

The geometry of delays is exact: direct paths and the first reflections of a box-shaped room, at every microphone.
Behind them comes a tail of noise that dies away with the room's RT60. All is made at WORKING_RATE_HZ, so that a clip
of minutes takes seconds.

Functions: make_talker_scene.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import soxr
from scipy import fft
from scipy.signal import oaconvolve

from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from spatial.sync.envelope import WORKING_RATE_HZ as RATE
from spatial.timebase import ClockLaw, ClockStep
from tests.scenes.stage import RATE as WORDS_RATE
from tests.scenes.stage import recorded_words

GROUPS = ("apart", "rig", "apart", "rig with a step")
"""A scene's seed goes round these."""

_MIC_SPACING_M = 0.12
_ORDERS = ("random turns", "mostly in blocks", "two at first, others later")


@dataclass(frozen=True, slots=True, eq=False)
class TalkerScene:
    """One clip and its take, both at WORKING_RATE_HZ, and what is true of them."""

    seed: int
    group: str
    clip: FloatArray
    """Shape (camera channels, samples)."""
    take: FloatArray
    """Shape (4, samples)."""
    law: ClockLaw
    """With the true step in it, if there is one."""
    away_m: float
    """From the camera to the recorder."""
    rt60_s: float
    """0 in open air."""
    talkers: int
    order: str
    arrivals_s: FloatArray
    """How much later the recorder hears each talker than the camera does, shape (talkers,)."""


def make_talker_scene(seed: int) -> TalkerScene:
    """Two to four talkers by turns, a room or open air, clocks up to 100 ppm apart, a clip of 45 to 240 s."""
    rng = np.random.default_rng([seed, 14])
    group = GROUPS[seed % len(GROUPS)]
    rt60_s = 0.0 if rng.random() < 0.2 else float(rng.uniform(0.2, 0.8))
    away = rng.uniform(0.1, 0.35) if group.startswith("rig") else 0.5 * 16.0 ** rng.random()
    size = np.array([rng.uniform(1.0, 1.6) * max(5.0, away + 3.0), rng.uniform(5.0, 9.0), rng.uniform(2.5, 4.0)])
    camera, recorder, places = _whereabouts(rng, size, float(away), int(rng.integers(2, 5)))
    order = _ORDERS[int(rng.integers(len(_ORDERS)))]
    length_s, early_s = 45.0 * (240.0 / 45.0) ** rng.random(), rng.uniform(1.0, 5.0)
    total_s = length_s + early_s + 3.0
    voices = _voices(rng, _turns(rng, len(places), total_s, order), len(places), total_s)
    facing = rng.uniform(-np.pi, np.pi)
    left = 0.5 * _MIC_SPACING_M * np.array([-np.sin(facing), np.cos(facing), 0.0])
    turned = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    turned *= np.sign(np.linalg.det(turned))
    field, scratch = np.zeros((4, voices.shape[1])), np.zeros((2, voices.shape[1]))
    for voice, place in zip(voices, places, strict=True):
        field += oaconvolve(voice[np.newaxis], _response(rng, size, rt60_s, place, recorder, turned), axes=1)[
            :, : voice.size
        ]
        for side, microphone in enumerate((camera + left, camera - left)):
            response = _response(rng, size, rt60_s, place, microphone, None)
            scratch[side] += oaconvolve(voice, response[0])[: voice.size]
    snr_db = rng.uniform(8.0, 25.0)
    for sound in (field, scratch):
        level = np.sqrt(np.mean(sound[0] ** 2)) * 10 ** (-snr_db / 20)
        hiss = rng.standard_normal(sound.shape, dtype=np.float32)
        sound += level * (hiss * np.array([1.0, 0.6, 0.6, 0.6])[:, np.newaxis] if len(sound) == 4 else hiss)
    ppm = float(rng.uniform(-100.0, 100.0))
    take = soxr.resample(field.T, RATE, RATE * (1 + ppm * 1e-6), quality="HQ").T
    law = ClockLaw(early_s * (1 + ppm * 1e-6), ppm)
    if group.endswith("step"):
        law, take = _stepped(rng, law, take, length_s)
    first = round(early_s * RATE)
    law = ClockLaw(law.offset_s + (first / RATE - early_s) * law.ratio, ppm, law.steps)
    clip = scratch[:, first : first + round(length_s * RATE)]
    if rng.random() < 0.25:
        clip = clip.mean(axis=0, keepdims=True)
    arrivals = (
        np.linalg.norm(places - recorder, axis=1) - np.linalg.norm(places - camera, axis=1)
    ) / SPEED_OF_SOUND_M_S
    return TalkerScene(
        seed, group, clip.astype(np.float32), take.astype(np.float32), law, float(away), rt60_s, len(places), order,
        arrivals,
    )  # fmt: skip


def _whereabouts(
    rng: np.random.Generator, size: FloatArray, away: float, talkers: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Camera, recorder and talkers in a room: talkers 1 to 3.5 m before the camera, 0.5 m or more from all else."""
    while True:
        camera = np.array([rng.uniform(0.7, size[0] - 0.7), rng.uniform(0.7, size[1] - 0.7), rng.uniform(1.2, 1.7)])
        towards = rng.standard_normal(3) * (1.0, 1.0, 1.0 if away < 0.5 else 0.15)
        recorder = camera + away * towards / np.linalg.norm(towards)
        facing, places = rng.uniform(-np.pi, np.pi), []
        for _ in range(40):
            around, far = facing + np.radians(rng.uniform(-80, 80)), rng.uniform(1.0, 3.5)
            place = camera + np.array([far * np.cos(around), far * np.sin(around), rng.uniform(-0.3, 0.3)])
            inside = np.all(place > 0.3) and np.all(place < size - 0.3)
            if inside and all(np.linalg.norm(place - other) > 0.5 for other in (recorder, *places)):
                places.append(place)
            if len(places) == talkers:
                break
        if len(places) == talkers and np.all(recorder > 0.3) and np.all(recorder < size - 0.3):
            return camera, recorder, np.array(places)


def _turns(rng: np.random.Generator, talkers: int, total_s: float, order: str) -> list[tuple[int, float, float]]:
    """Who talks from when on and how long."""
    turns, at_s, who = [], 0.4, int(rng.integers(talkers))
    while at_s < total_s - 2.0:
        length_s = min(rng.uniform(2.0, 12.0), total_s - at_s - 0.5)
        turns.append((who, at_s, length_s))
        at_s += length_s + rng.uniform(-0.3, 1.0)
        part = at_s / total_s
        if order == "mostly in blocks" and rng.random() < 0.8:
            who = min(int(part * talkers), talkers - 1)
        elif order == "two at first, others later":
            few = [0, 1] if part < 0.5 else [number % talkers for number in (talkers - 2, talkers - 1)]
            who = int(rng.choice(few))
        else:
            who = int(rng.integers(talkers))
    return turns


@cache
def _words() -> tuple[FloatArray, ...]:
    return tuple(soxr.resample(word, WORDS_RATE, RATE) for word in recorded_words())


def _voices(
    rng: np.random.Generator, turns: list[tuple[int, float, float]], talkers: int, total_s: float
) -> FloatArray:
    """Words in random order, each talker's at a pitch of their own, shape (talkers, samples)."""
    voices = np.zeros((talkers, round(total_s * RATE)))
    words = [
        [soxr.resample(word, RATE, RATE * pitch) for word in _words()] for pitch in rng.uniform(0.8, 1.25, talkers)
    ]
    for who, start_s, length_s in turns:
        at, end = round(start_s * RATE), round((start_s + length_s) * RATE)
        while at < end:
            word = words[who][int(rng.integers(len(words[who])))]
            piece = word[: voices.shape[1] - at]
            voices[who, at : at + piece.size] += rng.uniform(0.5, 1.0) * piece
            at += word.size + round(rng.uniform(0.05, 0.4) * RATE)
    return voices


def _response(
    rng: np.random.Generator,
    size: FloatArray,
    rt60_s: float,
    place: FloatArray,
    microphone: FloatArray,
    turned: FloatArray | None,
) -> FloatArray:
    """From a talker to a microphone: shape (4, taps) in the axes that `turned` gives, or (1, taps) for an omni one."""
    taps = fft.next_fast_len(round((max(1.1 * rt60_s, 0.1) + 0.06) * RATE))
    images, gains = [place], [1.0]
    # A hard floor in open air; in a room each wall takes what makes its RT60 (Sabine), the same for all.
    volume, area = float(np.prod(size)), 2.0 * float(size[0] * size[1] + size[1] * size[2] + size[0] * size[2])
    kept = np.sqrt(max(0.1, 1.0 - 0.161 * volume / (area * rt60_s))) if rt60_s else 0.4
    for axis in range(3):
        for wall in (0.0, size[axis]):
            if rt60_s or (axis == 2 and wall == 0.0):
                image = place.copy()
                image[axis] = 2.0 * wall - image[axis]
                images.append(image)
                gains.append(kept)
    seen = np.array(images) - microphone
    far = np.linalg.norm(seen, axis=1)
    toward = seen / far[:, np.newaxis]
    pattern = np.ones((1, far.size))
    if turned is not None:
        x, y, z = turned @ toward.T
        pattern = np.stack([np.ones_like(x), y, z, x])
    waves = np.exp(-2j * np.pi * np.outer(far / SPEED_OF_SOUND_M_S * RATE, np.arange(taps // 2 + 1)) / taps)
    response = fft.irfft((pattern * (np.array(gains) / far)) @ waves, taps, axis=1)
    if rt60_s:
        # The tail holds as much as the sound of a diffuse room does at its critical distance (Kuttruff).
        critical_m = 0.057 * np.sqrt(volume / rt60_s)
        time = np.arange(taps) / RATE
        shape = np.exp(-6.91 * time / rt60_s) * (time > far[0] / SPEED_OF_SOUND_M_S + 0.008)
        shape /= np.linalg.norm(shape) * critical_m
        tail = shape * rng.standard_normal((len(pattern), taps))
        tail[1:] /= np.sqrt(3.0)
        response += tail
    return response


def _stepped(rng: np.random.Generator, law: ClockLaw, take: FloatArray, length_s: float) -> tuple[ClockLaw, FloatArray]:
    """A take that lost 2 to 50 ms somewhere or has as much put in, and the law with that step."""
    size = round(2e-3 * 25.0 ** rng.random() * RATE)
    at_s = rng.uniform(0.15, 0.85) * length_s
    at = round(law.take_from_clip(at_s) * RATE)
    if rng.random() < 0.7:
        take, step_s = np.delete(take, np.s_[at : at + size], axis=1), -size / RATE
    else:
        take, step_s = np.insert(take, np.full(size, at), 0.0, axis=1), size / RATE
    return ClockLaw(law.offset_s, law.drift_ppm, (ClockStep(at_s, step_s),)), take
