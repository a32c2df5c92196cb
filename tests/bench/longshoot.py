"""Clips and takes of any length as files, with known truth, for measurements of time.

Minutes are simulated one by one in one room with one rig, and joined: speech, music and claps of three performers by
turns, noise from all around, a camera whose gain rides, a take whose clock drifts. Of a long shoot a few minutes are
made and cut into stretches, which follow each other in an order of their own each time round, so that no lag but the
true one fits much of it.
Functions: write_long_shoot.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from demo_audio.boxes import camera_sound, power_while_sounding, true_law
from demo_audio.simulate import Rig, Room, simulate_shoot
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray, W
from spatial.rotation import YawPitchRoll
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.stage import RATE
from tests.scenes.sync import performers_by_turns

EARLY_S = 5.0
"""The take was running for so long when the clip began."""

MINUTES_MADE = 6
"""Of longer shoots, minutes that are simulated; the rest is made of their stretches."""

_STRETCH_S = 7.5
"""Length of a stretch: 48 of them are made."""

_TAKE_PPM = 23.0
"""By how much the take's clock runs fast: an ordinary difference of two crystals."""

_SNR_DB = 12.0


@dataclass(frozen=True, slots=True)
class LongShoot:
    """Files of one clip and one take, and what is true of them."""

    clip: Path
    take: Path
    law: ClockLaw
    mount: YawPitchRoll
    """How the microphone sat."""
    mic_offset_m: tuple[float, float, float]


def write_long_shoot(folder: Path, *, clip_min: float, take_min: float, seed: int) -> LongShoot:
    """Write a clip and a take of these lengths; files that lie there already are kept."""
    rng = np.random.default_rng([seed, 18])
    size = (rng.uniform(5.0, 8.0), rng.uniform(5.0, 8.0), rng.uniform(2.6, 3.4))
    room = Room(size, rng.uniform(0.3, 0.6))
    mount = YawPitchRoll.from_degrees(rng.uniform(-180, 180), rng.uniform(-8, 8), rng.uniform(-8, 8))
    rig = Rig((size[0] / 2, size[1] / 2, 1.5), 25.0, (0.0, 0.0, -0.2), mount)
    name = f"{seed}-{clip_min:g}-{take_min:g}"
    clip, take = folder / f"{name}.mp4", folder / f"{name}.wav"
    law = true_law(clip_start_s=EARLY_S, take_start_s=0.0, take_ppm=_TAKE_PPM)
    made = LongShoot(clip, take, law, mount, rig.mic_offset_m)
    if clip.exists() and take.exists():
        return made
    folder.mkdir(parents=True, exist_ok=True)
    clip_samples, heard = round(clip_min * 60 * RATE), []
    first = round(EARLY_S * RATE)
    stream = soxr.ResampleStream(RATE, RATE * (1 + _TAKE_PPM * 1e-6), 4, dtype="float32", quality="VHQ")
    with soundfile.SoundFile(take, "w", RATE, 4, "PCM_24") as out:
        for field, scratch in _minutes(room, rig, take_min, rng):
            out.write(stream.resample_chunk(np.ascontiguousarray(field.T)))
            heard.append(scratch)
        out.write(stream.resample_chunk(np.zeros((0, 4), dtype=np.float32), last=True))
    sound = np.concatenate(heard, axis=1)[:, first : first + clip_samples]
    picture: npt.NDArray[np.uint8] = np.zeros((32, 32, 3), dtype=np.uint8)
    frames = int(sound.shape[1] / RATE * 5)
    write_movie(
        clip, frames=(picture for _ in range(frames)), frame_rate=Fraction(5), audio=sound, audio_bit_rate=128_000
    )
    return made


def _minutes(room: Room, rig: Rig, minutes: float, rng: np.random.Generator) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Field and the camera's sound, block by block, of so many minutes of true time and a little more."""
    wanted = round((minutes * 60 + 2 * EARLY_S) * RATE)
    stretch = round(_STRETCH_S * RATE)
    kept: list[tuple[FloatArray, FloatArray]] = []
    done = 0
    for _ in range(MINUTES_MADE):
        field, scratch = _one_minute(room, rig, rng)
        if done < wanted:
            yield field, scratch
            done += field.shape[1]
        kept += [
            (field[:, at : at + stretch], scratch[:, at : at + stretch]) for at in range(0, field.shape[1], stretch)
        ]
        if done >= wanted:
            return
    while done < wanted:
        for number in rng.permutation(len(kept)):
            yield kept[number]
            done += kept[number][0].shape[1]


def _one_minute(room: Room, rig: Rig, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    performers = performers_by_turns("all three", rig, room.size_m, 60.0, rng)
    shoot = simulate_shoot(room, rig, performers, duration_s=60.0, rng=rng)
    level = np.sqrt(power_while_sounding(shoot.field[:1], rate_hz=RATE) * 10 ** (-_SNR_DB / 10))
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    field = shoot.field + level * at_mic
    scratch = camera_sound(shoot.scratch + level * at_camera, rate_hz=RATE, rng=rng, wind_snr_db=15.0)
    # Head-room, alike for every minute: the loudest of them come to half of full scale.
    gain = 0.02 / np.sqrt(np.mean(shoot.field[W] ** 2))
    return (gain * field).astype(np.float32), scratch.astype(np.float32)
