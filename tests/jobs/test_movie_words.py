"""What a movie declares of its sound field against what it holds; movies of plane waves by published gains."""

import struct

import numpy as np
import pytest

from spatial.field import ChannelFormat, encode
from spatial.findings import Code, Severity
from spatial.jobs.directions import directions_of_take
from spatial.jobs.inspect.channel_reading import Basis, settle
from spatial.jobs.inspect.inspect_takes import inspect_takes
from spatial.jobs.rig import Rig
from spatial.jobs.verify import verify_track
from spatial.media.movies.spherical import field_box, finish_movie
from spatial.media.takes.take import open_take
from spatial.report.inspect_report import inspect_json, inspect_lines
from tests.health.test_channel_format import knocking
from tests.media.test_field_sound import RATE, raw_movie

SEEDS = (21, 22, 23)
AMBIX = np.array([0, 1, 2, 3])


def movie(path, kind, *, seed=21, box=None, order=AMBIX, layout="ambisonic 1", codec="pcm_s24le"):
    """A movie whose sound is of a kind, with a box that says what it is (None for no box)."""
    sound = knocking(kind, seed)
    raw_movie(path, (0.3 * sound / np.abs(sound).max())[order], layout=layout, codec=codec)
    if box is not None:
        finish_movie(path, picture=b"", sounds={0: box}, mark=b"")
    return path


def box(*, version=0, kind=0, order=1, ordering=0, normalisation=0, count=4, routes=(0, 1, 2, 3)):
    """SA3D by its specification: 36 bytes for four channels."""
    body = struct.pack(">BBIBBI", version, kind, order, ordering, normalisation, count)
    body += struct.pack(f">{len(routes)}I", *routes)
    return struct.pack(">I4s", 8 + len(body), b"SA3D") + body


def settled(path, told=ChannelFormat.AUTO):
    take, evidence = settle(open_take(path, channel_format=told))
    return take, evidence, [finding for finding in take.findings if finding.severity is not Severity.NOTE]


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_a_rightly_marked_field_is_taken_at_its_word(tmp_path, seed):
    take, evidence, wrong = settled(movie(tmp_path / "a.mov", "ambix", seed=seed, box=field_box()))
    assert (take.channel_format, evidence.basis, wrong) == (ChannelFormat.AMBIX, Basis.DECLARED, [])


@pytest.mark.slow
@pytest.mark.parametrize("told", [ChannelFormat.AUTO, ChannelFormat.AMBIX])
@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("fuma", "play what is in front at the left, what is at the left from above, and what is above from the front"),
        ("n3d", "play W 4.8 dB too faint against X, Y and Z"),
    ],
)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_field_that_is_marked_as_another_is_said_with_what_players_do(tmp_path, kind, words, told, seed):
    _, _, wrong = settled(movie(tmp_path / "a.mov", kind, seed=seed, box=field_box()), told)
    (finding,) = wrong
    assert (finding.code, finding.severity) == (Code.CONVENTION_GUESS, Severity.LOOK)
    assert words in finding.message
    assert f"--format {kind}" in finding.message
    assert "its SA3D box says ACN/SN3D, which players believe" in finding.message


@pytest.mark.slow
def test_what_fuma_as_ambix_does_is_what_is_said():
    """By the gains: a wave from the front, in FuMa's order, has Y where X should be, and so on round."""
    for towards, heard in (((1, 0, 0), (0, 1, 0)), ((0, 1, 0), (0, 0, 1)), ((0, 0, 1), (1, 0, 0))):
        x, y, z = towards
        fuma = [2**-0.5, x, y, z]  # W, X, Y, Z
        as_ambix = (fuma[3], fuma[1], fuma[2])  # X, Y, Z of a player that takes the channels for W, Y, Z, X
        assert as_ambix == heard


@pytest.mark.slow
@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"version": 1}, "version 1 and type 0"),
        ({"ordering": 1}, "channel order 1, and only 0, ACN, is known"),
        ({"normalisation": 1}, "normalisation 1, and only 0, SN3D, is known"),
        ({"order": 2}, "order 2 in 4 channels, and that order has 9"),
        ({"count": 3, "routes": (0, 1, 2)}, "3 channels, and the track has 4"),
        ({"routes": (0, 3, 1, 2)}, "that its channels stand in the order 0, 3, 1, 2"),
    ],
)
def test_a_box_that_players_refuse_must_be_mended(tmp_path, told, words):
    _, _, wrong = settled(movie(tmp_path / "a.mov", "ambix", box=box(**told)))
    found = [finding for finding in wrong if finding.severity is Severity.FIX]
    assert [finding.code for finding in found] == [Code.SOUND_FIELD]
    assert words in found[0].message


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("a.mov", {}, "channels without a meaning"),
        ("a.mp4", {"layout": "4.0", "codec": "aac"}, r"loudspeakers (4.0)"),
    ],
)
def test_an_unmarked_field_is_found_by_its_sound_and_said(tmp_path, name, options, words):
    take, _, wrong = settled(movie(tmp_path / name, "ambix", **options))
    assert (take.channel_format, take.picked) == (ChannelFormat.AMBIX, (0, 1, 2, 3))
    assert [finding.code for finding in wrong] == [Code.SOUND_FIELD]
    assert words in wrong[0].message


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_a_field_in_the_coders_own_order_is_found(tmp_path, seed):
    """W, Y, Z, X handed to AAC as centre, left, right, back (ISO/IEC 14496-3) come out as left, right, centre, back."""
    path = movie(tmp_path / "a.mp4", "ambix", seed=seed, layout="4.0", codec="aac", order=[1, 2, 0, 3])
    take, evidence, _ = settled(path)
    assert (take.picked, evidence.basis) == ((2, 0, 1, 3), Basis.MEASURED)


@pytest.mark.slow
def test_inspect_says_what_the_movie_declares(tmp_path):
    results = inspect_takes([movie(tmp_path / "a.mov", "ambix", box=field_box())], channel_format=ChannelFormat.AUTO)
    (line,) = [line for line in inspect_lines(results) if "is marked as" in line]
    assert line == (
        "  a.mov: its picture is not marked, so players show it flat; its sound is marked as a first-order sound field "
        "(SA3D)."
    )
    (file,) = inspect_json(results)["files"]
    assert file["movie"]["sa3d"] == [0, 0, 1, 0, 0, 4, 0, 1, 2, 3]
    assert file["movie"]["tracks"] == [1]


@pytest.mark.slow
def test_verify_and_directions_take_a_movie_for_a_track(tmp_path):
    """A voice at 60 degrees left in the field of a MOV is heard there, and the mark that says so is in place."""
    rng = np.random.default_rng(5)
    voice = np.zeros(8 * RATE)
    for start in range(RATE // 2, 7 * RATE, RATE // 3):
        voice[start : start + RATE // 5] = rng.normal(0, 0.1, RATE // 5) * np.hanning(RATE // 5)
    field = encode(voice, np.radians(60.0), np.radians(10.0)) + 1e-4 * rng.standard_normal((4, voice.size))
    path = raw_movie(tmp_path / "film.mov", field, layout="ambisonic 1", codec="pcm_s24le")
    finish_movie(path, picture=b"", sounds={0: field_box()}, mark=b"")
    marks = tmp_path / "film.marks.csv"
    marks.write_text("who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nOdile,1,6,60,10,2\n")
    result = verify_track(path, path, marks, rig=Rig())
    ((_, check),) = result.marks
    assert check.verdict.value == "in place"
    assert np.degrees(check.error_rad) < 2.0
    frames = directions_of_take(path).frames
    sure = frames.azimuth_rad[frames.source == 1]
    assert len(sure) > 20
    assert abs(np.degrees(np.median(sure)) - 60.0) < 2.0
