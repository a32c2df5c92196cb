"""Whether marks fit together only if the camera did not move as the file of moves has it.

Goal: a file of moves that belongs to another clip, or to a recorder that turned with the camera after all, is noticed.
Functions: moves_contradicted.
"""

import numpy as np

from spatial.conventions import FloatArray
from spatial.field import angle_between
from spatial.mount.wahba import fit_rotations

_ROOM_SD_RAD = np.radians(3.0)
"""What a room adds to a stated uncertainty that is too small for it."""
_MOST_EACH = 9.0
"""Most that one mark may count, as a square of standard deviations: one in twenty is wrong, moves or none."""

_FEWEST = 3
"""Fewest marks that are judged: any rotation fits two too well."""

_FEWEST_TO_LEAVE_ONE_OUT = 4
"""Fewest marks of which one is left out: any two of three fit too easily."""

_CLEARLY = 12.0
"""How much better the marks must fit without the moves, as a sum of squared standard deviations. Of 8000 drawn shoots
whose moves were true one was accused (it had a wrong mark); of those whose camera had not moved, but by 30 to 60
degrees for the file, 58 to 89 % were, by 60 degrees and more 88 to 98 %, three to six marks
(tests/mount/test_still_camera.py draws such shoots; seed 9)."""


def moves_contradicted(moved: FloatArray, still: FloatArray, heard: FloatArray, sd_rad: FloatArray) -> bool:
    """Whether marks fit clearly better if the camera stood still.

    Parameters
    ----------
    moved, still : ndarray, shape (marks, 3)
        Unit vectors to where each mark is expected, with the camera's moves and without them.
    heard : ndarray, shape (marks, 3)
        Unit vectors to where each is measured, in the microphone's axes.
    sd_rad : ndarray, shape (marks,)
        One standard deviation of each.

    Returns
    -------
    bool
        False where there are fewer than three marks, or both fit: a camera that turned little proves nothing.
    """
    if len(heard) < _FEWEST:
        return False
    sd = np.hypot(sd_rad, _ROOM_SD_RAD)
    return _unfit(moved, heard, sd) - _unfit(still, heard, sd) > _CLEARLY


def _unfit(expected: FloatArray, heard: FloatArray, sd_rad: FloatArray) -> float:
    """How badly marks fit the best rotation, leaving out any one of them or none to find it."""
    used = (
        ~np.eye(len(heard), dtype=bool)
        if len(heard) >= _FEWEST_TO_LEAVE_ONE_OUT
        else np.zeros((0, len(heard)), dtype=bool)
    )
    used = np.vstack([used, np.ones((1, len(heard)), dtype=bool)])
    matrices = fit_rotations(expected[np.newaxis], heard[np.newaxis], sd_rad, used).matrices
    apart = angle_between(np.einsum("hij,nj->hni", matrices, heard), expected)
    return float(np.min(np.sum(np.minimum((apart / sd_rad) ** 2, _MOST_EACH), axis=1)))
