"""Where a clip lies in a take and how the two clocks drift, or an honest "cannot tell".

Goal: from candidate laws good to a hundredth of a second, decide whether clip and take heard the same event
and give offset and drift with uncertainties that come from the windows themselves.
Conventions: spatial.conventions (time).
Functions: estimate_sync (one clip, one take); no_match (why there is none).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from spatial.analysis.clockline import ClockLine, fit_clock_line
from spatial.analysis.correlation import CrossWindows, cross_windows, lag_curves, refine_peak, window_directions
from spatial.analysis.envelope import Candidate
from spatial.analysis.samples import Samples
from spatial.analysis.stacking import NEAR_S, SEARCH_S, Trial, corrected, try_law
from spatial.conventions import ComplexArray, FloatArray
from spatial.timebase import ClockLaw

MIN_OVERLAP_S = 4.0
"""A shorter overlap holds fewer than two windows, and nothing to check them against."""

COARSE_SCORE = 10.0
"""Height of the envelope correlation over its own scatter that may be one event heard twice. In 240 pairs of
unrelated simulated scenes the best place reached 9.2, half of them 5.0; the same event gave 19 or more."""

MATCH_SCORE = 8.0
"""The same for the stacked whitened correlation. Unrelated scenes reached 8.1, half of them 5.6; the same event
gave 21 or more. Both must be passed at one and the same place."""

RIG_SD_S = 1e-4
"""What the travel of sound across the rig leaves open in the offset: a recorder 30 cm from the lens hears a
performer at 1.5 m up to 0.09 ms later than a plane wave would tell, whatever the direction."""

_ODD_DRIFT_PPM = 500.0
"""More than two crystals differ by. In an overlap of seconds the coarse line may bend by thousands of ppm, which
the slopes tried around it do not undo."""

_WORTH_TRYING = 0.5
Number = TypeVar("Number", np.floating, np.complexfloating)
_STRONG = 4.5
_SHARED = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class SyncEvidence:
    """What the answer rests on, for plots and for the doubtful."""

    times_s: FloatArray
    """Clip time of each window, shape (windows,)."""
    lags_s: FloatArray
    """Take time minus clip time in each window, shape (windows,)."""
    weights: FloatArray
    """What each window counts, 0 (outlier) to 1."""
    score: float
    """Height of the stacked correlation over its scatter; MATCH_SCORE or more is a match."""
    rival: float
    """The same for the best other place in the search range."""
    peak_lags_s: FloatArray
    peak_curve: FloatArray
    """The stacked correlation around the answer, shape (lags,)."""
    separation_m: FloatArray
    """Camera's place seen from the recorder, in the recorder's axes, shape (3,), with its sd."""
    separation_sd_m: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SyncEstimate:
    """The clock law between one clip and one take, or why there is none."""

    matched: bool
    reason: str
    """Why there is no match; empty where there is one."""
    law: ClockLaw | None
    offset_sd_s: float | None
    drift_sd_ppm: float | None
    evidence: SyncEvidence | None
    steady: ClockLaw | None = None
    """The best law without drift."""
    undecided: bool = False
    """Whether there is no match because there was too little to hear, not because the two differ."""

    @property
    def drift_significant(self) -> bool:
        """Whether the clocks measurably differ: drift more than twice its uncertainty."""
        return (
            self.law is not None and self.drift_sd_ppm is not None and abs(self.law.drift_ppm) > 2 * self.drift_sd_ppm
        )

    @property
    def applied_law(self) -> ClockLaw | None:
        """The law to cut by: with drift only where it is significant."""
        return self.law if self.drift_significant else self.steady


def no_match(reason: str, *, evidence: SyncEvidence | None = None, undecided: bool = False) -> SyncEstimate:
    """An estimate that says why there is none."""
    return SyncEstimate(False, reason, None, None, None, evidence, undecided=undecided)


def estimate_sync(
    clip: Samples,
    take: Samples,
    candidates: Sequence[Candidate],
    *,
    max_windows: int = 400,
    progress: Callable[[float], None] | None = None,
) -> SyncEstimate:
    """Decide between candidate laws, refine the best, and say how sure it is.

    Parameters
    ----------
    clip : Samples
        The camera's sound at 16 kHz, one or more channels.
    take : Samples
        The field, internal form, at 16 kHz.
    candidates : sequence of Candidate
        From `envelope.find_candidates`.
    max_windows : int
        At most so many windows for the final line.
    progress : callable, optional
        Told the part done, 0 to 1.

    Returns
    -------
    SyncEstimate
        matched False, with the reason, for silence, unrelated sound or too short an overlap.
    """
    long_enough = [c for c in candidates if _overlap_s(clip, take, c.law) >= MIN_OVERLAP_S]
    if not long_enough:
        if not candidates:
            return no_match("one of the two holds no sound that comes and goes", undecided=True)
        return no_match(f"clip and take would overlap by less than {MIN_OVERLAP_S:.0f} s", undecided=True)
    if long_enough[0].score < COARSE_SCORE:
        return no_match(_too_weak(long_enough[0].score, COARSE_SCORE))
    likely = [c for c in long_enough if c.score >= _WORTH_TRYING * long_enough[0].score]
    trials = [try_law(clip, take, law) for candidate in likely for law in _laws_to_try(clip, take, candidate.law)]
    best = max(trials, key=lambda trial: trial.score)
    if best.score < MATCH_SCORE:
        return no_match(_too_weak(best.score, MATCH_SCORE), evidence=_evidence_without_line(best))
    windows = cross_windows(clip, take, best.law, max_windows=max_windows, progress=progress)
    line, times, lags, curve = _fit(windows, window_directions(windows, take), best.signs)
    if line is None:
        return no_match("too few moments of the clip agree on one offset", evidence=_evidence_without_line(best))
    law = corrected(best.law, line.offset_s, line.slope)
    sd = np.sqrt(np.diag(line.covariance))
    # Without drift the offset is the line's value where it is surest.
    anchor = -line.covariance[0, 1] / line.covariance[1, 1]
    return SyncEstimate(
        matched=True,
        reason="",
        law=law,
        offset_sd_s=float(np.hypot(sd[0], RIG_SD_S)),
        drift_sd_ppm=float(sd[1] * 1e6),
        evidence=SyncEvidence(
            times_s=times,
            lags_s=np.array([best.law.take_from_clip(t) - t for t in times]) + lags,
            weights=line.weights,
            score=best.score,
            rival=best.rival,
            peak_lags_s=curve[0],
            peak_curve=curve[1],
            separation_m=line.separation_m,
            separation_sd_m=line.separation_sd_m,
        ),
        steady=ClockLaw(law.take_from_clip(anchor) - anchor),
    )


def _laws_to_try(clip: Samples, take: Samples, law: ClockLaw) -> list[ClockLaw]:
    """A coarse law, and the same without a drift that only a short overlap could have made up."""
    if abs(law.drift_ppm) < _ODD_DRIFT_PPM:
        return [law]
    middle = max(0.0, law.clip_from_take(0.0)) + _overlap_s(clip, take, law) / 2
    return [law, ClockLaw(law.take_from_clip(middle) - middle)]


def _fit(
    windows: CrossWindows, directions: FloatArray, signs: FloatArray
) -> tuple[ClockLine | None, FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Peaks of the windows near the law, and the robust line through them."""
    phases = np.tensordot(windows.phases, signs / len(signs), axes=(1, 0))
    weights = _agreement(phases)
    for group in (1, 2, 4, 8):
        grouped, times, places = _grouped(phases, windows.times_s, directions, group)
        lags, curves = lag_curves(grouped, windows.rate_hz, max_lag_s=SEARCH_S, weights=weights)
        near = np.flatnonzero(np.abs(lags) <= NEAR_S)
        peaks = near[0] + np.argmax(curves[:, near], axis=1)
        scatter = 1.4826 * np.median(np.abs(curves), axis=1)
        refined = [refine_peak(curve, int(peak)) for curve, peak in zip(curves, peaks, strict=True)]
        strengths = np.array([height for _, height in refined]) / np.maximum(scatter, 1e-9)
        strong = strengths > _STRONG
        if np.count_nonzero(strong) >= max(6, 0.3 * len(times)):
            break
    if np.count_nonzero(strong) < 3:
        return None, times, np.zeros_like(times), (lags, curves.mean(axis=0))
    steps = np.array([place for place, _ in refined])[strong]
    measured = lags[0] + steps * (lags[1] - lags[0])
    line = fit_clock_line(times[strong], measured, places[strong], strengths=strengths[strong])
    return line, times[strong], measured, (lags, curves[strong].mean(axis=0))


def _agreement(phases: ComplexArray) -> FloatArray:
    """How far each frequency's phases agree between windows, smoothed: the say it gets in the final curves.

    With coherence g the best weight of a whitened bin grows as g / (1 - g) (Knapp and Carter 1976, maximum
    likelihood); the mean phase over N windows shows 1/sqrt(N) by chance, taken off first.
    """
    count = len(phases)
    mean = np.abs(phases.mean(axis=0)) / np.maximum(np.abs(phases).mean(axis=0), 1e-12)
    smooth = np.convolve(np.pad(mean**2, 32, mode="edge"), np.ones(65) / 65, mode="valid")
    coherent = np.clip(smooth - 1.0 / max(count, 2), 0.0, 0.95)
    weight = np.sqrt(coherent) / (1.0 - coherent)
    return weight + 0.05 * np.max(weight) + 1e-6


def _grouped(
    phases: ComplexArray, times_s: FloatArray, directions: FloatArray, group: int
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Means over neighbouring windows; a direction only where they all share it."""
    count = len(phases) // group
    if group == 1 or count == 0:
        return phases, times_s, directions

    def split(values: npt.NDArray[Number]) -> npt.NDArray[Number]:
        return values[: count * group].reshape(count, group, *values.shape[1:])

    shared = split(directions).mean(axis=1)
    length = np.linalg.norm(shared, axis=1, keepdims=True)
    place = np.where(length > _SHARED, shared / np.maximum(length, 1e-9), np.nan)
    return split(phases).mean(axis=1), split(times_s).mean(axis=1), place


def _too_weak(score: float, needed: float) -> str:
    return f"they do not seem to hear the same event (best likeness {score:.1f}, {needed:.0f} needed)"


def _overlap_s(clip: Samples, take: Samples, law: ClockLaw) -> float:
    start = max(0.0, law.clip_from_take(0.0))
    return min(clip.length / clip.rate_hz, law.clip_from_take(take.length / take.rate_hz)) - start


def _evidence_without_line(trial: Trial) -> SyncEvidence:
    none = np.zeros(0)
    return SyncEvidence(
        times_s=none,
        lags_s=none,
        weights=none,
        score=trial.score,
        rival=trial.rival,
        peak_lags_s=trial.lags_s,
        peak_curve=trial.curve,
        separation_m=np.zeros(3),
        separation_sd_m=np.full(3, np.inf),
    )
