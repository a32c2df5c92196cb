"""What is said of a match whose two sides seem to differ."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from spatial.analysis.contradiction import Contradiction, Standing
from spatial.findings import Severity
from spatial.jobs.choice_findings import doubtful


@pytest.mark.parametrize(
    ("covered_s", "contradicted_s", "severity", "says"),
    [
        (10.0, 0.77, Severity.NOTE, "10 s are too short"),
        (10.0, 1.5, Severity.FIX, "parts of them differ (3.0 to 4.0 s)"),
        (40.0, 0.77, Severity.LOOK, "parts of them differ (3.0 to 4.0 s)"),
    ],
)
def test_a_short_clip_is_not_said_to_differ_for_a_moment(covered_s, contradicted_s, severity, says):
    """A true pair of 10 s has such a moment now and then; a second or more is another matter."""
    clip, take = SimpleNamespace(path=Path("pier.mp4")), SimpleNamespace(path=Path("rec-7.wav"))
    against = Contradiction(Standing.DOUBTFUL, ((3.0, 4.0),), contradicted_s, 7.0, covered_s, 0.003, 0.02)
    finding = doubtful(clip, take, against)
    assert finding.severity is severity
    assert says in finding.message
