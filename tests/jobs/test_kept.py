"""Results written out and read back: exactly what they were, and nothing but results of this package."""

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from spatial.errors import InputError
from spatial.field import ChannelFormat
from spatial.jobs.kept import from_kept, kept_text
from spatial.rotation import Motion
from spatial.timebase import ClockLaw, ClockStep

HERE = Path("/shoot/friday")


def there_and_back(value, *, now=HERE):
    return from_kept(kept_text(value, HERE), now)


@pytest.mark.parametrize(
    "value",
    [
        None, True, 3, -0.1, math.inf, "Zoë \n\x00", "\udcff", (1, ("a", ())), [1, (2,)], {"result": 1, "b": (None,)},
        Fraction(30000, 1001), ChannelFormat.FUMA, HERE / "a b.mov", Path("/elsewhere/take.wav"),
        ClockLaw(3.0000000000000004, -7.5, (ClockStep(20.0, -0.01),)),
    ],
)  # fmt: skip
def test_values_come_back_as_they_were(value):
    again = there_and_back(value)
    assert again == value
    assert type(again) is type(value)


def test_nan_is_nan():
    assert math.isnan(there_and_back(math.nan))


@pytest.mark.parametrize("dtype", ["<f4", "<f8", "<i8", "|u1", "|b1", "<c16"])
@pytest.mark.parametrize("shape", [(0,), (3,), (2, 3), (40, 3, 3)])
def test_arrays_come_back_bit_for_bit(rng, dtype, shape):
    array = (1e3 * rng.standard_normal(shape)).astype(dtype)
    again = there_and_back(array)
    assert (again.dtype, again.shape) == (array.dtype, shape)
    assert again.tobytes() == array.tobytes()


def test_an_array_with_nan_and_one_that_is_not_in_order():
    array = np.arange(24.0).reshape(4, 6).T[::2]
    array[0, 0] = np.nan
    np.testing.assert_array_equal(there_and_back(array), array)


def test_what_is_one_thing_stays_one_thing():
    law = ClockLaw(1.0)
    one, two = there_and_back((law, law))
    assert one is two


def test_a_motion_turns_as_before():
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    motion = Motion(np.array([0.0, 2.0]), np.stack([np.eye(3), turn]))
    times = np.array([-1.0, 0.7, 3.0])
    np.testing.assert_array_equal(there_and_back(motion).at(times), motion.at(times))


def test_files_of_the_shoot_are_found_where_it_lies_now():
    now = Path("/backup/friday")
    assert there_and_back((HERE / "tracks" / "a.wav", Path("/x/b.wav")), now=now) == (
        now / "tracks" / "a.wav", Path("/x/b.wav"),
    )  # fmt: skip


@pytest.mark.parametrize("value", [object(), {1: 2}, np.array([object()]), {1}, lambda: None, ClockLaw])
def test_what_cannot_be_kept_is_refused(value):
    with pytest.raises(TypeError):
        kept_text(value, HERE)


@pytest.mark.parametrize(
    "said",
    [
        {"result": "subprocess:Popen", "is": {"args": "true"}},
        {"result": "spatial.timebase:samples_for_frames", "is": {}},
        {"result": "spatial.jobs.kept:Path", "is": {}},
        {"result": "spatial.media.cache:FeatureCache", "is": {}},
        {"result": "spatial.timebase:ClockLaw", "is": {"offset_s": 1.0}},
        {"result": "spatial.timebase:ClockLaw", "is": {"offset_s": 1, "drift_ppm": 1, "steps": [], "more": 1}},
        {"result": "spatial.nothing:ClockLaw", "is": {}},
        {"enum": "spatial.field:ChannelFormat", "is": "NONE"},
        {"array": "|O", "shape": [1], "is": [1]},
        {"array": "<f8", "shape": [2], "is": [1.0]},
        {"array": "<f8", "shape": [2], "is": "no base64"},
        {"again": 0},
        {"else": 1},
        {},
    ],
)
def test_nothing_else_is_built_from_what_somebody_wrote(said):
    with pytest.raises(InputError, match="what was kept of an older run cannot be read"):
        from_kept(json.dumps(said), HERE)
