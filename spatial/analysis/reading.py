"""What the windows of a clip and a take say along one clock law: the steps beside it and the line through them.

Conventions: spatial.conventions (time).
Functions: read_along (one law); with_hidden_step (a step that only the fitted windows tell); read_apart (the same
where the recorder stands metres from the camera).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from spatial.analysis.apartness import offset_apart
from spatial.analysis.clockline import ClockLine
from spatial.analysis.correlation import CrossWindows, cross_windows
from spatial.analysis.separation import Separation, unknown_rig
from spatial.analysis.stacking import NEAR_S
from spatial.analysis.steps import Listening, find_steps, with_small_step
from spatial.analysis.talkers import TalkerFit, WidePeaks, clocks_steps, crowded_lag, fit_talkers, wide_peaks
from spatial.analysis.windowfit import MOST_AFAR, Told, WindowFit, fit_windows, hidden_step
from spatial.timebase import ClockLaw

SURE_APART = 20.0
"""Nats that a step must save to be a clock's where talkers' delays differ by more than a rig's: by then one talker more
may stand where another did."""

_NO_RIG = 9.0
"""Square of how many deviations the camera may be from the recorder, by arrival times, to hang on one rig with it:
97 % of what a rig's spread along three axes allows. In 19 scenes with 10 to 40 cm it came to 3.3 at most."""

_FEWEST_ON_LEVELS, _LEAST_ON_LEVELS = 8, 0.2


@dataclass(frozen=True, eq=False)
class Reading:
    """What the windows say along a law and the steps that they tell beside it."""

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
        """Whether the line misses most windows, or performers are heard at times that no shared rig allows."""
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
    """The law with a step that is smaller than the windows' reach, where they tell one that is a clock's."""
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
    """The clock law that talkers share who each have a delay of their own; None where too few are heard.

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
