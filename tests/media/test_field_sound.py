"""A sound field inside a movie, read in spans on picture time, against the field that the test coded.

Sources: RFC 8486 (Opus mapping family 2: each channel coded by itself, ACN order), ISO/IEC 14496-12 (edit lists),
RFC 9559 (Matroska's stamps are whole milliseconds), "Spatial Audio RFC" (SA3D).
"""

import struct
from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.errors import MediaFileError
from spatial.field import ChannelFormat
from spatial.jobs.headset import make_headset_movie
from spatial.media.movies.clip import open_clip
from spatial.media.movies.field_sound import field_declared, movie_field
from spatial.media.movies.spherical import SoundWords
from spatial.media.takes.take import FieldReader, field_blocks, open_take
from tests.scenes.fields import talking_field

RATE, FRAMES, FRAME_RATE = 48_000, 240, Fraction(30_000, 1001)
SECONDS = float(FRAMES / FRAME_RATE)
FAMILIES = {"pcm.mov": "pcm", "opus.mp4": "opus", "opus.mkv": "opus", "pcm.mkv": "pcm", "aac.mp4": "aac"}
CODED_DB = {"pcm": -90.0, "opus": -20.0, "aac": -20.0}
"""Error of a coded field against what was coded; PCM of 24 bits is exact but for rounding."""


@pytest.fixture(scope="module")
def field():
    return talking_field(np.random.default_rng(4), seconds=SECONDS + 1.0)


@pytest.fixture(scope="module")
def films(tmp_path_factory, field):
    """One film with its field in each kind of movie."""
    folder = tmp_path_factory.mktemp("films")
    rng = np.random.default_rng(7)
    frames = (rng.integers(0, 255, (16, 32, 3), dtype=np.uint8) for _ in range(FRAMES))
    write_movie(folder / "film.mp4", frames=frames, frame_rate=FRAME_RATE, audio=np.zeros((2, RATE)))
    samples = open_clip(folder / "film.mp4").samples_at(RATE)
    soundfile.write(folder / "track.wav", field[:, :samples].T, RATE, "PCM_24")
    for name, sound in FAMILIES.items():
        make_headset_movie(folder / "film.mp4", folder / "track.wav", folder / name, sound=sound, picture="equirect180")
    make_headset_movie(folder / "film.mp4", folder / "track.wav", folder / "alone.opus")
    return folder


def whole(take):
    return np.concatenate(list(field_blocks(take)), axis=1)


def level_db(error, field):
    return 10 * np.log10(np.mean(error**2) / np.mean(field**2) + 1e-20)


@pytest.mark.parametrize("name", [*FAMILIES, "alone.opus"])
def test_the_field_comes_out_on_picture_time_and_as_long(films, field, name):
    take = open_take(films / name)
    samples = open_clip(films / "film.mp4").samples_at(RATE)
    assert (take.samples, take.rate_hz, take.channels) == (samples, RATE, 4)
    read = whole(take)
    assert read.shape == (4, samples)
    assert level_db(read - field[:, :samples], field) < CODED_DB[FAMILIES.get(name, "opus")]


@pytest.mark.parametrize("name", [*FAMILIES, "alone.opus"])
def test_any_span_in_any_order_is_that_of_the_whole(films, field, name):
    """What a decoder that was sought gives differs from the stream's by less than a 16-bit step (96 dB)."""
    take = open_take(films / name)
    read = whole(take)
    rng = np.random.default_rng(1)
    with FieldReader(take) as reader:
        for _ in range(15):
            start = int(rng.integers(0, take.samples - 1))
            stop = min(take.samples, start + int(rng.integers(1, 30_000)))
            assert level_db(reader.read(start, stop) - read[:, start:stop], field) < -80.0


def test_a_shift_of_one_sample_would_be_seen(films, field):
    """The check above can fail: the field moved by one sample is far above its bound."""
    read = whole(open_take(films / "opus.mkv"))
    assert level_db(read[:, 1:] - read[:, :-1], field) > -40.0


def raw_movie(path, channels, *, layout, codec, start_s=0.0, tracks=None, options=None):
    """A movie of small pictures with sound coded by the library as it is handed over."""
    form = {"pcm_s24le": "s32", "aac": "fltp", "libopus": "flt"}[codec]
    with av.open(str(path), "w") as target:
        picture = target.add_stream("mpeg4", rate=25, options={})
        picture.width, picture.height, picture.pix_fmt = 32, 16, "yuv420p"
        each = [channels] if tracks is None else [channels[row] for row in tracks]
        streams = [target.add_stream(codec, rate=RATE, layout=layout, options=options or {}) for _ in each]
        for stream in streams:
            stream.codec_context.format = form
            if codec == "libopus":
                stream.bit_rate = 768_000
        for number in range(round(channels.shape[1] / RATE * 25)):
            shown = av.VideoFrame.from_ndarray(np.full((16, 32, 3), number % 255, np.uint8), format="rgb24")
            shown.pts, shown.time_base = number, Fraction(1, 25)
            target.mux(picture.encode(shown))
        for stream, sound in zip(streams, each, strict=True):
            for start in range(0, sound.shape[1], 4800):
                part = sound[:, start : start + 4800]
                if form == "s32":
                    held = (np.clip(part, -1, 1) * (2**31 - 256)).astype(np.int32).T.reshape(1, -1)
                else:
                    held = part.astype(np.float32)
                    held = held if form == "fltp" else held.T.reshape(1, -1)
                frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(held), format=form, layout=layout)
                frame.sample_rate, frame.time_base = RATE, Fraction(1, RATE)
                frame.pts = start + round(start_s * RATE)
                target.mux(stream.encode(frame))
            target.mux(stream.encode(None))
        target.mux(picture.encode(None))
    return path


@pytest.mark.parametrize("suffix", [".mov", ".mkv"])
def test_sound_that_starts_late_has_silence_before_it(tmp_path, field, suffix):
    path = raw_movie(tmp_path / f"late{suffix}", field[:, : 4 * RATE], layout="4.0", codec="pcm_s24le", start_s=0.5)
    read = whole(open_take(path))
    late = round(0.5 * RATE)
    assert not read[:, : late - 1].any()
    assert level_db(read[:, late : 3 * RATE] - field[:, : 3 * RATE - late], field) < -90.0


def test_sound_after_the_picture_is_left_out(tmp_path, field):
    path = raw_movie(tmp_path / "long.mov", field[:, : 4 * RATE], layout="4.0", codec="pcm_s24le", start_s=1.0)
    take = open_take(path)
    assert take.samples == open_clip(path).samples_at(RATE)
    assert "goes on for 1.00 s after its picture" in " ".join(finding.message for finding in take.findings)


def test_four_tracks_of_one_channel_are_one_field(tmp_path, field):
    path = raw_movie(
        tmp_path / "mono.mov",
        field[:, : 3 * RATE],
        layout="mono",
        codec="pcm_s24le",
        tracks=[[0], [1], [2], [3]],
    )
    take = open_take(path)
    assert take.channels == 4
    assert level_db(whole(take) - field[:, : take.samples], field) < -90.0
    assert "one track of four channels" in take.findings[0].message


def test_family_255_is_read_and_declares_nothing(tmp_path, field):
    """RFC 7845 section 5.1.1: family 255 has no meaning of channels."""
    path = raw_movie(
        tmp_path / "discrete.mkv",
        field[:, : 3 * RATE],
        layout="4.0",
        codec="libopus",
        options={"mapping_family": "255"},
    )
    take = open_take(path)
    assert take.declared is None
    words = movie_field(path).words
    assert words is not None
    assert words.opus_family == 255
    assert level_db(whole(take)[:, : 2 * RATE] - field[:, : 2 * RATE], field) < -20.0


def test_of_several_tracks_the_marked_one_is_the_field(films, tmp_path):
    make_headset_movie(
        films / "film.mp4", films / "track.wav", tmp_path / "two.mp4", keep_sound=True, picture="equirect180"
    )
    take = open_take(tmp_path / "two.mp4")
    assert take.channels == 4
    assert "track 1 of 4 channels is read as the sound field, which says that it is a field" in take.findings[0].message


def test_a_stereo_film_is_refused_in_a_sentence(films):
    with pytest.raises(MediaFileError, match="holds no sound field: its sound has 2 channels"):
        open_take(films / "film.mp4")


def test_a_film_without_sound_is_refused_in_a_sentence(tmp_path):
    write_movie(
        tmp_path / "mute.mp4", frames=(np.zeros((16, 32, 3), np.uint8) for _ in range(25)), frame_rate=Fraction(25)
    )
    with pytest.raises(MediaFileError, match="movie without sound"):
        open_take(tmp_path / "mute.mp4")


def test_a_movie_cut_short_is_refused(films, tmp_path):
    data = (films / "pcm.mov").read_bytes()
    (tmp_path / "cut.mov").write_bytes(data[: len(data) // 2])
    with pytest.raises(MediaFileError, match="cut"):
        open_take(tmp_path / "cut.mov")


@pytest.mark.parametrize(
    ("field_words", "expected"),
    [
        ((0, 0, 1, 0, 0, 4, 0, 1, 2, 3), ("its SA3D box", "SN3D", (0, 1, 2, 3))),
        ((0, 0, 1, 0, 0, 4, 0, 3, 1, 2), ("its SA3D box", "SN3D", (0, 2, 3, 1))),  # channel 2 holds X, as FuMa has it
        ((0, 0, 1, 0, 1, 4, 0, 1, 2, 3), ("its SA3D box", None, (0, 1, 2, 3))),
        ((0, 0x80, 1, 0, 0, 6, 0, 1, 2, 3, 4, 5), ("its SA3D box", "SN3D", (0, 1, 2, 3))),
        ((0, 0, 1, 1, 0, 4, 0, 1, 2, 3), None),  # another order of channels, which nothing defines
        ((0, 0, 1, 0, 0, 9, 0, 1, 2, 3), None),  # more channels than there are
    ],
)
def test_what_sa3d_says_of_the_channels(field_words, expected):
    channels = 6 if field_words[1] else 4
    assert field_declared(SoundWords(channels, field=field_words), channels) == expected


def test_a_declared_map_is_followed(films, tmp_path):
    """SA3D's map says which component each channel holds: W, X, Y, Z here, by patching the four numbers."""
    data = bytearray((films / "pcm.mov").read_bytes())
    at = data.index(b"SA3D") + 16
    data[at : at + 16] = struct.pack(">4I", 0, 3, 1, 2)
    (tmp_path / "map.mov").write_bytes(data)
    take = open_take(tmp_path / "map.mov", channel_format=ChannelFormat.AUTO)
    assert take.declared is not None
    assert take.declared.acn == (0, 2, 3, 1)
