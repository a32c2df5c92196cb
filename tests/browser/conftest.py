"""A browser for the tests of the review page: the system's Chromium, with nothing of anybody's in it; and the page.

The demo's slipway clip is reviewed once; other pages are that page with other parts.
"""

import dataclasses
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from spatial.conventions import FloatArray
from spatial.direction.summary import PLACES, RowVotes, SoundRows
from spatial.jobs.review.review_clip import ReviewResult
from spatial.report.review_page import write_page

CHROMIUM = os.environ.get("SOUNDPLUMB_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required", "--mute-audio",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A running browser; skipped where there is none, unless SOUNDPLUMB_NEED_BROWSER is set."""
    if CHROMIUM is None:
        if os.environ.get("SOUNDPLUMB_NEED_BROWSER"):
            pytest.fail("no Chromium on this machine (apt-get install chromium)")
        pytest.skip("no Chromium on this machine (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=CHROMIUM, headless=True, args=ARGUMENTS)
        yield running
        running.close()


class Watched:
    """A page of the browser, with all that it complains of and asks for.

    Attributes
    ----------
    asked : int
        How often it has asked before it was left.
    leave : bool
        What it is answered.
    """

    def __init__(self, context: Any) -> None:
        self.page = context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))
        self.asked = 0
        self.leave = False
        self.page.on("dialog", self._answer)
        self.page.on("request", lambda request: self.requests.append(request.url))

    def _answer(self, dialog: Any) -> None:
        if dialog.type != "beforeunload":
            self.complaints.append("a dialog")
            dialog.dismiss()
            return
        self.asked += 1
        if self.leave:
            dialog.accept()
        else:
            dialog.dismiss()

    def reload(self) -> None:
        """Leave the page, whatever it asks, and open it again."""
        self.leave = True
        # What a page has just written into its store reaches the next process of the browser a moment later.
        self.page.wait_for_timeout(300)
        self.page.reload()
        wait_until(self.page, "movie.readyState >= 2 && !page.dirty")

    def open(self, folder: Path) -> Any:
        """Open a review page and wait until its movie can be shown and its first picture is drawn."""
        self.page.goto((folder / "index.html").as_uri())
        wait_until(self.page, "movie.readyState >= 2 && !page.dirty")
        return self.page


@pytest.fixture
def watched(browser: Any) -> Iterator[Watched]:
    """A fresh page, with a store of its own: to empty one that the test before had used reaches the next one late."""
    context = browser.new_context(accept_downloads=True, viewport={"width": 1280, "height": 720})
    yield Watched(context)
    context.close()


def wait_until(page: Any, condition: str) -> None:
    """Wait until an expression is true in the page (Playwright's own way is stopped by the page's policy)."""
    for _ in range(600):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(50)
    pytest.fail(f"never came true in 30 s: {condition}")


def settle(page: Any) -> None:
    """Wait until the movie has arrived where it was sent, and all is drawn."""
    wait_until(page, "!movie.seeking && !page.dirty && !timeline.dirty")


@pytest.fixture(scope="session")
def shoot(demo_files: Path) -> Path:
    """The demo's files."""
    return demo_files


@pytest.fixture(scope="session")
def reviewed(
    browser: Any,  # noqa: ARG001 without a browser there is no need for a page
    slipway_reviewed: tuple[ReviewResult, Path, list[Any]],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[ReviewResult, Path]:
    """Result and folder of the slipway clip, with its page."""
    result, folder, _ = slipway_reviewed
    home = tmp_path_factory.mktemp("page")
    shutil.copytree(folder, home, dirs_exist_ok=True)
    write_page(result, home)
    return result, home


@pytest.fixture
def known(reviewed: tuple[ReviewResult, Path], tmp_path: Path) -> Callable[..., Path]:
    """Make the page of a result with other parts, movie beside it."""
    result, folder = reviewed

    def make(name: str = "page", **parts: Any) -> Path:
        shutil.copytree(folder, tmp_path / name)
        if "rows" in parts:
            parts["votes"] = votes_of(parts["rows"])
        write_page(dataclasses.replace(result, **{"marks": (), "judges": (), **parts}), tmp_path / name)
        return tmp_path / name

    return make


def steady_rows(vector: FloatArray, sd_deg: float = 4.0, seconds: int = 16) -> SoundRows:
    """The same direction all the time, and glow from nowhere else."""
    count = seconds * 10
    places = np.zeros((count, PLACES, 3))
    places[:, 0] = vector
    powers = np.zeros((count, PLACES))
    powers[:, 0] = 1e-3
    return SoundRows(
        times_s=(np.arange(count) + 0.5) / 10,
        vectors=np.tile(vector, (count, 1)),
        sd_rad=np.full(count, np.radians(sd_deg)),
        level_db=np.full(count, -30.0),
        place_vectors=places,
        place_powers=powers,
    )


def votes_of(rows: SoundRows) -> RowVotes:
    """A hill for each row that is heard, as steep as one of bins that all agree."""
    heard = np.isfinite(rows.sd_rad)
    tops = np.where(heard[:, np.newaxis], rows.vectors, 0.0)
    return RowVotes(tops, heard.astype(float), np.tile(np.eye(2) / 0.09, (heard.size, 1, 1)), np.full(heard.size, 0.1))


def mark_by_hand(
    page: Any, who: str, seen_px: tuple[float, float], start_s: float, end_s: float, distance: str
) -> None:
    """Fill in a mark, and leave it open."""
    page.evaluate("(time) => jump(time)", start_s)
    settle(page)
    page.locator("#over").scroll_into_view_if_needed()
    box = page.locator("#over").bounding_box()
    # The pixel's middle, in the left eye of 480 x 480.
    page.mouse.click(
        box["x"] + (seen_px[0] + 0.5) / 480 * box["width"], box["y"] + (seen_px[1] + 0.5) / 480 * box["height"]
    )
    page.locator("#who").fill(who)
    page.locator("#distance").fill(distance)
    page.evaluate("(time) => jump(time)", end_s)
    settle(page)
    page.locator("#out").click()
