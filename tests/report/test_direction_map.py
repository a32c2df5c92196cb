"""The map of directions: a whole file, left at the left, darkest where most came from, rings where marks are."""

import numpy as np
import pytest

from spatial.direction.doa import SpanDirection
from spatial.field import unit_vectors
from spatial.jobs.orient.measure_marks import HeardMark
from spatial.media.tables import Mark
from spatial.report.plots.direction_plot import heard_density, write_directions_map
from tests.pictures import check_whole, every_kind
from tests.report.test_direction_plot import drawn, result_of  # noqa: F401 a fixture

NAN = float("nan")


def at(azimuth_deg, elevation_deg):
    return unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))


@pytest.mark.slow
@every_kind
def test_the_file_is_whole_and_what_its_name_says(tmp_path, name):
    write_directions_map(result_of([40.0, NAN], [10.0, NAN], [-20.0, -80.0]), tmp_path / name)
    check_whole(tmp_path / name)


def test_density_by_hand():
    """Three rows at one place, one as loud at another: 1 and a third; 6 dB less is half; nothing elsewhere."""
    result = result_of([40.0] * 3 + [-60.0, 180.0, NAN], [10.0] * 3 + [-20.0, 0.0, NAN], [-20.0] * 4 + [-26.0206, 0.0])
    found = heard_density(result, np.stack([at(40, 10), at(-60, -20), at(-179.9, 0), at(0, 0)]))
    np.testing.assert_allclose(found, [1.0, 1 / 3, 1 / 6, 0.0], atol=2e-3)


def test_smeared_by_three_degrees_wherever_it_is():
    """One standard deviation away exp(-1/2) of the peak is left, at the horizon, at the back and high up."""
    for azimuth, elevation in ((0.0, 0.0), (180.0, 0.0), (-30.0, 80.0)):
        found = heard_density(
            result_of([azimuth], [elevation], [-20.0]), np.stack([at(azimuth, elevation), at(azimuth, elevation - 3)])
        )
        assert found[1] / found[0] == pytest.approx(np.exp(-0.5), rel=0.01)


def test_what_is_drawn(tmp_path, drawn):  # noqa: F811
    mark = HeardMark(
        Mark("Odile", 0.1, 0.3, np.radians(58.0), np.radians(-15.0), 2.0), at(60.0, -15.0), 0.0,
        SpanDirection(True, at(60.0, -15.0), 0.02, 1.0),
    )  # fmt: skip
    write_directions_map(result_of([60.0], [-15.0], [-20.0]), tmp_path / "map.png", marks=[mark])
    (axes,) = drawn[0].axes
    assert axes.get_xlim() == (180.0, -180.0)  # left at the left
    (image,) = axes.images
    shade = image.get_array()
    row, column = np.unravel_index(np.argmax(shade), shade.shape)
    assert (column - 179.5, row - 89.5) == (pytest.approx(60.0, abs=0.51), pytest.approx(-15.0, abs=0.51))
    rings = [line for line in axes.lines if len(line.get_xdata()) == 73 and abs(np.mean(line.get_xdata()) - 60) < 1]
    x, y = rings[-1].get_data()
    # As wide as verify tolerates: 5 degrees across, at 15 degrees down, and 10 in height.
    assert (np.max(x) - np.min(x)) / 2 == pytest.approx(5.0 / np.cos(np.radians(15)), abs=0.01)
    assert (np.max(y) - np.min(y)) / 2 == pytest.approx(10.0, abs=0.02)
    assert "Odile" in [text.get_text() for text in axes.texts]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("elevation_deg", "said"), [(80.0, "Odile, overhead"), (-85.0, "Odile, below"), (70.0, "Odile")]
)
def test_a_mark_overhead_says_so(tmp_path, drawn, elevation_deg, said):  # noqa: F811
    mark = HeardMark(
        Mark("Odile", 0.1, 0.3, 1.0, np.radians(elevation_deg), 2.0), at(60.0, elevation_deg), 0.0,
        SpanDirection(True, at(60.0, elevation_deg), 0.02, 1.0),
    )  # fmt: skip
    write_directions_map(result_of([60.0], [elevation_deg], [-20.0]), tmp_path / "map.png", marks=[mark])
    (axes,) = drawn[0].axes
    (name,) = [text for text in axes.texts if "Odile" in text.get_text()]
    assert name.get_text() == said
    assert -90 < name.xy[1] <= 80
    assert "90°  overhead" in [tick.get_text() for tick in axes.get_yticklabels()]


@pytest.mark.parametrize("rows", [0, 2])
def test_nothing_heard_is_an_empty_map_not_a_crash(tmp_path, rows):
    write_directions_map(result_of([NAN] * rows, [NAN] * rows, [-np.inf] * rows), tmp_path / "map.png")
    check_whole(tmp_path / "map.png")


def test_whose_front_it_is_stands_in_the_title(tmp_path, drawn):  # noqa: F811
    write_directions_map(result_of([40.0], [10.0], [-20.0]), tmp_path / "plot.png")
    assert "front is the recording's own" in drawn[0].axes[0].get_title(loc="left")
