"""Directions as CSV: rows that a spreadsheet reads, empty where nothing was heard, never over another file."""

import csv
from pathlib import Path

import numpy as np
import pytest

from spatial.direction.intensity import FrameDirections
from spatial.errors import OutputError
from spatial.field import ChannelFormat
from spatial.jobs.directions import DirectionsResult
from spatial.media.takes.take import Take
from spatial.report.csv_output import write_directions_csv

NAN = float("nan")


@pytest.fixture
def result():
    frames = FrameDirections(
        times_s=np.array([0.05, 0.15, 3600.05]),
        azimuth_rad=np.radians([NAN, -30.004, 179.996]),
        elevation_rad=np.radians([NAN, 10.0, -5.5]),
        sd_rad=np.radians([NAN, 3.0, 12.25]),
        diffuseness=np.array([NAN, 0.25, 1.0]),
        level_db=np.array([-np.inf, -20.04, -33.0]),
        source=np.array([0, 1, 2]),
    )
    return DirectionsResult(
        Take(Path("take.wav"), 48_000, 4, 1, "WAV", "PCM_24", ChannelFormat.AMBIX), frames, None, ()
    )


def test_rows(tmp_path, result):
    path = tmp_path / "rows.csv"
    write_directions_csv(result, path, force=False, inputs=[])
    assert path.read_bytes().decode("utf-8") == (
        "time_s,azimuth_deg,elevation_deg,sd_deg,diffuseness,level_db,source\n"
        "0.050,,,,,,\n"
        "0.150,-30.00,10.00,3.00,0.250,-20.0,1\n"
        "3600.050,180.00,-5.50,12.25,1.000,-33.0,2\n"
    )
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert float(rows[1]["azimuth_deg"]) == pytest.approx(-30.004, abs=0.005)  # two digits


def test_an_existing_file_needs_force(tmp_path, result):
    path = tmp_path / "rows.csv"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"rows\.csv exists already"):
        write_directions_csv(result, path, force=False, inputs=[])
    assert path.read_text(encoding="utf-8") == "mine"
    with pytest.raises(OutputError, match="not a table of directions that soundplumb wrote"):
        write_directions_csv(result, path, force=True, inputs=[])
    assert path.read_text(encoding="utf-8") == "mine"


def test_force_replaces_our_table_but_none_that_somebody_added_to(tmp_path, result):
    path = tmp_path / "rows.csv"
    write_directions_csv(result, path, force=False, inputs=[])
    written = path.read_text(encoding="utf-8")
    write_directions_csv(result, path, force=True, inputs=[])
    assert path.read_text(encoding="utf-8") == written
    for added in (written + "take 2 was better,,,,,,\n", written.replace("source\n", "source,note\n")):
        path.write_text(added, encoding="utf-8")
        with pytest.raises(OutputError, match=r"not a table of directions (just as|that) soundplumb wrote"):
            write_directions_csv(result, path, force=True, inputs=[])
        assert path.read_text(encoding="utf-8") == added


def test_an_input_is_never_written_over(tmp_path, result):
    take = tmp_path / "take.csv"
    take.write_bytes(b"sound")
    with pytest.raises(OutputError, match="one of the files to be read"):
        write_directions_csv(result, take, force=True, inputs=[take])
    assert take.read_bytes() == b"sound"
