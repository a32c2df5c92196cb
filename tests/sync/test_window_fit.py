"""A clock step that hides inside what the travel of sound may do to a window."""

import numpy as np
import pytest

from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.field import unit_vectors
from spatial.sync.baseline import unknown_rig
from spatial.sync.clock_fit import Told, hidden_step
from spatial.timebase import ClockLaw, ClockStep

PLACES = unit_vectors(np.radians([40.0, -35.0, 170.0, 0.0]), np.radians([5.0, -20.0, 10.0, 50.0]))
LAW = ClockLaw(3.0)


def told(rng, *, step_s=0.0, at_s=35.0, ppm=0.0, count=60, seconds=60.0, turns=None, noise_s=30e-6, wild=0):
    """Four performers; `turns` names the place of each window, random turns by default."""
    times = np.linspace(0.5, seconds - 0.5, count) + rng.uniform(-0.4, 0.4, count)
    places = PLACES[rng.integers(len(PLACES), size=count) if turns is None else turns(times)]
    lags = ppm * 1e-6 * times + places @ np.array([0.05, 0.1, 0.25]) / SPEED_OF_SOUND_M_S
    lags += step_s * (times >= at_s) + noise_s * rng.standard_normal(count)
    lags[rng.permutation(count)[:wild]] += rng.uniform(-2e-3, 2e-3, wild)
    return Told(times, lags, places, np.full(count, 8.0), np.zeros(count))


@pytest.mark.parametrize("at_s", [12.0, 35.0, 48.0])
@pytest.mark.parametrize("step_s", [-2.7e-3, -1.4e-3, 1.4e-3, 2.7e-3])
def test_a_small_step_is_found(rng, step_s, at_s):
    found = hidden_step(told(rng, step_s=step_s, at_s=at_s, ppm=20.0, wild=6), LAW, unknown_rig())
    assert found is not None
    time_s, line = found
    assert time_s == pytest.approx(at_s, abs=2.0)  # two windows; with_small_step sets it finer
    assert line.steps_s[-1] == pytest.approx(step_s, abs=max(0.1e-3, 3 * line.steps_sd_s[-1]))
    assert line.steps_sd_s[-1] < 0.25e-3
    assert line.slope == pytest.approx(20e-6, abs=4 * np.sqrt(line.covariance[1, 1]))


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 80.0])
@pytest.mark.parametrize("wild", [0, 15])
def test_where_there_is_none_none_is_found(rng, ppm, wild):
    for _ in range(3):
        assert hidden_step(told(rng, ppm=ppm, wild=wild), LAW, unknown_rig()) is None


@pytest.mark.parametrize(
    "turns",
    [
        lambda times: np.where(times < 30, 0, 2),  # one speaks early, another behind the camera late
        lambda times: np.where(times < 30, 1, 3),
        lambda times: (times // 15).astype(int),  # each for a quarter
    ],
)
def test_another_performer_is_no_step(rng, turns):
    """25 cm between the boxes: from one place to another the lag jumps by up to 0.9 ms, and the clocks do not."""
    assert hidden_step(told(rng, turns=turns), LAW, unknown_rig()) is None


def test_a_step_below_what_can_be_told_from_the_rig_is_left(rng):
    assert hidden_step(told(rng, step_s=0.4e-3), LAW, unknown_rig()) is None


def test_too_few_windows_tell_nothing(rng):
    assert hidden_step(told(rng, step_s=2e-3, count=15), LAW, unknown_rig()) is None


def test_a_step_that_the_law_has_is_not_found_again(rng):
    law = ClockLaw(3.0, steps=(ClockStep(35.0, 0.04),))
    windows = told(rng, step_s=0.3e-3)  # what is left of it
    assert hidden_step(windows, law, unknown_rig()) is None


def test_a_second_step_is_found_beside_one_that_the_law_has(rng):
    law = ClockLaw(3.0, steps=(ClockStep(15.0, 0.04),))
    found = hidden_step(told(rng, step_s=-2e-3, at_s=40.0), law, unknown_rig())
    assert found is not None
    assert found[0] == pytest.approx(40.0, abs=2.0)
    assert found[1].steps_s == pytest.approx([0.0, -2e-3], abs=0.2e-3)
