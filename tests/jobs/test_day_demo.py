"""A whole day: clips with and without marks, a broken clip, a broken take, a take nobody needs; and the demo.

The clips are the demo's own and open-air ones. Limits for the demo: sync within 0.5 ms, mount
within 3 degrees.
"""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from spatial.errors import MediaFileError, OutputError
from spatial.findings import Severity
from spatial.jobs.conform.conform_clip import conform_clip
from spatial.jobs.day.day_files import files_of_day
from spatial.jobs.day.day_folder import run_day
from spatial.jobs.demo import lay_out, read_truth, run_demo
from spatial.jobs.inspect import take_health
from spatial.jobs.inspect.take_health import check_many
from spatial.jobs.rig import Rig
from spatial.jobs.track_request import TrackRequest
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import YawPitchRoll
from spatial.verification.placement import Verdict
from tests.scenes.open_air import shoot_open_air

HOLE_TAKE_S = 4
MARKS = "who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\n"


def only(clips, name):
    (entry,) = [entry for entry in clips if entry.clip.name == name]
    return entry


def says(findings, code):
    return [(finding.severity, finding.message) for finding in findings if finding.code == code]


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Three good clips (two with marks, one of which tells too little), a broken clip; four takes, one broken."""
    folder = tmp_path_factory.mktemp("day")
    with_hole = shoot_open_air(folder, scene=1, name="a-plain.mov").take
    field, rate = soundfile.read(with_hole)
    field[HOLE_TAKE_S * rate : HOLE_TAKE_S * rate + 2000] = 0.0
    soundfile.write(with_hole, field, rate, subtype="PCM_24")
    one_mark = shoot_open_air(folder, scene=2, name="b-marked.mov", at_deg=(20.0, 5.0))
    # Seen 30 degrees further left than the microphone heard it; one mark does not tell the tilt.
    (folder / "b-marked.marks.csv").write_text(MARKS + "Odile,0.5,5,50,5,2\n", encoding="utf-8")
    spare = shoot_open_air(folder, scene=3, name="spare.mov")
    spare.clip.unlink()
    (folder / "c-broken.mp4").write_bytes(one_mark.clip.read_bytes()[:2000])
    field, rate = soundfile.read(one_mark.take)
    field[-1000] = np.nan
    soundfile.write(folder / "nan.wav", field, rate, subtype="FLOAT")
    soundfile.write(folder / "camera.wav", field[:1000, :2], rate)
    (folder / "notes.txt").write_text("tea at four", encoding="utf-8")
    (folder / "._hidden.wav").write_bytes(b"")
    return folder, run_day(folder, rig_for=lambda _clip: Rig())


@pytest.mark.slow
def test_files_of_a_day(day):
    folder, _ = day
    clips, takes = files_of_day(folder)
    assert [path.name for path in clips] == ["a-plain.mov", "b-marked.mov", "c-broken.mp4"]
    assert [path.name for path in takes] == [
        "a-plain-take.wav", "b-marked-take.wav", "camera.wav", "nan.wav", "spare-take.wav",
    ]  # fmt: skip


@pytest.mark.slow
def test_each_clip_finds_its_take(day):
    _, result = day
    for name in ("a-plain", "b-marked"):
        entry = only(result.clips, f"{name}.mov")
        assert entry.sync.estimate.matched
        assert entry.sync.take.path.name == f"{name}-take.wav"
        assert entry.sync.estimate.law.offset_s == pytest.approx(2.0, abs=0.5e-3)


@pytest.mark.slow
def test_what_is_wrong_with_a_take_is_said_of_its_clip(day):
    """A clip may have its take, in step and in place, and a hole in it all the same."""
    _, result = day
    (hole,) = [finding for finding in only(result.clips, "a-plain.mov").findings if finding.code == "dropout"]
    assert (hole.severity, hole.where) == (Severity.FIX, "a-plain-take.wav")
    assert "at 4.00 s" in hole.message
    assert hole.clip_time_s == pytest.approx(HOLE_TAKE_S - 2.0, abs=2e-3)
    assert not says(only(result.clips, "b-marked.mov").findings, "dropout")


@pytest.mark.slow
def test_a_take_of_several_clips_is_looked_through_once(day, monkeypatch):
    _, result = day
    sync = only(result.clips, "a-plain.mov").sync
    over_before_it = replace(sync, clip=replace(sync.clip, duration_s=HOLE_TAKE_S - 2.5))
    read = []
    real = check_many
    monkeypatch.setattr(take_health, "check_many", lambda takes, **more: read.append(takes) or real(takes, **more))
    long, short = take_health.health_on_clips([sync, over_before_it])
    assert [[take.path.name for take in takes] for takes in read] == [["a-plain-take.wav"]]
    assert [len(says(findings, "dropout")) for findings in (long, short)] == [1, 0]


@pytest.mark.slow
def test_a_clip_without_marks_is_said_to_be_so(day):
    _, result = day
    entry = only(result.clips, "a-plain.mov")
    assert entry.conform is None
    ((severity, message),) = says(entry.findings, "undetermined")
    assert severity is Severity.LOOK
    assert message == (
        "a-plain.mov has no marks, so how the microphone sat is not known: make marks by clicks in its "
        "review page (--pages), and save them beside it as a-plain.marks.csv"
    )


@pytest.mark.slow
def test_a_clip_whose_marks_tell_too_little_keeps_its_take(day):
    """One mark cannot tell yaw, pitch and roll: no track, but the take is known and not called unused."""
    folder, result = day
    entry = only(result.clips, "b-marked.mov")
    assert entry.conform is None
    assert entry.sync.take.path.name == "b-marked-take.wav"
    ((severity, message),) = says(entry.findings, "not_done")
    assert severity is Severity.FIX
    assert "these marks cannot tell the" in message
    assert not (folder / "tracks").exists()


@pytest.mark.slow
def test_a_broken_clip_does_not_stop_the_day(day):
    _, result = day
    entry = only(result.clips, "c-broken.mp4")
    assert (entry.sync, entry.conform) == (None, None)
    ((severity, message),) = says(entry.findings, "unusable_file")
    assert severity is Severity.FIX
    assert "c-broken.mp4" in message


@pytest.mark.slow
def test_a_broken_take_does_not_stop_the_day(day):
    """NaN that only shows on listening."""
    _, result = day
    ((severity, message),) = [(f.severity, f.message) for f in result.findings if f.where == "nan.wav"]
    assert severity is Severity.FIX
    assert "nan.wav" in message


@pytest.mark.slow
def test_a_stereo_file_is_no_take_and_belongs_nowhere(day):
    _, result = day
    assert [(f.code, f.severity, f.message) for f in result.findings if f.where == "camera.wav"] == [
        (
            "other_recording",
            Severity.NOTE,
            "camera.wav is no ambisonic take (2 channels), and it belongs to none of the clips",
        )
    ]


@pytest.mark.slow
def test_takes_nobody_needs_are_listed(day):
    _, result = day
    assert [path.name for path in result.unused_takes] == ["camera.wav", "nan.wav", "spare-take.wav"]
    assert says(result.findings, "unused_take") == [(Severity.NOTE, "spare-take.wav belongs to none of the clips")]


@pytest.mark.slow
def test_a_day_of_broken_takes_is_an_error(tmp_path, day):
    folder, _ = day
    shutil.copy(folder / "a-plain.mov", tmp_path)
    shutil.copy(folder / "nan.wav", tmp_path)
    with pytest.raises(MediaFileError, match=r"^nan\.wav holds a value that is no sample"):
        run_day(tmp_path, rig_for=lambda _clip: Rig())


@pytest.mark.parametrize(
    ("names", "said"),
    [([], "holds no clips"), (["a.mp4"], "holds no takes"), (["a.wav"], "holds no clips")],
)
def test_a_folder_with_nothing_to_do(tmp_path, names, said):
    for name in names:
        (tmp_path / name).touch()
    with pytest.raises(MediaFileError, match=said):
        files_of_day(tmp_path)


def test_no_folder(tmp_path):
    with pytest.raises(MediaFileError, match="is not a folder"):
        files_of_day(tmp_path / "none")


@pytest.fixture
def demo(demo_done):
    """Folder and result of the demo, made from a working directory of its own in a folder named by a relative path."""
    return demo_done.home / "shoot", demo_done.result


@pytest.mark.slow
def test_the_demo_finds_what_is_true(demo):
    _, result = demo
    assert len(result.truth) == len(result.day.clips) == 2
    for truth in result.truth:
        conformed = only(result.day.clips, truth.clip).conform
        assert conformed.sync.take.path.name == truth.take
        assert conformed.law.offset_s == pytest.approx(truth.offset_s, abs=0.5e-3)
        assert np.degrees(truth.mount_error_rad(conformed.mount)) < 3.0
        assert {check.verdict for _, check in conformed.proof.marks} == {Verdict.IN_PLACE}
        for heard, check in conformed.proof.marks:
            assert np.degrees(truth.direction_error_rad(heard.mark.who, check.measured)) < 5.0  # a verdict's own limit
    assert result.day.unused_takes == ()


@pytest.mark.slow
def test_the_demo_leaves_its_tracks_in_its_folder(demo, demo_done):
    folder, result = demo
    assert demo_done.tracks == {"lantern.wav", "lantern.json", "slipway.wav", "slipway.json"}
    assert len(result.directions) == 2
    facts = json.loads((folder / "tracks" / "slipway.json").read_text(encoding="utf-8"))
    assert facts["clip"]["frame_rate"] == "30000/1001"
    assert facts["output"]["samples"] == 792_792  # 495 * 1601.6
    assert set(facts["proof"]["mic_offset_shown_m"]) == {"forward", "left", "up"}


@pytest.mark.slow
def test_what_the_proofs_cannot_see_is_said_of_the_day_once_for_each_rig(demo):
    """The demo's two clips have two rigs."""
    _, result = demo
    unseen = [any(entry.conform.proof.sight.unseen) for entry in result.day.clips]
    said = [finding for finding in result.day.findings if "would not show it" in finding.message]
    assert len(said) == sum(unseen)
    for entry in result.day.clips:
        assert not any("would not show it" in finding.message for finding in entry.findings)


@pytest.mark.slow
def test_the_demo_makes_its_pages_where_asked(demo):
    folder, result = demo
    assert [entry.page.parent.name for entry in result.day.clips] == ["lantern", "slipway"]
    assert result.day.pages.name == "index.html"
    for entry in result.day.clips:
        page = (folder.parent / entry.page).read_text(encoding="utf-8")
        # How the microphone sat is what the track was turned by, not found anew.
        faced = f"it faced {abs(np.degrees(entry.conform.mount_angles.yaw_rad)):.1f}°"
        assert faced in page
        assert (folder.parent / entry.page).with_name("movie.mp4").is_file()


@pytest.mark.slow
def test_the_demo_twice_needs_force(demo):
    folder, _ = demo
    spoilt = folder / "lantern.marks.csv"
    spoilt.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="exists already; name another folder, or add --force"):
        run_demo(folder)
    with pytest.raises(OutputError, match="is not as the demo lays it out, so it is not replaced even with --force"):
        lay_out(folder, force=True)
    assert spoilt.read_text(encoding="utf-8") == "mine"
    spoilt.unlink()
    lay_out(folder, force=True)
    assert spoilt.read_text(encoding="utf-8").startswith("who,")


def test_nothing_is_laid_out_where_one_file_is_in_the_way(tmp_path):
    """The last file of the shoot is there: none of the others may be copied."""
    (tmp_path / "truth.json").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"truth\.json exists already"):
        lay_out(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["truth.json"]


def test_the_truth_is_read_as_it_stands(tmp_path):
    lay_out(tmp_path)
    lantern, slipway = read_truth(tmp_path / "truth.json")
    assert (lantern.clip, lantern.take, lantern.drift_ppm) == ("lantern.mp4", "rec-0041.flac", 11.0)
    assert slipway.rig == Rig((0.03, 0.0, -0.3), "equirect180-sbs")
    assert np.degrees(slipway.mount.roll_rad) == pytest.approx(176.0)
    assert set(slipway.heard_from) == {"Juno", "Odile", "Perrin", "Tamsin"}
    # Perrin, 1.3 m off and 20 degrees down, is heard only 6.9 degrees down from 30 cm below the lens.
    assert np.degrees(np.arcsin(slipway.heard_from["Perrin"][2])) == pytest.approx(-6.8966, abs=1e-3)


@pytest.mark.slow
def test_tracks_that_we_wrote_are_no_takes_of_the_day(tmp_path):
    air = shoot_open_air(tmp_path)
    conform_clip(air.clip, [air.take], tmp_path / "done.wav", TrackRequest(mount=YawPitchRoll(0.0, 0.0, 0.0)))
    clips, takes = files_of_day(tmp_path)
    assert (clips, takes) == ([air.clip], [air.take])


@pytest.mark.slow
def test_a_day_done_twice_leaves_its_tracks_and_says_so(tmp_path):
    air = shoot_open_air(tmp_path)
    (tmp_path / "clip.marks.csv").write_text(MARKS + "Odile,0.5,5,35,10,2\n", encoding="utf-8")
    (tmp_path / "tracks").mkdir()
    (tmp_path / "tracks" / "clip.wav").write_bytes(b"mine")
    entry = only(run_day(tmp_path, rig_for=lambda _clip: Rig()).clips, "clip.mov")
    assert entry.sync.take.path == air.take
    assert (tmp_path / "tracks" / "clip.wav").read_bytes() == b"mine"
    assert says(entry.findings, "already_there") == [
        (
            Severity.LOOK,
            "tracks/clip.wav was there before and has been left as it is: add --force to make it anew, or move it "
            "elsewhere if somebody has changed it",
        )
    ]


@pytest.mark.slow
def test_clips_that_differ_in_their_suffix_do_not_share_a_track(tmp_path):
    shoot_open_air(tmp_path)
    shutil.copy(tmp_path / "clip.mov", tmp_path / "clip.mp4")
    (tmp_path / "clip.marks.csv").write_text(MARKS + "Odile,0.5,5,35,10,2\n", encoding="utf-8")
    rig, prior = Rig((0.02, 0.0, 0.0)), MountPrior(hanging=Hanging.UPRIGHT)
    result = run_day(tmp_path, rig_for=lambda _clip: rig, prior=prior)
    done = result.clips
    # One place of the microphone was taken for both, which is said once, of the day.
    assert sum("is taken for all 2 clips" in message for _, message in says(result.findings, "mic_offset")) == 1
    assert [entry.conform.output.name for entry in done] == ["clip.mov.wav", "clip.mp4.wav"]
    assert sorted(path.name for path in (tmp_path / "tracks").iterdir()) == [
        "clip.mov.json", "clip.mov.wav", "clip.mp4.json", "clip.mp4.wav",
    ]  # fmt: skip


@pytest.mark.slow
def test_the_clocks_of_all_clips_are_weighed_together(day, monkeypatch, tmp_path):
    """Every clip that was matched, in order, is asked about; what comes back is what is conformed and told."""
    folder, _ = day
    for name in ("a-plain.mov", "a-plain-take.wav", "c-broken.mp4", "b-marked.mov", "b-marked-take.wav"):
        shutil.copy(folder / name, tmp_path)
    asked = []

    def settled(results):
        asked.extend(result.clip.path.name for result in results)
        return [replace(result, possibilities=()) for result in results]

    monkeypatch.setattr("spatial.jobs.day.day_folder.settle_by_clocks", settled)
    result = run_day(tmp_path, rig_for=lambda _clip: Rig())
    assert asked == ["a-plain.mov", "b-marked.mov"]
    assert [entry.sync and entry.sync.possibilities for entry in result.clips] == [(), (), None]
