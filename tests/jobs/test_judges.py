"""Each mark is judged by the mount that the other marks give."""

import json
from dataclasses import replace

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import ORDINARY, PERFECT
from spatial.field import unit_vectors
from spatial.jobs.orient.from_marks import orient_measured
from spatial.jobs.orient.judges import gave_facts, judges_of_mount, judges_of_track, mark_key, marks_that_gave
from spatial.jobs.orient.measure_marks import MeasuredMark, offset_turns
from spatial.jobs.rig import Rig
from spatial.jobs.verify import Tolerance, check_marks
from spatial.media.tables import Mark
from spatial.report.text import judged_in_words
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.verification.placement import JudgedBy, Verdict

MOUNT = matrix_from_ypr(YawPitchRoll.from_degrees(70.0, 6.0, -4.0))
PLACES = ((60.0, -10.0), (20.0, 14.0), (-15.0, -8.0), (-62.0, 10.0), (0.0, 40.0))


def heard_marks(count, *, off_deg=0.0, sd_deg=1.0):
    """Marks whose first is heard so far to the left of where it is marked."""
    marks = []
    for n, (azimuth, elevation) in enumerate(PLACES[:count]):
        seen = unit_vectors(*np.radians([azimuth, elevation]))
        there = unit_vectors(*np.radians([azimuth + (off_deg if n == 0 else 0.0), elevation]))
        span = SpanDirection(True, there @ MOUNT, np.radians(sd_deg), 1.0)
        mark = Mark(f"p{n}", float(n), n + 1.0, *np.radians([azimuth, elevation]), 2.0)
        marks.append(MeasuredMark(mark, seen, 0.0, span))
    return marks


def judged(marks, *, track=None, microphone=ORDINARY):
    told = orient_measured(None, marks, rig=Rig(microphone=microphone))
    matrix = told.matrix if track is None else track @ told.matrix
    turned = [replace(m, heard=replace(m.heard, vector=matrix @ m.heard.vector)) for m in marks]
    checks, _ = check_marks(turned, Tolerance(), judges_of_mount(told, len(marks), Rig()))
    return turned, [check for _, check in checks]


def test_a_mark_that_bent_the_mount_is_judged_without_its_own_say():
    _, checks = judged(heard_marks(5, off_deg=7.0))
    assert {check.judged_by for check in checks} == {JudgedBy.OTHER_MARKS}
    # The others put it 7 degrees off; with its own say it pulls the track towards itself.
    assert np.degrees(checks[0].azimuth_rad) == pytest.approx(7.0, abs=0.05)
    assert checks[0].track_error_rad < checks[0].error_rad
    assert checks[0].verdict is not Verdict.IN_PLACE


def test_its_uncertainty_takes_in_that_of_the_others():
    _, checks = judged(heard_marks(4), microphone=PERFECT)
    for check in checks:
        assert check.error_rad < 1e-6
        assert np.radians(1.0) < check.sd_rad < np.radians(4.0)


@pytest.mark.parametrize("count", [3, 4])
def test_its_uncertainty_takes_in_the_microphone(count):
    """Whether others judge it or the mount that it helped to give: a take's marks share the microphone's errors."""
    known, unknown = (judged(heard_marks(count), microphone=one)[1] for one in (PERFECT, ORDINARY))
    for exact, ordinary in zip(known, unknown, strict=True):
        assert exact.judged_by is ordinary.judged_by
        assert np.radians(0.5) < np.sqrt(ordinary.sd_rad**2 - exact.sd_rad**2) < np.radians(7.0)


def test_a_true_mark_that_the_microphone_moved_is_not_called_off():
    """Gains of 1.18 and 0.88 move who is 45 degrees aside by 8.3 degrees, and no mount takes it all up."""
    marks = []
    for mark in heard_marks(5):
        bent = mark.heard.vector * np.array([1.18, 0.88, 0.88])
        marks.append(replace(mark, heard=replace(mark.heard, vector=bent / np.linalg.norm(bent))))
    _, checks = judged(marks)
    assert max(check.error_rad for check in checks) > np.radians(5.0)
    assert Verdict.OFF not in {check.verdict for check in checks}
    _, accused = judged(marks, microphone=PERFECT)
    assert Verdict.OFF in {check.verdict for check in accused}


@pytest.mark.parametrize(("count", "words"), [(3, "the marks that told the mount"), (4, "the other marks give")])
def test_the_words_say_by_what(count, words):
    _, checks = judged(heard_marks(count))
    lines = judged_in_words(checks)
    assert words in lines[0]
    # Over a day, or a page, there is no such column.
    assert ("'off by'" in lines[0]) is (count == 4)
    bare = judged_in_words(checks, columns=False)
    assert words in bare[0]
    assert "'off by'" not in " ".join(bare)


def test_a_track_that_was_turned_away_afterwards_is_off_all_the_same():
    away = matrix_from_ypr(YawPitchRoll.from_degrees(20.0, 0.0, 0.0))
    turned, checks = judged(heard_marks(5), track=away)
    assert {check.verdict for check in checks} == {Verdict.OFF}
    again = judges_of_track(turned, [True] * 5, Rig())
    assert {check.verdict for _, check in check_marks(turned, Tolerance(), again)[0]} == {Verdict.OFF}


def test_a_track_read_back_is_judged_as_when_it_was_made():
    turned, checks = judged(heard_marks(5, off_deg=7.0))
    again, _ = check_marks(turned, Tolerance(), judges_of_track(turned, [True] * 5, Rig()))
    for (_, late), check in zip(again, checks, strict=True):
        assert late.judged_by is check.judged_by
        assert late.azimuth_rad == pytest.approx(check.azimuth_rad, abs=np.radians(0.3))


def test_a_foreign_track_is_taken_as_it_is():
    turned, _ = judged(heard_marks(5, off_deg=7.0))
    checks = [check for _, check in check_marks(turned, Tolerance(), judges_of_track(turned, [False] * 5, Rig()))[0]]
    assert {check.judged_by for check in checks} == {JudgedBy.TRACK}
    assert all(check.error_rad == check.track_error_rad for check in checks)
    assert judged_in_words(checks) == []


def test_a_mount_given_by_hand_was_not_told_by_marks():
    assert {judge.judged_by for judge in judges_of_mount(None, 4, Rig())} == {JudgedBy.TRACK}


def test_one_wild_mark_does_not_spoil_the_judgement_of_the_others():
    _, checks = judged(heard_marks(5, off_deg=50.0))
    assert checks[0].verdict is Verdict.OFF
    assert all(check.verdict is Verdict.IN_PLACE for check in checks[1:])


def test_the_sidecar_says_which_marks_gave_the_mount(tmp_path):
    marks = [mark.mark for mark in heard_marks(3)]
    track = tmp_path / "track.wav"
    facts = {"output": {"path": "track.wav"}, "applied": {"mount_marks": gave_facts(marks[:2])}}
    track.with_suffix(".json").write_text(json.dumps(facts), encoding="utf-8")
    assert [mark_key(mark) in marks_that_gave(track) for mark in marks] == [True, True, False]
    assert marks_that_gave(tmp_path / "other.wav") == frozenset()
    track.with_suffix(".json").write_text('{"output": 3}', encoding="utf-8")
    assert marks_that_gave(track) == frozenset()


def test_an_uncertain_place_widens_tip_and_not_by_counting_marks():
    """2 m away 3 cm up or down is 0.86 degrees by geometry; marks to the side tip a little less."""
    widths = []
    for times in (1, 4):
        exact = heard_marks(4, sd_deg=0.05) * times
        aside = [replace(m, aside=np.stack([m.expected, m.expected, lowered(m.expected)])) for m in exact]
        turns, rest = offset_turns(aside)
        assert not turns[:2].any()
        assert np.all(rest < np.radians(0.86))
        widths.append([np.sqrt(np.trace(orient_measured(None, marks).mount.covariance)) for marks in (exact, aside)])
    added = [np.degrees(np.sqrt(wide**2 - exact**2)) for exact, wide in widths]
    assert added == pytest.approx([0.86, 0.86], abs=0.3)
    assert widths[1][0] < widths[0][0]


def lowered(vector):
    """Seen from 3 cm higher up, 2 m away."""
    down = 2.0 * vector - np.array([0.0, 0.0, 0.03])
    return down / np.linalg.norm(down)
