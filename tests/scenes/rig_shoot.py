"""The files of a day that one rig filmed: clips with takes of their own, in rooms of their own, marks in some of them.

Functions: write_rig_shoot (clips, takes and marks in a folder; returns what is true of each clip).
"""

from collections.abc import Collection
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile

from demo_audio.boxes import camera_sound, record, true_law
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.field import unit_vectors
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.scenes.rooms import sound_of_kind
from tests.scenes.stage import RATE, recorded_words

MIC_OFFSET_M = (0.03, 0.0, -0.2)
"""Of all rigs here: forward, left, up of the lens."""

_FPS = Fraction(25)
_PICTURE = (32, 64)
"""Height and width in pixels of one eye's 180 degrees: nobody looks at it."""
_BEFORE_S = 1.0
_TURN_S = 3.2
"""How long each performer sounds alone, seconds: long enough to be marked."""


@dataclass(frozen=True, slots=True, eq=False)
class TrueClip:
    """What is true of a clip."""

    clip: str
    take: str
    offset_s: float
    mount: FloatArray
    """picture_from_mic, shape (3, 3)."""
    marks_text: str
    """The marks file that belongs to it, whether or not it was written."""


def write_rig_shoot(
    folder: Path,
    seed: int,
    *,
    clips: int = 6,
    seconds: float = 40.0,
    marked: Collection[int] = (0, 1),
    knocked_from: int | None = None,
    knock_deg: float = 20.0,
) -> list[TrueClip]:
    """Write a day's clips (scene1.mov and on) and takes (take1.wav and on); marks beside those in `marked`.

    `knocked_from` is the first clip of those in which the microphone faces `knock_deg` further left.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng((seed, 79))
    yaw, pitch, roll = rng.uniform(-180, 180), rng.uniform(-8, 8), rng.choice([0, 180]) + rng.uniform(-6, 6)
    words = recorded_words()
    told = []
    for number in range(clips):
        turned = knock_deg if knocked_from is not None and number >= knocked_from else 0.0
        mount = YawPitchRoll.from_degrees(yaw + turned, pitch, roll)
        true = _write_clip(folder, number, mount, seconds, words, rng)
        if number in marked:
            (folder / f"{Path(true.clip).stem}.marks.csv").write_text(true.marks_text, encoding="utf-8")
        told.append(true)
    return told


def _write_clip(
    folder: Path, number: int, mount: YawPitchRoll, seconds: float, words: list[FloatArray], rng: np.random.Generator
) -> TrueClip:
    size = (rng.uniform(4.5, 8.0), rng.uniform(4.5, 8.0), rng.uniform(2.5, 3.5))
    lens = (size[0] / 2 + rng.uniform(-0.4, 0.4), size[1] / 2 + rng.uniform(-0.4, 0.4), rng.uniform(1.3, 1.6))
    rig = Rig(lens, rng.uniform(-180, 180), mic_offset_m=MIC_OFFSET_M, mount=mount)
    lead_s, tail_s, ppm = rng.uniform(0.5, 2.0), rng.uniform(0.3, 1.0), rng.uniform(-20, 20)
    clip_start_s = _BEFORE_S + lead_s
    total_s = clip_start_s + seconds + tail_s + _BEFORE_S
    frames = int(seconds * _FPS)
    performers, spans = [], []
    for turn, centre in enumerate((45.0, 0.0, -45.0)):
        azimuth, elevation = np.radians(centre + rng.uniform(-15, 15)), np.radians(rng.uniform(-8, 12))
        place = np.clip(rig.place(rng.uniform(1.3, 2.0) * unit_vectors(azimuth, elevation)), 0.3, np.array(size) - 0.3)
        signal = np.zeros(round(total_s * RATE))
        start_s = 0.7 + (_TURN_S + 0.4) * turn
        _add(signal, clip_start_s + start_s, sound_of_kind("speech", _TURN_S, words, rng))
        # After their turns all of them sound at once, and before the camera ran they did so too.
        rest_s = 0.7 + (_TURN_S + 0.4) * 3
        if seconds > rest_s + 1.0:
            kind = ("speech", "music", "reeds")[int(rng.integers(3))]
            _add(signal, clip_start_s + rest_s, sound_of_kind(kind, seconds - rest_s, words, rng))
        performers.append(Performer(f"p{turn}", (float(place[0]), float(place[1]), float(place[2])), signal))
        spans.append((start_s, start_s + _TURN_S))
    room = Room(size, rng.uniform(0.2, 0.35))
    shoot = simulate_shoot(room, rig, performers, duration_s=total_s, rng=rng)
    gain = 0.1 / np.max(np.abs(shoot.field))
    law = true_law(clip_start_s=clip_start_s, take_start_s=_BEFORE_S, take_ppm=ppm)
    take = record(
        shoot.field * gain, rate_hz=RATE, start_s=_BEFORE_S, duration_s=lead_s + seconds + tail_s, clock_ppm=ppm,
        noise_dbfs=-85.0, rng=rng,
    )  # fmt: skip
    clip_name, take_name = f"scene{number + 1}.mov", f"take{number + 1}.wav"
    soundfile.write(folder / take_name, take.T, RATE, subtype="PCM_24")
    scratch = record(
        shoot.scratch * gain, rate_hz=RATE, start_s=clip_start_s, duration_s=seconds, noise_dbfs=-66.0, rng=rng
    )
    pictures = (np.full((*_PICTURE, 3), 40 + step % 100, np.uint8) for step in range(frames))
    audio = camera_sound(scratch, rate_hz=RATE, rng=rng, wind_snr_db=22.0)
    write_movie(folder / clip_name, frames=pictures, frame_rate=_FPS, audio=audio)
    lines = ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"]
    for place, (start_s, end_s) in zip(shoot.truth, spans, strict=True):
        seen = place.from_lens
        azimuth_deg, elevation_deg = np.degrees((seen.azimuth_rad, seen.elevation_rad)) + rng.normal(0, 1.0, 2)
        lines.append(
            f"{place.who},{start_s:.2f},{end_s:.2f},{azimuth_deg:.1f},{elevation_deg:.1f},{seen.distance_m:.1f}"
        )
    return TrueClip(clip_name, take_name, law.offset_s, matrix_from_ypr(mount), "\n".join(lines) + "\n")


def _add(signal: FloatArray, start_s: float, sound: FloatArray) -> None:
    first = round(start_s * RATE)
    last = min(first + sound.size, signal.size)
    signal[first:last] += sound[: last - first]
