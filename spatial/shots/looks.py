"""What small pictures look like, whatever was done to their colours: to tell which clips a shot may be from.

Goal: alike for a picture that was graded, scaled, coded again, turned by a few degrees or has a title over a third of
it; unlike for another place.
Conventions: pictures are of shape (pictures, cells), cells as in spatial.picture.view_places, luma 0 to 255.
Functions: as_views; looks_of; alikeness, alike_each; contrast_gains; best_shift, shifted (a picture that was turned a
little).
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.picture import VIEW_COLUMNS, VIEW_ROWS

BLOCK_ROWS, BLOCK_COLUMNS = 8, 8
"""Cells of one block: large enough to have a shape of its own, small enough that a title leaves most of them alone."""

BLOCKS_DOWN, BLOCKS_ACROSS = VIEW_ROWS // BLOCK_ROWS, VIEW_COLUMNS // BLOCK_COLUMNS
BLOCKS = BLOCKS_DOWN * BLOCKS_ACROSS

_COUNTED = 8
"""Blocks of the 12 that count, the most alike ones: a title may cover a third of the picture."""

_FLAT = 1.5
"""Levels (rms) of structure under which a block shows nothing but noise."""

_SHOWN = 0.6
"""Correlation of a block's structure from which on it shows the clip's, and no title."""

_LARGEST_SHIFT = 2
"""Cells by which a picture may be moved: 9 degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """What some pictures look like."""

    blocks: FloatArray
    """Unit vectors of each block's structure, shape (BLOCKS, pictures, cells of a block), float32; zeros where flat."""

    def __getitem__(self, which: slice) -> "Looks":
        return Looks(self.blocks[:, which])


def as_views(pictures: FloatArray) -> FloatArray:
    """Pictures with rows and columns, shape (pictures, VIEW_ROWS, VIEW_COLUMNS)."""
    return pictures.reshape(-1, VIEW_ROWS, VIEW_COLUMNS)


def looks_of(pictures: FloatArray) -> Looks:
    """What pictures look like, block by block."""
    views = _blurred(as_views(np.asarray(pictures, dtype=np.float32)))
    split = views.reshape(-1, BLOCKS_DOWN, BLOCK_ROWS, BLOCKS_ACROSS, BLOCK_COLUMNS)
    blocks = split.transpose(1, 3, 0, 2, 4).reshape(BLOCKS, len(views), -1)
    blocks = blocks - blocks.mean(axis=2, keepdims=True)
    norm = np.linalg.norm(blocks, axis=2, keepdims=True)
    flat = norm < _FLAT * np.sqrt(blocks.shape[2])
    return Looks(np.where(flat, 0.0, blocks / np.maximum(norm, 1e-6)).astype(np.float32))


def alikeness(one: Looks, other: Looks) -> FloatArray:
    """How alike pictures look, from about 0 (another place) to 1, shape (pictures of one, pictures of other).

    The mean correlation of the two thirds of the blocks that agree best. A block that is flat in both agrees by half.
    """
    count, more = one.blocks.shape[1], other.blocks.shape[1]
    out = np.empty((count, more), dtype=np.float32)
    step = max(1, 4_000_000 // max(1, more * BLOCKS))
    filled = [np.any(looks.blocks, axis=2) for looks in (one, other)]
    for first in range(0, count, step):
        part = one.blocks[:, first : first + step]
        each = np.einsum("bik,bjk->bij", part, other.blocks, optimize=True)
        neither = ~filled[0][:, first : first + step, np.newaxis] & ~filled[1][:, np.newaxis, :]
        each = np.where(neither, np.float32(0.5), each)
        out[first : first + step] = np.sort(each, axis=0)[-_COUNTED:].mean(axis=0)
    return out


def alike_each(one: Looks, other: Looks) -> FloatArray:
    """How alike pictures look pair by pair, shape (pictures,)."""
    each = np.sum(one.blocks * other.blocks, axis=2)
    neither = ~np.any(one.blocks, axis=2) & ~np.any(other.blocks, axis=2)
    return np.asarray(np.sort(np.where(neither, np.float32(0.5), each), axis=0)[-_COUNTED:].mean(axis=0))


def contrast_gains(film: FloatArray, clip: FloatArray) -> FloatArray:
    """By how much a film's picture is richer in contrast than a clip's, block by block.

    Parameters
    ----------
    film, clip : ndarray, shape (cells,)

    Returns
    -------
    ndarray, shape (cells,)
        0 where a block does not show the clip, as under a title.
    """
    split = BLOCKS_DOWN, BLOCK_ROWS, BLOCKS_ACROSS, BLOCK_COLUMNS
    parts = [as_views(part[np.newaxis])[0].reshape(split) for part in (film, clip)]
    own, there = (part - part.mean(axis=(1, 3), keepdims=True) for part in parts)
    both, power, shown = np.sum(own * there, (1, 3)), np.sum(there**2, (1, 3)), np.sum(own**2, (1, 3))
    flat = power < BLOCK_ROWS * BLOCK_COLUMNS * _FLAT**2
    same = both / np.sqrt(np.maximum(power * shown, 1e-9)) >= _SHOWN
    usual = float(np.sum(both[same])) / max(float(np.sum(power[same])), 1e-9) if np.any(same) else 1.0
    gain = np.where(same, both / np.maximum(power, 1e-9), 0.0)
    gain = np.clip(np.where(flat, usual, gain), 0.0, 4.0)
    return np.asarray(np.repeat(np.repeat(gain, BLOCK_ROWS, axis=0), BLOCK_COLUMNS, axis=1).ravel(), dtype=np.float32)


def best_shift(film: FloatArray, clip: FloatArray) -> tuple[float, float]:
    """How far a clip's picture must be moved, down and right, to lie on a film's, cells.

    Parameters
    ----------
    film, clip : ndarray, shape (cells,)
    """
    want = looks_of(film[np.newaxis])
    size = 2 * _LARGEST_SHIFT + 1
    steps = [(down, right) for down in range(-_LARGEST_SHIFT, _LARGEST_SHIFT + 1) for right in range(-2, 3)]
    moved = np.concatenate([shifted(clip[np.newaxis], step) for step in steps])
    found = alikeness(want, looks_of(moved))[0].reshape(size, size)
    down, right = np.unravel_index(int(np.argmax(found)), found.shape)
    return (
        float(down + _peak(found[:, right], int(down))) - _LARGEST_SHIFT,
        float(right + _peak(found[down], int(right))) - _LARGEST_SHIFT,
    )


def shifted(pictures: FloatArray, shift: tuple[float, float]) -> FloatArray:
    """Pictures moved down and right by parts of cells; what comes in at an edge repeats it."""
    views = as_views(pictures)
    for axis, by in ((1, shift[0]), (2, shift[1])):
        if by:
            size = views.shape[axis]
            places = np.clip(np.arange(size) - by, 0, size - 1)
            low = np.minimum(places.astype(int), size - 2)
            part = (places - low).astype(np.float32).reshape((-1, 1) if axis == 1 else (-1,))
            views = np.take(views, low, axis) * (1 - part) + np.take(views, low + 1, axis) * part
    return np.asarray(views.reshape(len(views), -1))


def _peak(curve: FloatArray, place: int) -> float:
    """Where a parabola through a peak and its neighbours is highest, against the peak."""
    if not 0 < place < len(curve) - 1:
        return 0.0
    before, at, after = (float(value) for value in curve[place - 1 : place + 2])
    bend = before - 2 * at + after
    return float(np.clip((before - after) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


def _blurred(views: FloatArray) -> FloatArray:
    for axis in (1, 2):
        padded = np.pad(views, [(1, 1) if n == axis else (0, 0) for n in range(3)], mode="edge")
        size = views.shape[axis]
        before, at, after = (np.take(padded, range(start, start + size), axis) for start in (0, 1, 2))
        views = (before + 2 * at + after) / 4
    return np.asarray(views)
