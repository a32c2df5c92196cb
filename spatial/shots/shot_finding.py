"""Which shot of a film is which clip, from which of its pictures on.

Goal: cuts to the picture, the clip of every shot and the clip's picture with which it starts, with what is not known
said: a shot in which nothing moves may be any moment of its clip.
Conventions: film frames count from 0; `place` counts the clip's time in film frames, so that film and clips of one
frame rate agree picture for picture. A hypothesis is a clip and a start: film frame n shows clip place start + n.
Functions: find_shots; visible_cuts; confirmed (a moment that is known from elsewhere); explained; agreement.
Method: pieces of the film are looked for in the clips that look alike (spatial.shots.looks) by what moves
(spatial.shots.motion); in each stretch of film the hypotheses so found compete, picture by picture, by how much of the
film's own movement each explains. The likeliest sequence is found by the Viterbi algorithm (Viterbi 1967, IEEE Trans.
IT 13(2)).
"""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter, uniform_filter, uniform_filter1d

from spatial.conventions import FloatArray
from spatial.shots.looks import alike_each, alikeness, as_views, best_shift, contrast_gains, looks_of, shifted
from spatial.shots.motion import ClipMotion, pooled_motion

# --- what it works on ---


class Pictures(Protocol):
    """Small pictures that can be read in spans."""

    @property
    def frames(self) -> int:
        """How many there are."""

    def read(self, first: int, stop: int) -> FloatArray:
        """Pictures first <= n < stop, shape (pictures, cells)."""


@dataclass(frozen=True, slots=True, eq=False)
class Reel:
    """A movie's small pictures and when they are shown."""

    pictures: Pictures
    rate: float
    """Pictures a second."""

    def at_rate(self, rate: float, phase: float = 0.0) -> "Retimed":
        """The same at another movie's rate, each picture the one that is shown then."""
        return Retimed(self, rate, phase)


class Retimed:
    """A clip's pictures at the film's rate: what an editor shows of them."""

    def __init__(self, reel: Reel, rate: float, phase: float = 0.0) -> None:
        self._reel, self._ratio, self._phase = reel, reel.rate / rate, phase
        self.same_rate = abs(self._ratio - 1) < _SAME_RATE
        frames = reel.pictures.frames
        self.length = frames if self.same_rate else int(frames / self._ratio)

    def frame_of(self, place: int) -> int:
        """The clip's own picture at a place."""
        return place if self.same_rate else int(np.floor(place * self._ratio + self._phase + 1e-6))

    def phases(self) -> list["Retimed"]:
        """Itself begun at each of the clip's pictures that the film's first one may be; alone at one rate."""
        if self.same_rate:
            return [self]
        # A film that is slower than its clip leaves pictures out, a faster one shows some of them twice.
        steps = np.arange(int(np.ceil(self._ratio))) if self._ratio > 1 else np.array([0.0, 0.5])
        return [Retimed(self._reel, self._reel.rate / self._ratio, float(step)) for step in steps]

    @property
    def ratio(self) -> float:
        """Pictures of the clip for one of the film."""
        return self._ratio

    @property
    def phase(self) -> float:
        """Pictures of the clip by which place 0 lies behind its first."""
        return self._phase

    def read(self, first: int, stop: int) -> FloatArray:
        """Pictures at places first <= n < stop; beyond the clip's ends the nearest."""
        own = np.array([self.frame_of(n) for n in range(first, stop)])
        own = np.clip(own, 0, self._reel.pictures.frames - 1)
        low = int(own[0])
        return np.asarray(self._reel.pictures.read(low, int(own[-1]) + 1)[own - low])


class Certainty(StrEnum):
    """What is known of a shot."""

    EXACT = "exact"
    """The clip and its picture."""
    CLIP_ONLY = "clip_only"
    """The clip, but too little moves to tell the picture."""
    OPEN = "open"
    """Several clips look like it, and nothing moves that would tell."""
    NO_CLIP = "no_clip"
    """None of the clips."""
    BLACK = "black"
    """Nothing is shown."""


@dataclass(frozen=True, slots=True)
class FoundShot:
    """A stretch of film from one clip without a jump."""

    first: int
    """Film frame."""
    stop: int
    """The film frame behind its last."""
    certainty: Certainty
    clip: int | None = None
    """Number of the clip; None where none is known."""
    start: int | None = None
    """Film frame n shows clip place start + n; None where only the clip is known."""
    frame_sd: float = float("nan")
    """How sure that is, film frames."""
    alike: float = 0.0
    """How alike film and clip look, 0 to 1."""
    support: float = 0.0
    """Logarithm of the odds by which movement speaks for it."""
    others: tuple[int, ...] = ()
    """Other clips that look as much like it, where nothing decides."""
    phase: float = 0.0
    """Pictures of the clip by which it starts behind its place, where the frame rates differ."""
    dissolve: int = 0
    """Film frames over which the shot before turns into it; 0 for a cut."""

    @property
    def place(self) -> int | None:
        """The clip's place of its first film frame."""
        return None if self.start is None else self.start + self.first


_SAME_RATE = 1e-5
"""Frame rates that differ by less are one: 24 and 24000/1001 differ by 1e-3."""

_PIECE, _HOP = 64, 32
"""Film frames of a piece that is looked for, and from one to the next: two and a half seconds tell a moment, and a shot
of one second still fills most of a piece of its own."""

_SHORTEST = 6
"""Film frames below which a piece tells nothing."""

_CHUNK = 1500
"""Film frames in which hypotheses compete at once: a minute, some 20 MB."""

_SEARCHED = 15_000
"""Places of a clip that are searched at once: ten minutes, some 60 MB."""

_LOOK_EVERY_S = 2.0
"""Seconds from one picture of a clip that is looked at to the next."""

_ALIKE, _ALIKE_MARGIN = 0.5, 0.12
"""What a clip must look like to be searched, and by how much less than the likeliest one."""

_MOST_CLIPS, _MOST_PLACES, _MOST_HYPOTHESES = 24, 3, 12
"""Clips searched for one piece, places kept in each, and hypotheses that compete in one stretch."""

# --- cuts that are seen ---

_CUT_RATIO, _CUT_LEVELS = 4.0, 1.5
"""A cut is seen where a picture differs from the last by this many times the usual step, and these levels more. A flash
that passes for one is mended: what goes on behind it is the same shot."""

_AROUND = 8
"""Film frames on either side that say what step is usual."""


def visible_cuts(film: Pictures) -> list[int]:
    """Film frames with which something else is shown; 0 is the first."""
    steps = np.zeros(film.frames)
    for first in range(0, film.frames, _CHUNK):
        start = max(first - 1, 0)
        part = film.read(start, min(first + _CHUNK, film.frames))
        steps[start + 1 : start + len(part)] = np.mean(np.abs(np.diff(part, axis=0)), axis=1)
    usual = median_filter(steps, 2 * _AROUND + 1, mode="nearest")
    cuts = [0]
    for n in np.flatnonzero(steps > _CUT_RATIO * usual + _CUT_LEVELS):
        if steps[n] >= np.max(steps[max(n - 2, 0) : n + 3]):
            cuts.append(int(n))
    return sorted(set(cuts))


# --- the search ---


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of film that is looked for."""

    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class _Vote:
    """A hypothesis from one piece."""

    piece: int
    clip: int
    start: int
    weight: float


def find_shots(
    film: Reel, clips: Sequence[Reel], *, progress: Callable[[float], None] = lambda _: None
) -> list[FoundShot]:
    """Cut a film into the shots it was made of.

    Parameters
    ----------
    film : Reel
    clips : sequence of Reel

    Returns
    -------
    list of FoundShot
        In order, without gaps, from the film's first picture to its last.
    """
    retimed = [clip.at_rate(film.rate) for clip in clips]
    cuts = [*visible_cuts(film.pictures), film.pictures.frames]
    spans = [
        (first, min(first + _CHUNK, stop))
        for begin, stop in itertools.pairwise(cuts)
        for first in range(begin, stop, _CHUNK)
    ]
    pieces, of_span = _pieces(spans)
    alike = _alike(film, retimed, pieces)
    votes = _votes(film, retimed, pieces, alike, lambda part: progress(0.7 * part))
    shots: list[FoundShot] = []
    for number, span in enumerate(spans):
        mine = [vote for vote in votes if of_span[vote.piece] == number]
        near = [vote for vote in votes if abs(of_span[vote.piece] - number) == 1]
        rows = [n for n, which in enumerate(of_span) if which == number]
        shots += _Span(film.pictures, retimed, span).shots(mine, near, alike[rows])
        progress(0.7 + 0.3 * (number + 1) / len(spans))
    found = []
    for shot in _joined(shots):
        sharp = _sharpened(shot, film.pictures, retimed)
        if sharp.certainty is not shot.certainty:
            # What movement names and cannot prove is no more than what looks tell: another take may look the same.
            inside = [n for n, piece in enumerate(pieces) if piece.first < shot.stop and piece.stop > shot.first]
            sharp = _by_looks(shot, alike[inside], least=_ALIKE)
        found.append(sharp)
    return _seams(found, film.pictures, retimed, set(cuts))


def _pieces(spans: Sequence[tuple[int, int]]) -> tuple[list[_Piece], list[int]]:
    pieces, of_span = [], []
    for number, (first, stop) in enumerate(spans):
        size = min(_PIECE, stop - first)
        starts = [*range(first, stop - size, _HOP), stop - size]
        for start in starts:
            pieces.append(_Piece(start, start + size))
            of_span.append(number)
    return pieces, of_span


def _alike(film: Reel, clips: Sequence[Retimed], pieces: Sequence[_Piece]) -> FloatArray:
    """How alike each piece and each clip look at best, shape (pieces, clips)."""
    middles = [np.median(film.pictures.read(piece.first, piece.stop), axis=0) for piece in pieces]
    looks = looks_of(np.stack(middles))
    alike = np.zeros((len(pieces), len(clips)), dtype=np.float32)
    every = max(1, round(_LOOK_EVERY_S * film.rate))
    for number, clip in enumerate(clips):
        places = range(min(every // 2, clip.length - 1), clip.length, every)
        of_clip = looks_of(np.concatenate([clip.read(place, place + 1) for place in places]))
        alike[:, number] = alikeness(looks, of_clip).max(axis=1)
    return alike


def _votes(
    film: Reel,
    clips: Sequence[Retimed],
    pieces: Sequence[_Piece],
    alike: FloatArray,
    progress: Callable[[float], None],
) -> list[_Vote]:
    """Where each piece may be from, by what moves in it."""
    votes = []
    wanted = (alike >= _ALIKE) & (alike >= alike.max(axis=1, keepdims=True) - _ALIKE_MARGIN)
    rank = np.argsort(np.argsort(-alike, axis=1), axis=1)
    wanted &= rank < _MOST_CLIPS
    motion = {
        n: pooled_motion(film.pictures.read(piece.first, piece.stop)).astype(np.float16)
        for n, piece in enumerate(pieces)
        if piece.stop - piece.first >= _SHORTEST and wanted[n].any()
    }
    for number, clip in enumerate(clips):
        mine = [n for n in motion if wanted[n, number]]
        if not mine or clip.length < _SHORTEST:
            continue
        for begin in range(0, max(clip.length - _SHORTEST, 1), _SEARCHED):
            searched = ClipMotion(_motion_of(clip, begin, min(begin + _SEARCHED + _PIECE, clip.length)), _PIECE)
            for n in mine:
                for place in searched.places(motion[n].astype(np.float32), _MOST_PLACES):
                    votes.append(_Vote(n, number, begin + place.first - pieces[n].first, place.correlation))
        progress((number + 1) / len(clips))
    return votes


def _motion_of(clip: Retimed, begin: int, end: int) -> FloatArray:
    """What changes between places begin <= n < end of a clip."""
    parts = []
    for first in range(begin, end, _CHUNK):
        start, stop = max(first - 1, 0), min(first + _CHUNK + 1, clip.length)
        part = pooled_motion(clip.read(start, stop))
        parts.append(part[first - start : first - start + min(_CHUNK, end - first)])
    return np.concatenate(parts)


# --- hypotheses that compete in one stretch ---

_STEADY, _STEADY_SHARP = 9, 5
"""Film frames of the running mean that is taken out of each cell. What is slower may be light or grading, and coders
leave slow movement as it was in the picture before, which puts it a picture or two late; so the shorter one, which
leaves least, says which picture it is exactly (on development films 25 was one or two pictures off in 6 shots of 17
and sure of it, 9 and 5 in none)."""

_NOISE = 0.03
"""Square of the least scatter of a cell, levels: coders leave at least that."""

_CAPPED = 6.0
"""Log odds that one picture may give at most: pictures in a row are alike, and so are their errors."""

_TRUST = 0.35
"""Part of the log odds that counts: cells next to each other share their errors, and so do pictures."""

_KEPT_LEAST = 0.3
"""Part of the movement that a film must show of a clip at least."""

_AGAINST = 4.0
"""Log odds that one picture may take away at most: somebody walks into a title."""

_NOBODY = -0.3
"""Log odds of a picture that no hypothesis explains, so that what goes on without moving is the same shot."""

_STILL_EVERY, _STILL_MARGIN = 8, 0.05
"""Every so many frames one is looked at, and those that look less alike than the best by more show something else."""

_SWITCH = 40.0
"""Log odds that a change of hypothesis costs: one in a million, as there are so many moments that might follow, and
as much again, since errors come in rows."""

_EXACT = 30.0
"""Log odds by which movement must speak for a hypothesis before its picture is called known."""

_EXACT_SHARP = 21.0
"""The same by what changes from picture to picture alone, which has less to say."""

_FRAME_SD = 0.7
"""Pictures by which an exact place may be unsure: half of all shots said so would else be one off."""

_BLACK_LUMA, _BLACK_STRUCTURE = 12.0, 2.0
"""Levels: a picture no brighter than black (0) and a little, without structure, is black."""


class _Span:
    """A stretch of film without a cut that is seen."""

    def __init__(self, film: Pictures, clips: Sequence[Retimed], span: tuple[int, int]) -> None:
        self._clips = clips
        self._first, self._stop = span
        self._film = film.read(*span)

    def shots(self, votes: Sequence[_Vote], near: Sequence[_Vote], alike: FloatArray) -> list[FoundShot]:
        """The likeliest sequence of shots."""
        black = (self._film.mean(axis=1) < _BLACK_LUMA) & (self._film.std(axis=1) < _BLACK_STRUCTURE)
        hypotheses, rows = [], []
        for clip, start in _hypotheses(votes, near):
            found = explained(self._film, self._clips[clip], start + self._first).each
            if _best_stretch(found) >= _EXACT:
                hypotheses.append((clip, start))
                rows.append(found)
        scores = np.stack([np.full(len(self._film), _NOBODY), *rows], axis=1)
        path = _viterbi(scores)
        self._absorb(path, hypotheses)
        path[black] = -1
        edges = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
        out = []
        for first, stop in itertools.pairwise(edges):
            which = int(path[first])
            whole = FoundShot(self._first + first, self._first + stop, Certainty.BLACK)
            if which == 0:
                whole = _by_looks(whole, alike)
            elif which > 0:
                clip, start = hypotheses[which - 1]
                support = float(np.sum(scores[first:stop, which]))
                whole = replace(whole, certainty=Certainty.EXACT, clip=clip, start=start, support=support)
            out.append(whole)
        return out

    def _absorb(self, path: npt.NDArray[np.intp], hypotheses: Sequence[tuple[int, int]]) -> None:
        """Give a few pictures that nothing explains to the shot beside them, where they look like it."""
        edges = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
        for first, stop in itertools.pairwise(edges):
            beside = [int(path[n]) for n in (first - 1, stop) if 0 <= n < len(path)]
            if path[first] != 0 or not beside or stop - first > _ABSORBED or max(beside) <= 0:
                continue
            middle = (first + stop) // 2
            for which in beside:
                if which > 0:
                    clip, start = hypotheses[which - 1]
                    place = start + self._first + middle
                    there = looks_of(self._clips[clip].read(place, place + 1))
                    if alikeness(looks_of(self._film[middle : middle + 1]), there)[0, 0] >= _LOOKS_ALONE:
                        path[first:stop] = which
                        break


_ABSORBED = 40
"""Film frames that nothing explains and that still belong to the shot they look like."""

_LOOKS_ALONE = 0.8
"""How alike a clip must look to be named by its looks alone."""


def _by_looks(shot: FoundShot, alike: FloatArray, *, least: float = _LOOKS_ALONE) -> FoundShot:
    """A stretch in which nothing moves that is known, by what it looks like: shape of `alike` (pieces, clips)."""
    plain = FoundShot(shot.first, shot.stop, Certainty.NO_CLIP)
    best = alike.max(axis=0) if len(alike) else np.zeros(alike.shape[1])
    if not len(best) or best.max() < least:
        return replace(plain, alike=float(best.max(initial=0.0)))
    order = np.argsort(-best)
    others = tuple(int(n) for n in order[1:] if best[n] > best[order[0]] - _ALIKE_MARGIN / 2)
    certainty = Certainty.OPEN if others else Certainty.CLIP_ONLY
    return replace(plain, certainty=certainty, clip=int(order[0]), alike=float(best[order[0]]), others=others)


def _hypotheses(votes: Sequence[_Vote], near: Sequence[_Vote]) -> list[tuple[int, int]]:
    """The hypotheses with the most votes; those of neighbouring stretches count too, and less."""
    weight: dict[tuple[int, int], float] = {}
    for group, factor in ((votes, 1.0), (near, 0.3)):
        for vote in group:
            key = vote.clip, vote.start
            weight[key] = weight.get(key, 0.0) + factor * vote.weight
    chosen: list[tuple[int, int]] = []
    for clip, start in sorted(weight, key=lambda key: -weight[key]):
        # One picture beside another that has more votes is the same hypothesis, not yet sharp.
        if all(other != clip or abs(begun - start) > 1 for other, begun in chosen):
            chosen.append((clip, start))
        if len(chosen) == _MOST_HYPOTHESES:
            break
    return chosen


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """How much of a film's movement a hypothesis explains."""

    each: FloatArray
    """Log odds of each film frame against nothing being explained, shape (frames,)."""
    shift: tuple[float, float]
    """How far the clip's picture is moved, cells down and right."""


def explained(
    film: FloatArray, clip: Retimed, place: int, *, shift: tuple[float, float] | None = None, steady: int = _STEADY
) -> Explained:
    """How much of a film's movement each picture of a hypothesis explains.

    Parameters
    ----------
    film : ndarray, shape (frames, cells)
    clip : Retimed
    place : int
        The clip's place of the first frame.
    shift : (float, float), optional
        How the clip's picture lies on the film's; found where nothing is said.
    steady : int
        Frames of the running mean that is taken out.
    """
    low, high = max(0, -place), min(len(film), clip.length - place)
    each = np.full(len(film), -_AGAINST)
    if high - low < 2:
        return Explained(each, (0.0, 0.0))
    seen, there = film[low:high], clip.read(place + low, place + high)
    still = _alike_pictures(seen, there)
    if shift is None:
        shift = best_shift(*still)
    moved = shifted(there, shift)
    own, other = _fast(seen, steady), _without_noise(_fast(moved, steady))
    # The film's contrast says how strongly movement must show: a gain fitted to the movement would let any
    # movement explain a little of any other.
    gain = contrast_gains(still[0], shifted(still[1][np.newaxis], shift)[0])
    own, other = own * (gain > 0), gain * other
    # Coders and scaling take some of what moves; the right picture keeps a good part of it.
    kept = float(np.sum(own * other, dtype=np.float64) / max(float(np.sum(other**2, dtype=np.float64)), 1e-9))
    other = np.float32(np.clip(kept, _KEPT_LEAST, 1.2)) * other
    rest = own - other
    scatter = (1.4826 * np.median(np.abs(rest), axis=0)) ** 2 + _NOISE
    # In a cell that rests most of the time the scatter is the coder's; where it moves, more is left unexplained.
    scatter = scatter + 0.05 * np.mean(other**2, axis=0)
    odds = np.sum((own**2 - rest**2) / scatter, axis=1) / 2
    each[low:high] = np.clip(_TRUST * odds, -_AGAINST, _CAPPED)
    return Explained(each, shift)


def _fast(pictures: FloatArray, steady: int) -> FloatArray:
    """What changes faster than so many pictures; what all cells have in common is taken out."""
    fast = pictures - uniform_filter1d(pictures, steady, axis=0, mode="nearest")
    return np.asarray(fast - np.median(fast, axis=1, keepdims=True))


def _without_noise(fast: FloatArray) -> FloatArray:
    """What moves, without what the coder adds where nothing does: that would speak against the right picture."""
    # Most cells rest most of the time; those that do not are no measure of the coder. Its worst, where a picture is
    # coded anew, makes a wall that rests seem to move, alike in every clip of that wall.
    worst = np.quantile(np.abs(fast), 0.97, axis=0)
    noise = max(float(np.quantile(worst, 0.5)) ** 2 / 2, _NOISE)
    views = as_views(fast**2)
    power = uniform_filter(views, (3, 3, 3), mode="nearest").reshape(fast.shape)
    return np.asarray(fast * np.maximum(0.0, 1.0 - 2.0 * noise / np.maximum(power, 1e-9)), dtype=np.float32)


def _alike_pictures(seen: FloatArray, there: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What film and clip usually show where they look alike: a stretch with a dissolve in it shows two clips."""
    some = np.arange(0, len(seen), _STILL_EVERY)
    alike = alike_each(looks_of(seen[some]), looks_of(there[some]))
    some = some[alike >= alike.max() - _STILL_MARGIN]
    return np.median(seen[some], axis=0), np.median(there[some], axis=0)


def _best_stretch(each: FloatArray) -> float:
    """The largest sum of frames in a row."""
    sums = np.concatenate([[0.0], np.cumsum(each)])
    return float(np.max(sums - np.minimum.accumulate(sums)))


def _viterbi(scores: FloatArray) -> npt.NDArray[np.intp]:
    """The likeliest hypothesis of each frame, shape (frames,), where every change costs."""
    frames, states = scores.shape
    best = scores[0].copy()
    came = np.zeros((frames, states), dtype=np.intp)
    own = np.arange(states)
    for n in range(1, frames):
        top = int(np.argmax(best))
        jump = best[top] - _SWITCH > best
        came[n] = np.where(jump, top, own)
        best = np.where(jump, best[top] - _SWITCH, best) + scores[n]
    path = np.empty(frames, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for n in range(frames - 1, 0, -1):
        path[n - 1] = came[n, path[n]]
    return path


# --- shots that go on ---


def _joined(shots: Sequence[FoundShot]) -> list[FoundShot]:
    """Shots that go on behind a seam, as one."""
    out: list[FoundShot] = []
    for shot in shots:
        last = out[-1] if out else None
        if last is not None and _goes_on(last, shot):
            out[-1] = _one(last, shot)
            # What was joined may in turn go on behind what lies before it.
            while len(out) > 1 and _goes_on(out[-2], out[-1]):
                out[-2:] = [_one(out[-2], out[-1])]
        else:
            out.append(shot)
    return out


def _goes_on(last: FoundShot, shot: FoundShot) -> bool:
    if last.certainty is Certainty.EXACT and shot.certainty is Certainty.EXACT:
        return last.clip == shot.clip and last.start == shot.start
    return last.certainty == shot.certainty and last.clip == shot.clip and last.certainty is not Certainty.EXACT


def _one(last: FoundShot, shot: FoundShot) -> FoundShot:
    return replace(
        last,
        stop=shot.stop,
        support=last.support + shot.support,
        alike=max(last.alike, shot.alike),
        others=tuple(sorted({*last.others, *shot.others})),
    )


# --- a moment that is known from elsewhere ---

_CONFIRMED = 6.0
"""Log odds by which movement must speak for one of a few moments that the sound names: there are few, so less is
enough than among all moments of all clips."""

_HEARD_BESIDE = 6
"""Film frames by which sound that names the moment may itself be early or late."""


def confirmed(shot: FoundShot, film: Pictures, clip: Retimed, number: int, start: int) -> FoundShot | None:
    """A shot whose moment the sound names, where what moves agrees; None where it does not, or does not tell.

    Parameters
    ----------
    shot : FoundShot
        Whose moment, or clip, is open.
    clip : Retimed
        The clip that the sound names, and `number`, its number.
    start : int
        Film frame n shows clip place start + n, by the sound.
    """
    if shot.stop - shot.first < _SHORTEST:
        return None
    seen = film.read(shot.first, min(shot.stop, shot.first + _MOST_SHARPENED))
    starts = range(start - _HEARD_BESIDE, start + _HEARD_BESIDE + 1)
    each = [explained(seen, clip, one + shot.first).each for one in starts]
    odds = np.array([float(np.sum(one)) for one in each])
    best = int(np.argmax(odds))
    if odds[best] < _CONFIRMED:
        return None
    asked = replace(
        shot, certainty=Certainty.EXACT, clip=number, start=starts[best], others=(), support=max(odds[best], _EXACT)
    )
    sharp = _sharpened(asked, film, [clip] * (number + 1), least=_CONFIRMED, least_agreement=_AGREES_NAMED)
    return sharp if sharp.certainty is Certainty.EXACT else None


# --- sharpened ---

_BESIDE = 3
"""Pictures on either side that are tried when all of a shot is known."""

_TRUST_BESIDE = 0.3
"""Part of the log odds between pictures beside each other that counts: coders leave some movement a picture late, in
all cells alike, and a frame that is called sure must not be one off."""

_MOST_AGREEING, _MEMORY = 400, 12
"""Film frames whose movement is held against the clip's at once, and frames over which movement remembers itself."""

_AGREES = 5.5
"""Standard deviations by which movement must agree: one in fifty million, as every piece is sought in 10^5 places."""

_AGREES_NAMED = 2.5
"""The same where the sound names the moment."""

_MOST_SHARPENED = 1000
"""Film frames of a shot by which its picture is made sure: more makes it no surer."""


def _sharpened(
    shot: FoundShot,
    film: Pictures,
    clips: Sequence[Retimed],
    *,
    least: float = _EXACT_SHARP,
    least_agreement: float = _AGREES,
) -> FoundShot:
    """A shot with the picture that explains all of it best, and how sure that is."""
    if shot.certainty is not Certainty.EXACT or shot.clip is None or shot.start is None:
        return shot
    stop = min(shot.stop, shot.first + _MOST_SHARPENED)
    seen = film.read(shot.first, stop)
    shift = explained(seen, clips[shot.clip], shot.start + shot.first).shift
    starts = range(shot.start - _BESIDE, shot.start + _BESIDE + 1)
    ways = [(start, clip) for start in starts for clip in clips[shot.clip].phases()]
    odds = np.array(
        [
            np.sum(explained(seen, clip, start + shot.first, shift=shift, steady=_STEADY_SHARP).each)
            for start, clip in ways
        ]
    )
    best = int(np.argmax(odds))
    start, clip = ways[best]
    weights = np.exp(_TRUST_BESIDE * (odds - odds[best]))
    weights /= weights.sum()
    moments = np.array([one + other.phase / max(clip.ratio, 1e-9) for one, other in ways])
    sd = float(np.sqrt(np.sum(weights * (moments - moments[best]) ** 2)))
    if abs(clip.ratio - round(clip.ratio)) > _SAME_RATE:
        # Pictures that are shown unevenly say the moment to one of the clip's.
        sd = float(np.hypot(sd, 1.0 / clip.ratio / np.sqrt(12)))
    place = int(np.clip(start + (shot.first + stop) // 2, 0, clip.length - 1))
    there = looks_of(shifted(clip.read(place, place + 1), shift))
    alike = float(alikeness(looks_of(np.median(seen, axis=0)[np.newaxis]), there)[0, 0])
    agrees = agreement(seen[:_MOST_AGREEING], clip, start + shot.first, shift)
    known = shot.support >= _EXACT and odds[best] >= least and sd < _FRAME_SD and agrees >= least_agreement
    certainty = Certainty.EXACT if known else Certainty.CLIP_ONLY
    return replace(
        shot,
        start=start if known else None,
        phase=clip.phase,
        certainty=certainty,
        frame_sd=sd,
        alike=alike,
        support=float(odds[best]),
    )


def agreement(film: FloatArray, clip: Retimed, place: int, shift: tuple[float, float]) -> float:
    """By how many standard deviations film and clip move alike more than two that have nothing to do with each other.

    Those would move at the same places, as slowly, and each part of a body with the others: what is alike by chance in
    a second or two is much. The scatter of the sum of products is that of a movement with the film's own correlation in
    time and from cell to cell.
    """
    low, high = max(0, -place), min(len(film), clip.length - place)
    if high - low < _SHORTEST:
        return 0.0
    seen, there = film[low:high], clip.read(place + low, place + high)
    still = _alike_pictures(seen, there)
    gain = contrast_gains(still[0], shifted(still[1][np.newaxis], shift)[0])
    own = _fast(seen, _STEADY) * (gain > 0)
    other = gain * _without_noise(_fast(shifted(there, shift), _STEADY))
    across = (other @ own.T).astype(np.float64)
    frames = len(across)
    power = float(np.sum(own**2, dtype=np.float64))
    if power <= 0 or not np.any(across):
        return 0.0
    in_time = np.array([np.sum(own[: frames - lag] * own[lag:], dtype=np.float64) / power for lag in range(_MEMORY)])
    spread = across @ across.T / frames
    scatter = float(np.trace(spread))
    for lag in range(1, min(_MEMORY, frames)):
        scatter += 2.0 * float(in_time[lag]) * float(np.trace(spread, offset=lag))
    return float(np.trace(across) / np.sqrt(max(scatter, 1e-12)))


# --- where one shot becomes the next ---

_SEAM = 45
"""Film frames on either side of a seam in which it is looked for: a dissolve lasts up to some three seconds."""

_LEAST_SEAM = 4
"""Film frames that a shot must have on its side."""

_TOLD_APART = 2.0
"""Square of levels, mean of all cells, by which two shots must differ before a dissolve can be told from a cut."""

_MIXED = 0.08
"""Part of the one picture in the other from which on a frame counts as mixed."""


def _seams(shots: Sequence[FoundShot], film: Pictures, clips: Sequence[Retimed], cuts: set[int]) -> list[FoundShot]:
    """Shots with the seams that no jump shows put where the one picture becomes the other."""
    out = list(shots)
    for n in range(1, len(out)):
        before, after = out[n - 1], out[n]
        if after.first in cuts or before.start is None or after.start is None:
            continue
        seam, dissolve = _seam(before, after, film, clips)
        out[n - 1] = replace(before, stop=seam)
        out[n] = replace(after, first=seam, dissolve=dissolve)
    return out


def _seam(before: FoundShot, after: FoundShot, film: Pictures, clips: Sequence[Retimed]) -> tuple[int, int]:
    """The film frame with which one shot becomes the next, and over how many frames it does."""
    low = max(before.first + _LEAST_SEAM, after.first - _SEAM)
    high = min(after.stop - _LEAST_SEAM, after.first + _SEAM)
    if high - low < 2 * _LEAST_SEAM:
        return after.first, 0
    seen = film.read(low, high)
    each = _LEAST_SEAM + min(after.first - low, high - after.first) // 4
    one = _as_seen(seen, _there(before, clips, low, high), slice(0, each))
    other = _as_seen(seen, _there(after, clips, low, high), slice(len(seen) - each, len(seen)))
    apart = other - one
    power = np.sum(apart**2, axis=1)
    if np.median(power) / seen.shape[1] < _TOLD_APART:
        gone = np.sum((seen - one) ** 2 - (seen - other) ** 2, axis=1)
        sums = np.concatenate([[0.0], np.cumsum(gone)])
        return low + int(np.argmin(sums[_LEAST_SEAM:-_LEAST_SEAM])) + _LEAST_SEAM, 0
    part = np.sum((seen - one) * apart, axis=1) / np.maximum(power, 1e-6)
    over = np.flatnonzero(part > 0.5)
    middle = int(over[0]) if len(over) else after.first - low
    mixed = (part > _MIXED) & (part < 1 - _MIXED)
    first, last = middle, middle
    while first > 0 and mixed[first - 1]:
        first -= 1
    while last < len(mixed) and mixed[last]:
        last += 1
    return low + middle, last - first if last - first > _LEAST_SEAM - 1 else 0


def _there(shot: FoundShot, clips: Sequence[Retimed], low: int, high: int) -> FloatArray:
    assert shot.clip is not None
    assert shot.start is not None
    return clips[shot.clip].read(shot.start + low, shot.start + high)


def _as_seen(seen: FloatArray, there: FloatArray, pure: slice) -> FloatArray:
    """A clip's pictures as the film shows them, by what some of its frames are known to be."""
    film, clip = seen[pure].mean(axis=0), there[pure].mean(axis=0)
    gain = float(np.cov(film, clip)[0, 1] / max(np.var(clip), 1e-6))
    return np.asarray(film + np.clip(gain, 0.2, 3.0) * (there - clip))
