"""Where a pixel of the picture looks, and how the microphone sees what the lens sees.

Goal: turn a place in the frame into a direction and back for each layout that cameras and edits deliver, and
allow for the microphone not being where the lens is.
Conventions: spatial.conventions (axes, angles). Directions leave from the lens unless said otherwise.
Pixels: whole numbers are pixel centres, (0, 0) is the top left one, so the frame reaches from -0.5 to
width_px - 0.5.
Functions: parse_picture (from a layout's name and the frame's size); check_layout (a name alone); Picture (pixel to
direction and back); seen_from_microphone, parallax_angle_rad (lens to microphone); view_places (all layouts brought to
one small view).
Sources:
[1] P. Corke, "FishEyeCamera" (fisheye projections): equidistant r = k theta.
[2] Equirectangular: azimuth and elevation are linear in the pixel (its definition).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.field import angle_between, azimuth_elevation, unit_vectors

LAYOUTS: Mapping[str, str] = MappingProxyType(
    {
        "equirect360": "whole sphere, equirectangular, one picture",
        "equirect360-sbs": "whole sphere, equirectangular, left eye beside right eye",
        "equirect360-tb": "whole sphere, equirectangular, left eye above right eye",
        "equirect180": "front half, equirectangular, one eye",
        "equirect180-sbs": "front half, equirectangular, left eye beside right eye",
        "equirect180-tb": "front half, equirectangular, left eye above right eye",
        "fisheye180": "fisheye circle, one eye; the number is the field of view in degrees, as in fisheye190",
        "fisheye180-sbs": "fisheye circles, left eye beside right eye; any field of view, as above",
        "fisheye180-tb": "fisheye circles, left eye above right eye; any field of view, as above",
    }
)
"""Names of the picture layouts and what each is."""

_SHAPE_SLACK = 0.05
"""Frames are rounded to whole macroblocks, and a crop of a few rows is no other layout."""

_ROUNDING = 1e-9
"""What arithmetic may push a direction past an edge: radians, or parts of a circle's radius."""


class Projection(StrEnum):
    """How directions are laid out in one eye's picture."""

    EQUIRECTANGULAR = "equirect"
    """Azimuth runs evenly across, elevation evenly down."""
    FISHEYE = "fisheye"
    """Equidistant: the angle from the lens axis runs evenly outwards from the centre of a circle ([1])."""


class Packing(StrEnum):
    """How the eyes share the frame."""

    ONE_EYE = ""
    SIDE_BY_SIDE = "sbs"
    TOP_BOTTOM = "tb"


@dataclass(frozen=True, slots=True)
class Picture:
    """The frame of a clip and how its pixels look out. Made by parse_picture."""

    layout: str
    width_px: int
    """Of the whole frame, both eyes."""
    height_px: int
    projection: Projection
    packing: Packing
    field_of_view_rad: float
    """Equirectangular: from the left edge to the right; fisheye: across the circle."""

    @property
    def eye_size_px(self) -> tuple[float, float]:
        """Width and height of one eye's picture, pixels."""
        across = 2 if self.packing is Packing.SIDE_BY_SIDE else 1
        down = 2 if self.packing is Packing.TOP_BOTTOM else 1
        return self.width_px / across, self.height_px / down

    @property
    def undistorted(self) -> bool:
        """Whether one eye's picture has about this layout's shape: twice as wide as high, or as wide as high."""
        width, height = self.eye_size_px
        shape = self.field_of_view_rad / np.pi if self.projection is Projection.EQUIRECTANGULAR else 1.0
        return bool(abs(width / height / shape - 1.0) < _SHAPE_SLACK)

    def direction_from_pixel(self, x_px: float, y_px: float) -> FloatArray:
        """Where a pixel of either eye looks.

        Parameters
        ----------
        x_px, y_px : float
            Across from the left, down from the top; whole numbers are pixel centres. A place on the seam
            between two eyes belongs to the first.

        Returns
        -------
        ndarray, shape (3,)
            Unit vector in picture axes.

        Raises
        ------
        InputError
            Outside the frame, or outside the image circle of a fisheye.

        Examples
        --------
        Left of the middle of the right eye is left of the lens axis.

        >>> picture = parse_picture("equirect180-sbs", 3840, 1920)
        >>> azimuth, elevation = azimuth_elevation(picture.direction_from_pixel(2399.5, 639.5))
        >>> float(np.degrees(azimuth).round(6)), float(np.degrees(elevation).round(6))
        (45.0, 30.0)
        """
        across, down = self._place_in_eye(x_px, y_px)
        width, height = self.eye_size_px
        if self.projection is Projection.EQUIRECTANGULAR:  # [2]
            azimuth = (0.5 - across / width) * self.field_of_view_rad
            return unit_vectors(azimuth, (0.5 - down / height) * np.pi)
        left, up = width / 2 - across, height / 2 - down
        part = np.hypot(left, up) / (min(width, height) / 2)
        if part > 1 + _ROUNDING:
            raise InputError(
                f"pixel ({x_px:g}, {y_px:g}) lies outside the image circle of layout '{self.layout}'; "
                f"give a pixel inside it, or the layout that the frame really has"
            )
        from_axis = part * self.field_of_view_rad / 2  # [1]
        about = np.arctan2(up, left)
        return np.array([np.cos(from_axis), np.sin(from_axis) * np.cos(about), np.sin(from_axis) * np.sin(about)])

    def pixel_from_direction(self, direction: FloatArray) -> tuple[float, float] | None:
        """Where a direction is seen in the left (first) eye, or None where the picture does not reach.

        Straight back, which a whole sphere shows at both its edges, is given at the left one; straight up and
        down, which fill a whole row, in its middle.

        Parameters
        ----------
        direction : ndarray, shape (3,)
            In picture axes, any length but 0.

        Returns
        -------
        x_px, y_px : float
            As for direction_from_pixel.

        Raises
        ------
        InputError
            Not three finite numbers, or the zero vector.
        """
        x, y, z = _unit(direction)
        width, height = self.eye_size_px
        half_view = self.field_of_view_rad / 2
        if self.projection is Projection.EQUIRECTANGULAR:
            azimuth, elevation = azimuth_elevation(np.array([x, y, z]))
            if np.hypot(x, y) < _ROUNDING:
                # There the azimuth is noise, and must not put the zenith outside a 180-degree picture.
                azimuth = np.array(0.0)
            if abs(azimuth) > half_view + _ROUNDING:
                return None
            part_left = float(np.clip(azimuth / half_view, -1.0, 1.0))
            part_up = float(elevation) / (np.pi / 2)
            return (1 - part_left) * width / 2 - 0.5, (1 - part_up) * height / 2 - 0.5
        from_axis = np.arctan2(np.hypot(y, z), x)
        if from_axis > half_view + _ROUNDING:
            return None
        radius = min(from_axis / half_view, 1.0) * min(width, height) / 2
        about = np.arctan2(z, y)
        left, up = radius * np.cos(about), radius * np.sin(about)
        return float(width / 2 - left - 0.5), float(height / 2 - up - 0.5)

    def _place_in_eye(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Distance from the left and the top edge of the eye that holds a pixel."""
        if not (-0.5 <= x_px <= self.width_px - 0.5 and -0.5 <= y_px <= self.height_px - 0.5):
            raise InputError(
                f"pixel ({x_px:g}, {y_px:g}) lies outside the frame of {self.width_px} x {self.height_px} "
                f"pixels; count from 0 at the top left"
            )
        width, height = self.eye_size_px
        across, down = x_px + 0.5, y_px + 0.5
        if self.packing is Packing.SIDE_BY_SIDE and across > width:
            across -= width
        if self.packing is Packing.TOP_BOTTOM and down > height:
            down -= height
        return across, down


_ANY_FRAME_PX = (3840, 1920)
"""Any frame will do to see whether there is a layout of a name."""


def check_layout(layout: str) -> None:
    """Refuse what is no picture layout, before any file is opened. Raises InputError as parse_picture does."""
    parse_picture(layout, *_ANY_FRAME_PX)


def parse_picture(layout: str, width_px: int, height_px: int) -> Picture:
    """Picture of a named layout.

    Parameters
    ----------
    layout : str
        One of LAYOUTS; for a fisheye with its own field of view in degrees, 1 to 360.
    width_px, height_px : int
        Size of the whole frame.

    Raises
    ------
    InputError
        Unknown layout, no pixels, or a frame that two eyes cannot share evenly.

    Examples
    --------
    >>> parse_picture("fisheye190-sbs", 3840, 1920).eye_size_px
    (1920.0, 1920.0)
    """
    match = re.fullmatch(r"(?:(equirect)(180|360)|(fisheye)(\d+(?:\.\d+)?))(?:-(sbs|tb))?", layout, re.ASCII)
    view_deg = float(match[2] or match[4]) if match else 0.0
    if match is None or not 1.0 <= view_deg <= 360.0:
        raise InputError(
            f"there is no picture layout '{layout}'; use one of {', '.join(LAYOUTS)} "
            f"(a fisheye may have another field of view, 1 to 360 degrees)"
        )
    if width_px < 1 or height_px < 1:
        raise InputError(f"a picture of {width_px} x {height_px} pixels shows nothing; give the frame's size")
    projection, packing = Projection(match[1] or match[3]), Packing(match[5] or "")
    picture = Picture(layout, width_px, height_px, projection, packing, float(np.radians(view_deg)))
    if not all(float(size).is_integer() for size in picture.eye_size_px):
        raise InputError(
            f"two eyes cannot share a frame of {width_px} x {height_px} pixels evenly in layout '{layout}'; "
            f"give the layout that the frame really has"
        )
    return picture


def seen_from_microphone(direction: FloatArray, distance_m: float, mic_offset_m: Sequence[float]) -> FloatArray:
    """Where the microphone has a performer whom the lens sees in a given direction.

    Parameters
    ----------
    direction : ndarray, shape (3,)
        From the lens to the performer, picture axes.
    distance_m : float
        From the lens to the performer.
    mic_offset_m : sequence of 3 floats
        The microphone's place seen from the lens: forward, left, up.

    Returns
    -------
    ndarray, shape (3,)
        Unit vector from the microphone to the performer, in the PICTURE's axes (the mount is another matter).

    Raises
    ------
    InputError
        A distance that is not above 0, an offset that is not three numbers, or a performer who stands where
        the microphone is.

    Examples
    --------
    A microphone 0.3 m below the lens has a performer on the lens's horizon, 1.5 m away, above it.

    >>> _, elevation = azimuth_elevation(seen_from_microphone(np.array([1.0, 0, 0]), 1.5, (0, 0, -0.3)))
    >>> float(np.degrees(elevation).round(2))
    11.31
    """
    towards = _from_microphone(direction, distance_m, mic_offset_m)
    return np.asarray(towards / np.linalg.norm(towards))


def parallax_angle_rad(direction: FloatArray, distance_m: float, mic_offset_m: Sequence[float]) -> float:
    """Angle between where the lens and where the microphone has a performer; as seen_from_microphone."""
    return float(angle_between(_unit(direction), seen_from_microphone(direction, distance_m, mic_offset_m)))


def _from_microphone(direction: FloatArray, distance_m: float, mic_offset_m: Sequence[float]) -> FloatArray:
    """Vector from the microphone to the performer, metres."""
    if not (np.isfinite(distance_m) and distance_m > 0):
        raise InputError(f"a performer's distance must be above 0 metres, got {distance_m:g}")
    offset = np.asarray(mic_offset_m, dtype=float)
    if offset.shape != (3,) or not np.isfinite(offset).all():
        raise InputError(f"a microphone offset is three numbers in metres (forward, left, up), got {mic_offset_m}")
    towards = np.asarray(_unit(direction) * distance_m - offset)
    if np.linalg.norm(towards) < 1e-6:
        raise InputError(f"a performer {distance_m:g} m away stands where the microphone is; check distance and offset")
    return towards


def _unit(direction: FloatArray) -> FloatArray:
    vector = np.asarray(direction, dtype=float)
    if vector.shape != (3,) or not np.isfinite(vector).all() or not vector.any():
        raise InputError(f"a direction is three finite numbers, not all 0, got {direction}")
    # Adding 0 turns -0.0 into 0.0, so that straight back has one azimuth.
    return np.asarray(vector / np.linalg.norm(vector) + 0.0)


# --- the small view that pictures of all layouts are brought to ---

VIEW_ROWS, VIEW_COLUMNS = 24, 32
"""Cells of the small view: 4.5 degrees each, so that a picture that was levelled by a few degrees still agrees."""

VIEW_CELLS = VIEW_ROWS * VIEW_COLUMNS

_VIEW_CELL_RAD = np.radians(4.5)
"""The view reaches 72 degrees to either side and 54 up and down: every 180-degree lens shows that much."""

_VIEW_POINTS = 4
"""Places across and down each cell that are averaged."""


def view_places(picture: Picture, width: int, height: int) -> npt.NDArray[np.intp]:
    """Which pixels of a scaled-down frame make each cell of the small view of the first eye.

    Parameters
    ----------
    picture : Picture
        The frame, at any size.
    width, height : int
        The size that it was scaled down to, pixels of the whole frame.

    Returns
    -------
    ndarray, shape (VIEW_CELLS, places), int
        Indices into the scaled frame, row by row; a place that the picture does not show is its nearest that it does.

    Examples
    --------
    The middle of the view of one eye of two is the middle of the left half of the frame.

    >>> places = view_places(parse_picture("equirect180-sbs", 3840, 1920), 256, 128)
    >>> middle = places.reshape(VIEW_ROWS, VIEW_COLUMNS, -1)[VIEW_ROWS // 2, VIEW_COLUMNS // 2, 0]
    >>> int(middle) % 256, int(middle) // 256
    (64, 64)
    """
    steps = (np.arange(_VIEW_POINTS) + 0.5) / _VIEW_POINTS
    azimuths = (VIEW_COLUMNS / 2 - (np.arange(VIEW_COLUMNS)[:, np.newaxis] + steps)) * _VIEW_CELL_RAD
    elevations = (VIEW_ROWS / 2 - (np.arange(VIEW_ROWS)[:, np.newaxis] + steps)) * _VIEW_CELL_RAD
    places = np.empty((VIEW_ROWS, VIEW_COLUMNS, _VIEW_POINTS, _VIEW_POINTS), dtype=np.intp)
    x, y = _pixels_of(
        picture,
        unit_vectors(azimuths[np.newaxis, :, np.newaxis, :], elevations[:, np.newaxis, :, np.newaxis]),
    )
    columns = np.clip((x + 0.5) / picture.width_px * width, 0, width - 1).astype(np.intp)
    rows = np.clip((y + 0.5) / picture.height_px * height, 0, height - 1).astype(np.intp)
    places[...] = rows * width + columns
    return places.reshape(VIEW_CELLS, -1)


def _pixels_of(picture: Picture, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    """As Picture.pixel_from_direction for many directions, shape (..., 3); beyond the edge: at the edge."""
    width, height = picture.eye_size_px
    half_view = picture.field_of_view_rad / 2
    if picture.projection is Projection.EQUIRECTANGULAR:
        azimuth, elevation = azimuth_elevation(directions)
        left, up = np.clip(azimuth / half_view, -1.0, 1.0), elevation / (np.pi / 2)
        return (1 - left) * width / 2 - 0.5, (1 - up) * height / 2 - 0.5
    x, y, z = np.moveaxis(directions, -1, 0)
    radius = np.minimum(np.arctan2(np.hypot(y, z), x) / half_view, 1.0) * min(width, height) / 2
    about = np.arctan2(z, y)
    return width / 2 - radius * np.cos(about) - 0.5, height / 2 - radius * np.sin(about) - 0.5
