"""Pixel and direction for each picture layout."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spatial.errors import InputError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.picture import LAYOUTS, Packing, Picture, parse_picture

DOUBLE = 1e-9  # radians or pixels; rounding at an edge is multiplied by up to a few thousand pixels

FRONT, LEFT, BACK = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), np.array([-1.0, 0.0, 0.0])
UP = np.array([0.0, 0.0, 1.0])
EVERY_LAYOUT = [*LAYOUTS, "fisheye190", "fisheye190-sbs", "fisheye187.5-tb", "fisheye360"]
FRAME = {Packing.ONE_EYE: (2000, 1200), Packing.SIDE_BY_SIDE: (3840, 1920), Packing.TOP_BOTTOM: (1920, 3000)}


def picture_of(layout: str) -> Picture:
    """A frame that fits the packing and is not square, so that mixed-up sides show."""
    packing = next((p for p in Packing if p and layout.endswith(f"-{p}")), Packing.ONE_EYE)
    return parse_picture(layout, *FRAME[packing])


def angles_deg(direction: np.ndarray) -> tuple[float, float]:
    azimuth, elevation = azimuth_elevation(direction)
    return float(np.degrees(azimuth)), float(np.degrees(elevation))


def second_eye(picture: Picture) -> tuple[float, float] | None:
    """How far right and down of the first eye the second one lies."""
    shifts = {Packing.SIDE_BY_SIDE: (picture.width_px / 2, 0.0), Packing.TOP_BOTTOM: (0.0, picture.height_px / 2)}
    return shifts.get(picture.packing)


# --- layouts ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", EVERY_LAYOUT)
def test_every_layout_has_front_in_the_middle_and_left_on_the_left(layout: str) -> None:
    picture = picture_of(layout)
    width, height = picture.eye_size_px
    x, y = width / 2 - 0.5, height / 2 - 0.5
    np.testing.assert_allclose(picture.direction_from_pixel(x, y), FRONT, atol=DOUBLE)
    assert picture.direction_from_pixel(x - 20, y)[1] > 0.0
    assert picture.direction_from_pixel(x + 20, y)[1] < 0.0
    assert picture.direction_from_pixel(x, y - 20)[2] > 0.0
    assert picture.direction_from_pixel(x, y + 20)[2] < 0.0


@pytest.mark.parametrize("layout", EVERY_LAYOUT)
def test_both_eyes_look_the_same_way(layout: str, rng: np.random.Generator) -> None:
    picture = picture_of(layout)
    shift = second_eye(picture)
    if shift is None:
        assert picture.eye_size_px == (picture.width_px, picture.height_px)
        return
    width, height = picture.eye_size_px
    for _ in range(20):
        x, y = width * rng.uniform(0.4, 0.6), height * rng.uniform(0.4, 0.6)
        np.testing.assert_allclose(
            picture.direction_from_pixel(x + shift[0], y + shift[1]), picture.direction_from_pixel(x, y), atol=DOUBLE
        )


@pytest.mark.parametrize("layout", EVERY_LAYOUT)
@given(direction=st.builds(unit_vectors, st.floats(-np.pi, np.pi), st.floats(-np.pi / 2, np.pi / 2)))
def test_direction_to_pixel_and_back(layout: str, direction: np.ndarray) -> None:
    picture = picture_of(layout)
    pixel = picture.pixel_from_direction(direction)
    if pixel is None:
        # A fisheye sees a cone, an equirectangular picture a slice; narrower than either is always seen.
        assert angle_between(direction, FRONT) > min(picture.field_of_view_rad / 2, np.pi / 2)
        return
    assert angle_between(picture.direction_from_pixel(*pixel), direction) < 3 * DOUBLE
    width, height = picture.eye_size_px
    assert -0.5 <= pixel[0] <= width - 0.5
    assert -0.5 <= pixel[1] <= height - 0.5


@pytest.mark.parametrize("layout", EVERY_LAYOUT)
@pytest.mark.parametrize("side", [LEFT, -LEFT, UP, -UP])
def test_the_edges_of_the_front_half_come_back(layout: str, side: np.ndarray) -> None:
    picture = picture_of(layout)
    pixel = picture.pixel_from_direction(side)
    assert pixel is not None
    assert angle_between(picture.direction_from_pixel(*pixel), side) < DOUBLE


@pytest.mark.parametrize("layout", EVERY_LAYOUT)
def test_pixel_to_direction_and_back(layout: str, rng: np.random.Generator) -> None:
    picture = picture_of(layout)
    width, height = picture.eye_size_px
    middle, radius = np.array([width, height]) / 2 - 0.5, 0.49 * min(width, height)
    for part, turn in rng.uniform(0.0, 1.0, (50, 2)):
        about = 2 * np.pi * turn
        pixel = middle + part * radius * np.array([np.cos(about), np.sin(about)])
        np.testing.assert_allclose(
            picture.pixel_from_direction(picture.direction_from_pixel(*pixel)), pixel, atol=1e-6
        )  # near a pole the azimuth, and so the column, has few digits left


@pytest.mark.parametrize(
    "layout",
    ["", "360", "equirect", "equirect90", "equirect180.0", "equirect180-", "equirect180-lr", "equirect180sbs",
     "Equirect180", " equirect180", "equirect180\n", "fisheye", "fisheye0", "fisheye0.5", "fisheye361", "fisheye-180",
     "fisheye１８０", "fisheye180-sbs-tb"],
)  # fmt: skip
def test_unknown_layouts_are_refused_with_the_known_ones(layout: str) -> None:
    with pytest.raises(InputError, match="there is no picture layout") as refusal:
        parse_picture(layout, 3840, 1920)
    for known in LAYOUTS:
        assert known in str(refusal.value)


@pytest.mark.parametrize(("width", "height"), [(0, 1920), (3840, 0), (-3840, 1920)])
def test_a_frame_without_pixels_is_refused(width: int, height: int) -> None:
    with pytest.raises(InputError, match="shows nothing"):
        parse_picture("equirect180", width, height)


@pytest.mark.parametrize(
    ("layout", "width", "height"), [("equirect180-sbs", 3841, 1920), ("fisheye180-tb", 1920, 1921)]
)
def test_eyes_that_cannot_share_a_frame_are_refused(layout: str, width: int, height: int) -> None:
    with pytest.raises(InputError, match="two eyes cannot share a frame"):
        parse_picture(layout, width, height)


@pytest.mark.parametrize("layout", EVERY_LAYOUT)
@pytest.mark.parametrize(
    ("x_parts", "x_px", "y_parts", "y_px"),
    [(0, -0.51, 0.25, 0), (1, -0.49, 0.25, 0), (0.25, 0, 0, -0.51), (0.25, 0, 1, -0.49), (0, np.nan, 0.25, 0),
     (0.25, 0, 0, np.inf)],
)  # fmt: skip
def test_pixels_outside_the_frame_are_refused(
    layout: str, x_parts: float, x_px: float, y_parts: float, y_px: float
) -> None:
    picture = picture_of(layout)
    with pytest.raises(InputError, match="outside the frame"):
        picture.direction_from_pixel(x_parts * picture.width_px + x_px, y_parts * picture.height_px + y_px)


@pytest.mark.parametrize("direction", [[0.0, 0.0, 0.0], [np.nan, 0.0, 1.0], [1.0, 0.0], [[1.0, 0.0, 0.0]]])
def test_what_is_not_a_direction_is_refused(direction: list) -> None:
    with pytest.raises(InputError, match="a direction is three finite numbers"):
        parse_picture("equirect360", 3840, 1920).pixel_from_direction(np.array(direction))


# --- equirectangular ----------------------------------------------------------------------------------------


# Derived from the definition: az = (0.5 - (u + 0.5) / W) * 360, el = (0.5 - (v + 0.5) / H) * 180; 3840 x 1920.
@pytest.mark.parametrize(
    ("x_px", "y_px", "azimuth_deg", "elevation_deg"),
    [
        (1919.5, 959.5, 0.0, 0.0),  # the frame's centre is the front
        (959.5, 959.5, 90.0, 0.0),  # its left quarter is the left
        (2879.5, 959.5, -90.0, 0.0),
        (1919, 959, 0.046875, 0.046875),  # the pixel up and left of the centre: half of 0.09375 degrees
        (1918, 959, 0.140625, 0.046875),
        (0, 0, 179.953125, 89.953125),
        (3839, 1919, -179.953125, -89.953125),
        (1919.5, 479.5, 0.0, 45.0),
    ],
)
def test_equirectangular_values(x_px: float, y_px: float, azimuth_deg: float, elevation_deg: float) -> None:
    picture = parse_picture("equirect360", 3840, 1920)
    direction = picture.direction_from_pixel(x_px, y_px)
    assert angles_deg(direction) == pytest.approx((azimuth_deg, elevation_deg), abs=DOUBLE)
    assert picture.pixel_from_direction(direction) == pytest.approx((x_px, y_px), abs=1e-6)


@pytest.mark.parametrize(
    ("layout", "width", "height", "x_px", "y_px", "azimuth_deg", "elevation_deg"),
    [
        ("equirect180", 1920, 1920, 479.5, 639.5, 45.0, 30.0),
        ("equirect180", 4096, 2048, 1023.5, 511.5, 45.0, 45.0),  # an eye that is not square
        ("equirect180-sbs", 3840, 1920, 479.5, 639.5, 45.0, 30.0),
        ("equirect180-sbs", 3840, 1920, 2399.5, 639.5, 45.0, 30.0),  # the right eye
        ("equirect180-tb", 1920, 3840, 479.5, 639.5, 45.0, 30.0),
        ("equirect180-tb", 1920, 3840, 479.5, 2559.5, 45.0, 30.0),  # the lower eye
        ("equirect360-tb", 3840, 3840, 1439.5, 639.5, 45.0, 30.0),
        ("equirect360-tb", 3840, 3840, 1439.5, 2559.5, 45.0, 30.0),
        ("equirect360-sbs", 7680, 1920, 5279.5, 639.5, 45.0, 30.0),
    ],
)
def test_equirectangular_packings(
    layout: str, width: int, height: int, x_px: float, y_px: float, azimuth_deg: float, elevation_deg: float
) -> None:
    direction = parse_picture(layout, width, height).direction_from_pixel(x_px, y_px)
    assert angles_deg(direction) == pytest.approx((azimuth_deg, elevation_deg), abs=DOUBLE)


@pytest.mark.parametrize(("layout", "view"), [("equirect180", np.pi), ("equirect360", 2 * np.pi)])
def test_equirectangular_against_camera_algebra(layout: str, view: float, rng: np.random.Generator) -> None:
    """The same picture told in a camera's axes: x right, y down, z forward."""
    picture = parse_picture(layout, 2000, 1200)
    for x_px, y_px in rng.uniform((0, 0), (1999, 1199), (50, 2)):
        front, left, up = picture.direction_from_pixel(x_px, y_px)
        right, down, forward = -left, -up, front
        longitude = np.angle(complex(forward, right))  # clockwise from above, as pixels run
        assert (x_px + 0.5) / 2000 == pytest.approx(0.5 + longitude / view, abs=1e-9)
        assert (y_px + 0.5) / 1200 == pytest.approx(0.5 + np.arcsin(down) / np.pi, abs=1e-7)  # arcsin near a pole


@pytest.mark.parametrize("y_zero", [0.0, -0.0])
def test_straight_back_is_at_both_edges_and_given_at_the_left(y_zero: float) -> None:
    picture = parse_picture("equirect360", 3840, 1920)
    for x_px in (-0.5, 3839.5):
        assert angle_between(picture.direction_from_pixel(x_px, 959.5), BACK) < DOUBLE
    assert picture.pixel_from_direction(np.array([-1.0, y_zero, 0.0])) == pytest.approx((-0.5, 959.5))
    just_right = unit_vectors(np.radians(-179.999), 0.0)
    assert picture.pixel_from_direction(just_right)[0] == pytest.approx(3839.5, abs=0.02)


@pytest.mark.parametrize("layout", ["equirect180", "equirect180-sbs", "equirect360", "equirect360-tb"])
@pytest.mark.parametrize("noise", [0.0, 1e-17, -1e-17])
def test_zenith_and_nadir_are_seen_in_the_middle_of_their_row(layout: str, noise: float) -> None:
    picture = picture_of(layout)
    width, height = picture.eye_size_px
    zenith, nadir = np.array([noise, noise, 1.0]), np.array([noise, noise, -1.0])
    assert picture.pixel_from_direction(zenith) == pytest.approx((width / 2 - 0.5, -0.5))
    assert picture.pixel_from_direction(nadir) == pytest.approx((width / 2 - 0.5, height - 0.5))


@pytest.mark.parametrize("layout", ["equirect180", "equirect180-sbs", "equirect180-tb"])
def test_the_front_half_ends_exactly_at_90_degrees(layout: str) -> None:
    picture = picture_of(layout)
    width, height = picture.eye_size_px
    assert picture.pixel_from_direction(LEFT) == pytest.approx((-0.5, height / 2 - 0.5))
    assert picture.pixel_from_direction(-LEFT) == pytest.approx((width - 0.5, height / 2 - 0.5))
    for azimuth_deg in (90.001, -90.001, 180.0):
        assert picture.pixel_from_direction(unit_vectors(np.radians(azimuth_deg), 0.3)) is None


def test_the_seam_belongs_to_the_first_eye_and_the_far_edge_to_the_second() -> None:
    # So that what pixel_from_direction gives for the first eye's far edge is read back as that edge.
    picture = parse_picture("equirect180-sbs", 3840, 1920)
    assert angles_deg(picture.direction_from_pixel(1919, 959.5))[0] == pytest.approx(-89.953125)
    assert angles_deg(picture.direction_from_pixel(1919.5, 959.5))[0] == pytest.approx(-90.0)
    assert angles_deg(picture.direction_from_pixel(1920, 959.5))[0] == pytest.approx(89.953125)
    assert angles_deg(picture.direction_from_pixel(3839.5, 959.5))[0] == pytest.approx(-90.0)
    stacked = parse_picture("equirect180-tb", 1920, 3840)
    assert angles_deg(stacked.direction_from_pixel(959.5, 1919))[1] == pytest.approx(-89.953125)
    assert angles_deg(stacked.direction_from_pixel(959.5, 1919.5))[1] == pytest.approx(-90.0)
    assert angles_deg(stacked.direction_from_pixel(959.5, 1920))[1] == pytest.approx(89.953125)
    assert angles_deg(stacked.direction_from_pixel(959.5, 3839.5))[1] == pytest.approx(-90.0)


# --- fisheye ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("layout", "width", "height", "middle_x", "middle_y", "radius"),
    [
        ("fisheye180", 2000, 1200, 999.5, 599.5, 600.0),  # the circle touches the shorter side
        ("fisheye180", 1200, 2000, 599.5, 999.5, 600.0),
        ("fisheye180-sbs", 3840, 1920, 959.5, 959.5, 960.0),
        ("fisheye180-sbs", 3840, 1920, 2879.5, 959.5, 960.0),
        ("fisheye180-tb", 1920, 3000, 959.5, 749.5, 750.0),
        ("fisheye180-tb", 1920, 3000, 959.5, 2249.5, 750.0),
    ],
)
def test_equidistant_circle(
    layout: str, width: int, height: int, middle_x: float, middle_y: float, radius: float
) -> None:
    # Corke, "FishEyeCamera": r = k theta. A 180-degree circle of radius R: theta 45 degrees is R / 2 (derived).
    picture = parse_picture(layout, width, height)
    half = radius / 2
    left, right = (picture.direction_from_pixel(middle_x + side * half, middle_y) for side in (-1, 1))
    above, below = (picture.direction_from_pixel(middle_x, middle_y + side * half) for side in (-1, 1))
    assert angles_deg(left) == pytest.approx((45.0, 0.0), abs=DOUBLE)
    assert angles_deg(right) == pytest.approx((-45.0, 0.0), abs=DOUBLE)
    assert angles_deg(above) == pytest.approx((0.0, 45.0), abs=DOUBLE)
    assert angles_deg(below) == pytest.approx((0.0, -45.0), abs=DOUBLE)
    edge = picture.direction_from_pixel(middle_x + radius, middle_y)
    np.testing.assert_allclose(edge, -LEFT, atol=DOUBLE)


@pytest.mark.parametrize(("layout", "edge_deg"), [("fisheye160", 80.0), ("fisheye190", 95.0), ("fisheye187.5", 93.75)])
def test_the_number_is_the_field_of_view(layout: str, edge_deg: float) -> None:
    picture = parse_picture(layout, 1920, 1920)
    assert angles_deg(picture.direction_from_pixel(-0.5, 959.5)) == pytest.approx((edge_deg, 0.0), abs=DOUBLE)
    assert picture.pixel_from_direction(unit_vectors(np.radians(edge_deg), 0.0)) == pytest.approx((-0.5, 959.5))
    assert picture.pixel_from_direction(unit_vectors(np.radians(edge_deg + 0.001), 0.0)) is None


@pytest.mark.parametrize("view_deg", [120, 180, 190, 220, 360])
def test_fisheye_against_camera_algebra(view_deg: int, rng: np.random.Generator) -> None:
    """A fisheye camera without distortion, as calibration texts write it: u = f theta (x / r) + c.

    Axes x right, y down, z forward; r = hypot(x, y), theta = atan2(r, z) (which holds beyond 90 degrees too),
    f = R / theta_max, and c is the middle of the frame counted in pixel centres.
    """
    picture = parse_picture(f"fisheye{view_deg}", 2000, 1200)
    focal = 600 / (np.radians(view_deg) / 2)
    for direction in rng.standard_normal((200, 3)):
        x, y, z = -direction[1], -direction[2], direction[0]
        r = np.hypot(x, y)
        theta = np.arctan2(r, z)
        pixel = picture.pixel_from_direction(direction)
        if theta > np.radians(view_deg) / 2:
            assert pixel is None
        else:
            assert pixel == pytest.approx((focal * theta * x / r + 999.5, focal * theta * y / r + 599.5), abs=DOUBLE)


def test_a_whole_sphere_fisheye_gives_straight_back_at_the_left() -> None:
    picture = parse_picture("fisheye360", 1920, 1920)
    for back in ([-1.0, 0.0, 0.0], [-1.0, -0.0, -0.0]):
        assert picture.pixel_from_direction(np.array(back)) == pytest.approx((-0.5, 959.5))


@pytest.mark.parametrize(
    ("layout", "x_px", "y_px"),
    [("fisheye180", 10, 10), ("fisheye180", 398, 599.5), ("fisheye180-sbs", 1925, 5), ("fisheye190-tb", 0, 1499)],
)
def test_the_black_corners_of_a_fisheye_are_refused(layout: str, x_px: float, y_px: float) -> None:
    with pytest.raises(InputError, match="outside the image circle"):
        picture_of(layout).direction_from_pixel(x_px, y_px)
