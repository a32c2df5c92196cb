"""Numbers as a person on set says them: left, right, up, down, early, late.

Functions: side, height, place, clock_time, turn, table, findings_lines, sync_lines, orient_lines, verify_lines,
directions_lines, conform_lines.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from spatial.analysis.orientation import MountEstimate
from spatial.analysis.verification import MarkCheck
from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.field import azimuth_elevation
from spatial.findings import Finding, Severity
from spatial.jobs.conform import ConformResult
from spatial.jobs.directions import DirectionsResult
from spatial.jobs.lipsync import lip_sync_of
from spatial.jobs.marks import HeardMark
from spatial.jobs.orient import OrientResult
from spatial.jobs.sync import SyncResult
from spatial.jobs.verify import VerifyResult
from spatial.lipsync import in_words
from spatial.rotation import YawPitchRoll

_ORDER = {Severity.FIX: 0, Severity.LOOK: 1, Severity.NOTE: 2}
_TITLE = {Severity.FIX: "FIX ", Severity.LOOK: "LOOK", Severity.NOTE: "note"}


def side(azimuth_deg: float) -> str:
    """An azimuth in words.

    Examples
    --------
    >>> side(-12.34), side(0.01), side(180.0)
    ('12.3° right', 'straight ahead', 'straight back')
    """
    if abs(azimuth_deg) < 0.05:
        return "straight ahead"
    if abs(azimuth_deg) > 179.95:
        return "straight back"
    return f"{abs(azimuth_deg):.1f}° {'left' if azimuth_deg > 0 else 'right'}"


def height(elevation_deg: float) -> str:
    """An elevation in words.

    Examples
    --------
    >>> height(-3.0), height(0.0)
    ('3.0° down', 'level')
    """
    if abs(elevation_deg) < 0.05:
        return "level"
    return f"{abs(elevation_deg):.1f}° {'up' if elevation_deg > 0 else 'down'}"


def place(vector: FloatArray) -> str:
    """A direction in words."""
    if not np.all(np.isfinite(vector)):
        return "-"
    azimuth, elevation = np.degrees(azimuth_elevation(vector))
    return f"{side(float(azimuth))}, {height(float(elevation))}"


def clock_time(seconds: float) -> str:
    """A time on the clip, as m:ss.s.

    Examples
    --------
    >>> clock_time(75.25)
    '1:15.2'
    """
    tenths = int(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def turn(angles: YawPitchRoll) -> str:
    """A mount in words: which way it faced, tipped and rolled.

    Examples
    --------
    >>> turn(YawPitchRoll.from_degrees(92.6, -2.0, 180.0))
    'it faced 92.6° left of the lens, tipped 2.0° down, upside down'
    """
    yaw, pitch, roll = (float(np.degrees(a)) for a in (angles.yaw_rad, angles.pitch_rad, angles.roll_rad))
    if abs(yaw) < 0.05:
        facing = "it faced the lens's way"
    elif abs(yaw) > 179.95:
        facing = "it faced straight back"
    else:
        facing = f"it faced {abs(yaw):.1f}° {'left' if yaw > 0 else 'right'} of the lens"
    tipped = f"tipped {height(pitch)}" if abs(pitch) >= 0.05 else "not tipped"
    side_leant = _lean(roll)
    leaning = f"leaning {side_leant}" if side_leant else ""
    if abs(roll) > 90:
        return f"{facing}, {tipped}, upside down{', ' + leaning if leaning else ''}"
    return f"{facing}, {tipped}, {leaning or 'not leaning'}"


def mount_parts(angles: YawPitchRoll) -> tuple[str, str, str]:
    """A mount as three short phrases: where it faced, how it tipped, how it hung.

    Examples
    --------
    >>> mount_parts(YawPitchRoll.from_degrees(92.6, -2.0, 176.0))
    ('92.6° left', '2.0° down', 'upside down, 4.0° to its left')
    """
    yaw, pitch, roll = (float(np.degrees(a)) for a in (angles.yaw_rad, angles.pitch_rad, angles.roll_rad))
    leaning = _lean(roll) or "straight"
    return side(yaw), height(pitch), f"upside down, {leaning}" if abs(roll) > 90 else leaning


def _lean(roll_deg: float) -> str:
    """How far and to which of its sides the microphone leant, upside down or not; empty where it did not."""
    lean = roll_deg if abs(roll_deg) <= 90 else roll_deg - float(np.copysign(180.0, roll_deg))
    return f"{abs(lean):.1f}° to its {'right' if lean > 0 else 'left'}" if abs(lean) >= 0.05 else ""


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Columns lined up, under a ruled header."""
    cells = [list(header), *[list(row) for row in rows]]
    widths = [max(len(row[column]) for row in cells) for column in range(len(header))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in cells]
    return [lines[0], "  ".join("-" * width for width in widths), *lines[1:]]


def findings_lines(findings: Iterable[Finding]) -> list[str]:
    """Findings, worst first, one line each."""
    ranked = sorted(findings, key=lambda finding: _ORDER[finding.severity])
    return [f"  {_TITLE[finding.severity]}  {_sentence(finding.message)}" for finding in ranked]


def sync_lines(result: SyncResult) -> list[str]:
    """What sync found."""
    estimate = result.estimate
    if not estimate.matched or estimate.law is None or estimate.offset_sd_s is None:
        return [f"{result.clip.path.name}: no take matches", *findings_lines(result.findings)]
    law, evidence = estimate.law, estimate.evidence
    parts = result.take.paths
    of_parts = f" to {parts[-1].name}, one recording in {len(parts)} files" if len(parts) > 1 else ""
    lines = [f"{result.clip.path.name} belongs to {result.take.path.name}{of_parts}"]
    when = "before" if law.offset_s >= 0 else "after"
    lines.append(f"  The take starts {abs(law.offset_s):.4f} s {when} the clip (±{1e3 * estimate.offset_sd_s:.2f} ms).")
    drift = f"{abs(law.drift_ppm):.1f} ppm {'fast' if law.drift_ppm > 0 else 'slow'} (±{estimate.drift_sd_ppm:.1f})"
    if estimate.drift_significant:
        lines.append(f"  The recorder's clock runs {drift}; conform takes it out.")
    else:
        lines.append(f"  The clocks agree as far as this clip can tell: {drift}; no drift is taken out.")
    if evidence is not None:
        kept = np.unique(evidence.times_s[evidence.weights > 0.5]).size
        lines.append(
            f"  {kept} of {np.unique(evidence.times_s).size} windows agree; match strength {evidence.score:.0f} "
            f"(8 is enough; the next best place reaches {evidence.rival:.0f})."
        )
    lip_sync = lip_sync_of(result)
    if lip_sync is not None:
        lines.append(
            "  Laid under the picture from its first sample, the take is heard, against the camera's sound, "
            f"{in_words(lip_sync, result.clip.frame_rate)}."
        )
    return lines + findings_lines(result.findings)


def orient_lines(result: OrientResult) -> list[str]:
    """How the microphone sat."""
    return [*mount_lines(result.mount), "", *_orient_table(result), *findings_lines(result.findings)]


def mount_lines(mount: MountEstimate) -> list[str]:
    """The mount in words, with its uncertainty."""
    if mount.angles is None:
        return ["How the microphone sat cannot be told from these marks."]
    sd = [float(np.degrees(a)) for a in (mount.sd_rad.yaw_rad, mount.sd_rad.pitch_rad, mount.sd_rad.roll_rad)]
    yaw = float(np.degrees(mount.angles.yaw_rad))
    return [
        f"The microphone: {turn(mount.angles)}.",
        f"  Known to ±{sd[0]:.1f}° in facing, ±{sd[1]:.1f}° in tip, ±{sd[2]:.1f}° in roll.",
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
        f"drift {result.step.law.drift_ppm:+.2f} ppm (±{result.step.drift_sd_ppm:.2f})."
    )


def check_table(marks: Sequence[tuple[HeardMark, MarkCheck]]) -> list[str]:
    """One row a mark."""
    rows = []
    for heard, check in marks:
        mark = heard.mark
        off = "-"
        if np.isfinite(check.error_rad):
            across, up = np.degrees(check.across_rad), np.degrees(check.up_rad)
            off = f"{abs(across):.1f}° {'left' if across > 0 else 'right'}, {abs(up):.1f}° {'up' if up > 0 else 'down'}"
            off += f" ±{np.degrees(check.sd_rad):.1f}°"
        rows.append(
            [
                mark.who,
                f"{clock_time(mark.start_s)}-{clock_time(mark.end_s)}",
                place(check.expected),
                place(check.measured),
                off,
                check.verdict.value,
            ]
        )
    return table(["who", "when", "should be heard", "is heard", "off by", "verdict"], rows)


def conform_lines(result: ConformResult) -> list[str]:
    """What was written, with its proof."""
    lines = sync_lines(result.sync)[:4]
    lines.append(f"  The microphone: {turn(result.mount_angles)}.")
    seconds = result.samples / DELIVERY_RATE_HZ
    lines.append(f"  Wrote {result.output}: {seconds:.3f} s, {result.samples} samples, ACN/SN3D, 48 kHz, 24 bit.")
    proof = result.proof
    if proof.step is not None and proof.step.law is not None:
        lines.append("  " + step_line(proof))
    if proof.marks:
        lines += ["", *check_table(proof.marks)]
    return lines + findings_lines(result.findings)


def directions_lines(result: DirectionsResult) -> list[str]:
    """Where sound came from, one line for each stretch of a second that has any."""
    frames = result.frames
    on = f"on the time of {result.sync.clip.path.name}" if result.sync else "in the take's own time"
    lines = [f"{result.take.path.name}, {on}, in the microphone's own axes:"]
    rows = []
    for azimuth, elevation, time, sd, diffuse, level in zip(
        frames.azimuth_rad,
        frames.elevation_rad,
        frames.times_s,
        frames.sd_rad,
        frames.diffuseness,
        frames.level_db,
        strict=True,
    ):
        if np.isfinite(azimuth):
            where = f"{side(float(np.degrees(azimuth)))}, {height(float(np.degrees(elevation)))}"
            rows.append([clock_time(time), where, f"{np.degrees(sd):.0f}°", f"{diffuse:.2f}", f"{level:.0f} dB"])
    if not rows:
        return [*lines, "  nothing direct was heard"]
    return [*lines, *table(["time", "from", "spread", "diffuse", "level"], rows)]


def _orient_table(result: OrientResult) -> list[str]:
    rows = []
    for heard, residual in zip(result.marks, result.residuals_rad, strict=True):
        mark = heard.mark
        left = "-" if residual is None or result.mount.matrix is None else f"{np.degrees(residual):.1f}°"
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


def _sentence(text: str) -> str:
    """A finding as a sentence; a file name at its start keeps its own letters."""
    first = text.split(" ", 1)[0]
    start = text[:1].upper() if first.isalpha() else text[:1]
    return start + text[1:] + ("" if text.endswith(".") else ".")
