"""One panel of the sync plot: every window's own answer, held against the fitted clock law.

Functions: draw_windows.
"""

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from spatial.analysis.sync import SyncEstimate, SyncEvidence
from spatial.conventions import FloatArray
from spatial.jobs.syncresult import SyncResult
from spatial.report.ink import ACCENT, FAINT, INK, SMALL, blank, headline, note
from spatial.timebase import ClockLaw

_LIMITS_MS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""How far the windows' axis reaches: never less than 1 ms, or scatter of any size would look alike."""

_COUNTS = 0.5
"""A window of this weight or more agrees, as in `SyncEvidence.agreeing`."""

_SDS_OF_95 = 1.96


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
    # Where the fit says what of a lag comes from its place in the room, that is no error of the clock.
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
    return np.asarray(1e3 * _SDS_OF_95 * np.sqrt(variance))


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
