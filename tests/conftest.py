"""What every test may use."""

import numpy as np
import pytest
from hypothesis import settings

# No examples kept on disk and none drawn by the clock: a run writes nothing and can be repeated.
settings.register_profile("house", database=None, deadline=None, derandomize=True)
settings.load_profile("house")


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20261125)
