"""Hum, wind, ceilings, offsets and what the channels are to each other, against values from outside."""

import numpy as np
import pytest
import soxr
from scipy.signal import lfilter

from spatial.capsules import Capsules, capsule_directions, field_matrix
from spatial.health.channel_balance import TETRAHEDRA
from tests.scenes.fields import measured, talking_field
from tests.scenes.stage import RATE

# Hum. IEC 60038: 50 and 60 Hz; EN 50160: 50 Hz within 1 % for 99.5 % of a year (from memory).


@pytest.mark.slow
@pytest.mark.parametrize("hertz", [49.6, 50.0, 50.4, 59.8, 60.0, 60.3])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_hum_is_found_with_its_frequency_and_level(rng, hertz, rate_hz):
    sound = talking_field(rng, seconds=10.0)
    time = np.arange(sound.shape[1]) / rate_hz
    sound[2] += 0.01 * sum(np.sin(2 * np.pi * hertz * n * time + n) / n for n in (1, 2, 3))
    (hum,) = measured(sound, rate_hz=rate_hz).hums
    assert hum.channel == 2
    assert set(hum.lines) == {1, 2, 3}
    assert hum.frequency_hz == pytest.approx(hertz, abs=0.05)
    # Three sines of 0.01, 0.005 and 0.0033; a line between two bins reads up to 1.4 dB low (Hann window).
    assert 20 * np.log10(hum.rms / (0.01 * np.sqrt((1 + 1 / 4 + 1 / 9) / 2))) == pytest.approx(0.0, abs=1.8)


@pytest.mark.slow
@pytest.mark.parametrize("hertz", [46.25, 49.0, 51.91, 55.0, 58.27, 61.74])
def test_bass_notes_beside_the_mains_are_music(rng, hertz):
    """F#1, G1, G#1, A1, A#1 and B1 of equal temperament (ISO 16), held all the time."""
    sound = talking_field(rng, seconds=10.0)
    time = np.arange(sound.shape[1]) / RATE
    sound += 0.02 * sum(np.sin(2 * np.pi * hertz * n * time) / n for n in range(1, 6))
    assert measured(sound).hums == ()


def test_three_seconds_are_too_short_to_tell_hum(rng):
    sound = talking_field(rng, seconds=3.0)
    sound += 0.01 * np.sin(2 * np.pi * 50 * np.arange(sound.shape[1]) / RATE)
    assert measured(sound).hums == ()


# Rumble. XYZ to W is 1 in every far field, 9 for four cardioids on their own (DERIVED from the capsule matrix).


def low_noise(rng, channels, seconds=10.0):
    return lfilter([0.01], [1.0, -0.99], rng.standard_normal((channels, round(seconds * RATE))), axis=1)


def test_wind_on_the_capsules_holds_nine_times_w(rng):
    wind = field_matrix(Capsules()) @ low_noise(rng, 4)
    rumble = measured(0.2 * wind).rumble
    assert np.median(rumble.ratio) == pytest.approx(9.0, rel=0.15)
    assert rumble.unshared.all()


@pytest.mark.slow
def test_thunder_from_all_around_is_a_sound_field(rng):
    directions = rng.standard_normal((40, 3))
    x, y, z = (directions / np.linalg.norm(directions, axis=1, keepdims=True)).T
    field = np.stack([np.ones_like(x), y, z, x]) @ low_noise(rng, 40)
    rumble = measured(0.05 * field).rumble
    assert np.median(rumble.ratio) == pytest.approx(1.0, rel=0.25)
    assert not rumble.unshared.any()


def test_a_performer_close_by_is_a_sound_field(rng):
    """Velocity is pressure times 1 + c / (j w r): 30 dB more of X than of W at the bottom, but in step with it."""
    (omni,) = low_noise(rng, 1)
    near = omni + lfilter([343.0 / (0.3 * RATE)], [1.0, -0.9995], omni)
    field = np.stack([omni, 0.5 * near, 0.2 * near, 0.84 * near]) + 1e-5 * rng.standard_normal((4, omni.size))
    assert not measured(0.1 * field).rumble.unshared.any()


# Bandwidth.


@pytest.mark.slow
@pytest.mark.parametrize("through_hz", [24_000, 32_000])
def test_a_lower_rate_leaves_a_ceiling(rng, through_hz):
    sound = talking_field(rng, seconds=8.0)
    narrow = soxr.resample(soxr.resample(sound.T, RATE, through_hz, "VHQ"), through_hz, RATE, "VHQ").T
    assert measured(sound).ceiling is None
    ceiling = measured(narrow).ceiling
    assert ceiling is not None
    # The resampler passes up to about 0.91 to 1.0 of half the lower rate.
    assert 0.88 * through_hz / 2 < ceiling.frequency_hz < 1.02 * through_hz / 2


# Offset.


@pytest.mark.parametrize("offset", [0.01, -0.05])
def test_an_offset_is_measured_through_talk(rng, offset):
    sound = talking_field(rng, seconds=8.0)
    sound[3] += offset
    levels = measured(sound).levels
    assert levels.offset == pytest.approx([0.0, 0.0, 0.0, offset], abs=5e-4)


# Balance.


@pytest.mark.slow
@pytest.mark.parametrize("channel", [1, 2, 3])
@pytest.mark.parametrize("gain_db", [-9.0, 6.0])
def test_a_gain_of_one_channel_of_a_field(rng, channel, gain_db):
    sound = talking_field(rng, seconds=12.0)
    assert measured(sound).balance.gain is None
    sound[channel] *= 10 ** (gain_db / 20)
    gain = measured(sound).balance.gain
    assert (gain.channel, gain.rival) == (channel, None)
    assert gain.gain_db == pytest.approx(gain_db, abs=1.0)


@pytest.mark.slow
@pytest.mark.parametrize("capsule", range(4))
def test_a_gain_of_one_capsule(rng, capsule):
    matrix = field_matrix(Capsules())
    sound = np.linalg.inv(matrix) @ talking_field(rng, seconds=12.0)
    sound[capsule] *= 10 ** (8.0 / 20)
    gain = measured(sound, matrix=matrix).balance.gain
    assert gain.channel == capsule
    # Stray of less than 0.7 dB counts as none (rooms have more), which leaves a gain open by about 2 dB.
    assert gain.sd_db == pytest.approx(1.9, abs=0.4)
    assert gain.gain_db == pytest.approx(8.0, abs=2.0)


def test_sound_in_the_plane_only_says_nothing_of_z(rng):
    sound = talking_field(rng, seconds=12.0, flat=True)
    sound[2] *= 4.0
    assert measured(sound).balance.gain is None


def test_a_board_under_the_microphone_is_no_gain_of_z(rng):
    """A reflection from below: X and Y keep step with W, Z does not; without Z the law would hold everywhere."""
    sound = 1e-4 * rng.standard_normal((4, 12 * RATE))
    flat = np.sqrt(0.5)  # a voice 45 degrees up
    for turn, azimuth in enumerate((0.0, 1.0, 2.5, 4.0)):
        voice = talking_field(rng, seconds=3.0, hiss=0.0)[0]
        start = turn * 3 * RATE
        later = np.roll(voice, 40)  # 0.2 m above a table
        y, x = flat * np.sin(azimuth), flat * np.cos(azimuth)
        sound[:, start : start + voice.size] += np.outer([1.0, y, flat, x], voice)
        sound[:, start : start + voice.size] += 0.9 * np.outer([1.0, y, -flat, x], later)
    assert measured(sound).balance.gain is None


def test_a_slate_that_goes_to_w_alone_is_left_out(rng):
    sound = talking_field(rng, seconds=12.0)
    slate = talking_field(rng, seconds=8.0, level=0.3)[0]
    slated = np.concatenate([np.outer([1.0, 0.0, 0.0, 0.0], slate), 0.3 * sound], axis=1)
    assert measured(slated).balance.ratio_db == pytest.approx(measured(sound).balance.ratio_db, abs=0.5)
    # A whole recording like that is not one with a slate.
    sound[1:] *= 0.03
    assert measured(sound).balance.ratio_db < -20.0


@pytest.mark.slow
@pytest.mark.parametrize("capsule", range(4))
@pytest.mark.parametrize("converted", [False, True])
def test_an_inverted_capsule_is_found_raw_and_converted(rng, capsule, converted):
    matrix = field_matrix(Capsules())
    assert capsule_directions(Capsules()) == pytest.approx(TETRAHEDRA[0])
    sound = np.linalg.inv(matrix) @ talking_field(rng, seconds=12.0)
    sound[capsule] *= -1.0
    health = measured(matrix @ sound) if converted else measured(sound, matrix=matrix)
    assert health.balance.inverted == capsule


def test_inverted_or_swapped_axes_are_true_fields(rng):
    """X, Y and Z may be mirrored or swapped: physics alone cannot tell, so nothing is claimed."""
    sound = talking_field(rng, seconds=12.0)
    for mixed in (sound * np.array([[1], [-1], [1], [1]]), sound[[0, 2, 1, 3]], sound[[0, 3, 1, 2]]):
        balance = measured(mixed).balance
        assert (balance.gain, balance.inverted, balance.omni) == (None, None, None)


@pytest.mark.parametrize("other", [1, 2, 3])
def test_w_in_the_wrong_place_is_found(rng, other):
    sound = talking_field(rng, seconds=12.0)
    sound[[0, other]] = sound[[other, 0]]
    assert measured(sound).balance.omni == other


@pytest.mark.parametrize("factor", [3.0, 2.0])
def test_another_normalisation_is_no_fault_of_gain(rng, factor):
    """N3D and FuMa have 3 and 2 times the power of X, Y, Z over W (derived from their definitions)."""
    sound = talking_field(rng, seconds=12.0)
    sound[1:] *= np.sqrt(factor)
    balance = measured(sound).balance
    assert balance.ratio_db == pytest.approx(10 * np.log10(factor), abs=0.3)
    assert (balance.gain, balance.inverted, balance.omni) == (None, None, None)


def test_silence_and_hiss_alone_say_nothing(rng):
    assert measured(np.zeros((4, RATE))).balance is None
    assert measured(1e-3 * rng.standard_normal((4, 4 * RATE))).balance is None
