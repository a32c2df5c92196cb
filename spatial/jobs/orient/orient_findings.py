"""What orient has to say beside its numbers: what is open, wrong, mirrored, tilted, and what would settle it.

Types: MountFindings.
Functions: mount_findings, unheard_findings, swept_findings; undetermined_message, mirrored_message,
exchanged_message, sides_message (also said where a job must stop); listed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.field import unit_vectors
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.measure_marks import LEAST_COVERED, MeasuredMark
from spatial.mount.channel_faults import ChannelFault
from spatial.mount.mark_fit import LEVEL_RAD, MountEstimate, most_informative_direction
from spatial.mount.prior import MountPrior

_TILTED_RAD = np.radians(3.0)
"""A tilt that is less than this, or than twice its uncertainty, is not worth a word: it is below what a room does to
directions."""

_UPSIDE_DOWN_RAD = np.radians(90.0)
"""A tilt beyond this is called upside down."""

_LEVEL_COS = float(np.cos(LEVEL_RAD))
"""Cosine of the tilt up to which a microphone counts as upright."""

_MARK_OFF_RAD = np.radians(15.0)
"""A mark that lies further off than this is named: at less rooms alone name marks."""

_POOR_FIT = 4.0
"""Marks scatter twice as far as their uncertainties explain: something that was told to us is wrong."""
_CALLED_WRONG = 0.9
"""How likely a mark must be wrong to be said to take no part."""

_SWEPT_RAD = np.radians(3.0)
"""Turn of the camera during a mark beyond which it outweighs what else makes the mark unsure."""

_ANOTHER_VOICE = 0.3
"""A place this strong beside the strongest is no reflection (spatial.mount.mark_assignment)."""

_PARALLAX_MATTERS_RAD = np.radians(2.0)
"""A mark whose unknown distance may move its direction by more than this has that mentioned."""

_SIDES_TOLD = {
    "marks": "azimuth_deg is positive to the LEFT as the lens sees it, and elevation_deg positive up",
    "claps": "the places are named in the order of the claps, left and right as the lens sees them",
}
"""What to look at where two sides may have been exchanged on paper."""

_CLAPS = ("above the camera", "at the camera's left", "at the camera's right", "in front of the camera")
"""Where one more clap might be asked for; of equals the first is."""

_CLAP_DIRECTIONS: FloatArray = unit_vectors(np.radians([0.0, 90.0, -90.0, 0.0]), np.radians([90.0, 0.0, 0.0, 0.0]))
"""Directions of these, unit vectors in the picture's axes, shape (4, 3)."""


@dataclass(frozen=True, slots=True)
class MountFindings:
    """What there is to say about a mount, by what it is about."""

    undetermined: Finding | None = None
    """Why angles stay open."""
    mirrored: Finding | None = None
    """That the field is a mirror image, put right or not."""
    marks: tuple[Finding, ...] = ()
    """Marks that do not belong."""
    posture: tuple[Finding, ...] = ()
    """How the microphone sat where that is not as one expects: the crew's word doubted, on its side, upside down,
    off level."""
    tilted: bool = False
    """Whether it sat off level, or not as the crew said, and no more than on its side."""

    def all(self) -> list[Finding]:
        """All of them, in the order in which they are read."""
        first = [finding for finding in (self.undetermined, self.mirrored) if finding is not None]
        return [*first, *self.marks, *self.posture]


def mount_findings(
    mount: MountEstimate,
    used: Sequence[MeasuredMark],
    prior: MountPrior,
    *,
    faults: Sequence[ChannelFault] = (),
    repaired: ChannelFault | None = None,
    order: ChannelFault | None = None,
    things: str = "marks",
    torn: bool = False,
) -> MountFindings:
    """Everything there is to say about a mount and the marks, or claps, that were heard for it.

    `torn` says that it is open who of those whose marks overlap is who.
    """
    undetermined = mirrored = None
    if mount.undetermined:
        message = torn_message(prior) if torn else undetermined_message(mount, used, prior, things)
        undetermined = Finding(Code.UNDETERMINED, Severity.LOOK, message)
    if mount.mirrored:
        severity = Severity.LOOK if repaired else Severity.FIX
        mirrored = Finding(Code.MIRRORED, severity, mirrored_message(faults, repaired, things=things))
    if mount.undetermined or mount.contradictory:
        return MountFindings(undetermined, mirrored)
    marks = tuple(_mark_findings(mount, used, things))
    matrix = repaired.mount if repaired else mount.matrix
    if matrix is None:
        return MountFindings(undetermined, mirrored, marks)
    posture, tilted = _posture_findings(mount, matrix, order, things)
    return MountFindings(undetermined, mirrored, marks, tuple(posture), tilted)


def _posture_findings(
    mount: MountEstimate, matrix: FloatArray, order: ChannelFault | None, things: str
) -> tuple[list[Finding], bool]:
    """How the microphone sat, where that is not as one expects; and whether it sat tilted."""
    findings = []
    tilt = float(np.arccos(np.clip(matrix[2, 2], -1.0, 1.0)))
    tilted = mount.word_doubted and tilt <= _UPSIDE_DOWN_RAD
    if mount.word_doubted:
        findings.append(
            Finding(
                Code.UPSIDE_DOWN if tilt > _UPSIDE_DOWN_RAD else Code.TILT,
                Severity.LOOK,
                f"the {things} say plainly that the microphone did not sit as you said, and they are believed: if they "
                "are right, leave --upright, --upside-down, --level-within and --facing out from now on; if they are "
                "not, mend them and type the same line again (with --force, if it wrote a file)",
            )
        )
    if order is not None:
        findings.append(
            Finding(
                Code.CONVENTION_GUESS,
                Severity.LOOK,
                f"the microphone seems to have lain on its side, which is just what is seen where {order.name}: if it "
                "stood or hung level, the take is in another channel order than was read (--format)",
            )
        )
    if tilt > _UPSIDE_DOWN_RAD:
        findings.append(
            Finding(Code.UPSIDE_DOWN, Severity.NOTE, "the microphone hung upside down; the sound is turned to match")
        )
        tilt = float(np.pi - tilt)
    if tilt > max(_TILTED_RAD, 2 * mount.sd_rad.pitch_rad, 2 * mount.sd_rad.roll_rad):
        tilted = True
        findings.append(
            Finding(
                Code.TILT,
                Severity.NOTE,
                f"the microphone hung {np.degrees(tilt):.1f}° off level; the sound is turned to match",
            )
        )
    return findings, tilted


def unheard_findings(marks: Sequence[MeasuredMark]) -> list[Finding]:
    """A finding for each mark in which nobody is heard, or which the take does not cover, or of which a part counts."""
    findings = []
    for heard in marks:
        if heard.heard.heard:
            continue
        beside = _audible_beside(heard, marks)
        # A softer performer who is drowned by another is no fault; a voice that nobody's mark explains may be one.
        severity = Severity.NOTE if beside and heard.rival < _ANOTHER_VOICE else Severity.LOOK
        message = _drowned_message(heard, beside) if beside else _unheard_message(heard)
        findings.append(Finding(Code.MARK_UNHEARD, severity, message, heard.mark.who, heard.mark.start_s))
    partly = [heard for heard in marks if heard.partly]
    if partly:
        names = sorted({heard.mark.who for heard in partly})
        message = (
            f"marks of {listed(names)} overlap with others: of each only the part counts that is its own, where nobody "
            "else is marked"
        )
        findings.append(Finding(Code.MARK_UNHEARD, Severity.NOTE, message, clip_time_s=partly[0].mark.start_s))
    return findings


def _audible_beside(heard: MeasuredMark, marks: Sequence[MeasuredMark]) -> list[str]:
    """Who else is heard in the time of a mark that has none of its own."""
    if heard.shared is None:
        return []
    mark = heard.mark
    others = {
        other.mark.who
        for other in marks
        if other.heard.heard and min(other.mark.end_s, mark.end_s) > max(other.mark.start_s, mark.start_s)
    }
    return sorted(others - {mark.who})


def _drowned_message(heard: MeasuredMark, beside: Sequence[str]) -> str:
    mark = heard.mark
    what = (
        "and somebody else sounds whom no mark explains: check that it names the right performer and moment"
        if heard.rival >= _ANOTHER_VOICE
        else "so the mark takes no part: mark them where they sound alone"
    )
    return (
        f"{mark.who} cannot be told from the louder {listed(beside)} from {mark.start_s:.2f} s to {mark.end_s:.2f} s, "
        f"{what}"
    )


def swept_findings(marks: Sequence[MeasuredMark]) -> list[Finding]:
    """A finding for each mark during which the camera turned by much: one direction cannot be true all the time."""
    return [
        Finding(
            Code.CAMERA_MOVES,
            Severity.LOOK,
            f"the camera turned while {heard.mark.who} is marked ({heard.mark.start_s:.2f} s to {heard.mark.end_s:.2f} "
            f"s), so the mark is good to {np.degrees(SDS_OF_95 * heard.swept_sd_rad):.0f}° only: mark a moment in "
            "which the camera stands still",
            heard.mark.who,
            heard.mark.start_s,
        )
        for heard in marks
        if heard.swept_sd_rad > _SWEPT_RAD
    ]


def _unheard_message(heard: MeasuredMark) -> str:
    mark = heard.mark
    when = f"from {mark.start_s:.2f} s to {mark.end_s:.2f} s"
    if heard.covered < LEAST_COVERED:
        part = f"but {100 * heard.covered:.0f} % of" if heard.covered > 0 else "none of"
        return (
            f"the recording covers {part} the mark of {mark.who} {when}, so it takes no part: mark them where it runs"
        )
    return f"nobody is heard clearly {when}, where {mark.who} is marked: move the mark to where they sound alone"


def undetermined_message(
    mount: MountEstimate, used: Sequence[MeasuredMark], prior: MountPrior, things: str = "marks"
) -> str:
    """Why the mount is not known, and what would settle it."""
    if mount.contradictory or np.sqrt(np.mean(mount.residuals_rad**2)) > _MARK_OFF_RAD:
        cannot_name = (
            f"; of {len(used)} {things} none can be told to be the wrong one, so add another, or say how the "
            "microphone hung (--upright or --upside-down)"
            if 2 <= len(used) <= 4
            else ""
        )
        return (
            f"these {things} contradict each other, so how the microphone sat cannot be told: check that each names "
            "the right performer, moment and side (positive = left), --picture for pixels, and how the channels are "
            f"read (--format){cannot_name}"
        )
    if mount.mirror_or_turned:
        return _mirror_or_turned(mount, prior, things)
    where = _CLAPS[most_informative_direction(mount, _CLAP_DIRECTIONS)]
    return (
        f"these {things} cannot tell the {listed(mount.undetermined)}: add {things} further apart (one {where} would "
        "tell the most), or say how the microphone hung (--upright or --upside-down)"
    )


def torn_message(prior: MountPrior) -> str:
    """That it is open who of those whose marks overlap is who, and what would settle it."""
    word = "" if prior.hanging is not None else ", or say how the microphone hung (--upright or --upside-down)"
    return (
        "these performers are marked at the same time, and it is open which of them is heard where, so how the "
        f"microphone sat cannot be told: mark one of them where they sound alone{word}"
    )


def mirrored_message(
    faults: Sequence[ChannelFault],
    repaired: ChannelFault | None = None,
    *,
    things: str = "marks",
    sides_sure: bool = False,
) -> str:
    """That the field is mirrored, which channel may be at fault, and what to do.

    `sides_sure` says that something else knows left from right as the marks do.
    """
    guesses = ", or ".join(f"{fault.name} (the microphone {_sat(fault)})" for fault in faults[:4])
    known = (
        f"most likely {guesses}; to know which, look at how the microphone sat, or say it (--upright, --upside-down, "
        "--facing)"
        if len(faults) > 1
        else guesses
    )
    # A sheet with left and right exchanged looks just as a channel that is inverted, and is more easily made.
    sheet = (
        "the camera's stereo sound has left and right where the marks have them"
        if sides_sure
        else f"first make sure that {_SIDES_TOLD[things]}: exchanged, they look just so"
    )
    if repaired:
        return (
            f"the field was a mirror image of the picture and is put right: {known}; the sound is the same whichever; "
            f"{sheet}"
        )
    return (
        f"the field is a mirror image of the picture: {known}; {sheet}; --repair puts the sound right whichever it is, "
        "and mend the cable or setting before the next take"
    )


def exchanged_message() -> str:
    """That marks and field are mirror images of each other, and that the camera's sound sides with the field."""
    return (
        "the marks are a mirror image of the field, and the camera's stereo sound has left where the marks have right: "
        f"most likely the marks are written the wrong way round and no channel is wrong, so nothing is repaired: mend "
        f"them ({_SIDES_TOLD['marks']}), and if they are right, look whether the camera's two channels are swapped"
    )


def sides_message(apart_rad: float) -> str:
    """That the camera's sound has the picture's left elsewhere than the one mark or two that the mount rests on."""
    return (
        f"the camera's stereo sound has left {np.degrees(apart_rad):.0f}° from where so few marks put it: one of them "
        f"is wrong ({_SIDES_TOLD['marks']}), or the camera's two channels are swapped; mark one or two performers more"
    )


def turned_message(turn_rad: float, sd_rad: float, layout: str | None, better: str | None) -> str:
    """That the marks have the microphone facing elsewhere than the camera's sound, and what may be the reason.

    Parameters
    ----------
    turn_rad, sd_rad : float
        How much further left by the marks, and how well the camera's sound knows it.
    layout : str, optional
        How the picture was said to be laid out; None for marks in angles.
    better : str, optional
        The layout with which marks and sound would agree.
    """
    side = "left" if turn_rad > 0 else "right"
    apart = (
        f"by these marks the microphone faced {np.degrees(abs(turn_rad)):.0f}° further {side} than by the camera's "
        f"stereo sound, which is good to ±{np.degrees(SDS_OF_95 * sd_rad):.0f}°, so one of the two is wrong"
    )
    if layout is None:
        return (
            f"{apart}: check that azimuths count from the lens's front, positive to the LEFT, and that each mark names "
            "the right performer and moment"
        )
    if better is None:
        return (
            f"{apart}: is --picture right? It says {layout}; if it is, check that the pixels are of this clip's frame"
        )
    return f"{apart}: is --picture right? It says {layout}, and with {better} marks and sound agree"


def layout_message(layout: str, better: str, left_over_rad: float) -> str:
    """That marks contradict each other as the picture was said to be laid out, and fit in another layout."""
    return (
        f"the marks contradict each other in the layout that --picture says, {layout}, and fit within "
        f"{np.degrees(left_over_rad):.0f}° in {better}: is --picture right?"
    )


def _sat(fault: ChannelFault) -> str:
    yaw = float(np.degrees(fault.angles.yaw_rad))
    side = (
        "ahead" if abs(yaw) < 3 else "back" if abs(yaw) > 177 else f"{abs(yaw):.0f}° {'left' if yaw > 0 else 'right'}"
    )
    tilt = float(np.degrees(np.arccos(np.clip(fault.mount[2, 2], -1.0, 1.0))))
    hung = "upright" if tilt < 45 else "upside down" if tilt > 135 else "on its side"
    return f"{hung}, facing {side}"


def _mirror_or_turned(mount: MountEstimate, prior: MountPrior, things: str) -> str:
    """That a mount and a mirror image explain the same, and the one clap or word that settles which it is."""
    up = mount.picture_from_take[2, 2]
    hung = "upright" if up > _LEVEL_COS else "upside down" if up < -_LEVEL_COS else "on its side"
    where = _CLAPS[most_informative_direction(mount, _CLAP_DIRECTIONS)]
    one = "clap" if things == "claps" else "mark of somebody"
    if prior.hanging is None:
        known = "where you know how it hung, say --upright or --upside-down"
    else:
        known = f"where what you said of it is certain, add --repair to --{prior.hanging.value.replace('_', '-')}"
    return (
        f"these {things} lie nearly in one plane, where a microphone that hung {hung} and a field with a channel "
        f"inverted or two swapped look the same: one {one} {where} would settle it, or, {known}"
    )


def _mark_findings(mount: MountEstimate, used: Sequence[MeasuredMark], things: str) -> list[Finding]:
    """Marks that do not belong, one by one; or that all of them scatter."""
    findings = []
    for heard, residual, wrong in zip(used, mount.residuals_rad, mount.wrong, strict=True):
        if residual <= _MARK_OFF_RAD:
            continue
        others = "put it" if wrong < _CALLED_WRONG else "put it, and takes no part"
        parallax = ""
        if heard.parallax_sd_rad > _PARALLAX_MATTERS_RAD:
            parallax = f" (its unknown distance may explain {np.degrees(heard.parallax_sd_rad):.0f}° of that)"
        findings.append(
            Finding(
                Code.MARK_OFF,
                Severity.LOOK,
                f"the {things[:-1]} of {heard.mark.who} at {heard.mark.start_s:.1f} s lies {np.degrees(residual):.0f}° "
                f"from where the other {things} {others}{parallax}: check that it names the right performer, moment "
                "and side",
                heard.mark.who,
                heard.mark.start_s,
            )
        )
    if mount.misfit > _POOR_FIT:
        most = np.degrees(np.max(mount.residuals_rad))
        findings.append(
            Finding(
                Code.MARK_OFF,
                Severity.LOOK,
                f"the {things} do not fit together well (up to {most:.0f}° left over): "
                "check --mic-offset, --picture, and that each mark names the right performer and moment",
            )
        )
    return findings


def listed(angles: Sequence[str]) -> str:
    """Angles as one says them: "yaw, pitch and roll"."""
    return " and ".join([", ".join(angles[:-1]), angles[-1]] if len(angles) > 1 else angles)
