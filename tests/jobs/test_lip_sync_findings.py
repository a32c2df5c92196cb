"""Which takes have a lip-sync, and how grave it is: never a fault where a box merely rolled by itself."""

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from spatial.field import ChannelFormat
from spatial.findings import Finding, Severity
from spatial.jobs.sync.lip_sync_findings import lip_sync_findings, lip_sync_of, with_lip_sync
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw, ClockStep

CLIP = Clip(Path("scene.mov"), 60.0, Fraction(25), 1500, None, None, None, None, None)


def result_of(offset_s, *, take_s=60.0, drift_ppm=0.0, sd_s=1e-4, path=Path("cut.wav"), steps=()):
    take = Take(path, 48_000, 4, round(take_s * 48_000), "WAV", "PCM_24", ChannelFormat.AMBIX)
    law = ClockLaw(offset_s, drift_ppm, steps)
    return SyncResult(CLIP, take, SyncEstimate(True, "", law, sd_s, 1.0, None, replace(law, drift_ppm=0.0)), ())


@pytest.mark.parametrize(
    ("offset_s", "take_s", "drift_ppm", "cut"),
    [
        (0.063, 60.0, 0.0, True),
        (-0.99, 61.9, 0.0, True),
        (1.01, 60.0, 0.0, False),
        (0.0, 62.1, 0.0, False),
        (0.0, 57.9, 0.0, False),
        (0.9, 60.0, 2000.0, False),  # 1.02 s at the end
        (3.2, 100.0, 0.0, False),
    ],
)
def test_what_looks_cut_to_the_clip(offset_s, take_s, drift_ppm, cut):
    result = result_of(offset_s, take_s=take_s, drift_ppm=drift_ppm)
    assert (lip_sync_of(result) is not None) is cut
    if not cut:
        assert lip_sync_findings(result) == []


def test_a_track_of_ours_is_judged_wherever_it_lies(tmp_path):
    path = tmp_path / "track.wav"
    sidecar = {"soundplumb": "1", "inputs": ["rec.wav"], "output": {"path": str(path)}}
    path.with_suffix(".json").write_text(json.dumps(sidecar, indent=2))
    [finding] = lip_sync_findings(result_of(2.5, take_s=60.0, path=path))
    assert finding.severity is Severity.FIX
    assert "2.50 s late (62.5 frames at 25 a second): not acceptable" in finding.message


@pytest.mark.parametrize(
    ("offset_s", "sd_s", "severity"),
    [
        (0.1, 1e-4, None),  # late by 100 ms: from 125 ms on it is noticed (BT.1359-1)
        (-0.1, 1e-4, Severity.FIX),  # early by 100 ms: over 90 ms is not acceptable
        (0.13, 1e-4, Severity.LOOK),
        (0.12, 0.012, Severity.LOOK),  # could be noticed
        (-0.085, 0.012, Severity.LOOK),  # could be unacceptable, and could be not
        (0.19, 1e-4, Severity.FIX),
    ],
)
def test_how_grave_it_is(offset_s, sd_s, severity):
    findings = lip_sync_findings(result_of(offset_s, sd_s=sd_s))
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert all(finding.code == "lip_sync" and finding.where == "cut.wav" for finding in findings)


def test_a_take_that_merely_started_with_the_clip_is_not_called_bad():
    """Both buttons pressed within half a second, and lengths 1.5 s apart: nobody cut that."""
    [finding] = lip_sync_findings(result_of(0.5, take_s=61.5))
    assert finding.severity is Severity.LOOK
    assert "if it is not a raw take that merely started with the clip" in finding.message


def test_a_step_inside_counts():
    steps = (ClockStep(30.0, -0.200, 1e-4), ClockStep(50.0, 0.200, 1e-4))
    [finding] = lip_sync_findings(result_of(0.0, steps=steps))
    assert finding.severity is Severity.FIX
    assert "200 ms early" in finding.message


def test_no_match_has_no_lip_sync():
    lost = replace(result_of(0.0), estimate=SyncEstimate(False, "silence", None, None, None, None))
    assert lip_sync_of(lost) is None
    assert with_lip_sync(lost).findings == ()


def test_other_findings_stay_in_front():
    other = Finding("drift", Severity.NOTE, "fast", "cut.wav")
    found = with_lip_sync(replace(result_of(-0.1), findings=(other,))).findings
    assert [finding.code for finding in found] == ["drift", "lip_sync"]
