"""Takes: every coding read back, every broken file told in one sentence, any length in little memory."""

import os
import re
import struct
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

from spatial.conventions import FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.media.takes.take import FieldReader, Take, field_blocks, open_take, read_field
from spatial.media.wav.riff import wav_header

RATE = 48_000
FLOAT32_STEP = 2.0**-24  # rounding of numbers below 1 in float32

CODINGS = [
    ("WAV", "PCM_16", 2.0**-15),
    ("WAV", "PCM_24", 2.0**-23),
    ("WAV", "PCM_32", FLOAT32_STEP),
    ("WAV", "FLOAT", FLOAT32_STEP),
    ("WAV", "DOUBLE", FLOAT32_STEP),
    ("WAVEX", "PCM_16", 2.0**-15),
    ("WAVEX", "PCM_24", 2.0**-23),
    ("WAVEX", "PCM_32", FLOAT32_STEP),
    ("WAVEX", "FLOAT", FLOAT32_STEP),
    ("WAVEX", "DOUBLE", FLOAT32_STEP),
    ("RF64", "PCM_16", 2.0**-15),
    ("RF64", "PCM_24", 2.0**-23),
    ("RF64", "FLOAT", FLOAT32_STEP),
    ("FLAC", "PCM_16", 2.0**-15),
    ("FLAC", "PCM_24", 2.0**-23),
    ("CAF", "PCM_16", 2.0**-15),
    ("CAF", "PCM_24", 2.0**-23),
    ("CAF", "PCM_32", FLOAT32_STEP),
    ("CAF", "FLOAT", FLOAT32_STEP),
    ("CAF", "DOUBLE", FLOAT32_STEP),
]
"""Container, coding, and one step of it (soundfile may round down, so a whole step is allowed)."""

SUFFIX = {"WAV": ".wav", "WAVEX": ".wav", "RF64": ".wav", "FLAC": ".flac", "CAF": ".caf"}


@pytest.fixture
def noise(rng: np.random.Generator) -> FloatArray:
    """Four unlike channels, 10 000 samples."""
    return rng.uniform(-0.9, 0.9, (4, 10_000)) * np.array([1.0, 0.7, 0.5, 0.3])[:, np.newaxis]


def write(
    path: Path, channels: FloatArray, *, container: str = "WAV", subtype: str = "PCM_24", rate: int = RATE
) -> Path:
    soundfile.write(path, channels.T, rate, subtype=subtype, format=container)
    return path


def streamed(take: Take, **options: int) -> FloatArray:
    return np.concatenate(list(field_blocks(take, **options)), axis=1)


# --- every coding -------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("container", "subtype", "step"), CODINGS)
def test_every_coding_reads_back(tmp_path: Path, noise: FloatArray, container: str, subtype: str, step: float) -> None:
    path = write(tmp_path / f"take{SUFFIX[container]}", noise, container=container, subtype=subtype)
    take = open_take(path)
    assert take.container == ("WAV" if container == "WAVEX" else container)
    assert (take.subtype, take.rate_hz, take.channels, take.samples) == (subtype, RATE, 4, 10_000)
    assert take.duration_s == pytest.approx(10_000 / RATE)
    assert take.left_out_channels == 0
    field = streamed(take, block_samples=4096)
    assert field.dtype == np.float32
    np.testing.assert_allclose(field, noise, rtol=0, atol=step, equal_nan=False)
    # The same numbers as the second reader, to the bit.
    assert np.array_equal(field, soundfile.read(path, dtype="float32")[0].T)


@pytest.mark.slow
@pytest.mark.parametrize(("container", "subtype", "step"), CODINGS)
def test_spans_in_any_order(
    tmp_path: Path, noise: FloatArray, rng: np.random.Generator, container: str, subtype: str, step: float
) -> None:
    take = open_take(write(tmp_path / f"take{SUFFIX[container]}", noise, container=container, subtype=subtype))
    with FieldReader(take) as reader:
        for start, length in zip(rng.integers(0, 9_000, 20), rng.integers(0, 1_000, 20), strict=True):
            span = reader.read(int(start), int(start + length))
            assert span.shape == (4, length)
            np.testing.assert_allclose(span, noise[:, start : start + length], rtol=0, atol=step, equal_nan=False)
        np.testing.assert_allclose(reader.read(9_999, 10_000), noise[:, 9_999:], rtol=0, atol=step, equal_nan=False)
        assert reader.read(10_000, 10_000).shape == (4, 0)


@pytest.mark.slow
@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
@pytest.mark.parametrize("between", [b"", b"iXML\x03\0\0\0odd\0"])
def test_long_containers_with_odd_chunks(tmp_path: Path, noise: FloatArray, magic: bytes, between: bytes) -> None:
    """What libsndfile does not open: BW64, and an odd-sized chunk before the sound."""
    plain = write(tmp_path / "plain.wav", noise).read_bytes()
    form, sound = plain[12:36], plain[44:]
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, 0, len(sound), noise.shape[1], 0)
    path = tmp_path / "take.wav"
    path.write_bytes(magic + b"\xff" * 4 + b"WAVE" + ds64 + between + form + b"data" + b"\xff" * 4 + sound)
    take = open_take(path)
    assert take.container == magic.decode()
    np.testing.assert_allclose(streamed(take), noise, rtol=0, atol=2.0**-23, equal_nan=False)


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
@pytest.mark.parametrize("container", ["WAV", "FLAC", "CAF"])
def test_every_rate(tmp_path: Path, noise: FloatArray, rate: int, container: str) -> None:
    take = open_take(write(tmp_path / f"take{SUFFIX[container]}", noise, container=container, rate=rate))
    assert take.rate_hz == rate
    assert take.duration_s == pytest.approx(10_000 / rate)


@pytest.mark.parametrize("channels", [5, 9, 16])
def test_higher_orders_are_left_out(tmp_path: Path, rng: np.random.Generator, channels: int) -> None:
    sound = rng.uniform(-0.9, 0.9, (channels, 100))
    take = open_take(write(tmp_path / "take.wav", sound))
    assert (take.channels, take.left_out_channels) == (channels, channels - 4)
    np.testing.assert_allclose(streamed(take), sound[:4], rtol=0, atol=2.0**-23, equal_nan=False)


@pytest.mark.parametrize(
    ("channel_format", "written"),
    [
        # W, Y, Z, X = 0.5, 0.1, 0.2, 0.3 as each format writes it (Leese: FuMa W is 3.01 dB down; N3D = sqrt(3) SN3D)
        (ChannelFormat.AMBIX, [0.5, 0.1, 0.2, 0.3]),
        (ChannelFormat.FUMA, [0.5 / np.sqrt(2), 0.3, 0.1, 0.2]),
        (ChannelFormat.N3D, [0.5, 0.1 * np.sqrt(3), 0.2 * np.sqrt(3), 0.3 * np.sqrt(3)]),
    ],
)
def test_other_formats_become_the_internal_form(
    tmp_path: Path, channel_format: ChannelFormat, written: list[float]
) -> None:
    path = write(tmp_path / "take.wav", np.repeat(np.array(written)[:, np.newaxis], 50, axis=1))
    take = open_take(path, channel_format=channel_format)
    expected = np.repeat(np.array([[0.5], [0.1], [0.2], [0.3]]), 50, axis=1)
    assert take.channel_format is channel_format
    np.testing.assert_allclose(
        streamed(take), expected, rtol=0, atol=2 * 2.0**-23, equal_nan=False
    )  # a 24-bit step, times the largest gain
    np.testing.assert_allclose(read_field(take, 10, 20), expected[:, 10:20], rtol=0, atol=2 * 2.0**-23, equal_nan=False)


# --- blocks and spans ---------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("block_samples", [1, 7, 1000, 5000, 10_000, 1 << 20])
def test_blocks_join_to_the_whole(tmp_path: Path, noise: FloatArray, block_samples: int) -> None:
    take = open_take(write(tmp_path / "take.wav", noise[:, :5000]))
    lengths = [block.shape[1] for block in field_blocks(take, block_samples=block_samples)]
    assert sum(lengths) == 5000
    assert set(lengths[:-1]) <= {block_samples}
    assert np.array_equal(streamed(take, block_samples=block_samples), read_field(take, 0, 5000))


@pytest.mark.slow
@pytest.mark.parametrize(("start", "stop"), [(0, None), (3, None), (3, 4), (17, 9_001), (5, 5), (10_000, None)])
@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_part_of_a_take(tmp_path: Path, noise: FloatArray, start: int, stop: int | None, container: str) -> None:
    take = open_take(write(tmp_path / f"take{SUFFIX[container]}", noise, container=container))
    blocks = list(field_blocks(take, start_sample=start, stop_sample=stop, block_samples=777))
    joined = np.concatenate([np.zeros((4, 0)), *blocks], axis=1)
    assert joined.shape[1] == (10_000 if stop is None else stop) - start
    np.testing.assert_allclose(joined, noise[:, start:stop], rtol=0, atol=2.0**-23, equal_nan=False)


def test_a_block_is_the_callers_own(tmp_path: Path, noise: FloatArray) -> None:
    take = open_take(write(tmp_path / "take.wav", noise))
    blocks = []
    for block in field_blocks(take, block_samples=1):
        blocks.append(block)
        if len(blocks) == 10:
            break
    np.testing.assert_allclose(np.concatenate(blocks, axis=1), noise[:, :10], rtol=0, atol=2.0**-23, equal_nan=False)


@pytest.mark.parametrize(("start", "stop"), [(-1, 5), (0, 10_001), (6, 5), (10_001, 10_001)])
def test_spans_outside_the_take(tmp_path: Path, noise: FloatArray, start: int, stop: int) -> None:
    take = open_take(write(tmp_path / "take.wav", noise))
    with pytest.raises(InputError, match=r"reach outside take\.wav, which has 10000"):
        field_blocks(take, start_sample=start, stop_sample=stop)
    with pytest.raises(InputError, match=r"reach outside take\.wav, which has 10000"):
        read_field(take, start, stop)


def test_a_block_of_nothing(tmp_path: Path, noise: FloatArray) -> None:
    with pytest.raises(InputError, match="at least one sample"):
        field_blocks(open_take(write(tmp_path / "take.wav", noise)), block_samples=0)


@pytest.mark.slow
def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    path.write_bytes(wav_header(channels=4, rate_hz=RATE, sample_bytes=3, data_bytes=12 * RATE * 240))
    os.truncate(path, path.stat().st_size + 12 * RATE * 240)  # four minutes, 184 MB in float32
    take = open_take(path)
    tracemalloc.start()
    total = sum(block.shape[1] for block in field_blocks(take))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert total == RATE * 240
    assert peak < 8 << 20  # blocks of 1 MB, a few of them alive at once


@pytest.mark.parametrize("place", [100_000_000, 200_000_000, 500_000_000])  # beyond 2^31, 2^32 bytes; the end
@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_far_places_in_a_long_take(tmp_path: Path, place: int, magic: bytes) -> None:
    samples = 500_000_100
    path = tmp_path / "long.wav"
    header = wav_header(channels=4, rate_hz=RATE, sample_bytes=3, data_bytes=12 * samples)
    with path.open("wb") as file:
        file.write(magic + header[4:])
        file.seek(len(header) + 12 * place)
        file.write((1 << 22).to_bytes(3, "little") + bytes(3) + (-(1 << 21) & 0xFFFFFF).to_bytes(3, "little"))
    os.truncate(path, len(header) + 12 * samples)
    take = open_take(path)
    assert take.samples == samples
    field = read_field(take, place - 1, place + 2)
    assert field.T.tolist() == [[0, 0, 0, 0], [0.5, 0, -0.25, 0], [0, 0, 0, 0]]


# --- what is no take ----------------------------------------------------------------------------------------

MOVIE = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + b"\0\0\0\x08mdat" + bytes(500)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"R", "is not a WAV, FLAC or CAF recording"),
        (b"Dear diary, today we filmed in the mill.\n" * 20, "is not a WAV, FLAC or CAF recording"),
        (np.random.default_rng(5).bytes(5000), "is not a WAV, FLAC or CAF recording"),
        (MOVIE, "is not a movie or sound file that can be read"),
        (b"ID3\x04" + bytes(500), "is not a WAV, FLAC or CAF recording"),
        (b"fLaC" + bytes(500), "is damaged or incomplete"),
        (b"caff" + bytes(500), "is damaged or incomplete"),
        (b"RIFF\x04\0\0\0WAVE", "damaged or was never finished"),
    ],
)
def test_what_is_no_recording(tmp_path: Path, data: bytes, words: str, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(data)
    with pytest.raises(MediaFileError, match=rf"^take\.wav .*{words}"):
        open_take(path)
    assert capfd.readouterr() == ("", "")  # libraries written in C complain on their own


@pytest.mark.parametrize("container", ["WAV", "FLAC", "CAF"])
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_too_few_channels(tmp_path: Path, noise: FloatArray, channels: int, container: str) -> None:
    path = write(tmp_path / f"take{SUFFIX[container]}", noise[:channels], container=container)
    words = rf"needs 4 channels; {path.name} has {channels}: it may be the camera's sound or a stereo mix"
    with pytest.raises(MediaFileError, match=words):
        open_take(path)


@pytest.mark.parametrize("rate", [8_000, 44_099, 192_001, 384_000])
def test_rates_we_do_not_take(tmp_path: Path, noise: FloatArray, rate: int) -> None:
    with pytest.raises(MediaFileError, match=rf"take\.wav has a sample rate of {rate} Hz"):
        open_take(write(tmp_path / "take.wav", noise, rate=rate))


@pytest.mark.parametrize("container", ["WAV", "RF64", "CAF"])
def test_no_samples(tmp_path: Path, container: str) -> None:
    path = write(tmp_path / f"take{SUFFIX[container]}", np.zeros((4, 0)), container=container)
    with pytest.raises(MediaFileError, match=r"^take\.\w+ holds no sound"):
        open_take(path)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(MediaFileError, match=r"there is no file .*gone\.wav"):
        open_take(tmp_path / "gone.wav")
    with pytest.raises(MediaFileError, match="is a folder"):
        open_take(tmp_path)
    with pytest.raises(MediaFileError, match="is not a file"):
        open_take("/dev/null")
    with pytest.raises(MediaFileError, match="cannot be opened"):
        open_take(write(tmp_path / "take.wav", np.zeros((4, 9))) / "inner.wav")


@contextmanager
def ordinary_user() -> Iterator[None]:
    """Root may read everything, so it steps aside."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(was)


def test_a_file_one_may_not_read(tmp_path: Path, noise: FloatArray) -> None:
    path = write(tmp_path / "take.wav", noise)
    path.chmod(0)
    with ordinary_user(), pytest.raises(MediaFileError, match=r"take\.wav cannot be opened \(Permission denied\)"):
        open_take(path)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_wav_cut_short(tmp_path: Path, noise: FloatArray, container: str, subtype: str) -> None:
    path = write(tmp_path / "take.wav", np.tile(noise, 6)[:, :48_000], container=container, subtype=subtype)
    frame = {"PCM_16": 8, "PCM_24": 12, "FLOAT": 16}[subtype]
    os.truncate(path, path.stat().st_size - 12_000 * frame)
    take = open_take(path)
    assert streamed(take).shape == (4, 36_000)
    (finding,) = take.findings
    assert (finding.code, finding.severity, finding.where) == ("truncated", Severity.FIX, "take.wav")
    assert "take.wav is cut short: its header promises 1.000 s and 0.750 s are there" in finding.message


def test_a_wav_that_lacks_one_byte(tmp_path: Path, noise: FloatArray) -> None:
    path = write(tmp_path / "take.wav", noise)
    os.truncate(path, path.stat().st_size - 1)
    take = open_take(path)
    assert np.array_equal(streamed(take), streamed(open_take(write(tmp_path / "whole.wav", noise)))[:, :-1])
    assert "cut short" in take.findings[0].message


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9, 0.999])
def test_a_flac_cut_short(tmp_path: Path, noise: FloatArray, part: float) -> None:
    path = write(tmp_path / "take.flac", np.tile(noise, 10), container="FLAC")
    os.truncate(path, int(path.stat().st_size * part))
    take = open_take(path)
    with pytest.raises(MediaFileError, match=r"take\.flac breaks off or is damaged .* 2\.08 s it should hold"):
        streamed(take, block_samples=8192)
    with pytest.raises(MediaFileError, match=r"take\.flac breaks off or is damaged"):
        read_field(take, 99_000, 100_000)


@pytest.mark.parametrize("frames_kept", [1, 5, 20])
def test_a_flac_cut_between_its_frames(tmp_path: Path, noise: FloatArray, frames_kept: int) -> None:
    """A cut that leaves every frame whole gives the decoder nothing to complain of."""
    path = write(tmp_path / "take.flac", np.tile(noise, 10), container="FLAC")
    data = path.read_bytes()
    # Frames start with the sync code and two bytes that here are the same in each: RFC 9639 section 9.1.
    first = data.index(b"\xff\xf8")
    starts = [match.start() for match in re.finditer(re.escape(data[first : first + 4]), data)]
    assert len(starts) == 24  # 100 000 samples in blocks of 4096, but for the last, which is shorter
    path.write_bytes(data[: starts[frames_kept]])
    with pytest.raises(MediaFileError, match=r"take\.flac breaks off or is damaged"):
        streamed(open_take(path), block_samples=8192)


def test_a_flac_that_gives_no_length(tmp_path: Path, noise: FloatArray) -> None:
    path = write(tmp_path / "take.flac", noise, container="FLAC")
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0  # total samples: 36 bits of STREAMINFO, RFC 9639 section 8.2
    data[22:26] = bytes(4)
    path.write_bytes(data)
    with pytest.raises(MediaFileError, match=r"take\.flac does not say how long it is"):
        open_take(path)


@pytest.mark.parametrize("part", [0.02, 0.5, 0.99])
def test_a_caf_cut_short(tmp_path: Path, noise: FloatArray, part: float) -> None:
    path = write(tmp_path / "take.caf", np.tile(noise, 10), container="CAF")
    os.truncate(path, int(path.stat().st_size * part))
    with pytest.raises(MediaFileError, match=r"take\.caf (is damaged or incomplete|breaks off)"):
        streamed(open_take(path))


def test_a_file_that_changes_after_it_was_opened(tmp_path: Path, noise: FloatArray) -> None:
    path = write(tmp_path / "take.wav", noise)
    take = open_take(path)
    write(path, noise[:, :500])
    with pytest.raises(MediaFileError, match=r"take\.wav has changed"):
        read_field(take, 0, 100)
    path.unlink()
    with pytest.raises(MediaFileError, match="there is no file"):
        next(field_blocks(take))


@pytest.mark.parametrize("container", ["WAV", "CAF"])
def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path, noise: FloatArray, container: str) -> None:
    """As when a card is pulled out: the decoder complains of nothing, samples are just missing."""
    path = write(tmp_path / f"take{SUFFIX[container]}", np.tile(noise, 10), container=container)
    take = open_take(path)
    with FieldReader(take) as reader:
        reader.read(0, 10)
        os.truncate(path, path.stat().st_size // 2)
        with pytest.raises(MediaFileError, match=rf"{path.name} breaks off or is damaged between 1\.46 and"):
            reader.read(70_000, 80_000)


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("container", ["WAV", "CAF"])
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e30])
@pytest.mark.parametrize("channel_format", [ChannelFormat.AMBIX, ChannelFormat.N3D, ChannelFormat.FUMA])
def test_values_that_are_no_samples(
    tmp_path: Path, noise: FloatArray, subtype: str, container: str, value: float, channel_format: ChannelFormat
) -> None:
    noise[2, 7_200] = value
    path = write(tmp_path / f"take{SUFFIX[container]}", noise, subtype=subtype, container=container)
    take = open_take(path, channel_format=channel_format)
    words = rf"{path.name} holds a value that is no sample \(.*\) in channel 3 at 0\.150 s"
    with pytest.raises(MediaFileError, match=words):
        streamed(take, block_samples=1000)
    with pytest.raises(MediaFileError, match=words):
        read_field(take, 7_000, 8_000)
    assert read_field(take, 0, 7_200).shape == (4, 7_200)  # what is good stays usable


def test_floats_may_pass_full_scale(tmp_path: Path, noise: FloatArray) -> None:
    loud = (noise * 20).astype(np.float32)
    take = open_take(write(tmp_path / "take.wav", loud, subtype="FLOAT"))
    assert np.array_equal(streamed(take), loud)


def test_a_reader_closes_its_file(tmp_path: Path, noise: FloatArray) -> None:
    take = open_take(write(tmp_path / "take.wav", noise))
    handles = Path("/proc/self/fd")
    if not handles.exists():
        pytest.skip("this system does not show its open files")
    before = len(list(handles.iterdir()))
    for _ in range(3):
        blocks = field_blocks(take, block_samples=10)
        next(blocks)
        blocks.close()  # type: ignore[attr-defined]
        streamed(take)
        read_field(take, 0, 5)
    assert len(list(handles.iterdir())) == before


def test_paths_may_be_text(tmp_path: Path, noise: FloatArray) -> None:
    path = write(tmp_path / "Fähre 1 – Möwen.wav", noise)
    assert open_take(str(path)).path == path
