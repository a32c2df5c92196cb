"""Where sound came from over time, of a file or of a field in memory.

Conventions: spatial.conventions (azimuth, elevation).
Functions: Directions (the result); directions.
"""

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray
from spatial.errors import InputError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Finding
from spatial.jobs.directions import DirectionsResult, directions_of_take
from spatial.notebook.doors import (
    FIELD,
    SoundArray,
    as_file,
    checked_number,
    checked_path,
    checked_rate,
    checked_sound,
    chosen_format,
)
from spatial.notebook.recording import Recording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Number = TypeVar("Number", bound=np.generic)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Directions:
    """Directions over time, in the field's own axes: one row for a step, or one for each source that sounds in it.

    All arrays have the shape (rows,) and may not be written into.
    """

    times_s: FloatArray
    """Middle of each row's step, seconds: take time of a file or Recording, from the first sample of an array."""
    azimuth_deg: FloatArray
    """Positive to the left, (-180, 180]; NaN where nothing direct was heard."""
    elevation_deg: FloatArray
    """Positive up; NaN likewise."""
    sd_deg: FloatArray
    """One standard deviation along either direction across it, with what is unknown of the microphone; NaN likewise."""
    diffuseness: FloatArray
    """0 (one plane wave) to 1 (sound from all around)."""
    level_db: FloatArray
    """Level from 300 to 5000 Hz, dB re full scale; of all sources of a step together."""
    source: npt.NDArray[np.int_]
    """Number of the source, from 1; 0 where no one source is followed."""
    step_s: float
    findings: tuple[Finding, ...]
    result: DirectionsResult = field(repr=False)
    """What the job gave, with angles in radians."""

    @property
    def sources(self) -> int:
        """How many sources were followed."""
        return int(np.unique(self.source[self.source > 0]).size)

    def plot(self) -> "Figure":
        """Azimuth and elevation over time: the louder a row, the stronger its dot; a line for each source."""
        from spatial.report.plots.direction_plot import directions_figure

        return directions_figure(self.result)

    def __repr__(self) -> str:
        name = self.result.take.path.name
        if not self.times_s.size:
            return f"Directions in {name}: no rows"
        followed = self.sd_deg[self.source > 0]
        sure = f", median sd {np.nanmedian(followed):.1f}°" if followed.size else ""
        number = f"{self.sources} source{'s' if self.sources != 1 else ''}"
        return (
            f"Directions in {name}: {self.times_s.size} rows of {self.step_s:g} s from {self.times_s[0]:.2f} to "
            f"{self.times_s[-1]:.2f} s, {number}{sure}"
        )


def directions(
    sound: str | Path | Recording | SoundArray,
    rate_hz: float | None = None,
    *,
    step_s: float = 0.1,
    read_as: ReadAs | str = ChannelFormat.AMBIX,
) -> Directions:
    """Measure where sound came from over time.

    Parameters
    ----------
    sound : str or Path, Recording, or ndarray of float, shape (4, samples)
        A take, or a field: W, Y, Z, X in SN3D.
    rate_hz : float
        Of an array, 16 to 192 kHz.
    step_s : float
        Time of one row, seconds; 0.05 to 0.5.
    read_as : {"ambix", "n3d", "fuma", "auto", "aformat"} or ReadAs
        How a file's channels are to be read.

    Returns
    -------
    Directions

    Raises
    ------
    InputError
        No field, no rate, a step out of range.
    MediaFileError
        The file is missing, damaged, or no such recording.

    Examples
    --------
    Half a second of noise from 30 degrees left:

    >>> noise = 0.1 * np.random.default_rng(1).standard_normal(24_000)
    >>> found = directions(np.outer([1.0, 0.5, 0.0, 0.8660254], noise), 48_000)
    >>> round(float(np.nanmedian(found.azimuth_deg)), 1)
    30.0
    """
    step = checked_number(step_s, "step_s")
    if isinstance(sound, str | Path):
        if rate_hz is not None:
            raise InputError("a file has a sample rate of its own; leave rate_hz out")
        path = checked_path(sound, "the take")
        return _as_directions(directions_of_take(path, step_s=step, channel_format=chosen_format(read_as)), step)
    if chosen_format(read_as) is not ChannelFormat.AMBIX:
        raise InputError("an array is in ACN order and SN3D already; read_as is for files")
    if isinstance(sound, Recording):
        if rate_hz is not None:
            raise InputError("a recording has a rate of its own; leave rate_hz out")
        data, rate, start_s, name = sound.field, sound.rate_hz, sound.start_s, sound.name
    else:
        rate, start_s, name = checked_rate(rate_hz, "the field"), 0.0, "an array"
        data = checked_sound(sound, rate, "the field", channels=FIELD)
    with as_file(data, rate, name) as path:
        result = directions_of_take(path, step_s=step)
    frames = replace(result.frames, times_s=result.frames.times_s + start_s)
    more = sound.findings if isinstance(sound, Recording) else ()
    return _as_directions(replace(result, frames=frames, findings=(*more, *result.findings)), step)


def _as_directions(result: DirectionsResult, step_s: float) -> Directions:
    frames = result.frames
    return Directions(
        times_s=_fixed(frames.times_s),
        azimuth_deg=_fixed(np.degrees(frames.azimuth_rad)),
        elevation_deg=_fixed(np.degrees(frames.elevation_rad)),
        sd_deg=_fixed(np.degrees(frames.sd_rad)),
        diffuseness=_fixed(frames.diffuseness),
        level_db=_fixed(frames.level_db),
        source=_fixed(frames.source),
        step_s=step_s,
        findings=result.findings,
        result=result,
    )


def _fixed(column: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """A copy that may not be written into."""
    copied = column.copy()
    copied.flags.writeable = False
    return copied
