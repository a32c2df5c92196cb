"""The microphone learned from marks that are heard, and what there is to say of it.

Conventions: spatial.calibration.
Functions: learn_microphone; marks_to_learn_from; may_be_saved; calibrated (a format, with a
microphone file's content), still_unknown.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.calibration import Calibration
from spatial.direction.microphone_error import ORDINARY, Microphone
from spatial.direction.microphone_fit import (
    BANDS_HZ,
    FEWEST_PLACES,
    KnownDirections,
    Learned,
    learn_calibration,
    refined,
)
from spatial.errors import InconclusiveError, InputError, OutputError
from spatial.field import Calibrated, PlainFormat
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.measure_marks import HeardMark, hear_marks
from spatial.jobs.rig import Rig
from spatial.media.microphone_file import LearnedFrom, calibration_text, read_calibration
from spatial.media.output import write_text_whole
from spatial.media.ownership import Kind, may_be_written
from spatial.mount.clap_walk import CLAP_SD_RAD
from spatial.mount.mark_fit import MARK_SD_RAD
from spatial.timebase import ClockLaw

_AS_LIKELY_WRONG = 0.5
"""Marks that are likelier wrong than this take no part."""

_SPREAD_OUT = np.zeros((12, 9))
"""From xx, yy, zz, xy, xz, yz and the leak to all of the matrix, row by row, and the leak."""
_SPREAD_OUT[[0, 4, 8], [0, 1, 2]] = 1.0
_SPREAD_OUT[[1, 3, 2, 6, 5, 7], [3, 3, 4, 4, 5, 5]] = 1.0
_SPREAD_OUT[[9, 10, 11], [6, 7, 8]] = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class LearnedMicrophone:
    """What marks tell of a microphone."""

    learned: Learned
    calibration: Calibration
    """With what was known of it before."""
    text: str
    """Of the microphone file."""
    finding: Finding

    def save(self, path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
        """Write the microphone file, where it helps. Raises OutputError."""
        if self.helped:
            write_text_whole(path, self.text, Kind.MICROPHONE, force=force, inputs=inputs)

    @property
    def errors_deg(self) -> dict[str, float]:
        """Root mean square of how far marks that took no part are off, without and with it."""
        before, after = (float(np.degrees(rms)) for rms in self.learned.rms_rad)
        return {"error_before_deg": before, "error_after_deg": after}

    @property
    def helped(self) -> bool:
        """Whether directions that took no part became better by it."""
        return self.learned.helped


def may_be_saved(path: Path, *, force: bool, inputs: Sequence[Path]) -> None:
    """Refuse a place where a microphone file must not be written. Raises OutputError as may_be_written does."""
    if path.suffix.lower() != ".toml":
        raise OutputError(f"a microphone file is TOML; end its name in .toml, not '{path.suffix}'")
    may_be_written(path, Kind.MICROPHONE, force=force, inputs=inputs)


def calibrated(channel_format: PlainFormat, path: Path) -> Calibrated:
    """A format with what a microphone file says.

    Raises
    ------
    MicrophoneFileError
        As read_calibration.
    """
    return Calibrated(channel_format, read_calibration(path)[0], path.name)


def still_unknown(read_as: Calibrated) -> Microphone:
    """What is left to be known of a microphone once its file is taken out."""
    left = _SPREAD_OUT @ np.array(read_as.calibration.covariance) @ _SPREAD_OUT.T
    return replace(ORDINARY, measured=tuple(tuple(float(value) for value in row) for row in left))


def learn_microphone(oriented: OrientResult, rig: Rig) -> LearnedMicrophone:
    """Learn the microphone from the marks that told how it sat.

    Parameters
    ----------
    oriented : OrientResult
        From marks, or from a clap walk.
    rig : Rig

    Raises
    ------
    InconclusiveError
        The mount is not known, or too few places are marked.
    MediaFileError
        The take cannot be read.
    """
    if oriented.matrix is None or oriented.repaired is not None:
        raise InconclusiveError(
            "a microphone is learned only where it is known how it sat, with its channels in order: first make orient "
            "say so"
        )
    used = marks_to_learn_from(oriented)
    rows = [_by_band(oriented, used, replace(rig, band_hz=band)) for band in BANDS_HZ]
    measured = np.array([[each.heard.vector for each in row] for row in rows]).reshape(len(BANDS_HZ), -1, 3)
    own = np.array([[each.heard.sd_rad for each in row] for row in rows]).reshape(len(BANDS_HZ), -1)
    expected = np.array([each.expected for each in used]).reshape(-1, 3)
    extra = np.array([each.extra_sd_rad for each in used])
    known = KnownDirections(expected, measured, np.hypot(np.hypot(own, extra), MARK_SD_RAD), BANDS_HZ)
    before = oriented.take.channel_format
    prior = before.calibration if isinstance(before, Calibrated) else None
    try:
        covariance = None if prior is None else np.array(prior.covariance)
        learned = learn_calibration(known, oriented.matrix, prior_covariance=covariance)
    except InputError as error:
        raise InconclusiveError(f"{error}; mark {FEWEST_PLACES} places or more, all over the picture") from error
    calibration = learned.calibration if prior is None else refined(prior, learned.calibration)
    off_deg = [float(np.degrees(rms)) for rms in learned.rms_rad]
    name = oriented.sync.clip.path.name if oriented.sync else oriented.take.path.name
    text = calibration_text(calibration, LearnedFrom((name,), off_deg[0], off_deg[1]))
    return LearnedMicrophone(learned, calibration, text, _finding(learned, off_deg))


def marks_to_learn_from(oriented: OrientResult) -> list[HeardMark]:
    """Marks that are heard by themselves, and are more likely right than wrong."""
    heard = [mark for mark in oriented.marks if mark.heard.heard]
    # The mount speaks of the marks that it was found from, which are those that were measured.
    return [
        mark
        for mark, wrong in zip(heard, oriented.mount.wrong, strict=True)
        if mark.shared is None and wrong <= _AS_LIKELY_WRONG
    ]


def _by_band(oriented: OrientResult, used: Sequence[HeardMark], rig: Rig) -> list[HeardMark]:
    if oriented.sync is None:
        # A clap is a mark on the take's own time.
        law = ClockLaw(0.0, 0.0)
        heard = hear_marks(oriented.take, law, [each.mark for each in used], rig)
        # How well somebody stands at "left" is a part of how well the clap is known.
        return [
            replace(mine, heard=replace(band.heard, sd_rad=float(np.hypot(band.heard.sd_rad, CLAP_SD_RAD))))
            for mine, band in zip(used, heard, strict=True)
        ]
    return hear_marks(oriented.take, oriented.sync.law, [each.mark for each in used], rig)


def _finding(learned: Learned, off_deg: Sequence[float]) -> Finding:
    before, after = off_deg
    if learned.helped:
        message = (
            f"the microphone is learned from {learned.places} places: marks that took no part are off by {after:.1f}° "
            f"with it and by {before:.1f}° without; --microphone FILE takes it out, of this microphone alone"
        )
        return Finding(Code.MICROPHONE, Severity.NOTE, message)
    if learned.places < FEWEST_PLACES:
        why = f"the marks stand in {learned.places} places, and {FEWEST_PLACES} are needed"
    else:
        why = f"marks that took no part would be off by {after:.1f}° with it and by {before:.1f}° without"
    message = (
        f"no microphone file is written, because these marks tell nothing sure of the microphone: {why}; mark more "
        "people, left, right, high and low"
    )
    return Finding(Code.MICROPHONE, Severity.LOOK, message)
