"""Marks and moves whose name fits no clip of a day: a slip is asked about, what may be another clip's is a note.

The names of clips are invented, after how crews and cameras number theirs: common practice, no source.
"""

import pytest

from spatial.jobs.day.day_files import stray_findings


def said(folder, *names, clips=("slipway.mov",)):
    for name in (*names, *clips):
        (folder / name).touch()
    return [(str(one.severity), one.message) for one in stray_findings(folder, [folder / clip for clip in clips])]


@pytest.mark.parametrize(
    "name",
    [
        "sliway.marks.csv", "slippway.marks.csv", "slpiway.marks.csv", "slipwsy.marks.csv", "Slipway.marks.csv",
        "slipway.mark.csv", "slipway_marks.csv", "slipway.marks (1).csv", "slipway.marks.csv.csv",
        "slipway marks.csv.txt",
        "sliway.mov.marks.csv", "slip way.marks.csv",
    ],
)  # fmt: skip
def test_a_slip_is_asked_about(tmp_path, name):
    assert said(tmp_path, name) == [
        ("look", f"{name} fits no clip in this folder, so it is not used; did you mean slipway.marks.csv?")
    ]


def test_moves_are_looked_after_too(tmp_path):
    ((severity, message),) = said(tmp_path, "sliway.moves.csv", "slipway.marks.csv")
    assert (severity, "did you mean slipway.moves.csv?" in message) == ("look", True)


def test_a_leading_zero_is_a_slip(tmp_path):
    ((severity, _),) = said(tmp_path, "scene1.marks.csv", clips=["scene01.mov", "scene02.mov"])
    assert severity == "look"


@pytest.mark.parametrize(
    ("name", "clips"),
    [
        ("scene3.marks.csv", ["scene1.mov", "scene2.mov"]),
        ("scene12.marks.csv", ["scene1.mov"]),
        ("A001_C003.marks.csv", ["A001_C002.mov", "A001_C004.mov"]),
        ("B001_C002.marks.csv", ["A001_C002.mov"]),
        ("harbourA.marks.csv", ["harbourB.mov"]),
        ("harbour.marks.csv", ["harbourB.mov"]),
        ("harbour_b.marks.csv", ["harbour_a.mov"]),
        ("scene3b.marks.csv", ["scene3a.mov", "scene3.mov"]),
        ("dawn.marks.csv", ["down.mov"]),
        ("boat.marks.csv", ["goat.mov"]),
        ("harbour night.marks.csv", ["harbour day.mov"]),
        ("lantern.marks.csv", ["slipway.mov"]),
    ],
)
def test_what_may_be_another_clips_is_a_note(tmp_path, name, clips):
    assert said(tmp_path, name, clips=clips) == [("note", f"{name} fits no clip in this folder, so it is not used")]


def test_marks_of_a_clip_that_was_done_here_and_taken_away_are_a_note(tmp_path):
    (tmp_path / "tracks").mkdir()
    (tmp_path / "tracks" / "sliway.json").touch()
    ((severity, _),) = said(tmp_path, "sliway.marks.csv")
    assert severity == "note"


def test_a_second_download_beside_marks_that_are_used_is_a_note(tmp_path):
    assert said(tmp_path, "slipway.marks.csv", "slipway.marks (1).csv") == [
        ("note", "slipway.marks (1).csv is not used: the marks of slipway.mov are slipway.marks.csv")
    ]


def test_where_two_clips_may_be_meant_none_is_named(tmp_path):
    clips = ["slipway1.mov", "slipway1.mp4"]
    ((severity, message),) = said(tmp_path, "sliway1.marks.csv", clips=clips)
    assert (severity, "did you mean" in message) == ("note", False)


@pytest.mark.parametrize(
    "name",
    [
        "slipway.marks.csv", "slipway.mov.marks.csv", "slipway.moves.csv", "slipway.moments.csv", "landmarks.csv",
        "day.csv", "notes.txt", "._sliway.marks.csv",
    ],
)  # fmt: skip
def test_what_is_used_or_no_marks_file_is_not_spoken_of(tmp_path, name):
    assert said(tmp_path, name) == []
