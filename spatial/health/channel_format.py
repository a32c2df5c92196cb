"""What four channels are, by their sound: order, normalisation, or a microphone's capsules.

Goal: distinguish ACN/SN3D, ACN/N3D, FuMa and raw capsules, with odds, and state where the sound does not decide.
Method: measured from 200 to 2500 Hz, where a microphone is neither pulled by near sources nor too large, are
- the power of X, Y and Z over that of W [1], over all that is clear of the steady noise, with loud and faint stretches
  weighing almost alike: a microphone's own noise is no field, and has up to 9 dB more of X, Y and Z. Where nothing is
  clear of it, all counts. The ratio decides the normalisation (field_scores), though it is now and then off by some dB;
- the same ratio on the leading edges of sounds, where one wave arrives alone: there it holds in every single bin, and
  it does not hold in channels that are no field. The channel for which it is steadiest behaves as W;
- whether the channels rise and fall together: capsules all do, for they point into the same sound, and yet high notes
  reach them one after the other, as they do not reach tracks that were panned. Neither depends on gains (capsule_score,
  alone_score);
- which channel is least in those edges: the vertical one, as performers stand around. It alone decides the order of the
  channels (order_evidence): gains do not show it, or a published file whose W is 3 dB too hot would be read in another
  order.
Notes: a microphone on its side records in one order what an upright one does in the other. Only that most stand or
hang, and the gains, speak for one of the two, and neither makes it sure alone.
Conventions: spatial.conventions (field; array layout). Scores are log-likelihoods over anything else.
Functions: measure_convention (of four channels); find_channels (which four of a wider file); live_channels;
field_scores, order_evidence, capsule_score, alone_score (the three questions); band_spectra (cells of time and
frequency); single_waves, leading_edges (the gains of those in which one wave arrives alone); ratios_db, steadiest,
power_ratio_db (of one channel against the others).
Sources:
[1] Nachbar, Zotter, Deleflie and Sontacchi 2011, "AmbiX - A Suggested Ambisonics Format", Ambisonics Symposium: SN3D
and N3D. The ratio follows from the gains of one plane wave: it is 1 in SN3D, 2 in FuMa and 3 in N3D, in a plane wave
and in a diffuse field alike.
"""

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d, uniform_filter

from spatial.conventions import FIRST_ORDER_CHANNELS, ComplexArray, FloatArray
from spatial.dsp.stft import framed_spectra
from spatial.errors import InputError

# --- cells ---

_EDGE_BAND_HZ = 400.0, 2500.0
"""Band of the leading edges, Hz. Above it sound aliases between a small microphone's capsules; below it the bins of so
short a frame (94 Hz) hold several partials at once."""

_EDGE_FRAME_S = 0.0106
"""Length of a frame of the edges, seconds: short, so that the direct sound stands before its reflections."""

_PAST_FRAMES, _RISE_DB, _REAL = 48, 10.0, 0.95
"""An edge stands this far above all of so many frames before, its channels in phase to this part."""
_GROUPS = 12
"""Groups of frequencies, whose scatter measures how well the whole ratio is known."""


def band_spectra(
    channels: FloatArray, rate_hz: int, frame_s: float, overlap: int, band_hz: tuple[float, float]
) -> ComplexArray:
    """Short-time spectra in a band, shape (channels, frames, bins)."""
    size = int(fft.next_fast_len(round(frame_s * rate_hz), real=True))
    low, high = (round(hz * size / rate_hz) for hz in band_hz)
    bins = slice(max(low, 1), high + 1)
    return framed_spectra(channels, np.hanning(size).astype(np.float32), size // overlap, bins=bins)


def single_waves(cells: ComplexArray, least: float = 0.97) -> tuple[FloatArray, FloatArray]:
    """Real gains of the cells, shape (4, cells), in which all channels are in phase or against it; and where."""
    square = np.sum(cells**2, axis=0)
    power = np.sum(np.abs(cells) ** 2, axis=0)
    real = np.abs(square) > least * power
    turned = np.real(cells[:, real] * np.exp(-0.5j * np.angle(square[real])))
    sign = np.where(turned.sum(axis=0) < 0, -1.0, 1.0)
    size = np.sqrt(np.sum(turned**2, axis=0))
    return np.asarray(turned * sign / np.maximum(size, 1e-30)), real


def leading_edges(channels: FloatArray, rate_hz: int) -> FloatArray:
    """Gains in the cells that stand far above what came before, shape (4, cells)."""
    spectra = band_spectra(channels, rate_hz, _EDGE_FRAME_S, 4, _EDGE_BAND_HZ)
    power = np.sum(np.abs(spectra) ** 2, axis=0)
    # The four frames before overlap with this one.
    past = maximum_filter1d(power, _PAST_FRAMES, axis=0, origin=_PAST_FRAMES // 2 - 1)
    past = np.concatenate([np.full((4 + _PAST_FRAMES, power.shape[1]), np.inf), past[_PAST_FRAMES:-4]])[: len(power)]
    rising = (power > past * 10 ** (_RISE_DB / 10)) & (power > np.median(power))
    return single_waves(spectra[:, rising], _REAL)[0]


def ratios_db(gains: FloatArray, omni: int = 0) -> FloatArray:
    """Power of the other three gains over that of `omni`, dB, in each cell."""
    return np.asarray(10 * np.log10((1.0 - gains[omni] ** 2 + 1e-9) / (gains[omni] ** 2 + 1e-9)))


def steadiest(ratios: FloatArray, width: float, grid: FloatArray) -> tuple[float, float]:
    """Where most of the ratios lie together, and how many of them."""
    density = np.exp(-0.5 * ((ratios[:, np.newaxis] - grid) / width) ** 2).mean(axis=0)
    return float(grid[int(np.argmax(density))]), float(density.max())


def power_ratio_db(powers: FloatArray) -> tuple[float, float]:
    """Power of the last three channels over the first, dB, and its scatter by groups of frequencies.

    Performers who stand still are heard over the same paths all the time: only frequencies are so many trials.
    """
    groups = np.stack([part.sum(axis=(1, 2)) for part in np.array_split(powers, _GROUPS, axis=2)], axis=1)
    whole = 10 * np.log10(groups[1:].sum() / max(groups[0].sum(), 1e-30))
    own = 10 * np.log10(np.maximum(groups[1:].sum(axis=0), 1e-30) / np.maximum(groups[0], 1e-30))
    shares = groups.sum(axis=0) / groups.sum()
    return float(whole), float(np.sqrt(np.sum(shares**2 * (own - whole) ** 2)))


# --- scores ---

RATIO_DB = {"sn3d": 0.0, "fuma": 3.01, "n3d": 4.77}
"""Power of X, Y, Z over W by normalisation, dB (source [1] of spatial.health.channel_format)."""

VERTICAL = {"acn": {1: 0.07, 2: 0.92, 3: 0.01}, "fuma": {1: 0.01, 2: 0.07, 3: 0.92}}
"""How often each channel is the vertical one, by the order of the channels: microphones stand or hang, but for some
that lie on their side; hardly one points up (common practice, no source)."""

FEWEST_EDGES, _MANY_EDGES = 12, 60
"""Fewer than the first decide nothing, fewer than the second only so much of how steady a ratio is: notes that begin in
the ringing of others leave few."""

_POWER_BIAS_DB, _POWER_SD_DB = 0.30, 0.15
"""Mean error of the ratio of powers, and its standard deviation beyond its own scatter. What aliases between the
capsules makes ratios too high. These three pairs are from 75 simulated microphones (tests/bench/convention.py, seeds
500 to 599), rounded up."""

_EDGE_BIAS_DB, _EDGE_SD_DB = 0.35, 0.3
"""The same of the ratio on leading edges."""

_GAINS_SD_DB, _TAIL = 0.31, 12
"""Standard deviation of the microphone's gains, which both ratios share, dB, and the freedom of Student's law that
their errors follow."""

_OFF, _OFF_SD_DB = 0.25, 2.2
"""How often the gains of a file, W's above all, are off by more than that, and by how much. Chosen together with
VERTICAL on seeds 500 to 539 of make_format_scene and 5000 to 5039 of make_four_forms."""

_UPRIGHT, _UPRIGHT_LEFT, _UPRIGHT_EDGES = 0.08, 0.03, 15
"""Mean part of the vertical channel in the direct sound of performers who stand around, how often it is as any other's,
and the number of edges that count half of what many do. By 40 simulated microphones (tests/scenes/convention.py,
make_four_forms, seeds 5000 to 5039): the sign was right in 106 of 108, and the worse of the two others was -0.4."""

_ONE_PLACE_RAD, _MOST_WAVES = np.radians(10.0), 600
"""Edges this near each other come from one place; and so many are enough."""

_ASTRAY, _ASTRAY_PER_DB = 0.05, 1.0 / 16.0
"""How often either ratio is that of something else, and how it is spread then."""

KERNEL_DB, _KERNEL = 0.7, 0.07
"""Widths of the kernels by which the steadiness of ratios (dB) and of sizes (parts of W) is measured. A wider one finds
any ratio steady, a narrower one finds none."""

_SUMS = 0.5 * np.array([[1, 1, 1, 1], [1, 1, -1, -1], [1, -1, 1, -1], [1, -1, -1, 1]])
"""From four capsules at the corners of a tetrahedron to their sum and the three differences, each of equal power."""


def field_scores(ratio: tuple[float, float], edges: FloatArray) -> tuple[dict[str, float], float]:
    """Log-likelihoods of the three normalisations over anything else, and the steadiness of the edges."""
    power = ratio[0] - _POWER_BIAS_DB, ratio[1] ** 2 + _POWER_SD_DB**2
    if edges.shape[1] < FEWEST_EDGES:
        return {name: float(np.log(_fit(*power, expected_db))) for name, expected_db in RATIO_DB.items()}, np.nan
    edge_db, steadiness = steadiest(ratios_db(edges), KERNEL_DB, np.arange(-8.0, 14.01, 0.1))
    edge = edge_db - _EDGE_BIAS_DB, _EDGE_SD_DB**2 + 4.0 / (edges.shape[1] * max(steadiness, 0.1))
    variance = 1 / (1 / power[1] + 1 / edge[1])
    both = (power[0] / power[1] + edge[0] / edge[1]) * variance, variance
    # Either they are of one thing, or one of them has gone astray: far apart, they leave it open which.
    apart = power[1] + edge[1]
    agree = (1 - 2 * _ASTRAY) * np.exp(-0.5 * (power[0] - edge[0]) ** 2 / apart) / np.sqrt(2 * np.pi * apart)
    astray = _ASTRAY * _ASTRAY_PER_DB
    steady = float(np.clip(25.0 * (steadiness - 0.36), -8.0, 3.0)) * float(
        np.clip(edges.shape[1] / _MANY_EDGES, 0.5, 1.0)
    )
    scores = {}
    for name, expected_db in RATIO_DB.items():
        one = agree * _fit(*both, expected_db) + astray * (_fit(*power, expected_db) + _fit(*edge, expected_db))
        scores[name] = steady + float(np.log(one / (agree + 2 * astray)))
    return scores, steadiness


def _fit(measured_db: float, variance: float, expected_db: float) -> float:
    """How much likelier a ratio is where another is expected than where it may be anything."""
    sd_db = np.sqrt(variance + _GAINS_SD_DB**2)
    # Student's t: simulated microphones stray further now and then than a bell curve has it.
    away = ((measured_db - expected_db) / sd_db) ** 2
    right = (1 + away / _TAIL) ** (-(_TAIL + 1) / 2) * 8.0 / sd_db
    off_sd_db = np.sqrt(variance + _OFF_SD_DB**2)
    off = np.exp(-0.5 * ((measured_db - expected_db) / off_sd_db) ** 2) * 8.0 / off_sd_db
    return float((1.0 - _OFF) * right + _OFF * off)


def order_evidence(edges: FloatArray) -> tuple[int, float] | None:
    """Which of the last three channels is the vertical one, and the log-odds of FuMa's order over ACN's it gives.

    Parameters
    ----------
    edges : ndarray, shape (4, edges)
        Gains of the channels in the leading edges of sounds.

    Returns
    -------
    vertical, log_odds
        None where too few edges tell.
    """
    if edges.shape[1] < FEWEST_EDGES:
        return None
    waves = edges[:, :: 1 + edges.shape[1] // _MOST_WAVES]
    towards = waves[1:] * np.where(waves[0] < 0, -1.0, 1.0)
    towards = (towards / np.maximum(np.linalg.norm(towards, axis=0), 1e-9)).T
    # Who claps a hundred times in one place is less evidence than a hundred claps all around.
    apart = np.arccos(np.clip(towards @ towards.T, -1.0, 1.0))
    weights = np.sum(np.exp(-0.5 * (apart / _ONE_PLACE_RAD) ** 2), axis=1) ** -0.5
    parts = weights @ towards**2 / weights.sum()
    # Performers stand around: the vertical channel has little of their direct sound, the two others any part.
    likely = np.log((1.0 - _UPRIGHT_LEFT) * np.exp(-parts / _UPRIGHT) / _UPRIGHT + _UPRIGHT_LEFT)
    likely *= edges.shape[1] / (edges.shape[1] + _UPRIGHT_EDGES)
    by_order = {
        order: np.log(sum(share * np.exp(likely[channel - 1]) for channel, share in shares.items()))
        for order, shares in VERTICAL.items()
    }
    return 1 + int(np.argmin(parts)), float(by_order["fuma"] - by_order["acn"])


def capsule_score(covariance: FloatArray, together: float, positive: float, edges: FloatArray) -> float:
    """Log-likelihood of capsules over anything else."""
    turned = _SUMS @ covariance @ _SUMS.T
    ratio_db = 10 * np.log10(max(np.trace(turned[1:, 1:]), 1e-30) / max(turned[0, 0], 1e-30))
    # Omni parts of 0.4 to 0.75 give -1.3 to -14 dB.
    score = -0.5 * min(((ratio_db + 6.5) / 2.5) ** 2, 40.0) + 1.0
    levels_db = 10 * np.log10(np.maximum(np.diag(covariance), 1e-30))
    score -= 0.5 * min(float(np.var(levels_db)) / 1.5**2, 20.0)
    score += float(np.clip(20 * (positive - 0.72), -8.0, 4.0)) + float(np.clip(10 * (together - 0.3), -6.0, 3.0))
    if edges.shape[1] >= FEWEST_EDGES:
        waves = _SUMS @ edges
        sizes = np.sqrt(np.sum(waves[1:] ** 2, axis=0)) / np.maximum(np.abs(waves[0]), 1e-9)
        _, steadiness = steadiest(sizes, _KERNEL, np.arange(0.0, 2.001, 0.01))
        score += float(np.clip(25.0 * (steadiness - 0.4), -6.0, 3.0))
    return float(score)


def alone_score(together: float, positive: float) -> float:
    """Log-odds of capsules over a field by likeness alone."""
    return float(np.clip(20 * (positive - 0.72), -6.0, 6.0) + np.clip(10 * (together - 0.2), -4.0, 4.0))


# --- the decision ---

OTHER = "other"
"""Name among the odds of all that is none of the known formats."""

_Key = tuple[str, str]
"""Order and normalisation of a field; what it is otherwise, and nothing."""

SURE = 0.93
"""Odds from which an answer is given as sure."""

_PRIOR = {
    ("acn", "sn3d"): 0.34,
    ("acn", "n3d"): 0.175,
    ("acn", "fuma"): 0.01,
    ("fuma", "fuma"): 0.18,
    ("fuma", "sn3d"): 0.025,
    ("aformat", ""): 0.25,
    (OTHER, ""): 0.02,
}
"""How often each order and normalisation is met; W of some files in FuMa's order is not 3 dB down, and of a few in
ACN's it is (common practice, no source)."""

_FORMATS = {("acn", "sn3d"): "ambix", ("acn", "fuma"): "ambix", ("acn", "n3d"): "n3d"}
"""What these are read as; else it is named by its order."""

_POWER_BAND_HZ = 200.0, 1200.0
"""Band of the ratio of powers, Hz: where a microphone is neither pulled by near sources nor too large."""

_POWER_FRAME_S = 0.042
"""Length of a frame there, seconds: bins of 24 Hz part the partials of a voice."""

_LOUDEST, _EVENING = 0.7, 0.9
"""Part of the cells, the loudest ones, that count, and the power by which their own power is evened out: at 1 loud and
faint ones would weigh alike, at 0 the loudest decide."""

_FLOOR, _CLEAR, _CLEAR_LEAST = 0.1, 10.0, 100
"""Cells are clear of the noise at this many times the power that this part of the time stays below, at each frequency;
fewer than so many do not count."""

_SCORES_SPREAD = 1.0
"""Scores of the likely places in a wider file that differ by less leave it open which is right."""

_PHASE_BAND_HZ, _IN_PHASE, _IN_PHASE_WEIGHT = (3000.0, 7000.0), 0.93, 250.0
"""Band in which channels that are panned are found, Hz; phase agreement from which they are; and the weight of what
exceeds it. Sounds at 5 kHz are in phase to 0.8 at most in capsules 8 mm from the centre and more, and wholly in panned
tracks."""

_LEAST_INDEPENDENT = -60.0
"""Channels that are the same have a log-determinant without end."""

_LIVE = 1e-4
"""Part of the loudest channel's RMS below which a channel is empty: -80 dB."""


@dataclass(frozen=True, slots=True)
class MeasuredConvention:
    """What four channels seem to be."""

    odds: Mapping[str, float]
    """Of "ambix", "n3d", "fuma", "aformat" and "other"; they add up to 1."""
    order_odds: Mapping[str, float]
    """If it is a field: of "acn" (W, Y, Z, X) and "fuma" (W, X, Y, Z)."""
    normalisation_odds: Mapping[str, float]
    """If it is a field: of "sn3d", "n3d" and "fuma" (W 3 dB down)."""
    score: float
    """Log-likelihood of the likeliest format over anything else; below 0 where none fits."""
    independent: float
    """Log-determinant of the channels' correlation: 0 where each is independent, very negative where one is mixed
    from the others."""
    ratio_db: float
    ratio_sd_db: float
    """Power of the last three channels over the first, and its own scatter."""
    steadiness: float
    """Part of the leading edges in which that ratio holds; NaN where there were too few."""
    together: float
    """Least correlation of any two channels: capsules have 0.4 and more."""
    positive: float
    """Part of single bins in which all channels have one sign."""
    omni: int | None
    """The channel that behaves as W; None where none does, or there are too few edges."""
    vertical: int | None
    """The channel, of the last three, that edges move least; None where there are too few."""

    @property
    def best(self) -> str:
        """The likeliest."""
        return max(self.odds, key=lambda name: self.odds[name])

    @property
    def sure(self) -> bool:
        """Whether the likeliest is a known format, and its odds leave hardly a doubt.

        Of fields in which no single sound begins the gains alone would tell the order, and they do not.
        """
        told = self.vertical is not None or self.best == "aformat"
        return self.best != OTHER and self.odds[self.best] >= SURE and told


def live_channels(channels: FloatArray) -> list[int]:
    """Channels that are not empty: 80 dB below the loudest a channel carries nothing of the same field."""
    powers = np.sqrt(np.mean(np.square(channels, dtype=np.float64), axis=1))
    return [int(n) for n in np.flatnonzero(powers > _LIVE * powers.max(initial=0.0))]


def find_channels(channels: FloatArray, rate_hz: int) -> tuple[tuple[int, ...], MeasuredConvention] | None:
    """Find the four channels of a wider recording that are a field, or capsules, best.

    Any four that stand one after the other, empty ones left out: a mixed-down stereo may come first or last. Of the
    fields of higher order, the first four are the first-order part.

    Parameters
    ----------
    channels : ndarray, shape (4 or more, samples)
        As in the file.
    rate_hz : int

    Returns
    -------
    picked, measured : tuple of int, MeasuredConvention
        None where fewer than four channels are live, or hardly any sound is there.
    """
    live = live_channels(channels)
    if len(channels) == FIRST_ORDER_CHANNELS and len(live) == FIRST_ORDER_CHANNELS - 1 and live[0] == 0:
        # A recording without height is a field too, and the silent channel shows its order.
        live = list(range(FIRST_ORDER_CHANNELS))
    found: list[tuple[tuple[int, ...], MeasuredConvention]] = []
    for first in range(len(live) - FIRST_ORDER_CHANNELS + 1):
        picked = tuple(live[first : first + FIRST_ORDER_CHANNELS])
        with suppress(InputError):
            found.append((picked, measure_convention(channels[list(picked)], rate_hz)))
    if not found:
        return None
    # Where other sound stands before a field, it is a pair or two; most often none does. What was mixed down from the
    # field repeats what stands beside it.
    scores = np.array(
        [
            one.score + one.independent - (0.5 if first % 2 == 0 else 4.0) * (first > 0)
            for first, (_, one) in enumerate(found)
        ]
    )
    best = int(np.argmax(scores))
    picked, measured = found[best]
    doubt = 1.0 - 1.0 / float(np.sum(np.exp((scores - scores[best]) / _SCORES_SPREAD)))
    odds = {name: (1.0 - doubt) * value + (doubt if name == OTHER else 0.0) for name, value in measured.odds.items()}
    return picked, replace(measured, odds=odds)


def measure_convention(channels: FloatArray, rate_hz: int) -> MeasuredConvention:
    """Tell what four channels are.

    Parameters
    ----------
    channels : ndarray, shape (4, samples)
        Stretches of the recording, some seconds or more, put together.
    rate_hz : int

    Raises
    ------
    InputError
        Not four channels, less than a second, or silence.
    """
    if channels.ndim != 2 or channels.shape[0] != FIRST_ORDER_CHANNELS or channels.shape[1] < rate_hz:
        raise InputError(f"a second or more of four channels is needed, got an array of shape {channels.shape}")
    spectra = band_spectra(channels, rate_hz, _POWER_FRAME_S, 2, _POWER_BAND_HZ)
    powers = np.abs(spectra) ** 2
    # A running sum may end a rounding below nothing.
    around = np.maximum(uniform_filter(powers.sum(axis=0), (7, 9)), 0.0)
    if not around.any():
        raise InputError("four silent channels tell nothing")
    weights = np.where(around > np.quantile(around, 1.0 - _LOUDEST), (around + 1e-30) ** -_EVENING, 0.0)
    edges = leading_edges(channels, rate_hz)
    clear = around > _CLEAR * np.quantile(around, _FLOOR, axis=0)
    comes_and_goes = edges.shape[1] >= FEWEST_EDGES or np.count_nonzero(clear) >= _CLEAR_LEAST
    trusted = np.where(clear, weights, 0.0)
    if not comes_and_goes or not trusted.any():
        trusted = weights
    evened = spectra * np.sqrt(weights)
    covariance = np.real(np.einsum("ctf,dtf->cd", evened, evened.conj()))
    level = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    correlation = covariance / np.outer(level, level)
    together = float(correlation[np.triu_indices(FIRST_ORDER_CHANNELS, 1)].min())
    ratio = power_ratio_db(powers * trusted)
    gains, _ = single_waves(spectra[:, weights > 0])
    positive = float(np.mean(gains.min(axis=0) > -0.1 * gains.max(axis=0))) if gains.size else 0.0
    field, steadiness = field_scores(ratio, edges)
    capsule = capsule_score(covariance, together, positive, edges) - _panned(channels, rate_hz)
    alone = alone_score(together, positive)
    capsule += min(alone, 0.0)
    against = max(alone, 0.0)
    if not np.isfinite(steadiness):
        # Nothing but evenly mixed sound: where the channels share nothing at all they may have nothing in common.
        shared = float(np.abs(correlation[np.triu_indices(FIRST_ORDER_CHANNELS, 1)]).max())
        against += float(np.clip(50.0 * (0.15 - shared), 0.0, 6.0))
    omni = _omni(edges)
    if omni not in (None, 0):
        against += 8.0
    ordered = order_evidence(edges)
    fuma = 0.5 * ordered[1] if ordered is not None else 0.0
    scores = {("aformat", ""): capsule, (OTHER, ""): 0.0}
    for order, normalisation in _PRIOR:
        if normalisation:
            scores[order, normalisation] = field[normalisation] - against + (fuma if order == "fuma" else -fuma)
    odds = _odds(scores)
    return MeasuredConvention(
        odds=_summed(odds, lambda key: _FORMATS.get(key, key[0])),
        # Gains alone are no reason for an order: without a vertical channel it stays as likely as it is at all.
        order_odds=_summed(odds if ordered is not None else _PRIOR, lambda key: key[0] if key[1] else None),
        normalisation_odds=_summed(odds, lambda key: key[1] or None),
        score=max(score for key, score in scores.items() if key[0] != OTHER),
        independent=max(float(np.linalg.slogdet(correlation)[1]), _LEAST_INDEPENDENT),
        ratio_db=ratio[0],
        ratio_sd_db=ratio[1],
        steadiness=steadiness,
        together=together,
        positive=positive,
        omni=omni,
        vertical=ordered[0] if ordered is not None else None,
    )


def _panned(channels: FloatArray, rate_hz: int) -> float:
    """What speaks against capsules: channels still in phase where capsules are a good part of a wavelength apart."""
    spectra = band_spectra(channels, rate_hz, _POWER_FRAME_S, 2, _PHASE_BAND_HZ)
    power = np.sum(np.abs(spectra) ** 2, axis=0)
    loud = power > np.quantile(power, 0.8)
    real = np.abs(np.sum(spectra[:, loud] ** 2, axis=0)) / np.maximum(power[loud], 1e-30)
    return float(np.clip(_IN_PHASE_WEIGHT * (np.median(real) - _IN_PHASE), 0.0, 20.0))


def _omni(edges: FloatArray) -> int | None:
    """The channel that behaves as W, whatever its gain."""
    if edges.shape[1] < FEWEST_EDGES:
        return None
    grid = np.arange(-3.0, 8.01, 0.1)
    steady = [steadiest(ratios_db(edges, channel), KERNEL_DB, grid)[1] for channel in range(len(edges))]
    best = int(np.argmax(steady))
    return 0 if steady[0] > steady[best] - 0.25 else best if steady[best] > 0.5 else None


def _odds(scores: Mapping[_Key, float]) -> dict[_Key, float]:
    logs = {key: np.log(_PRIOR[key]) + scores[key] for key in _PRIOR}
    top = max(logs.values())
    whole = sum(np.exp(value - top) for value in logs.values())
    return {key: float(np.exp(value - top) / whole) for key, value in logs.items()}


def _summed(odds: Mapping[_Key, float], name_of: Callable[[_Key], str | None]) -> dict[str, float]:
    """Odds by name, of those that have one, adding up to 1."""
    sums: dict[str, float] = {}
    for key, value in odds.items():
        name = name_of(key)
        if name is not None:
            sums[name] = sums.get(name, 0.0) + value
    whole = max(sum(sums.values()), 1e-300)
    return {name: value / whole for name, value in sums.items()}
