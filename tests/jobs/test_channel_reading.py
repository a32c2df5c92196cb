"""How takes come to be read: told, declared, heard or assumed, and what is said of it."""

import struct

import numpy as np
import pytest
import soundfile

from spatial.capsules import Capsules
from spatial.errors import InputError
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.inspect.channel_reading import Basis, settle
from spatial.jobs.sync.sync_clip import open_takes
from spatial.media.output import TrackWriter
from spatial.media.takes.take import open_take, read_field
from tests.health.test_channel_format import RATE, recorded, waves
from tests.media.test_adm import chna, record
from tests.media.test_metadata_bext import chunk
from tests.media.test_metadata_ixml import tracks

AUTO = ChannelFormat.AUTO
B_FORMAT = bytes.fromhex("010000002107d3118644c8c1ca000000")


@pytest.fixture(scope="module")
def parts():
    return waves(np.random.default_rng(21))


@pytest.fixture
def write(tmp_path):
    """Write a take, with chunks put in front of its own."""

    def take(channels, *head, guid=None, labelled=False):
        path = tmp_path / "take.wav"
        channels = np.asarray(channels) * 0.3 / np.max(np.abs(channels))
        extensible = labelled or guid is not None  # libsndfile's label: four loudspeakers
        soundfile.write(path, channels.T, RATE, subtype="PCM_24", format="WAVEX" if extensible else "WAV")
        data = path.read_bytes()
        if guid:
            at = data.index(b"fmt ") + 8 + 24
            data = data[:at] + guid + data[at + 16 :]
        size = struct.pack("<I", len(data) - 8 + sum(map(len, head)))
        path.write_bytes(data[:4] + size + b"WAVE" + b"".join(head) + data[12:])
        return path

    return take


def settled(path, channel_format=AUTO):
    return settle(open_take(path, channel_format=channel_format))


def by_severity(take):
    return [finding.severity for finding in take.findings]


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "severities"), [("ambix", []), ("n3d", [Severity.NOTE]), ("fuma", [Severity.NOTE])])
def test_heard_in_the_sound(write, parts, kind, severities):
    take, evidence = settled(write(recorded(kind, parts)))
    assert (take.channel_format, evidence.basis) == (ChannelFormat(kind), Basis.MEASURED)
    assert by_severity(take) == severities
    assert all(finding.code == "convention_guess" for finding in take.findings)


@pytest.mark.slow
def test_capsules_are_heard_but_not_which_is_which(write, parts):
    take, evidence = settled(write(recorded("second", parts)))
    assert (take.channel_format, evidence.basis) == (Capsules(), Basis.MEASURED)
    assert by_severity(take) == [Severity.LOOK]
    assert "which capsule is which cannot be heard" in take.findings[0].message


@pytest.mark.parametrize("sound", [np.random.default_rng(1).standard_normal((4, 2 * RATE)), np.eye(4, RATE // 2) * 0.1])
def test_what_does_not_decide_is_assumed_and_said(write, sound):
    take, evidence = settled(write(sound))
    assert (take.channel_format, evidence.basis) == (ChannelFormat.AMBIX, Basis.ASSUMED)
    (finding,) = take.findings
    assert finding.severity is Severity.LOOK
    assert "read as ACN/SN3D; if you know better, name it with --format" in finding.message


@pytest.mark.parametrize("told", [ChannelFormat.AMBIX, ChannelFormat.FUMA, Capsules()])
def test_what_was_told_stays(write, parts, told):
    take, evidence = settled(write(recorded("n3d", parts)), told)
    assert (take.channel_format, take.findings, evidence.basis) == (told, (), Basis.TOLD)


# --- declared -----------------------------------------------------------------------------------------------

FUMA_IN_ADM = chunk(b"chna", chna(*(record(n, f"AT_0004020{n}_01") for n in range(1, 5))))


def test_a_track_of_ours_says_what_it_is(tmp_path, parts):
    path = tmp_path / "track.wav"
    with TrackWriter(path) as track:
        track.write(np.clip(0.1 * recorded("ambix", parts), -1, 1))
    take, evidence = settled(path)
    assert (take.channel_format, evidence.basis, take.findings) == (ChannelFormat.AMBIX, Basis.DECLARED, ())
    assert evidence.declared.by == "its ADM chunks"


def test_the_b_format_mark(write, parts):
    """R. Dobson's GUID means FuMa's W, X, Y, Z (his "B-Format in WAVE_FORMAT_EXTENSIBLE")."""
    take, evidence = settled(write(recorded("fuma", parts), guid=B_FORMAT))
    assert (take.channel_format, take.picked, evidence.basis) == (ChannelFormat.FUMA, (0, 1, 2, 3), Basis.DECLARED)
    assert take.findings == ()


def test_the_fuma_pack_of_adm_lists_w_y_z_x(write, parts):
    """ITU-R BS.2094, easily missed: FuMa gains in ACN order."""
    field = recorded("ambix", parts) * np.array([[1 / 2**0.5], [1], [1], [1]])
    take, _ = settled(write(field, FUMA_IN_ADM))
    assert (take.channel_format, take.picked) == (ChannelFormat.FUMA, (0, 3, 1, 2))
    read = read_field(take, 1000, 1010)
    truth = recorded("ambix", parts)[:, 1000:1010]
    np.testing.assert_allclose(
        read / np.max(np.abs(read)), truth / np.max(np.abs(truth)), rtol=0, atol=1e-3, equal_nan=False
    )


def test_declared_and_heard_in_conflict(write, parts):
    take, evidence = settled(write(recorded("ambix", parts), guid=B_FORMAT))
    assert (take.channel_format, evidence.basis) == (ChannelFormat.FUMA, Basis.DECLARED)
    assert evidence.measured.best == "ambix"
    (finding,) = take.findings
    assert (finding.code, finding.severity) == ("convention_guess", Severity.LOOK)
    assert "by the B-format mark in its header, but sounds like ACN/SN3D (ambix)" in finding.message
    assert "add --format ambix" in finding.message


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["ambix", "n3d"])
def test_track_names_tell_order_and_the_sound_tells_gains(write, parts, kind):
    w, y, z, x = recorded(kind, parts)
    mix = np.stack([w + y, w - y])
    named = tracks((1, "Mix L"), (2, "Mix R"), (3, "Ambi W"), (4, "Ambi X"), (5, "Ambi Y"), (6, "Ambi Z"))
    take, evidence = settled(write([*mix, w, x, y, z], chunk(b"iXML", named)))
    assert (take.channel_format.value, take.picked, evidence.basis) == (kind, (2, 4, 5, 3), Basis.DECLARED)
    assert by_severity(take) == [Severity.NOTE]
    read, truth = read_field(take, 1000, 1010), recorded("ambix", parts)[:, 1000:1010]
    np.testing.assert_allclose(
        read / np.max(np.abs(read)), truth / np.max(np.abs(truth)), rtol=0, atol=1e-3, equal_nan=False
    )


@pytest.mark.slow
def test_capsules_by_name(write, parts):
    flu, frd, bld, bru = recorded("first", parts)
    names = tracks((1, "BRU"), (2, "FLU"), (3, "FRD"), (4, "BLD"))
    take, evidence = settled(write([bru, flu, frd, bld], chunk(b"iXML", names)))
    assert evidence.basis is Basis.DECLARED
    assert (take.channel_format.value, take.picked) == ("aformat", (1, 2, 3, 0))
    assert take.channel_format.order == ("FLU", "FRD", "BLD", "BRU")


# --- wider files --------------------------------------------------------------------------------------------


def test_a_stereo_mix_first(write, parts):
    field = recorded("ambix", parts)
    take, _ = settled(write([field[0] + field[1], field[0] - field[1], *field]))
    assert take.picked == (2, 3, 4, 5)
    assert "channels 3, 4, 5, 6 of take.wav are read as the sound field" in take.findings[0].message


def test_a_told_format_skips_empty_channels(write, parts):
    field = recorded("fuma", parts)
    nothing = np.zeros((2, field.shape[1]))
    take, _ = settled(write([*nothing, *field]), ChannelFormat.FUMA)
    assert take.picked == (2, 3, 4, 5)
    take, _ = settled(write([*field, *nothing]), ChannelFormat.FUMA)
    assert take.picked == (0, 1, 2, 3)


@pytest.mark.slow
@pytest.mark.parametrize("channels", [9, 16])
def test_higher_orders_are_read_by_their_first_four(write, parts, channels):
    field = recorded("n3d", parts)
    rest = np.random.default_rng(3).standard_normal((channels - 4, field.shape[1])) * field[0] * 0.5
    take, _ = settled(write([*field, *rest]))
    assert (take.channel_format, take.picked) == (ChannelFormat.N3D, (0, 1, 2, 3))


def test_loudspeaker_labels_are_labels(write, parts):
    take, _ = settled(write(recorded("ambix", parts), labelled=True))
    assert take.speaker_mask == 0x33
    assert "labelled as loudspeakers" in take.findings[-1].message


# --- the door -----------------------------------------------------------------------------------------------


def test_four_files_at_once(tmp_path, parts):
    field = 0.05 * recorded("fuma", parts)
    paths = []
    for name, channel in zip("WXYZ", field, strict=True):
        paths.append(tmp_path / f"T7_{name}.wav")
        soundfile.write(paths[-1], channel, RATE, subtype="PCM_24")
    (take,), unopened = open_takes(paths[::-1], AUTO)
    assert unopened == []
    assert (take.channel_format, take.picked) == (ChannelFormat.FUMA, (0, 1, 2, 3))


def test_an_unsettled_take_cannot_be_read(write, parts):
    take = open_take(write(recorded("ambix", parts)), channel_format=AUTO)
    with pytest.raises(InputError, match="not been found out"):
        read_field(take, 0, 10)
