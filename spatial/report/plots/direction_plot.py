"""Where sound came from, over time and as a map.

The map is the sky as one looks at it: the front half, and what lies behind as wings on either side.
Functions: write_directions_plot, directions_figure (azimuth and elevation over time, level as strength);
write_directions_map; heard_density (the shade of the map); draw_sky (the empty map).
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from spatial.conventions import FloatArray
from spatial.field import azimuth_elevation, unit_vectors
from spatial.jobs.directions import DirectionsResult
from spatial.jobs.orient.measure_marks import HeardMark
from spatial.report.plots.style import (
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
from spatial.report.words import OVERHEAD_DEG, steep
from spatial.verification.placement import TOLERANCE_AZIMUTH_RAD, TOLERANCE_ELEVATION_RAD

# --- over time ---

FAINT_INK = "#8b969f"
"""Dots of sound that belongs to no one source."""

_COLOURS = (INK, "#0072b2", "#009e73", "#aa4499", "#56b4e9")
"""Told apart by eyes that confuse red and green (after Okabe and Ito 2008, "Color Universal Design"); ACCENT is for
marks alone."""

_DASHES = ("-", "--", "-.", ":")
"""For grey printers; five colours and four dashes make twenty different strokes."""

_LEGEND = {False: "(larger and darker = louder)", True: "(numbers: sources; larger and darker = louder; grey: nobody)"}


def write_directions_plot(
    result: DirectionsResult,
    path: Path,
    *,
    marks: Sequence[HeardMark] = (),
    force: bool = False,
    inputs: Sequence[Path] = (),
) -> None:
    """Draw azimuth and elevation over time; the louder a row, the stronger its dot; a line for each source.

    Parameters
    ----------
    marks : sequence of HeardMark
        Drawn as brackets where each performer should be heard.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    check_plot(path, force=force, inputs=inputs)
    save(directions_figure(result, marks=marks), path, force=force, inputs=inputs)


def directions_figure(result: DirectionsResult, *, marks: Sequence[HeardMark] = ()) -> Figure:
    """The drawing that `write_directions_plot` saves."""
    frames = result.frames
    figure = new_figure(11, 6)
    across, up = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    heard = np.isfinite(frames.azimuth_rad)
    steep = np.abs(np.degrees(frames.elevation_rad)) > OVERHEAD_DEG
    strength = _strength(frames.level_db[heard])
    for axes, angles, limit, step, names in (
        (
            across,
            frames.azimuth_rad,
            180,
            45,
            {-180: "back", -90: "right", 0: "front", 90: "left", 180: "back"},
        ),
        (up, frames.elevation_rad, 90, 30, {-90: "below", 0: "level", 90: "overhead"}),
    ):
        _scale(axes, limit, step, names)
        # Overhead and below nothing is left or right.
        shown = np.where(steep[heard] & (axes is across), np.nan, np.degrees(angles[heard]))
        axes.scatter(
            frames.times_s[heard],
            shown,
            s=6 + 60 * strength,
            c=[_stroke(source)[0] if source else FAINT_INK for source in frames.source[heard]] or INK,
            # An empty array has no least alpha, which matplotlib asks for.
            alpha=np.clip(0.08 + 0.8 * strength, 0, 1) if strength.size else None,
            linewidths=0,
        )
    for source in np.unique(frames.source[frames.source > 0]):
        own = frames.only(frames.source == source)
        level = frames.only((frames.source == source) & ~steep)
        if level.times_s.size:
            _line(across, int(source), level.times_s, np.degrees(level.azimuth_rad), named=True)
        _line(up, int(source), own.times_s, np.degrees(own.elevation_rad), named=not level.times_s.size)
    for mark in marks:
        overhead = bool(abs(np.degrees(azimuth_elevation(mark.expected)[1])) > OVERHEAD_DEG)
        if not overhead:
            _bracket(across, mark, 0, named=True)
        _bracket(up, mark, 1, named=overhead)
    across.set_ylabel("azimuth")
    up.set_ylabel("elevation")
    front = "the lens's" if result.facing else "the recording's own"
    on = (
        f"seconds on {short_name(result.sync.clip.path.name)}"
        if result.sync
        else f"seconds in the {'track' if result.facing else 'take'}"
    )
    up.set_xlabel(on, parse_math=False)
    if frames.times_s.size:
        up.set_xlim(float(frames.times_s[0]) - 0.2, float(frames.times_s[-1]) + 0.2)
    across.set_title(
        f"Where sound came from in {short_name(result.take.path.name)}, front is {front}\n"
        f"{_LEGEND[bool(np.any(frames.source > 0))]}",
        loc="left",
        fontsize=11,
        color=INK,
        parse_math=False,
    )
    return figure


def _stroke(source: int) -> tuple[str, str]:
    """Colour and dash of a source's line."""
    return _COLOURS[(source - 1) % len(_COLOURS)], _DASHES[(source - 1) % len(_DASHES)]


def _line(axes: Axes, source: int, times_s: FloatArray, angles_deg: FloatArray, *, named: bool) -> None:
    """A source's path, broken at its rests and where it goes round the back; its number where it begins."""
    colour, dash = _stroke(source)
    # The usual distance of rows is one step; a rest is longer.
    step_s = np.min(np.diff(times_s)) if times_s.size > 1 else 0.0
    breaks = np.flatnonzero((np.diff(times_s) > 1.5 * step_s) | (np.abs(np.diff(angles_deg)) > 180.0)) + 1
    axes.plot(
        np.insert(times_s, breaks, np.nan),
        np.insert(angles_deg, breaks, np.nan),
        color=colour,
        linestyle=dash,
        linewidth=1.8,
    )
    if named:
        axes.annotate(
            str(source),
            (times_s[0], angles_deg[0]),
            xytext=(-4, 5),
            textcoords="offset points",
            color=colour,
            fontsize=11,
            fontweight="bold",
            ha="right",
        )


def _strength(level_db: FloatArray) -> FloatArray:
    """0 for 35 dB below the loudest row or less, 1 for the loudest."""
    if level_db.size == 0:
        return level_db
    return np.asarray(np.clip(1.0 + (level_db - np.max(level_db)) / 35.0, 0.0, 1.0) ** 1.5)


def _scale(axes: Axes, limit: int, step: int, names: dict[int, str]) -> None:
    ticks = list(range(-limit, limit + 1, step))
    axes.set_ylim(-limit * 1.03, limit * 1.03)
    axes.set_yticks(ticks, [f"{names[tick]}  {abs(tick)}°" if tick in names else f"{abs(tick)}°" for tick in ticks])
    axes.grid(axis="y", color=FAINT, linewidth=0.6)
    axes.axhline(0, color=INK, linewidth=0.8, alpha=0.5)
    plain_axes(axes)


def _bracket(axes: Axes, heard: HeardMark, which: int, *, named: bool) -> None:
    angle = float(np.degrees(azimuth_elevation(heard.expected)[which]))
    start, end = heard.mark.start_s, heard.mark.end_s
    axes.plot([start, start, end, end], [angle - 4, angle, angle, angle - 4], color=ACCENT, linewidth=1.6)
    if named:
        axes.annotate(
            legible(heard.mark.who),
            ((start + end) / 2, angle),
            xytext=(0, 5),
            textcoords="offset points",
            color=ACCENT,
            fontsize=9,
            ha="center",
            parse_math=False,
        )


# --- as a map ---

_GRID_DEG = 1.0
"""From one point of the map to the next, degrees: well below _SOFT_DEG, so that the smear looks smooth."""

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
    draw_sky(axes)
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


def draw_sky(axes: Axes) -> None:
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
