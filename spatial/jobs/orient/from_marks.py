"""The orient job: how the microphone sat, from marks in a clip.

Functions: require_match; orient_marks (marks already measured); orient_measured (marks or claps, with or without
a clip); determined_turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import ORDINARY, Microphone
from spatial.errors import InconclusiveError
from spatial.findings import Finding
from spatial.jobs.orient.measure_marks import (
    LEAST_COVERED,
    MeasuredMark,
    groups_of,
    measured_alone,
    offset_turns,
    shared_parallax,
    with_way,
)
from spatial.jobs.orient.mic_place import offset_evidence, offset_findings
from spatial.jobs.orient.orient_findings import MountFindings, mount_findings, swept_findings, unheard_findings
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.takes.take import Take
from spatial.mount.channel_faults import ChannelFault, in_another_order, possible_faults
from spatial.mount.mark_assignment import estimate_among, likely_ways
from spatial.mount.mark_fit import WRONG_MARK, MountEstimate, angle_sd, estimate_mount
from spatial.mount.mic_offset import OffsetJudgement, judge_offset
from spatial.mount.prior import AxisMeasurement, MountPrior
from spatial.rotation import YawPitchRoll, ypr_from_matrix


@dataclass(frozen=True, slots=True, eq=False)
class OrientResult:
    """How the microphone sat, and what says so."""

    take: Take
    sync: SyncResult | None
    """The clip and its place in the take; None for a clap walk."""
    mount: MountEstimate
    marks: tuple[MeasuredMark, ...]
    """Every mark or clap; those not heard took no part."""
    residuals_rad: tuple[float | None, ...]
    """For each mark, the angle left over; None where unheard."""
    findings: tuple[Finding, ...]
    faults: tuple[ChannelFault, ...] = ()
    """Of a mirrored field: what may be wrong with the channels, the likeliest first."""
    repaired: ChannelFault | None = None
    """The fault that is taken out of the channels before they are turned."""
    evidence: str = "marks"
    place: OffsetJudgement | None = None
    """Whether the microphone hung where it was said to; None where nobody asked."""
    rig: Rig | None = None
    about: MountFindings = field(default_factory=MountFindings)
    """Those of the findings that are about the mount."""

    @property
    def matrix(self) -> FloatArray | None:
        """picture_from_mic, once the channels are put right; None where it is not known."""
        return self.repaired.mount if self.repaired else self.mount.matrix

    @property
    def angles(self) -> YawPitchRoll | None:
        """The mount as angles."""
        return None if self.matrix is None else ypr_from_matrix(self.matrix)

    @property
    def sd_rad(self) -> YawPitchRoll:
        """One standard deviation of each angle."""
        if self.repaired is None:
            return self.mount.sd_rad
        return YawPitchRoll(*(float(sd) for sd in angle_sd(self.repaired.mount, self.mount.covariance)))


def require_match(result: SyncResult) -> None:
    """Raise where no take matches: without a place in time nothing further can be measured.

    Raises
    ------
    InconclusiveError
    """
    if not result.estimate.matched:
        raise InconclusiveError(result.findings[0].message)


def orient_marks(
    result: SyncResult,
    marks: Sequence[MeasuredMark],
    *,
    prior: MountPrior | None = None,
    axes: Sequence[AxisMeasurement] = (),
    repair: bool = False,
    rig: Rig | None = None,
) -> OrientResult:
    """Find how the microphone sat from marks that have been heard.

    Parameters
    ----------
    axes : sequence of AxisMeasurement
        What tells beside the marks.
    rig : Rig, optional
        With it, whether the microphone hung where it was said to is asked too.

    Raises
    ------
    InconclusiveError
        No mark was heard.
    """
    if not any(heard.heard.heard or (heard.shared is not None and heard.shared.places) for heard in marks):
        if marks and all(heard.covered < LEAST_COVERED for heard in marks):
            raise InconclusiveError(
                f"the take covers none of the {len(marks)} marks (no more than "
                f"{100 * max(heard.covered for heard in marks):.0f} % of any): mark performers where the take runs, or "
                "name the take that runs there"
            )
        raise InconclusiveError(
            f"in none of the {len(marks)} marks is anybody heard clearly enough to tell a direction; "
            "mark moments in which just one performer sounds"
        )
    return orient_measured(result.take, marks, sync=result, prior=prior, axes=axes, repair=repair, rig=rig)


def orient_measured(
    take: Take,
    marks: Sequence[MeasuredMark],
    *,
    sync: SyncResult | None = None,
    prior: MountPrior | None = None,
    axes: Sequence[AxisMeasurement] = (),
    repair: bool = False,
    evidence: str = "marks",
    wrong_share: float = WRONG_MARK,
    rig: Rig | None = None,
) -> OrientResult:
    """Find how the microphone sat from marks or claps of which at least one is heard."""
    prior = prior or MountPrior()
    microphone = rig.microphone if rig is not None else ORDINARY
    estimate = partial(_estimated, axes=axes, wrong_share=wrong_share, microphone=microphone)
    mount, marks, torn = estimate(marks, prior=prior)
    if mount.mirror_or_turned and repair and prior.hanging is not None:
        # Between the crew's word and sound channels, who asks for a repair has chosen.
        prior = replace(prior, certain=True)
        mount, marks, torn = estimate(marks, prior=prior)
    used = [heard for heard in marks if heard.heard.heard]
    place = None
    if rig is not None:
        place = judge_offset(offset_evidence(used, mount, rig, sync), rig.mic_offset_sd_m)
        if rig.mic_offset_sd_m > 0 and np.any(place.effective_sd_m > 1.05 * rig.mic_offset_sd_m):
            # The likelier another place is, the less the mount is worth that goes with this one.
            doubted = estimate(marks, prior=prior, times=place.effective_sd_m / rig.mic_offset_sd_m)
            if not doubted[0].undetermined:
                mount, marks, torn = doubted
                used = [heard for heard in marks if heard.heard.heard]
    left_over = iter(mount.residuals_rad)
    residuals = tuple(float(next(left_over)) if heard.heard.heard else None for heard in marks)
    faults = possible_faults(mount.picture_from_take, prior) if mount.mirrored else ()
    repaired = faults[0] if faults and repair and not mount.undetermined else None
    order = in_another_order(mount.matrix, prior) if mount.matrix is not None else None
    about = mount_findings(
        mount, used, prior, faults=faults, repaired=repaired, order=order, things=evidence, torn=torn
    )
    findings = [
        *(sync.findings if sync else ()),
        *unheard_findings(marks),
        *swept_findings(marks),
        *about.all(),
        *(offset_findings(place, rig) if rig is not None else ()),
    ]
    return OrientResult(
        take, sync, mount, tuple(marks), residuals, tuple(findings), faults, repaired, evidence, place, rig, about
    )


def _estimated(
    marks: Sequence[MeasuredMark],
    *,
    prior: MountPrior,
    axes: Sequence[AxisMeasurement],
    wrong_share: float,
    microphone: Microphone,
    times: FloatArray | None = None,
) -> tuple[MountEstimate, list[MeasuredMark], bool]:
    """The mount, the marks with what is heard of each, and whether it is open who of those that overlap is who.

    `times`: by how many of its own deviations the microphone's place may be off along each axis.
    """

    def simply(marks: Sequence[MeasuredMark]) -> MountEstimate:
        used = [heard for heard in marks if heard.heard.heard]
        turns, rest_rad = offset_turns(used, times)
        own = np.array([np.hypot(heard.heard.sd_rad, heard.extra_sd_rad) for heard in used])
        return estimate_mount(
            np.stack([heard.expected for heard in used]),
            np.stack([heard.heard.vector for heard in used]),
            np.hypot(own, rest_rad),
            prior=prior,
            axes=axes,
            shared_turn_rad=_turns_of_all(used, turns),
            wrong_share=wrong_share,
            microphone=microphone,
        )

    groups = groups_of(marks)
    if not groups:
        return simply(marks), list(marks), False
    expected, extra = np.stack([each.expected for each in marks]), np.array([each.extra_sd_rad for each in marks])
    ways = likely_ways(expected, *measured_alone(marks), groups, prior, axes)
    if not any(way.heard.any() for way in ways):
        raise InconclusiveError(
            "of marks that overlap none fits any of the places that sound in them: mark moments in which just one "
            "performer sounds"
        )
    likely = [heard for heard in with_way(marks, ways[0]) if heard.heard.heard]
    turns, _ = offset_turns(likely, times)
    crowded = np.array([each.shared is not None for each in marks])
    widened = [replace(way, sd_rad=np.where(crowded, np.hypot(way.sd_rad, extra), way.sd_rad)) for way in ways]
    mount, way, torn = estimate_among(
        expected,
        widened,
        prior=prior,
        axes=axes,
        shared_turn_rad=_turns_of_all(likely, turns),
        wrong_share=wrong_share,
        microphone=microphone,
    )
    settled = with_way(marks, next(each for each, wide in zip(ways, widened, strict=True) if wide is way))
    if mount.undetermined:
        # What is shared does not help: the rest may decide without it.
        alone = [replace(each, heard=_nobody(each)) if each.shared is not None else each for each in marks]
        if any(each.heard.heard for each in alone):
            without = simply(alone)
            if not without.undetermined:
                return without, alone, False
    return mount, settled, torn


def _turns_of_all(marks: Sequence[MeasuredMark], turns: FloatArray) -> FloatArray:
    """What all marks share: turns that the microphone's place allows, and what unknown distances do."""
    parallax = shared_parallax(marks)
    return turns if parallax is None else np.vstack([turns, parallax])


def _nobody(mark: MeasuredMark) -> SpanDirection:
    return SpanDirection(False, np.full(3, np.nan), float("nan"), mark.heard.share)


def determined_turn(oriented: OrientResult) -> FloatArray:
    """The mount's matrix, where the marks tell it and the channels are right or put right.

    Raises
    ------
    InconclusiveError
        The marks leave an angle open, or the field is mirrored and not to be repaired.
    """
    if oriented.matrix is not None:
        return oriented.matrix
    why = oriented.about.undetermined or oriented.about.mirrored
    assert why is not None, "a mount that is not known says why"
    raise InconclusiveError(why.message)
