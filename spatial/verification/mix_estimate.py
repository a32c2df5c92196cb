"""A shot of a film held against the track that its clip was given: in step, turned right, whole, or another sound.

Goal: say of one shot how early its sound is against the track and where that jumps, what has become of the four
channels, and how much else is mixed in; "not this sound" and "cannot tell" are answers.
Method: lags that chance does not make (sound_lag); the path through them, half second by half second, on
which film and track agree best; the mixing matrix along that path (mixing_matrix) and what it means (matrix_reading).
Two takes of one song share the song: where patches that the track fills are plainly not in the film, while others are,
it is the sound of another moment.
Conventions: spatial.conventions (field, time). Early is positive, as in spatial.verification.lip_sync.
Functions: estimate_mix.
"""

import itertools
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.dsp.samples import Samples
from spatial.errors import InputError
from spatial.rotation import checked_rotation
from spatial.verification.lag_path import follow_lags, moments_of_change
from spatial.verification.matrix_reading import Reading, read_matrix, read_pair
from spatial.verification.mixing_matrix import (
    MatrixFit,
    fit_matrix,
    rows_from,
)
from spatial.verification.sound_lag import LagCandidate, find_lags


class Presence(StrEnum):
    """Whether the track is in the film's sound."""

    PRESENT = "present"
    OTHER_MOMENT = "other moment"
    """Some of it is, as in two takes of one song; what this track holds beside that is missing."""
    ABSENT = "absent"
    """Not a trace of it, though it would have been found."""
    UNTOLD = "untold"
    """Too short, silent or drowned."""


class ChangeKind(StrEnum):
    """What happens inside a shot."""

    SLIP = "slip"
    """The sound jumps against the track."""
    HOLE = "hole"
    """The film is silent where the track sounds."""
    TURN = "turn"
    """The channels lie otherwise from here on."""
    LEVEL = "level"
    """The level jumps; an editor may have wanted it."""


@dataclass(frozen=True, slots=True)
class Change:
    """Something that happens inside a shot."""

    kind: ChangeKind
    film_time_s: float
    """From the shot's first sample."""
    stop_s: float
    """The end of a hole; else the same moment."""
    size: float
    """Of a slip the seconds by which the sound comes earlier from here on; of a turn the angle between
    the matrices before and after, as vectors, in degrees; of a level decibels."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the shot with one lag."""

    start_s: float
    stop_s: float
    early_s: float
    early_sd_s: float


@dataclass(frozen=True, slots=True, eq=False)
class MixEstimate:
    """What was found of one shot."""

    presence: Presence
    why: str
    """Half a sentence that says what speaks against the track; "" where it is present."""
    early_s: float
    """Film's sound against the track, of the longest piece; NaN where none was found."""
    early_sd_s: float
    changes: tuple[Change, ...]
    pieces: tuple[Piece, ...]
    matrix: FloatArray
    """film = matrix @ track, shape (film, 4)."""
    matrix_sd: FloatArray
    """Standard deviation of each entry; inf where the track does not tell."""
    gain_db: float
    other_db: float
    """Other sound against the track's, 200 Hz to 6 kHz."""
    floor_db: float
    """The track would have been found down to this level against all of the film's sound."""
    readings: tuple[Reading, ...]
    undetermined: str
    eq_db: FloatArray
    """Filter common to all channels, shape (bands,)."""
    band_hz: FloatArray
    """Edges of the bands, shape (bands + 1,)."""
    silent_channels: tuple[int, ...]
    """Film channels that hold nothing at all."""


_SHORTEST_S = 0.4
"""A shorter shot is a flash; its sound proves nothing."""

_FAINTEST = 1e-4
"""Root mean square below which a track is as good as silent: -80 dB against full scale."""

_FLOOR_DB = -10.0
"""The track must be findable at this level against the film's sound before its absence is said: music that was put over
a scene is seldom louder than that."""

_LAG_MODEL_SD_S = 0.00003
"""What filters and the step of the search move of a lag, as a standard deviation, seconds: a telephone's filter moves
it by 0.07 ms and most mixes by 0.02 ms (development seeds 0 to 3 of tests/scenes/mix.py)."""

_LAG_BANDWIDTH_HZ = 2500.0
"""Root mean square of the frequencies whose phases tell the lag."""

_NOT_IN_FILM, _IN_FILM, _SURELY = 0.35, 0.60, 0.20
"""A direction in a patch is missing where the film holds less than the first part of it, and more than the second of
another direction in the same patch; both are known to the third."""

_HEARD_DB, _SHARE_DB = 25.0, -15.0
"""Patches count that are not further below the loudest, and directions that are not further below their patch: coders
replace what is fainter."""

_FEWEST_MISSING, _MISSING = 4, 0.018
"""So many directions in patches must be missing, and such a part of those that are told, before the film is said to
hold another moment. On seeds below 100 and 1004 of tests/scenes/mix.py no ordinary mix had more than 3 of 209 (through
a low cut and a coder); retakes of a song that was not too short had 0.02 or more."""

_HINT, _FEWEST_PAIRS, _ALONE_DB = 0.004, 20, -10.0
"""Where at least the first part is missing, the film may be of another moment; and so it may where fewer patches than
the second hold two directions that could be told apart, while other sound above the third is in the film."""

_ANOTHER_TAKE = "whether it is of another take of the same music"

_HOLE_S, _HOLE_DB = 0.010, -45.0
"""A hole is at least so long, and so far below what the track makes of it. Nothing else may sound in it."""

_ENDS_S = 0.03
"""Silence that begins or ends so near to a cut belongs to the cut."""

_FADED_DB = -30.0
"""Sound below this, against the mean of what the track makes of it, is what a fade leaves."""

_TURN_CHANGE = 60.0
"""Chi-square by which two matrices explain a shot better than one before they are looked at."""

_LEVEL_STEP_DB, _LEVEL_PLATEAU_DB = 4.0, 1.5
"""A level jumps by the first or more between stretches of a second and a half that stray by less than the second."""


def estimate_mix(
    film: Samples,
    track: Samples,
    expected_s: float,
    *,
    search_s: float = 2.0,
    mount: FloatArray | None = None,
) -> MixEstimate:
    """Hold the sound of one shot against its clip's finished track.

    Parameters
    ----------
    film : Samples
        One, two or four channels: mono, left and right, or W, Y, Z, X as the film declares itself.
    track : Samples
        W, Y, Z, X, the whole track, at the same rate; it is read around the expected place alone.
    expected_s : float
        Track time at which the picture has the shot's first sample.
    search_s : float
        The sound is sought so far to either side.
    mount : ndarray, shape (3, 3), optional
        What the track was turned by, if that is known.

    Returns
    -------
    MixEstimate

    Raises
    ------
    InputError
        Other channels, other rates, or numbers that are none.
    """
    channels = film.read(0, 0).shape[0]
    if channels not in (1, 2, FIRST_ORDER_CHANNELS) or track.read(0, 0).shape[0] != FIRST_ORDER_CHANNELS:
        raise InputError(f"a film's sound has 1, 2 or 4 channels and a track 4; got {channels} in the film")
    if film.rate_hz != track.rate_hz:
        raise InputError(f"film and track have {film.rate_hz} and {track.rate_hz} samples a second; bring them to one")
    if not (np.isfinite(expected_s) and np.isfinite(search_s) and search_s > 0):
        raise InputError(
            f"the place of the sound, {expected_s} s, and the search around it, {search_s} s, are no times"
        )
    if mount is not None:
        mount = checked_rotation(mount)
    rate = film.rate_hz
    blank = _blank(channels)
    levels = _levels(film, 0, film.length)
    loudest = float(np.max(levels, initial=0.0))
    blank = replace(blank, silent_channels=tuple(int(each) for each in np.flatnonzero(levels <= 1e-4 * loudest)))
    if loudest <= 1e-7:
        return replace(blank, presence=Presence.UNTOLD, why="the film is silent there")
    if film.length < _SHORTEST_S * rate:
        return replace(blank, presence=Presence.UNTOLD, why=f"the shot is shorter than {_SHORTEST_S:g} s")
    first = round(expected_s * rate)
    if float(np.max(_levels(track, first, first + film.length))) < _FAINTEST:
        return replace(blank, presence=Presence.UNTOLD, why="the track is silent there")
    around = expected_s * rate
    candidates, detectable = find_lags(film, track, around, search_s * rate)
    blank = replace(blank, floor_db=10 * np.log10(detectable / max(1.0 - detectable, 1e-9)))
    if not candidates:
        if blank.floor_db > _FLOOR_DB:
            return replace(
                blank, presence=Presence.UNTOLD, why="the shot is too short to find the track under other sound"
            )
        why = f"the track is not in it, though it would be found {-blank.floor_db:.0f} dB below all that sounds"
        return replace(blank, presence=Presence.ABSENT, why=why)
    return _found(film, track, around, candidates, mount, blank)


def _found(
    film: Samples,
    track: Samples,
    around: float,
    candidates: list[LagCandidate],
    mount: FloatArray | None,
    blank: MixEstimate,
) -> MixEstimate:
    rate = film.rate_hz
    lags, joined, scores = follow_lags(film, track, candidates)
    fit = fit_matrix(joined)
    times = len(lags)
    step_s = joined.step_s
    begin_s = (film.length / rate - times * step_s) / 2
    bounds = [0, *(int(place) + 1 for place in np.flatnonzero(np.diff(lags))), times]
    inner = np.array(bounds[1:-1], dtype=int)
    moments = moments_of_change(film, track, fit.matrix, (begin_s + inner * step_s) * rate, lags[[*bounds[:-1]]])
    cuts_s = [0.0, *(float(moment) / rate for moment in moments), film.length / rate]
    pieces = []
    for number in range(len(bounds) - 1):
        likelihood = max(float(np.sum(scores[bounds[number] : bounds[number + 1]])), 1.0)
        sd = np.hypot(_LAG_MODEL_SD_S, 1 / (2 * np.pi * _LAG_BANDWIDTH_HZ * np.sqrt(2 * likelihood)))
        early = (lags[bounds[number]] - around) / rate
        pieces.append(Piece(cuts_s[number], cuts_s[number + 1], float(early), float(sd)))
    longest = max(pieces, key=lambda piece: piece.stop_s - piece.start_s)
    changes = [
        Change(ChangeKind.SLIP, after.start_s, after.start_s, after.early_s - before.early_s)
        for before, after in itertools.pairwise(pieces)
    ]
    changes += _holes(film, track, fit, pieces, around)
    changes += _matrix_changes(fit, begin_s, step_s)
    changes += _level_changes(fit, begin_s, step_s)
    # At both ends of a shot faders move.
    whole = np.ones(times, dtype=bool)
    whole[[0, -1]] = times < 4
    for change in changes:
        if change.kind in (ChangeKind.SLIP, ChangeKind.HOLE):
            places_s = begin_s + step_s * np.arange(times)
            whole &= (places_s > change.stop_s) | (places_s + step_s * 1.1 < change.film_time_s)
    missing, doubted = _missing(fit, whole)
    with np.errstate(divide="ignore"):
        sd = np.sqrt(np.maximum([np.diag(np.linalg.pinv(each, rcond=1e-9)) for each in fit.information], 0.0))
    known = np.einsum("cii->ci", fit.information) > 0
    readings: tuple[Reading, ...] = ()
    undetermined = ""
    presence, why = Presence.PRESENT, ""
    # Two ears hold each direction with a phase and a level of its own at each frequency, which no matrix has: what it
    # does not explain of one or two channels is a doubt, no proof.
    if missing > _MISSING and joined.channels == FIRST_ORDER_CHANNELS:
        presence = Presence.OTHER_MOMENT
        why = "some of the track is in it and other parts are missing, as in another take of one song"
    elif joined.channels == FIRST_ORDER_CHANNELS:
        readings, undetermined = read_matrix(fit.matrix, fit.information, mount)
    elif joined.channels == 2:
        readings, undetermined = read_pair(fit.matrix, fit.information)
    if presence is Presence.PRESENT and doubted:
        undetermined = "; ".join(filter(None, (_ANOTHER_TAKE, undetermined)))
    scale = readings[0].matrix if readings else fit.matrix
    eq_db = 20 * np.log10(np.maximum(np.abs(fit.filter), 1e-6))
    return replace(
        blank,
        presence=presence,
        why=why,
        early_s=longest.early_s,
        early_sd_s=longest.early_sd_s,
        changes=tuple(sorted(changes, key=lambda change: change.film_time_s)),
        pieces=tuple(pieces),
        matrix=fit.matrix,
        matrix_sd=np.where(known, sd, np.inf),
        gain_db=float(20 * np.log10(max(np.sqrt(np.sum(scale**2) / max(np.sum(np.any(scale != 0, axis=1)), 1)), 1e-9))),
        other_db=float(10 * np.log10(max(fit.other, 1e-9))),
        readings=readings,
        undetermined=undetermined,
        eq_db=eq_db - np.mean(eq_db),
        band_hz=joined.band_hz,
    )


def _blank(channels: int) -> MixEstimate:
    nothing = np.full((channels, FIRST_ORDER_CHANNELS), np.nan)
    return MixEstimate(
        presence=Presence.UNTOLD, why="", early_s=float("nan"), early_sd_s=float("nan"), changes=(), pieces=(),
        matrix=nothing, matrix_sd=nothing, gain_db=float("nan"), other_db=float("nan"), floor_db=0.0, readings=(),
        undetermined="", eq_db=np.zeros(0), band_hz=np.zeros(0), silent_channels=(),
    )  # fmt: skip


def _levels(samples: Samples, start: int, stop: int) -> FloatArray:
    """Root mean square of each channel."""
    sums, count = 0.0, max(stop - start, 1)
    for first in range(start, stop, 1 << 19):
        part = samples.read(first, min(first + (1 << 19), stop)).astype(float)
        if not np.all(np.isfinite(part)):
            raise InputError("the sound holds values that are no numbers; write the file anew")
        sums = sums + np.sum(part**2, axis=1)
    return np.sqrt(np.atleast_1d(sums) / count)


# --- what happens inside ---


def _missing(fit: MatrixFit, whole: npt.NDArray[np.bool_]) -> tuple[float, bool]:
    """Part of what the track holds that is not in the film, though other of it is; and whether the take stays open.

    Each patch is taken apart into its principal directions: a performer who is missing beside a song that is there is a
    direction of its own. `whole` are the times without a hole.
    """
    loud = fit.loudness_db > np.max(fit.loudness_db) - _HEARD_DB
    there = whole & (fit.gain > 0.25 * np.median(fit.gain)) & (fit.gain_sd < 0.1 * fit.gain)
    told = (there[:, np.newaxis] & loud)[..., np.newaxis] & (fit.share_db > _SHARE_DB) & (fit.kept_sd < _SURELY)
    # Where all of a patch is missing, a fader was closed for a part of its half second.
    beside = np.any(told & (fit.kept > _IN_FILM), axis=2, keepdims=True)
    missing = int(np.count_nonzero((fit.kept < _NOT_IN_FILM) & told & beside))
    part = missing / max(int(np.count_nonzero(told)), 1)
    pairs = int(np.count_nonzero(np.count_nonzero(told, axis=2) >= 2))
    other = 10 * np.log10(max(fit.other, 1e-9)) > _ALONE_DB
    return part if missing >= _FEWEST_MISSING else 0.0, part >= _HINT or (pairs < _FEWEST_PAIRS and other)


def _holes(film: Samples, track: Samples, fit: MatrixFit, pieces: list[Piece], around: float) -> list[Change]:
    """Silence between sound, where the track sounds."""
    rate = film.rate_hz
    block = max(1, round(0.5 * _HOLE_S * rate))
    found = []
    for piece in pieces:
        low, high = round(piece.start_s * rate), round(piece.stop_s * rate)
        lag = round(piece.early_s * rate + around)
        quiet = []
        for first in range(low, high, block * 1000):
            last = min(first + block * 1000, high)
            heard = np.mean(film.read(first, last).astype(float) ** 2, axis=0)
            held = np.mean((fit.matrix @ track.read(first + lag, last + lag).astype(float)) ** 2, axis=0)
            places = np.arange(0, last - first, block)
            powers = [np.add.reduceat(each, places) for each in (heard, held)]
            quiet.append(np.stack(powers))
        heard_power, held_power = np.concatenate(quiet, axis=1)
        typical = np.mean(held_power)
        silent = (heard_power < 10 ** (_HOLE_DB / 10) * held_power) & (held_power > 1e-4 * typical)
        sounding = heard_power > 10 ** (_FADED_DB / 10) * typical
        edges = np.flatnonzero(np.diff(np.concatenate([[False], silent, [False]]).astype(int)))
        for start, stop in edges.reshape(-1, 2):
            # At the ends of a shot faders close: what is left beyond is silence, or as good as that.
            margin = round(_ENDS_S * rate / block)
            before, after = sounding[: max(start - margin, 0)], sounding[stop + margin :]
            at_an_end = (piece is pieces[0] and not np.any(before)) or (piece is pieces[-1] and not np.any(after))
            # The blocks at the edges hold both.
            if stop - start >= 1 and (stop - start + 1) * block >= _HOLE_S * rate and not at_an_end:
                begin_s = float(low + start * block) / rate
                found.append(Change(ChangeKind.HOLE, begin_s, float(low + stop * block) / rate, 0.0))
    return _joined(found)


def _joined(holes: list[Change]) -> list[Change]:
    """Holes with hardly anything between them are one."""
    kept: list[Change] = []
    for hole in holes:
        if kept and hole.film_time_s - kept[-1].stop_s < 0.03:
            kept[-1] = replace(kept[-1], stop_s=hole.stop_s)
        else:
            kept.append(hole)
    return kept


def _matrix_changes(fit: MatrixFit, begin_s: float, step_s: float) -> list[Change]:
    """The one moment at which the channels come to lie otherwise, if there is one."""
    times = len(fit.gain)
    best = None
    normal, right = np.cumsum(fit.normal, axis=0), np.cumsum(fit.right, axis=0)
    # The half second in which it happens holds both, and is left out.
    for place in range(2, times - 2):
        halves = ((normal[place - 1], right[place - 1]), (normal[-1] - normal[place], right[-1] - right[place]))
        rows = [rows_from(*half) for half in halves]
        known = [_tolerant_inverse(half[0], float(np.mean(fit.matrix**2))) for half in halves]
        off = rows[0] - rows[1]
        misfit = float(np.einsum("ci,cij,cj->", off, np.linalg.inv(known[0] + known[1]), off))
        if best is None or misfit > best[0]:
            best = (misfit, place, rows)
    if best is None:
        return []
    misfit, place, rows = best
    # The fit's scaling holds the change itself for scatter; what strays within both sides is scatter.
    inside = [
        _stray(fit.normal[part], fit.right[part], row)
        for part, row in zip((slice(None, place), slice(place + 1, None)), rows, strict=True)
    ]
    if misfit < _TURN_CHANGE * max(1.0, *inside):
        return []
    sizes = [np.linalg.norm(each) for each in rows]
    if min(sizes) < 0.1 * max(sizes):
        return []
    alike = float(np.sum(rows[0] * rows[1]) / (sizes[0] * sizes[1]))
    angle = float(np.degrees(np.arccos(np.clip(alike, -1.0, 1.0))))
    if angle < 12.0:
        return []
    moment = begin_s + (place + 0.5) * step_s
    return [Change(ChangeKind.TURN, moment, moment, angle)]


def _stray(normal: FloatArray, right: FloatArray, rows: FloatArray) -> float:
    """How much the half seconds of a stretch stray from its own rows, 1 where that is as their information says."""
    score = right - np.einsum("tcij,cj->tci", normal, rows)
    inverse = np.linalg.pinv(normal.sum(axis=0), hermitian=True)
    return float(np.mean(np.einsum("tci,cij,tcj->c", score, inverse, score))) / FIRST_ORDER_CHANNELS


def _level_changes(fit: MatrixFit, begin_s: float, step_s: float) -> list[Change]:
    """Moments between half seconds at which the common gain jumps from one plateau to another."""
    told = fit.gain_sd < 0.1 * fit.gain
    level_db = 20 * np.log10(np.maximum(fit.gain, 1e-6))
    found: list[Change] = []
    for place in range(3, len(level_db) - 2):
        before, after = level_db[place - 3 : place], level_db[place : place + 3]
        plateaus = max(np.ptp(before), np.ptp(after)) < _LEVEL_PLATEAU_DB
        jump = float(np.mean(after) - np.mean(before))
        if plateaus and np.all(told[place - 3 : place + 3]) and abs(jump) >= _LEVEL_STEP_DB:
            moment = begin_s + place * step_s
            found.append(Change(ChangeKind.LEVEL, moment, moment, jump))
    return found


def _tolerant_inverse(information: FloatArray, scale: float) -> FloatArray:
    """Covariance of rows, entries straying by a twentieth."""
    trace = np.trace(information, axis1=1, axis2=2)[:, np.newaxis, np.newaxis]
    ridge = (1e-4 * trace + 1e-6 / max(scale, 1e-20)) * np.eye(FIRST_ORDER_CHANNELS)
    return np.asarray(np.linalg.inv(information + ridge) + 4 * scale * 0.05**2 * np.eye(FIRST_ORDER_CHANNELS))
