"""The review page: one file that any browser opens, with the movie beside it; and what `review` prints.

Functions: write_page; page_text (the page's HTML); page_facts (what the page knows); review_lines, review_json.
"""

import base64
import hashlib
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from spatial.conventions import REGION_SDS_OF_95, SDS_OF_95, FloatArray
from spatial.direction.doa import law_of_sd
from spatial.direction.microphone_error import scatter_sd_rad
from spatial.direction.summary import PLACES, STEP_S, WINDOW_S, RowVotes, SoundRows
from spatial.errors import InputError
from spatial.field import azimuth_elevation, unit_vectors
from spatial.jobs.day.day_pages import PageWriter
from spatial.jobs.orient.measure_marks import LIKELY_DISTANCES_M, MeasuredMark
from spatial.jobs.review.review_clip import MOVIE, ReviewResult
from spatial.picture import Projection
from spatial.report.day_report import write_index
from spatial.report.html import as_markup, html_text, save
from spatial.report.json_output import findings_json
from spatial.report.plots.style import legible
from spatial.report.text import judged_in_words, mount_lines
from spatial.report.words import findings_lines, ranked, sentence, turn
from spatial.timebase import DROP_FRAME_RATES, frame_from_timecode
from spatial.verification.placement import AS_IT_IS, Judge

PAGE = "index.html"

_SCRIPTS = (
    *("geometry", "rows", "page", "drawing", "timeline", "sound"),
    *("marks", "sheet", "draft", "lists", "editing", "main"),
)
"""Parts of the page's script, in the order in which they need each other."""

_LEVELLED = "The picture is shown as it was filmed; what you hear is turned along with its levelling."
_UNHEARD = 65_535
"""Uncertainty that stands for none, in a field of 16 bits: 655 degrees are no uncertainty."""

_QUIETEST_DB = -127
"""Lowest level in a field of 8 bits; one less stands for none."""


def write_page(result: ReviewResult, folder: Path) -> None:
    """Write the page beside the movie in a folder."""
    save(page_text(result), folder / PAGE)


def page_text(result: ReviewResult) -> str:
    """The whole page: style, script and facts are inside, and nothing is fetched but the movie and sounds beside it."""
    clip, take = legible(result.clip.path.name), legible(result.sync.take.path.name)
    return html_text(
        "index.html.j2",
        style="page.css",
        script=[f"{name}.js" for name in _SCRIPTS],
        title=f"{clip} with {take}",
        clip=clip,
        movie=MOVIE,
        mount=" ".join(_mount_sentences(result)),
        facts=as_markup(json.dumps(page_facts(result), allow_nan=False)),
    )


def _mount_sentences(result: ReviewResult) -> list[str]:
    """How the microphone sat, and how surely, where that was found; as told, where it was told; what was levelled."""
    type_this = []
    if result.to_type:
        type_this = [
            f"If you know how it hung, type in the folder of both files: {result.to_type} (or --upside-down at its "
            "end); the camera's stereo sound then tells the rest where it can."
        ]
    levelled = [] if result.rig.levelled is None or result.mount is None else [_LEVELLED]
    if result.orient is not None:
        judged = judged_in_words([check for _, check in result.marks if check is not None], columns=False)
        return [*[line.strip() for line in mount_lines(result.orient)[:2]], *type_this, *judged, *levelled]
    if result.mount_angles is not None:
        return [f"The microphone, as told: {turn(result.mount_angles)}.", *levelled]
    return ["How the microphone sat is not known yet: make marks in the page.", *type_this]


def page_facts(result: ReviewResult) -> dict[str, object]:
    """What the page knows, as plain numbers and words."""
    clip, picture = result.clip, result.picture
    across, down = picture.eye_size_px
    equirect = picture.projection is Projection.EQUIRECTANGULAR
    evidence = result.sync.estimate.evidence
    return {
        "duration_s": clip.duration_s,
        "sds_of_95": SDS_OF_95,
        "region_sds_of_95": REGION_SDS_OF_95,
        "sd_law": _sd_law(),
        "clock": _clock(clip.frame_rate, clip.start_timecode),
        "movie": MOVIE,
        "sounds": result.sounds,
        "picture": {
            "projection": picture.projection.value,
            "view_rad": picture.field_of_view_rad,
            "wide": picture.field_of_view_rad / np.pi if equirect else across / down,
        },
        "rows": _packed(result.rows, result.votes, *_sds(result)),
        # Of a direction of which nothing else is known: marks made in the page, judged by no other.
        "microphone_sd_rad": result.rig.microphone.somewhere_sd_rad,
        "microphone_scatter_rad": float(scatter_sd_rad(result.rig.microphone, _MARKS_LIKE)[0]),
        "mount": None if result.picture_from_take is None else result.picture_from_take.tolist(),
        # Of the turn that all sound shares, but for what the microphone adds, which goes with the direction: see _sds.
        # A mount that was given is taken as exact.
        "mount_covariance": None
        if result.orient is None or result.mount is None
        else result.orient.mount.own_covariance.tolist(),
        "repaired": None if result.repaired is None else result.repaired.tolist(),
        "cameras": _cameras(result),
        "mic_offset_m": list(result.rig.mic_offset_m),
        "likely_distances_m": list(LIKELY_DISTANCES_M),
        "tolerance": {
            "azimuth_rad": result.tolerance.azimuth_rad,
            "elevation_rad": result.tolerance.elevation_rad,
        },
        "marks": [
            {**_mark(mark), "judge": _judge(judge)}
            for (mark, _), judge in zip(result.marks, result.judges or [AS_IT_IS] * len(result.marks), strict=True)
        ],
        "moments": [{"who": moment.who, "start_s": moment.start_s, "end_s": moment.end_s} for moment in result.moments],
        "draft": _draft(result),
        "marks_name": legible(clip.path.stem) + ".marks.csv",
        "windows": []
        if evidence is None
        else [
            [round(float(t), 3), round(float(w), 2)] for t, w in zip(evidence.times_s, evidence.weights, strict=True)
        ],
        "steps": [{"clip_time_s": step.clip_time_s, "step_s": step.step_s} for step in result.sync.law.steps],
        "covered_s": list(result.sync.covered_s),
        "findings": _findings(result),
    }


def _draft(result: ReviewResult) -> dict[str, str]:
    """What the browser's store knows marks by that are in no file yet.

    The clip goes by its content, so that a copied, moved or renamed one finds them; the version by the marks file's
    marks and how the picture is laid out, so that work which began with others is offered and not mixed in.
    """
    clip, picture = result.clip, result.picture
    content = result.clip_glance or clip.path.name
    known = [content, clip.duration_s, str(clip.frame_rate), clip.start_timecode, clip.width_px, clip.height_px]
    layout = [picture.projection.value, picture.field_of_view_rad]
    began_with = [[{**_mark(mark), "heard": None} for mark, _ in result.marks], layout]
    return {"clip": _short_hash(known), "version": _short_hash(began_with)}


def _short_hash(values: list[object]) -> str:
    """The same for the same values, and for no others that anybody will meet."""
    return hashlib.sha256(json.dumps(values).encode()).hexdigest()[:20]


def _sd_law() -> list[float]:
    """What makes an uncertainty of how far bins stray: for a span that lasts for ever, and more for one of a second."""
    endless, second = (float(law_of_sd(1.0, lasted_s)) for lasted_s in (float("inf"), 1.0))
    return [endless, float(np.sqrt(second**2 - endless**2))]


def _clock(rate: Fraction | None, start_timecode: str | None) -> dict[str, object]:
    rate = rate or Fraction(25)
    drop = bool(start_timecode and ";" in start_timecode and rate in DROP_FRAME_RATES)
    try:
        start = frame_from_timecode(start_timecode, rate) if start_timecode else 0
    except InputError:
        # A label that does not exist at this rate: the clip's own time from 0 is better than none.
        start, drop = 0, False
    return {"rate": float(rate), "start_frame": start, "drop": drop}


_MARKS_LIKE = unit_vectors(np.radians([-45.0, 0.0, 45.0]), np.radians([0.0, 10.0, 0.0]))
"""Where marks lie, more or less: what a microphone makes them scatter hardly depends on it."""


def _sds(result: ReviewResult) -> tuple[FloatArray, FloatArray]:
    """How sure each row's direction is, as recorded and as corrected.

    A mount by ear takes up some of what the microphone does to all directions.
    """
    rows, microphone = result.rows, result.rig.microphone
    recorded = np.hypot(rows.sd_rad, microphone.sd_rad(rows.vectors))
    taken_up = result.orient.mount.taken_up if result.orient is not None else None
    return recorded, recorded if taken_up is None else np.hypot(rows.sd_rad, taken_up.left_sd_rad(rows.vectors))


def _packed(rows: SoundRows, votes: RowVotes, recorded: FloatArray, turned: FloatArray) -> dict[str, object]:
    """Rows as bytes in base64: 5 minutes take about 310 kB."""
    heard = np.isfinite(rows.sd_rad)
    centidegrees, turned_centidegrees = (
        np.minimum(np.rint(np.degrees(np.where(heard, sd_rad, 0.0)) * 100), _UNHEARD - 1)
        for sd_rad in (recorded, turned)
    )
    powers = np.where(rows.place_powers > 0, 10 * np.log10(np.maximum(rows.place_powers, 1e-12)), -128.0)
    return {
        "step_s": STEP_S,
        "window_s": WINDOW_S,
        "places_each": PLACES,
        "time_s": _base64(rows.times_s, "<f4"),
        "angles": _base64(_angles(np.where(heard[:, np.newaxis], rows.vectors, 0.0)), "<i2"),
        "sd": _base64(np.where(heard, centidegrees, _UNHEARD), "<u2"),
        "sd_turned": _base64(np.where(heard, turned_centidegrees, _UNHEARD), "<u2"),
        "level": _base64(np.clip(np.rint(rows.level_db), _QUIETEST_DB, 127), "i1"),
        "tops": _base64(_angles(votes.tops), "<i2"),
        "heights": _base64(votes.heights, "<f4"),
        # The two ways across, and what they have in common.
        "strays": _base64(votes.strays, "<f4"),
        "steep": _base64(votes.steepness.reshape(-1, 4)[:, [0, 3, 1]], "<f4"),
        "places": _base64(_angles(rows.place_vectors), "<i2"),
        "powers": _base64(np.where(powers > -128, np.clip(np.rint(powers), _QUIETEST_DB, 127), -128), "i1"),
    }


def _cameras(result: ReviewResult) -> str | None:
    """Where the camera moved: picture_from_still for the middle of each step of the clip, nine numbers each."""
    if result.rig.moves is None:
        return None
    count = max(1, int(np.ceil(result.clip.duration_s / STEP_S - 1e-6)))
    turns = result.rig.moves.motion.at((np.arange(count) + 0.5) * STEP_S)
    return _base64(turns.transpose(0, 2, 1), "<f4")


def _angles(vectors: FloatArray) -> FloatArray:
    """Azimuth and elevation in hundredths of a degree, shape (..., 2)."""
    return np.asarray(np.rint(np.degrees(np.stack(azimuth_elevation(vectors), axis=-1)) * 100))


def _base64(values: FloatArray, kind: str) -> str:
    packed: npt.NDArray[np.generic] = np.ascontiguousarray(values).astype(kind)
    return base64.b64encode(packed.tobytes()).decode()


def _mark(heard: MeasuredMark) -> dict[str, object]:
    mark, span = heard.mark, heard.heard
    return {
        "who": mark.who,
        "start_s": mark.start_s,
        "end_s": mark.end_s,
        "azimuth_deg": float(np.degrees(mark.azimuth_rad)),
        "elevation_deg": float(np.degrees(mark.elevation_rad)),
        "distance_m": mark.distance_m,
        "heard": {"vector": span.vector.tolist(), "sd_deg": float(np.degrees(span.sd_rad))} if span.heard else None,
    }


def _judge(judge: Judge) -> dict[str, object]:
    """By what a mark is judged; its turn acts on what is heard once the sound is turned."""
    return {
        "judged_by": judge.judged_by.value,
        "turn": None if judge.turn is None else judge.turn.tolist(),
        "sd_deg": float(np.degrees(judge.sd_rad)),
    }


def _findings(result: ReviewResult) -> list[dict[str, object]]:
    """Findings, worst first, each with its moment; None where it is about the whole clip."""
    return [
        {
            "severity": finding.severity.value,
            "message": sentence(finding.message),
            "time_s": None
            if finding.clip_time_s is None
            else min(max(finding.clip_time_s, 0.0), result.clip.duration_s),
        }
        for finding in ranked(result.findings)
    ]


def review_lines(result: ReviewResult, folder: Path) -> list[str]:
    """Where the page is, and what is on it."""
    return [
        f"{result.clip.path.name} with {result.sync.take.path.name}: open {folder / PAGE} in a browser.",
        *[f"  {line}" for line in _mount_sentences(result)],
        *findings_lines(result.findings),
        "  Listen with headphones; start low.",
    ]


def review_json(result: ReviewResult, folder: Path) -> dict[str, object]:
    """For `review`."""
    return {
        "page": str(folder / PAGE),
        "clip": str(result.clip.path),
        "take": str(result.sync.take.path),
        "findings": findings_json(result.findings),
    }


PAGE_WRITER = PageWriter(write_page, write_index)
"""For `day` and `demo`."""
