"""A small shoot on real files with known truth, for the tests of jobs and commands, and for the benchmarks.

Voices are the recorded words of Debian's alsa-utils; rooms are pyroomacoustics' image sources; the movie and the
take are written as files, so that everything from container to clock is on the road.
"""

import os
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from demo_audio.boxes import power_while_sounding
from demo_audio.simulate import Performer, Rig, Room, Shoot, camera_sound, record, simulate_shoot, true_law
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray, W
from spatial.rotation import YawPitchRoll
from spatial.timebase import ClockLaw
from tests.bench.noise import fast_diffuse_noise

RATE = 48_000
WORDS_FOLDER = Path("/usr/share/sounds/alsa")
LENS_M = (3.0, 2.5, 1.5)


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """Files of one clip and its take, and what is true of them."""

    clip: Path
    take: Path
    marks: Path
    law: ClockLaw
    rig: Rig
    shoot: Shoot

    @property
    def mic_offset(self) -> str:
        """As the command line wants it."""
        return ",".join(str(part) for part in self.rig.mic_offset_m)


def need(there: bool, message: str) -> None:
    """Skip the test where something is not installed; fail it where CI says that everything must be."""
    if not there:
        if os.environ.get("SOUNDPLUMB_NEED_VOICES"):
            pytest.fail(message)
        pytest.skip(message)


def recorded_words() -> list[FloatArray]:
    """Words as people spoke them, mono, 48 kHz; skips the test where the package is missing."""
    files = sorted(path for path in WORDS_FOLDER.glob("*.wav") if path.name != "Noise.wav")
    need(bool(files), "the recorded words of Debian's alsa-utils are not installed (apt-get install alsa-utils)")
    return [soundfile.read(path)[0] for path in files]


def speech(words: list[FloatArray], seconds: float, rng: np.random.Generator) -> FloatArray:
    """One voice talking: words in random order, its own pitch and pace, short rests."""
    pitch = rng.uniform(0.85, 1.18)
    out, place = np.zeros(round(seconds * RATE)), round(rng.uniform(0.05, 0.3) * RATE)
    while place < out.size:
        word = soxr.resample(words[rng.integers(len(words))], RATE, RATE * pitch)
        piece = word[: out.size - place]
        out[place : place + piece.size] += rng.uniform(0.5, 1.0) * piece
        place += word.size + round(rng.uniform(0.05, 0.4) * RATE)
    return out


def plucked(seconds: float, rng: np.random.Generator) -> FloatArray:
    """A plucked string instrument playing alone."""
    out, place = np.zeros(round(seconds * RATE)), 0
    while place < out.size:
        pitch_hz = 196.0 * 2 ** (rng.integers(0, 20) / 12)
        time = np.arange(round(rng.uniform(0.4, 1.2) * RATE)) / RATE
        partials = int(8000 / pitch_hz)
        phases = rng.uniform(0, 2 * np.pi, partials)
        # Partial n is the n-th power of the first, but for its phase and level: no sine has to be worked out for it.
        first = np.exp((2j * np.pi * pitch_hz - 0.8) * time)
        power, note = np.exp(-2.0 * time).astype(complex), np.zeros(time.size)
        for number, phase in enumerate(phases, 1):
            power *= first
            note += (np.sin(phase) * power.real + np.cos(phase) * power.imag) / number
        piece = 0.15 * (note * np.minimum(1.0, time / 0.002))[: out.size - place]
        out[place : place + piece.size] += piece
        place += round(rng.choice([0.25, 0.375, 0.5]) * RATE)
    return out


def claps(seconds: float, rng: np.random.Generator) -> FloatArray:
    """Someone clapping now and then."""
    out, place = np.zeros(round(seconds * RATE)), round(0.2 * RATE)
    while place < out.size - RATE // 20:
        time = np.arange(RATE // 20) / RATE
        out[place : place + time.size] += rng.uniform(0.3, 0.6) * rng.standard_normal(time.size) * np.exp(-time / 0.004)
        place += round(rng.uniform(0.3, 0.9) * RATE)
    return out


def set_stage(
    folder: Path,
    *,
    rng: np.random.Generator,
    sounds: list[list[tuple[float, FloatArray]]],
    places_deg_m: list[tuple[float, float, float]],
    duration_s: float,
    room: Room | None = None,
    mount: YawPitchRoll = YawPitchRoll(0.0, 0.0, 0.0),  # noqa: B008 a frozen value
    mic_offset_m: tuple[float, float, float] = (0.0, 0.0, -0.3),
    clip_start_s: float = 4.0,
    take_start_s: float = 1.0,
    take_ppm: float = 0.0,
    frame_rate: Fraction = Fraction(25),
    take_rate_hz: int = RATE,
    take_duration_s: float | None = None,
    clip_name: str = "clip.mp4",
    audio_codec: str = "aac",
    snr_db: float = 20.0,
) -> Stage:
    """Write one clip, its take and its marks.

    `sounds` holds for each performer the (clip time, signal) turns they take; `places_deg_m` their azimuth,
    elevation and distance from the lens. Each turn becomes a mark.
    """
    rig = Rig(lens_m=LENS_M, facing_azimuth_deg=25.0, mic_offset_m=mic_offset_m, mount=mount)
    total_s = clip_start_s + duration_s + 3.0
    performers = []
    for number, (turns, (azimuth, elevation, distance)) in enumerate(zip(sounds, places_deg_m, strict=True)):
        signal = np.zeros(round(total_s * RATE))
        for start_s, sound in turns:
            first = round((clip_start_s + start_s) * RATE)
            piece = sound[: signal.size - first]
            signal[first : first + piece.size] += piece
        a, e = np.radians(azimuth), np.radians(elevation)
        offset = distance * np.array([np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e)])
        performers.append(Performer(f"performer {number + 1}", tuple(rig.place(offset).tolist()), signal))
    shoot = simulate_shoot(room or Room((6.2, 5.1, 3.0), 0.4), rig, performers, duration_s=total_s, rng=rng)
    noise_gain = np.sqrt(power_while_sounding(shoot.field[W], rate_hz=RATE)) * 10.0 ** (-snr_db / 20.0)
    at_mic, at_camera = fast_diffuse_noise(rig, shoot.field.shape[1], rng=rng)
    shoot = replace(shoot, field=shoot.field + noise_gain * at_mic, scratch=shoot.scratch + noise_gain * at_camera)
    scratch = camera_sound(
        record(shoot.scratch, rate_hz=RATE, start_s=clip_start_s, duration_s=duration_s, rng=rng), rate_hz=RATE, rng=rng
    )
    frames = round(duration_s * frame_rate)
    picture = np.zeros((48, 96, 3), dtype=np.uint8)
    clip = folder / clip_name
    write_movie(
        clip, frames=(picture for _ in range(frames)), frame_rate=frame_rate, audio=scratch, audio_codec=audio_codec
    )
    take_s = take_duration_s if take_duration_s is not None else total_s - take_start_s
    field = record(
        shoot.field, rate_hz=take_rate_hz, start_s=take_start_s, duration_s=take_s, rng=rng, clock_ppm=take_ppm,
        noise_dbfs=-85.0,
    )  # fmt: skip
    take = folder / f"{Path(clip_name).stem}-take.wav"
    soundfile.write(take, 0.5 * field.T / max(1.0, np.max(np.abs(field))), take_rate_hz, subtype="PCM_24")
    marks = folder / f"{Path(clip_name).stem}.marks.csv"
    rows = ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"]
    for performer, turns, (azimuth, elevation, distance) in zip(performers, sounds, places_deg_m, strict=True):
        rows += [
            f"{performer.who},{start},{min(start + sound.size / RATE, duration_s)},{azimuth},{elevation},{distance}"
            for start, sound in turns
        ]
    marks.write_text("\n".join(rows) + "\n", encoding="utf-8")
    law = true_law(clip_start_s=clip_start_s, take_start_s=take_start_s, take_ppm=take_ppm)
    return Stage(clip, take, marks, law, rig, shoot)
