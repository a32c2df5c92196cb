"""Time of day in WAV files put together byte by byte: read right, or not at all."""

import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo

from spatial.errors import InputError
from spatial.media.takes.take import open_take
from spatial.media.wav.metadata import Loudness, Stamp, bext_body, read_bext, read_stamp

RATE = 48_000


def chunk(kind: bytes, body: bytes, size: int | None = None) -> bytes:
    return kind + struct.pack("<I", len(body) if size is None else size) + body + b"\0" * (len(body) % 2)


def bext(
    count: int = 0, *, date: bytes = b"2026-11-25", time: bytes = b"10:00:00", version: int = 1, history: bytes = b""
) -> bytes:
    """Body of a bext chunk, field by field at the offsets of EBU Tech 3285."""
    body = bytearray(602)
    body[0:8] = b"Rehearse"
    body[256:264] = b"Recorder"
    body[288:295] = b"REF0001"
    body[320:330], body[330:338] = date.ljust(10, b"\0"), time.ljust(8, b"\0")
    body[338:342], body[342:346] = struct.pack("<I", count & 0xFFFF_FFFF), struct.pack("<I", count >> 32)
    body[346:348] = struct.pack("<H", version)
    return bytes(body) + history


def ixml(high: object, low: object, rate: object = RATE) -> bytes:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<BWFXML><IXML_VERSION>1.5</IXML_VERSION><SPEED>'
        "<TIMECODE_RATE>24000/1001</TIMECODE_RATE>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{high}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>\n"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO> {low} </TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
        f"<TIMESTAMP_SAMPLE_RATE>{rate}</TIMESTAMP_SAMPLE_RATE></SPEED></BWFXML>"
    ).encode()


def wav(
    path: Path,
    *before: bytes,
    after: tuple[bytes, ...] = (),
    rate: int = RATE,
    magic: bytes = b"RIFF",
    samples: int = 5,
) -> Path:
    form = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 4, rate, rate * 12, 12, 24))
    body = b"".join([*before, form, chunk(b"data", bytes(12 * samples)), *after])
    path.write_bytes(magic + struct.pack("<I", 4 + len(body)) + b"WAVE" + body)
    return path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "take.wav"


# --- bext ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("version", [0, 1, 2])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("start_s", [1, 3_600, 36_000.25, 86_399])
def test_time_reference_counts_samples_from_midnight(path: Path, version: int, rate: int, start_s: float) -> None:
    """EBU Tech 3285: TimeReferenceLow at 338, TimeReferenceHigh at 342; late hours at high rates need both."""
    count = round(start_s * rate)
    take = open_take(wav(path, chunk(b"bext", bext(count, version=version)), rate=rate))
    assert take.start_of_day_s == start_s
    assert take.origination == datetime(2026, 11, 25, 10, 0, 0)


def test_the_high_word_counts(path: Path) -> None:
    """high * 2^32 + low (EBU Tech 3285): 3 * 2^32 + 1000 samples at 192 kHz."""
    stamp = read_stamp(wav(path, chunk(b"bext", bext(3 * 2**32 + 1000)), rate=192_000), 192_000)
    assert stamp.start_of_day_s == (3 * 2**32 + 1000) / 192_000


@pytest.mark.parametrize("count", [172_800_000, 48_001, 4_147_199_999])
def test_a_second_reader_agrees(path: Path, count: int) -> None:
    """wavinfo shares no code with us."""
    wav(path, chunk(b"bext", bext(count, history=b"A=PCM,F=48000,W=24\r\n")))
    second = wavinfo.WavInfoReader(str(path)).bext
    stamp = read_stamp(path, RATE)
    assert stamp.start_of_day_s == second.time_reference / RATE
    assert stamp.origination is not None
    assert (stamp.origination.date().isoformat(), stamp.origination.time().isoformat()) == (
        second.originator_date,
        second.originator_time,
    )


@pytest.mark.parametrize("separator", [b"-", b":", b"_", b".", b" ", b"/"])
def test_separators_that_occur(path: Path, separator: bytes) -> None:
    date, time = separator.join([b"2026", b"02", b"28"]), separator.join([b"23", b"59", b"58"])
    stamp = read_stamp(wav(path, chunk(b"bext", bext(1, date=date, time=time))), RATE)
    assert stamp.origination == datetime(2026, 2, 28, 23, 59, 58)


@pytest.mark.parametrize(
    ("date", "time"),
    [
        (b"", b""),
        (b"2026-11-25", b""),
        (b"", b"10:00:00"),
        (b"0000-00-00", b"00:00:00"),
        (b"2026-02-29", b"10:00:00"),  # no leap year
        (b"2026-13-01", b"10:00:00"),
        (b"2026-11-25", b"24:00:00"),
        (b"25.11.2026", b"10:00:00"),
        (b"2026112510", b"10:00:00"),
        (b"\xff" * 10, b"\xff" * 8),
    ],
)
def test_dates_that_are_none(path: Path, date: bytes, time: bytes) -> None:
    stamp = read_stamp(wav(path, chunk(b"bext", bext(RATE, date=date, time=time))), RATE)
    assert stamp == Stamp(1.0, None)


def test_the_chunk_may_follow_the_sound(path: Path) -> None:
    wav(path, chunk(b"junk", b"odd"), after=(chunk(b"LIST", b"abc"), chunk(b"bext", bext(RATE * 60))))
    assert open_take(path).start_of_day_s == 60.0


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_long_files_have_it_too(path: Path, magic: bytes) -> None:
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, 60, 5, 0))
    take = open_take(wav(path, ds64, chunk(b"bext", bext(RATE * 7)), magic=magic))
    assert (take.container, take.start_of_day_s) == (magic.decode(), 7.0)


@pytest.mark.parametrize(
    ("time", "start_s"), [(b"00:00:00", 0.0), (b"23:59:59", 0.0), (b"10:00:00", None), (b"", None)]
)
def test_a_count_of_zero_is_midnight_only_at_midnight(path: Path, time: bytes, start_s: float | None) -> None:
    assert read_stamp(wav(path, chunk(b"bext", bext(0, time=time))), RATE).start_of_day_s == start_s


@pytest.mark.parametrize(
    ("count", "start_s"), [(86_410 * RATE, 10.0), (172_800 * RATE, None), (2**64 - 1, None), (2**63, None)]
)
def test_counts_beyond_a_day(path: Path, count: int, start_s: float | None) -> None:
    assert read_stamp(wav(path, chunk(b"bext", bext(count))), RATE).start_of_day_s == start_s


# --- iXML ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("high", "low", "rate", "start_s"),
    [
        (0, 172_800_000, 48_000, 3600.0),  # the iXML specification's own sample: one hour
        (1, 0, 96_000, 2**32 / 96_000),
        (3, 1000, 192_000, (3 * 2**32 + 1000) / 192_000),  # written one behind the other: 31000
        (0, 48_048_000, 48_048, 1000.0),  # stamped for pull-down: counted at its own rate
    ],
)
def test_ixml_where_there_is_no_bext(path: Path, high: int, low: int, rate: int, start_s: float) -> None:
    """(HI << 32) + LO, at TIMESTAMP_SAMPLE_RATE."""
    stamp = read_stamp(wav(path, chunk(b"iXML", ixml(high, low, rate))), RATE)
    assert stamp == Stamp(start_s, None)


def test_bext_goes_before_ixml(path: Path) -> None:
    wav(path, chunk(b"iXML", ixml(0, 5 * RATE)), chunk(b"bext", bext(9 * RATE)))
    assert read_stamp(path, RATE).start_of_day_s == 9.0


def test_ixml_helps_where_bext_was_never_set(path: Path) -> None:
    wav(path, chunk(b"iXML", ixml(0, 5 * RATE)), chunk(b"bext", bext(0)))
    assert read_stamp(path, RATE) == Stamp(5.0, datetime(2026, 11, 25, 10, 0, 0))


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"<BWFXML>",
        ixml("", 5),
        ixml(0, "five"),
        ixml(0, -5),
        ixml(0, 2**32),
        ixml(0, "9" * 40),
        ixml(2**31, 0),
        ixml(0, 0),
        ixml(0, 5) + ixml(0, 6),
        ixml(0, 5 * RATE)[:200],
        ixml(0, 5 * RATE).decode().encode("utf-16"),
        b"\xff\xfe\0" * 500,
    ],
)
def test_ixml_that_says_nothing(path: Path, body: bytes) -> None:
    assert read_stamp(wav(path, chunk(b"iXML", body)), RATE) == Stamp()


def test_ixml_padded_with_zeros_or_cut_behind_what_counts(path: Path) -> None:
    assert read_stamp(wav(path, chunk(b"iXML", ixml(0, RATE) + bytes(5000))), RATE).start_of_day_s == 1.0
    assert read_stamp(wav(path, chunk(b"iXML", ixml(0, RATE)[:-20])), RATE).start_of_day_s == 1.0


# --- nothing, or damage -------------------------------------------------------------------------------------


@pytest.mark.parametrize("container", ["WAV", "FLAC", "CAF"])
def test_files_without_a_stamp(tmp_path: Path, container: str) -> None:
    path = tmp_path / f"take.{container.lower()}"
    soundfile.write(path, np.zeros((100, 4)), RATE, subtype="PCM_24", format=container)
    take = open_take(path)
    assert (take.start_of_day_s, take.origination) == (None, None)


@pytest.mark.parametrize("length", [0, 1, 319, 330, 337, 338, 342, 345])
def test_a_bext_cut_short(path: Path, length: int) -> None:
    assert read_stamp(wav(path, chunk(b"bext", bext(RATE)[:length])), RATE).start_of_day_s is None


def test_a_bext_that_ends_where_it_is_needed_no_more(path: Path) -> None:
    assert read_stamp(wav(path, chunk(b"bext", bext(RATE)[:346])), RATE).start_of_day_s == 1.0


def test_a_bext_that_promises_more_than_the_file_holds(path: Path) -> None:
    wav(path, after=(chunk(b"bext", bext(RATE)[:340], size=0xFFFF_0000),))
    assert read_stamp(path, RATE).start_of_day_s is None


def test_missing_files_and_folders(tmp_path: Path) -> None:
    assert read_stamp(tmp_path / "gone.wav", RATE) == Stamp()
    assert read_stamp(tmp_path, RATE) == Stamp()


@pytest.mark.slow
def test_damage_at_random_never_raises(tmp_path: Path, rng: np.random.Generator) -> None:
    whole = wav(tmp_path / "whole.wav", chunk(b"bext", bext(RATE)), chunk(b"iXML", ixml(0, RATE))).read_bytes()
    path = tmp_path / "damaged.wav"
    known = 0
    for _ in range(400):
        data = bytearray(whole)
        for place in rng.integers(0, len(data), size=rng.integers(1, 60)):
            data[place] = rng.integers(256)
        path.write_bytes(data[: rng.integers(len(data))] if rng.random() < 0.3 else data)
        start_s = read_stamp(path, RATE).start_of_day_s
        known += start_s is not None
        assert start_s is None or 0 <= start_s < 86_400
    assert 50 < known < 395, "the damage is too light or too heavy to tell anything"


# --- the whole chunk ----------------------------------------------------------------------------------------


def whole(version: int) -> bytes:
    """EBU Tech 3285 v2, field by field."""
    body = bytearray(bext(172_800_000, version=version, history=b"A=PCM,F=48000,W=24\r\n"))
    body[348:412] = bytes(range(64))
    body[412:422] = struct.pack("<5h", -2315, 760, -102, -1850, 0x7FFF)
    return bytes(body)


@pytest.mark.parametrize("version", [0, 1, 2])
def test_fields_by_version(version: int) -> None:
    """UMID since version 1, loudness since version 2 in signed hundredths."""
    read = read_bext(whole(version))
    assert (read.version, read.description, read.originator) == (version, "Rehearse", "Recorder")
    assert (read.originator_reference, read.time_reference) == ("REF0001", 172_800_000)
    assert read.coding_history == "A=PCM,F=48000,W=24"
    assert read.umid == (bytes(range(64)) if version >= 1 else b"")
    assert read.loudness == (Loudness(-23.15, 7.6, -1.02, -18.5, None) if version >= 2 else None)


def test_a_second_reader_agrees_on_the_whole_chunk(path: Path) -> None:
    read, second = read_bext(whole(2)), wavinfo.WavInfoReader(str(wav(path, chunk(b"bext", whole(2))))).bext
    assert (read.description, read.originator, read.originator_reference) == (
        second.description,
        second.originator,
        second.originator_ref,
    )
    assert (read.version, read.umid, read.coding_history) == (
        second.version,
        second.umid,
        second.coding_history.strip(),
    )
    assert read.loudness is not None
    assert (read.loudness.integrated_lufs, read.loudness.range_lu, read.loudness.true_peak_dbtp) == (
        second.loudness_value,
        second.loudness_range,
        second.max_true_peak,
    )


@pytest.mark.parametrize("length", [0, 1, 100, 330, 341, 345, 347, 400, 415, 601, 603])
def test_a_chunk_cut_short_is_read_as_far_as_it_goes(length: int) -> None:
    read = read_bext(whole(2)[:length])
    assert read.time_reference == (172_800_000 if length >= 346 else None)
    assert (read.loudness is not None) == (length >= 422)


def test_what_we_write_is_read_back(path: Path) -> None:
    body = bext_body(
        time_reference=3 * 2**32 + 7,
        originator="Soundplumb",
        description="d" * 300,
        origination=datetime(2026, 11, 25, 9, 8, 7),
        coding_history="A=PCM\r\n",
    )
    assert len(body) == 602 + 7
    read, second = read_bext(body), wavinfo.WavInfoReader(str(wav(path, chunk(b"bext", body)))).bext
    assert read.time_reference == second.time_reference == 3 * 2**32 + 7
    assert read.description == second.description == "d" * 256
    assert (second.originator_date, second.originator_time) == ("2026-11-25", "09:08:07")
    assert (read.version, read.umid, read.origination) == (1, b"", datetime(2026, 11, 25, 9, 8, 7))


@pytest.mark.parametrize("count", [-1, 1 << 64])
def test_a_time_reference_that_cannot_be(count: int) -> None:
    with pytest.raises(InputError, match="time reference"):
        bext_body(time_reference=count, originator="x")
