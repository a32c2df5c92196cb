"""What a day found, written into its shoot file for another day.

Functions: remember_day; has_more (whether there is anything that the file could keep).
"""

import codecs
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.errors import OutputError, ShootFileError
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_files import is_there
from spatial.jobs.day.day_result import DayClip, DayResult
from spatial.jobs.rig import Rig
from spatial.media.intake import read_input
from spatial.media.output import add_to_text, write_text_whole
from spatial.media.shoot_file import SHOOT_FILE, Shoot, ShootPair, ShootRig
from spatial.media.shoot_writing import Added, with_added
from spatial.mount.mic_offset import GIVEN_SD_M
from spatial.mount.prior import MountPrior

_MOST_BYTES = 1_000_000


def has_more(day: DayResult, shoot: Shoot) -> bool:
    """Whether there is a pair that the shoot file does not hold."""
    return bool(_pairs(day.clips, shoot))


def remember_day(day: DayResult, shoot: Shoot, typed: Rig, prior: MountPrior) -> DayResult:
    """Write which take is whose, and what was typed of the rig, into the day's shoot file.

    What stands in it stays; a clip that was paired before is left alone. What was measured of the microphone becomes a
    comment: the file holds what people decided.

    Parameters
    ----------
    day : DayResult
    shoot : Shoot
        What the file says already.
    typed : Rig
        What was typed of all clips.
    prior : MountPrior
        Likewise.

    Returns
    -------
    DayResult
        With a finding on what was written, or on what kept it from being written.
    """
    path = day.folder / SHOOT_FILE
    pairs = _pairs(day.clips, shoot)
    clips = [entry.clip.name for entry in day.clips if shoot.rig_of(entry.clip.name) is None]
    rigs = [_rig(clips, typed, prior)] if clips and not shoot.rigs else []
    day = replace(day, unwritten=False)
    if not pairs and not rigs:
        return _said(day, Severity.NOTE, f"{SHOOT_FILE} holds already what was found, and is left as it is")
    added = Added(rigs, pairs, [_measured(entry) for entry in day.clips if entry.conform] if rigs else ())
    try:
        if is_there(path):
            was = read_input(path, "shoot file", ShootFileError, most_bytes=_MOST_BYTES)
            mark = "\ufeff" if was.startswith(codecs.BOM_UTF8) else ""
            add_to_text(path, mark + with_added(was.decode("utf-8-sig"), added), was)
        else:
            write_text_whole(path, with_added("", added))
    except (OutputError, ShootFileError) as error:
        return _said(day, Severity.LOOK, f"{SHOOT_FILE} could not be written: {error}")
    what = [f"{len(rigs)} rig"] * bool(rigs) + [f"{len(pairs)} pair{'s' * (len(pairs) != 1)}"] * bool(pairs)
    return _said(
        day, Severity.NOTE, f"{SHOOT_FILE} now holds {' and '.join(what)} more; read it through, and change it"
    )


def _said(day: DayResult, severity: Severity, message: str) -> DayResult:
    return replace(day, findings=(*day.findings, Finding(Code.SHOOT_FILE, severity, message, SHOOT_FILE)))


def _pairs(clips: Sequence[DayClip], shoot: Shoot) -> list[ShootPair]:
    """The pairs that were found and stand nowhere yet; what is in doubt is for people to decide."""
    decided = {pair.clip for pair in shoot.pairs}
    return [
        ShootPair(entry.clip.name, entry.sync.take.path.name)
        for entry in clips
        if entry.sync is not None
        and entry.sync.estimate.matched
        and len(entry.sync.possibilities) < 2
        and entry.clip.name not in decided
    ]


def _rig(clips: Sequence[str], typed: Rig, prior: MountPrior) -> ShootRig:
    return ShootRig(
        tuple(clips),
        picture=typed.picture,
        mic_offset_m=typed.mic_offset_m if any(typed.mic_offset_m) else None,
        mic_offset_sd_m=typed.mic_offset_sd_m if typed.mic_offset_sd_m != GIVEN_SD_M else None,
        hanging=prior.hanging.value if prior.hanging else None,
        level_within_deg=None if prior.level_within_rad is None else float(np.degrees(prior.level_within_rad)),
        facing_deg=None if prior.facing_rad is None else float(np.degrees(prior.facing_rad)),
    )


def _measured(entry: DayClip) -> str:
    """How the microphone sat in a clip, in a line."""
    assert entry.conform is not None
    angles, sd = entry.conform.mount_angles, entry.conform.mount_sd_rad
    yaw, pitch, roll = (
        round(float(np.degrees(angle)), 1) for angle in (angles.yaw_rad, angles.pitch_rad, angles.roll_rad)
    )
    within = f", yaw within {SDS_OF_95 * np.degrees(sd.yaw_rad):.0f}" if sd and np.isfinite(sd.yaw_rad) else ""
    # In a comment nothing may break the line.
    name = entry.clip.name.encode("unicode_escape").decode()
    return f"measured in {name}: yaw {yaw}, pitch {pitch}, roll {roll} degrees{within}"
