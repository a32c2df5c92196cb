"""Which clip and which take are the newest: by when they were written; copies by what their headers say."""

import os
import threading
import time
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.errors import MediaFileError
from spatial.field import ChannelFormat
from spatial.jobs.check.newest import HEADER, WRITTEN, newest_clip, newest_take, still_growing

RATE = 48_000
NOON = 1_700_000_000.0
"""Some moment, seconds since 1970."""


def movie(path, written_s, *, created=None, seconds=10):
    picture = np.zeros((32, 64, 3), dtype=np.uint8)
    write_movie(
        path, frames=[picture] * seconds, frame_rate=Fraction(1), audio=np.zeros((2, seconds * 8000), dtype=np.float32),
        audio_rate_hz=8000, audio_codec="pcm_s16le", video_codec="mpeg4", created=created,
    )  # fmt: skip
    os.utime(path, (written_s, written_s))
    return path


def recording(path, written_s, *, channels=4, seconds=10):
    soundfile.write(path, np.full((seconds * RATE, channels), 0.01), RATE, subtype="PCM_16")
    os.utime(path, (written_s, written_s))
    return path


def test_the_clip_that_was_written_last(tmp_path):
    clips = [
        movie(tmp_path / "b.mov", NOON + 60),
        movie(tmp_path / "a.mov", NOON + 120),
        movie(tmp_path / "c.mov", NOON),
    ]
    clip, by = newest_clip(clips)
    assert (clip.path.name, by.by, by.findings) == ("a.mov", WRITTEN, ())


def test_of_copies_the_one_that_the_camera_made_last(tmp_path):
    """Copied within seconds, and the newest first."""
    clips = [
        movie(tmp_path / "a.mov", NOON + 2, created="2026-11-25T10:00:00Z"),
        movie(tmp_path / "b.mov", NOON, created="2026-11-25T12:00:00Z"),
        movie(tmp_path / "c.mov", NOON + 1, created="2026-11-25T11:00:00Z"),
    ]
    clip, by = newest_clip(clips)
    assert (clip.path.name, by.by, by.findings) == ("b.mov", HEADER, ())


def test_copies_that_do_not_say_when_they_were_made_are_in_doubt(tmp_path):
    clips = [movie(tmp_path / "a.mov", NOON + 2), movie(tmp_path / "b.mov", NOON, created="2026-11-25T12:00:00Z")]
    clip, by = newest_clip(clips)
    ((code, severity, message),) = [(found.code, found.severity, found.message) for found in by.findings]
    assert (clip.path.name, by.by, code, severity) == ("a.mov", WRITTEN, "newest_unclear", "look")
    assert "but b.mov was written at almost the same time" in message
    assert "name it with --clip" in message


def test_the_newest_clip_is_not_passed_over_where_it_cannot_be_read(tmp_path):
    broken = tmp_path / "z.mov"
    broken.write_bytes(b"no movie at all")
    os.utime(broken, (NOON + 60, NOON + 60))
    good = movie(tmp_path / "a.mov", NOON)
    with pytest.raises(
        MediaFileError, match=r"^the newest clip cannot be checked, and no older one is taken in its place: z\.mov"
    ):
        newest_clip([good, broken])
    os.utime(broken, (NOON - 60, NOON - 60))
    assert newest_clip([good, broken])[0].path == good


def test_a_mono_or_stereo_recording_is_no_take_however_new(tmp_path):
    paths = [
        recording(tmp_path / "lav.wav", NOON + 60, channels=1),
        recording(tmp_path / "boom.wav", NOON + 90, channels=2),
        recording(tmp_path / "take.wav", NOON),
    ]
    take, by = newest_take(paths, ChannelFormat.AMBIX)
    assert (take.path.name, by.by) == ("take.wav", WRITTEN)
    with pytest.raises(MediaFileError, match="no ambisonic take among the 2 recordings"):
        newest_take(paths[:2], ChannelFormat.AMBIX)


def test_the_newest_take_is_not_passed_over_where_it_cannot_be_read(tmp_path):
    broken = tmp_path / "z.wav"
    broken.write_bytes(b"RIFF")
    os.utime(broken, (NOON + 60, NOON + 60))
    good = recording(tmp_path / "a.wav", NOON)
    with pytest.raises(
        MediaFileError, match=r"^the newest take cannot be checked, and no older one is taken in its place: z\.wav"
    ):
        newest_take([good, broken], ChannelFormat.AMBIX)
    os.utime(broken, (NOON - 60, NOON - 60))
    assert newest_take([good, broken], ChannelFormat.AMBIX)[0].path == good


def test_a_file_that_is_being_copied_is_waited_for(tmp_path):
    path = tmp_path / "clip.mov"
    path.write_bytes(b"x" * 1000)
    stop = threading.Event()

    def copy():
        with path.open("ab") as file:
            while not stop.is_set():
                file.write(b"x" * 1000)
                file.flush()
                time.sleep(0.02)

    copying = threading.Thread(target=copy)
    copying.start()
    try:
        assert still_growing(path)
        with pytest.raises(MediaFileError, match="is the newest clip and is still being written: wait"):
            newest_clip([path])
    finally:
        stop.set()
        copying.join()
    os.utime(path, (NOON, NOON))
    assert not still_growing(path)
