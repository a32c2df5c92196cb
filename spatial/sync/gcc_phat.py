"""Generalised cross-correlation with phase transform, window by window, and the stack of all windows.

Goal: how much later than a clock law predicts the take records what the camera recorded, to a small part of a sample;
from which direction that sound came; and one number for how surely the two share an event along this law.
Method: spectra of clip and take are whitened, so that only phases count, and averaged over a window. The curves of all
windows are then stacked along every small change of the law: the highest stack is the better law, its height over its
own scatter the number.
Conventions: spatial.conventions (time; array layout). A positive lag: the take records it LATER than predicted.
Functions: cross_windows (phases of the cross-spectrum and direction, window by window); lag_curves, signed_curves
(correlation over lag); scatter_of (what its peaks are held against); unit_phase, lead_phases; refine_peak (peak between
samples); try_law (a candidate law, corrected where it moves); stack_windows (the stack itself).
Sources:
[1] Knapp and Carter 1976, IEEE TASSP 24(4): generalized cross-correlation and its phase transform.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from spatial.conventions import ComplexArray, FloatArray, W, X, Y, Z
from spatial.direction.doa import span_direction
from spatial.direction.intensity import LEAD_IN_S, field_bins
from spatial.dsp.samples import Samples, while_reading
from spatial.sync.coarse import MAX_DRIFT_PPM
from spatial.timebase import ClockLaw

# --- windows ---

BLOCK = 4096
"""Samples in one Fourier block at 16 kHz: 256 ms, long against a room's early reflections."""

HOP = BLOCK // 2
"""Samples from one block to the next: half a block, so that its taper hides nothing."""

BLOCKS_PER_WINDOW = 8
"""Blocks that share a window: 1.2 s, a word or two, seldom more than one performer."""

WINDOW = BLOCK + HOP * (BLOCKS_PER_WINDOW - 1)
"""Samples in one window: 1.15 s."""

_OVERSAMPLING = 4
"""Points of the correlation for each sample, so that three points of a peak lie on a parabola. Fewer bias its place,
more cost time."""

_DIRECTION_BINS = 400
"""Weightiest bins that measure a window's direction. A thousand, as it was first, took longer; fewer measure it less
surely."""

BAND_HZ = (250.0, 7000.0)
"""Wind, handling and the camera's own hum lie below; what a lossy codec drops lies above."""


@dataclass(frozen=True, slots=True, eq=False)
class CrossWindows:
    """What the windows of one clip and one take measure along one clock law."""

    times_s: FloatArray
    """Clip time of each window's middle, shape (windows,)."""
    phases: ComplexArray
    """Mean whitened cross-spectrum, shape (windows, camera channels, bins)."""
    law: ClockLaw
    """The law along which the take was read."""
    rate_hz: int
    directions: FloatArray
    """Where each window's sound comes from, unit vectors in the MICROPHONE's axes, shape (windows, 3); NaN where no
    direction is found, or none was asked for."""

    @property
    def frequencies_hz(self) -> FloatArray:
        """Frequency of each bin, shape (bins,)."""
        return np.asarray(_bins(self.rate_hz) * (self.rate_hz / BLOCK))


def cross_windows(
    clip: Samples,
    take: Samples,
    law: ClockLaw,
    *,
    aimed: bool = False,
    span_s: tuple[float, float] | None = None,
    every_s: float | None = None,
    max_windows: int = 400,
    progress: Callable[[float], None] | None = None,
) -> CrossWindows:
    """Whitened cross-spectra of clip and take, reading the take along a clock law ([1], phase transform).

    Parameters
    ----------
    clip : Samples
        The camera's sound, one or more channels.
    take : Samples
        The field in internal form (W, Y, Z, X), at the same rate.
    law : ClockLaw
        Where to read the take; its error must stay well under the 256 ms of a block.
    aimed : bool
        Find each window's direction first and hear the take through a cardioid that looks there, deaf behind, where
        the room's noise has its strongest false peak.
    span_s : tuple of float, optional
        Only windows that lie between these clip times.
    every_s : float, optional
        From one window to the next; by default they overlap by one half block.
    max_windows : int
        At most so many windows, evenly spread over the overlap.
    progress : callable, optional
        Told the part done, 0 to 1.

    Returns
    -------
    CrossWindows
        Without windows in which either is wholly silent, as where a take was padded; with none at all where clip
        and take do not overlap by a window.
    """
    rate = clip.rate_hz
    begin, end = span_s or (0.0, clip.length / rate)
    first = max(0.0, law.clip_from_take(0.0), begin) * rate
    last = min(float(clip.length), law.clip_from_take(take.length / rate) * rate, end * rate) - WINDOW
    starts = _window_starts(first, last, round(every_s * rate) if every_s else WINDOW - HOP, max_windows)
    offsets = np.arange(BLOCKS_PER_WINDOW) * HOP
    lead_in = int(LEAD_IN_S * rate) if aimed else 0

    def spans() -> Iterator[_Span]:
        for number, start in enumerate(starts):
            # By the law at each block's middle: a block has one lag, and drift makes its ends differ.
            predicted = _predicted(law, (start + offsets + BLOCK / 2) / rate) * rate - BLOCK / 2
            whole = np.floor(predicted).astype(int)
            lowest = int(np.min(whole)) - lead_in
            yield _Span(
                heard=clip.read(start, start + WINDOW).astype(np.float32),
                field=take.read(lowest, int(np.max(whole)) + BLOCK, channels=None if aimed else 1).astype(np.float32),
                whole=whole - lowest,
                part=predicted - whole,
            )
            if progress is not None:
                progress((number + 1) / len(starts))

    results = list(while_reading(partial(_window, rate_hz=rate, lead_in=lead_in), spans()))
    told = [(start, *result) for start, result in zip(starts, results, strict=True) if result is not None]
    shape = (0, clip.read(0, 1).shape[0], _bins(rate).size)
    return CrossWindows(
        times_s=(np.array([start for start, _, _ in told], dtype=float) + WINDOW / 2) / rate,
        phases=np.array([phases for _, phases, _ in told]) if told else np.zeros(shape, dtype=np.complex64),
        law=law,
        rate_hz=rate,
        directions=np.array([direction for _, _, direction in told]).reshape(-1, 3),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Span:
    """What was read for one window."""

    heard: FloatArray
    field: FloatArray
    whole: npt.NDArray[np.int_]
    """Where each block begins in the field, whole samples."""
    part: FloatArray
    """What reading at whole samples leaves over, samples."""


def _window(span: _Span, *, rate_hz: int, lead_in: int) -> tuple[ComplexArray, FloatArray] | None:
    """Mean whitened cross-spectrum and direction of a window; None where either side is silent."""
    if not (span.heard.any() and span.field[W, lead_in:].any()):
        return None
    bins = _bins(rate_hz)
    taper = np.hanning(BLOCK).astype(np.float32)
    direction = _direction(span.field, rate_hz) if lead_in else np.full(3, np.nan)
    beam = _beam(span.field, direction)
    x = _spectrum(sliding_window_view(span.heard, BLOCK, axis=1)[:, : HOP * BLOCKS_PER_WINDOW : HOP], taper, bins)
    y = _spectrum(sliding_window_view(beam, BLOCK)[span.whole], taper, bins)
    return np.mean(unit_phase(np.conj(x) * (y * lead_phases(span.part / BLOCK, bins))), axis=1), direction


def lead_phases(part: FloatArray, bins: npt.NDArray[np.int_]) -> ComplexArray:
    """What undoes that blocks were read too early by a part of their length, shape (blocks, bins)."""
    turns = np.outer(2 * np.pi * part, bins).astype(np.float32)
    phases = np.empty(turns.shape, dtype=np.complex64)
    np.cos(turns, out=phases.real)
    np.sin(turns, out=phases.imag)
    return phases


def lag_curves(
    phases: ComplexArray, rate_hz: int, *, max_lag_s: float, weights: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Correlation over lag from whitened cross-spectra.

    Parameters
    ----------
    phases : ndarray, shape (..., bins)
        Cross-spectra on the bins that `cross_windows` uses.
    rate_hz : int
        Sample rate of the sound, Hz.
    max_lag_s : float
        Curves run from -max_lag_s to +max_lag_s, seconds.
    weights : ndarray, shape (bins,), optional
        How much each frequency counts; equal where not given.

    Returns
    -------
    lags_s : ndarray, shape (lags,)
    curves : ndarray, shape (..., lags)
        1 where every frequency agrees.
    """
    bins = _bins(rate_hz)
    weight = np.ones(bins.size) if weights is None else weights
    size = BLOCK * _OVERSAMPLING
    spectrum = np.zeros((*phases.shape[:-1], size // 2 + 1), dtype=np.complex64)
    spectrum[..., bins[0] : bins[-1] + 1] = phases * (weight / np.sum(weight))
    circular = fft.irfft(spectrum, size)
    step = int(max_lag_s * rate_hz * _OVERSAMPLING)
    curves = np.concatenate([circular[..., size - step :], circular[..., : step + 1]], axis=-1)
    curves *= size / 2
    return np.arange(-step, step + 1) / (rate_hz * _OVERSAMPLING), curves


def signed_curves(windows: CrossWindows, signs: FloatArray, *, max_lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Correlation over lag of each window, the camera's channels taken together.

    Parameters
    ----------
    windows : CrossWindows
    signs : ndarray, shape (camera channels,)
        +1 or -1: -1 is wired the wrong way round.
    max_lag_s : float

    Returns
    -------
    lags_s, curves : ndarray, shape (lags,), (windows, lags)
    """
    phases = np.tensordot(windows.phases, signs / len(signs), axes=(1, 0))
    return lag_curves(phases, windows.rate_hz, max_lag_s=max_lag_s)


def scatter_of(curves: FloatArray) -> FloatArray:
    """Scatter of curves about nothing, along the last axis: what a peak's height is held against; never 0."""
    return np.asarray(np.maximum(1.4826 * np.median(np.abs(curves), axis=-1), 1e-9))


def refine_peak(curve: FloatArray, index: int) -> tuple[float, float]:
    """Place and height of a peak between samples, by the parabola through three points.

    Parameters
    ----------
    curve : ndarray, shape (lags,)
    index : int
        A local maximum.

    Returns
    -------
    place, height : float
        Place in samples of the curve; at an edge, the edge itself.

    Examples
    --------
    >>> refine_peak(np.array([0.0, 1.0, 0.5]), 1)[0].__round__(4)
    1.1667
    """
    if not 0 < index < len(curve) - 1:
        return float(index), float(curve[index])
    before, top, after = (float(value) for value in curve[index - 1 : index + 2])
    bend = before - 2 * top + after
    if bend >= 0:
        return float(index), top
    shift = 0.5 * (before - after) / bend
    return index + shift, top - 0.25 * (before - after) * shift


def _bins(rate_hz: int) -> npt.NDArray[np.int_]:
    low, high = (round(edge * BLOCK / rate_hz) for edge in BAND_HZ)
    return np.arange(low, high)


def _direction(field: FloatArray, rate_hz: int) -> FloatArray:
    """Where a window's sound comes from; the field starts LEAD_IN_S early."""
    bins = field_bins(field, rate_hz)
    return span_direction(bins, LEAD_IN_S, field.shape[1] / rate_hz, most_bins=_DIRECTION_BINS).vector


def _beam(field: FloatArray, look: FloatArray) -> FloatArray:
    """A field through a cardioid; through W for a direction of NaN."""
    if np.isnan(look).any():
        return np.asarray(field[W])
    return np.asarray(0.5 * field[W] + 0.5 * np.tensordot(look.astype(np.float32), field[[X, Y, Z]], axes=1))


def _predicted(law: ClockLaw, clip_times_s: FloatArray) -> FloatArray:
    if not law.steps:
        return clip_times_s * law.ratio + law.offset_s
    return np.array([law.take_from_clip(float(time)) for time in clip_times_s])


def _window_starts(first: float, last: float, every: int, most: int) -> list[int]:
    if last < first:
        return []
    count = int((last - first) // every) + 1
    return [int(start) for start in np.linspace(np.ceil(first), np.floor(last), min(count, most))]


def _spectrum(blocks: FloatArray, taper: FloatArray, bins: npt.NDArray[np.int_]) -> ComplexArray:
    """Spectra of blocks without their mean; what lies 120 dB below a block is its rounding, not its sound."""
    power = np.einsum("...n,...n->...", blocks, blocks)[..., np.newaxis] / BLOCK
    level = blocks - np.mean(blocks, axis=-1, keepdims=True)
    level *= taper
    spectrum = fft.rfft(level, overwrite_x=True)[..., bins[0] : bins[-1] + 1]
    return np.asarray(spectrum * (spectrum.real**2 + spectrum.imag**2 > (1e-6 * BLOCK) ** 2 * power))


def unit_phase(spectrum: ComplexArray) -> ComplexArray:
    """The spectrum with every size set to one; nothing stays nothing."""
    size = np.abs(spectrum)
    sounding = size > 1e-20
    return np.asarray(spectrum * (sounding / np.where(sounding, size, 1)))


# --- the stack of all windows ---

SEARCH_S = 0.040
"""The stack reaches this far on both sides of the candidate: several times the coarse search's error."""

NEAR_S = 0.002
"""A window that agrees lies within this of the law: a rig's size, and a little for reflections."""

_SMEAR_S = 30e-6
"""A drift that moved by this over a window has smeared its curves, seconds: about half a sample at 16 kHz. Beyond it
the windows are read anew along the better law; a smaller value costs time, a larger one leaves peaks blurred."""

_CLEAR_SCORE = 16.0
"""Below this height a trial is read anew along its better law in any case, since a score near the limit decides on a
match."""

_TRIAL_WINDOWS = 160
"""Most windows of a trial, evenly spread. Each costs the same time; with fewer, long clips score lower."""

_COARSE_ERROR_S = 0.015
"""Seconds by which the coarse search may be wrong at one end of a clip against the other: a frame and a half of the
envelope. Drifts beyond it are not tried."""

_SLOPE_STEP_S = 60e-6
"""From one tried drift to the next, seconds at the ends of the clip: about a sample at 16 kHz. Smaller steps cost time,
with larger ones the peak falls between two."""


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One candidate, looked at closely."""

    law: ClockLaw
    """The candidate, corrected by where the stack is highest."""
    score: float
    """Height of the stack over its own scatter."""
    rival: float
    """The same for the best place away from the peak."""
    signs: FloatArray
    """+1 or -1 for each camera channel: -1 is wired the wrong way round."""
    lags_s: FloatArray
    curve: FloatArray
    """The stacked correlation around the peak, shape (lags,)."""


def try_law(clip: Samples, take: Samples, law: ClockLaw) -> Trial:
    """Stack the windows' curves along every small change of the law; keep the best, twice where it moves much."""
    trial = stack_windows(cross_windows(clip, take, law, max_windows=_TRIAL_WINDOWS))
    moved = abs(trial.law.drift_ppm - law.drift_ppm) * 1e-6 * WINDOW / clip.rate_hz
    if moved > _SMEAR_S or trial.score < _CLEAR_SCORE:
        again = stack_windows(cross_windows(clip, take, trial.law, max_windows=_TRIAL_WINDOWS))
        trial = max(trial, again, key=lambda t: t.score)
    return trial


def stack_windows(windows: CrossWindows) -> Trial:
    """Stack the windows' curves along every small change of their law; score 0 where there is no window."""
    lags, curves = lag_curves(windows.phases, windows.rate_hz, max_lag_s=SEARCH_S)
    if len(windows.times_s) == 0:
        return Trial(windows.law, 0.0, 0.0, np.ones(curves.shape[1]), lags, np.zeros_like(lags))
    times = windows.times_s - np.mean(windows.times_s)
    slopes = _slopes(float(np.ptp(times)))
    channels = curves.shape[1]
    # A camera channel wired the wrong way round turns its correlation over: try both ways.
    choices = [np.ones(channels)] + ([np.array([1.0, -1.0])] if channels == 2 else [])
    best: Trial | None = None
    for signs in choices:
        summed = np.tensordot(curves, (signs / channels).astype(np.float32), axes=(1, 0))
        stacked = _along(summed, np.outer(slopes, times), lags)
        scatter = float(scatter_of(stacked.ravel()))
        row, column = np.unravel_index(int(np.argmax(np.abs(stacked))), stacked.shape)
        flip = float(np.sign(stacked[row, column]))
        curve = stacked[row] * flip
        place, height = refine_peak(curve, int(column))
        apart = np.abs(np.arange(curve.size) - column) * (lags[1] - lags[0]) > NEAR_S
        slope = float(slopes[row])
        lag = float(np.interp(place, np.arange(lags.size), lags)) - slope * float(np.mean(windows.times_s))
        trial = Trial(
            law=windows.law.moved(lag, slope),
            score=height / scatter,
            rival=float(np.max(curve[apart])) / scatter,
            signs=signs * flip,
            lags_s=lags - lags[column],
            curve=curve,
        )
        if best is None or trial.score > best.score:
            best = trial
    assert best is not None
    return best


def _slopes(span_s: float) -> FloatArray:
    """Slopes worth trying: what the coarse search leaves open, in steps that the curves can resolve."""
    if span_s == 0:
        return np.zeros(1)
    widest = min(MAX_DRIFT_PPM * 1e-6, _COARSE_ERROR_S / span_s)
    steps = int(np.ceil(widest * span_s / 2 / _SLOPE_STEP_S))
    return np.arange(-steps, steps + 1) * (_SLOPE_STEP_S / (span_s / 2))


def _along(curves: FloatArray, shifts_s: FloatArray, lags: FloatArray) -> FloatArray:
    """Mean of the curves, each read at lag + shift, for each row of shifts: shape (rows, lags)."""
    steps = np.rint(shifts_s / (lags[1] - lags[0])).astype(int)
    # What is shifted past the edge is left out: there a sum of fewer curves is lower, never falsely high.
    beside = int(np.max(np.abs(steps), initial=0))
    shifted = sliding_window_view(np.pad(curves, ((0, 0), (beside, beside))), curves.shape[1], axis=1)
    rows = np.arange(len(curves))
    return np.stack([shifted[rows, beside + row].mean(axis=0) for row in steps])
