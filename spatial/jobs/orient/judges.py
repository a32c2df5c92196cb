"""By what each mark of a track is judged: a mark that helped to find the mount proves nothing of it.

Goal: with four marks or more, each is held against the mount that the others give. Which marks gave a track its mount
stands in its sidecar. A track whose mount came from elsewhere is taken as it is.
Conventions: spatial.conventions (mount). Turns act on directions in the track, in the picture's axes.
Functions: judges_of_mount (of a mount just found); judges_of_track (of a track read back later); mark_key; gave_facts
(what the sidecar holds); marks_that_gave (read back).
"""

import json
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from spatial.conventions import FloatArray
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.measure_marks import HeardMark
from spatial.jobs.rig import Rig
from spatial.media.tables import Mark
from spatial.mount.mark_fit import MountEstimate, estimate_mount
from spatial.verification.placement import AS_IT_IS, Judge, JudgedBy

# --- judges ---

FEWEST_JUDGES = 4
"""Fewest marks of which each is judged by the others: three give a mount and can still show a wrong one among them."""


def judges_of_mount(oriented: OrientResult | None, marks: int, rig: Rig, *, finished: bool = True) -> list[Judge]:
    """What judges each of a clip's marks, of which the mount was found just now.

    Parameters
    ----------
    oriented : OrientResult, optional
        None where the mount was given.
    marks : int
        How many there are; those of `oriented`, in order, where it has any.
    rig : Rig
    finished : bool
        The marks are judged in a finished track, whose picture may have been levelled; else in the picture as filmed.
    """
    if oriented is None or not oriented.marks or len(oriented.marks) != marks:
        return [AS_IT_IS] * marks
    used = [n for n, heard in enumerate(oriented.marks) if heard.heard.heard]
    judges = [_by_all(oriented.mount, heard) for heard in oriented.marks]
    if len(used) < FEWEST_JUDGES:
        return judges
    for row, place in enumerate(used):
        shown = rig.shown_from_filmed if finished else np.eye(3)
        mark = oriented.marks[place]
        if rig.moves is not None:
            (camera,) = rig.moves.motion.at(np.array([(mark.mark.start_s + mark.mark.end_s) / 2]))
            shown = shown @ camera.T
        judges[place] = _judge(oriented.mount, row, mark, shown)
    return judges


def judges_of_track(heard: Sequence[HeardMark], told: Sequence[bool], rig: Rig) -> list[Judge]:
    """What judges each mark heard in a finished track, where its sidecar says which of them gave the mount.

    How far the mount would turn without a mark is the same whether it is found in the take or in the track.

    Parameters
    ----------
    heard : sequence of HeardMark
        In the track's own axes.
    told : sequence of bool
        Which of them gave the mount.
    rig : Rig
    """
    as_it_is = Judge(JudgedBy.TRACK, sd_rad=rig.microphone.somewhere_sd_rad)
    judges = [_by_all(None, mark) if gave else as_it_is for mark, gave in zip(heard, told, strict=True)]
    used = [n for n, mark in enumerate(heard) if told[n] and mark.heard.heard]
    if len(used) < FEWEST_JUDGES or rig.moves is not None:
        return judges
    marks = [heard[n] for n in used]
    again = estimate_mount(
        np.stack([mark.expected for mark in marks]),
        np.stack([mark.heard.vector for mark in marks]),
        np.array([np.hypot(mark.heard.sd_rad, mark.parallax_sd_rad) for mark in marks]),
        microphone=rig.microphone.in_a_track(),
    )
    if again.mirrored:
        return judges
    for row, place in enumerate(used):
        judges[place] = _judge(again, row, heard[place], np.eye(3))
    return judges


def _by_all(mount: MountEstimate | None, mark: HeardMark) -> Judge:
    """A mark in a mount that it helped to give: what that mount leaves of the microphone's errors there.

    Without the mount, all of them but what a turn of all the sound would take up.
    """
    if not mark.heard.heard:
        return Judge(JudgedBy.SAME_MARKS)
    there = mark.heard.vector[np.newaxis]
    if mount is None or mount.taken_up is None:
        return Judge(JudgedBy.SAME_MARKS, sd_rad=float(mark.microphone.sd_rad(there, housing=False)[0]))
    return Judge(JudgedBy.SAME_MARKS, sd_rad=float(mount.taken_up.left_sd_rad(there)[0]))


def _judge(mount: MountEstimate, row: int, mark: HeardMark, shown: FloatArray) -> Judge:
    """The turn from the mount that all marks give to the one that all but this give."""
    without, expected = mount.without_each[row], mark.expected
    if not np.all(np.isfinite(without)):
        return _by_all(mount, mark)
    covariance = mount.without_covariances[row]
    across = float(np.trace(covariance) - expected @ covariance @ expected)
    turn = shown @ without @ mount.picture_from_take.T @ shown.T
    own = float(np.sqrt(max(across, 0.0) / 2))
    return Judge(JudgedBy.OTHER_MARKS, turn, float(np.hypot(own, mount.without_microphone_sds[row])))


# --- which marks gave the mount ---

MarkKey = tuple[str, float, float, float, float]


def mark_key(mark: Mark) -> MarkKey:
    """What makes a mark the same mark: who, when and where."""
    azimuth, elevation = np.degrees([mark.azimuth_rad, mark.elevation_rad])
    return mark.who, round(mark.start_s, 2), round(mark.end_s, 2), round(float(azimuth), 1), round(float(elevation), 1)


def gave_facts(marks: Iterable[Mark]) -> list[dict[str, object]]:
    """The marks that gave a mount, for the sidecar."""
    return [dict(zip(_KEYS, mark_key(mark), strict=True)) for mark in marks]


def marks_that_gave(track: Path) -> frozenset[MarkKey]:
    """The marks that gave a track's mount; none where no sidecar beside it says so."""
    try:
        facts = json.loads(track.with_suffix(".json").read_text(encoding="utf-8"))
        if Path(facts["output"]["path"]).name != track.name:
            return frozenset()
        return frozenset(
            (str(row["who"]), *(float(row[key]) for key in _KEYS[1:]))  # type: ignore[misc]
            for row in facts["applied"]["mount_marks"]
        )
    except (OSError, ValueError, LookupError, TypeError):
        return frozenset()


_KEYS = ("who", "start_s", "end_s", "azimuth_deg", "elevation_deg")
