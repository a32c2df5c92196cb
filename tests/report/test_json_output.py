"""JSON that a machine can trust: one object, no NaN, truth values as such, keys that stay when nothing is known."""

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.direction.intensity import FrameDirections
from spatial.field import ChannelFormat, unit_vectors
from spatial.findings import Finding, Severity
from spatial.jobs.directions import DirectionsResult
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.verify import VerifyResult
from spatial.media.movies.clip import Clip
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.mount.mark_fit import estimate_mount
from spatial.report import json_output
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw
from spatial.verification.placement import Judge, JudgedBy, check_mark

NAN = float("nan")
CLIP = Clip(Path("scène.mov"), 60.0, None, None, None, None, None, None, None)
TAKE = Take(Path("take.wav"), 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
LOST = SyncEstimate(False, "silence", None, None, None, None)
FOUND = SyncEstimate(True, "", ClockLaw(3.0, np.float64(50.0)), 2e-4, np.float64(1.0), None, ClockLaw(3.001))


def vector(azimuth_deg, elevation_deg):
    return unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))


def mark(heard, seen_deg=(30.0, 5.0)):
    return MeasuredMark(Mark("Odile", 1.0, 2.5, *np.radians(seen_deg), 2.0), vector(*seen_deg), 0.0, heard)


UNHEARD = SpanDirection(False, np.full(3, NAN), NAN, NAN)


def read(value):
    """Through the text and back: NaN or Infinity in it fails."""
    text = json_output.dumps(value)
    assert "\n" not in text
    return json.loads(text, parse_constant=pytest.fail)


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (NAN, None),
        (float("inf"), None),
        (np.float32(0.5), 0.5),
        (np.float64(NAN), None),
        (np.bool_(True), True),
        (np.bool_(False), False),
        (np.int64(7), 7),
        (True, True),
        (7, 7),
        (None, None),
        ("text", "text"),
        (Severity.FIX, "fix"),
        (ChannelFormat.FUMA, "fuma"),
        (Path("a/b.wav"), "a/b.wav"),
        (np.array([[1.0, NAN], [2.0, 3.0]]), [[1.0, None], [2.0, 3.0]]),
        ((1.0, "x"), [1.0, "x"]),
        ({"inner": (NAN,)}, {"inner": [None]}),
    ],
    ids=repr,
)
def test_every_kind_of_value(value, written):
    got = read({"key": value})["key"]
    assert got == written
    assert type(got) is type(written)


def test_names_keep_their_letters():
    assert "scène.mov" in json_output.dumps(json_output.sync_json(SyncResult(CLIP, TAKE, LOST, ())))


def test_sync_without_a_match_has_the_same_keys_and_nulls():
    # Coverage needs a length; a clip of 60 s and a take of 100 s.
    found = read(json_output.sync_json(SyncResult(CLIP, TAKE, FOUND, ())))
    lost = read(json_output.sync_json(SyncResult(CLIP, TAKE, LOST, ())))
    assert set(found) == set(lost)
    assert (found["matched"], found["drift_significant"], found["reason"]) == (True, True, None)
    assert (found["offset_s"], found["drift_ppm"], found["take"]) == (3.0, 50.0, "take.wav")
    assert (found["covered_from_s"], found["covered_until_s"]) == (0.0, 60.0)
    assert lost["matched"] is False
    assert lost["reason"] == "silence"
    assert {key for key, value in lost.items() if value is None} == {
        "decided_by", "take", "offset_s", "offset_sd_s", "drift_ppm", "drift_sd_ppm", "drift_significant",
        "covered_from_s", "covered_until_s", "match_strength", "lip_sync", "true_rate_hz", "riding_gain_db",
    }  # fmt: skip


def test_lip_sync_of_a_take_cut_to_the_clip():
    """63 ms of offset are heard 63 ms late: negative; frames at the worst of start and end."""
    cut = replace(FOUND, law=ClockLaw(0.063, 50.0), steady=ClockLaw(0.063), drift_sd_ppm=1.0)
    take = Take(Path("track.wav"), 48_000, 4, 60 * 48_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
    found = read(json_output.sync_json(SyncResult(replace(CLIP, frame_rate=Fraction(25)), take, cut, ())))["lip_sync"]
    assert found == {
        "early_start_ms": pytest.approx(-63.0),
        "early_end_ms": pytest.approx(-66.0),  # 50 ppm of 60 s
        "frames": pytest.approx(-66.0 / 40.0),
        "verdict": "not noticed",
    }
    assert read(json_output.sync_json(SyncResult(CLIP, take, cut, ())))["lip_sync"]["frames"] is None


def test_findings():
    finding = Finding("no_match", Severity.LOOK, "only half is covered", "scene.mov")
    assert read({"findings": json_output.findings_json([finding])})["findings"] == [
        {"code": "no_match", "severity": "look", "message": "only half is covered", "where": "scene.mov"}
    ]


def test_verify_of_a_heard_and_an_unheard_mark():
    heard = mark(SpanDirection(True, vector(34.0, 2.0), np.radians(1.5), 1.0))
    unheard = mark(UNHEARD)
    pairs = tuple((one, check_mark(one.expected, one.heard, judge=Judge(JudgedBy.TRACK))) for one in (heard, unheard))
    first, second = read(json_output.verify_json(VerifyResult(CLIP, TAKE, pairs, None, ())))["marks"]
    assert set(first) == set(second)
    assert first["who"] == "Odile"
    assert (first["start_s"], first["end_s"]) == (1.0, 2.5)
    assert (first["expected_azimuth_deg"], first["expected_elevation_deg"]) == pytest.approx((30.0, 5.0))
    assert (first["measured_azimuth_deg"], first["measured_elevation_deg"]) == pytest.approx((34.0, 2.0))
    assert first["azimuth_error_deg"] == pytest.approx(4.0)  # too far left: positive
    assert first["elevation_error_deg"] == pytest.approx(-3.0)
    assert first["sd_deg"] == pytest.approx(1.5)
    assert first["verdict"] == "in place"
    assert second["verdict"] == "unheard"
    assert [second[key] for key in ("measured_azimuth_deg", "measured_elevation_deg", "error_deg", "sd_deg")] == [
        None, None, None, None,
    ]  # fmt: skip


def test_verify_says_where_the_track_lies_in_time():
    result = read(json_output.verify_json(VerifyResult(CLIP, TAKE, (), FOUND, ())))
    assert (result["offset_s"], result["drift_ppm"]) == (3.0, 50.0)
    result = read(json_output.verify_json(VerifyResult(CLIP, TAKE, (), None, ())))
    assert (result["offset_s"], result["drift_ppm"]) == (None, None)


def test_orient_with_one_mark_has_nulls_where_it_does_not_know():
    """One mark: yaw or pitch can be had, the turn about the mark's own direction cannot."""
    heard = mark(SpanDirection(True, vector(0.0, 0.0), np.radians(1.0), 1.0))
    mount = estimate_mount(heard.expected[np.newaxis], heard.heard.vector[np.newaxis], np.array([np.radians(1.0)]))
    result = OrientResult(TAKE, SyncResult(CLIP, TAKE, FOUND, ()), mount, (heard, mark(UNHEARD)), (0.01, None), ())
    found = read(json_output.orient_json(result))
    assert found["mount"] == {"yaw_deg": None, "pitch_deg": None, "roll_deg": None, "matrix": None}
    assert found["undetermined"] != []
    assert None in found["sd_deg"].values()
    assert found["mirrored"] is None
    first, second = found["marks"]
    assert first["residual_deg"] == pytest.approx(np.degrees(0.01))
    assert (second["residual_deg"], second["sd_deg"], second["measured_azimuth_deg"]) == (None, None, None)


def test_directions_have_null_where_nothing_was_heard():
    frames = FrameDirections(
        times_s=np.array([0.05, 0.15]),
        azimuth_rad=np.array([NAN, np.radians(-30.0)]),
        elevation_rad=np.array([NAN, np.radians(10.0)]),
        sd_rad=np.array([NAN, 0.05]),
        diffuseness=np.array([NAN, 0.25]),
        level_db=np.array([-np.inf, -20.0]),
        source=np.array([0, 2]),
    )
    found = read(json_output.directions_json(DirectionsResult(TAKE, frames, None, ())))
    assert found["clip"] is None
    rest, row = found["frames"]
    assert rest == {
        "time_s": 0.05, "azimuth_deg": None, "elevation_deg": None, "sd_deg": None, "diffuseness": None,
        "level_db": None, "source": None,
    }  # fmt: skip
    assert (row["azimuth_deg"], row["elevation_deg"], row["level_db"]) == pytest.approx((-30.0, 10.0, -20.0))
    assert row["source"] == 2
