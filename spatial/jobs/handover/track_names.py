"""What tracks are called when they are handed over.

Functions: NamePattern (checked once, then asked for names); distinct (names that are never alike).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from spatial.errors import InputError
from spatial.jobs.day.day_result import DayClip
from spatial.media.ownership import portable_name, spelling

DEFAULT_NAMES = "<clip>_<take>_ambix.wav"

_SUFFIX = ".wav"
_WORD = re.compile(r"<([^<>]*)>")
_WORDS = ("clip", "take", "day", "date")


@dataclass(frozen=True, slots=True)
class NamePattern:
    """A pattern of names, in which words in <> stand for what is known of a track.

    Raises
    ------
    InputError
        It has other words, does not end in .wav, names a folder, or gives all tracks one name.
    """

    text: str = DEFAULT_NAMES

    def __post_init__(self) -> None:
        known = ", ".join(f"<{word}>" for word in _WORDS)
        for word in _WORD.findall(self.text):
            if word not in _WORDS:
                raise InputError(f"the pattern '{self.text}' has <{word}>, and names are made of {known}")
        if not self.text.lower().endswith(_SUFFIX):
            raise InputError(f"the pattern '{self.text}' does not end in .wav, and tracks are WAV files")
        if "/" in self.text or "\\" in self.text:
            raise InputError(f"the pattern '{self.text}' names a folder; all tracks lie beside the timeline")
        if "<clip>" not in self.text:
            raise InputError(f"the pattern '{self.text}' has no <clip>, so it would give several tracks one name")

    def names(self, entries: Sequence[DayClip], day: str) -> list[str]:
        """What the tracks of clips would be called; two may be alike.

        Parameters
        ----------
        entries : sequence of DayClip
            Each with its track.
        day : str
            What <day> stands for.
        """
        # Every second part is a word; a clip's name that looks like one is left alone.
        parts = _WORD.split(self.text[: -len(_SUFFIX)])
        names = []
        for entry in entries:
            words = _words(entry, day)
            names.append("".join(words[part] if n % 2 else part for n, part in enumerate(parts)) + _SUFFIX)
        return names


def distinct(names: Sequence[str], *, taken: Sequence[str] = ()) -> list[str]:
    """Names of WAV files that every system takes, no two alike on any.

    Parameters
    ----------
    names : sequence of str
    taken : sequence of str
        Names that are used for something else.

    Examples
    --------
    >>> distinct(["a.wav", "A.wav", "b?.wav"], taken=["B_.wav"])
    ['a.wav', 'A (2).wav', 'b_ (2).wav']
    """
    used = {spelling(name) for name in taken}
    found = []
    for wanted in names:
        stem = portable_name(wanted.removesuffix(_SUFFIX))
        name, number = f"{stem}{_SUFFIX}", 1
        while spelling(name) in used:
            number += 1
            name = f"{stem} ({number}){_SUFFIX}"
        used.add(spelling(name))
        found.append(name)
    return found


def _words(entry: DayClip, day: str) -> dict[str, str]:
    assert entry.sync is not None
    made = entry.sync.take.origination
    if made is None and entry.sync.clip.created is not None:
        try:
            made = datetime.fromisoformat(entry.sync.clip.created)
        except ValueError:
            made = None
    return {
        "clip": entry.clip.stem,
        "take": entry.sync.take.path.stem,
        "day": day,
        "date": "undated" if made is None else f"{made:%Y-%m-%d}",
    }
