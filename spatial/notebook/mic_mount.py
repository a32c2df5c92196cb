"""How the microphone sat, from a clip, its take and a marks file, or from directions that are at hand.

Conventions: spatial.conventions (mount; yaw, pitch, roll).
Functions: Mount (the result); find_mount; mount_from_directions.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.errors import InputError
from spatial.field import ChannelFormat, ReadAs, unit_vectors
from spatial.findings import Finding
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.orient_clip import orient_clip
from spatial.jobs.rig import Rig
from spatial.jobs.track_request import TrackRequest
from spatial.mount.mark_fit import MountEstimate, estimate_mount
from spatial.mount.prior import Hanging, MountPrior
from spatial.notebook.clip_and_take import ClipLike, TakesLike, checked_offset, clip_and_takes
from spatial.notebook.doors import PathLike, checked_path
from spatial.report import words
from spatial.rotation import YawPitchRoll

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Mount:
    """How the microphone sat, or what keeps us from saying so."""

    matrix: FloatArray | None
    """picture_from_mic, shape (3, 3): turns the recorded field to face the lens. None where an angle is undetermined or
    the field is a mirror image."""
    angles: YawPitchRoll | None
    """The same as angles, radians."""
    sd_deg: tuple[float, float, float]
    """One standard deviation of yaw, pitch and roll, degrees; infinite where nothing tells."""
    undetermined: tuple[str, ...]
    """Which of "yaw", "pitch", "roll" is not told."""
    mirrored: bool | None
    """Whether the field is a mirror image, as by an inverted channel; None where that cannot be told."""
    names: tuple[str, ...]
    """Of the marks that were heard."""
    seen: FloatArray
    """Unit vectors to them in the picture's axes, seen from the microphone, shape (marks, 3)."""
    measured: FloatArray
    """Unit vectors to them in the microphone's axes, shape (marks, 3)."""
    measured_sd_deg: FloatArray
    """One standard deviation of each measured direction along either direction across it, shape (marks,)."""
    wrong: FloatArray
    """How likely each mark is not to belong with the others, 0 to 1, shape (marks,)."""
    findings: tuple[Finding, ...]
    result: OrientResult | MountEstimate = field(repr=False)
    """What the job, or the fit, gave."""

    @property
    def yaw_deg(self) -> float | None:
        """Which way the microphone faced, positive = left of the lens; None where it is not known."""
        return None if self.angles is None else float(np.degrees(self.angles.yaw_rad))

    @property
    def pitch_deg(self) -> float | None:
        """How far it was tipped, positive = up; None where it is not known."""
        return None if self.angles is None else float(np.degrees(self.angles.pitch_rad))

    @property
    def roll_deg(self) -> float | None:
        """How far it leant, positive = right side down; None where it is not known."""
        return None if self.angles is None else float(np.degrees(self.angles.roll_rad))

    @property
    def left_over_deg(self) -> FloatArray:
        """Angle between where each mark is and where the turned measurement has it, shape (marks,); NaN without mount.

        It is the marks' own fit: marks that gave the mount fit it better than others would.
        """
        if self.matrix is None:
            return np.full(len(self.seen), np.nan)
        cosine = np.clip(np.sum(self.seen * (self.measured @ self.matrix.T), axis=1), -1.0, 1.0)
        return np.asarray(np.degrees(np.arccos(cosine)))

    def plot(self) -> "Figure":
        """A map: where each mark was seen, and where the turned recording has it.

        Raises
        ------
        InputError
            No mount was found, or no mark gave it.
        """
        from spatial.report.plots.mount_plot import mount_figure

        if self.matrix is None or not len(self.seen):
            raise InputError("there is nothing to draw: no mount was found, or no mark was heard")
        title = f"How the microphone sat: {words.turn(self.angles)}" if self.angles else ""
        turned = self.measured @ self.matrix.T
        return mount_figure(self.seen, turned, np.radians(self.measured_sd_deg), names=self.names, title=title)

    def __repr__(self) -> str:
        found = f"; findings: {', '.join(sorted({f.code for f in self.findings}))}" if self.findings else ""
        marks = f"{len(self.names)} mark{'s' if len(self.names) != 1 else ''} heard"
        if self.angles is None:
            why = "the field is a mirror image" if self.mirrored else f"undetermined: {', '.join(self.undetermined)}"
            return f"Mount: not known, {why}; {marks}{found}"
        yaw, pitch, roll = (SDS_OF_95 * sd for sd in self.sd_deg)
        return (
            f"Mount: {words.turn(self.angles)}\n"
            f"  95 %: yaw ±{yaw:.1f}°, pitch ±{pitch:.1f}°, roll ±{roll:.1f}°; {marks}{found}"
        )


def find_mount(
    clip: ClipLike,
    take: TakesLike,
    marks: PathLike | None = None,
    *,
    mic_offset_m: Sequence[float] = (0.0, 0.0, 0.0),
    picture: str | None = None,
    hanging: str | None = None,
    read_as: ReadAs | str = ChannelFormat.AMBIX,
) -> Mount:
    """Find how the microphone sat: from marks, or without any from the camera's stereo sound.

    Parameters
    ----------
    clip, take
        As `align` takes them.
    marks : str or Path
        CSV of who,start_s,end_s,azimuth_deg,elevation_deg,distance_m as seen from the lens, clip time; or with x_px,
        y_px in place of the angles.
    mic_offset_m : (forward, left, up)
        The microphone's place seen from the lens, metres.
    picture : str
        Layout of the picture, for marks in pixels, as "equirect180-sbs".
    hanging : {"upright", "upside_down"}
        Which way up the microphone hung, where somebody knows; needed without marks.
    read_as : {"ambix", "n3d", "fuma", "auto", "aformat"} or ReadAs
        How the channels of files are to be read.

    Returns
    -------
    Mount

    Raises
    ------
    InputError
        Something that is neither path nor sound; a value out of range.
    MediaFileError, MarksFileError
        A file cannot be used.
    InconclusiveError
        Clip and take do not match, or no mark was heard.
    """
    rig = Rig(mic_offset_m=checked_offset(mic_offset_m), picture=picture)
    prior = _prior(hanging)
    marks_path = None if marks is None else checked_path(marks, "the marks file")
    with clip_and_takes(clip, take, read_as) as (clip_path, take_paths, channel_format):
        result = orient_clip(
            clip_path, take_paths, TrackRequest(marks_path, rig=rig, prior=prior, read_as=channel_format)
        )
    heard = [mark for mark in result.marks if mark.heard.heard]
    sd = result.sd_rad
    nobody = np.zeros((0, 3))
    return Mount(
        matrix=result.matrix,
        angles=result.angles,
        sd_deg=_degrees(sd),
        undetermined=result.mount.undetermined,
        mirrored=result.mount.mirrored,
        names=tuple(mark.mark.who for mark in heard),
        seen=_fixed(np.stack([mark.expected for mark in heard]) if heard else nobody),
        measured=_fixed(np.stack([mark.heard.vector for mark in heard]) if heard else nobody),
        measured_sd_deg=_fixed(np.degrees([mark.stated_sd_rad for mark in heard])),
        wrong=_fixed(result.mount.wrong),
        findings=result.findings,
        result=result,
    )


def mount_from_directions(
    seen: FloatArray, measured: FloatArray, sd_deg: FloatArray | float, *, hanging: str | None = None
) -> Mount:
    """Find how the microphone sat from directions that are at hand.

    Parameters
    ----------
    seen : ndarray, shape (marks, 2) or (marks, 3)
        Where each source is in the picture's axes, seen from the microphone: azimuth and elevation in degrees, or
        vectors x (front), y (left), z (up) of any length.
    measured : ndarray, shape as `seen`
        Where the microphone measured each, in its own axes.
    sd_deg : float, or ndarray, shape (marks,)
        One standard deviation of each measurement along either direction across it, degrees, without what the
        microphone's own errors add: that of an ordinary one is added here.
    hanging : {"upright", "upside_down"}
        Which way up the microphone hung, where somebody knows.

    Returns
    -------
    Mount

    Raises
    ------
    InputError
        Shapes that do not fit; values that are not finite; a vector of length 0; a deviation that is not above 0.
    InconclusiveError
        No direction at all.

    References
    ----------
    Wahba 1965, SIAM Review 7(3), problem 65-1; Markley 1988, J. Astronaut. Sci. 36(3), its solution by SVD.

    Examples
    --------
    A microphone that faced 90 degrees left has what is straight ahead at its right:

    >>> seen = np.array([[0.0, 0.0], [50.0, 10.0], [-40.0, -5.0]])
    >>> mount = mount_from_directions(seen, seen - [90.0, 0.0], 2.0)
    >>> round(mount.yaw_deg, 3)
    90.0
    """
    there, here = _vectors(seen, "seen"), _vectors(measured, "measured")
    if there.shape != here.shape:
        raise InputError(f"seen has {len(there)} directions and measured {len(here)}; they must belong together")
    given = np.asarray(sd_deg, dtype=float)
    if given.shape not in ((), (len(there),)):
        raise InputError(f"sd_deg has the shape {given.shape}; it must be one number, or one for each of {len(there)}")
    if not np.all(np.isfinite(given) & (given > 0.0) & (given <= 180.0)):
        raise InputError("sd_deg must be above 0 and at most 180 degrees; no measurement is exact")
    sd_rad = np.broadcast_to(np.radians(given), (len(there),)).copy()
    estimate = estimate_mount(there, here, sd_rad, prior=_prior(hanging))
    return Mount(
        matrix=estimate.matrix,
        angles=estimate.angles,
        sd_deg=_degrees(estimate.sd_rad),
        undetermined=estimate.undetermined,
        mirrored=estimate.mirrored,
        names=tuple(str(number + 1) for number in range(len(there))),
        seen=_fixed(there),
        measured=_fixed(here),
        measured_sd_deg=_fixed(np.degrees(sd_rad)),
        wrong=_fixed(estimate.wrong),
        findings=(),
        result=estimate,
    )


def _prior(hanging: str | None) -> MountPrior | None:
    if hanging is None:
        return None
    if hanging not in list(Hanging):
        raise InputError(f"a microphone hung {' or '.join(repr(str(way)) for way in Hanging)}, not {hanging!r}")
    return MountPrior(hanging=Hanging(hanging))


def _vectors(given: FloatArray, what: str) -> FloatArray:
    """Unit vectors of directions given as angles or as vectors."""
    try:
        data = np.asarray(given, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{what} must be an array of numbers, shape (marks, 2) in degrees or (marks, 3)") from None
    if data.ndim != 2 or data.shape[1] not in (2, 3):
        raise InputError(
            f"{what} has the shape {data.shape}; it must be (marks, 2), azimuth and elevation in degrees, or "
            "(marks, 3), vectors"
        )
    if not np.all(np.isfinite(data)):
        raise InputError(f"{what} holds a value that is not finite in row {int(np.argwhere(~np.isfinite(data))[0, 0])}")
    if data.shape[1] == 2:
        if np.any(np.abs(data[:, 1]) > 90.0):
            raise InputError(f"{what} holds an elevation beyond 90 degrees; the columns are azimuth, then elevation")
        return unit_vectors(*np.radians(data.T))
    length = np.linalg.norm(data, axis=1)
    if np.any(length == 0.0):
        raise InputError(f"{what} holds a vector of length 0 in row {int(np.argmin(length))}, which is no direction")
    return np.asarray(data / length[:, np.newaxis])


def _degrees(sd: YawPitchRoll) -> tuple[float, float, float]:
    yaw, pitch, roll = (float(np.degrees(each)) for each in (sd.yaw_rad, sd.pitch_rad, sd.roll_rad))
    return yaw, pitch, roll


def _fixed(values: FloatArray) -> FloatArray:
    """A copy that may not be written into."""
    copied = np.array(values, dtype=float)
    copied.flags.writeable = False
    return copied
