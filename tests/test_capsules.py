"""Raw capsules: the published matrix and gains, the limit of a plain matrix, and the published correction."""

import numpy as np
import pytest

from spatial.capsules import (
    CORRECTION_REACH,
    FIRST_ARRANGEMENT,
    SECOND_ARRANGEMENT,
    Capsules,
    capsule_directions,
    corrected_field,
    correction_taps,
    field_matrix,
)
from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray
from spatial.errors import InputError
from spatial.field import encode, internal_from

AXES_AND_CORNERS = [
    (0, 0), (90, 0), (-90, 0), (180, 0), (0, 90), (0, -90),
    (45, 35), (-45, 35), (135, 35), (-135, 35), (45, -35), (-45, -35), (135, -35), (-135, -35), (30, 10),
]  # fmt: skip


def heard(capsules: Capsules, towards: FloatArray, hz: float = 0.0) -> FloatArray:
    """What the capsules make of plane waves from unit vectors of shape (waves, 3): shape (waves, 4), complex.

    First-order capsules on a sphere, by their definition: pattern a + (1 - a) cos, and the wave that much earlier.
    """
    aims = np.array([[{"F": 1, "B": -1}[f], {"L": 1, "R": -1}[s], {"U": 1, "D": -1}[h]] for f, s, h in capsules.order])
    facing = towards @ aims.T / np.sqrt(3)
    early = 2j * np.pi * hz * capsules.radius_m / SPEED_OF_SOUND_M_S * facing
    return (capsules.omni_part + (1 - capsules.omni_part) * facing) * np.exp(early)


def sphere(count: int = 4000) -> FloatArray:
    towards = np.random.default_rng(1).standard_normal((count, 3))
    return np.asarray(towards / np.linalg.norm(towards, axis=1, keepdims=True))


# --- the matrix ---------------------------------------------------------------------------------------------


def test_the_published_matrix() -> None:
    """Derived from the pattern: half the sum, 0.8660254 of the differences, for cardioids FLU, FRD, BLD, BRU."""
    half, root = 0.5, 0.8660254
    expected = [
        [half, half, half, half],
        [root, -root, root, -root],  # Y
        [root, -root, -root, root],  # Z
        [root, root, -root, -root],  # X
    ]
    assert field_matrix(Capsules()) == pytest.approx(np.array(expected), abs=1e-7)


def test_the_other_arrangement_has_z_negated() -> None:
    """Derived: in the order FLD, FRU, BLU, BRD W, X and Y are the same and Z is not."""
    first, second = field_matrix(Capsules()), field_matrix(Capsules(("FLD", "FRU", "BLU", "BRD")))
    assert second == pytest.approx(first * np.array([[1], [1], [-1], [1]]))


@pytest.mark.parametrize(
    ("omni_part", "w", "xyz"), [(0.5, 1 / 2, 0.8660), (0.63, 1 / 2.52, 1 / 0.8545), (0.75, 1 / 3, 1.7321)]
)
def test_gains_by_pattern(omni_part: float, w: float, xyz: float) -> None:
    """W = W'/(4a), X = X' sqrt(3)/(4(1 - a)), "/0.8545" in a table is a divisor, as "/2.52" is."""
    matrix = np.abs(field_matrix(Capsules(omni_part=omni_part)))
    assert matrix[0] == pytest.approx(np.full(4, w), abs=1e-4)
    assert matrix[1:] == pytest.approx(np.full((3, 4), xyz), abs=1e-3)


@pytest.mark.parametrize("order", [FIRST_ARRANGEMENT, SECOND_ARRANGEMENT, ("BRU", "FLU", "BLD", "FRD")])
@pytest.mark.parametrize("omni_part", [0.37, 0.5, 0.63, 0.75])
@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), AXES_AND_CORNERS)
def test_a_wave_comes_out_where_it_came_from(
    order: tuple[str, ...], omni_part: float, azimuth_deg: float, elevation_deg: float
) -> None:
    capsules = Capsules(order, omni_part)
    wave = encode(np.array([1.0, -0.3]), np.radians(azimuth_deg), np.radians(elevation_deg))
    towards = wave[[3, 1, 2], 0][np.newaxis]
    signals = np.real(heard(capsules, towards)).T * np.array([1.0, -0.3])
    np.testing.assert_allclose(internal_from(signals, capsules), wave, rtol=0, atol=1e-6, equal_nan=False)
    np.testing.assert_allclose(internal_from(signals, capsules, most=1), wave[:1], rtol=0, atol=1e-6, equal_nan=False)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"order": ("FLU", "FRD", "BLD", "BLU")}, "no tetrahedron"),
        ({"order": ("FLU", "FLU", "BLD", "BRU")}, "no tetrahedron"),
        ({"order": ("FLU", "FRD", "BLD")}, "no tetrahedron"),
        ({"order": ("W", "X", "Y", "Z")}, "no tetrahedron"),
        ({"omni_part": 1.0}, "omni part"),
        ({"omni_part": float("nan")}, "omni part"),
        ({"radius_m": 14.7}, "mm from the centre"),
    ],
)
def test_what_is_no_microphone(changes: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        Capsules(**changes)


# --- high notes ---------------------------------------------------------------------------------------------


def field_at(capsules: Capsules, towards: FloatArray, hz: float, *, rate_hz: int = 48_000) -> FloatArray:
    """W, Y, Z, X of plane waves, shape (waves, 4), complex, corrected if the capsules say so."""
    field = heard(capsules, towards, hz) @ field_matrix(capsules).T
    if capsules.corrected:
        turns = np.exp(-2j * np.pi * hz / rate_hz * np.arange(-CORRECTION_REACH, CORRECTION_REACH + 1))
        omni, figures = (taps @ turns for taps in correction_taps(capsules, rate_hz))
        field = field * np.array([omni, figures, figures, figures])
    return field


def errors_deg(field: FloatArray, towards: FloatArray) -> FloatArray:
    told = np.real(field[:, [3, 1, 2]] * np.conj(field[:, :1]))
    told /= np.linalg.norm(told, axis=1, keepdims=True)
    return np.degrees(np.arccos(np.clip(np.sum(told * towards, axis=1), -1, 1)))


@pytest.mark.parametrize("radius_m", [0.010, 0.0147, 0.025])
def test_the_limit_of_a_plain_matrix(radius_m: float) -> None:
    """The docstring's numbers: half a wavelength between capsules, 13 degrees; a third of that, 2 degrees."""
    capsules, towards = Capsules(radius_m=radius_m), sphere()
    aims = capsule_directions(capsules) * radius_m
    edge_m = np.linalg.norm(aims[0] - aims[1])
    assert capsules.limit_hz == pytest.approx(SPEED_OF_SOUND_M_S / 2 / edge_m)
    at_limit, at_third = (
        float(np.median(errors_deg(field_at(capsules, towards, hz), towards)))
        for hz in (capsules.limit_hz, capsules.limit_hz / 3)
    )
    assert 11.0 < at_limit < 15.0
    assert 1.0 < at_third < 2.5


def test_the_published_correction_flattens_the_diffuse_field() -> None:
    """Gerzon 1975 (from memory), derived again: the power of W and of X over all directions is 1 + O((kr)^4).

    To second order W falls by 2/9 (kr)^2 and X rises by 2/3 (kr)^2 of its power without it.
    """
    towards = sphere(20_000)
    for hz, plain_db, left_db in (1000, 0.27, 0.06), (2000, 1.03, 0.2), (3000, 2.1, 0.7):
        powers = []
        for corrected in (False, True):
            power = np.mean(np.abs(field_at(Capsules(corrected=corrected), towards, hz)) ** 2, axis=0)
            powers.append(10 * np.log10([power[0], power[1:].sum()]))
        assert powers[0][1] - powers[0][0] == pytest.approx(plain_db, abs=0.05)
        assert np.max(np.abs(powers[1])) < left_db
    reach = 2 * np.pi * 500 * 0.0147 / SPEED_OF_SOUND_M_S
    power = np.mean(np.abs(field_at(Capsules(), towards, 500)) ** 2, axis=0)
    assert power[0] == pytest.approx(1 - 2 / 9 * reach**2, abs=1e-3)
    assert power[1:].sum() == pytest.approx(1 + 2 / 3 * reach**2, abs=2e-2)  # 0.5 %: 20 000 random directions


def test_the_correction_keeps_low_notes_and_time() -> None:
    """Below 200 Hz nothing changes, and the field is timed at the centre."""
    capsules = Capsules(corrected=True)
    for taps in correction_taps(capsules, 48_000):
        assert taps.sum() == pytest.approx(1.0, abs=0.01)
    field = field_at(capsules, np.array([[1.0, 0.0, 0.0]]), 1500.0)
    assert np.degrees(np.angle(field[0, 0])) == pytest.approx(0.0, abs=2.0)


def test_correcting_is_filtering() -> None:
    rng = np.random.default_rng(2)
    capsules = Capsules(corrected=True)
    field = rng.standard_normal((4, 500))
    whole = corrected_field(field, capsules, 48_000)
    omni, figures = correction_taps(capsules, 48_000)
    assert whole.shape == (4, 500 - 2 * CORRECTION_REACH)
    np.testing.assert_allclose(whole[0], np.convolve(field[0], omni, "valid"), rtol=0, atol=1e-5, equal_nan=False)
    np.testing.assert_allclose(whole[3], np.convolve(field[3], figures, "valid"), rtol=0, atol=1e-5, equal_nan=False)
    np.testing.assert_allclose(
        corrected_field(field[:1], capsules, 48_000), whole[:1], rtol=0, atol=1e-6, equal_nan=False
    )
