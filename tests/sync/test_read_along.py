"""A recorder that stands apart from the camera without anybody having said so."""

from types import SimpleNamespace

import numpy as np
import pytest

from spatial.sync.alignment import straight_or_bent
from spatial.sync.envelope import WORKING_RATE_HZ
from tests.scenes.hearing import bursts_of_noise, field_of, sync_arrays

RATE = WORKING_RATE_HZ
OFFSET_S, CLIP_S, TURN_S = 4.0, 40.0, 5.0


def shoot(rng, later_s, seconds=CLIP_S):
    """Two performers by turns, ahead of the recorder and behind it, who reaches it later_s late.

    By plane waves the clocks are OFFSET_S + later_s / 2 apart, and each performer is later_s / 2 from that.
    """
    whole = bursts_of_noise(OFFSET_S + seconds + 2.0, rng)
    turns = (np.arange(whole.size) / RATE // TURN_S) % 2
    first, second = whole * (turns == 0), whole * (turns == 1)
    late = np.roll(second, round(later_s * RATE))
    take = field_of(first) + field_of(late) * np.array([1.0, -1.0, 1.0, -1.0])[:, np.newaxis]
    clip = whole[round(OFFSET_S * RATE) :][: round(seconds * RATE)]
    hiss = 1e-3 * rng.standard_normal((5, take.shape[1]))
    return clip + hiss[4, : clip.size], take + hiss[:4]


@pytest.mark.slow
@pytest.mark.parametrize("later_s", [3e-3, -5e-3, 7e-3])
def test_a_recorder_metres_away_leaves_the_offset_in_doubt(rng, later_s):
    """Lags that differ by more than a rig allows are neither ignored, nor steps, nor drift."""
    estimate = sync_arrays(*shoot(rng, later_s))
    assert estimate.matched
    assert estimate.apart
    assert estimate.steps == ()
    assert 2e-3 < estimate.offset_sd_s < 8e-3
    assert abs(estimate.law.offset_s - OFFSET_S - later_s / 2) < 2 * estimate.offset_sd_s
    assert abs(estimate.law.drift_ppm) < 2 * estimate.drift_sd_ppm


@pytest.mark.slow
@pytest.mark.parametrize("later_s", [0.0, 0.8e-3, -0.8e-3])
def test_a_recorder_on_the_rig_does_not(rng, later_s):
    estimate = sync_arrays(*shoot(rng, later_s))
    assert estimate.matched
    assert not estimate.apart
    assert estimate.steps == ()
    assert estimate.offset_sd_s < 1e-3
    assert abs(estimate.law.offset_s - OFFSET_S - later_s / 2) < 2 * estimate.offset_sd_s


def test_a_few_stray_windows_do_not_set_the_recorder_apart(rng):
    """One performer, and for two seconds another sound 5 ms off: a reflection, a door."""
    clip, take = shoot(rng, 0.0)
    odd = slice(round(20 * RATE), round(22 * RATE))
    take[:, odd] = np.roll(take, round(5e-3 * RATE), axis=1)[:, odd]
    estimate = sync_arrays(clip, take)
    assert estimate.matched
    assert not estimate.apart
    assert estimate.offset_sd_s < 1e-3


@pytest.mark.parametrize(("straight", "taken"), [(24, True), (21, False), (19, False)])
def test_a_law_that_drifts_more_than_crystals_do_gives_way_where_clearly_more_windows_agree_without(straight, taken):
    """20 agree with the law that drifts; one more without drift may be chance, a fifth more is not."""
    level, bent = SimpleNamespace(agreeing=straight), SimpleNamespace(agreeing=20)
    assert (straight_or_bent(level, bent) is level) is taken
