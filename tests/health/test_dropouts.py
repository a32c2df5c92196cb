"""What was cut off, lost, repeated or silenced: found with its size and place, and not seen where it is not."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d

from spatial.health.dropouts import Repeat, _running_maximum
from spatial.health.pages import MARGIN, PAGE, Pager
from tests.scenes.fields import measured, talking_field
from tests.scenes.stage import RATE, claps


@pytest.mark.parametrize("block", [1, 999, PAGE, 3 * PAGE + 17])
def test_pages_cover_a_stream_once_with_what_lies_around(block):
    stream = np.arange(1.0, 150_001.0, dtype=np.float32)[np.newaxis]
    if block == 1:
        stream = stream[:, :3000]
    pager, cores, place = Pager(1), [], 0

    def look(page):
        nonlocal place
        assert page.start == place
        padded = np.pad(stream, ((0, 0), (MARGIN, MARGIN)))
        np.testing.assert_array_equal(page.sound, padded[:, place : place + page.length + 2 * MARGIN])
        cores.append(page.core.copy())
        place += page.length

    for start in range(0, stream.shape[1], block):
        for page in pager.push(stream[:, start : start + block]):
            look(page)
    for page in pager.finish():
        look(page)
    np.testing.assert_array_equal(np.concatenate(cores, axis=1), stream)


@pytest.mark.parametrize("block", [1_000, 65_536, 200_000])
def test_what_is_found_does_not_depend_on_the_blocks(rng, block):
    sound = talking_field(rng)
    sound[:, 65_500:65_560] = 0.0
    sound[2, 131_000:131_100] = np.clip(sound[2, 131_000:131_100] * 50, -0.9, 0.9)
    sound[:, 65_536 * 2 - 20 :] = sound[:, 65_536 * 2 - 320 : -300].copy()
    health, whole = measured(sound, block=block), measured(sound, block=sound.shape[1])
    for name in ("clippings", "holes", "repeats", "clicks", "hums"):
        assert getattr(health, name) == getattr(whole, name)
    assert health.holes
    assert health.repeats


# Clipping. Full scale is the largest code (AES17; from memory).


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("turned_down", [1.0, 0.5, 0.123])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_cut_tops_are_found_at_any_level(rng, bits, turned_down, sign):
    sound = talking_field(rng)
    sound *= 0.8 / np.abs(sound).max()
    time = np.arange(480) / RATE
    sound[1, 48_000:48_480] = sign * np.clip(2.0 * np.sin(2 * np.pi * 400 * time), -3.0, 1.0)
    sound[1, 48_000:48_480] *= np.where(sign * sound[1, 48_000:48_480] < 0, 0.3, 1.0)
    (found,) = measured(sound * turned_down, bits=bits).clippings
    assert found.channel == 1
    assert found.runs == 4
    # Of the 60 samples of an upper half wave, two thirds lie above half its height.
    assert found.longest == pytest.approx(40, abs=1)
    assert found.first == pytest.approx(48_010, abs=1)
    assert found.ceiling == pytest.approx(turned_down, rel=1e-3)


@pytest.mark.parametrize("hertz", [20.0, 41.2, 55.0, 110.0])
@pytest.mark.parametrize("level", [0.05, 0.5, 1.0])
def test_tops_of_bass_notes_are_flat_by_rounding_only(hertz, level):
    """A 16-bit bass note at full scale stays at its highest code for many samples, and is sound."""
    tone = level * (1 - 2.0**-15) * np.sin(2 * np.pi * hertz * np.arange(2 * RATE) / RATE)
    assert measured(np.tile(tone, (4, 1)), bits=16).clippings == ()


def test_a_ceiling_that_is_passed_later_is_none(rng):
    sound = talking_field(rng)
    sound[0, 20_000:20_030] = 0.2
    sound[0, 150_000] = 0.9
    assert measured(sound).clippings == ()


# Holes.


@pytest.mark.parametrize("length", [16, 48, 4_800])
@pytest.mark.parametrize("bits", [16, 24])
def test_holes_are_found_with_place_and_length(rng, length, bits):
    sound = talking_field(rng, hiss=1e-2)
    sound[:, 65_530 : 65_530 + length] = 0.0
    holes = measured(sound, bits=bits).holes
    assert [hole.channel for hole in holes] == [0, 1, 2, 3]
    assert all((hole.start, hole.length) == (65_530, length) for hole in holes)


def test_a_hole_in_one_channel_is_that_channels(rng):
    sound = talking_field(rng, hiss=1e-2)
    sound[2, 100_000:100_200] = 0.0
    (hole,) = measured(sound).holes
    assert (hole.channel, hole.start, hole.length) == (2, 100_000, 200)


def test_padding_fades_and_rounding_are_no_holes(rng):
    sound = talking_field(rng, hiss=3e-5)
    sound[:, :30_000] = 0.0
    sound[:, -30_000:] = 0.0
    fade = np.linspace(1.0, 0.0, 2_400)
    sound[:, 80_000:82_400] *= fade
    sound[:, 82_400:90_000] = 0.0
    sound[:, 90_000:92_400] *= fade[::-1]
    # A hiss of 3e-5 is one step of 16 bits: many of its samples round to zero.
    health = measured(sound, bits=16)
    assert health.holes == ()
    assert health.levels.silent_start_s == pytest.approx(30_000 / RATE, abs=0.01)
    assert health.levels.silent_end_s == pytest.approx(30_000 / RATE, abs=0.01)


def test_claps_out_of_rounded_silence_are_no_holes(rng):
    """In a room so quiet that its noise is half a step of 16 bits, long runs of zeros end where a clap begins."""
    sound = rng.normal(0.0, 1.5e-5, (4, 4 * RATE))
    for start in rng.integers(RATE // 2, 4 * RATE - 2_000, 200):
        sound[:, start : start + 400] += 0.2 * rng.standard_normal((4, 1)) * np.exp(-np.arange(400) / 60.0)
    silent = np.round(sound * 2**15) == 0
    assert np.any(np.lib.stride_tricks.sliding_window_view(silent[0], 16).all(axis=1)), "there are runs to mistake"
    assert measured(sound, bits=16).holes == ()


def sixteen_bits(sound):
    return np.rint(sound * 2**15) / 2**15


def test_material_of_sixteen_bits_in_a_file_of_24_is_rounded_and_has_no_holes(rng):
    """Quiet sound of 16 bits has runs of zeros; faint noise of 24 bits lies beside them."""
    sound = sixteen_bits(talking_field(rng, level=4e-3, hiss=8e-6))
    silent = sound == 0
    assert np.any(np.lib.stride_tricks.sliding_window_view(silent[0], 16).all(axis=1)), "there are runs to mistake"
    sound[:, 150_000:] += 2e-6 * rng.standard_normal((4, sound.shape[1] - 150_000))
    assert measured(sound, bits=24).holes == ()


def test_a_hole_in_material_of_sixteen_bits_kept_in_24_is_found(rng):
    sound = sixteen_bits(talking_field(rng, hiss=1e-2))
    sound[:, 100_000:100_300] = 0.0
    assert [(hole.start, hole.length) for hole in measured(sound, bits=24).holes] == [(100_000, 300)] * 4


def test_zeros_in_one_channel_amid_faint_sound_are_rounding(rng):
    """Data are lost in all channels at once: one alone may have been coded more coarsely."""
    sound = talking_field(rng, level=0.01, hiss=2e-4)
    sound[2, 100_000:100_020] = 0.0
    assert measured(sound).holes == ()
    sound[:, 100_000:100_020] = 0.0
    assert len(measured(sound).holes) == 4


@pytest.mark.parametrize("depth_db", [50.0, 76.0])
def test_a_fade_that_is_even_in_decibels_and_then_cut_is_no_hole(rng, depth_db):
    """Such a fade ends with a jump; but no microphone ever gets so much quieter than its own noise."""
    sound = talking_field(rng, hiss=1e-3)
    fade = 10 ** (-depth_db * np.linspace(0.0, 1.0, 24_000) / 20)
    sound[:, 60_000:84_000] *= fade
    sound[:, 84_000:90_000] = 0.0
    sound[:, 90_000:114_000] *= fade[::-1]
    assert measured(sound).holes == ()


# Repeats.


@pytest.mark.parametrize("length", [64, 441, 512, 1_000, 4_096])
def test_a_buffer_written_twice_is_found(rng, length):
    sound = talking_field(rng, hiss=1e-3)
    sound[:, 70_000 + length : 70_000 + 2 * length] = sound[:, 70_000 : 70_000 + length].copy()
    assert measured(sound).repeats == (Repeat(70_000 + length, length, length),)


def test_a_test_tone_repeats_without_being_a_repeat():
    tone = np.tile(0.5 * np.sin(2 * np.pi * np.arange(48) / 48), 4_000)
    assert measured(np.tile(tone, (4, 1))).repeats == ()


# Clicks.


@pytest.mark.parametrize("lost", [64, 480, 5_000])
def test_lost_samples_leave_a_click(rng, lost):
    time = np.arange(4 * RATE) / RATE
    voice = sum(0.1 / n * np.sin(2 * np.pi * 133.7 * n * time + n) for n in range(1, 12))
    sound = np.outer([1.0, 0.5, 0.2, 0.8], voice) + 1e-4 * rng.standard_normal((4, time.size))
    assert measured(sound).clicks == ()
    # Cut where the voice is as far from itself as it gets, so that the join is a jump.
    start = 60_000 + int(np.argmax(np.abs(voice[60_000:60_360] - voice[60_000 + lost : 60_360 + lost])))
    (click,) = measured(np.delete(sound, np.s_[start : start + lost], axis=1)).clicks
    assert click.sample == pytest.approx(start, abs=3)
    assert len(click.channels) >= 3


def test_claps_are_no_clicks(rng):
    clapping = claps(6.0, rng)
    sound = np.outer([1.0, 0.5, 0.2, 0.8], clapping) + 1e-5 * rng.standard_normal((4, clapping.size))
    assert measured(sound).clicks == ()


@pytest.mark.parametrize("samples", [1, 5, 16, 33, 1_000])
def test_the_running_maximum_is_that_of_a_second_implementation(samples):
    values = np.random.default_rng(samples).integers(-50, 50, samples).astype(np.float32)
    np.testing.assert_array_equal(_running_maximum(values, 32), maximum_filter1d(values, 33))
