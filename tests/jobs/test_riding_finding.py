"""A riding gain is a note: in sync once a clip, in day once a day, and nowhere where the gain stands."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
import soxr

from demo_audio.write_movie import write_movie
from spatial.findings import Severity
from spatial.jobs.day.day_folder import run_day
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_findings import match_findings, riding_findings, riding_over_day
from spatial.report.day_report import all_findings
from spatial.report.json_output import sync_json
from tests.sync.test_camera_gain import RATE, STANDS, heard

RIDES = replace(STANDS, range_db=18.0)


def result(riding_db):
    return SimpleNamespace(clip=SimpleNamespace(path=Path("pier.mov")), riding_db=riding_db)


def shoot(folder, **cameras):
    """Write a movie by each camera, and the take of each."""
    for number, (name, camera) in enumerate(cameras.items()):
        clip, take = heard(np.random.default_rng([7, number]), camera)
        audio, field = (soxr.resample(sound.data.T, RATE, 48_000) for sound in (clip, take))
        picture = np.zeros((32, 64, 3), dtype=np.uint8)
        frames = (picture for _ in range(clip.length * 25 // RATE))
        write_movie(folder / f"{name}.mov", frames=frames, frame_rate=Fraction(25), audio=audio.T,
                    audio_codec="pcm_s16le", video_codec="mpeg4")  # fmt: skip
        soundfile.write(folder / f"rec-{name}.wav", field, 48_000, "PCM_24")
    return folder


@pytest.mark.parametrize(("riding_db", "named"), [(None, False), (0.0, False), (7.9, False), (8.0, True), (18.3, True)])
def test_from_where_on_it_is_named(riding_db, named):
    findings = riding_findings(result(riding_db))
    assert [(f.code, f.severity) for f in findings] == [("riding_gain", Severity.NOTE)] * named


def test_the_note_says_how_much_and_that_nothing_need_be_done():
    (note,) = riding_findings(result(18.3))
    assert "over about 18 dB" in note.message
    assert "nothing need be done" in note.message


def test_a_day_says_it_once():
    (note,) = riding_over_day([result(18.3), result(None), result(11.6), result(2.0)])
    assert "12 to 18 dB in 2 of 4 clips" in note.message
    (note,) = riding_over_day([result(18.3), result(18.2)])
    assert "over about 18 dB in 2 of 2 clips" in note.message
    assert riding_over_day([result(2.0), result(None)]) == []
    assert riding_over_day([]) == []


@pytest.mark.slow
def test_sync_names_the_gain_that_rides_and_no_other_and_the_day_says_it_once(tmp_path):
    shoot(tmp_path, ride=RIDES, still=STANDS)
    day = run_day(tmp_path, rig_for=lambda _clip: Rig())
    ride = next(entry.sync for entry in day.clips if entry.clip.name == "ride.mov")
    assert ride.riding_db == pytest.approx(18.0, abs=6.0)
    assert [f.code for f in match_findings(ride)].count("riding_gain") == 1
    assert sync_json(ride)["riding_gain_db"] == ride.riding_db
    assert [entry.sync.estimate.matched for entry in day.clips] == [True, True]
    said = [f.message for f in all_findings(day) if f.code == "riding_gain"]
    assert len(said) == 1
    assert "in 1 of 2 clips" in said[0]
