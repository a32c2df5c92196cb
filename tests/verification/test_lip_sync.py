"""Lip-sync: the published limits, both signs, and honesty where an interval holds a limit.

The limits are those of ITU-R BT.1359-1 (1998): detectability +45/-125 ms, acceptability +90/-185 ms, + = sound early.
The numbers are as TV Technology prints them ("Updating lip sync issues", "Managing lip sync").
"""

import math
from fractions import Fraction

import pytest

from spatial.errors import InputError
from spatial.timebase import ClockLaw, ClockStep
from spatial.verification.lip_sync import (
    Verdict,
    in_words,
    judge_lip_sync,
    judge_track,
    size_in_words,
    verdict_in_words,
)


@pytest.mark.parametrize(
    ("early_ms", "verdict"),
    [
        (0.0, "not noticed"),
        (44.9, "not noticed"),
        (-124.9, "not noticed"),
        (45.1, "noticed, acceptable"),
        (-125.1, "noticed, acceptable"),
        (89.9, "noticed, acceptable"),
        (-184.9, "noticed, acceptable"),
        (90.1, "not acceptable"),
        (-185.1, "not acceptable"),
    ],
)
def test_published_limits(early_ms, verdict):
    """BT.1359-1: detectable from +45 and -125 ms, acceptable up to +90 and -185 ms."""
    assert judge_lip_sync(early_ms * 1e-3).verdict.value == verdict


@pytest.mark.parametrize(
    ("early_s", "verdict"),
    [
        (0.045, Verdict.ACCEPTABLE),  # a limit of what is noticed is noticed
        (-0.125, Verdict.ACCEPTABLE),
        (0.090, Verdict.ACCEPTABLE),  # a limit of what is acceptable is acceptable
        (-0.185, Verdict.ACCEPTABLE),
        (math.nextafter(0.045, 0.0), Verdict.UNNOTICED),
        (math.nextafter(-0.125, 0.0), Verdict.UNNOTICED),
        (math.nextafter(0.090, 1.0), Verdict.UNACCEPTABLE),
        (math.nextafter(-0.185, -1.0), Verdict.UNACCEPTABLE),
    ],
)
def test_exactly_at_a_limit(early_s, verdict):
    assert judge_lip_sync(early_s).verdict is verdict


@pytest.mark.parametrize(
    ("early_ms", "sd_ms", "verdict"),
    [
        (40.0, 2.0, Verdict.UNNOTICED),  # 95 %: up to 43.9 ms
        (40.0, 3.0, Verdict.PERHAPS_NOTICED),  # up to 45.9 ms
        (50.0, 3.0, Verdict.PERHAPS_NOTICED),  # from 44.1 ms
        (50.0, 2.0, Verdict.ACCEPTABLE),
        (-120.0, 3.0, Verdict.PERHAPS_NOTICED),
        (0.0, 30.0, Verdict.PERHAPS_NOTICED),  # one end in what is noticed early, the other unnoticed
        (0.0, 80.0, Verdict.UNDECIDED),  # -157 to +157 ms
        (85.0, 4.0, Verdict.PERHAPS_UNACCEPTABLE),
        (-183.0, 4.0, Verdict.PERHAPS_UNACCEPTABLE),
        (67.0, 13.0, Verdict.UNDECIDED),  # 41.5 to 92.5 ms
        (100.0, 4.0, Verdict.UNACCEPTABLE),
        (100.0, 100.0, Verdict.UNDECIDED),
        (0.0, math.inf, Verdict.UNDECIDED),
        (-1e6, 5.0, Verdict.UNACCEPTABLE),
    ],
)
def test_an_interval_that_holds_a_limit_is_not_called_sure(early_ms, sd_ms, verdict):
    assert judge_lip_sync(early_ms * 1e-3, sd_ms * 1e-3).verdict is verdict


@pytest.mark.parametrize(("early_s", "sd_s"), [(math.nan, 0.0), (math.inf, 0.0), (0.0, -1e-3), (0.0, math.nan)])
def test_what_is_no_number_is_refused(early_s, sd_s):
    with pytest.raises(InputError, match="cannot be judged"):
        judge_lip_sync(early_s, sd_s)


@pytest.mark.parametrize(("offset_s", "early_s", "word"), [(0.063, -0.063, "late"), (-0.063, 0.063, "early")])
def test_a_positive_offset_is_heard_late(offset_s, early_s, word):
    """take_time = clip_time + offset_s: laid under the picture, what is seen at t is heard offset_s later."""
    found = judge_track(ClockLaw(offset_s), 60.0)
    assert found.start.early_s == pytest.approx(early_s)
    assert found.end.early_s == pytest.approx(early_s)
    assert size_in_words(found, None) == f"63 ms {word}"
    # The same size is noticed when early, and not when late.
    assert found.worst.verdict is (Verdict.UNNOTICED if word == "late" else Verdict.ACCEPTABLE)


def test_drift_makes_the_end_worse():
    """50 ppm over an hour: 180 ms; with 20 ms at the start the end is 200 ms late, over the limit of 185."""
    found = judge_track(ClockLaw(0.020, 50.0), 3600.0)
    assert (found.start.verdict, found.end.verdict) == (Verdict.UNNOTICED, Verdict.UNACCEPTABLE)
    assert found.worst == found.end
    assert found.worst_s == 3600.0
    assert found.largest_s == pytest.approx(0.200)
    assert in_words(found, Fraction(25)) == (
        "20 ms late at the start, 200 ms late at the end (at worst 5.0 frames at 25 a second): not acceptable "
        "(ITU-R BT.1359-1)"
    )


def test_the_worse_is_the_graver_not_the_larger():
    """120 ms late at the start is not noticed; 50 ms early at the end is."""
    found = judge_track(ClockLaw(0.120, -0.170 / 600 * 1e6), 600.0)
    assert found.end.early_s == pytest.approx(0.050)
    assert found.worst == found.end
    assert found.largest_s == pytest.approx(0.120)


def test_a_small_drift_is_not_spelt_out():
    assert size_in_words(judge_track(ClockLaw(0.050, 80.0), 60.0), None) == "55 ms late"  # 4.8 ms apart; the worse
    assert size_in_words(judge_track(ClockLaw(0.050, 90.0), 60.0), None) == (
        "50 ms late at the start, 55 ms late at the end"
    )


def test_a_step_inside_the_clip_is_seen():
    """In time at both ends, 300 ms early in between: the recorder lost 300 ms, and the camera later the same."""
    law = ClockLaw(0.0, steps=(ClockStep(20.0, -0.300, 1e-4), ClockStep(40.0, 0.300, 1e-4)))
    found = judge_track(law, 60.0)
    assert (found.start.early_s, found.end.early_s) == pytest.approx((0.0, 0.0))
    assert found.worst.early_s == pytest.approx(0.300)
    assert found.worst_s == 20.0
    assert "300 ms early 20.0 s into the clip" in size_in_words(found, None)


@pytest.mark.parametrize("at_s", [-5.0, 60.0, 70.0])
def test_a_step_outside_the_clip_adds_no_moment_inside(at_s):
    found = judge_track(ClockLaw(0.010, steps=(ClockStep(at_s, -0.005),)), 60.0)
    assert found.worst in (found.start, found.end)


def test_the_interval_grows_with_the_drift_that_is_not_known():
    found = judge_track(ClockLaw(0.100), 600.0, offset_sd_s=0.001, drift_sd_ppm=50.0)
    assert found.start.sd_s == pytest.approx(0.001)
    assert found.end.sd_s == pytest.approx(math.hypot(0.001, 0.030))
    assert (found.start.verdict, found.end.verdict) == (Verdict.UNNOTICED, Verdict.PERHAPS_NOTICED)
    assert "give or take" in in_words(found, None)


@pytest.mark.parametrize(
    ("offset_s", "rate", "said"),
    [
        (0.063, Fraction(25), "63 ms late (1.6 frames at 25 a second)"),
        (-0.040, Fraction(25), "40 ms early (1.0 frame at 25 a second)"),
        (0.0417, Fraction(24000, 1001), "42 ms late (1.0 frame at 23.976 a second)"),
        (0.100, Fraction(60000, 1001), "100 ms late (6.0 frames at 59.94 a second)"),
        (-0.0031, Fraction(30), "3.1 ms early (0.1 frames at 30 a second)"),
        (0.0001, Fraction(25), "0.1 ms late (under 0.1 frame at 25 a second)"),
        (0.0, Fraction(25), "0.0 ms off (under 0.1 frame at 25 a second)"),
        (2.5, Fraction(25), "2.50 s late (62.5 frames at 25 a second)"),
        (0.063, None, "63 ms late"),
    ],
)
def test_size_in_words(offset_s, rate, said):
    assert size_in_words(judge_track(ClockLaw(offset_s), 60.0), rate) == said


def test_every_verdict_has_words_and_its_source():
    cases = [(0.0, 0.0), (0.045, 0.002), (0.05, 0.0), (0.09, 0.002), (0.0, 1.0), (1.0, 0.0)]
    said = [verdict_in_words(judge_track(ClockLaw(-early), 60.0, offset_sd_s=sd)) for early, sd in cases]
    assert len(set(said)) == len(Verdict)
    assert all(text.endswith("(ITU-R BT.1359-1)") for text in said)
