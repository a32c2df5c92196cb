"""Every way to take a set of marks: which are wrong, whether the crew is, whether the field is a mirror image.

Conventions: spatial.conventions (mount).
Functions: weigh_guesses; likeliest.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from spatial.analysis.mountprior import MountPrior, ways_to_take, word_rows
from spatial.analysis.rotationfit import BoolArray, RotationFits, fit_rotations, subsets_without
from spatial.analysis.wiring import INVERTED_OMNI, mirroring_faults
from spatial.conventions import FloatArray

MIRRORED = 0.02
"""How often a channel is inverted or two are swapped (common practice, no source)."""
_MOST_WRONG = ((20, 3), (60, 2), (1000, 1))
"""Of up to so many marks, so many are left out at once: some two thousand guesses at the most."""


@dataclass(frozen=True, slots=True, eq=False)
class Guesses:
    """Every hypothesis, weighed."""

    used: BoolArray
    """Which rows each believes, shape (hypotheses, rows), without the crew's word."""
    word: BoolArray
    """Whether each believes the crew's word."""
    hands: FloatArray
    fits: RotationFits
    log_odds: FloatArray
    """Logarithm of evidence times prior, but for how often fields are mirrored."""
    shares: FloatArray
    """How likely each is, all things considered; they add up to 1."""


def weigh_guesses(
    wanted: FloatArray,
    heard: FloatArray,
    spread: FloatArray,
    prior: MountPrior,
    wrong_share: float,
    *,
    own_part: FloatArray | None = None,
) -> Guesses:
    """Fit every way of leaving rows out, of doubting the crew and of mirroring the field.

    `own_part`: of each row's variance, as for `fit_rotations`.
    """
    most = next((wrong for marks, wrong in _MOST_WRONG if len(wanted) <= marks), 0)
    choices = subsets_without(len(wanted), most)
    left_out = np.sum(~choices, axis=1)
    log_choice = left_out * np.log(wrong_share) + (len(wanted) - left_out) * np.log(1 - wrong_share)
    said = bool(word_rows(prior))
    # Any one fault stands for all that mirror, but the crew's word is about the microphone and not about its channels.
    mirrors = mirroring_faults() if said else ((INVERTED_OMNI, 1.0),)
    wirings = [(np.eye(3), 1, 1.0, 1 - MIRRORED), *((fault, -1, share, MIRRORED) for fault, share in mirrors)]
    parts = []
    for rows, counted, believed, word_share in ways_to_take(prior):
        for fault, hand, share, often in wirings:
            fits = fit_rotations(
                np.concatenate([wanted, *(row.in_picture[np.newaxis] for row in rows)])[np.newaxis],
                np.concatenate([heard @ fault, *(row.in_mic[np.newaxis] for row in rows)])[np.newaxis],
                np.concatenate([spread, [row.sd_rad for row in rows]]),
                np.concatenate([choices, np.full((len(choices), len(rows)), counted)], axis=1),
                own_part=None if own_part is None else np.concatenate([own_part, np.ones(len(rows))]),
            )
            log_odds = fits.log_evidence + log_choice + np.log(word_share * share)
            parts.append((fits, believed, hand, log_odds, np.log(often), fits.matrices @ fault.T))
    fits = RotationFits(
        np.concatenate([part[5] for part in parts]),
        *(
            np.concatenate([getattr(part[0], name) for part in parts])
            for name in ("covariances", "misfits", "log_evidence", "information")
        ),
    )
    log_odds = np.concatenate([part[3] for part in parts])
    each = len(choices)
    log_share = log_odds + np.repeat([part[4] for part in parts], each)
    return Guesses(
        used=np.tile(choices, (len(parts), 1)),
        word=np.repeat([part[1] for part in parts], each) & said,
        hands=np.repeat([part[2] for part in parts], each),
        fits=fits,
        log_odds=log_odds,
        shares=np.exp(log_share - logsumexp(log_share)),
    )


def likeliest(guesses: Guesses, hand: int) -> int:
    """Index of the likeliest guess of a hand: +1 for rotations, -1 for mirrored fields."""
    return int(np.argmax(np.where(guesses.hands == hand, guesses.shares, -1.0)))
