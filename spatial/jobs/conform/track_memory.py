"""What a track is made from, what came of it, and how the two are kept beside it for another day.

A track is tied to the contents of its clip, take, marks and moves, to every option that was given, and to the version
of this program: where all of them are as they were, its answer is read back whole, and nothing is measured again.
Functions: made_from, kept_answer (for the sidecar); recalled (read back).
"""

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.findings import Finding
from spatial.jobs.kept import from_kept, kept_text
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import VerifyResult
from spatial.media.ownership import Kind, is_ours
from spatial.media.takes.take import Take
from spatial.media.track_files import sidecar_facts
from spatial.mount.prior import MountPrior
from spatial.rotation import YawPitchRoll, ypr_from_matrix
from spatial.timebase import ClockLaw
from spatial.version import __version__

_OPTIONS = {
    "mic_offset_m": "--mic-offset",
    "mic_offset_sd_m": "--mic-offset-sd",
    "picture": "--picture",
    "band_hz": "--band-hz",
    "level": "--level",
    "format": "--format",
    "mount": "--mount",
    "hanging": "--upright or --upside-down",
    "level_within_deg": "--level-within",
    "facing_deg": "--facing",
    "repair": "--repair",
    "tolerance_deg": "the tolerances",
    "pair": "the pair in the shoot file",
}
"""What is asked of a track, by the words of whoever asks it."""


@dataclass(frozen=True, slots=True, eq=False)
class ConformResult:
    """A track that was written, and its proof."""

    output: Path
    samples: int
    law: ClockLaw
    mount: FloatArray
    rig: Rig
    """With the moves and the levelling that were applied too."""
    sync: SyncResult
    orient: OrientResult | None
    """How the mount was found; None where it was given by hand."""
    proof: VerifyResult
    findings: tuple[Finding, ...]

    @property
    def mount_angles(self) -> YawPitchRoll:
        """The mount as angles."""
        return ypr_from_matrix(self.mount)

    @property
    def mount_sd_rad(self) -> YawPitchRoll | None:
        """One standard deviation of each angle; None where the mount was given by hand."""
        return None if self.orient is None else self.orient.sd_rad


@dataclass(frozen=True, slots=True, eq=False)
class Recalled:
    """A track of ours that lies there, just as it was written."""

    older: str
    """What has changed since it was made, in words; empty where nothing has."""
    made: ConformResult | None = None
    """Its answer, where nothing has changed."""
    once: ConformResult | None = None
    """Its answer, where something has changed since and it can still be read: it holds for the track alone."""
    health: tuple[Finding, ...] | None = None
    """What was wrong with its take; None where nobody looked."""
    was: "Applied | None" = None
    """What another version made, so that it can be said what this one would make of it."""
    tried: frozenset[str] = frozenset()
    """Digest and name of each file of all takes that its clip was held against."""


@dataclass(frozen=True, slots=True, eq=False)
class Applied:
    """What was done to a take to make a track of it."""

    offset_s: float
    drift_ppm: float
    mount: FloatArray
    """picture_from_mic, shape (3, 3)."""


def _applied(facts: dict[str, Any]) -> Applied | None:
    """What stands in a sidecar of any version; None where it is not to be read."""
    try:
        told = facts["applied"]
        mount = np.array(told["mount"]["matrix"], dtype=float).reshape(3, 3)
        return Applied(float(told["offset_s"]), float(told["drift_ppm"]), mount)
    except (LookupError, TypeError, ValueError):
        return None


def made_from(sync: SyncResult, asked: TrackRequest, digest: Callable[[Path], str]) -> dict[str, Any]:
    """What a track is tied to, for its sidecar.

    Parameters
    ----------
    sync : SyncResult
    asked : TrackRequest
    digest : callable
        SHA-256 of a file.
    """
    tried = {path for take in (sync.take, *(take for take, _ in sync.others)) for path in take.paths}
    return {
        "clip": digest(sync.clip.path),
        "take": [digest(path) for path in sync.take.paths],
        **_beside(asked, digest),
        "takes_tried": sorted(_signed(path, digest) for path in tried),
        "options": _options(asked),
    }


def kept_answer(made: ConformResult, health: Sequence[Finding] | None, folder: Path) -> str | None:
    """The whole answer in a line; None where it holds what cannot be kept."""
    sync = without_sound(made.sync)
    orient = made.orient and replace(made.orient, sync=sync if made.orient.sync is not None else None)
    kept = replace(made, sync=sync, orient=orient)
    try:
        return kept_text({"made": kept, "health": None if health is None else tuple(health)}, folder)
    except TypeError:
        return None


def without_sound(result: SyncResult) -> SyncResult:
    """A match without what one pass over its take left behind, which is kept elsewhere."""
    return replace(result, listened=None)


def recalled(clip: Path, track: Path, asked: TrackRequest, digest: Callable[[Path], str]) -> Recalled | None:
    """What lies beside a clip as its track, and whether it is what would be made now.

    Parameters
    ----------
    clip, track : Path
    asked : TrackRequest
        What is asked now.
    digest : callable
        SHA-256 of a file.

    Returns
    -------
    Recalled or None
        None where no track lies there, or somebody has changed it or its sidecar.
    """
    if not track.is_file() or not is_ours(track.with_suffix(".json"), Kind.SIDECAR):
        return None
    facts = sidecar_facts(track)
    if facts is None:
        return None
    try:
        version, tied, kept = facts["soundplumb"], facts.get("made_from"), facts.get("kept")
        if version != __version__ or not tied:
            # Nothing tells what the track was when it was made but its own seal.
            other = f"soundplumb {version}" if version != __version__ else "an earlier soundplumb"
            older = f"{other} made it, and this is {__version__}"
            return Recalled(older, was=_applied(facts)) if is_ours(track, Kind.TRACK) else None
        if facts["output"]["sha256"] != digest(track):
            return None
        older = _changes(clip, tied, asked, facts, digest)
        if older:
            return Recalled(older, once=_once(kept, track, clip.parent))
        if kept is None:
            return Recalled("its answer could not be kept")
        answer = from_kept(kept, clip.parent)
        made = answer["made"]
        # The clip may have another name now, the folder another place.
        made = replace(made, output=track)
        return Recalled("", made=made, health=answer["health"], tried=frozenset(tied["takes_tried"]))
    except (OSError, LookupError, TypeError, AttributeError):
        return None
    except InputError:
        return Recalled("another version of soundplumb made it")


def _once(kept: str | None, track: Path, folder: Path) -> ConformResult | None:
    """The answer of an older track; None where it cannot be read, which is no more than it was."""
    if kept is None:
        return None
    try:
        made: ConformResult = from_kept(kept, folder)["made"]
        return replace(made, output=track)
    except (OSError, LookupError, TypeError, AttributeError, InputError):
        return None


def _changes(
    clip: Path, tied: dict[str, Any], asked: TrackRequest, facts: dict[str, Any], digest: Callable[[Path], str]
) -> str:
    """What has changed since a track was made, in words; empty where nothing has."""
    changed = []
    if tied["clip"] != digest(clip):
        changed.append(f"{clip.name} has changed")
    files = [clip.parent / Path(path).name for path in facts["take"]["files"]]
    gone = [path.name for path in files if not path.is_file()]
    if gone:
        changed.append(f"its take {' and '.join(gone)} is gone")
    elif tied["take"] != [digest(path) for path in files]:
        changed.append(f"its take {' and '.join(path.name for path in files)} has changed")
    now = _beside(asked, digest)
    paths = {"marks": asked.marks_path, "moves": asked.rig.moves.path if asked.rig.moves else None}
    for what, path in paths.items():
        if now[what] != tied[what]:
            if path is None:
                changed.append(f"its {what} are gone")
            else:
                changed.append(f"{path.name} {'is new' if tied[what] is None else 'has changed'}")
    options, then = _options(asked), tied["options"]
    if asked.pair in [path.name for path in files]:
        # What the sound found, and somebody has written down since, is the same pair.
        options["pair"] = then.get("pair")
    other = [_OPTIONS[name] for name in options if options[name] != then.get(name)]
    if other:
        changed.append(f"other options were given ({', '.join(other)})")
    return ", and ".join(changed)


def _beside(asked: TrackRequest, digest: Callable[[Path], str]) -> dict[str, str | None]:
    """Digests of what lies beside the clip."""
    moves = asked.rig.moves
    return {
        "marks": None if asked.marks_path is None else digest(asked.marks_path),
        "moves": None if moves is None else digest(moves.path),
    }


def _options(asked: TrackRequest) -> dict[str, Any]:
    """Every option, as JSON has it."""
    rig, prior, mount = asked.rig, asked.prior or MountPrior(), asked.mount_matrix
    reading = kept_text((asked.read_as, asked.formats, rig.microphone), Path("/"))
    return {
        "mic_offset_m": [float(part) for part in rig.mic_offset_m],
        "mic_offset_sd_m": float(rig.mic_offset_sd_m),
        "picture": rig.picture,
        "band_hz": [float(part) for part in rig.band_hz],
        "level": None if rig.levelled is None else rig.levelled.tolist(),
        "format": hashlib.sha256(reading.encode()).hexdigest(),
        "mount": None if mount is None else mount.tolist(),
        "hanging": prior.hanging.value if prior.hanging else None,
        "level_within_deg": _degrees(prior.level_within_rad),
        "facing_deg": _degrees(prior.facing_rad),
        "repair": asked.repair,
        "pair": asked.pair,
        "tolerance_deg": [_degrees(asked.tolerance.azimuth_rad), _degrees(asked.tolerance.elevation_rad)],
    }


def _degrees(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else float(np.degrees(angle_rad))


def is_tried(take: Take, tried: Iterable[str], digest: Callable[[Path], str]) -> bool:
    """Whether a clip was held against a take before; a copy under another name was not."""
    return {_signed(path, digest) for path in take.paths} <= set(tried)


def _signed(path: Path, digest: Callable[[Path], str]) -> str:
    return f"{digest(path)}  {path.name}"
