"""A stretch of a clip or of a take is what the whole holds there, sample by sample."""

from fractions import Fraction

import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.errors import InputError
from spatial.field import ChannelFormat
from spatial.media.movies.clip import open_clip, scratch_blocks, stretch_of_clip
from spatial.media.takes.joining import join_takes, joined
from spatial.media.takes.take import open_take, read_field, stretch_of

RATE = 48_000


def all_of(clip):
    return np.concatenate(list(scratch_blocks(clip)), axis=1)


@pytest.fixture(scope="module")
def noise():
    return 0.1 * np.random.default_rng(3).standard_normal((2, 20 * RATE))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "codec", "tolerance"),
    [("a.mov", "pcm_s24le", 1e-6), ("a.mp4", "aac", 2e-5), ("a.mkv", "aac", 2e-5), ("late.mov", "pcm_s24le", 1e-6)],
)
@pytest.mark.parametrize("start_s", [3.3, 14.01])
def test_a_stretch_of_a_clip_is_the_same_sound(tmp_path, noise, name, codec, tolerance, start_s):
    """With a jump into the file (14 s) and without one (3.3 s). AAC is decoded in single precision: its tolerance."""
    picture = np.zeros((32, 64, 3), dtype=np.uint8)
    write_movie(
        tmp_path / name, frames=(picture for _ in range(40)), frame_rate=Fraction(2), audio=noise,
        audio_codec=codec, audio_start_s=0.25 if name == "late.mov" else 0.0, video_codec="mpeg4",
    )  # fmt: skip
    clip = open_clip(tmp_path / name)
    part = stretch_of_clip(clip, start_s, start_s + 5.0)
    assert part.scratch.phase_s == pytest.approx(start_s, abs=1.01 / RATE)
    assert part.scratch.phase_s >= start_s - 1e-9
    whole, sound = all_of(clip), all_of(part)
    first = round((part.scratch.phase_s - clip.scratch.phase_s) * RATE)
    assert sound.shape[1] == pytest.approx(5 * RATE, abs=1)
    np.testing.assert_allclose(sound, whole[:, first : first + sound.shape[1]], atol=tolerance)


def test_no_stretch_outside_a_clip(tmp_path, noise):
    picture = np.zeros((32, 64, 3), dtype=np.uint8)
    write_movie(
        tmp_path / "a.mov", frames=[picture] * 50, frame_rate=Fraction(25), audio=noise[:, : 2 * RATE],
        audio_codec="pcm_s16le", video_codec="mpeg4",
    )  # fmt: skip
    clip = open_clip(tmp_path / "a.mov")
    for start_s, stop_s in ((-1.0, 1.0), (1.0, 1.0), (0.0, 3.0)):
        with pytest.raises(InputError, match="is no stretch of the sound"):
            stretch_of_clip(clip, start_s, stop_s)


@pytest.fixture
def take(tmp_path):
    field = 0.1 * np.random.default_rng(4).standard_normal((2 * RATE, 4))
    soundfile.write(tmp_path / "take.wav", field, RATE, subtype="FLOAT")
    return open_take(tmp_path / "take.wav")


def test_a_stretch_of_a_take_is_the_same_field(take):
    part = stretch_of(take, 1000, 50_000)
    assert part.duration_s == pytest.approx(49_000 / RATE)
    np.testing.assert_array_equal(read_field(part, 0, 49_000), read_field(take, 1000, 50_000))
    again = stretch_of(part, 10, 20)
    np.testing.assert_array_equal(read_field(again, 0, 10), read_field(take, 1010, 1020))


def test_a_stretch_over_a_loss_between_two_files(tmp_path):
    for number in (1, 2):
        field = 0.1 * np.random.default_rng(number).standard_normal((RATE, 4))
        soundfile.write(tmp_path / f"take_{number}.wav", field, RATE, subtype="FLOAT")
    first, second = (open_take(tmp_path / f"take_{n}.wav", channel_format=ChannelFormat.AMBIX) for n in (1, 2))
    whole = joined(first, second, lost_s=0.5)
    assert whole is not None
    assert join_takes([first]) == [first]
    for start, stop in ((RATE // 2, 2 * RATE), (RATE + 100, 2 * RATE), (0, RATE), (2 * RATE, 2 * RATE + 10)):
        part = stretch_of(whole, start, stop)
        np.testing.assert_array_equal(read_field(part, 0, part.samples), read_field(whole, start, start + part.samples))


def test_no_stretch_outside_a_take(take):
    for start, stop in ((-1, 5), (5, take.samples + 1), (7, 7)):
        with pytest.raises(InputError):
            stretch_of(take, start, stop)
