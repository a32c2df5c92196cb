"""A clip and a take in the open air: no room, no noise, so that every sample of the track is known beforehand.

The camera and the microphone stand in one place. What sounds comes as a plane wave, written into the take in any
order and gain by the published tables themselves, not by the code under test.
"""

from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from scipy.fft import irfft, next_fast_len, rfft

from demo_audio.boxes import record, true_law
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.timebase import ClockLaw
from tests.scenes.stage import RATE, claps, plucked

CLIP_START_S = 3.0
"""True time of the first picture in every open-air shoot."""


@dataclass(frozen=True, slots=True, eq=False)
class OpenAir:
    """The files, and what is true of them."""

    clip: Path
    take: Path
    law: ClockLaw
    duration_s: float
    sound: FloatArray
    """What sounded, shape (samples,), 48 kHz, from the first picture frame on, as long as the clip."""


@cache
def busy_sound(scene: int) -> FloatArray:
    """Twenty seconds in which someone plucks and claps, over a faint hiss that never stops; do not write into it."""
    rng = np.random.default_rng((20261125, scene))
    return plucked(20.0, rng) + 0.5 * claps(20.0, rng) + 1e-3 * rng.standard_normal(20 * RATE)


def published_gains(azimuth_deg: float, elevation_deg: float, channel_format: str) -> FloatArray:
    """Gains of a plane wave in the file's own channels: AmbiX (Nachbar et al. 2011), N3D, FuMa (M. Leese)."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    x, y, z = np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)
    return np.array({
        "ambix": (1.0, y, z, x),
        "n3d": (1.0, 3**0.5 * y, 3**0.5 * z, 3**0.5 * x),
        "fuma": (0.5**0.5, x, y, z),
    }[channel_format])  # fmt: skip


def shoot_open_air(
    folder: Path,
    *,
    scene: int = 1,
    frames: int = 151,
    frame_rate: Fraction = Fraction(25),
    take_from_s: float = -2.0,
    take_until_s: float = 2.0,
    take_rate_hz: int = RATE,
    take_ppm: float = 0.0,
    at_deg: tuple[float, float] = (35.0, 10.0),
    channel_format: str = "ambix",
    level: float = 0.5,
    extra: FloatArray | None = None,
    name: str = "clip.mov",
    **movie: object,
) -> OpenAir:
    """Write one clip and its take, of at most 14 s; another `scene` is another performance.

    `take_from_s` is the clip time at which the take starts, `take_until_s` how long after the clip's end it stops;
    `extra` is added to the sound, from the first picture frame on. `movie` goes to write_movie.
    """
    duration_s = float(frames / frame_rate)
    total_s = CLIP_START_S + duration_s + 3.0
    sound = level * busy_sound(scene)[: round(total_s * RATE)]
    first, samples = round(CLIP_START_S * RATE), round(duration_s * RATE)
    if extra is not None:
        sound[first : first + extra.size] += extra
    seen = sound[first : first + samples]
    clip, take = folder / name, folder / f"{Path(name).stem}-take.wav"
    late = round(float(movie.get("audio_start_s", 0.0)) * RATE)  # type: ignore[arg-type]
    scratch = np.stack([seen, seen])[:, late:]
    if clip.suffix == ".wav":
        soundfile.write(clip, scratch.T, RATE, subtype="FLOAT")
    else:
        picture = np.zeros((32, 64, 3), dtype=np.uint8)
        options = {"audio_codec": "pcm_f32le", "video_codec": "mpeg4", **movie}
        write_movie(clip, frames=(picture for _ in range(frames)), frame_rate=frame_rate, audio=scratch, **options)  # type: ignore[arg-type]
    start_s = CLIP_START_S + take_from_s
    heard = record(
        sound[np.newaxis], rate_hz=take_rate_hz, start_s=start_s, rng=np.random.default_rng(scene), clock_ppm=take_ppm,
        duration_s=(duration_s + take_until_s - take_from_s) * (1 + take_ppm * 1e-6),
    )  # fmt: skip
    field = published_gains(*at_deg, channel_format)[:, np.newaxis] * heard
    soundfile.write(take, field.T, take_rate_hz, subtype="FLOAT")
    law = true_law(clip_start_s=CLIP_START_S, take_start_s=start_s, take_ppm=take_ppm)
    return OpenAir(clip, take, law, duration_s, seen)


def lag_s(heard: FloatArray, true: FloatArray) -> float:
    """How late `heard` is against `true`, two signals as long as each other, to a sixteenth of a sample (1.3 us).

    The curve sixteen times as fine is worked out only around the highest sample of the plain one.
    """
    size = next_fast_len(2 * heard.size, real=True)
    cross = rfft(heard, size) * np.conj(rfft(true, size))
    curve = irfft(cross, size)
    place = int(np.argmax(curve))
    bins = 2j * np.pi * np.arange(cross.size) / size
    turned, step = cross * np.exp(bins * (place - 1)), np.exp(bins / 16)
    fine = []
    for _ in range(33):
        fine.append(float(np.sum(turned.real)))
        turned *= step
    finest = place - 1 + int(np.argmax(fine)) / 16
    return (finest if finest < size / 2 else finest - size) / RATE
