"""Where sound came from, in lines: one for each stretch in which one source sounds, not one for each moment.

Functions: directions_lines.
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from spatial.conventions import SDS_OF_95
from spatial.field import angle_between, unit_vectors
from spatial.jobs.directions import DirectionsResult
from spatial.report.words import clock_time, place, table

_REST_S = 0.35
"""A rest no longer than this does not end a stretch: people pause for breath."""
_MOVED_RAD = np.radians(5.0)
"""Whoever has moved by less is said to have stood still."""
_LEG_RAD = np.radians(20.0)
"""Whoever walks gets a line for each leg of about so much: where they were in between would be lost."""


def directions_lines(result: DirectionsResult) -> list[str]:
    """Who sounded when and from where, with its 95 % interval; rows moment by moment are in JSON and CSV."""
    frames = result.frames
    on = f"on the time of {result.sync.clip.path.name}" if result.sync else "in the take's own time"
    axes = "the picture's axes" if result.facing else "the microphone's own axes"
    head = f"{result.take.path.name}, {on}, in {axes}:"
    times_s, first = np.unique(frames.times_s, return_index=True)
    if not times_s.size or not np.any(frames.source):
        return [head, "  nothing direct was heard"]
    step_s = float(np.median(np.diff(times_s))) if times_s.size > 1 else 0.1
    directions = unit_vectors(frames.azimuth_rad, frames.elevation_rad)
    rows = []
    for own in sorted(_stretches(result, directions, step_s), key=lambda own: float(frames.times_s[own[0]])):
        start_s, end_s = frames.times_s[own[0]] - step_s / 2, frames.times_s[own[-1]] + step_s / 2
        begun, ended = directions[own[0]], directions[own[-1]]
        moved = angle_between(begun, ended) > _MOVED_RAD
        middle = directions[own].sum(axis=0)
        rows.append(
            [
                f"{clock_time(max(start_s, 0.0))}-{clock_time(end_s)}",
                str(frames.source[own[0]]),
                f"{place(begun)}, to {place(ended)}" if moved else place(middle),
                _interval(float(np.median(frames.sd_rad[own]))),
                f"{np.max(frames.level_db[own]):.0f} dB",
            ]
        )
    lines = [head, *table(["when", "source", "from", "within", "loudest"], rows)]
    silent = int(np.count_nonzero(frames.source[first] == 0))
    if silent:
        lines.append(f"  {_seconds(silent * step_s)} of {_seconds(times_s.size * step_s)} have no direct sound")
    return lines


def _stretches(
    result: DirectionsResult, directions: npt.NDArray[np.floating], step_s: float
) -> Iterator[npt.NDArray[np.int_]]:
    """Rows of one source each, without a long rest, cut into legs where it walks."""
    frames = result.frames
    for source in range(1, int(np.max(frames.source)) + 1):
        rows = np.flatnonzero(frames.source == source)
        # A rest is what lies between two rows beyond the step that always does.
        for stretch in np.split(rows, np.flatnonzero(np.diff(frames.times_s[rows]) > _REST_S + step_s) + 1):
            if not stretch.size:
                continue
            way = np.cumsum(np.append(0.0, angle_between(directions[stretch[:-1]], directions[stretch[1:]])))
            legs = np.minimum(way // _LEG_RAD, max(np.floor(way[-1] / _LEG_RAD - 0.5), 0.0))
            yield from np.split(stretch, np.flatnonzero(np.diff(legs)) + 1)


def _interval(sd_rad: float) -> str:
    """A small one with a decimal: nothing is known to 0 degrees."""
    width = float(np.degrees(SDS_OF_95 * sd_rad))
    return f"±{width:.0f}°" if width >= 1.0 else f"±{max(width, 0.1):.1f}°"


def _seconds(seconds: float) -> str:
    return f"{seconds:.1f} s"
