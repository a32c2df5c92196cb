"""Stills of marks: one frame of the picture each, with where a performer should be heard and where they are heard.

Goal: a picture that can go into a message to the crew and needs no words beside it.
Functions: write_stills; still_name; still_words; oval (directions around a direction).
"""

import re
import warnings
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties
from matplotlib.patheffects import withStroke

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import angle_between, azimuth_elevation, unit_vectors
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.progress import Progress, silent
from spatial.jobs.verify import Tolerance, VerifyResult, off_in_words
from spatial.media.movies.display import turned_in_words
from spatial.media.movies.proxy import frame_at
from spatial.media.ownership import PLOT_MARK
from spatial.picture import Picture, parse_picture
from spatial.report.plots.style import DPI, INK, legible, new_figure
from spatial.report.words import clock_time, place, steep
from spatial.verification.placement import MarkCheck, Verdict

_SEEN, _HEARD = "#8fd0ff", "#ffffff"
_EDGED = [withStroke(linewidth=4.5, foreground="#0a1016")]
"""Seen on bright and on dark pictures; dashed and full tell the two apart without colour."""

_STILL_PX = 1080
"""Height of a still."""

_APART_RAD = np.radians(1.0)
"""Angle from which lens and microphone see somebody in two directions."""

_WIDE_IN, _LINE_IN, _ABOVE_IN = 7.0, 0.18, 0.12
"""Width of a still on paper, height of a line of words above it, and room above these, inches."""

_WORDS_PT = 10.0
"""Size of these words, points."""

_NAME_LETTERS = 40
"""Letters of a name that are shown, so that it fits on a line whatever its letters."""


def write_stills(
    result: VerifyResult,
    folder: Path,
    *,
    layout: str,
    tolerance: Tolerance,
    levelled: FloatArray | None = None,
    progress: Progress = silent,
) -> list[Path]:
    """Write a PNG for each mark, in the order of the marks, into a folder that exists.

    Parameters
    ----------
    layout : str
        How the picture is laid out.
    levelled : ndarray, shape (3, 3), optional
        shown_from_filmed: the clip's frames are drawn on as they were filmed, before that.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        No such layout, or the clip has no pictures.
    MediaFileError
        A picture cannot be decoded, or is to be shown in a way that is not followed.
    """
    clip = result.clip
    if clip.width_px is None or clip.height_px is None:
        raise InputError(f"{clip.path.name} has no pictures, so there are no stills of it; leave --stills out")
    if not clip.turn.shown:
        raise MediaFileError(turned_in_words(clip.path, clip.turn))
    picture = parse_picture(layout, clip.width_px, clip.height_px)
    paths = []
    for number, (mark, check) in enumerate(result.marks, start=1):
        path = folder / still_name(number, mark.mark.who)
        middle_s = min((mark.mark.start_s + mark.mark.end_s) / 2, result.clip.duration_s - 1e-3)
        frame = frame_at(result.clip.path, picture, middle_s, height_px=_STILL_PX)
        filmed = check
        if levelled is not None:
            filmed = replace(check, expected=levelled.T @ check.expected, measured=levelled.T @ check.measured)
        _draw(frame, picture, (mark, filmed), tolerance, still_words(result.clip.path.name, mark, check, filmed), path)
        paths.append(path)
        progress("stills", number / len(result.marks))
    return paths


def still_name(number: int, who: str) -> str:
    """File name of a mark's still: its number, and what letters of its name are safe everywhere.

    Examples
    --------
    >>> still_name(3, "Odile (second verse)"), still_name(12, "../..")
    ('03-odile-second-verse.png', '12-mark.png')
    """
    safe = re.sub(r"[^a-z0-9]+", "-", who.lower()).strip("-")[:40].strip("-")
    return f"{number:02d}-{safe or 'mark'}.png"


class _Sheet:
    """A frame with axes whose units are its pixels, and what is drawn on it."""

    def __init__(self, axes: Axes, frame: npt.NDArray[np.uint8], picture: Picture) -> None:
        self._axes, self._picture = axes, picture
        self.rows, self.columns = frame.shape[:2]
        axes.imshow(frame, extent=(0, self.columns, self.rows, 0), interpolation="bilinear")
        axes.set_axis_off()
        axes.set_xlim(0, self.columns)
        axes.set_ylim(self.rows, 0)

    def place(self, direction: FloatArray) -> tuple[float, float]:
        """Where a direction is seen; NaN, which breaks a line, where the picture does not reach."""
        pixel = self._picture.pixel_from_direction(direction)
        if pixel is None:
            return float("nan"), float("nan")
        wide, high = self._picture.eye_size_px
        return (pixel[0] + 0.5) / wide * self.columns, (pixel[1] + 0.5) / high * self.rows

    def outline(self, middle: FloatArray, across_rad: float, up_rad: float, colour: str, style: Any) -> None:
        """An oval around a direction."""
        points = np.array([self.place(direction) for direction in oval(middle, across_rad, up_rad)])
        # Where it leaves a whole sphere's picture at one edge and comes back at the other, it is not drawn across.
        jump = np.abs(np.diff(points[:, 0], prepend=points[0, 0])) > self.columns / 2
        points[jump] = np.nan
        self._axes.plot(*points.T, color=colour, linewidth=2, linestyle=style, path_effects=_EDGED)

    def cross(self, seen: FloatArray, expected: FloatArray) -> None:
        """Where somebody is seen, with a line to where the microphone, which hangs elsewhere, should hear them."""
        points = np.array([self.place(seen), self.place(expected)])
        self._axes.plot(*points[:1].T, "+", color=_SEEN, markersize=11, markeredgewidth=2, path_effects=_EDGED)
        if angle_between(seen, expected) > _APART_RAD:
            self._axes.plot(*points.T, color=_SEEN, linewidth=1.5, linestyle=":", path_effects=_EDGED)

    def dot(self, direction: FloatArray) -> None:
        """A point where somebody is heard; an arrow at the edge where the picture does not reach."""
        x, y = self.place(direction)
        if np.isfinite(x):
            self._axes.plot([x], [y], "o", color=_HEARD, markersize=6, path_effects=_EDGED)
            return
        azimuth, elevation = (float(angle) for angle in azimuth_elevation(direction))
        left, height = azimuth > 0, steep(float(np.degrees(elevation)))
        y = float(np.clip(0.5 - elevation / np.pi, 0.05, 0.95)) * self.rows
        self._axes.annotate(
            f"heard {height or 'outside the picture'}",
            (0 if left else self.columns, y),
            xytext=(0.12 * self.columns if left else 0.88 * self.columns, y),
            ha="left" if left else "right",
            va="center",
            fontsize=10,
            color=_HEARD,
            arrowprops={"arrowstyle": "-|>", "color": _HEARD, "linewidth": 2, "path_effects": _EDGED},
            path_effects=_EDGED,
        )


def oval(middle: FloatArray, across_rad: float, up_rad: float) -> FloatArray:
    """Directions around a direction, so far across and up, shape (73, 3); the last is the first.

    Parameters
    ----------
    middle : ndarray, shape (3,)
        Unit vector.
    across_rad, up_rad : float
    """
    level = float(np.hypot(middle[0], middle[1]))
    aside = np.array([-middle[1], middle[0], 0.0]) / level if level > 1e-6 else np.array([0.0, 1.0, 0.0])
    turn = np.linspace(0, 2 * np.pi, 73)[:, np.newaxis]
    offset = across_rad * np.cos(turn) * aside + up_rad * np.sin(turn) * np.cross(middle, aside)
    size = np.linalg.norm(offset, axis=1, keepdims=True)
    return np.asarray(np.cos(size) * middle + np.sinc(size / np.pi) * offset)


def _draw(
    frame: npt.NDArray[np.uint8],
    picture: Picture,
    checked: tuple[MeasuredMark, MarkCheck],
    tolerance: Tolerance,
    words: Sequence[str],
    path: Path,
) -> None:
    mark, check = checked
    rows, columns = frame.shape[:2]
    with warnings.catch_warnings():
        # A letter that the font lacks is drawn as a box: no reason to trouble anyone.
        warnings.filterwarnings("ignore", message=r"Glyph \d+", category=UserWarning)
        lines = [part for line in words for part in _fitted(line)]
    figure = new_figure(_WIDE_IN, _WIDE_IN * rows / columns + _LINE_IN * len(lines) + _ABOVE_IN)
    axes = figure.subplots()
    axes.set_anchor("S")  # what room is left over is for the words
    sheet = _Sheet(axes, frame, picture)
    sheet.cross(unit_vectors(mark.mark.azimuth_rad, mark.mark.elevation_rad), check.expected)
    spare = mark.parallax_sd_rad
    sheet.outline(check.expected, tolerance.azimuth_rad + spare, tolerance.elevation_rad + spare, _SEEN, (0, (5, 3)))
    if check.verdict not in (Verdict.UNHEARD, Verdict.UNJUDGED):
        spread = min(SDS_OF_95 * check.sd_rad, float(np.radians(60.0)))
        sheet.outline(check.measured, spread, spread, _HEARD, "-")
        sheet.dot(check.measured)
    axes.set_title("\n".join(lines), loc="left", fontsize=_WORDS_PT, color=INK, parse_math=False)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph \d+", category=UserWarning)
        figure.savefig(path, format="png", metadata={"Software": PLOT_MARK})


def _fitted(line: str) -> list[str]:
    """A line broken between words where the still is too narrow for it."""
    pen, font = RendererAgg(1, 1, DPI), FontProperties(size=_WORDS_PT)
    fitted: list[str] = []
    for word in line.split():
        longer = f"{fitted[-1]} {word}" if fitted else word
        # A little is kept free at both sides.
        if fitted and pen.get_text_width_height_descent(longer, font, False)[0] <= DPI * (_WIDE_IN - 0.2):
            fitted[-1] = longer
        else:
            fitted.append(word)
    return fitted


def still_words(
    clip: str, mark: MeasuredMark, check: MarkCheck, filmed: MarkCheck | None = None
) -> tuple[str, str, str, str]:
    """The lines over a still: which moment; who and how it comes out; where they should be heard; where they are.

    Parameters
    ----------
    clip : str
        Its name: a still that is passed on lies beside no clip.
    filmed : MarkCheck, optional
        The same in the picture as it was filmed, where it was levelled later.
    """
    verdict = check.verdict.value
    if check.verdict in (Verdict.OFF, Verdict.BORDERLINE):
        verdict = f"{verdict}, heard {off_in_words(check)} where they are seen"
    heard = "nobody is heard clearly"
    if check.verdict is Verdict.UNJUDGED:
        heard = "the track is not in step with this clip, so nobody is listened to"
    elif check.verdict is not Verdict.UNHEARD:
        within = f"±{SDS_OF_95 * np.degrees(check.sd_rad):.0f}° in 95 of 100 (ring)"
        heard = f"is heard {place(check.measured, digits=0)}, {within}"
    who = legible(mark.mark.who)
    who = who if len(who) <= _NAME_LETTERS else who[: _NAME_LETTERS - 1].rstrip() + "…"
    start, end = clock_time(mark.mark.start_s), clock_time(mark.mark.end_s)
    seen = unit_vectors(mark.mark.azimuth_rad, mark.mark.elevation_rad)
    beside = " by a microphone beside the lens" if angle_between(seen, (filmed or check).expected) > _APART_RAD else ""
    return (
        f"{legible(clip)}, {start} to {end}",
        f"{who}: {verdict}",
        f"should be heard {place(check.expected, digits=0)}{beside}, within the dashed line;",
        f"{heard}; the cross is where they are seen",
    )
