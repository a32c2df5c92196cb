"""How the microphone sat in each clip of a rig, from all clips' marks: untouched until something says otherwise.

Conventions: spatial.conventions (mount).
Functions: orient_rig.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.field import angle_between
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.from_marks import OrientResult, orient_measured
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.jobs.orient.orient_findings import mount_findings
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.mount.mark_fit import MountEstimate
from spatial.mount.prior import MountPrior
from spatial.mount.rig_mount import apart, is_told, parts_of_rig

RIG = "rig"
"""What a mount rests on that other clips' marks gave, in `OrientResult.evidence`."""

_MOST_MARKS = 60
"""Marks that are weighed together: of more, two wrong ones at a time would no longer be thought of
(spatial.mount.mark_fit), and these know the mount to what the microphone allows."""

_MOSTLY = 0.8
"""Part of a turn that is about the upright from which it is called left or right."""


@dataclass(frozen=True, slots=True, eq=False)
class RigClip:
    """One clip of a rig, in order of time."""

    sync: SyncResult
    """A match."""
    own: OrientResult | None = None
    """How its own marks have it; None where it has none that are heard."""

    @property
    def name(self) -> str:
        """The clip's file name."""
        return self.sync.clip.path.name

    @property
    def tells(self) -> bool:
        """Whether its marks tell a mount that can be held against another's."""
        return self.own is not None and self.own.repaired is None and is_told(self.own.mount)


@dataclass(frozen=True, slots=True, eq=False)
class RigAnswer:
    """How the microphone sat in a clip, as all clips of its rig tell."""

    oriented: OrientResult | None
    """None where the others do not tell it."""
    why_not: str = ""
    """What keeps them from it, in words."""


def orient_rig(
    clips: Sequence[RigClip], rig: Rig, prior: MountPrior | None = None
) -> tuple[list[RigAnswer], list[Finding]]:
    """Find how the microphone sat in all clips of a rig together.

    Parameters
    ----------
    clips : sequence of RigClip
        In order of time.
    rig : Rig
        What holds for all of them.
    prior : MountPrior, optional
        What the crew says.

    Returns
    -------
    answers : list of RigAnswer
        One for each clip. A clip whose own marks are mirrored, or which stands alone, has its own answer.
    findings : list of Finding
        Where the microphone was knocked.
    """
    told = [n for n, clip in enumerate(clips) if clip.tells]
    if not told:
        return [RigAnswer(clip.own) for clip in clips], []
    parts = parts_of_rig(
        [_own(clips[n]).mount for n in told],
        lambda places: _part([told[place] for place in places], clips, rig, prior).mount,
    )
    found = [_part([told[place] for place in part], clips, rig, prior) for part in parts]
    return [_answer(n, clips, found, prior) for n in range(len(clips))], _knocks(clips, found)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Clips in all of which the microphone sat alike."""

    members: Sequence[int]
    mount: MountEstimate
    rows: Mapping[int, slice]
    """Where each clip's marks stand among those that gave the mount; not all clips' need be there."""


def _own(clip: RigClip) -> OrientResult:
    assert clip.own is not None
    return clip.own


def _heard(clip: RigClip) -> list[MeasuredMark]:
    """Marks that are heard, each with its own place: who of those that overlap is who was settled before."""
    return [replace(mark, shared=None) for mark in _own(clip).marks if mark.heard.heard]


def _part(members: Sequence[int], clips: Sequence[RigClip], rig: Rig, prior: MountPrior | None) -> _Part:
    """The mount that the marks of some clips give together."""
    if len(members) == 1:
        return _Part(members, _own(clips[members[0]]).mount, {})
    chosen = list(members)
    while len(chosen) > 2 and sum(len(_heard(clips[n])) for n in chosen) > _MOST_MARKS:
        # Evenly over the day: what was first and last stays.
        chosen = [n for place, n in enumerate(chosen) if place % 3 != 1 or place == len(chosen) - 1]
    marks: list[MeasuredMark] = []
    rows = {}
    for n in chosen:
        rows[n] = slice(len(marks), len(marks) + len(_heard(clips[n])))
        marks += _heard(clips[n])
    return _Part(members, orient_measured(_own(clips[chosen[0]]).take, marks, prior=prior, rig=rig).mount, rows)


def _answer(number: int, clips: Sequence[RigClip], parts: Sequence[_Part], prior: MountPrior | None) -> RigAnswer:
    clip = clips[number]
    for part in parts:
        if number in part.members:
            alone = len(part.members) == 1 or part.mount.matrix is None
            return RigAnswer(clip.own if alone else _with_mount(number, clips, part, prior))
    if clip.own is not None and not clip.own.mount.undetermined:
        # Mirrored, or put right, or at odds with itself: the others' mount would hide that.
        return RigAnswer(clip.own)
    owners = {n: part for part in parts for n in part.members}
    before = max((n for n in owners if n < number), default=None)
    after = min((n for n in owners if n > number), default=None)
    around = [owners[n] for n in (before, after) if n is not None]
    if before is not None and after is not None and around[0] is not around[1]:
        names = f"{clips[before].name} and {clips[after].name}"
        return RigAnswer(clip.own, f"and between {names} the microphone was turned, before this clip or after it")
    if around[0].mount.matrix is None:
        return RigAnswer(clip.own, "and the marks of the other clips leave open how it sat")
    return RigAnswer(_inherited(number, clips, around[0], prior))


def _with_mount(number: int, clips: Sequence[RigClip], part: _Part, prior: MountPrior | None) -> OrientResult:
    """A clip's own marks in the mount that the marks of several clips give."""
    clip, mount = clips[number], part.mount
    own = _own(clip)
    used = [mark for mark in own.marks if mark.heard.heard]
    rows = part.rows.get(number)
    turned = [float(angle_between(mount.picture_from_take @ mark.heard.vector, mark.expected)) for mark in used]
    vectors = np.stack([mark.heard.vector for mark in used])
    if rows is None:
        # The mount owes nothing to this clip's marks, so that it judges them as it is.
        without = np.tile(mount.picture_from_take, (len(used), 1, 1)), np.tile(mount.covariance, (len(used), 1, 1))
        sds = mount.taken_up.left_sd_rad(vectors) if mount.taken_up else np.zeros(len(used))
    else:
        without = mount.without_each[rows], mount.without_covariances[rows]
        sds = mount.without_microphone_sds[rows]
    fitted = replace(
        mount,
        residuals_rad=np.array(turned),
        wrong=own.mount.wrong if rows is None else mount.wrong[rows],
        without_each=without[0],
        without_covariances=without[1],
        without_microphone_sds=sds,
    )
    left = iter(turned)
    residuals = tuple(next(left) if mark.heard.heard else None for mark in own.marks)
    said = prior or MountPrior()
    others = [finding for finding in own.findings if finding not in own.about.all()]
    about = mount_findings(fitted, used, said)
    note = Finding(
        Code.FACING,
        Severity.NOTE,
        f"the marks of {len(part.members)} clips tell together how the microphone sat, for it sat alike in all of them",
        clip.name,
    )
    return replace(
        own,
        mount=fitted,
        residuals_rad=residuals,
        findings=(*others, *about.all(), note),
        faults=(),
        about=about,
    )


def _inherited(number: int, clips: Sequence[RigClip], part: _Part, prior: MountPrior | None) -> OrientResult:
    """A clip whose own marks tell nothing, in the mount of those around it."""
    clip, nothing = clips[number], np.zeros(0)
    mount = replace(
        part.mount,
        # How well the others' marks fit is said of their clips.
        misfit=0.0,
        residuals_rad=nothing,
        wrong=nothing,
        without_each=np.zeros((0, 3, 3)),
        without_covariances=np.zeros((0, 3, 3)),
        without_microphone_sds=nothing,
    )
    first, last = part.members[0], part.members[-1]
    names = " and ".join(dict.fromkeys(clips[n].name for n in (first, last)))
    more = f"between {names}" if first < number < last else f"as in {clips[first if number < first else last].name}"
    note = Finding(
        Code.FACING,
        Severity.NOTE,
        f"{clip.name} has no marks that tell how the microphone sat: it is taken to have sat {more}, within "
        f"{SDS_OF_95 * np.degrees(mount.sd_rad.yaw_rad):.0f}°"
        + ("" if first < number < last else "; had it been knocked since, only marks in this clip would show it"),
        clip.name,
    )
    about = mount_findings(mount, [], prior or MountPrior())
    findings = (*clip.sync.findings, *about.all(), note)
    marks = clip.own.marks if clip.own is not None else ()
    if marks:
        # Its own marks leave an angle open; what they do tell is judged in the track.
        used = [mark for mark in marks if mark.heard.heard]
        turned = np.array([float(angle_between(mount.picture_from_take @ m.heard.vector, m.expected)) for m in used])
        mount = replace(mount, residuals_rad=turned, wrong=np.zeros(len(used)))
    left = iter(mount.residuals_rad)
    residuals = tuple(float(next(left)) if mark.heard.heard else None for mark in marks)
    return OrientResult(clip.sync.take, clip.sync, mount, marks, residuals, findings, evidence=RIG, about=about)


def _knocks(clips: Sequence[RigClip], parts: Sequence[_Part]) -> list[Finding]:
    """From which clip on the microphone sat otherwise, and clips that stand alone amid others."""
    findings = []
    amid = [
        part
        for part in parts
        if len(part.members) == 1
        and any(other.members[0] < part.members[0] < other.members[-1] for other in parts if other is not part)
    ]
    row = [part for part in parts if part not in amid]
    for part in amid:
        around = next(other for other in row if other.members[0] < part.members[0] < other.members[-1])
        name = clips[part.members[0]].name
        message = (
            f"in {name} alone the microphone faced {_change(around, part)} than in the clips before and after: its "
            "marks are wrong, or it was knocked and put back; look at the marks"
        )
        findings.append(Finding(Code.FACING, Severity.LOOK, message, name))
    for before, part in pairwise(row):
        name = clips[part.members[0]].name
        message = f"from {name} on the microphone faced {_change(before, part)} than before: it was knocked or moved"
        if len(part.members) == 1 and part is row[-1]:
            message += f", or the marks of {name} are wrong, for no later clip has marks that tell"
        findings.append(Finding(Code.FACING, Severity.LOOK, message, name))
    return findings


def _change(before: _Part, after: _Part) -> str:
    """How the microphone was turned, in words: 12 degrees further left."""
    between = apart(before.mount, after.mount)
    turn = after.mount.picture_from_take @ before.mount.picture_from_take.T
    yaw = float(np.arctan2(turn[1, 0], turn[0, 0]))
    whole, within = np.degrees(between.angle_rad), SDS_OF_95 * np.degrees(between.sd_rad)
    if abs(yaw) > _MOSTLY * between.angle_rad:
        return f"{abs(np.degrees(yaw)):.0f}° further {'left' if yaw > 0 else 'right'} (±{within:.0f}°)"
    return f"another way, turned or tipped by {whole:.0f}° (±{within:.0f}°),"
