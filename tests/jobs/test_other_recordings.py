"""Lavaliers in a day's folder: never taken for takes, in step with the track to a part of a sample, done once."""

import json

import numpy as np
import pytest
import soundfile

from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.day.day_folder import run_day
from spatial.jobs.day.other_recordings import split_recordings
from spatial.jobs.day.suggest_marks import suggest_marks
from spatial.jobs.handover.originals import check_originals
from spatial.jobs.rig import Rig
from spatial.media.ownership import Kind, is_ours
from spatial.media.tables import read_open_marks
from spatial.mount.prior import Hanging, MountPrior
from spatial.report.day_report import day_json, day_lines
from spatial.report.json_output import dumps
from tests.scenes.open_air import lag_s, shoot_open_air

RATE = 48_000
FRAMES = 300
EARLY_S = 0.006
"""How much earlier the lavalier hears its wearer: 2 m."""
LATE_S = 1.0
"""How much later it was switched on."""


def day_of(folder, **more):
    prior = MountPrior(hanging=Hanging.UPRIGHT)
    return run_day(folder, rig_for=lambda _clip: Rig((0.02, 0.0, 0.0)), prior=prior, **more)


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """A clip, its take, marks, a lavalier of it, and one of another day."""
    folder = tmp_path_factory.mktemp("lavaliers")
    air = shoot_open_air(folder, frames=FRAMES)
    marks = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nOdile,0.5,5,35,10,2\n"
    (folder / "clip.marks.csv").write_text(marks, encoding="utf-8")
    hiss = 1e-4 * np.random.default_rng(8).standard_normal(air.sound.size)
    lavalier = (air.sound + hiss)[round((LATE_S + EARLY_S) * RATE) :]
    soundfile.write(folder / "lav-anna.wav", lavalier, RATE, subtype="PCM_24")
    other = shoot_open_air(tmp_path_factory.mktemp("elsewhere"), scene=7, frames=FRAMES)
    soundfile.write(folder / "lav-of-another-day.wav", other.sound, RATE, subtype="PCM_24")
    return folder, air, day_of(folder)


@pytest.mark.slow
def test_a_lavalier_lies_beside_the_track_in_step_with_it(shot):
    folder, air, day = shot
    (entry,) = day.clips
    told = {one.path.name: one for one in entry.other_recordings}
    anna = told["lav-anna.wav"]
    assert anna.law.offset_s == pytest.approx(-(LATE_S + EARLY_S), abs=5e-5)
    assert anna.covered_s == (pytest.approx(LATE_S + EARLY_S, abs=1e-3), pytest.approx(air.duration_s, abs=0.01))
    assert anna.output == folder / "tracks" / "clip.lav-anna.wav"
    written, rate = soundfile.read(anna.output, always_2d=True)
    assert (written.shape, rate) == ((FRAMES * RATE // 25, 1), RATE)
    assert not written[: round(0.9 * RATE)].any()
    track, _ = soundfile.read(folder / "tracks" / "clip.wav")
    both = slice(2 * RATE, 10 * RATE)
    assert abs(lag_s(written[both, 0], track[both, 0])) < 5e-5
    assert is_ours(anna.output, Kind.TRACK)


@pytest.mark.slow
def test_one_of_another_day_is_placed_nowhere_and_said_once(shot):
    _, _, day = shot
    (entry,) = day.clips
    (stranger,) = [one for one in entry.other_recordings if one.path.name == "lav-of-another-day.wav"]
    assert (stranger.law, stranger.output) == (None, None)
    assert [(found.code, found.severity) for found in day.findings if found.where == stranger.path.name] == [
        ("other_recording", Severity.NOTE)
    ]
    assert [path.name for path in day.unused_takes] == ["lav-of-another-day.wav"]


@pytest.mark.slow
def test_it_stands_in_the_json_and_in_the_words(shot):
    _, _, day = shot
    json.loads(dumps(day_json(day)))
    (anna, _) = day_json(day)["clips"][0]["other_recordings"]
    assert (anna["matched"], anna["inverted"]) == (True, False)
    assert any("lav-anna.wav heard it from 1.0 s to 12.0 s of it" in line for line in day_lines(day))


@pytest.mark.slow
def test_done_again_it_is_left_as_it_lies_there(shot, monkeypatch):
    folder, _, day = shot
    written = folder / "tracks" / "clip.lav-anna.wav"
    before = written.stat().st_mtime_ns
    monkeypatch.setattr("spatial.jobs.day.other_recordings.line_up", None)  # nothing is measured
    (entry,) = day_of(folder).clips
    anna = entry.other_recordings[0]
    assert written.stat().st_mtime_ns == before
    assert (anna.output, anna.law) == (written, day.clips[0].other_recordings[0].law)
    assert not [finding for finding in entry.findings if finding.code == "already_there"]


@pytest.mark.slow
def test_what_somebody_has_changed_is_left_and_said(shot):
    folder, _, _ = shot
    written = folder / "tracks" / "clip.lav-anna.wav"
    whole = written.read_bytes()
    try:
        written.write_bytes(whole + b"mine")
        (entry,) = day_of(folder).clips
        assert written.read_bytes() == whole + b"mine"
        assert any("clip.lav-anna.wav was there before and has been left" in found.message for found in entry.findings)
    finally:
        written.write_bytes(whole)


@pytest.mark.slow
def test_what_cannot_be_replaced_belongs_to_its_clip_all_the_same(shot):
    folder, _, _ = shot
    written = folder / "tracks" / "clip.lav-anna.wav"
    whole = written.read_bytes()
    try:
        written.write_bytes(whole + b"mine")
        day = day_of(folder, force=True)
    finally:
        written.write_bytes(whole)
    (entry,) = day.clips
    anna = entry.other_recordings[0]
    assert (anna.law is not None, anna.output) == (True, None)
    (said,) = (found for found in entry.findings if found.code == "not_done")
    assert "not replaced even with --force" in said.message
    assert [found.where for found in day.findings if found.code == "other_recording"] == ["lav-of-another-day.wav"]
    assert any("lav-anna.wav heard it" in line and "as is said of the clip" in line for line in day_lines(day))


@pytest.mark.slow
def test_one_that_cannot_be_read_is_said_of_the_day_and_not_of_the_clip(shot):
    folder, air, before = shot
    broken = folder / "lav-broken.wav"
    sound = air.sound.astype(np.float32)
    sound[sound.size // 2] = np.nan
    soundfile.write(broken, sound, RATE, subtype="FLOAT")
    try:
        day = day_of(folder)
    finally:
        broken.unlink()
    assert day.clips[0].findings == before.clips[0].findings
    (said,) = (found for found in day.findings if found.where == broken.name)
    assert (said.code, said.severity) == ("unusable_file", Severity.LOOK)


@pytest.mark.slow
def test_it_is_an_original_of_its_track(shot):
    folder, _, _ = shot
    told = {original.path.name: original for original in check_originals(folder).originals}
    assert (told["lav-anna.wav"].state, told["lav-anna.wav"].tracks) == ("same", ("clip.lav-anna.wav",))
    assert told["lav-of-another-day.wav"].state == "unknown"


@pytest.mark.slow
def test_a_clip_without_marks_gets_moments_to_mark(tmp_path):
    shoot_open_air(tmp_path, frames=FRAMES)
    rig = Rig()
    day = suggest_marks(run_day(tmp_path, rig_for=lambda _clip: rig), rig_for=lambda _clip: rig)
    moments = read_open_marks(tmp_path / "clip.moments.csv")
    # All that sounds comes from one place.
    assert {moment.who for moment in moments} == {"place 1"}
    assert 1 <= len(moments) <= 2
    assert all(1.5 <= moment.end_s - moment.start_s <= 5.0 and moment.end_s <= 12.0 for moment in moments)
    (entry,) = day.clips
    assert "clip.moments.csv suggests" in entry.findings[-1].message
    before = (tmp_path / "clip.moments.csv").read_bytes()
    (entry,) = suggest_marks(day, rig_for=lambda _clip: rig).clips
    assert (tmp_path / "clip.moments.csv").read_bytes() == before
    assert "has been left as it is" in entry.findings[-1].message


def _files(folder, sounds, name):
    for number, sound in enumerate(sounds, start=1):
        soundfile.write(folder / f"{name}_{number}.wav", sound, RATE, subtype="PCM_24")
    return sorted(folder.glob("*.wav"))


def _words(rng):
    gain = np.repeat(rng.random(40) < 0.6, RATE // 4)
    return 0.2 * gain * rng.standard_normal(10 * RATE)


def test_four_lavaliers_named_alike_are_no_ambisonic_take(tmp_path, rng):
    voices = [_words(rng) for _ in range(4)]
    # Each hears the others 6 to 9 ms late, and 20 dB down.
    lavaliers = [
        sum((1.0 if p == q else 0.1) * np.roll(v, 0 if p == q else 300 + 40 * abs(p - q)) for p, v in enumerate(voices))
        for q in range(4)
    ]
    paths = _files(tmp_path, lavaliers, "rec")
    take = tmp_path / "take.wav"
    soundfile.write(take, np.stack([voices[0]] * 4, axis=1), RATE, subtype="PCM_24")
    split = split_recordings([*paths, take], ChannelFormat.AMBIX)
    assert split.takes == (take,)
    assert [other.path for other in split.others] == paths


def test_the_four_files_of_one_microphone_are_its_take(tmp_path, rng):
    one, other = _words(rng), _words(rng)
    field = [one + other, 0.7 * one - 0.5 * other, 0.1 * one, 0.6 * one + 0.8 * other]
    noise = 1e-4 * rng.standard_normal((4, one.size))
    paths = _files(tmp_path, np.array(field) + noise, "rec")
    split = split_recordings(paths, ChannelFormat.AMBIX)
    assert (split.takes, split.others) == (tuple(paths), ())


def test_where_there_is_no_take_at_all_the_files_stay_what_messages_are_about(tmp_path, rng):
    (path,) = _files(tmp_path, [_words(rng)], "boom")
    assert split_recordings([path], ChannelFormat.AMBIX).takes == (path,)
