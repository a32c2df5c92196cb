"""Of several sound tracks, and of several channels, those that sound are used, and the others are named."""

import struct
import subprocess
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile

from spatial.conventions import FloatArray
from spatial.media.movies import clip as movies
from spatial.media.movies.clip import open_clip, scratch_blocks

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
        layouts = {1: "mono", 2: "stereo", 4: "4.0", 6: "5.1", 8: "7.1"}
        sounds = [movie.add_stream(codec, rate=RATE, layout=layouts[len(track)]) for track in tracks]
        for number in range(round(tracks[0].shape[1] / RATE * 25)):
            image = np.zeros((32, 32, 3), np.uint8)
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, 25)
            movie.mux(picture.encode(frame))
            for stream, track in zip(sounds, tracks, strict=True):
                part = track[:, number * RATE // 25 : (number + 1) * RATE // 25]
                if part.shape[1] == 0:
                    continue
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


@pytest.mark.slow
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


def place(channels: int, level: float = 0.1, seconds: float = SECONDS) -> FloatArray:
    """Sound that goes up and down, as where something happens; of the level of noise on the whole."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    return noise(channels, level, seconds) * np.sqrt(8 / 3) * np.sin(2 * np.pi * 2.0 * time_s) ** 2


def camera_pair(seconds: float = SECONDS, apart: int = 20) -> FloatArray:
    """Left and right of a camera: one sound, some samples later at the right, and a little noise in each."""
    sound = place(1, 0.1, seconds)[0]
    return np.stack([sound, np.roll(sound, apart)]) + noise(2, 0.01, seconds)


@pytest.mark.slow
@pytest.mark.parametrize("suffix", ["mov", "mkv"])
@pytest.mark.parametrize("seconds", [SECONDS, LONG])
def test_left_and_right_in_tracks_of_their_own_are_joined(tmp_path: Path, suffix: str, seconds: float) -> None:
    pair = camera_pair(seconds)
    write_tracks(tmp_path / f"c.{suffix}", [pair[:1], pair[1:], silence(1, seconds)])
    clip = open_clip(tmp_path / f"c.{suffix}")
    assert clip.scratch is not None
    assert clip.scratch.right is not None
    assert (clip.scratch.track, clip.scratch.right.track, clip.scratch.channels) == (0, 1, 2)
    (finding,) = clip.findings
    assert "has 3 sound tracks: tracks 1 and 2, of one channel each, are used as left and right" in finding.message
    assert finding.message.endswith("(-20 and -20 dB); track 3 is silent")
    assert np.allclose(heard(tmp_path / f"c.{suffix}"), pair, rtol=0, atol=1e-4)


def test_the_quieter_of_two_sides_may_be_the_left_one(tmp_path: Path) -> None:
    pair = camera_pair() * np.array([[0.5], [1.0]])
    write_tracks(tmp_path / "c.mov", [silence(1), pair[:1], pair[1:]])
    clip = open_clip(tmp_path / "c.mov")
    assert np.allclose(heard(tmp_path / "c.mov"), pair, rtol=0, atol=1e-4)
    assert (
        "tracks 2 and 3, of one channel each, are used as left and right (-26 and -20 dB)" in clip.findings[0].message
    )


def test_of_neighbours_that_may_be_a_pair_the_most_alike_are(tmp_path: Path) -> None:
    """A clip-on microphone close by hears some of what the camera's left one does."""
    pair = camera_pair()
    close = 0.6 * pair[:1] + 0.6 * np.roll(place(1), RATE // 50)
    write_tracks(tmp_path / "c.mov", [close, pair[:1], pair[1:]])
    clip = open_clip(tmp_path / "c.mov")
    assert np.allclose(heard(tmp_path / "c.mov"), pair, rtol=0, atol=1e-4)
    assert "tracks 2 and 3" in clip.findings[0].message
    assert "track 1 is not in stereo" in clip.findings[0].message


@pytest.mark.parametrize(
    "case", ["copy", "quieter copy", "silent", "another place", "far quieter", "shorter", "stereo"]
)
def test_two_tracks_of_one_channel_that_are_no_left_and_right(tmp_path: Path, case: str) -> None:
    pair = camera_pair()
    left, right = pair[:1], pair[1:]
    tracks = {
        "copy": [left, left],
        "quieter copy": [left, 0.5 * left],
        "silent": [left, silence(1)],
        "another place": [left, np.roll(left, RATE // 100) + noise(1, 0.01)],
        "far quieter": [left, 0.1 * right],
        "shorter": [left, right[:, : RATE // 2]],
        "stereo": [left, right, place(2)],
    }[case]
    write_tracks(tmp_path / "c.mov", tracks)
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    used = 2 if case == "stereo" else 0
    assert (clip.scratch.right, clip.scratch.track) == (None, used)
    assert np.allclose(heard(tmp_path / "c.mov"), tracks[used], rtol=0, atol=1e-4)
    assert f"track {used + 1} is used" in clip.findings[0].message


def timecode(level: float = 0.2, seconds: float = SECONDS) -> FloatArray:
    """Linear timecode: half a wave for each bit 0, two for each bit 1, 80 bits a picture (SMPTE 12M; from memory)."""
    bits = RNG.integers(0, 2, round(seconds * 80 * 25))
    halves = np.concatenate([[1, 0] if bit == 0 else [1, 1] for bit in bits])
    wave = level * np.cumprod(np.where(halves, -1, 1))
    return wave[np.newaxis, (np.arange(round(seconds * RATE)) * len(wave) // round(seconds * RATE))]


def test_what_holds_one_level_is_no_place(tmp_path: Path) -> None:
    """Timecode is loud and comes first, an open input's noise is in stereo: the faint microphone hears the place."""
    scratch = place(1, 0.02)
    write_tracks(tmp_path / "c.mov", [timecode(), noise(2, 0.01), scratch])
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    assert clip.scratch.track == 2
    assert "track 1 holds one level throughout (-14 dB), as a tone, timecode" in clip.findings[0].message
    assert "track 2 holds one level throughout (-40 dB)" in clip.findings[0].message
    both = np.concatenate([timecode(), scratch])
    write_tracks(tmp_path / "d.mov", [both, silence(2)])
    clip = open_clip(tmp_path / "d.mov")
    assert clip.scratch is not None
    assert (clip.scratch.track, clip.scratch.picked) == (0, (1,))
    assert "of the 2 channels of track 1 in d.mov, 1 holds one level throughout" in clip.findings[1].message
    # Where there is nothing else, it is used as it is.
    write_tracks(tmp_path / "e.mov", [timecode(), silence(1)])
    clip = open_clip(tmp_path / "e.mov")
    assert clip.scratch is not None
    assert (clip.scratch.track, clip.scratch.picked) == (0, ())


def test_sides_that_do_not_start_together_are_not_joined(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A start that is off by a sample is a turn of the sound by degrees."""
    pair = camera_pair()
    write_tracks(tmp_path / "c.mov", [pair[:1], pair[1:]])
    whole = movies.find_scratch

    def late(*arguments: Any, **told: Any) -> Any:
        found = whole(*arguments, **told)
        return replace(found, start_s=found.start_s + 2 / RATE) if told["track"] == 1 else found

    monkeypatch.setattr(movies, "find_scratch", late)
    clip = open_clip(tmp_path / "c.mov")
    assert clip.scratch is not None
    assert (clip.scratch.right, clip.scratch.channels) == (None, 1)
    assert "track 1 is used (in one channel" in clip.findings[0].message


@pytest.mark.slow
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


ROOT = Path(__file__).parents[2]
READ = (
    "import sys\nfrom pathlib import Path\nimport numpy as np\n"
    "from spatial.media.movies.clip import open_clip, scratch_blocks\n"
    "clip = open_clip(Path(sys.argv[1]))\n"
    "np.save(sys.argv[2], np.concatenate(list(scratch_blocks(clip)), axis=1))\n"
    "print(clip.scratch.channels)\n"
)
B_FORMAT, MPEG_5_1_B = 107 << 16 | 4, 122 << 16 | 6
"""Layout tags of Core Audio (its Format Specification)."""


def read_apart(path: Path) -> FloatArray:
    """The sound of a clip, read in a process of its own: what is feared ends it."""
    result = path.with_suffix(".npy")
    done = subprocess.run(
        [sys.executable, "-c", READ, str(path), str(result)], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode == 0, (done.returncode, done.stderr)
    sound = np.load(result)
    assert done.stdout == f"{len(sound)}\n"
    return sound


def layout_chunk(tag: int) -> bytes:
    """What stands in a box that says which channel is which: the tag, and no names of single ones."""
    return struct.pack(">III", tag, 0, 0)


@pytest.mark.slow
@pytest.mark.parametrize(("channels", "tag"), [(4, B_FORMAT), (6, MPEG_5_1_B)])
def test_channels_in_an_order_of_their_own(tmp_path: Path, channels: int, tag: int) -> None:
    """PyAV frees the list of such an order twice, which ends the process."""
    path, sound = tmp_path / "c.mov", noise(channels)
    write_tracks(path, [sound])
    held = bytearray(path.read_bytes())
    place = held.index(b"chan", held.index(b"moov")) + 8
    held[place : place + 12] = layout_chunk(tag)
    path.write_bytes(held)
    assert np.allclose(read_apart(path), sound, rtol=0, atol=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["CAF", "AIFF"])
def test_sound_alone_with_channels_in_an_order_of_their_own(tmp_path: Path, kind: str) -> None:
    path, sound = tmp_path / f"c.{kind.lower()}", noise(4)
    soundfile.write(path, sound.T, RATE, "PCM_16", format=kind)
    held = path.read_bytes()
    if kind == "CAF":
        chunk = b"chan" + (12).to_bytes(8, "big") + layout_chunk(B_FORMAT)
        place = held.index(b"desc") + 12 + 32
        held = held[:place] + chunk + held[place:]
    else:
        chunk = b"CHAN" + (12).to_bytes(4, "big") + layout_chunk(B_FORMAT)
        held = held[:4] + (len(held) - 8 + len(chunk)).to_bytes(4, "big") + held[8:12] + chunk + held[12:]
    path.write_bytes(held)
    assert np.allclose(read_apart(path), sound, rtol=0, atol=1e-4)


@pytest.mark.slow
def test_eight_channels_each_in_a_plane_of_its_own(tmp_path: Path) -> None:
    """PyAV reads past the end of a list of eight planes."""
    time_s = np.arange(round(SECONDS * RATE)) / RATE
    sound = 0.2 * np.sin(2 * np.pi * np.outer([200, 300, 400, 100, 600, 700, 800, 900], time_s))
    write_tracks(tmp_path / "c.mp4", [sound], "aac")
    read = read_apart(tmp_path / "c.mp4")
    assert len(read) == 8
    # The channels come in an order of the coder's own; each is one of the tones.
    peaks = [float(np.argmax(np.abs(np.fft.rfft(channel[:RATE])))) for channel in read]
    assert sorted(peaks) == [100, 200, 300, 400, 600, 700, 800, 900]
