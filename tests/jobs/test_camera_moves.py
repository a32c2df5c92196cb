"""A camera that turns over a recorder on the floor, and a picture that is levelled afterwards, from file to proof.

The sound is a plane wave in the open air, so every sample of the track can be worked out beforehand.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

import spatial.jobs.sync.sync_clip
from spatial.direction.doa import SpanDirection
from spatial.direction.microphone_error import PERFECT
from spatial.errors import InconclusiveError
from spatial.field import azimuth_elevation, unit_vectors
from spatial.findings import Severity
from spatial.jobs.conform.conform_clip import conform_clip
from spatial.jobs.day.day_folder import run_day
from spatial.jobs.demo import lay_out
from spatial.jobs.orient.measure_marks import marks_of_clip, measure_marks, with_expected
from spatial.jobs.orient.orient_clip import orient_match
from spatial.jobs.orient.orient_findings import swept_findings
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import sync_clip
from spatial.jobs.track_request import TrackRequest
from spatial.jobs.verify import verify_track
from spatial.media.tables import Mark, read_moves
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw
from spatial.verification.placement import Verdict
from tests.scenes.open_air import published_gains, shoot_open_air
from tests.scenes.stage import RATE

HEAD = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"
MOUNT = YawPitchRoll.from_degrees(50.0, 5.0, -8.0)
# The camera rests, pans 40 degrees to the left from 2 to 3 s while it tips down, and rests again.
MOVES = "time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n2,0,0,0\n3,40,-12,5\n6.04,40,-12,5\n"
PLANE = 6e-6  # what mixing matrices in a straight line, and 24 bits, leave


def matrix(*angles_deg):
    return matrix_from_ypr(YawPitchRoll.from_degrees(*angles_deg))


def seen(vector):
    return tuple(float(angle) for angle in np.degrees(azimuth_elevation(vector)))


@pytest.fixture
def floor(tmp_path, monkeypatch):
    """One clip with moves, its take on the floor, sync told the truth; somebody 20 degrees left, 10 up."""
    in_set = unit_vectors(np.radians(20.0), np.radians(10.0))
    air = shoot_open_air(tmp_path, at_deg=seen(matrix_from_ypr(MOUNT).T @ in_set))
    told = SyncEstimate(True, "", air.law, 1e-4, 0.01, None, ClockLaw(air.law.offset_s))
    monkeypatch.setattr(spatial.jobs.sync.sync_clip, "sync_listened", lambda *_args, **_options: told)
    moves = tmp_path / "camera.csv"
    moves.write_text(MOVES, encoding="utf-8")
    return air, in_set, Rig(moves=read_moves(moves))


def write_marks(folder, spans, direction_at):
    rows = [
        f"Juno,{start},{end},{azimuth:.3f},{elevation:.3f},"
        for start, end in spans
        for azimuth, elevation in [seen(direction_at((start + end) / 2))]
    ]
    path = folder / "marks.csv"
    path.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_the_track_faces_the_lens_at_every_moment(floor, tmp_path):
    air, in_set, rig = floor
    result = conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=MOUNT, rig=rig))
    track = soundfile.read(result.output)[0].T
    for time_s in (0.5, 1.9, 2.25, 2.5, 2.9, 3.5, 6.0):
        camera = rig.moves.motion.at(np.array([time_s]))[0]
        sample = round(time_s * RATE)
        wanted = published_gains(*seen(camera.T @ in_set), "ambix") * air.sound[sample]
        np.testing.assert_allclose(track[:, sample], wanted, atol=PLANE)
    # Panned 40 degrees left and tipped down: what was at the left is at the right, and higher.
    after = published_gains(*seen(matrix(40, -12, 5).T @ in_set), "ambix")
    assert after[1] < 0 < after[2]
    sidecar = json.loads(result.output.with_suffix(".json").read_text(encoding="utf-8"))
    assert sidecar["applied"]["moves"]["rows"] == 4
    assert sidecar["applied"]["moves"]["until_s"] == 6.04
    assert [entry["path"] for entry in sidecar["inputs"]][-1] == str(rig.moves.path)
    assert sidecar["applied"]["level"] is None


@pytest.mark.slow
def test_marks_are_taken_back_through_the_moves_and_the_track_is_proved(floor, tmp_path):
    """One performer, seen in two places because the camera turned: the crew's word on hanging does the rest."""
    air, in_set, rig = floor
    # The recorder of the scene is ideal: by another the crew's "level", which it was not, has more to say.
    rig = replace(rig, microphone=PERFECT)
    spans = ((0.3, 1.9), (3.2, 5.8))
    marks = write_marks(tmp_path, spans, lambda t: rig.moves.motion.at(np.array([t]))[0].T @ in_set)
    prior = MountPrior(hanging=Hanging.UPRIGHT)
    result = conform_clip(
        air.clip, [air.take], tmp_path / "track.wav", TrackRequest(marks_path=marks, rig=rig, prior=prior)
    )
    # Marks in one place of the set leave the turn about them to the crew's "level within 5 degrees", which it was not.
    heard = result.mount @ matrix_from_ypr(MOUNT).T @ in_set
    assert np.degrees(np.arccos(heard @ in_set)) < 1.5
    assert [check.verdict for _, check in result.proof.marks] == [Verdict.IN_PLACE] * 2
    assert "mark_off" not in [finding.code for finding in result.findings]
    again = verify_track(air.clip, result.output, marks, rig=Rig())  # nothing of the moves is needed
    assert [check.verdict for _, check in again.marks] == [Verdict.IN_PLACE] * 2


@pytest.mark.slow
def test_without_the_moves_the_same_marks_contradict_each_other(floor, tmp_path):
    """The check above can fail: not turned in time, one of the two marks is off."""
    air, in_set, rig = floor
    marks = write_marks(tmp_path, ((0.3, 1.9), (3.2, 5.8)), lambda t: rig.moves.motion.at(np.array([t]))[0].T @ in_set)
    result = conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=MOUNT, marks_path=marks))
    assert [check.verdict for _, check in result.proof.marks] == [Verdict.IN_PLACE, Verdict.OFF]


def test_a_mark_during_which_the_camera_turns_counts_for_less_and_is_named(floor):
    _, in_set, rig = floor
    heard = SpanDirection(True, in_set, 0.02, 1.0)
    still = with_expected(Mark("Juno", 0.0, 1.5, 0.2, 0.1, None), rig, heard, finished=False)
    turning = with_expected(Mark("Odile", 2.0, 3.0, 0.2, 0.1, None), rig, heard, finished=False)
    assert still.swept_sd_rad < 1e-6
    # An even sweep over an angle a has a standard deviation of a / sqrt(12) (uniform distribution).
    swept = rotation_angle(np.eye(3), matrix(40, -12, 5))
    assert turning.swept_sd_rad == pytest.approx(swept / np.sqrt(12), rel=0.1)
    (finding,) = swept_findings([still, turning])
    assert "the camera turned while Odile is marked (2.00 s to 3.00 s)" in finding.message


def test_the_microphones_place_stays_in_the_set_while_the_lens_turns(floor):
    """A microphone 1 m in front of the lens at 0, 0, 0 is at its right once it has panned 90 degrees to the left."""
    _, _, rig = floor
    folder = rig.moves.path.parent
    (folder / "pan.csv").write_text("time_s,yaw_deg,pitch_deg,roll_deg\n0,90,0,0\n", encoding="utf-8")
    panned = Rig(mic_offset_m=(1.0, 0.0, 0.0), moves=read_moves(folder / "pan.csv"))
    mark = Mark("Juno", 0.0, 1.0, 0.0, 0.0, 1.0)  # 1 m in front of the lens, which looks to the left of the set
    heard = SpanDirection(True, np.array([1.0, 0.0, 0.0]), 0.02, 1.0)
    # From 1 m to the right of the lens, 1 m ahead of it is 45 degrees to the left in the picture, ...
    assert seen(with_expected(mark, panned, heard, finished=True).expected) == pytest.approx((45.0, 0.0))
    # ... and in the set, from (1, 0) to (0, 1), 135 degrees to the left.
    assert seen(with_expected(mark, panned, heard, finished=False).expected) == pytest.approx((135.0, 0.0))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("level_deg", "seen_deg", "shown_deg"),
    [
        # A camera that had tipped 4 degrees down shows the horizon 4 degrees too high: all goes down by 4.
        ((-4.0, 0.0), (0.0, 4.0), (0.0, 0.0)),
        ((4.0, 0.0), (0.0, -4.0), (0.0, 0.0)),
        # A camera that leant to its right shows what is at the right too high: the right side goes down.
        ((0.0, 6.0), (-90.0, 6.0), (-90.0, 0.0)),
        ((0.0, -6.0), (-90.0, -6.0), (-90.0, 0.0)),
    ],
)
def test_the_sound_turns_with_the_levelled_picture(tmp_path, level_deg, seen_deg, shown_deg):
    """Worked both ways; marks are as filmed in all commands, and verify follows with the same --level."""
    air = shoot_open_air(tmp_path, at_deg=seen_deg, frames=126)
    marks = tmp_path / "marks.csv"
    marks.write_text(f"{HEAD}Juno,0.5,4.5,{seen_deg[0]},{seen_deg[1]},2\n", encoding="utf-8")
    rig = Rig(levelled=matrix(0.0, *level_deg))
    level = YawPitchRoll(0.0, 0.0, 0.0)
    result = conform_clip(
        air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=level, marks_path=marks, rig=rig)
    )
    track = soundfile.read(result.output)[0].T
    loud = np.argmax(np.abs(track[0]))
    np.testing.assert_allclose(track[:, loud] / track[0, loud], published_gains(*shown_deg, "ambix"), atol=1e-3)
    ((mark, check),) = result.proof.marks
    assert seen(mark.expected) == pytest.approx(shown_deg, abs=1e-6)
    assert check.verdict is Verdict.IN_PLACE
    ((_, again),) = verify_track(air.clip, result.output, marks, rig=rig).marks
    assert np.degrees(again.error_rad) < 1.0
    ((_, unlevelled),) = verify_track(air.clip, result.output, marks, rig=replace(rig, levelled=None)).marks
    assert np.degrees(unlevelled.error_rad) > 3.0
    assert json.loads((tmp_path / "track.json").read_text(encoding="utf-8"))["applied"]["level"][
        "pitch_deg"
    ] == pytest.approx(level_deg[0])


def test_the_cameras_stereo_sound_is_not_asked_where_it_turned(floor, tmp_path):
    air, _, rig = floor
    with pytest.raises(InconclusiveError, match="the camera turned over a recorder that stood still"):
        conform_clip(
            air.clip, [air.take], tmp_path / "t.wav", TrackRequest(rig=rig, prior=MountPrior(hanging=Hanging.UPRIGHT))
        )
    assert not (tmp_path / "t.wav").exists()


@pytest.mark.slow
def test_day_uses_moves_beside_a_clip_and_says_so(floor, tmp_path):
    _, in_set, rig = floor
    rig.moves.path.rename(tmp_path / "clip.moves.csv")
    path = write_marks(tmp_path, ((0.3, 1.9), (3.2, 5.8)), lambda t: rig.moves.motion.at(np.array([t]))[0].T @ in_set)
    path.rename(tmp_path / "clip.marks.csv")
    (entry,) = run_day(tmp_path, rig_for=lambda _clip: Rig(), prior=MountPrior(hanging=Hanging.UPRIGHT)).clips
    assert entry.conform is not None
    assert [check.verdict for _, check in entry.conform.proof.marks] == [Verdict.IN_PLACE] * 2
    assert any("clip.moves.csv lies beside the clip" in finding.message for finding in entry.findings)


def test_a_clip_longer_than_its_moves_is_said(floor, tmp_path):
    air, _, rig = floor
    rig.moves.path.write_text("time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n3,10,0,0\n", encoding="utf-8")
    rig = Rig(moves=read_moves(rig.moves.path))
    result = conform_clip(air.clip, [air.take], tmp_path / "track.wav", TrackRequest(mount=MOUNT, rig=rig))
    assert any("from 0.00 s to 3.00 s of 6.04 s" in finding.message for finding in result.findings)


@pytest.mark.slow
def test_a_moves_file_that_the_marks_contradict_is_said(tmp_path):
    """The demo's camera stood still; by this file it turned by 80 degrees from the first performer to the last."""
    lay_out(tmp_path)
    moves = tmp_path / "another-clip.csv"
    moves.write_text("time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n5,0,0,0\n12,80,0,0\n", encoding="utf-8")
    still = tmp_path / "still.csv"
    still.write_text("time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n12,0.5,0,0\n", encoding="utf-8")
    clip, take, marks = (tmp_path / name for name in ("lantern.mp4", "rec-0041.flac", "lantern.marks.csv"))
    found = sync_clip(clip, [take])
    said = []
    for file in (moves, still):
        rig = Rig(mic_offset_m=(-0.04, 0.0, 0.16), moves=read_moves(file))
        heard = measure_marks(found.take, found.law, marks_of_clip(marks, found.clip, rig), rig)
        findings = orient_match(found, heard, rig=rig).findings
        said.append([one.severity for one in findings if "only if the camera did not turn" in one.message])
    assert said == [[Severity.FIX], []]
