"""One mount for all clips of a rig: which clips share it, and from which on the microphone sat otherwise.

Goal: marks of many clips tell one mount as long as nobody touches the microphone. Somebody who knocks it turns all that
follows; a clip that nothing but its marks sets apart may have wrong marks.
Method: the clips in order of time are cut where the mounts that both sides give differ by more than they are known to,
one cut at a time, the clearest first, or one clip is taken out. What the microphone's own errors do to both sides alike
is no difference: their common part cancels (spatial.direction.microphone_error).
Conventions: spatial.conventions (mount). Turns are small rotation vectors in the microphone's axes.
Functions: parts_of_rig (the clips that share a mount, part by part); is_told; apart (how far two mounts differ, and how
sure that is).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.microphone_error import TurnedBy
from spatial.mount.mark_fit import MountEstimate
from spatial.rotation import vector_from_rotation

LEAST_KNOCK_RAD = np.radians(4.0)
"""A smaller change is not called one: performers move their heads by as much between marks and sound."""

CLEAR = 32.0
"""Squared distance of two mounts, in their own covariance, from which they differ: 1 in 2 million by the normal law
with three degrees of freedom; rooms have longer tails than that law (tests/bench/rig_mount.py)."""

_OWN_RAD = np.radians(1.0)
"""Added to what a single clip's mount is known to, where the place of a cut is sought."""

Estimate = Callable[[Sequence[int]], MountEstimate]
"""The mount that the marks of some clips give together."""


@dataclass(frozen=True, slots=True, eq=False)
class Apart:
    """How far two mounts are apart."""

    turn_rad: FloatArray
    """From the first to the second, rotation vector in the microphone's axes, shape (3,)."""
    covariance: FloatArray
    """Of it, shape (3, 3)."""

    @property
    def angle_rad(self) -> float:
        """How far it turns."""
        return float(np.linalg.norm(self.turn_rad))

    @property
    def distance2(self) -> float:
        """Squared distance in units of the covariance."""
        return float(self.turn_rad @ np.linalg.solve(self.covariance, self.turn_rad))

    @property
    def sd_rad(self) -> float:
        """One standard deviation of the angle."""
        along = self.turn_rad / max(self.angle_rad, 1e-12)
        return float(np.sqrt(along @ self.covariance @ along))

    @property
    def clear(self) -> bool:
        """Whether they differ."""
        return self.angle_rad > LEAST_KNOCK_RAD and self.distance2 > CLEAR


def is_told(mount: MountEstimate) -> bool:
    """Whether marks tell a mount that can be held against another."""
    return mount.matrix is not None and not (mount.contradictory or mount.mirrored or mount.mirror_or_turned)


def apart(first: MountEstimate, second: MountEstimate) -> Apart:
    """How far two mounts of one microphone differ.

    Parameters
    ----------
    first, second : MountEstimate
        From different marks; both told.
    """
    one, other = first.picture_from_take, second.picture_from_take
    turn = vector_from_rotation(one.T @ other)
    covariance = one.T @ first.own_covariance @ one + other.T @ second.own_covariance @ other
    if first.taken_up is not None and second.taken_up is not None:
        both = TurnedBy(
            first.taken_up.microphone,
            np.concatenate([second.taken_up.heard, first.taken_up.heard]),
            np.concatenate([second.taken_up.shares, -first.taken_up.shares]),
        )
        covariance = covariance + both.covariance
    return Apart(turn, covariance)


def parts_of_rig(own: Sequence[MountEstimate], estimate: Estimate) -> list[list[int]]:
    """The clips that share a mount, part by part, each in order of time, and the parts by their first clip.

    Parameters
    ----------
    own : sequence of MountEstimate
        What the marks of each clip tell alone, in order of time; all told.
    estimate : callable
        The mount of several, by their places in `own`.

    Returns
    -------
    list of list of int
        One part where nothing speaks against it.
    """
    return sorted(_cut(list(range(len(own))), own, estimate))


def _cut(clips: list[int], own: Sequence[MountEstimate], estimate: Estimate) -> list[list[int]]:
    if len(clips) < 2:
        return [clips]
    ways = [(clips[:n], clips[n:]) for n in range(1, len(clips))]
    ways += [([clip], [other for other in clips if other != clip]) for clip in clips[1:-1]]
    scores = _scores(clips, ways, own)
    # The likeliest cut decides; where clips differ at all, it does.
    first, second = ways[int(np.argmax(scores))]
    between = apart(_mount(first, own, estimate), _mount(second, own, estimate))
    if not between.clear:
        return [clips]
    return [*_cut(first, own, estimate), *_cut(second, own, estimate)]


def _mount(clips: Sequence[int], own: Sequence[MountEstimate], estimate: Estimate) -> MountEstimate:
    return own[clips[0]] if len(clips) == 1 else estimate(clips)


def _scores(
    clips: Sequence[int], ways: Sequence[tuple[list[int], list[int]]], own: Sequence[MountEstimate]
) -> FloatArray:
    """How much better two mounts explain the clips' own ones than one does, for each way to share them out."""
    matrices = [own[clip].picture_from_take for clip in clips]
    turns = {clip: vector_from_rotation(matrices[0].T @ matrix) for clip, matrix in zip(clips, matrices, strict=True)}
    known = {
        clip: np.linalg.inv(matrix.T @ own[clip].own_covariance @ matrix + _OWN_RAD**2 * np.eye(3))
        for clip, matrix in zip(clips, matrices, strict=True)
    }

    def gain(part: Sequence[int]) -> float:
        """What the best common turn of a part explains: b' A^-1 b of the normal equations."""
        normal = np.sum([known[clip] for clip in part], axis=0)
        pull = np.sum([known[clip] @ turns[clip] for clip in part], axis=0)
        return float(pull @ np.linalg.solve(normal, pull))

    return np.array([gain(first) + gain(second) for first, second in ways])
