"""Whether four channels are one sound field: gains, polarity, which is W.

Goal: judge the channels by what holds in every field, whatever sounded from wherever.
Method: waves from far away, one or many, have X^2 + Y^2 + Z^2 = W^2 on the average in SN3D, 3 W^2 in N3D and 2 W^2 in
FuMa [1].
- With a wrong gain in one channel that ratio changes with direction; for each channel the gain that makes it most
  nearly one and the same in all bands and at all times is sought. A wrong gain of W alone looks like another
  normalisation and is left to those who judge that.
- Virtual cardioids that look to the corners of a tetrahedron agree in phase in every field (in a diffuse one by 2/3
  [2]). One that opposes the three others is a capsule wired the wrong way round.
- If another channel behaves as W, channels are swapped. Inverted or swapped X, Y and Z, or swapped capsules, make a
  mirrored or turned field, which is as good a field as any: only marks or claps can decide that.
Functions: judge_balance.
Sources:
[1] Nachbar, Zotter, Deleflie and Sontacchi 2011, "AmbiX - A Suggested Ambisonics Format", Ambisonics Symposium: SN3D
and N3D; the ratios follow from the gains of one plane wave.
[2] Follows from the pattern 1/2 + 1/2 cos of two cardioids 109.5 degrees apart, averaged over the sphere.
"""

from dataclasses import dataclass

import numpy as np

from spatial.conventions import ComplexArray, FloatArray

_LEAST_PARTS = 24
"""Fewest parts of time and band with sound that are judged: three third-seconds of all eight bands. With fewer one note
decides."""

_APART = 4.0
"""Neighbouring bands and times hold the same reflections: one in so many parts counts as new, or fewer where the sound
holds still."""

_LEVELS_DB = 10 * np.log10(np.array([1 / 3, 1 / 2, 1.0, 2.0, 3.0]))
"""What the ratio may be in a sound field: its own normalisation, or one taken for another."""
_CAPSULE_LEVELS_DB = np.zeros(1)
"""The same where capsules make the field: nobody can have taken one normalisation for another. One capsule that drowns
the three others has X^2 + Y^2 + Z^2 = 9 W^2, so on the way there any recording comes by 2 and by 3."""

_LEVEL_SD_DB, _OTHER_LEVEL = 1.0, 3.0
"""How far the middle ratio may lie from one of these, one standard deviation in dB, and how much less likely (natural
logarithm) another than SN3D's is: formats are mostly stated rightly."""

_CAPSULE_SD_DB = 5.0
"""How far capsules differ in mean power where sound came from several sides of a room (simulated: 2 to 6)."""

_GAINS_DB = np.arange(-30.0, 30.5, 0.5)
"""Gains of one channel that are tried, dB. Larger ones than _LARGEST_DB are never reported."""

_SURE = 5.0
"""How much likelier (natural logarithm) one gain that is off must be than none."""
_OMNI_SURE = 8.0
"""The same for another channel as W than W."""

_LEAST_STRAY_DB = 0.7
"""No room and no microphone keep the law more nearly; less is the sameness of one sound."""
_APART_SURE = 3.0
"""The same for one channel than another: below it the two are rivals."""

_CAPSULE_MOST = 1.6
"""Most, in units of _CAPSULE_SD_DB, that a capsule may differ from the others once its gain is mended."""

_MOST_SCATTER_DB, _LARGEST_DB, _MOST_OFF_DB = 2.0, 20.0, 1.5
"""What must be left of scatter, gain and distance from a normalisation: a channel turned up until it drowns the others
would make any ratio constant."""

_LEAST_SHARE = 0.05
"""Least part of X, Y and Z that the channel must keep in the loudest quarter of its parts. Over a table, a floor or in
a standing wave, sound that comes and goes along one axis gets out of step with W, while the two other axes keep step:
without the third the law would hold, and a third that is turned down to nothing is no third."""

_SLATE_DB, _SLATE_PART = -15.0, 0.9
"""X, Y, Z this far below W are no sound in the air but a slate that went to W alone; unless nearly all is so."""

_OMNI_SHARE, _OMNI_MISFIT_DB = 1.5, 2.0
"""How much more nearly another channel must follow the law than W does, to be taken for W."""

_SIDE = 1.0 / np.sqrt(3.0)
"""Each part of a unit vector to the corner of a cube."""

TETRAHEDRA = (
    _SIDE * np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]),
    _SIDE * np.array([[1, 1, -1], [1, -1, 1], [-1, 1, 1], [-1, -1, -1]]),
)
"""Where capsules look, x y z: FLU, FRD, BLD, BRU; and the other arrangement FLD, FRU, BLU, BRD."""


@dataclass(frozen=True, slots=True)
class GainError:
    """One channel with a gain of its own."""

    channel: int
    """Recorded channel."""
    gain_db: float
    """Positive: too loud."""
    sd_db: float
    evidence: float
    """How much likelier it is than no error, natural logarithm; 5 or more."""
    rival: int | None
    """Another channel that explains it about as well."""


@dataclass(frozen=True, slots=True)
class Balance:
    """What the channels are to each other."""

    ratio_db: float
    """X, Y, Z over W: 0 for SN3D."""
    scatter_db: float
    """How far that ratio strays over bands and times: 1 to 2 in rooms."""
    gain: GainError | None
    inverted: int | None
    """The recorded channel (capsules) or the virtual capsule (a field) that opposes the others."""
    omni: int | None
    """The channel of the field (W, Y, Z, X) that behaves as W, if it is not W."""


def judge_balance(covariances: ComplexArray, field_from_recorded: FloatArray, *, quiet_power: float) -> Balance | None:
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
    heard = total > 10.0 * quiet_power
    slated = _ratio_db(parts, field_from_recorded) < _SLATE_DB
    if np.count_nonzero(slated & heard) < _SLATE_PART * np.count_nonzero(heard):
        heard &= ~slated
    if np.count_nonzero(heard) < _LEAST_PARTS:
        return None
    # Faint parts hold more noise of the microphone's own, which is no field.
    heard &= total >= np.quantile(total[heard], 0.25)
    apart = _parts_that_count_as_one(parts, heard.reshape(covariances.shape[:2]), field_from_recorded)
    parts = np.asarray(parts[heard] / total[heard, np.newaxis, np.newaxis])
    capsules = bool(np.count_nonzero(field_from_recorded[0]) > 1)
    inverted = _inverted(parts, field_from_recorded, capsules=capsules)
    omni = None if capsules or inverted is not None else _omni(parts, field_from_recorded, apart)
    gain = (
        None
        if inverted is not None or omni is not None
        else _gain(parts, field_from_recorded, apart, capsules=capsules)
    )
    ratios = _ratio_db(parts, field_from_recorded)
    return Balance(float(np.median(ratios)), _scatter(ratios), gain, inverted, omni)


def _ratio_db(parts: ComplexArray, matrix: FloatArray) -> FloatArray:
    """XYZ over W in dB for each part."""
    power = np.einsum("fc,pcd,fd->pf", matrix, parts, matrix).real
    power = np.maximum(power, 1e-12)
    return np.asarray(10 * np.log10(power[:, 1:].sum(axis=1) / power[:, 0]))


def _parts_that_count_as_one(parts: ComplexArray, heard: np.ndarray, matrix: FloatArray) -> float:
    """How many parts measure one thing: a held note stands in the same waves for as long as it sounds."""
    ratios = np.where(heard.ravel(), _ratio_db(parts, matrix), np.nan).reshape(heard.shape)
    ratios = ratios - np.nanmedian(ratios)
    pairs = heard[1:] & heard[:-1]
    first, second = ratios[:-1][pairs], ratios[1:][pairs]
    if first.size < 2:
        return _APART
    alike = float(np.sum(first * second) / max(np.sqrt(np.sum(first**2) * np.sum(second**2)), 1e-9))
    alike = min(max(alike, 0.0), 0.98)
    return max(_APART, 2.0 * (1.0 + alike) / (1.0 - alike))


def _scatter(ratios_db: FloatArray) -> float:
    """Spread about the middle, in dB, that single outliers do not move."""
    return float(1.4826 * np.median(np.abs(ratios_db - np.median(ratios_db))))


def _cost(ratios_db: FloatArray, apart: float, levels_db: FloatArray) -> float:
    """Minus the log likelihood of these ratios in a sound field, whatever their scatter (Laplace's law)."""
    middle = float(np.median(ratios_db))
    stray = float(np.mean(np.abs(ratios_db - middle)))
    off = np.abs(middle - levels_db) / _LEVEL_SD_DB
    # The prior on the level grows linearly where it is hopeless.
    level = float(np.min(np.minimum(off**2 / 2, 2.0 * off) + np.where(levels_db == 0.0, 0.0, _OTHER_LEVEL)))
    return float(len(ratios_db) / apart * np.log(max(stray, _LEAST_STRAY_DB)) + level)


def _gain(parts: ComplexArray, matrix: FloatArray, apart: float, *, capsules: bool) -> GainError | None:
    """The one gain that is off."""
    feeds_omni = int(np.argmax(np.abs(matrix[0])))
    channels = [channel for channel in range(4) if capsules or channel != feeds_omni]
    levels_db = _CAPSULE_LEVELS_DB if capsules else _LEVELS_DB
    costs = np.array([[_cost(_ratio_db(parts, _turned_down(matrix, channel, gain)), apart, levels_db)
                       for gain in _GAINS_DB] for channel in channels])  # fmt: skip
    none = _cost(_ratio_db(parts, matrix), apart, levels_db)
    if capsules:
        level_db = 10 * np.log10(np.maximum(np.einsum("pcc->c", parts).real, 1e-12))
        apart_db = np.array([level_db[c] - np.median(np.delete(level_db, c)) for c in channels])
        odd = np.abs(apart_db[:, np.newaxis] - _GAINS_DB) / _CAPSULE_SD_DB
        costs += np.where(odd < _CAPSULE_MOST, odd**2 / 2, 1e3)
        none += float(np.max(np.abs(apart_db)) / _CAPSULE_SD_DB) ** 2 / 2
    best = costs.min(axis=1)
    rank = np.argsort(best)
    first, second = int(rank[0]), int(rank[1])
    if best[first] > none - _SURE:
        return None
    place = int(np.argmin(costs[first]))
    gain = float(_GAINS_DB[place])
    left = _ratio_db(parts, _turned_down(matrix, channels[first], gain))
    # Where the law is not kept afterwards either (tones in a room stand in waves), or a channel would have to go
    # altogether, a gain is not what is wrong.
    off = float(np.min(np.abs(np.median(left) - levels_db)))
    if _scatter(left) > _MOST_SCATTER_DB or abs(gain) > _LARGEST_DB or off > _MOST_OFF_DB:
        return None
    if not capsules and gain > 0.0 and _share(parts, matrix, channels[first], gain) < _LEAST_SHARE:
        return None
    likely = np.exp(best[first] - costs[first])
    mean = float(np.sum(likely * _GAINS_DB) / likely.sum())
    sd = float(np.sqrt(np.sum(likely * (_GAINS_DB - mean) ** 2) / likely.sum()))
    rival = channels[second] if best[second] < best[first] + _APART_SURE else None
    return GainError(channels[first], gain, max(sd, 0.3), float(none - best[first]), rival)


def _share(parts: ComplexArray, matrix: FloatArray, channel: int, gain_db: float) -> float:
    """A channel's part in the power of X, Y and Z once its gain is mended, in a part that three in four fall below."""
    mended = _turned_down(matrix, channel, gain_db)
    power = np.einsum("fc,pcd,fd->pf", mended, parts, mended).real[:, 1:]
    own = int(np.argmax(np.abs(matrix[1:, channel])))
    return float(np.quantile(power[:, own] / np.maximum(power.sum(axis=1), 1e-12), 0.75))


def _turned_down(matrix: FloatArray, channel: int, gain_db: float) -> FloatArray:
    """The matrix with a gain of one recorded channel taken out."""
    mended = matrix.copy()
    mended[:, channel] /= 10 ** (gain_db / 20)
    return mended


def _inverted(parts: ComplexArray, matrix: FloatArray, *, capsules: bool) -> int | None:
    """The capsule that opposes the other three."""
    mean = parts.mean(axis=0).real
    if capsules:
        return _opposing(mean)
    field = matrix @ mean @ matrix.T
    now = float(np.median(_ratio_db(parts, matrix)))
    if np.min(np.abs(now - _LEVELS_DB[_LEVELS_DB > 1.0])) < 1.0:
        # Read with the gains of another normalisation, cardioids have lobes behind that swing the other way.
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
        if abs(float(np.median(_ratio_db(parts, mended)))) < 2.5:
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


def _omni(parts: ComplexArray, matrix: FloatArray, apart: float) -> int | None:
    """The channel of the field that behaves as W although it is not."""
    misfits = []
    feeds = np.argmax(np.abs(matrix), axis=1).tolist()
    for candidate in range(4):
        swapped = matrix.copy()
        swapped[:, [feeds[0], feeds[candidate]]] = matrix[:, [feeds[candidate], feeds[0]]]
        ratios = _ratio_db(parts, swapped)
        known = _LEVELS_DB if candidate == 0 else np.zeros(1)
        misfits.append(min(float(np.mean(np.abs(ratios - level))) for level in known))
    best = int(np.argmin(misfits))
    gained = len(parts) / apart * np.log(max(misfits[0], _LEAST_STRAY_DB) / max(misfits[best], _LEAST_STRAY_DB))
    if (
        best != 0
        and misfits[best] < _OMNI_MISFIT_DB
        and misfits[0] > _OMNI_SHARE * misfits[best]
        and gained > _OMNI_SURE
    ):
        return best
    return None
