"""Where the microphone hung, from marks with distances and from arrival times; all values by geometry."""

import numpy as np
import pytest

from spatial.field import unit_vectors
from spatial.mount.mic_offset import (
    OffsetEvidence,
    combined,
    errors_shown_m,
    evidence_of_arrivals,
    evidence_of_marks,
    judge_offset,
)
from spatial.picture import seen_from_microphone
from spatial.rotation import YawPitchRoll, matrix_from_ypr

MOUNT = matrix_from_ypr(YawPitchRoll.from_degrees(40.0, -5.0, 175.0))
GIVEN = np.array([0.02, 0.0, -0.3])
AZIMUTHS_DEG, ELEVATIONS_DEG = [60.0, 25.0, -5.0, -30.0, 10.0, -65.0], [-10.0, 12.0, 5.0, -8.0, 0.0, 9.0]
DISTANCES_M = (1.0, 1.2, 3.5, 1.5, 4.0, 1.1)


def marks(true, sd_deg=0.5):
    seen = unit_vectors(np.radians(AZIMUTHS_DEG), np.radians(ELEVATIONS_DEG))
    heard = np.stack([seen_from_microphone(s, d, true) for s, d in zip(seen, DISTANCES_M, strict=True)]) @ MOUNT
    return seen, np.array(DISTANCES_M), heard, np.full(len(seen), np.radians(sd_deg))


def by_marks(true, sd_deg=0.5):
    return evidence_of_marks(*marks(true, sd_deg), mic_offset_m=GIVEN, picture_from_mic=MOUNT)


def by_arrivals(true, sd_m=0.02):
    return evidence_of_arrivals(-MOUNT.T @ true, np.eye(3) * sd_m**2, mic_offset_m=GIVEN, picture_from_mic=MOUNT)


@pytest.mark.parametrize("evidence", [by_marks, by_arrivals])
def test_a_place_given_right_is_not_doubted(evidence):
    judged = judge_offset(evidence(GIVEN))
    assert judged.wrong < 0.1
    np.testing.assert_allclose(judged.effective_sd_m, 0.03)


@pytest.mark.parametrize("off", [(0.3, 0.0, 0.0), (-0.3, 0.0, 0.0), (0.0, 0.3, 0.0), (0.0, -0.3, 0.0), (0.0, 0.0, 0.3)])
def test_arrival_times_name_the_better_place(off):
    judged = judge_offset(by_arrivals(GIVEN + off))
    assert judged.clear
    np.testing.assert_allclose(judged.difference_m, off, atol=0.03)  # the prior of 25 cm pulls a little
    assert judged.effective_sd_m[int(np.argmax(np.abs(off)))] > 0.2


@pytest.mark.parametrize("off_m", [0.3, -0.3])
def test_marks_far_and_near_show_a_place_that_a_turn_cannot_explain(off_m):
    judged = judge_offset(by_marks(GIVEN + np.array([off_m, 0.0, 0.0]), sd_deg=0.1))
    assert abs(judged.difference_m[0] - off_m) < 2 * judged.sd_m[0]
    assert np.sign(judged.difference_m[0]) == np.sign(off_m)


def test_marks_without_distances_say_nothing():
    seen, distances, heard, sd = marks(GIVEN)
    said = evidence_of_marks(seen, distances * np.nan, heard, sd, mic_offset_m=GIVEN, picture_from_mic=MOUNT)
    assert not said.information.any()
    assert judge_offset(said).told == (False, False, False)


def test_clips_add_up_but_the_cameras_own_microphones_stay_where_they_are():
    alone, many = by_arrivals(GIVEN, 0.05), combined([by_arrivals(GIVEN, 0.05)] * 50)
    assert np.all(judge_offset(many).sd_m < judge_offset(alone).sd_m)
    assert np.all(judge_offset(many).sd_m > 0.045)  # 5 cm from lens to microphones, and the prior of 25 cm


def test_clips_that_are_each_unsure_are_sure_together():
    one = by_arrivals(GIVEN + np.array([0.0, 0.3, 0.0]), 0.14)
    assert not judge_offset(one).clear
    assert judge_offset(combined([one] * 12)).clear


def test_nothing_measured_is_no_evidence():
    unknown = np.diag(np.full(3, np.inf))
    nothing = evidence_of_arrivals(np.zeros(3), unknown, mic_offset_m=GIVEN, picture_from_mic=MOUNT)
    assert not nothing.by_arrivals.any()
    assert not judge_offset(OffsetEvidence()).clear
    assert not combined([]).information.any()


def test_what_a_ring_of_marks_cannot_show_is_said_to_be_unseen():
    """Performers at one height and one distance: 20 cm of height tip all of them alike, as a tilted mount would."""
    seen = unit_vectors(np.radians([40.0, 15.0, -10.0, -35.0]), np.zeros(4))
    heard = np.stack([seen_from_microphone(each, 1.5, GIVEN) for each in seen]) @ MOUNT
    said = evidence_of_marks(
        seen, np.full(4, 1.5), heard, np.full(4, np.radians(1.0)), mic_offset_m=GIVEN, picture_from_mic=MOUNT
    )
    assert errors_shown_m(said)[2] > 0.2
    assert np.all(np.isinf(errors_shown_m(OffsetEvidence())))


def test_arrival_times_show_what_they_measure():
    """By hand: 1.96 deviations of 2 cm of their own, 5 cm from the camera's microphones to its lens, and across the

    30 cm what 4 degrees of the mount do, together.
    """
    along, across = 1.96 * np.hypot(0.02, 0.05), 1.96 * np.sqrt(0.02**2 + 0.05**2 + (0.07 * 0.3) ** 2)
    np.testing.assert_allclose(errors_shown_m(by_arrivals(GIVEN)), [across, across, along], rtol=0.01)


def test_what_is_measured_off_counts_on_top():
    """Measured 10 cm up: 20 cm up would fit, though the arrival times know height to 11 cm."""
    shown = errors_shown_m(by_arrivals(GIVEN + np.array([0.0, 0.0, 0.1])))
    assert shown[2] == pytest.approx(0.1 + 1.96 * np.hypot(0.02, 0.05), rel=0.03)
    assert shown[2] > 0.2


@pytest.mark.slow
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_an_error_is_seldom_larger_than_what_is_said_to_show(axis):
    """Directions and distances with errors as stated: no more than 5 in 100, give or take three deviations of 120."""
    rng = np.random.default_rng(axis)
    off = 0.2 * np.eye(3)[axis]
    missed = 0
    for _ in range(120):
        seen, distances, heard, sd = marks(GIVEN + off, sd_deg=1.0)
        heard = heard + np.radians(1.0) * rng.standard_normal(heard.shape)
        heard /= np.linalg.norm(heard, axis=1, keepdims=True)
        guessed = distances * np.exp(0.2 * rng.standard_normal(len(distances)) + 0.1 * rng.standard_normal())
        said = evidence_of_marks(seen, guessed, heard, sd, mic_offset_m=GIVEN, picture_from_mic=MOUNT)
        missed += errors_shown_m(said)[axis] < 0.2
    assert missed <= 13


def test_an_error_that_shows_can_be_ruled_out():
    """Exact marks, near and far, high and low, with exact distances many times over: 20 cm would show on every axis."""
    assert np.all(errors_shown_m(combined([by_marks(GIVEN, 0.5)] * 20)) < 0.2)
