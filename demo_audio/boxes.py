"""Boxes that record: a clock and a start of their own, self-noise, and what cameras do to sound.

Conventions: spatial.conventions (time). "True time" is the time of the room, as in demo_audio.simulate.
Functions: record (a box with its own clock), true_law (the clock law between two boxes), camera_sound (what a
camera makes of its scratch track), power_while_sounding (the level that signal-to-noise ratios refer to),
add_at (lay one piece of sound over another).
"""

import numpy as np
import soxr
from scipy import fft
from scipy.ndimage import gaussian_filter1d
from scipy.signal import butter, sosfilt

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.timebase import ClockLaw


def record(
    signal: FloatArray,
    *,
    rate_hz: int,
    start_s: float,
    duration_s: float,
    rng: np.random.Generator,
    clock_ppm: float = 0.0,
    noise_dbfs: float | None = None,
) -> FloatArray:
    """Record true-time sound with a box that has its own start and its own clock.

    Parameters
    ----------
    signal : ndarray, shape (channels, samples)
        At 48 kHz in true time; silent before and after.
    rate_hz : int
        Rate written on the box.
    start_s : float
        True time of the first sample; exact below one sample.
    duration_s : float
        Length in seconds of the box's own clock.
    rng : numpy.random.Generator
        Makes the self-noise.
    clock_ppm : float
        Positive: the box counts more seconds than pass.
    noise_dbfs : float, optional
        RMS of white self-noise, independent in each channel.

    Returns
    -------
    ndarray, shape (channels, round(duration_s * rate_hz)), float64
    """
    ratio = 1.0 + clock_ppm * 1e-6
    wanted = round(duration_s * rate_hz)
    margin = 2400  # the resampler's and the shift's skirts must not touch the edges
    first = int(np.floor(start_s * DELIVERY_RATE_HZ)) - margin
    needed = int(np.ceil(wanted / (rate_hz * ratio) * DELIVERY_RATE_HZ)) + 2 * margin
    piece = np.zeros((signal.shape[0], needed))
    add_at(piece, np.asarray(signal, float), -first)
    # Slide so that the first wanted instant falls on an input sample whose output index is a whole number.
    out_margin = round(margin / DELIVERY_RATE_HZ * rate_hz * ratio)
    ahead = start_s * DELIVERY_RATE_HZ - first - out_margin * DELIVERY_RATE_HZ / (rate_hz * ratio)
    size = fft.next_fast_len(needed, real=True)
    turn = np.exp(2j * np.pi * fft.rfftfreq(size) * ahead)
    slid = fft.irfft(fft.rfft(piece, size, axis=1) * turn, size, axis=1)[:, :needed]
    taken = soxr.resample(np.ascontiguousarray(slid.T), DELIVERY_RATE_HZ, rate_hz * ratio, "VHQ").T
    out = np.asarray(taken[:, out_margin : out_margin + wanted], dtype=float)
    if noise_dbfs is not None:
        out = out + rng.standard_normal(out.shape) * 10 ** (noise_dbfs / 20)
    return out


def true_law(*, clip_start_s: float, take_start_s: float, clip_ppm: float = 0.0, take_ppm: float = 0.0) -> ClockLaw:
    """The clock law between two boxes that started at these true times.

    Examples
    --------
    >>> law = true_law(clip_start_s=7.0, take_start_s=3.0, take_ppm=50.0)
    >>> round(law.offset_s, 6), round(law.drift_ppm, 6)
    (4.0002, 50.0)
    """
    take_ratio = 1.0 + take_ppm * 1e-6
    drift_ppm = (take_ratio / (1.0 + clip_ppm * 1e-6) - 1.0) * 1e6
    return ClockLaw((clip_start_s - take_start_s) * take_ratio, drift_ppm)


def camera_sound(
    scratch: FloatArray,
    *,
    rate_hz: int,
    rng: np.random.Generator,
    target_dbfs: float = -20.0,
    gain_range_db: float = 10.0,
    ceiling_dbfs: float = -3.0,
    wind_snr_db: float | None = None,
) -> FloatArray:
    """What a camera makes of its scratch: wind and handling, a gain that rides, a limiter. Never a delay.

    Parameters
    ----------
    scratch : ndarray, shape (channels, samples)
    rate_hz : int
    rng : numpy.random.Generator
    target_dbfs, gain_range_db : float
        The gain steers the level towards the target, within half the range up and half down from its mean.
    ceiling_dbfs : float
        Peaks never pass it.
    wind_snr_db : float, optional
        Adds rumble in gusts, independent in each channel, this far below the power while something sounds.

    Returns
    -------
    ndarray, shape (channels, samples)
    """
    heard = np.array(scratch, dtype=float)
    power = power_while_sounding(heard, rate_hz=rate_hz)
    if wind_snr_db is not None:
        smooth = butter(2, (15.0, 150.0), "bandpass", fs=rate_hz, output="sos")
        rumble = sosfilt(smooth, rng.standard_normal(heard.shape), axis=1)
        rumble *= _slow(np.abs(rng.standard_normal(heard.shape[1])) ** 4, rate_hz, spread_s=0.3)
        heard += rumble * np.sqrt(power * 10 ** (-wind_snr_db / 10) / np.mean(rumble**2))
    level = _slow(np.mean(heard**2, axis=0), rate_hz, spread_s=0.5)
    wish_db = target_dbfs - 10 * np.log10(level + 1e-12)
    middle_db = target_dbfs - 10 * np.log10(power + 1e-12)
    half = gain_range_db / 2
    heard *= 10 ** (np.clip(wish_db, middle_db - half, middle_db + half) / 20)
    ceiling = 10 ** (ceiling_dbfs / 20)
    over = np.maximum(np.abs(heard) - 0.5 * ceiling, 0.0)
    limited = np.minimum(np.abs(heard), 0.5 * ceiling) + 0.5 * ceiling * np.tanh(over / (0.5 * ceiling))
    return np.asarray(np.sign(heard) * limited)


def power_while_sounding(signal: FloatArray, *, rate_hz: int) -> float:
    """Mean power of the 0.1 s blocks within 20 dB of the loudest; `signal` has shape (..., samples)."""
    powers = _block_powers(np.atleast_2d(signal) ** 2, rate_hz // 10)
    return float(np.mean(powers[powers >= powers.max() / 100.0]))


def add_at(out: FloatArray, piece: FloatArray, first: int) -> None:
    """Add `piece` to `out` from sample `first` on (which may be negative), leaving out what lies outside."""
    begin, end = max(first, 0), min(first + piece.shape[1], out.shape[1])
    if begin < end:
        out[:, begin:end] += piece[:, begin - first : end - first]


def _block_powers(power: FloatArray, block: int) -> FloatArray:
    """Mean over the channels and over whole blocks; a signal shorter than one block is one block."""
    whole = power.shape[-1] // block * block
    if whole == 0:
        return np.array([np.mean(power)])
    return np.asarray(np.mean(power[..., :whole].reshape(-1, whole // block, block), axis=(0, 2)))


def _slow(power: FloatArray, rate_hz: int, *, spread_s: float) -> FloatArray:
    """The running mean of a power under a bell of this spread, worked out on 10 ms blocks."""
    block = rate_hz // 100
    coarse = gaussian_filter1d(_block_powers(power[np.newaxis], block), spread_s * rate_hz / block)
    middles = (np.arange(coarse.size) + 0.5) * block
    return np.asarray(np.interp(np.arange(power.size), middles, coarse))
