"""Make the demo shoot: `python -m demo_audio.make_shoot [FOLDER]`; needs espeak-ng and the test extra.

Without FOLDER the files are written beside this script. The same scenes give the same shoot each time.
Functions: make_shoot.
"""

import csv
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from demo_audio.drawing import draw_frames
from demo_audio.scenes import BOATHOUSE, SCENES, Part, Scene
from demo_audio.simulate import Performer, Rig, Whereabouts, camera_sound, record, simulate_shoot, true_law
from demo_audio.sounds import laid_out
from demo_audio.write_movie import write_movie
from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.field import unit_vectors
from spatial.picture import parse_picture

BEFORE_S = 1.0  # true time before the recorder starts, and after it stops
MARK_INSET_S = 0.05  # marks begin and end a little inside what they mark, as those typed by a person would
QUIET_S = 0.3  # before a marked cue nobody sounds for so long: the room has fallen by 40 dB

TAKE_PEAK_DBFS = -22.0  # a careful field recording leaves headroom (common practice, no source)
# White noise costs bytes that this shoot does not have: a very good microphone in a boathouse whose water rumbles.
TAKE_NOISE_DBFS = -110.0
TAKE_RUMBLE_DBFS = -81.0
CAMERA_NOISE_DBFS = -66.0
CAMERA_WIND_SNR_DB = 22.0
CAMERA_BIT_RATE = 48_000


def make_shoot(folder: Path) -> None:
    """Write the clips, the takes, the marks and the truth into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    clips = [_make_scene(scene, folder) for scene in SCENES]
    (folder / "truth.json").write_text(json.dumps({"clips": clips}, indent=2) + "\n", encoding="utf-8")


def _make_scene(scene: Scene, folder: Path) -> dict[str, Any]:
    """Make one clip with its take and marks; return what is true about them."""
    rng = np.random.default_rng(scene.seed)
    clip_start_s = BEFORE_S + scene.take_lead_s
    law = true_law(clip_start_s=clip_start_s, take_start_s=BEFORE_S, take_ppm=scene.take_ppm)
    duration_s = clip_start_s + scene.duration_s + scene.take_tail_s + BEFORE_S
    rig = Rig(scene.lens_m, scene.facing_azimuth_deg, mic_offset_m=scene.mic_offset_m, mount=scene.mount)
    performers, spans = _perform(scene, rig, clip_start_s, duration_s, rng)
    shoot = simulate_shoot(BOATHOUSE, rig, performers, duration_s=duration_s, rng=rng)
    gain = 10 ** (TAKE_PEAK_DBFS / 20) / np.max(np.abs(shoot.field))

    take = record(
        shoot.field * gain + _rumble(shoot.field.shape[1], rng),
        rate_hz=DELIVERY_RATE_HZ,
        start_s=BEFORE_S,
        duration_s=law.take_from_clip(scene.duration_s) + scene.take_tail_s,
        clock_ppm=scene.take_ppm,
        noise_dbfs=TAKE_NOISE_DBFS,
        rng=rng,
    )
    path = folder / scene.take
    soundfile.write(path, take.T, DELIVERY_RATE_HZ, subtype="PCM_16", format="FLAC", compression_level=1.0)

    scratch = record(
        shoot.scratch * gain,
        rate_hz=DELIVERY_RATE_HZ,
        start_s=clip_start_s,
        duration_s=scene.duration_s,
        noise_dbfs=CAMERA_NOISE_DBFS,
        rng=rng,
    )
    write_movie(
        folder / scene.clip,
        frames=draw_frames(scene, rig, performers, clip_start_s=clip_start_s),
        frame_rate=scene.frame_rate,
        audio=camera_sound(scratch, rate_hz=DELIVERY_RATE_HZ, rng=rng, wind_snr_db=CAMERA_WIND_SNR_DB),
        audio_rate_hz=DELIVERY_RATE_HZ,
        audio_bit_rate=CAMERA_BIT_RATE,
        video_options={"crf": "30", "preset": "slow", "g": "300"},
    )

    seen = {place.who: place for place in shoot.truth}
    marks = [_true_mark(seen[who], start_s, end_s) for who, start_s, end_s in sorted(spans, key=lambda s: s[1])]
    marks_file = f"{Path(scene.clip).stem}.marks.csv"
    _write_marks(folder / marks_file, scene, marks)
    yaw, pitch, roll = (
        round(float(np.degrees(angle)), 6)
        for angle in (scene.mount.yaw_rad, scene.mount.pitch_rad, scene.mount.roll_rad)
    )
    return {
        "clip": scene.clip,
        "take": scene.take,
        "marks_file": marks_file,
        "picture": scene.layout,
        "frame_rate": str(scene.frame_rate),
        "frames": scene.frames,
        "offset_s": round(law.offset_s, 9),
        "drift_ppm": round(law.drift_ppm, 6),
        "mount": {"yaw_deg": yaw, "pitch_deg": pitch, "roll_deg": roll},
        "mic_offset_m": list(scene.mic_offset_m),
        "rt60_s": BOATHOUSE.rt60_s,
        "marks": marks,
    }


def _perform(
    scene: Scene, rig: Rig, clip_start_s: float, duration_s: float, rng: np.random.Generator
) -> tuple[list[Performer], list[tuple[str, float, float]]]:
    """Let everybody perform in true time; return also (who, start, end) of the marked cues in clip time."""
    performers, spans, marked = [], [], []
    for part in scene.parts:
        sounds = [(cue.start_s, cue.make(rng)) for cue in part.cues]
        signal = laid_out(
            [(clip_start_s + start_s, sound) for start_s, sound in sounds],
            samples=round(duration_s * DELIVERY_RATE_HZ),
        )
        performers.append(Performer(part.who, _position_m(rig, part), signal))
        for cue, (start_s, sound) in zip(part.cues, sounds, strict=True):
            span = part.who, start_s, start_s + sound.size / DELIVERY_RATE_HZ
            spans.append(span)
            if cue.marked:
                marked.append(span)
    for who, start_s, end_s in marked:
        for other in spans:
            if other != (who, start_s, end_s) and other[1] < end_s and other[2] > start_s - QUIET_S:
                raise ValueError(f"{scene.clip}: {other[0]} sounds in or just before the marked cue of {who}")
    return performers, marked


def _position_m(rig: Rig, part: Part) -> tuple[float, float, float]:
    towards = unit_vectors(np.radians(part.azimuth_deg), np.radians(part.elevation_deg))
    x, y, z = rig.place(part.distance_m * towards)
    return float(x), float(y), float(z)


def _rumble(samples: int, rng: np.random.Generator) -> FloatArray:
    """Water under the floor: low, from all around (each axis a third of the power of W)."""
    low = butter(2, (25.0, 70.0), "bandpass", fs=DELIVERY_RATE_HZ, output="sos")
    rumble = sosfilt(low, rng.standard_normal((4, samples)), axis=1)
    rumble *= 10 ** (TAKE_RUMBLE_DBFS / 20) / np.std(rumble)
    rumble[1:] /= np.sqrt(3.0)
    return np.asarray(rumble)


def _true_mark(place: Whereabouts, start_s: float, end_s: float) -> dict[str, Any]:
    lens, mic = place.from_lens, place.from_mic
    return {
        "who": place.who,
        "start_s": round(start_s + MARK_INSET_S, 2),
        "end_s": round(end_s - MARK_INSET_S, 2),
        "azimuth_deg": round(float(np.degrees(lens.azimuth_rad)), 4),
        "elevation_deg": round(float(np.degrees(lens.elevation_rad)), 4),
        "distance_m": round(lens.distance_m, 4),
        "mic_azimuth_deg": round(float(np.degrees(mic.azimuth_rad)), 4),
        "mic_elevation_deg": round(float(np.degrees(mic.elevation_rad)), 4),
        "mic_distance_m": round(mic.distance_m, 4),
    }


def _write_marks(path: Path, scene: Scene, marks: list[dict[str, Any]]) -> None:
    """Write the marks as somebody would read them off the picture: whole pixels, or tenths of a degree."""
    picture = parse_picture(scene.layout, scene.width_px, scene.height_px)
    place = ("x_px", "y_px") if scene.marks_in_pixels else ("azimuth_deg", "elevation_deg")
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(("who", "start_s", "end_s", *place, "distance_m"))
        for mark in marks:
            azimuth_deg, elevation_deg = mark["azimuth_deg"], mark["elevation_deg"]
            where: tuple[float, float] = round(azimuth_deg, 1), round(elevation_deg, 1)
            if scene.marks_in_pixels:
                pixel = picture.pixel_from_direction(unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg)))
                if pixel is None:
                    raise ValueError(f"{scene.clip}: {mark['who']} is outside the picture")
                where = round(pixel[0]), round(pixel[1])
            rows.writerow((mark["who"], mark["start_s"], mark["end_s"], *where, round(mark["distance_m"], 1)))


if __name__ == "__main__":
    make_shoot(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
