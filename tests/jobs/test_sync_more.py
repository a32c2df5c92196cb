"""The sync job where rates are wrong, clocks pulled, recorders far away, takes in parts, and features remembered."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import soundfile

import spatial.jobs.sync.listen_take
from spatial.errors import MediaFileError
from spatial.findings import Severity
from spatial.jobs.progress import silent
from spatial.jobs.sync.choose_take import fuller_part
from spatial.jobs.sync.listen import listen_to_all
from spatial.jobs.sync.sync_clip import match_takes, rig_of, sync_clip
from spatial.media.cache import default_folder
from spatial.media.movies.clip import open_clip
from spatial.media.takes.take import open_take
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw
from tests.media.test_metadata_bext import bext, chunk
from tests.scenes.hearing import bursts_of_noise
from tests.scenes.open_air import shoot_open_air
from tests.scenes.songs import make_song
from tests.scenes.stage import RATE

GOAL_S = 0.5e-3


def found(result, code):
    return [finding for finding in result.findings if finding.code == code]


def say_rate(take, rate_hz):
    """Write another rate into a take's header."""
    data, _ = soundfile.read(take, always_2d=True)
    soundfile.write(take, data, rate_hz, subtype="FLOAT")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("true_hz", "said_hz", "ppm"),
    # true / said - 1: for 44.1 in 48 -81250 ppm, derived; 1 ppm more or less is what windows leave.
    [
        (44_100, 48_000, -81_250.0),
        (48_000, 44_100, 88_435.4),
        (48_000, 96_000, -500_000.0),
        (96_000, 48_000, 1_000_000.0),
    ],
)
def test_a_wrong_rate_in_the_header_is_found(tmp_path, true_hz, said_hz, ppm):
    air = shoot_open_air(tmp_path, frames=251, take_rate_hz=true_hz)
    say_rate(air.take, said_hz)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.matched, result.estimate.reason
    assert result.estimate.true_rate_hz == true_hz
    law = result.estimate.law
    assert law.drift_ppm == pytest.approx(ppm, abs=5.0)
    # The take's 2 s before the clip count true / said of a second each in header time.
    assert law.offset_s == pytest.approx(2.0 * true_hz / said_hz, abs=GOAL_S)
    assert result.law.take_from_clip(10.0) == pytest.approx(12.0 * true_hz / said_hz, abs=GOAL_S)
    assert result.covered_s == pytest.approx((0.0, air.duration_s), abs=1e-9)
    (wrong,) = found(result, "wrong_rate")
    assert wrong.severity is Severity.FIX
    assert f"says {said_hz} Hz" in wrong.message
    assert f"recorded at {true_hz} Hz" in wrong.message
    assert found(result, "drift") == []


@pytest.mark.slow
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_right_header_is_believed(tmp_path, rate_hz):
    air = shoot_open_air(tmp_path, frames=201, take_rate_hz=rate_hz)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.matched
    assert result.estimate.true_rate_hz is None
    assert found(result, "wrong_rate") == []


@pytest.mark.slow
def test_a_foreign_take_is_not_explained_by_a_wrong_rate(tmp_path):
    air = shoot_open_air(tmp_path, scene=1, frames=201)
    other = shoot_open_air(tmp_path, scene=2, frames=201, name="other.mov")
    say_rate(other.take, 44_100)
    result = sync_clip(air.clip, [other.take])
    assert not result.estimate.matched
    assert found(result, "wrong_rate") == []


@pytest.mark.slow
@pytest.mark.parametrize("clock_ppm", [-20.0, 20.0])
def test_a_wrong_rate_and_drift_together(tmp_path, clock_ppm):
    air = shoot_open_air(tmp_path, frames=301, take_rate_hz=44_100, take_ppm=clock_ppm)
    say_rate(air.take, 48_000)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.true_rate_hz == 44_100
    true = (1 + clock_ppm * 1e-6) * 44_100 / 48_000
    assert result.estimate.law.drift_ppm == pytest.approx((true - 1) * 1e6, abs=4.0)
    assert result.law.take_from_clip(11.0) == pytest.approx(13.0 * true, abs=GOAL_S)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ppm", "word"),
    # Worked by hand: 48 kHz pulled by 1000/1001 is 47952.048 Hz, -999 ppm: too few are counted, a pull-down.
    [(-999.0, "pull-down"), (-1000.0, "pull-down"), (1000.0, "pull-up"), (980.0, "pull-up")],
)
def test_a_pull_is_named(tmp_path, ppm, word):
    air = shoot_open_air(tmp_path, frames=251, take_ppm=ppm)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.law.drift_ppm == pytest.approx(ppm, abs=5.0)
    (drift,) = found(result, "drift")
    assert drift.severity is Severity.LOOK
    assert word in drift.message
    assert f"{abs(ppm) * 1e-3 * air.duration_s:.0f}" in drift.message.replace("9.9", "10").replace("10.1", "10")


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [-100.0, 100.0])
def test_two_crystals_are_no_pull(tmp_path, ppm):
    air = shoot_open_air(tmp_path, frames=251, take_ppm=ppm)
    (drift,) = found(sync_clip(air.clip, [air.take]), "drift")
    assert drift.severity is Severity.NOTE
    assert "pull" not in drift.message
    assert ("fast" if ppm > 0 else "slow") in drift.message


@pytest.mark.slow
@pytest.mark.parametrize("mic_offset_m", [(2.0, 0.0, 0.0), (-1.2, 1.6, 0.0)])
def test_a_recorder_far_away_is_said_and_counted(tmp_path, mic_offset_m):
    air = shoot_open_air(tmp_path, frames=201)
    near = sync_clip(air.clip, [air.take])
    far = sync_clip(air.clip, [air.take], mic_offset_m=mic_offset_m)
    assert far.apart_m == pytest.approx(2.0)
    (said,) = found(far, "recorder_apart")
    assert said.severity is Severity.NOTE
    assert "2.0 m from the lens" in said.message
    assert "up to 5.8 ms" in said.message  # 2 m at 343 m/s
    assert found(near, "recorder_apart") == []
    # One performer only: the place may be anywhere on a sphere of 2 m, 5.83 / sqrt(3) ms.
    assert 2e-3 < far.estimate.offset_sd_s < 6e-3
    assert far.estimate.offset_sd_s > 3 * near.estimate.offset_sd_s
    assert abs(far.estimate.law.offset_s - 2.0) < 2.0 * far.estimate.offset_sd_s


def split(air, folder, *cuts):
    """A take in several files whose time of day says that they continue each other."""
    data, _ = soundfile.read(air.take, always_2d=True)
    places, parts = [0, *cuts, len(data)], []
    for number, (first, last) in enumerate(pairwise(places)):
        part = folder / f"scene-{'abc'[number]}.wav"
        soundfile.write(part, data[first:last], RATE, subtype="FLOAT")
        whole, head = part.read_bytes(), chunk(b"bext", bext(36_000 * RATE + first))
        part.write_bytes(whole[:4] + (len(whole) - 8 + len(head)).to_bytes(4, "little") + b"WAVE" + head + whole[12:])
        parts.append(part)
    return parts


@pytest.fixture
def in_two(tmp_path):
    """A take, and the same split in two files whose time of day says so."""
    air = shoot_open_air(tmp_path, frames=301)
    return air, split(air, tmp_path, 7 * RATE + 1234)


def test_a_missing_middle_part_is_named(tmp_path):
    """The take runs from 2 s before the clip: its parts end at 7 s and begin again at 8.5 s of the clip."""
    air = shoot_open_air(tmp_path, frames=301)
    first, _, last = split(air, tmp_path, 9 * RATE, round(10.5 * RATE))
    result = sync_clip(air.clip, [last, first])
    assert result.take.path == first
    assert result.covered_s == pytest.approx((0.0, 7.0), abs=1e-3)
    assert found(result, "ambiguous_match") == []
    (missing,) = found(result, "missing_part")
    assert missing.severity is Severity.FIX
    assert "scene-a.wav and scene-c.wav are parts of one recording, and the 1.50 s between them" in missing.message
    assert "scene-b.wav is missing" in missing.message


@pytest.mark.slow
@pytest.mark.parametrize(("gap_s", "covered_s", "better"), [(1.5, 14.0, "c"), (1.5, 40.0, "a"), (9.0, 14.0, None)])
def test_two_parts_that_both_match_are_no_rivals(tmp_path, gap_s, covered_s, better):
    """In a clip of a minute: their times of day tell 1.5 s between them, the laws `gap_s`."""
    air = shoot_open_air(tmp_path, frames=301)
    first, last = (open_take(path) for path in np.array(split(air, tmp_path, 9 * RATE, round(10.5 * RATE)))[[0, 2]])
    clip = replace(open_clip(air.clip), duration_s=60.0)
    ends = ClockLaw(first.duration_s - covered_s)
    begins = ClockLaw(-(covered_s + gap_s))
    told = {take.path: SyncEstimate(True, "", law, 1e-4, 1.0, None) for take, law in ((first, ends), (last, begins))}
    choice = fuller_part(clip, (last, begins), [(first, ends)], told)
    if better is None:
        assert choice is None
    else:
        assert choice.take is {"a": first, "c": last}[better]
        assert choice.estimate is told[choice.take.path]
        assert "scene-b.wav is missing" in choice.findings[0].message


@pytest.fixture
def damaged(tmp_path):
    """A clip, its take, a file that is no recording, and one that shows its damage only on listening."""
    air = shoot_open_air(tmp_path, frames=201)
    (tmp_path / "cut.wav").write_bytes(b"no sound at all " * 1000)
    field, _ = soundfile.read(air.take)
    field[-1000] = np.nan
    soundfile.write(tmp_path / "nan.wav", field, RATE, subtype="FLOAT")
    return air, [tmp_path / "cut.wav", tmp_path / "nan.wav"]


def test_damaged_takes_do_not_stop_the_others(damaged):
    air, broken = damaged
    result = sync_clip(air.clip, [broken[0], air.take, broken[1]])
    assert result.take.path == air.take
    assert result.estimate.law.offset_s == pytest.approx(2.0, abs=GOAL_S)
    assert [(f.where, f.severity) for f in found(result, "unusable_file")] == [
        ("cut.wav", Severity.LOOK), ("nan.wav", Severity.LOOK)
    ]  # fmt: skip


def test_a_damaged_take_is_bad_news_where_no_other_matches(damaged, tmp_path):
    _, broken = damaged
    other = shoot_open_air(tmp_path, scene=2, name="other.mov")
    result = sync_clip(other.clip, [shoot_open_air(tmp_path, scene=3, name="third.mov").take, broken[0]])
    assert not result.estimate.matched
    assert [(f.where, f.severity) for f in found(result, "unusable_file")] == [("cut.wav", Severity.FIX)]


@pytest.mark.slow
@pytest.mark.parametrize("names", [("scene-a.wav", "scene-b.wav"), ("second.wav", "before.wav")])
def test_parts_that_nothing_else_tells_are_joined_by_the_clips_own_time(tmp_path, names):
    """Twelve seconds, cut in two and stripped of their times of day: no recorder splits so early, yet they run on."""
    air = shoot_open_air(tmp_path, frames=301)
    field, rate = soundfile.read(air.take, always_2d=True, dtype="float32")
    cut, paths = 7 * RATE + 1234, [tmp_path / name for name in names]
    for path, part in zip(paths, (field[:cut], field[cut:]), strict=True):
        soundfile.write(path, part, rate, subtype="FLOAT")
    result = sync_clip(air.clip, paths[::-1])
    assert result.take.paths == tuple(paths)
    assert result.estimate.law.offset_s == pytest.approx(2.0, abs=GOAL_S)
    assert result.covered_s == pytest.approx((0.0, air.duration_s), abs=1e-3)
    assert result.findings == ()


@pytest.mark.slow
def test_parts_with_a_gap_between_them_stay_two(tmp_path):
    air = shoot_open_air(tmp_path, frames=301)
    field, rate = soundfile.read(air.take, always_2d=True, dtype="float32")
    cut, paths = 7 * RATE, [tmp_path / "one.wav", tmp_path / "two.wav"]
    for path, part in zip(paths, (field[:cut], field[cut + RATE // 20 :]), strict=True):
        soundfile.write(path, part, rate, subtype="FLOAT")
    assert len(sync_clip(air.clip, paths).take.paths) == 1


@pytest.mark.slow
def test_parts_whose_names_count_on_are_joined_over_a_gap(tmp_path):
    """Half a second is lost between two files without a time of day: neither holds the clip alone, both together do."""
    air = shoot_open_air(tmp_path, frames=301)
    field, rate = soundfile.read(air.take, always_2d=True, dtype="float32")
    cut, paths = 7 * RATE, [tmp_path / "T_0001.wav", tmp_path / "T_0002.wav"]
    for path, part in zip(paths, (field[:cut], field[cut + RATE // 2 :]), strict=True):
        soundfile.write(path, part, rate, subtype="FLOAT")
    result = sync_clip(air.clip, paths)
    assert result.take.paths == tuple(paths)
    assert result.take.samples == pytest.approx(len(field), abs=10)
    assert result.estimate.law.offset_s == pytest.approx(2.0, abs=GOAL_S)
    (lost,) = found(result, "dropout")
    assert "(500.0 ms) were lost between T_0001.wav and T_0002.wav, by a clip's own sound" in lost.message


def test_damaged_takes_alone_are_an_error_that_names_them(damaged):
    air, (cut, holed) = damaged
    with pytest.raises(MediaFileError, match=r"nan\.wav holds a value that is no sample"):
        sync_clip(air.clip, [cut, holed])
    other = cut.with_name("other.wav")
    other.write_bytes(cut.read_bytes())
    with pytest.raises(MediaFileError, match=r"none of the 2 takes can be used: cut\.wav is not.*; other\.wav is not"):
        sync_clip(air.clip, [cut, other])


@pytest.mark.slow
@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_take_in_two_files_is_one_in_either_order(in_two, order):
    air, parts = in_two
    whole = sync_clip(air.clip, [air.take])
    joined = sync_clip(air.clip, [parts[number] for number in order])
    assert joined.take.paths == tuple(parts)
    assert joined.others == ()
    assert joined.estimate.law == whole.estimate.law
    assert joined.estimate.offset_sd_s == whole.estimate.offset_sd_s
    assert joined.findings == tuple(
        replace(finding, where=joined.take.path.name, message=finding.message.replace("clip-take", "scene-a"))
        if finding.where == air.take.name else finding
        for finding in whole.findings
    )  # fmt: skip
    assert joined.estimate.law.offset_s == pytest.approx(2.0, abs=GOAL_S)


@pytest.fixture
def own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("SOUNDPLUMB_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def reads(monkeypatch):
    """Names of the takes read through for their features."""
    read, real = [], spatial.jobs.sync.listen_take.field_blocks

    def counted(take, **options):
        read.append(take.path.name)
        return real(take, **options)

    monkeypatch.setattr(spatial.jobs.sync.listen_take, "field_blocks", counted)
    return read


def same(first, second):
    assert second.estimate.law == first.estimate.law
    assert second.estimate.offset_sd_s == first.estimate.offset_sd_s
    assert second.estimate.drift_sd_ppm == first.estimate.drift_sd_ppm
    assert second.findings == first.findings


@pytest.mark.slow
def test_the_second_run_remembers_the_take_and_says_the_same(tmp_path, own_cache, reads):
    air = shoot_open_air(tmp_path, frames=201, take_ppm=30.0)
    assert default_folder() == own_cache
    first = sync_clip(air.clip, [air.take])
    assert reads == [air.take.name]
    kept = sorted(path for path in own_cache.rglob("*.features"))
    assert len(kept) == 1
    second = sync_clip(air.clip, [air.take])
    assert reads == [air.take.name]
    same(first, second)
    assert sorted(own_cache.rglob("*.features")) == kept


@pytest.mark.slow
def test_the_cache_may_be_deleted_or_damaged_and_is_off_when_told(tmp_path, own_cache, reads, monkeypatch):
    air = shoot_open_air(tmp_path, frames=201)
    first = sync_clip(air.clip, [air.take])
    for path in own_cache.rglob("*.features"):
        path.write_bytes(path.read_bytes()[:-100])
    same(first, sync_clip(air.clip, [air.take]))
    assert len(reads) == 2
    monkeypatch.setenv("SOUNDPLUMB_CACHE", "off")
    same(first, sync_clip(air.clip, [air.take]))
    assert len(reads) == 3


@pytest.mark.slow
@pytest.mark.usefixtures("own_cache")
def test_a_take_that_changed_is_read_again(tmp_path, reads):
    air = shoot_open_air(tmp_path, frames=201)
    first = sync_clip(air.clip, [air.take])
    data, _ = soundfile.read(air.take, always_2d=True)
    # As long as before, so that only its content tells: everything half a second later.
    soundfile.write(air.take, np.roll(data, RATE // 2, axis=0), RATE, subtype="FLOAT")
    second = sync_clip(air.clip, [air.take])
    assert len(reads) == 2
    assert second.estimate.law.offset_s - first.estimate.law.offset_s == pytest.approx(0.5, abs=0.05e-3)


@pytest.mark.slow
@pytest.mark.parametrize("spoken", [False, True])
def test_a_match_by_steady_music_alone_is_said(tmp_path, spoken):
    """It may be the playback's next take; talk-like bursts that both hold say that it is not."""
    rng = np.random.default_rng(8)
    music = make_song(16.0, rng, exact=False)[0][: 14 * RATE]
    if spoken:
        music[5 * RATE : 9 * RATE] += 4.0 * np.repeat(bursts_of_noise(4.0, rng), 3)
    air = shoot_open_air(tmp_path, frames=351, level=0.0, extra=music)
    result = sync_clip(air.clip, [air.take])
    assert result.estimate.matched
    said = found(result, "ambiguous_match")
    if spoken:
        assert said == []
    else:
        (finding,) = said
        assert finding.severity is Severity.LOOK
        assert "clip.mov and clip-take.wav share nothing but steady music" in finding.message


@pytest.mark.slow
def test_people_who_play_are_not_taken_for_a_machine(tmp_path):
    """A string instrument, on the beat to the sample as the stage plays it, and someone who claps."""
    air = shoot_open_air(tmp_path, frames=351)
    assert found(sync_clip(air.clip, [air.take]), "ambiguous_match") == []


@pytest.mark.slow
@pytest.mark.parametrize("picture_from_mic", [None, np.eye(3)])
def test_a_mic_offset_that_was_given_is_not_asked_for(tmp_path, picture_from_mic):
    """With the mount known too: the direction and the distance are one vector, and the distance is 2.5 m."""
    air = shoot_open_air(tmp_path, frames=201)
    clip, (take,) = open_clip(air.clip), [open_take(air.take)]
    rig = rig_of((1.5, -2.0, 0.0), picture_from_mic)
    with listen_to_all(clip, [take], silent) as (sound, heard, listened, _):
        result = match_takes(clip, sound, heard, listened, separation=rig)
    assert result.apart_m == pytest.approx(2.5)
    (said,) = found(result, "recorder_apart")
    assert "2.5 m from the lens" in said.message
