"""What talkers' delays leave of the clock."""

import numpy as np
import pytest

from spatial.analysis.apartness import offset_apart
from spatial.conventions import SPEED_OF_SOUND_M_S


def scene(rng, away_m, talkers):
    """Delays and directions of talkers 1 to 3.5 m around a camera this far from the recorder; the clocks agree."""
    towards = rng.standard_normal(3) * (1.0, 1.0, 0.3)
    camera = away_m * towards / np.linalg.norm(towards)
    around = rng.uniform(-np.pi, np.pi, talkers)
    places = camera + rng.uniform(1.0, 3.5, talkers)[:, np.newaxis] * np.stack(
        [np.cos(around), np.sin(around), 0.1 * np.ones(talkers)], axis=1
    )
    far = np.linalg.norm(places, axis=1)
    travel_m = far - np.linalg.norm(places - camera, axis=1)
    return travel_m / SPEED_OF_SOUND_M_S, places / far[:, np.newaxis]


@pytest.mark.parametrize("clock_s", [-0.02, 0.0, 3.0])
def test_the_clock_moves_with_the_delays(rng, clock_s):
    delays, directions = scene(rng, 3.0, 3)
    here, moved = offset_apart(delays, directions), offset_apart(delays + clock_s, directions)
    assert moved.offset_s - here.offset_s == pytest.approx(clock_s, abs=1e-9)
    assert moved.sd_s == pytest.approx(here.sd_s)


def test_a_recorder_on_the_rig_is_not_called_apart(rng):
    likely = [offset_apart(*scene(rng, rng.uniform(0.05, 0.3), 3)).apart for _ in range(12)]
    assert np.mean(np.array(likely) > 0.5) <= 0.1


def test_metres_away_it_is_and_the_interval_holds(rng):
    held = []
    for _ in range(24):
        answer = offset_apart(*scene(rng, 0.8 * 10.0 ** rng.random(), 3))
        if answer.apart > 0.5:
            held.append(abs(answer.offset_s) < 1.96 * answer.sd_s)
    assert len(held) >= 14
    assert np.mean(held) >= 0.82  # 95 % less three binomial deviations of 24


def test_unknown_directions_leave_more_open(rng):
    delays, directions = scene(rng, 4.0, 3)
    blind = offset_apart(delays, np.full((3, 3), np.nan))
    assert blind.sd_s > offset_apart(delays, directions).sd_s
