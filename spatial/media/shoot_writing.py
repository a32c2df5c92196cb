"""Adds to a shoot file, or makes one, and leaves what the crew wrote in it as it is.

Functions: with_added (the text with rigs and pairs added to it).
Form: spatial.media.shoot_file.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import tomlkit
from tomlkit.items import AoT

from spatial.media.shoot_file import ShootPair, ShootRig

_HEAD = "What holds for the clips of this folder. soundplumb day reads it; options that are typed go before it."


@dataclass(frozen=True, slots=True)
class Added:
    """What is added to a shoot file."""

    rigs: Sequence[ShootRig] = ()
    pairs: Sequence[ShootPair] = ()
    notes: Sequence[str] = ()
    """What was measured of the rig, one line each: as comments, for a file decides and measures nothing."""


def with_added(text: str, added: Added) -> str:
    r"""The text of a shoot file with tables added at its end.

    Parameters
    ----------
    text : str
        What stands in it; empty where there is none.
    added : Added

    Examples
    --------
    >>> print(with_added("# Friday\n", Added(pairs=[ShootPair("a.mov", "1.wav")])).strip())
    # Friday
    <BLANKLINE>
    [[pair]]
    clip = "a.mov"
    take = "1.wav"
    """
    document = tomlkit.parse(text if text.endswith("\n") or not text else text + "\n")
    if not text:
        document.add(tomlkit.comment(_HEAD))
    rigs = [_rig(rig) for rig in added.rigs]
    for rig in rigs[:1]:
        for note in added.notes:
            rig.add(tomlkit.comment(note))
    for name, tables in (("rig", rigs), ("pair", [_pair(pair) for pair in added.pairs])):
        if not tables:
            continue
        there = document.get(name)
        if isinstance(there, AoT):
            for table in tables:
                there.append(table)
        else:
            rows = tomlkit.aot()
            for table in tables:
                rows.append(table)
            document.append(name, rows)
    return tomlkit.dumps(document)


def _rig(rig: ShootRig) -> tomlkit.items.Table:
    table = tomlkit.table()
    clips = tomlkit.array()
    clips.extend(rig.clips)
    table.add("clips", clips.multiline(len(rig.clips) > 4))
    if rig.picture is not None:
        table.add("picture", rig.picture)
    if rig.mic_offset_m is not None:
        table.add("mic_offset_m", list(rig.mic_offset_m))
    for key in ("mic_offset_sd_m", "hanging", "level_within_deg", "facing_deg"):
        value = getattr(rig, key)
        if value is not None:
            table.add(key, value)
    return table


def _pair(pair: ShootPair) -> tomlkit.items.Table:
    table = tomlkit.table()
    table.add("clip", pair.clip)
    if pair.take is not None:
        table.add("take", pair.take)
    return table
