"""What every test may use, and how the tests are shared out among processes."""

import os

# pytest -n auto keeps every core busy: threads of a matrix library that wait for each other only burn processor there.
# They are counted when numpy is first imported, and processes that tests start inherit this.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import signal
from collections import Counter
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

ONE_ROOF = {
    "tests/jobs/test_day_demo.py": "demo",
    "tests/cli/test_commands.py": "demo",
    "tests/cli/test_doors.py": "demo",
    "tests/jobs/test_review_clip.py": "review",
    "tests/browser/test_page_marks.py": "review",
    "tests/browser/test_review_page.py": "review",
}
"""Files that share a dear session fixture, and so a process."""

APART = ("tests/jobs/test_road.py",)
"""Files whose dear module fixture has parameters, in brackets at the end of a test's name: one group for each."""

# Every run draws the same examples, keeps none of them, and may take its time on a busy machine.
settings.register_profile("house", database=None, deadline=None, derandomize=True)
settings.load_profile("house")


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20261125)


@pytest.fixture(autouse=True)
def cache_of_its_own(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes the cache of whoever runs it."""
    monkeypatch.setenv("SOUNDPLUMB_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))


@pytest.fixture
def stoppable() -> Iterator[None]:
    """SIGINT stops Python, also where the tests run in the background: there a shell has told them to ignore it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def group_of(nodeid: str) -> str:
    """Which tests stay in one process: those of a file, whose fixtures and cached scenes are then made once."""
    file = nodeid.partition("::")[0]
    if file in APART:
        return f"{file}[{nodeid.partition('[')[2]}"
    return ONE_ROOF.get(file, file)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With -n and no --dist of one's own, share the tests out by group_of, dear groups first."""
    if config.getvalue("dist") != "load":
        return None
    from xdist.scheduler import LoadScopeScheduling

    class ByGroup(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:  # the one thing that xdist's own subclasses say anew
            return group_of(nodeid)

    # The order in which the workers hold the tests is kept, not changed for the files with the most of them.
    config.option.loadscopereorder = False
    return ByGroup(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """In a process of several, put the groups with the most slow tests first, so that none is left for the end."""
    if hasattr(config, "workerinput"):
        slow = Counter(group_of(item.nodeid) for item in items if item.get_closest_marker("slow"))
        items.sort(key=lambda item: -slow[group_of(item.nodeid)])
