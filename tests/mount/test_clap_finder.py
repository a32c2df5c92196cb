"""Claps among other sounds: found where they are, and nothing else taken for one."""

import numpy as np
import pytest

from spatial.mount.clap_walk import ClapFinder
from tests.scenes.stage import RATE, plucked, recorded_words, speech


def clap(rng, strength=1.0):
    time = np.arange(RATE // 20) / RATE
    return strength * rng.standard_normal(time.size) * np.exp(-time / 0.004)


def scene(rng, times_s, seconds=12.0, strength=1.0, noise=1e-3):
    sound = noise * rng.standard_normal(round(seconds * RATE))
    for time_s in times_s:
        piece = clap(rng, strength)
        sound[round(time_s * RATE) :][: piece.size] += piece
    return sound


def found(sound, block=65_536, rate=RATE):
    finder = ClapFinder(rate)
    for first in range(0, sound.size, block):
        finder.push(sound[first : first + block])
    return [each.time_s for each in finder.finish()]


def test_claps_are_found_to_a_few_milliseconds(rng):
    times = [0.7, 2.1034, 4.5, 9.87]
    np.testing.assert_allclose(found(scene(rng, times)), times, atol=0.005)  # hops of 2.5 ms


@pytest.mark.parametrize("block", [1000, 48_000, 10_000_000])
def test_blocks_make_no_difference(rng, block):
    sound = scene(rng, [1.0, 3.0, 5.0])
    assert found(sound, block) == found(sound, 7777)


def test_another_rate_tells_the_same_times(rng):
    sound = scene(rng, [1.0, 3.0])
    np.testing.assert_allclose(found(np.repeat(sound, 2), rate=2 * RATE), [1.0, 3.0], atol=0.005)


@pytest.mark.slow
def test_a_reverberant_room_leaves_them(rng):
    """A tail of RT60 0.6 s that holds as much energy as the clap itself."""
    time = np.arange(round(0.6 * RATE)) / RATE
    tail = rng.standard_normal(time.size) * np.exp(-6.91 * time / 0.6)
    tail[: round(0.005 * RATE)] = 0.0
    tail /= np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    dry = scene(rng, [1.0, 3.0, 6.0], noise=0.0)
    wet = np.convolve(dry, tail)[: dry.size] + 1e-3 * rng.standard_normal(dry.size)
    np.testing.assert_allclose(found(wet), [1.0, 3.0, 6.0], atol=0.005)


def test_talk_between_the_claps_is_none(rng):
    """Recorded words with peaks a fifth of a clap's; nobody talks and claps in one breath."""
    words = speech(recorded_words(), 12.0, rng)
    for time_s in (1.0, 4.0, 8.0):
        words[round((time_s - 0.3) * RATE) : round((time_s + 0.2) * RATE)] = 0.0
    sound = scene(rng, [1.0, 4.0, 8.0]) + 0.2 * words / np.max(np.abs(words))
    np.testing.assert_allclose(found(sound), [1.0, 4.0, 8.0], atol=0.005)


def test_plucked_strings_alone_are_no_claps(rng):
    assert found(plucked(8.0, rng) + 1e-4 * rng.standard_normal(8 * RATE)) == []


@pytest.mark.parametrize("seconds", [0.0, 0.05, 1.0])
def test_nothing_is_found_in_nothing(seconds):
    assert found(np.zeros(round(seconds * RATE))) == []


def test_what_is_much_weaker_than_the_loudest_is_none(rng):
    sound = scene(rng, [1.0, 6.0])
    piece = clap(rng, 0.03)  # 30 dB down
    sound[3 * RATE :][: piece.size] += piece
    np.testing.assert_allclose(found(sound), [1.0, 6.0], atol=0.005)
