"""Listen through a clip or a take once, keeping what sync needs.

Conventions: spatial.conventions (time).
Functions: listen_to_clip, listen_to_take; listen_to_takes, listen_to_all (takes, and a clip too, on two cores);
unusable (the finding about a take that cannot be used); require_usable.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock

from spatial.dsp.samples import while_reading
from spatial.errors import MediaFileError, SoundplumbError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.faults import as_fault
from spatial.jobs.progress import Progress
from spatial.jobs.sync.listen_process import WORTH_IT_S, listen_in_process
from spatial.jobs.sync.listen_take import Hearing, Listened, keep_take, listen_once, remembered_take
from spatial.media.buffers import Spool
from spatial.media.cache import FeatureCache
from spatial.media.movies.clip import Clip, scratch_blocks
from spatial.media.takes.take import Take
from spatial.sync.envelope import WORKING_RATE_HZ

_FEW = 3
"""Faults that are named in a message at most; of more it only grows longer."""

_CORES = 2
"""Threads that listen to takes while the clip is decoded."""


@contextmanager
def listen_to_clip(clip: Clip, progress: Progress) -> Iterator[tuple[Spool, Listened]]:
    """Decode the camera's sound once, at WORKING_RATE_HZ; sample 0 lies at clip.scratch.phase_s.

    Raises
    ------
    MediaFileError
        The clip has no sound.
    """
    if clip.scratch is None:
        raise MediaFileError(
            f"{clip.path.name} has no sound, so nothing ties it to a take; use the clip with the camera's own sound"
        )
    rate = clip.scratch.rate_hz
    with Spool(WORKING_RATE_HZ) as spool:
        hearing = Hearing(rate, spool)
        for _ in while_reading(hearing.push, scratch_blocks(clip)):
            progress(f"listening to {clip.path.name}", spool.length / WORKING_RATE_HZ / max(clip.duration_s, 1e-9))
        yield spool, hearing.finish()


def listen_to_take(take: Take, progress: Progress) -> Listened:
    """Read a take's W once for its envelope."""
    if take.duration_s >= WORTH_IT_S:
        with suppress(OSError, EOFError):
            return listen_in_process(take, progress)
    return listen_once(take, progress)


TakesHeard = tuple[list[tuple[Take, Listened]], list[Finding]]
"""Takes with what was heard of them, and a finding for each that cannot be read to its end."""


def listen_to_takes(takes: Sequence[Take], progress: Progress) -> TakesHeard:
    """Listen to takes, on two cores at once; those that were heard before are remembered, damaged ones are findings."""
    together = _Together(progress, len(takes))
    with _listening(takes, together) as heard:
        return _told(takes, heard)


@contextmanager
def listen_to_all(
    clip: Clip, takes: Sequence[Take], progress: Progress
) -> Iterator[tuple[Spool, Listened, list[tuple[Take, Listened]], list[Finding]]]:
    """Listen to a clip and to takes at once, as listen_to_clip and listen_to_takes do.

    Raises
    ------
    MediaFileError
        The clip has no sound or cannot be read, or none of the takes can.
    """
    together = _Together(progress, 1 + len(takes))
    with (
        _listening(takes, together) as heard,
        listen_to_clip(clip, together.part(len(takes))) as (sound, listened),
    ):
        told, broken = _told(takes, heard)
        require_usable(len(told), broken)
        yield sound, listened, told, broken


def unusable(path: Path, error: SoundplumbError, severity: Severity) -> Finding:
    """The finding about a take that cannot be used, where work goes on with the others."""
    return Finding(Code.UNUSABLE_FILE, severity, str(error), path.name)


def require_usable(usable: int, broken: Sequence[Finding]) -> None:
    """Raise MediaFileError where no take can be used."""
    if usable:
        return
    if len(broken) == 1:
        raise MediaFileError(broken[0].message)
    raise MediaFileError(f"none of the {len(broken)} takes can be used: " + "; ".join(f.message for f in broken[:_FEW]))


@contextmanager
def _listening(takes: Sequence[Take], together: "_Together") -> Iterator[list[Future[Listened]]]:
    """Listen to takes in the background; whatever ends the work here ends it there."""
    cache = FeatureCache()
    with ThreadPoolExecutor(_CORES) as pool:

        def listen(take: Take, progress: Progress) -> Listened:
            known = remembered_take(take, cache)
            if known is not None:
                return known
            heard = listen_to_take(take, progress)
            # Meanwhile the work goes on: for hours of sound this takes seconds.
            pool.submit(keep_take, take, heard, cache)
            return heard

        try:
            yield [pool.submit(listen, take, together.part(n)) for n, take in enumerate(takes)]
        except BaseException:
            together.stopped = True
            pool.shutdown(cancel_futures=True)
            raise


def _told(takes: Sequence[Take], heard: Sequence[Future[Listened]]) -> TakesHeard:
    told: list[tuple[Take, Listened]] = []
    broken: list[Finding] = []
    for take, listening in zip(takes, heard, strict=True):
        try:
            with as_fault(take.path.name):
                told.append((take, listening.result()))
        except SoundplumbError as error:
            broken.append(unusable(take.path, error, Severity.FIX))
    return told, broken


class _Stopped(Exception):
    """Another thread has failed: this one need not go on."""


class _Together:
    """One progress out of several that go on at once."""

    def __init__(self, progress: Progress, count: int) -> None:
        self._progress = progress
        self._done = [0.0] * count
        self._lock = Lock()
        self.stopped = False

    def part(self, number: int) -> Progress:
        def told(step: str, done: float) -> None:
            if self.stopped:
                raise _Stopped
            with self._lock:
                self._done[number] = done
                self._progress(step, sum(self._done) / len(self._done))

        return told
