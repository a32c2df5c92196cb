"""Numbers as a person on set says them: left, right, up, down, early, late.

Whole results are laid out in spatial.report.text.
Functions: side, height, steep, place, clock_time, start, clock, turn, mount_parts, table, findings_lines, ranked,
sentence.
"""

from collections.abc import Collection, Iterable, Sequence

import numpy as np

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.field import azimuth_elevation
from spatial.findings import Finding, Severity
from spatial.rotation import YawPitchRoll

OVERHEAD_DEG = 75.0
"""From this elevation on, up or down, left and right say nothing any more: a few degrees of error turn them round."""

_ORDER = {Severity.FIX: 0, Severity.LOOK: 1, Severity.NOTE: 2}
_TITLE = {Severity.FIX: "FIX ", Severity.LOOK: "LOOK", Severity.NOTE: "note"}


def side(azimuth_deg: float, digits: int = 1) -> str:
    """An azimuth in words.

    Examples
    --------
    >>> side(-12.34), side(0.01), side(180.0)
    ('12.3° right', 'straight ahead', 'straight back')
    """
    least = 0.5 * 10.0**-digits
    if abs(azimuth_deg) < least:
        return "straight ahead"
    if abs(azimuth_deg) > 180.0 - least:
        return "straight back"
    return f"{abs(azimuth_deg):.{digits}f}° {'left' if azimuth_deg > 0 else 'right'}"


def height(elevation_deg: float, digits: int = 1) -> str:
    """An elevation in words.

    Examples
    --------
    >>> height(-3.0), height(0.0)
    ('3.0° down', 'level')
    """
    if abs(elevation_deg) < 0.5 * 10.0**-digits:
        return "level"
    return f"{abs(elevation_deg):.{digits}f}° {'up' if elevation_deg > 0 else 'down'}"


def steep(elevation_deg: float) -> str:
    """The word for a direction that has no left and right; empty where it has.

    Examples
    --------
    >>> steep(80.0), steep(-80.0), steep(70.0)
    ('overhead', 'below', '')
    """
    return "" if abs(elevation_deg) <= OVERHEAD_DEG else "overhead" if elevation_deg > 0 else "below"


def place(vector: FloatArray, *, digits: int = 1) -> str:
    """A direction in words, its angles with so many digits after the point.

    Examples
    --------
    >>> place(np.array([0.0, 0.5, 0.8660254])), place(np.array([0.0, 0.1736482, -0.9848078]))
    ('90.0° left, 60.0° up', 'below, 80.0° down')
    """
    if not np.all(np.isfinite(vector)):
        return "-"
    azimuth, elevation = (float(np.degrees(angle)) for angle in azimuth_elevation(vector))
    return f"{steep(elevation) or side(azimuth, digits)}, {height(elevation, digits)}"


def clock_time(seconds: float) -> str:
    """A time on the clip, as m:ss.s.

    Examples
    --------
    >>> clock_time(75.25)
    '1:15.2'
    """
    tenths = int(seconds * 10 + 1e-6)  # what rounding left just short of a tenth is one
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def start(offset_s: float, sd_s: float | None = None) -> str:
    """When a take starts, with its 95 % interval where that is known.

    Examples
    --------
    >>> start(3.217, 0.0001), start(-1.5)
    ('3.2170 s before the clip (±0.20 ms, 95 %)', '1.5000 s after the clip')
    """
    spread = f" (±{SDS_OF_95 * sd_s * 1e3:.2f} ms, 95 %)" if sd_s is not None else ""
    return f"{abs(offset_s):.4f} s {'before' if offset_s >= 0 else 'after'} the clip{spread}"


def clock(drift_ppm: float, sd_ppm: float | None = None) -> str:
    """How fast a recorder's clock runs, with its 95 % interval where that is known.

    Examples
    --------
    >>> clock(80.6, 1.2), clock(-3.0)
    ('80.6 ppm fast (±2.4)', '3.0 ppm slow')
    """
    spread = f" (±{SDS_OF_95 * sd_ppm:.1f})" if sd_ppm is not None else ""
    return f"{abs(drift_ppm):.1f} ppm {'fast' if drift_ppm > 0 else 'slow'}{spread}"


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


def findings_lines(findings: Iterable[Finding], *, said: Collection[str] = ()) -> list[str]:
    """Findings, worst first, one line each; without the notes whose codes have been `said` already."""
    told = [
        finding for finding in ranked(findings) if finding.severity is not Severity.NOTE or finding.code not in said
    ]
    return [f"  {_TITLE[finding.severity]}  {sentence(finding.message)}" for finding in told]


def ranked(findings: Iterable[Finding]) -> list[Finding]:
    """Findings, worst first, otherwise as they came."""
    return sorted(findings, key=lambda finding: _ORDER[finding.severity])


def sentence(text: str) -> str:
    """A finding as a sentence; a file name at its start keeps its own letters."""
    first = text.split(" ", 1)[0]
    start = text[:1].upper() if first.isalpha() else text[:1]
    return start + text[1:] + ("" if text.endswith((".", "?")) else ".")
