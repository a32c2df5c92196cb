"""What the windows of a clip and a take say along one clock law: the steps beside it and the line through them.

Conventions: spatial.conventions (time).
Functions: read_along (one law); with_hidden_step (a step that only the fitted windows tell).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from spatial.analysis.correlation import cross_windows
from spatial.analysis.separation import Separation
from spatial.analysis.stacking import NEAR_S
from spatial.analysis.steps import Listening, find_steps, with_small_step
from spatial.analysis.windowfit import Told, WindowFit, fit_windows, hidden_step
from spatial.timebase import ClockLaw


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What the windows say along a law and the steps that they tell beside it."""

    law: ClockLaw
    listening: Listening
    fitted: WindowFit | None

    @property
    def agreeing(self) -> int:
        """How many windows lie on the line."""
        return self.fitted.agreeing if self.fitted is not None else 0


def read_along(
    sounds: Listening,
    rig: Separation,
    law: ClockLaw,
    max_windows: int,
    progress: Callable[[float], None] | None = None,
) -> Reading:
    """Windows along a law, the steps beside it and the line through them, as far apart as a rig lets them be."""
    listening = replace(sounds, near_s=max(NEAR_S, 1.2 * rig.widest_lag_s))
    hear = partial(cross_windows, sounds.clip, sounds.take, aimed=True, max_windows=max_windows, progress=progress)
    windows = hear(law)
    law = find_steps(listening, windows)
    if law.steps:
        windows = hear(law)
    return Reading(law, listening, fit_windows(windows, listening.signs, rig, listening.near_s))


def with_hidden_step(listening: Listening, told: Told, law: ClockLaw, rig: Separation) -> ClockLaw | None:
    """The law with a step that is smaller than the windows' reach, where they tell one."""
    found = hidden_step(told, law, rig)
    if found is None:
        return None
    time_s, line = found
    return with_small_step(listening, law.moved(line.offset_s, line.slope), time_s, float(line.steps_s[-1]))
