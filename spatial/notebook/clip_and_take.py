"""Where a clip lies in a take and how their clocks drift apart, of files or of sound in memory.

Conventions: spatial.conventions (time).
Functions: Alignment (the result); align; clip_and_takes (what a caller names, as files).
"""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, TypeGuard

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ
from spatial.errors import InconclusiveError, InputError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding
from spatial.jobs.conform.render import on_clip_time
from spatial.jobs.sync.sync_clip import sync_clip
from spatial.jobs.sync.sync_result import SyncResult
from spatial.jobs.sync.take_choice import Pairing
from spatial.jobs.sync.time_of_day import clip_start_of_day_s
from spatial.notebook.doors import (
    FIELD,
    SCRATCH,
    PathLike,
    SoundArray,
    as_file,
    checked_number,
    checked_path,
    checked_paths,
    checked_rate,
    checked_sound,
    chosen_format,
)
from spatial.notebook.recording import Recording
from spatial.report import words
from spatial.timebase import ClockLaw, ClockStep

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ClipLike = PathLike | tuple[SoundArray, float]
"""A camera's movie or sound; or its sound as (array, rate in Hz), shape (samples,), (1, samples) or (2, samples)."""

TakesLike = PathLike | Sequence[PathLike] | Recording | tuple[SoundArray, float]
"""One or several takes; or one as a Recording or as (array, rate in Hz), shape (4, samples), W, Y, Z, X in SN3D."""


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Alignment:
    """How a clip and the take that fits it lie in time, or why none does.

    Clip time 0 is the first shown picture frame, of sound alone its first sample; take time 0 is the take's first.
    """

    matched: bool
    reason: str
    """Why there is no match; empty where there is one."""
    undecided: bool
    """Whether there is none because there was too little to hear, not because the two differ."""
    take_name: str
    """Of the take that matched, or of the likeliest where none did."""
    offset_s: float | None
    """Take time minus clip time at clip time 0, seconds: positive = the take was running already."""
    offset_sd_s: float | None
    """One standard deviation."""
    drift_ppm: float | None
    """By how much the recorder's clock counts more seconds than the camera's, parts per million."""
    drift_sd_ppm: float | None
    """One standard deviation."""
    law: ClockLaw | None
    """The clock law to work by. Where the measured drift does not stand out of its uncertainty, it has none, and its
    offset may then differ by a little from `offset_s`."""
    steps: tuple[ClockStep, ...]
    """Where one of the two clocks jumps."""
    findings: tuple[Finding, ...]
    result: SyncResult = field(repr=False)
    """What the job gave."""

    def take_from_clip(self, clip_time_s: float) -> float:
        """Take time of a clip time, seconds, by `law`.

        Raises
        ------
        InconclusiveError
            There is no match.
        """
        return self._law().take_from_clip(checked_number(clip_time_s, "clip_time_s"))

    def clip_from_take(self, take_time_s: float) -> float:
        """Clip time of a take time, seconds, by `law`.

        Raises
        ------
        InconclusiveError
            There is no match.
        """
        return self._law().clip_from_take(checked_number(take_time_s, "take_time_s"))

    def on_clip_time(self) -> Recording:
        """The take's field on clip time: de-drifted, at 48 kHz, exactly as long as the clip, in the microphone's axes.

        Where the take does not cover the clip, it is silent.

        Raises
        ------
        InconclusiveError
            There is no match.
        InputError
            The take was an array, of which no file is left to read.
        """
        self._law()
        take = self.result.take
        if not all(path.exists() for path in take.paths):
            raise InputError(f"{take.path.name} is no file that could be read again; align the take's files instead")
        whole = np.concatenate(list(on_clip_time(self.result, lambda block, _: block)), axis=1)
        day_s = clip_start_of_day_s(self.result.clip, take, self.result.law)
        return Recording(whole, DELIVERY_RATE_HZ, take.paths, start_of_day_s=day_s, findings=take.findings)

    def plot(self) -> "Figure":
        """How far each moment lies from the fitted law, what the take covers, and how strong the likeness is."""
        from spatial.report.plots.sync_plot import sync_figure

        return sync_figure(self.result)

    def __repr__(self) -> str:
        clip = self.result.clip.path.name
        found = f"; findings: {', '.join(sorted({f.code for f in self.findings}))}" if self.findings else ""
        if not self.matched or self.offset_s is None or self.drift_ppm is None:
            if self.undecided:
                return f"Alignment: cannot tell whether {self.take_name} belongs to {clip}: {self.reason}{found}"
            return f"Alignment: no match between {clip} and {self.take_name}: {self.reason}{found}"
        start = words.start(self.offset_s, self.offset_sd_s).replace("the clip", clip)
        return f"Alignment: {self.take_name} starts {start}; {words.clock(self.drift_ppm, self.drift_sd_ppm)}{found}"

    def _law(self) -> ClockLaw:
        if self.law is None:
            raise InconclusiveError(
                f"{self.result.clip.path.name} and {self.take_name} are not known to match, so no time of one is a "
                f"time of the other: {self.reason}"
            )
        return self.law


def align(
    clip: ClipLike,
    takes: TakesLike,
    *,
    mic_offset_m: Sequence[float] = (0.0, 0.0, 0.0),
    paired: bool = False,
    read_as: ReadAs | str = ChannelFormat.AMBIX,
) -> Alignment:
    """Find which take heard what the camera heard, where the clip lies in it, and how their clocks drift apart.

    Parameters
    ----------
    clip : str or Path, or (ndarray, rate_hz)
        A movie, or sound alone; as an array of floats, shape (samples,) or (1 or 2, samples), 16 to 192 kHz.
    takes : str or Path, list of them, Recording, or (ndarray, rate_hz)
        One or more takes; as an array of floats, shape (4, samples), W, Y, Z, X in SN3D, 16 to 192 kHz. The rates of
        clip and take need not be the same.
    mic_offset_m : (forward, left, up)
        The microphone's place seen from the lens, metres; all 0 where it is not known.
    paired : bool
        They were filmed together, you say: the answer is given wherever the two align, and the doubt is still told.
    read_as : {"ambix", "n3d", "fuma", "auto", "aformat"} or ReadAs
        How the channels of files are to be read.

    Returns
    -------
    Alignment
        `matched` is False where no take fits, or where that cannot be told.

    Raises
    ------
    InputError
        Something that is neither path nor sound; a rate, shape or sample that cannot be used.
    MediaFileError
        The clip, or every take, cannot be used.
    """
    offset_m = checked_offset(mic_offset_m)
    with clip_and_takes(clip, takes, read_as) as (clip_path, take_paths, channel_format):
        result = sync_clip(
            *(clip_path, take_paths),
            channel_format=channel_format,
            mic_offset_m=offset_m,
            pairing=Pairing() if paired else None,
        )
    estimate = result.estimate
    law = estimate.law
    return Alignment(
        matched=estimate.matched,
        reason=estimate.reason,
        undecided=estimate.undecided,
        take_name=result.take.path.name,
        offset_s=None if law is None else law.offset_s,
        offset_sd_s=estimate.offset_sd_s,
        drift_ppm=None if law is None else law.drift_ppm,
        drift_sd_ppm=estimate.drift_sd_ppm,
        law=estimate.applied_law,
        steps=estimate.steps,
        findings=result.findings,
        result=result,
    )


def checked_offset(mic_offset_m: Sequence[float]) -> tuple[float, float, float]:
    """The microphone's place as three numbers.

    Raises
    ------
    InputError
        They are not three finite numbers of at most 100 m.
    """
    if not hasattr(mic_offset_m, "__len__") or len(mic_offset_m) != 3:
        raise InputError("mic_offset_m must be three numbers in metres: forward, left and up of the lens")
    forward, left, up = (checked_number(part, "a part of mic_offset_m", least=-100, most=100) for part in mic_offset_m)
    return forward, left, up


@contextmanager
def clip_and_takes(
    clip: ClipLike, takes: TakesLike, read_as: ReadAs | str
) -> Iterator[tuple[Path, tuple[Path, ...], ReadAs]]:
    """A clip and its takes as files, for a with block, and how the takes' channels are to be read.

    Raises
    ------
    InputError
        As `align` does.
    """
    channel_format = chosen_format(read_as)
    with ExitStack() as stack:
        if _is_pair(clip):
            data, rate_hz = clip
            rate = checked_rate(rate_hz, "the clip")
            sound = checked_sound(data, rate, "the clip", channels=SCRATCH)
            clip_path = stack.enter_context(as_file(sound, rate, "the clip's array"))
        else:
            _refuse_bare_array(clip, "the clip")
            clip_path = checked_path(clip, "the clip")
        if not isinstance(takes, Recording) and not _is_pair(takes):
            _refuse_bare_array(takes, "the take")
            yield clip_path, checked_paths(takes, "the take"), channel_format
            return
        if channel_format is not ChannelFormat.AMBIX:
            raise InputError("an array is in ACN order and SN3D already; read_as is for files")
        if isinstance(takes, Recording):
            if takes.start_s:
                raise InputError(
                    f"this recording begins {takes.start_s:g} s into {takes.name}, and times would be counted from "
                    "there: name the take's file, or read it from its start"
                )
            data, rate, name = takes.field, takes.rate_hz, takes.name if takes.paths else "the take's array"
        else:
            rate, name = checked_rate(takes[1], "the take"), "the take's array"
            data = checked_sound(takes[0], rate, "the take", channels=FIELD)
        yield clip_path, (stack.enter_context(as_file(data, rate, name)),), channel_format


def _is_pair(value: object) -> TypeGuard[tuple[SoundArray, float]]:
    """Whether this is sound with its rate, and not two paths."""
    return isinstance(value, tuple) and len(value) == 2 and not any(isinstance(part, str | Path) for part in value)


def _refuse_bare_array(value: object, what: str) -> None:
    if isinstance(value, np.ndarray):
        raise InputError(f"{what} is an array, which does not know its sample rate; give both, as (array, rate_hz)")
