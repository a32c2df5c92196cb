"""The day on one page: what it says, in which order, what it draws, and that it needs nothing beside itself."""

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pytest

from spatial.field import ChannelFormat
from spatial.findings import Code, Finding, Severity
from spatial.jobs.conform.track_memory import ConformResult
from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.report.day_sheet import day_html, shoot_again
from spatial.report.mount_drawing import mount_drawing
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw

SHOOT = Path("friday")
HOLE = Finding(Code.DROPOUT, Severity.FIX, "0.2 s of sound are lost at 3.1 s <b>of</b> rec.wav")
NO_TAKE = Finding(Code.NO_MATCH, Severity.FIX, "no take belongs to d.mov")
OFF = Finding(Code.MARK_OFF, Severity.LOOK, "Odile is off by 9 degrees")
NOTE = Finding(Code.UPSIDE_DOWN, Severity.NOTE, "it hung upside down")


def entry(name, *, mount=None, matched=True, **more):
    clip = Clip(SHOOT / name, 10.01, Fraction(30_000, 1001), 300, "01:00:59;20", None, None, None, None)
    take = Take(SHOOT / "rec.wav", 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
    law = ClockLaw(3.217, 80.6)
    estimate = SyncEstimate(matched, "", law if matched else None, 1e-4, 1.0, None, steady=law)
    sync = SyncResult(clip, take, estimate, ())
    made = None
    if mount is not None:
        matrix = matrix_from_ypr(YawPitchRoll.from_degrees(*mount))
        proof, rig = SimpleNamespace(marks=()), Rig((0.0, 0.0, -0.3))
        track = SHOOT / "tracks" / f"{Path(name).stem}.wav"
        made = ConformResult(track, 480_480, law, matrix, rig, sync, None, proof, ())
    return DayClip(SHOOT / name, sync, made, **{"findings": (), **more})


def friday():
    return DayResult(
        SHOOT,
        (
            entry("a.mov", mount=(92.6, -2.0, 176.0), findings=(NOTE,), page=SHOOT / "pages" / "a" / "index.html"),
            entry("b.mov", findings=(OFF,), needs_marks=True),
            entry("c.mov", mount=(0, 0, 0), findings=(HOLE,), health=(HOLE,)),
            entry("d.mov", matched=False, findings=(NO_TAKE,)),
            DayClip(SHOOT / "e.mov", None, None, (), busy=True),
        ),
        (SHOOT / "spare.wav",),
        (),
    )


@pytest.fixture(scope="module")
def html():
    return day_html(friday(), SHOOT / "sheet", rig_for=lambda _clip: Rig())


def test_it_counts_and_names_the_worst_first(html):
    assert "<h1>Day sheet: friday</h1>" in html
    assert '<p class="summary">1 ready, 1 is being done, 1 needs marks, 1 has no take, 1 has a faulty take</p>' in html
    names = re.findall(r"<h2>(?:<a [^>]*>)?(\w\.mov)", html)
    assert names == ["c.mov", "d.mov", "b.mov", "e.mov", "a.mov"]


def test_it_says_what_to_shoot_again_and_why(html):
    again = html.partition("To shoot again")[2].partition("</section>")[0]
    assert re.findall(r"<b>(.*?)</b>", again) == ["c.mov", "d.mov"]
    assert "0.2 s of sound are lost at 3.1 s &lt;b&gt;of&lt;/b&gt; rec.wav." in again
    assert "No take belongs to d.mov." in again
    assert "spare.wav" in html
    clean = day_html(replace(friday(), clips=friday().clips[:1]), SHOOT, rig_for=lambda _clip: Rig())
    assert "To shoot again" not in clean


def test_what_can_be_mended_at_the_desk_is_not_shot_again():
    assert [shoot_again(one) for one in friday().clips] == [[], [], [HOLE], [NO_TAKE], []]


def test_a_clip_has_its_timecodes_take_and_microphone(html):
    """The last frame's label skips the two that a minute leaves out: SMPTE ST 12-1 drop-frame."""
    card = html.partition(">a.mov</a>")[2].partition("</article>")[0]
    assert "<dd>01:00:59;20 to 01:01:09;21</dd>" in card
    assert "<dd>0:10.0, 29.97 pictures a second</dd>" in card
    assert "<dd>rec.wav</dd>" in card
    assert "<dd>3.2170 s before the clip (±0.20 ms, 95 %)</dd>" in card
    assert "it faced 92.6° left of the lens, tipped 2.0° down, upside down" in card
    assert 'aria-label="The microphone: it faced 92.6° left of the lens' in card
    assert "hung upside down." not in card, "notes are not for this page"


def test_links_lead_to_review_pages_by_their_way_from_here(html):
    assert re.findall(r'href="([^"]+)">a.mov', html) == ["../pages/a/index.html"]


def test_nothing_runs_and_nothing_is_fetched(html):
    assert "default-src 'none'" in html
    assert "<script" not in html
    assert not re.findall(r'(?:src|href)="(?!data:|\.\./)', html)
    assert " style=" not in html, "the policy would leave it out"


# --- the drawing ---


def drawn(mount, offset=(0.0, 0.0, 0.0), **more):
    """Where each view has the microphone, its front's tip and its top's end: to the right and up, from the microphone.

    Returns a dict for each view, from above and from the right.
    """
    svg = ElementTree.fromstring(
        mount_drawing(matrix_from_ypr(YawPitchRoll.from_degrees(*mount)), offset, words="x", **more)
    )
    views = []
    for view in svg:
        line = {part.get("class"): part for part in view if part.tag in ("line", "circle")}
        mic = np.array([float(line["mic"].get("cx")), -float(line["mic"].get("cy"))])
        ends = {
            name: np.array([float(line[name].get("x2")), -float(line[name].get("y2"))]) - mic
            for name in ("front", "top")
        }
        views.append({"mic": mic - (50, -50), **ends})
    return views


@pytest.mark.parametrize(
    ("mount", "above", "right", "top_right"),
    [
        ((0, 0, 0), (0, 21), (21, 0), (0, 10)),
        # It faced left of the lens: left from above, and from the right it faces away.
        ((90, 0, 0), (-21, 0), (0, 0), (0, 10)),
        ((180, 0, 0), (0, -21), (-21, 0), (0, 10)),
        # Tipped up; and upside down.
        ((0, 90, 0), (0, 0), (0, 21), (-10, 0)),
        ((0, 0, 180), (0, 21), (21, 0), (0, -10)),
    ],
)
def test_the_drawing_shows_where_the_microphone_faced_and_hung(mount, above, right, top_right):
    from_above, from_right = drawn(mount)
    np.testing.assert_allclose(from_above["front"], above, atol=0.11)
    np.testing.assert_allclose(from_right["front"], right, atol=0.11)
    np.testing.assert_allclose(from_right["top"], top_right, atol=0.11)
    np.testing.assert_allclose([from_above["mic"], from_right["mic"]], 0.0)


def test_the_drawing_shows_where_the_microphone_was():
    """Forward 0.2, left 0.1, up -0.3: from above up and left, from the right right and down, in one scale."""
    from_above, from_right = drawn((0, 0, 0), (0.2, 0.1, -0.3))
    scale = from_above["mic"][1] / 0.2
    np.testing.assert_allclose(from_above["mic"], [-0.1 * scale, 0.2 * scale], atol=0.11)
    np.testing.assert_allclose(from_right["mic"], [0.2 * scale, -0.3 * scale], atol=0.11)
    far_above, _ = drawn((0, 0, 0), (9.0, 0.0, 0.0))
    assert far_above["mic"][1] == pytest.approx(24.0)


def test_the_fan_holds_the_facing():
    fan = mount_drawing(np.eye(3), (0.0, 0.0, 0.0), words="", facing_reach_rad=np.radians(30))
    (path,) = re.findall(r'class="fan" d="M50.0 50.0L(\S+) (\S+)A36 36 0 0 1 (\S+) (\S+)z"', fan)
    left_x, left_y, right_x, right_y = map(float, path)
    assert (left_x, right_x) == (pytest.approx(32.0), pytest.approx(68.0))
    assert left_y == right_y == pytest.approx(50 - 36 * np.cos(np.radians(30)), abs=0.06)
    assert "fan" not in mount_drawing(np.eye(3), (0.0, 0.0, 0.0), words="", facing_reach_rad=np.pi)


def test_words_in_a_drawing_are_safe():
    assert 'aria-label="abc"' in mount_drawing(np.eye(3), (0.0, 0.0, 0.0), words='a<b>"&c')
