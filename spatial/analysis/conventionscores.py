"""How likely four channels are a field in each normalisation, or capsules, by what was measured of them.

Conventions: spatial.conventions (array layout). Scores are log-likelihoods over anything else.
Functions: field_scores; capsule_score; alone_score (of capsules, by likeness alone).
Source: see spatial.analysis.convention, which measures.
"""

import numpy as np

from spatial.analysis.channelcells import ratios_db, steadiest
from spatial.conventions import FloatArray

RATIO_DB = {"ambix": 0.0, "fuma": 3.01, "n3d": 4.77}
"""Power of X, Y, Z over W, dB (source [1] of spatial.analysis.convention)."""

FEWEST_EDGES, _MANY_EDGES = 12, 60
"""Fewer than the first tell nothing, fewer than the second only so much of how steady a ratio is: notes that begin in
the ringing of others leave few."""

_POWER_BIAS_DB, _POWER_SD_DB = 0.30, 0.15
_EDGE_BIAS_DB, _EDGE_SD_DB = 0.35, 0.3
_GAINS_SD_DB, _TAIL = 0.31, 12
"""Errors of either ratio beyond their own scatter, and of the microphone's gains, which both share; by 75 simulated
microphones (tests/bench/convention.py, seeds 500 to 599), rounded up. What aliases between the capsules makes ratios
too high."""

_ASTRAY, _ASTRAY_PER_DB = 0.05, 1.0 / 16.0
"""How often either ratio is that of something else, and how it is spread then."""

KERNEL_DB, _KERNEL = 0.7, 0.07
_SUMS = 0.5 * np.array([[1, 1, 1, 1], [1, 1, -1, -1], [1, -1, 1, -1], [1, -1, -1, 1]])


def field_scores(ratio: tuple[float, float], edges: FloatArray) -> tuple[dict[str, float], float]:
    """Log-likelihoods of the three normalisations over anything else, and the steadiness of the edges."""
    power = ratio[0] - _POWER_BIAS_DB, ratio[1] ** 2 + _POWER_SD_DB**2
    if edges.shape[1] < FEWEST_EDGES:
        return {name: float(np.log(_fit(*power, expected_db))) for name, expected_db in RATIO_DB.items()}, np.nan
    edge_db, steadiness = steadiest(ratios_db(edges), KERNEL_DB, np.arange(-8.0, 14.01, 0.1))
    edge = edge_db - _EDGE_BIAS_DB, _EDGE_SD_DB**2 + 4.0 / (edges.shape[1] * max(steadiness, 0.1))
    variance = 1 / (1 / power[1] + 1 / edge[1])
    both = (power[0] / power[1] + edge[0] / edge[1]) * variance, variance
    # Either they are of one thing, or one of them has gone astray: far apart, they leave it open which.
    apart = power[1] + edge[1]
    agree = (1 - 2 * _ASTRAY) * np.exp(-0.5 * (power[0] - edge[0]) ** 2 / apart) / np.sqrt(2 * np.pi * apart)
    astray = _ASTRAY * _ASTRAY_PER_DB
    steady = float(np.clip(25.0 * (steadiness - 0.36), -8.0, 3.0)) * float(
        np.clip(edges.shape[1] / _MANY_EDGES, 0.5, 1.0)
    )
    scores = {}
    for name, expected_db in RATIO_DB.items():
        one = agree * _fit(*both, expected_db) + astray * (_fit(*power, expected_db) + _fit(*edge, expected_db))
        scores[name] = steady + float(np.log(one / (agree + 2 * astray)))
    return scores, steadiness


def _fit(measured_db: float, variance: float, expected_db: float) -> float:
    """How much likelier a ratio is where another is expected than where it may be anything."""
    sd_db = np.sqrt(variance + _GAINS_SD_DB**2)
    # Student's t: simulated microphones stray further now and then than a bell curve has it.
    away = ((measured_db - expected_db) / sd_db) ** 2
    return float((1 + away / _TAIL) ** (-(_TAIL + 1) / 2) * 8.0 / sd_db)


def capsule_score(covariance: FloatArray, together: float, positive: float, edges: FloatArray) -> float:
    """Log-likelihood of capsules over anything else."""
    turned = _SUMS @ covariance @ _SUMS.T
    ratio_db = 10 * np.log10(max(np.trace(turned[1:, 1:]), 1e-30) / max(turned[0, 0], 1e-30))
    # Omni parts of 0.4 to 0.75 give -1.3 to -14 dB.
    score = -0.5 * min(((ratio_db + 6.5) / 2.5) ** 2, 40.0) + 1.0
    levels_db = 10 * np.log10(np.maximum(np.diag(covariance), 1e-30))
    score -= 0.5 * min(float(np.var(levels_db)) / 1.5**2, 20.0)
    score += float(np.clip(20 * (positive - 0.72), -8.0, 4.0)) + float(np.clip(10 * (together - 0.3), -6.0, 3.0))
    if edges.shape[1] >= FEWEST_EDGES:
        waves = _SUMS @ edges
        sizes = np.sqrt(np.sum(waves[1:] ** 2, axis=0)) / np.maximum(np.abs(waves[0]), 1e-9)
        _, steadiness = steadiest(sizes, _KERNEL, np.arange(0.0, 2.001, 0.01))
        score += float(np.clip(25.0 * (steadiness - 0.4), -6.0, 3.0))
    return float(score)


def alone_score(together: float, positive: float) -> float:
    """Log-odds of capsules over a field by likeness alone."""
    return float(np.clip(20 * (positive - 0.72), -6.0, 6.0) + np.clip(10 * (together - 0.2), -4.0, 4.0))
