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

_HALF = 60.0
"""Half of each view, in units of the drawing."""

_REACH = 34.0
"""How far from the lens the microphone is drawn at most, and at least where it hung off the lens at all."""

_ARROW, _BAR = 24.0, 11.0
"""Length of the microphone's front and top."""

_NEAR_M = 0.01
"""A microphone nearer to the lens than this is drawn on it."""


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
    forward, left, up = mic_offset_m
    # Each view: what lies to the right of the page, and what lies up it.
    above = _view((-left, forward), (-front[1], front[0]), (-top[1], top[0]), camera=_CAMERA_ABOVE)
    right = _view((forward, up), (front[0], front[2]), (top[0], top[2]), camera=_CAMERA_SIDE)
    fan = "" if facing_reach_rad is None else _fan((-left, forward), front, facing_reach_rad)
    plain = "".join(part for part in words if part not in '<>&"')
    return Markup(
        f'<svg class="mount" viewBox="0 0 250 138" role="img" aria-label="{plain}">'
        f'<g transform="translate(2 2)">{fan}{above}<text x="60" y="132">from above, front up</text></g>'
        f'<g transform="translate(128 2)">{right}<text x="60" y="132">from the right, front right</text></g></svg>'
    )


_CAMERA_ABOVE = '<path class="camera" d="M44 60h32v22h-32z M53 60v-6h14v6"/>'
_CAMERA_SIDE = '<path class="camera" d="M38 47h22v26h-22z M60 53h6v14h-6"/>'


def _place(across_m: float, upwards_m: float) -> tuple[float, float]:
    """Where the microphone is drawn: its way from the lens is true, its distance only up to a point."""
    distance = math.hypot(across_m, upwards_m)
    if distance < _NEAR_M:
        return _HALF, _HALF
    drawn = _REACH * min(1.0, 0.45 + distance)
    return _HALF + drawn * across_m / distance, _HALF - drawn * upwards_m / distance


def _view(at_m: tuple[float, float], front: tuple[float, float], top: tuple[float, float], *, camera: str) -> str:
    x, y = _place(*at_m)
    tip_x, tip_y = x + _ARROW * front[0], y - _ARROW * front[1]
    bar_x, bar_y = x + _BAR * top[0], y - _BAR * top[1]
    return (
        f'<rect class="ground" width="120" height="120" rx="3"/>{camera}'
        f'<line class="top" x1="{x:.1f}" y1="{y:.1f}" x2="{bar_x:.1f}" y2="{bar_y:.1f}"/>'
        f'<line class="front" x1="{x:.1f}" y1="{y:.1f}" x2="{tip_x:.1f}" y2="{tip_y:.1f}"/>'
        f'{_head((x, y), (tip_x, tip_y))}<circle class="mic" cx="{x:.1f}" cy="{y:.1f}" r="5.5"/>'
    )


def _head(start: tuple[float, float], tip: tuple[float, float]) -> str:
    """The head of an arrow; a dot where it points at the eye or away from it."""
    along = np.subtract(tip, start)
    length = float(np.hypot(*along))
    if length < 7.0:
        return f'<circle class="head" cx="{tip[0]:.1f}" cy="{tip[1]:.1f}" r="2"/>'
    ahead = along / length
    aside = np.array([-ahead[1], ahead[0]])
    corners = [np.asarray(tip), *(np.asarray(tip) - 7.5 * ahead + way * 4.0 * aside for way in (1, -1))]
    return f'<polygon class="head" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in corners)}"/>'


def _fan(at_m: tuple[float, float], front: FloatArray, reach_rad: float) -> str:
    """The facing's interval, from above; none where the front points up or down, or all ways are open."""
    level = math.hypot(front[0], front[1])
    if level < 0.3 or not reach_rad < np.pi / 2:
        return ""
    x, y = _place(*at_m)
    facing = math.atan2(front[1], front[0])
    ends = []
    for way in (1, -1):
        angle = facing + way * reach_rad
        ends.append((x - 30.0 * math.sin(angle), y - 30.0 * math.cos(angle)))
    (ax, ay), (bx, by) = ends
    return f'<path class="fan" d="M{x:.1f} {y:.1f}L{ax:.1f} {ay:.1f}A30 30 0 0 1 {bx:.1f} {by:.1f}z"/>'
