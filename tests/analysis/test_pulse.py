"""Steady music and nothing else, against everything that merely has a beat; the truth is in how each is made.

No limit here is the code's own: machines keep time to the sample, people only to about a fiftieth of a second.
"""

import numpy as np
import pytest

from spatial.analysis.pulse import find_pulse
from spatial.timebase import ClockLaw
from tests.hearing import bursts_of_noise, envelope

RATE = 16_000
BEAT_S = 0.31


def drums(seconds, rng, *, jitter_s=0.0, tempo=0.0):
    """Noise bursts of changing strength, each a beat after the other, give or take; the tempo may swing."""
    out = 0.001 * rng.standard_normal(round(seconds * RATE))
    time_s = 0.1
    while time_s < seconds - 0.3:
        place = max(0, round((time_s + jitter_s * rng.standard_normal()) * RATE))
        burst = rng.standard_normal(RATE // 10) * np.exp(-np.arange(RATE // 10) / 300)
        out[place : place + burst.size] += rng.uniform(0.2, 0.6) * burst
        time_s += BEAT_S * (1 + tempo * np.sin(2 * np.pi * time_s / 11.0))
    return out


def heard(sound, rng, offset_s=0.0, seconds=None):
    """What one box hears of it, in noise of its own."""
    first = round(offset_s * RATE)
    part = sound[first:][: None if seconds is None else round(seconds * RATE)]
    return envelope((part + 0.003 * rng.standard_normal(part.size))[np.newaxis])


def pulse_of(sound, rng, seconds=20.0):
    """A clip that starts 3 s into the take."""
    return find_pulse(heard(sound, rng, 3.0, seconds), heard(sound, rng), ClockLaw(3.0))


@pytest.mark.parametrize("seed", [1, 2])
def test_a_machine_that_plays_alone(seed):
    rng = np.random.default_rng([3, seed])
    pulse = pulse_of(drums(30.0, rng), rng)
    assert pulse.nothing_else
    # An integral number of pulses to a beat; 0.01 Hz: a tenth of a turn in 20 s is 0.005.
    beats = pulse.rate_hz * BEAT_S
    assert beats == pytest.approx(round(beats), abs=0.01 * BEAT_S)


@pytest.mark.parametrize(
    "make",
    [
        lambda rng: bursts_of_noise(30.0, rng),
        lambda rng: drums(30.0, rng, tempo=0.04),
        lambda rng: drums(30.0, rng, jitter_s=0.04),
        lambda rng: drums(30.0, rng) + 2.0 * bursts_of_noise(30.0, rng),
    ],
    ids=["talk-like bursts", "a player whose tempo swings", "a player who is not on time", "talk over a machine"],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_everything_else(make, seed):
    rng = np.random.default_rng([4, seed])
    assert not pulse_of(make(rng), rng).nothing_else


def test_the_same_music_under_other_words_is_still_nothing_else():
    """Words that only the camera's shot holds are not shared."""
    rng = np.random.default_rng(5)
    music = drums(30.0, rng)
    clip, take = music.copy(), music
    clip[5 * RATE : 8 * RATE] += bursts_of_noise(3.0, rng)
    assert find_pulse(heard(clip, rng, 3.0, 20.0), heard(take, rng), ClockLaw(3.0)).nothing_else


def test_a_few_seconds_say_nothing():
    rng = np.random.default_rng(6)
    assert not pulse_of(drums(30.0, rng), rng, seconds=8.0).nothing_else


def test_nothing_shared():
    rng = np.random.default_rng(7)
    powers = heard(drums(10.0, rng), rng)
    for law in (ClockLaw(50.0), ClockLaw(-50.0)):
        pulse = find_pulse(powers, powers, law)
        assert (pulse.shared_s, pulse.nothing_else) == (0.0, False)
