"""Everything that goes wrong on a shoot day: one plain sentence, the promised exit code, nothing left behind.

Exit codes are those of README: 2 wrong usage, 3 could not do it, 4 done and the answer is bad. The material is the
demo shoot, spoilt in one way each; every row must fail for the reason it names.
"""

import hashlib
import json
import os
import re
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from cli.main import cli
from cli.running import printable
from spatial.jobs.demo import lay_out
from spatial.media import buffers as spool
from spatial.media.movies.clip import open_clip, scratch_blocks

USAGE, COULD_NOT, BAD = 2, 3, 4
HEAD = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"
CLIP, TAKE, MARKS = "lantern.mp4", "rec-0041.flac", "lantern.marks.csv"
OFFSET = "--mic-offset=-0.04,0,0.16"
KNOWN = "--mount=174,4,-3"


def without(source, target, kind):
    """Copy a movie without its streams of one kind."""
    with av.open(str(source)) as movie, av.open(str(target), "w") as copy:
        streams = {
            stream.index: copy.add_stream_from_template(stream) for stream in movie.streams if stream.type != kind
        }
        for packet in movie.demux():
            if packet.dts is not None and packet.stream.index in streams:
                packet.stream = streams[packet.stream.index]
                copy.mux(packet)


def shoot_files(folder):
    """The demo shoot and everything that can be wrong with such files."""
    lay_out(folder)
    rng = np.random.default_rng(5)
    field, rate = soundfile.read(folder / TAKE)

    def take(name, sound, subtype="PCM_16"):
        soundfile.write(folder / name, sound, rate, subtype)

    def half(name, source):
        raw = (folder / source).read_bytes()
        (folder / name).write_bytes(raw[: len(raw) // 2])

    for name in ("empty.wav", "empty.mp4", "empty.csv"):
        (folder / name).touch()
    for name in ("random.wav", "random.mp4", "random.csv"):
        (folder / name).write_bytes(rng.bytes(20_000))
    (folder / "folder.wav").mkdir()
    (folder / "text.mp4").write_text("hello there\n" * 100)
    take("good.wav", field)
    take("float.wav", field, "FLOAT")
    take("mono.wav", field[:, 0])
    take("stereo.wav", field[:, :2])
    take("eight_bit.wav", field, "PCM_U8")
    take("companded.wav", field, "ULAW")
    take("silent.wav", np.zeros_like(field))
    take("elsewhere.wav", field[: int(2.9 * rate)])
    for name, value in (("nan.wav", np.nan), ("inf.wav", np.inf)):
        spoilt = field.astype(np.float32)
        spoilt[5 * rate, 2] = value
        take(name, spoilt, "FLOAT")
    soundfile.write(folder / "slow.wav", field[:32_000], 32_000, "PCM_16")
    half("cut.wav", "good.wav")
    half("cut.flac", TAKE)
    half("cut.mov", "slipway.mov")
    half("cut.mp4", CLIP)
    raw = (folder / "good.wav").read_bytes()
    (folder / "header.wav").write_bytes(raw[: raw.index(b"data")])
    (folder / "movie.wav").write_bytes((folder / CLIP).read_bytes())
    without(folder / CLIP, folder / "no_sound.mp4", "audio")
    without(folder / CLIP, folder / "no_picture.mp4", "video")

    good = (folder / MARKS).read_text()
    span = "0.65,4.8"
    for name, text in {
        "outside": good + "Zed,100,102,0,0,1\n",
        "letters": good + "Zed,1,2,left,0,1\n",
        "nan": good + "Zed,1,2,nan,0,1\n",
        "column": good.replace("azimuth_deg", "azimut"),
        "many": good + "Zed,1,2,0,0,1,5\n",
        "backwards": good + "Zed,2,1,0,0,1\n",
        "far": good + "Zed,1,2,0,0,1e300\n",
        "escape": good + "\x1b[31mZed,1,2,0,0,1\n",
        "heading": HEAD,
        "pixels": "who,start_s,end_s,x_px,y_px\nZed,1,2,100,100\n",
        "pixels_out": "who,start_s,end_s,x_px,y_px\nZed,1,2,99999,100\n",
        "single": HEAD + f"Odile,{span},-56,-8,2.7\n",
        "same": HEAD + "".join(f"{who},{span},-56,-8,2.7\n" for who in "ABC"),
        "wrong": HEAD + f"A,{span},0,60,\nB,5.25,8.53,120,-50,\nC,8.95,11.19,-100,0,\nD,11.75,13.89,30,80,\n",
        "at_mic": HEAD + f"Zed,{span},0,-90,0.3\n",
    }.items():
        (folder / f"{name}.csv").write_text(text)


def prints(folder):
    """What lies in a folder, with a hash of every file."""
    return {
        path.relative_to(folder): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


def times(folder):
    """What lies in a folder, with size, time and number of every file: what any writing to it changes."""
    found = {path.relative_to(folder): path.lstat() for path in sorted(folder.rglob("*"))}
    return {name: (seen.st_size, seen.st_mtime_ns, seen.st_ino) for name, seen in found.items()}


@pytest.fixture(scope="module")
def material(tmp_path_factory):
    folder = tmp_path_factory.mktemp("material")
    shoot_files(folder)
    before = prints(folder)
    yield folder
    assert prints(folder) == before


@pytest.fixture
def run(material, tmp_path, monkeypatch):
    """Run a command among the material; nothing in it may change, whatever happens."""
    before = times(material)
    monkeypatch.chdir(material)

    def invoke(*arguments):
        arguments = [str(part).replace("OUT", str(tmp_path)) for part in arguments]
        result = CliRunner().invoke(cli, arguments, prog_name="soundplumb")
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
        return result

    yield invoke
    assert times(material) == before


TAKES = {
    "missing.wav": "there is no file missing.wav; check the name",
    "empty.wav": "empty.wav is empty",
    "folder.wav": "folder.wav is a folder",
    "random.wav": "not a WAV, FLAC or CAF recording",
    MARKS: "not a WAV, FLAC or CAF recording",
    "movie.wav": "not a WAV, FLAC or CAF recording",
    CLIP: "not a WAV, FLAC or CAF recording",
    "mono.wav": "needs 4 channels; mono.wav has 1",
    "stereo.wav": "needs 4 channels; stereo.wav has 2",
    "companded.wav": "coded in a way that is not read",
    "slow.wav": "a sample rate of 32000 Hz",
    "cut.flac": "cut.flac breaks off or is damaged",
    "header.wav": "header but no sound",
    "nan.wav": r"no sample \(not a number\) in channel 3 at 5.000 s",
    "inf.wav": r"no sample \(inf\) in channel 3 at 5.000 s",
    "a" * 300 + ".wav": "cannot be opened",
}
CLIPS = {
    "missing.mp4": "there is no file missing.mp4",
    "empty.mp4": "empty.mp4 is empty",
    "folder.wav": "folder.wav is a folder",
    "random.mp4": "random.mp4 is not a movie or sound file",
    "text.mp4": "text.mp4 is not a movie or sound file",
    MARKS: "is not a movie or sound file",
    "no_sound.mp4": "no_sound.mp4 has no sound",
    "cut.mov": "cut.mov is cut short",
    "cut.mp4": "cut.mp4 is cut short",
    "cut.wav": "cut.wav is cut short",
    "nan.wav": "nan.wav holds a value that is no sample",
    "a" * 300 + ".mp4": "cannot be opened",
}
MARKS_FILES = {
    "missing": "there is no marks file missing.csv",
    "empty": "empty.csv is empty",
    "random": "random.csv is not a marks file",
    "outside": r"mark of Zed \(100 to 102 s\) lies outside lantern.mp4, which is 16.40 s long",
    "letters": "letters.csv, row 6: azimuth_deg is 'left'",
    "nan": "nan.csv, row 6: azimuth_deg is 'nan'",
    "column": "column.csv, row 1: there is no column 'azimut'",
    "many": "many.csv, row 6: there are 7 values for 6 columns",
    "backwards": "backwards.csv, row 6: end_s is 1, which is not after",
    "far": r"far.csv, row 6: distance_m is 1e\+300; write metres",
    "escape": r"escape.csv, row 6: who is '\\x1b\[31mZed'",
    "heading": "heading.csv has no marks",
    "pixels": "add --picture LAYOUT",
    "single": "cannot tell the yaw, pitch and roll",
    "same": "cannot tell the yaw, pitch and roll: add marks further apart",
    "wrong": "contradict each other",
}
ANSWERS = {
    "another scene's take": (("rec-0042.flac",), "does not belong to lantern.mp4"),
    "a silent take": (("silent.wav",), "cannot be told: silent.wav is silent"),
    "a take that lies before the clip": (("elsewhere.wav",), "overlap by less than 4 s"),
    "none of two": (("silent.wav", "elsewhere.wav"), "none of the 2 takes can be matched"),
}
OUTPUTS = {
    "a suffix alone": ("OUT/.wav", "end its name in .wav, as in lantern.wav"),
    "no suffix": ("OUT/track", "end its name in .wav"),
    "another suffix": ("OUT/track.mp3", "end its name in .wav"),
    "the sidecar's suffix": ("OUT/track.json", "end its name in .wav"),
    "root": ("/", "end its name in .wav"),
    "a folder": ("folder.wav", "is a folder"),
    "no folder": ("OUT/no/track.wav", "there is no folder .*no to write"),
    "under a file": ("good.wav/track.wav", "good.wav is not a folder, so track.wav cannot be written"),
    "an input": ("good.wav", "is one of the files to be read"),
    "a file that is there": ("silent.wav", "exists already, and is not a track that soundplumb wrote"),
    "too long": ("OUT/" + "a" * 300 + ".wav", "is too long; shorten it"),
}
USAGES = {
    "nan offset": ("orient", CLIP, TAKE, "--marks", MARKS, "--mic-offset", "nan,0,0"),
    "offset in centimetres": ("orient", CLIP, TAKE, "--marks", MARKS, "--mic-offset", "0,0,-30"),
    "two numbers of three": ("orient", CLIP, TAKE, "--marks", MARKS, "--mic-offset", "0,0"),
    "mount past a turn": ("conform", CLIP, TAKE, "-o", "OUT/t.wav", "--mount", "400,0,0"),
    "nan mount": ("conform", CLIP, TAKE, "-o", "OUT/t.wav", "--mount", "nan,0,0"),
    "endless step": ("directions", TAKE, "--step-s", "1e9"),
    "nan step": ("directions", TAKE, "--step-s", "nan"),
    "no step": ("directions", TAKE, "--step-s", "0"),
    "band upside down": ("directions", TAKE, "--band-hz", "4000,400"),
    "band of verify upside down": ("verify", CLIP, TAKE, "--marks", MARKS, "--band-hz", "4000,400"),
    "marks without a plot": ("directions", TAKE, "--clip", CLIP, "--marks", MARKS),
    "nan band": ("directions", TAKE, "--band-hz", "nan,400"),
    "nan tolerance": ("verify", CLIP, TAKE, "--marks", MARKS, "--tolerance-azimuth-deg", "nan"),
    "no tolerance": ("verify", CLIP, TAKE, "--marks", MARKS, "--tolerance-elevation-deg", "0"),
    "no marks": ("verify", CLIP, TAKE),
    "no take": ("sync", CLIP),
    "no such format": ("sync", CLIP, TAKE, "--format", "mp3"),
    "no such option": ("day", ".", "--loud"),
}


def told(result, code, match, folder):
    """One sentence on stderr that matches, nothing on stdout, nothing written."""
    assert (result.exit_code, result.stdout) == (code, "")
    assert re.fullmatch(rf"soundplumb: .*({match}).*\n", result.stderr), result.stderr
    assert list(folder.iterdir()) == []


def one_json(text):
    """The one object on stdout; fails on NaN and on anything beside it."""
    value = json.loads(text, parse_constant=pytest.fail)
    assert isinstance(value, dict)
    return value


@pytest.mark.slow
@pytest.mark.parametrize(("name", "match"), TAKES.items())
def test_a_take_that_is_none(run, tmp_path, name, match):
    told(run("inspect", name), COULD_NOT, match, tmp_path)
    told(run("sync", CLIP, name), COULD_NOT, match, tmp_path)
    told(run("directions", name, "--csv", "OUT/rows.csv"), COULD_NOT, match.split(" between")[0], tmp_path)
    told(run("conform", CLIP, name, KNOWN, "-o", "OUT/t.wav"), COULD_NOT, match, tmp_path)


@pytest.mark.parametrize(("name", "match"), CLIPS.items())
def test_a_clip_that_is_none(run, tmp_path, name, match):
    told(run("sync", name, TAKE), COULD_NOT, match, tmp_path)
    told(run("conform", name, TAKE, KNOWN, "-o", "OUT/t.wav"), COULD_NOT, match, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "match"), MARKS_FILES.items())
def test_marks_that_are_none(run, tmp_path, tmp_path_factory, name, match):
    # What marks leave open the camera's stereo sound would tell.
    clip = mono_sound_of(CLIP, tmp_path_factory.mktemp("mono")) if name in ("single", "same") else CLIP
    result = run("conform", clip, TAKE, "--marks", f"{name}.csv", OFFSET, "-o", "OUT/t.wav")
    told(result, COULD_NOT, match, tmp_path)


def mono_sound_of(clip, folder):
    """The camera's sound alone, both channels in one."""
    opened = open_clip(clip)
    sound = np.concatenate(list(scratch_blocks(opened)), axis=1).mean(axis=0)
    path = folder / "mono.wav"
    soundfile.write(path, sound, opened.scratch.rate_hz, subtype="FLOAT")
    return path


@pytest.mark.slow
def test_a_mark_where_the_microphone_is(run, tmp_path):
    result = run("orient", CLIP, TAKE, "--marks", "at_mic.csv", "--mic-offset", "0,0,-0.3")
    told(result, COULD_NOT, "mark of Zed cannot be used: .* stands where the microphone is", tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("marks", "picture", "clip", "match"),
    [
        ("pixels_out", "equirect180", CLIP, "pixels_out.csv, row 2: pixel .* lies outside the frame"),
        ("pixels", "equirect180", "no_picture.mp4", "no_picture.mp4 has no picture"),
    ],
)
def test_pixels(run, tmp_path, marks, picture, clip, match):
    result = run("orient", clip, TAKE, "--marks", f"{marks}.csv", "--picture", picture)
    told(result, COULD_NOT, match, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize(("takes", "match"), ANSWERS.values(), ids=ANSWERS)
def test_takes_that_do_not_match(run, tmp_path, takes, match):
    told(run("conform", CLIP, *takes, KNOWN, "-o", "OUT/t.wav"), COULD_NOT, match, tmp_path)
    result = run("sync", CLIP, *takes, "--json")
    assert (result.exit_code, result.stderr) == (COULD_NOT, "")
    answer = one_json(result.stdout)
    assert (answer["matched"], answer["offset_s"]) == (False, None)
    assert re.search(match, answer["findings"][0]["message"])


@pytest.mark.slow
@pytest.mark.parametrize("take", ["rec-0042.flac", "silent.wav"])
def test_every_command_ends_alike_for_a_take_that_does_not_match(run, take):
    """One that belongs to another clip, and one of which it cannot be told; sync and conform: as above."""
    layout = ("--picture", "equirect180")
    for command in (
        ("orient", CLIP, take, "--upright"),
        ("directions", take, "--clip", CLIP),
        ("review", CLIP, take, "-o", "OUT/look", *layout),
        ("verify", CLIP, take, "--marks", MARKS),
    ):
        result = run(*command, "--json")
        answer = one_json(result.stdout)
        assert result.exit_code == COULD_NOT, command
        if command[0] == "verify":
            assert "no_match" in [finding["code"] for finding in answer["findings"]]
            assert (answer["offset_s"], result.stderr) == (None, "")
        else:
            assert list(answer) == ["error"]


def test_a_result_that_exists_is_refused_before_anything_is_loaded(material, tmp_path):
    """At the door: no job, no drawing and no sound library is there yet."""
    for name in ("t.wav", "p.png", "t.csv", "look/x"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"mine")
    for words in (
        ("conform", CLIP, TAKE, KNOWN, "-o", "t.wav"),
        ("sync", CLIP, TAKE, "--plot", "p.png"),
        ("directions", TAKE, "--csv", "t.csv"),
        ("review", CLIP, TAKE, "-o", "look"),
    ):
        typed = [str(tmp_path / word) if (tmp_path / word).exists() else word for word in " ".join(words).split()]
        source = (
            "import sys; from cli.main import cli\n"
            f"try: cli.main({typed!r}, prog_name='soundplumb')\n"
            "except SystemExit as end: print(end.code, {'scipy', 'av', 'matplotlib', 'soundfile'} & set(sys.modules))"
        )
        done = subprocess.run([sys.executable, "-c", source], cwd=material, capture_output=True, text=True, check=True)
        assert done.stdout.strip() == "3 set()", words
        assert "did not write" in done.stderr or "that soundplumb wrote" in done.stderr


def test_nothing_tells_the_mount(run, tmp_path):
    told(run("conform", CLIP, TAKE, "-o", "OUT/t.wav"), COULD_NOT, "give --marks FILE, or --mount", tmp_path)


@pytest.mark.slow
def test_wrong_marks_are_no_mirror_image(run):
    result = run("orient", CLIP, TAKE, "--marks", "wrong.csv", OFFSET, "--json")
    answer = one_json(result.stdout)
    assert result.exit_code == COULD_NOT
    assert answer["mirrored"] is not True
    assert "mirrored" not in [finding["code"] for finding in answer["findings"]]


@pytest.mark.parametrize(("output", "match"), OUTPUTS.values(), ids=OUTPUTS)
def test_where_no_track_can_be_written(run, tmp_path, output, match):
    result = run("conform", CLIP, "good.wav", KNOWN, "-o", output)
    told(result, COULD_NOT, match, tmp_path)


def test_force_never_replaces_an_input(run, tmp_path):
    (tmp_path / "track.wav").symlink_to(Path("good.wav").resolve())
    result = run("conform", CLIP, "good.wav", KNOWN, "--force", "-o", "OUT/track.wav")
    assert (result.exit_code, "is one of the files to be read" in result.stderr) == (COULD_NOT, True)
    assert [path.name for path in tmp_path.iterdir()] == ["track.wav"]


@pytest.mark.parametrize("arguments", USAGES.values(), ids=USAGES)
def test_wrong_usage(run, tmp_path, arguments):
    plain, as_json = run(*arguments), run(*arguments, "--json")
    assert (plain.exit_code, plain.stdout, as_json.exit_code) == (USAGE, "", USAGE)
    assert one_json(as_json.stdout)["error"] in plain.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("inspect", "nan.wav"),
        ("sync", "missing.mp4", TAKE),
        ("directions", "empty.wav"),
        ("orient", CLIP, TAKE, "--marks", "nan.csv"),
        ("conform", CLIP, TAKE, KNOWN, "-o", "track.mp3"),
        ("verify", CLIP, "stereo.wav", "--marks", MARKS),
        ("day", "nowhere"),
        ("demo", "good.wav"),
    ],
    ids=lambda arguments: arguments[0],
)
def test_errors_in_json(run, arguments):
    result = run(*arguments, "--json")
    assert result.exit_code == COULD_NOT
    assert result.stderr == f"soundplumb: {one_json(result.stdout)['error']}\n"


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["a b'c\"d", "new\nline", "ünï 雪", "-dash", "%s{x}", "$HOME;`ls`", "\x1b[31mred", "bad\udce9"]
)
def test_names_of_files(run, material, tmp_path, name):
    take = tmp_path / f"{name}.flac"
    take.write_bytes((material / TAKE).read_bytes())
    good, as_json, missing = run("inspect", take), run("inspect", take, "--json"), run("inspect", f"{take}.wav")
    assert (good.exit_code, as_json.exit_code, missing.exit_code) == (0, 0, COULD_NOT)
    assert printable(take.name) in good.stdout
    assert one_json(as_json.stdout)["files"][0]["path"] == str(take)
    assert missing.stderr.count("\n") == 1


@pytest.mark.slow
def test_names_that_are_no_text(run, material, tmp_path):
    """A take may have one, to the sidecar; a movie may not."""
    take, clip = tmp_path / "take\udce9.flac", tmp_path / "clip\udce9.mp4"
    take.write_bytes((material / TAKE).read_bytes())
    clip.write_bytes((material / CLIP).read_bytes())
    good = run("conform", CLIP, take, KNOWN, "-o", "OUT/track.wav", "--json")
    assert (good.exit_code, one_json(good.stdout)["output"]) == (0, str(tmp_path / "track.wav"))
    assert json.loads((tmp_path / "track.json").read_text(encoding="utf-8"))["take"]["path"] == str(take)
    bad = run("sync", clip, TAKE)
    assert bad.exit_code == COULD_NOT
    assert re.fullmatch(r"soundplumb: .*clip\\udce9.mp4 has a name .* not UTF-8; rename it\n", bad.stderr)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("part", "from_s", "until_s"), [((0, 10), 0, 6.98), ((5, 21), 1.98, 16.4), ((6, 13), 2.98, 9.98)]
)
def test_a_clip_longer_than_the_take(run, tmp_path, part, from_s, until_s):
    """The take starts 3.0172 s before the clip (truth.json): cut on either side, the track is padded, and said so."""
    field, rate = soundfile.read(TAKE)
    take, track = tmp_path / "part.wav", tmp_path / "track.wav"
    soundfile.write(take, field[part[0] * rate : part[1] * rate], rate, "PCM_16")
    result = run("conform", CLIP, take, KNOWN, "-o", track, "--json")
    answer = one_json(result.stdout)
    assert result.exit_code == 0
    (said,) = [finding for finding in answer["findings"] if finding["code"] == "partly_covered"]
    assert f"only from {from_s:.2f} s to {until_s:.2f} s of 16.40 s" in said["message"]
    assert abs(answer["proof"]["offset_s"]) < 0.5e-3  # what sync is held to; 7 s of sound say no more
    sound = soundfile.read(track)[0]
    assert len(sound) == 410 * 1920
    heard = np.flatnonzero(np.any(sound != 0, axis=1)) / 48_000
    assert (heard[0], heard[-1]) == (pytest.approx(from_s, abs=0.03), pytest.approx(until_s, abs=0.03))


def command(arguments, **options):
    """The command in a process of its own."""
    code = "from cli.main import cli; cli(prog_name='soundplumb')"
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_stopped_in_the_middle(material, tmp_path, number):
    """As soon as something has been written: what is unfinished goes."""
    arguments = ("conform", material / CLIP, material / TAKE, KNOWN, "-o", tmp_path / "track.wav", "--json")
    with command(arguments) as process:
        deadline = time.monotonic() + 90
        while not list(tmp_path.glob(".soundplumb-*/*.wav")):
            assert time.monotonic() < deadline
            assert process.poll() is None
            time.sleep(0.005)
        process.send_signal(number)
        out, err = process.communicate(timeout=30)
    assert process.returncode == COULD_NOT
    assert re.fullmatch(r"soundplumb: stopped before it was done; nothing unfinished .*\n", err)
    assert one_json(out)["error"].startswith("stopped")
    assert list(tmp_path.iterdir()) == []


# Where the tests themselves run in the background, a shell has told them to ignore it.
_STOPPABLE = "import os, signal, sys\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"


def stopped(code, *arguments):
    """Run Python code that stops itself with SIGINT somewhere; what it printed as JSON."""
    done = subprocess.run(
        [sys.executable, "-c", _STOPPABLE + code, *map(str, arguments), "--json"],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert re.fullmatch(r"soundplumb: stopped before it was done; nothing unfinished .*\n", done.stderr), done.stderr
    assert done.returncode == COULD_NOT
    assert one_json(done.stdout)["error"].startswith("stopped")


@pytest.mark.slow
def test_stopped_inside_a_read(material):
    """libsndfile asks Python for the bytes of a WAV of floats: what is raised there is lost, and it seems damaged."""
    code = """
from spatial.media.wav.riff import DataView
whole = DataView.readinto
def interrupted(self, buffer):
    os.kill(os.getpid(), signal.SIGINT)
    return whole(self, buffer)
DataView.readinto = interrupted
from cli.__main__ import main
main()
"""
    stopped(code, "inspect", material / "float.wav")


@pytest.mark.slow
def test_stopped_while_a_file_is_closed(material):
    """Between libsndfile's closing and the note that it is closed: closed again, the memory would be freed twice."""
    code = """
import soundfile
class Interrupting:
    def __getattr__(self, name):
        return getattr(whole, name)
    def sf_close(self, file):
        done = whole.sf_close(file)
        os.kill(os.getpid(), signal.SIGINT)
        return done
whole, soundfile._snd = soundfile._snd, Interrupting()
from cli.__main__ import main
main()
"""
    stopped(code, "inspect", material / "good.wav")


@pytest.mark.parametrize("module", ["cli.main", "click", "numpy"])
def test_stopped_while_it_starts(material, module):
    code = f"""
class Interrupting:
    def find_spec(self, name, path=None, target=None):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupting())
from cli.__main__ import main
main()
"""
    stopped(code, "inspect", material / TAKE)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (("conform", CLIP, TAKE, KNOWN, "-o", "OUT/track.wav"), "track.wav"),
        (("directions", TAKE, "--plot", "OUT/plot.svg"), "plot.svg"),
        (("demo", "OUT/demo"), "rec-0041.flac"),
    ],
    ids=["conform", "directions", "demo"],
)
def test_no_room_on_the_disk(material, tmp_path, arguments, name):
    """A limit on the size of files stands in for a full disk: both fail in the middle of a write."""

    def small_files():
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000) if name.endswith("svg") else (200_000, 200_000))

    parts = [part.replace("OUT", str(tmp_path)) for part in arguments]
    with command(parts, cwd=material, preexec_fn=small_files) as process:
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (COULD_NOT, "")
    assert re.fullmatch(rf"soundplumb: there is no room left on the disk for {name}; .*\n", err), err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_no_room_for_temporary_files(material, tmp_path):
    code = "from spatial.media import buffers; buffers._IN_MEMORY_BYTES = 1; from cli.main import cli; cli()"
    done = subprocess.run(
        [sys.executable, "-c", code, "sync", material / CLIP, material / TAKE],
        capture_output=True,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000)),
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stdout) == (COULD_NOT, "")
    assert re.fullmatch(r"soundplumb: the folder for temporary files has no room .* set TMPDIR\n", done.stderr)
    assert list(tmp_path.iterdir()) == []
    assert spool._IN_MEMORY_BYTES > 1


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_results_that_cannot_be_printed(material):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", "from cli.main import cli; cli()", "inspect", material / TAKE],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == COULD_NOT
    assert re.fullmatch(r"soundplumb: the result cannot be printed .*\n", done.stderr)


@pytest.mark.slow
def test_a_reader_that_stops_reading(material):
    with command(("directions", material / TAKE, "--step-s", "0.05")) as process:
        process.stdout.close()
        err = process.stderr.read()
    assert (process.returncode, err) == (COULD_NOT, "")


def test_the_demo_leaves_what_is_there(run, tmp_path):
    (tmp_path / "rec-0042.flac").write_text("mine")
    result = run("demo", "OUT")
    assert (result.exit_code, "rec-0042.flac exists already" in result.stderr) == (COULD_NOT, True)
    assert [path.name for path in tmp_path.iterdir()] == ["rec-0042.flac"]


@pytest.mark.parametrize(
    ("folder", "match"),
    [
        ("nowhere", "nowhere is not a folder"),
        ("good.wav", "good.wav is not a folder"),
        ("folder.wav", "holds no clips"),
    ],
)
def test_a_day_that_is_none(run, tmp_path, folder, match):
    told(run("day", folder), COULD_NOT, match, tmp_path)


@pytest.mark.slow
def test_a_day_leaves_no_empty_folder(run, material, tmp_path):
    for name in (CLIP, TAKE):
        (tmp_path / name).write_bytes((material / name).read_bytes())
    (tmp_path / MARKS).write_bytes((material / "letters.csv").read_bytes())
    result = run("day", tmp_path, "--json")
    assert (result.exit_code, result.stderr) == (BAD, "")
    assert "row 6: azimuth_deg is 'left'" in one_json(result.stdout)["clips"][0]["findings"][-1]["message"]
    assert not (tmp_path / "tracks").exists()


@pytest.mark.parametrize("command", ["sync", "conform"])
@pytest.mark.parametrize(("take", "what"), [(CLIP, "a movie"), ("stereo.wav", "sound in 2 channels")])
def test_clip_and_take_the_other_way_round(run, tmp_path, command, take, what):
    more = (KNOWN, "-o", "OUT/track.wav") if command == "conform" else ()
    result = run(command, "good.wav", take, *more)
    match = f"good.wav is a recording in 4 channels and {take} is {what}: name them the other way round"
    told(result, COULD_NOT, match, tmp_path)
