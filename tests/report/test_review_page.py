"""The page's text: one file, its own policy, facts that read back, names that stay names; browsers: tests/browser."""

import base64
import hashlib
import html
import json
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import ORDINARY
from spatial.direction.summary import PLACES, RowVotes, SoundRows
from spatial.field import ChannelFormat, angle_between, azimuth_elevation, unit_vectors
from spatial.findings import Finding, Severity
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.review.review_clip import ReviewResult, _line_to_type
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import Tolerance
from spatial.media.movies.clip import Clip
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.mount.prior import Hanging, MountPrior
from spatial.picture import parse_picture
from spatial.report.review_page import page_facts, page_text, review_json, review_lines
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw

HOSTILE = "</script><script>alert(1)</script>&\u2028"


def result_of(name="clip.mov", findings=(), timecode=None, rate=Fraction(25)):
    clip = Clip(Path(name), 4.0, rate, 100, timecode, 960, 480, None, None)
    take = Take(Path("rec.wav"), 48_000, 4, 480_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
    law = ClockLaw(1.0, 0.0)
    estimate = SyncEstimate(True, "", law, 1e-4, 1.0, None, steady=law)
    rng = np.random.default_rng(1)
    vectors = rng.standard_normal((40, 3))
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    sd = np.full(40, np.radians(3.0))
    vectors[7], sd[7] = np.nan, np.nan
    places = np.zeros((40, PLACES, 3))
    places[:, 0], places[:, 1] = unit_vectors(1.0, 0.2), unit_vectors(-2.0, -0.4)
    powers = np.zeros((40, PLACES))
    powers[:, 0], powers[:, 1] = 1e-3, 1e-5
    rows = SoundRows(0.05 + 0.1 * np.arange(40), vectors, sd, np.full(40, -31.4), places, powers)
    return ReviewResult(
        sync=SyncResult(clip, take, estimate, ()),
        picture=parse_picture("equirect180-sbs", 960, 480),
        rows=rows,
        votes=RowVotes(
            np.nan_to_num(vectors),
            np.isfinite(sd) * 2.0,
            np.tile([[9.0, 1.0], [1.0, 4.0]], (40, 1, 1)),
            np.full(40, 0.2),
        ),
        mount=None,
        orient=None,
        marks=(),
        rig=Rig(),
        tolerance=Tolerance(),
        sounds={"left": "sound-left.m4a"},
        findings=tuple(findings),
    )


def facts_of(text):
    (inside,) = re.findall(r'<script type="application/json" id="facts">(.*?)</script>', text, re.DOTALL)
    return json.loads(inside)


def unpacked(text, kind):
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def test_the_page_is_one_file_that_names_only_its_movie():
    text = page_text(result_of())
    assert text.startswith("<!doctype html>")
    assert re.findall(r'(?:src|href|srcset|action)="([^"]*)"', text) == ["data:,", "movie.mp4"]
    assert not re.search(r"@import|url\(|fetch\(|XMLHttpRequest|WebSocket|import\(|eval\(", text)
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write", text)


def test_the_whole_line_to_type_is_on_the_page_where_a_word_of_the_hanging_would_help():
    line = "soundplumb review 'clip 1.mov' rec.wav -o 'clip 1-upright' --picture equirect180-sbs --upright"
    assert html.escape(line, quote=True) in page_text(replace(result_of(), to_type=line)).replace("&#39;", "&#x27;")
    assert "--upright" not in page_text(result_of()).partition("<script")[0]


@pytest.mark.parametrize(
    ("asked", "line"),
    [
        (
            TrackRequest(rig=Rig((0.0, 0.0, -0.3), picture="equirect180-sbs"), read_as=ChannelFormat.FUMA),
            "soundplumb review 'clip 1.mov' rec.wav -o 'clip 1-upright' --picture equirect180-sbs --mic-offset 0,0,-0.3"
            " --format fuma --upright",
        ),
        (TrackRequest(rig=Rig(picture="fisheye180"), prior=MountPrior(Hanging.UPSIDE_DOWN)), ""),
    ],
)
def test_the_line_to_type_has_the_names_of_the_files_and_of_the_rig(asked, line):
    assert _line_to_type(result_of("clip 1.mov").sync, asked) == line


def test_its_policy_names_just_its_own_script_and_style():
    text = page_text(result_of())
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1])
    assert "default-src 'none'" in policy
    for kind, pattern in (("script", r"<script>(.*?)</script>"), ("style", r"<style>(.*?)</style>")):
        (inside,) = re.findall(pattern, text, re.DOTALL)
        known = "sha256-" + base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{kind}-src '{known}'" in policy


def test_rows_read_back():
    result = result_of()
    packed = facts_of(page_text(result))["rows"]
    rows = result.rows
    assert unpacked(packed["time_s"], "<f4") == pytest.approx(rows.times_s)
    angles = unpacked(packed["angles"], "<i2").reshape(-1, 2) / 100
    sd = unpacked(packed["sd"], "<u2")
    assert sd[7] == 65_535
    told = sd != 65_535
    assert told.sum() == 39
    # 3 degrees of its own, and what is unknown of the microphone there; hundredths of a degree, rounded.
    stated = np.degrees(np.hypot(np.radians(3.0), ORDINARY.sd_rad(rows.vectors[told])))
    assert sd[told] / 100 == pytest.approx(stated, abs=0.0051)
    assert unpacked(packed["sd_turned"], "<u2").tolist() == sd.tolist()  # no mount took up any of it
    back = unit_vectors(*np.radians(angles[told]).T)
    # Hundredths of a degree, each angle rounded by up to half of one.
    assert np.degrees(np.max(angle_between(back, rows.vectors[told]))) < 0.008
    assert np.all(unpacked(packed["level"], "i1") == -31)
    assert unpacked(packed["heights"], "<f4")[6:9].tolist() == [2.0, 0.0, 2.0]
    assert unpacked(packed["steep"], "<f4").reshape(-1, 3)[0].tolist() == [9.0, 4.0, 1.0]
    powers = unpacked(packed["powers"], "i1").reshape(40, PLACES)
    assert powers[0].tolist() == [-30, -50] + [-128] * (PLACES - 2)
    place = unpacked(packed["places"], "<i2").reshape(40, PLACES, 2)[0, 0] / 100
    assert place == pytest.approx(np.degrees(azimuth_elevation(unit_vectors(1.0, 0.2))), abs=0.006)


def test_drafts_go_by_the_clips_content_and_the_version_of_its_marks():
    """A renamed copy finds them; another clip shares none; other marks, or another layout, make another version."""

    def known(result):
        return facts_of(page_text(result))["draft"]

    def seen(azimuth_rad):
        mark = Mark("Nell", 0.5, 2.0, azimuth_rad, 0.0, None)
        span = SpanDirection(False, np.array([1.0, 0.0, 0.0]), 0.1, 1.0)
        return replace(result, marks=((MeasuredMark(mark, span.vector, 0.0, span), None),))

    result = replace(result_of(), clip_glance="a1")
    first = known(result)
    assert known(replace(result_of(name="copy.mov"), clip_glance="a1")) == first
    assert known(replace(result, clip_glance="b2"))["clip"] != first["clip"]
    assert known(result_of())["clip"] != known(result_of(name="copy.mov"))["clip"]
    versions = [result, replace(result, picture=parse_picture("fisheye180-sbs", 960, 480)), seen(0.1), seen(0.2)]
    assert {known(version)["clip"] for version in versions} == {first["clip"]}
    assert len({known(version)["version"] for version in versions}) == 4


def test_hostile_names_stay_text():
    findings = [Finding("drift", Severity.LOOK, f"look at {HOSTILE}", HOSTILE)]
    text = page_text(result_of(name=HOSTILE.replace("/", "") + ".mov", findings=findings))
    assert "<script>alert" not in text
    assert text.count("</script>") == 2
    assert facts_of(text)["findings"][0]["message"] == f"Look at {HOSTILE}."


def test_a_name_that_is_no_text_does_not_stop_the_page():
    assert "clip\\udcff.mov" in page_text(result_of(name="clip\udcff.mov"))


@pytest.mark.parametrize(
    ("timecode", "rate", "clock"),
    [
        (None, Fraction(25), {"rate": 25.0, "start_frame": 0, "drop": False}),
        ("10:00:00:05", Fraction(25), {"rate": 25.0, "start_frame": 900_005, "drop": False}),
        ("00:01:00;02", Fraction(30000, 1001), {"rate": 30000 / 1001, "start_frame": 1800, "drop": True}),
        # A label that drop-frame counting leaves out, and one beyond the rate: counted from 0 instead.
        ("00:01:00;00", Fraction(30000, 1001), {"rate": 30000 / 1001, "start_frame": 0, "drop": False}),
        ("00:00:00:29", Fraction(25), {"rate": 25.0, "start_frame": 0, "drop": False}),
    ],
)
def test_timecode_starts_where_the_clips_does(timecode, rate, clock):
    assert page_facts(result_of(timecode=timecode, rate=rate))["clock"] == pytest.approx(clock)


def test_findings_come_worst_first_with_their_moments():
    findings = [
        Finding("drift", Severity.NOTE, "the clocks drift"),
        Finding("clock_step", Severity.LOOK, "a step", "clip.mov", 1.5),
        Finding("mark_off", Severity.LOOK, "another", "Odile", 3.0),
        Finding("mirrored", Severity.FIX, "rec.wav is mirrored"),
        Finding("dropout", Severity.FIX, "lost", "rec.wav", 9.0),
    ]
    told = page_facts(result_of(findings=findings))["findings"]
    assert [(finding["severity"], finding["time_s"]) for finding in told] == [
        ("fix", None), ("fix", 4.0), ("look", 1.5), ("look", 3.0), ("note", None),
    ]  # fmt: skip
    assert told[0]["message"] == "rec.wav is mirrored."
    assert told[2]["message"] == "A step."


def test_of_a_levelled_picture_it_says_what_is_shown():
    result = replace(result_of(), mount=np.eye(3), rig=Rig(levelled=np.eye(3)))
    assert "shown as it was filmed" in page_text(result)
    assert "shown as it was filmed" not in page_text(replace(result, rig=Rig()))
    assert "shown as it was filmed" not in page_text(replace(result, mount=None))


def test_what_review_prints(tmp_path):
    result = result_of(findings=[Finding("drift", Severity.NOTE, "the clocks drift")])
    lines = review_lines(result, tmp_path)
    assert str(tmp_path / "index.html") in lines[0]
    assert any("note" in line.lower() and "The clocks drift." in line for line in lines)
    assert any("start low" in line for line in lines)
    told = review_json(result, tmp_path)
    assert told["page"] == str(tmp_path / "index.html")
    assert set(told["findings"][0]) == {"code", "severity", "message", "where"}
