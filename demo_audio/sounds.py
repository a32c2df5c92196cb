"""Voices and instruments of the demo shoot, as one hears them at 1 m, mono at 48 kHz.

Voices come from espeak-ng, a free speech synthesiser that must be installed where the shoot is made; the
instruments are worked out here.
Functions: speech; lute, concertina, hand_drum, hand_bell (one stroke or phrase each); laid_out (many on one
time line).
References: [1] K. Karplus, A. Strong 1983, "Digital Synthesis of Plucked-String and Drum Timbres", CMJ 7(2).
[2] N. Fletcher, T. Rossing, "The Physics of Musical Instruments": modes of a membrane and of a bell.
"""

import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy.signal import butter, lfilter, sosfiltfilt

from spatial.conventions import DELIVERY_RATE_HZ, FloatArray
from spatial.errors import InputError

HIGHEST_HZ = 6000.0  # of any source: keeps the takes small, and a small microphone tells no direction above

# Membrane [2]: ratios of the first modes of an ideal drum head. Bell: hum, prime, tierce, quint, nominal, upper.
DRUM_MODES = (1.0, 1.594, 2.136, 2.296, 2.653, 2.918)
BELL_MODES = (0.5, 1.0, 1.2, 1.5, 2.0, 2.67, 4.0)
SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True, slots=True)
class Voice:
    """How somebody speaks, in espeak-ng's terms."""

    variant: str
    pitch: int
    words_per_minute: int


def speech(voice: Voice, words: str) -> FloatArray:
    """Words spoken, RMS 0.1, without silence at either end.

    Raises
    ------
    InputError
        espeak-ng is not installed, or does not know the voice.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "words.wav"
        options = ["-v", voice.variant, "-p", str(voice.pitch), "-s", str(voice.words_per_minute), "-w", str(path)]
        try:
            subprocess.run(["espeak-ng", *options, words], check=True, capture_output=True)
        except (OSError, subprocess.CalledProcessError) as cause:
            raise InputError("espeak-ng did not speak; install Debian's package espeak-ng") from cause
        heard, rate_hz = soundfile.read(path)
    heard = soxr.resample(heard, rate_hz, DELIVERY_RATE_HZ, "VHQ")
    loud = np.flatnonzero(np.abs(heard) > 0.02 * np.max(np.abs(heard)))
    return _finished(heard[loud[0] : loud[-1]], rms=0.1)


def lute(notes: Iterable[tuple[str, float]], *, rng: np.random.Generator) -> FloatArray:
    """A plucked phrase by Karplus and Strong's string [1]: (pitch, seconds until the next note)."""
    strokes = []
    at_s = 0.0
    for pitch, length_s in notes:
        period = DELIVERY_RATE_HZ / _frequency_hz(pitch)
        whole = int(period - 0.3)
        blend = min(period - whole, 0.7)  # out of tune by 3 cents at the most
        pluck = np.zeros(round((length_s + 0.8) * DELIVERY_RATE_HZ))
        pluck[: whole + 1] = lfilter([0.5, 0.5], [1.0], rng.uniform(-1, 1, whole + 1))
        loop = np.zeros(whole + 2)
        loop[0], loop[whole], loop[whole + 1] = 1.0, -0.996 * (1 - blend), -0.996 * blend
        fade = np.minimum(1.0, (pluck.size - np.arange(pluck.size)) / (0.15 * DELIVERY_RATE_HZ))
        strokes.append((at_s, lfilter([1.0], loop, pluck) * fade))
        at_s += length_s
    return _finished(laid_out(strokes), rms=0.08)


def concertina(notes: Iterable[tuple[str, float]], *, rng: np.random.Generator) -> FloatArray:
    """A squeezed phrase: (pitches joined by +, seconds); two reeds to a pitch, and the clack of the buttons."""
    strokes = []
    at_s = 0.0
    for pitches, length_s in notes:
        time = np.arange(round(0.85 * length_s * DELIVERY_RATE_HZ)) / DELIVERY_RATE_HZ
        speaking = np.minimum(1.0, np.minimum(time / 0.012, (time[-1] - time) / 0.04))
        bellows = speaking * (0.8 + 0.2 * np.sin(np.pi * time / time[-1]))
        for pitch in pitches.split("+"):
            for cents in (-2.5, 3.0):
                frequency = _frequency_hz(pitch) * 2 ** (cents / 1200)
                harmonics = np.arange(1, int(HIGHEST_HZ / frequency))
                weights = np.where(harmonics % 2, 1.0, 0.6) / harmonics**0.95
                phases = np.outer(harmonics, 2 * np.pi * frequency * time) + harmonics[:, np.newaxis] ** 2
                strokes.append((at_s, bellows * (weights @ np.sin(phases))))
        strokes.append((at_s, 2.5 * rng.standard_normal(time.size) * np.exp(-time / 0.004)))
        strokes.append((at_s, 0.05 * rng.standard_normal(time.size) * speaking))  # air
        at_s += length_s
    return _finished(laid_out(strokes), rms=0.08)


def hand_drum(strokes: Iterable[tuple[float, float]], *, rng: np.random.Generator) -> FloatArray:
    """Strokes of the hand on a frame drum: (seconds until the next, strength 0 to 1)."""
    heard = []
    at_s = 0.0
    for length_s, strength in strokes:
        time = np.arange(round(0.5 * DELIVERY_RATE_HZ)) / DELIVERY_RATE_HZ
        skin = sum(
            np.sin(2 * np.pi * 128.0 * mode * (time + 0.004 * np.exp(-time / 0.03)))
            * np.exp(-time * (9.0 + 7.0 * number))
            / (1 + 0.6 * number)
            for number, mode in enumerate(DRUM_MODES)
        )
        slap = rng.standard_normal(time.size) * np.exp(-time / 0.012) * strength
        rise = np.minimum(1.0, time / 0.0015) * np.minimum(1.0, (0.5 - time) / 0.1)
        heard.append((at_s, strength * rise * (skin + 2.5 * slap)))
        at_s += length_s
    return _finished(laid_out(heard), rms=0.06)


def hand_bell(strokes: Iterable[float], *, pitch: str = "A5") -> FloatArray:
    """Strokes of a small bell: seconds until the next."""
    heard = []
    at_s = 0.0
    for length_s in strokes:
        time = np.arange(round(1.4 * DELIVERY_RATE_HZ)) / DELIVERY_RATE_HZ
        ring = sum(
            np.sin(2 * np.pi * _frequency_hz(pitch) * mode * time + number)
            * np.exp(-time * (2.2 + 1.5 * mode))
            / (1 + 0.35 * number)
            for number, mode in enumerate(BELL_MODES)
        )
        heard.append((at_s, ring * np.minimum(1.0, time / 0.001) * np.minimum(1.0, (1.4 - time) / 0.3)))
        at_s += length_s
    return _finished(laid_out(heard), rms=0.05)


def laid_out(pieces: Iterable[tuple[float, FloatArray]], *, samples: int | None = None) -> FloatArray:
    """Sum of pieces, each from its time in seconds on; as long as the last needs, or `samples`."""
    placed = [(round(at_s * DELIVERY_RATE_HZ), piece) for at_s, piece in pieces]
    length = max(first + piece.size for first, piece in placed) if samples is None else samples
    out = np.zeros(length)
    for first, piece in placed:
        out[first : first + piece.size] += piece
    return out


def _finished(sound: FloatArray, *, rms: float) -> FloatArray:
    """Sound within the band of the shoot, at a level, with soft ends."""
    ends = np.zeros(DELIVERY_RATE_HZ // 50)
    padded = np.concatenate([ends, sound, ends])
    band = butter(6, (85.0, HIGHEST_HZ), "bandpass", fs=DELIVERY_RATE_HZ, output="sos")
    kept = np.asarray(sosfiltfilt(band, padded))
    return np.asarray(kept * (rms / np.sqrt(np.mean(kept**2))))


def _frequency_hz(pitch: str) -> float:
    """Frequency of a pitch such as A4 or F#3, equal temperament on A4 = 440 Hz (ISO 16)."""
    semitone = SEMITONES[pitch[0]] + ("#" in pitch) + 12 * (int(pitch[-1]) - 4) - 9
    return float(440.0 * 2 ** (semitone / 12))
