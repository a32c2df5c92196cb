"""The camera-movie reader, on movies whose truth is known because the test writes them.

A white flash and a click happen at the same instant; where they read back says how true the placing is.
"""

import struct
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.errors import MediaFileError
from spatial.media.movies.clip import Clip, open_clip, scratch_blocks

PLACING_S = 1e-4  # issue 2 item 3: at most 0.1 ms between flash and click
AAC_FRAME = 1024  # samples in a frame of AAC-LC, ISO/IEC 14496-3
RATES = [Fraction(24000, 1001), Fraction(25), Fraction(30000, 1001), Fraction(60000, 1001)]
LENGTH_S = 2.4
FLASH_S = 1.3


def click(samples: int, at_s: float, rate_hz: int) -> FloatArray:
    """A pulse round 1.5 kHz, of a few ms: narrow enough to be placed, and it survives coding."""
    time = np.arange(samples) / rate_hz - at_s
    return 0.7 * np.exp(-0.5 * (time * 2 * np.pi * 800) ** 2) * np.cos(2 * np.pi * 1500 * time)


def pictures(frames: int, flash: int) -> Iterator[np.ndarray]:
    for number in range(frames):
        yield np.full((64, 64, 3), 255 if number == flash else 0, dtype=np.uint8)


def write_flash(path: Path, frame_rate: Fraction = RATES[1], *, channels: int = 2, **options: Any) -> float:
    """Write a movie with a flash and a click at one instant, and give its clip time."""
    frames, flash = round(LENGTH_S * frame_rate), round(FLASH_S * frame_rate)
    rate = options.get("audio_rate_hz", 48_000)
    start_s = round(options.get("audio_start_s", 0.0) * rate) / rate
    samples = round(frames / frame_rate * rate) - round(start_s * rate)
    sound = np.tile(click(samples, float(flash / frame_rate) - start_s, rate), (channels, 1))
    write_movie(path, frames=pictures(frames, flash), frame_rate=frame_rate, audio=sound, **options)
    return float(flash / frame_rate)


def flash_time_s(clip: Clip) -> float:
    """Clip time of the white frame: its number over the frame rate, checked against its time stamp."""
    assert clip.frame_rate is not None
    with av.open(str(clip.path)) as container:
        stream = container.streams.video[0]
        frames = [(frame.pts, frame.to_ndarray(format="gray").mean() > 128) for frame in container.decode(stream)]
        tick_s = float(stream.time_base)
    assert len(frames) == clip.frames
    number = next(index for index, (_, white) in enumerate(frames) if white)
    stamped_s = (frames[number][0] - frames[0][0]) * tick_s
    assert stamped_s == pytest.approx(float(number / clip.frame_rate), abs=0.51 * tick_s)  # stamps are rounded
    return float(number / clip.frame_rate)


def heard(clip: Clip, **options: float) -> FloatArray:
    return np.concatenate(list(scratch_blocks(clip, **options)), axis=1)


def click_time_s(clip: Clip, near_s: float) -> float:
    """Clip time of the click, by correlation with a click at `near_s`; sub-sample by a parabola."""
    assert clip.scratch is not None
    rate = clip.scratch.rate_hz
    sound = heard(clip)[0].astype(float)
    known = click(sound.size, near_s - clip.scratch.phase_s, rate)
    curve = np.fft.irfft(np.fft.rfft(sound) * np.conj(np.fft.rfft(known)), sound.size)
    lag = int(np.argmax(curve))
    before, peak, after = curve[lag - 1], curve[lag], curve[(lag + 1) % sound.size]
    if lag > sound.size // 2:
        lag -= sound.size
    return near_s + float(lag + 0.5 * (before - after) / (before - 2 * peak + after)) / rate


def remux(
    source: Path,
    target: Path,
    *,
    kinds: tuple[str, ...] = ("video", "audio"),
    keep: Callable[[Any], bool] = lambda packet: True,  # noqa: ARG005
    later_s: dict[str, float] | None = None,
    options: dict[str, str] | None = None,
) -> None:
    """Copy packets into another container, without those that are not kept, each kind later by its time."""
    with av.open(str(source)) as old, av.open(str(target), "w", options=options or {}) as new:
        streams = {s.index: new.add_stream_from_template(s) for s in old.streams if s.type in kinds}
        for packet in old.demux(*(old.streams[index] for index in streams)):
            if packet.dts is None or not keep(packet):
                continue
            shift = round((later_s or {}).get(packet.stream.type, 0.0) / packet.time_base)
            packet.pts, packet.dts = packet.pts + shift, packet.dts + shift
            packet.stream = streams[packet.stream.index]
            new.mux(packet)


PLACED = {
    "aac.mp4": {},
    "pcm.mov": {"audio_codec": "pcm_s16le"},
    "opus.mkv": {"audio_codec": "libopus"},
    "aac.mkv": {},
    "opus.mp4": {"audio_codec": "libopus"},
    "flac.mkv": {"audio_codec": "flac"},
    "late-aac.mp4": {"audio_start_s": 0.70123},
    "late-pcm.mov": {"audio_start_s": 0.70123, "audio_codec": "pcm_s24le"},
    "fragmented.mp4": {"fragmented": True},
    "no-b-frames.mp4": {"video_options": {"bf": "0"}},
    "mono-44100.mp4": {"audio_rate_hz": 44_100, "channels": 1},
}


@pytest.mark.slow
@pytest.mark.parametrize("frame_rate", RATES, ids=lambda rate: f"{float(rate):.2f}fps")
@pytest.mark.parametrize("name", PLACED)
def test_flash_and_click_read_back_together(tmp_path: Path, name: str, frame_rate: Fraction) -> None:
    written_s = write_flash(tmp_path / name, frame_rate, **PLACED[name])
    clip = open_clip(tmp_path / name)
    seen_s = flash_time_s(clip)
    assert seen_s == pytest.approx(written_s, abs=1e-9)
    assert click_time_s(clip, seen_s) == pytest.approx(seen_s, abs=PLACING_S)
    assert clip.frame_rate == frame_rate
    assert clip.frames == round(LENGTH_S * frame_rate)
    assert clip.duration_s == pytest.approx(float(clip.frames / frame_rate), abs=1e-12)
    assert clip.scratch is not None
    assert clip.scratch.start_doubt_s == 0.0
    assert 0.0 <= clip.scratch.phase_s < 1.0 / clip.scratch.rate_hz


def test_the_movies_with_b_frames_have_them(tmp_path: Path) -> None:
    write_flash(tmp_path / "aac.mp4")
    with av.open(str(tmp_path / "aac.mp4")) as container:
        stamps = [packet.pts for packet in container.demux(video=0) if packet.pts is not None]
    assert stamps != sorted(stamps)


def test_transport_stream_starts_away_from_zero_and_still_reads_together(tmp_path: Path) -> None:
    write_flash(tmp_path / "camera.ts")
    clip = open_clip(tmp_path / "camera.ts")
    seen_s = flash_time_s(clip)
    assert click_time_s(clip, seen_s) == pytest.approx(seen_s, abs=PLACING_S)
    assert clip.scratch is not None
    assert clip.scratch.start_doubt_s == pytest.approx(AAC_FRAME / 48_000)


@pytest.mark.parametrize("fragmented", [False, True])
def test_undeclared_priming_is_a_doubt_of_one_codec_frame(tmp_path: Path, fragmented: bool) -> None:
    seen_s = write_flash(tmp_path / "simple.mp4", edit_list=False, fragmented=fragmented)
    clip = open_clip(tmp_path / "simple.mp4")
    assert clip.scratch is not None
    assert clip.scratch.start_doubt_s == pytest.approx(AAC_FRAME / 48_000)
    error_s = click_time_s(clip, seen_s) - seen_s
    # The file does not tell; what it hides is exactly the priming of this encoder.
    assert error_s == pytest.approx(clip.scratch.start_doubt_s, abs=PLACING_S)


def test_pcm_without_an_edit_list_leaves_no_doubt(tmp_path: Path) -> None:
    seen_s = write_flash(tmp_path / "simple.mov", audio_codec="pcm_s16le", edit_list=False)
    clip = open_clip(tmp_path / "simple.mov")
    assert clip.scratch is not None
    assert clip.scratch.start_doubt_s == 0.0
    assert click_time_s(clip, seen_s) == pytest.approx(seen_s, abs=PLACING_S)


@pytest.mark.parametrize("codec", ["aac", "libopus", "pcm_s16le"])
def test_late_start_in_a_millisecond_clock_is_within_its_doubt(tmp_path: Path, codec: str) -> None:
    seen_s = write_flash(tmp_path / "late.mkv", audio_codec=codec, audio_start_s=0.70123)
    clip = open_clip(tmp_path / "late.mkv")
    assert clip.scratch is not None
    assert clip.scratch.start_doubt_s == pytest.approx(1e-3)
    assert abs(click_time_s(clip, seen_s) - seen_s) <= clip.scratch.start_doubt_s
    assert 0.0 <= clip.scratch.phase_s < 1 / 48_000


def test_late_start_in_a_coarse_movie_clock_is_within_its_doubt(tmp_path: Path) -> None:
    seen_s = write_flash(tmp_path / "fine.mp4", audio_start_s=0.70123)
    remux(tmp_path / "fine.mp4", tmp_path / "coarse.mp4")  # its edit list counts in 1/1000 s
    clip = open_clip(tmp_path / "coarse.mp4")
    assert clip.scratch is not None
    assert clip.scratch.start_doubt_s == pytest.approx(1e-3)
    assert abs(click_time_s(clip, seen_s) - seen_s) <= clip.scratch.start_doubt_s


def test_before_a_late_start_there_is_silence(tmp_path: Path) -> None:
    write_movie(
        tmp_path / "late.mov",
        frames=pictures(50, 0),
        frame_rate=Fraction(25),
        audio=np.full((2, 48_000), 0.5),
        audio_codec="pcm_f32le",
        audio_start_s=0.5,
    )
    clip = open_clip(tmp_path / "late.mov")
    sound = heard(clip, block_s=0.2)
    assert clip.scratch is not None
    assert clip.scratch.start_s == pytest.approx(0.5, abs=1e-9)
    assert sound.shape == (2, 72_000)  # ends with the sound, half a second before the picture
    assert np.all(sound[:, :24_000] == 0.0)
    assert np.all(sound[:, 24_000:] == 0.5)


def test_sound_longer_than_the_picture_ends_with_it(tmp_path: Path) -> None:
    write_movie(
        tmp_path / "long.mov",
        frames=pictures(25, 0),
        frame_rate=Fraction(30000, 1001),
        audio=np.full((1, 96_000), 0.5),
        audio_codec="pcm_s16le",
    )
    assert heard(open_clip(tmp_path / "long.mov")).shape == (1, 40_040)  # 25 * 1001 / 30000 * 48000


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_a_hole_in_the_sound_is_silence_and_moves_nothing(tmp_path: Path, suffix: str) -> None:
    seen_s = write_flash(tmp_path / "whole.mp4")

    def outside_hole(packet: Any) -> bool:
        return packet.stream.type == "video" or not 0.4 <= packet.pts * packet.time_base < 0.9

    remux(tmp_path / "whole.mp4", tmp_path / f"hole{suffix}", keep=outside_hole)
    clip = open_clip(tmp_path / f"hole{suffix}")
    assert np.all(heard(clip)[:, round(0.43 * 48_000) : round(0.88 * 48_000)] == 0.0)
    # After a hole only the container's clock places the sound: 1 ms in MKV.
    assert click_time_s(clip, seen_s) == pytest.approx(seen_s, abs=PLACING_S if suffix == ".mp4" else 1e-3)


def test_a_picture_that_starts_between_two_samples(tmp_path: Path) -> None:
    written_s = write_flash(tmp_path / "together.mov", audio_rate_hz=8_000, audio_codec="pcm_s16le")
    later_s = 426 / 12_800  # 266.25 samples
    remux(
        tmp_path / "together.mov",
        tmp_path / "apart.mov",
        later_s={"video": later_s},
        options={"movie_timescale": "12800"},
    )
    clip = open_clip(tmp_path / "apart.mov")
    assert clip.scratch is not None
    assert clip.scratch.start_s == pytest.approx(-later_s, abs=1e-9)
    assert clip.scratch.phase_s == pytest.approx(0.75 / 8_000, abs=1e-9)
    # A tenth of a sample: the parabola through the peak.
    assert click_time_s(clip, written_s) == pytest.approx(written_s - later_s, abs=0.1 / 8_000)


def test_what_an_edit_list_cuts_off_is_neither_shown_nor_heard(tmp_path: Path) -> None:
    cut = 10
    seen_s = write_flash(tmp_path / "whole.mp4")
    remux(tmp_path / "whole.mp4", tmp_path / "cut.mp4", later_s={"video": -cut / 25, "audio": -cut / 25})
    clip = open_clip(tmp_path / "cut.mp4")
    assert clip.frames == round(LENGTH_S * 25) - cut
    assert flash_time_s(clip) == pytest.approx(seen_s - cut / 25, abs=1e-9)
    assert click_time_s(clip, seen_s - cut / 25) == pytest.approx(seen_s - cut / 25, abs=PLACING_S)


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_varying_frame_rate_is_averaged_over_the_shown_frames(tmp_path: Path, suffix: str) -> None:
    write_flash(tmp_path / "steady.mp4", video_options={"bf": "0", "g": "1"})
    remux(
        tmp_path / "steady.mp4",
        tmp_path / f"varying{suffix}",
        keep=lambda packet: packet.stream.type == "audio" or packet.pts * packet.time_base * 25 % 5 != 3,
    )
    clip = open_clip(tmp_path / f"varying{suffix}")
    assert clip.frames == 48  # 4 of every 5 of 60
    # One frame: how long the last one stands is written in MP4 only.
    assert clip.duration_s == pytest.approx(LENGTH_S, abs=1 / 20)


@pytest.mark.parametrize(
    ("name", "frame_rate", "timecode"),
    [
        ("a.mov", Fraction(25), "10:00:00:00"),
        ("a.mp4", Fraction(30000, 1001), "01:02:03;04"),
        ("a.mkv", Fraction(24000, 1001), "23:59:59:23"),
        ("none.mp4", Fraction(25), None),
    ],
)
def test_start_timecode(tmp_path: Path, name: str, frame_rate: Fraction, timecode: str | None) -> None:
    write_flash(tmp_path / name, frame_rate, timecode=timecode)
    assert open_clip(tmp_path / name).start_timecode == timecode


def test_size_and_creation_time(tmp_path: Path) -> None:
    write_flash(tmp_path / "a.mp4", created="2031-05-04T10:20:30Z")
    clip = open_clip(str(tmp_path / "a.mp4"))
    assert (clip.width_px, clip.height_px) == (64, 64)
    assert clip.created is not None
    assert clip.created.startswith("2031-05-04T10:20:30")


def test_a_movie_without_sound(tmp_path: Path) -> None:
    write_movie(tmp_path / "mute.mp4", frames=pictures(50, 3), frame_rate=Fraction(25))
    clip = open_clip(tmp_path / "mute.mp4")
    assert clip.scratch is None
    assert (clip.frames, clip.duration_s) == (50, 2.0)
    with pytest.raises(MediaFileError, match=r"mute\.mp4 has no sound"):
        next(scratch_blocks(clip))


@pytest.mark.parametrize(
    ("name", "codec", "step"),
    [
        ("a.mov", "pcm_s16le", 2.0**-15),
        ("a.mov", "pcm_s24le", 2.0**-23),
        ("a.mov", "pcm_s32le", 2.0**-24),  # float32 keeps 24 bits
        ("a.mov", "pcm_f32le", 0.0),
        ("a.mkv", "flac", 2.0**-15),
        ("a.mov", "pcm_u8", 2.0**-7),
    ],
)
def test_samples_keep_their_level_and_their_channels(tmp_path: Path, name: str, codec: str, step: float) -> None:
    levels = np.array([0.5, -0.25, 0.125, -0.9])[:, np.newaxis]
    ramp = (levels * np.linspace(0, 1, 9_600)).astype(np.float32)
    write_movie(tmp_path / name, frames=pictures(5, 0), frame_rate=Fraction(25), audio=ramp, audio_codec=codec)
    clip = open_clip(tmp_path / name)
    assert clip.scratch is not None
    assert (clip.scratch.codec, clip.scratch.channels) == (codec, 4)
    sound = heard(clip)
    assert sound.dtype == np.float32
    np.testing.assert_allclose(sound, ramp, atol=1.01 * step)  # one step: writers round or cut off


@pytest.mark.parametrize("block_s", [0.01, 0.37, 60.0])
def test_the_length_of_blocks_changes_nothing(tmp_path: Path, block_s: float) -> None:
    write_flash(tmp_path / "late.mp4", audio_start_s=0.7)
    clip = open_clip(tmp_path / "late.mp4")
    blocks = list(scratch_blocks(clip, block_s=block_s))
    assert max(block.shape[1] for block in blocks) <= block_s * 48_000 + AAC_FRAME
    np.testing.assert_array_equal(np.concatenate(blocks, axis=1), heard(clip))


@pytest.mark.parametrize("name", ["alone.wav", "alone.flac"])
def test_sound_alone_starts_with_its_first_sample(tmp_path: Path, name: str, rng: np.random.Generator) -> None:
    written = rng.uniform(-0.9, 0.9, (10_007, 2))
    soundfile.write(tmp_path / name, written, 44_100, subtype="PCM_16")
    clip = open_clip(tmp_path / name)
    assert (clip.frame_rate, clip.frames, clip.width_px, clip.start_timecode) == (None, None, None, None)
    assert clip.duration_s == pytest.approx(10_007 / 44_100, abs=1e-9)
    np.testing.assert_allclose(heard(clip), written.T, atol=1.01 * 2.0**-15)  # 16 bits


def test_sound_alone_in_m4a_starts_after_the_priming(tmp_path: Path) -> None:
    clicked_s = write_flash(tmp_path / "movie.mp4")
    remux(tmp_path / "movie.mp4", tmp_path / "alone.m4a", kinds=("audio",))
    clip = open_clip(tmp_path / "alone.m4a")
    assert clip.frames is None
    assert clip.duration_s == pytest.approx(LENGTH_S, abs=1e-3)  # the edit list counts in 1/1000 s
    assert click_time_s(clip, clicked_s) == pytest.approx(clicked_s, abs=PLACING_S)


def write_still(path: Path) -> None:
    with av.open(str(path), "w", format="image2") as container:
        stream = container.add_stream("png", rate=1)
        stream.width = stream.height = 16
        stream.pix_fmt = "rgb24"
        image = av.VideoFrame.from_ndarray(np.zeros((16, 16, 3), np.uint8), format="rgb24")
        container.mux(stream.encode(image))
        container.mux(stream.encode(None))


def write_unfinished(path: Path) -> None:
    """A recorder that lost power leaves pictures and sound without the box that says where they are."""
    write_flash(path)
    content = path.read_bytes()
    path.write_bytes(content[:32] + content[content.index(b"mdat") - 4 :])


def write_head(path: Path) -> None:
    write_flash(path)
    path.write_bytes(path.read_bytes()[:200])


BAD_FILES: dict[str, tuple[Callable[[Path], object], str]] = {
    "missing.mp4": (lambda path: path, "there is no file"),
    "folder.mp4": (Path.mkdir, "is a folder"),
    "empty.mp4": (Path.touch, "is empty"),
    "notes.txt": (lambda path: path.write_text("a line\n" * 100), "not a movie or sound file"),
    "list.m3u8": (lambda path: path.write_text("#EXTM3U\n#EXTINF:1,\na.ts\n"), "not a movie or sound file"),
    "titles.srt": (
        lambda path: path.write_text("1\n00:00:00,000 --> 00:00:01,000\nhello\n"),
        "not a movie or sound file",
    ),
    "noise.mp4": (lambda path: path.write_bytes(bytes(range(256)) * 40), "not a movie or sound file"),
    "still.png": (write_still, "not a movie or sound file"),
    "unfinished.mp4": (write_unfinished, "never finished"),
    "head.mp4": (write_head, "neither moving pictures nor sound"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_what_is_no_movie_is_said_in_one_sentence(tmp_path: Path, name: str) -> None:
    make, words = BAD_FILES[name]
    make(tmp_path / name)
    with pytest.raises(MediaFileError, match=words) as caught:
        open_clip(tmp_path / name)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_damaged_packet_is_named_with_its_second(tmp_path: Path) -> None:
    path = tmp_path / "damaged.mp4"
    write_flash(path)
    with av.open(str(path)) as container:
        packets = [(p.pos, p.size, p.pts) for p in container.demux(audio=0) if p.size]
    position, size, _ = next(packet for packet in packets if packet[2] >= 1.5 * 48_000)
    content = bytearray(path.read_bytes())
    content[position : position + size] = b"\x55" * size
    path.write_bytes(content)
    blocks = scratch_blocks(open_clip(path), block_s=0.5)
    assert next(blocks).shape[1] > 0  # what lies before the damage is still given
    with pytest.raises(MediaFileError, match=r"damaged\.mp4 is damaged at 1\.5 s"):
        list(blocks)


def test_a_rate_that_changes_along_the_way(tmp_path: Path) -> None:
    parts = []
    for rate in (48_000, 44_100):
        part = tmp_path / f"{rate}.aac"
        with av.open(str(part), "w") as container:
            stream = container.add_stream("aac", rate=rate)
            stream.layout = "mono"
            for start in range(0, 60 * AAC_FRAME, AAC_FRAME):
                frame = av.AudioFrame.from_ndarray(np.zeros((1, AAC_FRAME), np.float32), "fltp", "mono")
                frame.sample_rate, frame.pts = rate, start
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        parts.append(part.read_bytes())
    (tmp_path / "changing.aac").write_bytes(parts[0] * 2 + parts[1])
    clip = open_clip(tmp_path / "changing.aac")
    with pytest.raises(MediaFileError, match=r"changing\.aac changes its sample rate or its channels"):
        heard(clip)


# --- sound files as clips, with headers that no camera writes -----------------------------------------------


def raw_wav(path: Path, *, rate: int = 48_000, bits: int = 24, head: bytes = b"") -> Path:
    """Two channels of a second or so, whatever the header says."""
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, rate, rate * 2 * bits // 8 % 2**32, 2 * bits // 8, bits)
    body = b"WAVE" + head + form + struct.pack("<4sI", b"data", 288_000) + bytes(288_000)
    path.write_bytes(struct.pack("<4sI", b"RIFF", len(body)) + body)
    return path


@pytest.mark.parametrize("rate", [1, 7, 7_999, 192_001, 2_000_000_000])
def test_absurd_sample_rates_are_refused(tmp_path: Path, rate: int) -> None:
    with pytest.raises(MediaFileError, match=r"absurd\.wav (has a sample rate|is not a movie)"):
        open_clip(raw_wav(tmp_path / "absurd.wav", rate=rate))


def test_integers_of_64_bits_are_refused(tmp_path: Path) -> None:
    clip = open_clip(raw_wav(tmp_path / "wide.wav", bits=64))
    with pytest.raises(MediaFileError, match=r"the sound in wide\.wav is coded in a way that cannot be read"):
        list(scratch_blocks(clip))


def test_titles_that_are_no_text_do_not_matter(tmp_path: Path) -> None:
    title = struct.pack("<4sI", b"bext", 602) + b"\xff\xfe\x80" * 200 + b"\xff\xff"
    clip = open_clip(raw_wav(tmp_path / "titled.wav", head=title))
    assert clip.duration_s == pytest.approx(1.0)
