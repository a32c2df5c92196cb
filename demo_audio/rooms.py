"""Shoebox rooms by image sources.

Coordinates: metres from one lower corner, x and y along the walls, z up.
Functions: image_sources (where the reflections seem to come from, and how strong), path_response (what a
receiver hears over many paths).
Sources:
[1] J. Allen, D. Berkley 1979, "Image method for efficiently simulating small-room acoustics", JASA 65(4).
[2] M. Schroeder 1965, "New method of measuring reverberation time", JASA 37(3): backward integration.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from spatial.conventions import DELIVERY_RATE_HZ, SPEED_OF_SOUND_M_S, FloatArray
from spatial.errors import InputError

TAIL_DB = 45.0  # how far down the reverberation is followed
LATE_ORDER = 3  # images from this order on are told apart by nobody
MAX_DISPLACEMENT_M = 0.08  # of late images: a perfect lattice chirps audibly, real walls are not that true
HALF_KERNEL = 24  # samples on each side of the fractional-delay kernel; flat to 20 kHz at 48 kHz

BoolArray = npt.NDArray[np.bool_]
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Room:
    """A shoebox room. All six surfaces reflect alike."""

    size_m: Point
    rt60_s: float


@dataclass(frozen=True, slots=True)
class Images:
    """A source and its mirror images [1]: index 0 is the source itself."""

    positions_m: FloatArray
    """Shape (images, 3)."""
    gains: FloatArray
    """Shape (images,): what the walls left, at 1 m."""
    late: BoolArray
    """Shape (images,), bool: of LATE_ORDER or more."""


def image_sources(room: Room, source_m: Point, receiver_m: Point, *, rng: np.random.Generator) -> Images:
    """Image sources that reach the receiver while the room decays by TAIL_DB.

    Raises
    ------
    InputError
        The source or the receiver is outside the room, or no walls give the room this RT60.
    """
    for name, point in (("performer", source_m), ("rig", receiver_m)):
        if any(not 0 < p < size for p, size in zip(point, room.size_m, strict=True)):
            raise InputError(f"the {name} at {tuple(point)} m is outside the room {room.size_m} m; move it inside")
    positions, orders = _lattice(room, source_m, receiver_m)
    late = orders >= LATE_ORDER
    positions[late] += rng.uniform(-MAX_DISPLACEMENT_M, MAX_DISPLACEMENT_M, (int(late.sum()), 3))
    return Images(positions, wall_reflection(room) ** orders, late)


def path_response(distances_m: FloatArray, gains: FloatArray, late: BoolArray, *, shift: float) -> FloatArray:
    """Impulse response of paths with 1/r loss, at 48 kHz.

    Late paths are put on whole samples (their places are rough anyway), the others are delayed exactly.

    Parameters
    ----------
    distances_m : ndarray, shape (paths,)
    gains : ndarray, shape (channels, paths)
    late : ndarray of bool, shape (paths,)
    shift : float
        Further delay, samples.

    Returns
    -------
    ndarray, shape (channels, taps)
        Time 0 is at tap HALF_KERNEL.
    """
    delays = distances_m / SPEED_OF_SOUND_M_S * DELIVERY_RATE_HZ + shift + HALF_KERNEL
    weights = gains / distances_m
    exact, taps = ~late, np.arange(1 - HALF_KERNEL, HALF_KERNEL + 1)
    whole = np.floor(delays[exact])[:, np.newaxis]
    away = taps - (delays[exact][:, np.newaxis] - whole)
    kernels = np.sinc(away) * (0.5 + 0.5 * np.cos(np.pi * away / HALF_KERNEL))
    where = np.concatenate([(whole + taps).ravel(), np.rint(delays[late])]).astype(int)
    return np.stack(
        [np.bincount(where, np.concatenate([(kernels * w[exact, np.newaxis]).ravel(), w[late]])) for w in weights]
    )


@lru_cache(maxsize=64)
def wall_reflection(room: Room) -> float:
    """Pressure reflection factor that gives the room its RT60 (fitted from -5 to -25 dB, [2]).

    Sabine's and Eyring's formulas are up to 60 % off in the image model, whose sound is not diffuse; so the
    factor is found by bisection on the images of a typical place. It holds above about 100 Hz: below, images
    that never change sign add up and ring longer.

    Raises
    ------
    InputError
        The room cannot have this RT60.
    """
    size = np.asarray(room.size_m)
    positions, orders = _lattice(room, tuple(size * (0.31, 0.36, 0.42)), tuple(size * (0.64, 0.57, 0.45)))
    distances = np.linalg.norm(positions - size * (0.64, 0.57, 0.45), axis=1)
    step_s = 1e-3
    bins = (distances / SPEED_OF_SOUND_M_S / step_s).astype(int)
    low, high = 0.02, 0.999
    for _ in range(20):
        middle = (low + high) / 2
        energy = np.bincount(bins, middle ** (2 * orders) / distances**2)
        level_db = 10 * np.log10(np.cumsum(energy[::-1])[::-1] / energy.sum())
        falling = np.flatnonzero((level_db <= -5) & (level_db >= -25))
        found_s = -60 / np.polyfit(falling * step_s, level_db[falling], 1)[0] if falling.size > 1 else 0.0
        low, high = (low, middle) if found_s > room.rt60_s else (middle, high)
    if abs(found_s / room.rt60_s - 1.0) > 0.1:
        raise InputError(f"a room of {room.size_m} m cannot have an RT60 of {room.rt60_s} s; change one of them")
    return middle


def _lattice(room: Room, source_m: Point, receiver_m: Point) -> tuple[FloatArray, FloatArray]:
    """Positions and orders (wall bounces) of the images within reach; the source itself is first."""
    import pyroomacoustics as pra  # a test extra: only the maker of shoots needs it

    reach_m = SPEED_OF_SOUND_M_S * room.rt60_s * TAIL_DB / 60.0
    # An image of order N is at least about N / |1/size| away, so no image within reach has a higher order.
    order = int(np.ceil(reach_m * np.linalg.norm(1.0 / np.asarray(room.size_m)))) + 1
    shoebox = pra.ShoeBox(room.size_m, fs=DELIVERY_RATE_HZ, materials=pra.Material(0.5), max_order=order)
    shoebox.add_source(source_m)
    shoebox.add_microphone(receiver_m)
    shoebox.image_source_model()
    built = shoebox.sources[0]
    positions, orders = built.images.T.astype(float), built.orders.astype(int)
    positions[orders == 0] = source_m  # pyroomacoustics keeps single precision
    near = np.linalg.norm(positions - np.asarray(receiver_m), axis=1) < reach_m
    near |= orders == 0
    ranked = np.argsort(orders[near], kind="stable")
    return positions[near][ranked], orders[near][ranked]
