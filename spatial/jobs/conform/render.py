"""A take as its clip needs it: de-drifted, turned, at the delivery rate, exactly as long as the clip.

Goal: the samples of the delivered track, in a stream, with the turn that makes the field face the lens at every moment:
how the microphone sat, how the camera moved over it, how the picture was levelled.
Conventions: spatial.conventions (mount).
Functions: on_clip_time (in a stream); narrow_on_clip_time (other recordings, which are not turned); track_turn (turns
block after block); moves_findings (what the moves leave open).
"""

from collections.abc import Callable, Iterator

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.field import rewire_field
from spatial.findings import Code, Finding, Severity
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.buffers import resampled
from spatial.media.movies.clip import Clip
from spatial.media.takes.narrow import narrow_blocks
from spatial.media.takes.take import Take, field_blocks
from spatial.rotation import TURN_STEP, turn_field, turn_field_along
from spatial.timebase import ClockLaw

# --- the turn ---

Turn = Callable[[FloatArray, int], FloatArray]
"""Turns a block of a take that lies on clip time into the picture's axes; told the number of its first sample."""

_UNTOLD_S = 0.5
"""A clip that goes on for longer than its moves, before or after them, is worth a word."""


def track_turn(mount: FloatArray, repaired: FloatArray | None, rig: Rig) -> Turn:
    """The turn that makes a take's field face the lens at every moment.

    Parameters
    ----------
    mount : ndarray, shape (3, 3)
        picture_from_mic; where the camera moved over a microphone that stood still, as the camera looked at 0, 0, 0.
    repaired : ndarray, shape (3, 3), optional
        Puts the channels right first.
    rig : Rig
        Its moves, and how its picture was levelled.
    """
    shown = rig.shown_from_filmed

    def turned(block: FloatArray, first: int) -> FloatArray:
        field = block if repaired is None else rewire_field(block, repaired)
        if rig.moves is None:
            return turn_field(field, shown @ mount)
        motion, samples = rig.moves.motion, block.shape[1]
        knots_s = (first + np.arange(0, samples + TURN_STEP, TURN_STEP)) / DELIVERY_RATE_HZ
        if motion.rests(first / DELIVERY_RATE_HZ, (first + samples) / DELIVERY_RATE_HZ):
            knots_s = knots_s[:1]
        # The picture turns with the camera, what stands still the other way.
        turns = shown @ motion.at(knots_s).transpose(0, 2, 1) @ mount
        return turn_field(field, turns[0]) if len(turns) == 1 else turn_field_along(field, turns)

    return turned


def moves_findings(clip: Clip, rig: Rig) -> list[Finding]:
    """Where the moves leave part of a clip untold."""
    if rig.moves is None:
        return []
    first_s, last_s = (float(rig.moves.motion.times_s[end]) for end in (0, -1))
    if first_s <= _UNTOLD_S and last_s >= clip.duration_s - _UNTOLD_S:
        return []
    message = (
        f"{rig.moves.path.name} tells how the camera turned from {first_s:.2f} s to {last_s:.2f} s of "
        f"{clip.duration_s:.2f} s; before and after that it is taken to have stood still"
    )
    # A camera that did stand still there is nothing to mend, and the proof shows it if it did not.
    return [Finding(Code.CAMERA_MOVES, Severity.NOTE, message, rig.moves.path.name)]


# --- on clip time ---

_FADE_S = 0.005
"""Length of the fade where silence meets sound, seconds: a hard join would click."""

_HOLE_S = 0.03
"""A shorter loss is faded over: a syllable hides it. A longer one is left silent."""

_CROSSFADE_S = 0.01
"""Length over which one piece of the take fades into the next where a clock jumps, seconds."""

_PREROLL_S = 0.05
"""Sound fed to the resampler before the clip starts, so that its filter has settled."""


def on_clip_time(result: SyncResult, turned: Turn) -> Iterator[FloatArray]:
    """The take as the clip needs it: de-drifted, turned, at the delivery rate, exactly as long as the clip.

    Parameters
    ----------
    result : SyncResult
        A match.
    turned : callable
        Turns a block that lies on clip time; told the number of its first sample.

    Yields
    ------
    ndarray, shape (4, samples), float32
    """
    done = 0
    for block in _pieces(result.take, result.law, result.clip.samples_at(DELIVERY_RATE_HZ)):
        yield turned(_with_holes(block, result.law, done) if result.law.steps else block, done)
        done += block.shape[1]


def _with_holes(block: FloatArray, law: ClockLaw, first: int) -> FloatArray:
    """Silence where the recorder lost sound; otherwise there would be what was heard before it."""
    times_s = np.arange(first, first + block.shape[1]) / DELIVERY_RATE_HZ
    gain = np.ones(block.shape[1], dtype=np.float32)
    for step in law.steps:
        if step.step_s < -_HOLE_S:
            inside = np.minimum(times_s - step.clip_time_s, step.clip_time_s - step.step_s - times_s)
            gain *= np.clip(1.0 - inside / _FADE_S, 0.0, 1.0).astype(np.float32)
    return block * gain


def _pieces(take: Take, law: ClockLaw, wanted: int) -> Iterator[FloatArray]:
    """The take on clip time, piece by piece between clock steps, with a crossfade where two pieces meet."""
    if not law.steps:
        yield from _conformed(take, law, wanted)
        return
    half = round(_CROSSFADE_S * DELIVERY_RATE_HZ / 2)
    joins = [round(step.clip_time_s * DELIVERY_RATE_HZ) for step in law.steps]
    joins = [min(max(join, half), wanted - half) for join in joins] if wanted > 2 * half else []
    starts, ends = [0, *(join - half for join in joins)], [*(join + half for join in joins), wanted]
    rising = ((np.arange(2 * half) + 0.5) / (2 * half)).astype(np.float32)
    left_over: FloatArray | None = None
    for number, (start, end) in enumerate(zip(starts, ends, strict=True)):
        middle_s = (start + end) / 2 / DELIVERY_RATE_HZ
        piece = law.piece_at(middle_s).from_clip_time(start / DELIVERY_RATE_HZ)
        held = np.zeros((4, 0), dtype=np.float32)
        for block in _conformed(take, piece, end - start):
            held = np.concatenate([held, block], axis=1)
            if left_over is not None and held.shape[1] >= 2 * half:
                held[:, : 2 * half] = held[:, : 2 * half] * rising + left_over * (1.0 - rising)
                left_over = None
            ready = held.shape[1] - 2 * half if number < len(joins) else held.shape[1]
            if left_over is None and ready > 0:
                yield held[:, :ready]
                held = held[:, ready:]
        left_over = held


def narrow_on_clip_time(recording: Take, law: ClockLaw, wanted: int) -> Iterator[FloatArray]:
    """A recording in one or two channels on clip time: de-drifted, at the delivery rate, exactly `wanted` samples.

    Parameters
    ----------
    recording : Take
    law : ClockLaw
        Its time from clip time; without steps.
    wanted : int
        Samples at DELIVERY_RATE_HZ.

    Yields
    ------
    ndarray, shape (channels, samples), float32
    """
    return _conformed(recording, law, wanted, read=narrow_blocks, channels=recording.channels)


def _conformed(
    take: Take,
    law: ClockLaw,
    wanted: int,
    *,
    read: Callable[..., Iterator[FloatArray]] = field_blocks,
    channels: int = FIRST_ORDER_CHANNELS,
) -> Iterator[FloatArray]:
    """The take on clip time, exactly `wanted` samples: silence, sound, silence."""
    rate = take.rate_hz
    # The take's sample nearest the clip's first instant; the half sample (10 us) it may be off is not heard.
    origin = round(law.take_from_clip(0.0) * rate)
    begin = max(0, origin - round(_PREROLL_S * rate))
    end = min(take.samples, round((law.take_from_clip(wanted / DELIVERY_RATE_HZ) + _PREROLL_S) * rate))
    # One second of clip time holds this many of the take's samples.
    in_rate = rate * law.ratio
    first = round((begin - origin) / in_rate * DELIVERY_RATE_HZ)
    if begin >= end or first >= wanted:
        yield from _silence(wanted, channels)
        return
    place = first
    yield from _silence(max(0, first), channels)
    blocks = read(take, start_sample=begin, stop_sample=end)
    last = min(wanted, first + round((end - begin) / in_rate * DELIVERY_RATE_HZ))
    for block in resampled(blocks, in_rate, DELIVERY_RATE_HZ):
        start, stop = max(0, -place), min(block.shape[1], last - place)
        if start < stop:
            yield _faded(block[:, start:stop], place + start, first, last, wanted)
        place += block.shape[1]
    yield from _silence(wanted - max(0, min(place, last)), channels)


def _faded(block: FloatArray, place: int, first: int, last: int, wanted: int) -> FloatArray:
    """Fade where the take starts or ends inside the clip."""
    length = int(_FADE_S * DELIVERY_RATE_HZ)
    index = np.arange(place, place + block.shape[1])
    gain = np.ones(block.shape[1], dtype=np.float32)
    if first > 0:
        gain *= np.clip((index - first) / length, 0.0, 1.0).astype(np.float32)
    if last < wanted:
        gain *= np.clip((last - 1 - index) / length, 0.0, 1.0).astype(np.float32)
    return block * gain


def _silence(samples: int, channels: int) -> Iterator[FloatArray]:
    while samples > 0:
        count = min(samples, DELIVERY_RATE_HZ)
        yield np.zeros((channels, count), dtype=np.float32)
        samples -= count
