"""The chunk walk, on files put together byte by byte by the tests; and the header we write."""

import io
import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from spatial.errors import MediaFileError
from spatial.media.wav.riff import HEADER_BYTES, DataView, WavLayout, is_wave, read_layout, wav_header, wave_chunks

LONG = 0xFFFF_FFFF  # "see ds64", EBU Tech 3306

# ds64 body in the chunk tests of libbw64, an open library for ITU-R BS.2088.
DS64_PUBLISHED = bytes.fromhex(
    "9ac62231a5000000 a42587cc86000000 0000000000000000 01000000 6178 6d6c 305ac80000000000".replace(" ", "")
)

# R. Dobson, "B-Format in WAVE_FORMAT_EXTENSIBLE": {00000001-0721-11d3-8644-C8C1CA000000} in the order of the disk.
GUID_B_FORMAT_PCM = bytes.fromhex("01000000 2107 d311 8644 c8c1ca000000".replace(" ", ""))
# KSDATAFORMAT_SUBTYPE_PCM and _IEEE_FLOAT, Microsoft, "Multiple channel audio data and WAVE files".
GUID_PCM = bytes.fromhex("0100000000001000800000aa00389b71")
GUID_FLOAT = bytes.fromhex("0300000000001000800000aa00389b71")


def chunk(kind: bytes, body: bytes, size: int | None = None) -> bytes:
    padding = b"\0" * (len(body) % 2)
    return kind + struct.pack("<I", len(body) if size is None else size) + body + padding


def fmt(tag: int = 1, channels: int = 4, rate: int = 48_000, sample_bytes: int = 3, bits: int | None = None) -> bytes:
    frame = channels * sample_bytes
    return struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits or 8 * sample_bytes)


def extensible(guid: bytes, sample_bytes: int = 3, bits: int = 24) -> bytes:
    return fmt(0xFFFE, sample_bytes=sample_bytes) + struct.pack("<HHI", 22, bits, 0) + guid


def wave(*chunks: bytes, magic: bytes = b"RIFF") -> bytes:
    body = b"".join(chunks)
    return magic + struct.pack("<I", LONG if magic != b"RIFF" else 4 + len(body)) + b"WAVE" + body


def layout_of(data: bytes) -> WavLayout:
    assert is_wave(data[:12])
    return read_layout(io.BytesIO(data), "take.wav")


SOUND = bytes(range(240))  # 20 samples of 4 channels in 24 bits


# --- finding the sound --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "subtype", "frame_bytes"),
    [
        (fmt(1, sample_bytes=1), "PCM_U8", 4),
        (fmt(1, sample_bytes=2), "PCM_16", 8),
        (fmt(1), "PCM_24", 12),
        (fmt(1, bits=20), "PCM_24", 12),
        (fmt(1, sample_bytes=4), "PCM_32", 16),
        (fmt(1, sample_bytes=4, bits=25), "PCM_32", 16),
        (fmt(3, sample_bytes=4), "FLOAT", 16),
        (fmt(3, sample_bytes=8), "DOUBLE", 32),
        (fmt(1) + b"\0\0", "PCM_24", 12),
        (extensible(GUID_PCM), "PCM_24", 12),
        (extensible(GUID_PCM, sample_bytes=4), "PCM_32", 16),
        (extensible(GUID_FLOAT, sample_bytes=4, bits=32), "FLOAT", 16),
        (extensible(GUID_B_FORMAT_PCM), "PCM_24", 12),
    ],
)
def test_codings(form: bytes, subtype: str, frame_bytes: int) -> None:
    layout = layout_of(wave(chunk(b"fmt ", form), chunk(b"data", SOUND)))
    assert layout.subtype == subtype
    assert (layout.container, layout.channels, layout.rate_hz) == ("WAV", 4, 48_000)
    assert layout.frame_bytes == frame_bytes
    assert layout.samples == 240 // frame_bytes


@pytest.mark.parametrize(
    ("form", "words"),
    [
        (fmt(2, sample_bytes=1), "format 0x0002"),  # ADPCM
        (fmt(7, sample_bytes=1), "format 0x0007"),  # mu-law
        (fmt(1, sample_bytes=8), "64 bits in 8 bytes"),
        (fmt(3, sample_bytes=3), "24 bits in 3 bytes"),
        (fmt(1, sample_bytes=4, bits=24), "24 bits in 4 bytes"),
        (fmt(1, sample_bytes=2, bits=24), "24 bits in 2 bytes"),
        (extensible(bytes(16)), "format 0xfffe"),
        (extensible(GUID_PCM)[:30], "format 0xfffe"),
        (fmt(channels=0), "0 channels"),
        (fmt(rate=0), "0 Hz"),
        (fmt()[:12] + struct.pack("<HH", 13, 24), "13 bytes a sample"),
        (fmt()[:14], "cut short"),
    ],
)
def test_codings_we_do_not_read(form: bytes, words: str) -> None:
    with pytest.raises(MediaFileError, match=words):
        layout_of(wave(chunk(b"fmt ", form), chunk(b"data", SOUND)))


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
@pytest.mark.parametrize("before", [b"", chunk(b"iXML", b"<a/>"), chunk(b"iXML", b"odd")])
def test_long_sizes_stand_in_ds64(magic: bytes, before: bytes) -> None:
    ds64 = struct.pack("<QQQI", 0, 240, 20, 0)
    data = wave(chunk(b"ds64", ds64), before, chunk(b"fmt ", fmt()), chunk(b"data", SOUND, LONG), magic=magic)
    layout = layout_of(data)
    assert layout.container == magic.decode()
    assert layout.data_bytes == 240
    assert data[layout.data_start :] == SOUND


def test_the_published_ds64_bytes() -> None:
    """BS.2088 ds64 vector of libbw64's chunk tests: data 578957026724 bytes, axml 13130288 bytes."""
    assert len(DS64_PUBLISHED) == 40
    file = io.BytesIO(wave(chunk(b"ds64", DS64_PUBLISHED), chunk(b"data", b"", LONG), magic=b"BW64"))
    assert [found.size for found in wave_chunks(file)] == [40, 578_957_026_724]
    file = io.BytesIO(wave(chunk(b"ds64", DS64_PUBLISHED), chunk(b"axml", b"", LONG), magic=b"BW64"))
    assert [found.size for found in wave_chunks(file)] == [40, 13_130_288]


KINDS = st.binary(min_size=4, max_size=4).filter(lambda kind: kind not in (b"ds64", b"data", b"fmt "))
OTHERS = st.lists(st.tuples(KINDS, st.binary(max_size=41)), max_size=12)


@pytest.mark.slow
@given(before=OTHERS, between=OTHERS, after=OTHERS, magic=st.sampled_from([b"RIFF", b"RF64", b"BW64"]))
def test_any_chunks_may_stand_round_the_sound(
    before: list[tuple[bytes, bytes]],
    between: list[tuple[bytes, bytes]],
    after: list[tuple[bytes, bytes]],
    magic: bytes,
) -> None:
    first = [] if magic == b"RIFF" else [(b"ds64", struct.pack("<QQQI", 0, 240, 20, 0))]
    listed = [*first, *before, (b"fmt ", fmt()), *between, (b"data", SOUND), *after]
    data = wave(*(chunk(kind, body) for kind, body in listed), magic=magic)
    found = list(wave_chunks(io.BytesIO(data)))
    assert [(one.kind, data[one.start : one.start + one.size]) for one in found] == listed
    layout = layout_of(data)
    assert data[layout.data_start : layout.data_start + layout.data_bytes] == SOUND


def test_the_first_format_and_the_first_sound_count() -> None:
    layout = layout_of(
        wave(chunk(b"fmt ", fmt()), chunk(b"fmt ", fmt(channels=2)), chunk(b"data", SOUND), chunk(b"data", b"1234"))
    )
    assert (layout.channels, layout.data_bytes) == (4, 240)


# --- broken files -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (wave(chunk(b"fmt ", fmt())), "has a header but no sound after it"),
        (wave(chunk(b"data", SOUND)), "says nothing of how its sound is coded"),
        (wave(), "says nothing of how its sound is coded"),
        (wave(chunk(b"data", SOUND), chunk(b"fmt ", fmt())), "says nothing of how"),
        (wave(chunk(b"fmt ", fmt()), chunk(b"data", b"")), "says that it has no samples, and none follow"),
        (
            wave(chunk(b"fmt ", fmt()), chunk(b"data", b""), chunk(b"LIST", b"odd")),
            "it has no samples, and none",
        ),
        (wave(chunk(b"fmt ", fmt()), chunk(b"data", SOUND, LONG)), "gives no length, and none follow"),
        (wave(chunk(b"fmt ", fmt()), chunk(b"data", b"", 12)), "cut short: its sound is missing"),
        (wave(chunk(b"fmt ", fmt(channels=257)), chunk(b"data", SOUND)), "257 channels"),
        (wave(chunk(b"fmt ", fmt(rate=1_000_001)), chunk(b"data", SOUND)), "1000001 Hz"),
    ],
)
def test_broken_files(data: bytes, words: str) -> None:
    with pytest.raises(MediaFileError, match=rf"^take\.wav .*{words}"):
        layout_of(data)


def test_a_chain_of_empty_chunks_ends(tmp_path: Path) -> None:
    path = tmp_path / "zeros.wav"
    path.write_bytes(wave())
    os.truncate(path, 1 << 30)
    with path.open("rb") as file, pytest.raises(MediaFileError, match="says nothing"):
        read_layout(file, path.name)


@pytest.mark.parametrize("head", [b"", b"RIFF", b"RIFF\0\0\0\0AVI ", b"RIFX\0\0\0\0WAVE", b"fLaC\0\0\0\0WAVE"])
def test_what_is_no_wave(head: bytes) -> None:
    assert not is_wave(head)


# --- the view -----------------------------------------------------------------------------------------------


def test_the_view_is_the_sound_alone() -> None:
    data = wave(chunk(b"fmt ", fmt()), chunk(b"data", SOUND), chunk(b"LIST", b"more"))
    view = DataView(io.BytesIO(data), layout_of(data))
    assert view.readable()
    assert view.seekable()
    assert view.read() == SOUND
    assert view.read(1) == b""
    assert view.seek(-10, os.SEEK_END) == 230
    assert view.read(100) == SOUND[-10:]
    assert view.seek(7) == view.tell() == 7
    assert view.seek(5, os.SEEK_CUR) == 12
    assert view.read(3) == SOUND[12:15]
    assert view.seek(500) == 500
    assert view.read(1) == b""


def test_a_disk_that_fails_ends_the_view() -> None:
    class Failing(io.BytesIO):
        def readinto(self, buffer: object) -> int:  # noqa: ARG002 as in any file
            raise OSError(5, "Input/output error")

    data = wave(chunk(b"fmt ", fmt()), chunk(b"data", SOUND))
    assert DataView(Failing(data), layout_of(data)).read() == b""


# --- the header we write ------------------------------------------------------------------------------------


def test_our_header_says_no_loudspeakers() -> None:
    """[2] dwChannelMask 0: the channels belong to no speaker positions."""
    header = wav_header(channels=4, rate_hz=48_000, sample_bytes=3, data_bytes=240)
    assert len(header) == HEADER_BYTES
    by_hand = wave(chunk(b"JUNK", bytes(28)), chunk(b"fmt ", extensible(GUID_PCM)), chunk(b"data", SOUND))
    assert header + SOUND == by_hand


@pytest.mark.parametrize(
    ("data_bytes", "container"),
    [
        (12, "WAV"),
        (LONG - HEADER_BYTES + 8 - 3, "WAV"),  # the last multiple of 12 below 2^32 - 1 - 96
        (LONG - HEADER_BYTES + 8 - 3 + 12, "RF64"),
        (10_000_000_008, "RF64"),
    ],
)
def test_the_header_turns_rf64_where_it_must(tmp_path: Path, data_bytes: int, container: str) -> None:
    path = tmp_path / "long.wav"
    path.write_bytes(wav_header(channels=4, rate_hz=48_000, sample_bytes=3, data_bytes=data_bytes))
    os.truncate(path, HEADER_BYTES + data_bytes)  # sparse: takes no room
    with path.open("rb") as file:
        layout = read_layout(file, path.name)
    assert (layout.container, layout.data_start) == (container, HEADER_BYTES)
    assert layout.samples == data_bytes // 12
    with soundfile.SoundFile(path) as second:  # libsndfile as second reader
        assert (second.frames, second.format) == (data_bytes // 12, "WAVEX" if container == "WAV" else "RF64")
        assert np.array_equal(second.read(2), np.zeros((min(2, second.frames), 4)))


def test_chunks_stand_before_the_sound() -> None:
    chunks = [(b"bext", b"even"), (b"axml", b"odd")]
    header = wav_header(channels=4, rate_hz=48_000, sample_bytes=3, data_bytes=240, chunks=chunks)
    forms = (chunk(b"JUNK", bytes(28)), chunk(b"fmt ", extensible(GUID_PCM)))
    assert header + SOUND == wave(*forms, chunk(b"bext", b"even"), chunk(b"axml", b"odd"), chunk(b"data", SOUND))


@pytest.mark.parametrize(("kind", "magic"), [(b"chna", b"BW64"), (b"bext", b"RF64")])
def test_a_long_file_with_a_chna_chunk_is_bw64(kind: bytes, magic: bytes) -> None:
    header = wav_header(channels=4, rate_hz=48_000, sample_bytes=3, data_bytes=5 * 10**9 * 12, chunks=[(kind, b"ab")])
    assert header[:4] == magic
    assert struct.unpack_from("<4sIQQQI", header, 12) == (b"ds64", 28, 96 + 10 + 6 * 10**10, 6 * 10**10, 5 * 10**9, 0)


@pytest.mark.parametrize(
    ("form", "b_format", "mask"),
    [
        (extensible(GUID_B_FORMAT_PCM), True, 0),
        (extensible(GUID_PCM), False, 0),
        (fmt(0xFFFE) + struct.pack("<HHI", 22, 24, 0x33) + GUID_PCM, False, 0x33),
        (fmt(), False, 0),
    ],
)
def test_the_b_format_mark_and_the_speaker_mask(form: bytes, b_format: bool, mask: int) -> None:
    """[3] dream.cs.bath.ac.uk, R. Dobson: {00000001-0721-11d3-8644-C8C1CA000000}; 0x33 is four loudspeakers."""
    layout = layout_of(wave(chunk(b"fmt ", form), chunk(b"data", SOUND)))
    assert (layout.b_format, layout.speaker_mask) == (b_format, mask)
