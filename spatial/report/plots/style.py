"""The plain look that all our plots share: ink on paper, one accent; nothing is told by colour alone.

Functions: check_plot, new_figure, plain_axes, legible, short_name (names from files, safe to draw), save;
headline, blank, note (words on a panel).
"""

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from spatial.errors import OutputError
from spatial.media.output import whole_file
from spatial.media.ownership import BLANK_SEAL, PLOT_MARK, Kind, may_be_written

INK = "#22303c"
FAINT = "#c9d0d6"
ACCENT = "#c2571a"
"""Dark blue and orange differ in lightness too, for eyes that confuse red and green and for grey printers."""

PAPER = "white"
SMALL = 9.0
"""Points of the smallest letters."""

_NAME_LETTERS = 36
"""Letters of a file's name in a title: two of them stand over a map beside each other."""

SUFFIXES = (".png", ".svg", ".pdf")
"""Endings of the files that a plot can be written to."""


def check_plot(path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Refuse a plot that must not be written, before the work that it is to show.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf; or `spatial.media.ownership` refuses the file: somebody's photo, or a
        recording by another name.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise OutputError(
            f"a plot cannot be written as '{path.name}'; end the name in {', '.join(SUFFIXES)}, as in look.png"
        )
    may_be_written(path, Kind.PLOT, force=force, inputs=inputs)


DPI = 110
"""Pixels in an inch of a sheet: letters are hinted for them, and so as wide as they are."""


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty sheet; not pyplot's, which would keep it for ever."""
    return Figure(figsize=(width_in, height_in), dpi=DPI, layout="constrained", facecolor=PAPER)


def plain_axes(axes: Axes) -> None:
    """Two spines and small numbers."""
    axes.tick_params(colors=INK, labelsize=SMALL)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)
    for edge in ("bottom", "left"):
        axes.spines[edge].set_color(INK)


def legible(text: str) -> str:
    """Text from files with what is no text, or would break the line, written as an escape."""
    return "".join(part if part.isprintable() else ascii(part)[1:-1] for part in text)


def short_name(name: str) -> str:
    """A file's name, legible, with its middle left out where it is too long for a title: its end tells takes apart."""
    shown = legible(name)
    return shown if len(shown) <= _NAME_LETTERS else f"{shown[: _NAME_LETTERS // 2]}…{shown[-_NAME_LETTERS // 2 + 1 :]}"


def save(figure: Figure, path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Write a figure, whole or not at all, as its suffix says.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    mark = {"Software" if path.suffix.lower() == ".png" else "Creator": f"{PLOT_MARK} {BLANK_SEAL}"}
    with whole_file(path, Kind.PLOT, force=force, inputs=inputs) as temporary, warnings.catch_warnings():
        # A letter that the font lacks is drawn as a box: no reason to trouble anyone.
        warnings.filterwarnings("ignore", message=r"Glyph \d+", category=UserWarning)
        figure.savefig(temporary, format=path.suffix[1:].lower(), metadata=mark)


def headline(axes: Axes, text: str) -> None:
    """What a panel shows, over its left edge."""
    axes.set_title(text, loc="left", fontsize=10.5, color=INK)


def blank(axes: Axes, text: str) -> None:
    """Words on grey where there is nothing to draw."""
    axes.set_axis_off()
    axes.add_patch(Rectangle((0, 0), 1, 1, transform=axes.transAxes, color=FAINT, alpha=0.3, linewidth=0))
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", fontsize=10.5, color=INK)


def note(side: str, height: str) -> dict[str, Any]:
    """How small words stand at their point."""
    return {"ha": side, "va": height, "fontsize": SMALL, "color": INK}
