"""A day as words: where each clip stands, the worst first, and how many stand where."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_result import DayClip, DayResult, Status, worst_first
from spatial.report.day_report import day_json, day_lines, summary_line

NOTE = Finding(Code.UPSIDE_DOWN, Severity.NOTE, "it hung upside down")
LOOK = Finding(Code.MARK_OFF, Severity.LOOK, "a mark is off")
HOLE = Finding(Code.DROPOUT, Severity.FIX, "there is a hole")


def clip(name, *, matched=True, made=True, **more):
    estimate = SimpleNamespace(matched=matched, law=None)
    sync = SimpleNamespace(estimate=estimate, true_estimate=estimate)
    return DayClip(Path(name), sync, SimpleNamespace() if made else None, **{"findings": (), **more})


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({}, "ready"),
        ({"findings": (NOTE,)}, "ready"),
        ({"findings": (NOTE, LOOK)}, "needs_look"),
        ({"made": False}, "needs_look"),
        ({"made": False, "findings": (LOOK,), "needs_marks": True}, "needs_marks"),
        # A hole in the take is there whether somebody makes marks or not.
        ({"made": False, "findings": (LOOK, HOLE), "health": (HOLE,), "needs_marks": True}, "faulty_take"),
        ({"findings": (HOLE,), "health": (HOLE,)}, "faulty_take"),
        ({"matched": False, "made": False, "findings": (HOLE,)}, "no_take"),
        ({"made": False, "busy": True, "findings": (HOLE,)}, "being_done"),
    ],
)
def test_where_a_clip_stands(more, status):
    assert clip("a.mov", **more).status == status


def test_a_clip_that_cannot_be_read_is_to_be_looked_at():
    assert DayClip(Path("a.mov"), None, None, (HOLE,)).status == "needs_look"


@pytest.mark.parametrize(
    ("clips", "decided"),
    [
        ([clip("a.mov", matched=False, made=False)], False),
        ([DayClip(Path("a.mov"), None, None, (HOLE,))], False),
        ([clip("a.mov", matched=False, made=False), clip("b.mov", made=False, needs_marks=True)], True),
        ([clip("a.mov", findings=(HOLE,))], True),
        ([DayClip(Path("a.mov"), None, None, (NOTE,), no_take=True)], True),
        ([DayClip(Path("a.mov"), None, None, (HOLE,), busy=True)], True),
    ],
)
def test_a_day_of_which_nothing_can_be_told_is_undecided(clips, decided):
    assert DayResult(Path("friday"), tuple(clips), (), ()).decided is decided


def test_the_worst_comes_first_and_the_last_line_counts():
    clips = [clip(f"{n:02d}.mov") for n in range(14)]
    clips += [clip(f"{n}.mov", made=False, needs_marks=True, findings=(LOOK,)) for n in "bc"]
    clips += [
        clip("d.mov", matched=False, made=False),
        clip("e.mov", findings=(LOOK,)),
        clip("f.mov", findings=(HOLE,)),
    ]
    day = DayResult(Path("friday"), tuple(clips), (), ())
    names = [entry.clip.name for entry in worst_first(clips)]
    assert names[:6] == ["d.mov", "f.mov", "e.mov", "b.mov", "c.mov", "00.mov"]
    assert summary_line(day) == "14 ready, 2 need marks, 1 needs a look, 1 must be mended, 1 has no take"
    assert day.summary[Status.BEING_DONE] == 0


def test_the_words_and_the_json_of_clips_without_takes():
    day = DayResult(Path("friday"), (DayClip(Path("a.mov"), None, None, (LOOK,)),), (), (LOOK,))
    lines = day_lines(day)
    assert lines[0].split("  ")[0] == "clip"
    assert lines[2].startswith("a.mov  needs a look  none")
    at = lines.index("The day as a whole")
    assert lines[at - 1] == ""
    assert lines[-1] == "1 needs a look"
    (told,) = day_json(day)["clips"]
    assert (told["status"], told["take"], told["mount"], told["track"]) == ("needs_look", None, None, None)
    assert day_json(day)["summary"] == {
        "faulty_take": 0, "no_take": 0, "needs_look": 1, "needs_marks": 0, "being_done": 0, "ready": 0,
    }  # fmt: skip
