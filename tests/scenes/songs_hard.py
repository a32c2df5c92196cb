"""True pairs that look like contradictions: a clip and its own take, each with something the other does not hear.

Functions: make_hard_pair.
"""

import numpy as np

from demo_audio.boxes import add_at, camera_sound, power_while_sounding, record, true_law
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from spatial.conventions import FloatArray
from spatial.dsp.samples import ArraySamples
from spatial.rotation import YawPitchRoll
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.songs import make_song, place_near, steps
from tests.scenes.stage import RATE, plucked, recorded_words, speech

HARDSHIPS = (
    "camera wind at 0 dB",
    "handling noise on the camera",
    "handling noise on the recorder",
    "handling noise on both, at different times",
    "gain riding over 30 dB",
    "noise at -5 dB",
    "recorder 1.5 to 3 m away",
    "a step of 20 to 200 ms in the clock",
    "loudspeaker music and talk, nothing amiss",
    "recorder 1.5 to 3 m away, one talks close to it",
)
"""A pair's seed goes round these."""


def make_hard_pair(seed: int) -> tuple[str, ArraySamples, ArraySamples, ClockLaw]:
    """Name of the hardship, clip, take and their law (before the step, where there is one)."""
    rng = np.random.default_rng([seed, 23])
    name = HARDSHIPS[seed % len(HARDSHIPS)]
    far, noisy = "recorder 1.5" in name, "-5 dB" in name
    size = (rng.uniform(5.5, 9.0), rng.uniform(5.5, 9.0), rng.uniform(2.5, 3.8))
    lens = (size[0] / 2 + rng.uniform(-0.4, 0.4), size[1] / 2 + rng.uniform(-0.4, 0.4), rng.uniform(1.3, 1.6))
    turn, apart = rng.uniform(0, 2 * np.pi), rng.uniform(1.5, 2.3) if far else rng.uniform(0.1, 0.4)
    offset = (apart * np.cos(turn), apart * np.sin(turn), 0.0) if far else (0.0, 0.3 * apart, 0.9 * apart)
    rig = Rig(lens, rng.uniform(-180, 180), offset, YawPitchRoll.from_degrees(rng.uniform(-180, 180), 0.0, 0.0))
    total_s, words = rng.uniform(30.0, 50.0), recorded_words()
    people = [
        Performer(f"p{n}", place_near(rig, size, rng, distance_m=rng.uniform(1.0, 2.5)), _turns(total_s, n, words, rng))
        for n in range(3)
    ]
    if "close" in name:
        near = np.clip(rig.place(0.85 * np.asarray(offset)), 0.3, np.asarray(size) - 0.3).tolist()
        people[0] = Performer("close", (near[0], near[1], near[2] - 0.1), people[0].signal)
    if "loudspeaker" in name or rng.random() < 0.3:
        song, _ = make_song(20.0, rng, exact=False)
        played = np.zeros(round(total_s * RATE))
        add_at(played[np.newaxis], song[np.newaxis], round(5.0 * RATE))
        people.append(Performer("loudspeaker", place_near(rig, size, rng, distance_m=2.0), played))
    room = Room(size, rng.uniform(0.25, 0.75))
    shoot = simulate_shoot(room, rig, people, duration_s=total_s, rng=rng)
    snr_db = -5.0 if noisy else rng.uniform(5.0, 25.0)
    level = np.sqrt(power_while_sounding(shoot.field[:1], rate_hz=RATE) * 10 ** (-snr_db / 10))
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    field, scratch = shoot.field + level * at_mic, shoot.scratch + level * at_camera
    loud = float(np.sqrt(power_while_sounding(shoot.field[:1], rate_hz=RATE)))
    if "on the camera" in name or "both" in name:
        scratch = scratch + loud * _handling(scratch.shape, rng)
    if "on the recorder" in name or "both" in name:
        field = field + loud * _handling(field.shape, rng)
    clip_from, clip_s = rng.uniform(0.5, 3.0), total_s - 5.0
    clip_ppm, take_ppm = rng.uniform(-30, 30), rng.uniform(-60, 60)
    heard = record(scratch, rate_hz=RATE, start_s=clip_from, duration_s=clip_s, rng=rng, clock_ppm=clip_ppm)
    heard = camera_sound(
        heard, rate_hz=RATE, rng=rng, wind_snr_db=0.0 if "wind" in name else rng.uniform(5, 20),
        gain_range_db=30.0 if "gain" in name else 10.0,
    )  # fmt: skip
    clip = record(heard, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=clip_s, rng=rng, noise_dbfs=-70.0)
    take = record(
        field, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=total_s, rng=rng, clock_ppm=take_ppm, noise_dbfs=-75.0
    )
    if "step" in name:
        at = int(rng.uniform(0.35, 0.65) * take.shape[1])
        take = np.concatenate([take[:, :at], take[:, at + int(rng.uniform(0.02, 0.2) * WORKING_RATE_HZ) :]], axis=1)
    law = true_law(clip_start_s=clip_from, take_start_s=0.0, clip_ppm=clip_ppm, take_ppm=take_ppm)
    return (
        name,
        ArraySamples(clip.astype(np.float32), WORKING_RATE_HZ),
        ArraySamples(take.astype(np.float32), WORKING_RATE_HZ),
        law,
    )


def _turns(total_s: float, number: int, words: list[FloatArray], rng: np.random.Generator) -> FloatArray:
    """A voice, an instrument or steps, on and off."""
    out = np.zeros(round(total_s * RATE))
    at = rng.uniform(0.0, 4.0)
    while at < total_s - 2.0:
        length = rng.uniform(2.0, 6.0)
        sounds = (lambda s: speech(words, s, rng), lambda s: plucked(s, rng), lambda s: steps(s, rng))
        sound = sounds[number if rng.random() < 0.5 else 0](length)
        add_at(out[np.newaxis], sound[np.newaxis], round(at * RATE))
        at += length + rng.uniform(1.0, 5.0)
    return out


def _handling(shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Bumps and rustling at a box itself: broad-band, at the level of the performers, a tenth of the time."""
    out = np.zeros(shape)
    at = rng.uniform(0.0, 3.0)
    while at < shape[1] / RATE - 2.0:
        length = round(rng.uniform(0.1, 1.5) * RATE)
        rustle = rng.standard_normal(length) * np.repeat(rng.uniform(0, 1, length // 2400 + 1) ** 2, 2400)[:length]
        out[:, round(at * RATE) : round(at * RATE) + length] += rng.uniform(0.5, 2.0) * rustle
        at += rng.uniform(2.0, 8.0)
    return out
