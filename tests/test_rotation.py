"""Yaw, pitch, roll and matrices; turning a field."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from spatial.conventions import W, X, Y, Z
from spatial.errors import InputError
from spatial.field import angle_between, azimuth_elevation, encode, unit_vectors
from spatial.rotation import (
    YawPitchRoll,
    checked_rotation,
    matrix_from_ypr,
    rotation_angle,
    rotation_from_vector,
    turn_field,
    vector_from_rotation,
    ypr_from_matrix,
)

DOUBLE = 1e-12  # rounding of a few double operations on numbers near 1

FRONT, BACK = (1.0, 0.0, 0.0), (-1.0, 0.0, 0.0)
LEFT, RIGHT = (0.0, 1.0, 0.0), (0.0, -1.0, 0.0)
UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)

turns = st.floats(-np.pi, np.pi)
mounts = st.builds(YawPitchRoll, turns, st.floats(-np.pi / 2, np.pi / 2), turns)
directions = st.builds(unit_vectors, turns, st.floats(-np.pi / 2, np.pi / 2))

# Markley and Mortari 2000, J. Astronautical Sciences 48: attitude matrix of the test cases (value from memory).
MARKLEY = np.array([[0.352, 0.864, 0.360], [-0.864, 0.152, 0.480], [0.360, -0.480, 0.800]])


def mount(yaw_deg: float, pitch_deg: float, roll_deg: float) -> np.ndarray:
    return matrix_from_ypr(YawPitchRoll.from_degrees(yaw_deg, pitch_deg, roll_deg))


# --- signs --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "ypr_deg", "own", "in_picture"),
    [
        ("yaw turns the front to the left", (90, 0, 0), FRONT, LEFT),
        ("yaw turns the left to the back", (90, 0, 0), LEFT, BACK),
        ("yaw leaves up alone", (90, 0, 0), UP, UP),
        ("pitch lifts the front", (0, 90, 0), FRONT, UP),
        ("pitch tips the top backwards", (0, 90, 0), UP, BACK),
        ("pitch leaves left alone", (0, 90, 0), LEFT, LEFT),
        ("roll lowers the right side", (0, 0, 90), RIGHT, DOWN),
        ("roll tips the top to the right", (0, 0, 90), UP, RIGHT),
        ("roll leaves the front alone", (0, 0, 90), FRONT, FRONT),
        # About the moving axes: after the yaw, "lifting the front" lifts what now points left.
        ("yaw, then pitch: the front ends up above", (90, 90, 0), FRONT, UP),
        ("yaw, then pitch: the top falls to the right", (90, 90, 0), UP, RIGHT),
        ("yaw, then roll: the right side, now in front, goes down", (90, 0, 90), RIGHT, DOWN),
        ("pitch, then roll: the right side, rolled about the lifted front, goes forward", (0, 90, 90), RIGHT, FRONT),
    ],
)
def test_signs_in_words(
    words: str, ypr_deg: tuple[float, float, float], own: tuple[float, ...], in_picture: tuple[float, ...]
) -> None:
    np.testing.assert_allclose(mount(*ypr_deg) @ own, in_picture, atol=DOUBLE, err_msg=words)


def test_three_unequal_angles_worked_by_hand() -> None:
    """Yaw 90: the microphone faces left. Pitch 30: its front rises. Roll 45: its right side goes down.

    Before the roll: front = (0, cos 30, sin 30), left = (-1, 0, 0), up = (0, -sin 30, cos 30).
    The roll lifts the left side: left' = (left + up) / sqrt 2, up' = (up - left) / sqrt 2. Columns of the matrix.
    """
    r = np.sqrt(0.5)
    front, left, up = (0, 0.8660254, 0.5), (-r, -0.5 * r, 0.8660254 * r), (r, -0.5 * r, 0.8660254 * r)
    np.testing.assert_allclose(mount(90, 30, 45), np.column_stack([front, left, up]), atol=5e-8)  # 7 digits


@pytest.mark.parametrize(
    ("yaw_deg", "azimuth_at_mic_deg", "azimuth_in_picture_deg"),
    [
        (90, -90, 0),  # the worked number: faced left; a performer before the lens stands to its right
        (92.6, -92.6, 0),
        (180, 180, 0),
        (-90, 0, -90),
        (30, 40, 70),
        (170, 20, -170),  # over the back
    ],
)
def test_mount_turns_the_field_to_face_the_lens(
    yaw_deg: float, azimuth_at_mic_deg: float, azimuth_in_picture_deg: float
) -> None:
    recorded = encode(np.array([1.0, -0.5]), np.radians(azimuth_at_mic_deg), 0.0)
    turned = turn_field(recorded, mount(yaw_deg, 0, 0))
    expected = encode(np.array([1.0, -0.5]), np.radians(azimuth_in_picture_deg), 0.0)
    np.testing.assert_allclose(turned, expected, atol=DOUBLE)


def test_a_yaw_turns_the_field_by_the_published_formula(rng: np.random.Generator) -> None:
    # X' = X cos - Y sin, Y' = X sin + Y cos, for a turn to the left (common to all texts on B-format).
    field = rng.standard_normal((4, 7))
    turned = turn_field(field, mount(25, 0, 0))
    c, s = np.cos(np.radians(25)), np.sin(np.radians(25))
    np.testing.assert_allclose(turned[X], c * field[X] - s * field[Y], atol=DOUBLE)
    np.testing.assert_allclose(turned[Y], s * field[X] + c * field[Y], atol=DOUBLE)
    np.testing.assert_array_equal(turned[W], field[W])
    np.testing.assert_allclose(turned[Z], field[Z], atol=DOUBLE)


def test_upside_down_swaps_left_and_right_and_up_and_down(rng: np.random.Generator) -> None:
    field = rng.standard_normal((4, 7))
    expected = field * np.array([1.0, -1.0, -1.0, 1.0])[:, np.newaxis]  # W, Y, Z, X
    np.testing.assert_allclose(turn_field(field, mount(0, 0, 180)), expected, atol=DOUBLE)


# --- against scipy and a published matrix -------------------------------------------------------------------


@given(angles=mounts)
def test_matrix_against_scipy(angles: YawPitchRoll) -> None:
    # Capital letters: moving axes. Our pitch is minus the right-hand rotation about y.
    other = Rotation.from_euler("ZYX", [angles.yaw_rad, -angles.pitch_rad, angles.roll_rad])
    np.testing.assert_allclose(matrix_from_ypr(angles), other.as_matrix(), atol=DOUBLE)


@given(first=mounts, second=mounts)
def test_angle_between_rotations_against_scipy(first: YawPitchRoll, second: YawPitchRoll) -> None:
    a, b = matrix_from_ypr(first), matrix_from_ypr(second)
    other = (Rotation.from_matrix(a).inv() * Rotation.from_matrix(b)).magnitude()
    assert rotation_angle(a, b) == pytest.approx(float(other), abs=1e-7)  # both lose half the digits near 180
    assert rotation_angle(a, b) == pytest.approx(rotation_angle(b, a), abs=DOUBLE)


@pytest.mark.parametrize("angle_deg", [0.0, 1e-7, 0.02, 90.0, 179.0, 180.0])
def test_angle_of_a_rotation_is_exact_at_both_ends(angle_deg: float) -> None:
    assert np.degrees(rotation_angle(np.eye(3), mount(0, 0, angle_deg))) == pytest.approx(angle_deg, rel=1e-9)


def test_published_matrix_is_a_rotation_by_its_angle() -> None:
    np.testing.assert_allclose(MARKLEY @ MARKLEY.T, np.eye(3), atol=DOUBLE)
    assert np.degrees(rotation_angle(np.eye(3), checked_rotation(MARKLEY))) == pytest.approx(81.25715, abs=5e-6)
    np.testing.assert_allclose(matrix_from_ypr(ypr_from_matrix(MARKLEY)), MARKLEY, atol=DOUBLE)


def test_published_matrix_from_its_first_case() -> None:
    # Case 1: b = e1, e2, e3 seen in the body, r = A^T b in the reference; Wahba's problem gives A back.
    body = np.eye(3)
    best, rssd = Rotation.align_vectors(body, body @ MARKLEY)
    np.testing.assert_allclose(best.as_matrix(), MARKLEY, atol=DOUBLE)
    assert rssd == pytest.approx(0.0, abs=1e-7)  # a root of a rounding error
    # The paper's quaternion (x, y, z, w) is of the passive convention: scipy's vector part is its negative.
    attitude = np.array([0.31622777, 0.0, 0.56920998, 0.75894664])
    active = best.as_quat() * np.sign(best.as_quat()[3])
    np.testing.assert_allclose(active, attitude * [-1, -1, -1, 1], atol=5e-9)  # 8 printed digits


def test_our_matrices_are_active() -> None:
    """One turn of +90 about z, told both ways; a published attitude matrix is the other one.

    Active (ours): the microphone's front IS the picture's left. Passive: the same picture direction, named in
    the axes of a body that was itself turned +90, is that matrix transposed.
    """
    active = mount(90, 0, 0)
    np.testing.assert_allclose(active, [[0, -1, 0], [1, 0, 0], [0, 0, 1]], atol=DOUBLE)
    passive = np.array([[0, 1, 0], [-1, 0, 0], [0, 0, 1]])
    np.testing.assert_allclose(active.T, passive, atol=DOUBLE)
    np.testing.assert_allclose(passive @ LEFT, FRONT, atol=DOUBLE)  # the picture's left, as the microphone names it
    np.testing.assert_allclose(Rotation.from_euler("z", 90, degrees=True).as_matrix(), active, atol=DOUBLE)


# --- angles of a matrix -------------------------------------------------------------------------------------


@given(angles=mounts)
def test_angles_and_matrix_are_inverse(angles: YawPitchRoll) -> None:
    matrix = matrix_from_ypr(angles)
    back = ypr_from_matrix(matrix)
    # Near pitch +-90 only the matrix is well determined; below 1e-9 of level the code calls it +-90.
    np.testing.assert_allclose(matrix_from_ypr(back), matrix, atol=3e-9)
    assert abs(back.yaw_rad) <= np.pi
    assert abs(back.pitch_rad) <= np.pi / 2
    assert abs(back.roll_rad) <= np.pi


@given(yaw_deg=st.floats(-179.9, 180.0), pitch_deg=st.floats(-89.0, 89.0), roll_deg=st.floats(-179.9, 180.0))
def test_angles_come_back_as_they_went_in(yaw_deg: float, pitch_deg: float, roll_deg: float) -> None:
    back = ypr_from_matrix(mount(yaw_deg, pitch_deg, roll_deg))
    got = np.degrees([back.yaw_rad, back.pitch_rad, back.roll_rad])
    np.testing.assert_allclose(got, [yaw_deg, pitch_deg, roll_deg], atol=1e-9)  # pitch 89: 57 times rounding


@pytest.mark.parametrize("pitch_deg", [90.0, -90.0])
@pytest.mark.parametrize(("yaw_deg", "roll_deg"), [(0, 0), (40, 0), (0, 40), (-100, 70), (180, -30)])
def test_straight_up_and_straight_down(pitch_deg: float, yaw_deg: float, roll_deg: float) -> None:
    matrix = mount(yaw_deg, pitch_deg, roll_deg)
    back = ypr_from_matrix(matrix)
    assert back.roll_rad == 0.0
    assert np.degrees(back.pitch_rad) == pytest.approx(pitch_deg, abs=1e-6)
    np.testing.assert_allclose(matrix_from_ypr(back), matrix, atol=1e-9)


@pytest.mark.parametrize("ypr_deg", [(180, 0, 0), (0, 0, 180), (180, 20, 0), (-30, 10, 180), (180, 0, 180)])
def test_half_turns_read_as_plus_180(ypr_deg: tuple[float, float, float]) -> None:
    back = ypr_from_matrix(mount(*ypr_deg))
    np.testing.assert_allclose(np.degrees([back.yaw_rad, back.pitch_rad, back.roll_rad]), ypr_deg, atol=1e-9)


@pytest.mark.parametrize(("ypr_deg", "read"), [((-180, 0, 0), (180, 0, 0)), ((0, 0, -180), (0, 0, 180))])
def test_minus_180_is_said_as_plus_180(ypr_deg: tuple[float, ...], read: tuple[float, ...]) -> None:
    back = ypr_from_matrix(mount(*ypr_deg))
    np.testing.assert_allclose(np.degrees([back.yaw_rad, back.pitch_rad, back.roll_rad]), read, atol=1e-9)


def test_rounding_does_not_flip_left_to_right() -> None:
    back = ypr_from_matrix(np.array([[-1.0, 1e-17, 0.0], [-1e-17, -1.0, 0.0], [0.0, 0.0, 1.0]]))
    assert back.yaw_rad == np.pi


def test_near_the_pole_rounding_moves_between_yaw_and_roll_and_loses_nothing() -> None:
    matrix = np.round(mount(40.0, 89.99999, 20.0), 7)
    np.testing.assert_allclose(matrix_from_ypr(ypr_from_matrix(matrix)), matrix, atol=1e-6)


# --- turning a field ----------------------------------------------------------------------------------------


@given(angles=mounts, direction=directions)
def test_a_field_turns_as_its_direction_does(angles: YawPitchRoll, direction: np.ndarray) -> None:
    matrix = matrix_from_ypr(angles)
    turned = turn_field(encode(np.ones(1), *map(float, azimuth_elevation(direction))), matrix)
    heard = turned[[X, Y, Z], 0]
    assert float(angle_between(heard, matrix @ direction)) < DOUBLE


@given(first=mounts, second=mounts)
def test_two_turns_are_their_product(first: YawPitchRoll, second: YawPitchRoll) -> None:
    field = np.array([[1.0, 0.3], [0.2, -0.7], [-0.4, 0.1], [0.9, 0.5]])
    a, b = matrix_from_ypr(first), matrix_from_ypr(second)
    np.testing.assert_allclose(turn_field(turn_field(field, a), b), turn_field(field, b @ a), atol=DOUBLE)


@given(angles=mounts)
def test_a_turn_keeps_w_and_the_summed_power(angles: YawPitchRoll) -> None:
    field = np.array([[1.0, 0.3], [0.2, -0.7], [-0.4, 0.1], [0.9, 0.5]])
    turned = turn_field(field, matrix_from_ypr(angles))
    np.testing.assert_array_equal(turned[W], field[W])
    np.testing.assert_allclose(np.sum(turned[1:] ** 2, axis=0), np.sum(field[1:] ** 2, axis=0), rtol=DOUBLE)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_a_turn_keeps_the_dtype_and_its_input(dtype: type, rng: np.random.Generator) -> None:
    field = rng.standard_normal((4, 100)).astype(dtype)
    before = field.copy()
    turned = turn_field(field, mount(20, 30, 40))
    assert turned.dtype == dtype
    np.testing.assert_array_equal(field, before)
    assert not np.shares_memory(field, turned)


@pytest.mark.parametrize("shape", [(3, 10), (5, 10), (4,), (1, 4, 10)])
def test_only_four_channels_turn(shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match=r"turning needs a field of shape \(4, samples\)"):
        turn_field(np.zeros(shape), np.eye(3))


def test_whole_numbers_are_refused_not_truncated() -> None:
    with pytest.raises(InputError, match="floats"):
        turn_field(np.full((4, 2), 100, dtype=np.int16), np.eye(3))


@pytest.mark.parametrize("user", [ypr_from_matrix, checked_rotation, lambda m: turn_field(np.zeros((4, 2)), m)])
@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (np.eye(4), "is a 3 x 3 matrix, got shape"),
        (np.eye(3) * 1.001, "must be orthonormal"),
        (np.array([[1.0, 0.1, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]), "must be orthonormal"),
        (np.full((3, 3), np.nan), "must be orthonormal"),
        (np.diag([1.0, -1.0, 1.0]), "this one mirrors left and right"),
    ],
)
def test_what_is_not_a_rotation_is_refused(user: Callable, matrix: np.ndarray, words: str) -> None:
    with pytest.raises(InputError, match=words):
        user(matrix)


def test_rotation_from_a_vector_turns_by_its_length_and_back() -> None:
    # Right-handed about z: front goes to the left, by 0.5 rad.
    turn = rotation_from_vector(np.array([0.0, 0.0, 0.5]))
    np.testing.assert_allclose(turn @ [1.0, 0.0, 0.0], [np.cos(0.5), np.sin(0.5), 0.0], atol=1e-12)
    vectors = np.array([[0.1, -0.2, 0.3], [-2.0, 1.0, 0.5]])
    np.testing.assert_allclose(vector_from_rotation(rotation_from_vector(vectors)), vectors, atol=1e-12)
