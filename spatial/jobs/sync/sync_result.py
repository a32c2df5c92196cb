"""A clip and the take that fits it (SyncResult): what sync finds, and every job after it builds on.

Functions: recounted (an estimate in other seconds).
"""

from dataclasses import dataclass, replace

from spatial.errors import InputError
from spatial.findings import Finding
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.take_choice import DecidedBy, Pairing, Possibility
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw


@dataclass(frozen=True, slots=True, eq=False)
class SyncResult:
    """A clip, the take that fits it best, and how they fit."""

    clip: Clip
    take: Take
    """The best take; the first one where none matches."""
    estimate: SyncEstimate
    findings: tuple[Finding, ...]
    others: tuple[tuple[Take, SyncEstimate], ...] = ()
    """The takes that were tried and left."""
    possibilities: tuple[Possibility, ...] = ()
    """Which take and place it may be, likeliest first; more than one where that cannot be told."""
    apart_m: float = 0.0
    """How far the recorder is from the lens, where that was told."""
    listened: Listened | None = None
    """What one pass over the take left behind; the take may have been put together while matching."""
    decided_by: DecidedBy = DecidedBy.SOUND
    """What a match rests on."""
    alignment: SyncEstimate | None = None
    """Where no answer is given although the two align: the estimate there."""
    pairing: Pairing | None = None
    """What the clocks of a whole day decided, for a job that listens to this clip again."""
    doubts: tuple[Finding, ...] = ()
    """Those of the findings that doubt that the two belong together there, whoever took it for true all the same."""
    riding_db: float | None = None
    """Range of the camera's automatic gain, dB, about 0 where it stands; None where that was not measured."""

    @property
    def law(self) -> ClockLaw:
        """The clock law to cut by.

        Raises
        ------
        InputError
            There is no match.
        """
        law = self.estimate.applied_law
        if law is None:
            raise InputError(f"{self.clip.path.name} and {self.take.path.name} do not match: {self.estimate.reason}")
        return law

    @property
    def true_estimate(self) -> SyncEstimate:
        """The estimate with take time in true seconds, also where the take's header counts wrong ones."""
        true_hz = self.estimate.true_rate_hz
        return recounted(self.estimate, self.take.rate_hz / true_hz) if true_hz is not None else self.estimate

    @property
    def covered_s(self) -> tuple[float, float]:
        """Clip time from which and until which the take covers the clip."""
        return (
            max(0.0, self.law.clip_from_take(0.0)),
            min(self.clip.duration_s, self.law.clip_from_take(self.take.duration_s)),
        )


def recounted(estimate: SyncEstimate, ratio: float) -> SyncEstimate:
    """An estimate for a take time that counts `ratio` seconds where it counted one."""

    def counted(law: ClockLaw) -> ClockLaw:
        steps = tuple(replace(step, step_s=step.step_s * ratio, sd_s=step.sd_s * ratio) for step in law.steps)
        return ClockLaw(law.offset_s * ratio, (law.ratio * ratio - 1.0) * 1e6, steps)

    if estimate.law is None or estimate.steady is None or estimate.offset_sd_s is None or estimate.drift_sd_ppm is None:
        return estimate
    return replace(
        estimate,
        law=counted(estimate.law),
        steady=counted(estimate.steady),
        offset_sd_s=estimate.offset_sd_s * ratio,
        drift_sd_ppm=estimate.drift_sd_ppm * ratio,
    )
