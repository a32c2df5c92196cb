"""A day's timeline, read by OpenTimelineIO itself: every sound lies where the clock law says, to half a sample."""

import itertools
import json
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import opentimelineio
import pytest

from spatial.field import ChannelFormat
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_result import DayClip
from spatial.jobs.day.other_recordings import OtherRecording
from spatial.jobs.handover.day_timeline import day_lanes
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.takes.reader import Part
from spatial.media.takes.take import Take
from spatial.media.timeline_file import METADATA_NAME, timeline_text
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw, ClockStep, frame_from_timecode

DAY = Path("/day")
HALF_SAMPLE = 0.5 + 1e-4  # what a rate of 30000/1001 in a double leaves over in an hour


def take_of(name="rec.wav", *, rate=48_000, seconds=600, start_of_day_s=None, parts=(), channels=4):
    return Take(
        *(DAY / name, rate, channels, seconds * rate, "WAV", "PCM_24", ChannelFormat.AMBIX),
        start_of_day_s=start_of_day_s,
        parts=parts,
    )


def entry(name, take, law, *, frames=250, rate=Fraction(25), timecode=None, findings=(), matched=True):
    clip = Clip(DAY / name, float(frames / rate), rate, frames, timecode, 960, 480, None, None)
    estimate = SyncEstimate(matched, "", law, 1e-4, 1e-3, None, steady=law)
    if not matched:
        estimate = SyncEstimate(False, "nothing alike", None, None, None, None)
    return DayClip(DAY / name, SyncResult(clip, take, estimate, ()), None, tuple(findings))


def read(*entries):
    lanes = day_lanes(
        entries, place=lambda track: DAY / "handover" / track.name, digest=lambda path: f"digest of {path.name}"
    )
    text = timeline_text("friday", lanes, folder=DAY / "handover", facts={"day": "friday"})
    return opentimelineio.adapters.read_from_string(text, "otio_json")


def track(timeline, name):
    (found,) = [track for track in timeline.tracks if track.name == name]
    return found


def clips(track):
    return [item for item in track if isinstance(item, opentimelineio.schema.Clip)]


def begins_s(item):
    """Where an item begins on the timeline, exactly: sums of whole counts, each divided by its own exact rate."""
    begin = Fraction(0)
    for other in item.parent():
        if other is item:
            return begin
        span = other.source_range.duration
        begin += Fraction(span.value) / Fraction(span.rate).limit_denominator(1001)
    raise AssertionError


def heard_samples(raw, picture, clip_time_s):
    """Which sample of a raw file an editor hears at a time of a clip, by the timeline alone."""
    (warp,) = raw.effects or [None]
    speed = 1.0 if warp is None else warp.time_scalar
    rate = raw.source_range.start_time.rate
    first = raw.source_range.start_time.value - raw.media_reference.available_range.start_time.value
    into_s = clip_time_s - float(begins_s(raw) - begins_s(picture))
    return first + into_s * speed * rate


@pytest.mark.parametrize("rate", [Fraction(25), Fraction(24_000, 1001), Fraction(30_000, 1001), Fraction(60_000, 1001)])
@pytest.mark.parametrize("take_rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("offset_s", "drift_ppm"), [(3.2170041, 80.6), (0.0, -52.3), (100.000013, 0.0), (7.5, -999.0)])
def test_a_take_lies_under_its_clip_as_the_law_says(rate, take_rate, offset_s, drift_ppm):
    law = ClockLaw(offset_s, drift_ppm)
    take = take_of(rate=take_rate)
    first = entry("a.mov", take, ClockLaw(400.0, drift_ppm), rate=rate, frames=101)
    timeline = read(first, entry("b.mov", take, law, rate=rate, frames=int(60 * rate)))
    picture = next(item for item in clips(track(timeline, "Picture")) if item.name == "b.mov")
    (raw,) = [
        item for item in clips(track(timeline, "Raw take")) if item.metadata[METADATA_NAME]["for_clip"] == "b.mov"
    ]
    for clip_time_s in (0.0, 13.77, 59.9):
        expected = law.take_from_clip(clip_time_s) * take_rate
        assert abs(heard_samples(raw, picture, clip_time_s) - expected) <= HALF_SAMPLE
    # A warp does not change how long a stretch is on the timeline.
    assert abs(raw.duration().to_seconds() - picture.duration().to_seconds()) <= 2 / take_rate
    assert raw.enabled


@pytest.mark.parametrize("offset_s", [-2.5000071, 598.123456])
def test_a_take_that_covers_a_part_of_its_clip_lies_under_that_part(offset_s):
    law = ClockLaw(offset_s, 40.0)
    timeline = read(entry("a.mov", take_of(), law))
    (picture,), (raw,) = clips(track(timeline, "Picture")), clips(track(timeline, "Raw take"))
    first = raw.source_range.start_time.value
    assert first >= 0
    assert first + raw.duration().value * law.ratio <= 600 * 48_000 + 1
    at_s = float(begins_s(raw) - begins_s(picture))
    assert at_s == pytest.approx(max(0.0, law.clip_from_take(0.0)), abs=1.01 / 48_000)
    expected = law.take_from_clip(at_s + 0.5) * 48_000
    assert abs(heard_samples(raw, picture, at_s + 0.5) - expected) <= HALF_SAMPLE


def test_a_clock_that_jumps_cuts_the_take_and_lost_sound_is_silence():
    """At 4 s the recorder lost 0.25 s, at 7 s the camera lost 0.1 s."""
    law = ClockLaw(3.0, 20.0, (ClockStep(4.0, -0.25), ClockStep(7.0, 0.1)))
    timeline = read(entry("a.mov", take_of(), law))
    (picture,), pieces = clips(track(timeline, "Picture")), clips(track(timeline, "Raw take"))
    spans = [(float(begins_s(piece)), float(begins_s(piece)) + piece.duration().to_seconds()) for piece in pieces]
    np.testing.assert_allclose(spans, [(0.0, 4.0), (4.25, 7.0), (7.0, 10.0)], atol=2 / 48_000)
    for piece, clip_time_s in zip(pieces, (2.0, 6.0, 9.0), strict=True):
        expected = law.take_from_clip(clip_time_s) * 48_000
        assert abs(heard_samples(piece, picture, clip_time_s) - expected) <= HALF_SAMPLE


def test_a_take_in_several_files_is_named_file_by_file():
    """Two files in a row, the second after a gap of a second and with half a second that the first holds as well."""
    second = Part(DAY / "rec-2.wav", 590 * 48_000, skip=24_000, gap=48_000)
    parts = Part(DAY / "rec-1.wav", 9 * 48_000), second
    law = ClockLaw(5.0)
    timeline = read(entry("a.mov", take_of("rec-1.wav", parts=parts), law))
    (picture,), (one, two) = clips(track(timeline, "Picture")), clips(track(timeline, "Raw take"))
    assert [item.media_reference.target_url for item in (one, two)] == ["../rec-1.wav", "../rec-2.wav"]
    assert [float(begins_s(one)), one.duration().to_seconds()] == [0.0, 4.0]
    assert [float(begins_s(two)), two.source_range.start_time.value] == [5.0, 24_000]
    assert heard_samples(two, picture, 7.0) == pytest.approx((12 - 10) * 48_000 + 24_000)


def test_channels_in_files_of_their_own_get_a_lane_each():
    names = [f"rec-{channel}.wav" for channel in "WYZX"]
    part = Part(DAY / names[0], 600 * 48_000, beside=tuple(DAY / name for name in names[1:]))
    timeline = read(entry("a.mov", take_of(names[0], parts=(part,)), ClockLaw(5.0)))
    lanes = ["Raw take", *(f"Raw take, file {number}" for number in (2, 3, 4))]
    assert [clips(track(timeline, lane))[0].media_reference.name for lane in lanes] == names


def test_other_recordings_lie_under_their_clip_as_they_were_cut_to_it():
    """Two microphones on one clip have a lane each; one that was not cut to it has none."""
    laws = ClockLaw(1.0), ClockLaw(2.0), None
    others = tuple(
        OtherRecording(DAY / f"lav{n}.wav", law, 1e-4, "", output=law and DAY / "tracks" / f"a.lav{n}.wav")
        for n, law in enumerate(laws)
    )
    rate = Fraction(30_000, 1001)
    worn = replace(entry("b.mov", take_of(), ClockLaw(5.0), rate=rate), other_recordings=others)
    timeline = read(entry("a.mov", take_of(), ClockLaw(100.0), rate=rate, frames=101), worn)
    picture = next(item for item in clips(track(timeline, "Picture")) if item.name == "b.mov")
    for lane, name in (("Other recording", "a.lav0.wav"), ("Other recording, file 2", "a.lav1.wav")):
        (item,) = clips(track(timeline, lane))
        assert item.media_reference.target_url == name
        assert abs(begins_s(item) - begins_s(picture)) * 48_000 <= 0.5
        assert item.duration().value == 400_400  # 250 frames of 30000/1001 at 48 kHz
        assert item.metadata[METADATA_NAME]["from"] == name[2:]
    assert "Other recording, file 3" not in [lane.name for lane in timeline.tracks]


def test_two_cameras_on_one_scene_lie_over_each_other_and_the_next_scene_follows():
    take = take_of()
    timeline = read(
        entry("a1.mov", take, ClockLaw(10.0)),
        entry("a2.mov", take, ClockLaw(200.0)),
        entry("b1.mov", take, ClockLaw(13.013)),
    )
    below, above = clips(track(timeline, "Picture")), clips(track(timeline, "Picture 2"))
    assert [item.name for item in below] == ["a1.mov", "a2.mov"]
    assert [item.name for item in above] == ["b1.mov"]
    later_s = float(begins_s(above[0]) - begins_s(below[0]))
    left_over_s = above[0].metadata[METADATA_NAME]["beside_frame_s"]
    assert later_s * 25 == round(later_s * 25)
    assert later_s + left_over_s == pytest.approx(3.013)
    assert abs(left_over_s) <= 0.02
    end_s = float(begins_s(above[0])) + 10.0
    assert float(begins_s(below[1])) == end_s + 1.0
    # The sound goes with its own picture.
    (raw,) = clips(track(timeline, "Raw take 2"))
    assert begins_s(raw) == begins_s(above[0])


def test_scenes_follow_the_recorders_time_of_day_across_midnight():
    evening, night = take_of("r9.wav", start_of_day_s=85_000.0), take_of("r1.wav", start_of_day_s=600.0)
    timeline = read(entry("after.mov", night, ClockLaw(5.0)), entry("before.mov", evening, ClockLaw(5.0)))
    assert [item.name for item in clips(track(timeline, "Picture"))] == ["before.mov", "after.mov"]


def test_clips_of_two_recorders_are_set_together_by_time_of_day():
    one, other = take_of("r1.wav", start_of_day_s=36_000.0), take_of("r2.wav", start_of_day_s=36_004.0)
    timeline = read(entry("a.mov", one, ClockLaw(10.0)), entry("b.mov", other, ClockLaw(8.0)))
    (above,) = clips(track(timeline, "Picture 2"))
    assert (above.name, float(begins_s(above))) == ("b.mov", 2.0)


@pytest.mark.parametrize(
    ("timecode", "rate"), [("01:00:00;02", Fraction(30_000, 1001)), ("10:20:30:12", Fraction(24_000, 1001))]
)
def test_pictures_keep_their_exact_rate_and_start_timecode(timecode, rate):
    timeline = read(entry("a.mov", take_of(), ClockLaw(5.0), rate=rate, timecode=timecode))
    (picture,) = clips(track(timeline, "Picture"))
    media = picture.media_reference.available_range
    # A last-bit loss of the file's text is allowed, 29.97 is not.
    assert media.start_time.rate == pytest.approx(float(rate), rel=1e-14)
    assert media.start_time.value == frame_from_timecode(timecode, rate)
    assert (media.duration.value, picture.source_range) == (250, media)


def test_a_clip_without_a_take_and_one_that_cannot_be_opened():
    timeline = read(
        entry("a.mov", take_of(), None, matched=False),
        DayClip(DAY / "broken.mov", None, None, (Finding(Code.UNUSABLE_FILE, Severity.FIX, "it is broken"),)),
    )
    assert [lane.name for lane in timeline.tracks] == ["Picture"]
    assert [item.name for item in clips(track(timeline, "Picture"))] == ["a.mov"]


def test_findings_are_markers_where_they_are():
    said = [
        Finding(Code.DROPOUT, Severity.FIX, "a hole", clip_time_s=4.0),
        Finding(Code.DRIFT, Severity.NOTE, "a drift"),
        Finding(Code.LIP_SYNC, Severity.LOOK, "past its end", clip_time_s=99.0),
    ]
    timeline = read(entry("a.mov", take_of(), ClockLaw(5.0), findings=said, timecode="10:00:00:00"))
    (picture,) = clips(track(timeline, "Picture"))
    begin = 10 * 3600 * 25
    assert [(mark.name, mark.marked_range.start_time.value - begin, mark.color) for mark in picture.markers] == [
        ("fix: dropout", 100, "RED"),
        ("note: drift", 0, "CYAN"),
        ("look: lip_sync", 249, "YELLOW"),
    ]
    assert picture.markers[0].comment == "a hole"


def test_everything_of_ours_stands_under_one_name_in_plain_values():
    law = ClockLaw(np.float64(5.0), np.float32(20.0))
    stamped = replace(take_of(), origination=datetime(2026, 11, 25))
    timeline = read(entry("half\udcff & <name>.mov", stamped, law))
    text = timeline.to_json_string()
    named = set()

    def walk(value):
        if isinstance(value, dict):
            named.update(value.get("metadata") or {})
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(json.loads(text))
    assert named == {METADATA_NAME}
    (picture,) = clips(track(timeline, "Picture"))
    told = picture.metadata[METADATA_NAME]
    assert (told["offset_s"], told["drift_ppm"], told["status"]) == (5.0, 20.0, "needs_look")
    assert unquote(picture.media_reference.target_url, errors="surrogateescape") == "../half\udcff & <name>.mov"


def test_no_two_stretches_of_a_lane_overlap():
    """Takes of other rates on one lane, clips of other rates: what is rounded never piles up."""
    takes = [take_of(f"r{rate}.wav", rate=rate) for rate in (44_100, 48_000, 96_000)]
    rates = [Fraction(25), Fraction(30_000, 1001), Fraction(24_000, 1001)]
    entries = [
        entry(f"{n:02d}.mov", takes[n % 3], ClockLaw(1.0 + 20.017 * n, 33.3), rate=rates[n // 3 % 3], frames=173)
        for n in range(18)
    ]
    timeline = read(*entries)
    for lane in timeline.tracks:
        spans = [(begins_s(item), begins_s(item) + Fraction(item.duration().to_seconds())) for item in clips(lane)]
        for (_, end_s), (begin_s, _) in itertools.pairwise(spans):
            assert begin_s >= end_s - Fraction(1, 10**6)
    pictures = {item.name: item for item in clips(track(timeline, "Picture"))}
    for raw in clips(track(timeline, "Raw take")):
        told = raw.metadata[METADATA_NAME]
        law = ClockLaw(told["offset_s"], told["drift_ppm"])
        rate = raw.source_range.start_time.rate
        heard = heard_samples(raw, pictures[told["for_clip"]], 3.0)
        assert abs(heard - law.take_from_clip(3.0) * rate) <= 1.01  # lanes of several rates: half a sample of each
