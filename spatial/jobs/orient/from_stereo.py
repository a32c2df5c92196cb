"""How the microphone sat when there are no marks: from the camera's own stereo sound.

Conventions: spatial.conventions (mount).
Functions: orient_unmarked (for a clip and the take that fits it); nearer_mount (once the microphone's place is known).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.direction.microphone_error import ORDINARY, Microphone
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.measure_marks import LIKELY_DISTANCES_M
from spatial.jobs.progress import Progress, silent
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.buffers import Spool, TakeSamples, resampled
from spatial.media.movies.clip import scratch_blocks
from spatial.media.movies.display import DisplayTurn
from spatial.mount.left_axis import AxisDoubt, LeftAxis, PairKind, estimate_left_axis
from spatial.mount.mount_from_left import UnmarkedMount, mount_from_left
from spatial.mount.prior import Hanging
from spatial.mount.stereo_tdoa import MOST_S, ScratchPairs, scratch_pairs, seen_from_camera
from spatial.sync.envelope import WORKING_RATE_HZ

_INSTEAD = "give --marks, or let somebody clap at front, left and right on set"
"""What to do where the camera's sound does not give a mount."""

_DOUBTS = {
    AxisDoubt.NOTHING_DIRECT: "hardly any sound reaches camera and microphone directly",
    AxisDoubt.MONO: "both channels of the camera's sound hold the same, so it does not know left from right",
    AxisDoubt.TOO_CLOSE: "all sound reaches both of the camera's channels at one time, and its levels do not go with "
    "where it comes from: its microphones are too close together and point the same way, or its stereo is made "
    "narrow, or one channel is faulty",
    AxisDoubt.LEVELS_OPEN: "the camera's microphones sit in one place and point to the sides, and what sounds stands "
    "too close together for their levels to tell where left is",
    AxisDoubt.CONTRADICTION: "arrival times at the camera's two microphones say another left than their levels do: "
    "one channel is faulty, or its gain rides by itself",
    AxisDoubt.ONE_PLACE: "all sound comes from about one direction, and from there the picture's left may lie "
    "anywhere on a circle",
    AxisDoubt.NO_AGREEMENT: "arrival times at the camera do not go with directions at the microphone",
}
_MOSTLY = 0.5
"""Part of the sound in front of the lens below which it is reported that most comes from behind."""

NOBODY = 0.1
"""Part of what sounds in front of the lens below which a camera that sees the front half has filmed nobody. Where the
crew speaks behind it, those in the picture sound for more than that of a clip."""

_DISTANCE_M = float(np.sqrt(np.prod(LIKELY_DISTANCES_M)))
"""Distance at which performers stand where none is known: the middle of what is likely, as ratios go."""

_LEFT_OVER = 0.1
"""What is left of the shift that the microphone's place makes in directions, radians per metre, where the performers'
distances are not known."""


@dataclass(frozen=True, slots=True, eq=False)
class UnmarkedResult:
    """How the microphone sat by the camera's stereo sound, or what keeps us from saying so."""

    left: LeftAxis | None
    """The picture's left in the microphone's axes, with its covariance: a row for a fit with marks. None where the
    camera's sound has not two channels."""
    mount: UnmarkedMount | None
    """For the way of hanging that was told; None where that was not told, or yaw stays open."""
    candidates: tuple[UnmarkedMount, ...]
    """One for each way of hanging that is possible; empty where the axis is not known."""
    undetermined: tuple[str, ...]
    """Names of the angles that stay open."""
    findings: tuple[Finding, ...]
    open: Finding | None = None
    """Why angles stay open; None where none does."""


def orient_unmarked(
    result: SyncResult,
    *,
    hanging: Hanging | None = None,
    mic_offset_m: Sequence[float] = (0.0, 0.0, 0.0),
    most_s: float = MOST_S,
    all_around: bool = False,
    microphone: Microphone = ORDINARY,
    progress: Progress = silent,
) -> UnmarkedResult:
    """Find how the microphone sat from a clip's stereo sound and the take that fits it.

    Parameters
    ----------
    result : SyncResult
        A match.
    hanging : Hanging, optional
        Which side of the microphone was up; without it two mounts remain.
    mic_offset_m : sequence of float
        The microphone's place seen from the lens: forward, left, up; all 0 where it is not known.
    most_s : float
        Longest sound looked at, seconds; of longer clips stretches, evenly spread.
    all_around : bool
        The picture shows what is behind the lens too: somebody may well sound there.
    microphone : Microphone
        What is unknown of it.
    progress : Progress

    Returns
    -------
    UnmarkedResult

    Raises
    ------
    InputError
        There is no match.
    MediaFileError
        The clip's sound cannot be read.
    """
    if result.clip.turn is not DisplayTurn.AS_STORED:
        return _open(
            None,
            f"the header of {result.clip.path.name} says that its picture is to be shown {result.clip.turn}, and not "
            "whether its left microphone is then at the picture's left",
        )
    channels = result.clip.scratch.channels if result.clip.scratch else 0
    if channels != 2:
        many = "one channel" if channels == 1 else f"{channels} channels"
        return _open(None, f"the camera's sound has {many}, and it takes two, left and right")
    if result.estimate.true_rate_hz not in (None, result.take.rate_hz):
        return _open(None, "the take's sample rate is not the one in its header; write it anew with conform first")
    progress("finding left and right", 0.0)
    # Directions go with the clip's samples, whose first lies at clip time phase_s.
    with Spool(WORKING_RATE_HZ) as sound, TakeSamples(result.take, WORKING_RATE_HZ) as field:
        assert result.clip.scratch is not None
        for block in resampled(scratch_blocks(result.clip), result.clip.scratch.rate_hz, WORKING_RATE_HZ):
            sound.write(block)
        pairs = scratch_pairs(sound, field, result.law.from_clip_time(result.clip.scratch.phase_s), most_s=most_s)
    left = estimate_left_axis(pairs, hanging=hanging, microphone=microphone)
    if left.doubt is not None:
        return _open(left, _DOUBTS[left.doubt])
    candidates = []
    for way in [hanging] if hanging is not None else list(Hanging):
        mount = mount_from_left(left if hanging is not None else _for_way(pairs, left, way, microphone), way)
        if any(mic_offset_m):
            mount = nearer_mount(pairs, mount, mic_offset_m, microphone)
            left = mount.left if hanging is not None else left
        candidates.append(mount)
    return _told(left, tuple(candidates), all_around=all_around)


def nearer_mount(
    pairs: ScratchPairs, mount: UnmarkedMount, mic_offset_m: Sequence[float], microphone: Microphone = ORDINARY
) -> UnmarkedMount:
    """The mount once more, with directions as the camera has them: where the microphone hangs is now known.

    Parameters
    ----------
    pairs : ScratchPairs
    mount : UnmarkedMount
        Found as if the microphone were at the lens.
    mic_offset_m : sequence of float
        The microphone's place seen from the lens: forward, left, up.
    microphone : Microphone
        What is unknown of it.

    Returns
    -------
    UnmarkedMount
        The same where nothing can be told this way.
    """
    place_m = mount.matrix.T @ np.array(mic_offset_m, dtype=float)
    aside = _LEFT_OVER * float(np.linalg.norm(place_m))
    moved = seen_from_camera(pairs, place_m, _DISTANCE_M)
    left = estimate_left_axis(moved, aside=aside, hanging=mount.hanging, microphone=microphone)
    return mount if left.doubt is not None else mount_from_left(left, mount.hanging)


def _for_way(pairs: ScratchPairs, left: LeftAxis, way: Hanging, microphone: Microphone) -> LeftAxis:
    """The axis once more for one way of hanging; as it was where that does not tell it."""
    own = estimate_left_axis(pairs, hanging=way, microphone=microphone)
    return left if own.doubt is not None else own


def _open(left: LeftAxis | None, why: str) -> UnmarkedResult:
    message = f"the camera's sound does not tell how the microphone sat: {why}; {_INSTEAD}"
    return _undetermined(left, (), ("yaw", "pitch", "roll"), message)


def _undetermined(
    left: LeftAxis | None, candidates: tuple[UnmarkedMount, ...], angles: tuple[str, ...], message: str
) -> UnmarkedResult:
    why = Finding(Code.UNDETERMINED, Severity.LOOK, message)
    return UnmarkedResult(left, None, candidates, angles, (why,), why)


def _told(left: LeftAxis, candidates: tuple[UnmarkedMount, ...], *, all_around: bool) -> UnmarkedResult:
    if any(mount.undetermined for mount in candidates):
        sd_deg = max(np.degrees(mount.sd_rad.yaw_rad) for mount in candidates)
        message = (
            f"the camera's sound tells which way the microphone faced only to within {2 * sd_deg:.0f}°, because what "
            f"sounds stands too close together: {_INSTEAD}"
        )
        return _undetermined(left, candidates, candidates[0].undetermined, message)
    if len(candidates) > 1:
        ways = ", ".join(f"{_way(mount)} it faced {_faced(mount)}" for mount in candidates)
        likely = max(candidates, key=lambda mount: mount.in_front)
        message = (
            f"the camera's sound tells left from right, not which side of the microphone was up: {ways}; say --upright "
            f"or --upside-down (if those who sound stand in front of the lens, it hung {_way(likely)})"
        )
        # Which way round is known once it is stated how it hung; until then yaw and roll go together.
        return _undetermined(left, candidates, ("yaw", "roll"), message)
    mount = candidates[0]
    findings = [
        Finding(
            Code.FACING,
            Severity.NOTE,
            f"by the camera's stereo sound the microphone faced {_faced(mount)}, within "
            f"{SDS_OF_95 * np.degrees(mount.sd_rad.yaw_rad):.0f}° ({_evidence(mount.left)}); that it hung level is "
            f"taken from its hanging {_way(mount)}; were the camera's left and right swapped it would be half a turn "
            "round, which one mark would show",
        )
    ]
    if left.inverted:
        findings.append(
            Finding(
                Code.POLARITY,
                Severity.LOOK,
                "one channel of the camera's sound is wired the wrong way round (inverted): check its cable and "
                "microphone",
            )
        )
    if mount.in_front < _MOSTLY:
        findings.append(_from_behind(mount, sure=mount.in_front < NOBODY and not all_around))
    return UnmarkedResult(left, mount, candidates, mount.undetermined, tuple(findings))


def _from_behind(mount: UnmarkedMount, *, sure: bool) -> Finding:
    """That sound comes from behind the lens; `sure` where a picture of the front half would show nobody."""
    said, other = "--upside-down", "--upright"
    if mount.hanging is Hanging.UPRIGHT:
        said, other = other, said
    behind = f"{100 * (1 - mount.in_front):.0f} % of the sound comes from behind the lens then"
    if not sure:
        return Finding(
            Code.FACING,
            Severity.LOOK,
            f"{behind}: if those who sound are in the picture, the camera's channels are swapped or the microphone "
            "hung the other way up; one mark would tell",
        )
    return Finding(
        Code.FACING,
        Severity.FIX,
        f"{behind}, and nobody is heard in the picture, so the sound faces backwards: type the same line again with "
        f"{other} in place of {said} (and with --force, if it wrote a file), which turns it to the front; if the "
        f"microphone did hang as you said, the camera's channels are swapped: leave {said}, and add --marks with one "
        "mark, or --mount; if they did stand behind the lens, leave it so",
    )


def _evidence(left: LeftAxis) -> str:
    """Which sound told left from right: a pair of one kind cannot be told by what another kind is told by."""
    if left.by_times and left.by_levels:
        return "by arrival times and levels at its two microphones"
    if left.by_times:
        return "by arrival times at its two microphones"
    where = "in one place" if left.kind is PairKind.COINCIDENT else "close together"
    return f"by levels alone, as its two microphones sit {where} and point to the sides"


def _way(mount: UnmarkedMount) -> str:
    return "upright" if mount.hanging is Hanging.UPRIGHT else "upside down"


def _faced(mount: UnmarkedMount) -> str:
    """In words: 92° left of the lens."""
    yaw_deg = float(np.degrees(mount.angles.yaw_rad))
    if abs(yaw_deg) < 0.5:
        return "with the lens"
    if abs(yaw_deg) > 179.5:
        return "straight back"
    return f"{abs(yaw_deg):.0f}° {'left' if yaw_deg > 0 else 'right'} of the lens"
