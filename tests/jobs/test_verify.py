"""What verify says of a track whose marks are off: each by itself, or all because two sides are exchanged."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.field import ChannelFormat, unit_vectors
from spatial.jobs.orient.measure_marks import MeasuredMark, seen_in
from spatial.jobs.rig import Rig
from spatial.jobs.verify import Tolerance, check_track, layout_findings
from spatial.media.movies.clip import Clip
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.picture import parse_picture
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw
from spatial.verification.placement import Verdict

CLIP = Clip(Path("scene.mov"), 60.0, None, None, None, None, None, None, None)
TRACK = Take(Path("scene.wav"), 48_000, 4, 60 * 48_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
PLACES = {"Odile": (50, 10), "Juno": (-40, -15), "Tamsin": (5, 20), "Perrin": (-80, 0)}


def in_step(late_s):
    law = ClockLaw(late_s)
    return SyncEstimate(True, "", law, 1e-4, 0.5, None, law)


def verified(moved, *, unheard=(), step=None, track=TRACK):
    marks = []
    for who, place in PLACES.items():
        azimuth, elevation = np.radians(place)
        heard = SpanDirection(True, moved(unit_vectors(azimuth, elevation)), np.radians(1.0), 1.0)
        if who in unheard:
            heard = SpanDirection(False, np.full(3, np.nan), np.nan, 0.0)
        marks.append(
            MeasuredMark(Mark(who, 1.0, 2.0, azimuth, elevation, 2.0), unit_vectors(azimuth, elevation), 0, heard)
        )
    return check_track(CLIP, track, marks, step=step, tolerance=Tolerance())


@pytest.mark.parametrize(
    ("signs", "sides"), [((-1, 1, 1), "front and back"), ((1, -1, 1), "left and right"), ((1, 1, -1), "up and down")]
)
def test_exchanged_sides_are_one_finding(signs, sides):
    (only,) = verified(lambda vector: vector * signs).findings
    assert (only.code, only.severity) == ("mirrored", "fix")
    assert only.message.startswith(f"{sides} are exchanged")
    # The marks come first: they are the likelier mistake, and cost nothing to look at.
    assert 0 < only.message.index("First see whether the marks exchange") < only.message.index("--repair")


def test_a_turned_track_is_said_mark_by_mark():
    turned = verified(lambda vector: vector @ [[0, 1, 0], [-1, 0, 0], [0, 0, 1]])
    assert {finding.code for finding in turned.findings} == {"mark_off"}
    assert [finding.message.split(" of where")[0] for finding in turned.findings] == [
        f"{who} is heard 90° to the left" for who in PLACES
    ]
    assert verified(lambda vector: vector).findings == ()


@pytest.mark.parametrize("late_s", [3.0, -0.4])
def test_of_a_take_that_was_never_synced_only_that_is_said(late_s):
    """At the marks' times others sound, or nobody: nothing that is heard there judges anybody."""
    turned = verified(lambda vector: vector @ [[0, 1, 0], [-1, 0, 0], [0, 0, 1]], step=in_step(late_s))
    (only,) = turned.findings
    assert (only.code, only.severity) == ("lip_sync", "fix")
    assert "no mark is judged: conform it first" in only.message
    assert {check.verdict for _, check in turned.marks} == {Verdict.UNJUDGED}
    assert not np.isfinite([check.error_rad for _, check in turned.marks]).any()


def test_a_track_that_is_a_little_late_is_judged():
    turned = verified(lambda vector: vector @ [[0, 1, 0], [-1, 0, 0], [0, 0, 1]], step=in_step(0.05))
    assert {finding.code for finding in turned.findings} == {"lip_sync", "mark_off"}


@pytest.mark.parametrize(("longer_s", "judged"), [(0, True), (7, False)])
def test_a_track_that_fits_no_sound_is_judged_where_it_is_as_long_as_the_clip(longer_s, judged):
    track = replace(TRACK, samples=TRACK.samples + longer_s * TRACK.rate_hz, parts=())
    lost = SyncEstimate(False, "they share no sound", None, None, None, None)
    found = verified(lambda vector: vector, step=lost, track=track)
    assert ("no_match" in {finding.code for finding in found.findings}) is True
    assert all(check.verdict is Verdict.IN_PLACE for _, check in found.marks) is judged
    assert any("no mark is judged" in finding.message for finding in found.findings) is not judged


def test_where_nobody_is_heard_nothing_is_proven():
    everybody = verified(lambda vector: vector, unheard=tuple(PLACES))
    assert [finding.severity for finding in everybody.findings] == ["fix", "look", "look", "look", "look"]
    assert "nobody is heard at any of the marks" in everybody.findings[0].message
    (only,) = verified(lambda vector: vector, unheard=("Juno",)).findings
    assert (only.code, only.severity, only.where) == ("mark_unheard", "look", "Juno")


def marked_in_pixels(layout, *, moved=lambda vector: vector):
    """Marks that were clicked in one layout of a picture twice as wide as high, heard where that has them."""
    picture = parse_picture(layout, 2000, 1000)
    marks = []
    for who, place in PLACES.items():
        seen = unit_vectors(*np.radians(place))
        mark = Mark(who, 1.0, 2.0, *np.radians(place), 2.0, pixel=picture.pixel_from_direction(seen))
        heard = SpanDirection(True, moved(seen), np.radians(1.0), 1.0)
        marks.append(MeasuredMark(mark, seen, 0, heard))
    return marks


@pytest.mark.parametrize(("given", "true"), [("equirect360", "equirect180-sbs"), ("equirect180-sbs", "equirect360")])
def test_pixels_of_another_layout_are_one_finding(given, true):
    clip, rig = replace(CLIP, width_px=2000, height_px=1000), Rig(picture=given)
    given_picture = parse_picture(given, 2000, 1000)
    marks = [seen_in(mark, given_picture, rig, finished=True) for mark in marked_in_pixels(true)]
    (only,) = layout_findings(clip, marks, rig, Tolerance())
    assert (only.code, only.severity) == ("facing", "fix")
    assert f"no performer is heard where --picture {given} puts them, and all are with {true}" in only.message
    assert "is --picture right?" in only.message


def test_a_turned_track_or_a_right_layout_is_no_wrong_layout():
    clip, rig = replace(CLIP, width_px=2000, height_px=1000), Rig(picture="equirect180-sbs")
    assert layout_findings(clip, marked_in_pixels("equirect180-sbs"), rig, Tolerance()) == []
    # By 90 degrees no test tells the one from the other, and the words name both.
    turn = matrix_from_ypr(YawPitchRoll(np.radians(60.0), 0.0, 0.0))
    turned = marked_in_pixels("equirect180-sbs", moved=lambda vector: turn @ vector)
    assert layout_findings(clip, turned, rig, Tolerance()) == []
