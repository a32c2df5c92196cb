"""Stills: a picture for each mark, with the ring on the pixel of the direction, in names that are safe everywhere."""

import struct
from fractions import Fraction
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

from demo_audio.write_movie import write_movie
from spatial.direction.doa import SpanDirection
from spatial.errors import InputError
from spatial.field import ChannelFormat, angle_between, azimuth_elevation, unit_vectors
from spatial.jobs.orient.measure_marks import HeardMark
from spatial.jobs.verify import Tolerance, VerifyResult
from spatial.media.movies.clip import open_clip
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.report.plots.stills import oval, still_name, still_words, write_stills
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.verification.placement import Judge, JudgedBy, check_mark


@pytest.fixture
def clip(tmp_path):
    frames = [np.full((128, 256, 3), 90, np.uint8) for _ in range(50)]
    write_movie(tmp_path / "clip.mp4", frames=frames, frame_rate=Fraction(25))
    return open_clip(tmp_path / "clip.mp4")


def mark_of(seen_deg, heard_deg, who="Nell", sd_deg=2.0, start_s=0.4):
    seen = unit_vectors(*np.radians(seen_deg))
    if heard_deg is None:
        span = SpanDirection(False, np.full(3, np.nan), float("nan"), 0.0)
    else:
        span = SpanDirection(True, unit_vectors(*np.radians(heard_deg)), float(np.radians(sd_deg)), 1.0)
    heard = HeardMark(Mark(who, start_s, start_s + 1.0, *np.radians(seen_deg), None), seen, 0.0, span)
    return heard, check_mark(seen, span, judge=Judge(JudgedBy.TRACK))


def stills(clip, folder, *marks, layout="equirect180-sbs", levelled=None):
    take = Take(Path("track.wav"), 48_000, 4, 1, "WAV", "PCM_24", ChannelFormat.AMBIX)
    result = VerifyResult(clip, take, marks, None, ())
    return write_stills(result, folder, layout=layout, tolerance=Tolerance(), levelled=levelled)


def colours(path):
    """White and blue middles in the frame, as parts of its width and height, and the image."""
    image = matplotlib.image.imread(path)[..., :3]
    grey = np.all(np.abs(image - 90 / 255) < 0.03, axis=2)
    rows, columns = np.flatnonzero(grey.any(axis=1)), np.flatnonzero(grey.any(axis=0))
    frame = image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    high, wide = frame.shape[:2]

    def middle(mask):
        y, x = np.nonzero(mask)
        return (x.mean() + 0.5) / wide, (y.mean() + 0.5) / high

    return middle(frame.min(axis=2) > 0.98), middle((frame[..., 2] > 0.95) & (frame[..., 0] < 0.7))


def test_ring_and_tolerance_lie_where_they_should(clip, tmp_path):
    (path,) = stills(clip, tmp_path, mark_of((-30.0, 10.0), (40.0, -20.0)))
    assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    wide, high = struct.unpack(">II", path.read_bytes()[16:24])
    assert wide > 600
    assert high > 600
    white, blue = colours(path)
    # Azimuth 40 left of the middle, -20 below it; half a degree of a picture some 760 pixels wide.
    assert white == pytest.approx((0.5 - 40 / 180, 0.5 + 20 / 180), abs=0.004)
    assert blue == pytest.approx((0.5 + 30 / 180, 0.5 - 10 / 180), abs=0.008)


def test_of_a_levelled_picture_the_frame_is_still_as_filmed(clip, tmp_path):
    """Levelling put the front 20 degrees up: seen and heard there, so as filmed in the middle and 40 left of it."""
    levelled = matrix_from_ypr(YawPitchRoll.from_degrees(0.0, 20.0, 0.0))
    azimuth, elevation = azimuth_elevation(levelled @ unit_vectors(np.radians(40.0), 0.0))
    heard, _ = mark_of((0.0, 0.0), (np.degrees(azimuth), np.degrees(elevation)))
    mark = heard, check_mark(unit_vectors(0.0, np.radians(20.0)), heard.heard)
    (path,) = stills(clip, tmp_path, mark, levelled=levelled)
    white, blue = colours(path)
    assert white == pytest.approx((0.5 - 40 / 180, 0.5), abs=0.004)
    assert blue == pytest.approx((0.5, 0.5), abs=0.008)


@pytest.mark.slow
@pytest.mark.parametrize("azimuth_deg", [150.0, -150.0])
def test_sound_behind_is_an_arrow_at_its_side(clip, tmp_path, azimuth_deg):
    (path,) = stills(clip, tmp_path, mark_of((0.0, 0.0), (azimuth_deg, 0.0)))
    (x, y), _ = colours(path)
    assert (x < 0.4) == (azimuth_deg > 0)
    assert (x > 0.6) == (azimuth_deg < 0)
    assert y == pytest.approx(0.5, abs=0.02)


def test_words_say_who_and_how():
    heard, check = mark_of((10.0, 0.0), (40.0, 0.0))
    said = " ".join(still_words("slipway.mov", heard, check))
    assert said.startswith("slipway.mov, 0:00.4 to 0:01.4 ")
    assert "the cross is where they are seen" in said
    assert "Nell: off, heard 30° to the left of where they are seen" in said
    assert "should be heard 10° left, level" in said
    assert "is heard 40° left, level, ±4°" in said
    assert "microphone" not in said
    heard, _ = mark_of((10.0, 0.0), (40.0, 0.0))
    below = check_mark(unit_vectors(np.radians(10.0), np.radians(8.0)), heard.heard)
    assert "10° left, 8° up by a microphone beside the lens" in " ".join(still_words("slipway.mov", heard, below))
    overhead = " ".join(still_words("slipway.mov", *mark_of((10.0, 80.0), (-100.0, 82.0))))
    assert "should be heard overhead, 80° up" in overhead
    assert "is heard overhead, 82° up" in overhead
    assert "left" not in overhead
    assert "right" not in overhead
    assert "nobody is heard clearly" in still_words("slipway.mov", *mark_of((10.0, 0.0), None))[-1]


@pytest.mark.slow
def test_names_number_and_hostile_letters(clip, tmp_path):
    marks = [mark_of((0, 0), (0, 0), who=who) for who in ("../../etc", "Odile $x^2$", "名前")]
    assert [path.name for path in stills(clip, tmp_path, *marks)] == ["01-etc.png", "02-odile-x-2.png", "03-mark.png"]
    assert still_name(7, "a" * 99) == f"07-{'a' * 40}.png"


@pytest.mark.slow
@pytest.mark.parametrize("who", ["Odile and Perrin (second verse)", "W" * 100, "名" * 100])
def test_all_words_have_room_over_the_picture(clip, tmp_path, who):
    """No letter reaches the right edge, and the picture keeps the sheet's width and height under one line more."""
    (path,) = stills(clip, tmp_path, mark_of((10.0, 41.0), (40.0, 0.0), who=who))
    sheet = matplotlib.image.imread(path)[..., :3]
    grey = np.all(np.abs(sheet - 90 / 255) < 0.03, axis=2)
    picture = np.flatnonzero(grey.sum(axis=1) > 0.5 * sheet.shape[1])
    assert grey[picture[len(picture) // 10]].sum() > 0.97 * sheet.shape[1]
    words = sheet[: picture[0] - 5]
    assert np.ptp(words[:, :-6]) > 0.5
    assert np.ptp(words[:, -6:]) == 0


def test_an_unheard_mark_and_a_late_one_have_stills_too(clip, tmp_path):
    assert len(stills(clip, tmp_path, mark_of((0, 0), None), mark_of((0, 0), (5, 5), start_s=1.9))) == 2


def test_a_clip_without_pictures_or_with_another_layout_is_refused(clip, tmp_path):
    with pytest.raises(InputError, match="no picture layout"):
        stills(clip, tmp_path, mark_of((0, 0), (0, 0)), layout="round")


@pytest.mark.parametrize("middle_deg", [(0.0, 0.0), (120.0, 40.0), (0.0, 90.0)])
def test_an_oval_is_as_wide_and_high_as_asked(middle_deg):
    middle = unit_vectors(*np.radians(middle_deg))
    away = np.degrees(angle_between(oval(middle, np.radians(5.0), np.radians(10.0)), middle))
    assert away[[0, 18, 36, 54]] == pytest.approx([5.0, 10.0, 5.0, 10.0])
    assert np.min(away) == pytest.approx(5.0)
    assert np.max(away) == pytest.approx(10.0)
