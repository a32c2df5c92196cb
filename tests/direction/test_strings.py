"""Strings of places by given numbers: who leads often enough, what is one place, where a string is going."""

import numpy as np
import pytest

from spatial.direction.place_strings import GRID, PlaceString, StepCells, leading_strings, merge_strings, string_places
from spatial.field import unit_vectors

STEP_S = 0.1
HERE, BESIDE = (unit_vectors(np.radians(azimuth), 0.0) for azimuth in (0.0, 90.0))


def string(steps, *, azimuth_deg=0.0, pace_deg=0.0):
    """Places in a row, each `pace_deg` to the left of the one before."""
    out = PlaceString([], [])
    for number, step in enumerate(steps):
        out.add(step, unit_vectors(np.radians(azimuth_deg + pace_deg * number), 0.0))
    return out


def cells_of(hills, count=40):
    """Cells of steps whose density stands at the places given for each step, shares of what begins in it."""
    density = np.zeros((count, len(GRID)))
    for step, places in hills.items():
        for place, height in places:
            angle = np.arccos(np.clip(GRID @ place, -1.0, 1.0))
            density[step] = np.maximum(density[step], height * np.exp(-0.5 * (angle / 0.2) ** 2))
    one = np.ones((count, 1))
    return StepCells(np.zeros((count, 1, 3)), np.zeros((count, 1, 3)), one, one, density, np.zeros(count))


@pytest.mark.parametrize(
    ("length", "led", "clearly", "kept"),
    [
        (8, 4, 2, True),
        (8, 3, 3, False),
        (8, 4, 1, False),
        # From one second on: a softer performer beside a louder one hardly ever leads.
        (10, 2, 1, True),
        (10, 1, 1, False),
        (10, 2, 0, False),
    ],
)
def test_a_string_must_lead_its_moment_often_enough(length, led, clearly, kept):
    """In the other steps somebody louder sounds elsewhere."""
    hills = {step: [(HERE, 0.3 if step < clearly else 0.1)] for step in range(led)}
    hills |= {step: [(HERE, 0.1), (BESIDE, 0.3)] for step in range(led, length)}
    soft, loud = string(range(length)), string(range(led, 40), azimuth_deg=90.0)
    hills |= {step: [(BESIDE, 0.3)] for step in range(length, 40)}
    found = leading_strings(cells_of(hills), [soft, loud], STEP_S)
    assert any(one is soft for one in found) is kept
    assert any(one is loud for one in found)


def test_who_returns_to_a_place_is_one_and_who_sounds_at_once_is_another():
    first, again = string(range(10)), string(range(30, 38), azimuth_deg=10.0)
    (one,) = merge_strings([first, again])
    assert one.steps == [*range(10), *range(30, 38)]
    assert len(merge_strings([string(range(10)), string(range(5, 13), azimuth_deg=10.0)])) == 2
    assert len(merge_strings([string(range(10)), string(range(30, 38), azimuth_deg=25.0)])) == 2


def test_strings_of_one_place_that_take_turns_are_one():
    """Neither leaves off before the other begins: their middles tell."""
    turns = [string([*range(10), *range(20, 30)]), string(range(12, 18), azimuth_deg=8.0)]
    assert len(merge_strings(turns)) == 1
    turns = [string([*range(10), *range(20, 30)]), string(range(12, 18), azimuth_deg=40.0)]
    assert len(merge_strings(turns)) == 2


def test_a_pace_is_not_carried_on_over_a_long_rest():
    """Who moved by 4 degrees a step, carried straight on for forty steps, is 70 degrees on: that is somebody else.

    Whoever sounds where the walker was last heard is the walker.
    """
    walker = string(range(12), pace_deg=4.0)
    far = string(range(52, 60), azimuth_deg=108.0)
    assert len(merge_strings([walker, far])) == 2
    assert len(merge_strings([walker, string(range(52, 60), azimuth_deg=44.0)])) == 1


@pytest.mark.parametrize("pace_deg", [4.0, -4.0])
def test_a_string_is_looked_for_where_it_was_going(pace_deg):
    """4 degrees a step: ten steps later 40 degrees on, and where it was is as near as ever.

    It is looked for straight on, and the sphere is round: 46 degrees from its last middle that is 10 degrees short.
    """
    walker = string(range(12), pace_deg=pace_deg)
    last_deg, at_deg = 11 * pace_deg, 21 * pace_deg
    assert np.degrees(walker.apart(21, unit_vectors(np.radians(at_deg), 0.0))) < 11.0
    assert np.degrees(walker.apart(21, unit_vectors(np.radians(last_deg), 0.0))) < 1.0
    assert np.degrees(walker.apart(21, unit_vectors(np.radians(at_deg + 30.0 * np.sign(pace_deg)), 0.0))) > 25.0


def test_a_rest_longer_than_a_string_may_have_begins_another():
    # The look is smoothed, which fills 1.2 s from each side; then a string may rest 1.5 s.
    for rest, count in ((30, 1), (45, 2)):
        sounding = [*range(20), *range(20 + rest, 100)]
        cells = cells_of({step: [(HERE, 0.3)] for step in sounding}, 100)
        heard = np.isin(np.arange(100), sounding).astype(float)[:, np.newaxis]
        cells = StepCells(cells.pull, cells.swing, heard, heard, cells.density, cells.level_db)
        assert len(string_places(cells, STEP_S)) == count


@pytest.mark.parametrize(("height", "count"), [(0.10, 2), (0.05, 1)])
def test_a_hill_must_stand_out_beside_the_strongest(height, count):
    """6 in 100 of the strongest is the least."""
    cells = cells_of({step: [(HERE, 1.0), (BESIDE, height)] for step in range(40)})
    assert len(string_places(cells, STEP_S)) == count


@pytest.mark.parametrize(("height", "count"), [(0.04, 1), (0.02, 0)])
def test_a_hill_must_hold_a_part_of_what_begins(height, count):
    """3 in 100 is the least."""
    assert len(string_places(cells_of({step: [(HERE, height)] for step in range(40)}), STEP_S)) == count
