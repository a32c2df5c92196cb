"""One clip never ends the day, whatever fails in it; and what lies beside clips of one name is nobody's by guess."""

from pathlib import Path

import pytest

import spatial.jobs.day.day_folder
import spatial.jobs.day.day_matches
import spatial.jobs.day.day_tracks
import spatial.jobs.sync.listen
from spatial.errors import FaultError, InputError, OutputError
from spatial.findings import Severity, is_bad
from spatial.jobs.day.day_files import beside, result_names, shared_beside
from spatial.jobs.day.day_folder import in_doubt, run_day
from spatial.jobs.day.day_tracks import make_folder
from spatial.jobs.faults import as_fault
from spatial.jobs.rig import Rig
from spatial.report.day_report import day_lines
from tests.scenes.open_air import shoot_open_air


@pytest.fixture
def folder(tmp_path):
    shoot_open_air(tmp_path, scene=1, name="a.mov")
    shoot_open_air(tmp_path, scene=2, name="b.mov")
    return tmp_path


def test_a_mistake_of_ours_in_one_clip_is_its_finding(folder, monkeypatch, tmp_path_factory):
    """Wherever it is: in the match of one, in a take that is listened to, in what all clocks say."""
    reports = tmp_path_factory.mktemp("reports")
    monkeypatch.setattr("tempfile.tempdir", str(reports))
    match, hear = spatial.jobs.day.day_matches.match_takes, spatial.jobs.sync.listen.listen_once

    def match_but_a(clip, *arguments, **options):
        if clip.path.name == "a.mov":
            raise ZeroDivisionError("division by zero")
        return match(clip, *arguments, **options)

    def hear_but_a(take, progress):
        if take.path.name == "a-take.wav":
            raise IndexError("list index out of range")
        return hear(take, progress)

    def fail(_results):
        raise KeyError("clock")

    monkeypatch.setattr(spatial.jobs.day.day_matches, "match_takes", match_but_a)
    monkeypatch.setattr(spatial.jobs.sync.listen, "listen_once", hear_but_a)
    monkeypatch.setattr(spatial.jobs.day.day_folder, "settle_by_clocks", fail)
    result = run_day(folder, rig_for=lambda _clip: Rig())
    a, b = result.clips
    assert b.sync.take.path.name == "b-take.wav"
    ((finding),) = a.findings
    assert (a.sync, finding.severity, finding.where) == (None, Severity.FIX, "a.mov")
    assert "a.mov could not be done, by a mistake in soundplumb itself (ZeroDivisionError" in finding.message
    of_day = [said.message for said in result.findings if "mistake in soundplumb" in said.message]
    assert sorted(words.split(" could")[0] for words in of_day) == [
        "a-take.wav", "what the clocks of all clips say together",
    ]  # fmt: skip
    assert is_bad(result.findings)
    texts = [path.read_text(encoding="utf-8") for path in reports.glob("soundplumb-mistake-*.txt")]
    assert len(texts) == 3
    assert all("Traceback" in text for text in texts)
    lines = day_lines(result)
    assert "Traceback" not in "\n".join(lines)
    # What is said of the day stands apart from what is said of its last clip.
    at = lines.index("The day as a whole")
    assert lines[at - 1] == ""
    assert any("a-take.wav" in line for line in lines[at:])
    assert not any("a-take.wav" in line for line in lines[:at])


def test_what_we_name_goes_through_and_a_stop_stops():
    for error in (InputError("bad"), KeyboardInterrupt()):
        with pytest.raises(type(error)) as caught, as_fault("a.mov"):
            raise error
        assert caught.value is error
    with pytest.raises(FaultError, match=r"too little free memory for a\.mov"), as_fault("a.mov"):
        raise MemoryError


def test_without_room_for_a_report_the_place_is_named(monkeypatch):
    def no_room(*_arguments, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.mkstemp", no_room)
    with (
        pytest.raises(FaultError, match=r"\(ValueError: odd\); send us this: test_day_faults\.py, line \d+"),
        as_fault("a.mov"),
    ):
        raise ValueError("odd")


@pytest.mark.parametrize(
    ("clips", "names"),
    [
        (["a.mov", "b.mp4"], ["a", "b"]),
        (["s.mov", "s.mp4"], ["s.mov", "s.mp4"]),
        (["s.mov", "s.mov.mp4", "s.mp4"], ["s.mov", "s.mov.mp4", "s.mp4"]),
        (["s.mov", "s.mov.mp4"], ["s", "s.mov"]),
        (["A.mov", "a.mov"], ["A.mov", "a.mov (2)"]),
        (["A.mov", "a.mp4"], ["A.mov", "a.mp4"]),
        (["e\u0301.mov", "\u00e9.mp4"], ["e\u0301.mov", "\u00e9.mp4"]),
        (["a?.mov", "a*.mov"], ["a_.mov", "a_.mov (2)"]),
        (["con.mov"], ["_con"]),
        (["index.html.mov"], ["index.html.mov"]),
    ],
)
def test_no_two_clips_share_a_name(clips, names):
    told = result_names([Path(name) for name in clips], taken=["index.html"])
    assert list(told.values()) == names


@pytest.mark.slow
def test_three_clips_of_nearly_one_name_have_a_track_each(folder):
    """s.mov, s.mov.mp4 and s.mp4: with --force the later track replaced the earlier one, in one run."""
    (folder / "b.mov").unlink()
    (folder / "b-take.wav").unlink()
    (folder / "a.mov").rename(folder / "s.mov")
    for name in ("s.mov.mp4", "s.mp4"):
        # A box that says nothing, another in each: what holds the very same is a copy, and done once.
        box = b"\0\0\0\x0cfree" + name[-4:].encode()[:2] + bytes([len(name), 0])
        (folder / name).write_bytes((folder / "s.mov").read_bytes() + box)
    head = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"
    (folder / "s.marks.csv").write_text(head + "Odile,0.5,5,0,0,2\n", encoding="utf-8")
    asked = []

    def conform(result, track, _asked, **_options):
        asked.append((result.clip.path.name, track.name))
        raise InputError("not asked for")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spatial.jobs.day.day_tracks, "conform_match", conform)
        result = run_day(folder, rig_for=lambda _clip: Rig(), force=True)
    # One scene in three files: its marks hold for those that are called s.
    assert asked == [("s.mov", "s.mov.wav"), ("s.mp4", "s.mp4.wav")]
    assert ["has no marks" in entry.findings[-1].message for entry in result.clips] == [False, True, False]


@pytest.mark.slow
def test_marks_that_may_be_anothers_are_used_for_neither(folder):
    """Two scenes, a.mov and a.mp4, and one a.marks.csv: whose, is asked, not guessed."""
    (folder / "b.mov").rename(folder / "a.mp4")
    head = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"
    (folder / "a.marks.csv").write_text(head + "Odile,0.5,5,0,0,2\n", encoding="utf-8")
    result = run_day(folder, rig_for=lambda _clip: Rig())
    for entry in result.clips:
        assert entry.conform is None
        (said,) = [finding for finding in entry.findings if "may belong to" in finding.message]
        assert said.severity is Severity.LOOK
        assert f"call it {entry.clip.name}.marks.csv" in said.message
    assert not (folder / "tracks").exists()
    clips = [entry.clip for entry in result.clips]
    syncs = {entry.clip: entry.sync for entry in result.clips}
    (folder / "a.marks.csv").rename(folder / "a.mov.marks.csv")
    assert [beside(clip, "marks").name for clip in clips] == ["a.mov.marks.csv", "a.marks.csv"]
    assert [shared_beside(clip, clips, "marks") for clip in clips] == [[], []]
    assert [in_doubt(clip, syncs, clips, "marks") for clip in clips] == [None, None]


def test_what_lies_where_the_results_are_to_go_is_said_with_what_to_do(tmp_path):
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    (tmp_path / "link").symlink_to(tmp_path / "gone")
    for name, what in (("file", "is a file"), ("link", "is a link that leads nowhere")):
        with pytest.raises(OutputError, match=f"{name} {what}, .*; move it elsewhere"):
            make_folder(tmp_path / name)
    with pytest.raises(OutputError, match=r"cannot be made .*; make it yourself"):
        make_folder(tmp_path / "no" / "such")
