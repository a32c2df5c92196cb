"""The demo: found against true, as words, JSON and pictures.

Functions: demo_lines, demo_json, write_plots.
"""

import shlex
from pathlib import Path

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.jobs.conform.track_memory import ConformResult
from spatial.jobs.demo import ClipTruth, DemoResult
from spatial.report.day_report import all_findings, day_json, pages_line
from spatial.report.json_output import Json
from spatial.report.plots.direction_plot import write_directions_plot
from spatial.report.words import findings_lines, mount_parts, place, table


def write_plots(result: DemoResult, *, force: bool = False) -> list[Path]:
    """Draw where sound comes from in each finished track, marks as brackets; beside the tracks."""
    proofs = {conformed.output: conformed.proof for _, conformed in _pairs(result)}
    paths = []
    for directions in result.directions:
        track = directions.take.path
        marks = [heard for heard, _ in proofs[track].marks]
        write_directions_plot(directions, track.with_suffix(".png"), marks=marks, force=force)
        paths.append(track.with_suffix(".png"))
    return paths


def demo_lines(result: DemoResult, plots: list[Path]) -> list[str]:
    """The whole job on the demo shoot, found against true."""
    lines: list[str] = []
    for truth, conformed in _pairs(result):
        lines += [
            f"{truth.clip}  with  {conformed.sync.take.path.name}",
            *_found_against_true(truth, conformed),
        ]
        lines += ["", *_marks_against_true(truth, conformed)]
        lines += ["", _typed(result, truth, conformed)]
        lines += [*findings_lines(conformed.findings, said=["drift"]), ""]
    undone = [finding for finding in all_findings(result.day) if finding not in _shown(result)]
    lines += findings_lines(undone)
    if plots:
        lines.append(f"Tracks, proofs and plots lie in {result.day.folder / 'tracks'}:")
    else:
        lines.append("No track was written, so there is nothing to hold against the truth: what stands above says why.")
    lines += [f"  {path.parent / path.stem}.wav  .json  .png" for path in plots]
    if plots and result.day.pages is None:
        lines.append(
            "  Next: listen to them in the review pages (soundplumb demo --pages --force), then try your own card."
        )
    return lines if result.day.pages is None else [*lines, pages_line(result.day.pages)]


def demo_json(result: DemoResult) -> Json:
    """For `demo`: as `day`, with the truth and the errors beside each clip."""
    errors = {truth.clip: _errors(truth, conformed) for truth, conformed in _pairs(result)}
    return {**day_json(result.day), "errors": errors}


def _pairs(result: DemoResult) -> list[tuple[ClipTruth, ConformResult]]:
    done = {clip.clip.name: clip.conform for clip in result.day.clips}
    return [(truth, conformed) for truth in result.truth if (conformed := done.get(truth.clip)) is not None]


def _shown(result: DemoResult) -> list[object]:
    return [finding for _, conformed in _pairs(result) for finding in conformed.findings]


def _errors(truth: ClipTruth, conformed: ConformResult) -> Json:
    law = conformed.sync.estimate.law
    assert law is not None
    return {
        "offset_ms": 1e3 * (law.offset_s - truth.offset_s),
        "drift_ppm": law.drift_ppm - truth.drift_ppm,
        "mount_deg": float(np.degrees(truth.mount_error_rad(conformed.mount))),
        "marks_deg": {
            heard.mark.who: float(np.degrees(truth.direction_error_rad(heard.mark.who, check.measured)))
            for heard, check in conformed.proof.marks
        },
    }


def _typed(result: DemoResult, truth: ClipTruth, conformed: ConformResult) -> str:
    """How this clip is done by hand: all that the demo gives beside the sound and the marks is in the options."""
    folder, rig = result.day.folder, truth.rig
    offset = ",".join(f"{value:g}" for value in rig.mic_offset_m)
    files = " ".join(shlex.quote(str(folder / name)) for name in (truth.clip, conformed.sync.take.path.name))
    marks = shlex.quote(str(folder / Path(truth.clip).with_suffix(".marks.csv").name))
    return (
        f"By hand: soundplumb conform {files} --marks {marks} --picture {rig.picture} --mic-offset {offset} -o "
        f"{Path(truth.clip).stem}.wav"
    )


def _found_against_true(truth: ClipTruth, conformed: ConformResult) -> list[str]:
    estimate, step = conformed.sync.estimate, conformed.proof.step
    law = estimate.law
    assert law is not None
    assert estimate.offset_sd_s is not None
    rows = [
        [
            "take starts before clip",
            f"{law.offset_s:.4f} s ±{1e3 * SDS_OF_95 * estimate.offset_sd_s:.2f} ms",
            f"{truth.offset_s:.4f} s",
            f"{1e3 * abs(law.offset_s - truth.offset_s):.2f} ms",
        ],
        [
            "recorder's clock fast by",
            f"{law.drift_ppm:.1f} ppm ±{SDS_OF_95 * (estimate.drift_sd_ppm or 0.0):.1f}",
            f"{truth.drift_ppm:.1f} ppm",
            f"{abs(law.drift_ppm - truth.drift_ppm):.1f} ppm",
        ],
        *_mount_rows(truth, conformed),
    ]
    if step is not None and step.law is not None:
        late = 1e3 * step.law.offset_s
        rows.append(
            [
                "finished track, read back",
                "in step" if abs(late) < 0.005 else f"{abs(late):.2f} ms {'late' if late > 0 else 'early'}",
                "in step",
                f"{abs(late):.2f} ms",
            ]
        )
    return table(["", "found", "true", "error"], rows)


def _mount_rows(truth: ClipTruth, conformed: ConformResult) -> list[list[str]]:
    found, true = mount_parts(conformed.mount_angles), mount_parts(truth.mount)
    error = f"{np.degrees(truth.mount_error_rad(conformed.mount)):.1f}°"
    names = ("microphone faced", "microphone tipped", "microphone hung")
    rows = [[name, part, truly, ""] for name, part, truly in zip(names, found, true, strict=True)]
    # One turn stands between the two: none of the three angles has it to itself.
    return [*rows, ["  all three, as one turn", "", "", error]]


def _marks_against_true(truth: ClipTruth, conformed: ConformResult) -> list[str]:
    rows = []
    for heard, check in conformed.proof.marks:
        who = heard.mark.who
        error = truth.direction_error_rad(who, check.measured)
        rows.append(
            [
                who,
                place(check.measured),
                place(truth.heard_from[who]),
                f"{np.degrees(error):.1f}°" if np.isfinite(error) else "-",
                check.verdict.value,
            ]
        )
    return table(["performer", "is heard", "true (from the microphone)", "error", "verdict"], rows)
