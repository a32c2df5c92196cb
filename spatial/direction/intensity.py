"""Where sound comes from: the direction of direct sound, bin by bin and frame by frame.

Goal: in an ordinary room, the direction of a performer; over a whole span, see spatial.direction.doa. Reflections,
not noise, set the limit: so those bins count whose energy has just risen (the direct sound comes first), and each may
be pulled along its own line.
Conventions: spatial.conventions (axes, field). Directions are unit vectors in the field's own axes.
Functions: frame_hop; field_bins (time-frequency bins, and the ones where a sound has just begun);
frame_directions (over time).
Notes: for one plane wave the complex vector (X, Y, Z) / W is its direction. A second coherent wave adds a complex
number times the difference of the two directions: real part (the pull) and imaginary part (the swing) move along one
line, which crosses the sphere at both waves. So a bin measures little along its swing and much across it (our own
derivation, tested).
Sources:
[1] Merimaa and Pulkki 2005, JAES 53(12): intensity and diffuseness of a first-order field (value of the
diffuseness law from memory; limits and mixing law are tested).
"""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray, W, X, Y, Z
from spatial.dsp.stft import above_floor, frame_spectrum, onset_of, power_of
from spatial.errors import InputError
from spatial.field import azimuth_elevation

BAND_HZ = (300.0, 5000.0)
"""Where a small first-order microphone measures truly: below it a near voice's proximity effect and the room's
modes, above it the spacing of the capsules, spoil the direction."""

FRAME_S = 360 / 48_000
"""Length of a Fourier frame. Its taper leaves about half of it: as long as the floor's bounce is late (3 to 6 ms)."""

LEAD_IN_S = 0.2
"""Sound wanted before a span, so that its first onset is known to be one."""

# Chosen on 64 simulated scenes (seeds 5000 on) that no test and no committed result uses.
_MEMORY_S = 0.1
_LEAST_ONSET = 1e-3
"""Bins that are a third as loud as the last frames, or less, do not count."""
_STRAY = 1.0
"""A bin that strays this far from a single wave counts for less."""
_STRICT_STRAY = 0.13
"""The same for the rows over time, which have too few bins to sort them out."""


@dataclass(frozen=True, slots=True, eq=False)
class FieldBins:
    """Time-frequency bins of a field in the trusted band; those in which a sound has just begun in detail."""

    times_s: FloatArray
    """Middle of each frame, shape (frames,)."""
    intensity: FloatArray
    """Active intensity, pointing to the source, shape (3, frames, bins)."""
    energy: FloatArray
    """Energy, shape (frames, bins)."""
    frame: npt.NDArray[np.int_]
    """Of each beginning: its frame, shape (n,)."""
    pull: FloatArray
    """Of each beginning: real part of (X, Y, Z) / W, shape (n, 3)."""
    swing: FloatArray
    """Of each beginning: the imaginary part, shape (n, 3)."""
    onset: FloatArray
    """How clearly each stands above what came before, 0 to 1, shape (n,)."""
    loudness: FloatArray
    """Energy of each beginning, compressed, shape (n,)."""
    clear: FloatArray
    """How far each is from noise that never stops, 0 to 1, shape (n,)."""

    def between(self, start_s: float, end_s: float) -> "FieldBins":
        """The frames whose middle lies in start_s <= t < end_s."""
        first, last = np.searchsorted(self.times_s, (start_s, end_s))
        begin, end = np.searchsorted(self.frame, (first, last))
        own = slice(begin, end)
        return FieldBins(
            times_s=self.times_s[first:last],
            intensity=self.intensity[:, first:last],
            energy=self.energy[first:last],
            frame=self.frame[own] - first,
            pull=self.pull[own],
            swing=self.swing[own],
            onset=self.onset[own],
            loudness=self.loudness[own],
            clear=self.clear[own],
        )

    def weights(self, stray: float = _STRAY) -> FloatArray:
        """Weight of each beginning, shape (n,)."""
        length = np.sqrt(np.sum(self.pull**2, axis=1))
        misfit = np.sum(self.swing**2, axis=1) + (length - 1.0) ** 2
        return np.asarray(np.exp(-misfit / (2 * stray**2)) * self.onset * self.loudness)


@dataclass(frozen=True, slots=True, eq=False)
class FrameDirections:
    """Directions over time: one row a step, or one for each source that sounds in it."""

    times_s: FloatArray
    azimuth_rad: FloatArray
    elevation_rad: FloatArray
    sd_rad: FloatArray
    """Spread of the bins about the direction; NaN where nothing direct was found. `directions` adds what is unknown of
    the microphone."""
    diffuseness: FloatArray
    level_db: FloatArray
    """Level of the sound in the band, dB re full scale; of all sources together."""
    source: npt.NDArray[np.int_]
    """Number of the source, from 1 (spatial.direction.tracking); 0 where no one source is followed."""

    def only(self, rows: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> "FrameDirections":
        """Some of the rows, by index or mask."""
        return FrameDirections(*(getattr(self, column.name)[rows] for column in fields(self)))


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
    spectrum = frame_spectrum(field, size, hop)
    edges = np.arange(int(np.ceil(low * size / rate_hz)), int(high * size / rate_hz) + 1)
    if edges.size == 0:
        raise InputError(f"no frame tells {low:g} from {high:g} Hz; take a band {rate_hz / size:.0f} Hz wide or more")
    spectrum = spectrum[..., edges[0] : edges[-1] + 1]
    omni, vector = spectrum[W], spectrum[[X, Y, Z]]
    intensity = omni.real * vector.real + omni.imag * vector.imag
    power = power_of(omni)
    energy = 0.5 * (power + np.sum(power_of(vector), axis=0))
    onset = onset_of(energy, round(_MEMORY_S * rate_hz / hop))
    frame, column = np.nonzero((onset > _LEAST_ONSET) & (power > 1e-24))
    ratio = (vector[:, frame, column] / omni[frame, column]).T
    return FieldBins(
        times_s=start_s + (np.arange(energy.shape[0]) * hop + size / 2) / rate_hz,
        intensity=intensity,
        energy=energy,
        frame=frame,
        pull=ratio.real,
        swing=ratio.imag,
        onset=onset[frame, column],
        loudness=energy[frame, column] ** 0.1,
        clear=above_floor(energy, frame, column),
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
    weight = bins.weights(_STRICT_STRAY)
    own = np.searchsorted(starts, bins.frame, side="right") - 1
    unit = bins.pull / np.maximum(np.linalg.norm(bins.pull, axis=1, keepdims=True), 1e-12)
    vector = np.stack([np.bincount(own, weight * part, starts.size) for part in unit.T], axis=1).astype(float)
    total = np.asarray(np.bincount(own, weight, starts.size), dtype=float)
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
        source=np.zeros(len(starts), dtype=int),
    )
