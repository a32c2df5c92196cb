"""Plots: whole files, in the format their name says, with left above right and everything that was heard on them."""

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from spatial.direction.doa import SpanDirection
from spatial.direction.intensity import FrameDirections
from spatial.errors import OutputError
from spatial.field import ChannelFormat, unit_vectors
from spatial.jobs.directions import DirectionsResult
from spatial.jobs.orient.measure_marks import HeardMark
from spatial.media.tables import Mark
from spatial.media.takes.take import Take
from spatial.report.plots.direction_plot import write_directions_map, write_directions_plot
from tests.pictures import check_whole, every_kind

NAN = float("nan")


def result_of(azimuth_deg, elevation_deg, level_db, source=None):
    count = len(azimuth_deg)
    frames = FrameDirections(
        times_s=0.05 + 0.1 * np.arange(count),
        azimuth_rad=np.radians(azimuth_deg),
        elevation_rad=np.radians(elevation_deg),
        sd_rad=np.full(count, 0.05),
        diffuseness=np.full(count, 0.3),
        level_db=np.array(level_db),
        source=np.array(source if source is not None else [0] * count),
    )
    return DirectionsResult(
        Take(Path("take.wav"), 48_000, 4, 1, "WAV", "PCM_24", ChannelFormat.AMBIX), frames, None, ()
    )


@pytest.fixture
def result():
    return result_of([40.0, NAN, -60.0, 175.0], [10.0, NAN, -20.0, 0.0], [-20.0, -80.0, -30.0, -55.0])


@pytest.fixture
def drawn(monkeypatch):
    """The figures that were saved."""
    figures = []
    save = Figure.savefig

    def keep(figure, *arguments, **options):
        figures.append(figure)
        return save(figure, *arguments, **options)

    monkeypatch.setattr(Figure, "savefig", keep)
    return figures


@pytest.mark.slow
@every_kind
def test_the_file_is_whole_and_what_its_name_says(tmp_path, result, name):
    write_directions_plot(result, tmp_path / name)
    check_whole(tmp_path / name)


def test_the_picture_is_large_enough_to_read(tmp_path, result):
    write_directions_plot(result, tmp_path / "plot.png")
    width, height = struct.unpack(">II", (tmp_path / "plot.png").read_bytes()[16:24])
    assert width >= 1000
    assert height >= 600


@pytest.mark.parametrize("name", ["plot.jpg", "plot", "plot.png.txt", ".png"])
def test_another_suffix_is_refused(tmp_path, result, name):
    with pytest.raises(OutputError, match=r"end the name in \.png, \.svg, \.pdf"):
        write_directions_plot(result, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_an_existing_file_needs_force(tmp_path, result):
    path = tmp_path / "plot.png"
    write_directions_plot(result, path)
    first = path.read_bytes()
    with pytest.raises(OutputError, match="exists already"):
        write_directions_plot(result, path)
    assert path.read_bytes() == first
    write_directions_plot(result, path, force=True)
    assert path.read_bytes() == first
    path.write_bytes(first + b"changed")
    with pytest.raises(OutputError, match="not a plot just as soundplumb wrote it"):
        write_directions_plot(result, path, force=True)
    assert path.read_bytes() == first + b"changed"


def test_what_we_did_not_draw_is_not_replaced_even_with_force(tmp_path, result):
    path = tmp_path / "photo.png"
    path.write_bytes(b"mine")
    with pytest.raises(OutputError, match="not a plot that soundplumb wrote"):
        write_directions_plot(result, path, force=True)
    assert path.read_bytes() == b"mine"


def test_what_is_drawn(tmp_path, result, drawn):
    """Left is up, in degrees; rests are left out; the louder the larger and the darker."""
    seen = Mark("Odile", 0.1, 0.3, np.radians(-60.0), np.radians(-20.0), 2.0)
    heard = SpanDirection(True, np.array([1.0, 0.0, 0.0]), 0.02, 1.0)
    mark = HeardMark(seen, unit_vectors(np.radians(-58.0), np.radians(-15.0)), 0.0, heard)
    write_directions_plot(result, tmp_path / "plot.png", marks=[mark])
    (figure,) = drawn
    across, up = figure.axes
    dots = across.collections[0]
    np.testing.assert_allclose(dots.get_offsets(), [[0.05, 40.0], [0.25, -60.0], [0.35, 175.0]], atol=1e-9)
    np.testing.assert_allclose(up.collections[0].get_offsets()[:, 1], [10.0, -20.0, 0.0], atol=1e-9)
    sizes = dots.get_sizes()
    assert sizes[0] > sizes[1] > sizes[2] > 0
    names = {label.get_text().split()[0]: label.get_position()[1] for label in across.get_yticklabels()}
    assert (names["left"], names["front"], names["right"]) == (90, 0, -90)
    assert across.get_ylim()[0] < -180 < 180 < across.get_ylim()[1]
    # The bracket stands where the performer should be HEARD, for as long as the mark lasts.
    bracket = across.lines[-1]
    assert list(bracket.get_xdata()) == [0.1, 0.1, 0.3, 0.3]
    assert bracket.get_ydata()[1] == pytest.approx(-58.0)
    assert up.lines[-1].get_ydata()[1] == pytest.approx(-15.0)
    assert [text.get_text() for text in across.texts] == ["Odile"]
    assert up.get_xlabel() == "seconds in the take"


@pytest.mark.slow
@pytest.mark.parametrize("draw", [write_directions_plot, write_directions_map])
def test_a_title_stays_on_its_sheet_however_long_the_files_name(tmp_path, drawn, draw):
    result = result_of([40.0], [10.0], [-20.0], [1])
    long = replace(result.take, path=Path(f"{'the_long_rehearsal_in_the_slipway_' * 4}07.wav"), parts=())
    draw(replace(result, take=long), tmp_path / "plot.png")
    (figure,) = drawn
    title = figure.axes[0]._left_title
    assert title.get_window_extent().x1 < figure.bbox.x1
    assert "07.wav" in title.get_text()


@pytest.mark.slow
def test_a_finished_tracks_front_is_the_lenss(tmp_path, drawn):
    result = result_of([40.0], [10.0], [-20.0], [1])
    for facing, whose in ((True, "front is the lens's"), (False, "front is the recording's own")):
        write_directions_plot(replace(result, facing=facing), tmp_path / f"{facing}.png")
        assert whose in drawn[-1].axes[0].get_title(loc="left")


def test_each_source_has_a_stroke_of_its_own_broken_at_rests(tmp_path, drawn):
    """Two sources; the first rests for a row, and goes round the back without a line across the picture."""
    nan = NAN
    azimuth = [170.0, 175.0, nan, -178.0, 20.0]
    result = result_of(azimuth, [0.0] * 5, [-20.0] * 5, source=[1, 1, 0, 1, 2])
    write_directions_plot(result, tmp_path / "plot.png")
    (figure,) = drawn
    across = figure.axes[0]
    first, second = across.lines[-2:]
    assert np.isnan(first.get_ydata()).sum() == 1  # one break: the rest is also where it goes round
    np.testing.assert_allclose(first.get_ydata()[[0, 1, 3]], [170.0, 175.0, -178.0])
    assert first.get_color() != second.get_color()
    assert first.get_linestyle() != second.get_linestyle()
    assert [text.get_text() for text in across.texts] == ["1", "2"]


def test_what_is_overhead_has_an_elevation_only(tmp_path, drawn):
    """A source that rises over the microphone: its azimuth, and that of a mark there, says nothing."""
    mark = HeardMark(
        Mark("Odile", 0.1, 0.3, 1.0, 1.4, 2.0), unit_vectors(1.0, np.radians(80.0)), 0.0,
        SpanDirection(True, unit_vectors(1.0, np.radians(80.0)), 0.02, 1.0),
    )  # fmt: skip
    result = result_of([40.0, 42.0, -170.0, 99.0], [60.0, 74.0, 80.0, -85.0], [-20.0] * 4, source=[1, 1, 1, 2])
    write_directions_plot(result, tmp_path / "plot.png", marks=[mark])
    across, up = drawn[0].axes
    shown = np.ma.filled(across.collections[0].get_offsets(), np.nan)[:, 1]
    np.testing.assert_allclose(shown, [40.0, 42.0, np.nan, np.nan])
    np.testing.assert_allclose(up.collections[0].get_offsets()[:, 1], [60.0, 74.0, 80.0, -85.0])
    np.testing.assert_allclose(across.lines[-1].get_ydata(), [40.0, 42.0])
    # Whoever has no azimuth has the name below.
    assert [text.get_text() for text in across.texts] == ["1"]
    assert [text.get_text() for text in up.texts] == ["2", "Odile"]
    assert "overhead  90°" in [label.get_text() for label in up.get_yticklabels()]


@pytest.mark.slow
@pytest.mark.parametrize("rows", [0, 1, 5])
def test_nothing_heard_is_an_empty_plot_not_a_crash(tmp_path, rows):
    write_directions_plot(result_of([NAN] * rows, [NAN] * rows, [-np.inf] * rows), tmp_path / "plot.png")
    check_whole(tmp_path / "plot.png")


def test_whose_front_it_is_stands_in_the_title(tmp_path, result, drawn):
    write_directions_plot(result, tmp_path / "plot.png")
    assert "front is the recording's own" in drawn[0].axes[0].get_title(loc="left")
