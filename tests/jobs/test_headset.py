"""The headset job on small films and fields whose truth is known because the test writes them.

Sources: RFC 8486 section 3.1 (channel mapping family 2: the header's bytes), RFC 7845 (OpusHead), "Spatial Audio RFC",
"Spherical Video V2 RFC", ISO/IEC 14496-12 (edit lists). Debian's ffprobe is the second reader.
"""

import json
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.errors import InputError, MediaFileError, OutputError
from spatial.findings import Code, Severity
from spatial.jobs import headset
from spatial.jobs.headset import make_headset_movie
from spatial.jobs.inspect.channel_reading import settle
from spatial.media.movies.boxes import check_counts
from spatial.media.movies.clip import open_clip
from spatial.media.movies.remux import field_of_movie, form_of, picture_print
from spatial.media.movies.spherical import finish_movie, picture_boxes, read_words
from spatial.media.output import TrackWriter
from spatial.media.takes.take import open_take
from spatial.report.headset_report import headset_json, headset_lines
from tests.jobs.test_movie_words import box, movie
from tests.scenes.fields import talking_field

RATE = 48_000
FRAMES = 75
RATES = [Fraction(25), Fraction(30_000, 1001), Fraction(24_000, 1001)]


def noisy_frames(count, size=(128, 64)):
    rng = np.random.default_rng(7)
    return (rng.integers(0, 255, (size[1], size[0], 3), dtype=np.uint8) for _ in range(count))


def write_film(path, frame_rate=RATES[1], **options):
    """A film with B frames and stereo sound."""
    sound = np.random.default_rng(8).normal(0, 0.05, (2, round(FRAMES / frame_rate * RATE)))
    write_movie(path, frames=noisy_frames(FRAMES), frame_rate=frame_rate, **({"audio": sound} | options))
    return path


def write_track(path, samples, *, seed=4, rate=RATE):
    field = talking_field(np.random.default_rng(seed), seconds=5.0)[:, :samples]
    soundfile.write(path, field.T, rate, "PCM_24")
    return path


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    film = write_film(folder / "film.mp4")
    write_track(folder / "track.wav", open_clip(film).samples_at(RATE))
    return folder


def made(shoot, path, **options):
    return make_headset_movie(
        shoot / "film.mp4", shoot / "track.wav", path, **({"picture": "equirect180-sbs"} | options)
    )


@pytest.mark.parametrize("told", [{"version": 1}, {"ordering": 1}, {"count": 3, "routes": (0, 1, 2)}])
def test_a_damaged_box_of_the_track_is_a_note_since_the_new_movie_has_its_own(shoot, tmp_path, told):
    track = movie(tmp_path / "old.mov", "ambix", box=box(**told))
    (wrong,) = (said for said in settle(open_take(track))[0].findings if said.code is Code.SOUND_FIELD)
    assert wrong.severity is Severity.FIX
    result = make_headset_movie(shoot / "film.mp4", track, tmp_path / "new.mov", picture="equirect180-sbs")
    (said,) = (said for said in result.findings if said.code is Code.SOUND_FIELD)
    assert said.severity is Severity.NOTE
    assert said.message.startswith("the SA3D box of old.mov says ")
    assert said.message.endswith(": the new movie says it right")
    assert Severity.FIX not in [said.severity for said in result.findings]


def pixels(path):
    with av.open(str(path)) as container:
        return [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]


@pytest.mark.parametrize("name", ["out.mov", "out.mp4", "out.mkv", "OUT.MOV"])
def test_the_picture_is_the_films_and_the_field_the_tracks(shoot, tmp_path, name):
    result = made(shoot, tmp_path / name)
    assert result.findings == ()
    assert result.packets_identical
    assert (result.packets, result.offset_s) == (FRAMES, 0.0)
    assert result.match.exact == (name.lower().endswith("mov"))
    assert np.degrees(result.match.turned_by(0.95)) <= 1.5
    assert result.words.picture.layout == "equirect180-sbs"
    assert result.words.sounds[0].says_first_order
    film, out = pixels(shoot / "film.mp4"), pixels(tmp_path / name)
    assert len(film) == len(out) == FRAMES
    assert all(np.array_equal(one, other) for one, other in zip(film, out, strict=True))
    clip = open_clip(tmp_path / name)
    assert (clip.frames, clip.frame_rate) == (FRAMES, RATES[1])


@pytest.mark.parametrize("suffix", [".mov", ".mp4", ".mkv"])
@pytest.mark.parametrize("frame_rate", RATES)
def test_the_sound_ends_with_the_picture(tmp_path, suffix, frame_rate):
    """To the sample: what a coder adds at the end is cut off by the length that the movie declares."""
    film = write_film(tmp_path / "film.mov", frame_rate)
    samples = open_clip(film).samples_at(RATE)
    track = write_track(tmp_path / "track.wav", samples)
    result = make_headset_movie(film, track, tmp_path / f"out{suffix}", picture="equirect360")
    assert (result.samples, result.findings, result.offset_s) == (samples, (), 0.0)
    _, blocks = field_of_movie(tmp_path / f"out{suffix}", duration_s=samples / RATE)
    assert sum(block.shape[1] for block in blocks) == samples


def test_opus_says_family_2_by_its_rfc(shoot, tmp_path):
    """RFC 8486: family 2, then streams, coupled streams, and the map; all four channels coded by themselves."""
    made(shoot, tmp_path / "out.mkv")
    whole = (tmp_path / "out.mkv").read_bytes()
    head = whole[whole.index(b"OpusHead") :]
    assert (head[8], head[9]) == (1, 4)  # version and channels, RFC 7845 section 5.1
    assert head[18:25] == bytes([2, 4, 0, 0, 1, 2, 3])
    made(shoot, tmp_path / "out.mp4")
    sound = read_words(tmp_path / "out.mp4").sounds[0]
    assert (sound.opus_family, sound.opus_map) == (2, (4, 0, 0, 1, 2, 3))
    assert sound.field == (0, 0, 1, 0, 0, 4, 0, 1, 2, 3)


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="Debian's ffmpeg is not installed")
@pytest.mark.parametrize("name", ["out.mov", "out.mp4", "out.mkv"])
def test_the_systems_ffprobe_agrees(shoot, tmp_path, name):
    made(shoot, tmp_path / name)
    words = ["ffprobe", "-v", "error", "-of", "json", "-show_streams", str(tmp_path / name)]
    ran = subprocess.run(words, check=True, capture_output=True)
    assert ran.stderr == b""
    picture, sound = json.loads(ran.stdout)["streams"]
    sides = {side["side_data_type"]: side for side in picture["side_data_list"]}
    assert sides["Stereo 3D"]["type"] == "side by side"
    assert sides["Spherical Mapping"]["projection"] == "tiled equirectangular"
    # Matroska's stamps count from the coder's own first sample, 312 before the sound (RFC 7845, pre-skip), in whole ms.
    assert (sound["channels"], float(sound["start_time"])) == (4, -0.007 if name == "out.mkv" else 0.0)
    assert sound.get("channel_layout") in (None, "ambisonic 1", "4 channels")
    assert sound["codec_name"] == ("pcm_s24le" if name == "out.mov" else "opus")


@pytest.mark.parametrize("name", ["out.mov", "out.mp4", "out.mkv"])
def test_the_films_sound_stays_where_it_is_wanted(shoot, tmp_path, name):
    result = made(shoot, tmp_path / name, keep_sound=True)
    assert (result.kept_track, result.offset_s) == (0, 0.0)
    assert [sound.channels for sound in result.words.sounds] == [4, 2]
    with av.open(str(shoot / "film.mp4")) as film, av.open(str(tmp_path / name)) as out:
        old = [bytes(packet) for packet in film.demux(film.streams.audio[0]) if packet.size]
        new = [bytes(packet) for packet in out.demux(out.streams.audio[1]) if packet.size]
    assert old == new


def test_aac_is_measured_and_said(shoot, tmp_path):
    """At a low rate it turns directions; the number is the one that was measured."""
    result = made(shoot, tmp_path / "out.mp4", sound="aac", kbps=96)
    (finding,) = [one for one in result.findings if one.message.startswith("AAC")]
    turned = np.degrees(result.match.turned_by(0.95))
    assert finding.severity is Severity.LOOK
    assert turned > 1.5
    assert f"turned directions by up to {turned:.1f}° in 95" in finding.message


@pytest.mark.parametrize("name", ["out.opus", "out.ogg", "out.wav"])
def test_the_sound_alone_is_as_long_as_the_film(shoot, tmp_path, name):
    result = made(shoot, tmp_path / name, picture=None)
    assert (result.findings, result.offset_s, result.packets_identical) == ((), 0.0, None)
    assert result.match.exact == name.endswith("wav")
    if name.endswith("wav"):
        take = open_take(tmp_path / name)
        assert (take.samples, take.declared.by) == (result.samples, "its ADM chunks")
    else:
        # RFC 8486 section 3.1, in the first page of RFC 7845.
        assert (tmp_path / name).read_bytes()[28 + 18 : 28 + 25] == bytes([2, 4, 0, 0, 1, 2, 3])
        assert result.words.sounds[0].says_first_order
    assert not any("Picture" in line or "seated" in line for line in headset_lines(result))
    with pytest.raises(InputError, match="holds the sound alone; leave --picture, --keep-sound and --headphones out"):
        made(shoot, tmp_path / name, force=True)
    made(shoot, tmp_path / name, picture=None, force=True)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="Debian's ffmpeg is not installed")
def test_the_systems_ffmpeg_decodes_the_sound_alone_without_a_word(shoot, tmp_path):
    """It complains of pages whose check sum is wrong."""
    made(shoot, tmp_path / "out.opus", picture=None)
    words = ["ffmpeg", "-v", "warning", "-err_detect", "crccheck+explode", "-i", str(tmp_path / "out.opus")]
    ran = subprocess.run([*words, "-f", "null", "-"], check=True, capture_output=True)
    assert ran.stderr == b""


def test_too_few_bits_are_said(shoot, tmp_path):
    result = made(shoot, tmp_path / "out.mkv", kbps=64)
    finding = result.findings[-1]
    assert (finding.code, finding.severity) == ("sound_field", Severity.LOOK)
    assert "give it more with --bit-rate-kbps" in finding.message


@pytest.mark.parametrize(("change", "word"), [(-4000, "shorter"), (4000, "longer")])
def test_another_length_is_said(shoot, tmp_path, change, word):
    samples = open_clip(shoot / "film.mp4").samples_at(RATE)
    track = write_track(tmp_path / "track.wav", samples + change)
    result = make_headset_movie(shoot / "film.mp4", track, tmp_path / "out.mov", picture="equirect180-sbs")
    (finding,) = result.findings
    assert (finding.code, finding.severity) == ("wrong_length", Severity.LOOK)
    assert f"track.wav is 0.083 s {word} than the picture" in finding.message
    assert result.samples == samples
    # Less than a frame is how editors cut, and is not worth a word.
    track = write_track(tmp_path / "other.wav", samples + change // 4)
    assert make_headset_movie(shoot / "film.mp4", track, tmp_path / "o.mov", picture="equirect180-sbs").findings == ()


def test_another_rate_is_brought_to_48_khz(shoot, tmp_path):
    rate = 96_000
    samples = 2 * open_clip(shoot / "film.mp4").samples_at(RATE)
    track = write_track(tmp_path / "track.wav", samples, rate=rate)
    result = make_headset_movie(shoot / "film.mp4", track, tmp_path / "out.mov", picture="equirect180-sbs")
    assert (result.findings, result.offset_s, result.match.exact) == ((), 0.0, True)
    assert any("made from the track's 96000 Hz" in line for line in headset_lines(result))


def test_a_film_that_starts_late_keeps_its_step(tmp_path):
    """An edit list that begins in the middle of the pictures, and one whose first picture has a time of its own."""
    film = write_film(tmp_path / "film.mkv")
    track = write_track(tmp_path / "track.wav", open_clip(film).samples_at(RATE))
    with av.open(str(film)) as source, av.open(str(tmp_path / "late.mkv"), "w") as target:
        copy = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.size:
                packet.pts, packet.dts = packet.pts + 500, packet.pts + 500
                packet.stream = copy
                target.mux(packet)
    for suffix in (".mov", ".mkv"):
        result = make_headset_movie(tmp_path / "late.mkv", track, tmp_path / f"out{suffix}", picture="equirect180-sbs")
        assert (result.findings, result.offset_s, result.packets_identical) == ((), 0.0, True)


def test_pictures_before_the_first_shown_one_stay_hidden(tmp_path):
    """A film that was cut without being coded again: its edit list hides the first pictures (ISO/IEC 14496-12)."""
    film = write_film(tmp_path / "film.mov", Fraction(25), audio=None)
    whole = film.read_bytes()
    at = whole.index(b"elst") + 4
    ticks = read_media_clock(whole)
    media = int.from_bytes(whole[at + 12 : at + 16], "big") + ticks // 5
    length = int.from_bytes(whole[at + 8 : at + 12], "big")
    film.write_bytes(
        whole[: at + 8] + (length - length // 15).to_bytes(4, "big") + media.to_bytes(4, "big") + whole[at + 16 :]
    )
    shown = open_clip(film)
    assert shown.frames == FRAMES - 5
    track = write_track(tmp_path / "track.wav", shown.samples_at(RATE))
    result = make_headset_movie(film, track, tmp_path / "out.mov", picture="equirect180")
    assert (result.packets, result.packets_identical, result.offset_s) == (FRAMES, True, 0.0)
    assert open_clip(tmp_path / "out.mov").frames == FRAMES - 5
    assert np.array_equal(pixels(tmp_path / "out.mov")[0], pixels(film)[0])
    with pytest.raises(MediaFileError, match=r"an \.mkv would show; end the name in \.mov or \.mp4"):
        make_headset_movie(film, track, tmp_path / "out.mkv", picture="equirect180")


def read_media_clock(whole):
    at = whole.index(b"mdhd") + 4
    return int.from_bytes(whole[at + 12 : at + 16], "big")


def test_what_the_film_says_of_its_picture_is_kept_or_spoken_against(shoot, tmp_path):
    film = tmp_path / "film.mp4"
    film.write_bytes((shoot / "film.mp4").read_bytes())
    finish_movie(film, picture=picture_boxes("equirect180-tb", maker="x"), sounds={}, mark=b"")
    for suffix in (".mov", ".mkv"):
        kept = make_headset_movie(film, shoot / "track.wav", tmp_path / f"kept{suffix}")
        assert (kept.layout, kept.words.picture.layout) == ("equirect180-tb", "equirect180-tb")
        # Twice as wide as high, each eye would be four times as wide: that is said.
        assert [(one.code, one.severity) for one in kept.findings] == [("picture_layout", Severity.LOOK)]
        told = make_headset_movie(film, shoot / "track.wav", tmp_path / f"told{suffix}", picture="equirect180-sbs")
        (finding,) = told.findings
        assert told.words.picture.layout == "equirect180-sbs"
        assert (finding.code, finding.severity) == ("picture_layout", Severity.LOOK)
        assert "left eye above right eye, and you say front half, equirectangular, left eye beside" in finding.message


def test_without_a_layout_it_is_said(shoot, tmp_path):
    result = made(shoot, tmp_path / "out.mov", picture=None)
    assert [one.code for one in result.findings] == ["picture_layout"]
    assert not result.words.picture.anything
    assert "add --picture" in result.findings[0].message


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"picture": "fisheye190-sbs"}, "have no word for fisheye190-sbs"),
        ({"picture": "cube"}, "cube"),
        ({"sound": "pcm", "name": "out.mp4"}, "cannot hold the sound field as pcm; say --sound opus or --sound aac"),
        ({"sound": "opus"}, "cannot hold the sound field as opus; say --sound pcm or --sound aac"),
        ({"kbps": 128}, "PCM always has 4608 kb/s"),
        ({"name": "out.avi"}, "end its name in .mov"),
        ({"film": "track.wav"}, "track.wav is no MP4, MOV or MKV film"),
        ({"film": "nothing.mov"}, "nothing.mov"),
        ({"film": "sound.mp4"}, "has no picture"),
        ({"film": "parts.mp4"}, "written in fragments"),
        ({"film": "mute.mp4", "keep_sound": True}, "has no sound of its own to keep; leave --keep-sound out"),
        ({"track": "two.wav"}, "a first-order take needs 4 channels"),
        ({"track": "nine.wav"}, "nine.wav has 9 channels"),
        ({"film": "old.mkv", "name": "out.mp4"}, "cannot hold the picture of old.mkv as it is"),
    ],
)
def test_bad_input_ends_in_one_sentence(shoot, tmp_path, options, words):
    (tmp_path / "film.mp4").write_bytes((shoot / "film.mp4").read_bytes())
    (tmp_path / "track.wav").write_bytes((shoot / "track.wav").read_bytes())
    film = options.pop("film", "film.mp4")
    makers = {
        "sound.mp4": {"frames": [], "audio": np.zeros((2, RATE)) + 0.1},
        "parts.mp4": {"frames": noisy_frames(25), "fragmented": True},
        "mute.mp4": {"frames": noisy_frames(25)},
        "old.mkv": {"frames": noisy_frames(25), "video_codec": "libvpx", "video_options": {"deadline": "realtime"}},
    }
    if film == "sound.mp4":
        write_sound_alone(tmp_path / film)
    elif film in makers:
        write_movie(tmp_path / film, frame_rate=Fraction(25), **makers[film])
    track = options.pop("track", "track.wav")
    if track != "track.wav":
        channels = {"two.wav": 2, "nine.wav": 9}[track]
        soundfile.write(tmp_path / track, np.random.default_rng(1).normal(0, 0.1, (RATE, channels)), RATE)
    output = tmp_path / "out" / options.pop("name", "out.mov")
    output.parent.mkdir()
    with pytest.raises((InputError, MediaFileError, OutputError)) as error:
        make_headset_movie(tmp_path / film, tmp_path / track, output, **({"picture": "equirect180"} | options))
    assert words in str(error.value)
    assert list(output.parent.iterdir()) == []


def write_sound_alone(path):
    with av.open(str(path), "w") as target:
        stream = target.add_stream("aac", rate=RATE, layout="stereo")
        frame = av.AudioFrame.from_ndarray(np.full((2, 1024), 0.1, np.float32), format="fltp", layout="stereo")
        frame.sample_rate = RATE
        for packet in (*stream.encode(frame), *stream.encode(None)):
            target.mux(packet)


def test_a_track_that_says_it_is_something_else_is_not_taken_for_ambix(shoot, tmp_path, monkeypatch):
    real = headset.open_take

    def opened(path, **options):
        take = real(path, **options)
        with_words = real(declaring(tmp_path), **options).declared
        return replace(take, declared=replace(with_words, channel_format=headset.ChannelFormat.N3D))

    monkeypatch.setattr(headset, "open_take", opened)
    with pytest.raises(InputError, match="says that it is n3d, not ACN/SN3D; add --format n3d"):
        made(shoot, tmp_path / "out.mov")
    assert made(shoot, tmp_path / "out.mov", channel_format=headset.ChannelFormat.N3D).offset_s == 0.0


def declaring(folder):
    with TrackWriter(folder / "declared.wav") as writer:
        writer.write(np.zeros((4, 100), dtype=np.float32))
    return folder / "declared.wav"


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (lambda block: block[[0, 3, 1, 2]], "swapped_channels"),
        (lambda block: block * np.float32(0.5), "sound_field"),
        (lambda block: np.roll(block, 4800, axis=1), "lip_sync"),
        (lambda block: 0 * block, "sound_field"),
    ],
)
def test_a_movie_that_decodes_otherwise_is_told(shoot, tmp_path, monkeypatch, fault, code):
    """The proof looks at what is decoded, not at what was meant to be written."""
    real = headset.write_movie

    def written(film, blocks, path, **options):
        whole = np.concatenate(list(blocks), axis=1)
        return real(film, [np.ascontiguousarray(fault(whole))], path, **options)

    monkeypatch.setattr(headset, "write_movie", written)
    assert code in [one.code for one in made(shoot, tmp_path / "out.mov").findings]


def test_other_pictures_are_told(shoot, tmp_path, monkeypatch):
    other = write_film(tmp_path / "other.mp4", RATES[0])
    real = headset.write_movie

    def written(_film, blocks, path, **options):
        real(other, blocks, path, **options)
        return picture_print(shoot / "film.mp4")

    monkeypatch.setattr(headset, "write_movie", written)
    result = made(shoot, tmp_path / "out.mov")
    assert not result.packets_identical
    assert ("picture_changed", Severity.FIX) in [(one.code, one.severity) for one in result.findings]
    assert any("NOT those of the film" in line for line in headset_lines(result))


def test_words_and_json_hold_the_same_numbers(shoot, tmp_path):
    result = made(shoot, tmp_path / "out.mp4")
    told = headset_json(result)
    assert told["packets_identical"] is True
    assert told["sound"] == {
        "coding": "opus",
        "bit_rate_kbps": 768,
        "samples": result.samples,
        "kept_track": None,
        "headphones": False,
        "loudness_lufs": result.loudness_lufs,
    }
    assert -60.0 < result.loudness_lufs < 0.0
    assert told["proof"]["offset_s"] == 0.0
    assert told["proof"]["direction_error_deg"] == pytest.approx(np.degrees(result.match.turned_by(0.95)))
    lines = "\n".join(headset_lines(result))
    assert "in step to the sample" in lines
    assert f"{told['proof']['direction_error_deg']:.1f}° in 95 of 100" in lines
    assert "seated, volume low" in lines.splitlines()[-1]


def test_a_field_that_nothing_calls_one_is_said(shoot, tmp_path, monkeypatch):
    """Matroska has no word for a field in PCM; and boxes that were not written are missed in the proof."""
    (finding,) = made(shoot, tmp_path / "out.mkv", sound="pcm").findings
    assert (finding.code, finding.severity) == ("sound_field", Severity.LOOK)
    assert "players take them for loudspeakers" in finding.message
    monkeypatch.setattr("spatial.media.movies.remux.field_box", lambda: b"")
    (finding,) = made(shoot, tmp_path / "out.mov").findings
    assert (finding.code, finding.severity) == ("sound_field", Severity.FIX)


def test_a_picture_that_was_not_marked_as_meant_is_said(shoot, tmp_path, monkeypatch):
    """The reader is not the writer: what is written wrongly does not come back right."""
    monkeypatch.setattr(
        "spatial.media.movies.remux.picture_boxes", lambda _layout, maker: picture_boxes("equirect360", maker=maker)
    )
    (finding,) = made(shoot, tmp_path / "out.mov").findings
    assert (finding.code, finding.severity) == ("picture_layout", Severity.FIX)


def test_an_hour_of_pcm_is_not_damage(shoot, tmp_path):
    """Its header lists 173 million samples, and has an edit list; only the header of such a file is made here."""
    made(shoot, tmp_path / "out.mov")
    whole = bytearray((tmp_path / "out.mov").read_bytes())
    entry = whole.index(b"stts", whole.index(b"mhlrsoun")) + 4
    assert whole[entry + 4 : entry + 8] + whole[entry + 12 : entry + 16] == bytes([0, 0, 0, 1, 0, 0, 0, 1])
    count = (3600 * RATE).to_bytes(4, "big")
    whole[entry + 8 : entry + 12] = count
    sizes = whole.index(b"stsz", entry) + 4
    whole[sizes + 8 : sizes + 12] = count
    path = tmp_path / "hour.mov"
    path.write_bytes(whole)
    with path.open("rb+") as file:
        file.truncate(3600 * RATE * 12)
    check_counts(path)
    # A picture with as many, or sound whose samples are listed one by one, still is.
    for spoilt in (
        bytes(whole).replace(b"mhlrsoun", b"mhlrtext"),
        bytes(whole[: entry + 15] + b"\2" + whole[entry + 16 :]),
    ):
        path.write_bytes(spoilt)
        with path.open("rb+") as file:
            file.truncate(3600 * RATE * 12)
        with pytest.raises(MediaFileError, match="edits of 172800000 samples"):
            check_counts(path)


def test_forms_of_names():
    assert form_of(headset.Path("a.MOV")).coding == "pcm"
    assert (form_of(headset.Path("a.mp4")).coding, form_of(headset.Path("a.mkv")).kbps) == ("opus", 768)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["ears.mov", "ears.mp4", "ears.mkv"])
def test_a_track_for_headphones_is_in_step_and_has_left_at_the_left(tmp_path, name):
    """Somebody speaks at the far left, then at the far right: each ear is the louder one in turn, at the right time."""
    film = write_film(tmp_path / "film.mp4", RATES[0])
    rng = np.random.default_rng(3)
    voice = np.zeros((2, 3 * RATE))
    voice[0, RATE // 2 : RATE] = rng.normal(0, 0.1, RATE // 2)
    voice[1, 2 * RATE : 5 * RATE // 2] = rng.normal(0, 0.1, RATE // 2)
    field = np.stack([voice.sum(axis=0), voice[0] - voice[1], np.zeros(3 * RATE), np.zeros(3 * RATE)])
    soundfile.write(tmp_path / "track.wav", field.T, RATE, "PCM_24")
    result = make_headset_movie(
        film, tmp_path / "track.wav", tmp_path / name, headphones=True, picture="equirect180-sbs"
    )
    assert result.headphones
    assert "the second track is what headphones play of it" in " ".join(headset_lines(result))
    with av.open(str(tmp_path / name)) as container:
        assert [stream.codec_context.channels for stream in container.streams.audio] == [4, 2]
        shown = container.streams.video[0].start_time * container.streams.video[0].time_base
        frames = list(container.decode(audio=1))
    start = round((frames[0].pts * frames[0].time_base - shown) * RATE)
    ears = np.concatenate([frame.to_ndarray() for frame in frames], axis=1)
    ears = np.pad(ears, ((0, 0), (max(start, 0), 0)))[:, max(-start, 0) :]
    power = ears[:, : 3 * RATE].reshape(2, 60, -1).var(axis=2)
    assert power[0, 12:19].mean() > 4 * power[1, 12:19].mean()
    assert power[1, 42:49].mean() > 4 * power[0, 42:49].mean()
    # In step: the near ear hears a voice at the side 0.26 ms before the head's middle would (Duda and Martens 1998).
    for ear, voiced in enumerate(voice):
        length = min(ears.shape[1], voiced.size)
        spectrum = np.fft.rfft(ears[ear, :length], 2 * length) * np.conj(np.fft.rfft(voiced[:length], 2 * length))
        lag = int(np.argmax(np.fft.irfft(spectrum)))
        assert abs((lag + length) % (2 * length) - length) < 0.0008 * RATE


def test_two_second_tracks_are_one_too_many(shoot, tmp_path):
    with pytest.raises(InputError, match="give one of the two"):
        made(shoot, tmp_path / "out.mp4", keep_sound=True, headphones=True)


def test_a_film_without_sound_is_offered_headphones(tmp_path):
    film = write_film(tmp_path / "film.mp4", audio=None)
    write_track(tmp_path / "track.wav", 2 * RATE)
    with pytest.raises(InputError, match="--headphones"):
        make_headset_movie(film, tmp_path / "track.wav", tmp_path / "out.mp4", keep_sound=True, picture="equirect360")
