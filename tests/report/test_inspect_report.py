"""The table of takes, the findings under it and the promised JSON keys."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from spatial.capsules import Capsules
from spatial.field import ChannelFormat
from spatial.findings import Finding, Severity
from spatial.jobs.inspect.channel_reading import Basis, ConventionEvidence
from spatial.jobs.inspect.inspect_takes import InspectResult, Unusable
from spatial.media.takes.reader import Part
from spatial.media.takes.take import Take
from spatial.report.inspect_report import inspect_json, inspect_lines
from spatial.report.json_output import dumps

NAN = float("nan")
TAKE = Take(Path("take.wav"), 48_000, 4, 4_800_000, "WAV", "PCM_24", ChannelFormat.AMBIX, start_of_day_s=36_061.5)
SOUND = InspectResult(TAKE, (-6.0, -9.0, NAN, -12.0), (-20.0,) * 4, (), ConventionEvidence(Basis.TOLD, None, None))
CLIPPED = replace(SOUND, findings=(Finding("clipping", Severity.FIX, "take.wav is clipped"),))
HUMS = replace(
    SOUND, findings=(Finding("hum", Severity.LOOK, "take.wav hums"), Finding("level", Severity.NOTE, "x.wav is hot"))
)


def test_each_take_has_a_row():
    silent = replace(SOUND, take=replace(TAKE, start_of_day_s=None), peak_dbfs=(NAN,) * 4)
    header, _, first, second, third = inspect_lines([SOUND, replace(CLIPPED, findings=()), silent])
    assert header.split() == ["take", "length", "starts", "at", "format", "peak", "verdict"]
    assert first == second
    assert first == "take.wav  1:40.0  10:01:01   ambix, 4 channels, 48 kHz, WAV PCM_24  -6.0 dBFS  sound"
    assert third.split()[2] == "-"
    assert third.endswith("silent     sound")


def test_files_that_are_one_take_are_said_to_be():
    """Whoever names four files and finds one row asks where the others are."""
    parts = tuple(Part(Path(f"t{n}.wav"), 1_600_000) for n in (1, 2, 3))
    split = replace(SOUND, take=replace(TAKE, path=Path("t1.wav"), parts=parts))
    mono = Part(Path("w.wav"), TAKE.samples, beside=tuple(Path(f"{letter}.wav") for letter in "xyz"))
    wyzx = replace(SOUND, take=replace(TAKE, path=Path("w.wav"), parts=(mono,)))
    lines = inspect_lines([split, wyzx, SOUND])
    assert [line[:16].strip() for line in lines[2:5]] == ["t1.wav (3 files)", "w.wav (4 files)", "take.wav"]
    assert lines[5:] == [
        "",
        "  t1.wav to t3.wav are one recording in 3 files; each goes on where the one before ends.",
        "  w.wav, x.wav, y.wav and z.wav hold the channels of one recording.",
    ]
    files = json.loads(dumps(inspect_json([split, wyzx, SOUND])))["files"]
    assert [file["paths"] for file in files] == [
        ["t1.wav", "t2.wav", "t3.wav"],
        ["w.wav", "x.wav", "y.wav", "z.wav"],
        ["take.wav"],
    ]
    lossy = (parts[0], replace(parts[1], samples=1_599_000, gap=1000), parts[2])
    (said,) = inspect_lines([replace(split, take=replace(split.take, parts=lossy))])[4:]
    assert said == "  t1.wav to t3.wav are one recording in 3 files."


def test_verdicts_and_findings_worst_first():
    lines = inspect_lines([HUMS, CLIPPED, SOUND])
    assert [line.split()[-1] for line in lines[2:5]] == ["look", "fix", "sound"]
    assert lines[5:] == ["", "  FIX   take.wav is clipped.", "  LOOK  take.wav hums.", "  note  x.wav is hot."]


@pytest.mark.parametrize(
    ("channel_format", "order", "normalisation"),
    [
        (ChannelFormat.AMBIX, "ACN", "SN3D"),
        (ChannelFormat.N3D, "ACN", "N3D"),
        (ChannelFormat.FUMA, "WXYZ", "FuMa"),
        (Capsules(), "FLU,FRD,BLD,BRU", None),
    ],
)
def test_json_names_order_and_normalisation(channel_format, order, normalisation):
    result = replace(HUMS, take=replace(TAKE, channel_format=channel_format), quiet_dbfs=(-60.0, NAN, -60.0, -61.0))
    (file,) = json.loads(dumps(inspect_json([result])))["files"]
    assert (file["channel_order"], file["normalisation"]) == (order, normalisation)
    assert (file["duration_s"], file["start_of_day_s"], file["verdict"]) == (100.0, 36_061.5, "look")
    assert (file["peak_dbfs"], file["noise_floor_dbfs"]) == ([-6.0, -9.0, None, -12.0], [-60.0, None, -60.0, -61.0])
    assert [finding["code"] for finding in file["findings"]] == ["hum", "level"]


def test_a_file_that_cannot_be_used_has_a_row_and_all_keys():
    broken = Unusable(Path("b.wav"), (Finding("truncated", Severity.FIX, "b.wav is empty", "b.wav"),))
    lines = inspect_lines([SOUND, broken])
    assert lines[3].split() == ["b.wav", "-", "-", "-", "-", "unusable"]
    assert lines[-1] == "  FIX   b.wav is empty."
    sound, unusable = json.loads(dumps(inspect_json([SOUND, broken])))["files"]
    assert list(sound) == list(unusable)
    assert (unusable["path"], unusable["verdict"], unusable["rate_hz"]) == ("b.wav", "unusable", None)
    assert [finding["message"] for finding in unusable["findings"]] == ["b.wav is empty"]
