"""Work on several clips at once: each is done once, whatever becomes of the processes that do it."""

import os
import signal
import time
from pathlib import Path

import pytest

from spatial.jobs.day.both_cores import on_both_cores
from spatial.jobs.day.day_progress import DayProgress


def square(task, progress):
    progress(f"squaring {task}", 0.5)
    return task * task, os.getpid()


def dies_elsewhere(task, progress):
    del progress
    if task == 2 and os.environ.get("DIES_FOR") == str(os.getppid()):
        os.kill(os.getpid(), signal.SIGKILL)
    return task, os.getpid()


def slow(task, progress):
    del progress
    try:
        time.sleep(60.0 if task else 0.0)
    finally:
        with Path(os.environ["TIDY"]).open("a") as file:
            file.write(f"{task}\n")
    return task


def quiet(number, step, part):
    del number, step, part


@pytest.mark.slow
@pytest.mark.parametrize("worth_it", [False, True])
def test_each_task_is_done_once_and_told_of(worth_it):
    told = []
    done = dict(on_both_cores([3, 4, 5], square, lambda *words: told.append(words), worth_it=worth_it))
    assert {number: answer[0] for number, answer in done.items()} == {0: 9, 1: 16, 2: 25}
    assert {answer[1] == os.getpid() for answer in done.values()} == {not worth_it}
    assert sorted({words[:2] for words in told}) == [(0, "squaring 3"), (1, "squaring 4"), (2, "squaring 5")]


@pytest.mark.slow
def test_what_a_worker_died_of_is_done_here(monkeypatch):
    monkeypatch.setenv("DIES_FOR", str(os.getpid()))
    done = dict(on_both_cores([1, 2, 3, 4], dies_elsewhere, quiet, worth_it=True))
    assert sorted(answer[0] for answer in done.values()) == [1, 2, 3, 4]
    assert done[1][1] == os.getpid()


@pytest.mark.slow
def test_who_is_stopped_stops_the_others_and_they_tidy_up(monkeypatch, tmp_path):
    monkeypatch.setenv("TIDY", str(tmp_path / "tidy"))
    began = time.monotonic()
    work = on_both_cores([0, 1, 2], slow, quiet, worth_it=True)
    assert next(work) == (0, 0)
    time.sleep(1.0)
    work.close()
    assert time.monotonic() - began < 50.0
    assert sorted((tmp_path / "tidy").read_text().split()) == ["0", "1", "2"]


def test_progress_by_clip_with_the_time_that_is_left(monkeypatch, tmp_path):
    now = [100.0]
    monkeypatch.setattr("spatial.jobs.day.day_progress.time.monotonic", lambda: now[0])
    shown, lines = [], []
    clips = [tmp_path / f"{name}.mov" for name in "abc"]
    told = DayProgress("done", dict.fromkeys(clips, 60.0), lambda *words: shown.append(words), lines.append)
    told.working(clips[0], "a.mov: writing", 0.2)
    now[0] += 90.0
    told.done(clips[0], "ready")
    told.working(clips[1], "b.mov: writing", 0.2)
    now[0] += 90.0
    told.done(clips[1], "needs marks")
    told.done(clips[2], "ready")
    assert shown == [
        ("clip 1 of 3: a.mov: writing", 0.0),
        ("clip 2 of 3: b.mov: writing, about 3 min left", pytest.approx(1 / 3)),
    ]
    assert lines == [
        "done 1 of 3: a.mov; ready; about 3 min left",
        "done 2 of 3: b.mov; needs marks; about 2 min left",
        "done 3 of 3: c.mov; ready",
    ]


def test_a_clip_that_cannot_be_read_does_not_tell_how_long_the_others_take(monkeypatch, tmp_path):
    now = [100.0]
    monkeypatch.setattr("spatial.jobs.day.day_progress.time.monotonic", lambda: now[0])
    lines = []
    empty, *clips = (tmp_path / f"{name}.mov" for name in ("empty", "a", "b"))
    told = DayProgress("matched", {empty: 0.0, clips[0]: 60.0, clips[1]: 60.0}, log=lines.append)
    now[0] += 12.0
    told.done(empty)
    now[0] += 80.0
    told.done(clips[0])
    assert lines == ["matched 1 of 3: empty.mov", "matched 2 of 3: a.mov; about 2 min left"]


def test_of_one_clip_nothing_is_counted(tmp_path):
    lines = []
    told = DayProgress("done", {tmp_path / "a.mov": 60.0}, log=lines.append)
    told.done(tmp_path / "a.mov", "ready")
    assert lines == []
