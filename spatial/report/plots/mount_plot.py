"""A mount as a picture: where each mark was seen, and where the turned recording has it.

Functions: mount_figure.
"""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from spatial.conventions import REGION_SDS_OF_95, FloatArray
from spatial.field import azimuth_elevation
from spatial.report.plots.direction_plot import draw_sky
from spatial.report.plots.style import ACCENT, INK, PAPER, legible, new_figure


def mount_figure(
    seen: FloatArray, turned: FloatArray, sd_rad: FloatArray, *, names: Sequence[str], title: str
) -> Figure:
    """Draw a map with a ring where each mark was seen and a dot, with its 95 % region, where it was heard once turned.

    Parameters
    ----------
    seen, turned : ndarray, shape (marks, 3)
        Unit vectors in the picture's axes, as seen from the microphone.
    sd_rad : ndarray, shape (marks,)
        One standard deviation of each that was heard, along either direction across it.
    names : sequence of str
        Of the marks.
    title : str
    """
    figure = new_figure(12, 6.9)
    axes = figure.subplots()
    around = np.linspace(0.0, 2 * np.pi, 73)
    for there, here, sd, name in zip(seen, turned, sd_rad, names, strict=True):
        ring_deg, dot_deg = (np.degrees(azimuth_elevation(vector)) for vector in (there, here))
        # The short way round, also behind.
        dot_deg[0] = ring_deg[0] + (dot_deg[0] - ring_deg[0] + 180.0) % 360.0 - 180.0
        reach_deg = np.degrees(REGION_SDS_OF_95 * sd)
        level = max(float(np.cos(np.radians(dot_deg[1]))), 0.1)
        for turn in (-360.0, 0.0, 360.0):
            axes.plot(
                [ring_deg[0] + turn, dot_deg[0] + turn],
                [ring_deg[1], dot_deg[1]],
                color=ACCENT,
                linewidth=1.0,
                zorder=4,
            )
            axes.plot(
                dot_deg[0] + turn + reach_deg * np.cos(around) / level,
                dot_deg[1] + reach_deg * np.sin(around),
                color=INK,
                linewidth=0.9,
                zorder=4,
            )
            axes.plot(ring_deg[0] + turn, ring_deg[1], "o", markersize=11, color="none", markeredgecolor=ACCENT,
                      markeredgewidth=1.8, zorder=5)  # fmt: skip
            axes.plot(dot_deg[0] + turn, dot_deg[1], "o", markersize=5, color=INK, markeredgecolor=PAPER, zorder=6)
        axes.annotate(
            legible(name),
            # Above its region; beyond the pole there is no paper.
            (float(ring_deg[0]), float(np.clip(max(ring_deg[1] + 2.0, dot_deg[1] + reach_deg), -85.0, 80.0))),
            xytext=(0, 4),
            textcoords="offset points",
            color=ACCENT,
            fontsize=10.5,
            fontweight="bold",
            ha="center",
            zorder=6,
            parse_math=False,
        )
    draw_sky(axes)
    axes.set_title(
        f"{title}\n(rings: where each mark was seen; dots: where the turned recording has it, with its 95 % region)",
        loc="left",
        fontsize=10.5,
        color=INK,
        parse_math=False,
    )
    return figure
