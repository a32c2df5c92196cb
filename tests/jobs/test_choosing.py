"""What is said of a match whose two sides each hold something that the other does not."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from spatial.analysis.same_music import Moments, Standing
from spatial.findings import Severity
from spatial.jobs.choice_findings import doubtful


@pytest.mark.parametrize(
    ("covered_s", "severity", "says"),
    [
        (10.0, Severity.NOTE, "10 s are too short"),
        (40.0, Severity.LOOK, "the other does not (3.0 to 4.0 s)"),
    ],
)
def test_a_doubt_is_never_a_fix(covered_s, severity, says):
    clip, take = SimpleNamespace(path=Path("pier.mp4")), SimpleNamespace(path=Path("rec-7.wav"))
    against = Moments(Standing.DOUBTFUL, ((3.0, 4.0),), 0.8, 1.5, 7.0, covered_s, unsteady=False, steady=True)
    finding = doubtful(clip, take, against)
    assert finding.severity is severity
    assert says in finding.message
    assert "--paired" in finding.message
