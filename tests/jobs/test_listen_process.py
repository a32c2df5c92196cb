"""A long take is listened to in another process: the same answer, its errors, its progress, and no process left."""

import dataclasses
import os
import pickle
import signal
from datetime import datetime

import numpy as np
import pytest
import soundfile

import spatial.jobs.sync.listen
import spatial.jobs.sync.listen_process
from spatial.capsules import Capsules
from spatial.errors import MediaFileError
from spatial.findings import Finding, Severity
from spatial.jobs.progress import silent
from spatial.jobs.sync.listen import listen_to_take
from spatial.jobs.sync.listen_process import listen_in_process
from spatial.jobs.sync.listen_take import listen_once
from spatial.media.takes.reader import Part
from spatial.media.takes.take import Declared, Take, open_take
from tests.scenes.open_air import shoot_open_air


@pytest.fixture
def take(tmp_path):
    return open_take(shoot_open_air(tmp_path).take)


@pytest.mark.slow
def test_it_hears_what_is_heard_here(take):
    told = []
    there = listen_in_process(take, lambda step, part: told.append((step, part)))
    here = listen_once(take, silent)
    assert np.array_equal(there.powers, here.powers)
    assert there.peak == here.peak
    assert told
    assert all(step == f"listening to {take.path.name}" and 0 <= part <= 1 for step, part in told)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["take.wav", "two\nlines.wav"])
def test_its_errors_are_those_of_the_take(take, name):
    take = open_take(take.path.rename(take.path.with_name(name)))
    longer = dataclasses.replace(take, samples=take.samples + 10, parts=())
    with pytest.raises(MediaFileError) as there:
        listen_in_process(longer, silent)
    with pytest.raises(MediaFileError) as here:
        listen_once(longer, silent)
    assert str(there.value) == str(here.value)


@pytest.mark.slow
def test_whatever_stops_the_work_here_stops_it_there(take, monkeypatch):
    started, real = [], spatial.jobs.sync.listen_process.subprocess.Popen

    def remembered(*args, **options):
        started.append(real(*args, **options))
        return started[-1]

    monkeypatch.setattr(spatial.jobs.sync.listen_process.subprocess, "Popen", remembered)

    def stop(_step, _part):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        listen_in_process(take, stop)
    (process,) = started
    assert process.returncode == -signal.SIGKILL


def test_where_no_process_can_be_started_it_is_heard_here(take, monkeypatch):
    def refuse(*_args, **_options):
        raise OSError("no")

    monkeypatch.setattr(spatial.jobs.sync.listen_process.subprocess, "Popen", refuse)
    monkeypatch.setattr(spatial.jobs.sync.listen, "WORTH_IT_S", 0.0)
    assert np.array_equal(listen_to_take(take, silent).powers, listen_once(take, silent).powers)


def test_where_the_process_goes_away_it_is_heard_here(take, monkeypatch):
    nowhere = "/bin/false" if os.name != "nt" else "where"
    monkeypatch.setattr(spatial.jobs.sync.listen_process.sys, "executable", nowhere)
    monkeypatch.setattr(spatial.jobs.sync.listen, "WORTH_IT_S", 0.0)
    assert np.array_equal(listen_to_take(take, silent).powers, listen_once(take, silent).powers)


@pytest.mark.slow
def test_a_take_in_several_files_of_capsules_in_a_wider_one_is_heard_alike(tmp_path, rng):
    """Every field of a take goes to the other process: what is picked and declared, a gap, files beside each other."""
    files = {}
    for name, samples in (("a1", 60_000), ("a2", 60_000), ("b1", 40_000), ("b2", 40_000)):
        files[name] = tmp_path / f"{name}.wav"
        soundfile.write(files[name], 0.1 * rng.standard_normal((samples, 3)), 48_000, subtype="PCM_24")
    take = Take(
        path=files["a1"], rate_hz=48_000, channels=6, samples=60_000 + 500 + 39_000, container="WAV", subtype="PCM_24",
        channel_format=Capsules(corrected=True), start_of_day_s=36_000.5, origination=datetime(2026, 11, 25, 10),
        parts=(
            Part(files["a1"], 60_000, beside=(files["a2"],)),
            Part(files["b1"], 39_000, skip=1_000, gap=500, beside=(files["b2"],)),
        ),
        findings=(Finding("dropout", Severity.LOOK, "500 samples were lost", "b1.wav"),),
        picked=(5, 1, 3, 0),
        declared=Declared("its names", None, None, capsules=(("FLU", 5), ("FRD", 1), ("BLD", 3), ("BRU", 0))),
        speaker_mask=0x3F,
    )  # fmt: skip
    assert pickle.loads(pickle.dumps(take)) == take
    there, here = listen_in_process(take, silent), listen_once(take, silent)
    assert np.array_equal(there.powers, here.powers)
    assert there.peak == here.peak
    other = listen_once(dataclasses.replace(take, picked=(0, 1, 2, 3)), silent)
    assert not np.array_equal(there.powers, other.powers)
