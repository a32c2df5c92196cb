"""The coarse search's own band-limited interpolation, against a second implementation."""

import numpy as np
import pytest
from scipy.signal import resample

from spatial.sync.coarse import _FINE, _finer


@pytest.mark.parametrize("points", [21, 45, 301])
def test_finer_curves_are_those_of_a_second_implementation(points: int) -> None:
    curves = np.random.default_rng(points).standard_normal((3, points)).astype(np.float32)
    finer = _finer(curves)
    # Single precision: rounding of a transform.
    np.testing.assert_allclose(finer, resample(curves, points * _FINE, axis=1), atol=1e-5)
    # The points that there were stay where they were.
    np.testing.assert_allclose(finer[:, ::_FINE], curves, atol=1e-5)
