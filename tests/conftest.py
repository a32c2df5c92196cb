"""What every test may use."""

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
