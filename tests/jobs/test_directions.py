"""The directions job: rows on the take's time or the clip's, in the microphone's own axes."""

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt

from spatial.direction.intensity import BAND_HZ
from spatial.errors import InconclusiveError, InputError
from spatial.field import ChannelFormat
from spatial.jobs.directions import directions_of_take
from tests.scenes.open_air import shoot_open_air
from tests.scenes.stage import RATE

IN_OPEN_AIR_DEG = 1.0  # no room, so only the estimator's own rounding is left


@pytest.fixture(scope="module")
def air(tmp_path_factory):
    return shoot_open_air(
        tmp_path_factory.mktemp("air"), at_deg=(-60.0, 20.0), take_from_s=-2.5, take_ppm=100.0, frames=201
    )


def heard_deg(frames):
    """Azimuth and elevation of the louder half of the rows that hold a direction."""
    loud = frames.level_db > np.nanmedian(frames.level_db)
    return np.degrees(frames.azimuth_rad[loud]), np.degrees(frames.elevation_rad[loud])


@pytest.mark.parametrize("step_s", [0.1, 0.25])
def test_rows_in_the_takes_own_time(air, step_s):
    result = directions_of_take(air.take, step_s=step_s)
    assert result.sync is None
    times = result.frames.times_s
    np.testing.assert_allclose(np.diff(times), step_s, atol=1e-9)
    assert 0 <= times[0] < 2 * step_s
    # The last row may be a part of one; its time is still the middle of a whole one.
    assert times[-1] == pytest.approx(soundfile.info(air.take).duration, abs=step_s)
    azimuth, elevation = heard_deg(result.frames)
    assert np.nanmedian(azimuth) == pytest.approx(-60.0, abs=IN_OPEN_AIR_DEG)
    assert np.nanmedian(elevation) == pytest.approx(20.0, abs=IN_OPEN_AIR_DEG)


def test_rows_on_the_clips_time(air):
    """As long as the clip, and the loudest row where the clip is loudest."""
    result = directions_of_take(air.take, clip_path=air.clip, step_s=0.1)
    times = result.frames.times_s
    assert result.sync.clip.path == air.clip
    assert -0.1 < times[0] < 0.2
    assert air.duration_s - 0.2 < times[-1] < air.duration_s + 0.1
    # The take's clock is 100 ppm fast: rows are steps of the clip's time all the same.
    np.testing.assert_allclose(np.diff(times), 0.1, atol=1e-9)
    # Louder and softer go with the clip's own sound in the same band, and best at no shift.
    in_band = sosfilt(butter(2, BAND_HZ, "bandpass", fs=RATE, output="sos"), air.sound)
    first = np.rint((times[5:-5] - 0.05) * RATE).astype(int)
    likeness = []
    for shift in range(-4, 5):
        pieces = np.stack([in_band[start + shift * 2400 :][:4800] for start in first])
        likeness.append(np.corrcoef(np.log(np.sum(pieces**2, axis=1)), result.frames.level_db[5:-5])[0, 1])
    assert abs(int(np.argmax(likeness)) - 4) <= 1  # half a row
    assert max(likeness) > 0.9


def test_a_take_longer_than_a_chunk_has_no_seam(tmp_path, air):
    """Five seconds are measured at a time: shifted by part of a chunk, the same rows come out."""
    whole = directions_of_take(air.take, step_s=0.05).frames  # chunks of 5 s
    field, _ = soundfile.read(air.take)
    cut = tmp_path / "cut.wav"
    soundfile.write(cut, field[round(2.25 * RATE) :], RATE, subtype="FLOAT")
    later = directions_of_take(cut, step_s=0.05).frames
    shift = round(2.25 / 0.05)
    # Rows 10 to 100: away from the cut itself, across the whole file's seam, which lies at row 55 here.
    both = [(frames.level_db, np.degrees(frames.azimuth_rad)) for frames in (later, whole)]
    (level, azimuth), (level_whole, azimuth_whole) = (
        (rows[0][start : start + 90], rows[1][start : start + 90])
        for rows, start in zip(both, (10, 10 + shift), strict=True)
    )
    # 2.25 s is a whole number of frames' hops, so the two have their frames in common.
    np.testing.assert_allclose(level, level_whole, atol=0.5)
    loud = level > np.median(level)
    np.testing.assert_allclose(azimuth[loud], azimuth_whole[loud], atol=2.0)


def test_the_format_decides_what_is_read(tmp_path):
    """FuMa's X where AmbiX has Y: a source in front read the wrong way stands at the left."""
    air = shoot_open_air(tmp_path, at_deg=(0.0, 0.0), channel_format="fuma", frames=51)
    right = heard_deg(directions_of_take(air.take, channel_format=ChannelFormat.FUMA).frames)[0]
    assert np.nanmedian(right) == pytest.approx(0.0, abs=IN_OPEN_AIR_DEG)
    wrong = heard_deg(directions_of_take(air.take).frames)[0]
    assert np.nanmedian(wrong) == pytest.approx(90.0, abs=IN_OPEN_AIR_DEG)


def test_silence_has_rows_without_directions(tmp_path):
    take = tmp_path / "silent.wav"
    soundfile.write(take, np.zeros((RATE, 4)), RATE, subtype="PCM_24")
    frames = directions_of_take(take).frames
    assert frames.times_s.size >= 9
    assert np.all(np.isnan(frames.azimuth_rad))


def test_a_take_of_another_scene_cannot_be_put_on_the_clips_time(tmp_path, air):
    other = shoot_open_air(tmp_path, scene=2)
    with pytest.raises(InconclusiveError, match="does not belong to"):
        directions_of_take(other.take, clip_path=air.clip)


def test_too_short_a_step_is_refused(air):
    with pytest.raises(InputError, match=r"0\.01 s is too short .* 0\.05 s or more"):
        directions_of_take(air.take, step_s=0.01)


def test_a_step_that_holds_several_performers_is_refused(air):
    with pytest.raises(InputError, match=r"1 s holds several who take turns, .* 0\.5 s or less"):
        directions_of_take(air.take, step_s=1.0)


@pytest.mark.slow
def test_marks_are_not_drawn_over_a_take_that_does_not_face_the_lens(tmp_path, air):
    """Who is heard at 60 degrees right is seen there: fine. Seen 60 degrees left, the take faces elsewhere."""
    marks = tmp_path / "marks.csv"
    marks.write_text("who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nOdile,1,4,-62,20,2\n")
    seen = directions_of_take(air.take, clip_path=air.clip, marks_path=marks)
    assert [heard.mark.who for heard in seen.marks] == ["Odile"]
    marks.write_text("who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nOdile,1,4,60,20,2\n")
    with pytest.raises(InconclusiveError, match="does not face the lens"):
        directions_of_take(air.take, clip_path=air.clip, marks_path=marks)
