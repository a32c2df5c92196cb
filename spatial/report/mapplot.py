"""Where sound came from, as one looks at it: the front half as a map, and what lies behind as wings on either side.

Functions: write_directions_map; heard_density (the shade of the map).
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from spatial.analysis.verification import TOLERANCE_AZIMUTH_RAD, TOLERANCE_ELEVATION_RAD
from spatial.conventions import FloatArray
from spatial.field import azimuth_elevation, unit_vectors
from spatial.jobs.directions import DirectionsResult
from spatial.jobs.marks import HeardMark
from spatial.report.ink import (
    ACCENT,
    FAINT,
    INK,
    PAPER,
    SMALL,
    check_plot,
    legible,
    new_figure,
    plain_axes,
    save,
    short_name,
)
from spatial.report.words import steep

_GRID_DEG = 1.0
_SOFT_DEG = 3.0
"""What one row is smeared over: about what its direction is good to in a room."""
_SHADES = LinearSegmentedColormap.from_list("ink", ["#9fb3c200", "#9fb3c2d0", "#4a6a82", INK])
"""Nothing heard is clear paper, so that the wings show through."""
_BEHIND = "#eef1f3"


def write_directions_map(
    result: DirectionsResult,
    path: Path,
    *,
    marks: Sequence[HeardMark] = (),
    force: bool = False,
    inputs: Sequence[Path] = (),
) -> None:
    """Draw where sound came from on an equirectangular map, left at the left, as seen from the middle.

    Parameters
    ----------
    marks : sequence of HeardMark
        Drawn as rings as wide as the tolerance, where each performer should be heard.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    check_plot(path, force=force, inputs=inputs)
    figure = new_figure(12, 6.9)
    axes = figure.subplots()
    azimuth, elevation = np.meshgrid(
        np.arange(-180 + _GRID_DEG / 2, 180, _GRID_DEG), np.arange(-90 + _GRID_DEG / 2, 90, _GRID_DEG)
    )
    density = heard_density(result, unit_vectors(np.radians(azimuth), np.radians(elevation)))
    axes.imshow(
        # The root of it: the softest performer stays to be seen beside the loudest.
        np.sqrt(density),
        extent=(-180, 180, -90, 90),
        origin="lower",
        cmap=_SHADES,
        vmin=0.0,
        vmax=1.0,
        interpolation="bilinear",
        aspect="equal",
        zorder=2,
    )
    for wing in (-180, 90):
        axes.axvspan(wing, wing + 90, color=_BEHIND, linewidth=0, zorder=0)
        axes.text(wing + 45, 85, "behind", ha="center", va="top", fontsize=SMALL, color=INK, alpha=0.7, zorder=3)
    for mark in marks:
        _ring(axes, mark)
    _sky(axes)
    on = f" on {short_name(result.sync.clip.path.name)}" if result.sync else ""
    front = "the lens's" if result.facing else "the recording's own"
    axes.set_title(
        f"Where sound came from in {short_name(result.take.path.name)}{on}\n"
        f"(front is {front}; darker = more of it, and louder"
        f"{'; rings: where each mark should be heard, as wide as is tolerated' if marks else ''})",
        loc="left",
        fontsize=10.5,
        color=INK,
        parse_math=False,
    )
    save(figure, path, force=force, inputs=inputs)


def heard_density(result: DirectionsResult, directions: FloatArray) -> FloatArray:
    """How much of the sound came from each of some directions: rows weighted by their level, softly smeared.

    Parameters
    ----------
    directions : ndarray, shape (..., 3)

    Returns
    -------
    ndarray, shape (...)
        1 where most came from; 0 everywhere where nothing was heard.
    """
    frames = result.frames
    heard = np.isfinite(frames.azimuth_rad)
    total = np.zeros(directions.shape[:-1])
    if not np.any(heard):
        return total
    level_db = frames.level_db[heard]
    weight = 10 ** ((level_db - np.max(level_db)) / 20)
    # Rows are gathered in cells first: an hour of them is then as quick as a minute.
    cells = np.stack([np.degrees(frames.azimuth_rad[heard]), np.degrees(frames.elevation_rad[heard])])
    places, which = np.unique(np.round(cells), axis=1, return_inverse=True)
    sums = np.bincount(which.ravel(), weight)
    sharp = 1.0 / np.radians(_SOFT_DEG) ** 2
    for vector, amount in zip(unit_vectors(*np.radians(places)), sums, strict=True):
        # On the sphere (von Mises and Fisher's shape), so that it neither tears at the back nor narrows at the poles.
        total += amount * np.exp(sharp * (directions @ vector - 1.0))
    return np.asarray(total / np.max(total))


def _ring(axes: Axes, heard: HeardMark) -> None:
    """A mark with its tolerance about it, and its name."""
    azimuth, elevation = azimuth_elevation(heard.expected)
    height = steep(float(np.degrees(elevation)))
    around = np.linspace(0.0, 2 * np.pi, 73)
    # Across is measured along the sphere: high up the same width spans more azimuth.
    wide = TOLERANCE_AZIMUTH_RAD + heard.parallax_sd_rad
    across = wide * np.cos(around) / max(float(np.cos(elevation)), 0.1)
    up = (TOLERANCE_ELEVATION_RAD + heard.parallax_sd_rad) * np.sin(around)
    edge_deg = np.degrees(azimuth + across), np.degrees(elevation + up)
    for turn in (-360.0, 0.0, 360.0):
        axes.plot(edge_deg[0] + turn, edge_deg[1], color=PAPER, linewidth=4.0, alpha=0.8, zorder=4)
        axes.plot(edge_deg[0] + turn, edge_deg[1], color=ACCENT, linewidth=1.8, zorder=5)
    axes.annotate(
        legible(heard.mark.who) + (f", {height}" if height else ""),
        # Beyond the pole there is no paper.
        (float(np.degrees(azimuth)), float(np.clip(np.max(edge_deg[1]), -85.0, 80.0))),
        xytext=(0, 4),
        textcoords="offset points",
        color=ACCENT,
        fontsize=10.5,
        fontweight="bold",
        ha="center",
        zorder=6,
        parse_math=False,
    )


def _sky(axes: Axes) -> None:
    """Horizon, straight ahead, and the edges of what a 180-degree picture shows."""
    axes.set_xlim(180, -180)  # left at the left
    axes.set_ylim(-90, 90)
    sides = {-180: "back", -90: "right", 0: "front", 90: "left", 180: "back"}
    axes.set_xticks(range(-180, 181, 30), [_named(sides, angle) for angle in range(-180, 181, 30)])
    heights = {-90: "below", 0: "level", 90: "overhead"}
    axes.set_yticks(range(-90, 91, 30), [_named(heights, angle).replace("\n", "  ") for angle in range(-90, 91, 30)])
    axes.grid(color=FAINT, linewidth=0.6, zorder=1)
    axes.set_axisbelow(False)
    axes.axhline(0, color=INK, linewidth=0.8, alpha=0.5, zorder=3)
    for edge in (-90, 90):
        axes.axvline(edge, color=INK, linewidth=1.0, alpha=0.6, zorder=3)
    plain_axes(axes)


def _named(names: dict[int, str], angle: int) -> str:
    return f"{abs(angle)}°\n{names[angle]}" if angle in names else f"{abs(angle)}°"
