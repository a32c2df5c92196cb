"""The small movie: one eye, true to angles, every picture at its time; its sound; single frames."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from demo_audio.write_movie import write_movie
from spatial.errors import InputError, MediaFileError, OutputError
from spatial.media.movies.clip import open_clip, scratch_blocks
from spatial.media.movies.proxy import SoundWriter, frame_at, join_movie, proxy_size, write_pictures
from spatial.picture import parse_picture

RATE = 48_000
LENGTH_S = 2.0
FLASH_S = 1.2


def two_eyes(frame_rate, width=256, height=128):
    """Left eye red with a white flash, right eye blue."""
    for number in range(round(LENGTH_S * frame_rate)):
        frame = np.zeros((height, width, 3), dtype=np.uint8)
        frame[:, : width // 2, 0] = 200
        frame[:, width // 2 :, 2] = 200
        if number == round(FLASH_S * frame_rate):
            frame[:] = 255
        yield frame


@pytest.fixture(params=[Fraction(25), Fraction(30000, 1001), Fraction(60000, 1001)], ids=["25", "29.97", "59.94"])
def movie(request, tmp_path):
    sound = 0.3 * np.sin(2 * np.pi * 440 * np.arange(round(LENGTH_S * RATE)) / RATE)[np.newaxis]
    write_movie(tmp_path / "clip.mov", frames=two_eyes(request.param), frame_rate=request.param, audio=sound)
    return tmp_path / "clip.mov"


def shown(path):
    """Time and mean colour of every picture."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frames = [(float(f.pts * stream.time_base), f.to_ndarray(format="rgb24")) for f in container.decode(stream)]
    return frames


def picture_of(path, layout="equirect180-sbs"):
    clip = open_clip(path)
    return parse_picture(layout, clip.width_px, clip.height_px)


@pytest.mark.parametrize(
    ("layout", "frame", "size"),
    [
        ("equirect180-sbs", (5760, 2880), (720, 720)),
        ("equirect180-sbs", (3840, 1080), (720, 720)),
        ("equirect180-tb", (1920, 2160), (720, 720)),
        ("equirect180", (1920, 1080), (720, 720)),
        ("equirect360", (3840, 1920), (1280, 640)),
        ("fisheye190-sbs", (3840, 1920), (720, 720)),
        ("fisheye180", (1920, 1080), (1280, 720)),
        ("equirect180-sbs", (256, 128), (128, 128)),
    ],
)
def test_size_is_true_to_angles_and_never_larger(layout, frame, size):
    assert proxy_size(parse_picture(layout, *frame)) == size


def test_it_shows_the_first_eye_at_the_right_times(movie, tmp_path):
    seen = []
    write_pictures(movie, picture_of(movie), tmp_path / "small.mp4", duration_s=LENGTH_S, progress=seen.append)
    frames, rate = shown(tmp_path / "small.mp4"), open_clip(movie).frame_rate
    assert frames[0][0] == 0.0
    keep = 2 if rate > 31 else 1
    assert len(frames) == -(-round(LENGTH_S * rate) // keep)
    assert np.diff([time for time, _ in frames]) == pytest.approx(keep / float(rate), abs=1e-4)
    assert frames[0][1].shape == (128, 128, 3)
    red, _, blue = frames[3][1].reshape(-1, 3).mean(axis=0)
    assert red > 150
    assert blue < 40
    white = [time for time, image in frames if image.min() > 150]
    if round(FLASH_S * rate) % keep == 0:
        assert white == pytest.approx([round(FLASH_S * rate) / float(rate)], abs=1e-3)
    assert seen == sorted(seen)
    assert seen[-1] > 0.9


def test_the_second_eye_is_not_shown_one_above_the_other(tmp_path):
    frames = [np.concatenate([np.full((64, 64, 3), v, np.uint8) for v in (250, 10)]) for _ in range(10)]
    write_movie(tmp_path / "tb.mp4", frames=frames, frame_rate=Fraction(25))
    write_pictures(
        tmp_path / "tb.mp4", picture_of(tmp_path / "tb.mp4", "equirect180-tb"), tmp_path / "s.mp4", duration_s=0.4
    )
    assert shown(tmp_path / "s.mp4")[5][1].min() > 200


def test_pictures_and_sound_lie_together(movie, tmp_path):
    write_pictures(movie, picture_of(movie), tmp_path / "p.mp4", duration_s=LENGTH_S)
    time = np.arange(round(LENGTH_S * RATE)) / RATE
    sound = 0.5 * np.stack([np.sin(2 * np.pi * 500 * time), np.sin(2 * np.pi * 1500 * time)])
    with SoundWriter(tmp_path / "s.m4a", RATE) as writer:
        for start in range(0, sound.shape[1], 3000):
            writer.write(sound[:, start : start + 3000])
    join_movie(tmp_path / "p.mp4", tmp_path / "s.m4a", tmp_path / "both.mp4")
    clip = open_clip(tmp_path / "both.mp4")
    assert clip.frames == len(shown(tmp_path / "p.mp4"))
    heard = np.concatenate(list(scratch_blocks(clip)), axis=1)
    assert clip.scratch.start_s == pytest.approx(0.0, abs=1e-3)
    count = min(heard.shape[1], sound.shape[1])
    assert count > 0.97 * sound.shape[1]
    # Coded at 80 kbit/s: the two tones come back, each in its own ear, in time.
    error = heard[:, 2000 : count - 4000] - sound[:, 2000 : count - 4000]
    assert np.sqrt(np.mean(error**2)) < 0.02


def test_a_file_of_sound_that_fails_is_closed(tmp_path):
    def fail():
        with SoundWriter(tmp_path / "s.m4a", RATE) as writer:
            writer.write(np.zeros((2, 5000)))
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        fail()
    nowhere = pytest.raises(OutputError, match=r"s\.m4a cannot be written")
    with nowhere, SoundWriter(tmp_path / "no" / "s.m4a", RATE) as writer:
        writer.write(np.zeros((2, 5000)))


@pytest.mark.parametrize("time_s", [0.0, 0.3, 1.19, 1.9999])
def test_the_frame_at_a_time_is_the_one_that_is_shown(tmp_path, time_s):
    rate = Fraction(25)
    frames = [np.full((64, 128, 3), 4 * number, np.uint8) for number in range(50)]
    write_movie(tmp_path / "grey.mp4", frames=frames, frame_rate=rate, video_options={"qp": "0", "g": "12"})
    image = frame_at(tmp_path / "grey.mp4", picture_of(tmp_path / "grey.mp4"), time_s)
    assert image.shape == (64, 64, 3)
    # Grey survives coding to within a few steps of 255; frames are 4 apart.
    assert image.mean() / 4 == pytest.approx(int(time_s * rate), abs=0.5)


def test_what_cannot_be_shown_is_said(movie, tmp_path):
    with pytest.raises(InputError, match="is not of equirect180"):
        frame_at(movie, parse_picture("equirect180", 100, 100), 0.0)
    with SoundWriter(tmp_path / "s.m4a", RATE) as writer:
        writer.write(np.zeros((2, 5000)))
    with pytest.raises(MediaFileError, match="no pictures"):
        frame_at(tmp_path / "s.m4a", parse_picture("equirect180", 100, 100), 0.0)
    with pytest.raises(OutputError):
        write_pictures(movie, picture_of(movie), Path(tmp_path / "no" / "p.mp4"), duration_s=1.0)
