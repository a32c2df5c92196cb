"""The hills that rows vote with: on the source, steep alike, none in silence, and their sum where the bins have it."""

import numpy as np
import pytest

from spatial.direction.doa import MARK_FRAMES_S
from spatial.direction.intensity import field_bins
from spatial.direction.summary import joined_votes, left_and_up, row_votes
from spatial.field import angle_between, encode, unit_vectors
from tests.scenes.stage import RATE

TIMES_S = np.array([0.45, 0.55, 0.95])
PLACE = np.radians([40.0, -15.0])


@pytest.fixture(scope="module")
def votes():
    """Clicks in the open from one place, until 0.7 s."""
    rng = np.random.default_rng(5)
    sound = np.zeros(RATE)
    for start in np.arange(0.2, 0.7, 0.05):
        first = round(start * RATE)
        sound[first : first + 480] = 0.1 * rng.standard_normal(480)
    field = np.asarray(encode(sound, *PLACE), dtype=np.float32)
    bins = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    near = unit_vectors(*(PLACE + np.radians(4.0)))
    return row_votes(bins, TIMES_S, np.array([near, np.full(3, np.nan), near]), 0.1)


def test_a_hill_stands_on_its_source(votes):
    # One plane wave: only rounding and the edges of frames are left.
    assert np.degrees(angle_between(votes.tops[0], unit_vectors(*PLACE))) < 0.1
    assert votes.heights[0] > 0.0
    assert votes.strays[0] < 0.05
    # Bins that all point there, each with the kernel of 0.3 rad: 1 / 0.3^2 to every side.
    assert votes.steepness[0] == pytest.approx(np.eye(2) / 0.09, rel=0.02, abs=0.2)


def test_where_nothing_is_heard_nobody_votes(votes):
    assert votes.heights[1:].tolist() == [0.0, 0.0]


def test_left_and_up():
    left, up = left_and_up(unit_vectors(0.0, 0.0))
    assert left.tolist() == [0.0, 1.0, 0.0]
    assert up.tolist() == [0.0, 0.0, 1.0]
    left, up = left_and_up(unit_vectors(np.radians(90.0), np.radians(30.0)))
    assert left == pytest.approx([-1.0, 0.0, 0.0])
    assert up == pytest.approx(unit_vectors(np.radians(90.0), np.radians(120.0)))


def test_stretches_join_in_order(votes):
    both = joined_votes([votes, votes])
    assert both.heights.tolist() == [*votes.heights, *votes.heights]
    assert joined_votes([]).steepness.shape == (0, 2, 2)
