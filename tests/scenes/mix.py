"""Finished tracks and what a film makes of them: ordinary mixing, and faults of the last mile, with known truth.

Functions: make_tracks (a clip's track, one of the same song or stage taken at another time, and one of another place);
make_film (what a film plays over a shot).
"""

import tempfile
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import butter, istft, oaconvolve, sosfilt, sosfiltfilt, stft

from demo_audio.boxes import power_while_sounding
from demo_audio.microphones import draw_microphone, field_through
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from demo_audio.write_movie import write_movie as write_film
from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray, W
from spatial.field import encode
from spatial.media.movies.remux import MovieForm, SoundCoding, field_of_movie, write_movie
from spatial.rotation import YawPitchRoll, matrix_from_ypr, turn_field
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.songs import make_song, place_near, steps
from tests.scenes.stage import RATE, claps, plucked, recorded_words, speech

KINDS = ("one voice", "two voices", "plucked strings", "claps and steps", "voice and strings", "song and people")
"""A track's seed goes round these."""

TRACK_S = 16.0

FAULTS = (
    "lag 20 ms", "lag 40 ms", "lag 80 ms", "slip", "order", "normalisation", "order and normalisation", "turned 90",
    "turned 180", "turned twice", "mirrored", "missing channel", "inverted channel", "wrong shot", "another take",
    "dead", "hole",
)  # fmt: skip

MEANS = (
    "noise reduction", "multiband compression", "de-essing", "low cut", "telephone", "reverb send", "speech ducking",
    "binaural",
)  # fmt: skip
"""Means of mixing that are rarer; `make_film` takes one as its `means`."""

LAGS_S = {"lag 20 ms": 0.020, "lag 40 ms": 0.040, "lag 80 ms": 0.080}


@dataclass(frozen=True, slots=True, eq=False)
class Tracks:
    """Finished tracks, float32, shape (4, samples)."""

    kind: str
    track: FloatArray
    retake: FloatArray
    """The same stage at another time; of a song, the same song from the same loudspeaker with other people."""
    mount: FloatArray
    """What the track was turned by, shape (3, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """What a film plays over a shot, and what is true of it."""

    sound: FloatArray
    expected_s: float
    early_s: float
    fault: str
    channel: int = -1
    """The channel that is missing or inverted."""
    turn: FloatArray | None = None
    moment_s: float = float("nan")
    """When it slips, or where the hole begins."""
    other_db: float = -np.inf
    coded: str = ""


def make_tracks(seed: int) -> Tracks:
    """A clip's track and its retake; rooms, microphones, sounds and noise differ by seed."""
    rng = np.random.default_rng([seed, 71])
    kind = KINDS[seed % len(KINDS)]
    size = tuple(rng.uniform((4.5, 4.0, 2.5), (9.0, 8.0, 3.8)).tolist())
    room = Room(size, float(rng.uniform(0.25, 0.8)))
    lens = (size[0] / 2, size[1] / 2, float(rng.uniform(1.2, 1.6)))
    mount = YawPitchRoll.from_degrees(*(rng.uniform(-1, 1, 3) * (180, 15, 15)))
    rig = Rig(lens, float(rng.uniform(0, 360)), (0.0, 0.0, float(rng.uniform(0.1, 0.25))), mount)
    microphone = draw_microphone(rng) if rng.random() < 0.5 else None
    snr_db = rng.uniform(10.0, 35.0)
    speaker = place_near(rig, size, rng, distance_m=rng.uniform(1.5, 3.0))
    song = make_song(TRACK_S, rng, exact=bool(rng.random() < 0.3))[0] if kind == "song and people" else None
    picture_from_mic = matrix_from_ypr(mount)
    level = 10 ** (rng.uniform(-30, -6) / 20)
    made = []
    for _ in range(2):
        performers = [
            Performer(str(number), place_near(rig, size, rng, distance_m=rng.uniform(1.0, 2.5)), signal)
            for number, signal in enumerate(_sounds(kind, rng))
        ]
        if song is not None:
            performers.insert(0, Performer("loudspeaker", speaker, song[: round(TRACK_S * RATE)]))
        shoot = simulate_shoot(
            room, rig, performers, duration_s=TRACK_S, rng=np.random.default_rng([seed, 72]), microphone=microphone
        )
        noise, _ = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
        if microphone is not None:
            noise = field_through(microphone, noise)
        power = power_while_sounding(shoot.field[W], rate_hz=RATE) * 10 ** (-snr_db / 10)
        field = shoot.field + np.sqrt(power) * noise
        made.append((field * level / np.max(np.abs(field))).astype(np.float32))
    track, retake = (turn_field(field, picture_from_mic) for field in made)
    return Tracks(kind, track, retake, picture_from_mic)


def make_film(
    tracks: Tracks, wrong: FloatArray, seed: int, fault: str = "", *, plain: bool = False, means: str = ""
) -> Film:
    """A shot of a film: part of the track through an ordinary mix, with a fault or none.

    `wrong` is the track of another shot; `plain` leaves the mixing out; `means` is one of MEANS, done to the track
    before the rest of the mix ("binaural": to the whole mix afterwards, which leaves two channels).
    """
    rng = np.random.default_rng([seed, 73])
    length_s = float(np.exp(rng.uniform(np.log(2.5), np.log(10.0))))
    start_s = float(rng.uniform(1.0, TRACK_S - length_s - 1.0))
    early_s = LAGS_S.get(fault, 0.0) * (1 if rng.random() < 0.5 else -1)
    film = Film(np.zeros((4, 0)), start_s, early_s, fault)
    source = {"wrong shot": wrong, "another take": tracks.retake}.get(fault, tracks.track).astype(float)
    count = round(length_s * RATE)
    own = _from(source, start_s + early_s, count)
    if fault == "slip":
        moment = round(rng.uniform(0.35, 0.65) * count)
        jump = float(rng.choice([-1, 1]) * rng.choice([0.02, 0.04, 0.08, 0.2]))
        own[:, moment:] = _from(source, start_s + jump, count)[:, moment:]
        film = replace(film, moment_s=moment / RATE, early_s=jump)
    if fault == "hole":
        moment, gap = round(rng.uniform(0.3, 0.6) * count), round(rng.uniform(0.05, 0.4) * RATE)
        film = replace(film, moment_s=moment / RATE)
    if fault in ("turned 90", "turned 180", "turned twice"):
        yaw = {"turned 90": float(rng.choice([-90, 90])), "turned 180": 180.0}.get(fault)
        turn = tracks.mount if yaw is None else matrix_from_ypr(YawPitchRoll.from_degrees(yaw, 0, 0))
        own = turn_field(own, turn)
        film = replace(film, turn=turn)
    if means and means != "binaural":
        own = _treated(own, means, rng)
    sound, other_db = (own, -np.inf) if plain else _mixed(own, rng)
    if means == "binaural":
        sound = _binaural(sound)
    channel = int(rng.integers(4)) if "channel" in fault else -1
    sound = _exported(sound, fault, channel, rng)
    if fault == "hole":
        sound[:, moment : moment + gap] = 0.0
    film = replace(film, channel=channel, other_db=other_db)
    coded = "" if plain else str(rng.choice(["", "", "", "", "", "", "opus 256", "opus 768", "aac 512"]))
    if coded and np.any(sound) and len(sound) == FIRST_ORDER_CHANNELS:
        sound = _coded(sound, *coded.split())
    return replace(film, sound=sound.astype(np.float32), coded=coded)


def _sounds(kind: str, rng: np.random.Generator) -> list[FloatArray]:
    words = recorded_words()
    if kind == "one voice":
        return [speech(words, TRACK_S, rng)]
    if kind == "two voices":
        return [speech(words, TRACK_S, rng), speech(words, TRACK_S, rng)]
    if kind == "plucked strings":
        return [plucked(TRACK_S, rng)]
    if kind == "claps and steps":
        return [claps(TRACK_S, rng), 0.5 * steps(TRACK_S, rng)]
    if kind == "voice and strings":
        return [speech(words, TRACK_S, rng), plucked(TRACK_S, rng)]
    return [rng.uniform(0.4, 1.0) * speech(words, TRACK_S, rng), 0.6 * steps(TRACK_S, rng)]


def _from(field: FloatArray, start_s: float, count: int) -> FloatArray:
    """Samples from a moment on, between samples too."""
    first = int(np.floor(start_s * RATE))
    part = start_s * RATE - first
    span = np.zeros((field.shape[0], count + 64))
    low, high = max(first - 32, 0), min(first + count + 32, field.shape[1])
    span[:, low - (first - 32) : high - (first - 32)] = field[:, low:high]
    taps = np.arange(-31, 33)
    kernel = np.sinc(taps - part) * np.hamming(64)
    # Tap n of the kernel reads the sample n after: a correlation, so it is reversed for the convolution.
    return np.asarray(oaconvolve(span, kernel[::-1][np.newaxis], axes=1)[:, 64 : 64 + count])


def _mixed(own: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, float]:
    """The track through an ordinary mix: each means with a chance of its own."""
    count = own.shape[1]
    rms = np.sqrt(np.mean(own[W] ** 2)) + 1e-9
    if rng.random() < 0.4:
        length = round(rng.uniform(0.4, 1.5) * RATE)
        decay = 10 ** (-3 * np.arange(length) / length)
        tail = rng.standard_normal((4, length)) * decay
        wet = oaconvolve(own, tail, axes=1)[:, :count]
        own = own + wet * rms / (np.sqrt(np.mean(wet[W] ** 2)) + 1e-12) * 10 ** (rng.uniform(-22, -12) / 20)
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 4))):
            bell = _bell(rng.uniform(120, 6000), rng.uniform(-6, 6), rng.uniform(0.5, 1.5))
            own = sosfilt(bell, own, axis=1)
    if rng.random() < 0.4:
        own = own * _compression(own[W], 3.0, rng)
    if rng.random() < 0.3:
        own = own * _automation(count, rng)
    other_db = -np.inf
    sound = own
    if rng.random() < 0.65:
        other_db = float(rng.uniform(-6, 6)) if rng.random() < 0.8 else float(rng.uniform(6, 10))
        other = _other(count, rng)
        power = np.mean(own[W] ** 2) + 1e-12
        sound = own + other * np.sqrt(power * 10 ** (other_db / 10) / np.mean(other[W] ** 2))
    for end in (slice(None), slice(None, None, -1)):
        fade = round((0.01 if rng.random() < 0.7 else rng.uniform(0.3, 1.0)) * RATE)
        sound[:, end][:, :fade] *= np.sin(0.5 * np.pi * np.linspace(0, 1, fade)) ** 2
    return sound * 10 ** (rng.uniform(-8, 8) / 20), other_db


def _treated(own: FloatArray, means: str, rng: np.random.Generator) -> FloatArray:
    """One of the rarer means of mixing, common to all channels as the tools for fields do it."""
    count = own.shape[1]
    if means == "noise reduction":
        # A spectral gate by the omni: what is near the noise of each bin is taken down, its gain smoothed.
        _, _, spectra = stft(own, RATE, nperseg=2048, noverlap=1536)
        power = np.abs(spectra[W]) ** 2
        over = power > 4.0 * np.quantile(power, 0.2, axis=1, keepdims=True)
        gain = np.where(over, 1.0, 10 ** (-rng.uniform(8, 20) / 20))
        gain = uniform_filter1d(uniform_filter1d(gain, 5, axis=1), 5, axis=0)
        return np.asarray(istft(spectra * gain, RATE, nperseg=2048, noverlap=1536)[1][:, :count])
    if means == "multiband compression":
        return np.sum([part * _compression(part[W], 3.0, rng) for part in _split(own, (250.0, 2500.0))], axis=0)
    if means == "de-essing":
        low, high = _split(own, (5000.0,))
        return np.asarray(low + high * _compression(high[W], 6.0, rng))
    if means == "low cut":
        return np.asarray(sosfilt(butter(4, 120, "highpass", fs=RATE, output="sos"), own, axis=1))
    if means == "telephone":
        return np.asarray(sosfilt(butter(2, (300, 3400), "bandpass", fs=RATE, output="sos"), own, axis=1))
    if means == "reverb send":
        # The omni alone is sent, later by a pre-delay; what returns comes from all sides.
        length = round(rng.uniform(0.8, 2.5) * RATE)
        tail = rng.standard_normal((4, length)) * 10 ** (-3 * np.arange(length) / length)
        tail[1:] /= np.sqrt(3.0)
        wet = oaconvolve(np.broadcast_to(own[W], own.shape), tail, axes=1)[:, :count]
        delay = round(rng.uniform(0.0, 0.06) * RATE)
        wet = np.pad(wet, ((0, 0), (delay, 0)))[:, :count]
        size = np.sqrt(np.mean(own[W] ** 2) / (np.mean(wet[W] ** 2) + 1e-12))
        return np.asarray(own + wet * size * 10 ** (rng.uniform(-15, -3) / 20))
    # Speech from elsewhere takes the track down two to one.
    speech_there = uniform_filter1d((uniform_filter1d(rng.standard_normal(count), RATE // 2) > 0).astype(float), 4800)
    return np.asarray(own * 10 ** (-rng.uniform(6, 12) * speech_there / 20))


def _split(own: FloatArray, edges_hz: tuple[float, ...]) -> list[FloatArray]:
    """Bands that add up to the whole."""
    parts, rest = [], own
    for edge in edges_hz:
        low = sosfiltfilt(butter(2, edge, fs=RATE, output="sos"), rest, axis=1)
        parts.append(low)
        rest = rest - low
    return [*parts, rest]


def _binaural(field: FloatArray) -> FloatArray:
    """Two ears beside a head: six loudspeakers' worth of delays and shades (a coarse model, no source)."""
    out = np.zeros((2, field.shape[1]))
    for azimuth in np.radians([0, 60, 120, 180, 240, 300]):
        signal = encode(np.ones(1), azimuth, 0.0)[:, 0] @ field / 6
        dull = sosfilt(butter(1, 1500, fs=RATE, output="sos"), signal)
        for ear, side in enumerate((1.0, -1.0)):
            toward = side * np.sin(azimuth)
            late = round((0.00035 - 0.00035 * toward) * RATE)
            mixed = signal if toward >= 0 else (1 + toward) * signal - toward * dull
            out[ear] += np.pad(mixed, (late, 0))[: field.shape[1]]
    return out


def _bell(centre_hz: float, gain_db: float, q: float) -> FloatArray:
    """A peaking equaliser as second-order section (the well-known bilinear form; value from memory)."""
    a, w = 10 ** (gain_db / 40), 2 * np.pi * centre_hz / RATE
    alpha = np.sin(w) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w), 1 - alpha * a])
    bottom = np.array([1 + alpha / a, -2 * np.cos(w), 1 - alpha / a])
    return np.concatenate([b, bottom])[np.newaxis] / bottom[0]


def _compression(omni: FloatArray, ratio: float, rng: np.random.Generator) -> FloatArray:
    """A gain common to all channels."""
    level = 10 * np.log10(uniform_filter1d(omni**2, round(rng.uniform(0.005, 0.03) * RATE)) + 1e-12)
    threshold = np.quantile(level, 0.5)
    gain_db = -np.maximum(level - threshold, 0.0) * (1 - 1 / ratio)
    release = round(rng.uniform(0.1, 0.4) * RATE)
    gain_db = uniform_filter1d(minimum_filter1d(gain_db, release), release)
    return np.asarray(10 ** (gain_db / 20))


def _automation(count: int, rng: np.random.Generator) -> FloatArray:
    """A fader that rides, or ducks, within some tenths of a second."""
    knots = np.arange(0, count + RATE, round(rng.uniform(0.6, 2.0) * RATE))
    levels_db = rng.uniform(-12, 0, knots.size)
    curve = np.interp(np.arange(count), np.repeat(knots, 2)[1:-1], np.repeat(levels_db, 2)[:-2])
    return np.asarray(10 ** (uniform_filter1d(curve, round(rng.uniform(0.1, 0.4) * RATE)) / 20))


@cache
def _bed(number: int) -> FloatArray:
    """One of a few songs to lay under a scene."""
    return make_song(11.0, np.random.default_rng([number, 74]), exact=False)[0]


def _other(count: int, rng: np.random.Generator) -> FloatArray:
    """A bed of music from both sides in front, and effects from anywhere."""
    out = np.zeros((4, count))
    song, second = (_bed(int(number)) for number in rng.choice(8, 2, replace=False))
    song, second = (np.roll(sound, int(rng.integers(sound.size))) for sound in (song, second))
    width = rng.uniform(0.0, 0.7)
    for azimuth, own, cross in ((30, song, second), (-30, second, song)):
        size = min(count, own.size, cross.size)
        out[:, :size] += encode(own[:size] + (1 - width) * cross[:size], np.radians(azimuth), 0.0)
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 5))):
            length = min(round(rng.uniform(0.05, 1.0) * RATE), count)
            first = int(rng.integers(0, count - length + 1))
            sound = rng.standard_normal(length) * np.exp(-np.arange(length) / (0.3 * length))
            out[:, first : first + length] += 0.3 * encode(sound, rng.uniform(-np.pi, np.pi), rng.uniform(-0.5, 0.8))
    return out


def _exported(sound: FloatArray, fault: str, channel: int, rng: np.random.Generator) -> FloatArray:
    """What a wrong export makes of the whole of a film's sound."""
    sound = sound.copy()
    if fault == "order":
        return sound[[0, 3, 1, 2]]
    if fault == "normalisation":
        sound[1:] *= np.sqrt(3.0) ** rng.choice([-1, 1])
    if fault == "order and normalisation":
        return sound[[0, 3, 1, 2]] * np.array([[np.sqrt(0.5)], [1], [1], [1]])
    if fault == "mirrored":
        sound[1] *= -1
    if fault == "inverted channel":
        sound[channel] *= -1
    if fault == "missing channel":
        sound[channel] = 0.0
    if fault == "dead":
        sound[:] = 0.0
    return sound


def _coded(sound: FloatArray, coder: str, kbps: str) -> FloatArray:
    """Through a lossy coder in a movie and back."""
    peak = max(float(np.max(np.abs(sound))), 1.0)
    count = sound.shape[1]
    opus = coder == "opus"
    form = MovieForm(".mkv" if opus else ".mp4", SoundCoding.OPUS if opus else SoundCoding.AAC, int(kbps))
    with tempfile.TemporaryDirectory() as name:
        film, path = Path(name) / "film.mov", Path(name) / f"out{form.suffix}"
        picture = np.zeros((32, 64, 3), dtype=np.uint8)
        frames = -(-count * 25 // RATE) + 1
        write_film(film, frames=(picture for _ in range(frames)), frame_rate=Fraction(25))
        write_movie(film, [(sound / peak).astype(np.float32)], path, form=form)
        _, blocks = field_of_movie(path, duration_s=frames / 25)
        arrived = np.concatenate(list(blocks), axis=1)[:, :count]
    return np.asarray(np.pad(arrived, ((0, 0), (0, count - arrived.shape[1]))) * peak)
