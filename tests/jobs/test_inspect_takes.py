"""The inspect job: levels, dead channels and clipping, in whatever format the take is; several takes at once."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

import spatial.jobs.inspect.take_health
from spatial.capsules import Capsules
from spatial.errors import MediaFileError
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.inspect.inspect_takes import InspectResult, Unusable, inspect_takes
from spatial.jobs.inspect.take_health import check_health, check_many, field_from_recorded
from spatial.media.takes.reader import Part
from spatial.media.takes.take import Take
from tests.scenes.fields import talking_field
from tests.scenes.open_air import published_gains
from tests.scenes.stage import RATE

FORMATS = [ChannelFormat.AMBIX, ChannelFormat.N3D, ChannelFormat.FUMA, Capsules()]


@pytest.fixture
def write(tmp_path):
    """Write a take from the file's own channels."""

    def take(channels, name="take.wav", rate_hz=RATE, subtype="PCM_24"):
        path = tmp_path / name
        soundfile.write(path, np.asarray(channels).T, rate_hz, subtype=subtype)
        return path

    return take


def talk(rng, channel_format=ChannelFormat.AMBIX, **options):
    """Somebody talks from all sides; in the file's own channels."""
    return np.linalg.inv(field_from_recorded(channel_format)) @ talking_field(rng, **options)


def inspect_take(path, **options):
    (result,) = inspect_takes([path], **options)
    return result


def by_code(result):
    return {finding.code: finding for finding in result.findings}


@pytest.mark.slow
@pytest.mark.parametrize("channel_format", FORMATS)
def test_a_sound_take_has_no_findings(write, rng, channel_format):
    result = inspect_take(write(talk(rng, channel_format, seconds=10.0)), channel_format=channel_format)
    assert result.findings == ()
    # The hiss of the microphone, 1e-4, in rests that are a frame long: what rings into them adds up to 3 dB.
    assert result.quiet_dbfs[0] == pytest.approx(-80.0, abs=3.0)


def test_levels_are_those_of_the_field_and_the_file(write, rng):
    tone = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE)
    hiss = 1e-3 * rng.standard_normal((4, RATE))
    result = inspect_take(write(published_gains(90.0, 0.0, "ambix")[:, np.newaxis] * tone + hiss))
    # A sine of 0.5: peak -6.02 dBFS, 3.01 less in the mean. Z and X hold the hiss only: -60 dBFS.
    assert result.peak_dbfs[:2] == pytest.approx((-6.0, -6.0), abs=0.1)
    assert result.rms_dbfs == pytest.approx((-9.03, -9.03, -60.0, -60.0), abs=0.1)


@pytest.mark.parametrize(("channel", "name"), [(0, "W"), (1, "Y (left-right)"), (3, "X (front-back)")])
def test_a_dead_channel_is_named(write, rng, channel, name):
    channels = talk(rng)
    channels[channel] *= 1e-4  # 80 dB down
    result = inspect_take(write(channels, subtype="FLOAT"))
    (finding,) = result.findings
    assert (finding.code, finding.severity) == ("dead_channel", Severity.FIX)
    assert f"channel {name} of take.wav is dead" in finding.message


@pytest.mark.parametrize("factor", [0.0, 1e-4])
def test_a_silent_z_is_a_recording_without_height(write, rng, factor):
    """Mixes and recorders of three channels have none: nothing to record again for."""
    channels = talk(rng)
    channels[2] *= factor
    (finding,) = inspect_take(write(channels, subtype="FLOAT")).findings
    assert (finding.code, finding.severity) == ("dead_channel", Severity.LOOK)
    assert "holds no height: channel Z (up-down) is silent" in finding.message
    assert "record again" not in finding.message


@pytest.mark.slow
def test_a_silent_z_is_a_fault_where_the_recorder_has_height(write, rng):
    """Two takes of one recorder; a mix by another that names itself is judged by itself."""
    tall, flat = talk(rng, seconds=4.0, hiss=1e-3), talk(rng, seconds=4.0, hiss=1e-3)
    flat[2] = 0.0
    paths = [write(tall, "tall.wav"), write(flat, "flat.wav")]
    good, found = inspect_takes(paths)
    assert "dead_channel" not in by_code(good)
    assert by_code(found)["dead_channel"].severity is Severity.FIX
    assert "and tall.wav, of the same recorder, has it" in by_code(found)["dead_channel"].message
    takes = [replace(one.take, recorder=name) for one, name in ((good, "Field Four"), (found, "Mixing Desk"))]
    _, alone = check_many(takes)
    (finding,) = [finding for finding in alone.findings if finding.code == "dead_channel"]
    assert finding.severity is Severity.LOOK
    assert "holds no height" in finding.message
    # Nor does a take in another format say anything of it.
    takes = [replace(good.take, channel_format=ChannelFormat.N3D), found.take]
    _, alone = check_many(takes)
    assert [finding.severity for finding in alone.findings if finding.code == "dead_channel"] == [Severity.LOOK]


def test_a_silent_z_beside_another_silent_channel_is_a_fault(write, rng):
    channels = talk(rng)
    channels[[2, 3]] = 0.0
    findings = inspect_take(write(channels, subtype="FLOAT")).findings
    assert {finding.severity for finding in findings if finding.code == "dead_channel"} == {Severity.FIX}


def test_the_dead_channel_is_named_by_what_it_is_in_the_file(write, rng):
    """FuMa writes X second: the second channel of the file is front-back."""
    channels = talk(rng, ChannelFormat.FUMA)
    channels[1] = 0.0
    result = inspect_take(write(channels), channel_format=ChannelFormat.FUMA)
    assert "channel X (front-back)" in by_code(result)["dead_channel"].message
    assert np.isnan(result.peak_dbfs[3])


def test_a_silent_direction_is_not_dead(write, rng):
    """Everybody stands in the horizontal plane: Z holds the hiss of its own, 55 dB below W."""
    channels = talking_field(rng, seconds=10.0, flat=True)
    result = inspect_take(write(channels))
    assert result.rms_dbfs[2] < result.rms_dbfs[0] - 50
    assert [finding for finding in result.findings if finding.severity is Severity.FIX] == []


def test_silence_is_one_finding(write):
    result = inspect_take(write(np.zeros((4, RATE))))
    assert [finding.message for finding in result.findings] == [
        "take.wav is silent throughout: nothing to use; check what the recorder was armed to record"
    ]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_clipping_says_how_often_and_where_first(write, rng, sign):
    channels = talk(rng, seconds=3.0)
    channels[1, 60_000:60_020] = sign
    channels[3, 100_000:100_003] = sign
    result = inspect_take(write(channels))
    finding = by_code(result)["clipping"]
    assert finding.severity is Severity.FIX
    assert "clipped in 2 places, first at 1.25 s" in finding.message


def test_one_or_two_samples_at_full_scale_are_no_clipping(write, rng):
    channels = talk(rng)
    channels[0, [1000, 1001, 2000, 3000]] = 1.0
    assert "clipping" not in by_code(inspect_take(write(channels)))


@pytest.mark.slow
@pytest.mark.parametrize("channel_format", FORMATS)
@pytest.mark.parametrize("channel", range(4))
def test_full_scale_is_what_the_file_can_hold(write, rng, channel_format, channel):
    """Whatever gain the format puts on a channel afterwards: N3D takes sqrt(3) off, FuMa puts sqrt(2) on W."""
    channels = talk(rng, channel_format)
    channels[channel, 500] = 0.95
    path = write(channels)
    loud = inspect_take(path, channel_format=channel_format)
    assert max(loud.peak_dbfs) == pytest.approx(20 * np.log10(0.95), abs=0.01)
    assert "clipping" not in by_code(loud)
    channels[channel, 500:520] = 1.0
    clipped = inspect_take(write(channels), channel_format=channel_format)
    assert max(clipped.peak_dbfs) == pytest.approx(0.0, abs=0.01)
    assert "at full scale" in by_code(clipped)["clipping"].message


def test_higher_orders_are_left_out_and_said(write, rng):
    result = inspect_take(write(np.tile(talk(rng), (3, 1))[:9]))
    finding = by_code(result)["convention_guess"]
    assert finding.severity is Severity.NOTE
    assert "has 9 channels: the first four are read as the first-order field, 5 are left out" in finding.message


def test_long_takes_are_added_up_over_their_blocks(write, rng):
    """More samples than one block holds, loud only at the end."""
    channels = 1e-3 * rng.standard_normal((4, 4 * RATE))
    channels[:, -100:] = 0.5
    result = inspect_take(write(channels))
    assert max(result.peak_dbfs) == pytest.approx(-6.02, abs=0.01)
    expected = 10 * np.log10((0.25 * 100 + 1e-6 * (4 * RATE - 100)) / (4 * RATE))
    assert result.rms_dbfs[0] == pytest.approx(expected, abs=0.05)


@pytest.mark.slow
def test_several_takes_are_judged_in_order_on_both_cores(write, rng, monkeypatch):
    # Minutes of sound are worth a second process; here a few seconds shall be.
    monkeypatch.setattr(spatial.jobs.inspect.take_health, "_WORTH_A_PROCESS_S", 10.0)
    sound = talk(rng, seconds=5.0)
    clipped = sound.copy()
    clipped[0, 60_000:60_020] = 1.0
    paths = [write(channels, name) for channels, name in ((sound, "a.wav"), (clipped, "b.wav"), (sound, "c.wav"))]
    seen = []
    results = inspect_takes(paths, progress=lambda step, part: seen.append((step, part)))
    assert [result.take.path.name for result in results] == ["a.wav", "b.wav", "c.wav"]
    assert [bool(result.findings) for result in results] == [False, True, False]
    assert seen[-1] == ("inspecting takes", 1.0)


@pytest.mark.slow
@pytest.mark.parametrize("worth_s", [0.0, 1e9])
def test_files_that_cannot_be_used_stand_beside_those_that_can(write, rng, tmp_path, monkeypatch, worth_s):
    """Neither what cannot be opened nor what breaks on reading is in the way of the others, here or in a process."""
    # Whether a process of its own is used depends on the length alone: minutes of sound are not needed for it.
    monkeypatch.setattr(spatial.jobs.inspect.take_health, "_WORTH_A_PROCESS_S", worth_s)
    spoilt = talk(rng)
    spoilt[2, 60_000] = np.nan
    paths = [write(spoilt, "nan.wav", subtype="FLOAT"), tmp_path / "none.wav", write(talk(rng), "good.wav")]
    good, *broken = inspect_takes(paths)
    assert isinstance(good, InspectResult)
    assert good.take.path.name == "good.wav"
    assert all(isinstance(one, Unusable) for one in broken)
    assert {one.path.name for one in broken} == {"nan.wav", "none.wav"}
    for one in broken:
        (finding,) = one.findings
        assert (finding.code, finding.severity, finding.where) == ("unusable_file", Severity.FIX, one.path.name)
        assert one.path.name in finding.message


def test_where_nothing_can_be_used_there_is_no_table(write, rng, tmp_path):
    spoilt = talk(rng)
    spoilt[2, 100] = np.nan
    with pytest.raises(MediaFileError, match=r"none of the 2 takes can be used: there is no file .*; nan\.wav "):
        inspect_takes([write(spoilt, "nan.wav", subtype="FLOAT"), tmp_path / "none.wav"])


def test_a_process_that_goes_away_is_done_without(write, rng, monkeypatch):
    class Broken:
        def __init__(self, *_args, **_options):
            pass

        def __enter__(self):
            return self

        def __exit__(self, *_error):
            pass

        def submit(self, *_args):
            future = spatial.jobs.inspect.take_health.Future()
            future.set_exception(spatial.jobs.inspect.take_health.BrokenProcessPool())
            return future

    monkeypatch.setattr(spatial.jobs.inspect.take_health, "_WORTH_A_PROCESS_S", 0.0)
    monkeypatch.setattr(spatial.jobs.inspect.take_health, "ProcessPoolExecutor", Broken)
    results = inspect_takes([write(talk(rng), name) for name in ("a.wav", "b.wav")])
    assert [result.take.path.name for result in results] == ["a.wav", "b.wav"]


@pytest.mark.slow
@pytest.mark.parametrize("lost", [5, 777, 40_000])
def test_a_gap_between_two_files_is_told_by_the_join_alone(write, rng, lost):
    """As silence it is a hole with sharp edges; a hole elsewhere, amid sound that is heard, is still one."""
    sound = talk(rng, seconds=6.0, hiss=3e-3)
    sound[:, 100_000:100_100] = 0.0
    first, second = write(sound[:, :150_000], "a.wav"), write(sound[:, 150_000:], "b.wav")
    parts = Part(first, 150_000), Part(second, sound.shape[1] - 150_000, gap=lost)
    take = Take(first, RATE, 4, sound.shape[1] + lost, "WAV", "PCM_24", ChannelFormat.AMBIX, parts=parts)
    (finding,) = [finding for finding in check_health(take).findings if finding.code == "dropout"]
    assert "1 hole of exact zeros amid sound on all channels, at 2.08 s" in finding.message
    unbroken = check_health(replace(take, parts=parts[:1], samples=150_000)).findings
    assert [one.message for one in unbroken if one.code == "dropout"] == [finding.message]
