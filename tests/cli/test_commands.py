"""Every command on the demo shoot: help, JSON, exit codes, which stream what goes to, and the words.

Keys and exit codes are those promised in cli/REFERENCE.md.
"""

import contextlib
import io
import json
import math
import shutil
import subprocess
import sys
from dataclasses import dataclass

import numpy as np
import pytest
import soundfile

from cli.main import cli
from spatial.jobs.demo import lay_out
from spatial.picture import LAYOUTS

COMMANDS = (
    "inspect",
    "check",
    "sync",
    "directions",
    "orient",
    "conform",
    "verify",
    "review",
    "headset",
    "film",
    "day",
    "demo",
)
HEAVY = ("numpy", "scipy", "librosa", "av", "soundfile", "soxr", "matplotlib", "jinja2")
LANTERN = {"offset_s": 3.017233189, "samples": 410 * 1920}  # truth.json; 410 frames at 25 per second


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self):
        """The one object on stdout; fails on NaN, on anything before or after it, and on a list."""
        value = json.loads(self.out, parse_constant=pytest.fail)
        assert isinstance(value, dict)
        return value


def run(*arguments):
    """Run a command in this process, with its two streams kept apart."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            cli.main([str(part) for part in arguments], prog_name="soundplumb")
        except SystemExit as leaving:
            code = leaving.code or 0
    return Outcome(int(code), out.getvalue(), err.getvalue())


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """The demo shoot, laid out, with a few spoilt files beside it."""
    folder = tmp_path_factory.mktemp("shoot")
    lay_out(folder)
    field, rate = soundfile.read(folder / "rec-0041.flac")
    soundfile.write(folder / "mirrored.wav", field * [1, -1, 1, 1], rate, subtype="PCM_24")
    soundfile.write(folder / "clipped.wav", np.clip(40 * field[: 4 * rate], -1, 1), rate, subtype="PCM_16")
    return folder


@pytest.fixture(scope="module")
def finished(shoot, tmp_path_factory):
    """The lantern clip, conformed once, with what the command said."""
    track = tmp_path_factory.mktemp("finished") / "lantern.wav"
    outcome = run(
        "conform", shoot / "lantern.mp4", shoot / "rec-0041.flac", "-o", track,
        "--marks", shoot / "lantern.marks.csv", "--mic-offset", "-0.04,0,0.16", "--json",
    )  # fmt: skip
    return track, outcome


@pytest.fixture
def demo(demo_done):
    """The whole demo, run from another working directory."""
    return demo_done.home / "shoot", Outcome(demo_done.code, demo_done.out, demo_done.err)


def numbers_are_finite(value):
    if isinstance(value, dict):
        return all(numbers_are_finite(item) for item in value.values())
    if isinstance(value, list):
        return all(numbers_are_finite(item) for item in value)
    return not isinstance(value, float) or math.isfinite(value)


def check_findings(findings):
    for finding in findings:
        assert set(finding) == {"code", "severity", "message", "where"}
        assert finding["severity"] in {"note", "look", "fix"}


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_every_command(command):
    outcome = run(command, "--help")
    assert outcome.code == 0
    assert outcome.out.startswith(f"Usage: soundplumb {command}")
    assert "--json" in outcome.out
    assert outcome.err == ""


def test_help_lists_the_commands_in_the_order_of_a_shoot_day():
    outcome = run("--help")
    lines = outcome.out.partition("Commands:\n")[2].splitlines()
    assert tuple(line.split()[0] for line in lines if not line.startswith("   ")) == COMMANDS
    assert run("--version").out.startswith("soundplumb, version ")


@pytest.mark.parametrize("arguments", [["--help"], ["conform", "--help"]])
def test_help_imports_nothing_heavy(arguments):
    """The time it takes is a matter of the machine; what it imports is not."""
    code = (
        "import sys; from cli.main import cli; cli.main(sys.argv[1:], standalone_mode=False); "
        f"print(sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    assert "Usage: " in done.stdout
    assert done.stderr.strip() == "[]"


def test_sync_imports_nothing_that_a_short_clip_waits_for():
    """What takes longer to import than a short clip to sync is imported where it is used."""
    slow = (
        "scipy.signal",
        "scipy.stats",
        "scipy.optimize",
        "scipy.interpolate",
        "scipy.spatial",
        "matplotlib",
        "jinja2",
    )
    code = (
        "import sys; import spatial.jobs.sync.lip_sync_findings, spatial.jobs.sync.sync_clip, spatial.report.text; "
        "import spatial.jobs.day.shoot_words; "
        f"import spatial.report.json_output; print(sorted(set({slow!r}) & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_inspect_json(shoot):
    outcome = run("inspect", shoot / "rec-0041.flac", shoot / "rec-0042.flac", "--json")
    assert (outcome.code, outcome.err) == (0, "")
    files = outcome.json["files"]
    assert [file["path"] for file in files] == [str(shoot / f"rec-004{number}.flac") for number in (1, 2)]
    for file in files:
        assert set(file) >= {
            "path", "channels", "rate_hz", "duration_s", "subtype", "channel_order", "normalisation",
            "convention_evidence", "start_of_day_s", "findings",
        }  # fmt: skip
        assert (file["channels"], file["rate_hz"], file["channel_order"]) == (4, 48_000, "ACN")
        assert file["findings"] == []


@pytest.mark.slow
def test_sync_json_of_the_right_and_the_wrong_take(shoot, tmp_path):
    keys = {
        "clip", "take", "matched", "offset_s", "offset_sd_s", "drift_ppm", "drift_sd_ppm", "steps", "findings",
    }  # fmt: skip
    right = run("sync", shoot / "lantern.mp4", shoot / "rec-0042.flac", shoot / "rec-0041.flac", "--json")
    assert (right.code, right.err) == (0, "")
    assert set(right.json) >= keys
    assert right.json["matched"] is True
    assert right.json["drift_significant"] in (True, False)  # a truth value, not its name
    assert right.json["take"] == str(shoot / "rec-0041.flac")
    assert right.json["lip_sync"] is None  # it was not cut to the clip
    assert right.json["offset_s"] == pytest.approx(LANTERN["offset_s"], abs=0.5e-3)  # what sync is held to
    check_findings(right.json["findings"])
    plot = tmp_path / "wrong.png"
    wrong = run("sync", shoot / "lantern.mp4", shoot / "rec-0042.flac", "--plot", plot, "--json")
    assert (wrong.code, wrong.err) == (3, "")
    assert plot.read_bytes().startswith(b"\x89PNG")
    assert set(wrong.json) == set(right.json)
    assert wrong.json["matched"] is False
    assert [wrong.json[key] for key in ("take", "offset_s", "offset_sd_s", "drift_ppm", "drift_sd_ppm")] == [None] * 5
    assert [finding["code"] for finding in wrong.json["findings"]] == ["no_match"]


@pytest.mark.slow
def test_sync_plot_keeps_what_is_there(shoot, tmp_path):
    plot = tmp_path / "plot.svg"
    plot.write_text("mine")
    arguments = ("sync", shoot / "lantern.mp4", shoot / "rec-0041.flac", "--plot", plot)
    outcome = run(*arguments)
    assert outcome.code == 3
    assert "exists already" in outcome.err
    assert plot.read_text() == "mine"
    # What we did not draw stays even with --force; what we did is replaced.
    refused = run(*arguments, "--force")
    assert (refused.code, plot.read_text()) == (3, "mine")
    assert "is not a plot that soundplumb wrote" in refused.err
    plot.unlink()
    assert run(*arguments).code == 0
    assert run(*arguments, "--force").code == 0
    assert plot.read_text().startswith("<?xml")
    refused = run(*arguments[:-1], tmp_path / "plot.jpg")
    assert refused.code == 3
    assert "end the name in .png, .svg, .pdf" in refused.err


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shift_s", "code", "verdict", "severity"),
    [(0.063, 0, "not noticed", None), (-0.063, 0, "noticed, acceptable", "look"), (-0.2, 4, "not acceptable", "fix")],
)
def test_sync_says_early_or_late_of_a_take_cut_to_the_clip(shoot, tmp_path, shift_s, code, verdict, severity):
    """A cut that starts the given time too soon is heard late by it; BT.1359-1 judges."""
    field, rate = soundfile.read(shoot / "rec-0041.flac")
    start, length = round((LANTERN["offset_s"] - shift_s) * rate), LANTERN["samples"]
    soundfile.write(tmp_path / "cut.wav", field[start : start + length], rate, subtype="PCM_24")
    outcome = run("sync", shoot / "lantern.mp4", tmp_path / "cut.wav", "--json")
    found = outcome.json
    assert outcome.code == code
    assert found["lip_sync"]["verdict"] == verdict
    assert found["lip_sync"]["early_start_ms"] == pytest.approx(-1e3 * shift_s, abs=0.5)  # what sync is held to
    assert found["lip_sync"]["frames"] == pytest.approx(-25 * shift_s, abs=0.05)
    severities = [finding["severity"] for finding in found["findings"] if finding["code"] == "lip_sync"]
    assert severities == ([severity] if severity else [])


@pytest.mark.slow
def test_directions_json_csv_and_plot(shoot, tmp_path):
    take = shoot / "rec-0041.flac"
    outcome = run(
        "directions", take, "--clip", shoot / "lantern.mp4", "--json", "--csv", tmp_path / "rows.csv",
        "--plot", tmp_path / "plot.png", "--step-s", "0.2",
    )  # fmt: skip
    assert (outcome.code, outcome.err) == (0, "")
    frames = outcome.json["frames"]
    for frame in frames:
        assert set(frame) == {
            "time_s", "azimuth_deg", "elevation_deg", "sd_deg", "diffuseness", "level_db", "source",
        }  # fmt: skip
    assert numbers_are_finite(frames)
    # A row for each step, and one more for each further source that sounds in it.
    assert len({frame["time_s"] for frame in frames}) == pytest.approx(16.4 / 0.2, abs=1)
    assert len(frames) < 1.2 * 16.4 / 0.2
    assert (tmp_path / "rows.csv").read_text(encoding="utf-8").count("\n") == len(frames) + 1
    assert (tmp_path / "plot.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
def test_what_is_written_beside_the_answer_is_said_and_whose_axes_they_are(shoot, finished, tmp_path):
    """A finished track is in the picture's axes, marks or none; a take is in its microphone's."""
    track, _ = finished
    rows, plot = tmp_path / "rows.csv", tmp_path / "plot.png"
    told = run("directions", track, "--clip", shoot / "lantern.mp4", "--csv", rows, "--plot", plot)
    assert (told.code, told.err) == (0, "")
    assert told.out.splitlines()[0].endswith("in the picture's axes:")
    assert told.out.splitlines()[-2:] == [f"  Wrote {rows}.", f"  Wrote {plot}."]
    raw = run("directions", shoot / "rec-0041.flac")
    assert raw.out.splitlines()[0].endswith("in the microphone's own axes:")
    assert "Wrote" not in raw.out
    verify = (
        "verify", shoot / "lantern.mp4", track, "--marks", shoot / "lantern.marks.csv", "--mic-offset", "-0.04,0,0.16",
        "--picture", "equirect180", "--stills", tmp_path / "stills",
    )  # fmt: skip
    checked = run(*verify)
    assert checked.code == 0
    assert checked.out.splitlines()[-1] == f"  Wrote {tmp_path / 'stills'}."
    names = sorted(path.name for path in (tmp_path / "stills").glob("*.png"))
    assert names == ["01-odile.png", "02-tamsin.png", "03-bram.png", "04-juno.png"]
    again = run(*verify)
    assert again.code == 3
    assert "add --force" in again.err


@pytest.mark.slow
def test_a_take_that_was_never_synced_has_no_mark_judged(shoot):
    """The raw take runs from 3 s before the clip: at each mark's time it holds somebody else."""
    found = run(
        "verify", shoot / "lantern.mp4", shoot / "rec-0041.flac", "--marks", shoot / "lantern.marks.csv", "--json"
    )
    assert found.code == 4
    assert {mark["verdict"] for mark in found.json["marks"]} == {"unjudged"}
    assert {f["code"] for f in found.json["findings"]} == {"lip_sync", "wrong_length"}


def test_one_source_number_is_one_place_also_over_seconds_of_rest(shoot):
    """In the take's own time somebody speaks before the clip begins, and 5 s later, 40 degrees aside, another one."""
    frames = run("directions", shoot / "rec-0042.flac", "--json").json["frames"]
    for source in {frame["source"] for frame in frames} - {None}:
        own = [frame["azimuth_deg"] for frame in frames if frame["source"] == source]
        assert max(own) - min(own) < 20.0


def test_every_layout_of_a_picture_stands_in_the_help():
    shown = " ".join(run("orient", "--help").out.split())
    assert all(name.removesuffix("-sbs").removesuffix("-tb") in shown for name in LAYOUTS)
    assert "-sbs for two side by side" in shown
    assert "-tb for one above the other" in shown


@pytest.mark.slow
def test_conform_by_a_hanging_that_was_said_wrongly_is_bad(shoot, tmp_path):
    """The microphone stood upright: said upside down, the track faces backwards."""
    track = tmp_path / "track.wav"
    outcome = run("conform", shoot / "lantern.mp4", shoot / "rec-0041.flac", "-o", track, "--upside-down", "--json")
    assert outcome.code == 4
    (only,) = [f["message"] for f in outcome.json["findings"] if f["code"] == "facing" and f["severity"] == "fix"]
    assert "type the same line again with --upright in place of --upside-down (and with --force" in only


@pytest.mark.slow
def test_orient_without_marks(shoot):
    """By the camera's stereo sound: the truth is 174 degrees to the left, 4 up, leaning 3 to its left."""
    clip, take = shoot / "lantern.mp4", shoot / "rec-0041.flac"
    told = run("orient", clip, take, "--upright", "--mic-offset", "-0.04,0,0.16", "--json")
    assert (told.code, told.err) == (0, "")
    assert told.json["evidence"] == "scratch"
    assert told.json["mount"]["yaw_deg"] == pytest.approx(174.0, abs=3 * told.json["sd_deg"]["yaw"])
    assert told.json["sd_deg"]["yaw"] < 5.0
    assert told.json["marks"] == []
    open_ = run("orient", clip, take)
    assert open_.code == 3
    assert "say --upright or --upside-down" in open_.out


@pytest.mark.slow
def test_one_mark_and_the_cameras_stereo_sound_tell_the_mount(shoot, tmp_path):
    clip, take, one = shoot / "lantern.mp4", shoot / "rec-0041.flac", tmp_path / "one.csv"
    lines = (shoot / "lantern.marks.csv").read_text(encoding="utf-8").splitlines()
    one.write_text("\n".join(lines[:2]) + "\n", encoding="utf-8")
    told = run("orient", clip, take, "--marks", one, "--mic-offset", "-0.04,0,0.16", "--json")
    assert told.code == 0, told.out
    assert told.json["undetermined"] == []
    assert told.json["mount"]["yaw_deg"] == pytest.approx(174.0, abs=12.0)
    assert any("the camera's stereo sound" in finding["message"] for finding in told.json["findings"])


@pytest.mark.slow
def test_conform_without_marks(shoot, tmp_path):
    clip, take, track = shoot / "lantern.mp4", shoot / "rec-0041.flac", tmp_path / "track.wav"
    refused = run("conform", clip, take, "-o", track)
    assert refused.code == 3
    assert "--upright or --upside-down" in refused.err
    made = run("conform", clip, take, "-o", track, "--upright", "--mic-offset", "-0.04,0,0.16", "--json")
    assert made.code == 0
    # The truth is 174 degrees to the left, 4 up, leaning 3 to its left (truth.json).
    assert made.json["applied"]["mount"]["yaw_deg"] == pytest.approx(174.0, abs=12.0)
    assert max(abs(made.json["applied"]["mount"][name]) for name in ("pitch_deg", "roll_deg")) < 12.0
    assert soundfile.info(track).frames == LANTERN["samples"]


@pytest.mark.slow
def test_orient_json(shoot):
    outcome = run(
        "orient", shoot / "lantern.mp4", shoot / "rec-0041.flac", "--marks", shoot / "lantern.marks.csv",
        "--mic-offset", "-0.04,0,0.16", "--json",
    )  # fmt: skip
    assert (outcome.code, outcome.err) == (0, "")
    found = outcome.json
    assert set(found) >= {"mount", "sd_deg", "undetermined", "mirrored", "evidence", "marks", "findings"}
    assert set(found["mount"]) == {"yaw_deg", "pitch_deg", "roll_deg", "matrix"}
    assert np.shape(found["mount"]["matrix"]) == (3, 3)
    assert set(found["sd_deg"]) == {"yaw", "pitch", "roll"}
    assert found["mirrored"] is not True
    assert found["undetermined"] == []
    assert found["mount"]["yaw_deg"] == pytest.approx(174.0, abs=3.0)  # issue: mount within 3 degrees
    check_findings(found["findings"])


def check_sight(done):
    """What the proof cannot show of a wrong place of the microphone is one note, and where 20 cm would show none."""
    shown = done["proof"]["mic_offset_shown_m"]
    assert shown.keys() == {"forward", "left", "up"}
    unseen = [size is None or size > 0.2 for size in shown.values()]
    notes = [finding for finding in done["findings"] if "would not show it" in finding["message"]]
    assert [note["severity"] for note in notes] == ["note"] * any(unseen)


@pytest.mark.slow
def test_conform_json(finished):
    track, outcome = finished
    assert (outcome.code, outcome.err) == (0, "")
    done = outcome.json
    assert set(done) >= {"output", "samples", "applied", "proof", "findings"}
    assert set(done["applied"]) == {"offset_s", "drift_ppm", "mount", "mic_offset", "repaired", "moves", "level"}
    assert set(done["proof"]) == {"offset_s", "drift_ppm", "marks", "mic_offset_shown_m", "mic_offset_20cm_deg"}
    check_sight(done)
    assert done["output"] == str(track)
    assert done["samples"] == LANTERN["samples"] == soundfile.info(track).frames
    assert abs(done["proof"]["offset_s"]) < 0.1e-3  # issue: a conformed file verifies at 0 +- 0.1 ms
    assert [mark["verdict"] for mark in done["proof"]["marks"]] == ["in place"] * 4
    check_findings(done["findings"])


@pytest.mark.slow
def test_verify_json_of_a_turned_track(shoot, finished):
    outcome = run(
        "verify", shoot / "lantern.mp4", finished[0], "--marks", shoot / "lantern.marks.csv",
        "--mic-offset", "-0.04,0,0.16", "--json",
    )  # fmt: skip
    assert (outcome.code, outcome.err) == (0, "")
    assert set(outcome.json) >= {"marks", "findings", "mic_offset_shown_m", "mic_offset_20cm_deg"}
    # What the track's marks could not show is the same when they are read back.
    assert outcome.json["mic_offset_shown_m"].keys() == {"forward", "left", "up"}
    assert sum("would not show it" in finding["message"] for finding in outcome.json["findings"]) == 1
    for mark in outcome.json["marks"]:
        assert set(mark) >= {
            "who", "start_s", "end_s", "expected_azimuth_deg", "expected_elevation_deg", "measured_azimuth_deg",
            "measured_elevation_deg", "error_deg", "sd_deg", "verdict",
        }  # fmt: skip
        assert mark["verdict"] == "in place"


@pytest.mark.slow
def test_verify_of_a_track_that_was_not_turned_is_bad_and_says_which_way(shoot, tmp_path):
    """Conformed as if the microphone had faced the lens: it faced back. Both commands end with 4."""
    track = tmp_path / "unturned.wav"
    marks = ("--marks", shoot / "lantern.marks.csv")
    conformed = run("conform", shoot / "lantern.mp4", shoot / "rec-0041.flac", "-o", track, "--mount", "0,0,0", *marks)
    assert conformed.code == 4
    assert track.exists()
    assert "it faced the lens's way, not tipped, not leaning" in conformed.out
    outcome = run("verify", shoot / "lantern.mp4", track, *marks)
    assert outcome.code == 4
    assert outcome.err == ""
    assert "The track" not in outcome.out.partition("FIX")[2].splitlines()[0]  # in time, but off in place
    odile = next(line for line in outcome.out.splitlines() if line.startswith("Odile"))
    assert "56.0° right, 8.0° down" in odile  # as marked
    assert "left, " in odile.partition("down")[2]  # and heard on the other side
    assert odile.endswith("off")
    assert any("FIX" in line and "Odile is heard" in line for line in outcome.out.splitlines())


@pytest.mark.slow
@pytest.mark.parametrize(("shift", "said"), [(2496, "52 ms late"), (-2496, "52 ms early")])
def test_verify_says_early_and_late_the_way_ears_do(shoot, finished, tmp_path, shift, said):
    """A track with 52 ms of silence put before it is heard 52 ms after it is seen."""
    field, rate = soundfile.read(finished[0])
    track = tmp_path / "moved.wav"
    silence = np.zeros((max(shift, 0), 4))
    soundfile.write(track, np.concatenate([silence, field[max(-shift, 0) :]]), rate, subtype="PCM_24")
    outcome = run("verify", shoot / "lantern.mp4", track, "--marks", shoot / "lantern.marks.csv")
    assert outcome.code == 4
    assert f"The track is {said} (1.3 frames at 25 a second) against the sound of lantern.mp4, " in outcome.out
    # Viewers notice early sound from 45 ms, late sound from 125 ms (BT.1359-1); ours must be in step either way.
    noticed = "noticed, but acceptable" if shift < 0 else "not noticed by most viewers"
    assert f"{noticed} (ITU-R BT.1359-1), where a conformed track is within 10 ms: conform it first." in outcome.out
    assert f" {said.split()[2]} at the start" in outcome.out


@pytest.mark.slow
def test_demo_json(demo):
    folder, outcome = demo
    assert (outcome.code, outcome.err) == (0, "")
    day = outcome.json
    assert set(day) >= {"clips", "unused_takes", "findings", "errors"}
    assert day["unused_takes"] == []
    assert [clip["conform"]["proof"]["marks"][0]["verdict"] for clip in day["clips"]] == ["in place"] * 2
    assert set(day["errors"]) == {"lantern.mp4", "slipway.mov"}
    for error in day["errors"].values():
        assert abs(error["offset_ms"]) < 0.5
        assert error["mount_deg"] < 3.0  # what the demo is held to
    for name in ("lantern", "slipway"):
        assert {path.suffix for path in (folder / "tracks").glob(f"{name}.*")} == {".wav", ".json", ".png"}


@pytest.mark.slow
def test_demo_twice_needs_force(demo):
    folder, _ = demo
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    outcome = run("demo", folder, "--json")
    assert outcome.code == 3
    assert set(outcome.json) == {"error"}
    assert "--force" in outcome.json["error"]
    assert outcome.err == f"soundplumb: {outcome.json['error']}\n"
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_day_json_with_a_clip_that_has_no_take(shoot, tmp_path):
    for name in ("lantern.mp4", "rec-0042.flac"):
        shutil.copy(shoot / name, tmp_path)
    (tmp_path / "lanten.marks.csv").touch()
    outcome = run("day", tmp_path, "--json")
    # As sync says it: nothing could be told of any clip.
    assert (outcome.code, outcome.err) == (3, "")
    day = outcome.json
    assert set(day) >= {"clips", "unused_takes", "findings"}
    assert day["clips"][0]["sync"]["matched"] is False
    (misspelt,) = [finding for finding in day["findings"] if finding["code"] == "unclear_name"]
    assert (misspelt["severity"], misspelt["where"]) == ("look", "lanten.marks.csv")
    assert day["clips"][0]["conform"] is None
    assert day["unused_takes"] == [str(tmp_path / "rec-0042.flac")]
    assert not (tmp_path / "tracks").exists()


def test_a_clipped_take_is_bad(shoot):
    outcome = run("inspect", shoot / "clipped.wav")
    assert (outcome.code, outcome.err) == (4, "")
    assert "FIX   clipped.wav is clipped " in outcome.out


@pytest.mark.slow
def test_a_file_that_is_no_recording_does_not_hide_the_others(shoot):
    outcome = run("inspect", shoot / "lantern.marks.csv", shoot / "rec-0041.flac", "--json")
    assert (outcome.code, outcome.err) == (4, "")
    assert [(file["path"], file["verdict"]) for file in outcome.json["files"]] == [
        (str(shoot / "rec-0041.flac"), "sound"),
        (str(shoot / "lantern.marks.csv"), "unusable"),
    ]
    words = run("inspect", shoot / "lantern.marks.csv", shoot / "rec-0041.flac")
    assert "FIX   lantern.marks.csv is not a WAV" in words.out


def exchanged_marks(shoot, path, *, rows=4):
    """The first marks of the lantern scene as somebody writes them who takes azimuth as positive to the right."""
    head, *lines = (shoot / "lantern.marks.csv").read_text(encoding="utf-8").splitlines()
    cells = [line.split(",") for line in lines[:rows]]
    turned = [",".join([*row[:3], str(-float(row[3])), *row[4:]]) for row in cells]
    path.write_text("\n".join([head, *turned]) + "\n", encoding="utf-8")
    return path


@pytest.mark.slow
def test_marks_with_left_and_right_exchanged_are_not_repaired(shoot, tmp_path):
    marks = exchanged_marks(shoot, tmp_path / "exchanged.csv")
    orient = ["orient", shoot / "lantern.mp4", shoot / "rec-0041.flac", "--marks", marks, "--repair", "--json"]
    outcome = run(*orient)
    assert outcome.code == 4
    assert outcome.json["mirrored"] is True
    assert (outcome.json["mount"]["matrix"], outcome.json["repaired"], outcome.json["faults"]) == (None, None, [])
    (only,) = [finding["message"] for finding in outcome.json["findings"] if finding["code"] == "mirrored"]
    assert "has left where the marks have right" in only
    assert "azimuth_deg is positive to the LEFT" in only
    track = tmp_path / "track.wav"
    refused = run("conform", *orient[1:], "-o", track)
    assert refused.code == 3
    assert "has left where the marks have right" in refused.json["error"]
    assert not track.exists()


@pytest.mark.slow
@pytest.mark.parametrize("picture", ["equirect180-sbs", "equirect360"])
def test_pixels_of_another_layout_are_held_against_the_cameras_sound(shoot, picture):
    """Both are twice as wide as high, and the wrong one turns the track by 90 degrees, which its marks then prove."""
    outcome = run(
        "orient", shoot / "slipway.mov", shoot / "rec-0042.flac", "--marks", shoot / "slipway.marks.csv",
        "--picture", picture, "--mic-offset", "0.03,0,-0.3", "--json",
    )  # fmt: skip
    found = [f for f in outcome.json["findings"] if f["code"] == "facing"]
    if picture == "equirect180-sbs":
        assert (outcome.code, found) == (0, [])
        return
    assert outcome.code == 4
    (only,) = found
    assert only["severity"] == "fix"
    assert "further left than by the camera's stereo sound" in only["message"]
    assert "It says equirect360, and with equirect180-sbs marks and sound agree" in only["message"]


@pytest.mark.slow
def test_angles_that_count_from_elsewhere_are_held_against_the_cameras_sound(shoot, tmp_path):
    head, *lines = (shoot / "lantern.marks.csv").read_text(encoding="utf-8").splitlines()
    cells = [line.split(",") for line in lines]
    turned = [",".join([*row[:3], str(float(row[3]) - 90.0), *row[4:]]) for row in cells]
    (marks := tmp_path / "turned.csv").write_text("\n".join([head, *turned]) + "\n", encoding="utf-8")
    outcome = run("orient", shoot / "lantern.mp4", shoot / "rec-0041.flac", "--marks", marks, "--json")
    (only,) = [f["message"] for f in outcome.json["findings"] if f["code"] == "facing"]
    assert "further right than by the camera's stereo sound" in only
    assert "azimuths count from the lens's front" in only


@pytest.mark.slow
@pytest.mark.parametrize("exchanged", [True, False])
def test_one_mark_is_held_against_the_cameras_sound(shoot, tmp_path, exchanged):
    marks = exchanged_marks(shoot, tmp_path / "one.csv", rows=1)
    if not exchanged:
        marks.write_text(marks.read_text(encoding="utf-8").replace(",56.0,", ",-56.0,"), encoding="utf-8")
    outcome = run("orient", shoot / "lantern.mp4", shoot / "rec-0041.flac", "--marks", marks, "--upright", "--json")
    assert outcome.code == 0
    doubts = [finding["message"] for finding in outcome.json["findings"] if finding["code"] == "mark_off"]
    assert [("from where so few marks put it" in doubt) for doubt in doubts] == ([True] if exchanged else [])


@pytest.mark.slow
def test_a_mirrored_take_becomes_a_track_only_when_repaired(shoot, tmp_path):
    track = tmp_path / "track.wav"
    conform = [
        "conform", shoot / "lantern.mp4", shoot / "mirrored.wav", "-o", track, "--marks", shoot / "lantern.marks.csv",
        "--mic-offset", "-0.04,0,0.16", "--json",
    ]  # fmt: skip
    refused = run(*conform)
    assert refused.code == 3
    assert "mirror image" in refused.json["error"]
    assert "the camera's stereo sound has left and right where the marks have them" in refused.json["error"]
    assert list(tmp_path.iterdir()) == []
    outcome = run(*conform, "--repair")
    assert (outcome.code, outcome.err) == (0, "")
    # Which channel it was directions cannot tell; where the performers are heard they can.
    assert [mark["verdict"] for mark in outcome.json["proof"]["marks"]] == ["in place"] * 4
    applied = json.loads(track.with_suffix(".json").read_text(encoding="utf-8"))["applied"]
    assert outcome.json["applied"]["repaired"]["fault"] == applied["repaired"]["fault"]
    assert np.linalg.det(applied["repaired"]["xyz_from_take_xyz"]) == pytest.approx(-1.0)


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize(
    "arguments",
    [
        ["inspect", "{0}/none.wav"],
        ["sync", "{0}/none.mp4", "{0}/rec-0041.flac"],
        ["directions", "{0}/none.wav"],
        ["orient", "{0}/none.mp4", "{0}/rec-0041.flac", "--marks", "{0}/lantern.marks.csv"],
        ["conform", "{0}/none.mp4", "{0}/rec-0041.flac", "-o", "{1}/t.wav", "--mount", "0,0,0"],
        ["conform", "{0}/lantern.mp4", "{0}/rec-0041.flac", "-o", "{1}/t.wav"],
        ["verify", "{0}/none.mp4", "{0}/rec-0041.flac", "--marks", "{0}/lantern.marks.csv"],
        ["day", "{0}/none"],
        ["demo", "{0}/lantern.mp4"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_what_cannot_be_done_is_one_sentence_and_3(shoot, tmp_path, arguments, as_json):
    filled = [part.format(shoot, tmp_path) for part in arguments]
    outcome = run(*filled, *(["--json"] if as_json else []))
    assert outcome.code == 3
    assert outcome.err.startswith("soundplumb: ")
    assert outcome.err.count("\n") == 1
    if as_json:
        assert outcome.json == {"error": outcome.err.removeprefix("soundplumb: ").rstrip("\n")}
    else:
        assert outcome.out == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ["inspect"],
        ["inspect", "a.wav", "--format", "quadro"],
        ["sync", "a.mp4"],
        ["directions", "a.wav", "--step-s", "0.01"],
        ["directions", "a.wav", "--step-s", "0.51"],
        ["directions", "a.wav", "--band-hz", "400"],
        ["orient", "a.wav"],
        ["orient", "a.mp4", "a.wav", "--marks", "m.csv", "--claps", "front,left"],
        ["conform", "a.mp4", "a.wav"],
        ["conform", "a.mp4", "a.wav", "-o", "t.wav", "--mount", "0,0,0", "--repair"],
        ["conform", "a.mp4", "a.wav", "-o", "t.wav", "--mount", "0,nan,0"],
        ["verify", "a.mp4", "a.wav", "--marks", "m.csv", "--tolerance-azimuth-deg", "0"],
        ["verify", "a.mp4", "a.wav", "--marks", "m.csv", "--mic-offset", "0,0"],
        ["day"],
        ["demo", "--nonsense"],
        ["nonsense"],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_2(arguments):
    outcome = run(*arguments)
    assert outcome.code == 2
    assert outcome.out == ""
    assert "Error: " in outcome.err


@pytest.mark.slow
def test_sync_in_words(shoot):
    outcome = run("sync", shoot / "lantern.mp4", shoot / "rec-0041.flac")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out.startswith("lantern.mp4 belongs to rec-0041.flac\n  The take starts 3.017")
    assert " s before the clip (±" in outcome.out


def test_sync_with_the_wrong_take_in_words(shoot):
    outcome = run("sync", shoot / "slipway.mov", shoot / "rec-0041.flac")
    assert outcome.code == 3
    assert outcome.out.startswith("slipway.mov: no take matches\n  FIX   ")
    assert "rec-0041.flac does not belong to slipway.mov" in outcome.out.lower()


@pytest.mark.slow
def test_verify_in_words_says_left_right_up_down_early_late(shoot, finished):
    outcome = run(
        "verify", shoot / "lantern.mp4", finished[0], "--marks", shoot / "lantern.marks.csv",
        "--mic-offset", "-0.04,0,0.16",
    )  # fmt: skip
    assert outcome.code == 0
    for who, side, height in (("Odile", "right", "down"), ("Tamsin", "left", "up"), ("Juno", "right", "down")):
        row = next(line for line in outcome.out.splitlines() if line.startswith(who))
        assert f"° {side}, " in row
        assert f"° {height}" in row
        assert row.endswith("in place")
    assert any(f" ms {side} at the start" in line for side in ("late", "early") for line in outcome.out.splitlines())
