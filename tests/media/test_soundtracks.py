"""Of several sound tracks, and of several channels, those that sound are used, and the others are named."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from spatial.conventions import FloatArray
from spatial.media.movies import open_clip, scratch_blocks

RATE = 48_000
SECONDS = 2.0
LONG = 40.0
RNG = np.random.default_rng(4)


def write_tracks(path: Path, tracks: list[FloatArray], codec: str = "pcm_s16le") -> None:
    """Write a movie with several tracks of sound; one picture of 32 x 32 every 1/25 s."""
    with av.open(str(path), "w") as movie:
        picture = movie.add_stream("mpeg4", rate=25)
        picture.width = picture.height = 32
        picture.pix_fmt = "yuv420p"
        layouts = {1: "mono", 2: "stereo", 4: "4.0"}
        sounds = [movie.add_stream(codec, rate=RATE, layout=layouts[len(track)]) for track in tracks]
        for number in range(round(tracks[0].shape[1] / RATE * 25)):
            image = np.zeros((32, 32, 3), np.uint8)
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, 25)
            movie.mux(picture.encode(frame))
            for stream, track in zip(sounds, tracks, strict=True):
                part = track[:, number * RATE // 25 : (number + 1) * RATE // 25]
                packed = np.ascontiguousarray((part * 32767).astype(np.int16).T.reshape(1, -1))
                sound = av.AudioFrame.from_ndarray(packed, format="s16", layout=layouts[len(track)])
                sound.sample_rate, sound.pts, sound.time_base = RATE, number * RATE // 25, Fraction(1, RATE)
                movie.mux(stream.encode(sound))
        for stream in (picture, *sounds):
            movie.mux(stream.encode(None))


def noise(channels: int, level: float = 0.1, seconds: float = SECONDS) -> FloatArray:
    return np.clip(level * RNG.standard_normal((channels, round(seconds * RATE))), -1, 1)


def heard(path: Path) -> FloatArray:
    return np.concatenate(list(scratch_blocks(open_clip(path))), axis=1)


def silence(channels: int, seconds: float = SECONDS) -> FloatArray:
    return np.zeros((channels, round(seconds * RATE)))


@pytest.mark.parametrize("suffix", ["mov", "mkv"])
@pytest.mark.parametrize("seconds", [SECONDS, LONG])
def test_three_tracks_of_which_the_first_is_silent(tmp_path: Path, suffix: str, seconds: float) -> None:
    clip_path = tmp_path / f"c.{suffix}"
    close = np.repeat(noise(1, 0.3, seconds), 2, axis=0)
    scratch = noise(2, 0.05, seconds)
    write_tracks(clip_path, [silence(2, seconds), close, scratch])
    clip = open_clip(clip_path)
    assert clip.scratch is not None
    assert (clip.scratch.track, clip.scratch.channels) == (2, 2)
    (finding,) = clip.findings
    assert f"c.{suffix} has 3 sound tracks: track 3 is used (in stereo, -26 dB); track 1 is silent" in finding.message
    assert "track 2 is not in stereo (the same in both channels, -10 dB)" in finding.message
    assert np.allclose(heard(clip_path), scratch, rtol=0, atol=1e-4)


def test_of_tracks_that_are_alike_the_plainly_louder_one_is_used(tmp_path: Path) -> None:
    loud = noise(2, 0.2)
    write_tracks(tmp_path / "c.mov", [noise(2, 0.01), loud, noise(2, 0.25)])
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    assert clip.scratch.track == 1
    assert "track 1 is quieter" in clip.findings[0].message
    assert "track 3 is much the same" in clip.findings[0].message


def test_a_faint_stereo_track_is_an_input_with_nothing_on_it(tmp_path: Path) -> None:
    write_tracks(tmp_path / "c.mov", [noise(2, 0.0005), noise(1, 0.2)])
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    assert (clip.scratch.track, clip.scratch.channels) == (1, 1)
    assert "track 1 is faint" in clip.findings[0].message


def test_four_channels_of_which_two_are_silent(tmp_path: Path) -> None:
    sound = np.concatenate([silence(1), noise(1), silence(1), noise(1)])
    write_tracks(tmp_path / "c.mov", [sound])
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    assert (clip.scratch.channels, clip.scratch.picked) == (2, (1, 3))
    assert "of the 4 channels of sound in c.mov, 1 and 3 are silent and left out" in clip.findings[0].message
    assert np.allclose(heard(tmp_path / "c.mov"), sound[[1, 3]], rtol=0, atol=1e-4)


def test_sound_that_comes_between_the_places_listened_to_is_found(tmp_path: Path) -> None:
    seconds = 60.0
    brief = silence(2, seconds)
    brief[:, 4 * RATE : 5 * RATE // 1] = noise(2, 0.1, 1.0)
    write_tracks(tmp_path / "c.mov", [silence(2, seconds), brief])
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    assert clip.scratch.track == 1


def test_where_all_are_silent_the_first_is_taken_and_one_track_is_not_asked(tmp_path: Path) -> None:
    write_tracks(tmp_path / "silent.mov", [silence(2), silence(2)])
    write_tracks(tmp_path / "one.mov", [noise(2)])
    write_tracks(tmp_path / "four.mov", [noise(4)])
    for name, channels in (("silent.mov", 2), ("one.mov", 2), ("four.mov", 4)):
        clip = open_clip(tmp_path / name)
        assert clip.scratch is not None
        assert (clip.scratch.track, clip.scratch.channels, clip.findings) == (0, channels, ())
