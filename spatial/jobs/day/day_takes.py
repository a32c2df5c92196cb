"""The takes of a day: opened as the crew says that they are to be read, split and joined; those that can be used.

Functions: open_good_takes (all but those that the crew calls bad); usable_takes (DayTakes: fetches what was heard of
them when a clip asks for it).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from spatial.errors import FaultError, MediaFileError, SoundplumbError
from spatial.field import ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.shoot_words import reading_of
from spatial.jobs.faults import as_fault
from spatial.jobs.progress import Progress
from spatial.jobs.sync.listen import listen_to_takes, require_usable, unusable
from spatial.jobs.sync.listen_take import Listened, is_remembered
from spatial.jobs.sync.sync_clip import open_takes
from spatial.media.cache import FeatureCache
from spatial.media.shoot_file import SHOOT_FILE, Shoot
from spatial.media.takes.joining import joined
from spatial.media.takes.take import Take


@dataclass(slots=True, eq=False)
class DayTakes:
    """The takes of a day that can be used; what was heard of them is fetched when a clip asks for it."""

    takes: tuple[Take, ...]
    unread: tuple[Finding, ...]
    """About takes that cannot be read to their end."""
    _heard: dict[tuple[Path, ...], Listened]
    _digests: dict[Path, str] = field(default_factory=dict)

    def digest(self, path: Path, cache: FeatureCache) -> str:
        """SHA-256 of a take's file, looked up once for all clips: 300 clips would ask for that of 100 takes each.

        Raises
        ------
        OSError
            It cannot be read.
        """
        if path not in self._digests:
            self._digests[path] = cache.digest(path)
        return self._digests[path]

    def without_sound(self) -> "DayTakes":
        """The same without what was heard of them, which another process finds in the cache."""
        return replace(self, unread=(), _heard={})

    def listened(self, progress: Progress) -> list[tuple[Take, Listened]]:
        """Every take with what was heard of it."""
        missing = [take for take in self.takes if take.paths not in self._heard]
        told, broken = listen_to_takes(missing, progress)
        self._heard.update({take.paths: heard for take, heard in told})
        self.unread = (*self.unread, *broken)
        return [(take, self._heard[take.paths]) for take in self.takes if take.paths in self._heard]


def usable_takes(opened: Sequence[Take], cache: FeatureCache, progress: Progress) -> DayTakes:
    """Those that can be read to their end: the others show when they are listened to for the first time."""
    new = [take for take in opened if not is_remembered(take, cache)]
    told, broken = listen_to_takes(new, progress)
    heard = {take.paths: listened for take, listened in told}
    unread = {take.paths for take in new} - heard.keys()
    return DayTakes(tuple(take for take in opened if take.paths not in unread), tuple(broken), heard)


def open_good_takes(paths: Sequence[Path], read_as: ReadAs, shoot: Shoot) -> tuple[list[Take], list[Finding]]:
    """Open takes, each as the shoot file says that it is to be read, or as all the others; bad ones are only named.

    Raises
    ------
    MediaFileError
        None can be opened, or the crew calls all of them bad.
    """
    good = [path for path in paths if shoot.is_good(path.name)]
    if not good:
        raise MediaFileError(f"{SHOOT_FILE} calls every take of the folder bad, so there is none to match a clip with")
    said = [_bad(path) for path in paths if path not in good]
    groups: dict[ReadAs, list[Path]] = {}
    apart: list[list[Path]] = []
    named = {path.name: path for path in good}
    for told in shoot.takes:
        if told.joined and all(name in named for name in told.files):
            apart.append([named[name] for name in told.files])
    by_hand = {path for group in apart for path in group}
    apart += [[path] for path in good if shoot.stands_alone(path.name)]
    by_hand |= {path for group in apart for path in group}
    for path in good:
        if path not in by_hand:
            groups.setdefault(reading_of(path.name, read_as, shoot), []).append(path)
    opened: list[Take] = []
    broken: list[Finding] = []
    work = [(group, told, False) for told, group in groups.items()]
    work += [(group, reading_of(group[0].name, read_as, shoot), True) for group in apart]
    for group, told_read_as, one in work:
        try:
            takes, failures = (_joined if one else _open_takes)(group, told_read_as)
        except MediaFileError as error:
            if len(work) == 1:
                raise
            # None of these can be opened; others may.
            broken.append(unusable(group[0], error, Severity.LOOK))
            continue
        opened += takes
        broken += failures
    require_usable(len(opened), broken)
    order = {path: place for place, path in enumerate(paths)}
    return sorted(opened, key=lambda take: order[take.path]), [*broken, *said]


def _bad(path: Path) -> Finding:
    return Finding(
        Code.UNUSED_TAKE,
        Severity.NOTE,
        f"{path.name} is called a bad take in {SHOOT_FILE}, so no clip is matched with it",
        path.name,
    )


def _joined(paths: Sequence[Path], read_as: ReadAs) -> tuple[list[Take], list[Finding]]:
    """Files that are one take by the crew's word, or one file that stands alone."""
    whole, broken = _open_takes(paths[:1], read_as)
    for path in paths[1:]:
        (following, *_), failures = _open_takes([path], read_as)
        broken += failures
        both = joined(whole[0], following)
        if both is None:
            names = " and ".join(each.name for each in paths)
            message = (
                f"{SHOOT_FILE} says that {names} are one take, and they are not of one kind (sample rate, channels, "
                "coding): they are used as takes of their own"
            )
            alone = [_open_takes([each], read_as) for each in paths]
            return (
                [take for takes, _ in alone for take in takes],
                [*broken, Finding(Code.UNUSABLE_FILE, Severity.LOOK, message, path.name)],
            )
        whole = [both]
    return whole, broken


def _open_takes(paths: Sequence[Path], channel_format: ReadAs) -> tuple[list[Take], list[Finding]]:
    """Open takes; where that fails in a way nobody thought of, each by itself, to know which of them it is."""
    # A file in the folder that is no take may be none of the shoot's: it is looked at, not mended.
    try:
        with as_fault("the takes"):
            return open_takes(paths, channel_format, severity=Severity.LOOK)
    except FaultError:
        opened: list[Take] = []
        broken: list[Finding] = []
        for path in paths:
            try:
                with as_fault(path.name):
                    opened += open_takes([path], channel_format, severity=Severity.LOOK)[0]
            except SoundplumbError as error:
                broken.append(unusable(path, error, Severity.FIX if isinstance(error, FaultError) else Severity.LOOK))
        require_usable(len(opened), broken)
        return opened, broken
