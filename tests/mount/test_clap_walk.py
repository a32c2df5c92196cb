"""Which clap is which: in order, with some missing, doubled, or no claps at all."""

import numpy as np
import pytest

from spatial.errors import InputError
from spatial.mount.channel_faults import fault_name, mirroring_faults
from spatial.mount.clap_walk import CLAP_SD_RAD, clap_direction, merge_doubled, pair_claps
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr

NAMES = ("front", "left", "back", "right", "above")
PLACES = np.stack([clap_direction(name) for name in NAMES])
MOUNTS = [(0, 0, 0), (95, 2, 3), (180, -4, 178), (-88, 5, -2)]


def pair(heard, places=PLACES, prior=None):
    return pair_claps(places, heard, np.full(len(heard), CLAP_SD_RAD), prior=prior)


def heard_with(angles, fault=None):
    return PLACES @ matrix_from_ypr(YawPitchRoll.from_degrees(*angles)) @ (np.eye(3) if fault is None else fault.T)


@pytest.mark.parametrize(
    ("name", "vector"),
    [
        ("front", (1, 0, 0)),
        ("BACK", (-1, 0, 0)),
        (" left", (0, 1, 0)),
        ("right", (0, -1, 0)),
        ("above", (0, 0, 1)),
        ("below", (0, 0, -1)),
        ("back-right", (-(0.5**0.5), -(0.5**0.5), 0)),
        ("front-above", (0.5**0.5, 0, 0.5**0.5)),
    ],
)
def test_places_by_name(name, vector):
    np.testing.assert_allclose(clap_direction(name), vector, atol=1e-12)


@pytest.mark.parametrize("name", ["", "up", "front-back", "front-front", "left-front-above", "front left", "-"])
def test_no_place(name):
    with pytest.raises(InputError, match="is no place to clap from"):
        clap_direction(name)


@pytest.mark.parametrize("angles", MOUNTS)
def test_all_are_paired_whatever_the_mount(angles):
    result = pair(heard_with(angles))
    assert result.sure
    assert result.pairs == ((0, 0), (1, 1), (2, 2), (3, 3), (4, 4))


@pytest.mark.parametrize("fault", [fault for fault, _ in mirroring_faults()], ids=fault_name)
@pytest.mark.parametrize("prior", [None, MountPrior(Hanging.UPRIGHT, facing_rad=np.radians(90.0))], ids=["", "told"])
def test_all_are_paired_in_a_mirrored_field(fault, prior):
    result = pair(heard_with((95, 2, 3), fault), prior=prior)
    assert result.sure
    assert len(result.pairs) == 5


def test_a_noise_between_the_claps_is_left_out():
    noise = np.array([[0.6, -0.64, 0.48]])
    result = pair(np.concatenate([heard_with((95, 2, 3))[:2], noise, heard_with((95, 2, 3))[2:]]))
    assert result.sure
    assert result.pairs == ((0, 0), (1, 1), (2, 3), (3, 4), (4, 5))


def test_a_clap_missing_within_the_ring_is_known():
    result = pair(np.delete(heard_with((95, 2, 3)), 1, axis=0))
    assert result.sure
    assert result.pairs == ((0, 0), (2, 1), (3, 2), (4, 3))


@pytest.mark.parametrize("missing", [0, 3])
def test_the_ring_with_an_end_missing_could_begin_anywhere(missing):
    """Three quarter turns to the left: front, left, back, or left, back, right. The crew's word settles it."""
    heard = np.delete(heard_with((95, 2, 3)), missing, axis=0)
    assert not pair(heard).sure
    told = pair(heard, prior=MountPrior(Hanging.UPRIGHT, facing_rad=np.radians(90.0)))
    assert told.sure
    assert missing not in [place for place, _ in told.pairs]


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_claps_pair_with_nothing(count):
    result = pair(heard_with((0, 0, 0))[:count])
    assert result.pairs == ()
    assert not result.sure


def test_doubled_claps_are_one_unless_seconds_or_places_lie_between():
    ahead, left = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    near = np.array([np.cos(0.2), np.sin(0.2), 0.0])
    vectors = np.stack([ahead, near, left, ahead, ahead])
    assert merge_doubled(np.array([1.0, 1.8, 2.5, 4.0, 12.0]), vectors) == [[0, 1], [2], [3], [4]]
    assert merge_doubled(np.zeros(0), np.zeros((0, 3))) == []
