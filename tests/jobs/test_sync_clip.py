"""The sync job on real files: picture time, the container's doubt, and which take it was.

Sounds travel through open air, so that the truth is exact; 0.5 ms is what sync is held to.
"""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.errors import InputError, MediaFileError
from spatial.findings import Severity
from spatial.jobs.progress import silent
from spatial.jobs.sync.listen import listen_to_all
from spatial.jobs.sync.sync_clip import match_takes, sync_clip
from spatial.media.movies.clip import open_clip
from spatial.media.takes.take import open_take
from tests.scenes.open_air import shoot_open_air
from tests.scenes.stage import RATE

GOAL_S = 0.5e-3


def codes(result):
    return [finding.code for finding in result.findings]


@pytest.fixture(scope="module")
def two_scenes(tmp_path_factory):
    """Two performances, each with its clip and its take."""
    folder = tmp_path_factory.mktemp("scenes")
    return [shoot_open_air(folder, scene=scene, name=f"scene{scene}.mov", frames=201) for scene in (1, 2)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "movie"),
    [
        ("clip.mov", {}),
        ("clip.mov", {"audio_start_s": 0.4137}),
        ("clip.mp4", {"audio_codec": "aac"}),
        ("clip.mp4", {"audio_codec": "aac", "audio_start_s": 0.9001}),
        ("clip.mkv", {"audio_codec": "flac", "frame_rate": Fraction(30000, 1001)}),
    ],
)
@pytest.mark.parametrize("take_from_s", [-2.3456])
def test_the_offset_is_on_picture_time(tmp_path, name, movie, take_from_s):
    """However late the clip's own sound starts, the take is placed against the first picture."""
    air = shoot_open_air(tmp_path, name=name, take_from_s=take_from_s, **movie)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.matched
    assert result.law.take_from_clip(3.0) == pytest.approx(3.0 - take_from_s, abs=GOAL_S)
    assert result.estimate.law.offset_s == pytest.approx(air.law.offset_s, abs=GOAL_S)
    assert abs(result.estimate.law.offset_s - air.law.offset_s) < 3 * result.estimate.offset_sd_s


def test_the_phase_of_the_sound_goes_into_the_offset(tmp_path):
    """Told another phase, the offset moves by just as much: 10 ms is far over the noise of repeated runs, 0."""
    air = shoot_open_air(tmp_path)
    clip, takes = open_clip(air.clip), [open_take(air.take)]
    with listen_to_all(clip, takes, silent) as (sound, heard, listened, _):
        on_time = match_takes(clip, sound, heard, listened)
        moved = replace(clip, scratch=replace(clip.scratch, phase_s=clip.scratch.phase_s + 0.010))
        later = match_takes(moved, sound, heard, listened)
    # The clip's sound lies 10 ms later on clip time, so the take started 10 ms less before the picture.
    assert later.estimate.law.offset_s - on_time.estimate.law.offset_s == pytest.approx(-0.010, abs=1e-7)
    assert later.estimate.steady.offset_s - on_time.estimate.steady.offset_s == pytest.approx(-0.010, abs=1e-7)


@pytest.mark.slow
def test_doubt_about_the_start_widens_the_uncertainty_and_is_said(tmp_path):
    """A movie that does not declare its encoder's priming: one AAC frame, 1024 samples, anywhere within."""
    air = shoot_open_air(tmp_path, name="clip.mp4", audio_codec="aac", edit_list=False)
    clip, takes = open_clip(air.clip), [open_take(air.take)]
    doubt_s = 1024 / RATE
    assert clip.scratch.start_doubt_s == pytest.approx(doubt_s)
    with listen_to_all(clip, takes, silent) as (sound, heard, listened, _):
        doubtful = match_takes(clip, sound, heard, listened)
        certain = match_takes(replace(clip, scratch=replace(clip.scratch, start_doubt_s=0.0)), sound, heard, listened)
    # Uniform over +-doubt: variance doubt^2 / 3.
    expected = np.hypot(certain.estimate.offset_sd_s, doubt_s / np.sqrt(3))
    assert doubtful.estimate.offset_sd_s == pytest.approx(expected, rel=1e-9)
    assert certain.estimate.offset_sd_s < 1e-3
    (finding,) = [f for f in doubtful.findings if f.code == "lip_sync"]
    assert finding.severity is Severity.LOOK
    assert "up to 21 ms" in finding.message
    assert "check lips by eye" in finding.message
    assert "lip_sync" not in codes(certain)
    assert abs(doubtful.estimate.law.offset_s - air.law.offset_s) < doubt_s + GOAL_S


@pytest.mark.slow
@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_the_right_take_wins_and_the_others_are_listed(two_scenes, order):
    first, second = two_scenes
    result = sync_clip(first.clip, [two_scenes[index].take for index in order])
    assert result.take.path == first.take
    assert result.estimate.matched
    ((other, estimate),) = result.others
    assert other.path == second.take
    assert not estimate.matched
    assert "ambiguous_match" not in codes(result)


def test_the_wrong_take_alone_is_no_match(two_scenes):
    first, second = two_scenes
    result = sync_clip(first.clip, [second.take])
    assert not result.estimate.matched
    assert result.estimate.law is None
    assert result.estimate.offset_sd_s is None
    (finding,) = result.findings
    assert (finding.code, finding.severity) == ("no_match", Severity.FIX)
    assert "scene2-take.wav does not belong to scene1.mov" in finding.message
    with pytest.raises(InputError, match="do not match"):
        _ = result.law


@pytest.mark.slow
def test_a_copy_of_the_take_is_ambiguous(two_scenes, tmp_path):
    first, _ = two_scenes
    copy = tmp_path / "backup.wav"
    copy.write_bytes(first.take.read_bytes())
    result = sync_clip(first.clip, [first.take, copy])
    (finding,) = [f for f in result.findings if f.code == "ambiguous_match"]
    assert "backup.wav" in finding.message
    assert finding.severity is Severity.LOOK


@pytest.mark.slow
@pytest.mark.parametrize(
    ("from_s", "until_s", "said"),
    [
        (1.0, 2.0, "from 1.00 s to 6.04 s of 6.04 s"),
        (-2.0, -1.5, "from 0.00 s to 4.54 s of 6.04 s"),
        (-2.0, 2.0, None),
    ],
)
def test_the_part_that_is_covered_is_said(tmp_path, from_s, until_s, said):
    air = shoot_open_air(tmp_path, take_from_s=from_s, take_until_s=until_s)
    result = sync_clip(air.clip, [air.take])
    assert result.covered_s == pytest.approx((max(0.0, from_s), min(6.04, 6.04 + until_s)), abs=1e-3)
    messages = [f.message for f in result.findings if f.code == "partly_covered"]
    assert (said is None) == (messages == [])
    if said:
        assert said in messages[0]


@pytest.mark.slow
@pytest.mark.parametrize(("ppm", "word"), [(300.0, "fast"), (-300.0, "slow")])
def test_drift_is_said_in_words(tmp_path, ppm, word):
    air = shoot_open_air(tmp_path, take_ppm=ppm, frames=301)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.law.drift_ppm == pytest.approx(ppm, abs=3 * result.estimate.drift_sd_ppm + 1.0)
    assert result.law.drift_ppm == result.estimate.law.drift_ppm
    (message,) = [f.message for f in result.findings if f.code == "drift"]
    assert f"runs {word} against the camera's" in message
    assert "3.6 ms over this clip" in message  # 300 ppm of 12.04 s


@pytest.mark.parametrize("which", ["clip", "take"])
def test_silence_is_no_match_and_says_whose(tmp_path, which):
    air = shoot_open_air(tmp_path, name="scene.wav")
    path = air.clip if which == "clip" else air.take
    sound, rate = soundfile.read(path, always_2d=True)
    soundfile.write(path, 1e-6 * sound, rate, subtype="FLOAT")
    result = sync_clip(air.clip, [air.take])
    assert not result.estimate.matched
    assert f"{path.name} is silent" in result.findings[0].message


def test_too_short_an_overlap_is_no_match(tmp_path):
    air = shoot_open_air(tmp_path, take_from_s=4.0)
    result = sync_clip(air.clip, [air.take])
    assert not result.estimate.matched


def test_a_clip_without_sound_is_an_error(tmp_path, two_scenes):
    clip = tmp_path / "mute.mp4"
    picture = np.zeros((32, 64, 3), dtype=np.uint8)
    write_movie(clip, frames=[picture] * 5, frame_rate=Fraction(25), video_codec="mpeg4")
    with pytest.raises(MediaFileError, match=r"mute\.mp4 has no sound"):
        sync_clip(clip, [two_scenes[0].take])
