"""What is no file, or no sane one, is refused at the door: nothing waits, nothing fills memory or disk."""

import os
import resource
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from demo_audio.write_movie import write_movie
from spatial.errors import InputError, MarksFileError, MediaFileError, MovesFileError, SoundplumbError
from spatial.field import ChannelFormat
from spatial.jobs.orient.from_claps import orient_claps
from spatial.media.movies.boxes import check_counts
from spatial.media.movies.clip import open_clip, scratch_blocks
from spatial.media.movies.proxy import write_pictures
from spatial.media.tables import read_marks, read_moves
from spatial.media.takes.joining import missing_parts
from spatial.media.takes.take import Take, open_take
from spatial.media.track_files import is_track_of_ours
from spatial.media.wav.adm import read_chna, read_harmonics
from spatial.media.wav.metadata import read_ixml
from spatial.picture import parse_picture

RATE = 48_000
PLAIN = {"bf": "0"}  # pictures in the order of their times


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Fail if the block takes longer, of processor time."""
    before = time.process_time()
    yield
    assert time.process_time() - before < seconds


def pictures(count: int, size: int = 64) -> Iterator[np.ndarray]:
    for _ in range(count):
        yield np.zeros((size, size, 3), dtype=np.uint8)


def noise(channels: int, seconds: float, level: float = 0.1) -> np.ndarray:
    return level * np.random.default_rng(1).standard_normal((channels, round(seconds * RATE)))


READERS = {"take": open_take, "clip": open_clip, "marks": read_marks, "moves": read_moves}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["a named pipe", "a device", "a socket", "a folder"])
def test_what_is_no_file_is_said_at_once(tmp_path: Path, reader: str, kind: str) -> None:
    path = tmp_path / "input"
    if kind == "a named pipe":
        os.mkfifo(path)
    elif kind == "a device":
        path = Path("/dev/zero")
    elif kind == "a folder":
        path.mkdir()
    else:
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind(str(path))
    with pytest.raises(SoundplumbError, match=kind):
        READERS[reader](path)


def test_a_named_pipe_beside_a_recording_is_no_sidecar(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "take.json")
    assert not is_track_of_ours(tmp_path / "take.wav")


@pytest.mark.parametrize("text", ["[" * 200_000, "{}" * 9_000_000, '{"soundplumb": 1, "output": 3}'])
def test_what_is_no_sidecar_of_ours_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "take.json").write_text(text)
    assert not is_track_of_ours(tmp_path / "take.wav")


@pytest.mark.parametrize(("reader", "error"), [(read_marks, MarksFileError), (read_moves, MovesFileError)])
def test_a_field_longer_than_the_reader_of_csv_takes(tmp_path: Path, reader: object, error: type[Exception]) -> None:
    path = tmp_path / "long.csv"
    head = (
        "time_s,yaw_deg,pitch_deg,roll_deg" if reader is read_moves else "who,start_s,end_s,azimuth_deg,elevation_deg"
    )
    path.write_text(f"{head}\n0,0,0,{'1' * 95_000}\n" if reader is read_marks else f"{head}\n0,0,0,{'1' * 140_000}\n")
    with pytest.raises(error, match=r"row 2: this line has \d+ letters"):
        reader(path)  # type: ignore[operator]


def test_moves_of_millions_of_lines_are_refused_before_they_are_cut_apart(tmp_path: Path) -> None:
    (tmp_path / "many.csv").write_bytes(b"ab\n" * 6_000_000)
    with within(2.0), pytest.raises(MovesFileError, match="has more than 500000 lines"):
        read_moves(tmp_path / "many.csv")


@pytest.mark.parametrize("time_s", ["1e308", "-1e308", "90000"])
def test_moves_at_impossible_times_are_said(tmp_path: Path, time_s: str) -> None:
    rows = sorted([("0", 0.0), (time_s, float(time_s))], key=lambda row: row[1])
    body = "".join(f"{text},0,0,0\n" for text, _ in rows)
    (tmp_path / "moves.csv").write_text("time_s,yaw_deg,pitch_deg,roll_deg\n" + body)
    with pytest.raises(MovesFileError, match=r"row \d: time_s is .*within a day"):
        read_moves(tmp_path / "moves.csv")


@pytest.mark.parametrize("tag", [b"NAME", b"TIMECODE_RATE", b"TIMESTAMP_SAMPLE_RATE"])
@pytest.mark.parametrize("filling", [b" ", b"1", b"<", b"<A>", b"&amp;"])
def test_ixml_takes_time_by_its_length_only(tag: bytes, filling: bytes) -> None:
    body = b"<TRACK>" + b"<%b>" % tag + filling * (500_000 // len(filling))
    with within(2.0):
        read_ixml(body)
    many = (b"<TRACK><%b>" % tag + filling * 20) * 5_000
    with within(2.0):
        read_ixml(many)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_entities_in_axml_are_refused_in_any_encoding(encoding: str) -> None:
    entities = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 9))
    text = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE a [<!ENTITY a0 "x">{entities}]><a>&a8;</a>'
    with within(1.0):
        assert read_harmonics(read_chna(b""), text.encode(encoding)) == {}


@pytest.mark.parametrize(
    "text", ["<a>" * 300_000, "<a/>" * 250_000, "<a " + "b='' " * 100_000 + "/>", "<a>" + "\0" * 99]
)
def test_axml_that_is_made_to_be_slow(text: str) -> None:
    with within(3.0):
        assert read_harmonics(read_chna(b""), text.encode()) == {}


def test_names_that_are_far_apart_do_not_fill_memory() -> None:
    takes = [
        Take(Path(f"a{number}.wav"), RATE, 4, RATE, "WAV", "PCM_24", ChannelFormat.AMBIX)
        for number in (1, 999_999_999_999)
    ]
    with within(1.0):
        assert not missing_parts(*takes)


def test_thousands_of_claps_are_refused_before_anything_is_read(tmp_path: Path) -> None:
    with within(1.0), pytest.raises(InputError, match="5000 claps are named, and 12 are the most"):
        orient_claps([tmp_path / "gone.wav"], ["front"] * 5_000)


def test_a_valid_movie_of_three_pictures_at_a_200th_a_second(tmp_path: Path) -> None:
    path = tmp_path / "slow.mp4"
    write_movie(path, frames=pictures(3), frame_rate=Fraction(1, 200), audio=noise(2, 2.0))
    clip = open_clip(path)
    assert (clip.frames, clip.frame_rate, clip.duration_s) == (3, Fraction(1, 200), 600.0)
    write_pictures(path, parse_picture("equirect180", 64, 64), tmp_path / "small.mp4", duration_s=600.0)
    with av.open(str(tmp_path / "small.mp4")) as small:
        assert len(list(small.decode(video=0))) == 3


@pytest.mark.parametrize("rate", [Fraction(1, 10_000), Fraction(1, 40_000)])
def test_a_length_that_no_pictures_vouch_for_is_refused(tmp_path: Path, rate: Fraction) -> None:
    path = tmp_path / "endless.mp4"
    write_movie(path, frames=pictures(3), frame_rate=rate)
    with pytest.raises(MediaFileError, match=r"hours long with 3 pictures in it, which no camera records"):
        open_clip(path)


def jump(source: Path, target: Path, kind: str, jump_s: float) -> None:
    """Copy a movie; from its middle on the packets of a kind come later."""
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        streams = {stream.index: new.add_stream_from_template(stream) for stream in old.streams}
        for packet in old.demux():
            if packet.dts is None:
                continue
            if packet.stream.type == kind and packet.dts * packet.time_base > 1:
                packet.pts += round(jump_s / packet.time_base)
                packet.dts += round(jump_s / packet.time_base)
            packet.stream = streams[packet.stream.index]
            new.mux(packet)


@pytest.mark.parametrize("name", ["jump.mkv", "jump.mp4"])
@pytest.mark.parametrize("kinds", [("audio",), ("audio", "video")])
def test_a_jump_in_time_stamps_is_not_filled_on_disk(tmp_path: Path, name: str, kinds: tuple[str, ...]) -> None:
    write_movie(
        tmp_path / "a.mkv", frames=pictures(50), frame_rate=Fraction(25), audio=noise(2, 2.0), video_options=PLAIN
    )
    source = tmp_path / "a.mkv"
    for number, kind in enumerate(kinds):
        target = tmp_path / f"{number}-{name}"
        # MP4 writes the distance of two samples in 32 bits of 1/48000 s.
        jump(source, target, kind, 3_000_000.0 if name.endswith("mkv") else 80_000.0)
        source = target
    silence = 0
    if kinds == ("audio",):
        # The pictures say how long it lasts; what comes later is left out.
        clip = open_clip(source)
        silence = sum(block.shape[1] for block in scratch_blocks(clip))
        assert silence <= 2.1 * RATE
    else:
        with pytest.raises(MediaFileError, match="time stamps are damaged"):
            open_clip(source)


def test_a_hole_that_nothing_vouches_for_is_said(tmp_path: Path) -> None:
    write_movie(
        tmp_path / "a.mkv", frames=pictures(50), frame_rate=Fraction(25), audio=noise(2, 2.0), video_options=PLAIN
    )
    jump(tmp_path / "a.mkv", tmp_path / "v.mkv", "video", 3_000.0)
    jump(tmp_path / "v.mkv", tmp_path / "h.mkv", "audio", 2_900.0)
    clip = open_clip(tmp_path / "h.mkv")
    with pytest.raises(MediaFileError, match=r"leave out 2900 s until 2901 s"):
        list(scratch_blocks(clip))
    # A minute is what a camera may lose.
    jump(tmp_path / "a.mkv", tmp_path / "w.mkv", "video", 70.0)
    jump(tmp_path / "w.mkv", tmp_path / "m.mkv", "audio", 60.0)
    assert sum(block.shape[1] for block in scratch_blocks(open_clip(tmp_path / "m.mkv"))) > 60 * RATE


def test_sample_tables_that_promise_more_than_the_file_holds(tmp_path: Path) -> None:
    path = tmp_path / "many.mp4"
    write_movie(path, frames=pictures(5), frame_rate=Fraction(25), audio=noise(2, 0.2))
    check_counts(path)
    content = bytearray(path.read_bytes())
    place = content.index(b"stsz")
    content[place + 8 : place + 16] = struct.pack(">II", 1, 150_000_000)
    path.write_bytes(content)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with within(1.0), pytest.raises(MediaFileError, match=r"promises 1500000.. samples"):
        open_clip(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50_000  # kB
