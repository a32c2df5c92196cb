"""What inspect says of what it measured: code, severity, channel, time, size and what to do."""

import numpy as np
import pytest

from spatial.capsules import Capsules, field_matrix
from spatial.findings import Severity
from spatial.jobs.inspect.health_findings import health_findings
from spatial.jobs.inspect.take_health import channel_names
from tests.scenes.fields import measured, talking_field
from tests.scenes.stage import RATE


def said(recorded, *, matrix=None, bits=24):
    """Findings by code."""
    matrix = np.eye(4) if matrix is None else matrix
    found = health_findings(measured(recorded, matrix=matrix, bits=bits), channel_names(matrix), "take.wav")
    return {finding.code: finding for finding in found}


def is_said(finding, severity, *parts):
    assert finding.severity is severity
    assert [part for part in parts if part not in finding.message] == []


def test_channels_are_named_by_what_they_feed():
    assert channel_names(field_matrix(Capsules())) == (
        "capsule 1 (FLU)", "capsule 2 (FRD)", "capsule 3 (BLD)", "capsule 4 (BRU)",
    )  # fmt: skip


def test_one_short_clip_is_a_look(rng):
    sound = talking_field(rng)
    sound[2, 96_000:96_004] = -0.7
    is_said(said(sound)["clipping"], Severity.LOOK, "1 place, first at 2.00 s", "-3.1 dBFS", "Z (up-down)", "4 samples")


def test_a_dead_channel_in_sixteen_bits(rng):
    sound = talking_field(rng, hiss=1e-3)
    sound[1] = 0.0
    is_said(said(sound, bits=16)["dead_channel"], Severity.FIX, "Y (left-right)", "no sound", "record again")


def test_a_dead_capsule(rng):
    matrix = field_matrix(Capsules())
    sound = np.linalg.inv(matrix) @ talking_field(rng)
    sound[2] *= 10 ** (-25 / 20)
    is_said(said(sound, matrix=matrix)["dead_channel"], Severity.FIX, "capsule 3 (BLD)")


@pytest.mark.parametrize(("offset", "severity"), [(0.004, Severity.NOTE), (-0.05, Severity.LOOK)])
def test_an_offset(rng, offset, severity):
    sound = talking_field(rng, seconds=8.0)
    sound[3] += offset
    is_said(said(sound)["dc_offset"], severity, "X (front-back)", f"{100 * offset:+.1f} %")


def test_short_holes_are_to_fix_and_long_ones_to_look_at(rng):
    sound = talking_field(rng, seconds=6.0, hiss=1e-2)
    sound[:, 48_000:48_480] = 0.0
    is_said(said(sound)["dropout"], Severity.FIX, "1 hole", "all channels", "at 1.00 s", "10.0 ms")
    long = talking_field(rng, seconds=6.0, hiss=1e-2)
    long[:, 48_000 : 48_000 + 2 * RATE] = 0.0
    is_said(said(long)["dropout"], Severity.LOOK, "2.0 s of digital silence from 1.00 s on")


def test_a_repeat_says_how_long_it_is(rng):
    sound = talking_field(rng, hiss=1e-2)
    sound[:, 72_512:73_024] = sound[:, 72_000:72_512].copy()
    is_said(said(sound)["dropout"], Severity.FIX, "1 place, at 1.51 s", "512 samples")


def test_lost_buffers_are_counted_and_their_spacing_told():
    time = np.arange(4 * RATE) / RATE
    voice = sum(0.1 / n * np.sin(2 * np.pi * 133.7 * n * time + n) for n in range(1, 12))
    sound = np.outer([1.0, 0.5, 0.2, 0.8], voice) + 1e-5 * np.random.default_rng(5).standard_normal((4, time.size))
    for start in (100_352 + 400, 69_632 + 200, 40_960):  # in the end they lie at 20, 34 and 49 times 2048
        sound = np.delete(sound, np.s_[start : start + 200], axis=1)
    is_said(said(sound)["dropout"], Severity.FIX, "3 places", "a multiple of 2048 samples apart", "faster card")


@pytest.mark.slow
@pytest.mark.parametrize(("level", "severity"), [(0.02, Severity.FIX), (0.001, Severity.LOOK), (2e-4, Severity.NOTE)])
def test_hum_is_as_grave_as_it_is_loud(rng, level, severity):
    sound = talking_field(rng, seconds=20.0, hiss=1e-5)
    time = np.arange(sound.shape[1]) / RATE
    sound += level * sum(np.sin(2 * np.pi * 50.1 * n * time) / n for n in (1, 2, 3))
    is_said(said(sound)["hum"], severity, "hums at 50", "all channels", "mains at 50.")


def test_wind(rng):
    sound = talking_field(rng, seconds=10.0, level=0.05)
    pole = np.exp(-2 * np.pi * 40 / RATE)
    from scipy.signal import lfilter

    blown = lfilter([1 - pole], [1, -pole], rng.standard_normal(sound.shape), axis=1)
    wind = field_matrix(Capsules()) @ (0.05 * blown / np.std(blown))
    is_said(said(sound + wind)["rumble"], Severity.FIX, "100 % of the time", "10 dB more than W", "wind shield")


def test_polarity_order_and_gain(rng):
    matrix = field_matrix(Capsules())
    field = talking_field(rng, seconds=12.0)
    capsules = np.linalg.inv(matrix) @ field
    capsules[1] *= -1.0
    is_said(said(capsules, matrix=matrix)["polarity"], Severity.FIX, "capsule 2 (FRD)", "wrong way round")
    is_said(said(field[[2, 1, 0, 3]])["swapped_channels"], Severity.FIX, "not W but Z hears equally")
    quiet = field * np.array([[1.0], [10 ** (-9 / 20)], [1.0], [1.0]])
    is_said(said(quiet)["gain_mismatch"], Severity.FIX, "Y (left-right)", "9 dB too quiet")


@pytest.mark.parametrize(
    ("peak", "severity", "words"),
    [(0.95, Severity.NOTE, "within 1 dB of full scale"), (0.003, Severity.LOOK, "never gets louder than -50 dBFS")],
)
def test_levels(rng, peak, severity, words):
    sound = talking_field(rng, hiss=1e-5)
    is_said(said(peak * sound / np.abs(sound).max())["level"], severity, words)


def test_a_float_file_over_full_scale():
    tone = np.outer([1.0, 0.5, 0.5, 0.7], 1.5 * np.sin(np.arange(4 * RATE) * 0.1))
    from spatial.health.meter import HealthMeter

    meter = HealthMeter(RATE, tone.shape[1], step=2.0**-24, field_from_recorded=np.eye(4))
    meter.push(tone.astype(np.float32))
    (finding,) = [f for f in health_findings(meter.finish(), list("WYZX"), "take.wav") if f.code == "level"]
    is_said(finding, Severity.LOOK, "+3.5 dBFS", "turn it down")


def test_a_noise_that_does_not_stop(rng):
    noisy = talking_field(rng, seconds=8.0) + 0.02 * rng.standard_normal((4, 8 * RATE))
    is_said(said(noisy)["noise_floor"], Severity.LOOK, "never gets quieter than -34 dBFS")


def test_padding_is_a_note(rng):
    sound = talking_field(rng)
    sound[:, :48_000] = 0.0
    is_said(said(sound)["dropout"], Severity.NOTE, "begins with 1.0 s of digital silence")


@pytest.mark.parametrize(
    ("gain_db", "says", "form"),
    [
        (7.0, "more", np.eye(4)),
        (-7.0, "less", np.eye(4)),
        (7.0, "more", field_matrix(Capsules())),
        (-10.0, "less", field_matrix(Capsules())),
    ],
)
def test_an_odd_power_of_w_is_a_look(rng, gain_db, says, form):
    """X, Y and Z alike too loud or too quiet: no one channel is at fault, and nothing that is made is so far away."""
    field = talking_field(rng, seconds=10.0)
    field[1:] *= 10 ** (gain_db / 20)
    finding = said(np.linalg.inv(form) @ field, matrix=form)["gain_mismatch"]
    is_said(finding, Severity.LOOK, f"dB {says} power than W", "--capsule" if form[0, 1] else "--format")
    size = float(finding.message.split(" dB ")[0].split()[-1])
    assert size == pytest.approx(abs(gain_db), abs=0.5)


@pytest.mark.parametrize(("omni_part", "named"), [(0.4, "0.40"), (0.65, "0.65"), (0.5, None)])
def test_capsules_of_another_pattern_have_no_wrong_gain(rng, omni_part, named):
    """Capsules a + (1 - a) cos, read as cardioids: the power of X, Y and Z tells a, and is nobody's fault."""
    capsules = np.linalg.inv(field_matrix(Capsules(omni_part=omni_part))) @ talking_field(rng, seconds=10.0)
    found = said(capsules, matrix=field_matrix(Capsules()))
    assert "gain_mismatch" not in found
    if named is None:
        assert "convention_guess" not in found
    else:
        is_said(found["convention_guess"], Severity.NOTE, f"--capsule-omni-part {named}")


def test_a_gain_that_the_place_may_have_made_is_a_look(rng):
    """8 dB, uncertain by 2: named with its channel, and not to be mended unheard."""
    matrix = field_matrix(Capsules())
    sound = np.linalg.inv(matrix) @ talking_field(rng, seconds=12.0)
    sound[2] *= 10 ** (8.0 / 20)
    finding = said(sound, matrix=matrix)["gain_mismatch"]
    is_said(finding, Severity.LOOK, "capsule 3 (BLD)", "dB too loud", "the place may have done it too")
    is_said(finding, Severity.LOOK, "clap from several sides, above too")


@pytest.mark.slow
@pytest.mark.parametrize("gain_db", [12.0, -12.0])
def test_a_capsules_gain_is_no_pattern(rng, gain_db):
    """One capsule's gain moves the power of X, Y and Z over W as another omni part would; mended, nothing is said."""
    matrix = field_matrix(Capsules())
    sound = np.linalg.inv(matrix) @ talking_field(rng, seconds=12.0)
    sound[2] *= 10 ** (gain_db / 20)
    found = said(sound, matrix=matrix)
    assert "gain_mismatch" in found
    assert "convention_guess" not in found
    sound[2] /= 10 ** (gain_db / 20)
    assert {"gain_mismatch", "convention_guess"}.isdisjoint(said(sound, matrix=matrix))


def test_a_capsule_that_is_turned_round_says_both_ways_to_mend_it(rng):
    matrix = field_matrix(Capsules())
    sound = np.linalg.inv(matrix) @ talking_field(rng, seconds=12.0)
    sound[3] *= -1.0
    finding = said(sound, matrix=matrix)["polarity"]
    is_said(finding, Severity.FIX, "capsule 4 (BRU)", "turn its polarity in the recorder", "before converting")
    sound[3] *= -1.0
    assert "polarity" not in said(sound, matrix=matrix)


# What a recording without height, a fade and long silence are: nobody's fault, or somebody's question.


@pytest.mark.parametrize("hiss", [0.0, 1e-6])
def test_a_recording_without_height_is_a_look(rng, hiss):
    sound = talking_field(rng, hiss=1e-3, flat=True)
    sound[2] = hiss * rng.standard_normal(sound.shape[1])
    is_said(said(sound)["dead_channel"], Severity.LOOK, "holds no height", "Z (up-down)", "check that input")
    sound[1] = 0.0
    is_said(said(sound)["dead_channel"], Severity.FIX, "is dead")


def test_without_height_where_the_recorder_has_it_is_to_fix(rng):
    sound = talking_field(rng, hiss=1e-3, flat=True)
    sound[2] = 0.0
    found = health_findings(measured(sound), list("WYZX"), "take2.wav", height_in="take1.wav")
    (finding,) = [finding for finding in found if finding.code == "dead_channel"]
    is_said(finding, Severity.FIX, "channel Z of take2.wav", "take1.wav, of the same recorder, has it")


def faded(rng, depth_dbfs, level=0.1):
    """Sound that falls evenly to a level, is cut there, and comes back likewise."""
    sound = talking_field(rng, seconds=6.0, level=level, hiss=1e-5)
    steady = 0.3 * level * rng.standard_normal((4, 96_000))
    sound[:, 96_000:192_000] = steady
    start_db = 20 * np.log10(0.3 * level)
    ramp = 10 ** ((depth_dbfs - start_db) * np.linspace(0.0, 1.0, 40_000) / 20)
    sound[:, 96_000:136_000] *= ramp
    sound[:, 136_000:140_000] = 0.0
    sound[:, 140_000:180_000] *= ramp[::-1]
    return sound


@pytest.mark.parametrize(("depth_dbfs", "severity"), [(-76.0, Severity.NOTE), (-50.0, Severity.FIX)])
def test_a_fade_that_ends_where_nobody_hears_it_is_a_note(rng, depth_dbfs, severity):
    """Zeros beside sound of -76 dBFS are what a fade leaves; beside sound of -50 dBFS something is lost."""
    finding = said(faded(rng, depth_dbfs))["dropout"]
    assert finding.severity is severity
    assert "at 2.83 s" in finding.message
    assert ("a fade ends so" in finding.message) == (severity is Severity.NOTE)


def test_faint_throughout_a_hole_is_a_hole(rng):
    """A quiet room at -72 dBFS: a hole there is no fade, for nothing in the recording is louder."""
    sound = 2.5e-4 * rng.standard_normal((4, 4 * RATE))
    sound[:, 100_000:102_000] = 0.0
    is_said(said(sound)["dropout"], Severity.FIX, "1 hole", "at 2.08 s")


def test_a_long_silence_in_one_channel_names_it_and_asks(rng):
    sound = talking_field(rng, seconds=6.0, hiss=3e-2)
    sound[1, 96_000:168_000] = 0.0
    is_said(
        said(sound)["dropout"],
        Severity.LOOK,
        "1.5 s of digital silence from 2.00 s on Y (left-right)",
        "nobody muted it",
    )
