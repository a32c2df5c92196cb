"""Whether takes are sound: measured in one read, and what that means for a clip.

Goal: each take is read once, everything is measured, and what is wrong is reported, as far as a clip needs the take
with its moment in the clip.
Functions: check_health (one take); check_many (several, on both cores); channel_names; field_from_recorded;
coding_step, step_looks (the step of the coding); health_on_clip; health_on_clips (of a day, each take read once).
"""

from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import MediaFileError, SoundplumbError
from spatial.field import ReadAs, internal_from, plain_format
from spatial.findings import Finding, Severity
from spatial.health.dropouts import COARSEST_STEP
from spatial.health.meter import Health, HealthMeter
from spatial.jobs.faults import as_fault
from spatial.jobs.inspect.health_findings import has_height, health_findings, lacks_height
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync.listen import unusable
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.takes.take import FieldReader, Take

# --- takes ---

_BLOCK = 1 << 16
"""Samples that are read at once, 1.4 s at 48 kHz: it bounds the memory."""

_WORTH_A_PROCESS_S = 120.0
"""Seconds of sound from which a second process pays: it takes about a second to start, in which one alone measures ten
minutes."""

_LOOKS, _LOOK = 8, 1 << 13
"""Stretches, and samples of each, in which the finest step is sought: 16 bits in a file of 24 are still 16."""

_BESIDE_A_GAP = 32
"""Samples within which the edge of a gap is part of it."""

_STEPS = {"PCM_U8": 2.0**-7, "PCM_S8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23}
"""Step of each coding, full scale 1."""

_FINEST_STEP = 2.0**-24
"""Step of single precision, in which everything is read."""

_FIELD_NAMES = ("W", "Y (left-right)", "Z (up-down)", "X (front-back)")
"""The field's channels as people on set know them."""


@dataclass(frozen=True, slots=True, eq=False)
class HealthReport:
    """One take's health."""

    health: Health
    names: tuple[str, ...]
    """Of the four recorded channels, in the order of the format."""
    peak_dbfs: tuple[float, ...]
    """For W, Y, Z, X (capsules: in their own order), against what the file can hold."""
    rms_dbfs: tuple[float, ...]
    """For W, Y, Z, X in SN3D (capsules: as recorded)."""
    quiet_dbfs: tuple[float, ...]
    """RMS of a moment that nine in ten exceed, as rms_dbfs."""
    findings: tuple[Finding, ...]
    height_in: str | None = None
    """Another take of the same recorder that holds height, where this one does not."""


def check_health(take: Take, *, span: tuple[int, int] | None = None, progress: Progress = silent) -> HealthReport:
    """Read a take through and judge it.

    Parameters
    ----------
    span : (int, int), optional
        Only samples start <= n < stop; what is found is told on the whole take's time all the same.

    Raises
    ------
    MediaFileError
        It cannot be read.
    """
    matrix = field_from_recorded(plain_format(take.channel_format))
    begin, end = span or (0, take.samples)
    meter = HealthMeter(take.rate_hz, end - begin, step=_step_of(take), field_from_recorded=matrix)
    picked = list(take.picked)
    with FieldReader(take) as reader:
        for start in range(begin, end, _BLOCK):
            stop = min(start + _BLOCK, end)
            raw = reader.read_raw(start, stop)
            meter.push(raw if picked == list(range(len(raw))) else raw[picked])
            progress(f"inspecting {take.path.name}", (stop - begin) / (end - begin))
    health, names = _without_known_gaps(_later(meter.finish(), begin), take), channel_names(matrix)
    order, gains = list(range(FIRST_ORDER_CHANNELS)), np.ones(FIRST_ORDER_CHANNELS)
    if not health.capsules:
        order = np.argmax(np.abs(matrix), axis=1).tolist()
        gains = np.abs(matrix).max(axis=1)
    return HealthReport(
        health,
        names,
        peak_dbfs=_db(health.peaks[order]),
        rms_dbfs=_db(health.levels.rms[order] * gains),
        quiet_dbfs=_db(health.levels.quiet[order] * gains),
        findings=tuple(health_findings(health, names, take.path.name)),
    )


def _step_of(take: Take) -> float:
    """Size of one step of the coding that the sound has been through: the file's own, or a coarser one before."""
    stretches: list[FloatArray] = []
    # Whoever reads the take from end to end will hear of damage.
    with suppress(MediaFileError), FieldReader(take) as reader:
        for start, stop in step_looks(take.samples):
            stretches.append(reader.read_raw(start, stop)[list(take.picked)])
    return coding_step(stretches, own=_STEPS.get(take.subtype, _FINEST_STEP))


def step_looks(samples: int) -> list[tuple[int, int]]:
    """The stretches of a take from which its step is measured: first and last sample (not included) of each."""
    starts = np.linspace(0, max(samples - _LOOK, 0), _LOOKS).astype(int).tolist()
    return [(start, min(start + _LOOK, samples)) for start in starts]


def coding_step(stretches: Sequence[FloatArray], *, own: float) -> float:
    """Size of one step of the coding, measured.

    Parameters
    ----------
    stretches : sequence of ndarray, shape (channels, samples)
        Parts of a take.
    own : float
        Of the file's own coding.
    """
    finest = np.inf
    for sound in stretches:
        steps = np.abs(np.diff(sound, axis=1))
        finest = min(finest, float(np.min(steps, where=steps > 0.0, initial=np.inf)))
    return max(own, min(finest, COARSEST_STEP)) if np.isfinite(finest) else own


def check_many(takes: Sequence[Take], *, progress: Progress = silent) -> list[HealthReport | SoundplumbError]:
    """Judge several takes, two at a time, in order; for one that cannot be read to its end, what is in the way.

    A take without height is judged by whether others of its recorder have it.
    """
    reports = _check_each(takes, progress)
    tall = [
        take
        for take, report in zip(takes, reports, strict=True)
        if isinstance(report, HealthReport) and has_height(report.health)
    ]
    for place, (take, report) in enumerate(zip(takes, reports, strict=True)):
        if isinstance(report, HealthReport) and lacks_height(report.health, report.names):
            other = next((one.path.name for one in tall if _same_recorder(one, take)), None)
            found = health_findings(report.health, report.names, take.path.name, height_in=other)
            reports[place] = replace(report, findings=tuple(found), height_in=other)
    return reports


def _same_recorder(first: Take, second: Take) -> bool:
    """Whether two takes may come from one recorder: they lie alike, and no two names are known of it."""
    form = [(take.channels, take.picked, take.channel_format) for take in (first, second)]
    return form[0] == form[1] and len({first.recorder, second.recorder} - {""}) < 2


def _check_each(takes: Sequence[Take], progress: Progress) -> list[HealthReport | SoundplumbError]:
    if len(takes) < 2 or sum(take.duration_s for take in takes) < _WORTH_A_PROCESS_S:
        return [_checked(take, progress) for take in takes]
    # A fresh process shares no open file and no lock with this one.
    with ProcessPoolExecutor(min(2, len(takes)), mp_context=get_context("spawn")) as pool:
        waiting: set[Future[HealthReport | SoundplumbError]] = set()
        futures = [pool.submit(_checked, take, silent) for take in takes]
        try:
            waiting = set(futures)
            while waiting:
                _, waiting = wait(waiting, timeout=0.5, return_when=FIRST_COMPLETED)
                done = sum(take.samples for take, future in zip(takes, futures, strict=True) if future.done())
                progress("inspecting takes", done / sum(take.samples for take in takes))
            return [future.result() for future in futures]
        except BrokenProcessPool:
            # Somebody ended a process, or there was too little memory for two.
            return [_checked(take, progress) for take in takes]
        finally:
            for future in futures:
                future.cancel()


def _checked(take: Take, progress: Progress) -> HealthReport | SoundplumbError:
    try:
        with as_fault(take.path.name):
            return check_health(take, progress=progress)
    except SoundplumbError as error:
        return error


def _later(health: Health, samples: int) -> Health:
    """The same, where the sound that was measured began so many samples into the take."""
    if not samples:
        return health
    return replace(
        health,
        clippings=tuple(replace(one, first=one.first + samples) for one in health.clippings),
        holes=tuple(replace(one, start=one.start + samples) for one in health.holes),
        repeats=tuple(replace(one, start=one.start + samples) for one in health.repeats),
        clicks=tuple(replace(one, sample=one.sample + samples) for one in health.clicks),
        rumble=replace(health.rumble, times_s=health.rumble.times_s + samples / health.rate_hz),
    )


def _without_known_gaps(health: Health, take: Take) -> Health:
    """Leave out what is heard of the gaps between a take's files: the take's own findings say it already."""
    gaps, begin = [], 0
    for part in take.parts:
        if part.gap:
            gaps.append((begin - _BESIDE_A_GAP, begin + part.gap + _BESIDE_A_GAP))
        begin += part.gap + part.samples
    return replace(
        health,
        holes=tuple(
            hole for hole in health.holes if not any(a < hole.start + hole.length and hole.start < b for a, b in gaps)
        ),
        clicks=tuple(click for click in health.clicks if not any(a < click.sample < b for a, b in gaps)),
    )


def field_from_recorded(channel_format: ReadAs) -> FloatArray:
    """The matrix that makes W, Y, Z, X (SN3D) of the recorded channels, shape (4, 4)."""
    return internal_from(np.eye(FIRST_ORDER_CHANNELS, dtype=np.float32), channel_format).astype(np.float64)


def _db(sizes: FloatArray) -> tuple[float, ...]:
    return tuple(float(20 * np.log10(size)) if size > 0 else float("nan") for size in sizes)


def channel_names(matrix: FloatArray) -> tuple[str, ...]:
    """What each recorded channel is, told from how the field is made of them.

    Examples
    --------
    >>> from spatial.field import ChannelFormat
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


# --- takes on clip time ---


def health_on_clip(result: SyncResult, *, progress: Progress = silent) -> list[Finding]:
    """Look a clip's take through, as `inspect` does; losses and cuts elsewhere in it are left out.

    Parameters
    ----------
    result : SyncResult
        A match.

    Returns
    -------
    list of Finding
        Their sentences name times in the take, `clip_time_s` the same moment in the clip.
    """
    return _on_clip(result, check_health(result.take, progress=progress))


def health_on_clips(results: Sequence[SyncResult], *, progress: Progress = silent) -> list[list[Finding]]:
    """Look the takes of several clips through, each once, however many clips lie in it.

    Parameters
    ----------
    results : sequence of SyncResult
        Matches.

    Returns
    -------
    list of list of Finding
        As of health_on_clip, for each clip; of a take that cannot be read to its end, that.
    """
    takes = {result.take.paths: result.take for result in results}
    reports = dict(zip(takes, check_many(list(takes.values()), progress=progress), strict=True))
    found = []
    for result in results:
        report = reports[result.take.paths]
        if isinstance(report, SoundplumbError):
            found.append([unusable(result.take.path, report, Severity.FIX)])
            continue
        try:
            with as_fault(result.take.path.name):
                found.append(_on_clip(result, report))
        except SoundplumbError as error:
            found.append([unusable(result.take.path, error, Severity.FIX)])
    return found


def _on_clip(result: SyncResult, report: HealthReport) -> list[Finding]:
    take, law = result.take, result.law
    first, last = (law.take_from_clip(time_s) * take.rate_hz for time_s in (0.0, result.clip.duration_s))
    health = report.health
    here = replace(
        health,
        # Of what is cut off only the first place is known: where that comes after the clip, none lies in it.
        clippings=tuple(one for one in health.clippings if one.first < last),
        holes=tuple(one for one in health.holes if first - one.length <= one.start < last),
        repeats=tuple(one for one in health.repeats if first <= one.start < last),
        clicks=tuple(one for one in health.clicks if first <= one.sample < last),
    )
    found = []
    for finding in health_findings(here, report.names, take.path.name, height_in=report.height_in):
        take_s = finding.take_time_s
        clip_s = None if take_s is None else law.clip_from_take(take_s)
        inside = clip_s is not None and 0.0 <= clip_s <= result.clip.duration_s
        found.append(replace(finding, clip_time_s=clip_s if inside else None))
    return found
