"""Boxes of sphere and sound field: their bytes by the published layouts, and chunk offsets by where the data lies.

Sources: "Spatial Audio RFC" (SA3D), "Spherical Video V2 RFC" (st3d, sv3d), ISO/IEC 14496-12 (boxes, stco, co64), RFC
9559 (Matroska). Values from memory where no page was open.
"""

import contextlib
import io
import json
import shutil
import struct
import subprocess
from fractions import Fraction

import numpy as np
import pytest

from demo_audio.write_movie import write_movie
from spatial.errors import InputError, MediaFileError
from spatial.media.movies import spherical
from spatial.media.movies.spherical import (
    PictureWords,
    field_box,
    finish_movie,
    finish_stream,
    picture_boxes,
    read_words,
)
from spatial.picture import Packing


def noise_frames(count, width, height):
    rng = np.random.default_rng(1)
    return (rng.integers(0, 255, (height, width, 3), dtype=np.uint8) for _ in range(count))


LAYOUTS = [f"equirect{view}{eyes}" for view in (180, 360) for eyes in ("", "-sbs", "-tb")]


def box(kind, body):
    return struct.pack(">I", 8 + len(body)) + kind + body


def test_the_field_box_is_the_36_bytes_of_its_specification():
    """Version 0, type 0 (periphonic), order 1, ACN 0, SN3D 0, four channels, each at its own place."""
    words = "00000024 53413344 00 00 00000001 00 00 00000004 00000000 00000001 00000002 00000003"
    assert field_box() == bytes.fromhex(words)


def test_half_a_sphere_for_two_eyes_is_these_bytes():
    """st3d: left-right is 2. sv3d: svhd, proj with prhd (no turn) and equi, which leaves out a quarter on each side."""
    stereo = bytes.fromhex("0000000d 73743364 00000000 02")
    header = bytes.fromhex("0000000f 73766864 00000000") + b"me\0"
    pose = bytes.fromhex("00000018 70726864 00000000 00000000 00000000 00000000")
    bounds = bytes.fromhex("0000001c 65717569 00000000 00000000 00000000 40000000 40000000")
    assert picture_boxes("equirect180-sbs", maker="me") == stereo + box(b"sv3d", header + box(b"proj", pose + bounds))
    assert picture_boxes("equirect360-tb", maker="me")[12] == 1
    assert picture_boxes("equirect360", maker="me")[12] == 0


def test_a_fisheye_has_no_word():
    with pytest.raises(InputError, match="have no word for fisheye190-sbs; bring the picture to equirect180"):
        picture_boxes("fisheye190-sbs", maker="me")


@pytest.fixture(scope="module")
def movie(tmp_path_factory):
    """Two eyes, 0.4 s, with stereo sound."""
    path = tmp_path_factory.mktemp("movie") / "film.mov"
    sound = np.random.default_rng(3).normal(0, 0.05, (2, 19_200))
    write_movie(path, frames=noise_frames(10, 128, 64), frame_rate=Fraction(25), audio=sound, audio_codec="pcm_s16le")
    return path


@pytest.mark.parametrize("layout", LAYOUTS)
def test_what_is_written_is_read(movie, tmp_path, layout):
    path = tmp_path / "out.mov"
    path.write_bytes(movie.read_bytes())
    assert not read_words(path).picture.anything
    finish_movie(path, picture=picture_boxes(layout, maker="x"), sounds={}, mark=b"mark")
    assert read_words(path).picture.layout == layout


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="Debian's ffmpeg is not installed")
@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_systems_ffprobe_reads_the_same(movie, tmp_path, layout):
    path = tmp_path / "out.mov"
    path.write_bytes(movie.read_bytes())
    finish_movie(path, picture=picture_boxes(layout, maker="x"), sounds={}, mark=b"mark")
    words = ["ffprobe", "-v", "error", "-of", "json", "-show_streams", str(path)]
    told = json.loads(subprocess.run(words, check=True, capture_output=True).stdout)
    data = {side["side_data_type"]: side for side in told["streams"][0].get("side_data_list", [])}
    sphere = data["Spherical Mapping"]
    view, _, eyes = layout.partition("-")
    assert sphere["projection"] == ("equirectangular" if view == "equirect360" else "tiled equirectangular")
    assert data["Stereo 3D"]["type"] == {"": "2D", "sbs": "side by side", "tb": "top and bottom"}[eyes]


def small_movie(order, *, wide=False, offsets=None, data=b"0123456789abcdef"):
    """A movie of one track whose chunks begin at known bytes of its data: 0, 4 and 10."""
    entry = box(b"avc1", bytes(78) + box(b"avcC", b"conf"))
    hdlr = box(b"hdlr", bytes(8) + b"vide" + bytes(12) + b"\0")

    def header(places):
        table = box(b"co64" if wide else b"stco", struct.pack(f">II{len(places)}{'Q' if wide else 'I'}", 0, 3, *places))
        stbl = box(b"stbl", box(b"stsd", struct.pack(">II", 0, 1) + entry) + table)
        track = box(b"trak", box(b"tkhd", bytes(84)) + box(b"mdia", hdlr + box(b"minf", stbl)))
        return box(b"moov", box(b"mvhd", bytes(100)) + track)

    size = len(header([0, 0, 0]))
    ftyp = box(b"ftyp", b"isom" + bytes(4))
    start = len(ftyp) + 8 + (size if order == "front" else 0)
    moov = header(offsets or [start, start + 4, start + 10])
    mdat = box(b"mdat", data)
    return ftyp + (moov + mdat if order == "front" else mdat + moov)


def chunks_of(whole, kind):
    at = whole.index(kind) + 4
    code = ">u4" if kind == b"stco" else ">u8"
    return np.frombuffer(whole[at + 8 : at + 8 + 3 * np.dtype(code).itemsize], code).astype(int)


@pytest.mark.parametrize("order", ["front", "behind"])
@pytest.mark.parametrize("wide", [False, True])
def test_chunks_are_found_where_they_lie(order, wide):
    """ISO/IEC 14496-12: offsets of 32 bits (stco) and 64 (co64) from the start of the file, moov in front or behind."""
    file = io.BytesIO(small_movie(order, wide=wide))
    finish_stream(file, picture=picture_boxes("equirect180", maker="m"), sounds={}, mark=b"a mark")
    whole = file.getvalue()
    first = chunks_of(whole, b"co64" if wide else b"stco")
    assert [whole[at : at + 4] for at in first] == [b"0123", b"4567", b"abcd"]
    # ftyp, the mark, then the header; the boxes come after the coder's own.
    assert whole[16:].startswith(box(b"free", b"a mark"))
    assert whole.index(b"moov") < whole.index(b"mdat")
    assert whole.index(b"avcC") < whole.index(b"st3d") < whole.index(b"sv3d")
    words = read_words_of(whole)
    assert words.picture == PictureWords(Packing.ONE_EYE, 180.0)


def read_words_of(whole):
    return spherical._read_boxes(io.BytesIO(whole))


def test_offsets_that_no_longer_fit_get_64_bits():
    """A file just under 4 GiB grows past it by what is put in; of the file only its header is made here."""
    places = [4000, 5000, (1 << 32) - 20]
    held = small_movie("front", offsets=places)
    file = io.BytesIO(held)
    finish_stream(file, picture=picture_boxes("equirect180-tb", maker="m"), sounds={}, mark=b"")
    whole = file.getvalue()
    assert b"stco" not in whole
    assert list(chunks_of(whole, b"co64") - places) == [len(whole) - len(held)] * 3


def test_an_entry_that_ends_in_four_zeros_keeps_them_last():
    """QuickTime files may end a sample description with a terminator of 32 bits, behind which nothing is read."""
    entry = bytes(78) + box(b"avcC", b"conf") + bytes(4)
    body = struct.pack(">II", 0, 1) + box(b"avc1", entry)
    put = spherical._described(body, b"vide", box(b"st3d", bytes(5)))
    assert put.endswith(box(b"st3d", bytes(5)) + bytes(4))
    plain = struct.pack(">II", 0, 1) + box(b"avc1", bytes(78) + box(b"pasp", bytes(8)))
    assert spherical._described(plain, b"vide", box(b"st3d", bytes(5))).endswith(bytes(8) + box(b"st3d", bytes(5)))


@pytest.mark.parametrize("suffix", [".mov", ".mkv"])
def test_damage_is_told_and_never_a_crash(tmp_path, suffix, rng):
    path = tmp_path / f"whole{suffix}"
    write_movie(path, frames=noise_frames(10, 64, 64), frame_rate=Fraction(25), audio=np.zeros((2, 9600)))
    if suffix == ".mov":
        finish_movie(path, picture=picture_boxes("equirect180-sbs", maker="x"), sounds={0: field_box()}, mark=b"mark")
    whole, spoilt = path.read_bytes(), tmp_path / f"spoilt{suffix}"
    head = min(len(whole), 3000)
    for _ in range(300):
        held = bytearray(whole[: rng.integers(1, len(whole))] if rng.random() < 0.3 else whole)
        for at in rng.integers(0, min(head, len(held)), rng.integers(1, 9)):
            held[at] = rng.integers(256)
        spoilt.write_bytes(held)
        with contextlib.suppress(MediaFileError):
            read_words(spoilt)


def test_a_file_in_fragments_is_known(tmp_path):
    path = tmp_path / "parts.mp4"
    write_movie(path, frames=noise_frames(10, 64, 64), frame_rate=Fraction(25), fragmented=True)
    assert read_words(path).fragmented
    with pytest.raises(InputError):
        finish_movie(path, picture=b"", sounds={}, mark=b"")


def test_what_version_1_said_in_xml_is_read():
    """ "Spherical Video RFC" (version 1): XML in a uuid box of the track."""
    xml = b"""<rdf:SphericalVideo><GSpherical:Spherical>true</GSpherical:Spherical>
    <GSpherical:ProjectionType>equirectangular</GSpherical:ProjectionType>
    <GSpherical:StereoMode>top-bottom</GSpherical:StereoMode></rdf:SphericalVideo>"""
    assert spherical._said_in_xml(xml).layout == "equirect360-tb"
    half = b"<GSpherical:CroppedAreaImageWidthPixels>1000</GSpherical:CroppedAreaImageWidthPixels>"
    half += b"<GSpherical:FullPanoWidthPixels>2000</GSpherical:FullPanoWidthPixels>"
    assert spherical._said_in_xml(xml + half).layout == "equirect180-tb"


@pytest.mark.parametrize(("mode", "other"), [(3, "order of their own"), (4, "the right eye first")])
def test_what_has_no_layout_here_is_not_taken_for_one(mode, other):
    said = spherical._said_of_picture(box(b"st3d", bytes([0, 0, 0, 0, mode])), PictureWords(view_deg=180.0))
    assert other in said.other
    assert said.layout is None
    cube = box(b"sv3d", box(b"proj", box(b"prhd", bytes(16)) + box(b"cbmp", bytes(12))))
    assert spherical._said_of_picture(cube, PictureWords()).other == "a cube"
    third = box(b"sv3d", box(b"proj", box(b"equi", struct.pack(">5I", 0, 0, 0, 1 << 29, 1 << 30))))
    assert spherical._said_of_picture(third, PictureWords()).layout is None
