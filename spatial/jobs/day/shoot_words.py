"""What the shoot file of a folder says of one clip or take, in the words of the jobs.

Functions: shoot_of (a folder's shoot file); shoot_beside (that of the folder a file lies in); rig_in, prior_of (of a
clip, where what was typed goes before the file); reading_of, reading_words (of takes).
"""

from collections.abc import Collection
from contextlib import suppress
from dataclasses import replace
from math import radians
from pathlib import Path

from spatial.errors import SoundplumbError
from spatial.field import ChannelFormat, PlainFormat, ReadAs, plain_format
from spatial.jobs.day.day_files import clips_and_takes, files_of_day, is_there
from spatial.jobs.orient.learn_microphone import calibrated, still_unknown
from spatial.jobs.rig import Rig
from spatial.jobs.sync.time_of_day import FIRST_YEAR, camera_stamp_s, timecode_start_s
from spatial.media.movies.clip import open_clip
from spatial.media.shoot_file import SHOOT_FILE, Shoot, ShootRig, read_shoot
from spatial.mount.prior import Hanging, MountPrior


def shoot_of(folder: Path) -> Shoot:
    """What the shoot file in a folder says; nothing where there is none.

    Raises
    ------
    MediaFileError, ShootFileError
        As files_of_day and read_shoot.
    """
    if not is_there(folder / SHOOT_FILE):
        return Shoot()
    files_of_day(folder)
    return _read(folder)


def shoot_beside(*files: Path) -> Shoot | None:
    """The shoot file of the folder in which files lie; None where there is none, or they lie in several.

    Raises
    ------
    ShootFileError
        As read_shoot.
    """
    folders = {file.absolute().parent for file in files}
    if len(folders) != 1:
        return None
    (folder,) = folders
    return _read(folder) if is_there(folder / SHOOT_FILE) else None


def _read(folder: Path) -> Shoot:
    clips, takes = clips_and_takes(folder)

    def start_of_day_s(name: str) -> float | None:
        with suppress(SoundplumbError):
            clip = open_clip(folder / name)
            timecode_s = timecode_start_s(clip)
            if timecode_s is None and (clip.created or "") >= str(FIRST_YEAR):
                return camera_stamp_s(clip)
            return timecode_s
        return None

    names = ([clip.name for clip in clips], [take.name for take in takes])
    return read_shoot(folder / SHOOT_FILE, *names, start_of_day_s=start_of_day_s)


def rig_in(shoot: Shoot, clip: str, typed: Rig, *, but: Collection[str] = ()) -> Rig:
    """The rig that filmed a clip: what the shoot file says of it, but for what was typed (names of fields).

    Raises
    ------
    MicrophoneFileError
        The file of its microphone cannot be used.
    """
    named = shoot.rig_of(clip)
    if named is None:
        return typed
    rig = typed.with_words(named, but=but)
    if named.microphone is not None and "microphone" not in but:
        read_as = calibrated(named.channel_format or ChannelFormat.AMBIX, named.microphone)
        rig = replace(rig, microphone=still_unknown(read_as))
    return rig


def prior_of(clip: Path, typed: MountPrior | None, shoot: Shoot) -> MountPrior | None:
    """What the crew says of how the microphone sat: what was typed goes before the shoot file's word."""
    rig = shoot.rig_of(clip.name)
    if rig is None or (rig.hanging is None and rig.level_within_deg is None and rig.facing_deg is None):
        return typed
    prior = typed or MountPrior()
    if prior.hanging is None and rig.hanging is not None:
        prior = replace(prior, hanging=Hanging(rig.hanging))
    if prior.level_within_rad is None and rig.level_within_deg is not None:
        prior = replace(prior, level_within_rad=radians(rig.level_within_deg))
    if prior.facing_rad is None and rig.facing_deg is not None:
        prior = replace(prior, facing_rad=radians(rig.facing_deg))
    return prior


def reading_of(take: str, read_as: ReadAs, shoot: Shoot) -> ReadAs:
    """How a take is to be read: as its rig's takes are, or as all the others.

    Raises
    ------
    MicrophoneFileError
        The file of its microphone cannot be used.
    """
    rig = shoot.recorder_of(take)
    return read_as if rig is None else _reading(rig, plain_format(read_as))


def reading_words(shoot: Shoot) -> tuple[tuple[tuple[str, ...], ReadAs], ...]:
    """Patterns of names of takes that are read otherwise than all the others, and how."""
    return tuple((rig.takes, _reading(rig, ChannelFormat.AMBIX)) for rig in shoot.rigs if rig.takes)


def _reading(rig: ShootRig, others: PlainFormat) -> ReadAs:
    plain = rig.channel_format or others
    return plain if rig.microphone is None else calibrated(plain, rig.microphone)
