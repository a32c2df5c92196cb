"""Scenes for the benchmark of the mount without marks: a camera's stereo scratch and a take, with known truth.

Each scene draws its own room, voices, rig, mount and camera with a pair of microphones; the camera's sound goes through
a movie file with lossy sound. Some cannot tell the mount: they are there to see that this is said.
"""

import pickle
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from demo_audio.boxes import power_while_sounding
from demo_audio.camerapairs import CameraPair, crossed, middle_side
from demo_audio.microphones import field_through
from demo_audio.simulate import Rig, Room, camera_sound, record, simulate_shoot, true_law
from spatial.conventions import FloatArray
from spatial.rotation import YawPitchRoll
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.rooms import real_microphone
from tests.scenes.stage import RATE
from tests.scenes.sync import KINDS, handled, performers_by_turns, through_a_movie

ABOVE = "recorder over or under the lens"
BESIDE = "recorder 0.1-0.3 m from the lens, anywhere"
ONE_SIDE = "everybody on one side, 40 degrees apart or so"
MONO = "mono scratch"
NEAR_MONO = "near mono: the channels mixed but for a tenth"
ONE_PLACE = "one performer only"
CLOSE = "capsules 1 cm apart"
UNRELATED = "scratch of another scene"
TELLS = (ABOVE, ABOVE, BESIDE, ABOVE, ONE_SIDE, ABOVE)
"""A scene's seed goes round these."""

TWO_GAINS = "mono scratch, the channels 1 to 6 dB apart"
ONE_DEAF = "one channel holds nothing but its own noise"
CROSSTALK = "one channel holds the other's sound, 10 to 25 dB down, and its own noise"
LOOSE = "a loose cable: one channel's gain jumps by 3 to 20 dB several times a second"
OWN_GAINS = "each channel's gain rides by itself, by 20 dB"
CANNOT = (MONO, NEAR_MONO, ONE_PLACE, CLOSE, UNRELATED, TWO_GAINS, ONE_DEAF, CROSSTALK, LOOSE, OWN_GAINS)

FAR_BESIDE = "recorder 0.3-0.4 m from the lens, anywhere"
_CONDITIONS = (*TELLS, *CANNOT, FAR_BESIDE)

SPACED, NEARLY, CROSSED, MIDDLE_SIDE = "spaced", "near-coincident", "crossed", "middle and side"
PAIRS = (SPACED, CROSSED, NEARLY, MIDDLE_SIDE)
"""Kinds of camera microphones."""

_CENTRES_DEG = {ONE_SIDE: (70.0, 25.0), ONE_PLACE: (20.0,)}


@dataclass(frozen=True, slots=True, eq=False)
class ScratchScene:
    """One clip and its take, both at WORKING_RATE_HZ."""

    seed: int
    condition: str
    kind: str
    rt60_s: float
    pair: str
    pattern: CameraPair
    spacing_m: float
    gain_apart_db: float
    """How much hotter the right channel is."""
    gain_range_db: float
    bit_rate: int
    clip: FloatArray
    """Shape (2, samples)."""
    take: FloatArray
    """Shape (4, samples)."""
    law: ClockLaw
    """From the clip's samples (not its picture) to the take's."""
    mic_offset_m: tuple[float, float, float]
    mount: YawPitchRoll
    upside_down: bool


def make_scratch_scene(seed: int, condition: str, pair: str = SPACED, *, real: bool = False) -> ScratchScene:
    """Performers by turns for 20 s around a rig somewhere in a room of its own; its recorder ideal or real."""
    rng = np.random.default_rng([seed, 5, _CONDITIONS.index(condition), PAIRS.index(pair)])
    kind = KINDS[int(rng.integers(len(KINDS)))]
    size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8))
    # A large room cannot be as dry as a small one: its walls would have to be open.
    rt60_s = rng.uniform(max(0.2, 0.07 + 0.0011 * float(np.prod(size))), 0.8)
    upside_down = bool(rng.random() < 0.5)
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-8, 8), 180.0 * upside_down + rng.uniform(-8, 8)
    )
    pattern, spacing_m = _pair(pair, rng)
    rig = Rig(
        (size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.3, 1.6)),
        rng.uniform(-180, 180),
        _offset(condition, rng),
        mount,
        *((0.01, crossed(1.0, 90.0)) if condition == CLOSE else (spacing_m, pattern)),
    )
    length_s, early_s = 20.0, rng.uniform(1.0, 4.0)
    total_s = length_s + early_s + 2.0
    side = rng.choice([-1.0, 1.0])
    centres = tuple(side * c for c in _CENTRES_DEG[condition]) if condition in _CENTRES_DEG else (55.0, 0.0, -55.0)
    performers = performers_by_turns(kind, rig, size, total_s, rng, centres_deg=centres)
    microphone = real_microphone(seed) if real else None
    shoot = simulate_shoot(Room(size, rt60_s), rig, performers, duration_s=total_s, rng=rng, microphone=microphone)
    level = np.sqrt(power_while_sounding(shoot.field[:1], rate_hz=RATE) * 10 ** (-rng.uniform(5.0, 20.0) / 10))
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    if microphone is not None:
        at_mic = field_through(microphone, at_mic)
    clip_ppm, take_ppm = rng.uniform(-30, 30), rng.uniform(-70, 70)
    own_noise_dbfs = 10 * np.log10(power_while_sounding(shoot.scratch, rate_hz=RATE)) - rng.uniform(25.0, 50.0)
    scratch = record(
        shoot.scratch + level * at_camera, rate_hz=RATE, start_s=early_s, duration_s=length_s, rng=rng,
        clock_ppm=clip_ppm, noise_dbfs=own_noise_dbfs,
    )  # fmt: skip
    most_db = 6.0 if pair == SPACED else 2.0
    gain_apart_db = rng.uniform(-most_db, most_db)
    scratch[1] *= 10 ** (gain_apart_db / 20)
    gain_range_db, bit_rate = float(rng.choice([0.0, 10.0, 20.0])), int(rng.choice([64_000, 96_000, 128_000]))
    spoilt, wind_db = _faulty(condition, handled(scratch, rng), rng), rng.uniform(0, 20)
    if condition == OWN_GAINS:
        each = [
            camera_sound(one, rate_hz=RATE, rng=rng, wind_snr_db=wind_db, gain_range_db=20.0)
            for one in spoilt[:, np.newaxis]
        ]
        heard = np.concatenate(each)
    else:
        heard = camera_sound(spoilt, rate_hz=RATE, rng=rng, wind_snr_db=wind_db, gain_range_db=gain_range_db)
    if condition in (MONO, NEAR_MONO, TWO_GAINS):
        middle = np.mean(heard, axis=0, keepdims=True)
        heard = middle + (0.1 if condition == NEAR_MONO else 0.0) * (heard - middle)
    if condition == TWO_GAINS:
        heard[int(rng.integers(2))] *= 10 ** (-rng.uniform(1.0, 6.0) / 20)
    clip, phase_s = through_a_movie(heard, bit_rate)
    take = record(
        shoot.field + level * at_mic, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=total_s, rng=rng,
        clock_ppm=take_ppm, noise_dbfs=-75.0,
    )  # fmt: skip
    law = true_law(clip_start_s=early_s, take_start_s=0.0, clip_ppm=clip_ppm, take_ppm=take_ppm)
    law = ClockLaw(law.take_from_clip(phase_s), law.drift_ppm)
    scene = ScratchScene(
        *(seed, condition, kind, rt60_s, pair, rig.camera_pair, rig.camera_mic_spacing_m, gain_apart_db),
        *(gain_range_db, bit_rate, clip.astype(np.float32)),
        *(take.astype(np.float32), law, rig.mic_offset_m, mount, upside_down),
    )
    if condition == UNRELATED:
        scene = replace(scene, clip=make_scratch_scene(seed + 1_000_000, ABOVE, pair, real=real).clip)
    return scene


def _pair(pair: str, rng: np.random.Generator) -> tuple[CameraPair, float]:
    """Patterns and how far the left capsule sits to the left of the right one."""
    if pair == SPACED:
        return crossed(rng.uniform(0.6, 1.0), 90.0), rng.uniform(0.06, 0.15)
    if pair == NEARLY:
        # Crossed capsules may sit on the side that they point away from.
        return crossed(rng.uniform(0.45, 0.65), rng.uniform(60.0, 130.0)), rng.uniform(-0.02, 0.06)
    if pair == CROSSED:
        return crossed(rng.uniform(0.45, 0.6), rng.uniform(60.0, 130.0)), 0.0
    return middle_side(float(rng.choice([1.0, 0.7, 0.5, 0.37])), rng.uniform(0.35, 0.8)), 0.0


def _faulty(condition: str, sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A camera's sound with one of its channels spoilt."""
    if condition not in (ONE_DEAF, CROSSTALK, LOOSE):
        return sound
    out, channel = np.array(sound), int(rng.integers(2))
    if condition == LOOSE:
        edges = np.cumsum(rng.exponential(0.2, int(20 * sound.shape[1] / RATE)))
        steps = np.searchsorted(edges, np.arange(sound.shape[1]) / RATE)
        jumps_db = np.where(rng.random(edges.size + 1) < 0.5, -rng.uniform(3.0, 20.0, edges.size + 1), 0.0)
        out[channel] *= 10 ** (jumps_db[steps] / 20)
        return out
    noise = rng.standard_normal(sound.shape[1]) * np.sqrt(power_while_sounding(sound, rate_hz=RATE)) * 0.03
    leak = 10 ** (-rng.uniform(10.0, 25.0) / 20) if condition == CROSSTALK else 0.0
    out[channel] = leak * out[1 - channel] + noise
    return out


def _offset(condition: str, rng: np.random.Generator) -> tuple[float, float, float]:
    if condition not in (BESIDE, FAR_BESIDE):
        return rng.uniform(-0.08, 0.08), rng.uniform(-0.08, 0.08), rng.choice([-1, 1]) * rng.uniform(0.1, 0.3)
    away = rng.standard_normal(3)
    forward, left, up = (
        away / np.linalg.norm(away) * (rng.uniform(0.1, 0.3) if condition == BESIDE else rng.uniform(0.3, 0.4))
    )
    return float(forward), float(left), float(up)


def kept_scratch_scene(
    seed: int, condition: str, pair: str, folder: Path | None, *, real: bool = False
) -> ScratchScene:
    """A scene, made or taken from a folder where it was laid aside: making one takes longer than using it."""
    if folder is None:
        return make_scratch_scene(seed, condition, pair, real=real)
    path = folder / f"{seed}-{_CONDITIONS.index(condition)}-{PAIRS.index(pair)}{'-real' if real else ''}.pickle"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(make_scratch_scene(seed, condition, pair, real=real)))
    scene = pickle.loads(path.read_bytes())
    assert isinstance(scene, ScratchScene)
    return scene
