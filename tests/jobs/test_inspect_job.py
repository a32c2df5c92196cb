"""The inspect job: levels, dead channels and clipping, in whatever format the take is."""

import numpy as np
import pytest
import soundfile

from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.inspect import inspect_takes
from tests.openair import published_gains
from tests.stage import RATE


@pytest.fixture
def write(tmp_path):
    """Write a take from the file's own channels."""

    def take(channels, name="take.wav", rate_hz=RATE, subtype="PCM_24"):
        path = tmp_path / name
        soundfile.write(path, np.asarray(channels).T, rate_hz, subtype=subtype)
        return path

    return take


def hiss(rng, channels=4, seconds=1.0, level=0.05):
    return level * rng.standard_normal((channels, round(seconds * RATE)))


def inspect_take(path, **options):
    (result,) = inspect_takes([path], **options)
    return result


def by_code(result):
    return {finding.code: finding for finding in result.findings}


def test_a_sound_take_has_no_findings_and_true_levels(write):
    tone = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE)
    result = inspect_take(write(published_gains(90.0, 0.0, "ambix")[:, np.newaxis] * tone + 1e-3))
    assert result.findings == ()
    # A sine of 0.5: peak -6.02 dBFS, 3.01 less in the mean. Z and X hold the 1e-3 only: -60 dBFS.
    assert result.peak_dbfs == pytest.approx((-6.0, -6.0, -60.0, -60.0), abs=0.05)
    assert result.rms_dbfs == pytest.approx((-9.03, -9.03, -60.0, -60.0), abs=0.05)


@pytest.mark.parametrize(
    ("channel", "name"), [(0, "W"), (1, "Y (left-right)"), (2, "Z (up-down)"), (3, "X (front-back)")]
)
def test_a_dead_channel_is_named(write, rng, channel, name):
    channels = hiss(rng)
    channels[channel] *= 1e-4  # 80 dB down
    result = inspect_take(write(channels, subtype="FLOAT"))
    (finding,) = result.findings
    assert (finding.code, finding.severity) == ("dead_channel", Severity.FIX)
    assert f"channel {name} of take.wav is dead" in finding.message


def test_the_dead_channel_is_named_by_what_it_is_in_the_file(write, rng):
    """FuMa writes X second: the second channel of the file is front-back."""
    channels = hiss(rng)
    channels[1] = 0.0
    result = inspect_take(write(channels), channel_format=ChannelFormat.FUMA)
    assert "channel X (front-back)" in by_code(result)["dead_channel"].message
    assert np.isnan(result.peak_dbfs[3])


def test_a_channel_50_db_down_is_not_dead(write, rng):
    channels = hiss(rng)
    channels[2] *= 10 ** (-50 / 20)
    assert inspect_take(write(channels)).findings == ()


def test_silence_is_one_finding(write):
    result = inspect_take(write(np.zeros((4, RATE))))
    assert [finding.message for finding in result.findings] == ["take.wav is silent throughout: nothing to use"]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_clipping_says_how_often_and_where_first(write, rng, sign):
    channels = hiss(rng, seconds=3.0)
    channels[1, 60_000:60_020] = sign
    channels[3, 100_000:100_003] = sign
    result = inspect_take(write(channels))
    finding = by_code(result)["clipping"]
    assert finding.severity is Severity.FIX
    assert "clipped in 2 places, first at 1.25 s" in finding.message


def test_one_or_two_samples_at_full_scale_are_no_clipping(write, rng):
    channels = hiss(rng)
    channels[0, [1000, 1001, 2000, 3000]] = 1.0
    assert "clipping" not in by_code(inspect_take(write(channels)))


@pytest.mark.parametrize("channel_format", [ChannelFormat.AMBIX, ChannelFormat.N3D, ChannelFormat.FUMA])
@pytest.mark.parametrize("channel", range(4))
@pytest.mark.parametrize(("level", "clipped"), [(1.0, True), (0.95, False)])
def test_full_scale_is_what_the_file_can_hold(write, rng, channel_format, channel, level, clipped):
    """Whatever gain the format puts on a channel afterwards: N3D takes sqrt(3) off, FuMa puts sqrt(2) on W."""
    channels = hiss(rng)
    channels[channel, 500:520] = level
    result = inspect_take(write(channels), channel_format=channel_format)
    assert ("clipping" in by_code(result)) == clipped
    assert max(result.peak_dbfs) == pytest.approx(20 * np.log10(level), abs=0.01)


def test_higher_orders_are_left_out_and_said(write, rng):
    result = inspect_take(write(hiss(rng, channels=9)))
    finding = by_code(result)["convention_guess"]
    assert finding.severity is Severity.NOTE
    assert "has 9 channels: the first four are read as the first-order field, 5 are left out" in finding.message


def test_long_takes_are_added_up_over_their_blocks(write, rng):
    """More samples than one block holds, loud only at the end."""
    channels = hiss(rng, seconds=4.0, level=1e-3)
    channels[:, -100:] = 0.5
    result = inspect_take(write(channels))
    assert max(result.peak_dbfs) == pytest.approx(-6.02, abs=0.01)
    expected = 10 * np.log10((0.25 * 100 + 1e-6 * (4 * RATE - 100)) / (4 * RATE))
    assert result.rms_dbfs[0] == pytest.approx(expected, abs=0.05)
