"""iXML chunks as recorders write them, whole and broken."""

from fractions import Fraction
from pathlib import Path

import pytest
import wavinfo

from spatial.media.wav.metadata import FieldNotes, read_ixml
from tests.media.test_metadata_bext import chunk, wav


def speed(**tags: object) -> bytes:
    inside = "".join(f"<{tag}>{value}</{tag}>" for tag, value in tags.items())
    return f'<?xml version="1.0"?><BWFXML><SPEED>{inside}</SPEED></BWFXML>'.encode()


def tracks(*names: tuple[object, str]) -> bytes:
    listed = "".join(
        f"<TRACK><CHANNEL_INDEX>{n + 3}</CHANNEL_INDEX><INTERLEAVE_INDEX>{index}</INTERLEAVE_INDEX>"
        f"<NAME>{name}</NAME><FUNCTION>M-MID_SIDE</FUNCTION></TRACK>"
        for n, (index, name) in enumerate(names)
    )
    return f"<BWFXML><TRACK_LIST><TRACK_COUNT>{len(names)}</TRACK_COUNT>{listed}</TRACK_LIST></BWFXML>".encode()


def test_the_published_sample() -> None:
    """The iXML specification: HI 0, LO 172800000 at 48 kHz is one hour of real time, whatever the frame rate."""
    notes = read_ixml(
        speed(
            TIMECODE_RATE="24000/1001",
            TIMECODE_FLAG="NDF",
            TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI=0,
            TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO=172_800_000,
            TIMESTAMP_SAMPLE_RATE=48_000,
        )
    )
    assert notes == FieldNotes(172_800_000, 48_000, Fraction(24000, 1001), False, ())


def test_the_high_word_is_shifted_not_glued() -> None:
    """A trap: two public readers glue the words as decimal text, "3" and "1000" to 31000."""
    notes = read_ixml(speed(TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI=3, TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO=1000))
    assert notes.samples_since_midnight == 3 * 2**32 + 1000


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("25/1", Fraction(25)),
        ("30000/1001", Fraction(30000, 1001)),
        ("25", Fraction(25)),
        ("0/1", None),
        ("25/0", None),
        ("25.0", None),
        ("", None),
        ("999999/1", None),
    ],
)
def test_timecode_rates(text: str, rate: Fraction | None) -> None:
    assert read_ixml(speed(TIMECODE_RATE=text)).timecode_rate == rate


@pytest.mark.parametrize(("flag", "drop"), [("DF", True), ("NDF", False), ("df", True), ("maybe", None)])
def test_the_drop_frame_flag(flag: str, drop: bool | None) -> None:
    assert read_ixml(speed(TIMECODE_FLAG=flag)).drop_frame is drop


def test_track_names_stand_by_channel_of_the_file(tmp_path: Path) -> None:
    body = tracks((2, "Ambi X"), (1, "Ambi W &amp; more"), (4, "Ambi Z"))
    assert read_ixml(body).track_names == ("Ambi W & more", "Ambi X", None, "Ambi Z")
    second = wavinfo.WavInfoReader(str(wav(tmp_path / "take.wav", chunk(b"iXML", body)))).ixml
    assert {int(track.interleave_index): track.name for track in second.track_list} == {
        1: "Ambi W & more",
        2: "Ambi X",
        4: "Ambi Z",
    }


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\0" * 100,
        b"<BWFXML><TRACK>",
        b"<TRACK>" * 100_000,
        tracks((0, "W"), (300, "X"), ("one", "Y")),
        speed(TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI=0, TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO=2**32),
        speed(TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO=5),
        b"\xff\xfe<\x00B\x00",
    ],
)
def test_what_is_broken_says_nothing(body: bytes) -> None:
    assert read_ixml(body) == FieldNotes()


def test_contradictions_say_nothing() -> None:
    assert read_ixml(speed(TIMECODE_RATE="25/1") + speed(TIMECODE_RATE="24/1")).timecode_rate is None
    assert read_ixml(speed(TIMECODE_RATE="25/1") + speed(TIMECODE_RATE="25/1")).timecode_rate == 25
