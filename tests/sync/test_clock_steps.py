"""Clock steps found in whole recordings, from envelope to law: where, how large, and none where there is none.

The limits: the place of a step within a second, its size within a millisecond.
"""

from functools import cache

import numpy as np
import pytest
import soxr

from spatial.dsp.samples import ArraySamples
from spatial.sync.alignment import estimate_sync
from spatial.sync.coarse import find_candidates
from spatial.sync.envelope import WORKING_RATE_HZ
from tests.scenes.hearing import bursts_of_noise, envelope, field_of

pytestmark = pytest.mark.slow

RATE = WORKING_RATE_HZ
CLIP_START_S, CLIP_S = 6.0, 60.0
OFFSET_S = 4.0
WITHIN_S, SIZE_S = 1.0, 1e-3


@cache
def bursts(scene):
    """Eighty seconds of bursts, shape (samples,); do not write into it."""
    return bursts_of_noise(80.0, np.random.default_rng((20261126, scene)))


def clip_of(scene):
    first = round(CLIP_START_S * RATE)
    return bursts(scene)[first : first + round(CLIP_S * RATE)].copy()


def take_of(scene, ppm=0.0):
    """From OFFSET_S before the clip to a few seconds after it, by a clock that runs ppm fast."""
    whole = bursts(scene)[round((CLIP_START_S - OFFSET_S) * RATE) :]
    return soxr.resample(whole, RATE, RATE * (1 + ppm * 1e-6), quality="VHQ") if ppm else whole.copy()


def without(signal, at_s, seconds):
    """A recording that lost a stretch."""
    first = round(at_s * RATE)
    return np.delete(signal, np.s_[first : first + round(seconds * RATE)])


def heard_in_a_room(signal, rng, *, snr_db=15.0, reverb_s=0.3):
    """With a tail and a hiss of its own."""
    time = np.arange(int(reverb_s * RATE)) / RATE
    tail = rng.standard_normal(time.size) * 10 ** (-3 * time / reverb_s)
    tail *= 0.5 / np.linalg.norm(tail)
    tail[0] = 1.0
    wet = np.convolve(signal, tail)[: signal.size]
    return wet + rng.standard_normal(signal.size) * np.std(wet) * 10 ** (-snr_db / 20)


def sync(clip, take):
    clip, field = np.atleast_2d(clip).astype(np.float32), field_of(take).astype(np.float32)
    powers = envelope(clip), envelope(field[:1])
    estimate = estimate_sync(
        ArraySamples(clip, RATE), ArraySamples(field, RATE), find_candidates(*powers), powers=powers
    )
    assert estimate.matched, estimate.reason
    return estimate


def assert_steps(estimate, expected, *, lost_s=0.0, ppm=0.0):
    """`expected` are (clip time, size); what the recorder lost, lost_s, leaves it open where in it the step is."""
    assert len(estimate.steps) == len(expected), estimate.steps
    for step, (at_s, size_s) in zip(estimate.steps, expected, strict=True):
        assert at_s - WITHIN_S < step.clip_time_s < at_s + lost_s + WITHIN_S
        assert step.step_s == pytest.approx(size_s, abs=SIZE_S)
        assert abs(step.step_s - size_s) < max(5 * step.sd_s, 0.1e-3)
    assert estimate.law.offset_s == pytest.approx(OFFSET_S * (1 + ppm * 1e-6), abs=0.5e-3)
    assert estimate.law.drift_ppm == pytest.approx(ppm, abs=10.0)
    # Both ends of the clip are in place, whatever lies between.
    end = CLIP_S - 1.0
    truth = OFFSET_S + end + ppm * 1e-6 * (OFFSET_S + end) + sum(size for _, size in expected)
    assert estimate.law.take_from_clip(end) == pytest.approx(truth, abs=1e-3)


@pytest.mark.parametrize(
    ("lost_s", "at_s"),
    [(1.5e-3, 30.0), (2.7e-3, 52.0), (5e-3, 30.0), (10.7e-3, 33.0), (40e-3, 52.0), (700e-3, 12.0)],
)
def test_what_the_recorder_lost(lost_s, at_s):
    """Buffers of 128 (2.7 ms) and 512 samples (10.7 ms) at 48 kHz, a frame, most of a second, and what lies between."""
    lost_s = round(lost_s * RATE) / RATE
    estimate = sync(clip_of(1), without(take_of(1), OFFSET_S + at_s, lost_s))
    assert_steps(estimate, [(at_s, -lost_s)], lost_s=lost_s)


@pytest.mark.parametrize(("lost_s", "ppm"), [(10.7e-3, -60.0), (700e-3, 60.0)])
def test_what_the_recorder_lost_while_its_clock_drifts(lost_s, ppm):
    lost_s = round(lost_s * RATE) / RATE
    estimate = sync(clip_of(2), without(take_of(2, ppm), (OFFSET_S + 25.0) * (1 + ppm * 1e-6), lost_s))
    assert_steps(estimate, [(25.0, -lost_s)], lost_s=lost_s, ppm=ppm)


@pytest.mark.parametrize(("lost_s", "at_s"), [(0.04, 15.0), (0.5, 40.0)])
def test_what_the_camera_lost(at_s, lost_s):
    """A frame or half a second gone from the clip: from there on the take is further on."""
    estimate = sync(without(clip_of(3), at_s, lost_s), take_of(3))
    assert_steps(estimate, [(at_s, lost_s)])


@pytest.mark.parametrize("more_s", [0.02])
def test_what_the_recorder_put_in(rng, more_s):
    """A buffer written twice, or a gap filled with noise: take time is further on, as if the camera had lost it."""
    take = take_of(4)
    first = round((OFFSET_S + 30.0) * RATE)
    filling = 0.02 * rng.standard_normal(round(more_s * RATE))
    estimate = sync(clip_of(4), np.concatenate([take[:first], filling, take[first:]]))
    assert_steps(estimate, [(30.0, more_s)])


@pytest.mark.parametrize(("first_s", "second_s"), [(10.7e-3, 40e-3), (700e-3, 10.7e-3)])
def test_two_steps_in_one_clip(first_s, second_s):
    first_s, second_s = (round(size * RATE) / RATE for size in (first_s, second_s))
    # The later one first: what is lost before a place moves it.
    take = without(without(take_of(5), OFFSET_S + 42.0, second_s), OFFSET_S + 18.0, first_s)
    assert_steps(sync(clip_of(5), take), [(18.0, -first_s), (42.0, -second_s)], lost_s=max(first_s, second_s))


@pytest.mark.parametrize("lost_s", [0.04])
def test_the_recorder_loses_and_later_the_camera_does(lost_s):
    """Also as much as the recorder lost: for the 20 s between, the law is another one."""
    take = without(take_of(6), OFFSET_S + 20.0, 0.04)
    assert_steps(sync(without(clip_of(6), 40.0, lost_s), take), [(20.0, -0.04), (40.0, lost_s)], lost_s=0.04)


@pytest.mark.parametrize("lost_s", [2.7e-3, 40e-3])
def test_what_was_lost_in_a_room_with_noise(rng, lost_s):
    lost_s = round(lost_s * RATE) / RATE
    clip, take = heard_in_a_room(clip_of(7), rng), heard_in_a_room(take_of(7), rng)
    estimate = sync(clip, without(take, OFFSET_S + 30.0, lost_s))
    assert len(estimate.steps) == 1, estimate.steps
    assert 29.0 < estimate.steps[0].clip_time_s < 31.0 + lost_s
    assert estimate.steps[0].step_s == pytest.approx(-lost_s, abs=SIZE_S)


@pytest.mark.parametrize(("scene", "ppm"), [(8, -1000.0), (8, 0.0), (9, 60.0)])
def test_no_step_where_there_is_none(scene, ppm):
    assert sync(clip_of(scene), take_of(scene, ppm)).steps == ()


@pytest.mark.parametrize(("scene", "snr_db"), [(10, 15.0), (11, 0.0)])
def test_no_step_in_a_room_with_noise(rng, scene, snr_db):
    clip = heard_in_a_room(clip_of(scene), rng, snr_db=snr_db)
    assert sync(clip, heard_in_a_room(take_of(scene, 20.0), rng)).steps == ()


@pytest.mark.parametrize("seconds", [8.0])
def test_another_sound_for_a_while_is_no_step(seconds):
    """Somebody talks into the camera, unheard by the recorder: afterwards all is as before."""
    clip = clip_of(12)
    first, count = round(25.0 * RATE), round(seconds * RATE)
    clip[first : first + count] = bursts(13)[:count]
    assert sync(clip, take_of(12)).steps == ()


@pytest.mark.parametrize("seconds", [10.0])
def test_a_quiet_while_is_no_step(rng, seconds):
    clip, take = clip_of(14), take_of(14)
    clip[round(20 * RATE) : round((20 + seconds) * RATE)] *= 0.0
    take[round((OFFSET_S + 20) * RATE) : round((OFFSET_S + 20 + seconds) * RATE)] *= 0.0
    assert sync(clip + 1e-4 * rng.standard_normal(clip.size), take + 1e-4 * rng.standard_normal(take.size)).steps == ()
