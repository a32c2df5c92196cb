"""What is said of a recorder that stands apart from the camera, though nobody mentioned it."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from spatial.findings import Severity
from spatial.jobs.sync.sync_findings import baseline_findings


@pytest.mark.parametrize(
    ("apart", "apart_m", "says"), [(True, 0.0, "±7 ms"), (False, 0.0, None), (False, 2.0, "2.0 m")]
)
def test_a_recorder_apart_is_named_with_what_is_left_of_the_offset(apart, apart_m, says):
    evidence = SimpleNamespace(separation_m=np.zeros(3), separation_sd_m=np.ones(3))
    estimate = SimpleNamespace(evidence=evidence, apart=apart, offset_sd_s=3.5e-3)
    result = SimpleNamespace(estimate=estimate, apart_m=apart_m, take=SimpleNamespace(path=Path("rec-7.wav")))
    findings = baseline_findings(result)
    assert len(findings) == (says is not None)
    if says is not None:
        assert says in findings[0].message
        assert findings[0].severity is (Severity.LOOK if apart else Severity.NOTE)
        assert ("--mic-offset" in findings[0].message) == apart
