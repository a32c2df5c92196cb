"""What every test may use, and how the tests are shared out among processes."""

import os

# pytest -n auto keeps every core busy: threads of a matrix library that wait for each other only burn processor there.
# They are counted when numpy is first imported, and processes that tests start inherit this.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import contextlib
import io
import signal
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

ONE_ROOF = {
    "tests/jobs/test_day_demo.py": "demo",
    "tests/jobs/test_hand_over.py": "demo",
    "tests/cli/test_commands.py": "demo",
    "tests/cli/test_doors.py": "demo",
    "tests/cli/test_handover_command.py": "demo",
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


@pytest.fixture(scope="session", autouse=True)
def cache_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test, and no fixture of a whole file either, reads or writes the cache of whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOUNDPLUMB_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
        yield


@pytest.fixture
def stoppable() -> Iterator[None]:
    """SIGINT stops Python, also where the tests run in the background: there a shell has told them to ignore it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@dataclass(frozen=True, slots=True, eq=False)
class DemoDone:
    """The demo command with --pages and --json, run once in a working directory of its own on a relative path.

    Attributes
    ----------
    home : Path
        The working directory; the shoot is `home / "shoot"`, and the paths in `result` start at `home`.
    code, out, err
        Of the command.
    result : DemoResult
        What the job gave the command.
    tracks : frozenset of str
        Names in the folder of tracks when the job was done and no plot was written yet.
    """

    home: Path
    code: int
    out: str
    err: str
    result: Any
    tracks: frozenset[str]


@pytest.fixture(scope="session")
def demo_done(tmp_path_factory: pytest.TempPathFactory) -> DemoDone:
    """The whole demo, once for all tests of the job, the command and the plots; leave its files as they are."""
    import spatial.jobs.demo
    from cli.main import cli

    home = tmp_path_factory.mktemp("elsewhere")
    out, err, code = io.StringIO(), io.StringIO(), 0
    real, seen = spatial.jobs.demo.run_demo, []

    def watched(folder: Path, **options: Any) -> Any:
        result = real(folder, **options)
        seen.append((result, frozenset(path.name for path in (folder / "tracks").iterdir())))
        return result

    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        patch.chdir(home)
        patch.setattr(spatial.jobs.demo, "run_demo", watched)
        try:
            cli.main(["demo", "shoot", "--pages", "--json"], prog_name="soundplumb")
        except SystemExit as leaving:
            code = int(leaving.code or 0)
    if not seen:
        pytest.fail(f"the demo command ended with {code}: {out.getvalue()} {err.getvalue()}")
    [(result, tracks)] = seen
    return DemoDone(home, code, out.getvalue(), err.getvalue(), result, tracks)


@pytest.fixture(scope="session")
def demo_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files, laid out once; nothing is written among them."""
    from spatial.jobs.demo import lay_out

    folder = tmp_path_factory.mktemp("shoot")
    lay_out(folder)
    return folder


@pytest.fixture(scope="session")
def slipway_reviewed(demo_files: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path, list[Any]]:
    """Result, folder and progress of a review of the demo's slipway clip, done once; copy the folder to write in it."""
    from spatial.jobs.review.review_clip import review_clip
    from spatial.jobs.rig import Rig
    from spatial.jobs.track_request import TrackRequest

    folder, seen = tmp_path_factory.mktemp("review"), []
    result = review_clip(
        demo_files / "slipway.mov",
        [demo_files / "rec-0042.flac"],
        folder,
        TrackRequest(marks_path=demo_files / "slipway.marks.csv", rig=Rig((0.03, 0.0, -0.3), "equirect180-sbs")),
        progress=lambda step, part: seen.append((step, part)),
    )
    return result, folder, seen


@pytest.fixture(scope="session")
def two_pictures(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """In place of the review job's write_pictures: a movie of two pictures, where a test looks at all but these."""
    from demo_audio.write_movie import write_movie

    made = tmp_path_factory.mktemp("pictures") / "two.mp4"
    frames = [np.zeros((32, 64, 3), dtype=np.uint8)] * 2
    write_movie(made, frames=frames, frame_rate=Fraction(25))

    def write(_clip: Path, _picture: Any, path: Path, **_options: Any) -> None:
        path.write_bytes(made.read_bytes())

    return write


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
