"""Marks that overlap, from sound to findings: two plane waves of bursts of noise in the open air, exactly known."""

import numpy as np
import pytest
import soundfile

from spatial.field import unit_vectors
from spatial.jobs.orient.from_marks import orient_marks
from spatial.jobs.orient.measure_marks import hear_marks
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.verify import ON_CLIP_TIME, Tolerance, check_marks
from spatial.media.tables import Mark
from spatial.media.takes.take import open_take
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle

RATE = 48_000
MOUNT = matrix_from_ypr(YawPitchRoll.from_degrees(75.0, 3.0, -4.0))
AT_DEG = {"Odile": (50, 10), "Juno": (-40, -5), "Tamsin": (5, 20), "Perrin": (-80, 0)}
UPRIGHT = MountPrior(hanging=Hanging.UPRIGHT)


def bursts(start_s, end_s, rng, total_s):
    """Short bursts at random times: of two who play so, now this one is heard first and now that."""
    sound, place = np.zeros(round(total_s * RATE)), start_s
    while place < end_s - 0.06:
        time = np.arange(round(0.05 * RATE)) / RATE
        first = round(place * RATE)
        sound[first : first + time.size] += 0.1 * rng.standard_normal(time.size) * np.exp(-time / 0.02)
        place += rng.uniform(0.1, 0.3)
    return sound


@pytest.fixture
def play(tmp_path, rng):
    """Write a take in which performers sound from so many seconds to so many, and give it with a turn applied."""

    def write(sounding, *, total_s=9.0, turn=None, gains=None):
        field = 1e-5 * rng.standard_normal((4, round(total_s * RATE)))
        for who, start_s, end_s in sounding:
            x, y, z = MOUNT.T @ unit_vectors(*np.radians(AT_DEG[who]))
            gain = (gains or {}).get(who, 1.0)
            field += gain * np.array([1.0, y, z, x])[:, np.newaxis] * bursts(start_s, end_s, rng, total_s)
        if turn is not None:
            field[[3, 1, 2]] = turn @ field[[3, 1, 2]]
        path = tmp_path / "take.wav"
        soundfile.write(path, field.T, RATE, subtype="FLOAT")
        return open_take(path)

    return write


def marked(*rows):
    return [Mark(who, start, end, *np.radians(AT_DEG[who]), 2.0) for who, start, end in rows]


def oriented(take, marks, prior=UPRIGHT):
    heard = hear_marks(take, ON_CLIP_TIME, marks, Rig())
    return orient_marks(SyncResult(None, take, None, ()), heard, prior=prior)


PAIRS = (("Odile", 0.5, 4.0), ("Juno", 0.5, 4.0), ("Tamsin", 5.0, 8.5), ("Perrin", 5.0, 8.5))


@pytest.mark.slow
def test_two_pairs_at_once_tell_the_mount_and_nobody_is_accused(play):
    result = oriented(play(PAIRS, gains={"Juno": 0.5, "Perrin": 0.5}), marked(*PAIRS))
    assert np.degrees(rotation_angle(result.matrix, MOUNT)) < 3.0
    assert all(heard.heard.heard for heard in result.marks)
    assert [finding for finding in result.findings if finding.severity != "note"] == []


@pytest.mark.slow
def test_a_track_is_held_against_the_places_each_used_once(play):
    take = play(PAIRS, turn=MOUNT)
    checks, findings = check_marks(hear_marks(take, ON_CLIP_TIME, marked(*PAIRS), Rig(), finished=True), Tolerance())
    assert [str(check.verdict) for _, check in checks] == ["in place"] * 4
    assert [finding for finding in findings if finding.severity != "note"] == []


@pytest.mark.slow
def test_a_track_turned_wrong_is_found_off_all_the_same(play):
    away = matrix_from_ypr(YawPitchRoll.from_degrees(25.0, 0.0, 0.0))
    take = play(PAIRS, turn=away @ MOUNT)
    checks, findings = check_marks(hear_marks(take, ON_CLIP_TIME, marked(*PAIRS), Rig(), finished=True), Tolerance())
    assert [str(check.verdict) for _, check in checks].count("off") >= 3
    assert "fix" in [finding.severity for finding in findings]


@pytest.mark.slow
def test_parts_of_their_own_count_as_before_and_that_is_said(play):
    rows = (("Odile", 0.5, 4.5), ("Juno", 3.5, 8.0))
    take = play(rows)
    heard = hear_marks(take, ON_CLIP_TIME, marked(*rows), Rig())
    own = hear_marks(take, ON_CLIP_TIME, marked(("Odile", 0.5, 3.5), ("Juno", 4.5, 8.0)), Rig())
    for part, alone in zip(heard, own, strict=True):
        assert part.partly
        np.testing.assert_allclose(part.heard.vector, alone.heard.vector, atol=0.01)
    findings = oriented(take, marked(*rows)).findings
    assert any("Juno and Odile overlap with others" in finding.message for finding in findings)


def test_marks_that_do_not_overlap_are_as_they_were(play):
    rows = (("Odile", 0.5, 4.0), ("Juno", 4.05, 8.0))
    take = play(rows)
    both = hear_marks(take, ON_CLIP_TIME, marked(*rows), Rig())
    for each, row in zip(both, rows, strict=True):
        (alone,) = hear_marks(take, ON_CLIP_TIME, marked(row), Rig())
        np.testing.assert_array_equal(each.heard.vector, alone.heard.vector)
        assert each.heard.sd_rad == alone.heard.sd_rad
        assert not each.partly


def test_who_is_silent_beside_another_is_said_to_be_unheard_and_not_to_be_off(play):
    sounding = (("Odile", 0.5, 4.0), ("Tamsin", 4.2, 6.2), ("Perrin", 6.4, 8.4))
    rows = (*sounding, ("Juno", 0.5, 4.0))
    result = oriented(play(sounding), marked(*rows))
    assert np.degrees(rotation_angle(result.matrix, MOUNT)) < 3.0
    assert [heard.heard.heard for heard in result.marks] == [True, True, True, False]
    (only,) = [finding for finding in result.findings if finding.code == "mark_unheard"]
    assert only.severity == "note"
    assert "Juno cannot be told from the louder Odile" in only.message
    assert not [finding for finding in result.findings if finding.code == "mark_off"]


@pytest.mark.slow
def test_a_duet_without_a_word_is_open_and_says_what_would_settle_it(play):
    rows = (("Odile", 0.5, 4.0), ("Juno", 0.5, 4.0))
    take = play(rows)
    result = oriented(take, marked(*rows), prior=None)
    assert result.matrix is None
    (only,) = [finding for finding in result.findings if finding.code == "undetermined"]
    assert "which of them is heard where" in only.message
    assert "--upright or --upside-down" in only.message
    assert oriented(take, marked(*rows)).matrix is not None


def test_marks_of_one_place_that_overlap_are_heard_as_one_would_be(play):
    rows = (("Odile", 0.5, 4.0), ("Odile", 1.0, 3.0))
    take = play(rows[:1])
    for each, row in zip(hear_marks(take, ON_CLIP_TIME, marked(*rows), Rig()), rows, strict=True):
        (alone,) = hear_marks(take, ON_CLIP_TIME, marked(row), Rig())
        np.testing.assert_array_equal(each.heard.vector, alone.heard.vector)
