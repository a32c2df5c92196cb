"""What orient says of marks that were heard: which is wrong, what is open, mirrored or tilted, what parallax may do."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import PERFECT
from spatial.errors import InconclusiveError
from spatial.field import ChannelFormat, azimuth_elevation, unit_vectors
from spatial.jobs.orient.from_marks import determined_turn, orient_marks, orient_measured
from spatial.jobs.orient.measure_marks import MeasuredMark, expected_direction, shared_parallax
from spatial.jobs.orient.orient_clip import orient_match
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.mount.prior import AxisMeasurement, Hanging, MountPrior
from spatial.picture import parse_picture
from spatial.report import json_output, text
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw

CLIP = Clip(Path("scene.mov"), 60.0, None, None, None, None, None, None, None)
TAKE = Take(Path("take.wav"), 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
SYNC = SyncResult(CLIP, TAKE, SyncEstimate(True, "", ClockLaw(3.0), 2e-4, 1.0, None, ClockLaw(3.0)), ())
PLACES = {"Odile": (50, 10), "Juno": (-40, -5), "Tamsin": (5, 20), "Perrin": (-80, 0), "Bram": (15, 70)}
Y_INVERTED = np.diag([1.0, -1.0, 1.0])


def heard_marks(mount, *, who=tuple(PLACES), marked=None, fault=None, offset_m=(0.0, 0.0, 0.0), distance_m=2.0):
    """Marks of performers at their places, or where `marked` says, heard exactly."""
    turn = matrix_from_ypr(YawPitchRoll.from_degrees(*mount))
    marks = []
    for number, name in enumerate(who):
        azimuth, elevation = np.radians((marked or {}).get(name, PLACES[name]))
        mark = Mark(name, 2.0 * number, 2.0 * number + 1.5, azimuth, elevation, distance_m)
        expected, parallax = expected_direction(mark, offset_m)
        there = unit_vectors(*np.radians(PLACES[name])) @ turn
        heard = SpanDirection(True, there if fault is None else fault @ there, np.radians(1.5), 1.0)
        marks.append(MeasuredMark(mark, expected, parallax, heard))
    return marks, turn


def said(result, code):
    return [finding for finding in result.findings if finding.code == code]


def test_a_wrong_mark_is_named_and_takes_no_part():
    marks, turn = heard_marks((92, 2, -3), marked={"Juno": (40, 0)})
    result = orient_marks(SYNC, marks)
    assert np.degrees(rotation_angle(result.matrix, turn)) < 0.1
    (only,) = said(result, "mark_off")
    assert only.where == "Juno"
    assert "the mark of Juno at 2.0 s lies 80° from where the other marks put it, and takes no part" in only.message


def test_of_three_marks_none_is_blamed_and_a_fourth_is_asked_for():
    marks, _ = heard_marks((92, 2, -3), who=("Odile", "Juno", "Tamsin"), marked={"Juno": (80, 30)})
    result = orient_marks(SYNC, marks)
    assert said(result, "mark_off") == []
    (only,) = said(result, "undetermined")
    assert "contradict each other" in only.message
    assert "of 3 marks none can be told to be the wrong one, so add another" in only.message
    with pytest.raises(InconclusiveError, match="contradict each other"):
        determined_turn(result)
    assert text.orient_lines(result)[0] == "How the microphone sat cannot be told from these marks."


def test_what_one_more_mark_would_tell_is_said():
    marks, _ = heard_marks((0, 0, 0), who=("Odile", "Tamsin"), marked={})
    marks = [marks[0], MeasuredMark(marks[0].mark, marks[0].expected, 0.0, marks[0].heard)]
    (only,) = said(orient_marks(SYNC, marks), "undetermined")
    assert "these marks cannot tell the" in only.message
    assert "would tell the most" in only.message


def test_a_mirrored_field_stops_the_job_and_is_put_right_when_asked():
    marks, turn = heard_marks((92, 2, -3), fault=Y_INVERTED)
    result = orient_marks(SYNC, marks)
    assert (result.matrix, result.mount.mirrored) == (None, True)
    (only,) = said(result, "mirrored")
    assert only.severity == "fix"
    assert "Y (left-right) is inverted (the microphone upright, facing 92° left)" in only.message
    assert "--repair puts the sound right whichever it is" in only.message
    with pytest.raises(InconclusiveError, match="mirror image"):
        determined_turn(result)
    prior = MountPrior(Hanging.UPRIGHT, facing_rad=np.radians(90))
    # By a microphone of which all is known; by another the word has more to say.
    repaired = orient_marks(SYNC, marks, prior=prior, repair=True, rig=Rig(microphone=PERFECT))
    assert repaired.repaired.name == "Y (left-right) is inverted"
    # Told "upright" (5 degrees), where it hung 3.6 off level: marks of 1 degree give way by a twenty-fifth.
    assert np.degrees(rotation_angle(determined_turn(repaired), turn)) < 0.3
    assert said(repaired, "mirrored")[0].severity == "look"
    assert 0.2 < np.degrees(repaired.sd_rad.yaw_rad) < 3.0
    told = json_output.orient_json(repaired)
    assert told["repaired"]["fault"] == "Y (left-right) is inverted"
    assert sum(fault["share"] for fault in told["faults"]) <= 1.0


def test_a_word_that_the_marks_contradict_is_said():
    marks, turn = heard_marks((10, 0, 180))
    result = orient_marks(SYNC, marks, prior=MountPrior(Hanging.UPRIGHT))
    assert np.degrees(rotation_angle(result.matrix, turn)) < 0.2
    assert "did not sit as you said" in said(result, "upside_down")[0].message


LEVEL = {"Odile": (50, 0), "Juno": (-40, 0), "Tamsin": (5, 0), "Perrin": (-80, 0)}


@pytest.mark.parametrize(("mount", "fault"), [((92, 0, 180), None), ((92, 0, 0), Y_INVERTED)])
def test_marks_at_one_height_cannot_tell_upside_down_from_mirrored(monkeypatch, mount, fault):
    monkeypatch.setattr(f"{__name__}.PLACES", LEVEL)
    marks, turn = heard_marks(mount, who=tuple(LEVEL), fault=fault)
    result = orient_marks(SYNC, marks)
    assert (result.matrix, result.mount.mirrored) == (None, None)
    with pytest.raises(InconclusiveError, match="one mark of somebody above the camera would settle it"):
        determined_turn(result)
    upside_down = orient_marks(SYNC, marks, prior=MountPrior(Hanging.UPSIDE_DOWN))
    if fault is None:
        assert np.degrees(rotation_angle(upside_down.matrix, turn)) < 0.1
    upright = orient_marks(SYNC, marks, prior=MountPrior(Hanging.UPRIGHT))
    assert upright.matrix is None
    level, turn = heard_marks((92, 0, 0), who=tuple(LEVEL))
    assert np.degrees(rotation_angle(orient_marks(SYNC, level).matrix, turn)) < 0.1


def test_a_mark_the_take_does_not_cover_is_said_and_takes_no_part():
    marks, turn = heard_marks((92, 2, -3))
    lost = SpanDirection(False, np.full(3, np.nan), np.nan, 0.0)
    marks[1] = replace(marks[1], heard=lost, covered=0.3)
    marks[2] = replace(marks[2], heard=lost, covered=0.0)
    result = orient_marks(SYNC, marks)
    assert np.degrees(rotation_angle(result.matrix, turn)) < 0.1
    juno, tamsin = said(result, "mark_unheard")
    assert "covers but 30 % of the mark of Juno from 2.00 s to 3.50 s, so it takes no part" in juno.message
    assert "covers none of the mark of Tamsin" in tamsin.message
    with pytest.raises(InconclusiveError, match=r"the take covers none of the 2 marks \(no more than 30 % of any\)"):
        orient_marks(SYNC, marks[1:3])


def test_a_microphone_on_its_side_may_be_a_channel_order():
    marks, _ = heard_marks((90, 0, 90))
    (only,) = said(orient_marks(SYNC, marks), "convention_guess")
    assert "X, Y and Z hold" in only.message
    level, _ = heard_marks((90, 0, 0))
    assert said(orient_marks(SYNC, level), "convention_guess") == []


def test_an_axis_beside_the_marks_has_its_say():
    marks, turn = heard_marks((10, 0, 0), who=("Tamsin",))
    left = np.array([0.0, 1.0, 0.0])
    assert orient_measured(TAKE, marks).matrix is None
    result = orient_measured(TAKE, marks, axes=[AxisMeasurement(left @ turn, left, np.radians(3.0))])
    assert np.degrees(rotation_angle(result.matrix, turn)) < 0.1


def test_unknown_distances_widen_pitch_and_the_text_says_by_how_much():
    """30 cm below the lens: 17.2 to 4.3 degrees up for 1 to 4 m, so half of 12.4 degrees, shared by all."""
    below = (0.0, 0.0, -0.3)
    exact, _ = heard_marks((0, 0, 0), offset_m=below)
    vague, _ = heard_marks((0, 0, 0), offset_m=below, distance_m=None)
    near_and_far = []
    for heard in vague:
        ends = [
            expected_direction(Mark("x", 0, 1, heard.mark.azimuth_rad, heard.mark.elevation_rad, d), below)[0]
            for d in (1.0, 4.0)
        ]
        near_and_far.append(MeasuredMark(heard.mark, heard.expected, heard.parallax_sd_rad, heard.heard, tuple(ends)))
    assert shared_parallax(exact) is None
    turn = shared_parallax(near_and_far)
    # Everybody nearer looks higher: about the left axis, a turn of 5 to 6 degrees; about the others hardly any.
    assert 4.0 < np.degrees(np.linalg.norm(turn)) < 6.3
    assert abs(turn[1]) > 0.8 * np.linalg.norm(turn)
    known, open_ = orient_measured(TAKE, exact), orient_measured(TAKE, near_and_far)
    assert open_.mount.sd_rad.pitch_rad > 2 * known.mount.sd_rad.pitch_rad
    said = [line for line in text.orient_lines(open_) if "parallax may explain up to" in line]
    assert len(said) == 1
    assert "up to 6°" in said[0]
    assert not any("parallax" in line for line in text.orient_lines(known))


def test_no_mark_heard_is_inconclusive():
    marks, _ = heard_marks((0, 0, 0), who=("Odile",))
    silent = MeasuredMark(marks[0].mark, marks[0].expected, 0.0, SpanDirection(False, np.full(3, np.nan), np.nan, 0.0))
    with pytest.raises(InconclusiveError, match="in none of the 1 marks"):
        orient_marks(SYNC, [silent])


@pytest.mark.parametrize(
    ("mount", "offset_m", "asked"),
    [
        ((92, 6, -3), (0.0, 0.0, 0.0), True),
        ((92, 6, -3), (0.0, 0.0, -0.3), False),
        ((92, 1, 0), (0.0, 0.0, 0.0), False),
    ],
)
def test_a_tilt_without_a_place_of_the_microphone_asks_for_it(mount, offset_m, asked):
    """30 cm below the lens and 1.5 m away: atan(0.3 / 1.5) = 11.3 degrees, which nobody can tell from a tilt."""
    marks, _ = heard_marks(mount)
    messages = [finding.message for finding in said(orient_match(SYNC, marks, rig=Rig(offset_m)), "tilt")]
    assert any("heard 11° higher" in message for message in messages) == asked


def marked_in(layout, size_px, *, given):
    """Marks at the pixels where one layout shows the performers, as another has them seen."""
    shown, taken = (parse_picture(name, *size_px) for name in (layout, given))
    marks, turn = heard_marks((92, 2, -3), who=tuple(PLACES)[:4])
    pixels = []
    for heard in marks:
        pixel = shown.pixel_from_direction(heard.expected)
        seen = taken.direction_from_pixel(*pixel)
        azimuth, elevation = (float(angle) for angle in azimuth_elevation(seen))
        mark = replace(heard.mark, azimuth_rad=azimuth, elevation_rad=elevation, pixel=pixel)
        pixels.append(replace(heard, mark=mark, expected=seen))
    sync = replace(SYNC, clip=replace(CLIP, width_px=size_px[0], height_px=size_px[1]))
    return orient_match(sync, pixels, rig=Rig(picture=given)), turn


@pytest.mark.parametrize(
    ("layout", "size_px", "given"),
    [
        ("equirect180", (1000, 1000), "equirect360-tb"),
        ("equirect360-tb", (1000, 1000), "equirect180"),
        ("equirect360", (2000, 1000), "equirect180-sbs"),
    ],
)
def test_marks_that_fit_in_another_layout_name_it(layout, size_px, given):
    """No sound of the camera is needed: the marks contradict each other in the wrong layout."""
    wrong, _ = marked_in(layout, size_px, given=given)
    (only,) = [finding.message for finding in said(wrong, "facing") if "--picture" in finding.message]
    assert f"in the layout that --picture says, {given}, and fit within 0° in {layout}" in only
    right, turn = marked_in(layout, size_px, given=layout)
    assert np.degrees(rotation_angle(right.matrix, turn)) < 0.1
    assert said(right, "facing") == []


def test_a_wrong_mark_in_pixels_is_no_wrong_layout():
    marks, _ = heard_marks((92, 2, -3), marked={"Juno": (40, 0)})
    picture = parse_picture("equirect180", 1000, 1000)
    marks = [replace(m, mark=replace(m.mark, pixel=picture.pixel_from_direction(m.expected))) for m in marks]
    sync = replace(SYNC, clip=replace(CLIP, width_px=1000, height_px=1000))
    result = orient_match(sync, marks, rig=Rig(picture="equirect180"))
    assert said(result, "mark_off")
    assert said(result, "facing") == []
