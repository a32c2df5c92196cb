"""Marks: parallax between lens and microphone, what an unknown distance costs, and marks outside the clip."""

import numpy as np
import pytest
import soundfile

from spatial.errors import InputError, MarksFileError
from spatial.field import azimuth_elevation
from spatial.jobs.orient.measure_marks import expected_direction, marks_of_clip, measure_marks
from spatial.jobs.rig import Rig
from spatial.media.movies.clip import open_clip
from spatial.media.tables import Mark
from spatial.media.takes.take import open_take
from spatial.picture import seen_from_microphone
from tests.scenes.open_air import shoot_open_air

BELOW = (0.0, 0.0, -0.30)


def mark(azimuth_deg=0.0, elevation_deg=0.0, distance_m=1.5, start_s=0.0, end_s=1.0):
    return Mark("Odile", start_s, end_s, np.radians(azimuth_deg), np.radians(elevation_deg), distance_m)


@pytest.fixture(scope="module")
def air(tmp_path_factory):
    return shoot_open_air(tmp_path_factory.mktemp("air"), at_deg=(50.0, -10.0))


@pytest.fixture
def write_marks(tmp_path):
    def write(*rows, head="who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"):
        path = tmp_path / "clip.marks.csv"
        path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize(
    ("offset_m", "distance_m", "azimuth_deg", "elevation_deg"),
    [
        (BELOW, 1.5, 0.0, 11.31),  # atan(0.30 / 1.50): heard from above the microphone's horizon
        ((0.0, 0.0, 0.30), 1.5, 0.0, -11.31),
        ((0.0, 0.2, 0.0), 1.0, -11.31, 0.0),  # the microphone left of the lens hears it further right
        ((0.5, 0.0, 0.0), 1.5, 0.0, 0.0),  # on the line of sight nothing moves
        ((0.0, 0.0, 0.0), 1.5, 0.0, 0.0),
    ],
)
def test_parallax_of_a_performer_straight_ahead(offset_m, distance_m, azimuth_deg, elevation_deg):
    direction, sd_rad = expected_direction(mark(distance_m=distance_m), offset_m)
    assert np.degrees(azimuth_elevation(direction)) == pytest.approx((azimuth_deg, elevation_deg), abs=0.01)
    assert np.linalg.norm(direction) == pytest.approx(1.0)
    assert sd_rad == 0.0


def test_an_unknown_distance_widens_the_uncertainty():
    """Between 1 m and 4 m the elevation is 16.7 to 4.3 degrees: half of that is 6.2."""
    direction, sd_rad = expected_direction(mark(distance_m=None), BELOW)
    near, far = np.degrees(np.arctan(0.30 / np.array([1.0, 4.0])))
    assert np.degrees(sd_rad) == pytest.approx((near - far) / 2, abs=1e-6)
    assert np.degrees(azimuth_elevation(direction)[1]) == pytest.approx((near + far) / 2, abs=1e-6)


def test_an_unknown_distance_costs_nothing_where_the_microphone_is_at_the_lens():
    direction, sd_rad = expected_direction(mark(20.0, 10.0, None), (0.0, 0.0, 0.0))
    assert sd_rad == 0.0
    assert np.degrees(azimuth_elevation(direction)) == pytest.approx((20.0, 10.0))


@pytest.mark.parametrize("distance_m", [1.0, 1.5, 2.5, 4.0])
def test_the_truth_lies_within_twice_what_an_unknown_distance_is_said_to_cost(distance_m):
    direction, sd_rad = expected_direction(mark(30.0, -10.0, None), BELOW)
    seen = expected_direction(mark(30.0, -10.0, None), (0.0, 0.0, 0.0))[0]
    true = seen_from_microphone(seen, distance_m, BELOW)
    assert np.arccos(np.clip(direction @ true, -1, 1)) <= 1.001 * sd_rad


def test_marks_are_heard_where_the_sound_comes_from(air):
    (heard,) = measure_marks(open_take(air.take), air.law, [mark(start_s=0.5, end_s=4.0)], Rig(BELOW))
    assert heard.heard.heard
    # In open air only the estimator's own rounding is left.
    assert np.degrees(azimuth_elevation(heard.heard.vector)) == pytest.approx((50.0, -10.0), abs=1.0)
    # Expected stays where it is seen, corrected for the rig, whatever is heard.
    assert np.degrees(azimuth_elevation(heard.expected)[1]) == pytest.approx(11.31, abs=0.01)


def test_a_mark_is_heard_on_clip_time(tmp_path, air):
    """Before and after the mark the same sound comes from the other side: none of it may be taken for the mark's."""
    field, rate = soundfile.read(air.take)
    place = np.arange(len(field)) / rate - air.law.offset_s
    field[(place < 1.0) | (place > 3.0)] *= [1, -1, 1, -1]
    soundfile.write(tmp_path / "turns.wav", field, rate, subtype="FLOAT")
    take = open_take(tmp_path / "turns.wav")
    spans = [mark(start_s=1.0, end_s=3.0), mark(start_s=-1.5, end_s=0.9), mark(start_s=3.1, end_s=6.0)]
    azimuths = [azimuth_elevation(heard.heard.vector)[0] for heard in measure_marks(take, air.law, spans, Rig())]
    assert np.degrees(azimuths) == pytest.approx([50.0, -130.0, -130.0], abs=1.0)


def test_a_mark_the_take_does_not_cover_is_unheard(air):
    """The law puts the mark before the take's first sample."""
    take = open_take(air.take)
    early, late = mark(start_s=-9.0, end_s=-8.0), mark(start_s=900.0, end_s=901.0)
    assert [heard.heard.heard for heard in measure_marks(take, air.law, [early, late], Rig())] == [False, False]


def test_of_a_mark_covered_in_part_the_part_is_heard_where_it_is_half_or_more(air):
    """The take starts at -2 s of clip time and ends 2 s after the clip's 6.04 s."""
    spans = [mark(start_s=5.0, end_s=11.0), mark(start_s=6.04, end_s=11.04), mark(start_s=-4.0, end_s=0.1)]
    half, less, early = measure_marks(open_take(air.take), air.law, spans, Rig())
    assert [each.covered for each in (half, less, early)] == pytest.approx([3.04 / 6, 0.4, 2.1 / 4.1], abs=0.001)
    assert [each.heard.heard for each in (half, less)] == [True, False]
    assert np.degrees(azimuth_elevation(half.heard.vector)[0]) == pytest.approx(50.0, abs=1.0)


def test_silence_in_a_finished_track_is_not_covered(air):
    """A track is as long as the clip, but its take may have ended before."""
    spans = [mark(start_s=0.5, end_s=4.0), mark(start_s=2.0, end_s=5.0)]
    one, other = measure_marks(open_take(air.take), air.law, spans, Rig(), sounds_s=(0.0, 3.0))
    assert (one.covered, other.covered) == pytest.approx((2.5 / 3.5, 1 / 3), abs=1e-6)
    assert (one.heard.heard, other.heard.heard) == (True, False)


@pytest.mark.parametrize(
    ("row", "inside"),
    [
        ("Odile,0.5,2.0,0,0,1.5", True),
        ("Odile,0.5,6.5,0,0,1.5", True),  # ends within half a second of the clip's end at 6.04 s
        ("Odile,0.5,6.6,0,0,1.5", False),
        ("Odile,6.04,6.3,0,0,1.5", False),
        ("Odile,75,78,0,0,1.5", False),
    ],
)
def test_marks_outside_the_clip(air, write_marks, row, inside):
    path, clip = write_marks("Bram,1,2,10,0,2", row), open_clip(air.clip)
    if inside:
        assert [m.who for m in marks_of_clip(path, clip, Rig())] == ["Bram", "Odile"]
    else:
        with pytest.raises(
            MarksFileError, match=r"clip\.marks\.csv: the mark of Odile .* lies outside clip\.mov, .* 6\.04 s"
        ):
            marks_of_clip(path, clip, Rig())


def test_marks_in_pixels_are_mapped_by_the_pictures_own_size(air, write_marks):
    """The clip is 64 x 32 pixels for 180 degrees: from its middle, 16 of them are 45 degrees."""
    path = write_marks("Odile,1,2,15.5,15.5,", head="who,start_s,end_s,x_px,y_px,distance_m")
    (only,) = marks_of_clip(path, open_clip(air.clip), Rig(picture="equirect180"))
    assert np.degrees([only.azimuth_rad, only.elevation_rad]) == pytest.approx([45.0, 0.0], abs=1e-6)


def test_marks_in_pixels_mean_nothing_without_a_picture(tmp_path, write_marks):
    sound = shoot_open_air(tmp_path, name="scene.wav", frames=30)
    path = write_marks("Odile,0.1,0.5,15.5,15.5,", head="who,start_s,end_s,x_px,y_px,distance_m")
    with pytest.raises(InputError, match=r"scene\.wav has no picture, so marks in pixels mean nothing; give angles"):
        marks_of_clip(path, open_clip(sound.clip), Rig(picture="equirect180"))
