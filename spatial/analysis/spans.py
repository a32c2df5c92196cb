"""Where a performer is heard: one direction for a span of time, with its uncertainty.

Conventions: spatial.conventions (axes). Directions are unit vectors in the field's own axes.
Functions: span_direction; law_of_sd (how unsure a direction is whose bins stray); weightiest (which bins count);
weighty_columns (those bins, as columns).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spatial.analysis.direction import FieldBins
from spatial.analysis.sphere import Pulls, climb, densest_direction, spread_about, swing_on_one_axis
from spatial.conventions import FloatArray

MARK_FRAMES_S = (240 / 48_000, 400 / 48_000)
"""Frames of two lengths for a mark, where there is time for both: a tenth less error than one length alone. Four did
no better in rooms they were not chosen on."""

# Chosen on 64 simulated scenes (seeds 5000 on) that no test and no committed result uses.
GROUP_S = 0.25
"""What sounds within this time meets the same reflections: it counts as one witness."""
_MOMENT_S = 0.1
"""A span shorter than this is less than one witness."""
_BINS_A_WITNESS = 2.0
"""Overlapping frames say the same twice."""
_CHANCE_SHARE = 0.12
_CHANCE_SDS = 4.5
_HEARD_SHARE = 0.25
"""Of bins from all around (noise, reverberation) this share agrees on the densest place by chance; that many standard
deviations more, and no less than the last, is somebody (no noise of 0.02 to 3 s in 40 seeds was)."""
_LASTING_BIAS = 0.27
_MOMENT_BIAS = 0.56
"""The law of the uncertainty: see span_direction."""
_LEAST_SD_RAD = np.radians(0.1)


@dataclass(frozen=True, slots=True, eq=False)
class SpanDirection:
    """One direction for a span of time."""

    heard: bool
    """False: nothing in the span points anywhere; the direction is then NaN."""
    vector: FloatArray
    """Unit vector, shape (3,)."""
    sd_rad: float
    """One standard deviation along each of the two directions across the vector."""
    share: float
    """Part of what has just begun to sound that agrees on the direction."""


def span_direction(
    bins: FieldBins | Sequence[FieldBins], start_s: float, end_s: float, *, most_bins: int = 20_000
) -> SpanDirection:
    """The direction that the direct sound of a span agrees on.

    The densest place on the sphere, not the mean: reflections and other sounds lie elsewhere and must not pull.
    The uncertainty follows from how far the agreeing bins stray, s: a reflection that makes them stray by s biases
    their mean by about s squared, partly alike all the time (the room), partly anew with every quarter second.
    Bins that all swing along one axis may be wrong together, by about as much as they swing.

    Parameters
    ----------
    bins : FieldBins, or several of them
        Several, of one field in frames of different lengths, have an equal say each: long ones tell tones, short
        ones part a sound from its reflections.
    start_s, end_s : float
        The span, on the same clock as the bins' times.
    most_bins : int
        At most so many bins count, the weightiest: fewer are quicker and coarser.

    Returns
    -------
    SpanDirection
        heard False where too little direct sound agrees.
    """
    parts = [bins] if isinstance(bins, FieldBins) else bins
    told = [part for part in (weighty_columns(part.between(start_s, end_s), most_bins) for part in parts) if part]
    if not told:
        return _nothing(0.0)
    pull, swing, weight, clear, times_s = (np.concatenate(column) for column in zip(*told, strict=True))
    # Noise pulls nowhere, being all around, but could hide that somebody agrees: so the clear bins decide who
    # is heard and about where. Just where, all bins say: the first edge of a sound, freest of reflections, is faint.
    sure, pulls = Pulls(pull, swing, clear), Pulls(pull, swing, weight)
    vector = climb(pulls, densest_direction(sure))
    share = float(np.sum(clear[sure.agree(vector)]) / np.sum(clear))
    if share < _needed_share(clear):
        return _nothing(share)
    groups = ((times_s - start_s) / GROUP_S).astype(int)
    say = np.bincount(groups, pulls.say(vector[np.newaxis])[0])
    lasted_s = GROUP_S * float(np.sum(say) ** 2 / np.sum(say**2)) * min(1.0, (end_s - start_s) / _MOMENT_S)
    law = law_of_sd(spread_about(pulls, vector), lasted_s)
    return SpanDirection(True, vector, float(np.hypot(law, swing_on_one_axis(pulls, vector))), share)


def law_of_sd(stray: float | FloatArray, lasted_s: float | FloatArray) -> FloatArray:
    """Standard deviation, radians, of a direction whose bins stray by so much and were heard for so long."""
    bias = np.square(stray) * np.sqrt(_LASTING_BIAS**2 + _MOMENT_BIAS**2 * GROUP_S / np.asarray(lasted_s))
    return np.asarray(np.hypot(bias, _LEAST_SD_RAD))


def weightiest(weight: FloatArray, most: int) -> npt.NDArray[np.bool_]:
    """Which bins count: about `most` at most, and none that weighs next to nothing beside the heaviest."""
    least = np.partition(weight, -most)[-most] if weight.size > most else 0.0
    return np.asarray(weight > max(least, 1e-4 * np.max(weight)))


def _needed_share(weight: FloatArray) -> float:
    """Share of the weight that must agree before chance is ruled out: the fewer bins, the more."""
    witnesses = float(np.sum(weight) ** 2 / np.sum(weight**2)) / _BINS_A_WITNESS
    chance_sd = np.sqrt(_CHANCE_SHARE * (1 - _CHANCE_SHARE) / witnesses)
    return max(_HEARD_SHARE, float(_CHANCE_SHARE + _CHANCE_SDS * chance_sd))


def weighty_columns(bins: FieldBins, most_bins: int) -> tuple[FloatArray, ...] | None:
    """Pulls, swings, weights, weights of clear bins (each sum is 1), times of bins that count; None if none does."""
    weight = bins.weights()
    if weight.size == 0 or not (weight * bins.clear).any():
        return None
    kept = weightiest(weight, most_bins)
    weights, clear = weight[kept], (weight * bins.clear)[kept]
    if not clear.any():
        return None
    shares = weights / np.sum(weights), clear / np.sum(clear)
    return bins.pull[kept], bins.swing[kept], *shares, bins.times_s[bins.frame[kept]]


def _nothing(share: float) -> SpanDirection:
    return SpanDirection(False, np.full(3, np.nan), float("nan"), share)
