"""Where sound comes from: the active-intensity direction of direct sound, bin by bin, frame by frame, span by span.

Goal: in an ordinary room, say where a performer is heard. Reflections, not noise, set the limit: so those bins
count whose energy has just risen (the direct sound comes first) and whose field is that of a single wave.
Conventions: spatial.conventions (axes, field). Directions are unit vectors in the field's own axes.
Functions: frame_hop; field_bins (time-frequency bins and how far direct sound rules them); frame_directions
(over time); span_direction (one direction for a span, with its uncertainty).
Sources:
[1] Merimaa and Pulkki 2005, JAES 53(12): intensity and diffuseness of a first-order field (value of the
diffuseness law from memory; limits and mixing law are tested).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft

from spatial.analysis.sphere import densest_direction, scatter_sd
from spatial.conventions import ComplexArray, FloatArray, W, X, Y, Z
from spatial.errors import InputError
from spatial.field import angle_between, azimuth_elevation

BAND_HZ = (300.0, 5000.0)
"""Where a small first-order microphone tells the truth: below it a near voice's proximity effect and the room's
modes, above it the spacing of the capsules, spoil the direction."""

FRAME_S = 360 / 48_000
"""Length of a Fourier frame. Its taper leaves about half of it: as long as the floor's bounce is late (3 to 6 ms)."""

MARK_FRAMES_S = (240 / 48_000, 400 / 48_000)
"""Frames of two lengths for a mark, where there is time for both: a tenth less error than one length alone."""

LEAD_IN_S = 0.2
"""Sound wanted before a span, so that its first onset is known to be one."""

# Chosen on 24 simulated rooms that no test or benchmark uses; tests/bench/directions.py compares estimators.
_MEMORY_S = 0.1
_EDGE_FRAMES = 14
_ONSET_RATIO = 10.0
_WAVE_MISFIT = 0.13
_NEAR_RAD = np.radians(25.0)
_GROUP_S = 0.25
_HEARD_SHARE = 0.3
_ROOM_BIAS_RAD = np.radians(1.0)
"""What reflections inside the first frame leave behind however long one listens (measured, tests/bench)."""


@dataclass(frozen=True, slots=True, eq=False)
class FieldBins:
    """Time-frequency bins of a field in the trusted band."""

    times_s: FloatArray
    """Middle of each frame, shape (frames,)."""
    intensity: FloatArray
    """Active intensity, pointing to the source, shape (3, frames, bins)."""
    energy: FloatArray
    """Energy, shape (frames, bins)."""
    direct: FloatArray
    """How far direct sound rules each bin, 0 to 1, shape (frames, bins)."""

    def between(self, start_s: float, end_s: float) -> "FieldBins":
        """The frames whose middle lies in start_s <= t < end_s."""
        kept = (self.times_s >= start_s) & (self.times_s < end_s)
        return FieldBins(self.times_s[kept], self.intensity[:, kept], self.energy[kept], self.direct[kept])


@dataclass(frozen=True, slots=True, eq=False)
class FrameDirections:
    """Directions over time, one row a step."""

    times_s: FloatArray
    azimuth_rad: FloatArray
    elevation_rad: FloatArray
    sd_rad: FloatArray
    """Spread of the bins about the direction; NaN where nothing direct was heard."""
    diffuseness: FloatArray
    level_db: FloatArray
    """Level of the sound in the band, dB re full scale."""


@dataclass(frozen=True, slots=True, eq=False)
class SpanDirection:
    """One direction for a span of time."""

    heard: bool
    """False: nothing in the span points anywhere; the direction is then NaN."""
    vector: FloatArray
    """Unit vector, shape (3,)."""
    sd_rad: float
    """One standard deviation along each of the two directions across the vector."""
    share: float
    """Part of the direct sound that lies within 25 degrees of the direction."""


def frame_hop(rate_hz: int, frame_s: float = FRAME_S) -> int:
    """Samples from one frame to the next: spans read from multiples of it have their frames in common."""
    return round(frame_s * rate_hz / 2)


def field_bins(
    field: FloatArray,
    rate_hz: int,
    *,
    start_s: float = 0.0,
    band_hz: tuple[float, float] = BAND_HZ,
    frame_s: float = FRAME_S,
) -> FieldBins:
    """Intensity, energy and directness of a field's time-frequency bins ([1]).

    Parameters
    ----------
    field : ndarray, shape (4, samples)
        Internal form.
    rate_hz : int
    start_s : float
        Time of the first sample.
    band_hz : (low, high)
        Band to use, Hz.
    frame_s : float
        Length of a frame.

    Returns
    -------
    FieldBins

    Raises
    ------
    InputError
        Not a field, or a band outside the sample rate.
    """
    if field.ndim != 2 or field.shape[0] != 4:
        raise InputError(f"directions need a field of shape (4, samples), got {field.shape}")
    low, high = band_hz
    if not 0 < low < high <= rate_hz / 2:
        raise InputError(f"the band {low:g} to {high:g} Hz does not lie between 0 and half of {rate_hz} Hz")
    hop = frame_hop(rate_hz, frame_s)
    size = 2 * hop
    spectrum = _spectrum(field, size, hop)
    edges = np.arange(int(np.ceil(low * size / rate_hz)), int(high * size / rate_hz) + 1)
    if edges.size == 0:
        raise InputError(f"no frame tells {low:g} from {high:g} Hz; take a band {rate_hz / size:.0f} Hz wide or more")
    spectrum = spectrum[..., edges]
    omni, vector = spectrum[W], spectrum[[X, Y, Z]]
    intensity = omni.real * vector.real + omni.imag * vector.imag
    energy = 0.5 * (_power(omni) + np.sum(_power(vector), axis=0))
    return FieldBins(
        times_s=start_s + (np.arange(energy.shape[0]) * hop + size / 2) / rate_hz,
        intensity=intensity,
        energy=energy,
        direct=_directness(omni, vector, energy, round(_MEMORY_S * rate_hz / hop)),
    )


def frame_directions(bins: FieldBins, *, origin_s: float = 0.0, step_s: float = 0.1) -> FrameDirections:
    """Direction, spread, diffuseness and level over time.

    Parameters
    ----------
    bins : FieldBins
    origin_s : float
        Where the first row would start; rows start at whole steps from it.
    step_s : float
        Time of one row, seconds.

    Returns
    -------
    FrameDirections
        No row where there is no frame.
    """
    step = np.floor((bins.times_s - origin_s) / step_s).astype(int)
    starts = np.flatnonzero(np.diff(step, prepend=step[0] - 1)) if step.size else np.zeros(0, dtype=int)
    weight = bins.direct * bins.energy**0.1
    unit = _unit(bins.intensity) * weight
    vector = np.add.reduceat(unit.sum(axis=2), starts, axis=1).T
    total = np.add.reduceat(weight.sum(axis=1), starts)
    flow = np.add.reduceat(bins.intensity.sum(axis=2), starts, axis=1).T
    energy = np.add.reduceat(bins.energy.sum(axis=1), starts)
    count = np.diff(np.append(starts, len(step)))
    azimuth, elevation = azimuth_elevation(vector)
    length = np.divide(np.linalg.norm(vector, axis=1), total, out=np.zeros_like(total), where=total > 0)
    heard = total > 0
    # Two directions across the vector share what the mean vector lost: 1 - R = sd ** 2 for small spreads.
    spread = np.where(heard, np.sqrt(np.maximum(1.0 - length, 1e-6)), np.nan)
    ruled = np.divide(np.linalg.norm(flow, axis=1), energy, out=np.zeros_like(energy), where=energy > 0)
    return FrameDirections(
        times_s=origin_s + (step[starts] + 0.5) * step_s,
        azimuth_rad=np.where(heard, azimuth, np.nan),
        elevation_rad=np.where(heard, elevation, np.nan),
        sd_rad=spread,
        diffuseness=np.clip(1.0 - ruled, 0.0, 1.0),
        level_db=10 * np.log10(np.maximum(energy / count, 1e-20)),
    )


def span_direction(
    bins: FieldBins | Sequence[FieldBins], start_s: float, end_s: float, *, most_bins: int = 20_000
) -> SpanDirection:
    """The direction that the direct sound of a span agrees on.

    The densest place on the sphere, not the mean: reflections and other sounds lie elsewhere and must not pull.
    The uncertainty is how far quarter seconds pull it to and fro, with what the room leaves behind.

    Parameters
    ----------
    bins : FieldBins, or several of them
        Several, of one field in frames of different lengths, have an equal say each: long ones tell tones, short
        ones part a sound from its reflections.
    start_s, end_s : float
        The span, on the same clock as the bins' times.
    most_bins : int
        At most so many bins count, the weightiest: fewer are quicker and coarser.

    Returns
    -------
    SpanDirection
        heard False where too little direct sound agrees.
    """
    parts = [bins] if isinstance(bins, FieldBins) else bins
    told = [part for part in (_weighty(part.between(start_s, end_s), most_bins) for part in parts) if part]
    if not told:
        return _nothing(0.0)
    vectors, weights, times_s = (np.concatenate(column) for column in zip(*told, strict=True))
    groups = ((times_s - start_s) / _GROUP_S).astype(int)
    vector = densest_direction(vectors, weights)
    share = float(np.sum(weights[angle_between(vectors, vector) < _NEAR_RAD]) / np.sum(weights))
    if share < _HEARD_SHARE:
        return _nothing(share)
    scatter = scatter_sd(vectors, weights, groups, vector)
    return SpanDirection(True, vector, float(np.hypot(scatter, _ROOM_BIAS_RAD)), share)


def _weighty(bins: FieldBins, most_bins: int) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Directions, weights (their sum is 1) and times of the bins that count; None where none does."""
    weight = bins.direct * bins.energy**0.1
    if weight.size == 0 or not weight.any():
        return None
    least = np.partition(weight, -most_bins, axis=None)[-most_bins] if weight.size > most_bins else 0.0
    rows, columns = np.nonzero(weight > max(least, 1e-4 * np.max(weight)))
    weights = weight[rows, columns]
    return _unit(bins.intensity[:, rows, columns]).T, weights / np.sum(weights), bins.times_s[rows]


def _nothing(share: float) -> SpanDirection:
    return SpanDirection(False, np.full(3, np.nan), float("nan"), share)


def _spectrum(field: FloatArray, size: int, hop: int) -> ComplexArray:
    if field.shape[1] < size:
        return np.zeros((4, 0, size // 2 + 1), dtype=np.complex64)
    frames = np.lib.stride_tricks.sliding_window_view(field, size, axis=1)[:, ::hop]
    taper = (np.hanning(size) * np.sqrt(2.0 / (size * np.sum(np.hanning(size) ** 2)))).astype(np.float32)
    return np.asarray(fft.rfft(frames * taper, axis=-1))


def _power(spectrum: ComplexArray) -> FloatArray:
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _unit(vectors: FloatArray) -> FloatArray:
    """Vectors along axis 0 scaled to length 1; zero stays zero."""
    length = np.sqrt(np.sum(vectors**2, axis=0))
    return np.asarray(np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0))


def _directness(omni: ComplexArray, vector: ComplexArray, energy: FloatArray, memory: int) -> FloatArray:
    """Near 1 where a single wave has just arrived, near 0 elsewhere.

    For one plane wave the vector over W is real and of length 1. Two waves at once, coherent or not, leave an
    imaginary part or another length, bin by bin, without any averaging.
    """
    ratio = np.divide(np.conj(omni) * vector, _power(omni), out=np.zeros_like(vector), where=np.abs(omni) > 1e-12)
    length = np.sqrt(np.sum(ratio.real**2, axis=0))
    misfit = np.sum(ratio.imag**2, axis=0) + (length - 1.0) ** 2
    # Energy against the largest of the last frames: only the leading edge of a sound is free of its reflections.
    onset = np.zeros_like(energy)
    if energy.shape[0] > memory:
        sums = np.cumsum(np.pad(energy.astype(np.float64), ((1, 0), (0, 0))), axis=0)
        past = np.maximum((sums[memory:-1] - sums[: -memory - 1]) / memory, 1e-20)
        for back in range(1, _EDGE_FRAMES + 1):
            np.maximum(past, energy[memory - back : -back], out=past)
        onset[memory:] = np.minimum(1.0, energy[memory:] / past / _ONSET_RATIO) ** 2
    return np.asarray(np.exp(-misfit / (2 * _WAVE_MISFIT**2)) * onset)
