"""What came through of a field: every answer against a fault that was made on purpose."""

import numpy as np
import pytest

from spatial.errors import InputError
from spatial.field import encode
from spatial.rotation import YawPitchRoll, matrix_from_ypr, turn_field
from spatial.verification.field_match import FieldComparison
from tests.scenes.fields import talking_field

RATE = 48_000


def compared(sent, received, *, block=5000):
    comparison = FieldComparison(RATE)
    for start in range(0, sent.shape[1], block):
        comparison.add(sent[:, start : start + block], received[:, start : start + block])
    return comparison.result()


@pytest.fixture
def field(rng):
    return talking_field(rng).astype(np.float32)


def test_the_same_is_the_same(field):
    match = compared(field, field)
    assert (match.delay_samples, match.worst_piece_samples, match.exact) == (0, 0, True)
    assert match.gain_db == pytest.approx(0.0, abs=1e-9)
    assert match.turned_by(1.0) < 1e-6
    assert match.leakage_db < -100
    assert not match.exchanged
    assert len(match.turned_rad) > 20


@pytest.mark.parametrize("delay", [1, 312, -1, -1024])
def test_a_delay_is_told_to_the_sample_and_late_is_positive(field, delay):
    match = compared(field, np.roll(field, delay, axis=1))
    assert (match.delay_samples, match.exact) == (delay, False)


def test_one_step_of_24_bits_is_not_exact(field):
    other = field.copy()
    other[2, 70_000] += 2.0**-23
    assert not compared(field, other).exact


@pytest.mark.parametrize("turned_deg", [-40.0, 2.0])
def test_a_turn_is_told(turned_deg):
    turn = matrix_from_ypr(YawPitchRoll.from_degrees(turned_deg, 0.0, 0.0))
    flat = talking_field(np.random.default_rng(5), flat=True).astype(np.float32)
    match = compared(flat, turn_field(flat, turn))
    assert np.degrees(match.turned_by(0.5)) == pytest.approx(abs(turned_deg), abs=0.1)
    assert not match.exchanged


@pytest.mark.parametrize("gain_db", [-6.0, 3.0])
def test_a_gain_is_told(field, gain_db):
    match = compared(field, (field * 10 ** (gain_db / 20)).astype(np.float32))
    assert match.gain_db == pytest.approx(gain_db, abs=0.01)
    assert not match.exchanged


@pytest.mark.parametrize(
    ("order", "signs"),
    [
        pytest.param([0, 3, 1, 2], (1, 1, 1, 1), id="W X Y Z for W Y Z X"),
        pytest.param([0, 2, 1, 3], (1, 1, 1, 1), id="two exchanged"),
        pytest.param([0, 1, 2, 3], (1, -1, 1, 1), id="one inverted"),
        pytest.param([0, 1, 2, 3], (1, 1, 0, 1), id="one silent"),
    ],
)
def test_a_channel_that_is_another_is_told(field, order, signs):
    assert compared(field, field[order] * np.float32(signs)[:, None]).exchanged


def test_leakage_is_told(field):
    other = field.copy()
    other[1] += 0.01 * field[3]
    match = compared(field, other)
    assert match.leakage_db == pytest.approx(-40.0, abs=0.5)
    assert not match.exchanged


def test_a_flat_field_without_height_is_not_accused(rng):
    """Its Z holds nothing, so nothing is known of what would become of it."""
    flat = talking_field(rng, flat=True, hiss=0.0).astype(np.float32)
    match = compared(flat, flat + 1e-5 * rng.standard_normal(flat.shape).astype(np.float32))
    assert not match.exchanged
    assert match.leakage_db < -60


def test_a_slip_in_the_middle_is_told(field):
    slipped = field.copy()
    slipped[:, 120_000:] = np.roll(field, 480, axis=1)[:, 120_000:]
    match = compared(field, slipped)
    assert match.delay_samples == 0
    assert match.worst_piece_samples == 480
    assert 1.9 < match.worst_piece_s < 3.7


def test_silence_tells_nothing(field):
    silent = compared(field, np.zeros_like(field))
    assert silent.delay_samples is None
    assert compared(np.zeros_like(field), np.zeros_like(field)).tenths == 0


def test_noise_from_everywhere_has_no_direction_to_be_turned(rng):
    diffuse = sum(
        encode(0.01 * rng.standard_normal(RATE), *angles)
        for angles in rng.uniform((-np.pi, -1.0), (np.pi, 1.0), (60, 2))
    ).astype(np.float32)
    match = compared(diffuse, diffuse)
    assert match.tenths == 10
    assert len(match.turned_rad) == 0
    assert np.isnan(match.turned_by(0.5))


def test_other_shapes_are_refused(field):
    with pytest.raises(InputError, match="two blocks of shape"):
        FieldComparison(RATE).add(field, field[:, :-1])
