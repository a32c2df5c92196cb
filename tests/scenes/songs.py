"""Sets of clips and takes of one song, played back through a loudspeaker again and again.

Goal: shoots whose every clip correlates almost perfectly with every take, with known truth. The song, the room, the
rig and the loudspeaker stay; what people say and do around the song and over it differs from shot to shot.
Functions: make_song (a song of our own), make_set (three shots of it, each with a clip and a take).
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from demo_audio.boxes import add_at, camera_sound, power_while_sounding, record, true_law
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from spatial.conventions import FloatArray
from spatial.dsp.samples import ArraySamples
from spatial.rotation import YawPitchRoll
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.stage import RATE, claps, recorded_words, speech

CONDITIONS = (
    "talk around the song",
    "exact loops, talk around",
    "talk around, something over the song",
    "exact loops, trimmed into the song, steps and singing over it",
    "trimmed into the song, steps and singing over it",
    "nothing but the song",
)
"""A set's seed goes round these."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One time the song was played: what the camera and the recorder made of it, at WORKING_RATE_HZ."""

    clip: ArraySamples
    take: ArraySamples
    law: ClockLaw
    """From this shot's clip to this shot's take."""
    clip_created_s: float
    """Wall clock of the clip's first sample, by the camera's own clock, in whole seconds."""
    take_created_s: float
    """The same of the take by the recorder's clock."""


@dataclass(frozen=True, slots=True, eq=False)
class SongSet:
    """Three shots of one song."""

    seed: int
    condition: str
    shots: tuple[Shot, ...]
    bar_s: float
    clock_difference_s: float
    """Recorder's wall clock minus the camera's."""


def make_set(seed: int) -> SongSet:
    """Three shots of one song in one room."""
    rng = np.random.default_rng([seed, 7])
    condition = CONDITIONS[seed % len(CONDITIONS)]
    exact = "exact" in condition
    size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8))
    room = Room(size, rng.uniform(0.3, 0.7))
    lens = (size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.3, 1.6))
    turn = rng.uniform(0, 2 * np.pi)
    apart = rng.uniform(0.1, 0.4)
    offset = (0.3 * apart * np.cos(turn), 0.3 * apart * np.sin(turn), float(rng.choice([-0.95, 0.95])) * apart)
    rig = Rig(lens, rng.uniform(-180, 180), offset, YawPitchRoll.from_degrees(rng.uniform(-180, 180), 0.0, 0.0))
    song, bar_s = make_song(rng.uniform(20.0, 40.0), rng, exact=exact)
    speaker = place_near(rig, size, rng, distance_m=rng.uniform(1.5, 3.5))
    snr_db = rng.uniform(8.0, 25.0)
    loudness = rng.uniform(0.5, 2.0)
    difference = float(rng.choice([0, 0, 3600, -7200])) + rng.uniform(-40, 40)
    start, shots = 36_000.0 + rng.uniform(0, 3600), []
    for _ in range(3):
        # Someone turns the air conditioning up or down: the noise differs between shots.
        shot = _shot(
            room,
            rig,
            speaker,
            song * loudness,
            condition,
            snr_db + rng.uniform(-4.0, 4.0),
            start,
            difference,
            [seed, 11],
            rng,
        )
        shots.append(shot)
        start += rng.uniform(100.0, 300.0)
    return SongSet(seed, condition, tuple(shots), bar_s, difference)


def make_song(seconds: float, rng: np.random.Generator, *, exact: bool) -> tuple[FloatArray, float]:
    """A song of our own and the length of its bars: bass, chords, drums, and a lead where it is not a mere loop.

    With `exact` bars repeat to the sample, two by two, for the whole song.
    """
    beat = round(60.0 / rng.uniform(84, 140) * RATE)
    bar = 4 * beat
    bars = max(4, round(seconds * RATE / bar))
    root = 110.0 * 2 ** (rng.integers(0, 12) / 12)
    chords = rng.choice([0, 3, 5, 7, 8, 10], 4)
    kit = _drum_pattern(rng)
    out = np.zeros(bars * bar + RATE)
    hits = {name: _drum(name, rng) for name in ("kick", "snare", "hat")}
    for number in range(2 if exact else bars):
        first = number * bar
        pitch = root * 2 ** (chords[number % (2 if exact else 4)] / 12)
        for eighth in range(8):
            at = first + eighth * beat // 2
            for name, sound in hits.items():
                if kit[name][eighth]:
                    gain = 1.0 if exact else rng.uniform(0.8, 1.1)
                    _lay(out, at, gain * (sound if exact else _drum(name, rng)))
            if eighth in (0, 3, 6):
                _lay(out, at, 0.35 * _note(pitch / 2, 0.4, rng, bright=0.4))
        for step in (1, 2 ** (3 / 12), 2 ** (7 / 12)):
            _lay(out, first, 0.10 * _note(pitch * step * 2, bar / RATE, rng, bright=0.7))
        at = first
        while at < first + bar:
            length = int(rng.choice([1, 1, 2])) * beat // 2
            if rng.random() < 0.8:
                tone = root * 4 * 2 ** (rng.choice([0, 2, 3, 5, 7, 8, 10]) / 12)
                _lay(out, at, 0.22 * _note(tone, length / RATE, rng, bright=1.0))
            at += length
    if exact:
        loop = out[: 2 * bar].copy()
        loop[: out.size - 2 * bar][:RATE] += out[2 * bar :][:RATE]
        out = np.concatenate([np.tile(loop, bars // 2), np.zeros(RATE)])
    return 0.12 * out / np.sqrt(np.mean(out**2)), bar / RATE


def _shot(
    room: Room,
    rig: Rig,
    speaker: tuple[float, float, float],
    song: FloatArray,
    condition: str,
    snr_db: float,
    start_s: float,
    difference_s: float,
    walls: list[int],
    rng: np.random.Generator,
) -> Shot:
    bare = condition == "nothing but the song"
    trimmed = "trimmed" in condition
    before, after = (rng.uniform(2.0, 20.0) for _ in range(2))
    song_s = song.size / RATE
    total_s = before + song_s + after + 1.0
    people = [] if bare else _people(room, rig, condition, before, song_s, total_s, rng)
    played = np.zeros(round(total_s * RATE))
    _lay(played, round(before * RATE), song)
    # The loudspeaker comes first, and the walls' seed is the set's: the same paths in every shot.
    shoot = simulate_shoot(
        room, rig, [Performer("loudspeaker", speaker, played), *people], duration_s=total_s,
        rng=np.random.default_rng(walls),
    )  # fmt: skip
    level = np.sqrt(power_while_sounding(shoot.field[:1], rate_hz=RATE) * 10 ** (-snr_db / 10))
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    clip_from, clip_to = rng.uniform(0.0, 0.6 * before), total_s - rng.uniform(0.0, 0.6 * after)
    take_from, take_to = rng.uniform(0.0, 0.6 * before), total_s - rng.uniform(0.0, 0.6 * after)
    if trimmed or bare:
        clip_from = before + rng.uniform(1.0, 0.25 * song_s)
        clip_to = before + song_s - rng.uniform(2.0, 0.25 * song_s)
    if trimmed:
        take_from, take_to = before + rng.uniform(0.0, 1.0), before + song_s - rng.uniform(1.0, 2.0)
    if bare:
        take_from, take_to = before + rng.uniform(0.1, 1.0), before + song_s - rng.uniform(1.1, 2.0)
    clip_ppm, take_ppm = rng.uniform(-30, 30), rng.uniform(-60, 60)
    scratch = record(
        shoot.scratch + level * at_camera, rate_hz=RATE, start_s=clip_from, duration_s=clip_to - clip_from, rng=rng,
        clock_ppm=clip_ppm,
    )  # fmt: skip
    heard = camera_sound(scratch, rate_hz=RATE, rng=rng, wind_snr_db=rng.uniform(0, 20))
    clip = record(
        heard, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=clip_to - clip_from, rng=rng, noise_dbfs=-70.0
    )
    take = record(
        shoot.field + level * at_mic, rate_hz=WORKING_RATE_HZ, start_s=take_from, duration_s=take_to - take_from,
        rng=rng, clock_ppm=take_ppm, noise_dbfs=-75.0,
    )  # fmt: skip
    law = true_law(clip_start_s=clip_from, take_start_s=take_from, clip_ppm=clip_ppm, take_ppm=take_ppm)
    return Shot(
        ArraySamples(clip.astype(np.float32), WORKING_RATE_HZ),
        ArraySamples(take.astype(np.float32), WORKING_RATE_HZ),
        law,
        float(np.floor(start_s + clip_from)),
        float(np.floor(start_s + take_from + difference_s)),
    )


def _people(
    room: Room, rig: Rig, condition: str, before: float, song_s: float, total_s: float, rng: np.random.Generator
) -> list[Performer]:
    """Two people: one who talks, one who walks and claps; over the song too where the condition says so."""
    words = recorded_words()
    voice, feet = np.zeros(round(total_s * RATE)), np.zeros(round(total_s * RATE))
    for start, length in ((0.0, before), (before + song_s, total_s - before - song_s)):
        # Not everyone talks all the time: at least two seconds of it, somewhere in the stretch.
        talk = rng.uniform(min(2.0, length), length)
        at = start + rng.uniform(0, length - talk)
        _lay(voice, round(at * RATE), 1.2 * speech(words, talk, rng))
        if rng.random() < 0.6:
            _lay(feet, round(start * RATE), 0.5 * steps(length, rng))
        if rng.random() < 0.4:
            _lay(feet, round(start * RATE), 0.7 * claps(min(length, 3.0), rng))
    if "over" in condition:
        level = rng.uniform(0.3, 1.0)
        _lay(feet, round(before * RATE), 0.6 * steps(song_s, rng))
        for _ in range(int(rng.integers(2, 5))):
            at = before + rng.uniform(0.0, song_s - 6.0)
            line = speech(words, 4.0, rng) if rng.random() < 0.3 else _singing(rng.uniform(3.0, 6.0), rng)
            _lay(voice, round(at * RATE), level * line)
    places = [place_near(rig, room.size_m, rng, distance_m=rng.uniform(1.0, 2.5)) for _ in range(2)]
    return [Performer("voice", places[0], voice), Performer("feet", places[1], feet)]


def place_near(
    rig: Rig, size: tuple[float, float, float], rng: np.random.Generator, *, distance_m: float
) -> tuple[float, float, float]:
    azimuth = rng.uniform(-np.pi, np.pi)
    out = distance_m * np.array([np.cos(azimuth), np.sin(azimuth), rng.uniform(-0.3, 0.1)])
    x, y, z = np.clip(rig.place(out), 0.25, np.asarray(size) - 0.25).tolist()
    return (x, y, z)


def _lay(out: FloatArray, first: int, piece: FloatArray) -> None:
    add_at(out[np.newaxis], piece[np.newaxis], first)


def _note(pitch_hz: float, seconds: float, rng: np.random.Generator, *, bright: float) -> FloatArray:
    time = np.arange(round(seconds * RATE)) / RATE
    partials = np.arange(1, max(2, int(7500 * bright / pitch_hz) + 1))[:24]
    phase = 2 * np.pi * pitch_hz * time + 0.03 * np.sin(2 * np.pi * 5.5 * time) * pitch_hz / 100
    tone = sum(np.sin(n * phase + rng.uniform(0, 6.28)) / n ** (1.6 - 0.6 * bright) for n in partials)
    return np.asarray(tone * np.minimum(1.0, time / 0.008) * np.minimum(1.0, (time[-1] - time) / 0.03) * np.exp(-time))


def _singing(seconds: float, rng: np.random.Generator) -> FloatArray:
    out = np.zeros(round(seconds * RATE))
    at = 0.0
    while at < seconds - 0.3:
        length = rng.uniform(0.25, 0.9)
        tone = 0.25 * _note(165.0 * 2 ** (rng.integers(0, 14) / 12), length, rng, bright=0.8)
        _lay(out, round(at * RATE), tone)
        _lay(out, round(at * RATE), 0.15 * rng.standard_normal(RATE // 20) * np.hanning(RATE // 20))
        at += length + rng.uniform(0.0, 0.2)
    return out


def steps(seconds: float, rng: np.random.Generator) -> FloatArray:
    out = np.zeros(round(seconds * RATE))
    at = rng.uniform(0, 0.5)
    time = np.arange(RATE // 8) / RATE
    band = butter(2, (150.0, 3000.0), "bandpass", fs=RATE, output="sos")
    while at < seconds:
        thud = sosfilt(band, rng.standard_normal(time.size) * np.exp(-time / 0.012))
        _lay(out, round(at * RATE), rng.uniform(0.3, 0.8) * thud)
        at += rng.uniform(0.4, 0.8) if rng.random() < 0.85 else rng.uniform(1.0, 3.0)
    return out


def _drum_pattern(rng: np.random.Generator) -> dict[str, FloatArray]:
    return {
        "kick": np.array([1, 0, 0, 0, 1, rng.random() < 0.5, 0, 0]),
        "snare": np.array([0, 0, 1, 0, 0, 0, 1, rng.random() < 0.3]),
        "hat": np.array([1] * 8 if rng.random() < 0.6 else [1, 0] * 4),
    }


def _drum(name: str, rng: np.random.Generator) -> FloatArray:
    time = np.arange(RATE // 4) / RATE
    if name == "kick":
        return np.asarray(np.sin(2 * np.pi * (50 * time + 4 * (1 - np.exp(-time / 0.03)))) * np.exp(-time / 0.08))
    noise = rng.standard_normal(time.size)
    if name == "snare":
        return np.asarray(
            0.5 * noise * np.exp(-time / 0.05) + 0.3 * np.sin(2 * np.pi * 190 * time) * np.exp(-time / 0.04)
        )
    return np.asarray(0.15 * np.diff(noise, prepend=0.0) * np.exp(-time / 0.015))
