"""A sync result as a picture that lets a doubter judge it: windows against the law, the peak, and what is covered.

Functions: write_sync_plot, sync_figure; draw_windows (one panel: every window's own answer against the fitted law).
"""

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.jobs.sync.sync_result import SyncResult
from spatial.report.plots.style import (
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
from spatial.sync.alignment import MATCH_SCORE, SyncEstimate, SyncEvidence
from spatial.sync.gcc_phat import NEAR_S
from spatial.timebase import ClockLaw

# --- the panel of windows ---

_LIMITS_MS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""How far the windows' axis reaches: never less than 1 ms, or scatter of any size would look alike."""

_COUNTS = 0.5
"""A window of this weight or more agrees, as in `SyncEvidence.agreeing`."""


def draw_windows(axes: Axes, result: SyncResult) -> None:
    """Draw every window as a dot, the fitted law as a line with its band, and the steps of the clock."""
    clip, estimate = result.clip, result.estimate
    margin_s = max(0.02 * clip.duration_s, 1e-3)
    axes.set_xlim(-margin_s, clip.duration_s + margin_s)
    axes.tick_params(bottom=False, labelbottom=False)
    axes.spines["bottom"].set_visible(False)
    law, evidence = estimate.law, estimate.evidence
    if law is None or evidence is None or not evidence.times_s.size:
        headline(axes, "Each window's own answer: none")
        blank(axes, "There is no law to hold windows against." if law is None else "No window is left to show.")
        return
    times, off, weights = _residuals_ms(result, law, evidence)
    agree = weights >= _COUNTS
    headline(
        axes,
        f"Each window's own answer: {evidence.agreeing} of {evidence.windows} agree  (larger: counts more)",
    )
    grid_s = np.linspace(*result.covered_s, 201)
    band = _band_ms(estimate, law, grid_s, times, weights)
    limit = _limit_ms(off[agree], band)
    axes.set_ylim(-1.3 * limit, 1.1 * limit)
    axes.set_yticks(ticks := limit * np.linspace(-1.0, 1.0, 5), [f"{tick:+g}" if tick else "0" for tick in ticks])
    axes.set_ylabel("earlier  ←  ms off the fitted law  →  later in the take", color=INK)
    axes.grid(axis="y", color=FAINT, linewidth=0.6)
    handles = [_fitted_line(axes, band, grid_s)]
    handles += _cut_line(axes, estimate, law, grid_s)
    handles += _dots(axes, times, off, weights, limit)
    _draw_steps(axes, law, limit)
    legend = axes.legend(
        handles=handles,
        loc="lower left",
        ncols=len(handles),
        frameon=False,
        fontsize=SMALL,
        labelcolor=INK,
        borderaxespad=0.1,
        handletextpad=0.5,
        columnspacing=1.2,
        handlelength=1.6,
    )
    # However long, it must not push the axes together.
    legend.set_in_layout(False)


def _residuals_ms(
    result: SyncResult, law: ClockLaw, evidence: SyncEvidence
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Picture time, distance from the law, and weight of each window whose numbers are numbers."""
    # Windows are timed from the sound's first sample, the law from the first picture frame.
    phase_s = result.clip.scratch.phase_s if result.clip.scratch else 0.0
    times = evidence.times_s + phase_s
    off = evidence.times_s + evidence.lags_s - np.array([law.take_from_clip(float(time)) for time in times])
    # Where the fit knows what of a lag comes from its place in the room, that is no error of the clock.
    off = off - evidence.places_s
    kept = np.isfinite(times) & np.isfinite(off) & np.isfinite(evidence.weights)
    return times[kept], 1e3 * off[kept], evidence.weights[kept]


def _band_ms(
    estimate: SyncEstimate, law: ClockLaw, grid_s: FloatArray, times_s: FloatArray, weights: FloatArray
) -> FloatArray | None:
    """Half width of the law's 95 % band: narrowest in the windows' middle, where offset and slope do not trade."""
    if estimate.offset_sd_s is None or estimate.drift_sd_ppm is None:
        return None
    if not np.all(np.isfinite([estimate.offset_sd_s, estimate.drift_sd_ppm, *(step.sd_s for step in law.steps)])):
        return None
    slope_sd = estimate.drift_sd_ppm * 1e-6
    middle_s = float(np.average(times_s, weights=weights)) if np.sum(weights) > 0 else 0.0
    middle_variance = max(estimate.offset_sd_s**2 - (middle_s * slope_sd) ** 2, 0.0)
    variance = middle_variance + ((grid_s - middle_s) * slope_sd) ** 2
    for step in law.steps:
        variance = variance + np.where(grid_s >= step.clip_time_s, step.sd_s**2, 0.0)
    return np.asarray(1e3 * SDS_OF_95 * np.sqrt(variance))


def _limit_ms(off_ms: FloatArray, band_ms: FloatArray | None) -> float:
    """The least of the round limits that holds the windows that count, and the band."""
    needed = max(np.max(np.abs(off_ms), initial=0.0), 1.1 * np.max(band_ms) if band_ms is not None else 0.0)
    return next((limit for limit in _LIMITS_MS if limit >= needed), float(needed))


def _fitted_line(axes: Axes, band_ms: FloatArray | None, grid_s: FloatArray) -> Any:
    if band_ms is not None:
        axes.fill_between(grid_s, -band_ms, band_ms, color=ACCENT, alpha=0.18, linewidth=0)
        for edge in (-band_ms, band_ms):
            axes.plot(grid_s, edge, color=ACCENT, linewidth=0.7)
    label = "fitted law" if band_ms is None else "fitted law, 95 % band"
    [line] = axes.plot(grid_s, np.zeros_like(grid_s), color=ACCENT, linewidth=1.6, label=label, zorder=4)
    return line


def _cut_line(axes: Axes, estimate: SyncEstimate, law: ClockLaw, grid_s: FloatArray) -> list[Any]:
    """The law to cut by, where it is not the fitted one."""
    applied = estimate.applied_law
    if applied is None or estimate.drift_significant:
        return []
    apart = [1e3 * (applied.take_from_clip(time) - law.take_from_clip(time)) for time in map(float, grid_s)]
    return list(
        axes.plot(grid_s, apart, color=INK, linewidth=1.2, linestyle=(0, (5, 3)), label="used: no drift", zorder=4)
    )


def _dots(axes: Axes, times_s: FloatArray, off_ms: FloatArray, weights: FloatArray, limit: float) -> list[Any]:
    """Filled where a window counts, the larger the more; hollow where not; a triangle where it lies off the sheet."""
    agree = weights >= _COUNTS
    inside = np.abs(off_ms) <= 1.04 * limit
    handles: list[Any] = []
    many = float(np.clip(60.0 / max(times_s.size, 1), 0.25, 1.0))
    for chosen, face, edge, marker, label in (
        (agree & inside, INK, "white", "o", "window"),
        (~agree & inside, "none", INK, "o", "outlier"),
        (~inside & (off_ms > 0), "none", INK, "^", "off the sheet"),
        (~inside & (off_ms < 0), "none", INK, "v", "off the sheet"),
    ):
        if not np.any(chosen):
            continue
        dots = axes.scatter(
            times_s[chosen],
            np.clip(off_ms[chosen], -limit, limit),
            s=many * (18.0 + 50.0 * weights[chosen] ** 2) if face == INK else max(many, 0.5) * 32.0,
            facecolors=face,
            edgecolors=edge,
            linewidths=0.5 if face == INK else 0.9,
            marker=marker,
            alpha=0.9 if face == INK else 0.75,
            label=label,
            zorder=3,
            clip_on=False,
        )
        if label not in [handle.get_label() for handle in handles]:
            handles.append(dots)
    return handles


def _draw_steps(axes: Axes, law: ClockLaw, limit: float) -> None:
    for number, step in enumerate(law.steps):
        # The take's clock falls behind where the recorder left something out.
        lost = f"{'recorder' if step.step_s < 0 else 'camera'} lost {1e3 * abs(step.step_s):.1f} ms here"
        axes.axvline(step.clip_time_s, color=ACCENT, linewidth=1.4, linestyle=(0, (1, 1.5)))
        late = step.clip_time_s > float(np.mean(axes.get_xlim()))
        axes.annotate(
            lost,
            (step.clip_time_s, limit * (0.92 - 0.14 * (number % 3))),
            xytext=(-5 if late else 5, 0),
            textcoords="offset points",
            zorder=2.5,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
            **{**note("right" if late else "left", "top"), "color": ACCENT},
        )


# --- the plot ---


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
    save(sync_figure(result), path, force=force, inputs=inputs)


def sync_figure(result: SyncResult) -> Figure:
    """The drawing that `write_sync_plot` saves."""
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
    return figure


def _title(result: SyncResult) -> list[str]:
    """The answer in one sentence; a reason stands on a line of its own."""
    clip, take, estimate = legible(result.clip.path.name), legible(result.take.path.name), result.estimate
    law = estimate.law
    if not estimate.matched or law is None:
        verdict = f"Cannot tell whether {take} belongs to" if estimate.undecided else f"No match: {take} and"
        return [f"{verdict} {clip}:", legible(estimate.reason)]
    sure = "Unsure" if result.doubts else "Sure"
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
