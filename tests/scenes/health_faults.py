"""Faults of many sizes, each put where it happens: at the capsules, at the recorder or in the file.

Functions: sound_of (the file's samples); FAULTS (where, how, and under which code it should be found).
"""

import numpy as np
from scipy.signal import lfilter

from spatial.conventions import FloatArray
from tests.scenes.health import CAPSULES_FROM_FIELD, FIELD_FROM, FIELD_FROM_CAPSULES, Scene
from tests.scenes.stage import RATE


def sound_of(scene: Scene, *, fault: str = "", rng: np.random.Generator | None = None) -> FloatArray:
    """The file's samples, shape (4, samples), float32, with a fault in them or none."""
    rng = rng or np.random.default_rng((2027, scene.seed))
    field = scene.field
    capsules = CAPSULES_FROM_FIELD @ field
    level = 10 ** (scene.peak_dbfs / 20)
    recorded_from_field = np.linalg.inv(FIELD_FROM[scene.recorded_format])
    recorded_from_capsules = recorded_from_field @ FIELD_FROM_CAPSULES
    gain = level / np.max(np.abs(recorded_from_capsules @ capsules))
    mismatch = 10 ** (rng.normal(0.0, 0.3, (4, 1)) / 20)
    capsules = capsules * gain * mismatch + 10 ** (scene.noise_db / 20) * scene.noise
    fault_maker = FAULTS.get(fault)
    if fault_maker is not None and fault_maker[0] == "capsules":
        capsules = fault_maker[1](capsules, scene, rng)
    recorded = recorded_from_capsules @ capsules
    if fault_maker is not None and fault_maker[0] == "recorded":
        recorded = fault_maker[1](recorded, scene, rng)
    if scene.kind in ("padded", "faded"):
        recorded = _silenced(recorded, scene.kind, rng)
    if scene.edit is not None:
        recorded = scene.edit(recorded, rng)
    coded = _coded(recorded, scene.bits, rng, dither=scene.dithered)
    if fault_maker is not None and fault_maker[0] == "file":
        coded = _coded(fault_maker[1](coded, scene, rng), scene.bits, rng, dither=False)
    return coded.astype(np.float32)


def _coded(sound: FloatArray, bits: int, rng: np.random.Generator, *, dither: bool = True) -> FloatArray:
    full = 2.0 ** (bits - 1)
    shaken = sound * full
    if dither:
        shaken = shaken + np.where(sound != 0.0, rng.uniform(-0.5, 0.5, sound.shape), 0.0)
    return np.clip(np.rint(shaken), -full, full - 1) / full


def _silenced(sound: FloatArray, kind: str, rng: np.random.Generator) -> FloatArray:
    sound, count = sound.copy(), sound.shape[1]
    if kind == "padded":
        sound[:, : int(rng.uniform(0.01, 3.0) * RATE)] = 0.0
        sound[:, count - int(rng.uniform(0.01, 3.0) * RATE) :] = 0.0
        return sound
    begin, length = int(rng.uniform(3.0, 6.0) * RATE), int(rng.uniform(0.5, 3.0) * RATE)
    ramp = np.linspace(1.0, 0.0, RATE // 20)
    sound[:, begin - ramp.size : begin] *= ramp
    sound[:, begin : begin + length] = 0.0
    sound[:, begin + length : begin + length + ramp.size] *= ramp[::-1]
    return sound


def _loud(sound: FloatArray) -> float:
    frames = sound[0, : sound.shape[1] // 2048 * 2048].reshape(-1, 2048)
    return float(np.sqrt(np.quantile(np.mean(frames**2, axis=1), 0.95)))


def _loud_places(sound: FloatArray, count: int, rng: np.random.Generator) -> list[int]:
    """Samples amid the louder half of the sound: what is lost in a rest is not missed by anybody."""
    frames = np.mean(sound[0, : sound.shape[1] // 480 * 480].reshape(-1, 480) ** 2, axis=1)
    lowest, highest = int(0.1 * frames.size), int(0.8 * frames.size)
    amid = np.flatnonzero(frames[lowest:highest] >= np.median(frames[lowest:highest])) + lowest
    return sorted((480 * rng.choice(amid, count, replace=False) + rng.integers(0, 480)).tolist())


def _clip(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    over_db = rng.uniform(1.0, 15.0)
    cut = np.clip(sound * 10 ** (over_db / 20) / np.max(np.abs(sound)), -1.0, 1.0)
    return cut * (rng.uniform(0.2, 0.9) if rng.random() < 0.5 else 1.0)


def _dead(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    sound[rng.integers(4)] = 10 ** (-rng.uniform(110, 140) / 20) * rng.standard_normal(sound.shape[1])
    return sound


def _gain(sound: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    first = 0 if scene.recorded_format == "capsules" else 1
    sound[rng.integers(first, 4)] *= 10 ** (rng.choice([-1, 1]) * rng.uniform(6.0, 15.0) / 20)
    return sound * min(1.0, 0.9 / np.max(np.abs(sound)))


def _polarity(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    sound[rng.integers(4)] *= -1.0
    return sound


def _swap(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    other = rng.integers(1, 4)
    sound[[0, other]] = sound[[other, 0]]
    return sound


def _offset(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    sound[rng.integers(4)] += rng.choice([-1, 1]) * 10 ** rng.uniform(-2.5, -1.0)
    return sound * min(1.0, 0.95 / np.max(np.abs(sound)))


def _hole(sound: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    for start in _loud_places(sound, int(rng.integers(1, 6)), rng):
        length = int(10 ** rng.uniform(-3.3, -0.5) * scene.rate_hz)
        sound[:, start : start + length] = 0.0
    return sound


def _repeat(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    for start in _loud_places(sound, int(rng.integers(1, 4)), rng):
        length = int(rng.choice([64, 128, 256, 441, 480, 512, 1024, 4096]))
        sound[:, start + length : start + 2 * length] = sound[:, start : start + length].copy()
    return sound


def _lost(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    kept = np.ones(sound.shape[1], dtype=bool)
    for start in _loud_places(sound, int(rng.integers(3, 30)), rng):
        kept[start : start + int(rng.choice([32, 128, 256, 480, 512, 1024, 4096]))] = False
    return sound[:, kept]


def _hum(sound: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
    sound = sound.copy()
    time = np.arange(sound.shape[1]) / scene.rate_hz
    hertz = rng.choice([50.0, 60.0]) * (1 + rng.uniform(-0.004, 0.004))
    slope = rng.uniform(0.3, 1.5)
    hum = sum(np.sin(2 * np.pi * hertz * n * time + rng.uniform(0, 6.3)) / n**slope for n in range(1, 8))
    level = max(_loud(sound) * 10 ** (rng.uniform(-35, -5) / 20), 3e-4)
    channels = np.ones(4, dtype=bool) if rng.random() < 0.5 else np.arange(4) == rng.integers(4)
    sound[channels] += np.outer(rng.uniform(0.5, 1.0, channels.sum()), hum) * level / np.std(hum)
    return sound * min(1.0, 0.95 / np.max(np.abs(sound)))


def _wind(sound: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
    samples = sound.shape[1]
    pole = np.exp(-2 * np.pi * rng.uniform(20, 80) / scene.rate_hz)
    blown = lfilter([1 - pole], [1, -pole], rng.standard_normal(sound.shape), axis=1)
    blown = lfilter([1, -1], [1, -np.exp(-2 * np.pi * 8 / scene.rate_hz)], blown, axis=1)
    gusts = np.interp(np.arange(samples), np.linspace(0, samples, 13), rng.uniform(0.1, 1, 13))
    blown = blown / np.std(blown) * gusts
    blown *= max(_loud(sound) * 10 ** (rng.uniform(-5, 15) / 20), 4e-3)
    out = sound + blown
    return out * min(1.0, 0.9 / np.max(np.abs(out)) / 2)


def _narrow(sound: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
    spectrum = np.fft.rfft(sound, axis=1)
    cut = int(rng.choice([10_500, 12_000, 15_500, 16_000, 17_500, 19_000, 20_000]) * sound.shape[1] / scene.rate_hz)
    width = int(rng.uniform(50, 300) * sound.shape[1] / scene.rate_hz)
    spectrum[:, cut + width :] = 0.0
    spectrum[:, cut : cut + width] *= np.linspace(1, 0, width)
    return np.fft.irfft(spectrum, sound.shape[1], axis=1)


def _hot(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    return sound * 10 ** (-rng.uniform(0.0, 0.8) / 20) / np.max(np.abs(sound))


def _low(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    return sound * 10 ** (-rng.uniform(42.0, 60.0) / 20) / np.max(np.abs(sound))


def _silent(sound: FloatArray, _scene: Scene, _rng: np.random.Generator) -> FloatArray:
    return 0.0 * sound


def _noise(sound: FloatArray, _scene: Scene, rng: np.random.Generator) -> FloatArray:
    level = max(_loud(sound) * 10 ** (-rng.uniform(0, 15) / 20), 6e-3)
    out = sound + level * rng.standard_normal(sound.shape)
    return out * min(1.0, 0.95 / np.max(np.abs(out)))


FAULTS = {
    "clipping": ("recorded", _clip, "clipping"),
    "dead_channel": ("recorded", _dead, "dead_channel"),
    "silence": ("file", _silent, "dead_channel"),
    "gain_mismatch": ("recorded", _gain, "gain_mismatch"),
    "polarity": ("capsules", _polarity, "polarity"),
    "swapped_channels": ("recorded", _swap, "swapped_channels"),
    "dc_offset": ("recorded", _offset, "dc_offset"),
    "holes": ("file", _hole, "dropout"),
    "repeats": ("file", _repeat, "dropout"),
    "lost samples": ("file", _lost, "dropout"),
    "hum": ("recorded", _hum, "hum"),
    "wind": ("capsules", _wind, "rumble"),
    "noise": ("recorded", _noise, "noise_floor"),
    "bandwidth": ("recorded", _narrow, "bandwidth"),
    "too hot": ("recorded", _hot, "level"),
    "too low": ("recorded", _low, "level"),
}
"""Where it happens, how it is made, the code it should be found under."""
