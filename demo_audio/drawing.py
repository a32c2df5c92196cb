"""The picture of the demo shoot: a boathouse and its performers, drawn ray by ray as a 180-degree lens sees them.

Every figure stands at its true place, so that a pixel of a mouth or an instrument looks where the sound comes
from. What sounds moves: mouths open, bellows draw, hands strike.
Conventions: spatial.conventions (axes, angles); room coordinates as in demo_audio.rooms; colours 0 to 255.
Functions: draw_frames.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_audio.figures import Brush, paint_moving, paint_still
from demo_audio.scenes import BOATHOUSE, Part, Scene
from demo_audio.simulate import Performer, Rig
from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.field import unit_vectors

Image = npt.NDArray[np.float64]
Frame = npt.NDArray[np.uint8]

FINER = 3  # rays across and down each pixel: smooth edges
EYES_APART_M = 0.064
REACH_M = 0.75  # moving parts lie this close to the place that sounds
FLOOR, BOARDS, FAR_WALL, CEILING = (106, 92, 78), (86, 98, 102), (120, 138, 142), (58, 64, 68)
WATER, SKY = (104, 136, 150), (196, 204, 200)


@dataclass(frozen=True, slots=True)
class _Patch:
    """The part of an eye's picture where one performer moves."""

    rows: slice
    columns: slice
    across_m: FloatArray
    up_m: FloatArray


def draw_frames(scene: Scene, rig: Rig, performers: Sequence[Performer], *, clip_start_s: float) -> Iterator[Frame]:
    """Draw the frames of a clip.

    Parameters
    ----------
    scene : Scene
    rig : Rig
        The first (left) eye sits in its lens, a second eye to the right of it.
    performers : sequence of Performer
        In the order of the scene's parts; signals in true time.
    clip_start_s : float
        True time of the first frame.

    Yields
    ------
    ndarray, shape (height, width, 3), uint8
    """
    eyes = 2 if scene.layout.endswith("-sbs") else 1
    places = [rig.place((0.0, -eye * EYES_APART_M, 0.0)) for eye in range(eyes)]
    rays = _rays(scene.width_px // eyes, scene.height_px, rig)
    # Far performers first, so that near ones stand before them.
    cast = sorted(zip(scene.parts, performers, strict=True), key=lambda pair: -pair[0].distance_m)
    stills, patches = zip(*(_still(rays, eye_m, cast) for eye_m in places), strict=True)
    levels = [_levels(performer, scene, clip_start_s) for _, performer in cast]
    for number in range(scene.frames):
        views = []
        for still, moving in zip(stills, patches, strict=True):
            view = still.copy()
            for (part, _), patch, level in zip(cast, moving, levels, strict=True):
                brush = Brush(view[patch.rows, patch.columns], patch.across_m, patch.up_m)
                paint_moving(brush, part, level=level[number], time_s=number / float(scene.frame_rate))
            views.append(_coarse(view))
        yield np.rint(np.concatenate(views, axis=1)).astype(np.uint8)


def _rays(width_px: int, height_px: int, rig: Rig) -> FloatArray:
    """Directions of the fine rays of one eye in room axes, shape (rows, columns, 3); equirectangular."""
    azimuth = (0.5 - (np.arange(width_px * FINER) + 0.5) / (width_px * FINER)) * np.pi
    elevation = (0.5 - (np.arange(height_px * FINER) + 0.5) / (height_px * FINER)) * np.pi
    return unit_vectors(azimuth[np.newaxis, :], elevation[:, np.newaxis]) @ rig.picture_from_room


def _still(rays: FloatArray, eye_m: FloatArray, cast: Sequence[tuple[Part, Performer]]) -> tuple[Image, list[_Patch]]:
    """All that stays still in one eye's picture, and where its performers move."""
    image = _room(rays, eye_m)
    patches = []
    for part, performer in cast:
        across, up = _upright_plane(rays, eye_m, np.asarray(performer.position_m))
        paint_still(Brush(image, across, up), part, height_m=performer.position_m[2])
        rows, columns = np.nonzero((np.abs(across) < REACH_M) & (np.abs(up) < REACH_M))
        box = slice(int(rows.min()), int(rows.max()) + 1), slice(int(columns.min()), int(columns.max()) + 1)
        patches.append(_Patch(*box, across[box], up[box]))
    return image, patches


def _room(rays: FloatArray, eye_m: FloatArray) -> Image:
    """The empty boathouse: boarded walls, a floor with a grid of 1 m, a gate to the water, the horizon."""
    size = np.asarray(BOATHOUSE.size_m)
    with np.errstate(divide="ignore"):
        steps = np.where(rays > 0, size - eye_m, -eye_m) / rays
    steps = np.where(np.isfinite(steps), steps, np.inf)
    surface = np.argmin(steps, axis=-1)
    x, y, z = np.moveaxis(eye_m + np.min(steps, axis=-1)[..., np.newaxis] * rays, -1, 0)
    floor, ceiling = (surface == 2) & (rays[..., 2] < 0), (surface == 2) & (rays[..., 2] > 0)
    along = np.where(surface == 0, y, x)

    image = np.empty(rays.shape)
    image[surface == 0] = FAR_WALL
    image[surface == 1] = BOARDS
    image[floor] = FLOOR
    image[ceiling] = CEILING
    walls = surface != 2
    image[walls & (np.abs((along + 0.25) % 0.5 - 0.25) < 0.012)] *= 0.86
    gate = walls & (np.abs(along - size[np.where(surface == 0, 1, 0)] / 2) < 1.9) & (z < 2.6)
    image[gate] = SKY
    image[gate & (z < 1.1)] = WATER
    image[gate & (z < 1.1) & (np.abs((z + 0.04 * np.sin(5 * along)) % 0.22 - 0.11) < 0.012)] = SKY
    for grid in (x, y):
        image[floor & (np.abs((grid + 0.5) % 1.0 - 0.5) < 0.014)] = np.asarray(FLOOR) * 1.28
    image[ceiling & (np.abs((x + 0.6) % 1.2 - 0.6) < 0.07)] *= 0.8
    # The horizon of the lens, dashed every 10 degrees of its own circle.
    dashes = np.degrees(np.arctan2(rays[..., 1], rays[..., 0])) % 10.0 < 5.0
    image[walls & dashes & (np.abs(rays[..., 2]) < 0.0045)] = (232, 226, 206)
    return image


def _upright_plane(rays: FloatArray, eye_m: FloatArray, place_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where each ray meets the upright plane through a place that faces the eye: metres right of it and up."""
    away = place_m - eye_m
    ahead = np.array([away[0], away[1], 0.0]) / np.hypot(away[0], away[1])
    towards = rays @ ahead
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(towards > 0.05, (away @ ahead) / towards, np.nan)
    right = np.array([ahead[1], -ahead[0], 0.0])
    return reach * (rays @ right) - away @ right, reach * rays[..., 2] - away[2]


def _levels(performer: Performer, scene: Scene, clip_start_s: float) -> FloatArray:
    """How strongly the performer sounds in each frame, 0 to 1 (loudest)."""
    half = DELIVERY_RATE_HZ // 40
    power = np.concatenate([np.zeros(half), np.cumsum(performer.signal**2), np.zeros(2 * half)])
    power[-2 * half :] = power[-2 * half - 1]
    times_s = clip_start_s + np.arange(scene.frames) / float(scene.frame_rate)
    middles = np.rint(times_s * DELIVERY_RATE_HZ).astype(int) + half
    level = np.sqrt(np.maximum(power[middles + half] - power[middles - half], 0.0))
    return np.asarray(np.minimum(level / (0.7 * level.max()), 1.0))


def _coarse(image: Image) -> Image:
    """One pixel from each square of rays."""
    rows, columns, _ = image.shape
    return np.asarray(image.reshape(rows // FINER, FINER, columns // FINER, FINER, 3).mean(axis=(1, 3)))
