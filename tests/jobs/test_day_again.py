"""A day that is done again: what has not changed is shown as it was, without a sound being heard; what has, is said.

The shoot is the demo's first clip; its second comes later.
"""

import json
import os
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

import spatial.jobs.conform.track_memory
import spatial.jobs.day.day_matches
import spatial.jobs.day.day_tracks
from spatial.errors import OutputError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_folder import run_day
from spatial.jobs.demo import lay_out
from spatial.jobs.rig import Rig
from spatial.media.ownership import BLANK_SEAL, put_seal
from spatial.media.track_files import is_unfinished
from spatial.mount.prior import Hanging, MountPrior
from spatial.report.day_report import day_json, day_lines
from spatial.report.json_output import dumps

RIG = Rig((-0.04, 0.0, 0.16), "equirect180-sbs")
LATER = ("slipway.mov", "slipway.marks.csv", "rec-0042.flac", "truth.json", "README.md")


def again(folder, *, rig=RIG, **more):
    return run_day(folder, rig_for=lambda _clip: rig, **more)


def as_json(day):
    """What a program is told of a day, but for whether it is remembered."""
    told = json.loads(dumps(day_json(day)))
    for clip in told["clips"]:
        clip.pop("remembered")
    return told


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """The folder, the cache and the answer of a day with one clip, and what comes later."""
    home = tmp_path_factory.mktemp("first")
    lay_out(home / "shoot")
    (home / "later").mkdir()
    for name in LATER:
        (home / "shoot" / name).rename(home / "later" / name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOUNDPLUMB_CACHE", str(home / "cache"))
        return home, as_json(again(home / "shoot"))


@pytest.fixture
def shoot(first, tmp_path, monkeypatch):
    """A copy of the shoot in another place, with a copy of the cache."""
    home, _ = first
    shutil.copytree(home / "shoot", tmp_path / "moved")
    shutil.copytree(home / "cache", tmp_path / "cache")
    monkeypatch.setenv("SOUNDPLUMB_CACHE", str(tmp_path / "cache"))
    return tmp_path / "moved"


@pytest.fixture
def deaf(monkeypatch):
    """Whoever decodes, matches, conforms or looks a take through fails the test."""

    def nothing(*_arguments, **_options):
        raise AssertionError("something was measured")

    heard = ("listen_to_clip", "match_takes", "find_candidates")
    for name in heard:
        monkeypatch.setattr(spatial.jobs.day.day_matches, name, nothing)
    monkeypatch.setattr("spatial.jobs.sync.listen.listen_once", nothing)
    monkeypatch.setattr(spatial.jobs.day.day_tracks, "conform_match", nothing)
    monkeypatch.setattr("spatial.jobs.inspect.take_health.check_health", nothing)


def left_alone(day):
    """Why a track was left as it is."""
    (entry,) = day.clips
    assert entry.conform is None
    assert entry.sync.take.path.name == "rec-0041.flac"
    (said,) = [finding for finding in entry.findings if finding.code == "already_there"]
    assert said.severity is Severity.LOOK
    return said.message


def resealed(sidecar, change):
    """Change a sidecar, and seal it as if we had written it so."""
    facts = json.loads(sidecar.read_text(encoding="utf-8"))
    change(facts)
    facts["seal"] = BLANK_SEAL
    sidecar.write_text(json.dumps(facts, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    put_seal(sidecar)


@pytest.mark.usefixtures("deaf")
def test_a_day_that_has_not_changed_is_shown_as_it_was_without_hearing_a_sound(first, shoot):
    home, answer = first
    day = again(shoot)
    told = as_json(day)
    # Paths are those of the folder as it lies now; every number and every word is the same.
    assert json.loads(json.dumps(told).replace(str(shoot), str(home / "shoot"))) == answer
    assert [entry.remembered for entry in day.clips] == [True]
    lines = day_lines(day)
    assert lines[2].split()[:3] == ["lantern.mp4", "ready", "rec-0041.flac"]
    assert "4 of 4" in lines[2]
    assert "The track of 1 clip was there, made from what lies here now: it is shown as it was." in lines


def test_without_a_cache_the_answer_is_remembered_all_the_same(first, shoot, monkeypatch):
    """Takes are listened to anew, for nothing says whether they can be read; no clip is matched."""
    home, answer = first
    monkeypatch.setenv("SOUNDPLUMB_CACHE", "off")
    monkeypatch.setattr(spatial.jobs.day.day_matches, "match_takes", None)
    monkeypatch.setattr(spatial.jobs.day.day_tracks, "conform_match", None)
    told = as_json(again(shoot))
    assert json.loads(json.dumps(told).replace(str(shoot), str(home / "shoot"))) == answer


def test_a_clip_with_a_fix_does_not_read_as_fine(shoot):
    """As with a wrong layout of the picture: every performer may be in place by it, and the answer is bad."""
    day = again(shoot)
    (entry,) = day.clips
    assert "ready" in day_lines(day)[2]
    bad = Finding(Code.MARK_OFF, Severity.FIX, "the picture is laid out otherwise")
    lines = day_lines(replace(day, clips=(replace(entry, findings=(*entry.findings, bad)),)))
    assert "must be mended" in lines[2]
    assert lines[2].endswith("4 of 4, but see FIX")
    assert "Do not use lantern.wav before what is marked FIX above is mended." in lines
    assert lines[-1] == "1 must be mended"


def test_marks_that_changed_are_said_and_with_force_the_track_is_made_anew_without_a_match(shoot, monkeypatch):
    marks = shoot / "lantern.marks.csv"
    head, *rows = marks.read_text(encoding="utf-8").splitlines()
    marks.write_text("\n".join([head, *rows[:3]]) + "\n", encoding="utf-8")
    monkeypatch.setattr(spatial.jobs.day.day_matches, "match_takes", None)
    before = (shoot / "tracks" / "lantern.wav").read_bytes()
    assert left_alone(again(shoot)) == (
        "tracks/lantern.wav is an older track, left as it is: since it was made lantern.marks.csv has changed; add "
        "--again to make it anew"
    )
    assert (shoot / "tracks" / "lantern.wav").read_bytes() == before
    left = again(shoot)
    assert left.clips[0].older.output == shoot / "tracks" / "lantern.wav"
    assert day_lines(left)[2].endswith("° (older track)  4 of 4 (older track)")
    (entry,) = again(shoot, force=True).clips
    assert not entry.remembered
    assert len(entry.conform.proof.marks) == 3
    (entry,) = again(shoot).clips
    assert entry.remembered
    assert len(entry.conform.proof.marks) == 3


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"rig": Rig((0.0, 0.0, 0.3), "equirect180-sbs")}, "other options were given (--mic-offset)"),
        ({"rig": Rig((-0.04, 0.0, 0.16))}, "other options were given (--picture)"),
        ({"prior": MountPrior(facing_rad=1.0)}, "other options were given (--facing)"),
        ({"prior": MountPrior(hanging=Hanging.UPRIGHT), "repair": True}, "(--upright or --upside-down, --repair)"),
    ],
)
def test_a_track_of_other_options_is_said(shoot, options, said):
    assert said in left_alone(again(shoot, **options))


@pytest.mark.usefixtures("deaf")
def test_a_track_of_another_version_is_said(shoot, monkeypatch):
    monkeypatch.setattr(spatial.jobs.conform.track_memory, "__version__", "99.0")
    message = left_alone(again(shoot))
    assert "and this is 99.0; made anew, which --again does, it would be in step to within a millisecond" in message
    # What this version makes of it is what lies there.
    assert "and it would be turned by 0.0° more" in message


@pytest.mark.usefixtures("deaf")
def test_an_answer_that_this_version_cannot_read_is_not_shown(shoot):
    """As a version in the making leaves it: results have other fields under the same number."""

    def other_field(facts):
        facts["kept"] = facts["kept"].replace('"offset_s"', '"offset_then_s"')

    resealed(shoot / "tracks" / "lantern.json", other_field)
    assert "another version of soundplumb made it" in left_alone(again(shoot))


@pytest.mark.parametrize("file", ["lantern.wav", "lantern.json"])
@pytest.mark.usefixtures("deaf")
def test_a_track_that_somebody_has_changed_is_nobodys_answer(shoot, file):
    path = shoot / "tracks" / file
    held = bytearray(path.read_bytes())
    place = held.rindex(b"IN_PLACE") if file.endswith(".json") else len(held) // 2
    held[place] ^= 1
    path.write_bytes(held)
    assert "or move it elsewhere if somebody has changed it" in left_alone(again(shoot))


def test_a_track_in_whose_middle_one_byte_was_changed_is_found_whatever_its_times_say(shoot):
    """Of one length, with the time stamps of before, as some copying programs leave them."""
    track = shoot / "tracks" / "lantern.wav"
    again(shoot)
    about = track.stat()
    with track.open("rb+") as file:
        file.seek(about.st_size // 3)
        byte = file.read(1)
        file.seek(about.st_size // 3)
        file.write(bytes([byte[0] ^ 1]))
    os.utime(track, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert "somebody has changed it" in left_alone(again(shoot))


def test_a_new_clip_costs_that_clip_alone(first, shoot, monkeypatch):
    home, answer = first
    for name in ("slipway.mov", "slipway.marks.csv", "rec-0042.flac"):
        shutil.copy(home / "later" / name, shoot)
    matched = []
    real = spatial.jobs.day.day_matches.match_takes

    def match(clip, *arguments, **options):
        matched.append(clip.path.name)
        return real(clip, *arguments, **options)

    monkeypatch.setattr(spatial.jobs.day.day_matches, "match_takes", match)
    day = again(shoot)
    assert matched == ["slipway.mov"]
    assert [entry.remembered for entry in day.clips] == [True, False]
    assert as_json(day)["clips"][0]["sync"]["offset_s"] == answer["clips"][0]["sync"]["offset_s"]
    assert day.unused_takes == ()
    assert [entry.remembered for entry in again(shoot).clips] == [True, True]
    assert matched == ["slipway.mov"]


def test_a_new_take_that_fits_as_well_is_said_of_the_track_that_was_made_before_it(shoot):
    """A copy of its sound, in another file: the clip is held against it, and what that leaves open is said."""
    field, rate = soundfile.read(shoot / "rec-0041.flac", dtype="int16")
    soundfile.write(shoot / "copy-of-0041.wav", field, rate, subtype="PCM_16")
    (entry,) = again(shoot).clips
    (said,) = [finding for finding in entry.findings if finding.code == "ambiguous_match"]
    assert "seems to be a copy of it" in said.message
    assert not entry.remembered
    (left,) = [finding for finding in entry.findings if finding.code == "already_there"]
    assert "other takes have come, and lantern.mp4 is matched with copy-of-0041.wav now; add --again" in left.message


def test_a_card_that_was_copied_again_changes_nothing(shoot):
    for name in ("rec-0041.flac", "lantern.mp4"):
        shutil.copy(shoot / name, shoot / f"again {name}")
    day = again(shoot)
    (entry,) = day.clips
    assert (entry.clip.name, entry.remembered) == ("lantern.mp4", True)
    assert sorted(finding.where for finding in day.findings if finding.code == "duplicate") == [
        "again lantern.mp4", "again rec-0041.flac",
    ]  # fmt: skip


def test_a_take_that_is_gone_is_said(first, shoot):
    home, _ = first
    (shoot / "rec-0041.flac").unlink()
    shutil.copy(home / "later" / "rec-0042.flac", shoot)
    (entry,) = again(shoot).clips
    assert entry.conform is None
    assert not entry.remembered
    assert not entry.sync.estimate.matched


def test_a_run_that_was_killed_between_track_and_sidecar_is_gone_on_with(shoot, monkeypatch):
    (shoot / "tracks" / "lantern.json").unlink()
    assert is_unfinished(shoot / "tracks" / "lantern.wav")
    monkeypatch.setattr(spatial.jobs.day.day_matches, "match_takes", None)  # it had been matched
    (entry,) = again(shoot).clips
    assert entry.conform is not None
    assert not entry.remembered
    assert (shoot / "tracks" / "lantern.json").is_file()


def test_a_clip_without_marks_is_done_by_the_cameras_sound_where_the_crew_says_how_the_microphone_hung(
    shoot, first, monkeypatch
):
    """The demo's first camera has a pair apart, and its recorder hung upright."""
    (shoot / "lantern.marks.csv").unlink()
    shutil.rmtree(shoot / "tracks")
    prior = MountPrior(hanging=Hanging.UPRIGHT)
    day = again(shoot, prior=prior)
    (entry,) = day.clips
    _, answer = first
    by_marks = np.array(answer["clips"][0]["conform"]["applied"]["mount"]["matrix"])
    cosine = (np.trace(entry.conform.mount @ by_marks.T) - 1) / 2
    assert np.degrees(np.arccos(cosine)) < 10.0  # DESIGN's worst for a mount by stereo sound alone
    (said,) = [finding for finding in entry.findings if "no mark proves" in finding.message]
    assert said.severity is Severity.LOOK
    assert "one mark in lantern.marks.csv would" in said.message
    assert "no marks" in day_lines(day)[2]
    monkeypatch.setattr(spatial.jobs.day.day_tracks, "conform_match", None)
    assert as_json(again(shoot, prior=prior)) == as_json(day)


def test_a_clip_that_neither_marks_nor_the_cameras_sound_turn_is_told_what_to_do(shoot):
    (shoot / "lantern.marks.csv").unlink()
    shutil.rmtree(shoot / "tracks")
    (shoot / "lantern.moves.csv").write_text(
        "time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n12,0.5,0,0\n", encoding="utf-8"
    )
    (entry,) = again(shoot, prior=MountPrior(hanging=Hanging.UPRIGHT)).clips
    assert entry.conform is None
    (said,) = [finding for finding in entry.findings if finding.code == "undetermined"]
    assert said.severity is Severity.LOOK
    assert said.message.startswith("lantern.mp4 has no marks, and the camera's sound does not tell it either (")
    assert said.message.endswith("and save them beside it as lantern.marks.csv")
    assert not Path(shoot / "tracks").exists()


def cannot_write_into(folder, monkeypatch):
    """Make a folder one of a disk that is mounted read-only, whoever we are."""
    made, claimed = Path.mkdir, tempfile.mkdtemp

    def mkdir(self, *words, **more):
        if self.is_relative_to(folder):
            raise OSError(30, "Read-only file system", str(self))
        made(self, *words, **more)

    def mkdtemp(*words, dir=None, **more):
        if dir is not None and Path(dir).is_relative_to(folder):
            raise OSError(30, "Read-only file system", str(dir))
        return claimed(*words, dir=dir, **more)

    monkeypatch.setattr(Path, "mkdir", mkdir)
    monkeypatch.setattr(tempfile, "mkdtemp", mkdtemp)


@pytest.mark.usefixtures("deaf")
def test_a_folder_that_cannot_be_written_is_refused_before_any_listening(shoot, monkeypatch):
    monkeypatch.setenv("SOUNDPLUMB_CACHE", "off")
    shutil.rmtree(shoot / "tracks")
    cannot_write_into(shoot, monkeypatch)
    with pytest.raises(OutputError, match=r"nothing can be written into .*moved.*Read-only.*\(-o FOLDER\)"):
        again(shoot)


@pytest.mark.usefixtures("deaf")
def test_results_go_and_are_remembered_elsewhere(first, shoot, tmp_path, monkeypatch):
    home, answer = first
    (tmp_path / "out").mkdir()
    (shoot / "tracks").rename(tmp_path / "out" / "tracks")
    names = sorted(path.name for path in shoot.iterdir())
    cannot_write_into(shoot, monkeypatch)
    day = again(shoot, results=tmp_path / "out")
    assert [entry.remembered for entry in day.clips] == [True]
    assert day.results_folder == tmp_path / "out"
    told = json.dumps(as_json(day)).replace(str(tmp_path / "out" / "tracks"), str(home / "shoot" / "tracks"))
    assert json.loads(told.replace(str(shoot), str(home / "shoot"))) == answer
    assert sorted(path.name for path in shoot.iterdir()) == names


def test_a_day_without_anything_to_make_may_lie_where_nothing_can_be_written(shoot, monkeypatch):
    shutil.rmtree(shoot / "tracks")
    (shoot / "lantern.marks.csv").unlink()
    cannot_write_into(shoot, monkeypatch)
    assert [entry.status for entry in again(shoot).clips] == ["needs_marks"]
