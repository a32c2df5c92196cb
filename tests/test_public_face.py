"""What `import spatial` offers: against known truth, at its doors, and as DEVELOPERS.md shows it.

Truth is simulated (demo_audio/simulate.py), by ideal plane waves (AmbiX: W, Y, Z, X in SN3D), or the demo shoot's.
"""

import io
import json
import re
import shutil
import subprocess
import sys
from contextlib import redirect_stdout
from dataclasses import FrozenInstanceError, dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from matplotlib.figure import Figure

import spatial
from demo_audio import shoot_files
from demo_audio.simulate import Performer, Rig, Room, record, simulate_shoot, true_law
from spatial.conventions import FloatArray
from spatial.errors import InconclusiveError, InputError, MediaFileError, OutputError
from spatial.field import encode, unit_vectors
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle
from spatial.timebase import ClockLaw
from tests.scenes.stage import claps, plucked

RATE = 48_000
ROOT = Path(__file__).parent.parent
SHOOT = {item.name: item for item in shoot_files()}
LANTERN = next(
    clip for clip in json.loads(SHOOT["truth.json"].read_text("utf-8"))["clips"] if "lantern" in clip["clip"]
)

BURSTS = ((40.0, 10.0), (-75.0, -20.0))
"""Azimuth and elevation of two who take turns, a second each."""


def bursts(rng: np.random.Generator, seconds: int = 4, rate_hz: int = RATE) -> FloatArray:
    """Noise that comes and goes, each second from the next of two directions, over a little hiss."""
    time = np.arange(rate_hz) / rate_hz
    field = 1e-4 * rng.standard_normal((4, seconds * rate_hz))
    for second in range(seconds):
        noise = soxr.resample(rng.standard_normal(RATE), RATE, rate_hz)[:rate_hz] * np.sin(4 * np.pi * time) ** 2
        azimuth, elevation = np.radians(BURSTS[second % 2])
        field[:, second * rate_hz :][:, :rate_hz] += encode(0.1 * noise, azimuth, elevation)
    return field


@dataclass(frozen=True)
class Filmed:
    """Sound of a clip and its take in memory, both at 48 kHz, and what is true of them."""

    scratch: FloatArray
    field: FloatArray
    law: ClockLaw
    mount: YawPitchRoll
    marks: str


@pytest.fixture(scope="module")
def filmed() -> Filmed:
    rng = np.random.default_rng(61128)
    mount = YawPitchRoll.from_degrees(100.0, 0.0, 0.0)
    rig = Rig(lens_m=(3.0, 2.5, 1.5), facing_azimuth_deg=25.0, mic_offset_m=(0.0, 0.0, -0.05), mount=mount)
    places = ((50.0, 5.0, 1.8), (-45.0, -8.0, 1.6), (5.0, 15.0, 2.0))
    rows, performers = ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"], []
    for number, (azimuth, elevation, distance) in enumerate(places):
        signal = np.zeros(16 * RATE)
        sound = (plucked if number % 2 else claps)(3.6, rng)
        first = round((3.0 + 4.0 * number) * RATE)
        signal[first : first + sound.size] += sound
        offset = distance * unit_vectors(*np.radians([azimuth, elevation]))
        performers.append(Performer(f"performer {number}", tuple(rig.place(offset).tolist()), signal))
        rows.append(f"performer {number},{4.0 * number},{4.0 * number + 3.6},{azimuth},{elevation},{distance}")
    shoot = simulate_shoot(Room((6.2, 5.1, 3.0), 0.3), rig, performers, duration_s=16.0, rng=rng)
    return Filmed(
        record(shoot.scratch, rate_hz=RATE, start_s=3.0, duration_s=12.0, rng=rng, noise_dbfs=-75.0),
        record(shoot.field, rate_hz=RATE, start_s=1.25, duration_s=14.0, rng=rng, clock_ppm=60.0, noise_dbfs=-75.0),
        true_law(clip_start_s=3.0, take_start_s=1.25, take_ppm=60.0),
        mount,
        "\n".join(rows) + "\n",
    )


@pytest.fixture
def take(tmp_path: Path, rng: np.random.Generator) -> Path:
    path = tmp_path / "take.wav"
    soundfile.write(path, bursts(rng).T, RATE, subtype="PCM_24")
    return path


# --- the face itself ----------------------------------------------------------------------------------------


def loaded_after(code: str) -> set[str]:
    """The libraries that a fresh Python has loaded after some code."""
    script = f"{code}\nimport sys\nprint(*{{name.split('.')[0] for name in sys.modules}})"
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


HEAVY = {"numpy", "scipy", "soundfile", "soxr", "av", "librosa", "matplotlib", "jinja2", "click", "demo_audio"}


def test_importing_the_package_loads_nothing_heavy() -> None:
    assert loaded_after("import spatial; dir(spatial)") & HEAVY == set()


@pytest.mark.slow
def test_plots_load_their_library_only_when_they_are_drawn() -> None:
    loaded = loaded_after("from spatial import align, directions, find_mount, read, rotate, write_track")
    assert "numpy" in loaded
    assert loaded & {"matplotlib", "librosa", "jinja2", "click", "demo_audio"} == set()


def test_every_name_is_there_and_says_what_it_does() -> None:
    assert set(spatial.__all__) <= set(dir(spatial))
    for name in set(spatial.__all__) - {"__version__"}:
        docstring = getattr(spatial, name).__doc__
        assert docstring
        if name[0].islower():
            for section in ("Parameters", "Returns", "Raises"):
                assert f"{section}\n    ---" in docstring, (name, section)


def test_a_name_that_is_not_there_is_missed() -> None:
    with pytest.raises(AttributeError, match="no attribute 'orient'"):
        _ = spatial.orient  # type: ignore[attr-defined]


# --- read ---------------------------------------------------------------------------------------------------


def test_read_gives_the_samples_of_the_file(take: Path) -> None:
    expected = soundfile.read(take, dtype="float32")[0].T
    whole = spatial.read(take)
    np.testing.assert_array_equal(whole.field, expected)
    assert (whole.rate_hz, whole.paths, whole.start_s, whole.field.dtype) == (RATE, (take,), 0.0, np.float32)
    part = spatial.read(str(take), start_s=1.5, stop_s=2.25)
    np.testing.assert_array_equal(part.field, expected[:, 72_000:108_000])
    assert (part.start_s, part.duration_s) == (1.5, 0.75)


def test_read_converts_other_formats(tmp_path: Path, rng: np.random.Generator) -> None:
    field = bursts(rng, 1)
    w, y, z, x = field
    # W, X, Y, Z with W 3.01 dB down: M. Leese, "File format for B-format".
    soundfile.write(tmp_path / "fuma.wav", np.stack([w / np.sqrt(2), x, y, z]).T, RATE, subtype="FLOAT")
    got = spatial.read(tmp_path / "fuma.wav", read_as="fuma")
    np.testing.assert_allclose(got.field, field, atol=1e-6)


def test_read_joins_the_files_of_one_take(tmp_path: Path, rng: np.random.Generator) -> None:
    field = bursts(rng, 1)
    paths = [tmp_path / f"scene_{number}.wav" for number in (1, 2, 3, 4)]
    for path, channel in zip(paths, field, strict=True):
        soundfile.write(path, channel, RATE, subtype="FLOAT")
    got = spatial.read(paths[::-1])
    np.testing.assert_allclose(got.field, field, atol=1e-6)
    assert got.paths == tuple(paths)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"start_s": -1.0}, "start_s is -1"),
        ({"start_s": 3.0, "stop_s": 2.0}, "no span from 3 to 2 s in take.wav"),
        ({"stop_s": 9.0}, "which is 4.000 s long"),
        ({"stop_s": float("nan")}, "stop_s is nan"),
        ({"start_s": "1"}, "start_s must be a number, not a value of type str"),
        ({"read_as": "mono"}, "cannot be read as 'mono'; choose one of ambix, n3d, fuma, auto, aformat"),
    ],
)
def test_read_refuses(take: Path, arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        spatial.read(take, **arguments)  # type: ignore[arg-type]


def test_read_refuses_what_is_no_take(take: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="must be named by a path or a list of paths, not by a value of type int"):
        spatial.read(3)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="empty list"):
        spatial.read([])
    with pytest.raises(InputError, match="one of the list is a value of type NoneType"):
        spatial.read([take, None])  # type: ignore[list-item]
    with pytest.raises(MediaFileError, match=r"gone\.wav"):
        spatial.read(tmp_path / "gone.wav")
    other = tmp_path / "other.flac"
    soundfile.write(other, np.zeros((RATE, 4)), RATE)
    with pytest.raises(InputError, match=r"these are 2 recordings \(take.wav, other.flac\)"):
        spatial.read([take, other])


def test_a_recording_is_frozen_and_says_what_it_is(take: Path) -> None:
    recording = spatial.read(take, start_s=1.0)
    with pytest.raises(ValueError, match="read-only"):
        recording.field[0, 0] = 1.0
    with pytest.raises(FrozenInstanceError):
        recording.rate_hz = 44_100  # type: ignore[misc]
    assert re.fullmatch(
        r"Recording of take.wav: 3.00 s from 1.00 s on, 48000 Hz, W Y Z X in SN3D, peak -\d+.\d dBFS", repr(recording)
    )
    assert "silent" in repr(spatial.Recording(np.zeros((4, 10)), RATE))


# --- rotate -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("turn", "source", "where"),
    [
        ({"yaw_deg": 90.0}, (0.0, 0.0), (90.0, 0.0)),
        ({"yaw_deg": -30.0}, (10.0, 20.0), (-20.0, 20.0)),
        ({"pitch_deg": 25.0}, (0.0, 0.0), (0.0, 25.0)),
        ({"roll_deg": 90.0}, (90.0, 0.0), (0.0, 90.0)),  # right side down: what was left is up
        ({"matrix": np.diag([-1.0, -1.0, 1.0])}, (30.0, 15.0), (-150.0, 15.0)),
    ],
)
def test_rotate_turns_a_plane_wave(
    turn: dict[str, float], source: tuple[float, float], where: tuple[float, float], rng: np.random.Generator
) -> None:
    signal = rng.standard_normal(50)
    field = encode(signal, *np.radians(source))
    turned = spatial.rotate(field, **turn)  # type: ignore[arg-type]
    np.testing.assert_allclose(turned, encode(signal, *np.radians(where)), atol=1e-12)
    assert turned.dtype == field.dtype
    recording = spatial.Recording(field, RATE, start_s=2.0)
    again = spatial.rotate(recording, **turn)  # type: ignore[arg-type]
    np.testing.assert_array_equal(again.field, turned)
    assert (again.rate_hz, again.start_s) == (RATE, 2.0)


FIELD = np.zeros((4, 480))


@pytest.mark.parametrize(
    ("field", "turn", "words"),
    [
        (FIELD, {}, "no turn is named"),
        (FIELD, {"matrix": None}, "the matrix of a mount that was not found is None"),
        (FIELD, {"matrix": np.eye(3), "yaw_deg": 0.0}, "named twice"),
        (FIELD, {"matrix": np.diag([1.0, -1.0, 1.0])}, "mirrors left and right"),
        (FIELD, {"matrix": np.eye(4)}, "3 x 3 matrix"),
        (FIELD, {"yaw_deg": float("inf")}, "yaw_deg is inf"),
        (FIELD.T, {"yaw_deg": 1.0}, "transpose it"),
        (FIELD.astype(np.int16), {"yaw_deg": 1.0}, "divide whole numbers by their full scale"),
        (np.full((4, 3), np.nan), {"yaw_deg": 1.0}, "the field holds nan in channel 1"),
    ],
)
def test_rotate_refuses(field: FloatArray, turn: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        spatial.rotate(field, **turn)  # type: ignore[arg-type]


# --- directions ---------------------------------------------------------------------------------------------


def check_bursts(found: spatial.Directions, start_s: float = 0.0) -> None:
    """Rows with a source lie where the bursts come from: 2 degrees for hiss and a row that two bursts share."""
    followed = found.source > 0
    assert np.count_nonzero(followed) > 10
    for times_s, azimuth, elevation in zip(
        found.times_s[followed], found.azimuth_deg[followed], found.elevation_deg[followed], strict=True
    ):
        true_azimuth, true_elevation = BURSTS[int(times_s) % 2]
        assert azimuth == pytest.approx(true_azimuth, abs=2.0)
        assert elevation == pytest.approx(true_elevation, abs=2.0)
    assert found.times_s[0] == pytest.approx(start_s + 0.05)
    assert np.all(found.sd_deg[followed] > 0)
    assert found.sources >= 2


@pytest.mark.parametrize("rate_hz", [16_000, 24_000, 44_100, 48_000])
def test_directions_of_an_array_at_any_rate(rate_hz: int, rng: np.random.Generator) -> None:
    check_bursts(spatial.directions(bursts(rng, rate_hz=rate_hz), rate_hz))


def test_directions_of_file_array_and_recording_are_the_same(take: Path) -> None:
    by_file = spatial.directions(str(take))
    check_bursts(by_file)
    recording = spatial.read(take)
    for other in (spatial.directions(recording), spatial.directions(recording.field, RATE)):
        np.testing.assert_array_equal(other.azimuth_deg, by_file.azimuth_deg)
        np.testing.assert_array_equal(other.source, by_file.source)
    # A part keeps take time.
    check_bursts(spatial.directions(spatial.read(take, start_s=1.0)), start_s=1.0)


def test_directions_say_what_they_are(take: Path) -> None:
    found = spatial.directions(take)
    assert re.fullmatch(
        r"Directions in take.wav: \d+ rows of 0.1 s from 0.05 to 3.95 s, \d sources, median sd \d.\d°", repr(found)
    )
    assert isinstance(found.plot(), Figure)
    with pytest.raises(ValueError, match="read-only"):
        found.azimuth_deg[0] = 0.0


@pytest.mark.parametrize(
    ("sound", "rate_hz", "more", "words"),
    [
        (FIELD, None, {}, "an array, which does not know its sample rate"),
        (FIELD, 8_000, {}, "is 8000 Hz; it must be a whole number from 16000 to 192000"),
        (FIELD, 48.0, {}, "is 48 Hz"),
        (FIELD, 44_100.5, {}, "is 44100.5 Hz"),
        (FIELD, float("nan"), {}, "is nan Hz"),
        (FIELD, "48000", {}, "must be a number in Hz, not a value of type str"),
        (FIELD, True, {}, "not a value of type bool"),
        (FIELD[:3], RATE, {}, "has the shape (3, 480); it must be (4, samples)"),
        (FIELD[0], RATE, {}, "has the shape (480,)"),
        (FIELD[:, :0], RATE, {}, "holds no samples"),
        (FIELD + np.inf, RATE, {}, "holds inf in channel 1 at 0.000 s"),
        (FIELD + 1e7, RATE, {}, "holds 1e+07"),
        (FIELD + 1j, RATE, {}, "holds values of type complex128"),
        (FIELD, RATE, {"step_s": 0.01}, "too short"),
        (FIELD, RATE, {"step_s": 1.0}, "use 0.5 s or less"),
        (FIELD, RATE, {"read_as": "fuma"}, "an array is in ACN order and SN3D already"),
        ("take.wav", RATE, {}, "a file has a sample rate of its own"),
        (None, RATE, {}, "values of type object"),
    ],
)
def test_directions_refuse(sound: object, rate_hz: object, more: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        spatial.directions(sound, rate_hz, **more)  # type: ignore[arg-type]


def test_a_bad_sample_is_placed_in_time(rng: np.random.Generator) -> None:
    field = bursts(rng, 1)
    field[2, 36_000] = np.nan
    with pytest.raises(InputError, match=r"holds nan in channel 3 at 0\.750 s"):
        spatial.directions(field, RATE)


# --- align --------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("clip_hz", "take_hz"), [(RATE, RATE), (RATE, 24_000), (16_000, 96_000)])
def test_align_of_arrays_whatever_their_rates(filmed: Filmed, clip_hz: int, take_hz: int) -> None:
    scratch = soxr.resample(filmed.scratch.T, RATE, clip_hz).T
    field = soxr.resample(filmed.field.T, RATE, take_hz).T
    found = spatial.align((scratch, clip_hz), (field, take_hz))
    assert found.matched, found.reason
    assert found.offset_s is not None
    assert found.offset_sd_s is not None
    assert found.drift_ppm is not None
    assert found.drift_sd_ppm is not None
    assert found.law is not None
    # Four of its own standard deviations; 1 ms is what sound needs for 34 cm.
    assert found.offset_s == pytest.approx(filmed.law.offset_s, abs=4 * found.offset_sd_s)
    assert found.offset_sd_s < 1e-3
    assert found.drift_ppm == pytest.approx(filmed.law.drift_ppm, abs=4 * found.drift_sd_ppm)
    assert found.drift_sd_ppm < 30.0
    assert found.take_from_clip(6.0) == pytest.approx(filmed.law.take_from_clip(6.0), abs=1e-3)
    assert found.clip_from_take(found.take_from_clip(6.0)) == pytest.approx(6.0)


def test_align_of_an_array_whose_rate_is_wrong_is_no_quiet_answer(filmed: Filmed) -> None:
    field = soxr.resample(filmed.field.T, RATE, 24_000).T
    found = spatial.align((filmed.scratch, RATE), (field, RATE))
    assert not found.matched


def test_no_room_for_an_array_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(soundfile, "write", full)
    with pytest.raises(OutputError, match="the folder for temporary files has no room"):
        spatial.directions(FIELD, RATE)


@pytest.mark.slow
def test_align_of_files_puts_the_field_on_clip_time(filmed: Filmed, tmp_path: Path, rng: np.random.Generator) -> None:
    for name, sound in (("clip.wav", filmed.scratch), ("take.wav", filmed.field), ("other.wav", bursts(rng, 14))):
        soundfile.write(tmp_path / name, sound.T / 8.0, RATE, subtype="PCM_24")
    found = spatial.align(str(tmp_path / "clip.wav"), [tmp_path / "other.wav", str(tmp_path / "take.wav")])
    assert found.matched
    assert found.take_name == "take.wav"
    assert re.match(
        r"Alignment: take.wav starts 1\.7\d+ s before clip.wav \(±0\.\d+ ms, 95 %\); \d+\.\d ppm fast \(±", repr(found)
    )
    assert isinstance(found.plot(), Figure)
    cut = found.on_clip_time()
    assert (cut.rate_hz, cut.samples, cut.paths) == (RATE, 12 * RATE, (tmp_path / "take.wav",))
    # In step now: W lies on the camera's sound without another shift than that of sound across the rig.
    again = spatial.align(tmp_path / "clip.wav", cut)
    assert again.offset_s == pytest.approx(0.0, abs=5e-4)


def test_align_says_that_there_is_no_match(filmed: Filmed, rng: np.random.Generator) -> None:
    found = spatial.align((filmed.scratch, RATE), (bursts(rng, 12), RATE))
    assert (found.matched, found.undecided) == (False, False)
    assert (found.offset_s, found.drift_ppm, found.law) == (None, None, None)
    assert "no match" in repr(found)
    assert found.reason in repr(found)
    assert [finding.code for finding in found.findings]
    assert isinstance(found.plot(), Figure)
    for ask in (lambda: found.take_from_clip(0.0), lambda: found.clip_from_take(0.0), found.on_clip_time):
        with pytest.raises(InconclusiveError, match="are not known to match"):
            ask()


def test_align_says_that_it_cannot_tell(filmed: Filmed) -> None:
    found = spatial.align((np.zeros(12 * RATE), RATE), (filmed.field, RATE))
    assert (found.matched, found.undecided) == (False, True)
    assert "cannot tell whether the take's array belongs to the clip's array" in repr(found)


def test_an_array_cannot_be_read_again(filmed: Filmed) -> None:
    found = spatial.align((filmed.scratch[0], RATE), (filmed.field, RATE))
    assert found.matched
    with pytest.raises(InputError, match="align the take's files instead"):
        found.on_clip_time()


CLIP = (np.zeros(RATE), RATE)


@pytest.mark.parametrize(
    ("clip", "takes", "more", "words"),
    [
        (np.zeros(RATE), "take.wav", {}, "the clip is an array, which does not know its sample rate"),
        ("clip.mp4", FIELD, {}, "the take is an array, which does not know its sample rate"),
        (CLIP, (FIELD, 8_000), {}, "the sample rate of the take is 8000 Hz"),
        ((np.zeros(RATE), 0), "take.wav", {}, "the sample rate of the clip is 0 Hz"),
        ((FIELD, RATE), (FIELD, RATE), {}, "the clip has the shape (4, 480); it must be (1 or 2, samples)"),
        (CLIP, CLIP, {}, "the take has the shape (48000,); it must be (4, samples)"),
        (["a.mp4", "b.mp4"], "take.wav", {}, "the clip must be named by one path"),
        (None, "take.wav", {}, "the clip must be named by one path, not by a value of type NoneType"),
        ("clip.mp4", [], {}, "the take is an empty list"),
        ("clip.mp4", {"take.wav"}, {}, "not by a value of type set"),
        (CLIP, (FIELD, RATE), {"read_as": "n3d"}, "read_as is for files"),
        (CLIP, "take.wav", {"mic_offset_m": (0.0, 0.1)}, "three numbers in metres"),
        (CLIP, "take.wav", {"mic_offset_m": (0.0, 0.1, float("nan"))}, "a part of mic_offset_m is nan"),
        (CLIP, spatial.Recording(FIELD, RATE, start_s=2.0), {}, "begins 2 s into an array"),
    ],
)
def test_align_refuses(clip: object, takes: object, more: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        spatial.align(clip, takes, **more)  # type: ignore[arg-type]


# --- find_mount ---------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_find_mount_of_arrays_and_a_marks_file(filmed: Filmed, tmp_path: Path) -> None:
    marks = tmp_path / "marks.csv"
    marks.write_text(filmed.marks, encoding="utf-8")
    found = spatial.find_mount((filmed.scratch, RATE), (filmed.field, RATE), marks, mic_offset_m=(0.0, 0.0, -0.05))
    assert found.yaw_deg == pytest.approx(100.0, abs=3 * found.sd_deg[0])
    assert found.pitch_deg == pytest.approx(0.0, abs=3 * found.sd_deg[1])
    assert found.roll_deg == pytest.approx(0.0, abs=3 * found.sd_deg[2])
    assert max(found.sd_deg) < 6.0
    assert found.names == ("performer 0", "performer 1", "performer 2")
    assert found.seen.shape == found.measured.shape == (3, 3)
    assert found.wrong.shape == found.left_over_deg.shape == (3,)
    assert isinstance(found.plot(), Figure)
    assert re.match(
        r"Mount: it faced \d+\.\d° left of the lens, .*\n  95 %: yaw ±\d+\.\d°, .*3 marks heard", repr(found)
    )
    # Turned by it, the take has its first performer where they are seen.
    facing = spatial.rotate(filmed.field, matrix=found.matrix)
    start = round(filmed.law.take_from_clip(0.0) * RATE)
    heard = spatial.directions(facing[:, start : start + 3 * RATE], RATE)
    assert np.nanmedian(heard.azimuth_deg) == pytest.approx(50.0, abs=6.0)


@pytest.mark.slow
def test_find_mount_without_marks_asks_the_stereo_sound(filmed: Filmed) -> None:
    found = spatial.find_mount((filmed.scratch, RATE), (filmed.field, RATE), hanging="upright")
    assert found.yaw_deg == pytest.approx(100.0, abs=3 * found.sd_deg[0])
    assert found.sd_deg[0] < 15.0
    assert (found.names, found.seen.shape) == ((), (0, 3))
    assert "0 marks heard" in repr(found)
    with pytest.raises(InputError, match="nothing to draw"):
        found.plot()


def test_a_mirrored_field_is_no_mount() -> None:
    seen_deg = np.array([[60.0, 10.0], [-50.0, -12.0], [5.0, 30.0], [-15.0, -25.0], [85.0, 0.0]])
    measured = unit_vectors(*np.radians(seen_deg.T)) * (1.0, -1.0, 1.0)
    found = spatial.mount_from_directions(seen_deg, measured, 1.5, hanging="upright")
    assert (found.mirrored, found.matrix) == (True, None)
    assert "the field is a mirror image" in repr(found)


def test_mount_from_directions_finds_a_turn(rng: np.random.Generator) -> None:
    truth = matrix_from_ypr(YawPitchRoll.from_degrees(-120.0, 12.0, 7.0))
    seen_deg = np.array([[60.0, 10.0], [-50.0, -12.0], [5.0, 30.0], [-15.0, -5.0], [85.0, 0.0]])
    seen = unit_vectors(*np.radians(seen_deg.T))
    noisy = seen @ truth + np.radians(1.0) * rng.standard_normal(seen.shape)
    by_angles = spatial.mount_from_directions(seen_deg, 3.0 * noisy, 1.5)
    by_vectors = spatial.mount_from_directions(2.0 * seen, noisy, np.full(5, 1.5))
    for found in (by_angles, by_vectors):
        assert found.matrix is not None
        assert np.degrees(rotation_angle(found.matrix, truth)) < 2.0  # 1 degree of noise, five directions
        assert found.yaw_deg == pytest.approx(-120.0, abs=3 * found.sd_deg[0])
        assert "it faced 1" in repr(found)
        assert "right of the lens" in repr(found)
        assert isinstance(found.plot(), Figure)
    assert np.all(by_angles.left_over_deg < 4.0)


def test_a_mount_that_is_not_known_says_so() -> None:
    found = spatial.mount_from_directions(np.array([[10.0, 0.0]]), np.array([[30.0, 5.0]]), 2.0)
    assert found.matrix is None
    assert (found.yaw_deg, found.pitch_deg, found.roll_deg) == (None, None, None)
    assert found.undetermined
    assert repr(found).startswith("Mount: not known, undetermined: ")
    assert np.isnan(found.left_over_deg).all()
    with pytest.raises(InputError, match="nothing to draw"):
        found.plot()
    with pytest.raises(InputError, match="no turn is named"):
        spatial.rotate(FIELD, matrix=found.matrix)
    upright = spatial.mount_from_directions(np.array([[10.0, 0.0]]), np.array([[30.0, 0.0]]), 2.0, hanging="upright")
    assert upright.yaw_deg == pytest.approx(-20.0, abs=0.5)


TWO = np.array([[10.0, 0.0], [50.0, 5.0]])


@pytest.mark.parametrize(
    ("seen", "measured", "sd_deg", "more", "words"),
    [
        (TWO, TWO[:1], 1.0, {}, "seen has 2 directions and measured 1"),
        (TWO[0], TWO, 1.0, {}, "seen has the shape (2,)"),
        (TWO, TWO[:, ::-1] + 45.0, 1.0, {}, "measured holds an elevation beyond 90 degrees"),
        (TWO * np.nan, TWO, 1.0, {}, "seen holds a value that is not finite in row 0"),
        (TWO, np.zeros((2, 3)), 1.0, {}, "measured holds a vector of length 0 in row 0"),
        ("left", TWO, 1.0, {}, "seen must be an array of numbers"),
        (TWO, TWO, 0.0, {}, "sd_deg must be above 0"),
        (TWO, TWO, np.ones(3), {}, "sd_deg has the shape (3,)"),
        (TWO, TWO, 1.0, {"hanging": "sideways"}, "a microphone hung 'upright' or 'upside_down', not 'sideways'"),
    ],
)
def test_mount_from_directions_refuses(
    seen: object, measured: object, sd_deg: object, more: dict[str, str], words: str
) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        spatial.mount_from_directions(seen, measured, sd_deg, **more)  # type: ignore[arg-type]


def test_find_mount_refuses() -> None:
    with pytest.raises(InputError, match="the marks file must be named by one path, not by a value of type ndarray"):
        spatial.find_mount("clip.mp4", "take.wav", FIELD)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="not 'upsidedown'"):
        spatial.find_mount("clip.mp4", "take.wav", hanging="upsidedown")


# --- write_track --------------------------------------------------------------------------------------------


def test_a_track_is_written_and_read_back(tmp_path: Path, rng: np.random.Generator) -> None:
    field = bursts(rng, 1)
    path = spatial.write_track(tmp_path / "track.wav", field, RATE)
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.subtype, info.frames) == (RATE, 4, "PCM_24", RATE)
    # Rounded to 24 bits, of a float32.
    np.testing.assert_allclose(spatial.read(path).field, field, atol=2.0**-23)


def test_a_track_of_another_rate_is_resampled(tmp_path: Path) -> None:
    time = np.arange(24_000) / 24_000
    field = encode(0.5 * np.sin(2 * np.pi * 440.0 * time), np.radians(30.0), 0.0)
    path = spatial.write_track(str(tmp_path / "track.wav"), field, 24_000)
    got = spatial.read(path).field
    expected = encode(0.5 * np.sin(2 * np.pi * 440.0 * np.arange(48_000) / 48_000), np.radians(30.0), 0.0)
    assert got.shape == expected.shape
    # Away from the ends, where the resampler looks beyond the sound.
    np.testing.assert_allclose(got[:, 2000:-2000], expected[:, 2000:-2000], atol=1e-4)


def test_a_track_replaces_only_a_track_of_ours(tmp_path: Path, take: Path, rng: np.random.Generator) -> None:
    path = tmp_path / "track.wav"
    first = spatial.write_track(path, bursts(rng, 1), RATE).read_bytes()
    with pytest.raises(OutputError, match=r"track\.wav"):
        spatial.write_track(path, bursts(rng, 1), RATE)
    assert path.read_bytes() == first
    spatial.write_track(path, bursts(rng, 1), RATE, force=True)
    assert path.read_bytes() != first
    before = take.read_bytes()
    with pytest.raises(OutputError, match=r"take\.wav"):
        spatial.write_track(take, spatial.read(take), force=True)
    assert take.read_bytes() == before


@pytest.mark.parametrize(
    ("name", "field", "rate_hz", "error", "words"),
    [
        ("track.flac", FIELD, RATE, OutputError, "end its name in .wav"),
        ("track.wav", FIELD, None, InputError, "does not know its sample rate"),
        ("track.wav", FIELD, 4_000, InputError, "from 8000 to 192000"),
        ("track.wav", FIELD + 2.0, RATE, InputError, "reaches 6.0 dB over full scale"),
        ("track.wav", FIELD[:2], RATE, InputError, "it must be (4, samples)"),
        ("track.wav", spatial.Recording(FIELD, RATE), RATE, InputError, "leave rate_hz out"),
        ("gone/track.wav", FIELD, RATE, OutputError, "there is no folder"),
    ],
)
def test_write_track_refuses(
    tmp_path: Path, name: str, field: FloatArray, rate_hz: int | None, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=re.escape(words)):
        spatial.write_track(tmp_path / name, field, rate_hz)
    assert list(tmp_path.iterdir()) == []


def test_a_track_carries_the_time_of_day(tmp_path: Path) -> None:
    recording = spatial.Recording(FIELD, RATE, start_of_day_s=36_000.0)
    assert spatial.read(spatial.write_track(tmp_path / "own.wav", recording)).start_of_day_s == 36_000.0
    given = spatial.write_track(tmp_path / "given.wav", recording, start_of_day_s=7.5)
    assert spatial.read(given).start_of_day_s == 7.5
    assert spatial.read(given, start_s=0.005).start_of_day_s == pytest.approx(7.505)


def test_a_track_is_not_written_over_what_it_was_made_from(tmp_path: Path) -> None:
    path = spatial.write_track(tmp_path / "track.wav", FIELD + 0.25, RATE)
    turned = spatial.rotate(spatial.read(path), yaw_deg=90.0)
    with pytest.raises(OutputError, match=r"track\.wav"):
        spatial.write_track(path, turned, force=True)


# --- DEVELOPERS.md ------------------------------------------------------------------------------------------

NUMBER = re.compile(r"\d+\.\d+|\d+")


@pytest.mark.slow
def test_the_notebook_section_does_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    section = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Soundplumb in a notebook\n")[1]
    [code] = re.findall(r"^```python\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    for name in ("lantern.mp4", "lantern.marks.csv", "rec-0041.flac", "rec-0042.flac"):
        target = tmp_path / "demo_audio" / name
        target.parent.mkdir(exist_ok=True)
        with SHOOT[name].open("rb") as source, target.open("wb") as copy:
            shutil.copyfileobj(source, copy)
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    with redirect_stdout(io.StringIO()) as printed:
        exec(compile(code, "DEVELOPERS.md", "exec"), names)
    # What stands there as printed is printed, with numbers that are nearly those.
    shown = [line.removeprefix("# ") for line in code.splitlines() if line.startswith("# ")]
    lines = printed.getvalue().splitlines()
    assert len(shown) >= 4
    for line in shown:
        like = [other for other in lines if NUMBER.sub("n", other) == NUMBER.sub("n", line)]
        assert like, f"nothing like this is printed: {line}"
        got, wanted = ([float(number) for number in NUMBER.findall(text)] for text in (like[0], line))
        assert got == pytest.approx(wanted, rel=0.05, abs=0.1), line
    # And what is found is true.
    alignment, mount, where = names["alignment"], names["mount"], names["where"]
    assert isinstance(alignment, spatial.Alignment)
    assert isinstance(mount, spatial.Mount)
    assert isinstance(where, spatial.Directions)
    assert alignment.offset_sd_s is not None
    assert alignment.offset_s == pytest.approx(LANTERN["offset_s"], abs=3 * alignment.offset_sd_s)
    assert mount.matrix is not None
    true_mount = YawPitchRoll.from_degrees(*(LANTERN["mount"][f"{angle}_deg"] for angle in ("yaw", "pitch", "roll")))
    assert np.degrees(rotation_angle(mount.matrix, matrix_from_ypr(true_mount))) < 3 * max(mount.sd_deg)
    for mark in LANTERN["marks"]:
        own = (where.times_s > mark["start_s"]) & (where.times_s < mark["end_s"]) & (where.source > 0)
        # 8 degrees: the mount's own error, and a room's.
        assert np.median(where.azimuth_deg[own]) == pytest.approx(mark["mic_azimuth_deg"], abs=8.0), mark["who"]
    assert soundfile.info("lantern-track.wav").frames == LANTERN["frames"] * RATE // int(LANTERN["frame_rate"])
    assert {path.name for path in Path().glob("*.png")} == {
        f"lantern-{name}.png" for name in ("sync", "mount", "directions")
    }
