"""Whether takes are sound: each is read once, everything is measured, and what is wrong is said.

Functions: check_health (one take); check_many (several, on both cores); channel_names.
"""

from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from spatial.analysis.health import Health, HealthMeter
from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.field import ChannelFormat, internal_from
from spatial.findings import Finding
from spatial.jobs.health_findings import health_findings
from spatial.jobs.progress import Progress, silent
from spatial.media.parts import PartReader
from spatial.media.takes import Take

_BLOCK = 1 << 16

_STEPS = {"PCM_U8": 2.0**-7, "PCM_S8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23}
_FINEST_STEP = 2.0**-24
"""Of single precision, in which everything is read."""

_FIELD_NAMES = ("W", "Y (left-right)", "Z (up-down)", "X (front-back)")


@dataclass(frozen=True, slots=True, eq=False)
class HealthReport:
    """One take's health."""

    health: Health
    names: tuple[str, ...]
    """Of the four recorded channels, in the file's order."""
    findings: tuple[Finding, ...]


def check_health(take: Take, *, progress: Progress = silent) -> HealthReport:
    """Read a take through and judge it.

    Raises
    ------
    MediaFileError
        It cannot be read.
    """
    matrix = field_from_recorded(take.channel_format)
    meter = HealthMeter(
        take.rate_hz, take.samples, step=_STEPS.get(take.subtype, _FINEST_STEP), field_from_recorded=matrix
    )
    done = 0
    with ExitStack() as stack:
        for part in take.parts:
            reader = PartReader(part, take.channels, take.rate_hz, stack)
            for start in range(0, part.samples, _BLOCK):
                stop = min(start + _BLOCK, part.samples)
                meter.push(reader.read(start, stop)[:, :FIRST_ORDER_CHANNELS].T)
                done += stop - start
                progress(f"inspecting {take.path.name}", done / take.samples)
    health, names = meter.finish(), channel_names(matrix)
    return HealthReport(health, names, tuple(health_findings(health, names, take.path.name)))


def check_many(takes: Sequence[Take], *, progress: Progress = silent) -> list[HealthReport]:
    """Judge several takes, two at a time, in order.

    Raises
    ------
    MediaFileError
        One cannot be read.
    """
    if len(takes) < 2:
        return [check_health(take, progress=progress) for take in takes]
    # A fresh process shares no open file and no lock with this one.
    with ProcessPoolExecutor(min(2, len(takes)), mp_context=get_context("spawn")) as pool:
        waiting: set[Future[HealthReport]] = set()
        futures = [pool.submit(check_health, take) for take in takes]
        try:
            waiting = set(futures)
            while waiting:
                _, waiting = wait(waiting, timeout=0.5, return_when=FIRST_COMPLETED)
                done = sum(take.samples for take, future in zip(takes, futures, strict=True) if future.done())
                progress("inspecting takes", done / sum(take.samples for take in takes))
            return [future.result() for future in futures]
        finally:
            for future in futures:
                future.cancel()


def field_from_recorded(channel_format: ChannelFormat) -> FloatArray:
    """The matrix that makes W, Y, Z, X (SN3D) of the recorded channels, shape (4, 4)."""
    return internal_from(np.eye(FIRST_ORDER_CHANNELS, dtype=np.float32), channel_format).astype(np.float64)


def channel_names(matrix: FloatArray) -> tuple[str, ...]:
    """What each recorded channel is, told from how the field is made of them.

    Examples
    --------
    >>> channel_names(field_from_recorded(ChannelFormat.FUMA))
    ('W', 'X (front-back)', 'Y (left-right)', 'Z (up-down)')
    """
    if np.count_nonzero(matrix) == FIRST_ORDER_CHANNELS:
        return tuple(_FIELD_NAMES[int(np.argmax(np.abs(column)))] for column in matrix.T)
    # A capsule feeds X, Y and Z by where it looks: front left up, and so on.
    return tuple(
        f"capsule {number} ({'F' if x > 0 else 'B'}{'L' if y > 0 else 'R'}{'U' if z > 0 else 'D'})"
        for number, (_, y, z, x) in enumerate(matrix.T, start=1)
    )
