"""Whether the microphone hung where the crew states, and where it seems to have hung instead.

A microphone aside of the lens has near performers shifted more than far ones. What of that shift is the same for all
marks looks just like a turn of the microphone and is lost in the mount; what is left, and the times at which sound
reaches recorder and camera, measure the microphone's place.

Goal: two explanations, "as given" and "somewhere else on the rig", weighed by their evidence [1]; and what each axis is
known to. Both know of everything that passes for another place: marks put down beside the mouth, distances guessed,
floors that pull all directions down, marks that share a performer's reflections.
Conventions: spatial.conventions (axes, mount). Differences are true place minus given place, metres, picture axes.
Functions: evidence_of_marks, evidence_of_arrivals (of one clip); combined (of several clips of one rig);
judge_offset; errors_shown_m (what a proof by this evidence can see at all).
Source: [1] MacKay 2003, Information Theory, Inference, and Learning Algorithms, ch. 28: evidence by Laplace's
method (from memory, checked by simulation in tests/bench/mic_offset.py).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import logsumexp

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.field import angle_between
from spatial.mount.mark_fit import ONE_PLACE_RAD, PULLED_ALIKE, PULLED_DOWN
from spatial.rotation import rotation_from_vector

GIVEN_SD_M = 0.03
"""How exactly a crew measures a microphone's place, one standard deviation along each axis (common practice, no
source)."""

OTHER_SD_M = 0.25
"""How far off along each axis a place is that was given wrong: a forgotten bar, a sign (common practice, no source)."""

_WRONG_OFFSET = 0.1
"""How often a place is given wrong (common practice, no source)."""

CLEAR = 0.8
"""A place is called wrong where that is this likely. With places given right it was 0.6 at most in 280 drawn sets
of 4 to 8 marks, and 0.05 in 30 rooms (tests/scenes/offset.py, seeds 1000 to 1069, 40000 to 40029)."""

KNOWN_SD_M = 0.08
"""An axis known no better than this counts as unmeasured: an error that matters could hide in it."""

MOST_M = 1.0
"""Recorder and lens are no further apart on a rig than this (common practice, no source)."""

_MARK_SD_RAD = np.radians(1.5)
"""How exactly a mark lies on a mouth, with all that a picture's layout adds (common practice, no source)."""
_DISTANCE_SD, _ALL_DISTANCES_SD = 0.2, 0.1
"""How exactly people guess distances: each by itself, and all of them too short or too long (logarithms; common
practice, no source)."""
_CAMERA_SD_M = 0.05
"""A camera's own microphones sit this far from its lens (common practice, no source)."""
_TURNED_SD_RAD = 0.07
"""What a mount may be off that was found with a wrong place: the place seen from the recorder turns with it."""
_FREEDOM = 5.0
"""Freedom of Student's law for marks: those far off have less weight."""
_LEAST_DISTANCE_M = 0.15
"""No performer stands nearer to the microphone than this, metres: it keeps a step of the fit from running through
them."""


@dataclass(frozen=True, slots=True, eq=False)
class OffsetEvidence:
    """What is measured of the true place minus the given one, as a Gaussian; nothing where information is 0."""

    information: FloatArray = field(default_factory=lambda: np.zeros((3, 3)))
    """Inverse covariance by the marks, 1/m^2, shape (3, 3)."""
    pull: FloatArray = field(default_factory=lambda: np.zeros(3))
    """Information times the difference that fits best, shape (3,)."""
    by_arrivals: FloatArray = field(default_factory=lambda: np.zeros((3, 3)))
    """The same two by arrival times, of the camera's microphones instead of its lens."""
    arrivals_pull: FloatArray = field(default_factory=lambda: np.zeros(3))


@dataclass(frozen=True, slots=True, eq=False)
class OffsetJudgement:
    """Which of the two explanations is likelier, and the place by the other one."""

    wrong: float
    """How likely the place was given wrong, 0 to 1."""
    difference_m: FloatArray
    """True minus given as it would then be, shape (3,)."""
    covariance_m2: FloatArray
    """Of that, shape (3, 3)."""
    effective_sd_m: FloatArray
    """How far the given place may be off, all things considered, shape (3,)."""

    @property
    def clear(self) -> bool:
        """Whether another place fits clearly better."""
        return self.wrong > CLEAR

    @property
    def sd_m(self) -> FloatArray:
        """One standard deviation of each axis, shape (3,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance_m2)))

    @property
    def told(self) -> tuple[bool, bool, bool]:
        """Which of forward, left and up are measured at all."""
        forward, left, up = self.sd_m < KNOWN_SD_M
        return bool(forward), bool(left), bool(up)


def evidence_of_marks(
    seen: FloatArray,
    distances_m: FloatArray,
    measured: FloatArray,
    sd_rad: FloatArray,
    *,
    mic_offset_m: Sequence[float],
    picture_from_mic: FloatArray,
) -> OffsetEvidence:
    """Evidence of marks with distances on the microphone's place, whatever the mount is.

    Marks without are no evidence: where performers stand passes for where the microphone hung.

    Parameters
    ----------
    seen : ndarray, shape (marks, 3)
        Unit vectors from the LENS, picture axes.
    distances_m : ndarray, shape (marks,)
        From the lens; NaN where not given.
    measured : ndarray, shape (marks, 3)
        Unit vectors in the microphone's axes.
    sd_rad : ndarray, shape (marks,)
    mic_offset_m : sequence of 3 floats
        The place as given.
    picture_from_mic : ndarray, shape (3, 3)
        The mount that fits with it; may be a reflection.

    Returns
    -------
    OffsetEvidence
    """
    given = np.isfinite(distances_m)
    seen, distances_m, measured, sd_rad = seen[given], distances_m[given], measured[given], sd_rad[given]
    count = len(seen)
    if count < 2:
        return OffsetEvidence()
    apart = angle_between(seen[:, np.newaxis], seen)
    near = np.exp(-0.5 * (apart / ONE_PLACE_RAD) ** 2)
    log_m = np.log(distances_m)
    # Marks of one performer share what is wrong with the distance.
    distance_prior = near * _DISTANCE_SD**2 + _ALL_DISTANCES_SD**2 + 1e-6 * np.eye(count)
    variance = (sd_rad**2 + _MARK_SD_RAD**2) * (1.0 + PULLED_ALIKE * (near.sum(axis=1) - 1.0))
    precision = np.zeros((7 + count,) * 2)
    precision[3:6, 3:6] = np.eye(3) / OTHER_SD_M**2
    precision[6, 6] = 1.0
    precision[7:, 7:] = np.linalg.inv(distance_prior)
    answer = np.zeros(7 + count)
    turned = measured @ picture_from_mic.T
    matrix = np.eye(3)
    for _ in range(12):
        place = np.asarray(mic_offset_m) + answer[3:6]
        distance = np.exp(log_m + answer[7:])
        towards = seen * distance[:, np.newaxis] - place
        length = np.maximum(np.linalg.norm(towards, axis=1), _LEAST_DISTANCE_M)
        expected = towards / length[:, np.newaxis]
        across = np.eye(3) - expected[:, :, np.newaxis] * expected[:, np.newaxis, :]
        heard = turned @ matrix.T
        down = across @ np.array([0.0, 0.0, -1.0]) * (PULLED_DOWN * sd_rad)[:, np.newaxis]
        residual = np.einsum("nij,nj->ni", across, heard - expected) - down * answer[6]
        # How the residual moves with each unknown: the turn, the place, the common pull, each distance.
        jacobian = np.zeros((count, 3, 7 + count))
        jacobian[:, :, :3] = -np.stack([np.cross(axis, heard) for axis in np.eye(3)], axis=2)
        jacobian[:, :, 3:6] = -across / length[:, np.newaxis, np.newaxis]
        jacobian[:, :, 6] = down
        moved = np.einsum("nij,nj->ni", across, seen) * (distance / length)[:, np.newaxis]
        jacobian[np.arange(count), :, 7 + np.arange(count)] = moved
        squares = np.sum(residual**2, axis=1) / variance
        weights = (_FREEDOM + 2.0) / (_FREEDOM + squares) / variance
        information = np.einsum("nik,n,nil->kl", jacobian, weights, jacobian)
        wanted = np.einsum("nik,n,ni->k", jacobian, weights, residual) - precision @ answer
        # The turn is taken into the matrix at once, so that its own unknown starts from 0 each time.
        wanted[:3] += precision[:3, :3] @ answer[:3]
        step = np.linalg.solve(information + precision + 1e-9 * np.eye(len(answer)), wanted)
        matrix = rotation_from_vector(step[:3]) @ matrix
        answer[3:] += step[3:]
        if np.max(np.abs(step)) < 1e-6:
            break
    freedom = max(2.0 * count - 6.0, 0.0)
    widened = max(1.0, (_FREEDOM + float(np.sum(squares))) / (_FREEDOM + freedom))
    data = information / widened + precision
    data[3:6, 3:6] -= precision[3:6, 3:6]
    others = np.r_[0:3, 6 : 7 + count]
    corner = data[3:6][:, others]
    of_place = data[3:6, 3:6] - corner @ np.linalg.solve(
        data[np.ix_(others, others)] + 1e-9 * np.eye(len(others)), corner.T
    )
    of_place = (of_place + of_place.T) / 2
    return OffsetEvidence(of_place, (of_place + np.eye(3) / OTHER_SD_M**2) @ answer[3:6])


def evidence_of_arrivals(
    camera_from_recorder_m: FloatArray,
    covariance_m2: FloatArray,
    *,
    mic_offset_m: Sequence[float],
    picture_from_mic: FloatArray,
) -> OffsetEvidence:
    """Evidence of the times at which sound reaches recorder and camera on the microphone's place.

    Parameters
    ----------
    camera_from_recorder_m : ndarray, shape (3,)
        The camera seen from the recorder, in the recorder's axes.
    covariance_m2 : ndarray, shape (3, 3)
        Of that; infinite where nothing is measured.
    mic_offset_m, picture_from_mic
        As for evidence_of_marks.
    """
    if not np.all(np.isfinite(covariance_m2)):
        return OffsetEvidence()
    given = np.asarray(mic_offset_m, dtype=float)
    place = -picture_from_mic @ camera_from_recorder_m
    turned_m2 = (_TURNED_SD_RAD**2) * (place @ place * np.eye(3) - np.outer(place, place))
    information = np.linalg.inv(picture_from_mic @ covariance_m2 @ picture_from_mic.T + turned_m2)
    return OffsetEvidence(by_arrivals=information, arrivals_pull=information @ (place - given))


def combined(evidence: Iterable[OffsetEvidence]) -> OffsetEvidence:
    """Evidence of several clips of one rig, or of marks and arrival times of one clip, together."""
    each = list(evidence)
    return OffsetEvidence(
        *(
            np.sum([getattr(one, name) for one in each], axis=0) if each else getattr(OffsetEvidence(), name)
            for name in ("information", "pull", "by_arrivals", "arrivals_pull")
        )
    )


def judge_offset(evidence: OffsetEvidence, given_sd_m: float = GIVEN_SD_M) -> OffsetJudgement:
    """Weigh "as given" against "somewhere else on the rig".

    Parameters
    ----------
    evidence : OffsetEvidence
    given_sd_m : float
        How exactly the place is given, one standard deviation along each axis, metres.

    Returns
    -------
    OffsetJudgement
    """
    information, pull = _with_arrivals(evidence)
    other_sd_m = float(np.hypot(OTHER_SD_M, given_sd_m))
    given = np.full(3, given_sd_m)
    # One number is wrong more often than all three; each way to be wrong is as likely as the next.
    ways = [np.where(np.arange(3) == axis, other_sd_m, given_sd_m) for axis in range(3)] + [np.full(3, other_sd_m)]
    others = logsumexp([_log_evidence(information, pull, way) for way in ways]) - np.log(len(ways))
    log_odds = float(others) - _log_evidence(information, pull, given)
    log_odds += np.log(_WRONG_OFFSET / (1.0 - _WRONG_OFFSET))
    wrong = float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -50.0, 50.0))))
    covariance = np.linalg.inv(information + np.eye(3) / other_sd_m**2)
    difference = covariance @ pull
    # That a place may be wrong about which nothing is measured is the wild tail that an interval of 95 % may leave out.
    doubt = max(0.0, wrong - _WRONG_OFFSET) / (1.0 - _WRONG_OFFSET)
    effective = np.sqrt((1.0 - doubt) * given_sd_m**2 + doubt * (difference**2 + np.diag(covariance)))
    return OffsetJudgement(wrong, difference, covariance, np.maximum(effective, given_sd_m))


def errors_shown_m(evidence: OffsetEvidence, given_sd_m: float = GIVEN_SD_M) -> FloatArray:
    """The smallest error of the given place along each axis that the evidence would show, whatever the mount is.

    An error of this size or more, to either side, lies outside the 95 % interval of what is measured, with the other
    two axes as given. The crew's word on the hanging does not count: a microphone that hangs level by their word does
    so to 5 degrees, and 20 cm of height look like no more than that with performers 2 m away.

    Parameters
    ----------
    evidence : OffsetEvidence
    given_sd_m : float
        How exactly the other two axes are given, one standard deviation, metres.

    Returns
    -------
    ndarray, shape (3,)
        Forward, left, up, metres; infinite where no error that fits on a rig would show.

    Examples
    --------
    >>> errors_shown_m(OffsetEvidence(information=np.diag([2500.0, 100.0, 0.0]))).round(2).tolist()
    [0.04, 0.2, inf]
    """
    information, pull = _with_arrivals(evidence)
    shown = np.full(3, np.inf)
    for axis in range(3):
        others = np.flatnonzero(np.arange(3) != axis)
        known = information[np.ix_(others, others)] + np.eye(2) / max(given_sd_m, 1e-3) ** 2
        share = np.linalg.solve(known, information[others, axis])
        told = float(information[axis, axis] - information[axis, others] @ share)
        if told * MOST_M**2 > SDS_OF_95**2:
            best = float(pull[axis] - pull[others] @ share) / told
            size = abs(best) + SDS_OF_95 / told**0.5
            shown[axis] = size if size <= MOST_M else np.inf
    return shown


def _with_arrivals(evidence: OffsetEvidence) -> tuple[FloatArray, FloatArray]:
    """Information and pull of both kinds; the camera's microphones are not at its lens, in all clips alike."""
    if not evidence.by_arrivals.any():
        return evidence.information, evidence.pull
    covariance = np.linalg.inv(evidence.by_arrivals)
    difference = covariance @ evidence.arrivals_pull
    arrivals = np.linalg.inv(covariance + _CAMERA_SD_M**2 * np.eye(3))
    return evidence.information + arrivals, evidence.pull + arrivals @ difference


def _log_evidence(information: FloatArray, pull: FloatArray, prior_sd_m: FloatArray) -> float:
    """How likely the measurements are for a place off by so much along each axis, but for a common factor [1]."""
    scaled = np.eye(3) + prior_sd_m[:, np.newaxis] * information * prior_sd_m
    fit = 0.5 * float((prior_sd_m * pull) @ np.linalg.solve(scaled, prior_sd_m * pull))
    return fit - 0.5 * float(np.linalg.slogdet(scaled)[1])
