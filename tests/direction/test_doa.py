"""The two-wave line, worked by hand, and the densest place among bins that lie loosely along it."""

import numpy as np
import pytest

from spatial.direction.doa import (
    LOOSE,
    SPREAD,
    Pulls,
    climb,
    densest_direction,
    say_on_grid,
    sphere_grid,
    spread_about,
    swing_on_one_axis,
)
from spatial.field import angle_between, unit_vectors

DIRECT = unit_vectors(0.4, 0.0)
BOUNCE = unit_vectors(0.4, -0.8)


def two_waves(strength, phases):
    """(X, Y, Z) / W of two coherent plane waves: (d + r e^jp b) / (1 + r e^jp)."""
    second = strength * np.exp(1j * np.asarray(phases))[:, np.newaxis]
    return (DIRECT + second * BOUNCE) / (1.0 + second)


@pytest.mark.parametrize("strength", [0.3, 0.7, 0.95])
def test_pull_and_swing_of_two_waves_lie_on_one_line_through_both(strength):
    """The line {pull + s swing} crosses the unit sphere at the direct wave and at the bounce."""
    for ratio in two_waves(strength, [0.5, 1.5, 2.5, -1.0]):
        pull, swing = ratio.real, ratio.imag
        a, b, c = swing @ swing, 2 * pull @ swing, pull @ pull - 1.0
        crossings = [pull + s * swing for s in np.roots([a, b, c]).real]
        for wave in (DIRECT, BOUNCE):
            assert min(np.linalg.norm(crossing - wave) for crossing in crossings) < 1e-6


def pulls_of(ratios):
    return Pulls(ratios.real, ratios.imag, np.ones(len(ratios)))


def test_a_lone_reflection_swings_on_one_axis_and_many_do_not(rng):
    phases = np.linspace(-np.pi, np.pi, 400, endpoint=False)
    lone = two_waves(0.6, phases)
    many = DIRECT + 0.1 * (rng.standard_normal((400, 3)) + 1j * rng.standard_normal((400, 3)))
    found = densest_direction(pulls_of(lone))
    error = float(angle_between(found, DIRECT))
    assert swing_on_one_axis(pulls_of(many), DIRECT) == 0.0
    # All bins are pulled towards the bounce, so the densest place is wrong: the swing must own up to it.
    assert error > np.radians(5.0)
    assert error < 2.448 * swing_on_one_axis(pulls_of(lone), found)


def test_the_microphones_own_phase_is_no_reflection(rng):
    """W behind X, Y and Z turns the ratio of all bins alike: the direction is right, and nothing makes it less sure."""
    turned = DIRECT * np.exp(0.6j) + 0.02 * (rng.standard_normal((400, 3)) + 1j * rng.standard_normal((400, 3)))
    assert swing_on_one_axis(pulls_of(turned), DIRECT) < np.radians(0.5)
    # Nor does a phase that grows with frequency: it swings along the direction itself, which does not move it.
    rising = DIRECT * np.exp(1j * np.linspace(0.0, 1.0, 400))[:, np.newaxis]
    assert swing_on_one_axis(pulls_of(rising), DIRECT) < np.radians(0.5)


def test_fit_is_the_stated_normal_law(rng):
    """exp(-q / 2) with the inverse of SPREAD^2 I + LOOSE^2 b b', worked out the long way."""
    pull, swing = rng.standard_normal((5, 3)), 0.2 * rng.standard_normal((5, 3))
    fit = Pulls(pull, swing, np.ones(5)).fit(DIRECT[np.newaxis])[0]
    for a, b, value in zip(pull, swing, fit, strict=True):
        inverse = np.linalg.inv(SPREAD**2 * np.eye(3) + LOOSE**2 * np.outer(b, b))
        assert value == pytest.approx(np.exp(-0.5 * (DIRECT - a) @ inverse @ (DIRECT - a)), rel=1e-3)


def test_elsewhere_has_no_say(rng):
    """A third of the bins from 60 degrees beside do not move the densest place; they would move a mean by 19."""
    here = DIRECT + 0.05 * rng.standard_normal((200, 3))
    there = unit_vectors(0.4 + np.pi / 3, 0.0) + 0.05 * rng.standard_normal((100, 3))
    pull = np.concatenate([here, there])
    found = densest_direction(Pulls(pull, np.zeros_like(pull), np.ones(300)))
    assert np.degrees(angle_between(found, DIRECT)) < 1.0  # the tail of a kernel of 17 degrees, 60 degrees away


def test_climbing_ends_on_the_sphere_from_any_side(rng):
    pull = DIRECT + 0.1 * rng.standard_normal((300, 3))
    pulls = Pulls(pull, np.zeros_like(pull), np.ones(300))
    ends = np.stack([climb(pulls, unit_vectors(0.4 + shift, 0.1)) for shift in (-0.2, 0.2)])
    np.testing.assert_allclose(np.linalg.norm(ends, axis=1), 1.0, atol=1e-9)
    assert angle_between(ends[0], ends[1]) < 1e-4


def test_spread_is_the_root_mean_square_distance(rng):
    pull = DIRECT + 0.02 * rng.standard_normal((4000, 3))
    spread = spread_about(Pulls(pull, np.zeros_like(pull), np.ones(4000)), DIRECT)
    assert spread == pytest.approx(0.02 * np.sqrt(3), rel=0.03)  # 4000 draws


def test_the_grid_is_even():
    """Nearest neighbours of an even grid of 400 are about 10 degrees apart, everywhere."""
    grid = sphere_grid()
    angles = np.degrees(np.arccos(np.clip(grid @ grid.T - 2 * np.eye(len(grid)), -1, 1)))
    nearest = np.min(angles, axis=1)
    assert 7.0 < nearest.min() <= nearest.max() < 12.0


def test_what_bins_say_on_the_grid_is_what_they_say_at_its_points():
    rng = np.random.default_rng(18)
    for swing_size in (0.1, 1.0, 5.0):
        pull = (np.array([0.6, 0.0, 0.8]) + 0.5 * rng.standard_normal((500, 3))).astype(np.float32)
        swing = (swing_size * rng.standard_normal((500, 3))).astype(np.float32)
        pulls = Pulls(pull, swing, rng.random(500))
        # Single precision, of exponents up to some hundreds.
        np.testing.assert_allclose(say_on_grid(pulls), pulls.say(sphere_grid()), rtol=1e-3, atol=1e-6)
