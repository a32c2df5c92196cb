"""The chna and axml chunks: which channel of a file is which part of a sound field, read and written.

Conventions: spatial.conventions (field). File channels are counted from 0 here, from 1 in the chunk.
Functions: read_chna, read_harmonics; chna_body, axml_body (of the tracks we write).
Sources:
[1] ITU-R BS.2088-1: the chunks. [2] ITU-R BS.2076: the audio definition model.
[3] ITU-R BS.2094: common definitions, as in libadm's common_definitions.xml.
"""

import struct
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass
from xml.parsers import expat

from spatial.conventions import FIRST_ORDER_CHANNELS
from spatial.media.wav.riff import MOST_CHANNELS

_RECORD = struct.Struct("<H12s14s11sx")
"""One record of a chna chunk: track index, UID, track format and pack format ([1])."""

_DEEPEST, _MOST_ELEMENTS = 64, 50_000
"""Elements inside each other, and in all: third order in four packs has some hundred ([3])."""

_SN3D_PACK = "AP_00040001"
"""3D_order1_SN3D_ACN: channels AC_00040001 to 4, tracks AT_00040001_01 to 4_01 ([3])."""

_FAMILIES = {0x00: "SN3D", 0x01: "N3D", 0x02: "FuMa"}
"""Normalisation by the third and fourth digit of a common HOA channel: AC_0004NNxx ([3]).

xx is ACN + 1 in all three: the FuMa pack lists W, Y, Z, X too.
"""


@dataclass(frozen=True, slots=True)
class TrackUid:
    """One record of a chna chunk."""

    channel: int
    """Of the file, from 0."""
    uid: str
    track_ref: str
    """A track format (AT_...), or since BS.2076-2 a channel format (AC_..._00)."""
    pack_ref: str


@dataclass(frozen=True, slots=True)
class Harmonic:
    """Which spherical harmonic a channel carries."""

    acn: int
    normalisation: str
    """SN3D, N3D or FuMa."""


def read_chna(body: bytes) -> tuple[TrackUid, ...]:
    """Read the body of a chna chunk, as far as it goes. Never raises."""
    if len(body) < 4:
        return ()
    (count,) = struct.unpack_from("<H", body, 2)
    count = min(count, (len(body) - 4) // _RECORD.size, MOST_CHANNELS)
    records = (_RECORD.unpack_from(body, 4 + n * _RECORD.size) for n in range(count))
    # Track 0 is a record that is not used ([1]).
    return tuple(TrackUid(track - 1, _name(uid), _name(ref), _name(pack)) for track, uid, ref, pack in records if track)


def read_harmonics(tracks: Sequence[TrackUid], axml: bytes) -> dict[int, Harmonic]:
    """The spherical harmonic of each file channel that is declared to carry one.

    Parameters
    ----------
    tracks : sequence of TrackUid
    axml : bytes
        Body of the axml chunk, for what is not one of the common definitions; may be empty or broken.
    """
    channel_of, defined = _definitions(axml)
    found: dict[int, Harmonic] = {}
    for track in tracks:
        # AT_00040001_01 and AC_00040001_00 both name AC_00040001 where the definitions are the common ones.
        ref = channel_of.get(track.track_ref) or "AC_" + track.track_ref[3:11]
        harmonic = _common(ref) or defined.get(ref)
        if harmonic is not None:
            found.setdefault(track.channel, harmonic)
    return found


def chna_body() -> bytes:
    """Body of the chna chunk of a track with W, Y, Z, X in SN3D."""
    records = (
        _RECORD.pack(n, f"ATU_{n:08x}".encode(), f"AT_{0x40000 + n:08x}_01".encode(), _SN3D_PACK.encode())
        for n in range(1, FIRST_ORDER_CHANNELS + 1)
    )
    return struct.pack("<HH", FIRST_ORDER_CHANNELS, FIRST_ORDER_CHANNELS) + b"".join(records)


def axml_body(*, rate_hz: int, bits: int) -> bytes:
    """Body of the axml chunk of a track with W, Y, Z, X in SN3D; channels and pack are the common ones ([3])."""
    root = ET.Element("ebuCoreMain", {"xmlns": "urn:ebu:metadata-schema:ebucore"})
    adm = root
    for tag in ("coreMetadata", "format", "audioFormatExtended"):
        adm = ET.SubElement(adm, tag)
    programme = ET.SubElement(adm, "audioProgramme", audioProgrammeID="APR_1001", audioProgrammeName="Sound field")
    ET.SubElement(programme, "audioContentIDRef").text = "ACO_1001"
    content = ET.SubElement(adm, "audioContent", audioContentID="ACO_1001", audioContentName="Sound field")
    ET.SubElement(content, "audioObjectIDRef").text = "AO_1001"
    scene = ET.SubElement(adm, "audioObject", audioObjectID="AO_1001", audioObjectName="Sound field")
    ET.SubElement(scene, "audioPackFormatIDRef").text = _SN3D_PACK
    for track in read_chna(chna_body()):
        ET.SubElement(scene, "audioTrackUIDRef").text = track.uid
        uid = ET.SubElement(adm, "audioTrackUID", UID=track.uid, sampleRate=str(rate_hz), bitDepth=str(bits))
        ET.SubElement(uid, "audioTrackFormatIDRef").text = track.track_ref
        ET.SubElement(uid, "audioPackFormatIDRef").text = track.pack_ref
    ET.indent(root)
    return bytes(ET.tostring(root, encoding="UTF-8", xml_declaration=True))


def _name(field: bytes) -> str:
    """Identifiers padded with zero bytes or with spaces: both occur."""
    return field.split(b"\0", 1)[0].decode("ascii", errors="replace").strip()


def _common(channel_format: str) -> Harmonic | None:
    """The harmonic of a common channel definition ([3])."""
    try:
        number = int(channel_format.removeprefix("AC_"), 16)
    except ValueError:
        return None
    family, place = number >> 8 & 0xFF, number & 0xFF
    if number >> 16 != 0x0004 or family not in _FAMILIES or not place:
        return None
    return Harmonic(place - 1, _FAMILIES[family])


def _definitions(axml: bytes) -> tuple[dict[str, str], dict[str, Harmonic]]:
    """Channel format of each track format, and harmonic of each channel format, as an axml chunk defines them."""
    root = _parsed(axml)
    if root is None:
        return {}, {}
    channel_of: dict[str, str] = {}
    stream_of: dict[str, str] = {}
    channel_of_stream: dict[str, str] = {}
    harmonics: dict[str, Harmonic] = {}
    for element in root.iter():
        tag, texts = _bare(element.tag), {_bare(child.tag): (child.text or "").strip() for child in element}
        if tag == "audioTrackFormat":
            stream_of[element.get("audioTrackFormatID", "")] = texts.get("audioStreamFormatIDRef", "")
        elif tag == "audioStreamFormat":
            stream = element.get("audioStreamFormatID", "")
            channel_of_stream[stream] = texts.get("audioChannelFormatIDRef", "")
            stream_of.setdefault(texts.get("audioTrackFormatIDRef", ""), stream)
        elif tag == "audioChannelFormat":
            harmonic = _harmonic(element)
            if harmonic is not None:
                harmonics[element.get("audioChannelFormatID", "")] = harmonic
    for track, stream in stream_of.items():
        if channel_of_stream.get(stream):
            channel_of[track] = channel_of_stream[stream]
    return channel_of, harmonics


class _Refused(Exception):
    """No axml chunk holds this."""


def _parsed(axml: bytes) -> ET.Element | None:
    """The elements of an axml chunk; None where it is empty, broken, or made to take memory."""
    builder, reader = ET.TreeBuilder(), expat.ParserCreate()
    depth = count = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth, count
        depth, count = depth + 1, count + 1
        if depth > _DEEPEST or count > _MOST_ELEMENTS:
            raise _Refused
        builder.start(tag, attributes)

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(tag)

    def refuse(*_: object) -> None:
        raise _Refused

    reader.StartElementHandler, reader.EndElementHandler, reader.CharacterDataHandler = start, end, builder.data
    # Entities can blow a small text up to gigabytes; no axml needs them, nor what declares them, in any encoding.
    reader.StartDoctypeDeclHandler = refuse
    reader.EntityDeclHandler = refuse
    reader.buffer_text = True
    try:
        reader.Parse(axml.rstrip(b"\0"), True)
        return builder.close()
    except (expat.ExpatError, ValueError, LookupError, AssertionError, _Refused):
        return None


def _harmonic(channel_format: ET.Element) -> Harmonic | None:
    """Order l and degree m of a channel format (ADM's own words), as ACN = l(l+1) + m."""
    for block in channel_format:
        told = {_bare(child.tag): (child.text or "").strip() for child in block}
        try:
            order, degree = int(told["order"]), int(told["degree"])
        except (KeyError, ValueError):
            continue
        normalisation = told.get("normalization", "SN3D")  # SN3D is the default ([2])
        if 0 <= abs(degree) <= order <= 14 and normalisation in _FAMILIES.values():
            return Harmonic(order * (order + 1) + degree, normalisation)
    return None


def _bare(tag: object) -> str:
    """A tag without its name space, which differs between writers."""
    return str(tag).rpartition(":")[2]
