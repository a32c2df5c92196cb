"""Each command's result in lines for people on set.

"±" stands for what holds in 95 cases of 100; JSON has standard deviations. Directions have a line for each stretch in
which one source sounds, not one for each moment.
Functions: sync_lines, match_lines, orient_lines, mount_lines, verify_lines, step_line, check_table, judged_in_words,
conform_lines, directions_lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from spatial.conventions import DELIVERY_RATE_HZ, SDS_OF_95, SPEED_OF_SOUND_M_S
from spatial.field import angle_between, unit_vectors
from spatial.jobs.sync.lip_sync_findings import lip_sync_findings, lip_sync_of
from spatial.jobs.sync.sync_findings import APART_M, is_pulled
from spatial.report.words import clock, clock_time, findings_lines, height, place, side, start, table, turn
from spatial.rotation import rotation_angle, ypr_from_matrix
from spatial.sync.alignment import MATCH_SCORE
from spatial.verification.lip_sync import in_words
from spatial.verification.placement import JudgedBy, MarkCheck

if TYPE_CHECKING:
    from spatial.jobs.conform.track_memory import ConformResult
    from spatial.jobs.directions import DirectionsResult
    from spatial.jobs.orient.from_marks import OrientResult
    from spatial.jobs.orient.measure_marks import MeasuredMark
    from spatial.jobs.sync.sync_result import SyncResult
    from spatial.jobs.verify import VerifyResult

# --- lines of each command ---

_WORTH_CORRECTING_S = 2e-5
"""Sound that travels for less moves an offset by less than its own uncertainty, ever."""


def sync_lines(result: SyncResult) -> list[str]:
    """What sync found."""
    if not result.estimate.matched:
        return [f"{result.clip.path.name}: no take matches", *findings_lines(result.findings)]
    lines = match_lines(result)
    lip_sync = lip_sync_of(result)
    # A finding says it where viewers notice.
    if lip_sync is not None and not set(lip_sync_findings(result)) & set(result.findings):
        lines.append(
            "  Laid under the picture from its first sample, the take is heard, against the camera's sound, "
            f"{in_words(lip_sync, result.clip.frame_rate)}."
        )
    return lines + findings_lines(result.findings, said=["drift"])


def match_lines(result: SyncResult) -> list[str]:
    """Which take a clip belongs to, where, and how the clocks run; of a result that matches."""
    estimate, evidence = result.true_estimate, result.estimate.evidence
    assert estimate.law is not None
    parts = result.take.paths
    of_parts = f" to {parts[-1].name}, one recording in {len(parts)} files" if len(parts) > 1 else ""
    lines = [f"{result.clip.path.name} belongs to {result.take.path.name}{of_parts}"]
    begin = f"  The take starts {start(estimate.law.offset_s, estimate.offset_sd_s)}"
    pace = clock(estimate.law.drift_ppm, estimate.drift_sd_ppm)
    if result.estimate.true_rate_hz is not None:
        told = result.law.offset_s
        lines += [
            f"{begin}, counted at its true rate of {result.estimate.true_rate_hz} Hz; by its header of "
            f"{result.take.rate_hz} Hz that is {start(told)}.",
            f"  At its true rate the recorder's clock runs {pace}; conform reads it so, and takes that out.",
        ]
    else:
        lines.append(f"{begin}.")
        if not estimate.drift_significant:
            lines.append(f"  The clocks agree as far as this clip can tell: {pace}; no drift is taken out.")
        elif not is_pulled(estimate.law):
            slip_ms = abs(estimate.law.drift_ppm) * 1e-3 * result.clip.duration_s
            lines.append(f"  The recorder's clock runs {pace}, {slip_ms:.1f} ms over this clip; conform takes it out.")
    if 0 < result.apart_m <= APART_M:
        lines.append("  " + _travel(result.apart_m))
    if evidence is not None:
        lines.append(
            f"  {evidence.agreeing} of {evidence.windows} windows agree; match strength {evidence.score:.0f} "
            f"({MATCH_SCORE:.0f} is enough; the next best place reaches {evidence.rival:.0f})."
        )
    return lines


def _travel(apart_m: float) -> str:
    """What was done about a recorder that hangs beside the lens."""
    travel_s = apart_m / SPEED_OF_SOUND_M_S
    if travel_s < _WORTH_CORRECTING_S:
        return (
            f"The {apart_m * 100:.1f} cm of --mic-offset are too little to correct for: sound crosses them in "
            f"{travel_s * 1e3:.2f} ms."
        )
    return (
        f"The offset is corrected for the travel of sound over the {apart_m * 100:.0f} cm of --mic-offset "
        f"(up to {travel_s * 1e3:.1f} ms)."
    )


def orient_lines(result: OrientResult) -> list[str]:
    """How the microphone sat."""
    lines = mount_lines(result)
    from spatial.jobs.orient.mic_place import assumed_in_words

    assumed = assumed_in_words(result.place, result.rig) if result.rig and result.angles else None
    lines += [f"  {assumed}"] if assumed else []
    parallax = max((heard.parallax_sd_rad for heard in result.marks), default=0.0)
    if parallax > 0:
        lines.append(
            f"  Distances are not given: parallax may explain up to {np.degrees(parallax):.0f}° of what is left over "
            "(performers at 1 to 4 m); distance_m in the marks file takes that out."
        )
    if result.marks and result.mount.mirrored is None and result.angles is not None:
        lines.append("  Whether a channel is inverted cannot be told from here: nothing was heard far off one plane.")
    if result.marks:
        lines += ["", *_orient_table(result)]
    return [*lines, *findings_lines(result.findings, said=["drift"])]


def mount_lines(result: OrientResult) -> list[str]:
    """The mount in words, with its uncertainty."""
    if result.angles is None:
        if result.mount.mirrored:
            return ["The field is a mirror image, so how the microphone sat is not told before it is put right."]
        of = f"from these {result.evidence}" if result.marks else "from the camera's sound"
        return [f"How the microphone sat cannot be told {of}."]
    sd_rad = result.sd_rad
    sd = [float(np.degrees(SDS_OF_95 * a)) for a in (sd_rad.yaw_rad, sd_rad.pitch_rad, sd_rad.roll_rad)]
    yaw = float(np.degrees(result.angles.yaw_rad))
    return [
        f"The microphone: {turn(result.angles)}.",
        f"  Known to ±{sd[0]:.1f}° in facing, ±{sd[1]:.1f}° in tip, ±{sd[2]:.1f}° in roll (95 %).",
        f"  To face the lens the sound is turned {side(yaw) if abs(yaw) >= 0.05 else '0.0°'} about the vertical, "
        "then levelled.",
    ]


def verify_lines(result: VerifyResult) -> list[str]:
    """Each performer: where they should be heard, where they are."""
    lines = check_table(result.marks)
    if result.step is not None and result.step.law is not None:
        lines.append(step_line(result))
    return [*lines, *findings_lines(result.findings)]


def step_line(result: VerifyResult) -> str:
    """The track's own time against the clip, in words."""
    assert result.step is not None
    assert result.step.law is not None
    late_s = result.step.law.offset_s
    size = f"{abs(late_s) * 1e3:.2f} ms" if abs(late_s) < 0.1 else f"{abs(late_s):.3f} s"
    return (
        f"Read back against the camera's sound: {size} {'late' if late_s > 0 else 'early'} at the start, "
        f"drift {result.step.law.drift_ppm:+.2f} ppm (±{SDS_OF_95 * (result.step.drift_sd_ppm or 0.0):.2f})."
    )


def check_table(marks: Sequence[tuple[MeasuredMark, MarkCheck]]) -> list[str]:
    """One row a mark."""
    rows = []
    for heard, check in marks:
        mark = heard.mark
        off = side_off = "-"
        if np.isfinite(check.error_rad):
            off = f"{np.degrees(check.error_rad):.1f}° ±{np.degrees(SDS_OF_95 * check.sd_rad):.1f}°"
            left, up = np.degrees(check.azimuth_rad), np.degrees(check.up_rad)
            if check.sides_tell:
                side_off = f"{abs(left):.1f}° {'left' if left > 0 else 'right'}, "
                side_off += f"{abs(up):.1f}° {'up' if up > 0 else 'down'}"
        rows.append(
            [
                mark.who,
                f"{clock_time(mark.start_s)}-{clock_time(mark.end_s)}",
                place(check.expected),
                place(check.measured),
                off,
                side_off,
                check.verdict.value,
            ]
        )
    lines = table(["who", "when", "should be heard", "is heard", "off by (± 95 %)", "which way", "verdict"], rows)
    return [*lines, *judged_in_words([check for _, check in marks])]


def judged_in_words(checks: Sequence[MarkCheck], *, columns: bool = True) -> list[str]:
    """By what marks are judged, in a line or two; nothing of a track whose mount they did not give.

    `columns`: under a table that has them, which of its columns shows what.
    """
    heard = [check for check in checks if np.isfinite(check.error_rad)]
    by = {check.judged_by for check in heard}
    lines = []
    if JudgedBy.OTHER_MARKS in by:
        each = "Each performer is" if by == {JudgedBy.OTHER_MARKS} else "Most performers are"
        lines.append(
            f"{each} judged by the mount that the other marks give: 'off by' is what they would then be off by, 'is "
            "heard' where the track has them."
            if columns
            else f"{each} judged by the mount that the other marks give."
        )
    if JudgedBy.SAME_MARKS in by:
        who = "Performers are" if by == {JudgedBy.SAME_MARKS} else "The rest are"
        lines.append(
            f"{who} judged by the marks that told the mount, which proves little: with four marks or more, well apart, "
            "each is judged by the others."
        )
    return lines


def conform_lines(result: ConformResult) -> list[str]:
    """What was written, with its proof."""
    lines = match_lines(result.sync)
    lines.append(f"  The microphone: {turn(result.mount_angles)}.")
    if result.orient is not None and not result.proof.marks:
        from spatial.jobs.orient.mic_place import assumed_in_words

        assumed = assumed_in_words(result.orient.place, result.rig)
        lines += [f"  {assumed}"] if assumed else []
    lines += _camera_lines(result)
    seconds = result.samples / DELIVERY_RATE_HZ
    lines.append(f"  Wrote {result.output}: {seconds:.3f} s, {result.samples} samples, ACN/SN3D, 48 kHz, 24 bit.")
    proof = result.proof
    if proof.step is not None and proof.step.law is not None:
        lines.append("  " + step_line(proof))
    if proof.marks:
        lines += ["", *check_table(proof.marks)]
    return lines + findings_lines(result.findings, said=["drift"])


def _camera_lines(result: ConformResult) -> list[str]:
    """What was done for a camera that moved, and for a picture that was levelled."""
    lines = []
    if result.rig.moves is not None:
        motion = result.rig.moves.motion
        farthest = max(rotation_angle(motion.matrices[0], matrix) for matrix in motion.matrices)
        lines.append(
            f"  The camera turned up to {np.degrees(farthest):.0f}° over it ({result.rig.moves.path.name}): the sound "
            "is turned back in time, and faces the lens at every moment."
        )
    if result.rig.levelled is not None:
        tip, roll = ypr_from_matrix(result.rig.levelled).pitch_rad, ypr_from_matrix(result.rig.levelled).roll_rad
        lines.append(
            f"  Turned along with the levelled picture: the front {height(float(np.degrees(tip)))}, the right side "
            f"{height(float(np.degrees(-roll)))}."
        )
    return lines


def _orient_table(result: OrientResult) -> list[str]:
    rows = []
    for heard, residual in zip(result.marks, result.residuals_rad, strict=True):
        mark = heard.mark
        left = "-" if residual is None or result.mount.undetermined else f"{np.degrees(residual):.1f}°"
        rows.append(
            [
                mark.who,
                f"{clock_time(mark.start_s)}-{clock_time(mark.end_s)}",
                place(heard.expected),
                place(heard.heard.vector),
                left,
            ]
        )
    return table(["who", "when", "should be heard", "microphone heard", "left over"], rows)


# --- directions in lines ---

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
