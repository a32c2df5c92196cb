"""The day's page in a browser: its policy lets its own look through, it fits a phone, and it prints."""

from dataclasses import replace
from pathlib import Path

import pytest

from spatial.jobs.rig import Rig
from spatial.media.movies.clip import open_clip
from spatial.report.day_sheet import day_html
from spatial.report.html import save
from tests.report.test_day_sheet import friday

pytestmark = pytest.mark.slow


@pytest.fixture
def sheet(tmp_path: Path, shoot: Path) -> Path:
    """A page of some clips, one of which has a picture."""
    day = friday()
    first = day.clips[0]
    seen = replace(first, clip=shoot / "lantern.mp4", sync=replace(first.sync, clip=open_clip(shoot / "lantern.mp4")))
    text = day_html(
        replace(day, clips=(seen, *day.clips[1:])), tmp_path, rig_for=lambda _clip: Rig(picture="equirect180-sbs")
    )
    save(text, tmp_path / "day.html")
    return tmp_path / "day.html"


def test_it_looks_as_it_should_and_asks_for_nothing(watched, sheet):
    watched.page.goto(sheet.as_uri())
    assert watched.complaints == []
    assert [url for url in watched.requests if not url.startswith("data:")] == [sheet.as_uri()]
    assert watched.page.evaluate("getComputedStyle(document.querySelector('article')).display") == "grid"
    size = watched.page.evaluate("(({naturalWidth: w, naturalHeight: h}) => [w, h])(document.querySelector('img'))")
    assert size == [200, 200], "one eye of the two, true to its angles"
    drawing = watched.page.locator("svg.mount").first.bounding_box()
    assert drawing["width"] > 150
    assert watched.page.evaluate("getComputedStyle(document.querySelector('.mount .front')).strokeWidth") == "2.4px"


@pytest.mark.parametrize("width", [360, 390, 800, 1280])
def test_it_fits(watched, sheet, width):
    watched.page.set_viewport_size({"width": width, "height": 800})
    watched.page.goto(sheet.as_uri())
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
    captions = watched.page.locator("svg.mount").first.locator("text")
    left, right = (captions.nth(n).bounding_box() for n in (0, 1))
    assert left["x"] + left["width"] < right["x"], "the words under the two views run into each other"


def test_it_prints_on_white_and_cuts_no_clip_in_two(watched, sheet):
    watched.page.emulate_media(media="print", color_scheme="dark")
    watched.page.goto(sheet.as_uri())
    assert watched.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert watched.page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert watched.page.evaluate("getComputedStyle(document.querySelector('article')).breakInside") == "avoid"
    assert watched.page.pdf(format="A4").startswith(b"%PDF")
