"""What every test may use."""

import signal
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import settings

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
