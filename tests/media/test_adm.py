"""chna and axml: the published bytes, the common definitions, definitions of a file's own, and hostile text."""

import struct

import pytest

from spatial.media.wav.adm import Harmonic, TrackUid, axml_body, chna_body, read_chna, read_harmonics

# The chna bytes in the chunk tests of libbw64, an open library for ITU-R BS.2088.
PUBLISHED = bytes.fromhex("0100 0100 0100") + b"ATU_00000001" + b"AT_00031001_01" + b"AP_00031001" + b"\0"


def record(track: int, ref: str, *, uid: str = "ATU_00000001", pack: str = "AP_00040001", pad: bytes = b"\0") -> bytes:
    fields = (text.encode().ljust(size, pad) for text, size in ((uid, 12), (ref, 14), (pack, 11)))
    return struct.pack("<H", track) + b"".join(fields) + b"\0"


def chna(*records: bytes) -> bytes:
    return struct.pack("<HH", len(records), len(records)) + b"".join(records)


def test_the_published_bytes() -> None:
    assert len(PUBLISHED) == 44
    assert read_chna(PUBLISHED) == (TrackUid(0, "ATU_00000001", "AT_00031001_01", "AP_00031001"),)
    assert read_harmonics(read_chna(PUBLISHED), b"") == {}  # type 3: an object, no harmonic


@pytest.mark.parametrize("pad", [b"\0", b" "])
def test_both_paddings(pad: bytes) -> None:
    """libbw64 pads with spaces, others with zero bytes."""
    (track,) = read_chna(chna(record(2, "AC_00040003_00", uid="ATU_1", pack="", pad=pad)))
    assert track == TrackUid(1, "ATU_1", "AC_00040003_00", "")


@pytest.mark.parametrize("ref", ["AT_0004{:04x}_01", "AC_0004{:04x}_00", "AC_0004{:04X}_00"])
@pytest.mark.parametrize(("family", "normalisation"), [(0x0, "SN3D"), (0x100, "N3D"), (0x200, "FuMa")])
def test_common_definitions(ref: str, family: int, normalisation: str) -> None:
    """BS.2094: AC_00040001-4 SN3D, 0101-4 N3D, 0201-4 FuMa, all in the order W, Y, Z, X."""
    body = chna(*(record(n + 1, ref.format(family + n + 1)) for n in range(4)))
    assert read_harmonics(read_chna(body), b"") == {n: Harmonic(n, normalisation) for n in range(4)}


@pytest.mark.parametrize("ref", ["AT_00010001_01", "AT_00040000_01", "AT_00040301_01", "AT_", "", "AT_zzzzzzzz_01"])
def test_what_is_no_common_harmonic(ref: str) -> None:
    assert read_harmonics(read_chna(chna(record(1, ref))), b"") == {}


def test_unused_records_and_ends() -> None:
    body = chna(record(0, "AT_00040001_01"), record(3, "AT_00040001_01"))
    assert [track.channel for track in read_chna(body)] == [2]
    for length in range(len(body)):
        assert len(read_chna(body[:length])) <= 1
    assert read_chna(struct.pack("<HH", 65_535, 65_535)) == ()


OWN = """<?xml version="1.0"?>
<ituADM xmlns="urn:metadata-schema:adm"><audioFormatExtended>
 <audioChannelFormat audioChannelFormatID="AC_00041001" typeLabel="0004" typeDefinition="HOA">
  <audioBlockFormat audioBlockFormatID="AB_00041001_00000001"><order>{order}</order><degree>{degree}</degree>{more}
  </audioBlockFormat></audioChannelFormat>
 <audioStreamFormat audioStreamFormatID="AS_00041001"><audioChannelFormatIDRef>AC_00041001</audioChannelFormatIDRef>
  {back}</audioStreamFormat>
 {track}
</audioFormatExtended></ituADM>"""
FORWARD = """<audioTrackFormat audioTrackFormatID="AT_00041001_01">
  <audioStreamFormatIDRef>AS_00041001</audioStreamFormatIDRef></audioTrackFormat>"""
BACK = "<audioTrackFormatIDRef>AT_00041001_01</audioTrackFormatIDRef>"
N3D = "<normalization>N3D</normalization>"


@pytest.mark.parametrize(("track", "back"), [(FORWARD, ""), ("", BACK), ("", "")])
@pytest.mark.parametrize(
    ("order", "degree", "more", "harmonic"),
    [
        (1, -1, "", Harmonic(1, "SN3D")),  # ADM's order is l, its degree m: Y (libadm's common definitions)
        (1, 1, N3D, Harmonic(3, "N3D")),
        (2, 0, "", Harmonic(6, "SN3D")),
        (1, 2, "", None),
        ("one", 0, "", None),
        (1, 0, "<normalization>mine</normalization>", None),
    ],
)
def test_definitions_of_a_files_own(
    order: object, degree: int, more: str, harmonic: Harmonic | None, track: str, back: str
) -> None:
    axml = OWN.format(order=order, degree=degree, more=more, track=track, back=back).encode()
    found = read_harmonics(read_chna(chna(record(1, "AT_00041001_01"))), axml)
    assert found == ({} if harmonic is None else {0: harmonic})


@pytest.mark.parametrize(
    "axml",
    [
        b"<open>",
        b"\xff\xfe\x00",
        b"\0" * 10,
        b'<?xml version="1.0" encoding="none-such"?><a/>',
        b"<a>" * 200_000,
        b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb"><!ENTITY c "&b;&b;&b;&b;">]><a>&c;</a>',
    ],
)
def test_hostile_text_says_nothing_and_does_no_harm(axml: bytes) -> None:
    own, common = record(1, "AT_00041001_01"), record(2, "AT_00040003_01")
    assert read_harmonics(read_chna(chna(own, common)), axml) == {1: Harmonic(2, "SN3D")}


def test_what_we_write_is_read_back() -> None:
    tracks = read_chna(chna_body())
    assert [(track.uid, track.track_ref) for track in tracks] == [
        (f"ATU_0000000{n}", f"AT_0004000{n}_01") for n in range(1, 5)
    ]
    assert read_harmonics(tracks, axml_body(rate_hz=48_000, bits=24)) == {n: Harmonic(n, "SN3D") for n in range(4)}
