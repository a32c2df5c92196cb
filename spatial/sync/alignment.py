"""Where a clip lies in a take and how the two clocks drift, or that this cannot be decided.

Goal: from candidate laws good to a hundredth of a second, decide whether clip and take recorded the same event, and
estimate offset and drift with uncertainties that come from the windows themselves.
Method: the candidates are tried closely, and the best one has to pass two thresholds at one place. A clip that fits
nearly as well elsewhere with the same moments is refused as a loop. The windows along the best law are then read, with
the steps of the clocks beside it, and a robust line through them is the answer.
Conventions: spatial.conventions (time).
Functions: estimate_sync (one clip, one take); no_match (why there is none); overlap_s, middle_s (of the overlap);
other_fit_s (how far away the same moments fit as well); straight_or_bent (which of two readings is kept).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from spatial.conventions import FloatArray
from spatial.dsp.samples import Samples
from spatial.sync.baseline import Separation, unknown_rig
from spatial.sync.clock_fit import fit_windows
from spatial.sync.clock_steps import Listening, Reading, read_along, read_apart, where_most_are, with_hidden_step
from spatial.sync.coarse import Candidate
from spatial.sync.gcc_phat import NEAR_S, SEARCH_S, Trial, cross_windows, scatter_of, signed_curves, try_law
from spatial.timebase import ClockLaw, ClockStep

# --- the overlap ---

_NEARLY = 0.7
"""Part of the best place's score from which another place counts as fitting as well. It is chosen on development
scenes: a lower value refuses more clips as loops, a higher one lets a loop pass that noise made a little weaker
elsewhere."""

_MOMENT_S, _MOMENTS, _FITS = 1.0, 120, 6.0
"""A moment is a second of the clip, at most 120 of them are compared, and a moment fits where its peak stands six
scatters high. They are chosen on development scenes: with a lower height chance peaks make two places share moments,
with a higher one a weak loop passes."""


def overlap_s(clip: Samples, take: Samples, law: ClockLaw) -> float:
    """How long clip and take overlap, seconds of clip time."""
    start, end = _covered_s(clip, take, law)
    return end - start


def middle_s(clip: Samples, take: Samples, law: ClockLaw) -> float:
    """Clip time in the middle of the overlap."""
    start, end = _covered_s(clip, take, law)
    return start + (end - start) / 2


def _covered_s(clip: Samples, take: Samples, law: ClockLaw) -> tuple[float, float]:
    """Clip time from which and until which clip and take overlap."""
    end = min(clip.length / clip.rate_hz, law.clip_from_take(take.length / take.rate_hz))
    return max(0.0, law.clip_from_take(0.0)), end


def other_fit_s(clip: Samples, take: Samples, best: Trial, trials: Sequence[Trial]) -> float | None:
    """How far away the take fits the same moments of the clip nearly as well, seconds; None where it does not.

    After a clock step another place fits well too, but other moments.
    """
    middle = middle_s(clip, take, best.law)
    here = best.law.take_from_clip(middle)
    fitting: FloatArray | None = None
    for trial in sorted(trials, key=lambda t: -t.score):
        apart = abs(trial.law.take_from_clip(middle) - here)
        if trial.score < _NEARLY * best.score or apart <= SEARCH_S:
            continue
        if fitting is None:
            fitting = _moments(clip, take, best)
        other = _moments(clip, take, trial)
        both = np.isin(fitting, other).sum()
        if both > 0.5 * max(1, min(len(fitting), len(other))):
            return apart
    return None


def _moments(clip: Samples, take: Samples, trial: Trial) -> FloatArray:
    """The seconds of the clip that a trial's law fits."""
    windows = cross_windows(clip, take, trial.law, every_s=_MOMENT_S, max_windows=_MOMENTS)
    lags, curves = signed_curves(windows, trial.signs, max_lag_s=SEARCH_S)
    fits = curves[:, np.abs(lags) <= NEAR_S].max(axis=1) / scatter_of(curves) > _FITS
    return np.asarray(np.round(windows.times_s[fits] / _MOMENT_S))


# --- the decision ---

MIN_OVERLAP_S = 4.0
"""Seconds. A shorter overlap holds three windows at the most (1.2 s each, a second apart), too few to check each
other."""

COARSE_SCORE = 10.0
"""Height of the envelope correlation over its own scatter that may be one event recorded twice. In 240 pairs of
unrelated simulated scenes the best place reached 9.2, half of them 5.0; the same event gave 19 or more."""

MATCH_SCORE = 8.0
"""The same for the stacked whitened correlation. Unrelated scenes reached 8.1, half of them 5.6; the same event
gave 21 or more. Both must be passed at one and the same place."""

FAINT_SCORE = 6.0
"""Height of the envelope correlation below which no candidate is looked at closely. Half of the unrelated scenes stay
below 5.0: a lower value costs time on these, a higher one loses pairs that share only a short piece."""

SURE_SCORE = 13.0
"""Height of the stacked correlation that is enough where the envelopes are only faintly alike (from FAINT_SCORE to
COARSE_SCORE: a short piece between clock steps, much noise). Unrelated scenes reached 8.1: a lower value comes nearer
to them, a higher one loses more noisy pairs."""

RIG_SD_S = 1e-4
"""What the travel of sound across the rig leaves open in the offset, seconds: a performer at 1.5 m reaches a recorder
30 cm from the lens up to 0.09 ms later than a plane wave would, whatever the direction."""

_WANDER_S = 1e-5
"""What the performers' lags wander over a clip that the windows' scatter does not show, seconds: with less, drifts of
long clips are called surer than they are."""

_MANY_TURNS_S = 40.0
"""Length from which on that holds, seconds. In fewer turns of speech less of it evens out: over 10 s, with three turns
or so, it is twice that (measured)."""

_STEP_PLACES = 3.0
"""After a step other performers speak from other places: so many times what one place adds."""

_ODD_DRIFT_PPM = 500.0
"""More than two crystals differ by. In an overlap of seconds the coarse line may bend by thousands of ppm, which
the slopes tried around it do not undo."""

_WORTH_TRYING = 0.5
"""Part of the best candidate's score below which a candidate is not looked at. It is chosen on development scenes: a
lower value costs time only, a higher one may leave out the true place where the envelopes prefer another."""

_BENT_PPM, _BENT_S = 150.0, 0.1
"""A law that drifts by more than crystals do, but not far in all, may be bent over a clock step."""

_BETTER = 1.1
"""Ratio of the numbers of windows on the line, without drift over with it, from which the line without drift is kept.
It is chosen on development scenes: at 1 a window or two of chance decide, a higher value keeps laws that are bent over
a step."""


@dataclass(frozen=True, slots=True, eq=False)
class SyncEvidence:
    """What the answer rests on, for plots and for the doubtful."""

    times_s: FloatArray
    """Clip time of each window, shape (windows,)."""
    lags_s: FloatArray
    """Take time minus clip time in each window, shape (windows,)."""
    weights: FloatArray
    """What each window counts, 0 (outlier) to 1."""
    places_s: FloatArray
    """What the travel of sound adds to each lag, as far as it is understood."""
    signs: FloatArray
    """+1 or -1 for each camera channel: -1 is wired the wrong way round."""
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
    arrival_m: FloatArray = field(default_factory=lambda: np.zeros(3))
    """The same as arrival times alone measure it, whatever was known of the rig, shape (3,)."""
    arrival_covariance_m2: FloatArray = field(default_factory=lambda: np.diag(np.full(3, np.inf)))
    """Of that, shape (3, 3); infinite where they measure nothing."""

    @property
    def windows(self) -> int:
        """How many moments of the clip measured a lag; each of the camera's microphones may have one in each."""
        return int(np.unique(self.times_s).size)

    @property
    def agreeing(self) -> int:
        """How many of them lie on the line."""
        return int(np.unique(self.times_s[self.weights > 0.5]).size)


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
    true_rate_hz: int | None = None
    """The take's real sample rate, where its header has another."""
    loop: bool = False
    """Whether there is no match because the clip fits in several places of the take."""
    apart: bool = False
    """Whether performers' lags are such as no shared rig allows: the recorder stands metres from the camera."""
    undecided: bool = False
    """Whether there is no match because there was too little sound, not because the two differ."""

    @property
    def steps(self) -> tuple[ClockStep, ...]:
        """Where one of the two clocks jumps."""
        return self.law.steps if self.law is not None else ()

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
    """An estimate without a match, with the reason."""
    return SyncEstimate(False, reason, None, None, None, evidence, undecided=undecided)


def estimate_sync(
    clip: Samples,
    take: Samples,
    candidates: Sequence[Candidate],
    *,
    powers: tuple[FloatArray, FloatArray] | None = None,
    separation: Separation | None = None,
    max_windows: int = 400,
    explain: bool = True,
    progress: Callable[[float], None] | None = None,
) -> SyncEstimate:
    """Decide between candidate laws, refine the best, and give its uncertainty.

    Parameters
    ----------
    clip : Samples
        The camera's sound at 16 kHz, one or more channels.
    take : Samples
        The field, internal form, at 16 kHz.
    candidates : sequence of Candidate
        From `coarse.find_candidates`.
    powers : tuple of ndarray, optional
        The envelopes that the candidates came from: with them, clock steps of seconds are found too.
    separation : Separation, optional
        What is known of the rig; by default, that recorder and camera share one.
    max_windows : int
        At most so many windows for the final line.
    explain : bool
        Look closely at the best place even where it cannot be a match, for the plot.
    progress : callable, optional
        Told the part done, 0 to 1.

    Returns
    -------
    SyncEstimate
        matched False, with the reason, for silence, unrelated sound or too short an overlap.
    """
    long_enough = [c for c in candidates if overlap_s(clip, take, c.law) >= MIN_OVERLAP_S]
    if not long_enough:
        if not candidates:
            return no_match("one of the two holds no sound that comes and goes", undecided=True)
        return no_match(f"clip and take would overlap by less than {MIN_OVERLAP_S:.0f} s", undecided=True)
    if long_enough[0].score < FAINT_SCORE:
        seen = _evidence_without_line(try_law(clip, take, long_enough[0].law)) if explain else None
        return no_match(
            _too_weak("the rises and falls of their sound", long_enough[0].score, COARSE_SCORE), evidence=seen
        )
    likely = [c for c in long_enough if c.score >= _WORTH_TRYING * long_enough[0].score]
    trials = [try_law(clip, take, law) for candidate in likely for law in _laws_to_try(clip, take, candidate.law)]
    best = max(trials, key=lambda trial: trial.score)
    needed = MATCH_SCORE if long_enough[0].score >= COARSE_SCORE else SURE_SCORE
    if best.score < needed == MATCH_SCORE:
        # The coarse law may be bent over a clock step, and hold neither side of it.
        trials.append(try_law(clip, take, _without_drift(clip, take, long_enough[0].law)))
        best = max(trials, key=lambda trial: trial.score)
    if best.score < needed:
        return no_match(_too_weak("their waves", best.score, needed), evidence=_evidence_without_line(best))
    alias = other_fit_s(clip, take, best, trials)
    if alias is not None:
        reason = f"it fits in several places equally well, {alias:.2f} s apart: a steady beat or a loop"
        return replace(no_match(reason, evidence=_evidence_without_line(best), undecided=True), loop=True)
    rig = separation or unknown_rig()
    sounds = Listening(clip, take, best.signs, NEAR_S, powers)
    reading = read_along(sounds, rig, best.law, max_windows, progress)
    if (
        abs(best.law.drift_ppm) > _BENT_PPM
        and abs(best.law.drift_ppm) * 1e-6 * overlap_s(clip, take, best.law) < _BENT_S
    ):
        straight = read_along(sounds, rig, _without_drift(clip, take, best.law), max_windows)
        reading = straight_or_bent(straight, reading)
    elsewhere = where_most_are(reading)
    if elsewhere is not None:
        # The law was that of a few windows, by chance: talkers' delays had smeared the rest.
        again = read_along(sounds, rig, elsewhere, max_windows)
        if where_most_are(again) is None:
            reading, elsewhere = again, None
    apart = None
    if separation is None and (reading.off_the_rig or elsewhere is not None):
        # No rig is that wide: the recorder stands apart, and the offset is in doubt by as much.
        apart = read_apart(reading, max_windows)
    if apart is not None:
        base, fitted = apart
    elif reading.fitted is not None:
        base, fitted = reading.law, reading.fitted
        stepped = with_hidden_step(reading, rig)
        if stepped is not None:
            base = stepped
            windows = cross_windows(clip, take, base, aimed=True, max_windows=max_windows)
            fitted = fit_windows(windows, best.signs, rig, reading.listening.near_s) or fitted
    else:
        return no_match("too few moments of the clip agree on one offset", evidence=_evidence_without_line(best))
    line = fitted.line
    # Where each talker has a delay of their own, the steps' deviations hold that.
    beside = _STEP_PLACES * rig.place_sd_s
    steps = tuple(
        ClockStep(step.clip_time_s, step.step_s + float(more), float(np.hypot(sd, beside)))
        for step, more, sd in zip(base.steps, line.steps_s, line.steps_sd_s, strict=True)
    )
    law = replace(base.moved(line.offset_s, line.slope), steps=steps)
    sd = np.sqrt(np.diag(line.covariance))
    length_s = overlap_s(clip, take, base)
    wander_s = _WANDER_S * max(1.0, np.sqrt(_MANY_TURNS_S / length_s))
    # Without drift the offset is the line's value where it is surest.
    anchor = -line.covariance[0, 1] / line.covariance[1, 1]
    steady = law.piece_at(0.0).take_from_clip(anchor) - anchor
    return SyncEstimate(
        matched=True,
        reason="",
        law=law,
        offset_sd_s=float(np.hypot(sd[0], RIG_SD_S)),
        drift_sd_ppm=float(np.hypot(sd[1], wander_s / length_s) * 1e6),
        evidence=SyncEvidence(
            times_s=fitted.told.times_s,
            lags_s=np.array([base.take_from_clip(t) - t for t in fitted.told.times_s]) + fitted.told.lags_s,
            weights=line.weights,
            places_s=line.travel_s,
            signs=best.signs,
            score=best.score,
            rival=best.rival,
            peak_lags_s=best.lags_s,
            peak_curve=best.curve,
            separation_m=line.separation_m,
            separation_sd_m=line.separation_sd_m,
            arrival_m=line.arrival_m,
            arrival_covariance_m2=line.arrival_covariance_m2,
        ),
        steady=ClockLaw(steady, steps=steps),
        apart=apart is not None,
    )


def straight_or_bent(straight: Reading, bent: Reading) -> Reading:
    """The reading without drift where clearly more windows agree with it: the other was bent over a clock step."""
    return straight if straight.agreeing > _BETTER * bent.agreeing else bent


def _laws_to_try(clip: Samples, take: Samples, law: ClockLaw) -> list[ClockLaw]:
    """A coarse law, and the same without a drift that only a short overlap could have made up."""
    if abs(law.drift_ppm) < _ODD_DRIFT_PPM:
        return [law]
    return [law, _without_drift(clip, take, law)]


def _without_drift(clip: Samples, take: Samples, law: ClockLaw) -> ClockLaw:
    """The law without drift that crosses a law in the middle of the overlap."""
    middle = middle_s(clip, take, law)
    return ClockLaw(law.take_from_clip(middle) - middle)


def _too_weak(what: str, score: float, needed: float) -> str:
    # In whole tenths, rounded down: what falls just short must not read as enough.
    best = int(10 * score / needed)
    return (
        f"they do not seem to hear the same event (where {what} agree best, they reach {best} of the 10 points needed)"
    )


def _evidence_without_line(trial: Trial) -> SyncEvidence:
    none = np.zeros(0)
    return SyncEvidence(
        times_s=none,
        lags_s=none,
        weights=none,
        places_s=none,
        signs=trial.signs,
        score=trial.score,
        rival=trial.rival,
        peak_lags_s=trial.lags_s,
        peak_curve=trial.curve,
        separation_m=np.zeros(3),
        separation_sd_m=np.full(3, np.inf),
    )
