"""Broken files: what is left of them is read and said; whatever a header says, the end is a take or one sentence."""

import os
import re
import resource
import signal
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from spatial.errors import MediaFileError
from spatial.findings import Severity
from spatial.media.takes.take import field_blocks, open_take, read_field
from spatial.media.wav.adm import axml_body, chna_body
from spatial.media.wav.metadata import bext_body
from spatial.media.wav.riff import chunk_bytes
from tests.media.test_riff import LONG, chunk, extensible, fmt, wave

RATE, FRAME = 48_000, 12
SECOND = RATE * FRAME
GUID_PCM = bytes.fromhex("0100000000001000800000aa00389b71")


def sound(seconds: float, seed: int = 3) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, round(seconds * RATE) * FRAME, dtype=np.uint8).tobytes()


def unfinished(seconds: float, size: int, *, magic: bytes = b"RIFF", before: bytes = b"", after: bytes = b"") -> bytes:
    """A file whose header says `size` of so many seconds of sound."""
    head = wave(before, chunk(b"fmt ", fmt()), magic=magic)
    return head + b"data" + struct.pack("<I", size) + sound(seconds) + after


EMPTY_DS64 = chunk(b"ds64", bytes(28))


@pytest.mark.parametrize(
    ("data", "seconds", "severity", "words"),
    [
        (unfinished(2, 0), 2.0, Severity.LOOK, "never finished.* no length; the 2.00 s of sound that follow are used"),
        (unfinished(2, LONG), 2.0, Severity.LOOK, "never finished"),
        (unfinished(2, LONG, magic=b"RF64", before=EMPTY_DS64), 2.0, Severity.LOOK, "never finished"),
        (unfinished(2, LONG, magic=b"BW64", before=EMPTY_DS64), 2.0, Severity.LOOK, "never finished"),
        (unfinished(2, LONG, magic=b"RF64", before=chunk(b"ds64", b"short")), 2.0, Severity.LOOK, "never finished"),
        # In the middle of a sample of the fourth channel.
        (unfinished(2, 0)[:-5], 2.0 - 1 / RATE, Severity.LOOK, "never finished"),
        (unfinished(2, 3 * SECOND), 2.0, Severity.FIX, r"promises 3\.000 s and 2\.000 s are there, which are used"),
        (unfinished(2, 2 * SECOND)[:-5], 2.0 - 1 / RATE, Severity.FIX, r"promises 2\.000 s and 2\.000 s are there"),
        # A recorder that writes the size now and then: it was true a while ago. Or one that wrapped at 4 GiB.
        (unfinished(2, SECOND // 2), 2.0, Severity.LOOK, r"gives 0\.50 s, but 2\.00 s of sound are there"),
    ],
)
def test_what_is_left_is_read_and_said(
    tmp_path: Path, data: bytes, seconds: float, severity: Severity, words: str
) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(data)
    take = open_take(path)
    assert take.duration_s == pytest.approx(seconds, abs=1e-9)
    (finding,) = take.findings
    assert (finding.code, finding.severity, finding.where) == ("truncated", severity, "take.wav")
    assert re.search(words, finding.message)
    whole = np.frombuffer(sound(2), np.uint8).reshape(-1, 4, 3)
    steps = (np.pad(whole, ((0, 0), (0, 0), (1, 0))).copy().view("<i4")[..., 0] >> 8)[: take.samples]
    assert np.array_equal(np.rint(read_field(take, 0, take.samples).T * 2**23).astype(int), steps)


@pytest.mark.parametrize(
    ("after", "seconds"),
    [
        (chunk(b"LIST", b"more"), 2.0),
        (chunk(b"iXML", b"odd") + chunk(b"_PMX", bytes(100_001)), 2.0),
        (chunk(b"junk", bytes(300_000)), 2.0),
        (bytes(SECOND), 2.0),  # room set aside, and left empty
        (b"", 2.0),
        (b"\0", 2.0),
    ],
)
def test_what_follows_the_sound_of_a_good_file_is_no_sound(tmp_path: Path, after: bytes, seconds: float) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(unfinished(2, 2 * SECOND, after=after))
    take = open_take(path)
    assert (take.duration_s, take.findings) == (seconds, ())


@pytest.mark.parametrize("size", [0x7FFF_FFFF, 0xFFFF_FFF0, LONG])
@pytest.mark.parametrize("before_format", [False, True])
def test_a_chunk_of_absurd_size_before_the_sound(tmp_path: Path, size: int, before_format: bool) -> None:
    path = tmp_path / "take.wav"
    form, absurd = chunk(b"fmt ", fmt()), b"b\x1bd!" + struct.pack("<I", size) + bytes(60)
    head = wave(*((absurd, form) if before_format else (form, absurd)))
    path.write_bytes(head + chunk(b"data", sound(1)))
    take = open_take(path)
    assert take.duration_s == 1.0
    (finding,) = take.findings
    assert f"has a damaged chunk 'b?d?' of {size} bytes; its sound was found behind it" in finding.message


def test_a_chunk_of_absurd_size_after_the_sound(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(unfinished(1, SECOND, after=b"LIST" + struct.pack("<I", 0x7FFF_FFFF) + b"abc"))
    take = open_take(path)
    assert (take.duration_s, take.findings) == (1.0, ())


def test_an_absurd_chunk_with_nothing_behind_it(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(wave(chunk(b"fmt ", fmt()), b"junk\xf0\xff\xff\xff" + bytes(SECOND)))
    with pytest.raises(MediaFileError, match="has a header but no sound after it"):
        open_take(path)


def test_an_endless_chain_of_chunks_after_the_sound_ends(tmp_path: Path) -> None:
    """Empty chunks as far as the disk reaches: 2 GB of them would take minutes to walk."""
    path = tmp_path / "take.wav"
    path.write_bytes(unfinished(1, SECOND, after=chunk(b"zero", b"") * 100_000))
    assert open_take(path).duration_s >= 1.0


# --- length -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_ten_gigabytes(tmp_path: Path, magic: bytes) -> None:
    """A sparse file, with an odd chunk before its sound and its time of day after it."""
    path = tmp_path / "long.wav"
    data_bytes = 10_000_000_008
    ds64 = chunk(b"ds64", struct.pack("<QQQI", data_bytes + 1000, data_bytes, data_bytes // FRAME, 0))
    head = wave(ds64, chunk(b"note", b"odd"), chunk(b"fmt ", extensible(GUID_PCM)), magic=magic)
    with path.open("wb") as file:
        file.write(head + b"data" + struct.pack("<I", LONG))
        start = file.tell()
        file.seek(start + data_bytes - FRAME)
        file.write(struct.pack("<i", 1 << 30)[1:] * 4)
        file.write(chunk_bytes(b"bext", bext_body(time_reference=7 * RATE, originator="box")))
    take = open_take(path)
    assert (take.container, take.samples, take.findings) == (magic.decode(), data_bytes // FRAME, ())
    assert take.start_of_day_s == 7.0
    assert read_field(take, take.samples - 2, take.samples)[0].tolist() == [0.0, 0.5]
    os.truncate(path, start + 7_000_000_001)
    assert "promises 17361.111 s and 12152.778 s are there" in open_take(path).findings[0].message


# --- damage at random ---------------------------------------------------------------------------------------


@pytest.fixture
def no_hang() -> Iterator[None]:
    """Ends what hangs; far longer than the work takes."""

    def stop(*_: object) -> None:
        raise RuntimeError("a damaged header made the reader hang")

    was = signal.signal(signal.SIGALRM, stop)
    signal.alarm(300)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, was)


def _header(magic: bytes, form: bytes) -> bytes:
    ds64 = [] if magic == b"RIFF" else [chunk(b"ds64", struct.pack("<QQQI", 9_000, 100 * FRAME, 100, 0))]
    size = 100 * FRAME if magic == b"RIFF" else LONG
    described = (
        (b"bext", bext_body(time_reference=RATE, originator="box")[:620]),
        (b"iXML", b"<BWFXML><SPEED><TIMECODE_RATE>25/1</TIMECODE_RATE></SPEED></BWFXML>"),
        (b"chna", chna_body()),
        (b"axml", axml_body(rate_hz=RATE, bits=24)[:200]),
    )
    chunks = (chunk_bytes(kind, body) for kind, body in described)
    return wave(*ds64, *chunks, chunk(b"fmt ", form), magic=magic) + b"data" + struct.pack("<I", size)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "alarm"), reason="nothing here could stop a reader that hangs")
def test_three_thousand_damaged_headers(tmp_path: Path, no_hang: None) -> None:  # noqa: ARG001
    rng = np.random.default_rng(20_261_125)
    headers = [_header(magic, form) for magic in (b"RIFF", b"RF64", b"BW64") for form in (fmt(), extensible(GUID_PCM))]
    tail = sound(0.25)[: 100 * FRAME] + chunk(b"LIST", b"INFOIART")
    path = tmp_path / "take.wav"
    wild = np.array([0, 1, 2, 0x20, 0x7F, 0x80, 0xFE, 0xFF])
    sentences: set[str] = set()
    taken = 0
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for number in range(3_000):
        header = headers[number % len(headers)]
        data = bytearray(header + tail)
        # Half of the damage where it hurts: in the last 80 bytes of the header stand format and size.
        where = np.where(rng.random(4) < 0.5, rng.integers(0, 80, 4), len(header) - 1 - rng.integers(0, 80, 4))
        for place in where[: rng.integers(1, 5)]:
            data[place] = rng.choice(wild) if rng.random() < 0.5 else rng.integers(256)
        if number % 5 == 0:
            del data[rng.integers(len(data)) :]
        path.write_bytes(data)
        try:
            take = open_take(path)
            assert sum(block.shape[1] for block in field_blocks(take)) == take.samples
            taken += 1
        except MediaFileError as error:
            sentences.add(str(error))
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024
    assert grown_mb < 200
    assert [text for text in sentences if "take.wav" not in text or "\n" in text or len(text) > 300] == []
    assert taken > 600
    assert len(sentences) > 20, "the damage is too light to tell anything"
