"""Sync of sounds in memory, the whole way from envelope to clock law, for the tests of analysis.

Functions: sync_arrays (a clip and a take); field_of (a take that hears one plane wave); envelope; bursts_of_noise.
"""

import numpy as np

from spatial.conventions import FloatArray
from spatial.dsp.samples import ArraySamples
from spatial.sync.alignment import SyncEstimate, estimate_sync
from spatial.sync.coarse import find_candidates
from spatial.sync.envelope import WORKING_RATE_HZ, EnvelopeBuilder


def field_of(omni: FloatArray) -> FloatArray:
    """W, Y, Z, X of a plane wave from 36.9 degrees left: gains 0.6 and 0.8, so that W is `omni` itself."""
    return np.stack([omni, 0.6 * omni, 0.0 * omni, 0.8 * omni])


def sync_arrays(clip: FloatArray, field: FloatArray) -> SyncEstimate:
    """Sync a clip, shape (samples,) or (channels, samples), with a take, shape (4, samples), both at 16 kHz."""
    clip = np.atleast_2d(clip).astype(np.float32)
    field = field.astype(np.float32)
    candidates = find_candidates(envelope(clip), envelope(field[:1]))
    return estimate_sync(ArraySamples(clip, WORKING_RATE_HZ), ArraySamples(field, WORKING_RATE_HZ), candidates)


def envelope(channels: FloatArray) -> FloatArray:
    """Band powers of a whole sound, shape (channels, samples) at 16 kHz."""
    builder = EnvelopeBuilder()
    builder.push(channels.astype(np.float32))
    return builder.finish()


def bursts_of_noise(seconds: float, rng: np.random.Generator) -> FloatArray:
    """Noise at 16 kHz in bursts of 0.05 to 0.4 s with short rests, shape (samples,); read-only, to be shared."""
    rate = WORKING_RATE_HZ
    out, place = np.zeros(round(seconds * rate)), 0
    while place < out.size:
        count = min(int(rng.uniform(0.05, 0.4) * rate), out.size - place)
        out[place : place + count] = rng.uniform(0.04, 0.2) * rng.standard_normal(count) * np.hanning(count)
        place += count + int(rng.uniform(0.02, 0.3) * rate)
    out.flags.writeable = False
    return out
