"""The shoot file: what the crew decided of a whole day, in TOML, as `shoot.toml` in its folder.

Form: for each rig a table `[[rig]]` with `clips` (patterns of file names) and any of `picture`, `mic_offset_m`
(forward, left, up), `mic_offset_sd_m`, `hanging`, `takes` (patterns) and `format` (of those takes); for each pair
decided by hand a table `[[pair]]` with `clip` and `take`. Every mistake is one sentence with the line and the key.
Functions: read_shoot (a Shoot says what holds for a clip or take).
"""

import math
import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from spatial.errors import InputError, ShootFileError
from spatial.field import ChannelFormat
from spatial.media.intake import read_input
from spatial.picture import check_layout

SHOOT_FILE = "shoot.toml"

_MOST_BYTES = 1_000_000
_MOST_OFFSET_M, _MOST_SD_M = 10.0, 1.0
"""As for --mic-offset and --mic-offset-sd: no rig is that large, and no tape that bad."""
_HANGING = ("upright", "upside_down")


@dataclass(frozen=True, slots=True)
class ShootRig:
    """One rig of a day; None where the file says nothing."""

    clips: tuple[str, ...]
    """Patterns of the names of the clips that it filmed."""
    picture: str | None = None
    mic_offset_m: tuple[float, float, float] | None = None
    mic_offset_sd_m: float | None = None
    hanging: str | None = None
    """"upright" or "upside_down"."""
    takes: tuple[str, ...] = ()
    """Patterns of the names of its recorder's takes."""
    channel_format: ChannelFormat | None = None
    """How those are to be read."""


@dataclass(frozen=True, slots=True)
class Shoot:
    """What a shoot file says."""

    rigs: tuple[ShootRig, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    """Names of a clip and of its take, as they were paired by hand."""

    def rig_of(self, clip: str) -> ShootRig | None:
        """The rig that filmed a clip, by the clip's name; None where none is named."""
        return next((rig for rig in self.rigs if _fits(clip, rig.clips)), None)

    def format_of(self, take: str) -> ChannelFormat | None:
        """How a take is to be read, by its name; None where nothing is said."""
        return next((rig.channel_format for rig in self.rigs if _fits(take, rig.takes)), None)

    def take_of(self, clip: str) -> str | None:
        """The take that a clip was paired with by hand."""
        return dict(self.pairs).get(clip)

    def without_formats(self) -> "Shoot":
        """The same, where it is said elsewhere how all takes are to be read."""
        return Shoot(tuple(replace(rig, takes=(), channel_format=None) for rig in self.rigs), self.pairs)


def read_shoot(path: Path, clips: Sequence[str], takes: Sequence[str]) -> Shoot:
    """Read a shoot file.

    Parameters
    ----------
    path : Path
    clips, takes : sequence of str
        Names of the files that lie in the folder.

    Raises
    ------
    ShootFileError
        It cannot be read; a key is unknown, is missing or holds something else than it should; a clip or take is none
        of the folder's; a clip or take is named by two rigs, a clip paired twice. Line and key are named.
    """
    raw = read_input(path, "shoot file", ShootFileError, most_bytes=_MOST_BYTES)
    try:
        text = raw.decode("utf-8-sig")
        told = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise ShootFileError(f"{path.name} cannot be read as a shoot file ({error}); it is TOML in UTF-8") from error
    tables = _Tables(path.name, text.splitlines())
    for key in told:
        if key not in ("rig", "pair"):
            raise tables.wrong(key, 0, key, "is no key of a shoot file; it has the tables [[rig]] and [[pair]]")
    rigs = tuple(_rig(tables, n, entry) for n, entry in enumerate(tables.list_of(told, "rig")))
    pairs = tuple(_pair(tables, n, entry) for n, entry in enumerate(tables.list_of(told, "pair")))
    _check_names(tables, rigs, clips, takes)
    for number, pair in enumerate(pairs):
        for key, name, known in (("clip", pair[0], clips), ("take", pair[1], takes)):
            if name not in known:
                raise tables.wrong("pair", number, key, f"names '{name}', and no {key} of that name lies in the folder")
        if pair[0] in [clip for clip, _ in pairs[:number]]:
            raise tables.wrong("pair", number, "clip", f"names {pair[0]}, which has been paired before")
    return Shoot(rigs, pairs)


@dataclass(frozen=True, slots=True)
class _Tables:
    """Where the tables of a file stand, so that a mistake can be shown."""

    name: str
    lines: list[str]

    def wrong(self, table: str, number: int, key: str, what: str) -> ShootFileError:
        """An error about a key of the table that is the `number`th of its name, counted from 0."""
        head = re.compile(rf"\s*\[\[\s*{re.escape(table)}\s*\]\]")
        heads = [n for n, line in enumerate(self.lines) if head.match(line)]
        begin = heads[number] if number < len(heads) else 0
        end = heads[number + 1] if number + 1 < len(heads) else len(self.lines)
        wanted = re.compile(rf"\s*(\[+\s*)?[\"']?{re.escape(key)}[\"']?\s*[=\].]")
        line = next((n for n in range(begin, end) if wanted.match(self.lines[n])), begin)
        return ShootFileError(f"{self.name}, line {line + 1}: {key} {what}")

    def list_of(self, told: dict[str, Any], table: str) -> list[dict[str, Any]]:
        """The tables of a name."""
        entries = told.get(table, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise self.wrong(table, 0, table, f"is written as a table of its own for each: [[{table}]]")
        return entries


def _fits(name: str, patterns: Sequence[str]) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def _rig(tables: _Tables, number: int, entry: dict[str, Any]) -> ShootRig:
    def read(key: str, take: Callable[[Any], Any], what: str) -> Any:
        if key not in entry:
            return None
        try:
            return take(entry[key])
        except (InputError, ValueError, TypeError) as error:
            raise tables.wrong("rig", number, key, what) from error

    known = ("clips", "picture", "mic_offset_m", "mic_offset_sd_m", "hanging", "takes", "format")
    for key in entry:
        if key not in known:
            raise tables.wrong("rig", number, key, f"is no key of a rig; it has {', '.join(known)}")
    names = "is a list of file names, in which * stands for anything"
    clips = read("clips", _patterns, names)
    if clips is None:
        raise tables.wrong("rig", number, "clips", f'is missing: it {names}, such as ["A*.mov"]')
    takes = read("takes", _patterns, names)
    channel_format = read("format", _format, "is one of ambix, n3d, fuma, auto")
    if (takes is None) != (channel_format is None):
        key = "format" if takes is None else "takes"
        raise tables.wrong("rig", number, key, "needs the other of the two, takes and format: which takes are read how")
    return ShootRig(
        clips,
        picture=read("picture", _picture, "is no picture layout; see --picture"),
        mic_offset_m=read("mic_offset_m", _offset, "is three numbers, forward, left and up in metres, up to 10"),
        mic_offset_sd_m=read("mic_offset_sd_m", _length, "is a number of metres, from 0 to 1"),
        hanging=read("hanging", _hanging, "is upright or upside_down"),
        takes=takes or (),
        channel_format=channel_format,
    )


def _pair(tables: _Tables, number: int, entry: dict[str, Any]) -> tuple[str, str]:
    for key in entry:
        if key not in ("clip", "take"):
            raise tables.wrong("pair", number, key, "is no key of a pair; it has clip and take")
    for key in ("clip", "take"):
        if not isinstance(entry.get(key), str):
            raise tables.wrong("pair", number, key, "is the name of one file in the folder, in quotes")
    return entry["clip"], entry["take"]


def _check_names(tables: _Tables, rigs: Sequence[ShootRig], clips: Sequence[str], takes: Sequence[str]) -> None:
    """Every pattern fits something, and nothing is fitted by two rigs."""
    for key, there in (("clips", clips), ("takes", takes)):
        owners: dict[str, int] = {}
        for number, rig in enumerate(rigs):
            patterns = rig.clips if key == "clips" else rig.takes
            for pattern in patterns:
                if not any(fnmatchcase(name, pattern) for name in there):
                    raise tables.wrong("rig", number, key, f"names '{pattern}', and none of the folder's {key} fits it")
            for name in there:
                if _fits(name, patterns) and owners.setdefault(name, number) != number:
                    first = owners[name] + 1
                    raise tables.wrong("rig", number, key, f"names {name}, which rig {first} of the file names too")


def _patterns(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(name, str) and name for name in value):
        raise TypeError
    return tuple(value)


def _picture(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    check_layout(value)
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError
    return float(value)


def _offset(value: Any) -> tuple[float, float, float]:
    forward, left, up = (_number(part) for part in value)
    if max(abs(forward), abs(left), abs(up)) > _MOST_OFFSET_M:
        raise ValueError
    return forward, left, up


def _length(value: Any) -> float:
    if not 0.0 <= _number(value) <= _MOST_SD_M:
        raise ValueError
    return float(value)


def _hanging(value: Any) -> str:
    if value not in _HANGING:
        raise ValueError
    return str(value)


def _format(value: Any) -> ChannelFormat:
    if not isinstance(value, str):
        raise TypeError
    return ChannelFormat(value)
