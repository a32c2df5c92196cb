"""Whether the newest take heard the newest clip: by stretches of both, so that an hour costs no more than minutes.

Method: a short clip is heard whole; of a longer one its middle, end and beginning. The middle is sought in pieces of
the take, first where it would lie if both boxes had stopped when their files say; the others are then expected by the
clock law and sought within seconds of it. Each stretch is matched by the very code that `sync` runs.
Conventions: spatial.conventions (time).
Functions: hear_both.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spatial.conventions import FloatArray
from spatial.jobs.progress import Progress
from spatial.jobs.sync.listen import listen_to_clip
from spatial.jobs.sync.listen_take import Listened, listen_once
from spatial.jobs.sync.sync_clip import match_takes, sync_listened
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.buffers import Spool
from spatial.media.movies.clip import Clip, stretch_of_clip
from spatial.media.takes.take import Take, stretch_of
from spatial.sync.alignment import SyncEstimate
from spatial.sync.baseline import Separation
from spatial.timebase import ClockLaw

WHOLE_S = 75.0
"""A clip up to this long is heard from end to end, seconds. Longer ones cost more than the crew waits."""

_MIDDLE_S, _END_S = 40.0, 20.0
"""Length of the stretch in the middle of a longer clip, and of those at its ends, seconds: sync is measured on clips of
20 s (tests/bench/sync.py)."""

_PIECE_S, _MOST_PIECES = 600.0, 3
"""Length of a piece of the take that is searched, seconds, and how many of them: half an hour in all."""

_BESIDE_S = 2.0
"""Sound on either side of where a stretch is expected."""

_CRYSTALS_PPM = 300.0
"""No two boxes' crystals differ by more (a pull-up of 1000 ppm does): stretches that say so lie on no one law."""

_OFF_LINE_S = 0.004
"""A stretch further off the law of the others is a clock that jumped, seconds: a rig's size is a millisecond."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the clip, and where the take has it."""

    start_s: float
    stop_s: float
    """Clip time."""
    offset_s: float | None
    """Take time minus clip time in its middle; None where the two do not agree there."""
    sd_s: float | None
    silent: bool

    @property
    def middle_s(self) -> float:
        """Clip time of its middle."""
        return (self.start_s + self.stop_s) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was heard of a clip and a take."""

    sync: SyncResult
    """The match of the first stretch that matched, on the whole take's time; its clip is that stretch."""
    stretches: tuple[Stretch, ...]
    clip_peak: float
    """Largest sample of the camera's sound in what was heard, 1 = full scale."""
    searched_s: float
    """How much of the take was looked through."""
    jump_s: float | None
    """By how much the middle lies off the law of both ends, where that is more than a clock that runs can explain."""

    @property
    def heard_s(self) -> float:
        """How much of the clip was listened to."""
        return sum(one.stop_s - one.start_s for one in self.stretches)


def hear_both(
    clip: Clip,
    take: Take,
    *,
    expected_end_s: float | None = None,
    separation: Separation | None = None,
    progress: Progress,
) -> Heard:
    """Match stretches of a clip with a take.

    Parameters
    ----------
    clip : Clip
        With sound of its own.
    take : Take
    expected_end_s : float, optional
        Take time at which the clip ends by the times of the files; as if both had stopped together where not given.
    separation : Separation, optional
        What is known of the rig.

    Raises
    ------
    MediaFileError
        What is listened to cannot be read.
    """
    spans = stretches_of(clip.duration_s)
    end_s = take.duration_s if expected_end_s is None else expected_end_s
    found: SyncResult | None = None
    told: list[Stretch] = []
    pieces: dict[tuple[int, int], tuple[Take, Listened]] = {}
    near: SyncEstimate | None
    peak = 0.0
    for place, (start_s, stop_s) in enumerate(spans):
        part = stretch_of_clip(clip, start_s, stop_s)
        with listen_to_clip(part, progress) as (sound, heard):
            peak = max(peak, heard.peak)
            if found is None:
                likely_s = end_s - clip.duration_s + (start_s + stop_s) / 2
                # Each further stretch is sought in one piece only: together they are bounded too.
                for piece in list(_pieces(take, likely_s, stop_s - start_s))[: 1 if place else _MOST_PIECES]:
                    if piece not in pieces:
                        inside = stretch_of(take, *piece)
                        pieces[piece] = inside, listen_once(inside, progress)
                    result = match_takes(
                        *(part, sound, heard, [pieces[piece]]), separation=separation, progress=progress
                    )
                    result = _on_whole_take(result, take, piece[0])
                    if found is None or result.estimate.matched:
                        found = result
                    if result.estimate.matched or heard.silent:
                        break
                assert found is not None
                near = found.estimate
                if not near.matched:
                    told.append(Stretch(start_s, stop_s, None, None, heard.silent))
                    found = found if place == len(spans) - 1 else None
                    continue
            else:
                assert found.estimate.law is not None
                near = _estimate_near(part, (sound, heard), take, found.law, separation, progress)
            told.append(_stretch(start_s, stop_s, near, silent=heard.silent))
    assert found is not None
    found, jump_s = _on_one_law(found, told)
    return Heard(found, tuple(sorted(told, key=lambda one: one.start_s)), peak, _length_s(pieces, take), jump_s)


def stretches_of(duration_s: float) -> list[tuple[float, float]]:
    """The stretches of a clip that are heard, the first one first.

    Examples
    --------
    >>> stretches_of(60.0), stretches_of(600.0)
    ([(0.0, 60.0)], [(280.0, 320.0), (580.0, 600.0), (0.0, 20.0)])
    """
    if duration_s <= WHOLE_S:
        return [(0.0, duration_s)]
    middle = duration_s / 2
    return [
        (middle - _MIDDLE_S / 2, middle + _MIDDLE_S / 2),
        (duration_s - _END_S, duration_s),
        (0.0, _END_S),
    ]


def _pieces(take: Take, likely_s: float, length_s: float) -> Iterator[tuple[int, int]]:
    """Pieces of a take as first and last sample, the likeliest first; the whole of one that is not longer than all."""
    if take.duration_s <= _PIECE_S * _MOST_PIECES:
        yield 0, take.samples
        return
    step_s = _PIECE_S - length_s
    starts_s = np.arange(0.0, take.duration_s - length_s, step_s)
    starts_s = np.minimum(starts_s, take.duration_s - _PIECE_S)
    order = np.argsort(np.abs(starts_s + _PIECE_S / 2 - likely_s), kind="stable")
    for number in order[:_MOST_PIECES]:
        first = round(float(starts_s[number]) * take.rate_hz)
        yield first, min(first + round(_PIECE_S * take.rate_hz), take.samples)


def _on_whole_take(result: SyncResult, take: Take, first_sample: int) -> SyncResult:
    """A match in a piece of the take, told on the take's own time."""
    return replace(
        result,
        take=take,
        estimate=_later(result.estimate, first_sample / take.rate_hz),
        possibilities=(),
        others=(),
        alignment=None,
        listened=None,
    )


def _later(estimate: SyncEstimate, seconds: float) -> SyncEstimate:
    if estimate.law is None or estimate.steady is None:
        return estimate
    return replace(estimate, law=estimate.law.moved(seconds, 0.0), steady=estimate.steady.moved(seconds, 0.0))


def _estimate_near(
    part: Clip,
    listened: tuple[Spool, Listened],
    take: Take,
    law: ClockLaw,
    separation: Separation | None,
    progress: Progress,
) -> SyncEstimate | None:
    """The estimate of a stretch of the clip where a law expects it; None where the take does not reach."""
    sound, heard = listened
    assert part.scratch is not None
    first, last = (
        round((law.take_from_clip(time_s) + beside_s) * take.rate_hz)
        for time_s, beside_s in ((part.scratch.phase_s, -_BESIDE_S), (part.duration_s, _BESIDE_S))
    )
    first, last = max(first, 0), min(last, take.samples)
    if last - first < 2 * _BESIDE_S * take.rate_hz:
        return None
    inside = stretch_of(take, first, last)
    told = listen_once(inside, progress)
    estimate = sync_listened(
        *(part, sound, heard, inside, told), separation=separation, thorough=False, progress=progress
    )
    return _later(estimate, first / take.rate_hz)


def _stretch(start_s: float, stop_s: float, estimate: SyncEstimate | None, *, silent: bool) -> Stretch:
    law = estimate.law if estimate is not None else None
    if law is None or estimate is None:
        return Stretch(start_s, stop_s, None, None, silent)
    middle_s = (start_s + stop_s) / 2
    return Stretch(start_s, stop_s, law.take_from_clip(middle_s) - middle_s, estimate.offset_sd_s, silent)


def _on_one_law(found: SyncResult, told: Sequence[Stretch]) -> tuple[SyncResult, float | None]:
    """The match with the drift that several stretches measure, and by how much the middle lies off it."""
    known = [(one.middle_s, one.offset_s, one.sd_s) for one in told if None not in (one.offset_s, one.sd_s)]
    estimate = found.estimate
    if len(known) < 2 or estimate.law is None:
        return found, None
    times, offsets, sds = (np.array(column) for column in zip(*sorted(known), strict=True))
    slope = float((offsets[-1] - offsets[0]) / (times[-1] - times[0]))
    sd = float(np.hypot(sds[0], sds[-1]) / (times[-1] - times[0]))
    inner: FloatArray = offsets[1:-1] - (offsets[0] + slope * (times[1:-1] - times[0]))
    limit = max(_OFF_LINE_S, 4.0 * float(np.max(sds)))
    if abs(slope) * 1e6 > _CRYSTALS_PPM and abs(offsets[-1] - offsets[0]) > limit:
        return found, float(offsets[-1] - offsets[0])
    if inner.size and float(np.max(np.abs(inner))) > limit:
        return found, float(inner[int(np.argmax(np.abs(inner)))])
    law = ClockLaw(float(offsets[0] - slope * times[0]), slope * 1e6)
    # Beside drift and its deviation the offset of the clip's start is as sure as that of its first stretch.
    settled = replace(
        estimate, law=law, steady=law, drift_sd_ppm=sd * 1e6, offset_sd_s=float(np.hypot(sds[0], sd * times[0]))
    )
    return replace(found, estimate=settled), None


def _length_s(searched: Collection[tuple[int, int]], take: Take) -> float:
    """Seconds of a take that lie in any of some pieces."""
    total, reached = 0, 0
    for first, last in sorted(searched):
        total += max(0, last - max(first, reached))
        reached = max(reached, last)
    return total / take.rate_hz
