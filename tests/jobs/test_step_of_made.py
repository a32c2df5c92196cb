"""The proof of a track that was just cut: at lag 0 where it holds throughout, by a search wherever it may not."""

import numpy as np
import pytest
import soundfile

import spatial.jobs.verify
from spatial.field import ChannelFormat
from spatial.jobs.conform.conform_clip import conform_clip
from spatial.jobs.progress import silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.listen import listen_to_all
from spatial.jobs.sync.sync_clip import match_takes, open_shoot
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import step_of_made, step_of_track
from spatial.media.takes.take import open_take
from spatial.rotation import YawPitchRoll
from tests.scenes.open_air import shoot_open_air
from tests.scenes.stage import RATE

pytestmark = pytest.mark.slow


def moved(sound, first_s, by_s):
    """The same from a time on, later by so much; what it leaves behind is silent."""
    first, by = round(first_s * RATE), round(by_s * RATE)
    return np.concatenate([sound[:first], np.zeros((by, sound.shape[1])), sound[first : len(sound) - by]])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    air = shoot_open_air(folder, frames=350)
    track = folder / "track.wav"
    conform_clip(air.clip, [air.take], track, TrackRequest(mount=YawPitchRoll(0.0, 0.0, 0.0)))
    return air, track, soundfile.read(track, always_2d=True)[0]


@pytest.fixture
def searches(monkeypatch):
    """How often a track was searched."""
    found = []

    def search(*arguments, **options):
        found.append(True)
        return step_of_track(*arguments, **options)

    monkeypatch.setattr(spatial.jobs.verify, "step_of_track", search)
    return found


def proof(air, track, searches):
    clip, takes, _ = open_shoot(air.clip, [air.take], ChannelFormat.AMBIX)
    with listen_to_all(clip, takes, silent) as (sound, heard, listened, _):
        result = match_takes(clip, sound, heard, listened)
        take = open_take(track)
        quick = step_of_made(result, take, (sound, heard), rig=Rig())
        count = len(searches)
        return quick, step_of_track(clip, take, (sound, heard), rig=Rig()), count


def test_a_right_cut_is_proved_as_the_search_proves_it(made, searches):
    air, track, _ = made
    quick, searched, count = proof(air, track, searches)
    assert count == 0
    assert abs(quick.law.offset_s - searched.law.offset_s) < 0.1 * searched.offset_sd_s
    assert abs(quick.law.drift_ppm - searched.law.drift_ppm) < 0.1 * searched.drift_sd_ppm
    assert quick.offset_sd_s == pytest.approx(searched.offset_sd_s, rel=0.05)


@pytest.mark.parametrize(("first_s", "by_s"), [(0.0, 0.3), (6.0, 1.0), (8.0, 0.2)])
def test_what_was_moved_is_searched(made, searches, tmp_path, first_s, by_s):
    air, _, sound = made
    wrong = tmp_path / "wrong.wav"
    soundfile.write(wrong, moved(sound, first_s, by_s), RATE, subtype="PCM_24")
    quick, searched, count = proof(air, wrong, searches)
    assert count == 1
    assert quick.matched == searched.matched
    assert quick.law == searched.law


def test_a_cut_late_by_a_frame_is_measured_at_once(made, searches, tmp_path):
    air, _, sound = made
    late = tmp_path / "late.wav"
    soundfile.write(late, moved(sound, 0.0, 0.02), RATE, subtype="PCM_24")
    quick, _, _ = proof(air, late, searches)
    assert quick.law.offset_s == pytest.approx(0.02, abs=1e-3)
