"""A sync result as a picture that lets a doubter judge it: windows against the law, the peak, and what is covered.

Functions: write_sync_plot.
"""

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from spatial.analysis.stacking import NEAR_S
from spatial.analysis.sync import MATCH_SCORE, SyncEstimate
from spatial.conventions import SDS_OF_95, FloatArray
from spatial.jobs.syncresult import SyncResult
from spatial.report.ink import (
    ACCENT,
    FAINT,
    INK,
    SMALL,
    blank,
    check_plot,
    headline,
    legible,
    new_figure,
    note,
    plain_axes,
    save,
)
from spatial.report.windowplot import draw_windows
from spatial.timebase import ClockLaw


def write_sync_plot(result: SyncResult, path: Path, *, force: bool = False, inputs: Sequence[Path] = ()) -> None:
    """Draw how far each window lies from the fitted clock law, what the take covers, and the correlation peak.

    Where there is no match, what was tried is drawn as far as it came.

    Parameters
    ----------
    inputs : sequence of Path
        Files that are never written over.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    check_plot(path, force=force, inputs=inputs)
    figure = new_figure(12, 6.4)
    grid = figure.add_gridspec(2, 2, width_ratios=(5, 3), height_ratios=(4, 1))
    windows = figure.add_subplot(grid[0, 0])
    covered = figure.add_subplot(grid[1, 0], sharex=windows)
    peak = figure.add_subplot(grid[:, 1])
    for axes in (windows, covered, peak):
        plain_axes(axes)
    draw_windows(windows, result)
    _draw_covered(covered, result)
    _draw_peak(peak, result.estimate)
    figure.set_layout_engine("constrained", w_pad=0.12, h_pad=0.08)
    title = "\n".join(textwrap.fill(line, 112) for line in _title(result))
    figure.suptitle(title, x=0.012, ha="left", fontsize=12, color=INK, weight="bold", parse_math=False)
    save(figure, path, force=force, inputs=inputs)


def _title(result: SyncResult) -> list[str]:
    """The answer in one sentence; a reason stands on a line of its own."""
    clip, take, estimate = legible(result.clip.path.name), legible(result.take.path.name), result.estimate
    law = estimate.law
    if not estimate.matched or law is None:
        verdict = f"Cannot tell whether {take} belongs to" if estimate.undecided else f"No match: {take} and"
        return [f"{verdict} {clip}:", legible(estimate.reason)]
    sure = "Unsure" if any(finding.code == "ambiguous_match" for finding in result.findings) else "Sure"
    when = "before" if law.offset_s >= 0 else "after"
    sd_s = estimate.offset_sd_s
    sd = f" (±{_figures(1e3 * SDS_OF_95 * sd_s)} ms)" if sd_s is not None and np.isfinite(sd_s) else ""
    return [f"{sure}: {take} starts {abs(law.offset_s):.4f} s {when} {clip}{sd}, {_drift(estimate, law)}"]


def _drift(estimate: SyncEstimate, law: ClockLaw) -> str:
    if estimate.drift_significant:
        return f"recorder {abs(law.drift_ppm):.1f} ppm {'fast' if law.drift_ppm > 0 else 'slow'}"
    known = estimate.drift_sd_ppm
    within = (
        f" (within {_figures(abs(law.drift_ppm) + 2 * known)} ppm)" if known is not None and np.isfinite(known) else ""
    )
    return f"no drift found{within}"


def _figures(value: float) -> str:
    """Two figures, and no exponent."""
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}" if value >= 1 else f"{value:.2f}"


def _draw_covered(axes: Axes, result: SyncResult) -> None:
    """The clip as a bar, and under it the take where it runs beside it."""
    clip, take = result.clip, result.take
    axes.set_ylim(-0.55, 1.55)
    axes.set_yticks([1, 0], ["clip", "take"])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(f"seconds on {legible(clip.path.name)}", color=INK, parse_math=False)
    axes.barh(1, clip.duration_s, height=0.62, color=FAINT, edgecolor=INK, linewidth=0.8)
    if not result.estimate.matched:
        _text_on(axes, clip.duration_s / 2, 0, "where it lies is not known", "center")
        return
    begin, end = result.law.clip_from_take(0.0), result.law.clip_from_take(take.duration_s)
    start, stop = max(begin, 0.0), min(end, clip.duration_s)
    low, high = axes.get_xlim()
    axes.barh(0, min(end, high) - max(begin, low), left=max(begin, low), height=0.62, color=INK, alpha=0.82)
    for left, right in ((0.0, min(start, clip.duration_s)), (max(stop, 0.0), clip.duration_s)):
        if right - left > 0.001 * clip.duration_s:
            axes.barh(0, right - left, left=left, height=0.62, color="white", edgecolor=ACCENT, hatch="////")
            if right - left > 0.14 * clip.duration_s:
                _text_on(axes, (left + right) / 2, 0, f"{right - left:.2f} s missing", "center")
    if stop - start < 0.3 * clip.duration_s:
        return
    pad = 0.01 * (high - low)
    if begin < 0:
        _text_on(axes, pad, 0, f"◂ began {-begin:.3f} s before", "left", dark=True)
    if end > clip.duration_s:
        _text_on(axes, clip.duration_s - pad, 0, f"runs on for {end - clip.duration_s:.3f} s ▸", "right", dark=True)


def _text_on(axes: Axes, x: float, y: float, text: str, side: str, *, dark: bool = False) -> None:
    box = None if dark else {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
    axes.text(x, y, text, ha=side, va="center", fontsize=SMALL, color="white" if dark else INK, bbox=box)


def _draw_peak(axes: Axes, estimate: SyncEstimate) -> None:
    """The correlation around the answer, scaled to its strength, with what an answer needs and the runner-up."""
    evidence = estimate.evidence
    curve = np.nan_to_num(evidence.peak_curve) if evidence is not None else np.zeros(0)
    top = float(np.max(curve, initial=0.0))
    if evidence is None or top <= 0.0 or not np.isfinite(evidence.score):
        headline(axes, "Likeness: too little to draw")
        blank(axes, "Nowhere were the two alike enough\nto be looked at more closely.")
        return
    headline(axes, f"Likeness: strength {evidence.score:.0f}, {MATCH_SCORE:.0f} needed")
    axes.set_xlabel(f"ms from the {'answer' if estimate.matched else 'best place'}", color=INK)
    axes.set_ylabel("strength: times the spread of the noise", color=INK)
    lags_ms = 1e3 * evidence.peak_lags_s
    strength = curve * (evidence.score / top)
    axes.plot(lags_ms, strength, color=INK, linewidth=0.8)
    axes.set_xlim(float(lags_ms[0]), float(lags_ms[-1]))
    highest = max(evidence.score, 1.5 * MATCH_SCORE)
    axes.set_ylim(min(-0.3 * highest, 1.08 * float(np.min(strength))), 1.12 * highest)
    axes.axhline(MATCH_SCORE, color=ACCENT, linewidth=1.2, zorder=1)
    axes.annotate("needed", (1, MATCH_SCORE), xycoords=("axes fraction", "data"), **note("right", "bottom"))
    best = int(np.argmax(strength))
    away = np.abs(lags_ms - lags_ms[best]) > 1e3 * NEAR_S
    if np.any(away):
        _mark_runner_up(axes, lags_ms, np.where(away, strength, -np.inf), highest)


def _mark_runner_up(axes: Axes, lags_ms: FloatArray, strength: FloatArray, highest: float) -> None:
    """A ring round the highest place away from the peak, and how high it is."""
    place = int(np.argmax(strength))
    at = (float(lags_ms[place]), float(strength[place]))
    axes.plot(*at, marker="o", markersize=9, markerfacecolor="none", markeredgecolor=ACCENT, markeredgewidth=1.4)
    right = at[0] <= 0.0
    axes.annotate(
        f"next best place: {at[1]:.0f}",
        at,
        xytext=(float(lags_ms[0] if right else lags_ms[-1]) * 0.97, 0.55 * highest),
        arrowprops={"arrowstyle": "-", "color": ACCENT, "linewidth": 0.8, "shrinkB": 5},
        **note("left" if right else "right", "bottom"),
    )
