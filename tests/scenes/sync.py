"""Scenes for the sync benchmark: real camera movies and recorder clocks, with known truth.

Each scene draws its own room, voices, rig, clocks and camera. The camera's sound goes through a movie file with
lossy sound, and comes back through the same door as a customer's clip.
"""

import pickle
import tempfile
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from demo_audio.boxes import add_at, power_while_sounding
from demo_audio.simulate import Performer, Rig, Room, camera_sound, record, simulate_shoot, true_law
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.media.buffers import resampled
from spatial.media.movies.clip import open_clip, scratch_blocks
from spatial.rotation import YawPitchRoll
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.stage import RATE, claps, plucked, recorded_words, speech

KINDS = ("speech", "music", "claps", "all three")


@dataclass(frozen=True, slots=True)
class Condition:
    """What one group of scenes has in common."""

    name: str
    rt60_s: tuple[float, float]
    snr_db: tuple[float, float]
    rig_m: tuple[float, float]
    """How far the recorder hangs from the lens."""


ROOMS = Condition("rig, RT60 0.3-0.7 s, SNR 5 to 20 dB", (0.3, 0.7), (5.0, 20.0), (0.1, 0.4))
HARD = Condition("rig, RT60 0.7-0.85 s, SNR -5 to -3 dB", (0.7, 0.85), (-5.0, -3.0), (0.1, 0.4))
APART = Condition("recorder 1.5-3 m from the lens, RT60 0.2-0.6 s, SNR 5 to 20 dB", (0.2, 0.6), (5.0, 20.0), (1.5, 3.0))
CONDITIONS = (ROOMS, HARD, ROOMS, HARD, ROOMS, APART)
"""A scene's seed goes round these."""


@dataclass(frozen=True, slots=True, eq=False)
class SyncScene:
    """One clip and its take, both at WORKING_RATE_HZ."""

    seed: int
    condition: Condition
    kind: str
    clip: FloatArray
    """Shape (camera channels, samples)."""
    take: FloatArray
    """Shape (4, samples)."""
    law: ClockLaw
    """From the clip's samples (not its picture) to the take's."""
    mic_offset_m: tuple[float, float, float]
    mount: YawPitchRoll


def make_sync_scene(seed: int) -> SyncScene:
    """Three performers by turns around a rig somewhere in a room of its own."""
    rng = np.random.default_rng([seed, 3])
    condition = CONDITIONS[seed % len(CONDITIONS)]
    kind = KINDS[int(rng.integers(len(KINDS)))]
    size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8))
    room = Room(size, rng.uniform(*condition.rt60_s))
    rig = _rig(condition, size, rng)
    length_s, early_s = rng.uniform(20.0, 60.0), rng.uniform(1.0, 6.0)
    total_s = length_s + early_s + 3.0
    shoot = simulate_shoot(room, rig, performers_by_turns(kind, rig, size, total_s, rng), duration_s=total_s, rng=rng)
    level = np.sqrt(power_while_sounding(shoot.field[:1], rate_hz=RATE) * 10 ** (-rng.uniform(*condition.snr_db) / 10))
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    clip_ppm, take_ppm = rng.uniform(-30, 30), rng.uniform(-70, 70)
    scratch = record(
        shoot.scratch + level * at_camera, rate_hz=RATE, start_s=early_s, duration_s=length_s, rng=rng,
        clock_ppm=clip_ppm,
    )  # fmt: skip
    heard = camera_sound(handled(scratch, rng), rate_hz=RATE, rng=rng, wind_snr_db=rng.uniform(0, 20))
    if rng.random() < 0.25:
        heard = np.mean(heard, axis=0, keepdims=True)
    elif rng.random() < 0.1:
        heard[1] *= -1.0
    clip, phase_s = through_a_movie(heard, int(rng.choice([64_000, 96_000, 128_000])))
    take = record(
        shoot.field + level * at_mic, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=total_s, rng=rng,
        clock_ppm=take_ppm, noise_dbfs=-75.0,
    )  # fmt: skip
    law = true_law(clip_start_s=early_s, take_start_s=0.0, clip_ppm=clip_ppm, take_ppm=take_ppm)
    law = ClockLaw(law.take_from_clip(phase_s), law.drift_ppm)
    return SyncScene(seed, condition, kind, clip, take.astype(np.float32), law, rig.mic_offset_m, rig.mount)


def _rig(condition: Condition, size: tuple[float, float, float], rng: np.random.Generator) -> Rig:
    lens = np.array([size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.3, 1.6)])
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-10, 10), rng.choice([0, 180]) + rng.uniform(-8, 8)
    )
    facing = rng.uniform(-180, 180)
    while True:
        away = rng.standard_normal(3) * (1.0, 1.0, 1.0 if condition.rig_m[1] < 1 else 0.2)
        offset = away / np.linalg.norm(away) * rng.uniform(*condition.rig_m)
        rig = Rig(tuple(lens.tolist()), facing, tuple(offset.tolist()), mount)
        place = rig.place(offset)
        if np.all(place > 0.3) and np.all(place < np.asarray(size) - 0.3):
            return rig


def performers_by_turns(
    kind: str,
    rig: Rig,
    size: tuple[float, float, float],
    total_s: float,
    rng: np.random.Generator,
    *,
    centres_deg: tuple[float, ...] = (55.0, 0.0, -55.0),
) -> list[Performer]:
    """Performers within 20 degrees of these azimuths, 1 to 2.5 m away, who sound one after another."""
    words = recorded_words()
    makers = {
        "speech": lambda seconds: speech(words, seconds, rng),
        "music": lambda seconds: plucked(seconds, rng),
        "claps": lambda seconds: claps(seconds, rng),
    }
    performers, signals = [], []
    for number, centre in enumerate(centres_deg):
        azimuth, elevation = np.radians(centre + rng.uniform(-20, 20)), np.radians(rng.uniform(-10, 15))
        level = np.cos(elevation)
        out = rng.uniform(1.0, 2.5) * np.array([np.cos(azimuth) * level, np.sin(azimuth) * level, np.sin(elevation)])
        place = np.clip(rig.place(out), 0.25, np.asarray(size) - 0.25)
        signals.append(np.zeros(round(total_s * RATE)))
        performers.append(Performer(f"p{number}", tuple(place.tolist()), signals[-1]))
    place_s, number = 0.5, 0
    while place_s < total_s - 1.5:
        turn_s = min(rng.uniform(1.5, 6.0), total_s - place_s - 0.5)
        own = kind if kind in makers else ("speech", "music", "claps")[number % 3]
        add_at(signals[number % len(signals)][np.newaxis], makers[own](turn_s)[np.newaxis], round(place_s * RATE))
        # Turns overlap a little, or leave a rest.
        place_s += turn_s + rng.uniform(-0.5, 1.0)
        number = number + 1 if rng.random() < 0.9 else number + 2
    return performers


def handled(scratch: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Thumps and scrapes that only the camera's body carries."""
    out = np.array(scratch)
    loud = np.sqrt(power_while_sounding(scratch, rate_hz=RATE))
    for _ in range(rng.poisson(scratch.shape[1] / RATE / 15)):
        time = np.arange(RATE // 4) / RATE
        thump = np.sin(2 * np.pi * rng.uniform(60, 180) * time) * np.exp(-time / 0.04)
        scrape = rng.standard_normal(time.size) * np.exp(-time / rng.uniform(0.005, 0.05))
        both = loud * (rng.uniform(1, 6) * thump + rng.uniform(0, 1.5) * scrape)
        add_at(out, np.tile(both, (out.shape[0], 1)), int(rng.integers(scratch.shape[1])))
    return out


def through_a_movie(sound: FloatArray, bit_rate: int) -> tuple[FloatArray, float]:
    """Write a movie with this sound and read it back; and the clip time of the first sample."""
    picture: npt.NDArray[np.uint8] = np.zeros((32, 32, 3), dtype=np.uint8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        frames = int(sound.shape[1] / RATE * 5)
        write_movie(
            path, frames=(picture for _ in range(frames)), frame_rate=Fraction(5), audio=sound, audio_bit_rate=bit_rate
        )
        clip = open_clip(path)
        assert clip.scratch is not None
        blocks = list(resampled(scratch_blocks(clip), clip.scratch.rate_hz, WORKING_RATE_HZ))
        return np.concatenate(blocks, axis=1), clip.scratch.phase_s


def kept_scene(seed: int, folder: Path | None) -> SyncScene:
    """A scene, made or taken from a folder where it was laid aside: making one takes longer than syncing it."""
    if folder is None:
        return make_sync_scene(seed)
    path = folder / f"{seed}.pickle"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        scene = make_sync_scene(seed)
        # Half precision: its error lies 66 dB below the sound.
        small = replace(scene, clip=_halved(scene.clip), take=_halved(scene.take))
        path.write_bytes(pickle.dumps(small))
    scene = pickle.loads(path.read_bytes())
    assert isinstance(scene, SyncScene)
    return replace(scene, clip=scene.clip.astype(np.float32), take=scene.take.astype(np.float32))


def _halved(sound: FloatArray) -> FloatArray:
    return (sound / np.max(np.abs(sound))).astype(np.float16)
