"""The clap walk: how the microphone sat, before the shoot, from claps around the camera and no picture.

Functions: orient_claps.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from spatial.conventions import FloatArray, W
from spatial.direction.doa import MARK_FRAMES_S, SpanDirection, span_direction
from spatial.direction.intensity import LEAD_IN_S, field_bins
from spatial.errors import InconclusiveError, InputError
from spatial.field import ChannelFormat, ReadAs, azimuth_elevation
from spatial.findings import Code, Finding, Severity
from spatial.jobs.orient.from_marks import OrientResult, orient_measured
from spatial.jobs.orient.measure_marks import MeasuredMark, aside_of, expected_direction
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import open_takes
from spatial.media.tables import Mark
from spatial.media.takes.take import FieldReader, Take, field_blocks
from spatial.mount.clap_walk import CLAP_SD_RAD, Clap, ClapFinder, Pairing, clap_direction, merge_doubled, pair_claps
from spatial.mount.prior import MountPrior

_BEFORE_S = 0.02
"""Seconds before a clap at which its span begins, so that its first edge lies inside."""

_AFTER_S = 0.06
"""Seconds after its start at which its span ends: what follows is the room."""

_WRONG_CLAP = 0.01
"""How often a clap that fits the order of the walk is none (common practice, no source)."""

_MOST_CLAPS = 12
"""Most sounds like claps that are tried, the plainest: the rest are steps and knocks."""

_SEARCHED_S = 600.0
"""Seconds of the recording in which the walk is sought. A walk takes a minute or two; an hour of people talking, or a
song, named by mistake, is refused after these."""


def orient_claps(
    take_paths: Sequence[Path],
    names: Sequence[str],
    *,
    rig: Rig | None = None,
    prior: MountPrior | None = None,
    repair: bool = False,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    progress: Progress = silent,
) -> OrientResult:
    """Find how the microphone sat from claps around the camera.

    Parameters
    ----------
    take_paths : sequence of Path
        One recording, in one file or several.
    names : sequence of str
        Where the claps came from, seen from the lens, in their order: "front", "left", "front-left", "above", ...
    rig : Rig, optional
        Only the microphone's place is used.
    prior : MountPrior, optional
        What the crew says of how it sat.
    repair : bool
        Tell the mount that is left once a mirrored take is put right.

    Returns
    -------
    OrientResult
        Its marks are the claps, on the take's own time.

    Raises
    ------
    InputError
        A name that is no place, fewer than two names or more than _MOST_CLAPS, or several recordings.
    InconclusiveError
        Too few claps, or it cannot be told which is which.
    """
    if len(names) > _MOST_CLAPS:
        raise InputError(
            f"{len(names)} claps are named, and {_MOST_CLAPS} are the most; five tell all: front,left,back,right,above"
        )
    directions = np.stack([clap_direction(name) for name in names]) if names else np.zeros((0, 3))
    if len(directions) < 2:
        raise InputError("a clap walk needs two claps or more; name where they came from: front,left,back,right,above")
    takes, unopened = open_takes(take_paths, channel_format)
    if len(takes) > 1:
        raise InputError(f"a clap walk is one recording, and these are {len(takes)}; name one")
    take, rig = takes[0], rig or Rig()
    found = _measured_claps(take, rig, progress)
    marks = [_mark(name, vector, rig) for name, vector in zip(names, directions, strict=True)]
    try:
        pairing = _paired(names, marks, found, prior)
    except InconclusiveError as error:
        if take.duration_s <= _SEARCHED_S:
            raise
        raise InconclusiveError(
            f"{error}; only the first {_SEARCHED_S / 60:.0f} minutes of {take.path.name} were searched: is it the walk?"
        ) from error
    walk = []
    for place, clap in pairing.pairs:
        mark, expected, parallax = marks[place]
        time_s, heard = found[clap]
        moment = Mark(mark.who, time_s, time_s + _AFTER_S, mark.azimuth_rad, mark.elevation_rad, None)
        # How well somebody stands at "left" is a part of how well the clap is known.
        told = SpanDirection(True, heard.vector, float(np.hypot(heard.sd_rad, CLAP_SD_RAD)), heard.share)
        aside = aside_of(rig, lambda place, mark=mark: expected_direction(mark, place)[0])  # type: ignore[misc]
        walk.append(MeasuredMark(moment, expected, parallax, told, aside=aside))
    result = orient_measured(take, walk, prior=prior, repair=repair, evidence="claps", wrong_share=_WRONG_CLAP)
    missing = sorted(set(range(len(names))) - {place for place, _ in pairing.pairs})
    findings = [
        Finding(Code.MARK_UNHEARD, Severity.LOOK, f"no clap is heard where {names[place]} should come", names[place])
        for place in missing
    ]
    return replace(result, findings=(*take.findings, *unopened, *findings, *result.findings))


def _mark(name: str, vector: FloatArray, rig: Rig) -> tuple[Mark, FloatArray, float]:
    """A named place as a mark without a time, where the microphone has it, and what parallax may do to it."""
    azimuth, elevation = azimuth_elevation(vector)
    mark = Mark(name.strip().lower(), 0.0, 1.0, float(azimuth), float(elevation), None)
    return mark, *expected_direction(mark, rig.mic_offset_m)


def _measured_claps(take: Take, rig: Rig, progress: Progress) -> list[tuple[float, SpanDirection]]:
    """Time and direction of each clap; doubled claps are one."""
    finder, done = ClapFinder(take.rate_hz), 0
    wanted = min(take.samples, round(_SEARCHED_S * take.rate_hz))
    for block in field_blocks(take, stop_sample=wanted):
        finder.push(block[W])
        done += block.shape[1]
        progress(f"listening to {take.path.name}", done / max(wanted, 1))
    plainest = sorted(finder.finish(), key=lambda clap: -min(clap.rise_db, 40.0) - 0.5 * clap.level_db)[:_MOST_CLAPS]
    heard = []
    with FieldReader(take) as reader:
        for clap in sorted(plainest, key=lambda clap: clap.time_s):
            direction = _direction(reader, take, clap, rig)
            if direction.heard:
                heard.append((clap.time_s, direction))
    if not heard:
        return []
    times_s, vectors = np.array([time_s for time_s, _ in heard]), np.stack([each.vector for _, each in heard])
    return [_merged([heard[n] for n in group]) for group in merge_doubled(times_s, vectors)]


def _direction(reader: FieldReader, take: Take, clap: Clap, rig: Rig) -> SpanDirection:
    start_s, end_s = clap.time_s - _BEFORE_S, clap.time_s + _AFTER_S
    first = max(0, round((start_s - LEAD_IN_S) * take.rate_hz))
    field = reader.read(first, min(take.samples, round(end_s * take.rate_hz)))
    bins = [
        field_bins(field, take.rate_hz, start_s=first / take.rate_hz, band_hz=rig.band_hz, frame_s=frame_s)
        for frame_s in MARK_FRAMES_S
    ]
    return span_direction(bins, start_s, end_s)


def _merged(group: list[tuple[float, SpanDirection]]) -> tuple[float, SpanDirection]:
    """One clap of a doubled one: the mean direction, no surer than the surest of them."""
    total = np.sum([each.vector for _, each in group], axis=0)
    surest = min(each.sd_rad for _, each in group)
    share = max(each.share for _, each in group)
    return group[0][0], SpanDirection(True, total / np.linalg.norm(total), surest, share)


def _against_the_prior(places: FloatArray, vectors: FloatArray, sd_rad: FloatArray, prior: MountPrior | None) -> str:
    """Where the claps alone would tell, that it is the crew's word which they do not go with."""
    if prior is None or not pair_claps(places, vectors, sd_rad).sure:
        return ""
    return (
        "the claps by themselves would tell, but they do not go with what you said of the microphone: check --facing, "
        "--upright, --upside-down and --level-within; or "
    )


def _paired(
    names: Sequence[str],
    marks: Sequence[tuple[Mark, FloatArray, float]],
    found: Sequence[tuple[float, SpanDirection]],
    prior: MountPrior | None,
) -> Pairing:
    """Which clap is which.

    Raises
    ------
    InconclusiveError
        Too few claps, or several pairings do equally well.
    """
    when = ", ".join(f"{time_s:.1f} s" for time_s, _ in found) or "nowhere"
    advice = "clap once at each place, 2 s apart or more, 1 to 3 m from the microphone, and name the places in order"
    if len(found) < 2:
        raise InconclusiveError(f"{len(names)} claps are named and {len(found)} found ({when}): {advice}")
    places = np.stack([expected for _, expected, _ in marks])
    vectors = np.stack([heard.vector for _, heard in found])
    sd = np.array([np.hypot(heard.sd_rad, CLAP_SD_RAD) for _, heard in found])
    pairing = pair_claps(places, vectors, sd, prior=prior)
    if not pairing.pairs or not pairing.sure:
        raise InconclusiveError(
            f"{len(names)} claps are named and {len(found)} found ({when}), and which is which cannot be told: "
            f"{_against_the_prior(places, vectors, sd, prior)}{advice}"
        )
    return pairing
