"""A finished film against its shoot, as words, as JSON and as a page.

Functions: film_lines, film_json, write_film_page.
"""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.findings import Severity
from spatial.jobs.film.prove_film import FilmResult, FilmShot, ShotVerdict
from spatial.jobs.film.shot_sound import ShotSound
from spatial.report.html import write_html
from spatial.report.json_output import Json, findings_json
from spatial.report.words import findings_lines, ranked, sentence
from spatial.rotation import ypr_from_matrix
from spatial.shots.shot_finding import Certainty
from spatial.timebase import timecode_from_frame
from spatial.verification.placement import Verdict

_FIELD = 4
_PAGE_WIDTH = 1000.0
_NARROWEST = 1.5
"""Thousandths of the strip that a shot takes up at least, so that a short one can be clicked."""

# --- words ---


def film_lines(result: FilmResult) -> list[str]:
    """Worst first: a line for each shot that needs somebody, one in sum for the good ones."""
    lines = [_head(result)]
    needing = sorted(
        (shot for shot in result.shots if shot.verdict in (ShotVerdict.FIX, ShotVerdict.LOOK)),
        key=lambda shot: (shot.verdict.rank, shot.number),
    )
    for shot in needing:
        lines += _needing(shot)
    lines += _open_lines([shot for shot in result.shots if shot.verdict is ShotVerdict.OPEN])
    good = [shot for shot in result.shots if shot.verdict is ShotVerdict.GOOD]
    if good:
        lines.append(f"  Good: {_good(good, result.channels)}.")
    other = [shot for shot in result.shots if shot.verdict is ShotVerdict.NO_CLIP]
    if other:
        lines.append(f"  From none of the clips: {_spans(other)}.")
    return [*lines, *findings_lines(result.of_film)]


def _head(result: FilmResult) -> str:
    counts = Counter(shot.verdict for shot in result.shots)
    assert result.film.frames is not None
    assert result.film.frame_rate is not None
    long = timecode_from_frame(result.film.frames, result.film.frame_rate)
    parts = [
        f"{counts[verdict]} {words}"
        for verdict, words in (
            (ShotVerdict.FIX, "to fix"),
            (ShotVerdict.LOOK, "to look at"),
            (ShotVerdict.OPEN, "that cannot be told"),
            (ShotVerdict.GOOD, "good"),
            (ShotVerdict.NO_CLIP, "from none of the clips"),
        )
        if counts[verdict]
    ]
    shots = len(result.shots)
    return f"{result.film.path.name}, {long} long, {shots} shot{'s' if shots > 1 else ''}: {', '.join(parts)}"


def _name(shot: FilmShot) -> str:
    clip = "no clip" if shot.clip is None else shot.clip.path.name
    return f"{shot.timecode}  {clip}" + ("" if shot.clip_start_s is None else f" from {_clip_time(shot)}")


def _clip_time(shot: FilmShot) -> str:
    assert shot.clip is not None
    if shot.clip.frame_rate is None or shot.clip_frame is None:
        return f"{shot.clip_start_s:.3f} s"
    return timecode_from_frame(shot.clip_frame, shot.clip.frame_rate)


def _needing(shot: FilmShot) -> list[str]:
    return [f"  {_name(shot)}", *[f"  {line}" for line in findings_lines(shot.findings)]]


def _open_lines(shots: Sequence[FilmShot]) -> list[str]:
    """What could not be told, shots with the same reason together."""
    reasons: dict[str, list[FilmShot]] = {}
    for shot in shots:
        reasons.setdefault(shot.why_open, []).append(shot)
    return [f"  Cannot be told: {_spans(group)}: {reason}." for reason, group in reasons.items()]


def _spans(shots: Sequence[FilmShot], most: int = 6) -> str:
    """Timecodes of shots, the first few of many."""
    times = [shot.timecode for shot in shots]
    rest = len(times) - most
    return ", ".join(times[:most]) + (f" and {rest} more" if rest > 0 else "")


def _good(shots: Sequence[FilmShot], channels: int) -> str:
    heard = [shot.sound for shot in shots if shot.sound is not None and shot.sound.told]
    words = f"{len(shots)} shot{'s' if len(shots) > 1 else ''}"
    if not heard:
        return words
    worst = max(heard, key=lambda sound: abs(sound.lip_sync_s))
    words += f", sound within {_up(abs(worst.lip_sync_s) * 1e3):.1f} ms of the picture"
    turns = [float(np.degrees(sound.turn_off_rad)) for sound in heard if np.isfinite(sound.turn_off_rad)]
    if channels == _FIELD and turns:
        words += f", turned as meant within {_up(max(turns)):.1f}°"
    marks = sum(check.verdict is Verdict.IN_PLACE for shot in shots for _, check in shot.marks)
    if marks:
        words += f", performers heard where they are seen at {marks} mark{'s' if marks > 1 else ''}"
    return words


def _up(value: float) -> float:
    """To the next tenth, of what something lies within."""
    return max(0.1, float(np.ceil(value * 10 - 1e-9)) / 10)


# --- JSON ---


def film_json(result: FilmResult) -> Json:
    """For `film`."""
    return {
        "film": str(result.film.path),
        "sound_from": None if result.sound is None else str(result.sound),
        "channels": result.channels,
        "clips": [str(path) for path in result.clips],
        "shots": [_shot_json(shot) for shot in result.shots],
        "findings": findings_json(result.findings),
    }


def _shot_json(shot: FilmShot) -> Json:
    found, in_step = shot.found, shot.camera or shot.sound
    return {
        "film_start_s": shot.film_start_s,
        "film_end_s": shot.film_end_s,
        "film_timecode": shot.timecode,
        "film_frame": found.first,
        "frames": found.stop - found.first,
        "dissolve_frames": found.dissolve,
        "clip": None if shot.clip is None else str(shot.clip.path),
        "clip_start_s": shot.clip_start_s,
        "clip_frame": shot.clip_frame,
        "clip_known": found.certainty.value,
        "alike": found.alike,
        "track": None if shot.track is None else str(shot.track),
        "lip_sync_s": None if in_step is None else in_step.lip_sync_s,
        "lip_sync_sd_s": None if in_step is None else in_step.lip_sync_sd_s,
        "lip_sync_by": None if in_step is None else "track" if shot.camera is None else "camera",
        "sound": None if shot.sound is None else _sound_json(shot.sound),
        "marks": [
            {
                "who": heard.mark.who,
                "start_s": heard.mark.start_s,
                "end_s": heard.mark.end_s,
                "error_deg": float(np.degrees(check.error_rad)),
                "sd_deg": float(np.degrees(check.sd_rad)),
                "verdict": check.verdict.value,
            }
            for heard, check in shot.marks
        ],
        "verdict": shot.verdict.value,
        "why_open": shot.why_open or None,
        "findings": findings_json(shot.findings),
    }


def _sound_json(sound: ShotSound) -> Json:
    mix = sound.mix
    best = mix.readings[0] if mix.readings else None
    turn = None if best is None or best.turn is None else ypr_from_matrix(best.turn)
    return {
        "presence": mix.presence.value,
        "gain_db": mix.gain_db,
        "other_db": mix.other_db,
        "reading": None if best is None else best.kind.value,
        "probability": None if best is None else best.probability,
        "turned_deg": None
        if turn is None
        else [float(np.degrees(angle)) for angle in (turn.yaw_rad, turn.pitch_rad, turn.roll_rad)],
        "turn_off_deg": float(np.degrees(sound.turn_off_rad)),
        "turn_sd_deg": None if best is None else float(np.degrees(best.turn_sd_rad)),
        "matrix": mix.matrix,
        "undetermined": mix.undetermined or None,
        "changes": [
            {
                "kind": change.kind.value,
                "film_time_s": change.film_time_s,
                "stop_s": change.stop_s,
                "size": change.size,
            }
            for change in mix.changes
        ],
    }


# --- the page ---

_WORDS = {
    ShotVerdict.FIX: "fix",
    ShotVerdict.LOOK: "look",
    ShotVerdict.OPEN: "cannot be told",
    ShotVerdict.NO_CLIP: "no clip",
    ShotVerdict.GOOD: "good",
}


def write_film_page(result: FilmResult, path: Path, *, place: Path) -> None:
    """Write the page of a film: a strip of its shots, then every shot, those that need somebody first.

    Parameters
    ----------
    path : Path
        Where it is written.
    place : Path
        Where it will lie: links to the film lead from there.
    """
    from spatial.report.plots.style import legible

    film = _link(result.film.path, place)
    length = max(result.film.duration_s, 1e-9)
    strip, rows = [], []
    for shot in result.shots:
        title = f"{shot.timecode} {'' if shot.clip is None else shot.clip.path.name}: {_WORDS[shot.verdict]}"
        strip.append(
            {
                "number": shot.number,
                "x": f"{_PAGE_WIDTH * shot.film_start_s / length:.2f}",
                "width": f"{max(_NARROWEST, _PAGE_WIDTH * (shot.film_end_s - shot.film_start_s) / length):.2f}",
                "kind": shot.verdict.value,
                "title": legible(title),
            }
        )
    for shot in sorted(result.shots, key=lambda each: (each.verdict.rank, each.number)):
        rows.append(
            {
                "number": shot.number,
                "kind": shot.verdict.value,
                "verdict": _WORDS[shot.verdict],
                "link": f"{film}#t={shot.film_start_s:.3f},{shot.film_end_s:.3f}",
                "name": shot.timecode,
                "cells": [legible(cell) for cell in _cells(shot)],
                "findings": [
                    {"severity": finding.severity.value, "message": legible(sentence(finding.message))}
                    for finding in ranked(shot.findings)
                ],
            }
        )
    general = [
        {"severity": finding.severity.value, "message": legible(sentence(finding.message))}
        for finding in ranked(result.of_film)
        if finding.severity is not Severity.NOTE
    ]
    write_html(
        "film.html.j2",
        path,
        title=f"Shots of {legible(result.film.path.name)}",
        summary=legible(_head(result)),
        style="page.css",
        header=_HEADER,
        strip=strip,
        rows=rows,
        general=general,
    )


_HEADER = ["in the film", "clip", "from", "sound against picture", "field", "performers in place", "cannot be told"]


def _cells(shot: FilmShot) -> list[str]:
    sound = shot.sound
    step, turned = "-", "-"
    in_step = shot.camera or sound
    if in_step is not None and np.isfinite(in_step.lip_sync_s):
        way = "early" if in_step.lip_sync_s > 0 else "late"
        step = f"{abs(in_step.lip_sync_s) * 1e3:.1f} ms {way} (±{SDS_OF_95 * in_step.lip_sync_sd_s * 1e3:.1f})"
    if sound is not None and sound.mix.readings:
        turned = sound.mix.readings[0].words
    place = "-" if shot.clip_start_s is None else _clip_time(shot)
    clip = "-" if shot.clip is None else shot.clip.path.name
    if shot.found.certainty is Certainty.OPEN:
        clip += "?"
    in_place = sum(check.verdict is Verdict.IN_PLACE for _, check in shot.marks)
    marks = f"{in_place} of {len(shot.marks)}" if shot.marks else "-"
    return [clip, place, step, turned, marks, sentence(shot.why_open) if shot.why_open else ""]


def _link(film: Path, place: Path) -> str:
    """The film as the page leads to it: by its name where they lie side by side, by its whole path elsewhere."""
    film, place = film.resolve(), place.resolve()
    if film.parent == place.parent:
        return quote(film.name, errors="surrogateescape")
    return film.as_uri()
