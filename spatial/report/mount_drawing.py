"""How a microphone sat beside the lens, as a small drawing for a page: from above and from the right.

Goal: one look says whether it faced back, hung upside down, or was tipped; the words beside it say how much.
Method: SVG of plain shapes, whose classes the page's style colours; every value in it is a number of ours. The arrow is
the microphone's front and the short bar its top, as they look from there: shorter where they come towards the eye. The
fan holds the facing 95 times in 100.
Conventions: spatial.conventions (axes; mount). From above front is up and left is left; from the right front is right.
Functions: mount_drawing.
"""

import math

import numpy as np

from spatial.conventions import FloatArray
from spatial.report.html import Markup

_HALF = 50.0
"""Half of each view, in units of the drawing; the lens is in its middle."""

_REACH = 24.0
"""How far from the lens the microphone is drawn at most."""

_ARROW, _BAR = 21.0, 10.0
"""Length of the microphone's front and top."""

_FAN = 36
"""Radius of the facing's fan."""

_NEAR_M, _FAR_M = 0.01, 0.5
"""A microphone nearer to the lens than the one is drawn on it, one further away than the other no further out."""


def mount_drawing(
    picture_from_mic: FloatArray,
    mic_offset_m: tuple[float, float, float],
    *,
    words: str,
    facing_reach_rad: float | None = None,
) -> Markup:
    """Draw both views.

    Parameters
    ----------
    picture_from_mic : ndarray, shape (3, 3)
        The mount.
    mic_offset_m : tuple of float
        The microphone seen from the lens: forward, left, up.
    words : str
        What the drawing says, for those who do not see it; plain letters, digits and signs.
    facing_reach_rad : float, optional
        Half of the 95 % interval of the facing.
    """
    front, top = picture_from_mic[:, 0], picture_from_mic[:, 2]
    forward, left, up = (part * _scale(mic_offset_m) for part in mic_offset_m)
    # Each view: what lies to the right of the page, and what lies up it.
    fan = "" if facing_reach_rad is None else _fan((-left, forward), front, facing_reach_rad)
    above = _view((-left, forward), (-front[1], front[0]), (-top[1], top[0]), behind=_CAMERA_ABOVE + fan)
    right = _view((forward, up), (front[0], front[2]), (top[0], top[2]), behind=_CAMERA_SIDE)
    plain = "".join(part for part in words if part not in '<>&"')
    return Markup(
        f'<svg class="mount" viewBox="0 0 208 116" role="img" aria-label="{plain}">'
        f'<g transform="translate(2 2)">{above}<text x="50" y="111">from above</text></g>'
        f'<g transform="translate(106 2)">{right}<text x="50" y="111">from the right</text></g></svg>'
    )


_CAMERA_ABOVE = '<path class="camera" d="M33 57h34v21h-34z M42 57v-7h16v7"/>'
_CAMERA_SIDE = '<path class="camera" d="M22 37h21v26h-21z M43 42h7v16h-7"/>'


def _scale(mic_offset_m: tuple[float, float, float]) -> float:
    """Units of the drawing in a metre, the same in both views: a way of 5 cm is to be seen, one of 1 m is to fit."""
    distance_m = math.hypot(*mic_offset_m)
    if distance_m < _NEAR_M:
        return 0.0
    return _REACH * (0.5 + 0.5 * min(distance_m / _FAR_M, 1.0)) / distance_m


def _view(at: tuple[float, float], front: tuple[float, float], top: tuple[float, float], *, behind: str) -> str:
    x, y = _HALF + at[0], _HALF - at[1]
    tip_x, tip_y = x + _ARROW * front[0], y - _ARROW * front[1]
    bar_x, bar_y = x + _BAR * top[0], y - _BAR * top[1]
    return (
        f'<rect class="ground" width="100" height="100" rx="3"/>{behind}'
        f'<line class="top" x1="{x:.1f}" y1="{y:.1f}" x2="{bar_x:.1f}" y2="{bar_y:.1f}"/>'
        f'<line class="front" x1="{x:.1f}" y1="{y:.1f}" x2="{tip_x:.1f}" y2="{tip_y:.1f}"/>'
        f'{_head((x, y), (tip_x, tip_y))}<circle class="mic" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>'
    )


def _head(start: tuple[float, float], tip: tuple[float, float]) -> str:
    """The head of an arrow; a dot where it points at the eye or away from it."""
    along = np.subtract(tip, start)
    length = float(np.hypot(*along))
    if length < 6.0:
        return f'<circle class="head" cx="{tip[0]:.1f}" cy="{tip[1]:.1f}" r="2"/>'
    ahead = along / length
    aside = np.array([-ahead[1], ahead[0]])
    corners = [np.asarray(tip), *(np.asarray(tip) - 7.0 * ahead + way * 3.6 * aside for way in (1, -1))]
    return f'<polygon class="head" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in corners)}"/>'


def _fan(at: tuple[float, float], front: FloatArray, reach_rad: float) -> str:
    """The facing's interval, from above; none where the front points up or down, or all ways are open."""
    if math.hypot(front[0], front[1]) < 0.3 or not reach_rad < np.pi / 2:
        return ""
    x, y = _HALF + at[0], _HALF - at[1]
    facing = math.atan2(front[1], front[0])
    (ax, ay), (bx, by) = (
        (x - _FAN * math.sin(angle), y - _FAN * math.cos(angle)) for angle in (facing + reach_rad, facing - reach_rad)
    )
    return f'<path class="fan" d="M{x:.1f} {y:.1f}L{ax:.1f} {ay:.1f}A{_FAN} {_FAN} 0 0 1 {bx:.1f} {by:.1f}z"/>'
