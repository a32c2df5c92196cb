"""What the shoot file of a folder says of the clip or take that a command was given.

What is typed goes before the file, option by option; what is taken from the file is said on standard error.
Functions: told_of (what holds for a command's files); readings_of (takes, each read in its own way);
picture_of (a picture's layout); rigs_of_folder (what holds for each clip of a folder); typed_options.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from cli.formats import FormatChoice, read_as
from cli.running import printable
from cli.shared import PriorChoice, RigChoice, pairing_from
from cli.streams import say

if TYPE_CHECKING:
    from spatial.field import ReadAs
    from spatial.jobs.rig import Rig
    from spatial.jobs.sync.take_choice import Pairing
    from spatial.media.shoot_file import Shoot, ShootRig
    from spatial.mount.prior import MountPrior

_FIELDS = {"mic_offset": "mic_offset_m", "mic_offset_sd": "mic_offset_sd_m", "known_microphone": "microphone"}
"""What an option sets, where that is called otherwise."""

_READING = ("channel_format", "capsules", "capsule_omni_part", "capsule_radius_mm", "capsule_correction", "microphone")


def typed_options() -> frozenset[str]:
    """The options that were typed, by the names of what they set."""
    context = click.get_current_context()
    typed = (ParameterSource.COMMANDLINE, ParameterSource.ENVIRONMENT)
    return frozenset(_FIELDS.get(name, name) for name in context.params if context.get_parameter_source(name) in typed)


def rigs_of_folder(folder: Path, typed: Rig) -> tuple[Shoot, Callable[[Path], Rig]]:
    """What a folder's shoot file says, without what typed options overrule of its takes; and the rig of a clip.

    Raises
    ------
    MediaFileError, ShootFileError
        As spatial.jobs.day.shoot_words.shoot_of.
    """
    from spatial.jobs.day.shoot_words import rig_in, shoot_of

    shoot, given = shoot_of(folder), typed_options()
    if not given.isdisjoint(("channel_format", "microphone")):
        shoot = shoot.without_formats()
    return shoot, lambda clip: rig_in(shoot, clip.name, typed, but=given)


@dataclass(frozen=True)
class Told:
    """What holds for a command's files: what was typed, and what the shoot file says besides."""

    rig: Rig
    prior: MountPrior
    read_as: ReadAs
    pairing: Pairing | None


def told_of(
    clip: Path | None,
    takes: Sequence[Path],
    *,
    rig: RigChoice | None = None,
    prior: PriorChoice | None = None,
    channel_format: FormatChoice,
    paired: bool = False,
) -> Told:
    """What holds for a clip and its takes; for takes alone where there is no clip.

    Raises
    ------
    ShootFileError, InputError
        The shoot file cannot be used, or reads the takes in several ways.
    """
    from spatial.jobs.day.shoot_words import prior_of, rig_in, shoot_beside

    plain = read_as(channel_format)
    typed = (rig or RigChoice((0.0, 0.0, 0.0), 0.03, None)).told(plain)
    typed_prior = prior.told() if prior else PriorChoice(False, False, None, None).told()
    pairing = pairing_from(paired=paired)
    shoot = shoot_beside(*([clip] if clip else takes))
    if shoot is None:
        return Told(typed, typed_prior, plain, pairing)
    given = typed_options()
    said: list[str] = []
    reading = plain
    if given.isdisjoint(_READING):
        reading = _reading(takes, plain, shoot)
        if reading != plain:
            said.append(f"format {reading.value}")
    filmed = rig_of = shoot.rig_of(clip.name) if clip is not None else _recorder(shoot, takes)
    told_rig, told_prior = typed, typed_prior
    if clip is not None and rig_of is not None:
        if rig is not None:
            # Of a finished track nothing is known of the microphone's own axes.
            but = given if takes and given.isdisjoint(_READING) else given | {"microphone"}
            told_rig = rig_in(shoot, clip.name, typed, but=but)
            said += _rig_words(rig_of, typed, told_rig)
        if prior is not None:
            told_prior = prior_of(clip, typed_prior, shoot) or typed_prior
            said += _prior_words(rig_of, typed_prior)
    names = {path.name for path in takes}
    if clip is not None and pairing is None and names == {shoot.take_of(clip.name)} and "paired" in _parameters():
        pairing = pairing_from(paired=True)
        said.append(f"{clip.name} is paired with {shoot.take_of(clip.name)}")
    _say(clip, takes, filmed, said)
    if clip is not None:
        _say_against(clip, names, shoot)
    return Told(told_rig, told_prior, reading, pairing)


def picture_of(clip: Path, typed: str | None) -> str | None:
    """How a clip's picture is laid out: what was typed, else what the shoot file says of its rig.

    Raises
    ------
    ShootFileError
        The shoot file beside it cannot be used.
    """
    from spatial.jobs.day.shoot_words import shoot_beside

    shoot = None if typed else shoot_beside(clip)
    rig = shoot.rig_of(clip.name) if shoot else None
    if rig is None or rig.picture is None:
        return typed
    _say(clip, (), rig, [f"picture {rig.picture}"])
    return rig.picture


def readings_of(takes: Sequence[Path], channel_format: FormatChoice) -> list[tuple[ReadAs, list[Path]]]:
    """How takes are to be read, where each may be read in its own way; those of one way together.

    Raises
    ------
    ShootFileError
        The shoot file beside them cannot be used.
    """
    from spatial.jobs.day.shoot_words import reading_of, shoot_beside

    plain = read_as(channel_format)
    shoot = shoot_beside(*takes)
    if shoot is None or not typed_options().isdisjoint(_READING):
        return [(plain, list(takes))]
    groups: dict[ReadAs, list[Path]] = {}
    for take in takes:
        groups.setdefault(reading_of(take.name, plain, shoot), []).append(take)
    for reading, group in groups.items():
        if reading != plain:
            _say(None, group, _recorder(shoot, group), [f"format {reading.value}"])
    return list(groups.items())


def _parameters() -> frozenset[str]:
    return frozenset(click.get_current_context().params)


def _recorder(shoot: Shoot, takes: Sequence[Path]) -> ShootRig | None:
    return shoot.recorder_of(takes[0].name) if takes else None


def _reading(takes: Sequence[Path], plain: ReadAs, shoot: Shoot) -> ReadAs:
    from spatial.errors import InputError
    from spatial.jobs.day.shoot_words import reading_of

    readings = [reading_of(take.name, plain, shoot) for take in takes]
    if any(each != readings[0] for each in readings):
        raise InputError(
            "shoot.toml reads these takes in several ways: name those of one recorder, or say with --format how all of "
            "them are to be read"
        )
    return readings[0] if readings else plain


def _rig_words(named: ShootRig, typed: Rig, told: Rig) -> list[str]:
    words = []
    if told.picture != typed.picture:
        words.append(f"picture {told.picture}")
    if told.mic_offset_m != typed.mic_offset_m:
        words.append("mic_offset_m " + ",".join(f"{part:g}" for part in told.mic_offset_m))
    if told.mic_offset_sd_m != typed.mic_offset_sd_m:
        words.append(f"mic_offset_sd_m {told.mic_offset_sd_m:g}")
    if named.microphone is not None and told.microphone != typed.microphone:
        words.append(f"microphone {named.microphone.name}")
    return words


def _prior_words(named: ShootRig, typed: MountPrior) -> list[str]:
    words = []
    if typed.hanging is None and named.hanging is not None:
        words.append(f"hanging {named.hanging}")
    if typed.level_within_rad is None and named.level_within_deg is not None:
        words.append(f"level_within_deg {named.level_within_deg:g}")
    if typed.facing_rad is None and named.facing_deg is not None:
        words.append(f"facing_deg {named.facing_deg:g}")
    return words


def _say(clip: Path | None, takes: Sequence[Path], rig: ShootRig | None, said: Sequence[str]) -> None:
    if said:
        whose = clip.name if clip else takes[0].name
        name = f" ({rig.name})" if rig is not None and rig.name else ""
        say(printable(f"soundplumb: from shoot.toml, for {whose}{name}: {', '.join(said)}"))


def _say_against(clip: Path, takes: set[str], shoot: Shoot) -> None:
    """What was typed against the file's word is done, and said."""
    for name in sorted(takes):
        against = ""
        if name in shoot.not_takes_of(clip.name) or shoot.has_no_take(clip.name):
            against = f"{name} is not a take of {clip.name}"
        elif not shoot.is_good(name):
            against = f"{name} is a bad take"
        elif shoot.take_of(clip.name) not in (None, *takes):
            against = f"the take of {clip.name} is {shoot.take_of(clip.name)}"
        if against:
            say(printable(f"soundplumb: shoot.toml says that {against}; you named {name}, so it is used all the same"))
