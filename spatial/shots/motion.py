"""What moves in small pictures: to tell from which picture of a clip on a shot runs.

Goal: find the places of a clip where things move as they do in some pictures of a film, whatever was done to the
film's colours; cameras on a tripod look the same everywhere, and only movement tells the moment.
Conventions: pictures are of shape (pictures, cells). A place n: the first picture of the film's piece is picture n of
the clip.
Functions: pooled_motion; ClipMotion (a clip, searched for many pieces); likeliest_places.
Source: correlation by the fast Fourier transform; Oppenheim and Schafer, "Discrete-Time Signal Processing".
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d

from spatial.conventions import FloatArray
from spatial.shots.looks import as_views

_CELLS = 48
"""Pooled cells, of 192, in which a piece is compared: those in which most moves."""

_LIMIT = 3.0
"""A change counts up to so many times the usual one: a flash or a moving title must not outweigh the rest."""

_APART = 3
"""Pictures between two places that count as two."""

_STANDS_OUT = 2.5
"""Standard deviations of all places' correlation by which one must stand out to be a place worth trying: a wrong one
costs time only, and in a short clip of slow people the right one stands out by little more."""

_LEAST = 0.12
"""Correlation below which a place is not worth trying."""


def pooled_motion(pictures: FloatArray) -> FloatArray:
    """What changes in pictures, by fours of cells, shape (pictures, pooled cells), float32.

    Each row is the change between the pictures on either side of it; what all cells have in common, a change of
    light or of grading, is taken out.
    """
    views = as_views(pictures)
    rows, columns = views.shape[1] // 2, views.shape[2] // 2
    pooled = views.reshape(len(views), rows, 2, columns, 2).mean(axis=(2, 4)).reshape(len(views), -1)
    change = np.zeros_like(pooled)
    if len(pooled) > 2:
        change[1:-1] = pooled[2:] - pooled[:-2]
    change -= np.median(change, axis=1, keepdims=True)
    usual = float(np.sqrt(np.mean(change**2))) + 1e-3
    return np.asarray(np.clip(change, -_LIMIT * usual * 3, _LIMIT * usual * 3), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a clip a piece may be from."""

    first: int
    """The clip's picture that is the piece's first."""
    correlation: float
    stands_out: float
    """By how many standard deviations of all places."""


class ClipMotion:
    """What moves in a clip, ready to be searched.

    Parameters
    ----------
    motion : ndarray, shape (pictures, pooled cells)
        Of pooled_motion.
    longest : int
        Pictures of the longest piece that will be looked for.
    """

    def __init__(self, motion: FloatArray, longest: int) -> None:
        self._motion = motion
        self._size = fft.next_fast_len(len(motion) + longest, real=True)
        self._spectra = fft.rfft(motion, self._size, axis=0)
        self._power = np.concatenate(
            [np.zeros((1, motion.shape[1])), np.cumsum(motion.astype(np.float64) ** 2, axis=0)]
        )

    def places(self, piece: FloatArray, most: int) -> list[Place]:
        """The likeliest places of a piece, the likeliest first.

        Parameters
        ----------
        piece : ndarray, shape (pictures, pooled cells)
            Of pooled_motion; its first and last picture have no change.
        most : int
            How many at most.
        """
        return likeliest_places(self.curve(piece), most)

    def curve(self, piece: FloatArray) -> FloatArray:
        """Correlation at every place, from place 0 on; pieces reach beyond the clip's end by nothing."""
        last = len(self._motion) - len(piece)
        energy = np.sum(piece.astype(np.float64) ** 2, axis=0)
        cells = np.argsort(energy)[-_CELLS:]
        own = float(np.sum(energy[cells]))
        if last < 0 or own <= 0:
            return np.zeros(0)
        spectrum = fft.rfft(piece[:, cells], self._size, axis=0)
        both = np.sum(self._spectra[:, cells] * np.conj(spectrum), axis=1)
        found = fft.irfft(both, self._size)[: last + 1]
        power = self._power[:, cells].sum(axis=1)
        there = power[len(piece) :] - power[: last + 1]
        # Where nothing moves in the clip, a little noise must not look like much.
        floor = 0.05 * own + 0.02 * float(np.max(there, initial=0.0))
        return np.asarray(found / np.sqrt(own * np.maximum(there, floor)))


def likeliest_places(curve: FloatArray, most: int) -> list[Place]:
    """Peaks of a curve of correlations that stand out of it."""
    if len(curve) < 1:
        return []
    scatter = 1.4826 * float(np.median(np.abs(curve - np.median(curve)))) + 1e-6
    peaks = np.flatnonzero((curve == maximum_filter1d(curve, 2 * _APART + 1)) & (curve > _LEAST))
    best = peaks[np.argsort(curve[peaks])[::-1][:most]]
    return [
        Place(int(n), float(curve[n]), float(curve[n]) / scatter)
        for n in best
        if curve[n] >= _STANDS_OUT * scatter or len(curve) < 100
    ]
