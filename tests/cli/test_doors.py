"""No command with any option writes over what is not ours: every command, every output, every kind of foreign file.

Commands and outputs are found in the click commands themselves, by the type of their parameters, so that a new one
cannot be forgotten; and nothing in the house but a few modules can write at all.
"""

import ast
import hashlib
import json
import os
import re
import shlex
import shutil
import zlib
from dataclasses import replace
from pathlib import Path

import click
import pytest
import soundfile
from click.testing import CliRunner

from cli.main import cli
from cli.running import InputPath, OutputPath, WorkFolder
from spatial.calibration import Calibration, CalibrationBand
from spatial.errors import OutputError
from spatial.jobs.demo import lay_out
from spatial.jobs.headset import make_headset_movie
from spatial.media import ownership
from spatial.media.microphone_file import LearnedFrom, calibration_text
from spatial.media.output import TrackWriter, whole_file, write_text_whole
from spatial.media.output_folder import LIST_NAME, FolderKind, whole_folder
from spatial.media.ownership import BLANK_SEAL, TABLE_HEAD, Kind, is_marked, is_ours, may_be_written, portable_name
from spatial.media.track_files import is_unfinished
from spatial.report.demo_report import demo_lines, write_plots
from spatial.report.html import html_text
from spatial.report.plots.style import new_figure, save
from tests.test_layering import HOUSE, parsed

COULD_NOT = 3
NAMED = {
    "clip": "lantern.mp4",
    "film": "lantern.mp4",
    "take": "rec-0041.flac",
    "takes": "rec-0041.flac",
    "files": "rec-0041.flac",
    "track": "good.wav",
    "sound": "good.wav",
    "marks": "lantern.marks.csv",
    "moves": "still.moves.csv",
    "known_microphone": "flat.toml",
    "folder": ".",
}
"""What a parameter of that name is given."""
TOLD = {
    "conform": ["--mount", "174,4,-3"],
    "review": ["--picture", "equirect180"],
    "headset": ["--picture", "equirect180-sbs"],
    "verify": ["--picture", "equirect180"],
}
"""What a command needs beside files."""
FOREIGN = ("recording", "mix", "marks", "text", "json", "readme", "picture", "folder", "link", "read-only", "drawing")
SUFFIXES = (".wav", ".csv", ".png", ".svg", ".pdf", ".toml", ".txt", "")
MOVIE_SUFFIXES = (".mov", ".mp4", ".mkv")
"""What headset writes beside: refused by the end of its name, a foreign file would prove nothing."""
SAYS_WHY = (
    "soundplumb wrote",
    "soundplumb did not write",
    "end its name in",
    "end the name in",
    "is a folder",
    "is a link",
    "is a file; name a folder",
    "just as soundplumb wrote it",
    "one of the files to be read",
)


def params_of(kind: type) -> list[tuple[click.Command, click.Parameter]]:
    return [(one, param) for one in cli.commands.values() for param in one.params if isinstance(param.type, kind)]


OUTPUTS = params_of(OutputPath)


def called(pair):
    return f"{pair[0].name} {pair[1].name}"


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    lay_out(folder)
    field, rate = soundfile.read(folder / "rec-0041.flac")
    soundfile.write(folder / "good.wav", field[: 2 * rate], rate, "PCM_16")
    (folder / "still.moves.csv").write_text("time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n", encoding="utf-8")
    (folder / "flat.toml").write_text(flat_microphone(), encoding="utf-8")
    return folder


def flat_microphone() -> str:
    band = CalibrationBand((300.0, 5000.0), ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), (0.0, 0.0, 0.0))
    nothing = tuple((0.0,) * 9 for _ in range(9))
    return calibration_text(Calibration((band,), nothing), LearnedFrom(("lantern.mp4",), 2.0, 1.0))


def make_foreign(path: Path, kind: str, shoot: Path) -> None:
    if kind == "folder":
        path.mkdir()
        (path / "index.html").write_text("mine", encoding="utf-8")
    elif kind == "link":
        (path.parent / "target").write_text("mine", encoding="utf-8")
        path.symlink_to(path.parent / "target")
    elif kind == "picture":
        new_figure(1, 1).savefig(path, format="png")
    elif kind == "drawing":
        # It shows a plot of ours, and names it.
        path.write_text("<?xml version='1.0'?><svg><metadata></metadata>soundplumb plot</svg>", encoding="utf-8")
    elif kind == "mix":
        soundfile.write(path, soundfile.read(shoot / "good.wav")[0][:4800, :2], 48_000, "PCM_16", format="WAV")
    else:
        source = {"recording": "good.wav", "marks": "lantern.marks.csv", "json": "truth.json", "readme": "README.md"}
        path.write_bytes((shoot / source[kind]).read_bytes() if kind in source else b"tea at four\n")
        if kind == "read-only":
            path.chmod(0o444)


def prints(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): str(path.readlink())
        if path.is_symlink()
        else hashlib.sha256(path.read_bytes()).hexdigest()
        if path.is_file()
        else "folder"
        for path in sorted(folder.rglob("*"))
    }


def arguments(command: click.Command, shoot: Path, **given: Path) -> list[str]:
    """What makes a command run but for its outputs, those that are given apart."""
    options, places = [command.name, *TOLD.get(command.name, [])], []
    if "save_microphone" in given:
        options += ["--claps", "front,left,back,right,above"]
    for param in command.params:
        value = given.get(param.name)
        if value is None and param.required and not isinstance(param.type, OutputPath):
            value = shoot / NAMED[param.name]
        if value is None:
            continue
        if isinstance(param, click.Argument):
            places.append(str(value))
        else:
            options += [param.opts[-1], str(value)]
    return [*options, *places]


def run(*words):
    result = CliRunner().invoke(cli, [str(word) for word in words], prog_name="soundplumb")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    return result


def test_every_path_is_an_input_or_an_output():
    kinds = InputPath, OutputPath, WorkFolder
    bare = [called(pair) for pair in params_of(click.Path) if not isinstance(pair[1].type, kinds)]
    assert bare == []
    assert {called(pair) for pair in OUTPUTS} >= {
        "sync plot_path", "directions csv_path", "directions plot_path", "directions map_path", "conform output",
        "verify stills", "review output", "orient save_microphone",
        "headset output", "day handover",
    }  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("kind", FOREIGN)
@pytest.mark.parametrize("pair", OUTPUTS, ids=called)
def test_what_is_not_ours_stays(pair, kind, shoot, tmp_path):
    command, param = pair
    for suffix in (*SUFFIXES, *((*MOVIE_SUFFIXES, ".opus") if command.name == "headset" else ())):
        path = tmp_path / f"theirs{suffix}"
        make_foreign(path, kind, shoot)
        before = prints(tmp_path)
        for force in ([], ["--force"]):
            result = run(*arguments(command, shoot, **{param.name: path}), *force)
            assert (result.exit_code, result.stdout) == (COULD_NOT, ""), result.output
            assert any(why in result.stderr for why in SAYS_WHY), result.stderr
            assert prints(tmp_path) == before
        for made in (path, tmp_path / "target"):
            if made.is_dir() and not made.is_symlink():
                (made / "index.html").unlink()
                made.rmdir()
            else:
                made.unlink(missing_ok=True)


def other_case(source: Path, _folder: Path) -> Path:
    return source.with_name(source.name.upper())


def hard(source: Path, folder: Path) -> Path:
    (folder / f"hard{source.suffix}").hardlink_to(source)
    return folder / f"hard{source.suffix}"


def roundabout(source: Path, _folder: Path) -> Path:
    return source.parent / ".." / source.parent.name / source.name


@pytest.mark.parametrize("pair", OUTPUTS, ids=called)
def test_no_input_is_ever_an_output(pair, shoot, tmp_path):
    """Ours as well: a finished track may be what `verify` or `directions` reads."""
    command, output = pair
    for param in command.params:
        if not isinstance(param.type, InputPath):
            continue
        source = tmp_path / f"in-{param.name}{Path(NAMED[param.name]).suffix}"
        source.write_bytes((shoot / NAMED[param.name]).read_bytes())
        given = {param.name: source}
        if param.name == "marks" and command.name == "directions":
            given["clip"] = shoot / NAMED["clip"]
        for alias in (other_case, hard, roundabout):
            before = prints(tmp_path)
            path = alias(source, tmp_path)
            before = prints(tmp_path)
            result = run(*arguments(command, shoot, **given, **{output.name: path}), "--force")
            # Of marks without a plot directions says that they make no sense.
            assert result.exit_code in (2, COULD_NOT), result.output
            assert prints(tmp_path) == before
            (tmp_path / f"hard{source.suffix}").unlink(missing_ok=True)


@pytest.mark.parametrize("empty", ["", " "])
@pytest.mark.parametrize("pair", params_of(click.Path), ids=called)
def test_an_empty_path_is_wrong_usage(pair, empty, shoot, tmp_path, monkeypatch):
    """An unset variable of a script: the folder that happens to be the current one is not meant."""
    command, param = pair
    monkeypatch.chdir(tmp_path)
    given = {other.name: tmp_path / "out" for other in command.params if other.required}
    given |= {name: shoot / NAMED[name] for name in given if name in NAMED}
    result = run(*arguments(command, shoot, **(given | {param.name: empty})))
    assert (result.exit_code, result.stdout, list(tmp_path.iterdir())) == (2, "", []), result.output
    assert "its name is empty (for the folder you are in, write .)" in result.stderr
    called_there = param.opts[-1] if isinstance(param, click.Option) else (param.metavar or param.name).strip(".")
    assert called_there.lower() in result.stderr.lower()


@pytest.mark.parametrize("name", ["ours.MOV", "rec-0001.wav"])
@pytest.mark.parametrize("force", [[], ["--force"]])
def test_the_demo_is_not_laid_among_a_crews_own_files(tmp_path, monkeypatch, name, force):
    """They would be worked on with it, and its clips be found in doubt."""
    (tmp_path / name).write_bytes(b"theirs")
    monkeypatch.chdir(tmp_path)
    result = run("demo", ".", *force)
    assert (result.exit_code, result.stdout, [path.name for path in tmp_path.iterdir()]) == (COULD_NOT, "", [name])
    assert f". holds {name}, which the demo would work on" in result.stderr
    assert "name a new folder for the demo" in result.stderr


@pytest.mark.slow
def test_a_demo_without_a_track_says_so(demo):
    bare = replace(demo, day=replace(demo.day, clips=(), pages=None), directions=())
    assert demo_lines(bare, [])[-1].startswith("No track was written")


@pytest.mark.slow
def test_a_demo_says_what_it_was_told_of_each_rig_as_it_would_be_typed(demo):
    typed = [shlex.split(line)[2:] for line in demo_lines(demo, []) if line.startswith("By hand: ")]
    assert len(typed) == len(demo.day.clips) == 2
    for words, truth in zip(typed, demo.truth, strict=True):
        # Read as the command reads it.
        told = cli.get_command(None, "conform").make_context("conform", words[2:]).params
        names = [told["clip"].name, *(path.name for path in told["takes"])]
        assert names == [truth.clip, truth.take]
        assert told["marks"].name == f"{truth.clip[: -len('.mov')]}.marks.csv"
        assert told["mic_offset"] == pytest.approx(truth.rig.mic_offset_m)
        assert told["picture"] == truth.rig.picture


def test_two_results_need_two_names(shoot, tmp_path):
    same = tmp_path / "a.png"
    result = run("directions", shoot / NAMED["take"], "--plot", same, "--map", tmp_path / "A.png")
    assert (result.exit_code, list(tmp_path.iterdir())) == (2, [])
    assert "is named for two results" in result.stderr


def test_a_foreign_sidecar_stays(shoot, tmp_path):
    """Also one that speaks of us: what a command printed, sent to a file."""
    for text in ('{"mine": 1}', json.dumps({"soundplumb": "0.1.0", "inputs": [], "output": {"path": "mix.wav"}})):
        (tmp_path / "mix.json").write_text(text, encoding="utf-8")
        command = cli.commands["conform"]
        result = run(*arguments(command, shoot, output=tmp_path / "mix.wav"), "--force")
        assert (result.exit_code, [path.name for path in tmp_path.iterdir()]) == (COULD_NOT, ["mix.json"])
        assert (tmp_path / "mix.json").read_text(encoding="utf-8") == text


@pytest.mark.parametrize("name", ["README.md", "truth.json", "lantern.marks.csv", "lantern.mp4"])
def test_the_demo_leaves_what_somebody_has_changed(tmp_path, name):
    lay_out(tmp_path)
    (tmp_path / name).write_text("mine", encoding="utf-8")
    (tmp_path / "slipway.mov").unlink()
    result = run("demo", tmp_path, "--force")
    assert result.exit_code == COULD_NOT
    assert f"{name} is not as the demo lays it out" in result.stderr
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "slipway.mov").exists()


@pytest.fixture
def demo(demo_done, tmp_path_factory, monkeypatch):
    """A copy of the demo, as its job left it; its paths start at the working directory."""
    home = tmp_path_factory.mktemp("demo") / "copy"
    shutil.copytree(demo_done.home, home)
    monkeypatch.chdir(home)
    for plot in Path("shoot/tracks").glob("*.png"):
        plot.unlink()
    return demo_done.result


@pytest.mark.slow
def test_the_demos_plot_replaces_no_picture(demo):
    """Tracks may be made anew; the picture beside them is somebody's."""
    picture = demo.day.folder / "tracks" / "lantern.png"
    write_plots(demo)
    write_plots(demo, force=True)
    picture.write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"lantern\.png is not a plot that soundplumb wrote"):
        write_plots(demo, force=True)
    assert picture.read_bytes() == b"mine"
    picture.unlink()


@pytest.mark.slow
def test_a_day_replaces_no_track_of_somebody_elses(shoot, tmp_path):
    for name in ("lantern.mp4", "lantern.marks.csv", "rec-0041.flac"):
        (tmp_path / name).write_bytes((shoot / name).read_bytes())
    (tmp_path / "tracks").mkdir()
    track = tmp_path / "tracks" / "lantern.wav"
    track.write_bytes((shoot / "good.wav").read_bytes())
    result = run("day", tmp_path, "--picture", "equirect180-sbs", "--force", "--json")
    (entry,) = json.loads(result.stdout)["clips"]
    assert (result.exit_code, entry["conform"]) == (4, None)
    assert track.read_bytes() == (shoot / "good.wav").read_bytes()
    assert any("is not a track that soundplumb wrote" in finding["message"] for finding in entry["findings"])


def results(demo, folder):
    """One of each kind, and of each form of a kind, with what it is."""
    with whole_file(folder / "no-time.wav", Kind.TRACK) as temporary, TrackWriter(temporary):
        pass
    write_text_whole(folder / "flat.toml", flat_microphone(), Kind.MICROPHONE)
    for suffix in (".png", ".svg", ".pdf"):
        save(new_figure(1, 1), folder / f"plot{suffix}", force=False, inputs=[])
    page = html_text("day.html.j2", style="page.css", title="A day", header=["clip"], rows=[])
    write_text_whole(folder / "index.html", page, Kind.PAGE)
    write_text_whole(folder / "rows.csv", f"{','.join(TABLE_HEAD)}\n0.000,1.00,2.00,3.00,0.100,-20.0,1\n", Kind.TABLE)
    for suffix in (*MOVIE_SUFFIXES, ".opus"):
        made = folder / f"film{suffix}"
        make_headset_movie(demo.day.folder / "lantern.mp4", demo.day.folder / "tracks" / "lantern.wav", made)
    for name in ("lantern.wav", "lantern.json"):
        (folder / name).write_bytes((demo.day.folder / "tracks" / name).read_bytes())
    return {
        folder / "no-time.wav": Kind.TRACK,
        folder / "lantern.wav": Kind.TRACK,
        folder / "lantern.json": Kind.SIDECAR,
        folder / "index.html": Kind.PAGE,
        folder / "rows.csv": Kind.TABLE,
        folder / "flat.toml": Kind.MICROPHONE,
        **{folder / f"film{suffix}": Kind.MOVIE for suffix in MOVIE_SUFFIXES},
        folder / "film.opus": Kind.FIELD,
        **{folder / f"plot{suffix}": Kind.PLOT for suffix in (".png", ".svg", ".pdf")},
    }


@pytest.mark.slow
def test_each_kind_is_known_by_its_own_mark_alone(demo, tmp_path):
    for path, kind in results(demo, tmp_path).items():
        assert [each for each in Kind if is_ours(path, each)] == [kind], path
        # The same bytes in the middle of another file are a mention, not a mark.
        within = tmp_path / "within"
        within.write_bytes(b"see below:\n" + path.read_bytes())
        assert not any(is_ours(within, each) for each in Kind)
    os.mkfifo(tmp_path / "pipe")
    assert not any(is_ours(tmp_path / "pipe", each) for each in Kind)
    assert is_unfinished(tmp_path / "no-time.wav")


@pytest.mark.slow
def test_what_somebody_changed_is_theirs_whatever_it_says_of_its_maker(demo, tmp_path):
    for path, kind in results(demo, tmp_path).items():
        whole = path.read_bytes()
        may_be_written(path, kind, force=True)
        middle = whole[: len(whole) // 2] + bytes([whole[len(whole) // 2] ^ 1]) + whole[len(whole) // 2 + 1 :]
        blank = re.sub(rb"(?<=-seal-)[0-9a-f]{64}", BLANK_SEAL[-64:].encode(), whole)
        none = re.sub(rb" ?soundplumb-seal-[0-9a-f]{64}", b"", whole)
        # A table has no seal, and is known by its exact form.
        for changed in {middle, whole + b"\n", whole[:-1], blank, none} - {whole}:
            path.write_bytes(changed)
            assert not is_ours(path, kind), path
            # A track that was cut may be no track any more; all others still say who made them.
            if is_marked(path, kind):
                with pytest.raises(OutputError, match=r"is not a .* just as soundplumb wrote it .*; move it elsewhere"):
                    may_be_written(path, kind, force=True)
            assert path.read_bytes() == changed
        path.write_bytes(whole)


def test_a_sealed_page_of_ogg_is_whole(demo, tmp_path):
    """RFC 3533: each page has a check sum. Those that hold no seal are as the library wrote them, by its own sum."""
    made = tmp_path / "film.opus"
    make_headset_movie(demo.day.folder / "lantern.mp4", demo.day.folder / "tracks" / "lantern.wav", made)
    held = made.read_bytes()
    starts = [match.start() for match in re.finditer(b"OggS\0", held)][:4]
    with made.open("rb") as file:
        assert all(ownership._page_sum(file, at) == held[at + 22 : at + 26] for at in starts)
    # A check sum is no part of the digest: one that was changed is told all the same.
    at = held.rindex(b"OggS", 0, held.index(b"OpusTags")) + 22
    made.write_bytes(held[:at] + bytes(4) + held[at + 4 :])
    assert is_marked(made, Kind.FIELD)
    assert not is_ours(made, Kind.FIELD)


def test_a_sealed_picture_is_whole(tmp_path):
    """Each chunk of a PNG ends in a check sum of what is in it (W3C, "Portable Network Graphics")."""
    save(new_figure(1, 1), tmp_path / "plot.png", force=False, inputs=[])
    held, place = (tmp_path / "plot.png").read_bytes(), 8
    seen = []
    while place < len(held):
        size = int.from_bytes(held[place : place + 4], "big")
        body = held[place + 4 : place + 8 + size]
        assert zlib.crc32(body).to_bytes(4, "big") == held[place + 8 + size : place + 12 + size], body[:4]
        seen.append(body[:4])
        place += 12 + size
    assert b"tEXt" in seen
    assert seen[-1] == b"IEND"


@pytest.mark.slow
def test_a_day_leaves_a_track_that_somebody_edited_and_whose_sidecar_is_gone(demo, shoot, tmp_path):
    """A run that was killed leaves a track without its sidecar too, but not a changed one."""
    for name in ("lantern.mp4", "lantern.marks.csv", "rec-0041.flac"):
        (tmp_path / name).write_bytes((shoot / name).read_bytes())
    (tmp_path / "tracks").mkdir()
    track = tmp_path / "tracks" / "lantern.wav"
    held = bytearray((demo.day.folder / "tracks" / "lantern.wav").read_bytes())
    track.write_bytes(held)
    assert is_unfinished(track)
    held[-3000:] = bytes(3000)
    track.write_bytes(held)
    # Beside it: a copy of the take, and a clip with so long a name that none is left for its marks.
    (tmp_path / "copy.flac").hardlink_to(tmp_path / "rec-0041.flac")
    empty_box = (8).to_bytes(4, "big") + b"free"  # a clip of the same content would be done once
    (tmp_path / ("n" * 247 + ".mp4")).write_bytes((tmp_path / "lantern.mp4").read_bytes() + empty_box)
    # It is of another rig, or it would be taken to have hung as the other clip's microphone did.
    rigs = '[[rig]]\nclips = ["lantern.mp4"]\n[[rig]]\nclips = ["nnn*"]\n'
    (tmp_path / "shoot.toml").write_text(rigs, encoding="utf-8")
    result = run("day", tmp_path, "--picture", "equirect180-sbs", "--json")
    day = json.loads(result.stdout)
    said = [finding["message"] for entry in (day, *day["clips"]) for finding in entry["findings"]]
    assert track.read_bytes() == held
    assert any("lantern.wav was there before and has been left as it is" in message for message in said)
    assert any("nnn.mp4 has no marks" in message and "give it a shorter name" in message for message in said)
    assert any("rec-0041.flac holds the same as copy.flac" in message for message in said)
    assert not any("belongs to none of the clips" in message for message in said)


@pytest.mark.parametrize("kind", list(FolderKind))
def test_neither_stills_nor_a_page_replace_the_other(kind, shoot, tmp_path):
    look = tmp_path / "look"
    with whole_folder(look, kind=kind) as folder:
        for name in ("index.html", "movie.mp4"):
            (folder / name).write_bytes((shoot / "lantern.mp4").read_bytes())
    command, option = ("verify", "stills") if kind is FolderKind.PAGE else ("review", "output")
    for inputs in ({}, {"clip": look / "movie.mp4"}):
        before = prints(tmp_path)
        result = run(*arguments(cli.commands[command], shoot, **inputs, **{option: look}), "--force")
        assert result.exit_code == COULD_NOT, result.output
        assert f"holds a {kind} that soundplumb wrote" in result.stderr
        assert prints(tmp_path) == before


def test_no_result_takes_the_place_of_a_clip_in_its_folder(shoot, tmp_path):
    """The small movie of a page is a clip as well."""
    look = tmp_path / "look"
    with whole_folder(look) as folder:
        (folder / "movie.mp4").write_bytes((shoot / "lantern.mp4").read_bytes())
    before = prints(tmp_path)
    result = run(*arguments(cli.commands["review"], shoot, clip=look / "movie.mp4", output=look), "--force")
    assert (result.exit_code, prints(tmp_path)) == (COULD_NOT, before)
    assert "movie.mp4 is one of the files to be read" in result.stderr


def test_a_link_in_a_folder_of_ours_is_not_ours(tmp_path):
    (tmp_path / "film").write_text("mine", encoding="utf-8")
    with whole_folder(tmp_path / "look") as folder:
        (folder / "movie.mp4").write_text("old", encoding="utf-8")
    (tmp_path / "look" / "movie.mp4").unlink()
    (tmp_path / "look" / "movie.mp4").symlink_to(tmp_path / "film")
    with (
        pytest.raises(Exception, match="is not a file that soundplumb wrote"),
        whole_folder(tmp_path / "look", force=True) as folder,
    ):
        (folder / "movie.mp4").write_text("new", encoding="utf-8")
    assert (tmp_path / "look" / "movie.mp4").is_symlink()
    assert (tmp_path / "look" / LIST_NAME).exists()


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("lantern", "lantern"),
        ("Åse's café №3", "Åse's café №3"),
        ("con", "_con"),
        ("COM7.take", "_COM7.take"),
        ("console", "console"),
        ("a<b>c:d|e?f*g", "a_b_c_d_e_f_g"),
        ("night ", "night"),
        ("...", "_"),
        ("n" * 300, "n" * 200),
        ("bell\x07", "bell_"),
    ],
)
def test_names_that_every_system_takes(name, plain):
    assert portable_name(name) == plain


WRITERS = {
    "spatial.media.output",
    "spatial.media.output_folder",
    "spatial.media.work_folders",
    "spatial.media.cache",
    "spatial.media.movies.proxy",
    "spatial.media.movies.remux",
    "spatial.media.movies.spherical",
    "spatial.media.ownership",
    "spatial.jobs.faults",
    "spatial.jobs.day.day_folder",
    "spatial.jobs.day.day_tracks",
    "spatial.jobs.day.day_pages",
    "spatial.jobs.demo",
    "spatial.jobs.handover.hand_over",
    "spatial.jobs.conform.conform_clip",
    "spatial.jobs.review.review_clip",
    "spatial.report.html",
    "spatial.report.plots.style",
    "spatial.report.plots.stills",
    "cli.streams",
}
"""Modules that may write: the door itself, and those that write into a place that the door gave them."""
CHANGES = {
    "write_text", "write_bytes", "savefig", "mkdir", "rmdir", "unlink", "rename", "touch", "hardlink_to", "symlink_to",
    "rmtree", "mkdtemp", "mkstemp", "makedirs", "truncate", "move", "copyfile", "copy2", "copytree",
}  # fmt: skip


def writing_in(tree):
    found = []
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called_name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        modes = [
            word.value
            for word in [*node.args, *(keyword.value for keyword in node.keywords)]
            if isinstance(word, ast.Constant) and isinstance(word.value, str)
        ]
        opens = called_name in ("open", "fdopen") and any(set(mode) & set("wax+") and len(mode) <= 4 for mode in modes)
        if called_name in CHANGES or opens:
            found.append((node.lineno, called_name))
    return found


def test_nothing_else_in_the_house_writes():
    found = {name: writing_in(parsed(source)) for name, source in HOUSE.items() if name not in WRITERS}
    assert {name: calls for name, calls in found.items() if calls} == {}


def test_only_one_place_catches_everything():
    """A mistake of ours in one clip is named there; anywhere else it would be hidden."""
    broad = [
        name
        for name, source in HOUSE.items()
        for node in ast.walk(parsed(source))
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or (isinstance(node.type, ast.Name) and node.type.id == "Exception"))
    ]
    assert broad == ["spatial.jobs.faults"]
