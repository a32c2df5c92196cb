"""What a proof by marks says that it cannot see of a wrong --mic-offset; all directions by geometry."""

from dataclasses import replace

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.field import unit_vectors
from spatial.findings import Severity
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.orient.mic_place import (
    one_place_of_all,
    sight_facts,
    sight_findings,
    sight_of_marks,
    unseen_findings,
    unseen_of_rigs,
)
from spatial.jobs.rig import Rig
from spatial.jobs.verify import VerifyResult, with_sight
from spatial.media.tables import Mark
from spatial.mount.mic_offset import evidence_of_arrivals, judge_offset
from spatial.picture import seen_from_microphone
from spatial.verification.placement import MarkCheck, Verdict

GIVEN = (0.02, 0.0, -0.3)
PLACES = ((50.0, 0.0), (20.0, 5.0), (-10.0, -5.0), (-45.0, 0.0))


def marks(*, true=GIVEN, distance_m=1.5, given=True, sd_deg=1.0):
    """Performers in a ring, heard where they are from a microphone at its true place."""
    heard = []
    for n, place in enumerate(PLACES):
        seen = unit_vectors(*np.radians(place))
        span = SpanDirection(True, seen_from_microphone(seen, distance_m, true), np.radians(sd_deg), 1.0)
        mark = Mark(f"p{n}", float(n), n + 1.0, *np.radians(place), distance_m if given else None)
        heard.append(MeasuredMark(mark, seen_from_microphone(seen, distance_m, GIVEN), 0.0, span))
    return heard


def sight(rig=None, **what):
    return sight_of_marks(marks(**what), rig or Rig(mic_offset_m=GIVEN), None, np.eye(3))


@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize("true", [GIVEN, (0.02, 0.0, -0.1), (0.02, 0.0, -0.5)])
def test_a_ring_of_marks_is_said_not_to_show_height(true, given):
    """Also where the microphone does hang 20 cm higher or lower than given."""
    seen = sight(true=true, given=given)
    assert seen.unseen[2]
    (note,) = unseen_findings(seen, Rig(mic_offset_m=GIVEN))
    assert (note.code, note.severity) == ("mic_offset", Severity.NOTE)
    assert "higher or lower than --mic-offset says" in note.message


def test_without_distances_nothing_shows():
    assert sight_facts(sight(given=False)) == {"forward": None, "left": None, "up": None}


def test_where_no_offset_was_given_the_same_note_says_so():
    (note,) = unseen_findings(sight(Rig()), Rig())
    assert "than the lens, as no --mic-offset was given" in note.message


def test_what_an_unseen_error_does_is_by_geometry():
    """20 cm of height at 1.5 m lower everybody by 7.6 degrees; a tip does so by the cosine of the azimuth.

    By least squares the tip is 9.0 degrees, and leaves 1.8 to 2 at the two outer marks.
    """
    seen = sight_of_marks(marks(), Rig(), None, np.eye(3))
    cosines = np.cos(np.radians([azimuth for azimuth, _ in PLACES]))
    lower = np.degrees(np.arctan2(0.2, 1.5))
    tip = lower * np.sum(cosines) / np.sum(cosines**2)
    assert np.degrees(seen.turn_rad[2]) == pytest.approx(tip, abs=0.3)
    assert np.degrees(seen.at_marks_rad[2]) == pytest.approx(lower - tip * cosines.min(), abs=0.5)


def with_arrivals(rig, sd_m):
    """The same marks with arrival times that measure all three axes."""
    seen = sight_of_marks(marks(), rig, None, np.eye(3))
    told = evidence_of_arrivals(
        -np.asarray(GIVEN), np.eye(3) * sd_m**2, mic_offset_m=rig.mic_offset_m, picture_from_mic=np.eye(3)
    )
    return replace(seen, evidence=told, judgement=judge_offset(told))


def test_a_day_says_it_once_for_each_place_and_not_where_all_clips_together_would_show_it():
    rig, other = Rig(mic_offset_m=GIVEN), Rig(mic_offset_m=(0.02, 0.0, -0.25))
    notes = unseen_of_rigs([(rig, sight())] * 3 + [(other, sight(other))] * 2)
    assert [("3 clips" in note.message, "2 clips" in note.message) for note in notes] == [(True, False), (False, True)]
    assert unseen_of_rigs([(rig, sight()), (rig, with_arrivals(rig, 0.02))]) == []


def test_another_place_that_fits_clearly_better_is_no_note():
    rig = Rig(mic_offset_m=(0.02, 0.0, 0.1))
    wrong = with_arrivals(rig, 0.02)
    assert wrong.judgement.clear
    assert unseen_of_rigs([(rig, wrong)]) == []
    # 40 cm by what was measured, and a little less by what is usual: 25 cm either way.
    (said,) = sight_findings(wrong, rig, said=False)
    assert said.severity is Severity.LOOK
    assert "38 cm further down than --mic-offset says" in said.message
    assert sight_findings(wrong, rig, said=True) == []


@pytest.mark.parametrize(("verdicts", "notes"), [("iiii", 1), ("iiif", 1), ("ffff", 0)])
def test_only_what_is_in_place_is_in_need_of_the_note(verdicts, notes):
    checks = [
        MarkCheck(Verdict.IN_PLACE if verdict == "i" else Verdict.OFF, *[np.zeros(3)] * 2, 0.0, 0.0, 0.0, 0.0)
        for verdict in verdicts
    ]
    proof = VerifyResult(None, None, tuple(zip(marks(), checks, strict=True)), None, ())
    told = with_sight(proof, Rig(mic_offset_m=GIVEN))
    assert len(told.findings) == notes
    assert (told.sight is None) == (notes == 0)


def test_one_place_that_is_taken_for_all_clips_is_said_once():
    (only,) = one_place_of_all([Rig(mic_offset_m=(0.03, 0.0, -0.3))] * 3)
    assert (only.code, only.severity) == ("mic_offset", "note")
    assert "one --mic-offset, 0.03,0,-0.3, is taken for all 3 clips" in only.message


@pytest.mark.parametrize(
    "places", [[], [(0.0, 0.0, -0.3)], [(0.0, 0.0, 0.0)] * 2, [(0.0, 0.0, -0.3), (0.0, 0.1, -0.3)]]
)
def test_nothing_is_said_of_one_clip_of_places_of_their_own_or_where_none_was_given(places):
    assert one_place_of_all([Rig(mic_offset_m=place) for place in places]) == []
