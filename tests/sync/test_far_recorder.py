"""What talkers' delays leave of the clock."""

import numpy as np
import pytest

from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.sync.far_recorder import offset_apart

pytestmark = pytest.mark.slow


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


def test_the_interval_holds(rng):
    held = []
    for talkers in (1, 2, 3, 4) * 6:
        answer = offset_apart(*scene(rng, 0.5 * 16.0 ** rng.random(), talkers))
        held.append(abs(answer.offset_s) < 1.96 * answer.sd_s)
    assert np.mean(held) >= 0.82  # 95 % less three binomial deviations of 24


def test_more_talkers_do_not_average_away_where_the_recorder_stands(rng):
    delays, directions = scene(rng, 4.0, 2)
    few = offset_apart(delays, directions)
    many = offset_apart(np.tile(delays, 4), np.tile(directions, (4, 1)))
    assert many.sd_s > 0.9 * few.sd_s


def test_unknown_directions_leave_more_open(rng):
    delays, directions = scene(rng, 4.0, 3)
    blind = offset_apart(delays, np.full((3, 3), np.nan))
    assert blind.sd_s > offset_apart(delays, directions).sd_s
