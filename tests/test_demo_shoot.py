"""The committed demo shoot: it opens, it is small, and it is what its truth file says.

Times and directions are measured by deconvolving what was recorded with the dry sounds, which are made anew: so
these tests need espeak-ng (Debian package espeak-ng), but none of the project's analysis.
"""

import csv
import io
import json
import shutil
from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfiltfilt

from demo_audio import shoot_files
from demo_audio.scenes import SCENES
from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.field import azimuth_elevation, unit_vectors
from spatial.picture import parse_picture
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.timebase import ClockLaw
from tests.scenes.stage import need

RATE_HZ = 48_000
FILES = {item.name: item for item in shoot_files()}
TRUTH = json.loads(FILES["truth.json"].read_text(encoding="utf-8"))["clips"]
BY_CLIP = pytest.mark.parametrize("truth", TRUTH, ids=[clip["clip"] for clip in TRUTH])
BY_MARK = pytest.mark.parametrize(
    ("truth", "mark"),
    [(clip, mark) for clip in TRUTH for mark in clip["marks"]],
    ids=[f"{clip['clip']}-{mark['who']}" for clip in TRUTH for mark in clip["marks"]],
)


def read_take(name: str) -> tuple[np.ndarray, soundfile.SoundFile]:
    file = soundfile.SoundFile(io.BytesIO(FILES[name].read_bytes()))
    return file.read().T, file


def read_movie(name: str) -> tuple[np.ndarray, np.ndarray, Fraction]:
    """Scratch sound on picture time, the middle frame, the frame rate."""
    with av.open(io.BytesIO(FILES[name].read_bytes())) as movie:
        pieces = [(frame.pts * frame.time_base, frame.to_ndarray()) for frame in movie.decode(audio=0)]
    first_s = pieces[0][0]
    scratch = np.concatenate([piece for _, piece in pieces], axis=1)
    # The encoder's priming, if the edit list left it in, has a negative time.
    scratch = scratch[:, max(0, round(-first_s * RATE_HZ)) :]
    with av.open(io.BytesIO(FILES[name].read_bytes())) as movie:
        frames = [frame.to_ndarray(format="rgb24") for frame in movie.decode(video=0)]
        return scratch, np.array(frames), movie.streams.video[0].average_rate


@pytest.fixture(scope="module")
def movies() -> dict[str, tuple[np.ndarray, np.ndarray, Fraction]]:
    return {clip["clip"]: read_movie(clip["clip"]) for clip in TRUTH}


@pytest.fixture(scope="module")
def takes() -> dict[str, np.ndarray]:
    return {clip["take"]: read_take(clip["take"])[0] for clip in TRUTH}


@pytest.fixture(scope="module")
def dry_sounds() -> dict[tuple[str, str], tuple[float, np.ndarray]]:
    """Clip time and sound of each marked cue, before any room."""
    need(shutil.which("espeak-ng") is not None, "espeak-ng is not installed (apt-get install espeak-ng)")
    sounds = {}
    for scene in SCENES:
        rng = np.random.default_rng(scene.seed)  # the cues draw from it in the order of make_shoot
        for part in scene.parts:
            for cue in part.cues:
                sound = cue.make(rng)
                if cue.marked:
                    sounds[scene.clip, part.who] = cue.start_s, sound
    return sounds


def rows_of(truth: dict) -> list[dict[str, str]]:
    return list(csv.DictReader(FILES[truth["marks_file"]].read_text(encoding="utf-8").splitlines()))


def law_of(truth: dict) -> ClockLaw:
    return ClockLaw(truth["offset_s"], truth["drift_ppm"])


def band(signal: np.ndarray) -> np.ndarray:
    """300 to 4000 Hz: above the rumble, below where the scratch's coding gets coarse."""
    return sosfiltfilt(butter(4, (300, 4000), "bandpass", fs=RATE_HZ, output="sos"), signal, axis=-1)


def test_the_shoot_is_under_three_megabytes_and_complete():
    assert sum(len(item.read_bytes()) for item in FILES.values()) < 3_000_000
    for truth in TRUTH:
        assert {truth["clip"], truth["take"], truth["marks_file"]} <= set(FILES)
        assert truth["marks_file"] == truth["clip"].rsplit(".", 1)[0] + ".marks.csv"
    assert "README.md" in FILES


@BY_CLIP
def test_takes_are_ambix_and_have_headroom(truth):
    take, file = read_take(truth["take"])
    assert (file.samplerate, file.channels, file.format) == (RATE_HZ, 4, "FLAC")
    assert -26 < 20 * np.log10(np.max(np.abs(take))) < -15
    # The take holds the whole clip, and more on both sides.
    assert truth["offset_s"] > 1.0
    assert (
        take.shape[1] / RATE_HZ
        > law_of(truth).take_from_clip(float(truth["frames"] / Fraction(truth["frame_rate"]))) + 0.5
    )
    for channel in take:  # no stretch of dead samples that a recorder would not write
        change = np.flatnonzero(np.diff(channel))
        assert np.max(np.diff(change)) < 0.02 * RATE_HZ


@pytest.mark.slow
@BY_CLIP
def test_movies_open_with_the_picture_and_sound_they_should_have(truth, movies):
    scratch, frames, rate = movies[truth["clip"]]
    assert rate == Fraction(truth["frame_rate"])
    assert len(frames) == truth["frames"]
    assert scratch.shape[0] == 2
    assert scratch.shape[1] / RATE_HZ == pytest.approx(float(len(frames) / rate), abs=0.03)  # an AAC frame
    assert 0.1 < np.max(np.abs(scratch)) < 0.99


@BY_CLIP
def test_marks_lie_in_the_clip_and_are_spread(truth):
    rows, marks = rows_of(truth), truth["marks"]
    assert [row["who"] for row in rows] == [mark["who"] for mark in marks]
    assert len(rows) >= 3
    azimuths = [mark["azimuth_deg"] for mark in marks]
    elevations = [mark["elevation_deg"] for mark in marks]
    assert max(azimuths) - min(azimuths) >= 60
    assert max(elevations) - min(elevations) >= 25
    ends = [0.0]
    for row, mark in zip(rows, marks, strict=True):
        assert (float(row["start_s"]), float(row["end_s"])) == (mark["start_s"], mark["end_s"])
        assert float(row["start_s"]) > ends[-1]
        ends.append(float(row["end_s"]))
    assert ends[-1] < truth["frames"] / Fraction(truth["frame_rate"])


@pytest.mark.slow
@BY_CLIP
def test_marks_say_the_true_place(truth, movies):
    height, width = movies[truth["clip"]][1].shape[1:3]
    picture = parse_picture(truth["picture"], width, height)
    for row, mark in zip(rows_of(truth), truth["marks"], strict=True):
        if "x_px" in row:
            azimuth, elevation = azimuth_elevation(picture.direction_from_pixel(float(row["x_px"]), float(row["y_px"])))
            found, tolerance = np.degrees([azimuth, elevation]), 0.51 * 180 / height  # half a pixel
        else:
            found, tolerance = [float(row["azimuth_deg"]), float(row["elevation_deg"])], 0.051
        assert found == pytest.approx([mark["azimuth_deg"], mark["elevation_deg"]], abs=tolerance)
        assert float(row["distance_m"]) == pytest.approx(mark["distance_m"], abs=0.051)


@BY_CLIP
def test_one_file_marks_pixels_and_parallax_is_in_the_truth(truth):
    for mark in truth["marks"]:
        lens = mark["distance_m"] * unit_vectors(*np.radians([mark["azimuth_deg"], mark["elevation_deg"]]))
        azimuth, elevation = azimuth_elevation(lens - np.array(truth["mic_offset_m"]))
        found = np.degrees([azimuth, elevation])
        assert found == pytest.approx([mark["mic_azimuth_deg"], mark["mic_elevation_deg"]], abs=1e-3)


@pytest.mark.slow
@BY_MARK
def test_what_sounds_moves_where_the_mark_says(truth, mark, movies):
    """The picture changes round the marked place while the mark lasts, and less while another's does."""
    _, frames, rate = movies[truth["clip"]]
    picture = parse_picture(truth["picture"], frames.shape[2], frames.shape[1])
    x, y = picture.pixel_from_direction(unit_vectors(*np.radians([mark["azimuth_deg"], mark["elevation_deg"]])))
    spot = frames[:, round(y) - 5 : round(y) + 6, round(x) - 5 : round(x) + 6].astype(float)
    motion = [
        np.mean(np.std(spot[int(m["start_s"] * rate) + 3 : int(m["end_s"] * rate)], axis=0)) for m in truth["marks"]
    ]
    own = motion[[m["who"] for m in truth["marks"]].index(mark["who"])]
    assert own == max(motion)
    assert own > 3 * np.median(motion)


def direct_sound(heard: np.ndarray, dry: np.ndarray) -> tuple[float, np.ndarray]:
    """When the direct sound of a known dry sound arrives (seconds), and each channel's gain for it.

    The room's response by regularised deconvolution, 300 to 5500 Hz; the direct sound is its first strong peak.
    """
    size = 2 ** int(np.ceil(np.log2(heard.shape[1] + dry.size)))
    spectrum = np.fft.rfft(dry, size)
    power = np.abs(spectrum) ** 2
    frequencies_hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    trusted = (frequencies_hz > 300) & (frequencies_hz < 5500)
    ratio = np.conj(spectrum) * np.fft.rfft(heard, size) / (power + 1e-3 * power.max())
    response = np.fft.irfft(np.where(trusted, ratio, 0.0), 8 * size)[:, : 8 * 1200]  # eight times finer, 25 ms
    peak = int(np.argmax(np.abs(response[0])))
    near = response[:, max(peak - 192, 0) : peak + 193]  # half a millisecond on each side
    return peak / 8 / RATE_HZ, near @ near[0] / (near[0] @ near[0])


def on_clock(dry: np.ndarray, ratio: float) -> np.ndarray:
    """A sound as a box hears it whose clock counts `ratio` seconds for one."""
    return np.interp(np.arange(dry.size) / ratio, np.arange(dry.size), dry)


@pytest.mark.slow
@BY_MARK
def test_direct_sound_in_the_take_has_the_true_time_and_direction(truth, mark, takes, dry_sounds):
    start_s, dry = dry_sounds[truth["clip"], mark["who"]]
    law = law_of(truth)
    first = int(law.take_from_clip(start_s) * RATE_HZ)
    heard = takes[truth["take"]][:, first : first + dry.size + RATE_HZ // 2]
    arrival_s, (_, y, z, x) = direct_sound(heard, on_clock(dry, law.ratio))
    expected_s = law.take_from_clip(start_s) + mark["mic_distance_m"] / SPEED_OF_SOUND_M_S
    assert first / RATE_HZ + arrival_s == pytest.approx(expected_s, abs=20e-6)  # measured: 8 us at most
    mount = matrix_from_ypr(
        YawPitchRoll.from_degrees(*(truth["mount"][key] for key in ("yaw_deg", "pitch_deg", "roll_deg")))
    )
    found = mount @ (x, y, z) / np.linalg.norm((x, y, z))
    expected = unit_vectors(*np.radians([mark["mic_azimuth_deg"], mark["mic_elevation_deg"]]))
    # A bell has few frequencies and a drum is faint above 300 Hz, so deconvolution leaves some room in them.
    tolerance_deg = 6.0 if mark["who"] == "Juno" else 2.5
    assert np.degrees(np.arccos(found @ expected)) < tolerance_deg


@pytest.mark.slow
@BY_MARK
def test_direct_sound_in_the_scratch_has_the_true_time(truth, mark, movies, dry_sounds):
    start_s, dry = dry_sounds[truth["clip"], mark["who"]]
    first = int(start_s * RATE_HZ)
    place = mark["distance_m"] * unit_vectors(*np.radians([mark["azimuth_deg"], mark["elevation_deg"]]))
    for channel, left_m in enumerate((0.06, -0.06)):  # half of Rig.camera_mic_spacing_m
        heard = movies[truth["clip"]][0][channel : channel + 1, first : first + dry.size + RATE_HZ // 2]
        arrival_s, _ = direct_sound(heard, dry)
        expected_s = start_s + np.linalg.norm(place - (0.0, left_m, 0.0)) / SPEED_OF_SOUND_M_S
        # About a sample: AAC, hiss and a riding gain blur the peak. The bell has few frequencies: a broad peak.
        tolerance_s = 60e-6 if mark["who"] == "Juno" else 25e-6
        assert first / RATE_HZ + arrival_s == pytest.approx(expected_s, abs=tolerance_s)


@pytest.mark.slow
@BY_CLIP
def test_left_is_left_in_the_scratch(truth, movies):
    """The capsules look 45 degrees aside, so performers well to one side are louder there."""
    scratch, _, _ = movies[truth["clip"]]
    for mark in truth["marks"]:
        if abs(mark["azimuth_deg"]) > 40:
            part = band(scratch[:, int(mark["start_s"] * RATE_HZ) : int(mark["end_s"] * RATE_HZ)])
            left, right = np.mean(part**2, axis=1)
            assert (left > right) == (mark["azimuth_deg"] > 0)
