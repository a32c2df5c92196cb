"""Ordinary sound recordings that nothing is wrong with, in every condition that may look like a fault.

Each condition is something that crews do or have: one voice alone in a field, a performer at 0.3 m, a recorder on a
table, a room that rings for 1.4 s, everybody in front, a microphone whose axes are not equally sensitive, material of
16 bits in a file of 24, rests, fades, slates. Room responses are few and made once: mirror images for the first 50 ms,
then noise that decays, W, X, Y and Z each on their own as in a diffuse field (as strong as the images would be: their
number grows with t^2 and their power falls with it, so that 4 pi c / V arrives in a second).
Functions: make_ordinary; CONDITIONS names them.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import soxr
from scipy import fft
from scipy.signal import fftconvolve, lfilter

from demo_audio.rooms import HALF_KERNEL, path_response
from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from tests.scenes.health import AIMS, FIELD_FROM, Scene, diffuse, dry_sound
from tests.scenes.stage import RATE

CONDITIONS = (
    "open air, by turns", "one source anywhere", "one source overhead", "one source on an axis", "0.3 to 1 m away",
    "dense room", "all in front, room", "all in front, open air", "all in one plane", "no height recorded",
    "uneven microphone", "16 bits in 24", "long rests", "fades", "slate", "on a table", "along one line", "moving",
    "crowd or rain", "music in a room", "capsules, all in front", "faint fades",
)  # fmt: skip
_ROOMS = 20
_MIXED_S = 0.05
"""Reflections later than this are noise."""
_POOL_S = 24.0
_POOL = 3


def make_ordinary(seed: int) -> Scene:
    """The sound recording of a seed; seeds in a row go through the conditions."""
    rng = np.random.default_rng((2031, seed))
    condition = CONDITIONS[seed % len(CONDITIONS)]
    seconds = rng.uniform(60.0, 180.0) if rng.random() < 0.08 else rng.uniform(10.0, 30.0)
    rate_hz = int(rng.choice([44_100, 48_000, 48_000, 48_000, 96_000]))
    form = str(rng.choice(["ambix", "ambix", "ambix", "fuma", "n3d", "capsules", "capsules"]))
    if condition == "no height recorded" and form == "capsules":
        form = "ambix"
    if condition == "capsules, all in front":
        form = "capsules"
    bits = int(rng.choice([16, 24, 24]))
    peak_dbfs = rng.uniform(-30.0, -1.5) if rng.random() < 0.8 else rng.uniform(-50.0, -30.0)
    field = _field(condition, round(seconds * RATE), rng)
    if condition == "uneven microphone":
        field = _uneven(field, rng)
    elif condition == "capsules, all in front":
        field = _unlike_capsules(field, rng)
    else:
        field[1:] *= rng.normal(1.0, 0.03, (3, 1))
    if rate_hz != RATE:
        field = soxr.resample(field.T.astype(np.float32), RATE, rate_hz).T.astype(np.float64)
    noise = rng.standard_normal(field.shape, dtype=np.float32)
    noise += lfilter([0.02], [1.0, -0.985], noise, axis=1)
    edit: Callable[[FloatArray, np.random.Generator], FloatArray] | None = None
    if condition == "16 bits in 24":
        bits, edit = 24, _sixteen_in_24
    elif condition == "fades":
        edit = _fades
    elif condition == "faint fades":
        # A recording as faint as the end of its fades has none.
        peak_dbfs, edit = max(peak_dbfs, -36.0), _faint_fades
    elif condition == "slate":
        edit = _slate
    elif condition == "no height recorded":
        edit = _no_height_fuma if form == "fuma" else _no_height
    noise_dbfs, dithered = rng.uniform(-108.0, -82.0), bool(rng.random() < 0.8)
    return Scene(seed, condition, form, bits, rate_hz, field, noise, peak_dbfs, noise_dbfs, edit, dithered)


def _field(condition: str, samples: int, rng: np.random.Generator) -> FloatArray:
    if condition == "crowd or rain":
        out = diffuse(samples, rng)
        if rng.random() < 0.5:
            # Rain and crowds below or around: less from above.
            out[2] *= rng.uniform(0.3, 1.0)
            out[[1, 3]] *= np.sqrt(max(0.0, 1.5 - 0.5 * np.mean(out[2] ** 2) * 3))
        return out
    kind = str(rng.choice(["speech", "speech", "speech", "music", "claps", "sticks"]))
    if condition == "music in a room":
        kind = str(rng.choice(["bass", "organ", "music", "music"]))
    count = int(rng.integers(1, 5))
    if condition.startswith("one source") or condition in ("0.3 to 1 m away", "slate"):
        count = 1
    sounds = [_dry(kind, samples, turn, count, rng) for turn in range(count)]
    if condition == "moving":
        return _with_air(_moving(_dry(kind, samples, 0, 1, rng), rng), rng)
    rooms = ("dense room", "all in front, room", "uneven microphone", "music in a room", "16 bits in 24", "long rests",
             "fades", "faint fades", "slate", "no height recorded")  # fmt: skip
    either = ("0.3 to 1 m away", "along one line", "capsules, all in front")
    in_room = condition in rooms or (condition in either and rng.random() < 0.5)
    out = np.zeros((4, samples))
    if condition == "long rests":
        # Somebody speaks for two seconds, then for a long time nobody does.
        gate = np.zeros(samples)
        for start in np.arange(rng.uniform(0, 3), samples / RATE - 1, rng.uniform(6.0, 20.0)):
            gate[int(start * RATE) : int((start + 2.0) * RATE)] = 1.0
        gate = lfilter([0.002], [1.0, -0.998], gate)
        sounds = [sound * gate for sound in sounds]
    azimuth = rng.uniform(-np.pi, np.pi)
    room = int(rng.integers(_ROOMS // 2)) + (_ROOMS // 2 if condition == "dense room" or rng.random() < 0.3 else 0)
    for sound in sounds:
        if in_room:
            group = "front" if "all in front" in condition else "close" if "0.3" in condition else "line" if (
                condition == "along one line") else "any"  # fmt: skip
            response, near_m = _response(room, group, int(rng.integers(4)))
            heard = fftconvolve(response, sound[np.newaxis], axes=1)[:, HALF_KERNEL : samples + HALF_KERNEL]
            out += _near(heard, near_m) if near_m < 1.2 else heard
            continue
        out += _in_open_air(sound, condition, azimuth, rng)
    return _with_air(out, rng)


def _in_open_air(sound: FloatArray, condition: str, azimuth: float, rng: np.random.Generator) -> FloatArray:
    elevation, away_m = rng.uniform(-0.5, 0.7), rng.uniform(1.0, 10.0)
    own = rng.uniform(-np.pi, np.pi)
    if condition == "one source overhead":
        elevation = rng.uniform(0.9, np.pi / 2)
    elif condition == "one source on an axis":
        own, elevation = float(rng.integers(4)) * np.pi / 2, float(rng.choice([0, 0, 1, -1])) * np.pi / 2
    elif condition in ("all in front, open air", "capsules, all in front"):
        own, elevation = rng.uniform(-0.6, 0.6), rng.uniform(-0.15, 0.25)
    elif condition == "all in one plane":
        elevation = 0.0
    elif condition == "along one line":
        own, elevation = azimuth + np.pi * float(rng.integers(2)), 0.1
    elif condition == "0.3 to 1 m away":
        away_m = rng.uniform(0.3, 1.0)
    elif condition == "on a table":
        elevation = rng.uniform(0.1, 0.8)
    x, y, z = np.cos(own) * np.cos(elevation), np.sin(own) * np.cos(elevation), np.sin(elevation)
    field = _near(np.outer([1.0, y, z, x], sound), away_m)
    if condition == "on a table":
        # A hard board close under the microphone mirrors everything; 2 h sin(e) later.
        later = 2 * rng.uniform(0.04, 0.3) * np.sin(elevation) / SPEED_OF_SOUND_M_S
        field += rng.uniform(0.6, 0.95) * _delayed(np.outer([1.0, y, -z, x], sound), later)
    elif rng.random() < 0.4 and condition != "all in one plane" and abs(elevation) < 1.0:
        below = -np.arctan2(3.0, away_m)
        field += rng.uniform(0.2, 0.7) * _delayed(
            np.outer([1.0, y * np.cos(below), np.sin(below), x * np.cos(below)], sound), rng.uniform(1e-3, 8e-3)
        )
    return field


def _delayed(sound: FloatArray, delay_s: float) -> FloatArray:
    # A length that is a product of small primes is many times quicker; what comes after the end is cut off.
    size = fft.next_fast_len(sound.shape[1] + RATE // 10, real=True)
    turn = np.exp(-2j * np.pi * fft.rfftfreq(size, 1 / RATE) * delay_s)
    return fft.irfft(fft.rfft(sound, size, axis=1) * turn, size, axis=1)[:, : sound.shape[1]]


def _near(field: FloatArray, away_m: float) -> FloatArray:
    """A spherical wave: velocity is pressure times 1 + c / (j w r)."""
    out = field.copy()
    out[1:] += lfilter([SPEED_OF_SOUND_M_S / (away_m * RATE)], [1.0, -0.9995], field[1:], axis=1)
    return out


def _with_air(field: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A little noise from all around, as everywhere."""
    return field + 10 ** (-rng.uniform(30.0, 60.0) / 20) * np.std(field[0]) * diffuse(field.shape[1], rng)


def _dry(kind: str, samples: int, turn: int, turns: int, rng: np.random.Generator) -> FloatArray:
    """One who sounds in every `turns`-th stretch of some seconds."""
    piece = _pool(kind, int(rng.integers(_POOL)))
    sound = np.tile(np.roll(piece, int(rng.integers(piece.size))), samples // piece.size + 1)[:samples]
    if turns > 1:
        cycle = rng.uniform(2.0, 5.0) * turns * RATE
        mine = (np.arange(samples) // (cycle / turns) % turns == turn).astype(float)
        sound = sound * lfilter([0.004], [1.0, -0.996], mine)
    return sound * rng.uniform(0.5, 1.0)


@lru_cache(maxsize=64)
def _pool(kind: str, number: int) -> FloatArray:
    rng = np.random.default_rng((41, number, len(kind)))
    piece = dry_sound(kind, rng, seconds=_POOL_S)
    # It is played round and round: no jump where it begins again.
    piece[: RATE // 50] *= np.linspace(0.0, 1.0, RATE // 50)
    return piece / max(float(np.std(piece)), 1e-9) * 0.1


@lru_cache(maxsize=256)
def _response(number: int, group: str, place: int) -> tuple[FloatArray, float]:
    """A room's response at W, Y, Z, X, shape (4, taps), time 0 at HALF_KERNEL; and how far the source is, m."""
    rng = np.random.default_rng((43, number))
    dense = number >= _ROOMS // 2
    size = np.array([rng.uniform(3.5, 12.0), rng.uniform(3.5, 9.0), rng.uniform(2.4, 4.5)])
    rt60_s = rng.uniform(0.7, 1.4) if dense else rng.uniform(0.15, 0.6)
    mic = size * rng.uniform(0.35, 0.65, 3)
    mic[2] = rng.uniform(0.9, 1.9)
    # Carpets and ceilings swallow more than walls: the late field need not be the same from above.
    uneven = np.array([1.0, 1.0, rng.uniform(0.4, 1.0)])
    line = rng.uniform(-np.pi, np.pi)
    rng = np.random.default_rng((44, number, place, len(group)))
    azimuth, elevation, away = rng.uniform(-np.pi, np.pi), rng.uniform(-0.5, 0.5), rng.uniform(0.9, 2.5)
    if group == "front":
        azimuth, elevation = rng.uniform(-0.6, 0.6), rng.uniform(-0.15, 0.2)
    elif group == "close":
        away = rng.uniform(0.3, 1.0)
    elif group == "line":
        azimuth, elevation = line + np.pi * (place % 2), 0.1
    level = np.cos(elevation)
    source = mic + away * np.array([np.cos(azimuth) * level, np.sin(azimuth) * level, np.sin(elevation)])
    source = np.clip(source, 0.15, size - 0.15)
    volume, surface = float(np.prod(size)), 2 * float(size[0] * size[1] + size[1] * size[2] + size[0] * size[2])
    bounces = SPEED_OF_SOUND_M_S * surface / (4 * volume)
    reflection = 10 ** (-3.0 / (rt60_s * bounces))
    reach = SPEED_OF_SOUND_M_S * _MIXED_S
    cells = [np.arange(-int(reach / s / 2) - 1, int(reach / s / 2) + 2) for s in size]
    n = np.stack(np.meshgrid(*cells, indexing="ij"), axis=-1).reshape(-1, 1, 3)
    q = np.array([[a, b, c] for a in (0, 1) for b in (0, 1) for c in (0, 1)])[np.newaxis]
    images = ((1 - 2 * q) * source + 2 * n * size).reshape(-1, 3)
    orders = (np.abs(n - q) + np.abs(n)).reshape(-1, 3)
    seen = images - mic
    far = np.linalg.norm(seen, axis=1)
    kept = (far < reach) | (orders.sum(axis=1) == 0)
    seen, far, orders = seen[kept], far[kept], orders[kept]
    gains = reflection ** (orders @ (1.0 / uneven))
    x, y, z = (seen / far[:, np.newaxis]).T
    early = path_response(far, gains * np.stack([np.ones_like(x), y, z, x]), np.zeros(far.size, bool), shift=0.0)
    taps = max(early.shape[1], int(0.8 * rt60_s * RATE))
    out = np.zeros((4, taps))
    out[:, : early.shape[1]] = early
    time = np.arange(taps) / RATE
    power = 4 * np.pi * SPEED_OF_SOUND_M_S / volume / RATE * 10 ** (-6 * time / rt60_s) * (time > _MIXED_S)
    shares = np.array([uneven[1], uneven[2], uneven[0]]) ** 2
    shares = np.concatenate([[1.0], shares / shares.sum()])
    out += np.sqrt(power * shares[:, np.newaxis]) * rng.standard_normal((4, taps))
    return out, float(far[0] if orders[0].sum() == 0 else np.linalg.norm(source - mic))


def _moving(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    time = np.arange(sound.size) / RATE
    azimuth = rng.uniform(-np.pi, np.pi) + rng.uniform(-0.8, 0.8) * time
    elevation = rng.uniform(0.0, 0.6) * np.sin(rng.uniform(0.1, 0.6) * time + rng.uniform(0, 6))
    x, y, z = np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)
    return np.stack([sound, y * sound, z * sound, x * sound])


def _uneven(field: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A microphone whose axes are 0.85 to 1.2 times as sensitive as they should be, and by frequency once more."""
    size = fft.next_fast_len(field.shape[1], real=True)
    frequencies = fft.rfftfreq(size, 1 / RATE)
    octaves = np.log2(np.maximum(frequencies, 20.0) / 1000.0)
    out = field.copy()
    for channel in (1, 2, 3):
        ripple_db = np.interp(octaves, np.arange(-6.0, 5.0, 1.0), rng.normal(0.0, 0.5, 11))
        gain = rng.uniform(0.85, 1.2) * 10 ** (ripple_db / 20)
        out[channel] = fft.irfft(fft.rfft(field[channel], size) * gain, size)[: field.shape[1]]
    return out


def _unlike_capsules(field: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Capsules that are apart, no cardioids, and each as sensitive as it is, read as four like cardioids in one point.

    Omni parts of 0.4 to 0.65 make X, Y and Z 3.5 dB too loud to 5.4 dB too soft together, 0.02 from capsule to capsule;
    sensitivities are off by 0.7 dB (both one standard deviation; common practice, no source). What 8 to 25 mm do is
    exact for sound from straight ahead.
    """
    capsules = np.linalg.inv(FIELD_FROM["capsules"])
    omni_part = rng.uniform(0.4, 0.65) + rng.normal(0.0, 0.02, (4, 1))
    patterns = np.concatenate([2.0 * omni_part * capsules[:, :1], 2.0 * (1.0 - omni_part) * capsules[:, 1:]], axis=1)
    sound = 10 ** (rng.normal(0.0, 0.7, (4, 1)) / 20) * patterns @ field
    later_s = -rng.uniform(0.008, 0.025) * AIMS[:, 0] / SPEED_OF_SOUND_M_S
    sound = np.concatenate([_delayed(sound[[n]], later) for n, later in enumerate(later_s)])
    return FIELD_FROM["capsules"] @ sound


def _sixteen_in_24(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Material that was rounded to 16 bits, and then mixed, or kept, in 24."""
    out = np.rint(sound * 2**15) / 2**15
    way = int(rng.integers(5))
    size = sound.shape[1]
    if way == 0:  # turned down or up by a gain that is no power of two
        out *= 10 ** (rng.uniform(-12.0, 6.0) / 20)
    elif way == 1:  # a faint sound of 24 bits over a part of it
        begin = int(rng.uniform(0.2, 0.6) * size)
        out[:, begin : begin + size // 4] += 3e-6 * rng.standard_normal((4, size // 4))
    elif way == 2:  # only now and then, in each channel by itself
        gate = (lfilter([0.001], [1.0, -0.999], rng.standard_normal((4, size)), axis=1) > 0.01).astype(float)
        out += gate * 2e-6 * rng.standard_normal((4, size))
    elif way == 3:  # a fade at the end, in 24 bits
        begin = size - int(rng.uniform(1.0, 4.0) * RATE)
        out[:, begin:] *= np.linspace(1.0, 0.0, size - begin)
    # way 4: kept as it was
    return np.clip(out, -1.0, 1.0 - 2.0**-23)


def _fades(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Fades out and in, of several shapes, some with digital silence between, some only at the ends."""
    out, size = sound.copy(), sound.shape[1]
    for _ in range(int(rng.integers(1, 4))):
        begin = int(rng.uniform(0.15, 0.7) * size)
        out_n, in_n = (int(10 ** rng.uniform(-2.3, 0.5) * RATE) for _ in range(2))
        silent = int(10 ** rng.uniform(-2.0, 0.5) * RATE)
        stop = min(begin + out_n, size)
        out[:, begin:stop] *= _shape(out_n, rng)[: stop - begin]
        out[:, stop : stop + silent] = 0.0
        again = min(stop + silent, size)
        end = min(again + in_n, size)
        out[:, again:end] *= _shape(in_n, rng)[::-1][: end - again]
    last = int(rng.uniform(0.5, 4.0) * RATE)
    out[:, -last:] *= _shape(last, rng)
    return out


def _faint_fades(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Fades that end near -76 dBFS, cut there to digital silence; then the next piece, faded in likewise or cut in."""
    out, size = sound.copy(), sound.shape[1]
    place = int(rng.uniform(0.1, 0.3) * size)
    while place < 0.85 * size:
        fade, back = (int(10 ** rng.uniform(-1.5, 0.6) * RATE) for _ in range(2))
        silent = int(10 ** rng.uniform(-2.5, 0.3) * RATE)
        out[:, place : place + fade] = _faded_out(out[:, place : place + fade], rng)
        out[:, place + fade : place + fade + silent] = 0.0
        again = place + fade + silent
        if rng.random() < 0.7:
            out[:, again : again + back] = _faded_out(out[:, again : again + back][:, ::-1], rng)[:, ::-1]
        place = again + back + int(rng.uniform(1.0, 5.0) * RATE)
    return out


def _faded_out(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Even in decibels, or falling fast at first, down to -82 to -70 dBFS."""
    if sound.shape[1] < 512:
        return sound
    level_db = 20 * np.log10(max(float(np.sqrt(np.mean(sound[:, -512:] ** 2))), 1e-9))
    depth_db = max(level_db - rng.uniform(-82.0, -70.0), 6.0)
    return sound * 10 ** (-depth_db * np.linspace(0.0, 1.0, sound.shape[1]) ** rng.choice([1.0, 0.5]) / 20)


def _shape(length: int, rng: np.random.Generator) -> FloatArray:
    place = np.linspace(0.0, 1.0, length)
    kind = int(rng.integers(4))
    if kind == 0:
        return 1.0 - place
    if kind == 1:
        return np.cos(place * np.pi / 2)
    if kind == 2:
        return 10 ** (-rng.uniform(50.0, 76.0) * place / 20)  # even in dB, and cut where it ends
    return (1.0 - place) ** 2


def _slate(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Somebody says the number of the take: through the recorder's own small microphone, on all channels alike, or
    with a tone; or before the microphone, which is a performer at 0.3 m (that one is in `0.3 to 1 m away`)."""
    out, size = sound.copy(), sound.shape[1]
    begin, length = int(rng.uniform(0.05, 1.5) * RATE), int(rng.uniform(2.0, 6.0) * RATE)
    length = min(length, size // 3)
    if rng.random() < 0.3:
        voice = np.sin(2 * np.pi * 1000.0 * np.arange(length) / RATE) * 0.1
    else:
        voice = _pool("speech", int(rng.integers(_POOL)))[:length]
    voice = voice / max(np.max(np.abs(voice)), 1e-9) * rng.uniform(0.1, 0.8)
    ramp = np.minimum(1.0, np.minimum(np.arange(length), np.arange(length)[::-1]) / (0.005 * RATE))
    which = np.ones((4, 1)) if rng.random() < 0.7 else np.array([[1.0], [0.0], [0.0], [0.0]])
    if rng.random() < 0.5:
        out[:, begin : begin + length] *= 1.0 - 0.9 * ramp
    out[:, begin : begin + length] += which * (voice * ramp)
    if rng.random() < 0.5:
        # Then a long rest before anybody performs.
        stop = begin + length + int(rng.uniform(3, 10) * RATE)
        places = [0, begin + length, begin + length + 2000, stop, stop + 2000]
        out *= np.interp(np.arange(size), places, [1.0, 1.0, 0.02, 0.02, 1.0])
    return np.clip(out, -0.99, 0.99)


def _no_height(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A recorder of three channels, or a mix that has no height: Z is silent, or holds less than hiss."""
    out = sound.copy()
    hiss = 10 ** (-rng.uniform(105.0, 130.0) / 20) * rng.standard_normal(sound.shape[1])
    out[2] = hiss if rng.random() < 0.4 else 0.0
    return out


def _no_height_fuma(sound: FloatArray, rng: np.random.Generator) -> FloatArray:
    return _no_height(sound[[0, 1, 3, 2]], rng)[[0, 1, 3, 2]]


assert set(FIELD_FROM) == {"ambix", "n3d", "fuma", "capsules"}
