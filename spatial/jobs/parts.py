"""Takes that turn out to be parts of one recording: along the clip's own time one begins where the other ends.

A recorder that wrote no time of day, or whose files were cut and named anew, leaves nothing else to tell it by.

Functions: with_parts_joined.
"""

from collections.abc import Callable, Sequence
from itertools import permutations

from spatial.analysis.sync import SyncEstimate
from spatial.jobs.onetake import Listened
from spatial.media.joining import joined
from spatial.media.movies import Clip
from spatial.media.takes import Take

Tried = tuple[Take, Listened, SyncEstimate]

_RUNS_ON_S = 0.002
"""No recorder stops and starts again so fast: two takes this close along the clip's own time are one recording."""


def with_parts_joined(clip: Clip, tried: Sequence[Tried], try_take: Callable[[Take], Tried]) -> list[Tried]:
    """The takes that were tried, with those in one that continue each other inside the clip.

    Parameters
    ----------
    clip : Clip
    tried : sequence of (Take, Listened, SyncEstimate)
    try_take : callable
        Listens to a take that was put together, and syncs it.
    """
    told = list(tried)
    while (pair := _continuing(clip, told)) is not None:
        first, second, whole = pair
        entry = try_take(whole)
        if not entry[2].matched:
            break
        told = [other for other in told if other[0] not in (first, second)] + [entry]
    return told


def _continuing(clip: Clip, tried: Sequence[Tried]) -> tuple[Take, Take, Take] | None:
    """Two takes of which one begins, inside the clip, where the other ends or soon after; and both in one."""
    laws = [
        (take, estimate.law)
        for take, _, estimate in tried
        if estimate.law is not None and estimate.true_rate_hz is None
    ]
    for (first, ends), (second, begins) in permutations(laws, 2):
        end_s, start_s = ends.clip_from_take(first.duration_s), begins.clip_from_take(0.0)
        lost_s = start_s - end_s if start_s - end_s >= _RUNS_ON_S else 0.0
        if start_s - end_s > -_RUNS_ON_S and 0.0 < end_s < clip.duration_s:
            whole = joined(first, second, lost_s=lost_s)
            if whole is not None:
                return first, second, whole
    return None
