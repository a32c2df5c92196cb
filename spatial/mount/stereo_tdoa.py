"""The camera's two microphones and the recorder side by side, bin by bin, where direct sound has just arrived.

Goal: for each bin a direction, in the recorder's axes, the phase by which the camera's first microphone receives it
before the second, and how much louder it receives it. Only the leading edges of sounds count, at the recorder and at
the camera: there reflections have not come yet. Beside them what comes from all around, which should reach both
microphones alike.
Conventions: spatial.conventions (axes; time). A positive phase: the camera's FIRST microphone receives it first. A
contrast is (first - second) / (first + second) of the two powers: whatever gain both share, it stays the same.
Functions: scratch_pairs; seen_from_camera (the same, with directions as the camera has them).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from spatial.conventions import ComplexArray, FloatArray, W, X, Y, Z
from spatial.direction.intensity import BAND_HZ, LEAD_IN_S, frame_hop
from spatial.dsp.samples import Samples
from spatial.dsp.stft import onset_of
from spatial.errors import InputError
from spatial.timebase import ClockLaw

MOST_S = 600.0
"""Longest sound looked at where nothing else gives the mount; of longer clips stretches, evenly spread."""

SAME_PLACE_RAD = np.radians(15.0)
"""Bins this close to a place's direction are the place's. A larger angle joins two performers, a smaller one leaves a
rim that counts as another place."""

_STRETCH_S = 10.0
"""Length of a stretch, seconds: a whole sample of shift serves all of it, since at 100 ppm a clock drifts by half a
millisecond to either side."""

_MOST_BINS = 1500
"""Weightiest bins of a stretch that are kept. More cost memory and time."""

_LEAST_DIRECT = 1e-3
"""Bins whose directness (one wave that has just begun, 0 to 1) is less do not count."""

_MEMORY_S = 0.1
"""How long a mean a bin must rise above to have just begun, seconds (as in spatial.direction.intensity)."""

_WAVE_MISFIT = 0.13
"""A bin that strays this far from a single wave counts for less (as _STRICT_STRAY of spatial.direction.intensity)."""

_CELL_FRAMES, _CELL_BINS = 16, 6
"""Frames and bins of one cell of room and noise: 60 ms. Fewer waves make a cell's flow random, more mix sound and
rest."""

_FROM_AROUND = 0.5
"""Cells of 60 ms whose energy flows less than this much one way come from all around: room and noise."""

_COLLAPSED = 0.01
"""Part of the power in which the channels differ, below which a codec has made room and noise one in both."""

_LOUDER_MOST = 3.0
"""Largest logarithm of the ratio of the two amplitudes that a cell counts with (26 dB): one dead cell must not decide
the mean."""

_LEVELLED_S = 0.5
"""Seconds that get about the same weight each: claps must not outvote the people who speak."""

_FAINT = 0.3
"""Part of the usual weight of these that is added to each, so that nearly silent ones do not count in full."""


@dataclass(frozen=True, slots=True, eq=False)
class FromAround:
    """Room and noise, which have no one direction: means over cells of equal power, band by band."""

    field: FloatArray
    """Covariance of W, X, Y and Z in the RECORDER's axes, of trace 1, shape (bands, 4, 4)."""
    louder_log: FloatArray
    """Logarithm of the first channel's amplitude over the second's, shape (bands,); NaN where there was none."""


@dataclass(frozen=True, slots=True, eq=False)
class ScratchPairs:
    """Bins of time and frequency in which direct sound reached both."""

    times_s: FloatArray
    """Clip time, shape (bins,)."""
    frequencies_hz: FloatArray
    directions: FloatArray
    """Unit vectors in the RECORDER's axes, shape (bins, 3)."""
    phases_rad: FloatArray
    """How far the first microphone's phase leads the second's, in (-pi, pi], shape (bins,)."""
    contrasts: FloatArray
    """How much louder the first microphone receives it, -1 to 1, shape (bins,)."""
    heard: FloatArray
    """Weight of each bin for a direction."""
    paired: FloatArray
    """Its weight for a direction and a phase together."""
    difference: float
    """How far the two channels differ: mean of 1 - cos(phase), weighted; 0 for mono, whatever their levels."""
    around: FromAround


def scratch_pairs(clip: Samples, take: Samples, law: ClockLaw, *, most_s: float = MOST_S) -> ScratchPairs:
    """Directions at the recorder and phases at the camera, along a clock law.

    Parameters
    ----------
    clip : Samples
        The camera's sound, two channels: left, right.
    take : Samples
        The field in internal form, at the same rate.
    law : ClockLaw
        From the clip's samples to the take's; good to a millisecond or two.
    most_s : float
        Longest sound looked at, seconds; of longer clips stretches, evenly spread.

    Returns
    -------
    ScratchPairs
        Empty where nothing direct was heard.

    Raises
    ------
    InputError
        Not two channels.
    """
    if clip.read(0, 0).shape[0] != 2:
        raise InputError(f"the camera's sound has {clip.read(0, 0).shape[0]} channels; its left axis needs two")
    stretches = [_stretch(clip, take, law, start) for start in _starts(clip, most_s)]
    columns = zip(*(bins for bins, _ in stretches), strict=True)
    times, frequencies, directions, direct, cross, contrasts, onset = (np.concatenate(column) for column in columns)
    heard = _levelled(times, direct)
    paired = _levelled(times, direct * np.sqrt(onset))
    phases = np.angle(cross)
    differ = float(np.sum(paired * (1.0 - np.cos(phases))))
    return ScratchPairs(
        times_s=times,
        frequencies_hz=frequencies,
        directions=directions,
        phases_rad=phases,
        contrasts=contrasts,
        heard=heard,
        paired=paired,
        difference=differ / max(float(np.sum(paired)), 1e-30),
        around=_mean_around([around for _, around in stretches]),
    )


def seen_from_camera(pairs: ScratchPairs, recorder_m: FloatArray, distance_m: float) -> ScratchPairs:
    """The pairs with directions as seen from the camera, performers being at this distance from the recorder.

    Parameters
    ----------
    pairs : ScratchPairs
    recorder_m : ndarray, shape (3,)
        The recorder's place seen from the camera, in the recorder's axes.
    distance_m : float

    Returns
    -------
    ScratchPairs
    """
    towards = distance_m * pairs.directions + recorder_m
    return replace(pairs, directions=towards / np.linalg.norm(towards, axis=1, keepdims=True))


def _starts(clip: Samples, most_s: float) -> list[int]:
    stretch = int(_STRETCH_S * clip.rate_hz)
    count, most = -(-clip.length // stretch), max(1, int(most_s / _STRETCH_S))
    chosen = np.arange(count) if count <= most else np.unique(np.rint(np.linspace(0, count - 1, most)).astype(int))
    return [int(number) * stretch for number in chosen]


_Sums = tuple[FloatArray, FloatArray, FloatArray]


def _stretch(clip: Samples, take: Samples, law: ClockLaw, start: int) -> tuple[tuple[FloatArray, ...], _Sums]:
    """Times, frequencies, directions, directness, cross-spectrum, contrast and onset of the bins that count.

    And the sums of what comes from all around.
    """
    rate = clip.rate_hz
    lead, length = round(LEAD_IN_S * rate), round(_STRETCH_S * rate)
    middle_s = (start + length / 2) / rate
    # Whole samples will do: frames are long against a sample, and the two channels of the camera share their error.
    shift = round((law.take_from_clip(middle_s) - middle_s) * rate)
    field = take.read(start + shift - lead, start + shift + length).astype(np.float32)
    sound = clip.read(start - lead, start + length).astype(np.float32)
    hop = frame_hop(rate)
    edges = np.arange(int(np.ceil(BAND_HZ[0] * 2 * hop / rate)), int(BAND_HZ[1] * 2 * hop / rate) + 1)
    spectra = _frames(np.concatenate([field, sound]), hop)[..., edges]
    omni, vector, camera = spectra[W], spectra[[X, Y, Z]], spectra[4:]
    energy = 0.5 * (_power(omni) + np.sum(_power(vector), axis=0))
    powers = _power(camera)
    memory = round(_MEMORY_S * rate / hop)
    onset = np.minimum(onset_of(powers[0], memory), onset_of(powers[1], memory))
    direct = _one_wave(omni, vector) * onset_of(energy, memory)
    frame_s = (start - lead + (np.arange(energy.shape[0]) + 1) * hop) / rate
    counts = (direct > _LEAST_DIRECT) & (onset > 0) & (frame_s >= start / rate)[:, np.newaxis]
    say = np.where(counts, direct * energy**0.1, 0.0)
    if np.count_nonzero(counts) > _MOST_BINS:
        counts &= say >= np.partition(say, -_MOST_BINS, axis=None)[-_MOST_BINS]
    rows, columns = np.nonzero(counts)
    flow = np.real(np.conj(omni) * vector)[:, rows, columns].T
    first, second = powers[:, rows, columns].astype(float)
    bins = (
        frame_s[rows],
        edges[columns] * (rate / (2 * hop)),
        flow / np.maximum(np.linalg.norm(flow, axis=1, keepdims=True), 1e-30),
        say[rows, columns],
        (camera[0] * np.conj(camera[1]))[rows, columns],
        (first - second) / np.maximum(first + second, 1e-30),
        onset[rows, columns],
    )
    return bins, _around(spectra[[W, X, Y, Z]], camera)


def _around(field: ComplexArray, camera: ComplexArray) -> _Sums:
    """Sums over cells of room and noise: of the field's covariance, of how much louder, and how many, band by band."""
    frames, bands = field.shape[1] // _CELL_FRAMES, field.shape[2] // _CELL_BINS
    shape = (frames, _CELL_FRAMES, bands, _CELL_BINS)
    field, camera = (
        each[:, : frames * _CELL_FRAMES, : bands * _CELL_BINS].reshape(-1, *shape) for each in (field, camera)
    )
    covariance = np.einsum("atfbk,ctfbk->tbac", field, np.conj(field)).real.astype(float)
    first, second = np.sum(_power(camera), axis=(2, 4)).astype(float)
    apart = np.sum(_power(camera[0] - camera[1]), axis=(1, 3))
    whole, both = np.trace(covariance, axis1=2, axis2=3), first + second
    flows = np.linalg.norm(covariance[..., 0, 1:], axis=2) / np.maximum(whole / 2, 1e-30)
    counts = (flows < _FROM_AROUND) & (whole > 1e-12) & (both > 1e-12) & (apart > _COLLAPSED * both)
    shares = np.where(counts, 1.0 / np.maximum(whole, 1e-30), 0.0)
    # The logarithm: few waves make a cell, and a mean of contrasts would shrink with how far cells differ.
    louder = np.clip(0.5 * np.log((first + 1e-30) / (second + 1e-30)), -_LOUDER_MOST, _LOUDER_MOST)
    louder = np.sum(np.where(counts, louder, 0.0), axis=0)
    return np.einsum("tb,tbac->bac", shares, covariance), louder, np.sum(counts, axis=0)


def _mean_around(stretches: list[_Sums]) -> FromAround:
    covariance, louder, counts = (np.sum(column, axis=0) for column in zip(*stretches, strict=True))
    some = np.where(counts > 0, counts, np.nan)
    return FromAround(covariance / some[:, np.newaxis, np.newaxis], louder / some)


def _frames(sound: FloatArray, hop: int) -> ComplexArray:
    frames = np.lib.stride_tricks.sliding_window_view(sound, 2 * hop, axis=1)[:, ::hop]
    return np.asarray(fft.rfft(frames * np.hanning(2 * hop).astype(np.float32)))


def _power(spectrum: ComplexArray) -> FloatArray:
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _one_wave(omni: ComplexArray, vector: ComplexArray) -> FloatArray:
    """Near 1 where the field is that of a single wave: then the vector over W is real and of length 1."""
    ratio = np.divide(np.conj(omni) * vector, _power(omni), out=np.zeros_like(vector), where=np.abs(omni) > 1e-12)
    misfit = np.sum(ratio.imag**2, axis=0) + (np.sqrt(np.sum(ratio.real**2, axis=0)) - 1.0) ** 2
    return np.asarray(np.exp(-misfit / (2 * _WAVE_MISFIT**2)))


def _levelled(times_s: FloatArray, say: FloatArray) -> FloatArray:
    """Each half second has about the same weight: claps must not outvote the people who speak."""
    if times_s.size == 0:
        return say
    number = (times_s / _LEVELLED_S).astype(int)
    total = np.bincount(number, say)
    return np.asarray(say / (total[number] + _FAINT * np.median(total[total > 0]) + 1e-30))
