"""The review page in a real browser, from a file, as a director opens it.

The demo's slipway clip is reviewed once through the command; pages for known directions are that page with other
rows. Pixels are compared with spatial.picture, marks with spatial.media.tables, the solved mount with scipy's and ours.
"""

import dataclasses
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from cli.main import cli
from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import ORDINARY, PERFECT
from spatial.direction.summary import left_and_up
from spatial.errors import SoundplumbError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.findings import Finding, Severity
from spatial.jobs.orient.measure_marks import expected_direction, with_expected
from spatial.jobs.rig import Rig
from spatial.media.tables import CameraMoves, Mark, read_marks
from spatial.mount.mark_fit import MARK_SD_RAD, estimate_mount
from spatial.picture import parse_picture
from spatial.report import words
from spatial.rotation import Motion, YawPitchRoll, matrix_from_ypr, ypr_from_matrix
from spatial.timebase import frame_from_timecode, timecode_from_frame
from tests.browser.conftest import mark_by_hand, settle, steady_rows, wait_until

pytestmark = pytest.mark.slow

SCRIPT_NAME = "</script><script>hacked=1</script><img src=x onerror=hacked=1>'\""


def white_middle(page, canvas="over"):
    """Middle of the white dot on a canvas, as parts of its width and height; None where there is none."""
    return page.evaluate(
        """(id) => {
          const canvas = document.getElementById(id), {width, height} = canvas;
          const data = canvas.getContext("2d").getImageData(0, 0, width, height).data;
          // The dot is the one place that is white all around a pixel; rings and letters are thinner.
          const white = (x, y) => { const n = 4 * (y * width + x);
            return data[n] > 250 && data[n + 1] > 250 && data[n + 2] > 250 && data[n + 3] > 250; };
          let sum = 0, xs = 0, ys = 0;
          for (let y = 3; y < height - 3; y += 1) for (let x = 3; x < width - 3; x += 1)
            if (white(x, y) && white(x - 3, y) && white(x + 3, y) && white(x, y - 3) && white(x, y + 3)) {
              sum += 1; xs += x + 0.5; ys += y + 0.5; }
          return sum ? [xs / sum / width, ys / sum / height] : null;
        }""",
        canvas,
    )


def choose(page, name):
    page.locator("label", has_text=name).click()
    settle(page)


# --- it opens and plays -------------------------------------------------------------------------------------


def test_the_command_makes_a_page_that_opens_without_a_complaint(shoot, watched, tmp_path, capsys):
    arguments = [
        "review", shoot / "lantern.mp4", shoot / "rec-0041.flac", "-o", tmp_path / "look", "--picture", "equirect180",
        "--mount", "174,4,-3", "--json",
    ]  # fmt: skip
    with pytest.raises(SystemExit) as leaving:
        cli.main([str(part) for part in arguments], prog_name="soundplumb")
    assert leaving.value.code == 0
    assert json.loads(capsys.readouterr().out)["page"] == str(tmp_path / "look" / "index.html")
    page = watched.open(tmp_path / "look")
    settle(page)
    assert page.title() == "lantern.mp4 with rec-0041.flac"
    assert watched.complaints == []


def test_no_request_leaves_the_folder(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    page.locator("#play").click()
    for name in ("left", "back", "right"):
        page.locator("#heads label", has_text=name).click()
    wait_until(page, "movie.currentTime > 0.3")
    assert watched.requests
    assert [url for url in watched.requests if not url.startswith((folder.as_uri(), "data:"))] == []


def test_the_page_may_not_ask_the_network_even_if_told_to(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    refused = page.evaluate(
        """() => new Promise((resolve) => {
          document.addEventListener("securitypolicyviolation", (event) => resolve(event.effectiveDirective));
          const image = new Image(); image.src = "http://127.0.0.1:9/x.png";
        })"""
    )
    assert refused == "img-src"


def test_it_plays_and_the_drawing_follows(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    before = page.locator("#time").inner_text()
    page.locator("#play").click()
    wait_until(page, "movie.currentTime > 0.8 && page.time > 0.8")
    assert page.locator("#time").inner_text() > before
    assert page.locator("#play").inner_text() == "Stop"
    page.locator("#play").click()
    settle(page)
    assert page.evaluate("movie.paused && page.row === rowAt(page.time)")


@pytest.mark.parametrize("name", ["left", "back", "right"])
def test_a_turned_head_hears_its_own_sound_in_step(reviewed, watched, name):
    _, folder = reviewed
    page = watched.open(folder)
    page.locator("#heads label", has_text=name).click()
    page.locator("#play").click()
    wait_until(page, "ears.other && !ears.other.paused && ears.other.currentTime > 0.5")
    assert page.evaluate("ears.other.src").endswith(f"sound-{name}.m4a")
    assert page.evaluate("movie.muted && Object.values(ears.others).filter((o) => !o.paused).length === 1")
    # It may lag while it starts; it must then be caught up with, to less than viewers notice (45 ms).
    wait_until(page, "Math.abs(movie.currentTime - ears.other.currentTime) < 0.04")


def test_as_recorded_plays_what_was_recorded(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    choose(page, "As recorded")
    assert page.evaluate("ears.other.src").endswith("sound-recorded.m4a")
    assert page.locator("#heads input:disabled").count() == 3


# --- it draws what is true ----------------------------------------------------------------------------------

DIRECTIONS_DEG = [(0.0, 0.0), (30.0, 12.0), (-64.0, -20.0), (80.0, 35.0)]


@pytest.mark.parametrize("direction_deg", DIRECTIONS_DEG)
@pytest.mark.parametrize("layout", ["equirect180-sbs", "fisheye180-sbs", "fisheye200-sbs", "equirect360-sbs"])
def test_the_ring_lies_on_the_right_pixel(known, watched, reviewed, layout, direction_deg):
    vector = unit_vectors(*np.radians(direction_deg))
    picture = parse_picture(layout, reviewed[0].clip.width_px, reviewed[0].clip.height_px)
    page = watched.open(known(rows=steady_rows(vector), mount=None, picture=picture))
    settle(page)
    x_px, y_px = picture.pixel_from_direction(vector)
    width, height = picture.eye_size_px
    drawn = white_middle(page)
    assert drawn is not None
    # Half a pixel of a canvas 396 high, and the rows' hundredth of a degree.
    assert drawn[0] == pytest.approx((x_px + 0.5) / width, abs=0.002)
    assert drawn[1] == pytest.approx((y_px + 0.5) / height, abs=0.002)


def test_before_and_after_differ_by_the_mount(known, watched):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(40.0, 0.0, 0.0))
    page = watched.open(known(rows=steady_rows(unit_vectors(np.radians(-10.0), 0.0)), mount=mount))
    settle(page)
    assert white_middle(page) == pytest.approx([0.5 - 30 / 180, 0.5], abs=0.002)
    choose(page, "As recorded")
    assert white_middle(page) == pytest.approx([0.5 + 10 / 180, 0.5], abs=0.002)


@pytest.mark.parametrize(
    ("azimuth_deg", "words"), [(150.0, "150° left"), (-120.0, "120° right"), (180.0, "straight back")]
)
def test_sound_behind_has_a_place(known, watched, azimuth_deg, words):
    page = watched.open(known(rows=steady_rows(unit_vectors(np.radians(azimuth_deg), 0.0)), mount=None))
    settle(page)
    assert words in page.locator("#now").inner_text()
    assert white_middle(page) is None
    # An arrow at the edge on its side.
    left, right = page.evaluate(
        """() => { const pen = over.getContext("2d"), data = (x) => pen.getImageData(x, 0, 30, over.height).data;
        const count = (bytes) => bytes.filter((value, n) => n % 4 === 3 && value > 200).length;
        return [count(data(0)), count(data(over.width - 30))]; }"""
    )
    assert (left > 30) == (azimuth_deg > 0)
    assert (right > 30) == (azimuth_deg < 0)
    # On the circle its dot lies below the middle, in the colour of ink.
    x, y, colour, ink = page.evaluate(
        """() => {
          const box = around.getBoundingClientRect(), fine = devicePixelRatio, rim = rimOf(box.width, box.height) - 8;
          const azimuth = azimuthOf(turned(page.matrix, rows[page.row].heard.vector));
          const [x, y] = [box.width / 2 - rim * Math.sin(azimuth), box.height / 2 - rim * Math.cos(azimuth)];
          const pen = document.createElement("canvas").getContext("2d");
          pen.fillStyle = getComputedStyle(document.documentElement).getPropertyValue("--ink");
          pen.fillRect(0, 0, 1, 1);
          const pixel = (of, u, v) => Array.from(of.getImageData(u, v, 1, 1).data);
          return [x / box.width, y / box.height, pixel(around.getContext("2d"), x * fine, y * fine), pixel(pen, 0, 0)];
        }"""
    )
    assert y > 0.5
    assert np.sign(round(0.5 - x, 6)) == np.sign(round(np.sin(np.radians(azimuth_deg)), 6))
    assert colour == ink


@pytest.mark.parametrize(("elevation_deg", "word"), [(80.0, "overhead"), (-82.0, "below")])
@pytest.mark.parametrize("azimuth_deg", [20.0, -150.0])
def test_the_needle_points_nowhere_overhead(known, watched, azimuth_deg, elevation_deg, word):
    """No azimuth in words, no needle to the rim; a ring about the middle of the circle instead."""
    page = watched.open(known(rows=steady_rows(unit_vectors(*np.radians([azimuth_deg, elevation_deg]))), mount=None))
    settle(page)
    said = page.locator("#now").inner_text()
    assert said.startswith(f"{word}, {abs(elevation_deg):.0f}° {'up' if elevation_deg > 0 else 'down'}")
    rim, ring = page.evaluate(
        """() => {
          const box = around.getBoundingClientRect(), fine = devicePixelRatio, rim = rimOf(box.width, box.height) - 8;
          const azimuth = azimuthOf(turned(page.matrix, rows[page.row].heard.vector)), pen = around.getContext("2d");
          const [x0, y0] = [box.width / 2, box.height / 2];
          const at = (radius) => [x0 - radius * Math.sin(azimuth), y0 - radius * Math.cos(azimuth)];
          const ink = document.createElement("canvas").getContext("2d");
          ink.fillStyle = getComputedStyle(document.documentElement).getPropertyValue("--ink");
          ink.fillRect(0, 0, 1, 1);
          const wanted = Array.from(ink.getImageData(0, 0, 1, 1).data).join();
          const inked = (radius) => {
            const [x, y] = at(radius).map((place) => Math.round(place * fine));
            const near = pen.getImageData(x - 1, y - 1, 3, 3).data, pixels = [];
            for (let n = 0; n < near.length; n += 4) pixels.push(Array.from(near.slice(n, n + 4)).join());
            return pixels.includes(wanted);
          };
          return [inked(rim), inked(OVERHEAD_PX)];
        }"""
    )
    assert ring
    assert not rim


def test_places_in_words_are_pythons(maths):
    for azimuth_deg, elevation_deg in [
        (0, 0),
        (30, 12),
        (-64, -20),
        (180, 5),
        (50, 74),
        (50, 76),
        (-50, -76),
        (9, -90),
    ]:
        vector = unit_vectors(*np.radians([azimuth_deg, elevation_deg]))
        assert maths.evaluate("(v) => placeInWords(v)", vector.tolist()) == words.place(vector, digits=0)


def test_the_tolerance_of_a_mark_is_drawn_where_it_should_be_heard(reviewed, watched):
    result, folder = reviewed
    page = watched.open(folder)
    heard, _ = result.marks[1]
    page.evaluate("(time) => jump(time)", heard.mark.start_s + 0.5)
    settle(page)
    azimuth = np.arctan2(heard.expected[1], heard.expected[0])
    elevation = np.arcsin(heard.expected[2])
    edge = unit_vectors(azimuth, elevation + np.radians(10.0))
    x_px, y_px = result.picture.pixel_from_direction(edge)
    wide, high = result.picture.eye_size_px
    blue = page.evaluate(
        """([x, y]) => {
          const [n, m] = [Math.round(x * over.width), Math.round(y * over.height)];
          const bytes = over.getContext("2d").getImageData(n - 9, m - 3, 18, 7).data;
          const pixels = Array.from({ length: 126 }, (_, k) => bytes.slice(4 * k, 4 * k + 3));
          return pixels.filter(([red, , blue]) => blue > 230 && red < 170).length;
        }""",
        [(x_px + 0.5) / wide, (y_px + 0.5) / high],
    )
    assert blue > 8


# --- jumping and zooming ------------------------------------------------------------------------------------


def test_a_click_on_the_time_axis_jumps(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    box = page.locator("#ribbon").bounding_box()
    x = page.evaluate("timeline.xAt(8.0)")
    page.mouse.click(box["x"] + x, box["y"] + 40)
    settle(page)
    assert page.evaluate("movie.currentTime") == pytest.approx(8.0, abs=0.03)


def test_zoom_keeps_the_moment_and_the_whole_comes_back(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    page.evaluate("jump(8)")
    settle(page)
    before = page.evaluate("timeline.xAt(8)")
    page.locator("#closer").click()
    page.locator("#closer").click()
    settle(page)
    assert page.evaluate("timeline.until - timeline.from") == pytest.approx(16.5165 / 4, abs=1e-3)
    assert page.evaluate("timeline.xAt(8)") == pytest.approx(before, abs=1.0)
    page.locator("#whole").click()
    assert page.evaluate("[timeline.from, timeline.until]") == pytest.approx([0.0, 16.5165])


def test_findings_and_marks_lead_to_their_moment(reviewed, watched):
    result, folder = reviewed
    page = watched.open(folder)
    assert page.locator("#findings li").count() == len(result.findings)
    assert page.locator("#findings button").count() == 0  # each of them is about the whole clip
    page.locator("#marks li button.go", has_text="Perrin").click()
    settle(page)
    assert page.evaluate("page.time") == pytest.approx(7.25, abs=1e-6)
    assert page.locator("#time").inner_text() == timecode_from_frame(217, Fraction(30000, 1001))


def test_a_finding_with_a_moment_leads_to_it(known, watched):
    findings = (
        Finding("drift", Severity.NOTE, "the clocks drift"),
        Finding("dropout", Severity.FIX, "a hole: see --format", "rec.wav", 5.0),
    )
    page = watched.open(known(findings=findings))
    assert page.locator("#findings button").count() == 1
    page.locator("#findings button").click()
    settle(page)
    assert page.evaluate("page.time") == 5.0
    flagged = "(x) => timeline.canvas.getContext('2d').getImageData(x * devicePixelRatio, 2, 1, 1).data[3] > 200"
    assert [page.evaluate(flagged, page.evaluate(f"timeline.xAt({time_s})")) for time_s in (4.5, 5.0)] == [False, True]
    assert page.locator("#findings .whole").inner_text() == "--format"


def test_under_a_camera_that_moved_the_drawing_turns_with_it(known, watched):
    """Somebody 21 degrees left, 11 up; the camera pans 40 to the left from 2 to 3 s, and tips."""
    still = unit_vectors(np.radians(21.0), np.radians(11.0))
    cameras = [matrix_from_ypr(YawPitchRoll.from_degrees(*turn)) for turn in ((0, 0, 0), (0, 0, 0), (40, -12, 5))]
    moves = CameraMoves(Path("m.csv"), Motion(np.array([0.0, 2.0, 3.0]), np.stack(cameras)))
    rig = Rig((0.1, 0.0, -0.3), "equirect180-sbs", moves=moves)
    page = watched.open(known(rows=steady_rows(still), mount=np.eye(3), rig=rig))
    for time_s in (1.05, 2.55, 4.05):
        page.evaluate("(time) => jump(time)", time_s)
        settle(page)
        (camera,) = moves.motion.at(np.array([time_s]))
        azimuth, elevation = (float(angle) for angle in azimuth_elevation(camera.T @ still))
        assert white_middle(page) == pytest.approx([0.5 - azimuth / np.pi, 0.5 - elevation / np.pi], abs=0.002)
    # A mark during the pan is expected where Python expects it: on average over the moves.
    mark = Mark("Nell", 1.5, 3.5, np.radians(-10.0), np.radians(15.0), 2.0)
    ours = with_expected(mark, rig, SpanDirection(True, still, 0.1, 1.0), finished=False)
    entry = {"who": "", "start_s": 1.5, "end_s": 3.5, "azimuth_deg": -10.0, "elevation_deg": 15.0, "distance_m": 2.0}
    expected = page.evaluate("(entry) => markFrom(entry).expected", entry)
    # Python takes 25 moments, the page one each tenth of a second.
    assert np.degrees(angle_between(np.array(expected), ours.expected)) < 0.5
    # As recorded nothing turns.
    choose(page, "As recorded")
    assert white_middle(page) == pytest.approx([0.5 - 21 / 180, 0.5 - 11 / 180], abs=0.002)


def test_keys(reviewed, watched):
    _, folder = reviewed
    page = watched.open(folder)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Shift+ArrowRight")
    settle(page)
    assert page.evaluate("page.time") == pytest.approx(1 + 1001 / 30000, abs=1e-6)
    page.keyboard.press(" ")
    wait_until(page, "!movie.paused && movie.currentTime > 1.3")
    page.keyboard.press(" ")
    wait_until(page, "movie.paused")
    page.keyboard.press("+")
    settle(page)
    assert page.evaluate("timeline.until - timeline.from") < 9
    page.keyboard.press("m")
    assert page.locator("#marking").is_visible()
    seen = page.evaluate("page.editing.azimuth_deg")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate("page.editing.azimuth_deg") == pytest.approx(seen + 1.0, abs=1e-6)
    page.keyboard.press("Enter")
    page.keyboard.type("Nell")
    page.keyboard.press("Enter")
    assert page.locator("#marks li .who").all_inner_texts()[-1] == "Nell"


# --- marking ------------------------------------------------------------------------------------------------


def test_marks_by_hand_tell_the_mount_and_are_read_back(known, reviewed, watched, shoot, tmp_path):
    """The demo's own marks, made by hand: heard where Python hears them, and the mount is Python's."""
    result, _ = reviewed
    page = watched.open(known(mount=None))
    for heard, (x_px, y_px) in zip(
        (pair[0] for pair in result.marks), [(421, 293), (53, 200), (160, 293), (312, 237)], strict=True
    ):
        mark = heard.mark
        mark_by_hand(page, mark.who, (x_px, y_px), mark.start_s, mark.end_s, str(mark.distance_m).replace(".", ","))
        assert "off" in page.locator("#answer").inner_text()
        assert page.locator("#solved").inner_text() != ""
        page.locator("#marking button[type=submit]").click()
    solved = page.evaluate("page.solved")
    assert solved["sure"]
    theirs = np.array(solved["ways"][0]["matrix"])
    # Marks heard within half a degree (below), each seen within half a screen pixel; Python also weighs who may be
    # wrong, and what the crew's marks share.
    assert np.degrees(Rotation.from_matrix(theirs.T @ result.mount).magnitude()) < 1.0
    assert "upside down" in page.locator("#solved").inner_text()
    assert page.locator("#sides label", has_text="By your marks").is_visible()
    with page.expect_download() as waiting:
        page.locator("#save").click()
    assert waiting.value.suggested_filename == "slipway.marks.csv"
    waiting.value.save_as(tmp_path / "by-hand.csv")
    again = read_marks(tmp_path / "by-hand.csv")
    expected = read_marks(shoot / "slipway.marks.csv", picture=result.picture)
    for mine, mark in zip(again, expected, strict=True):
        assert (mine.who, mine.distance_m) == (mark.who, mark.distance_m)
        assert mine.start_s == pytest.approx(mark.start_s, abs=1e-3)
        assert mine.end_s == pytest.approx(mark.end_s, abs=1e-3)
        seen = [unit_vectors(m.azimuth_rad, m.elevation_rad) for m in (mine, mark)]
        # A click is told in whole screen pixels of the page, each 180 / 396 of a degree wide and high.
        assert np.degrees(angle_between(*seen)) < 2**0.5 * 180 / 396
    assert watched.complaints == []


def test_the_page_hears_a_mark_where_python_hears_it(reviewed, maths):
    result, _ = reviewed
    off, ratio = [], []
    for heard, _ in result.marks:
        told = maths.evaluate("([a, b]) => heardBetween(a, b)", [heard.mark.start_s, heard.mark.end_s])
        off.append(np.degrees(angle_between(np.array(told["vector"]), heard.heard.vector)))
        ratio.append(told["sdRad"] / heard.heard.sd_rad)
    # A mark ends where the mark ends, not where a tenth of a second does; the rest is a hill for many bins.
    assert np.max(off) < 0.5
    assert np.mean(off) < 0.3
    assert np.min(ratio) > 0.5
    assert np.max(ratio) < 3.0


def test_a_mirrored_take_is_put_right_before_the_page_solves_it(maths):
    """Seen left and heard right, up for up: once Y is put right, nothing is left to turn."""
    solved = maths.evaluate(
        """(seen) => {
          const heard = (v) => ({ vector: [v[0], -v[1], v[2]], sdRad: 0.02 });
          const marks = seen.map((v) => ({ expected: v, parallaxSdRad: 0, heard: heard(v) }));
          facts.repaired = [[1, 0, 0], [0, -1, 0], [0, 0, 1]];
          const found = mountFrom(marks);
          facts.repaired = null;
          return found;
        }""",
        [unit_vectors(*np.radians(at)).tolist() for at in ((50.0, 0.0), (-30.0, 20.0), (0.0, -30.0))],
    )
    (way,) = solved["ways"]
    assert np.array(way["mount"]) == pytest.approx(np.eye(3), abs=1e-6)
    assert np.array(way["matrix"]) == pytest.approx(np.diag([1.0, -1.0, 1.0]), abs=1e-6)
    assert max(way["leftRad"]) < 1e-6


def test_the_page_hears_a_steady_voice_where_it_is(known, watched):
    vector = unit_vectors(np.radians(33.0), np.radians(-8.0))
    page = watched.open(known(rows=steady_rows(vector), mount=None))
    heard = page.evaluate("heardBetween(2, 5)")
    assert np.degrees(angle_between(np.array(heard["vector"]), vector)) < 0.02
    assert page.evaluate("heardBetween(2, 2.1)") is None


def test_one_mark_gives_both_ways_of_hanging(known, watched):
    vector = unit_vectors(np.radians(-60.0), 0.0)
    page = watched.open(known(rows=steady_rows(vector), mount=None, rig=Rig()))
    mark_by_hand(page, "Nell", (159.5, 239.5), 2.0, 5.0, "")
    said = page.locator("#solved").inner_text()
    # Seen 30 left, heard 60 right: upright it faced 90 left; upside down, left and right trade: -30 = 30 - 60.
    assert "if it stood upright, it faced 90° left" in said
    assert "if it hung upside down, it faced 30° right of the lens" in said
    page.keyboard.press("Escape")
    assert page.locator("#marks li").count() == 0


def test_a_mark_without_a_distance_says_what_that_allows(known, watched):
    """From 1 to 4 m, a microphone 30 cm below the lens hears them degrees apart: no wonder that 12 are in place."""
    page = watched.open(known(rows=steady_rows(unit_vectors(np.radians(30.0), 0.0)), mount=None))
    mark_by_hand(page, "Nell", (159.5, 239.5), 2.0, 5.0, "")
    allowed = page.evaluate("page.editing.parallaxSdRad")
    assert allowed > np.radians(3.0)
    assert f"metres not given: {np.degrees(allowed):.0f}° more allowed" in page.locator("#answer").inner_text()
    page.locator("#distance").fill("2.5")
    assert "more allowed" not in page.locator("#answer").inner_text()
    page.locator("#marking button[type=submit]").click()


def test_a_mark_in_silence_says_so(known, watched):
    rows = steady_rows(unit_vectors(0.0, 0.0))
    rows = dataclasses.replace(
        rows, sd_rad=np.full_like(rows.sd_rad, np.nan), vectors=np.full_like(rows.vectors, np.nan)
    )
    page = watched.open(known(rows=rows, mount=None))
    mark_by_hand(page, "Nell", (100, 200), 2.0, 5.0, "")
    assert "Nobody is heard clearly" in page.locator("#answer").inner_text()
    assert page.locator("#now").inner_text() == "nothing clear is heard"


def test_a_mark_that_ends_before_it_starts_is_not_kept(known, watched):
    page = watched.open(known(mount=None))
    mark_by_hand(page, "Nell", (100, 200), 5.0, 3.0, "")
    assert "end after the start" in page.locator("#answer").inner_text()
    page.locator("#marking button[type=submit]").click()
    assert page.locator("#marking").is_visible()


# --- names ---------------------------------------------------------------------------------------------------


def test_hostile_names_are_only_names(reviewed, known, watched, tmp_path):
    result, _ = reviewed
    (heard, check), *_ = result.marks
    heard = dataclasses.replace(heard, mark=dataclasses.replace(heard.mark, who=SCRIPT_NAME))
    clip = dataclasses.replace(result.clip, path=result.clip.path.with_name(SCRIPT_NAME.replace("/", "") + ".mov"))
    finding = dataclasses.replace(result.findings[0], message=f"look at {SCRIPT_NAME}", where=SCRIPT_NAME)
    page = watched.open(
        known(marks=((heard, check),), sync=dataclasses.replace(result.sync, clip=clip), findings=(finding,))
    )
    settle(page)
    assert page.locator("#marks li .who").inner_text() == SCRIPT_NAME
    assert SCRIPT_NAME in page.locator("#findings li").inner_text()
    assert clip.path.name in page.locator("h1").inner_text()
    mark_by_hand(page, SCRIPT_NAME, (100, 200), 3.0, 6.0, "")
    page.locator("#marking button[type=submit]").click()
    assert page.evaluate("typeof hacked") == "undefined"
    assert watched.complaints == []
    with page.expect_download() as waiting:
        page.locator("#save").click()
    waiting.value.save_as(tmp_path / "marks.csv")
    assert [mark.who for mark in read_marks(tmp_path / "marks.csv")] == [SCRIPT_NAME, SCRIPT_NAME]


@pytest.mark.parametrize("who", ["a,b", 'the "old" one', "Jörg; Ann", "line\nbreak", " \t ", "‮gnp", "名前"])
def test_every_name_comes_back_as_one_that_can_be_shown(reviewed, watched, tmp_path, who):
    _, folder = reviewed
    page = watched.open(folder)
    mark = {"who": who, "start_s": 1.0, "end_s": 2.5, "azimuth_deg": -0.001, "elevation_deg": 10.0, "distance_m": None}
    path = tmp_path / "marks.csv"
    path.write_text(page.evaluate("(mark) => marksCsv([mark])", mark), encoding="utf-8")
    (back,) = read_marks(path)
    wanted = {"line\nbreak": "line break", " \t ": "unnamed", "‮gnp": "gnp"}
    assert back == Mark(wanted.get(who, who), 1.0, 2.5, 0.0, pytest.approx(np.radians(10.0)), None)


# --- the page's small maths, held against Python's -------------------------------------------------------------


@pytest.fixture(scope="module")
def maths(browser, reviewed):
    page = browser.new_page()
    page.goto((reviewed[1] / "index.html").as_uri())
    yield page
    page.close()


@pytest.mark.parametrize("count", [2, 3, 6])
@pytest.mark.parametrize("seed", range(4))
def test_the_solved_mount_is_pythons(maths, seed, count):
    rng = np.random.default_rng([seed, count])
    truth = Rotation.random(rng=rng)
    expected = unit_vectors(np.radians(rng.uniform(-80, 80, count)), np.radians(rng.uniform(-40, 40, count)))
    noisy = truth.inv().apply(expected) + 0.04 * rng.standard_normal((count, 3))
    heard = noisy / np.linalg.norm(noisy, axis=1, keepdims=True)
    sd = np.radians(rng.uniform(1.0, 6.0, count))
    pairs = [
        {"expected": e.tolist(), "heard": h.tolist(), "sdRad": s} for e, h, s in zip(expected, heard, sd, strict=True)
    ]
    weights = 1.0 / (sd**2 + MARK_SD_RAD**2)
    for side in (0, 1, -1):
        got = maths.evaluate("([pairs, side]) => solveMount(pairs, side, DEG)", [pairs, side])
        up = [[0.0, 0.0, float(side)]], [[0.0, 0.0, 1.0]], [1.0 / np.radians(5.0) ** 2]
        all_of = (
            (expected, heard, weights)
            if side == 0
            else (np.concatenate(p) for p in zip((expected, heard, weights), up, strict=True))
        )
        best, _ = Rotation.align_vectors(*all_of)
        assert np.array(got["matrix"]) == pytest.approx(best.as_matrix(), abs=1e-6)
    ours = estimate_mount(expected, heard, sd, microphone=PERFECT)
    if ours.matrix is not None and count > 2:
        free = maths.evaluate("(pairs) => solveMount(pairs, 0, DEG)", pairs)
        assert np.array(free["matrix"]) == pytest.approx(ours.matrix, abs=0.02)
        assert free["leftRad"] == pytest.approx(angle_between(heard @ np.array(free["matrix"]).T, expected), abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_the_region_of_a_direction_is_pythons(maths, seed):
    """Own scatter, and what a shared turn adds across the direction: delta x v, seen along left and up."""
    rng = np.random.default_rng(seed)
    vector = unit_vectors(rng.uniform(-np.pi, np.pi), rng.uniform(-1.2, 1.2))
    shape = rng.standard_normal((3, 3)) * 0.05
    covariance = shape @ shape.T
    drawn = rng.multivariate_normal(np.zeros(3), covariance, 200_000)
    moved = np.cross(drawn, vector) @ left_and_up(vector).T
    expected = np.cov(moved.T) + 0.02**2 * np.eye(2)
    found = np.array(maths.evaluate("(v) => uncertaintyOf(v[0], 0.02, v[1])", [vector.tolist(), covariance.tolist()]))
    assert found == pytest.approx(expected, abs=0.03 * np.trace(expected))  # 200 000 draws: 1 %
    axes = maths.evaluate("(m) => axesOf(m)", found.tolist())
    sizes, ways = np.linalg.eigh(found)
    assert [axes["short"], axes["long"]] == pytest.approx(np.sqrt(sizes))
    assert abs(ways[:, 1] @ [np.cos(axes["turn"]), np.sin(axes["turn"])]) == pytest.approx(1.0)
    points = np.array(maths.evaluate("([v, a]) => regionAround(v, a, 2, 1)", [vector.tolist(), axes]))
    reach = angle_between(points, vector)
    assert np.max(reach) == pytest.approx(2 * axes["long"], rel=0.01)  # 48 points: within 0.1 % of the farthest
    assert np.min(reach) == pytest.approx(2 * axes["short"], rel=0.01)


def test_the_mounts_own_uncertainty_widens_the_ring_as_corrected_only(known, watched, reviewed):
    result = reviewed[0]
    page = watched.open(known(rows=steady_rows(unit_vectors(0.0, 0.0), sd_deg=1.0)))
    settle(page)
    wide = page.evaluate("seenOf(rows[page.row], page).axes.long")
    choose(page, "As recorded")
    front = unit_vectors(0.0, 0.0)
    recorded = np.hypot(np.radians(1.0), ORDINARY.sd_rad(front[np.newaxis])[0])
    assert page.evaluate("seenOf(rows[page.row], page).axes.long") == pytest.approx(recorded, rel=0.01)
    across = np.cross(result.mount @ unit_vectors(0.0, 0.0), left_and_up(result.mount @ unit_vectors(0.0, 0.0)))
    mount = result.orient.mount
    own = np.radians(1.0) ** 2 + mount.taken_up.left_sd_rad(front[np.newaxis])[0] ** 2
    region = own * np.eye(2) + across @ mount.own_covariance @ across.T
    assert wide == pytest.approx(np.sqrt(np.linalg.eigvalsh(region)[-1]), rel=0.01)


def test_one_mark_is_loose_and_three_are_not(maths):
    def loose(*azimuths):
        vectors = [unit_vectors(np.radians(a), np.radians(e)).tolist() for a, e in azimuths]
        pairs = [{"expected": v, "heard": v, "sdRad": np.radians(2.0)} for v in vectors]
        return np.degrees(maths.evaluate("(pairs) => solveMount(pairs, 0, DEG).looseRad", pairs))

    assert loose((10.0, 0.0)) > 150
    # By the covariance of Shuster and Oh 1981 (from memory), two directions at +-15, each known to 2 degrees, give
    # roll 5.46. Here each has sqrt(5), as the mark itself is good to a degree.
    assert loose((15.0, 0.0), (-15.0, 0.0)) == pytest.approx(5.46 * np.sqrt(5) / 2, rel=0.01)


@pytest.mark.parametrize("layout", ["equirect180-sbs", "equirect360", "fisheye190-sbs", "fisheye180"])
def test_pixels_and_directions_are_pythons(reviewed, known, watched, layout):
    picture = parse_picture(layout, reviewed[0].clip.width_px, reviewed[0].clip.height_px)
    page = watched.open(known(picture=picture))
    width, height = picture.eye_size_px
    rng = np.random.default_rng(5)
    for _ in range(40):
        vector = rng.standard_normal(3)
        vector /= np.linalg.norm(vector)
        place = page.evaluate("(v) => placeFrom(facts.picture, v)", vector.tolist())
        pixel = picture.pixel_from_direction(vector)
        assert (place is None) == (pixel is None)
        if pixel is not None:
            assert place == pytest.approx([(pixel[0] + 0.5) / width, (pixel[1] + 0.5) / height], abs=1e-9)
        x, y = rng.uniform(0, 1, 2)
        direction = page.evaluate("([x, y]) => directionFrom(facts.picture, x, y)", [x, y])
        try:
            expected = picture.direction_from_pixel(x * width - 0.5, y * height - 0.5)
        except SoundplumbError:
            assert direction is None
        else:
            assert direction == pytest.approx(expected.tolist(), abs=1e-9)


@pytest.mark.parametrize("distance", [None, 1.5])
def test_parallax_is_pythons(maths, distance):
    mark = Mark("Nell", 0.0, 1.0, np.radians(30.0), np.radians(-10.0), distance)
    for offset in [(0.0, 0.0, 0.0), (0.03, 0.0, -0.3), (-0.1, 0.2, 0.15)]:
        expected, sd = expected_direction(mark, offset)
        seen = unit_vectors(mark.azimuth_rad, mark.elevation_rad).tolist()
        got = maths.evaluate("([s, d, o]) => expectedFrom(s, d, o, facts.likely_distances_m)", [seen, distance, offset])
        assert got["vector"] == pytest.approx(expected.tolist(), abs=1e-9)
        assert got["sdRad"] == pytest.approx(sd, abs=1e-9)


def test_angles_of_a_mount_are_pythons(maths):
    for matrix in Rotation.random(20, rng=np.random.default_rng(3)).as_matrix():
        got, ours = maths.evaluate("(m) => yprFrom(m)", matrix.tolist()), ypr_from_matrix(matrix)
        assert [got["yaw"], got["pitch"], got["roll"]] == pytest.approx([ours.yaw_rad, ours.pitch_rad, ours.roll_rad])


@pytest.mark.parametrize(
    ("rate", "start"),
    [
        (Fraction(25), "10:00:00:00"),
        (Fraction(30000, 1001), "00:59:58;20"),
        (Fraction(60000, 1001), "23:59:50;10"),
        (Fraction(30000, 1001), "01:00:00:00"),
        (Fraction(24000, 1001), "00:00:00:00"),
    ],
)
def test_timecode_is_pythons(maths, rate, start):
    first, drop = frame_from_timecode(start, rate), ";" in start
    clock = {"rate": float(rate), "start_frame": first, "drop": drop}
    for frame in (0, 1, 29, 30, 1799, 1800, 17_981, 17_982, 107_892):
        got = maths.evaluate("([clock, t]) => timecodeOf(clock, t)", [clock, float(frame / rate)])
        assert got == timecode_from_frame(first + frame, rate, drop=drop)


# --- sizes -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (390, 844)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_cut_off(reviewed, watched, size, scheme):
    _, folder = reviewed
    watched.page.set_viewport_size({"width": size[0], "height": size[1]})
    watched.page.emulate_media(color_scheme=scheme)
    page = watched.open(folder)
    settle(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    if size[0] > 1000:
        assert page.evaluate("document.documentElement.scrollHeight") <= size[1]
    for part in ("#stage", "#around", "#play", "#ribbon", "#findings", "#save"):
        box = page.locator(part).bounding_box()
        assert box["width"] > 40, part
        assert box["height"] > 10, part
        assert box["x"] + box["width"] <= size[0], part
    ink, paper = page.evaluate("['--ink', '--paper'].map((n) => getComputedStyle(document.body).getPropertyValue(n))")
    assert contrast(ink, paper) > 7
    for colour in ("--soft", "--sound", "--seen"):
        value = page.evaluate("(n) => getComputedStyle(document.body).getPropertyValue(n)", colour)
        assert contrast(value, paper) > 4.5


def contrast(first, second):
    """WCAG 2.1 contrast of two colours (formula from memory)."""

    def luminance(colour):
        parts = [int(colour.strip()[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
