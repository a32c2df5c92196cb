"""The internal form of a field: angles, encoding, and the conversions into it."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import sph_harm_y

from spatial.capsules import Capsules
from spatial.conventions import W, X, Y, Z
from spatial.errors import InputError
from spatial.field import (
    ChannelFormat,
    ReadAs,
    angle_between,
    azimuth_elevation,
    encode,
    internal_from,
    recorded_order,
    unit_vectors,
)

DOUBLE = 1e-12  # rounding of a few double operations on numbers near 1
SINGLE = 1e-6  # internal_from gives float32, whose rounding is 6e-8 of the value

azimuths = st.floats(-np.pi, np.pi)
elevations = st.floats(-np.pi / 2, np.pi / 2)


def plane_wave(azimuth_deg: float, elevation_deg: float) -> np.ndarray:
    """A short plane wave in the internal form."""
    return encode(np.array([1.0, -0.5, 0.25]), np.radians(azimuth_deg), np.radians(elevation_deg))


def recorded_as(channel_format: ChannelFormat, field: np.ndarray) -> np.ndarray:
    """A field as a recorder of another format would write it, from the formats' own definitions."""
    w, y, z, x = field
    if channel_format is ChannelFormat.N3D:
        return np.stack([w, *(np.sqrt(3) * part for part in (y, z, x))])
    if channel_format is ChannelFormat.FUMA:
        return np.stack([w / np.sqrt(2), x, y, z])
    return np.stack([w, y, z, x])


def heard_at_deg(field: np.ndarray) -> tuple[float, float]:
    """Azimuth and elevation of the active intensity of a field, degrees."""
    azimuth, elevation = azimuth_elevation(np.mean(field[W] * field[[X, Y, Z]], axis=1))
    return float(np.degrees(azimuth)), float(np.degrees(elevation))


# --- encoding -----------------------------------------------------------------------------------------------


# Nachbar, Zotter, Deleflie and Sontacchi 2011, "AmbiX": Y, Z, X of a unit source in SN3D, printed to 7 digits.
@pytest.mark.parametrize(
    ("azimuth_deg", "elevation_deg", "y", "z", "x"),
    [
        (0, 0, 0, 0, 1),
        (90, 0, 1, 0, 0),
        (-90, 0, -1, 0, 0),
        (30, 0, 0.5, 0, 0.8660254),
        (45, 30, 0.6123724, 0.5, 0.6123724),
        (0, 90, 0, 1, 0),
    ],
)
def test_encoding_matches_the_published_table(
    azimuth_deg: float, elevation_deg: float, y: float, z: float, x: float
) -> None:
    field = encode(np.array([1.0, -2.0]), np.radians(azimuth_deg), np.radians(elevation_deg))
    unit = np.array([1.0, y, z, x])
    np.testing.assert_allclose(field, np.outer(unit, [1.0, -2.0]), atol=2 * 5e-8)  # 7 printed digits, doubled


def test_channel_numbers_follow_the_acn_rule() -> None:
    # AmbiX (Nachbar et al. 2011): ACN = l (l + 1) + m, with m = -1, 0, 1 for Y, Z, X.
    degree_order = {W: (0, 0), Y: (1, -1), Z: (1, 0), X: (1, 1)}
    for channel, (degree, order) in degree_order.items():
        assert channel == degree * (degree + 1) + order


CORNER_DEG = np.degrees(np.arctan(np.sqrt(0.5)))  # a cube's corner stands this far above its middle plane


@pytest.mark.parametrize(
    ("place", "azimuth_deg", "elevation_deg", "signs_yzx"),
    [
        ("front", 0, 0, "00+"),
        ("left", 90, 0, "+00"),
        ("back", 180, 0, "00-"),
        ("right", -90, 0, "-00"),
        ("above", 0, 90, "0+0"),
        ("below", 0, -90, "0-0"),
        ("front left above", 45, CORNER_DEG, "+++"),
        ("back left above", 135, CORNER_DEG, "++-"),
        ("back right above", -135, CORNER_DEG, "-+-"),
        ("front right above", -45, CORNER_DEG, "-++"),
        ("front left below", 45, -CORNER_DEG, "+-+"),
        ("back left below", 135, -CORNER_DEG, "+--"),
        ("back right below", -135, -CORNER_DEG, "---"),
        ("front right below", -45, -CORNER_DEG, "--+"),
    ],
)
def test_which_way_each_channel_points(place: str, azimuth_deg: float, elevation_deg: float, signs_yzx: str) -> None:
    field = encode(np.ones(1), np.radians(azimuth_deg), np.radians(elevation_deg))[:, 0]
    size = 1.0 if "0" in signs_yzx else 1 / np.sqrt(3)
    signs = {"+": size, "-": -size, "0": 0.0}
    np.testing.assert_allclose(field, [1.0, *(signs[sign] for sign in signs_yzx)], atol=DOUBLE, err_msg=place)
    np.testing.assert_allclose(heard_at_deg(field[:, np.newaxis])[1], elevation_deg, atol=1e-9)


@given(azimuth=azimuths, elevation=elevations)
def test_encoder_against_the_spherical_harmonics_of_scipy(azimuth: float, elevation: float) -> None:
    """Real SN3D harmonics out of scipy's complex, orthonormal ones (n = degree, m = order).

    sqrt(4 pi / (2 n + 1)) takes the orthonormal scale away; sqrt(2) belongs to the real pair of +-m; (-1)^m takes
    out the Condon-Shortley phase, which scipy carries and AmbiX does not. Left and front would come out negative
    with it.
    """
    colatitude = np.pi / 2 - elevation

    def schmidt(order: int) -> complex:
        return complex(np.sqrt(4 * np.pi / 3) * sph_harm_y(1, order, colatitude, azimuth))

    y = np.sqrt(2) * -1 * schmidt(1).imag
    z = schmidt(0).real
    x = np.sqrt(2) * -1 * schmidt(1).real
    np.testing.assert_allclose(encode(np.ones(1), azimuth, elevation)[:, 0], [1.0, y, z, x], atol=DOUBLE)


# --- energy -------------------------------------------------------------------------------------------------

FORMATS = [known for known in ChannelFormat if known is not ChannelFormat.AUTO]
# Derived from the gains of each format: (X2 + Y2 + Z2) / W2.
RATIOS = {ChannelFormat.AMBIX: 1.0, ChannelFormat.N3D: 3.0, ChannelFormat.FUMA: 2.0}


@pytest.mark.parametrize("channel_format", FORMATS)
def test_energy_of_a_plane_wave(channel_format: ChannelFormat) -> None:
    recording = recorded_as(channel_format, plane_wave(25.0, -35.0))
    for field, ratio in [(recording, RATIOS[channel_format]), (internal_from(recording, channel_format), 1.0)]:
        power = np.sum(field.astype(float) ** 2, axis=1)
        np.testing.assert_allclose(power[1:].sum() / power[0], ratio, rtol=SINGLE)


@pytest.mark.parametrize("channel_format", FORMATS)
def test_energy_of_a_diffuse_field(channel_format: ChannelFormat) -> None:
    # Independent waves of equal power from a cube's corners: each gets its own moment, so that powers add.
    corners = np.array(list(itertools.product([1.0, -1.0], repeat=3)))
    field = np.concatenate(
        [encode(np.ones(1), float(a), float(e)) for a, e in zip(*azimuth_elevation(corners), strict=True)], axis=1
    )
    recording = recorded_as(channel_format, field)
    for channels, ratio in [(recording, RATIOS[channel_format]), (internal_from(recording, channel_format), 1.0)]:
        power = np.sum(channels.astype(float) ** 2, axis=1)
        np.testing.assert_allclose(power[1:] / power[0], [ratio / 3] * 3, rtol=SINGLE)


def test_energy_of_a_level_diffuse_field() -> None:
    around = np.arange(8) * np.pi / 4
    field = np.concatenate([encode(np.ones(1), float(azimuth), 0.0) for azimuth in around], axis=1)
    power = np.sum(field**2, axis=1)
    np.testing.assert_allclose(power / power[W], [1.0, 0.5, 0.0, 0.5], atol=DOUBLE)


# --- conversions --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel_format", FORMATS)
@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(0, 0), (100, 20), (-35, -60)])
def test_every_format_becomes_the_same_field(
    channel_format: ChannelFormat, azimuth_deg: float, elevation_deg: float
) -> None:
    field = plane_wave(azimuth_deg, elevation_deg)
    got = internal_from(recorded_as(channel_format, field), channel_format)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, field, atol=SINGLE)


def test_fuma_at_45_degrees_has_w_x_and_y_alike() -> None:
    # M. Leese, "File format for B-format": W is 3.01 dB down, so at azimuth 45, elevation 0, W = X = Y.
    got = internal_from(np.array([[0.5], [0.5], [0.5], [0.0]]), ChannelFormat.FUMA)
    np.testing.assert_allclose(got, encode(np.array([np.sqrt(0.5)]), np.pi / 4, 0.0), atol=SINGLE)


def test_n3d_is_larger_by_the_root_of_three() -> None:
    got = internal_from(np.array([[1.0], [1.7320508], [0.0], [0.0]]), ChannelFormat.N3D)
    np.testing.assert_allclose(got[:, 0], [1.0, 1.0, 0.0, 0.0], atol=SINGLE)


# Derived by writing the channels side by side; azimuth means nothing straight up, hence None.
@pytest.mark.parametrize(
    ("written", "read", "heard"),
    [
        (ChannelFormat.FUMA, ChannelFormat.AMBIX, {(0, 0): (90, 0), (90, 0): (None, 90), (0, 90): (0, 0)}),
        (ChannelFormat.AMBIX, ChannelFormat.FUMA, {(0, 0): (None, 90), (90, 0): (0, 0), (0, 90): (90, 0)}),
    ],
)
def test_signature_of_a_confused_channel_order(written: ChannelFormat, read: ChannelFormat, heard: dict) -> None:
    for source, (azimuth_deg, elevation_deg) in heard.items():
        got = heard_at_deg(internal_from(recorded_as(written, plane_wave(*source)), read))
        assert got[1] == pytest.approx(elevation_deg, abs=1e-5), source
        if azimuth_deg is not None:
            assert got[0] == pytest.approx(azimuth_deg, abs=1e-5), source


@pytest.mark.parametrize(
    ("written", "read"), [(ChannelFormat.N3D, ChannelFormat.AMBIX), (ChannelFormat.AMBIX, ChannelFormat.N3D)]
)
@given(azimuth_deg=st.floats(-179.0, 179.0), elevation_deg=st.floats(-85.0, 85.0))
def test_wrong_normalisation_never_moves_the_direction(
    written: ChannelFormat, read: ChannelFormat, azimuth_deg: float, elevation_deg: float
) -> None:
    field = internal_from(recorded_as(written, plane_wave(azimuth_deg, elevation_deg)), read)
    heard = unit_vectors(*np.radians(heard_at_deg(field)))
    seen = unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))
    assert angle_between(heard, seen) < SINGLE


@pytest.mark.parametrize("channel_format", FORMATS)
def test_higher_orders_are_left_out(channel_format: ChannelFormat, rng: np.random.Generator) -> None:
    channels = rng.standard_normal((9, 5))
    np.testing.assert_array_equal(
        internal_from(channels, channel_format), internal_from(channels[:4].copy(), channel_format)
    )


@pytest.mark.parametrize("channel_format", FORMATS)
def test_conversion_leaves_its_input_alone(channel_format: ChannelFormat, rng: np.random.Generator) -> None:
    channels = rng.standard_normal((4, 5)).astype(np.float32)
    before = channels.copy()
    internal_from(channels, channel_format)
    np.testing.assert_array_equal(channels, before)


@pytest.mark.parametrize("shape", [(2, 100), (3, 100), (4,), (1, 4, 100)])
def test_too_few_channels_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match="a first-order field needs 4 channels"):
        internal_from(np.zeros(shape), ChannelFormat.AMBIX)


# --- angles -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vector", "azimuth_deg", "elevation_deg"),
    [
        ((2.0, 0.0, 0.0), 0.0, 0.0),
        ((0.0, 3.0, 0.0), 90.0, 0.0),
        ((0.0, -3.0, 0.0), -90.0, 0.0),
        ((-1.0, 0.0, 0.0), 180.0, 0.0),
        ((-1.0, -0.0, 0.0), 180.0, 0.0),
        ((-1.0, -1e-3, 0.0), -179.94270, 0.0),  # just past the back, on the right: 180 - atan(0.001)
        ((0.0, 0.0, 5.0), 0.0, 90.0),
        ((0.0, 0.0, -5.0), 0.0, -90.0),
        ((1.0, 1.0, np.sqrt(2.0)), 45.0, 45.0),
        ((0.0, 0.0, 0.0), 0.0, 0.0),
    ],
)
def test_angles_of_a_vector(vector: tuple[float, float, float], azimuth_deg: float, elevation_deg: float) -> None:
    azimuth, elevation = azimuth_elevation(np.array(vector))
    assert np.degrees(azimuth) == pytest.approx(azimuth_deg, abs=1e-5)  # 5 printed digits
    assert np.degrees(elevation) == pytest.approx(elevation_deg, abs=1e-9)


@pytest.mark.slow
@given(azimuth=azimuths, elevation=elevations)
def test_angles_and_vectors_are_inverse(azimuth: float, elevation: float) -> None:
    vector = unit_vectors(azimuth, elevation)
    assert np.linalg.norm(vector) == pytest.approx(1.0, abs=DOUBLE)
    np.testing.assert_allclose(unit_vectors(*azimuth_elevation(vector)), vector, atol=DOUBLE)


def test_many_vectors_are_as_each_alone(rng: np.random.Generator) -> None:
    angles = rng.uniform(-1.5, 1.5, (2, 3, 4))
    together = unit_vectors(angles[0], angles[1])
    assert together.shape == (3, 4, 3)
    azimuth, elevation = azimuth_elevation(together)
    for place in itertools.product(range(3), range(4)):
        np.testing.assert_array_equal(together[place], unit_vectors(angles[0][place], angles[1][place]))
        assert (azimuth[place], elevation[place]) == azimuth_elevation(together[place])


directions = st.builds(unit_vectors, azimuths, elevations)


@given(first=directions, second=directions)
def test_angle_between_is_symmetric_and_agrees_with_the_cosine(first: np.ndarray, second: np.ndarray) -> None:
    angle = float(angle_between(first, second))
    assert angle == float(angle_between(second, first))
    assert 0.0 <= angle <= np.pi
    assert np.cos(angle) == pytest.approx(float(first @ second), abs=DOUBLE)


@pytest.mark.parametrize("angle_rad", [0.0, 1e-12, 1e-8, 0.5, np.pi / 2, np.pi - 1e-8, np.pi])
def test_angle_between_is_exact_where_a_cosine_is_not(angle_rad: float) -> None:
    # arccos would give 0 below 1e-8.
    assert float(angle_between(unit_vectors(0.0, 0.0), unit_vectors(angle_rad, 0.0))) == pytest.approx(
        angle_rad, rel=1e-12, abs=1e-15
    )


def test_a_format_to_be_found_out_is_none_yet() -> None:
    with pytest.raises(InputError, match="not been found out"):
        internal_from(np.zeros((4, 3)), ChannelFormat.AUTO)


@pytest.mark.parametrize(
    ("channel_format", "picked"),
    [
        (ChannelFormat.AMBIX, (10, 11, 12, 13)),
        (ChannelFormat.N3D, (10, 11, 12, 13)),
        (ChannelFormat.FUMA, (10, 13, 11, 12)),
        (Capsules(), (10, 11, 12, 13)),
    ],
)
def test_the_order_a_format_takes_its_channels_in(channel_format: ReadAs, picked: tuple[int, ...]) -> None:
    """ACN is W, Y, Z, X; FuMa W, X, Y, Z (Nachbar et al. 2011)."""
    assert recorded_order(channel_format, (10, 11, 12, 13)) == picked
