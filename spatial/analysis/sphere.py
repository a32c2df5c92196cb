"""The densest place on the sphere: where most of many weighted directions agree, and how surely.

Functions: sphere_grid; densest_direction; scatter_sd (how far groups of the directions pull it to and fro).
"""

import numpy as np

from spatial.conventions import FloatArray

KERNEL_RAD = np.radians(15.0)
"""Directions this close to each other count as one place: wider than a direction's own error in a room, narrower
than the angle between performers."""

_KERNEL_GAIN = 1.5
_MOMENT_SD_RAD = np.radians(2.5)
"""Uncertainty of a direction heard in a moment or two, which cannot tell its own scatter."""


def sphere_grid(count: int = 400) -> FloatArray:
    """Points spread evenly over the sphere (golden-angle spiral)."""
    index = np.arange(count) + 0.5
    height = 1 - 2 * index / count
    turn = np.pi * (1 + np.sqrt(5)) * index
    level = np.sqrt(1 - height**2)
    return np.stack([level * np.cos(turn), level * np.sin(turn), height], axis=1)


def densest_direction(vectors: FloatArray, weights: FloatArray) -> FloatArray:
    """Direction of greatest weighted density, by mean shift from the best point of a grid.

    Parameters
    ----------
    vectors : ndarray, shape (n, 3)
        Unit vectors.
    weights : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (3,)
        Unit vector.
    """
    sharpness = 1.0 / KERNEL_RAD**2
    grid = sphere_grid()
    nearness = grid.astype(np.float32) @ vectors.T.astype(np.float32) - 1.0
    density = np.exp(0.5 * sharpness * nearness, dtype=np.float32) @ weights.astype(np.float32)
    return _climb(vectors, weights, grid[int(np.argmax(density))], steps=30)


def _climb(vectors: FloatArray, weights: FloatArray, start: FloatArray, *, steps: int) -> FloatArray:
    sharpness = 1.0 / KERNEL_RAD**2
    place = start
    for _ in range(steps):
        pull = (weights * np.exp(sharpness * (vectors @ place - 1.0))) @ vectors
        moved = pull / max(float(np.linalg.norm(pull)), 1e-30)
        if np.linalg.norm(moved - place) < 1e-5:
            return np.asarray(moved)
        place = moved
    return np.asarray(place)


def scatter_sd(vectors: FloatArray, weights: FloatArray, groups: FloatArray, vector: FloatArray) -> float:
    """Standard deviation per axis across the direction, from how far quarter seconds pull it to and fro.

    Each quarter second's pull is what it adds to the mean shift's next step; independent pulls add in squares. Few
    quarter seconds cannot tell their own scatter: what a moment may be wrong by is added, shrinking with their number.

    Parameters
    ----------
    vectors : ndarray, shape (n, 3)
        Unit vectors.
    weights : ndarray, shape (n,)
    groups : ndarray of int, shape (n,)
        Which quarter second each vector belongs to.
    vector : ndarray, shape (3,)
        The densest direction.

    Returns
    -------
    float
        Radians.
    """
    say = weights * np.exp((vectors @ vector - 1.0) / KERNEL_RAD**2)
    _, number = np.unique(groups, return_inverse=True)
    total = np.bincount(number, say)
    across = vectors - np.outer(vectors @ vector, vector)
    pulls = np.stack([np.bincount(number, say * part) for part in across.T])
    # A mean shift step falls short of where it is going: the kernel has not yet seen what lies there.
    moved = np.sum(pulls**2) / np.sum(total) ** 2
    independent = np.sum(total) ** 2 / np.sum(total**2)
    return float(np.sqrt(moved / 2 * _KERNEL_GAIN**2 + (_MOMENT_SD_RAD / independent) ** 2))
