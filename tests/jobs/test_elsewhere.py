"""A long take is listened to in another process: the same answer, its errors, its progress, and no process left."""

import dataclasses
import os
import signal

import numpy as np
import pytest

import spatial.jobs.elsewhere
import spatial.jobs.listening
from spatial.errors import MediaFileError
from spatial.jobs.elsewhere import hear_elsewhere
from spatial.jobs.listening import listen_to_take
from spatial.jobs.onetake import hear_take
from spatial.jobs.progress import silent
from spatial.media.takes import open_take
from tests.openair import shoot_open_air


@pytest.fixture
def take(tmp_path):
    return open_take(shoot_open_air(tmp_path).take)


def test_it_hears_what_is_heard_here(take):
    told = []
    there = hear_elsewhere(take, lambda step, part: told.append((step, part)))
    here = hear_take(take, silent)
    assert np.array_equal(there.powers, here.powers)
    assert there.peak == here.peak
    assert told
    assert all(step == f"listening to {take.path.name}" and 0 <= part <= 1 for step, part in told)


@pytest.mark.parametrize("name", ["take.wav", "two\nlines.wav"])
def test_its_errors_are_those_of_the_take(take, name):
    take = open_take(take.path.rename(take.path.with_name(name)))
    longer = dataclasses.replace(take, samples=take.samples + 10, parts=())
    with pytest.raises(MediaFileError) as there:
        hear_elsewhere(longer, silent)
    with pytest.raises(MediaFileError) as here:
        hear_take(longer, silent)
    assert str(there.value) == str(here.value)


def test_whatever_stops_the_work_here_stops_it_there(take, monkeypatch):
    started, real = [], spatial.jobs.elsewhere.subprocess.Popen

    def remembered(*args, **options):
        started.append(real(*args, **options))
        return started[-1]

    monkeypatch.setattr(spatial.jobs.elsewhere.subprocess, "Popen", remembered)

    def stop(_step, _part):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        hear_elsewhere(take, stop)
    (process,) = started
    assert process.returncode == -signal.SIGKILL


def test_where_no_process_can_be_started_it_is_heard_here(take, monkeypatch):
    def refuse(*_args, **_options):
        raise OSError("no")

    monkeypatch.setattr(spatial.jobs.elsewhere.subprocess, "Popen", refuse)
    monkeypatch.setattr(spatial.jobs.listening, "WORTH_IT_S", 0.0)
    assert np.array_equal(listen_to_take(take, silent).powers, hear_take(take, silent).powers)


def test_where_the_process_goes_away_it_is_heard_here(take, monkeypatch):
    monkeypatch.setattr(spatial.jobs.elsewhere.sys, "executable", "/bin/false" if os.name != "nt" else "where")
    monkeypatch.setattr(spatial.jobs.listening, "WORTH_IT_S", 0.0)
    assert np.array_equal(listen_to_take(take, silent).powers, hear_take(take, silent).powers)
