"""The conventions are sentences about the world, each held by a test and by its worked numbers."""

import ast
import re
from pathlib import Path

import numpy as np
import pytest

from spatial import conventions
from spatial.conventions import FIRST_ORDER_CHANNELS, SPEED_OF_SOUND_M_S, W, X, Y, Z
from spatial.field import unit_vectors

ROOT = Path(__file__).parent.parent
PINNED = re.compile(r"Pinned by\s+``(tests/[\w/]+\.py)::(\w+)``")


def pinned_tests(text: str) -> list[tuple[str, str]]:
    """File and name of every test that a text says pins it."""
    return [(match[1], match[2]) for match in PINNED.finditer(text)]


def names_of_tests(path: Path) -> set[str]:
    return {node.name for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize(("path", "name"), pinned_tests(conventions.__doc__ or ""))
def test_every_pinning_test_exists(path: str, name: str) -> None:
    assert (ROOT / path).is_file(), f"{path} is named in spatial/conventions.py and does not exist"
    assert name in names_of_tests(ROOT / path), f"{path} has no {name}, which spatial/conventions.py names"


def test_no_pin_is_overlooked() -> None:
    text = conventions.__doc__ or ""
    assert len(pinned_tests(text)) == text.count("Pinned by") >= 4


def test_a_missing_pin_would_be_seen() -> None:
    made_up = "Pinned by ``tests/test_conventions.py::test_that_nobody_wrote``."
    [(path, name)] = pinned_tests(made_up)
    assert name not in names_of_tests(ROOT / path)


@pytest.mark.parametrize(
    ("azimuth_deg", "elevation_deg", "vector"),
    [(30, 0, (0.8660254, 0.5, 0.0)), (45, 30, (0.6123724, 0.6123724, 0.5))],
)
def test_worked_numbers_of_the_angles(azimuth_deg: float, elevation_deg: float, vector: tuple[float, ...]) -> None:
    got = unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))
    np.testing.assert_allclose(got, vector, atol=5e-8)  # 7 printed digits
    printed = ", ".join(f"{value:g}" if value in (0.0, 0.5) else f"{value:.7f}" for value in vector)
    assert f"azimuth {azimuth_deg}, elevation {elevation_deg} is ({printed})" in (conventions.__doc__ or "")


def test_channels_are_in_acn_order() -> None:
    assert FIRST_ORDER_CHANNELS == 4
    for place, channel in enumerate((W, Y, Z, X)):
        assert channel == place


# ISO 9613-1: c = 343.2 sqrt(T / 293.15), T in kelvin; table computed from it to 1 mm/s.
@pytest.mark.parametrize(
    ("celsius", "speed_m_s"),
    [(-10, 325.165), (0, 331.286), (10, 337.296), (20, 343.200), (25, 346.114), (30, 349.005), (40, 354.714)],
)
def test_speed_of_sound(celsius: float, speed_m_s: float) -> None:
    warmed = SPEED_OF_SOUND_M_S * np.sqrt((celsius + 273.15) / 293.15)
    assert warmed == pytest.approx(speed_m_s, abs=5e-4)


def test_speed_of_sound_moves_as_the_conventions_say() -> None:
    per_degree = SPEED_OF_SOUND_M_S / (2 * 293.15)  # the slope of a square root at 20 degrees
    assert per_degree == pytest.approx(0.6, abs=0.05)  # one printed digit
