"""One mount for the clips of a rig: what clips lend each other, and when the microphone is said to have been knocked.

Days are drawn by tests.scenes.rig: rooms, floors, clicks and one microphone's errors; limits are 95 % intervals.
"""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from spatial.direction.microphone_error import ORDINARY
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.from_marks import orient_measured
from spatial.jobs.orient.from_rig import RIG, RigClip, orient_rig
from spatial.jobs.rig import Rig
from spatial.mount.rig_mount import apart
from spatial.rotation import rotation_angle
from tests.scenes.rig import drawn_day

SYNC_NOTE = Finding(Code.DRIFT, Severity.NOTE, "the clocks run apart")


def row(day, *, hidden=()):
    """The clips of a day as they come from their matches."""
    clips = []
    for number, clip in enumerate(day.clips):
        sync = SimpleNamespace(clip=SimpleNamespace(path=Path(f"clip{number}.mov")), take=None, findings=(SYNC_NOTE,))
        own = None if number in hidden else orient_measured(None, clip.marks, rig=Rig())
        clips.append(RigClip(sync, own))
    return clips


def test_all_clips_share_one_mount_and_know_it_better_than_each_alone():
    day = drawn_day(111, clips=4, marks=(3, 5))
    clips = row(day)
    answers, findings = orient_rig(clips, Rig())
    assert findings == []
    matrices = [answer.oriented.matrix for answer in answers]
    assert all(np.array_equal(matrix, matrices[0]) for matrix in matrices)
    for clip, answer, true in zip(clips, answers, day.clips, strict=True):
        mount = answer.oriented.mount
        assert np.trace(mount.covariance) <= np.trace(clip.own.mount.covariance) * 1.05
        # What the microphone does to all of them alike does not get smaller with their number.
        assert np.trace(mount.taken_up.covariance) > 0.5 * np.trace(clip.own.mount.taken_up.covariance)
        assert len(mount.residuals_rad) == len(mount.wrong) == len(mount.without_each) == len(answer.oriented.marks)
        assert rotation_angle(answer.oriented.matrix, true.mount) < 3 * np.sqrt(np.trace(mount.covariance))
        assert "the marks of 4 clips tell together" in answer.oriented.findings[-1].message


def test_clips_without_marks_inherit_the_mount_with_its_uncertainty():
    day = drawn_day(101, marks=(4, 5))
    answers, findings = orient_rig(row(day, hidden=(1, 2, 3, 5)), Rig())
    assert findings == []
    marked, between, after = answers[0].oriented, answers[2].oriented, answers[5].oriented
    for oriented in (between, after):
        assert np.array_equal(oriented.matrix, marked.matrix)
        assert oriented.sd_rad == marked.sd_rad
        assert (oriented.evidence, oriented.marks) == (RIG, ())
        assert oriented.findings[0] == SYNC_NOTE
    assert "it is taken to have sat between clip0.mov and clip4.mov, within" in between.findings[-1].message
    assert "as in clip4.mov" in after.findings[-1].message
    assert after.findings[-1].message.endswith("had it been knocked since, only marks in this clip would show it")
    assert all(finding.severity is Severity.NOTE for finding in between.findings)


def test_a_poor_fit_of_the_others_marks_is_not_said_of_a_clip_that_has_none():
    day = drawn_day(101, clips=2, marks=(4, 5))
    clips = row(day, hidden=(1,))
    poor = replace(clips[0].own, mount=replace(clips[0].own.mount, misfit=9.0))
    answers, _ = orient_rig([RigClip(clips[0].sync, poor), clips[1]], Rig())
    assert answers[1].oriented.evidence == RIG
    assert not [finding for finding in answers[1].oriented.findings if finding.code is Code.MARK_OFF]


@pytest.mark.parametrize("seed", [102, 103])
def test_a_knock_is_named_and_each_side_has_its_own_mount(seed):
    day = drawn_day(seed, marks=(4, 5), knock_deg=25.0)
    answers, findings = orient_rig(row(day), Rig())
    (said,) = findings
    assert said.severity is Severity.LOOK
    assert said.where == f"clip{day.knocked_from}.mov"
    assert said.message.startswith(f"from {said.where} on the microphone faced ")
    turn = day.clips[-1].mount @ day.clips[0].mount.T
    assert f"° further {'left' if turn[1, 0] > 0 else 'right'} (±" in said.message
    for answer, true in zip(answers, day.clips, strict=True):
        covariance = answer.oriented.mount.covariance
        assert rotation_angle(answer.oriented.matrix, true.mount) < 3 * np.sqrt(np.trace(covariance))


def test_a_clip_between_two_mounts_is_given_neither():
    day = drawn_day(104, marks=(4, 5), knock_deg=30.0)
    hidden = (day.knocked_from - 1,) if day.knocked_from > 1 else (day.knocked_from,)
    answers, findings = orient_rig(row(day, hidden=hidden), Rig())
    assert len(findings) == 1
    answer = answers[hidden[0]]
    assert answer.oriented is None
    assert "the microphone was turned, before this clip or after it" in answer.why_not


def test_a_clip_that_stands_alone_amid_others_may_have_wrong_marks():
    turned = drawn_day(117, clips=5, marks=(4, 5), knock_deg=30.0)
    clips, amid = row(drawn_day(117, clips=5, marks=(4, 5))), 2
    assert turned.knocked_from == amid
    clips[amid] = RigClip(clips[amid].sync, row(turned)[amid].own)
    answers, (said,) = orient_rig(clips, Rig())
    assert said.message.startswith(f"in clip{amid}.mov alone the microphone faced")
    assert "its marks are wrong, or it was knocked and put back" in said.message
    assert answers[amid].oriented is clips[amid].own


def test_marks_that_tell_nothing_alone_are_held_against_the_others():
    day = drawn_day(106, marks=(4, 5))
    clips = row(day)
    one = orient_measured(None, day.clips[3].marks[:1], rig=Rig())
    assert one.mount.undetermined
    clips[3] = RigClip(clips[3].sync, one)
    answers, _ = orient_rig(clips, Rig())
    assert answers[3].oriented.evidence == RIG
    assert len(answers[3].oriented.mount.residuals_rad) == 1
    assert np.array_equal(answers[3].oriented.matrix, answers[0].oriented.matrix)


def test_without_a_clip_that_tells_each_stands_for_itself():
    day = drawn_day(107)
    answers, findings = orient_rig(row(day, hidden=range(6)), Rig())
    assert findings == []
    assert [answer.oriented for answer in answers] == [None] * 6


def test_what_the_microphone_does_to_both_alike_is_no_difference():
    """Two mounts from the same directions: the microphone's errors turn both by the same, and only the rest counts."""
    marks = drawn_day(108, marks=(5, 5)).clips[0].marks
    mount = orient_measured(None, marks, rig=Rig(microphone=ORDINARY)).mount
    between = apart(mount, mount)
    assert between.angle_rad == pytest.approx(0.0, abs=1e-9)
    own = mount.picture_from_take.T @ mount.own_covariance @ mount.picture_from_take
    np.testing.assert_allclose(between.covariance, 2 * own, atol=1e-9)
    assert np.trace(between.covariance) < 2 * np.trace(mount.covariance)
