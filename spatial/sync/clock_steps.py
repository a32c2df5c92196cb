"""Places where one of the two clocks jumps, and all that the windows measure along one law.

Goal: a clock law with its steps (a recorder that drops a buffer, a camera that loses frames) and the line through the
windows along it.
Method: where the windows of a stretch do not agree with the law, another law is tried beside it: within SEARCH_S by the
windows themselves, within REACH_S by the envelopes. What is found must hold the stretch as surely as a match holds a
clip, and must last: a stretch that returns to the law it left was another sound. Steps that talkers' own delays explain
(spatial.sync.talker_delays) are left out again.
Conventions: spatial.conventions (time). A step is take time's, as in spatial.timebase.ClockStep.
Functions: find_steps (a clock law with the steps in it); with_small_step (one more, roughly known); read_along (steps
and line along one law); where_most_are (the law moved to most windows); with_hidden_step (a step that only the fitted
windows show); read_apart (the same where the recorder stands metres from the camera).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from itertools import pairwise

import numpy as np

from spatial.conventions import FloatArray
from spatial.dsp.samples import Excerpt, Samples
from spatial.sync.baseline import Separation, unknown_rig
from spatial.sync.clock_fit import MOST_AFAR, ClockLine, Told, WindowFit, fit_windows, hidden_step
from spatial.sync.coarse import find_candidates
from spatial.sync.envelope import ENVELOPE_RATE_HZ
from spatial.sync.far_recorder import offset_apart
from spatial.sync.gcc_phat import (
    NEAR_S,
    SEARCH_S,
    WINDOW,
    CrossWindows,
    cross_windows,
    scatter_of,
    signed_curves,
    try_law,
)
from spatial.sync.talker_delays import TalkerFit, WidePeaks, clocks_steps, crowded_lag, fit_talkers, wide_peaks
from spatial.timebase import ClockLaw, ClockStep

# --- steps beside a law ---

REACH_S = 5.0
"""Largest step looked for."""

MOST_STEPS = 8
"""Most steps sought in one clip. It bounds the time; a clip with more is left with its last steps unfound."""

_GROUP = 5
"""Windows that are stacked to see whether they agree with the law. Fewer are too noisy, with more the place of a step
is less exact."""

_HOME_SCORE, _HOME_PART = 5.5, 0.6
"""A stack agrees with the law where its peak near the law stands 5.5 scatters high and is at least 0.6 of its highest
peak anywhere. With lower values stretches that left the law are missed, with higher ones noisy stretches are searched
in vain."""

_AWAY_SCORE = 8.0
"""Height over scatter that a peak away from the law must have to hold a stretch: as high as MATCH_SCORE, since it must
match as surely as a clip does."""

_SHORTEST_S = 4.0
"""Shortest stretch that may follow another law, seconds, as MIN_OVERLAP_S of a clip: shorter ones hold too few windows
to check each other."""

_COARSE_SCORE = 5.0
"""Height of the envelope correlation from which a place for a stretch is looked at closely. It is low since
_STRETCH_SCORE decides; a lower value costs time only."""

_STRETCH_SCORE = 9.0
"""Height of the stacked correlation that holds a stretch whose place the envelopes gave. It lies above MATCH_SCORE
because several stretches and places are tried, each of which chance may favour."""

_SAME_S = 0.001
"""Two laws of offsets closer than this are one law, seconds: about what performers on one rig move a lag by."""

_LASTING_S, _LASTING_STEP_S = 12.0, 0.015
"""A stretch that returns to the law it left is believed only if it lasts, and lies further off than performers do."""

_FINE_HOP_S = 0.2
"""From one window to the next where a step's place is sought, seconds. A smaller value costs time, a larger one sets
steps less exactly."""

_MOST_FINE = 400
"""Most windows in that search: for a longer stretch they lie further apart."""


@dataclass(frozen=True, slots=True, eq=False)
class Listening:
    """The two recordings, and how their windows are compared."""

    clip: Samples
    take: Samples
    signs: FloatArray
    """+1 or -1 for each camera channel."""
    near_s: float
    """A window this near the law agrees with it."""
    powers: tuple[FloatArray, FloatArray] | None
    """Band envelopes of clip and take; None: only steps within SEARCH_S are found."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """What a law with steps is between two of them: a law without."""

    law: ClockLaw
    begin_s: float
    """Clip time; -inf for the first piece."""
    end_s: float
    """Clip time; inf for the last piece."""


def find_steps(listening: Listening, windows: CrossWindows) -> ClockLaw:
    """The windows' clock law, with a step wherever the windows show one.

    Parameters
    ----------
    listening : Listening
    windows : CrossWindows
        Over the whole overlap, along a law that holds the largest part of it.

    Returns
    -------
    ClockLaw
        The same law where there is no step.
    """
    law = windows.law
    tried: set[int] = set()
    while len(law.steps) < MOST_STEPS:
        stretch = _next_stretch(listening, windows, tried)
        if stretch is None:
            return law
        tried.add(round(sum(stretch) / 2))
        beside = _law_beside(listening, windows, law, stretch)
        if beside is None:
            continue
        stepped = _with_piece(listening, law, beside, stretch)
        if stepped is None:
            continue
        law = stepped
        windows = cross_windows(listening.clip, listening.take, law, max_windows=len(windows.times_s))
    return law


def with_small_step(listening: Listening, law: ClockLaw, about_s: float, step_s: float) -> ClockLaw:
    """The law with one more step near a clip time, set where the windows change over."""
    left = law.piece_at(about_s)
    at = _boundary(listening, left, left.moved(step_s), about_s, (about_s - _SHORTEST_S, about_s + _SHORTEST_S))
    steps = sorted((*law.steps, ClockStep(at, step_s)), key=lambda step: step.clip_time_s)
    return ClockLaw(law.offset_s, law.drift_ppm, tuple(steps))


def _curves(listening: Listening, windows: CrossWindows) -> tuple[FloatArray, FloatArray]:
    return signed_curves(windows, listening.signs, max_lag_s=SEARCH_S)


def _scores(curves: FloatArray) -> FloatArray:
    """Curves over their own scatter."""
    return curves / scatter_of(curves)[..., np.newaxis]


def _next_stretch(listening: Listening, windows: CrossWindows, tried: set[int]) -> tuple[float, float] | None:
    """The longest stretch of clip time, not tried before, whose windows do not agree with the law."""
    lags, curves = _curves(listening, windows)
    group = min(_GROUP, len(curves))
    if group < 3:
        return None
    running = np.cumsum(np.concatenate([np.zeros((1, lags.size)), curves]), axis=0)
    stacks = _scores(running[group:] - running[:-group])
    near = np.abs(lags) <= listening.near_s
    highest = stacks[:, near].max(axis=1)
    # A sharp peak outside throws its skirts in here.
    home = (highest >= _HOME_SCORE) & (highest >= _HOME_PART * stacks.max(axis=1))
    half = WINDOW / windows.rate_hz / 2
    stretches: list[tuple[float, float]] = []
    first: int | None = None
    for number in range(len(home) + 1):
        if number < len(home) and not home[number]:
            first = number if first is None else first
        elif first is not None:
            # A stack that reaches over the step still holds its longer side: the stretch begins half a stack later.
            begin = windows.times_s[first + (group // 2 if first else 0)] - half
            end = windows.times_s[
                min(number - 1 + group - 1 - (group // 2 if number < len(home) else 0), len(curves) - 1)
            ]
            stretches.append((float(begin), float(end + half)))
            first = None
    fresh = [s for s in stretches if s[1] - s[0] >= _SHORTEST_S and round(sum(s) / 2) not in tried]
    return max(fresh, key=lambda s: s[1] - s[0]) if fresh else None


def _law_beside(
    listening: Listening, windows: CrossWindows, law: ClockLaw, stretch: tuple[float, float]
) -> ClockLaw | None:
    """A law without steps that holds a stretch surely, near the one that does not."""
    middle = sum(stretch) / 2
    piece = law.piece_at(middle)
    inside = (windows.times_s >= stretch[0]) & (windows.times_s <= stretch[1])
    lags, curves = _curves(listening, windows)
    if inside.any():
        scores = _scores(curves[inside].mean(axis=0))
        best = int(np.argmax(scores))
        if scores[best] >= _AWAY_SCORE and abs(lags[best]) > listening.near_s:
            return piece.moved(float(lags[best]))
    return _far_beside(listening, piece, stretch)


def _far_beside(listening: Listening, piece: ClockLaw, stretch: tuple[float, float]) -> ClockLaw | None:
    """The same, up to REACH_S away, by the envelopes."""
    if listening.powers is None:
        return None
    of_clip, of_take = listening.powers
    rate = listening.clip.rate_hz
    begin, end = stretch
    first = max(0, round(begin * ENVELOPE_RATE_HZ))
    from_take = max(0, int((piece.take_from_clip(begin) - REACH_S) * ENVELOPE_RATE_HZ))
    to_take = int((piece.take_from_clip(end) + REACH_S) * ENVELOPE_RATE_HZ)
    candidates = find_candidates(
        of_clip[:, first : round(end * ENVELOPE_RATE_HZ)], of_take[:, from_take:to_take], count=3
    )
    excerpt = Excerpt(listening.clip, round(begin * rate), min(round(end * rate), listening.clip.length))
    best: tuple[float, ClockLaw] | None = None
    for candidate in candidates:
        if candidate.score < _COARSE_SCORE:
            continue
        # Clip time of the candidate counts from the stretch's begin, take time from where its slice was cut.
        half = (end - begin) / 2
        offset = (
            candidate.law.take_from_clip(half) + (from_take - first) / ENVELOPE_RATE_HZ + begin - half * piece.ratio
        )
        trial = try_law(excerpt, listening.take, ClockLaw(offset, piece.drift_ppm))
        if trial.score >= _STRETCH_SCORE and (best is None or trial.score > best[0]):
            at_middle = trial.law.take_from_clip(half)
            best = trial.score, ClockLaw(at_middle - (begin + half) * piece.ratio, piece.drift_ppm)
    if best is None or abs(best[1].offset_s - piece.offset_s) > REACH_S:
        return None
    return best[1]


def _with_piece(listening: Listening, law: ClockLaw, beside: ClockLaw, stretch: tuple[float, float]) -> ClockLaw | None:
    """The law with another piece in it where a stretch follows that piece; None where it returns to what it left."""
    clip_end = listening.clip.length / listening.clip.rate_hz
    # A step of the law so near an end of the stretch is the same step, and is set anew; so near an end of the clip
    # there is none.
    near = 2 * WINDOW / listening.clip.rate_hz
    pieces = _pieces_of(law)
    before = [piece for piece in pieces if piece.begin_s < stretch[0] - near] if stretch[0] >= near else []
    after = [piece for piece in pieces if piece.end_s > stretch[1] + near] if stretch[1] <= clip_end - near else []
    left, right = before[-1].law if before else None, after[0].law if after else None
    if left is not None and right is not None and abs(left.offset_s - right.offset_s) < _SAME_S:
        lasting = stretch[1] - stretch[0] >= _LASTING_S and abs(beside.offset_s - left.offset_s) >= _LASTING_STEP_S
        if not lasting:
            return None
    begin_s = _boundary(listening, left, beside, stretch[0], stretch) if left is not None else -np.inf
    end_s = _boundary(listening, beside, right, stretch[1], stretch) if right is not None else np.inf
    # A piece that holds no window would have no evidence.
    if begin_s > clip_end - near / 2 or end_s < near / 2:
        return None
    if after:
        after[0] = replace(after[0], begin_s=end_s)
    return _law_of([*before, _Piece(beside, begin_s, end_s), *after])


def _pieces_of(law: ClockLaw) -> list[_Piece]:
    """The pieces of a law, first to last."""
    edges = [-np.inf, *(step.clip_time_s for step in law.steps), np.inf]
    laws = [ClockLaw(law.offset_s, law.drift_ppm), *(law.piece_at(step.clip_time_s) for step in law.steps)]
    return [_Piece(*piece) for piece in zip(laws, edges[:-1], edges[1:], strict=True)]


def _law_of(pieces: Sequence[_Piece]) -> ClockLaw:
    """The law that has these pieces, each from its begin on."""
    steps = tuple(
        ClockStep(later.begin_s, later.law.offset_s - earlier.law.offset_s) for earlier, later in pairwise(pieces)
    )
    return ClockLaw(pieces[0].law.offset_s, pieces[0].law.drift_ppm, steps)


def _boundary(
    listening: Listening, left: ClockLaw, right: ClockLaw, about_s: float, stretch: tuple[float, float]
) -> float:
    """Clip time at which windows stop agreeing with the left law and begin to agree with the right one."""
    # Two laws closer together than the windows' reach are distinguished by less of it.
    reach_s = min(listening.near_s, 0.4 * abs(left.offset_s - right.offset_s))
    reach = max(8.0, 0.5 * (stretch[1] - stretch[0]))
    clip_s = listening.clip.length / listening.clip.rate_hz
    while True:
        begin, end = max(0.0, about_s - reach), min(clip_s, about_s + reach)
        place, times = _changeover(listening, left, right, (begin, end), reach_s)
        # At the edge of what was searched it lies beyond it.
        if 0 < place < times.size or (begin <= 0.0 and end >= clip_s):
            break
        reach *= 2.0
    if times.size < 2:
        return about_s
    return float((times[max(place - 1, 0)] + times[min(place, times.size - 1)]) / 2)


def _changeover(
    listening: Listening, left: ClockLaw, right: ClockLaw, span_s: tuple[float, float], reach_s: float
) -> tuple[int, FloatArray]:
    """Which of the times is the first that agrees more with the right law, and the times."""
    heights = []
    for law in (left, right):
        windows = cross_windows(
            listening.clip, listening.take, law, span_s=span_s,
            every_s=max(_FINE_HOP_S, (span_s[1] - span_s[0]) / _MOST_FINE), max_windows=_MOST_FINE,
        )  # fmt: skip
        lags, curves = _curves(listening, windows)
        near = np.abs(lags) <= reach_s
        heights.append((windows.times_s, np.clip(_scores(curves)[:, near].max(axis=1), 0.0, 12.0)))
    times = np.union1d(heights[0][0], heights[1][0])
    of_left, of_right = (np.interp(times, *pair) if pair[0].size else np.zeros_like(times) for pair in heights)
    gained = np.concatenate([[0.0], np.cumsum(of_left - of_right)])
    return int(np.argmax(gained)), times


# --- all that windows measure along a law ---

SURE_APART = 20.0
"""Nats that a step must save to be a clock's where talkers' delays differ by more than a rig's: by then one talker more
may stand where another did."""

_NO_RIG = 9.0
"""Square of how many deviations the camera may be from the recorder, by arrival times, to hang on one rig with it:
97 % of what a rig's spread along three axes allows. In 19 scenes with 10 to 40 cm it came to 3.3 at most."""

_FEWEST_ON_LEVELS, _LEAST_ON_LEVELS = 8, 0.2
"""Fewest windows, and their least share, that must lie on talkers' delays before these count as the answer. Less may be
chance."""


@dataclass(frozen=True, eq=False)
class Reading:
    """What the windows measure along a law and the steps that they show beside it."""

    law: ClockLaw
    listening: Listening
    fitted: WindowFit | None
    windows: CrossWindows

    @property
    def agreeing(self) -> int:
        """How many windows lie on the line."""
        return self.fitted.agreeing if self.fitted is not None else 0

    @property
    def off_the_rig(self) -> bool:
        """Whether the line misses most windows, or performers' lags are such as no shared rig allows."""
        if self.fitted is None or self.fitted.afar > MOST_AFAR:
            return True
        line = self.fitted.line
        spread = line.arrival_covariance_m2 + unknown_rig().covariance_m2
        return bool(line.arrival_m @ np.linalg.solve(spread, line.arrival_m) > _NO_RIG)

    @cached_property
    def peaks(self) -> WidePeaks:
        """The clear windows far beyond a rig, against the law without its steps."""
        return wide_peaks(self.windows, self.listening.signs)


def read_along(
    sounds: Listening,
    rig: Separation,
    law: ClockLaw,
    max_windows: int,
    progress: Callable[[float], None] | None = None,
) -> Reading:
    """Windows along a law, the clock's steps beside it and the line through them, as far apart as a rig lets them be.

    A stretch that keeps another lag may be another talker: only steps that `clocks_steps` tells from that are kept.
    """
    listening = replace(sounds, near_s=max(NEAR_S, 1.2 * rig.widest_lag_s))
    hear = partial(cross_windows, sounds.clip, sounds.take, aimed=True, max_windows=max_windows, progress=progress)
    windows = hear(law)
    law = find_steps(listening, windows)
    if law != windows.law:
        windows = hear(law)
    if law.steps:
        law = _with_clocks_steps(windows, listening)
        if law != windows.law:
            windows = hear(law)
    return Reading(law, listening, fit_windows(windows, listening.signs, rig, listening.near_s), windows)


def where_most_are(reading: Reading) -> ClockLaw | None:
    """The law moved to where most windows are, if that is further from the line than the line's windows reach."""
    law, peaks = reading.law, reading.peaks
    if peaks.times_s.size < _FEWEST_ON_LEVELS:
        return None
    line = reading.fitted.line if reading.fitted is not None else None
    slope, offset = (line.slope, line.offset_s) if line is not None else (0.0, 0.0)
    lag = crowded_lag(peaks, law.steps, slope)
    return law.moved(lag, slope) if abs(lag - offset) > reading.listening.near_s else None


def _with_clocks_steps(windows: CrossWindows, listening: Listening) -> ClockLaw:
    """The windows' law, with those of its steps only that are a clock's."""
    law, peaks = windows.law, wide_peaks(windows, listening.signs)
    kept = clocks_steps(peaks, law.steps)
    if kept == law.steps:
        return law
    out = replace(law.moved(crowded_lag(peaks, kept), 0.0), steps=tuple(step for step in kept if step in law.steps))
    for step in kept:
        if step not in law.steps:
            out = with_small_step(listening, out, step.clip_time_s, step.step_s)
    return out


def with_hidden_step(reading: Reading, rig: Separation) -> ClockLaw | None:
    """The law with a step that is smaller than the windows' reach, where they show one that is a clock's."""
    if reading.fitted is None:
        return None
    law = reading.law
    found = hidden_step(reading.fitted.told, law, rig)
    if found is None:
        return None
    time_s, line = found
    stepped = with_small_step(reading.listening, law.moved(line.offset_s, line.slope), time_s, float(line.steps_s[-1]))
    return stepped if len(clocks_steps(reading.peaks, stepped.steps)) == len(stepped.steps) else None


def read_apart(reading: Reading, max_windows: int) -> tuple[ClockLaw, WindowFit] | None:
    """The clock law that talkers share who each have a delay of their own; None where too few sound.

    Returns
    -------
    law, fitted
        The law is that to which the fit's line is a correction, with the steps that are a clock's.
    """
    listening = reading.listening
    law = replace(reading.law, steps=clocks_steps(reading.peaks, reading.law.steps, SURE_APART))
    fit = fit_talkers(reading.peaks, law)
    if fit is None:
        return None
    law = law.moved(crowded_lag(reading.peaks, law.steps, fit.slope), fit.slope)
    windows = cross_windows(listening.clip, listening.take, law, aimed=True, max_windows=max_windows)
    peaks = wide_peaks(windows, listening.signs)
    fit = fit_talkers(peaks, law)
    if fit is None:
        return None
    on_levels = int(np.sum(fit.member >= 0))
    if on_levels < max(_FEWEST_ON_LEVELS, _LEAST_ON_LEVELS * fit.member.size):
        return None
    return law, _fit_apart(peaks, fit)


def _fit_apart(peaks: WidePeaks, fit: TalkerFit) -> WindowFit:
    """The talkers' drift, and of the offset what all their delays leave of it."""
    clock = offset_apart(fit.delays_s[fit.talkers], fit.directions[fit.talkers])
    lags = fit.without_steps(peaks)
    offset = clock.offset_s - fit.slope * fit.middle_s
    # The delays are known at the middle, whatever the slope is there.
    variance = fit.slope_sd**2
    covariance = np.array(
        [[clock.sd_s**2 + variance * fit.middle_s**2, -variance * fit.middle_s], [-variance * fit.middle_s, variance]]
    )
    inside = fit.member >= 0
    told = Told(
        peaks.times_s[inside], lags[inside], peaks.directions[inside], np.ones(inside.sum()), np.zeros(inside.sum())
    )
    off = told.lags_s - fit.slope * (told.times_s - fit.middle_s) - fit.delays_s[fit.member[inside]]
    unknown = np.full(3, np.inf)
    line = ClockLine(
        offset_s=offset,
        slope=fit.slope,
        covariance=covariance,
        separation_m=np.zeros(3),
        separation_sd_m=unknown,
        arrival_m=np.zeros(3),
        arrival_covariance_m2=np.diag(unknown),
        spacing_m=np.zeros(3),
        steps_s=fit.steps_s,
        steps_sd_s=fit.steps_sd_s,
        scatter_s=float(1.4826 * np.median(np.abs(off))),
        residuals_s=off,
        travel_s=fit.delays_s[fit.member[inside]] - clock.offset_s,
        weights=np.ones(off.size),
    )
    return WindowFit(line, told, 1.0)
