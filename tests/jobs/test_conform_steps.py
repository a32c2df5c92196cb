"""The conform job where a clock jumped: every piece of the take in its place, and no click where two meet."""

import json

import numpy as np
import pytest
import soundfile

import spatial.jobs.sync.sync_clip
from spatial.jobs.conform.conform_clip import conform_clip
from spatial.jobs.track_request import TrackRequest
from spatial.rotation import YawPitchRoll
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw, ClockStep
from tests.scenes.open_air import lag_s, shoot_open_air
from tests.scenes.stage import RATE

pytestmark = pytest.mark.slow

LEVEL = YawPitchRoll(0.0, 0.0, 0.0)
FRAMES, CLIP_S, BEFORE_S = 350, 14.0, 2.0
AT_S = 7.0
IN_PLACE_S = 1e-3  # an ear does not notice a millisecond (ITU-R BT.1359-1 starts at 45)


def lose(take, at_s, seconds):
    """Cut a stretch out of a take, as a recorder does that drops a buffer; negative: put hiss in."""
    data, rate = soundfile.read(take, always_2d=True)
    first, count = round(at_s * rate), round(abs(seconds) * rate)
    if seconds > 0:
        data = np.delete(data, np.s_[first : first + count], axis=0)
    else:
        hiss = 1e-3 * np.random.default_rng(1).standard_normal((count, data.shape[1]))
        data = np.concatenate([data[:first], hiss, data[first:]])
    soundfile.write(take, data, rate, subtype="FLOAT")


def assert_in_place(track, sound, spans_s, *, within_s=IN_PLACE_S):
    for start_s, stop_s in spans_s:
        part = slice(round(start_s * RATE), round(stop_s * RATE))
        assert abs(lag_s(track[0, part], sound[part])) < within_s, (start_s, stop_s)
        alike = np.corrcoef(track[0, part], sound[part])[0, 1]
        assert alike > 0.9 or abs(lag_s(track[0, part], sound[part])) > 1 / RATE


def assert_no_click(track, at_s, seconds=1.5):
    """Around a join no sample differs from the one before by more than samples do elsewhere."""
    jumps = np.abs(np.diff(track[0]))
    join = slice(round((at_s - seconds) * RATE), round((at_s + seconds) * RATE))
    elsewhere = np.delete(jumps, join)
    assert jumps[join].max() <= 1.05 * elsewhere.max()


def conform_it(air, folder):
    result = conform_clip(air.clip, [air.take], folder / "track.wav", TrackRequest(mount=LEVEL))
    track, _ = soundfile.read(result.output, always_2d=True)
    return result, track.T


@pytest.mark.parametrize(("lost_s", "scene"), [(0.04, 3)])
def test_a_lost_stretch_is_mended(tmp_path, lost_s, scene):
    """Sync measures it, conform cuts by it."""
    air = shoot_open_air(tmp_path, scene=scene, frames=FRAMES)
    lose(air.take, BEFORE_S + AT_S, lost_s)
    result, track = conform_it(air, tmp_path)
    assert track.shape == (4, round(CLIP_S * RATE)) == (4, result.samples)
    (step,) = result.law.steps
    assert step.step_s == pytest.approx(-lost_s, abs=IN_PLACE_S)
    assert AT_S - 1.0 < step.clip_time_s < AT_S + lost_s + 1.0
    assert_in_place(track, air.sound, [(0.0, 3.0), (3.0, AT_S - 1.0), (AT_S + lost_s + 1.0, 11.0), (11.0, CLIP_S)])
    assert_no_click(track, step.clip_time_s)
    facts = json.loads(result.output.with_suffix(".json").read_text(encoding="utf-8"))
    assert facts["applied"]["steps"] == [{"clip_time_s": step.clip_time_s, "step_s": step.step_s}]
    (said,) = [finding.message for finding in result.findings if finding.code == "clock_step"]
    assert "clip-take.wav lost" in said
    # The proof hears the mended track as one piece.
    assert result.proof.step.matched
    assert abs(result.proof.step.law.offset_s) < IN_PLACE_S


@pytest.fixture
def conform_told(tmp_path, monkeypatch):
    """Shoot, cut, and conform by the law as it is, so that only the cutting is on trial."""

    def run(losses, *, drift_ppm=0.0, rate_hz=RATE):
        air = shoot_open_air(tmp_path, frames=FRAMES, take_ppm=drift_ppm, take_rate_hz=rate_hz)
        ratio = 1 + drift_ppm * 1e-6
        for at_s, lost_s in sorted(losses, reverse=True):  # the last one first: it must not be moved by others
            lose(air.take, (BEFORE_S + at_s) * ratio, lost_s * ratio)
        steps = tuple(ClockStep(at_s, -lost_s * ratio) for at_s, lost_s in sorted(losses))
        law = ClockLaw(air.law.offset_s, drift_ppm, steps)
        told = SyncEstimate(True, "", law, 1e-4, 0.01, None, law)
        monkeypatch.setattr(spatial.jobs.sync.sync_clip, "sync_listened", lambda *_args, **_options: told)
        return air, *conform_it(air, tmp_path)

    return run


@pytest.mark.parametrize(
    ("losses", "drift_ppm", "rate_hz"),
    [
        ([(7.0, 0.7)], 37.0, 44_100),
        ([(4.0, 0.04), (9.0, 0.7)], 0.0, 96_000),
        ([(4.0, 0.0107), (9.0, -0.1), (11.0, 0.04)], -20.0, 48_000),  # in the middle it put something in
    ],
)
def test_pieces_lie_where_the_law_says(conform_told, losses, drift_ppm, rate_hz):
    air, _, track = conform_told(losses, drift_ppm=drift_ppm, rate_hz=rate_hz)
    assert track.shape == (4, round(CLIP_S * RATE))
    edges = [0.0, *(edge for at_s, lost_s in losses for edge in (at_s, at_s + max(lost_s, 0.0))), CLIP_S]
    spans = [(a + 0.01, b - 0.01) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    # Half a sample of the take and half of the track are all that rounding leaves, 22 us at 44.1 kHz.
    assert_in_place(track, air.sound, spans, within_s=25e-6)
    for at_s, _ in losses:
        assert_no_click(track, at_s, 0.02)


@pytest.mark.parametrize("losses", [[(7.0, 0.04), (7.004, 0.02)], [(0.001, 0.04), (13.9999, 0.04)]])
def test_steps_close_together_or_at_an_end_keep_the_length(conform_told, losses):
    air, _, track = conform_told(losses)
    assert track.shape == (4, round(CLIP_S * RATE))
    assert_in_place(track, air.sound, [(0.2, 6.9), (7.2, 13.8)])
    assert np.isfinite(track).all()


@pytest.mark.parametrize("lost_s", [0.7])
def test_what_was_lost_is_not_filled_with_what_was_said_before(conform_told, lost_s):
    """Where the recorder holds nothing, nothing may be heard twice: a word repeated is worse than a rest."""
    air, _, track = conform_told([(7.0, lost_s)])
    gap = track[0, round(7.01 * RATE) : round((7.0 + lost_s - 0.01) * RATE)]
    before = air.sound[round((7.01 - lost_s) * RATE) :][: gap.size]
    likeness = float(gap @ before) / float(np.linalg.norm(gap) * np.linalg.norm(before) + 1e-9)
    assert abs(likeness) < 0.5
