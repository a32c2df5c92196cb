"""Whether four channels are one sound field: gains, polarity, which is W.

Goal: say what physics alone can say of the channels, whatever sounded from wherever.
Waves from far away, one or many, have X^2 + Y^2 + Z^2 = W^2 on the average (SN3D; N3D 3 W^2, FuMa 2 W^2: CHECKS 1).
- With a wrong gain in one channel that ratio changes with direction; the gains that make it one and the same in all
  bands and at all times are sought. A wrong gain of W alone looks like another normalisation and is left to those
  who judge that.
- Virtual cardioids that look to the corners of a tetrahedron agree in phase in every field (in a diffuse one by 2/3;
  DERIVED in CHECKS 1 from a + (1 - a) cos). One that opposes the three others is a capsule wired the wrong way round.
- If another channel behaves as W, channels are swapped. Inverted or swapped X, Y and Z, or swapped capsules, make a
  mirrored or turned field, which is as good a field as any: only marks or claps can tell.
Functions: judge_balance.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from spatial.conventions import ComplexArray, FloatArray

_LEAST_PARTS = 24
_NORMALISATIONS = (1.0, 2.0, 3.0)
_PRIOR_DB = 6.0
"""How far gains are let go where the sound does not tell them."""

_SIDE = 1.0 / np.sqrt(3.0)
TETRAHEDRA = (
    _SIDE * np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]),
    _SIDE * np.array([[1, 1, -1], [1, -1, 1], [-1, 1, 1], [-1, -1, -1]]),
)
"""Where capsules look, x y z: FLU, FRD, BLD, BRU; and the other arrangement FLD, FRU, BLU, BRD."""


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """What the channels are to each other."""

    gains_db: FloatArray
    """Of each recorded channel against the others, shape (4,); NaN where the sound does not tell."""
    gains_sd_db: FloatArray
    ratio_db: float
    """X, Y, Z over W: 0 for SN3D."""
    misfit_db: float
    """How far the field is from the law above: RMS over bands and times of the ratio in dB, the best constant left
    out; 1 to 2 in rooms."""
    inverted: int | None
    """The recorded channel (capsules) or the virtual capsule (a field) that opposes the others."""
    omni: int | None
    """The channel of the field (W, Y, Z, X) that behaves as W, if it is not W."""


def judge_balance(
    covariances: ComplexArray, field_from_recorded: FloatArray, *, quiet_power: float
) -> Balance | None:
    """Judge from covariances of recorded channels.

    Parameters
    ----------
    covariances : ndarray, shape (times, bands, 4, 4)
    field_from_recorded : ndarray, shape (4, 4)
        Into W, Y, Z, X, SN3D.
    quiet_power : float
        Power of a bin that is noise: parts less than 10 dB above it say nothing.

    Returns
    -------
    Balance, or None where too little sounded.
    """
    parts = covariances.reshape(-1, *covariances.shape[-2:])
    total = np.einsum("pcc->p", parts).real
    parts = parts[total > 10.0 * quiet_power]
    total = total[total > 10.0 * quiet_power]
    # Faint parts hold more noise of the microphone's own, which is no field.
    if len(parts) < _LEAST_PARTS:
        return None
    parts = parts[total >= np.quantile(total, 0.25)]
    parts = np.asarray(parts / np.einsum("pcc->p", parts).real[:, np.newaxis, np.newaxis])
    capsules = bool(np.count_nonzero(field_from_recorded[0]) > 1)
    inverted = _inverted(parts, field_from_recorded, capsules=capsules)
    omni = None if capsules or inverted is not None else _omni(parts, field_from_recorded)
    gains, sd, misfit = _gains(parts, field_from_recorded, capsules=capsules)
    ratio = float(np.median(_ratio_db(parts, field_from_recorded)))
    return Balance(gains, sd, ratio, misfit, inverted, omni)


def _ratio_db(parts: ComplexArray, matrix: FloatArray) -> FloatArray:
    """XYZ over W in dB for each part."""
    power = np.einsum("fc,pcd,fd->pf", matrix, parts, matrix).real
    power = np.maximum(power, 1e-12)
    return np.asarray(10 * np.log10(power[:, 1:].sum(axis=1) / power[:, 0]))


def _scatter(ratios_db: FloatArray) -> float:
    """Spread about the middle, in dB, that single outliers do not move."""
    return float(1.4826 * np.median(np.abs(ratios_db - np.median(ratios_db))))


def _gains(parts: ComplexArray, matrix: FloatArray, *, capsules: bool) -> tuple[FloatArray, FloatArray, float]:
    """Gains of the recorded channels in dB, their sd, and the misfit as it stands."""
    now = _ratio_db(parts, matrix)
    misfit = _scatter(now)
    # A gain of W is a normalisation; of four capsules only differences matter.
    basis = _free_gains(matrix, capsules=capsules)

    def residuals(free: FloatArray) -> FloatArray:
        ratios = _ratio_db(parts, matrix / 10 ** ((basis @ free) / 20))
        off = np.clip(ratios - np.median(ratios), -12.0, 12.0)
        return np.concatenate([off / 2.0, np.sqrt(len(off)) * 0.02 * free / _PRIOR_DB])

    fit = least_squares(residuals, np.zeros(basis.shape[1]), loss="soft_l1", x_scale=3.0, diff_step=1e-3)
    jacobian = 2.0 * fit.jac[: len(parts)]
    jacobian = jacobian - jacobian.mean(axis=0)
    left = _scatter(_ratio_db(parts, matrix / 10 ** ((basis @ fit.x) / 20)))
    # Neighbouring bands and times hear the same reflections: a quarter of the parts count.
    information = jacobian.T @ jacobian / 4.0 + 1e-9 * np.eye(basis.shape[1])
    covariance = np.linalg.inv(information) * max(left, 0.5) ** 2
    gains = basis @ fit.x
    sd = np.sqrt(np.einsum("ci,ij,cj->c", basis, covariance, basis))
    return np.where(sd < 3.0, gains, np.nan), sd, misfit


def _free_gains(matrix: FloatArray, *, capsules: bool) -> FloatArray:
    """What may be fitted: for each recorded channel, how it follows the free numbers; shape (4, 3 or 2)."""
    centred = np.array([[1.0, 1.0, 1.0], [1.0, -1.0, -1.0], [-1.0, 1.0, -1.0], [-1.0, -1.0, 1.0]]) / 2.0
    if capsules:
        return centred
    # Channels that feed X, Y, Z, against each other; the channel that feeds W stays.
    feeds = np.argmax(np.abs(matrix), axis=1)
    basis = np.zeros((4, 2))
    basis[feeds[1]] = (1.0, 1.0 / np.sqrt(3.0))
    basis[feeds[2]] = (0.0, -2.0 / np.sqrt(3.0))
    basis[feeds[3]] = (-1.0, 1.0 / np.sqrt(3.0))
    return basis


def _inverted(parts: ComplexArray, matrix: FloatArray, *, capsules: bool) -> int | None:
    """The capsule that opposes the other three."""
    mean = parts.mean(axis=0).real
    if capsules:
        return _opposing(mean)
    field = matrix @ mean @ matrix.T
    if 10 * np.log10(max(np.trace(field[1:, 1:]) / max(field[0, 0], 1e-12), 1e-12)) < 6.5:
        # One inverted capsule of four puts the ratio near 9 in a diffuse field; wrong gains put it at 3.
        return None
    for aims in TETRAHEDRA:
        # Cardioids half W, half along the aim; W, Y, Z, X order.
        virtual = 0.5 * np.column_stack([np.ones(4), aims[:, 1], aims[:, 2], aims[:, 0]])
        capsule = _opposing(virtual @ field @ virtual.T)
        if capsule is None:
            continue
        flip = np.ones(4)
        flip[capsule] = -1.0
        mended = np.linalg.inv(virtual) @ np.diag(flip) @ virtual @ matrix
        if abs(float(np.median(_ratio_db(parts, mended)))) < 2.0:
            return capsule
    return None


def _opposing(covariance: FloatArray) -> int | None:
    """The one channel whose correlation with each of the others is below zero, theirs being above."""
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    agreement = covariance / np.outer(size, size)
    for channel in range(4):
        others = [other for other in range(4) if other != channel]
        among = agreement[np.ix_(others, others)]
        if np.all(agreement[channel, others] < -0.1) and np.all(among[~np.eye(3, dtype=bool)] > 0.1):
            return channel
    return None


def _omni(parts: ComplexArray, matrix: FloatArray) -> int | None:
    """The channel of the field that behaves as W although it is not."""
    misfits = []
    for candidate in range(4):
        order = [candidate, *(channel for channel in range(4) if channel != candidate)]
        ratios = _ratio_db(parts, matrix[order])
        known = 10 * np.log10(np.array(_NORMALISATIONS if candidate == 0 else _NORMALISATIONS[:1]))
        misfits.append(min(float(np.sqrt(np.median((ratios - level) ** 2))) for level in known))
    best = int(np.argmin(misfits))
    if best != 0 and misfits[best] < 2.0 and misfits[0] > 4.0 and misfits[0] > 2.5 * misfits[best]:
        return best
    return None
