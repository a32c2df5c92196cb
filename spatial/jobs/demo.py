"""The demo job: lay out the demo shoot and run the whole job on it, against what is known to be true.

Functions: lay_out, run_demo.
"""

import json
import os
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np

import demo_audio
from spatial.conventions import FloatArray
from spatial.errors import OutputError
from spatial.field import angle_between, unit_vectors
from spatial.jobs.day.day_files import others_of_day
from spatial.jobs.day.day_folder import DayResult, run_day
from spatial.jobs.day.day_pages import PageWriter, make_pages
from spatial.jobs.directions import DirectionsResult, directions_of_take
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.media.output import whole_file
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle

TRUTH_FILE = "truth.json"


@dataclass(frozen=True, slots=True, eq=False)
class ClipTruth:
    """What is true of one demo clip."""

    clip: str
    take: str
    offset_s: float
    drift_ppm: float
    mount: YawPitchRoll
    rig: Rig
    heard_from: dict[str, FloatArray]
    """For each performer, the true direction from the microphone, picture axes."""

    def mount_error_rad(self, matrix: FloatArray) -> float:
        """Angle between a found mount and the true one."""
        return rotation_angle(matrix, matrix_from_ypr(self.mount))

    def direction_error_rad(self, who: str, measured: FloatArray) -> float:
        """Angle between where a performer was and where they are heard."""
        return float(angle_between(self.heard_from[who], measured))


@dataclass(frozen=True, slots=True, eq=False)
class DemoResult:
    """The demo shoot, done, with the truth beside it."""

    day: DayResult
    truth: tuple[ClipTruth, ...]
    directions: tuple[DirectionsResult, ...]
    """Where sound comes from in each finished track."""


def lay_out(folder: Path, *, force: bool = False) -> None:
    """Copy the packaged shoot into a folder.

    Raises
    ------
    OutputError
        A file of the shoot is there already (without `force`), or another of that name, or other clips or takes; the
        folder cannot be written.
    """
    targets = {folder / source.name: source for source in demo_audio.shoot_files()}
    others = sorted(others_of_day(folder, [target.name for target in targets]))
    if others:
        raise OutputError(
            f"{folder} holds {' and '.join(others[:2])}{' and more' if len(others) > 2 else ''}, which the demo would "
            "work on as if it were its own: name a new folder for the demo, or run day on this one"
        )
    there = [target for target in targets if os.path.lexists(target)]
    if there and not force:
        raise OutputError(f"{there[0]} exists already; name another folder, or add --force to lay it out again")
    for target in there:
        # What we lay out is never replaced, only left: a copy that was changed has become somebody's own.
        if not _is_copy(target, targets.pop(target)):
            raise OutputError(
                f"{target} is not as the demo lays it out, so it is not replaced even with --force; name another folder"
            )
    try:
        with ExitStack() as undo:
            if not folder.exists():
                folder.mkdir(parents=True)
                undo.callback(folder.rmdir)
            for target, source in targets.items():
                with whole_file(target) as temporary:
                    temporary.write_bytes(source.read_bytes())
                undo.callback(target.unlink)
            undo.pop_all()
    except OSError as error:
        raise OutputError(f"the demo cannot be laid out in {folder}: {error.strerror}; name another folder") from error


def _is_copy(target: Path, source: Traversable) -> bool:
    if target.is_symlink() or not target.is_file():
        return False
    whole = source.read_bytes()
    return target.stat().st_size == len(whole) and target.read_bytes() == whole


def run_demo(
    folder: Path, *, write_pages: PageWriter | None = None, force: bool = False, progress: Progress = silent
) -> DemoResult:
    """Lay out the demo shoot and run the day's whole job on it.

    Parameters
    ----------
    write_pages : PageWriter, optional
        Makes a review page of each clip too.

    Raises
    ------
    OutputError
        The folder cannot be used.
    """
    lay_out(folder, force=force)
    truth = read_truth(folder / TRUTH_FILE)
    rigs = {entry.clip: entry.rig for entry in truth}

    def rig_for(clip: Path) -> Rig:
        return rigs.get(clip.name, Rig())

    day = run_day(folder, rig_for=rig_for, force=force, progress=progress)
    if write_pages is not None:
        day = make_pages(day, write_pages, rig_for=rig_for, force=force, progress=progress)
    tracks = [entry.conform.output for entry in day.clips if entry.conform]
    return DemoResult(day, truth, tuple(directions_of_take(track, progress=progress) for track in tracks))


def read_truth(path: Path) -> tuple[ClipTruth, ...]:
    """Read what is true of the demo shoot."""
    return tuple(_truth(entry) for entry in json.loads(path.read_text(encoding="utf-8"))["clips"])


def _truth(entry: dict[str, Any]) -> ClipTruth:
    mount, (forward, left, up) = entry["mount"], entry["mic_offset_m"]
    return ClipTruth(
        clip=entry["clip"],
        take=entry["take"],
        offset_s=entry["offset_s"],
        drift_ppm=entry["drift_ppm"],
        mount=YawPitchRoll.from_degrees(mount["yaw_deg"], mount["pitch_deg"], mount["roll_deg"]),
        rig=Rig(mic_offset_m=(forward, left, up), picture=entry["picture"]),
        heard_from={
            mark["who"]: unit_vectors(np.radians(mark["mic_azimuth_deg"]), np.radians(mark["mic_elevation_deg"]))
            for mark in entry["marks"]
        },
    )
