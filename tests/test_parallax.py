"""Where the microphone has a performer whom the lens sees."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from spatial.errors import InputError
from spatial.field import azimuth_elevation, unit_vectors
from spatial.picture import parallax_angle_rad, seen_from_microphone

FRONT, UP = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])


def angles_deg(direction: np.ndarray) -> tuple[float, float]:
    azimuth, elevation = azimuth_elevation(direction)
    return float(np.degrees(azimuth)), float(np.degrees(elevation))


@pytest.mark.parametrize(
    ("words", "azimuth_deg", "distance_m", "mic_offset_m", "heard_deg"),
    [
        # atan(0.3 / 1.5) = 11.30993 degrees
        ("microphone 0.30 m below the lens: heard higher", 0, 1.5, (0, 0, -0.3), (0.0, 11.30993)),
        ("microphone above the lens: heard lower", 0, 1.5, (0, 0, 0.3), (0.0, -11.30993)),
        ("microphone left of the lens: heard further right", 0, 1.5, (0, 0.3, 0), (-11.30993, 0.0)),
        ("microphone right of the lens: heard further left", 0, 1.5, (0, -0.3, 0), (11.30993, 0.0)),
        ("microphone ahead of the lens: one at the side falls behind", 90, 1.5, (0.5, 0, 0), (108.43495, 0.0)),
        ("microphone ahead: one in front stays in front", 0, 1.5, (0.5, 0, 0), (0.0, 0.0)),
        ("microphone at the lens: nothing moves", 30, 1.5, (0, 0, 0), (30.0, 0.0)),
        ("microphone below: one at the side is heard higher too", -90, 1.5, (0, 0, -0.3), (-90.0, 11.30993)),
        ("far away: hardly anything", 0, 150.0, (0, 0, -0.3), (0.0, 0.11459)),
    ],
)
def test_where_the_microphone_has_the_performer(
    words: str,
    azimuth_deg: float,
    distance_m: float,
    mic_offset_m: tuple[float, float, float],
    heard_deg: tuple[float, float],
) -> None:
    heard = seen_from_microphone(unit_vectors(np.radians(azimuth_deg), 0.0), distance_m, mic_offset_m)
    assert angles_deg(heard) == pytest.approx(heard_deg, abs=5e-6), words  # 5 printed digits
    assert np.linalg.norm(heard) == pytest.approx(1.0, abs=1e-12)


def test_parallax_of_the_worked_number() -> None:
    assert np.degrees(parallax_angle_rad(FRONT, 1.5, (0, 0, -0.3))) == pytest.approx(11.30993, abs=5e-6)


place_m = st.floats(-2.0, 2.0)


@given(
    direction=st.builds(unit_vectors, st.floats(-np.pi, np.pi), st.floats(-np.pi / 2, np.pi / 2)),
    distance_m=st.floats(0.5, 100.0),
    mic_offset_m=st.tuples(place_m, place_m, place_m),
)
def test_lens_microphone_and_performer_make_a_triangle(
    direction: np.ndarray, distance_m: float, mic_offset_m: tuple[float, float, float]
) -> None:
    assume(float(np.linalg.norm(direction * distance_m - np.array(mic_offset_m))) > 0.1)
    heard = seen_from_microphone(direction, distance_m, mic_offset_m)
    # Going round by the microphone ends at the same performer, however far it is from there ...
    heard_m = float((direction * distance_m - np.array(mic_offset_m)) @ heard)
    np.testing.assert_allclose(np.array(mic_offset_m) + heard * heard_m, direction * distance_m, atol=1e-9)
    # ... and the side between lens and microphone obeys the law of cosines.
    across = distance_m**2 + heard_m**2
    across -= 2 * distance_m * heard_m * np.cos(parallax_angle_rad(direction, distance_m, mic_offset_m))
    assert across == pytest.approx(float(np.sum(np.square(mic_offset_m))), abs=1e-8)  # differences of 1e4 m2


def test_the_length_of_a_direction_does_not_matter() -> None:
    mic_offset_m = (0.1, -0.2, -0.3)
    np.testing.assert_allclose(
        seen_from_microphone(5 * UP, 2.0, mic_offset_m), seen_from_microphone(UP, 2.0, mic_offset_m), atol=1e-15
    )


@pytest.mark.parametrize("use", [seen_from_microphone, parallax_angle_rad])
@pytest.mark.parametrize(
    ("direction", "distance_m", "mic_offset_m", "words"),
    [
        (FRONT, 0.0, (0, 0, 0), "distance must be above 0"),
        (FRONT, -1.5, (0, 0, 0), "distance must be above 0"),
        (FRONT, np.nan, (0, 0, 0), "distance must be above 0"),
        (FRONT, np.inf, (0, 0, 0), "distance must be above 0"),
        (FRONT, 1.5, (0, 0), "three numbers in metres"),
        (FRONT, 1.5, (0, 0, np.nan), "three numbers in metres"),
        (FRONT, 1.5, (1.5, 0, 0), "stands where the microphone is"),
        (0 * FRONT, 1.5, (0, 0, -0.3), "a direction is three finite numbers"),
    ],
)
def test_impossible_places_are_refused(use, direction, distance_m, mic_offset_m, words) -> None:
    with pytest.raises(InputError, match=words):
        use(direction, distance_m, mic_offset_m)
