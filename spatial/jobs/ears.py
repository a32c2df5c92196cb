"""The take for headphones, once for each way the head faces.

Functions: play_for_ears.
"""

from contextlib import ExitStack
from itertools import chain
from pathlib import Path

import numpy as np

from spatial.analysis.binaural import LATENCY_SAMPLES, FilteredField, Limiter, headphones
from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.jobs.cliptime import on_clip_time
from spatial.jobs.progress import Progress, silent
from spatial.jobs.syncresult import SyncResult
from spatial.jobs.turning import Turn
from spatial.media.proxy import SoundWriter
from spatial.rotation import YawPitchRoll, matrix_from_ypr

FACINGS = {"front": 0.0, "left": 90.0, "back": 180.0, "right": -90.0}
"""Ways the head faces, degrees to the left."""

RECORDED = "recorded"
"""Name of the sound before it is turned."""

_LOUD_DB = -22.0
"""Where the louder moments come to lie: well below full scale, so that the limiter seldom acts."""

_MOST_GAIN_DB = 36.0


def play_for_ears(
    result: SyncResult, turn: Turn | None, level_db: FloatArray, folder: Path, *, progress: Progress = silent
) -> dict[str, str]:
    """Write what a head hears that faces front, left, back and right; and front before the sound is turned.

    Parameters
    ----------
    turn : Turn or None
        Makes the field face the lens; where that is not known, every facing is of the sound as recorded.
    level_db : ndarray
        How loud it is over time, dB re full scale.

    Returns
    -------
    dict
        File name by facing; with "recorded" where the sound is turned.
    """
    heads = {
        facing: matrix_from_ypr(YawPitchRoll.from_degrees(-degrees, 0.0, 0.0)) for facing, degrees in FACINGS.items()
    }
    gain = 10 ** (_gain_db(level_db) / 20)
    names = {facing: f"sound-{facing}.m4a" for facing in (*heads, *([] if turn is None else [RECORDED]))}
    total = result.clip.samples_at(DELIVERY_RATE_HZ)
    with ExitStack() as stack:
        writers = {
            facing: stack.enter_context(SoundWriter(folder / name, DELIVERY_RATE_HZ)) for facing, name in names.items()
        }
        limiters = {facing: Limiter(DELIVERY_RATE_HZ) for facing in names}
        lens, mic, done = FilteredField(DELIVERY_RATE_HZ), FilteredField(DELIVERY_RATE_HZ), -LATENCY_SAMPLES
        end = np.zeros((FIRST_ORDER_CHANNELS, LATENCY_SAMPLES), dtype=np.float32)
        for block in chain(on_clip_time(result, _as_it_is), [end]):
            # What the filters delay is taken off at the start, and added at the end.
            late = max(0, -done)
            facing_lens = block if turn is None else turn(block, done + LATENCY_SAMPLES)
            filtered = lens.push(facing_lens)[:, late:] * gain
            for facing, head in heads.items():
                writers[facing].write(limiters[facing].push(headphones(filtered, head)))
            if turn is not None:
                as_recorded = headphones(mic.push(block)[:, late:] * gain, np.eye(3))
                writers[RECORDED].write(limiters[RECORDED].push(as_recorded))
            done += block.shape[1]
            progress("sound for headphones", max(done, 0) / max(total, 1))
        for facing, limiter in limiters.items():
            writers[facing].write(limiter.finish())
    return names


def _as_it_is(block: FloatArray, first: int) -> FloatArray:  # noqa: ARG001 a Turn
    """Unturned: the head is turned instead."""
    return block


def _gain_db(level_db: FloatArray) -> float:
    """What brings the louder moments to a good level for headphones."""
    if level_db.size == 0:
        return 0.0
    return float(np.clip(_LOUD_DB - np.percentile(level_db, 95), -_MOST_GAIN_DB, _MOST_GAIN_DB))
