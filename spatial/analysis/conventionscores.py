"""How likely four channels are a field in each normalisation, or capsules, by what was measured of them.

Three questions, each with evidence of its own:
- the order of the channels, by which of them is the vertical one (order_evidence): gains say nothing of it, or a
  published file whose W is 3 dB too hot would be read in another order;
- the normalisation, by the power of X, Y and Z over that of W (field_scores), which is now and then off by some dB;
- capsules or a field, by what does not depend on gains (capsule_score, alone_score).
Conventions: spatial.conventions (array layout). Scores are log-likelihoods over anything else.
Source: see spatial.analysis.convention, which measures.
"""

import numpy as np

from spatial.analysis.channelcells import ratios_db, steadiest
from spatial.conventions import FloatArray

RATIO_DB = {"sn3d": 0.0, "fuma": 3.01, "n3d": 4.77}
"""Power of X, Y, Z over W by normalisation, dB (source [1] of spatial.analysis.convention)."""

VERTICAL = {"acn": {1: 0.07, 2: 0.92, 3: 0.01}, "fuma": {1: 0.01, 2: 0.07, 3: 0.92}}
"""How often each channel is the vertical one, by the order of the channels: microphones stand or hang, but for some
that lie on their side; hardly one points up (common practice, no source)."""

FEWEST_EDGES, _MANY_EDGES = 12, 60
"""Fewer than the first tell nothing, fewer than the second only so much of how steady a ratio is: notes that begin in
the ringing of others leave few."""

_POWER_BIAS_DB, _POWER_SD_DB = 0.30, 0.15
_EDGE_BIAS_DB, _EDGE_SD_DB = 0.35, 0.3
_GAINS_SD_DB, _TAIL = 0.31, 12
"""Errors of either ratio beyond their own scatter, and of the microphone's gains, which both share; by 75 simulated
microphones (tests/bench/convention.py, seeds 500 to 599), rounded up. What aliases between the capsules makes ratios
too high."""

_OFF, _OFF_SD_DB = 0.25, 2.2
"""How often the gains of a file, W's above all, are off by more than that, and by how much. Chosen together with
VERTICAL on seeds 500 to 539 of make_format_scene and 5000 to 5039 of make_four_forms."""

_UPRIGHT, _UPRIGHT_LEFT, _UPRIGHT_EDGES = 0.08, 0.03, 15
"""Mean part of the vertical channel in the direct sound of performers who stand around, how often it is as any other's,
and the number of edges that tell half of what many do. By 40 simulated microphones (tests/bench/conventionscenes.py,
make_four_forms, seeds 5000 to 5039): the sign was right in 106 of 108, and the worse of the two others was -0.4."""

_ONE_PLACE_RAD, _MOST_WAVES = np.radians(10.0), 600
"""Edges this near each other come from one place; and so many are enough."""

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
    right = (1 + away / _TAIL) ** (-(_TAIL + 1) / 2) * 8.0 / sd_db
    off_sd_db = np.sqrt(variance + _OFF_SD_DB**2)
    off = np.exp(-0.5 * ((measured_db - expected_db) / off_sd_db) ** 2) * 8.0 / off_sd_db
    return float((1.0 - _OFF) * right + _OFF * off)


def order_evidence(edges: FloatArray) -> tuple[int, float] | None:
    """Which of the last three channels is the vertical one, and the log-odds of FuMa's order over ACN's it gives.

    Parameters
    ----------
    edges : ndarray, shape (4, edges)
        Gains of the channels in the leading edges of sounds.

    Returns
    -------
    vertical, log_odds
        None where too few edges tell.
    """
    if edges.shape[1] < FEWEST_EDGES:
        return None
    waves = edges[:, :: 1 + edges.shape[1] // _MOST_WAVES]
    towards = waves[1:] * np.where(waves[0] < 0, -1.0, 1.0)
    towards = (towards / np.maximum(np.linalg.norm(towards, axis=0), 1e-9)).T
    # Who claps a hundred times in one place tells less than a hundred claps all around.
    apart = np.arccos(np.clip(towards @ towards.T, -1.0, 1.0))
    weights = np.sum(np.exp(-0.5 * (apart / _ONE_PLACE_RAD) ** 2), axis=1) ** -0.5
    parts = weights @ towards**2 / weights.sum()
    # Performers stand around: the vertical channel has little of their direct sound, the two others any part.
    likely = np.log((1.0 - _UPRIGHT_LEFT) * np.exp(-parts / _UPRIGHT) / _UPRIGHT + _UPRIGHT_LEFT)
    likely *= edges.shape[1] / (edges.shape[1] + _UPRIGHT_EDGES)
    by_order = {
        order: np.log(sum(share * np.exp(likely[channel - 1]) for channel, share in shares.items()))
        for order, shares in VERTICAL.items()
    }
    return 1 + int(np.argmin(parts)), float(by_order["fuma"] - by_order["acn"])


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
