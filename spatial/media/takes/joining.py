"""Takes in several files: which recordings continue each other without a break.

Goal: a recorder splits long takes (at 2 or 4 GB, or by time); named together they are one take again. Two takes that
merely follow each other must stay two, so in doubt files are kept apart.
Method: files join where they are of one kind and
- the next one's time of day is the end of the one before, to the sample;
- or it is that to a video frame, and the sound runs on;
- or neither has a time of day, the names count on, the one before is long enough to have been split, and the sound runs
  on;
- or the names count on and the next one begins with the very samples that the one before ends with (an overlap: they
  are used once);
- or the names count on and its time of day shows that less than a second was lost between them (a gap: it is read as
  silence, so that what follows stays in its place).
Notes: how channels are to be read may not be known yet, so they are looked at as the files have them. Whether the sound
runs on is judged against chance: linear prediction from the sound before the join meets the first samples after it as
closely as it meets samples anywhere, where foreign sound would lie as far off as sound spreads. White noise cannot be
predicted, and one silence or fade fits any other: no evidence, no join.
Conventions: time of day as in spatial.media.wav.metadata.
Functions: join_takes; joined (two that are known to continue each other); missing_parts, time_between (of takes that
were not joined); sound_runs_on, repeated_samples (the sound on both sides of a join).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spatial.conventions import FIRST_ORDER_CHANNELS, FloatArray
from spatial.errors import MediaFileError
from spatial.findings import Code, Finding, Severity
from spatial.media.takes.take import FieldReader, Take
from spatial.timebase import DAY_S

# --- sound on both sides of a join ---

_WINDOW = 2048
"""Samples on either side from which the sound's nature is learnt: 43 ms at 48 kHz."""

_ORDER = 16
"""Samples of each channel that predict the next, and samples after the join that are predicted."""

_EDGE = 64
"""Samples next to the join that must be as loud as the rest: at the end of a fade anything fits anything."""

_EDGE_LEAST = 0.15
"""Their least level against the window's; the end of a straight fade has 1/32."""

_LEAST_LOG_ODDS = 12.0
"""Sound that runs on is likelier than chance by e^12 at least: once in 160 000 pairs of foreign files."""

MOST_REPEATED_S = 2.0
"""A recorder that splits repeats no more (common practice, no source)."""

_SAME_LEAST = 16
"""Samples of all channels that must be the same for an overlap: sound never repeats itself to the last bit."""

_FLOOR = 1e-6
"""Added to the variance of every channel, of the mean error: channels that say the same twice count once."""


def sound_runs_on(first: Take, second: Take) -> bool:
    """Whether nothing but an unbroken recording would fit at the join so well."""
    if min(first.samples, second.samples) < _WINDOW:
        return False
    try:
        before, after = _around(first, second, _WINDOW)
    except MediaFileError:
        return False  # who reads the take will hear of it
    both = np.concatenate([before, after], axis=1).astype(np.float64)
    live = [channel for channel in both if np.isfinite(channel).all() and np.ptp(channel) > 0][:FIRST_ORDER_CHANNELS]
    if not live:
        return False
    before, after = np.split(np.stack(live), 2, axis=1)
    # Forward and backward in time: a bang on one side alone must not hide a break.
    return _fits(before, after) and _fits(after[:, ::-1], before[:, ::-1])


def repeated_samples(first: Take, second: Take) -> int:
    """Samples at the end of the first that the second begins with, to the bit; 0 where there are none."""
    reach = min(first.samples, second.samples, round(MOST_REPEATED_S * first.rate_hz))
    if reach < _SAME_LEAST:
        return 0
    try:
        before, after = _around(first, second, reach)
    except MediaFileError:
        return 0  # who reads the take will hear of it
    starts = np.lib.stride_tricks.sliding_window_view(before, _SAME_LEAST, axis=1)
    same = np.ones(starts.shape[1], dtype=bool)
    for sample in range(_SAME_LEAST):
        same &= (starts[:, :, sample] == after[:, sample : sample + 1]).all(axis=0)
    for start in np.flatnonzero(same):
        tail = before[:, start:]
        # One silence is like any other.
        if np.ptp(tail[:, :_SAME_LEAST], axis=1).any() and np.array_equal(tail, after[:, : tail.shape[1]]):
            return int(tail.shape[1])
    return 0


def _around(first: Take, second: Take, samples: int) -> tuple[FloatArray, FloatArray]:
    """All channels of the last samples of one take and the first of another, as the files have them."""
    with FieldReader(first) as reader:
        before = reader.read_raw(first.samples - samples, first.samples)
    with FieldReader(second) as reader:
        return before, reader.read_raw(0, samples)


def _fits(before: FloatArray, after: FloatArray) -> bool:
    """Whether `after` goes on where `before` ends, both of shape (channels, _WINDOW)."""
    live = np.ptp(before, axis=1) > 0
    level = (before[live] - before[live].mean(axis=1, keepdims=True)) ** 2
    if not live.any() or level[:, -_EDGE:].mean() < _EDGE_LEAST**2 * level.mean():
        return False
    return _log_odds(before[live], after[live]) > _LEAST_LOG_ODDS


def _log_odds(before: FloatArray, after: FloatArray) -> float:
    """How much likelier (natural logarithm) the first samples of `after` are following `before` than foreign to it.

    Both have shape (channels, _WINDOW) and are taken for Gaussian processes of the nature that `before` shows: each
    sample is predicted from the _ORDER before it, or from those of them that lie in `after`.
    """
    whole = np.concatenate([before, after[:, :_ORDER]], axis=1)
    following = _prediction_errors(whole, _ORDER)
    floor = _FLOOR * np.mean(following[:, _ORDER:_WINDOW] ** 2) + np.finfo(np.float64).tiny
    odds = 0.0
    for known in range(_ORDER):
        foreign = _prediction_errors(whole, known)
        place = _WINDOW + known
        odds += _log_likelihood(following, place, floor) - _log_likelihood(foreign, place, floor)
    return odds


def _prediction_errors(channels: FloatArray, order: int) -> FloatArray:
    """Errors of linear prediction from the `order` samples before, as learnt from the first _WINDOW."""
    errors = np.zeros_like(channels)
    for channel, error in zip(channels, errors, strict=True):
        frames = np.lib.stride_tricks.sliding_window_view(channel, order + 1)
        known, present = np.column_stack([frames[:, :order], np.ones(len(frames))]), frames[:, order]
        learnt = slice(_WINDOW - order)
        error[order:] = present - known @ np.linalg.lstsq(known[learnt], present[learnt], rcond=None)[0]
    return errors


def _log_likelihood(errors: FloatArray, place: int, floor: float) -> float:
    """Of the errors in all channels at a place, by their covariance over the window; a constant left out."""
    usual = errors[:, _ORDER:_WINDOW]
    covariance = usual @ usual.T / (_WINDOW - 2 * _ORDER) + floor * np.eye(len(errors))
    miss = errors[:, place]
    return float(-0.5 * (np.linalg.slogdet(covariance)[1] + miss @ np.linalg.solve(covariance, miss)))


# --- joining ---

_MOST_MISSING = 3
"""Names that count past more files than this are not those of one recording's parts."""

_FRAME_S = 0.04
"""Time of day may be written in whole video frames of 1/25 s."""

_HALF_DAY_S = DAY_S / 2
"""Times of day that lie further apart are nearer the other way, over midnight."""

_SPLIT_S, _SPLIT_BYTES = 60.0, 100_000_000
"""No recorder splits earlier than this (common practice, no source)."""

_LOST_S = 1.0
"""A recorder that splits loses no more (common practice, no source)."""

_FRAME_RATES = (24.0, 25.0, 30.0, 24_000 / 1001, 30_000 / 1001)
"""Frames per second by which a time of day may be rounded."""


@dataclass(frozen=True, slots=True)
class _Join:
    """How one file goes on from another: perfectly, or with samples repeated or lost."""

    repeated: int = 0
    lost: int = 0
    lost_by: str = "by their time of day"


def join_takes(takes: Sequence[Take]) -> list[Take]:
    """Make one take of those that continue each other.

    Parameters
    ----------
    takes : sequence of Take
        In any order; all opened with one channel format, which may still be to be found out.

    Returns
    -------
    list of Take
        In order of the first of their files given; the parts of each in order of time. A file named twice counts once.
    """
    takes = list({tuple(path.resolve() for path in take.paths): take for take in takes}.values())
    follower = _followers(takes)
    joined: list[tuple[int, Take]] = []
    left = set(range(len(takes)))
    for head in sorted(left - {second for second, _ in follower.values()}):
        chain, joins = [head], []
        while chain[-1] in follower:
            following, join = follower[chain[-1]]
            chain.append(following)
            joins.append(join)
        left -= set(chain)
        joined.append((min(chain), _whole([takes[index] for index in chain], joins)))
    # What is left follows itself round the clock, which no recording does.
    joined += [(index, takes[index]) for index in left]
    return [take for _, take in sorted(joined, key=lambda entry: entry[0])]


def joined(first: Take, second: Take, *, lost_s: float = 0.0) -> Take | None:
    """One take of two that something else tells to continue each other.

    Parameters
    ----------
    first, second : Take
    lost_s : float
        Time between them, read as silence.

    Returns
    -------
    Take or None
        None where they are of different kinds; or where time was lost, unless their names count on and it is no more
        than a recorder loses.
    """
    if _kind(first) != _kind(second) or set(first.paths) & set(second.paths):
        return None
    if lost_s > 0.0 and (lost_s > _LOST_S or not _names_count_on(first, second)):
        return None
    return _whole([first, second], [_Join(lost=round(lost_s * first.rate_hz), lost_by="by a clip's own sound")])


def missing_parts(first: Take, second: Take, gap_s: float | None = None) -> list[str]:
    """Names of the files that seem to be missing between two takes that may be parts of one.

    Parameters
    ----------
    first, second : Take
    gap_s : float, optional
        Time between the end of the first and the start of the second, where something else than their times of day
        tells it.

    Returns
    -------
    list of str
        Empty where their names do not count past any, they are of different kinds, their times of day tell another
        gap, or neither these nor anything else tell one.
    """
    names = _names_between(first, second)
    if not names or _kind(first) != _kind(second):
        return []
    late_s = time_between(first, second)
    if late_s is None:
        return names if gap_s is not None and gap_s > 0 and _was_split(first) else []
    return names if late_s > 0 and (gap_s is None or abs(late_s - gap_s) <= 2 * _FRAME_S) else []


def time_between(first: Take, second: Take) -> float | None:
    """Seconds from the end of one take to the start of another by their times of day; None where one has none."""
    if first.start_of_day_s is None or second.start_of_day_s is None:
        return None
    late_s = second.start_of_day_s - first.start_of_day_s - first.duration_s
    return (late_s + _HALF_DAY_S) % DAY_S - _HALF_DAY_S


def _whole(chain: Sequence[Take], joins: Sequence[_Join]) -> Take:
    if len(chain) == 1:
        return chain[0]
    parts = list(chain[0].parts)
    findings = list(chain[0].findings)
    for before, take, join in zip(chain, chain[1:], joins, strict=False):
        first, *rest = take.parts
        first = replace(
            first,
            samples=first.samples - join.repeated,
            skip=first.skip + join.repeated,
            gap=first.gap + join.lost,
        )
        parts += [first, *rest]
        findings += [*_join_findings(before, take, join), *take.findings]
    samples = sum(part.gap + part.samples for part in parts)
    return replace(chain[0], samples=samples, parts=tuple(parts), findings=tuple(findings))


def _join_findings(before: Take, take: Take, join: _Join) -> list[Finding]:
    pair, rate = f"{before.parts[-1].path.name} and {take.path.name}", take.rate_hz
    if join.lost:
        message = (
            f"{join.lost} samples ({join.lost / rate * 1e3:.1f} ms) were lost between {pair}, {join.lost_by}: "
            "they are read as silence; listen there"
        )
        return [Finding(Code.DROPOUT, Severity.LOOK, message, take.path.name)]
    if join.repeated:
        message = (
            f"the last {join.repeated} samples ({join.repeated / rate * 1e3:.1f} ms) of {before.parts[-1].path.name} "
            f"stand at the start of {take.path.name} again, to the bit: they are used once"
        )
        return [Finding(Code.DROPOUT, Severity.NOTE, message, take.path.name)]
    return []


def _followers(takes: Sequence[Take]) -> dict[int, tuple[int, _Join]]:
    """The take that continues each, where there is exactly one, and it continues no other."""
    pairs = [
        (first, second, join)
        for first in range(len(takes))
        for second in range(len(takes))
        if first != second and (join := _join(takes[first], takes[second])) is not None
    ]
    firsts, seconds = ([pair[side] for pair in pairs] for side in (0, 1))
    return {
        first: (second, join)
        for first, second, join in pairs
        if firsts.count(first) == 1 and seconds.count(second) == 1
    }


def _join(first: Take, second: Take) -> _Join | None:
    """How the second goes on from the first; None where it does not."""
    if _kind(first) != _kind(second) or set(first.paths) & set(second.paths):
        return None
    counts_on = _was_split(first) and _names_count_on(first, second)
    if first.start_of_day_s is None and second.start_of_day_s is None:
        if not counts_on:
            return None
        if repeated := repeated_samples(first, second):
            return _Join(repeated=repeated)
        return _Join() if sound_runs_on(first, second) else None
    late_s = time_between(first, second)
    if late_s is None or _dates_disagree(first, second):
        return None
    if abs(late_s) * first.rate_hz < 1.0:
        return _Join()
    if -MOST_REPEATED_S <= late_s <= _FRAME_S and counts_on and (repeated := repeated_samples(first, second)):
        return _Join(repeated=repeated)
    if abs(late_s) <= _FRAME_S and sound_runs_on(first, second):
        return _Join()
    # A time of day in whole frames does not show how many samples were lost.
    told = not all(_in_frames(take.start_of_day_s) for take in (first, second))
    return _Join(lost=round(late_s * first.rate_hz)) if 0.0 < late_s <= _LOST_S and counts_on and told else None


def _in_frames(time_s: float | None) -> bool:
    return time_s is not None and any(abs(time_s * rate - round(time_s * rate)) < 1e-3 for rate in _FRAME_RATES)


def _kind(take: Take) -> tuple[object, ...]:
    # The first part may be long enough for RF64 and the last one not.
    container = "WAV" if take.container in ("RF64", "BW64") else take.container
    shape = take.channels, len(take.parts[0].beside), take.picked
    return take.rate_hz, shape, take.subtype, container, take.channel_format


def _dates_disagree(first: Take, second: Take) -> bool:
    """Whether they are of different days; some recorders write the first part's time into all of them."""
    if first.origination is None or second.origination is None:
        return False
    apart_s = (second.origination - first.origination).total_seconds()
    return abs(apart_s - first.duration_s) > _HALF_DAY_S


def _was_split(take: Take) -> bool:
    last = take.parts[-1]
    try:
        return last.samples > _SPLIT_S * take.rate_hz or last.path.stat().st_size > _SPLIT_BYTES
    except OSError:
        return False


def _names_count_on(first: Take, second: Take) -> bool:
    """Whether two files in one folder differ in one number, higher by one, or in a last letter, the next one."""
    return _names_between(first, second) == []


def _names_between(first: Take, second: Take) -> list[str] | None:
    """Names of the files that the names of two takes in one folder count past; None where they do not count on."""
    before, after = first.parts[-1].path, second.parts[0].path
    if before.parent != after.parent or before.suffix.lower() != after.suffix.lower():
        return None
    words, others = (re.split(r"(\d+)", path.stem) for path in (before, after))
    if len(words) != len(others):
        return None
    places = [n for n, (word, other) in enumerate(zip(words, others, strict=True)) if word != other]
    if len(places) != 1:
        return None
    place = places[0]
    word, other = words[place], others[place]
    if word.isdecimal() and other.isdecimal():
        # Names may be years apart: what is too much is not listed.
        last = min(int(other), int(word) + _MOST_MISSING + 2)
        between = [f"{number:0{len(word)}d}" for number in range(int(word) + 1, last)]
        counts_on = int(other) > int(word)
    else:
        letters = re.fullmatch(r"(.*[^A-Za-z]|)([A-Ya-y])", word), re.fullmatch(r"(.*[^A-Za-z]|)([B-Zb-z])", other)
        if letters[0] is None or letters[1] is None or place != len(words) - 1 or letters[0][1] != letters[1][1]:
            return None
        first_letter, last_letter = ord(letters[0][2]), ord(letters[1][2])
        between = [letters[0][1] + chr(letter) for letter in range(first_letter + 1, last_letter)]
        counts_on = last_letter > first_letter
    if not counts_on or len(between) > _MOST_MISSING:
        return None
    return ["".join([*words[:place], name, *words[place + 1 :]]) + before.suffix for name in between]
