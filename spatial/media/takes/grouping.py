"""The takes among a heap of files: one file each, or several that hold the channels or the hours of one recording.

Goal: a recorder may write one file with all channels, one for each channel, or one for each pair; and may split each of
them where it gets long. Named together they are one take.
Functions: gather_takes (what cannot be used is reported beside it).
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from spatial.conventions import FIRST_ORDER_CHANNELS
from spatial.errors import SoundplumbError
from spatial.field import ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.media.takes.joining import join_takes
from spatial.media.takes.reader import Part
from spatial.media.takes.take import Take, named_channels, open_any, too_narrow

_FIELDS = (4, 9, 16)
"""Channels of fields of first, second and third order: files of one or two channels make up one of these."""

_UNEVEN_S = 0.05
"""Files of one recording are closed one after the other, and may differ by a block in length."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """The takes among some files, and what of the files cannot be used."""

    takes: tuple[Take, ...]
    """In the order of the first of their files."""
    failures: tuple[tuple[Path, SoundplumbError], ...]


def gather_takes(paths: Sequence[Path], *, channel_format: ReadAs) -> Gathered:
    """Find the takes among files, whose order does not matter except where nothing else tells that of channels."""
    opened: list[Take] = []
    failures: list[tuple[Path, SoundplumbError]] = []
    for path in dict.fromkeys(paths):
        try:
            opened.append(open_any(path, channel_format=channel_format))
        except SoundplumbError as error:
            failures.append((path, error))
    wide = [take for take in opened if take.channels >= FIRST_ORDER_CHANNELS]
    beside, alone = _beside_each_other([take for take in opened if take.channels < FIRST_ORDER_CHANNELS])
    failures += [(take.path, too_narrow(take)) for take in alone]
    order = {path: place for place, path in enumerate(paths)}
    takes = sorted([*wide, *beside], key=lambda take: min(order[path] for path in take.paths))
    return Gathered(tuple(join_takes(takes)), tuple(failures))


def _beside_each_other(files: Sequence[Take]) -> tuple[list[Take], list[Take]]:
    """Takes made of files of one or two channels, and the files that are left."""
    takes: list[Take] = []
    left = list(files)
    while (group := _one_group(left)) is not None:
        takes.append(_joined(group, named=True))
        left = [file for file in left if file not in group]
    # Four unlike names, of one length: the order they were named in is all there is.
    if left and sum(file.channels for file in left) == FIRST_ORDER_CHANNELS and _fit(left):
        takes.append(_joined(left, named=False))
        left = []
    return takes, left


def _one_group(files: Sequence[Take]) -> list[Take] | None:
    """Files whose names differ in one place only, where they count or name channels, in order."""
    patterns: dict[tuple[int, Path, tuple[str, ...], tuple[str, ...]], dict[str, Take]] = {}
    for file in files:
        words = re.findall(r"\d+|[^\W\d_]+|[\W_]+", file.path.stem)
        for place, word in enumerate(words):
            # From the end of the name: "T02_1" is the first channel of the second take.
            key = (place - len(words), file.path.parent, tuple(words[:place]), tuple(words[place + 1 :]))
            patterns.setdefault(key, {})[word] = file
    for key in sorted(patterns, key=lambda key: -key[0]):
        words = _in_order(patterns[key])
        group = [patterns[key][word] for word in words]
        if group and sum(file.channels for file in group) in _FIELDS and _fit(group):
            return group
    return None


def _in_order(words: Iterable[str]) -> list[str]:
    """Words that count or that name channels, in order; none where they do neither."""
    found = list(words)
    if all(word.isascii() and word.isdigit() for word in found):
        counted = sorted(found, key=int)
        return counted if all(int(b) - int(a) == 1 for a, b in pairwise(counted)) else _pairs(counted)
    named = sorted(found)
    if named_channels(named, "") is not None:
        return named
    if all(len(word) == 1 for word in named):
        return named if all(ord(b) - ord(a) == 1 for a, b in pairwise(named)) else []
    return _pairs(named)


def _pairs(words: list[str]) -> list[str]:
    """Names of stereo pairs, as 12 and 34."""
    return words if words == ["12", "34"] else []


def _fit(files: Sequence[Take]) -> bool:
    """Whether they may be of one recording: alike, of one length, of one time."""
    first = files[0]
    alike = {(file.rate_hz, file.channels, file.subtype, file.container) for file in files}
    starts = {file.start_of_day_s for file in files}
    lengths = [file.samples for file in files]
    return len(alike) == 1 and len(starts) == 1 and max(lengths) - min(lengths) <= _UNEVEN_S * first.rate_hz


def _joined(files: Sequence[Take], *, named: bool) -> Take:
    first = files[0]
    samples = min(file.samples for file in files)
    names = ", ".join(file.path.name for file in files)
    findings = [finding for file in files for finding in file.findings]
    if not named:
        message = f"{names} are read as the channels of one take in the order they were named; check that it is right"
        findings.append(Finding(Code.CONVENTION_GUESS, Severity.LOOK, message, first.path.name))
    if max(file.samples for file in files) > samples:
        message = f"{names} are not of one length: their ends are left out; they should be of one recording"
        findings.append(Finding(Code.WRONG_LENGTH, Severity.LOOK, message, first.path.name))
    channels = sum(file.channels for file in files)
    declared = (
        named_channels([file.path.stem for file in files], "the names of its files") if channels == len(files) else None
    )
    return replace(
        first,
        channels=channels,
        samples=samples,
        parts=(Part(first.path, samples, beside=tuple(file.path for file in files[1:])),),
        findings=tuple(findings),
        declared=declared,
    )
