"""A close microphone is lined up so that its wearer's voice begins in both at once; and told from a field's channels.

The scenes are worked by hand: plain delays and gains, no room.
"""

import numpy as np
import pytest

from spatial.dsp.samples import ArraySamples
from spatial.sync.close_microphone import line_up
from spatial.sync.envelope import WORKING_RATE_HZ, EnvelopeBuilder
from spatial.sync.one_place import no_lag_ratio

RATE = WORKING_RATE_HZ
SECONDS = 30
WEARER_MS, OTHER_MS = 6.0, -4.0
"""How much later the main microphone hears the wearer than the lavalier does, and somebody else: the lavalier is
further from them than the main microphone is."""


def envelope(sound):
    builder = EnvelopeBuilder()
    builder.push(sound)
    return builder.finish()


def voice(rng, seconds=SECONDS):
    """Noise that comes and goes like words."""
    words = rng.random(round(seconds * 4)) < 0.6
    gain = np.repeat(words * rng.uniform(0.3, 1.0, words.size), RATE // 4)
    return np.convolve(gain, np.hanning(400) / 200, mode="same") * rng.standard_normal(gain.size)


def delayed(sound, seconds):
    size = sound.size
    spectrum = np.fft.rfft(sound, 2 * size) * np.exp(-2j * np.pi * np.fft.rfftfreq(2 * size, 1 / RATE) * seconds)
    return np.fft.irfft(spectrum)[:size]


def by_turns(rng):
    """Wearer and another, by turns of 3 s."""
    turn = (np.arange(SECONDS * RATE) // (3 * RATE)) % 2
    wearer, other = voice(rng), voice(rng)
    return wearer * (turn == 0), other * (turn == 1)


def scene(rng, *, sign=1.0, late_s=2.0):
    wearer, other = by_turns(rng)
    track = 0.3 * delayed(wearer, WEARER_MS / 1e3) + 0.3 * delayed(other, 0.01)
    lavalier = wearer + 0.08 * delayed(other, 0.01 - OTHER_MS / 1e3)
    hiss = 0.003 * rng.standard_normal((2, track.size))
    begin = round(late_s * RATE)
    return (track + hiss[0])[np.newaxis], sign * (lavalier + hiss[1])[np.newaxis, begin:]


def lined(track, recording):
    return line_up(ArraySamples(track, RATE), ArraySamples(recording, RATE), (envelope(track), envelope(recording)))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_wearers_voice_begins_in_both_at_once(rng, sign):
    told = lined(*scene(rng, sign=sign))
    # The recording starts 2 s into the track, and hears its wearer 6 ms before the main microphone does.
    assert told.law.take_from_clip(15.0) - 15.0 == pytest.approx(-2.0 - WEARER_MS / 1e3, abs=1e-4)
    assert told.inverted == (sign < 0)
    assert told.sd_s < 1e-3


def test_a_recording_of_something_else_is_not_matched(rng):
    track, _ = scene(rng)
    _, other = scene(np.random.default_rng(99))
    told = lined(track, other)
    assert told.law is None
    assert told.reason == "they do not seem to hear the same event"


def test_a_silent_recording_is_not_matched(rng):
    track, _ = scene(rng)
    assert lined(track, np.zeros((1, 10 * RATE))).law is None


def test_a_loop_fits_in_several_places(rng):
    piece = voice(rng, 6.0)
    track, loop = piece[np.newaxis], np.tile(piece, 4)[np.newaxis]
    told = lined(track, loop)
    assert told.law is None
    assert "in several places equally well" in told.reason


def test_channels_of_one_microphone_agree_without_a_lag(rng):
    one, other = by_turns(rng)
    azimuths = np.radians([40.0, -60.0])
    field = sum(
        np.outer([1.0, np.sin(a), 0.1, np.cos(a)], sound) for a, sound in zip(azimuths, (one, other), strict=True)
    )
    assert no_lag_ratio(field + 0.001 * rng.standard_normal(field.shape), RATE) > 2.0


def test_lavaliers_of_several_people_agree_with_one(rng):
    voices = [voice(rng) for _ in range(4)]
    lags_ms = np.array([[0, 7, 9, 12], [7, 0, 5, 8], [9, 5, 0, 6], [12, 8, 6, 0]])
    heard = np.stack(
        [
            sum((1.0 if p == q else 0.1) * delayed(v, lags_ms[q, p] / 1e3) for p, v in enumerate(voices))
            for q in range(4)
        ]
    )
    assert no_lag_ratio(heard, RATE) < 0.5


def test_silence_tells_nothing():
    assert np.isnan(no_lag_ratio(np.zeros((4, RATE)), RATE))
