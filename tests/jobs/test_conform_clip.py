"""The conform job to the sample: what is written where, how long, how loud, and when nothing is written.

The law is told wherever the test is about the track and not about sync; the proof is always measured.
"""

import hashlib
import json
import signal
from fractions import Fraction

import numpy as np
import pytest
import soundfile

import spatial.jobs.conform.conform_clip
import spatial.jobs.sync.sync_clip
import spatial.media.output
from spatial.errors import InconclusiveError, OutputError
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.jobs.conform.conform_clip import conform_clip
from spatial.jobs.rig import Rig
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import verify_track
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw
from tests.scenes.open_air import lag_s, shoot_open_air
from tests.scenes.stage import RATE

LEVEL = YawPitchRoll(0.0, 0.0, 0.0)
STEP_24_BIT = 2.0**-23
FADE = 240  # samples in 5 ms


@pytest.fixture
def tell_law(monkeypatch):
    """Give conform the true law, as if sync had measured it."""

    def tell(law, *, offset_sd_s=1e-4, drift_sd_ppm=0.01):
        told = SyncEstimate(True, "", law, offset_sd_s, drift_sd_ppm, None, ClockLaw(law.offset_s))
        monkeypatch.setattr(spatial.jobs.sync.sync_clip, "sync_listened", lambda *_args, **_options: told)

    return tell


@pytest.fixture
def conform(tmp_path, tell_law):
    """Shoot in the open air and conform by the true law; gives the shoot, the result and the track."""

    def run(*, mount=LEVEL, read_as="ambix", **shoot):
        air = shoot_open_air(tmp_path, **shoot)
        tell_law(air.law)
        output = tmp_path / "track.wav"
        result = conform_clip(air.clip, [air.take], output, TrackRequest(mount=mount, read_as=ChannelFormat(read_as)))
        track, rate = soundfile.read(output, always_2d=True)
        assert rate == RATE
        return air, result, track.T

    return run


def rms_db(signal):
    return 10 * np.log10(np.mean(np.square(signal)))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("frame_rate", "frames", "samples"),
    [
        (Fraction(25), 151, 289_920),  # 151 * 1920
        (Fraction(24000, 1001), 151, 302_302),  # 151 * 2002
        (Fraction(30000, 1001), 181, 289_890),  # 181 * 1601.6 = 289889.6
        (Fraction(60000, 1001), 361, 289_089),  # 361 * 800.8 = 289088.8
    ],
)
def test_the_track_is_exactly_as_long_as_the_clip(conform, frame_rate, frames, samples):
    _, result, track = conform(frame_rate=frame_rate, frames=frames)
    assert result.samples == samples
    assert track.shape == (4, samples)
    info = soundfile.info(result.output)
    assert (info.frames, info.channels, info.samplerate, info.subtype) == (samples, 4, RATE, "PCM_24")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rate_hz", "ppm"), [(44_100, 37.0), (48_000, 0.0), (48_000, -37.0), (96_000, 0.0), (192_000, 37.0)]
)
def test_takes_at_any_rate_lie_on_clip_time(conform, rate_hz, ppm):
    air, result, track = conform(take_rate_hz=rate_hz, take_ppm=ppm, take_from_s=-1.23456)
    for part in (slice(0, RATE), slice(-RATE, None)):
        # Half a sample of the take and half of the track is all that rounding leaves, 22 us at 44.1 kHz.
        assert abs(lag_s(track[0, part], air.sound[part])) < 25e-6
    assert abs(result.proof.step.law.offset_s) < 0.1e-3  # five samples: what a conformed file is held to


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [1000.0, -1000.0])
def test_a_thousand_ppm_are_taken_out_at_both_ends(conform, ppm):
    air, result, track = conform(take_ppm=ppm, frames=251)
    assert result.law.drift_ppm == pytest.approx(ppm, abs=1e-6)
    for part in (slice(0, RATE), slice(-RATE, None)):
        assert abs(lag_s(track[0, part], air.sound[part])) < 0.05e-3


@pytest.mark.slow
def test_a_thousand_ppm_are_found_and_taken_out(tmp_path):
    """The same with sync measuring it: over 10 s, 10 ms."""
    air = shoot_open_air(tmp_path, take_ppm=1000.0, frames=251)
    result = conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=LEVEL))
    assert result.law.drift_ppm == pytest.approx(1000.0, abs=3.0)
    track = soundfile.read(result.output)[0].T
    for part in (slice(0, RATE), slice(-RATE, None)):
        assert abs(lag_s(track[0, part], air.sound[part])) < 0.1e-3  # five samples


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rate_hz", "late_s", "early_s"),
    [(48_000, 1.0, 1.2), (96_000, 0.700_003, 0.0), (44_100, 0.0, 0.900_01), (44_100, 0.5, 0.6)],
)
def test_silence_where_the_take_was_not_rolling(conform, rate_hz, late_s, early_s):
    air, result, track = conform(
        take_from_s=late_s or -2.0, take_until_s=-early_s or 2.0, take_rate_hz=rate_hz, take_ppm=20.0
    )
    sounding = np.flatnonzero(np.any(track != 0, axis=0))
    first = round(late_s * RATE)
    last = round((air.duration_s - early_s) * RATE)
    assert sounding[0] == pytest.approx(first, abs=2)
    assert sounding[-1] == pytest.approx(last, abs=3)
    inside = slice(first + FADE + 5, last - FADE - 5)
    assert rms_db(track[0, inside] - air.sound[inside]) < rms_db(air.sound[inside]) - 20  # sound, and the right one
    assert result.sync.covered_s == pytest.approx((late_s, air.duration_s - early_s), abs=1e-4)
    sidecar = json.loads(result.output.with_suffix(".json").read_text(encoding="utf-8"))
    assert sidecar["applied"]["sound_from_s"] == pytest.approx(late_s, abs=1e-4)
    (said,) = [f.message for f in result.findings if f.code == "partly_covered"]
    assert f"only from {late_s:.2f} s to {air.duration_s - early_s:.2f} s of 6.04 s" in said


def test_a_take_that_covers_the_clip_is_not_faded_and_nothing_is_said(conform):
    air, result, track = conform()
    np.testing.assert_allclose(track[0], air.sound, atol=2 * STEP_24_BIT)
    assert [f.code for f in result.findings] == []


def test_no_click_where_silence_meets_sound(conform):
    """A 100 Hz tone that the take enters at its crest: a hard cut would step by 0.5."""
    time = np.arange(round(6.04 * RATE)) / RATE
    _, _, track = conform(extra=0.5 * np.cos(2 * np.pi * 100 * time), take_from_s=1.0, take_until_s=-1.04, level=0.02)
    for join in (RATE, 5 * RATE):
        steps = np.abs(np.diff(track[0, join - 480 : join + 480]))
        # The tone's own steepest step 0.0065, the fade's 0.5 / 240 = 0.0021, and 0.02 of other sound.
        assert steps.max() < 0.03


def test_level_is_kept(conform):
    air, _, track = conform(mount=YawPitchRoll.from_degrees(30.0, -20.0, 165.0), take_rate_hz=96_000)
    assert rms_db(track[0]) == pytest.approx(rms_db(air.sound), abs=0.05)
    # A plane wave has as much power in X, Y, Z together as in W (SN3D), and a turn keeps it.
    assert rms_db(np.sqrt(np.sum(track[1:] ** 2, axis=0))) == pytest.approx(rms_db(air.sound), abs=0.05)


def test_a_level_mount_leaves_the_channels_as_they_were(conform):
    air, _, track = conform()
    take = soundfile.read(air.take, always_2d=True)[0].T
    begin = round(2.0 * RATE)
    np.testing.assert_allclose(track, take[:, begin : begin + track.shape[1]], atol=2 * STEP_24_BIT)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mount", "from_mic_deg", "in_picture"),
    [
        ((90, 0, 0), (-90, 0), (1, 0, 0)),  # the microphone faced left: its right is the picture's front
        ((90, 0, 0), (0, 0), (0, 1, 0)),
        ((180, 0, 0), (0, 0), (-1, 0, 0)),
        ((0, 0, 180), (90, 0), (0, -1, 0)),  # upside down: its left is the picture's right
        ((0, 30, 0), (0, 0), (np.cos(np.pi / 6), 0, 0.5)),  # tipped up: its front is above the horizon
    ],
)
def test_mount_by_hand_turns_the_sound(conform, mount, from_mic_deg, in_picture):
    air, _, track = conform(mount=YawPitchRoll.from_degrees(*mount), at_deg=from_mic_deg)
    x, y, z = in_picture
    gains = np.array([1.0, y, z, x])[:, np.newaxis]
    np.testing.assert_allclose(track, gains * air.sound, atol=4 * STEP_24_BIT)


@pytest.mark.slow
@pytest.mark.parametrize("channel_format", ["fuma", "n3d"])
def test_other_formats_give_the_same_track(conform, channel_format):
    air, _, track = conform(channel_format=channel_format, read_as=channel_format, at_deg=(-50.0, 25.0))
    gains = np.array([1.0, *(g for g in (
        np.sin(np.radians(-50)) * np.cos(np.radians(25)),
        np.sin(np.radians(25)),
        np.cos(np.radians(-50)) * np.cos(np.radians(25)),
    ))])  # fmt: skip
    np.testing.assert_allclose(track, gains[:, np.newaxis] * air.sound, atol=4 * STEP_24_BIT)


def test_n3d_read_as_ambix_is_another_track(conform):
    air, _, track = conform(channel_format="n3d", read_as="ambix", at_deg=(90.0, 0.0))
    assert rms_db(track[1]) - rms_db(air.sound) == pytest.approx(10 * np.log10(3), abs=0.01)


@pytest.mark.slow
def test_a_turned_field_that_passes_full_scale_is_said(conform):
    """Left and front at once, each within full scale: turned by 45 degrees they add up."""
    loud = np.zeros(RATE)
    loud[1000:1100] = 1.2
    _, fine, _ = conform(extra=0.5 * loud, level=0.1, at_deg=(45.0, 0.0))
    assert "clipping" not in [f.code for f in fine.findings]
    fine.output.unlink()
    fine.output.with_suffix(".json").unlink()
    _, result, track = conform(extra=loud, level=0.1, at_deg=(45.0, 0.0), mount=YawPitchRoll.from_degrees(-45, 0, 0))
    (found,) = [f for f in result.findings if f.code == "clipping"]
    assert found.severity is Severity.FIX
    over = int(found.message.split()[0])
    assert over == pytest.approx(200, abs=20)  # 100 samples in W, and in X, which now points at the sound
    assert np.max(track) == pytest.approx(1.0, abs=2 * STEP_24_BIT)
    assert np.min(track) > -1.0  # no wrapping round


@pytest.mark.slow
def test_sidecar_names_inputs_by_size_and_hash(conform):
    air, result, _ = conform(mount=YawPitchRoll.from_degrees(12.0, -3.0, 178.0))
    facts = json.loads(result.output.with_suffix(".json").read_text(encoding="utf-8"))
    for entry, path in zip(facts["inputs"], (air.clip, air.take), strict=True):
        content = path.read_bytes()
        assert entry == {
            "path": str(path), "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest(),
        }  # fmt: skip
    assert facts["applied"]["offset_s"] == pytest.approx(2.0, abs=1e-9)
    mount = facts["applied"]["mount"]
    assert [mount[f"{axis}_deg"] for axis in ("yaw", "pitch", "roll")] == pytest.approx([12.0, -3.0, 178.0])
    np.testing.assert_allclose(mount["matrix"], result.mount)
    assert np.degrees(result.mount_angles.yaw_rad) == pytest.approx(12.0)
    assert facts["output"]["samples"] == result.samples
    assert facts["output"]["path"] == str(result.output)


@pytest.mark.slow
@pytest.mark.parametrize(("drift_ppm", "applied_ppm"), [(1.9, 0.0), (-1.9, 0.0), (2.1, 2.1), (-2.1, -2.1)])
def test_only_significant_drift_is_taken_out(tmp_path, tell_law, drift_ppm, applied_ppm):
    """With an uncertainty of 1 ppm, 2 ppm is where drift starts to count."""
    air = shoot_open_air(tmp_path)
    tell_law(ClockLaw(air.law.offset_s, drift_ppm), drift_sd_ppm=1.0)
    result = conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=LEVEL))
    assert result.law.drift_ppm == applied_ppm
    facts = json.loads((tmp_path / "track.json").read_text(encoding="utf-8"))
    assert facts["applied"]["drift_ppm"] == applied_ppm
    assert facts["measured"]["drift_ppm"] == drift_ppm
    assert ("drift" in [f.code for f in result.findings]) == (applied_ppm != 0)


def test_nothing_is_written_when_the_proof_cannot_be_made(tmp_path, tell_law, monkeypatch):
    air = shoot_open_air(tmp_path)
    tell_law(air.law)

    def fail(*_args, **_options):
        raise InconclusiveError("the track cannot be read back")

    monkeypatch.setattr(spatial.jobs.conform.conform_clip, "check_track", fail)
    before = sorted(tmp_path.iterdir())
    with pytest.raises(InconclusiveError, match="cannot be read back"):
        conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=LEVEL))
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.slow
@pytest.mark.usefixtures("stoppable")
def test_a_stop_in_the_last_moment_does_not_part_the_track_from_its_sidecar(tmp_path, tell_law, monkeypatch):
    air = shoot_open_air(tmp_path)
    tell_law(air.law)
    settled = []

    # The last moment is after the file was moved, which only this private step knows.
    move = spatial.media.output._move

    def stopped(temporary, path, *, force):
        move(temporary, path, force=force)
        settled.append(path)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(spatial.media.output, "_move", stopped)
    before = set(tmp_path.iterdir())
    with pytest.raises(KeyboardInterrupt):
        conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=LEVEL))
    assert len(settled) == 2
    assert set(tmp_path.iterdir()) - before == {tmp_path / "track.wav", tmp_path / "track.json"}


@pytest.mark.parametrize("there", ["track.wav", "track.json"])
def test_an_existing_file_is_left_as_it_is(tmp_path, there):
    """Track or sidecar, whichever is there, and before an hour of work."""
    air = shoot_open_air(tmp_path, frames=30)
    (tmp_path / there).write_text("mine", encoding="utf-8")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(OutputError, match=f"{there} exists already"):
        conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=LEVEL))
    assert (tmp_path / there).read_text(encoding="utf-8") == "mine"
    assert sorted(tmp_path.iterdir()) == before


def test_sound_alone_as_clip_works_and_is_said(tmp_path):
    """Sync measured, too: open air, 48 kHz."""
    air = shoot_open_air(tmp_path, name="scene.wav", take_from_s=-1.7)
    result = conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=LEVEL))
    assert result.samples == air.sound.size
    track = soundfile.read(result.output)[0].T
    assert abs(lag_s(track[0, :RATE], air.sound[:RATE])) < 0.1e-3
    said = [f.message for f in result.findings if f.code == "no_picture"]
    assert said == ["scene.wav has no picture, so its first sample counts as time 0"]


def test_without_marks_or_mount_it_says_what_is_needed(tmp_path):
    air = shoot_open_air(tmp_path, frames=30)
    with pytest.raises(InconclusiveError, match=r"--marks FILE, or --mount"):
        conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest())


@pytest.mark.slow
def test_force_replaces_our_own_track_but_no_recording_of_somebody_elses(tmp_path):
    air = shoot_open_air(tmp_path)
    mount = YawPitchRoll(0.0, 0.0, 0.0)
    track = tmp_path / "track.wav"
    conform_clip(air.clip, [air.take], track, TrackRequest(mount=mount))
    conform_clip(air.clip, [air.take], track, TrackRequest(mount=mount), force=True)
    other = tmp_path / "another-take.wav"
    other.write_bytes(air.take.read_bytes())
    before = other.read_bytes()
    with pytest.raises(OutputError, match="is not a track that soundplumb wrote"):
        conform_clip(air.clip, [air.take], other, TrackRequest(mount=mount), force=True)
    assert other.read_bytes() == before
    # Nor anything else that we did not write, in the place of the track or of its sidecar.
    for name in ("note.wav", "mix.json"):
        (tmp_path / name).write_text("mine", encoding="utf-8")
        with pytest.raises(OutputError, match=f"{name} is not a .* that soundplumb wrote"):
            conform_clip(
                air.clip, [air.take], (tmp_path / name).with_suffix(".wav"), TrackRequest(mount=mount), force=True
            )
        assert (tmp_path / name).read_text(encoding="utf-8") == "mine"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("samples", "said"), [(-4_800, "0.100 s shorter"), (-1, "1 sample shorter"), (480, "0.010 s longer")]
)
def test_a_track_that_does_not_end_with_its_clip_is_found(conform, tmp_path, samples, said):
    air, result, track = conform()
    marks = tmp_path / "marks.csv"
    marks.write_text("who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nJuno,1,4,35,10,\n", encoding="utf-8")
    assert not [f for f in verify_track(air.clip, result.output, marks, rig=Rig()).findings if f.code == "wrong_length"]
    other = tmp_path / "other.wav"
    cut = track[:, :samples] if samples < 0 else np.pad(track, ((0, 0), (0, samples)))
    soundfile.write(other, cut.T, RATE, subtype="PCM_24")
    (finding,) = [f for f in verify_track(air.clip, other, marks, rig=Rig()).findings if f.code == "wrong_length"]
    assert finding.severity is Severity.FIX
    assert said in finding.message


@pytest.mark.slow
def test_a_take_joined_while_matching_is_aimed_again(tmp_path):
    """Two files that only the clip's own time joins, with the microphone's place known: sync is run a second time."""
    air = shoot_open_air(tmp_path, frames=301)
    field, rate = soundfile.read(air.take, always_2d=True, dtype="float32")
    cut, paths = 7 * RATE + 1234, [tmp_path / "scene-a.wav", tmp_path / "scene-b.wav"]
    for path, part in zip(paths, (field[:cut], field[cut:]), strict=True):
        soundfile.write(path, part, rate, subtype="FLOAT")
    marks = tmp_path / "marks.csv"
    marks.write_text(
        "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nOdile,0.5,11.0,35.0,10.0,2.0\n", encoding="utf-8"
    )
    result = conform_clip(
        air.clip,
        paths,
        tmp_path / "track.wav",
        TrackRequest(
            marks_path=marks, rig=Rig(mic_offset_m=(0.02, 0.0, 0.0)), prior=MountPrior(hanging=Hanging.UPRIGHT)
        ),
    )
    assert result.sync.take.paths == tuple(paths)
    # The scene has no travel over the rig; 0.06 ms is what sound takes for 2 cm.
    assert result.law.offset_s == pytest.approx(2.0, abs=2e-4)
    assert result.proof.step.law.offset_s == pytest.approx(0.0, abs=3e-4)
