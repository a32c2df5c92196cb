"""How far a day is: by clip, with the time that is left.

Functions: DayProgress (told of each clip's steps, and of its end).
"""

import time
from collections.abc import Callable, Mapping
from pathlib import Path

from spatial.jobs.progress import Progress, silent

Log = Callable[[str], None]
"""Called with a line for each clip that is done, for those who look at no bar."""

_SOON_S = 20.0
"""Less than this is left: "soon" says as much as a number that jumps."""


def no_log(line: str) -> None:
    """Tell nobody."""


_TELLING_PART = 0.02
"""What part of the work must be done before it tells how long the rest takes: a clip that cannot be read takes no time,
and would have the others last half an hour."""


class DayProgress:
    """Progress of one round through the clips of a day, such as matching them.

    Parameters
    ----------
    doing : str
        What is done in this round, in a word: "matched", "done".
    work_s : mapping of Path to float
        The clips that cost work, with how long each lasts: they take time in proportion.
    progress : Progress
    log : Log
        Told a line as each clip is done, where there are several.
    """

    def __init__(
        self, doing: str, work_s: Mapping[Path, float], progress: Progress = silent, log: Log = no_log
    ) -> None:
        self._doing = doing
        # A clip that lasts no time takes some all the same.
        self._work_s = {clip: max(work_s[clip], 1.0) for clip in work_s}
        self._done: list[Path] = []
        self._progress, self._log = progress, log
        self._began = time.monotonic()

    def working(self, clip: Path, step: str, part: float) -> None:
        """Part of one of a clip's steps is done."""
        if clip not in self._work_s:
            self._progress(step, part)
            return
        number = len(self._done) + 1
        of = f"clip {number} of {len(self._work_s)}: " if len(self._work_s) > 1 else ""
        left = self._left()
        self._progress(f"{of}{step}{', ' + left if left else ''}", self._share())

    def done(self, clip: Path, how: str = "") -> None:
        """A clip is done; `how` says what came of it."""
        if clip not in self._work_s:
            return
        self._done.append(clip)
        if len(self._work_s) > 1:
            left = self._left() if len(self._done) < len(self._work_s) else ""
            more = "".join(f"; {word}" for word in (how, left) if word)
            self._log(f"{self._doing} {len(self._done)} of {len(self._work_s)}: {clip.name}{more}")

    def _share(self) -> float:
        return sum(self._work_s[clip] for clip in self._done) / max(sum(self._work_s.values()), 1e-9)

    def _left(self) -> str:
        """How long it still takes, by what the clips that are done took; empty where these are too few to tell."""
        done_s = sum(self._work_s[clip] for clip in self._done)
        if self._share() < _TELLING_PART:
            return ""
        left_s = (time.monotonic() - self._began) / done_s * (sum(self._work_s.values()) - done_s)
        return "about done" if left_s < _SOON_S else f"about {in_minutes(left_s)} left"


def in_minutes(seconds: float) -> str:
    """A time that nobody needs to the second.

    Examples
    --------
    >>> in_minutes(41.0), in_minutes(130.0), in_minutes(5000.0)
    ('40 s', '2 min', '1 h 25 min')
    """
    if seconds < 90:
        return f"{10 * round(seconds / 10)} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(5 * round(minutes / 5), 60)
    return f"{hours} h {rest} min"
