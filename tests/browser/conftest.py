"""A browser for the tests of the review page: the system's Chromium, with nothing of anybody's in it."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = os.environ.get("SOUNDPLUMB_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required", "--mute-audio",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A running browser; skipped where there is none, unless SOUNDPLUMB_NEED_BROWSER is set."""
    if CHROMIUM is None:
        if os.environ.get("SOUNDPLUMB_NEED_BROWSER"):
            pytest.fail("no Chromium on this machine (apt-get install chromium)")
        pytest.skip("no Chromium on this machine (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        context = play.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("browser"),
            executable_path=CHROMIUM,
            headless=True,
            args=ARGUMENTS,
            accept_downloads=True,
            viewport={"width": 1280, "height": 720},
        )
        yield context
        context.close()


class Watched:
    """A page of the browser, with all that it complains of and asks for."""

    def __init__(self, context: Any) -> None:
        self.page = context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))
        self.page.on("dialog", lambda dialog: (self.complaints.append("a dialog"), dialog.dismiss()))
        self.page.on("request", lambda request: self.requests.append(request.url))

    def open(self, folder: Path) -> Any:
        """Open a review page and wait until its movie can be shown and its first picture is drawn."""
        self.page.goto((folder / "index.html").as_uri())
        wait_until(self.page, "movie.readyState >= 2 && !page.dirty")
        return self.page


@pytest.fixture
def watched(browser: Any) -> Iterator[Watched]:
    """A fresh page."""
    watching = Watched(browser)
    yield watching
    watching.page.close()


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
