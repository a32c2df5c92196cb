"""What a track says of itself, read by a second reader (wavinfo) and by our own."""

from datetime import datetime
from fractions import Fraction
from xml.etree import ElementTree

import numpy as np
import pytest
import wavinfo

from spatial.media.output import TrackWriter
from spatial.media.takes.take import open_take
from spatial.media.wav.metadata import read_field_notes
from spatial.media.wav.track_notes import TrackNotes, ixml_body

NOTES = TrackNotes(
    clip="slipway.mov",
    take="rec & <42>.flac",
    done="cut to the clip, turned to face the lens",
    project="Boatyard",
    scene="12A",
    take_label="3",
    tape="R07",
    reference="SOUNDPLUMB0123456789ABCDEF012345",
    timecode_rate=Fraction(30000, 1001),
    drop_frame=True,
    start_of_day_s=36_036.0,
    origination=datetime(2026, 11, 25, 10, 0, 36),
    take_rate_hz=96_000,
    take_bits=24,
)


def written(path, notes):
    with TrackWriter(path, notes=notes) as track:
        track.write(np.full((4, 10), 0.5))
    return wavinfo.WavInfoReader(str(path))


def test_bext_says_what_the_track_is_when_it_began_and_how_it_came_about(tmp_path):
    """Fields as in EBU Tech 3285; a line of the coding history for each step as in EBU R 98."""
    bext = written(tmp_path / "track.wav", NOTES).bext
    assert bext.description == (
        "first-order ambisonics, ACN order (W Y Z X), SN3D; cut to the clip, turned to face the lens; clip "
        "slipway.mov; take rec & <42>.flac"
    )
    assert (bext.originator, bext.originator_ref) == ("Soundplumb", NOTES.reference)
    assert (bext.originator_date, bext.originator_time) == ("2026-11-25", "10:00:36")
    assert bext.time_reference == 1_729_728_000  # 36036 s at 48 kHz
    recorded, made, rest = bext.coding_history.split("\r\n")
    assert recorded == "A=PCM,F=96000,W=24,T=rec & <42>.flac"
    assert made == "A=PCM,F=48000,W=24,T=Soundplumb; cut to the clip  turned to face the lens"
    assert rest == ""


def test_ixml_says_scene_take_reel_timecode_and_channels(tmp_path):
    ixml = written(tmp_path / "track.wav", NOTES).ixml
    assert (ixml.project, ixml.scene, ixml.take, ixml.tape) == ("Boatyard", "12A", "3", "R07")
    assert [(track.channel_index, track.interleave_index, track.name, track.function) for track in ixml.track_list] == [
        (str(n + 1), str(n + 1), name, f"ACN{n}-SN3D") for n, name in enumerate("WYZX")
    ]
    root = ElementTree.fromstring(ixml_body(NOTES))
    assert root.tag == "BWFXML"
    assert root.findtext("SPEED/TIMECODE_RATE") == "30000/1001"
    assert root.findtext("SPEED/TIMECODE_FLAG") == "DF"
    assert root.findtext("SPEED/FILE_SAMPLE_RATE") == "48000"
    assert int(root.findtext("SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO")) == 1_729_728_000
    assert root.findtext("HISTORY/PARENT_FILENAME") == "rec & <42>.flac"
    assert root.findtext("TRACK_LIST/TRACK_COUNT") == "4"


def test_our_own_reader_finds_the_same(tmp_path):
    written(tmp_path / "track.wav", NOTES)
    notes = read_field_notes(tmp_path / "track.wav")
    assert (notes.project, notes.scene, notes.take, notes.tape) == ("Boatyard", "12A", "3", "R07")
    assert (notes.timecode_rate, notes.drop_frame, notes.track_names) == (Fraction(30000, 1001), True, tuple("WYZX"))
    take = open_take(tmp_path / "track.wav")
    assert (take.start_of_day_s, take.origination) == (36_036.0, NOTES.origination)
    # Its own ADM chunks still go before the names of its channels.
    assert take.declared.by == "its ADM chunks"


def test_what_nobody_knows_is_left_out(tmp_path):
    bare = TrackNotes(clip="a.mov", take="b.wav", done="turned")
    info = written(tmp_path / "track.wav", bare)
    assert (info.bext.originator_date, info.bext.originator_time, info.bext.time_reference) == ("", "", 0)
    assert info.bext.coding_history.startswith("A=PCM,T=b.wav\r\n")
    root = ElementTree.fromstring(ixml_body(bare))
    for tag in ("PROJECT", "SCENE", "TAPE", "SPEED/TIMECODE_RATE", "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"):
        assert root.find(tag) is None, tag
    # A count of 0 without a date is no midnight: nothing pulls a later sync there.
    assert open_take(tmp_path / "track.wav").start_of_day_s is None


@pytest.mark.parametrize("name", ["tick\x00\x1bbell.mov", "half\udcffname.mov", "x" * 400 + ".mov", "ß–日本.mov"])
def test_any_name_makes_xml_that_can_be_read(tmp_path, name):
    notes = TrackNotes(clip=name, take=name, done="turned", scene=name)
    scene = ElementTree.fromstring(ixml_body(notes)).findtext("SCENE")
    assert 0 < len(scene) <= 200
    assert written(tmp_path / "track.wav", notes).bext.description.startswith("first-order ambisonics")
