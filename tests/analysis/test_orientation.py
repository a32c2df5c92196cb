"""The mount: worked cases, the published covariance, what cannot be told."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from spatial.analysis import orientation, rotationfit
from spatial.analysis.orientation import Hanging, MountPrior, estimate_mount
from spatial.errors import InconclusiveError, InputError
from spatial.field import unit_vectors
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle


def directions(azimuths, elevations=0.0):
    return unit_vectors(np.radians(np.asarray(azimuths, dtype=float)), np.radians(elevations))


SPREAD = directions([40, -30, 5], [10, -5, 20])


def believe_what_is_stated(monkeypatch):
    """The published laws hold where the stated uncertainties are the whole truth: no mark's own, no room's scatter."""
    monkeypatch.setattr(orientation, "MARK_SD_RAD", 0.0)
    monkeypatch.setattr(orientation, "_PULLED_ALIKE", 0.0)
    monkeypatch.setattr(rotationfit, "SCATTER_FREEDOM", 1e9)


@pytest.mark.parametrize("angles", [(0, 0, 0), (92.6, 0, 0), (180, -4, 2), (10, 5, 178), (-120, 30, -60), (0, 89, 0)])
def test_exact_marks_give_the_exact_mount(angles):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(*angles))
    result = estimate_mount(SPREAD, SPREAD @ mount, np.full(3, 0.02))
    np.testing.assert_allclose(result.matrix, mount, atol=1e-9)
    assert np.max(result.residuals_rad) < 1e-7
    assert result.mirrored is False


def test_agrees_with_scipy_align_vectors(rng):
    """Second implementation of Wahba's problem: scipy.spatial.transform.Rotation.align_vectors."""
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(50, 10, 170))
    measured = SPREAD @ mount + 0.05 * rng.standard_normal((3, 3))
    measured /= np.linalg.norm(measured, axis=1, keepdims=True)
    sd = np.array([0.02, 0.05, 0.1])
    weights = 1 / (sd**2 + orientation.MARK_SD_RAD**2)
    expected, _ = Rotation.align_vectors(SPREAD, measured, weights=weights)
    np.testing.assert_allclose(estimate_mount(SPREAD, measured, sd).matrix, expected.as_matrix(), atol=1e-6)


def test_worked_matrix_of_markley_and_mortari():
    """Markley and Mortari 2000, J. Astronaut. Sci. 48, test case 1 (value from memory)."""
    worked = np.array([[0.352, 0.864, 0.360], [-0.864, 0.152, 0.480], [0.360, -0.480, 0.800]])
    result = estimate_mount(np.eye(3), np.eye(3) @ worked, np.full(3, 1e-3))
    np.testing.assert_allclose(result.matrix, worked, atol=1e-12)


@pytest.mark.parametrize(
    ("azimuths", "roll", "pitch", "yaw"),
    [
        ([0, 90], 2.00, 2.00, 1.41),
        ([-30, 30], 2.83, 1.63, 1.41),
        ([-15, 15], 5.46, 1.46, 1.41),
        ([-30, 0, 30], 2.83, 1.26, 1.15),
        ([0, 90, 180, 270], 1.41, 1.41, 1.00),
    ],
)
def test_published_covariance_table(monkeypatch, azimuths, roll, pitch, yaw):
    """Shuster and Oh 1981 (formula from memory): sd in degrees of N directions of 2 degrees each."""
    believe_what_is_stated(monkeypatch)
    marks = directions(azimuths)
    result = estimate_mount(marks, marks, np.full(len(azimuths), np.radians(2.0)))
    found = np.degrees([result.sd_rad.roll_rad, result.sd_rad.pitch_rad, result.sd_rad.yaw_rad])
    np.testing.assert_allclose(found, [roll, pitch, yaw], atol=0.01)


def test_covariance_by_simulation(rng, monkeypatch):
    believe_what_is_stated(monkeypatch)
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(30, 5, -10))
    marks = directions([-50, 0, 60], [0, 10, -10])
    sd, found = np.radians(1.0), []
    for _ in range(400):
        noisy = marks @ mount + sd * rng.standard_normal((3, 3))
        result = estimate_mount(marks, noisy / np.linalg.norm(noisy, axis=1, keepdims=True), np.full(3, sd))
        found.append([result.angles.yaw_rad, result.angles.pitch_rad, result.angles.roll_rad])
    stated = estimate_mount(marks, marks @ mount, np.full(3, sd)).sd_rad
    np.testing.assert_allclose(
        np.std(found, axis=0),
        [stated.yaw_rad, stated.pitch_rad, stated.roll_rad],
        rtol=0.12,  # 400 draws: 3.5 %
    )


def test_one_mark_tells_nothing_by_itself():
    result = estimate_mount(SPREAD[:1], SPREAD[:1], np.full(1, 0.02))
    assert result.matrix is None
    assert result.angles is None
    assert result.undetermined == ("yaw", "pitch", "roll")
    assert result.mirrored is None


@pytest.mark.parametrize(("hanging", "roll"), [(Hanging.UPRIGHT, 0.0), (Hanging.UPSIDE_DOWN, 180.0)])
def test_one_mark_and_the_crews_word_tell_the_facing(hanging, roll):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(50, 0, roll))
    result = estimate_mount(SPREAD[:1], SPREAD[:1] @ mount, np.full(1, 0.02), prior=MountPrior(hanging=hanging))
    assert result.undetermined == ()
    assert np.degrees(rotation_angle(result.matrix, mount)) < 1e-6


def test_marks_in_one_place_leave_a_turn_open():
    marks = directions([20, 21, 22])
    result = estimate_mount(marks, marks, np.full(3, np.radians(2)))
    assert result.matrix is None
    assert result.undetermined


def test_more_scatter_than_stated_widens_the_interval():
    mount = np.eye(3)
    good = estimate_mount(SPREAD, SPREAD @ mount, np.full(3, 0.02))
    bent = SPREAD + np.array([[0, 0.2, 0], [0, -0.2, 0.1], [0, 0, -0.2]])
    bad = estimate_mount(SPREAD, bent / np.linalg.norm(bent, axis=1, keepdims=True), np.full(3, 0.02))
    assert bad.sd_rad.yaw_rad > 2 * good.sd_rad.yaw_rad


def test_an_inverted_channel_is_called_a_mirror():
    marks = directions([0, 90, -60, 20], [0, 10, -10, 60])
    mirrored = marks * np.array([1.0, -1.0, 1.0])
    assert estimate_mount(marks, mirrored, np.full(4, 0.02)).mirrored is True


def test_marks_in_one_plane_cannot_tell_a_mirror():
    marks = directions([0, 90, -60])
    assert estimate_mount(marks, marks * np.array([1.0, 1.0, -1.0]), np.full(3, 0.02)).mirrored is None


def test_no_mark_is_inconclusive():
    with pytest.raises(InconclusiveError, match="no mark"):
        estimate_mount(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0))


def test_unequal_numbers_are_refused():
    with pytest.raises(InputError, match="do not fit"):
        estimate_mount(SPREAD, SPREAD[:2], np.full(3, 0.02))


def test_a_wrong_rig_shows_as_a_poor_fit():
    """Marks seen from the wrong side of the lens: 11 degrees up for the near one, 4 for the far."""
    seen = directions([40, -30, 5, -80], [0, 0, 0, 0])
    truly = directions([40, -30, 5, -80], [11, 4, 5, 12])
    assert estimate_mount(truly, truly, np.full(4, np.radians(1.0))).misfit < 0.1
    assert estimate_mount(seen, directions([40, -30, 5, -80], [22, 0, 10, -9]), np.full(4, np.radians(1.0))).misfit > 4
