"""The shoot file: what the crew decided of a whole day, in TOML, as `shoot.toml` in its folder.

Form: `notes`, `turned_deg` (how the finished pictures are turned, of all clips), and tables of four kinds, all of them
described in cli/REFERENCE.md: `[[rig]]` (which clips one camera with one microphone filmed, and what holds for them),
`[[pair]]` (which take is a clip's, or is not, or that it has none), `[[take]]` (files that are one take or are not, and
takes that are no good), `[[clip]]` (what holds for one clip). Every mistake is one sentence with the line and the key.
Functions: read_shoot (a Shoot says what holds for a clip or take).
"""

import datetime
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from spatial.capsules import Capsules
from spatial.errors import InputError, ShootFileError
from spatial.field import ChannelFormat, PlainFormat
from spatial.media.intake import read_toml
from spatial.picture import LAYOUTS, check_layout
from spatial.rotation import YawPitchRoll
from spatial.timebase import DAY_S

SHOOT_FILE = "shoot.toml"

_MOST_BYTES = 1_000_000
_MOST_OFFSET_M, _MOST_SD_M = 10.0, 1.0
"""As for --mic-offset and --mic-offset-sd: no rig is that large, and no tape that bad."""
_HANGING = ("upright", "upside_down")


@dataclass(frozen=True, slots=True)
class ShootRig:
    """One rig of a day; None where the file says nothing."""

    clips: tuple[str, ...]
    """Patterns of the names of the clips that it filmed; none where the time of day alone tells."""
    picture: str | None = None
    mic_offset_m: tuple[float, float, float] | None = None
    mic_offset_sd_m: float | None = None
    hanging: str | None = None
    """"upright" or "upside_down"."""
    takes: tuple[str, ...] = ()
    """Patterns of the names of its recorder's takes."""
    channel_format: PlainFormat | None = None
    """How those are to be read."""
    microphone: Path | None = None
    """File of what was learned of its microphone."""
    name: str = ""
    between_s: tuple[float, float] | None = None
    """Times of day from which and until which it filmed, seconds from midnight; over midnight the second is less."""
    level_within_deg: float | None = None
    facing_deg: float | None = None
    notes: str = ""
    number: int = 0
    """Which of the file's rigs it is, from 0."""

    @property
    def label(self) -> str:
        """What people call it: its name, or its place in the file."""
        return self.name or f"rig {self.number + 1}"


@dataclass(frozen=True, slots=True)
class ShootPair:
    """What was decided by hand of a clip and its take; one of the three holds."""

    clip: str
    take: str | None = None
    not_takes: tuple[str, ...] = ()
    """Files of takes that are not its own."""
    no_take: bool = False


@dataclass(frozen=True, slots=True)
class ShootTake:
    """What was decided by hand of a take."""

    files: tuple[str, ...]
    good: bool = True
    alone: bool = False
    """None of its files continues another, whatever they seem to."""
    joined: bool = False
    """All of its files are one take, one after the other, whatever they seem to be."""
    notes: str = ""


@dataclass(frozen=True, slots=True)
class ShootClip:
    """What was decided by hand of one clip."""

    name: str
    turned: YawPitchRoll | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Shoot:
    """What a shoot file says."""

    rigs: tuple[ShootRig, ...] = ()
    pairs: tuple[ShootPair, ...] = ()
    takes: tuple[ShootTake, ...] = ()
    clips: tuple[ShootClip, ...] = ()
    turned: YawPitchRoll | None = None
    """How the finished pictures of all clips are turned against the clips."""
    notes: str = ""
    rig_numbers: tuple[tuple[str, int], ...] = field(default=(), repr=False)
    """Which rig filmed each clip of the folder, by name: where times of day tell, names do not."""

    def rig_of(self, clip: str) -> ShootRig | None:
        """The rig that filmed a clip, by the clip's name; None where none is named."""
        known = dict(self.rig_numbers)
        if clip in known:
            return self.rigs[known[clip]]
        return next((rig for rig in self.rigs if _fits(clip, rig.clips)), None)

    def recorder_of(self, take: str) -> ShootRig | None:
        """The rig whose recorder a take is of, by its name; None where that is not said."""
        return next((rig for rig in self.rigs if _fits(take, rig.takes)), None)

    def format_of(self, take: str) -> PlainFormat | None:
        """How a take is to be read, by its name; None where nothing is said."""
        rig = self.recorder_of(take)
        return None if rig is None else rig.channel_format

    def take_of(self, clip: str) -> str | None:
        """The take that a clip was paired with by hand."""
        return next((pair.take for pair in self.pairs if pair.clip == clip), None)

    def not_takes_of(self, clip: str) -> tuple[str, ...]:
        """Files of takes that are not a clip's, as was decided by hand."""
        return next((pair.not_takes for pair in self.pairs if pair.clip == clip), ())

    def has_no_take(self, clip: str) -> bool:
        """Whether it was decided by hand that no take belongs to a clip."""
        return any(pair.clip == clip and pair.no_take for pair in self.pairs)

    def is_good(self, take: str) -> bool:
        """Whether a file of a take was not called bad."""
        return all(told.good for told in self.takes if take in told.files)

    def stands_alone(self, take: str) -> bool:
        """Whether a file is no part of a longer take, as was decided by hand."""
        return any(told.alone for told in self.takes if take in told.files)

    def turn_of(self, clip: str) -> YawPitchRoll | None:
        """How the finished picture of a clip is turned against the clip; None where nothing is said."""
        own = next((told.turned for told in self.clips if told.name == clip), None)
        return self.turned if own is None else own

    def without_formats(self) -> "Shoot":
        """The same, where it is said elsewhere how all takes are to be read."""
        rigs = tuple(replace(rig, takes=(), channel_format=None, microphone=None) for rig in self.rigs)
        return replace(self, rigs=rigs)


def read_shoot(
    path: Path,
    clips: Sequence[str],
    takes: Sequence[str],
    *,
    start_of_day_s: Callable[[str], float | None] = lambda _clip: None,
) -> Shoot:
    """Read a shoot file.

    Parameters
    ----------
    path : Path
    clips, takes : sequence of str
        Names of the files that lie in the folder.
    start_of_day_s : callable
        Seconds from midnight at which a clip was begun, by its name; None where it does not say. Asked only where a
        rig is named by times.

    Raises
    ------
    ShootFileError
        It cannot be read; a key is unknown, is missing or holds something else than it should; a clip or take is none
        of the folder's; a clip or take is named by two rigs, a clip paired twice. Line and key are named.
    """
    text, said = read_toml(
        path, "shoot file", ShootFileError, most_bytes=_MOST_BYTES, what_to_do="a shoot file is TOML in UTF-8"
    )
    tables = _Tables(path.name, text.splitlines())
    whole = _Entry(tables, "", 0, said)
    for key in said:
        if key not in ("notes", "turned_deg", *_TABLES):
            raise tables.wrong(
                key, 0, key, "is no key of a shoot file; it has the tables [[rig]], [[pair]], [[take]] and [[clip]]"
            )
    shoot = Shoot(
        rigs=tuple(_rig(entry, path.parent) for entry in tables.list_of(said, "rig")),
        pairs=tuple(_pair(entry) for entry in tables.list_of(said, "pair")),
        takes=tuple(_take(entry) for entry in tables.list_of(said, "take")),
        clips=tuple(_clip(entry) for entry in tables.list_of(said, "clip")),
        turned=whole.read("turned_deg", _turn, _TURN),
        notes=whole.read("notes", _text, _TEXT) or "",
    )
    _check_rigs(tables, shoot.rigs, clips, takes)
    _check_files(tables, shoot, clips, takes)
    return replace(shoot, rig_numbers=_by_time(tables, shoot, clips, start_of_day_s))


# --- the file and where things stand in it ---

_TABLES = ("rig", "pair", "take", "clip")


@dataclass(frozen=True, slots=True)
class _Tables:
    """Where the tables of a file stand, so that a mistake can be shown."""

    name: str
    lines: list[str]

    def wrong(self, table: str, number: int, key: str, what: str) -> ShootFileError:
        """An error about a key of the table that is the `number`th of its name, counted from 0."""
        head = re.compile(rf"\s*\[\[\s*{re.escape(table)}\s*\]\]") if table else re.compile(r"\A")
        any_head = re.compile(r"\s*\[")
        heads = [n for n, line in enumerate(self.lines) if head.match(line)]
        begin = heads[number] if number < len(heads) else 0
        # What belongs to no table stands before the first; what belongs to one, before the next, whichever that is.
        end = next((n for n in range(begin + bool(table), len(self.lines)) if any_head.match(self.lines[n])), None)
        wanted = re.compile(rf"\s*(\[+\s*)?[\"']?{re.escape(key)}[\"']?\s*[=\].]")
        inside = range(begin, len(self.lines) if end is None else end)
        line = next((n for n in inside if wanted.match(self.lines[n])), None)
        if line is None and (number >= len(heads) or not table):
            line = next((n for n in range(len(self.lines)) if wanted.match(self.lines[n])), None)
        return ShootFileError(f"{self.name}, line {(begin if line is None else line) + 1}: {key} {what}")

    def list_of(self, said: dict[str, Any], table: str) -> list["_Entry"]:
        """The tables of a name."""
        entries = said.get(table, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise self.wrong(table, 0, table, f"is written as a table of its own for each: [[{table}]]")
        return [_Entry(self, table, number, entry) for number, entry in enumerate(entries)]


@dataclass(frozen=True, slots=True)
class _Entry:
    """One table."""

    tables: _Tables
    table: str
    number: int
    said: dict[str, Any]

    def wrong(self, key: str, what: str) -> ShootFileError:
        """An error about one of its keys."""
        return self.tables.wrong(self.table, self.number, key, what)

    def require_known(self, known: Sequence[str], what: str) -> None:
        """Raise where it has a key that there is not."""
        for key in self.said:
            if key not in known:
                raise self.wrong(key, f"is no key of {what}; it has {', '.join(known)}")

    def read(self, key: str, take: Callable[[Any], Any], what: str) -> Any:
        """A value, or None; `what` says what it should be."""
        if key not in self.said:
            return None
        try:
            return take(self.said[key])
        except (InputError, ValueError, TypeError, OverflowError) as error:
            # A whole number of TOML has any length, and not every one fits a float.
            raise self.wrong(key, what) from error

    def one_of_them(self, keys: Sequence[str], what: str) -> str:
        """Which of some keys it has, of which it must have just one."""
        there = [key for key in keys if key in self.said]
        if len(there) != 1:
            key = there[1] if there else keys[0]
            raise self.wrong(key, what if not there else f"does not go with {there[0]}: give one of the two")
        return there[0]


# --- its tables ---

_NAMES = "is a list of file names, in which * stands for anything"
_FILE = "is the name of one file in the folder, in quotes"
_TEXT = "is text in quotes"
_TRUTH = "is true or false"
_TURN = "is how far the finished picture is turned: degrees to the left, or three numbers, left, up and right side down"
_ANGLE = "is a number of degrees"
_RIG = (
    *("clips", "from", "until", "name", "picture", "mic_offset_m", "mic_offset_sd_m", "hanging", "level_within_deg"),
    *("facing_deg", "takes", "format", "capsules", "capsule_omni_part", "capsule_radius_mm", "capsule_correction"),
    *("microphone", "notes"),
)
_CAPSULES = _RIG[_RIG.index("capsules") : _RIG.index("microphone")]
_READING = ("format", "microphone")


def _rig(entry: _Entry, folder: Path) -> ShootRig:
    entry.require_known(_RIG, "a rig")
    clips = entry.read("clips", _patterns, _NAMES)
    between = _between(entry)
    if clips is None and between is None:
        raise entry.wrong("clips", f'is missing: it {_NAMES}, such as ["A*.mov"]')
    takes = entry.read("takes", _patterns, _NAMES)
    channel_format = _reading(entry)
    microphone = entry.read("microphone", _text, "is the name of a file that orient --save-microphone wrote")
    for key in _READING:
        if key in entry.said and takes is None:
            raise entry.wrong(key, 'needs takes beside it: takes = ["rec*"] names the takes that are read so')
    if takes is not None and not any(key in entry.said for key in _READING):
        raise entry.wrong("takes", "needs format or microphone beside it, which says how these takes are read")
    if microphone is not None and not (folder / microphone).is_file():
        raise entry.wrong("microphone", f"names '{microphone}', and no such file lies in the folder")
    return ShootRig(
        clips or (),
        picture=entry.read("picture", _picture, _picture_wanted(entry)),
        mic_offset_m=entry.read("mic_offset_m", _offset, "is three numbers, forward, left and up in metres, up to 10"),
        mic_offset_sd_m=entry.read("mic_offset_sd_m", _length, "is a number of metres, from 0 to 1"),
        hanging=entry.read("hanging", _hanging, "is upright or upside_down"),
        takes=takes or (),
        channel_format=channel_format,
        microphone=None if microphone is None else folder / microphone,
        name=entry.read("name", _text, _TEXT) or "",
        between_s=between,
        level_within_deg=entry.read("level_within_deg", _level, "is a number of degrees, above 0 and up to 90"),
        facing_deg=entry.read("facing_deg", _angle, f"{_ANGLE}, positive = left of the lens"),
        notes=entry.read("notes", _text, _TEXT) or "",
        number=entry.number,
    )


def _picture_wanted(entry: _Entry) -> str:
    """What a picture should be, with the word that stands there."""
    return (
        f"is {entry.said.get('picture')!r}, which is no picture layout; use one of {', '.join(LAYOUTS)} (a fisheye may "
        "have another field of view, 1 to 360 degrees)"
    )


def _between(entry: _Entry) -> tuple[float, float] | None:
    what = 'is a time of day, such as "09:30"'
    begin, end = entry.read("from", _time_of_day_s, what), entry.read("until", _time_of_day_s, what)
    if begin is None and end is None:
        return None
    return (0.0 if begin is None else begin), (DAY_S if end is None else end)


def _reading(entry: _Entry) -> PlainFormat | None:
    """How the rig's takes are read."""
    named = entry.read("format", _format, "is one of ambix, n3d, fuma, aformat, auto")
    others = [key for key in _CAPSULES if key in entry.said]
    if named != "aformat":
        if others:
            raise entry.wrong(others[0], 'says what the capsules are like, and needs format = "aformat"')
        return None if named is None else ChannelFormat(named)
    default = Capsules()
    order = entry.read("capsules", _order, f"names the four capsules {', '.join(default.order)} in the channels' order")
    omni = entry.read("capsule_omni_part", _number, "is a number from 0.1 to 0.9; 0.5 is a cardioid")
    radius_mm = entry.read("capsule_radius_mm", _number, "is a number of millimetres, from 2 to 50")
    corrected = entry.read("capsule_correction", _truth, _TRUTH)
    try:
        return Capsules(
            default.order if order is None else order,
            default.omni_part if omni is None else omni,
            default.radius_m if radius_mm is None else radius_mm / 1e3,
            bool(corrected),
        )
    except InputError as error:
        raise entry.wrong(others[0], f"cannot be used ({error})") from error


def _pair(entry: _Entry) -> ShootPair:
    entry.require_known(("clip", "take", "not_take", "no_take"), "a pair")
    if not isinstance(entry.said.get("clip"), str):
        raise entry.wrong("clip", _FILE)
    key = entry.one_of_them(("take", "not_take", "no_take"), f"{_FILE}; or give not_take, or no_take = true")
    if key == "no_take" and entry.said["no_take"] is not True:
        raise entry.wrong("no_take", "is true, or is left out")
    return ShootPair(
        entry.said["clip"],
        take=entry.read("take", _text, _FILE),
        not_takes=entry.read("not_take", _names, "is the name of a file in the folder, or a list of them") or (),
        no_take=key == "no_take",
    )


def _take(entry: _Entry) -> ShootTake:
    entry.require_known(("files", "good", "alone", "joined", "notes"), "a take")
    files = entry.read("files", _names, "is a list of file names")
    if files is None:
        raise entry.wrong("files", 'is missing: it is a list of file names, such as ["rec-1.wav"]')
    good, alone, joined = (entry.read(key, _truth, _TRUTH) for key in ("good", "alone", "joined"))
    if alone and joined:
        raise entry.wrong("joined", "does not go with alone: files are one take, or each stands alone")
    twice = next((name for n, name in enumerate(files) if name in files[:n]), None)
    if twice is not None:
        raise entry.wrong("files", f"names {twice} twice")
    if joined and len(files) < 2:
        raise entry.wrong("joined", "needs two files or more")
    return ShootTake(files, good is not False, bool(alone), bool(joined), entry.read("notes", _text, _TEXT) or "")


def _clip(entry: _Entry) -> ShootClip:
    entry.require_known(("name", "turned_deg", "notes"), "a clip")
    if not isinstance(entry.said.get("name"), str):
        raise entry.wrong("name", _FILE)
    turned = entry.read("turned_deg", _turn, _TURN)
    return ShootClip(entry.said["name"], turned, entry.read("notes", _text, _TEXT) or "")


# --- against the folder ---


def _fits(name: str, patterns: Sequence[str]) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def _check_rigs(tables: _Tables, rigs: Sequence[ShootRig], clips: Sequence[str], takes: Sequence[str]) -> None:
    """Every pattern fits something, and nothing is fitted by two rigs."""
    for key, there in (("clips", clips), ("takes", takes)):
        owners: dict[str, int] = {}
        for number, rig in enumerate(rigs):
            patterns = rig.clips if key == "clips" else rig.takes
            for pattern in patterns:
                if not any(fnmatchcase(name, pattern) for name in there):
                    raise tables.wrong("rig", number, key, f"names '{pattern}', and none of the folder's {key} fits it")
            if key == "clips" and rig.between_s is not None:
                # Which of these it filmed, the time of day tells.
                continue
            for name in there:
                if _fits(name, patterns) and owners.setdefault(name, number) != number:
                    first = owners[name] + 1
                    raise tables.wrong("rig", number, key, f"names {name}, which rig {first} of the file names too")


def _check_files(tables: _Tables, shoot: Shoot, clips: Sequence[str], takes: Sequence[str]) -> None:
    """Every file that is named lies there, and nothing is decided twice, or one way and the other."""

    def require_there(table: str, number: int, key: str, name: str) -> None:
        what = "take" if table == "take" or (key != "clip" and table == "pair") else "clip"
        if name not in (takes if what == "take" else clips):
            alike = next((other for other in (takes if what == "take" else clips) if other.lower() == name.lower()), "")
            more = f" (there is {alike})" if alike else ""
            raise tables.wrong(
                table, number, key, f"names '{name}', and no {what} of that name lies in the folder{more}"
            )

    for number, pair in enumerate(shoot.pairs):
        require_there("pair", number, "clip", pair.clip)
        if pair.take is not None:
            require_there("pair", number, "take", pair.take)
        for name in pair.not_takes:
            require_there("pair", number, "not_take", name)
        if pair.clip in [other.clip for other in shoot.pairs[:number]]:
            raise tables.wrong("pair", number, "clip", f"names {pair.clip}, which has been paired before")
        if pair.take is not None and not shoot.is_good(pair.take):
            raise tables.wrong(
                "pair", number, "take", f"names {pair.take}, which the file calls a bad take (good = false)"
            )
    owners: dict[str, int] = {}
    for number, take in enumerate(shoot.takes):
        for name in take.files:
            require_there("take", number, "files", name)
            if owners.setdefault(name, number) != number:
                raise tables.wrong("take", number, "files", f"names {name}, which another [[take]] names before")
    seen: set[str] = set()
    for number, clip in enumerate(shoot.clips):
        require_there("clip", number, "name", clip.name)
        if clip.name in seen:
            raise tables.wrong("clip", number, "name", f"names {clip.name}, which another [[clip]] names before")
        seen.add(clip.name)


def _by_time(
    tables: _Tables, shoot: Shoot, clips: Sequence[str], start_of_day_s: Callable[[str], float | None]
) -> tuple[tuple[str, int], ...]:
    """The rig of each clip, where a rig is named by times of day."""
    if all(rig.between_s is None for rig in shoot.rigs):
        return ()
    found = []
    for clip in clips:
        owners = []
        for rig in shoot.rigs:
            if rig.between_s is None:
                owners += [rig.number] if _fits(clip, rig.clips) else []
                continue
            if rig.clips and not _fits(clip, rig.clips):
                continue
            began = start_of_day_s(clip)
            if began is None:
                key = "from" if rig.between_s[0] > 0 else "until"
                raise tables.wrong(
                    *("rig", rig.number, key),
                    f"sorts clips by time of day, and {clip} does not say when it was filmed; name it under clips",
                )
            begin, end = rig.between_s
            inside = begin <= began < end if begin <= end else began >= begin or began < end
            owners += [rig.number] if inside else []
        if len(owners) > 1:
            raise tables.wrong(
                *("rig", owners[1], "clips" if shoot.rigs[owners[1]].clips else "from"),
                f"takes in {clip}, which rig {owners[0] + 1} of the file takes in too",
            )
        found += [(clip, number) for number in owners]
    return tuple(found)


# --- values ---


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


def _truth(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError
    return value


def _patterns(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(name, str) and name for name in value):
        raise TypeError
    return tuple(value)


def _names(value: Any) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) and value else _patterns(value)


def _picture(value: Any) -> str:
    check_layout(_text(value))
    return str(value)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError
    return float(value)


def _angle(value: Any) -> float:
    if abs(_number(value)) > 360.0:
        raise ValueError
    return float(value)


def _level(value: Any) -> float:
    if not 0.0 < _number(value) <= 90.0:
        raise ValueError
    return float(value)


def _turn(value: Any) -> YawPitchRoll:
    yaw, pitch, roll = (value, 0.0, 0.0) if isinstance(value, int | float) else value
    return YawPitchRoll.from_degrees(_angle(yaw), _angle(pitch), _angle(roll))


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


def _format(value: Any) -> str:
    return _text(value) if value == "aformat" else ChannelFormat(_text(value)).value


def _order(value: Any) -> tuple[str, ...]:
    return tuple(label.upper() for label in (_text(value).split(",") if isinstance(value, str) else _patterns(value)))


def _time_of_day_s(value: Any) -> float:
    told = value if isinstance(value, datetime.time) else datetime.time.fromisoformat(_text(value))
    return told.hour * 3600.0 + told.minute * 60.0 + told.second + told.microsecond * 1e-6
