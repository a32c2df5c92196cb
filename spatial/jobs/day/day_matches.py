"""Which take each clip of a day belongs to: remembered where clip and takes are as they were, found where not.

A match is kept in the user's cache folder by the contents of the clip and of all takes it was held against, what was
said of the microphone's place, and the version of this program. Without that folder everything is found anew.
Functions: DayMatcher (matches clips, and keeps what it found); match_one (one clip, here or in another process).
"""

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from uuid import uuid4

import numpy as np

from spatial.errors import InputError, SoundplumbError
from spatial.findings import Finding, Severity
from spatial.jobs.conform.track_memory import Recalled, is_tried, without_sound
from spatial.jobs.day.day_takes import DayTakes
from spatial.jobs.faults import as_fault
from spatial.jobs.kept import from_kept, kept_text
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.listen import listen_to_clip, unusable
from spatial.jobs.sync.listen_take import Listened
from spatial.jobs.sync.sync_clip import match_takes, rig_of
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import Pairing
from spatial.media.cache import FeatureCache
from spatial.media.movies.clip import open_clip
from spatial.media.shoot_file import SHOOT_FILE, Shoot
from spatial.media.takes.take import Take
from spatial.sync.alignment import FAINT_SCORE
from spatial.sync.coarse import find_candidates
from spatial.sync.envelope import ENVELOPE_VERSION
from spatial.version import __version__

_CLIP_KIND = f"clip envelope {ENVELOPE_VERSION}"


_HERE: dict[str, DayTakes] = {}
"""In another process: the takes of the day that it works on, with what was heard of them."""


@dataclass(frozen=True, slots=True, eq=False)
class ClipMatch:
    """A clip's match by its own sound, and what is wrong with its take."""

    result: SyncResult
    health: tuple[Finding, ...] | None = None
    """None where nobody has looked yet."""

    def without_sound(self) -> "ClipMatch":
        """The same without what one pass over the take left behind."""
        return replace(self, result=without_sound(self.result))


@dataclass(frozen=True, slots=True, eq=False)
class DayMatcher:
    """Matches the clips of a day with its takes, or remembers how they matched."""

    takes: DayTakes
    cache: FeatureCache
    shoot: Shoot
    progress: Progress
    away: str = ""
    """A name for this day's work where it is done in another process, to which little is sent, and from which little
    comes back."""

    def known(self, clip: Path, rig: Rig, there: Recalled | None = None) -> ClipMatch | Finding | None:
        """The match of a clip, where no sound of it need be heard for it; a finding where it cannot be used.

        `there`: the track that lies there. Takes that are new since it was made, and sound nothing like the clip, leave
        its match as it is.
        """
        try:
            with as_fault(clip.name):
                known = self._remembered(clip, rig)
                if known is None and there is not None and there.made is not None and self._unlike(clip, there):
                    known = ClipMatch(there.made.sync, there.health)
                    self.keep(rig, known)
                return known
        except SoundplumbError as error:
            return unusable(clip, error, Severity.FIX)

    def match(self, clip: Path, rig: Rig) -> ClipMatch | Finding:
        """The match of a clip, with its pair's take where it was paired by hand; a finding where it cannot be used."""
        try:
            with as_fault(clip.name):
                opened = open_clip(clip)
                with listen_to_clip(opened, self.progress) as (sound, heard):
                    self.cache.store(clip, _CLIP_KIND, {"powers": heard.powers})
                    takes, pairing = self._asked(clip)
                    apart = rig_of(rig.mic_offset_m, sd_m=rig.mic_offset_sd_m)
                    result = match_takes(
                        *(opened, sound, heard, takes), separation=apart, pairing=pairing, progress=self.progress
                    )
                    result = replace(result, pairing=pairing)
                self.keep(rig, ClipMatch(result))
                return ClipMatch(result)
        except SoundplumbError as error:
            return unusable(clip, error, Severity.FIX)

    def for_another_process(self) -> "DayMatcher":
        """The same without what was heard of the takes, which another process finds in the cache."""
        return replace(
            self,
            takes=self.takes.without_sound(),
            cache=FeatureCache(),
            progress=silent,
            away=uuid4().hex,
        )

    def _asked(self, clip: Path) -> tuple[list[tuple[Take, Listened]], Pairing | None]:
        """The takes that a clip is held against, and what the crew says of them."""
        takes, name = self.takes.listened(self.progress), self.shoot.take_of(clip.name)
        if name is None:
            others = self.shoot.not_takes_of(clip.name)
            left = [(take, heard) for take, heard in takes if not any(path.name in others for path in take.paths)]
            if not left:
                raise InputError(f"{SHOOT_FILE} says of every take that it is not of {clip.name}: none is left to try")
            return left, None
        paired = [(take, heard) for take, heard in takes if name in [path.name for path in take.paths]]
        if not paired:
            raise InputError(f"{clip.name} is paired with {name} by hand, and that take cannot be used")
        return paired, Pairing()

    def all_tried(self, clip: Path, there: Recalled) -> bool:
        """Whether a track's clip was held against every take that lies there now, or is paired by hand."""
        if self.shoot.take_of(clip.name) is not None:
            return True
        return all(is_tried(take, there.tried, self._digest) for take in self.takes.takes)

    def _unlike(self, clip: Path, there: Recalled) -> bool:
        """Whether no take that is new since a track was made can be its clip's: by their envelopes alone.

        Below FAINT_SCORE a full match says no as well, whatever it hears (spatial.sync.alignment).
        """
        held = self.cache.load(clip, _CLIP_KIND)
        if held is None or "powers" not in held:
            return False
        for take, heard in self.takes.listened(self.progress):
            if is_tried(take, there.tried, self._digest) or heard.silent:
                continue
            candidates = find_candidates(held["powers"], heard.powers)
            if candidates and candidates[0].score >= FAINT_SCORE:
                return False
        return True

    def keep(self, rig: Rig, match: ClipMatch) -> None:
        """Remember a match for another day; what cannot be kept is found anew then."""
        clip = match.result.clip.path
        kept = {"match": without_sound(match.result), "health": match.health}
        try:
            text = kept_text(kept, clip.parent)
            self.cache.store(clip, self._kind(clip, rig), {"kept": np.frombuffer(text.encode(), dtype=np.uint8)})
        except (TypeError, OSError):
            return

    def _remembered(self, clip: Path, rig: Rig) -> ClipMatch | None:
        try:
            held = self.cache.load(clip, self._kind(clip, rig))
            if held is None:
                return None
            kept = from_kept(held["kept"].tobytes().decode(), clip.parent)
            return ClipMatch(kept["match"], kept["health"])
        except (InputError, OSError, LookupError, ValueError):
            return None

    def _digest(self, path: Path) -> str:
        return self.takes.digest(path, self.cache)

    def _kind(self, clip: Path, rig: Rig) -> str:
        """What a match depends on beside the clip's content. Names too: findings speak of them."""
        takes = sorted(
            (path.name, self._digest(path), kept_text((take.channel_format, take.picked), clip.parent))
            for take in self.takes.takes
            for path in take.paths
        )
        others = sorted(self.shoot.not_takes_of(clip.name))
        asked = [self.shoot.take_of(clip.name), others, list(rig.mic_offset_m), rig.mic_offset_sd_m]
        told = json.dumps([__version__, clip.name, takes, asked])
        return f"match {hashlib.sha256(told.encode()).hexdigest()}"


def match_one(task: tuple[DayMatcher, Path, Rig], progress: Progress) -> ClipMatch | Finding:
    """Match one clip, here or in another process."""
    matcher, clip, rig = task
    if matcher.away:
        # Each task comes with takes of its own, which would be fetched from the cache anew for every clip.
        if matcher.away not in _HERE:
            _HERE.clear()
        matcher = replace(matcher, takes=_HERE.setdefault(matcher.away, matcher.takes))
    told = replace(matcher, progress=progress).match(clip, rig)
    return told.without_sound() if matcher.away and isinstance(told, ClipMatch) else told
