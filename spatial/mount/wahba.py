"""Many guesses at once of how two sets of directions are turned against each other, and how likely each guess is.

Goal: which marks belong together, which one is wrong, whether the field is a mirror image: each question is a set of
hypotheses, each hypothesis a best rotation of some of the directions, and their evidence decides.
Conventions: spatial.conventions (mount). Matrices are picture_from_mic.
Functions: fit_rotations; turn_between (a small turn); subsets_without (which rows a hypothesis leaves out).
Sources:
[1] Wahba 1965 / Markley 1988, J. Astronaut. Sci. 36(3): attitude from vector pairs by singular value decomposition.
[2] Shuster and Oh 1981, J. Guidance and Control 4(1): covariance of that attitude (formula from memory, checked by
simulation in the tests).
[3] MacKay 2003, Information Theory, Inference, and Learning Algorithms, ch. 28: evidence by Laplace's method (from
memory, checked by simulation in the tests).
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from spatial.conventions import FloatArray
from spatial.field import angle_between

BoolArray = npt.NDArray[np.bool_]

SCATTER_FREEDOM = 6.0
"""How firmly the stated uncertainties are believed, as if so many numbers had been measured to find them: rooms differ
in how much more, or less, they scatter directions than is stated. Chosen with tests/bench/mount.py on other seeds."""

_FREE_TURN_RAD = np.pi / np.sqrt(3.0)
"""Standard deviation of a turn of which nothing is known: even over half a turn to either side."""


@dataclass(frozen=True, slots=True, eq=False)
class RotationFits:
    """One best rotation for each hypothesis."""

    matrices: FloatArray
    """Shape (hypotheses, 3, 3)."""
    covariances: FloatArray
    """Of the small rotation vector in the picture's axes, as wide as the scatter found ([2]); shape as above."""
    misfits: FloatArray
    """Scatter over what the stated uncertainties explain, a ratio of variances; 1 where nothing is left to check."""
    log_evidence: FloatArray
    """Logarithm of how likely the rows are under each hypothesis, whatever the rotation is, shape (hypotheses,)."""
    information: FloatArray
    """Inverse covariance of the small rotation vector by the stated uncertainties alone, shape as `covariances`."""


def fit_rotations(
    wanted: FloatArray,
    heard: FloatArray,
    sd_rad: FloatArray,
    used: BoolArray,
    *,
    own_part: FloatArray | None = None,
) -> RotationFits:
    """Best rotation of each hypothesis ([1]), its covariance ([2]) and its evidence ([3]).

    A row that a hypothesis does not use came from anywhere on the sphere.

    Parameters
    ----------
    wanted, heard : ndarray, shape (hypotheses or 1, rows, 3)
        Unit vectors in the picture's axes and in the microphone's.
    sd_rad : ndarray, shape (rows,) or (hypotheses, rows)
        One standard deviation along either direction across a row.
    used : ndarray of bool, shape (hypotheses, rows)
    own_part : ndarray, shape (rows,), optional
        The part of each row's variance that it shares with no other row: only that enters the covariances, since what
        rows share does not get smaller by counting them. All of it where left out.

    Returns
    -------
    RotationFits
    """
    variances = np.asarray(sd_rad, dtype=float) ** 2
    weights = used / variances
    u, _, vt = np.linalg.svd(np.einsum("hn,hni,hnj->hij", weights, wanted, heard, optimize=True))
    u[:, :, 2] *= np.sign(np.linalg.det(u) * np.linalg.det(vt))[:, np.newaxis]
    matrices = u @ vt
    across = np.eye(3) - wanted[..., :, np.newaxis] * wanted[..., np.newaxis, :]
    information = np.einsum("hn,hnij->hij", weights, across, optimize=True) + np.eye(3) / _FREE_TURN_RAD**2
    turned = np.einsum("hij,hnj->hni", matrices, heard)
    scatter = np.sum(weights * angle_between(turned, wanted) ** 2, axis=1)
    count = np.sum(used, axis=1)
    freedom = np.maximum(2.0 * count - 3.0, 0.0)
    # Integrated over the scatter's own scale: a room that scatters all marks alike is no reason to call one wrong.
    half = SCATTER_FREEDOM / 2
    log_fit = gammaln(half + freedom / 2) - gammaln(half) - freedom / 2 * np.log(half)
    log_fit -= (half + freedom / 2) * np.log1p(scatter / SCATTER_FREEDOM)
    # The rotation's own room: how much of all rotations comes this near (all of them fill 8 pi^2).
    log_room = 1.5 * np.log(2 * np.pi) - 0.5 * np.linalg.slogdet(information)[1] - np.log(8 * np.pi**2)
    log_rows = -np.sum(np.where(used, np.log(2 * np.pi * variances), 0.0), axis=1) - (used.shape[1] - count) * np.log(
        4 * np.pi
    )
    covariances = np.linalg.inv(information)
    if own_part is not None:
        # Least squares with weights that are not one over the variance: inverse, what scatters, inverse.
        scatters = np.einsum("hn,n,hnij->hij", weights, own_part, across, optimize=True) + np.eye(3) / _FREE_TURN_RAD**2
        covariances = covariances @ scatters @ covariances
    widened = (SCATTER_FREEDOM + scatter) / (SCATTER_FREEDOM + freedom)
    return RotationFits(
        matrices=matrices,
        covariances=covariances * widened[:, np.newaxis, np.newaxis],
        misfits=np.where(freedom > 0, scatter / np.maximum(freedom, 1.0), 1.0),
        log_evidence=log_fit + log_room + log_rows,
        information=information,
    )


def turn_between(wanted: FloatArray, heard: FloatArray, sd_rad: FloatArray) -> FloatArray:
    """The small turn that best takes directions to others close by; none about an axis that they do not determine.

    Parameters
    ----------
    wanted, heard : ndarray, shape (rows, 3)
        Unit vectors.
    sd_rad : ndarray, shape (rows,)

    Returns
    -------
    ndarray, shape (3,)
        Rotation vector.
    """
    weights = np.asarray(sd_rad, dtype=float)[:, np.newaxis, np.newaxis] ** -2
    across = np.eye(3) - heard[:, :, np.newaxis] * heard[:, np.newaxis, :]
    information = np.sum(weights * across, axis=0) + np.eye(3) / _FREE_TURN_RAD**2
    return np.asarray(np.linalg.solve(information, np.sum(weights[:, 0] * np.cross(heard, wanted), axis=0)))


def subsets_without(rows: int, most_left_out: int) -> BoolArray:
    """Every choice of rows that leaves out at most so many and keeps at least one, shape (choices, rows), bool.

    Examples
    --------
    >>> subsets_without(2, 1).tolist()
    [[True, True], [False, True], [True, False]]
    """
    choices = []
    for left_out in range(min(most_left_out, max(rows - 1, 0)) + 1):
        for places in combinations(range(rows), left_out):
            used = np.ones(rows, dtype=bool)
            used[list(places)] = False
            choices.append(used)
    return np.asarray(choices)
