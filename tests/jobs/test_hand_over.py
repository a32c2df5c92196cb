"""A day handed over: what lies in the folder, whose it is, and that its originals are what they were.

The day is the demo's, done once; every test works on a copy of it.
"""

import csv
import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import opentimelineio
import pytest
import soundfile
import wavinfo

from spatial.errors import InputError, MediaFileError, OutputError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.other_recordings import OtherRecording
from spatial.jobs.demo import read_truth
from spatial.jobs.handover.hand_over import DayWriters, Wanted, deliver, require_places
from spatial.jobs.handover.originals import OriginalState, check_originals
from spatial.jobs.handover.track_names import NamePattern, distinct
from spatial.media.output import TrackWriter, whole_file
from spatial.media.output_folder import LIST_NAME
from spatial.media.ownership import Kind, digest_of, portable_name
from spatial.media.timeline_file import METADATA_NAME
from spatial.media.track_files import cut_from, sidecar_facts
from spatial.media.wav.track_notes import ParentFile
from spatial.report.day_table import day_csv
from spatial.report.handover_report import delivered_lines, originals_json, originals_lines, with_delivered
from spatial.timebase import ClockLaw

pytestmark = pytest.mark.slow

WRITE = DayWriters(day_csv, lambda _day, _folder, _progress: "<!doctype html>page")
NAMES = ["lantern_rec-0041_ambix.wav", "slipway_rec-0042_ambix.wav"]


@pytest.fixture
def home(demo_done, tmp_path, monkeypatch):
    """A copy of the demo's folder to work in; the day's paths start there."""
    shutil.copytree(demo_done.home, tmp_path / "home")
    monkeypatch.chdir(tmp_path / "home")
    return tmp_path / "home"


@pytest.fixture
def day(home, demo_done):
    assert (home / "shoot").is_dir()
    return demo_done.result.day


def handed(day, folder=Path("shoot/handover"), **options):
    return deliver(day, Wanted(folder), WRITE, **options)


def timeline_of(folder):
    return opentimelineio.adapters.read_from_file(str(folder / "day.otio"))


def stretches(timeline, name):
    (track,) = [track for track in timeline.tracks if track.name == name]
    return [item for item in track if isinstance(item, opentimelineio.schema.Clip)]


def files_named(folder):
    """Every media file that a timeline names, by its way from the folder."""
    clips = timeline_of(folder).find_clips()
    return [folder / unquote(clip.media_reference.target_url) for clip in clips]


def test_an_editor_gets_timeline_tracks_table_and_page(day, home):
    done = handed(day)
    folder = home / "shoot" / "handover"
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        ["day.otio", "day.csv", "day.html", LIST_NAME, *NAMES]
    )
    assert (done.timeline, [track.name for track in done.tracks], done.findings) == (
        Path("shoot/handover/day.otio"), NAMES, (),
    )  # fmt: skip
    for name, track in zip(NAMES, ("lantern.wav", "slipway.wav"), strict=True):
        assert (folder / name).read_bytes() == (home / "shoot" / "tracks" / track).read_bytes()


def test_the_timeline_agrees_with_the_sidecars_to_half_a_sample(day, home):
    handed(day)
    timeline = timeline_of(home / "shoot" / "handover")
    pictures, fields = stretches(timeline, "Picture"), stretches(timeline, "Sound field")
    raws = stretches(timeline, "Raw take")
    for picture, field, raw, name in zip(pictures, fields, raws, ("lantern", "slipway"), strict=True):
        facts = sidecar_facts(home / "shoot" / "tracks" / f"{name}.wav")
        at_s, field_s, raw_s = (item.range_in_parent().start_time.to_seconds() for item in (picture, field, raw))
        assert picture.duration().to_seconds() == pytest.approx(facts["clip"]["duration_s"], abs=1e-9)
        assert abs(field_s - at_s) * 48_000 <= 0.5
        assert field.duration().value == facts["output"]["samples"]
        (warp,) = raw.effects
        assert warp.time_scalar == pytest.approx(1 + facts["applied"]["drift_ppm"] * 1e-6, abs=1e-12)
        begin = raw.source_range.start_time.value - raw.media_reference.available_range.start_time.value
        heard = begin + (at_s - raw_s) * 48_000 * warp.time_scalar
        assert abs(heard - facts["applied"]["offset_s"] * 48_000) <= 0.5 + 1e-4
        # Our track is heard; the take under it is for whoever wants to do without.
        assert (field.enabled, raw.enabled) == (True, False)
        told = picture.metadata[METADATA_NAME]
        assert told["status"] == "ready"
        assert told["sha256"] == hashlib.sha256((home / "shoot" / picture.name).read_bytes()).hexdigest()


def test_the_timeline_agrees_with_what_is_true_of_the_demo(day, home):
    """The truth, not what was found: within the 0.5 ms that the demo's own test allows."""
    handed(day)
    timeline = timeline_of(home / "shoot" / "handover")
    truth = {entry.clip: entry for entry in read_truth(home / "shoot" / "truth.json")}
    for picture, raw in zip(stretches(timeline, "Picture"), stretches(timeline, "Raw take"), strict=True):
        apart_s = (picture.range_in_parent().start_time - raw.range_in_parent().start_time).to_seconds()
        offset_s = raw.source_range.start_time.to_seconds() + apart_s
        assert offset_s == pytest.approx(truth[picture.name].offset_s, abs=5e-4)
        who = [mark.name for mark in picture.markers if mark.color == "GREEN"]
        assert sorted(who) == sorted(truth[picture.name].heard_from)


def test_tracks_tell_their_story_to_a_second_reader(day, home):
    handed(day)
    info = wavinfo.WavInfoReader(str(home / "shoot" / "handover" / NAMES[1]))
    assert info.bext.description.startswith("first-order ambisonics, ACN order (W Y Z X), SN3D; cut to the clip")
    assert info.bext.description.endswith("clip slipway.mov; take rec-0042.flac")
    assert info.bext.originator_ref.startswith("SOUNDPLUMB")
    assert len(info.bext.originator_ref) == 32
    assert info.bext.coding_history.splitlines()[0] == "A=PCM,F=48000,W=16,T=rec-0042.flac"
    assert (info.ixml.project, info.ixml.scene, info.ixml.take) == ("shoot", "slipway", "rec-0042")
    assert [track.name for track in info.ixml.track_list] == list("WYZX")
    other = wavinfo.WavInfoReader(str(home / "shoot" / "handover" / NAMES[0]))
    assert other.bext.originator_ref != info.bext.originator_ref


def test_the_folder_may_be_moved_with_the_day(day, home, tmp_path):
    handed(day)
    named = files_named(home / "shoot" / "handover")
    assert len(named) == 6
    assert all(path.is_file() for path in named)
    (home / "shoot").rename(tmp_path / "another place")
    assert all(path.is_file() for path in files_named(tmp_path / "another place" / "handover"))


def test_a_handover_elsewhere_finds_its_clips_too(day, home):
    (home / "desk").mkdir()
    handed(day, Path("desk/for the editor"))
    named = files_named(home / "desk" / "for the editor")
    assert {path.parent.resolve() for path in named} == {home / "shoot", home / "desk" / "for the editor"}
    assert all(path.is_file() for path in named)


def test_what_is_there_stays_without_force_and_is_made_anew_with_it(day, home):
    handed(day)
    folder = home / "shoot" / "handover"
    kept = {path.name: path.read_bytes() for path in folder.iterdir()}
    for force in (False, True):
        require_places(Wanted(folder), force=force)
    done = handed(day)
    (said,) = done.findings
    assert (said.severity, said.code, done.timeline) == (Severity.LOOK, "already_there", None)
    assert "has been left as it is" in said.message
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == kept
    (folder / "day.csv").write_text("mine", encoding="utf-8")
    # Whoever opened the table in a spreadsheet still gets the day done; only --force would replace it, and says no.
    require_places(Wanted(folder), force=False)
    with pytest.raises(OutputError, match="has been changed since"):
        require_places(Wanted(folder), force=True)
    (said,) = handed(day, force=True).findings
    assert (said.severity, "has been changed since" in said.message) == (Severity.FIX, True)
    assert (folder / "day.csv").read_text(encoding="utf-8") == "mine"
    shutil.rmtree(folder)
    handed(day)
    few = replace(day, clips=day.clips[:1])
    assert handed(few, force=True).findings == ()
    assert sorted(path.suffix for path in folder.iterdir()) == [".csv", ".html", ".otio", ".txt", ".wav"]


def test_two_days_are_never_mixed(day, home):
    lantern, slipway = (replace(day, clips=(clip,)) for clip in day.clips)
    (home / "desk").mkdir()
    handed(lantern, Path("desk/film"))
    before = {path.name: path.read_bytes() for path in (home / "desk/film").iterdir()}
    (said,) = handed(slipway, Path("desk/film"), force=True).findings
    assert said.severity is Severity.FIX
    assert "holds the handover of another day (shoot), and none of its clips is one of these" in said.message
    assert {path.name: path.read_bytes() for path in (home / "desk/film").iterdir()} == before


def test_a_track_that_somebody_changed_is_not_handed_over(day, home):
    track = home / "shoot" / "tracks" / "lantern.wav"
    held = bytearray(track.read_bytes())
    held[-1] ^= 1
    track.write_bytes(held)
    (said,) = handed(day).findings
    assert "lantern.wav is not just as it was made" in said.message
    assert not (home / "shoot" / "handover").exists()


def test_a_clip_without_a_track_has_its_raw_take_to_be_heard(day, home):
    bare = replace(day.clips[0], conform=None, needs_marks=True)
    done = handed(replace(day, clips=(bare, day.clips[1])))
    (said,) = done.findings
    assert said.severity is Severity.LOOK
    assert said.message.startswith("1 of the clips has no track to hand over (lantern.mp4)")
    raws = stretches(timeline_of(home / "shoot" / "handover"), "Raw take")
    assert [raw.enabled for raw in raws] == [True, False]


def test_a_fault_in_the_page_leaves_nothing_half_written_and_is_said(day, home):
    def broken(*_told):
        raise ValueError("no")

    done = deliver(day, Wanted(Path("shoot/handover"), sheet=Path("shoot/sheet")), DayWriters(day_csv, broken))
    assert [said.code for said in done.findings] == [Code.NOT_DONE, Code.NOT_DONE]
    assert (done.timeline, done.sheet) == (None, None)
    assert not any((home / "shoot" / name).exists() for name in ("handover", "sheet"))


def test_the_table_has_a_row_a_clip(day, home):
    deliver(day, Wanted(sheet=Path("shoot/sheet")), WRITE)
    with (home / "shoot" / "sheet" / "day.csv").open(encoding="utf-8", newline="") as file:
        lantern, slipway = csv.DictReader(file)
    assert (lantern["clip"], lantern["status"], lantern["take"], lantern["track"]) == (
        "lantern.mp4", "ready", "rec-0041.flac", "lantern.wav",
    )  # fmt: skip
    facts = sidecar_facts(home / "shoot" / "tracks" / "slipway.wav")
    assert float(slipway["offset_s"]) == pytest.approx(facts["applied"]["offset_s"], abs=1e-6)
    assert float(slipway["yaw_deg"]) == pytest.approx(facts["applied"]["mount"]["yaw_deg"], abs=0.005)
    assert 0 < float(slipway["yaw_sd_deg"]) < 10
    assert (slipway["frame_rate"], slipway["performers_in_place"], slipway["performers"]) == ("30000/1001", "4", "4")
    assert "note: the microphone hung upside down" in slipway["findings"]


def test_what_was_written_is_told(day):
    done = deliver(day, Wanted(Path("shoot/handover"), sheet=Path("shoot/sheet")), WRITE)
    lines = delivered_lines(["table", "2 ready"], done)
    assert lines == [
        "table",
        f"Handed over in {Path('shoot/handover').absolute()}: day.otio, 2 tracks, day.csv and day.html.",
        f"The day on one page, to print or to send: {Path('shoot/sheet/day.html')}; as a table: day.csv beside it.",
        "2 ready",
    ]
    told = with_delivered({"findings": []}, done)
    assert told["handover"] == {
        "timeline": str(Path("shoot/handover/day.otio")),
        "tracks": [str(Path("shoot/handover") / name) for name in NAMES],
    }
    assert told["sheet"] == str(Path("shoot/sheet/day.html"))
    nothing = with_delivered({"findings": []}, deliver(day, Wanted(), WRITE))
    assert (nothing["handover"], nothing["sheet"]) == (None, None)


# --- names ---


@pytest.mark.parametrize(
    ("pattern", "names"),
    [
        ("<clip>_<take>_ambix.wav", NAMES),
        ("<day>_<clip>.wav", ["friday_lantern.wav", "friday_slipway.wav"]),
        ("<date> <clip>.WAV", ["undated lantern.wav", "undated slipway.wav"]),
    ],
)
def test_names_follow_the_pattern(day, pattern, names):
    assert NamePattern(pattern).names(day.clips, "friday") == names


def test_names_are_never_alike():
    """Clips that differ in case only, or in their suffix; and a name that something else has."""
    names = distinct(["lantern.wav", "LANTERN.wav", "lantern.wav", "CON.wav"], taken=["Lantern.wav"])
    assert names == ["lantern (2).wav", "LANTERN (3).wav", "lantern (4).wav", "_CON.wav"]


def test_a_clip_called_like_a_word_of_the_pattern_keeps_its_name(day):
    assert NamePattern("<clip>.wav").names([replace(day.clips[0], clip=Path("<take>.mov"))], "d") == ["<take>.wav"]


def test_other_recordings_are_handed_over_by_their_own_names(day, home):
    lavalier = home / "shoot" / "tracks" / "lantern.lav.wav"
    shutil.copy(home / "shoot" / "tracks" / "lantern.wav", lavalier)
    worn = OtherRecording(Path("shoot/lav.wav"), ClockLaw(1.0), 1e-4, "", output=Path("shoot/tracks/lantern.lav.wav"))
    done = handed(replace(day, clips=(replace(day.clips[0], other_recordings=(worn,)),)))
    assert [path.name for path in done.tracks] == [NAMES[0], "lantern_lav.wav"]
    (item,) = stretches(timeline_of(home / "shoot" / "handover"), "Other recording")
    assert item.media_reference.target_url == "lantern_lav.wav"


@pytest.mark.parametrize(
    ("pattern", "why"),
    [
        ("<clip>_<scene>.wav", r"has <scene>, and names are made of <clip>, <take>, <day>, <date>"),
        ("<clip>.aif", "does not end in .wav"),
        ("out/<clip>.wav", "names a folder"),
        ("<take>.wav", "has no <clip>, so it would give several tracks one name"),
    ],
)
def test_a_pattern_that_cannot_be_followed_is_refused(pattern, why):
    with pytest.raises(InputError, match=why):
        NamePattern(pattern)


# --- originals ---


def states(result):
    return {original.path.name: original.state.value for original in result.originals}


@pytest.mark.usefixtures("home")
def test_originals_that_are_as_they_were_are_said_to_be():
    result = check_originals(Path("shoot"))
    assert states(result) == dict.fromkeys(["lantern.mp4", "rec-0041.flac", "rec-0042.flac", "slipway.mov"], "same")
    assert result.findings == ()
    assert "all 4 are as they were when their tracks were made." in originals_lines(result)[-1]
    told = json.loads(json.dumps(originals_json(result)))
    assert told["originals"][0]["made_into"] == ["lantern.wav"]


def test_originals_that_changed_or_went_are_named(home):
    shoot = home / "shoot"
    clip = bytearray((shoot / "lantern.mp4").read_bytes())
    clip[-1] ^= 1
    (shoot / "lantern.mp4").write_bytes(clip)
    (shoot / "rec-0041.flac").unlink()
    (shoot / "rec-0042.flac").rename(shoot / "renamed.flac")
    shutil.copy(shoot / "slipway.mov", shoot / "late.mov")
    with (shoot / "slipway.mov").open("ab") as file:
        file.write(b"more")
    result = check_originals(Path("shoot"))
    assert states(result) == {
        "lantern.mp4": "changed", "rec-0041.flac": "gone", "rec-0042.flac": "gone", "slipway.mov": "changed",
        "late.mov": "unknown", "renamed.flac": "unknown",
    }  # fmt: skip
    said = {finding.where: (finding.severity.value, finding.message) for finding in result.findings}
    assert said["lantern.mp4"][0] == "fix"
    assert "bytes then and now, but not the same): copy it from the card again" in said["lantern.mp4"][1]
    assert "190933 now" in said["slipway.mov"][1]
    assert said["rec-0041.flac"] == (
        "fix",
        "rec-0041.flac is gone since lantern.wav was made from it, and no other file here has its content: copy it "
        "from the card again",
    )
    assert said["rec-0042.flac"] == (
        "look", "rec-0042.flac is called renamed.flac now, and is the same byte for byte",
    )  # fmt: skip
    assert said[""][1].startswith("no track was made from late.mov and renamed.flac")
    assert "0 of 4 are as they were" in "\n".join(originals_lines(result))


def cut_track(shoot, name="lavalier <ä>.wav", *, tells=True):
    """A lavalier, and a track that was cut from it, as a day writes them."""
    original = shoot / name
    soundfile.write(original, np.zeros(480), 48_000)
    track = shoot / "tracks" / f"lantern.{portable_name(original.stem)}.wav"
    parent = ParentFile(name, digest_of(original), original.stat().st_size) if tells else None
    with whole_file(track, Kind.TRACK) as temporary, TrackWriter(temporary, channels=1, parent=parent) as writer:
        writer.write(np.zeros((1, 480), dtype=np.float32))
    return original, track


def test_what_a_lavaliers_track_was_cut_from_is_an_original(home):
    original, track = cut_track(home / "shoot")
    result = check_originals(Path("shoot"))
    assert states(result)[original.name] == "same"
    assert (result.findings, result.originals[1].tracks) == ((), (track.name,))
    assert cut_from(track).name == original.name
    whole = original.read_bytes()
    original.write_bytes(whole[:-1] + b"x")
    assert states(check_originals(Path("shoot")))[original.name] == "changed"
    original.unlink()
    (said,) = check_originals(Path("shoot")).findings
    assert (said.severity, said.where) == (Severity.FIX, original.name)
    assert f"{original.name} is gone since {track.name} was made from it" in said.message
    # A track that somebody has worked on is no witness.
    with track.open("ab") as file:
        file.write(b"mine")
    (said,) = check_originals(Path("shoot")).findings
    assert (said.severity, said.where) == (Severity.LOOK, track.name)


def test_a_track_that_does_not_say_what_it_was_cut_from_is_named_itself(home):
    original, track = cut_track(home / "shoot", "lav.wav", tells=False)
    (said,) = check_originals(Path("shoot")).findings
    assert (said.severity, said.where) == (Severity.NOTE, track.name)
    assert "does not say what it was made from" in said.message
    assert states(check_originals(Path("shoot")))[original.name] == "unknown"


def test_a_track_of_a_lavalier_that_is_gone_is_said_at_handover(day, home):
    original, track = cut_track(home / "shoot", "lav.wav")
    handed_on = OtherRecording(original, ClockLaw(1.0), 1e-4, "", output=Path("shoot/tracks") / track.name)
    done = handed(replace(day, clips=(replace(day.clips[0], other_recordings=(handed_on,)),)))
    assert done.findings == ()
    original.unlink()
    (said,) = handed(day, force=True).findings
    assert (said.severity, said.where) == (Severity.LOOK, track.name)
    assert "tracks/lantern.lav.wav is not handed over: lav.wav, from which it was made, is gone" in said.message


@pytest.mark.usefixtures("home")
def test_a_cache_that_remembers_a_digest_is_not_asked(monkeypatch):
    """A disk that fails changes bytes and no date."""
    monkeypatch.setattr("spatial.media.cache.FeatureCache.digest", None)
    assert check_originals(Path("shoot")).findings == ()


def test_a_sidecar_that_somebody_changed_is_not_believed(home):
    sidecar = home / "shoot" / "tracks" / "lantern.json"
    sidecar.write_text(sidecar.read_text(encoding="utf-8").replace("lantern.mp4", "another.mp4"), encoding="utf-8")
    result = check_originals(Path("shoot"))
    assert states(result)["lantern.mp4"] == OriginalState.UNKNOWN
    assert [said.severity for said in result.findings] == [Severity.LOOK, Severity.NOTE]
    assert "tracks/lantern.json is not just as soundplumb wrote it" in result.findings[0].message


def test_marks_are_no_originals(home):
    (home / "shoot" / "lantern.marks.csv").unlink()
    assert check_originals(Path("shoot")).findings == ()


def test_where_nothing_tells_what_originals_were_that_is_said(home):
    shutil.rmtree(home / "shoot" / "tracks")
    with pytest.raises(MediaFileError, match="make the tracks first"):
        check_originals(Path("shoot"))
    with pytest.raises(MediaFileError, match="is not a folder"):
        check_originals(Path("nowhere"))


def test_a_finding_of_a_fault_in_the_take_is_kept_in_the_table(day):
    hole = Finding(Code.DROPOUT, Severity.FIX, "a hole at 3 s")
    faulty = replace(day.clips[0], findings=(hole, *day.clips[0].findings), health=(hole,))
    text = day_csv(replace(day, clips=(faulty,)), lambda _entry: "")
    (row,) = csv.DictReader(text.splitlines())
    assert (row["status"], row["track"]) == ("faulty_take", "")
    assert row["findings"].startswith("fix: a hole at 3 s | note: ")
