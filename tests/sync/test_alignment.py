"""From two recordings to a clock law, or to an honest no."""

import numpy as np
import pytest
import soxr

from spatial.dsp.samples import ArraySamples
from spatial.sync.alignment import _too_weak, estimate_sync
from spatial.sync.coarse import find_candidates
from spatial.sync.envelope import WORKING_RATE_HZ, EnvelopeBuilder

RATE = WORKING_RATE_HZ


def babble(rng, seconds):
    """Noise that comes and goes like syllables, coloured like a voice."""
    count = int(seconds * RATE)
    syllables = np.repeat(rng.uniform(0, 1, count // 1600 + 1) ** 3, 1600)[:count]
    coloured = np.convolve(rng.standard_normal(count), [1.0, 0.9, 0.5], mode="same")
    return syllables * coloured


def envelope(channels):
    builder = EnvelopeBuilder()
    for start in range(0, channels.shape[1], 5000):
        builder.push(channels[:, start : start + 5000].astype(np.float32))
    return builder.finish()


def sync(clip, take):
    clip = np.atleast_2d(clip).astype(np.float32)
    field = np.stack([take, 0.3 * take, 0.1 * take, 0.9 * take]).astype(np.float32)
    candidates = find_candidates(envelope(clip), envelope(field[:1]))
    return estimate_sync(ArraySamples(clip, RATE), ArraySamples(field, RATE), candidates)


def take_of(true, *, start_s, ppm):
    """The true sound recorded from start_s by a clock that runs ppm fast."""
    return soxr.resample(true[int(start_s * RATE) :], RATE, RATE * (1 + ppm * 1e-6), quality="VHQ")


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [-1000.0, -60.0, 0.0, 35.0, 1000.0])
@pytest.mark.parametrize("early_s", [5.0, -3.0])
def test_both_signs_of_offset_and_drift(rng, ppm, early_s):
    """early_s > 0: the take runs before the clip starts, offset_s is positive."""
    true = babble(rng, 60)
    clip_start, take_start = 10.0, 10.0 - early_s
    estimate = sync(true[int(clip_start * RATE) :][: 40 * RATE], take_of(true, start_s=take_start, ppm=ppm))
    assert estimate.matched
    assert estimate.law.offset_s == pytest.approx(early_s * (1 + ppm * 1e-6), abs=50e-6)
    assert estimate.law.drift_ppm == pytest.approx(ppm, abs=0.5)
    assert estimate.drift_significant == (ppm != 0.0)


@pytest.mark.slow
@pytest.mark.parametrize("shift", [137, 16_000])
def test_shifting_the_take_shifts_the_offset(rng, shift):
    true = babble(rng, 30)
    clip = true[5 * RATE : 25 * RATE]
    first = sync(clip, true)
    later = sync(clip, np.concatenate([0.01 * rng.standard_normal(shift), true]))
    assert later.law.offset_s - first.law.offset_s == pytest.approx(shift / RATE, abs=20e-6)


@pytest.mark.slow
@pytest.mark.parametrize("gain", [1e-3, 30.0])
def test_gain_does_not_matter(rng, gain):
    true = babble(rng, 30)
    clip = true[5 * RATE : 25 * RATE]
    assert sync(gain * clip, true).law.offset_s == pytest.approx(sync(clip, true).law.offset_s, abs=2e-6)


@pytest.mark.slow
@pytest.mark.parametrize("wiring", ["one channel inverted", "both inverted"])
def test_inverted_camera_channels_still_match(rng, wiring):
    true = babble(rng, 30)
    clip = true[5 * RATE : 25 * RATE]
    stereo = np.stack([clip, -clip]) if wiring == "one channel inverted" else np.stack([-clip, -clip])
    estimate = sync(stereo, true)
    assert estimate.matched
    assert estimate.law.offset_s == pytest.approx(5.0, abs=50e-6)


@pytest.mark.slow
def test_noise_is_survived(rng):
    true = babble(rng, 60)
    clip = true[10 * RATE : 50 * RATE]
    noisy = clip + np.std(clip) * rng.standard_normal(clip.size)  # 0 dB
    estimate = sync(noisy, true)
    assert estimate.matched
    assert abs(estimate.law.offset_s - 10.0) < 3 * estimate.offset_sd_s


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_unrelated_sound_never_matches(seed):
    rng = np.random.default_rng(seed)
    estimate = sync(babble(rng, 40), babble(rng, 60))
    assert not estimate.matched
    assert estimate.law is None
    assert estimate.offset_sd_s is None
    assert estimate.reason


@pytest.mark.parametrize(
    "dull",
    [
        np.zeros(20 * RATE),
        np.ones(20 * RATE),
        np.sin(2 * np.pi * 50 * np.arange(20 * RATE) / RATE),
        np.sin(2 * np.pi * 1000 * np.arange(20 * RATE) / RATE),
    ],
    ids=["silence", "DC", "hum", "tone"],
)
def test_sound_that_never_changes_never_matches(rng, dull):
    assert not sync(dull, babble(rng, 30)).matched
    assert not sync(babble(rng, 20), dull).matched
    assert not sync(dull, dull).matched


@pytest.mark.slow
def test_too_short_an_overlap_is_no_match(rng):
    true = babble(rng, 40)
    estimate = sync(true[: 20 * RATE], true[18 * RATE :])
    assert not estimate.matched


def test_a_clip_shorter_than_a_second_is_no_match(rng):
    true = babble(rng, 20)
    assert not sync(true[5 * RATE : 5 * RATE + 9000], true).matched


def test_part_of_the_clip_is_enough(rng):
    true = babble(rng, 60)
    estimate = sync(true[: 40 * RATE], true[25 * RATE :])
    assert estimate.matched
    assert estimate.law.offset_s == pytest.approx(-25.0, abs=60e-6)


def test_steady_law_agrees_where_the_line_is_surest(rng):
    true = babble(rng, 40)
    estimate = sync(true[5 * RATE : 35 * RATE], true)
    middle = 15.0
    assert estimate.steady.take_from_clip(middle) == pytest.approx(estimate.law.take_from_clip(middle), abs=50e-6)
    assert estimate.applied_law == estimate.steady


def test_a_refusal_has_one_yardstick_whichever_likeness_it_speaks_of():
    """Loudness, waves and both together each have a limit of their own; 9.99 of 10 is not enough, and says so."""
    # The words alone: scores that close to the bar come from no sound for sure.
    assert "where their waves agree best, they reach 9 of the 10 points needed" in _too_weak("their waves", 9.99, 10.0)
    assert "they reach 5 of the 10 points needed" in _too_weak("the rises and falls of their sound", 4.0, 8.0)
