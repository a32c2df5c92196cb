"""Results are whole or absent, inputs are never touched, and the track is what a second reader says it is."""

import errno
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo

from spatial.conventions import FloatArray
from spatial.errors import InputError, OutputError
from spatial.media.output import TrackWriter, whole_file, write_text_whole
from spatial.media.ownership import TABLE_HEAD, Kind
from spatial.media.takes.take import open_take, read_field

STEP = 2.0**-23  # of 24 bits
OLDER = ",".join(TABLE_HEAD) + "\n"
"""The least that is a result of ours."""


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# --- whole or not at all ------------------------------------------------------------------------------------


def test_the_file_appears_when_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    with whole_file(path) as temporary:
        assert (temporary.name, temporary.suffix) == ("out.csv", ".csv")
        assert temporary.parent.stat().st_dev == tmp_path.stat().st_dev  # or it could not move in one step
        temporary.write_text("half")
        assert not path.exists()
    assert path.read_text() == "half"
    assert names(tmp_path) == ["out.csv"]


def test_the_usual_permissions(tmp_path: Path) -> None:
    was = os.umask(0o027)
    try:
        write_text_whole(tmp_path / "out.txt", "x")
    finally:
        os.umask(was)
    assert (tmp_path / "out.txt").stat().st_mode & 0o777 == 0o640


class Trouble(Exception):
    pass


@pytest.mark.parametrize("error", [Trouble(), KeyboardInterrupt(), SystemExit(3), InputError("bad"), OSError(5, "x")])
@pytest.mark.parametrize("before", [None, OLDER])
def test_nothing_is_left_of_a_failure(tmp_path: Path, error: BaseException, before: str | None) -> None:
    path = tmp_path / "out.csv"
    if before is not None:
        path.write_text(before)

    def fail() -> None:
        with whole_file(path, Kind.TABLE, force=True) as temporary:
            temporary.write_text("half")
            raise error

    with pytest.raises(type(error)) as caught:
        fail()
    assert caught.value is error
    assert names(tmp_path) == ([] if before is None else ["out.csv"])
    assert before is None or path.read_text() == before


@pytest.mark.usefixtures("stoppable")
def test_ctrl_c_for_real(tmp_path: Path) -> None:
    def interrupted() -> None:
        with whole_file(tmp_path / "out.wav") as temporary, TrackWriter(temporary) as track:
            track.write(np.zeros((4, 100)))
            os.kill(os.getpid(), signal.SIGINT)
            track.write(np.zeros((4, 100)))

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert names(tmp_path) == []


def test_a_run_that_is_killed_leaves_no_result(tmp_path: Path) -> None:
    script = (
        "import sys, os, signal\nfrom pathlib import Path\nfrom spatial.media.output import whole_file\n"
        "with whole_file(Path(sys.argv[1])) as temporary:\n"
        "    temporary.write_text('half')\n    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path / "out.csv")], check=False)
    assert done.returncode == -signal.SIGKILL
    assert not (tmp_path / "out.csv").exists()
    assert [path for path in tmp_path.glob("*") if not path.name.startswith(".soundplumb-")] == []
    write_text_whole(tmp_path / "out.csv", "whole")  # and the next run works


# --- older results ------------------------------------------------------------------------------------------


def test_an_older_file_needs_force(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text(OLDER)
    with pytest.raises(OutputError, match=r"out\.csv exists already; .* add --force"):
        write_text_whole(path, "newer", Kind.TABLE)
    assert path.read_text() == OLDER
    write_text_whole(path, "newer", Kind.TABLE, force=True)
    assert path.read_text() == "newer"
    assert names(tmp_path) == ["out.csv"]


@pytest.fixture(params=["links", "no links"])
def _either_disk(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory cards know no hard links."""

    def refuse(self: Path, target: Path) -> None:
        raise OSError(errno.EPERM, "Operation not permitted", str(self), None, str(target))

    if request.param == "no links":
        monkeypatch.setattr(Path, "hardlink_to", refuse)


@pytest.mark.usefixtures("_either_disk")
def test_a_file_that_appears_meanwhile_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"

    def overtaken() -> None:
        with whole_file(path) as temporary:
            temporary.write_text("ours")
            path.write_text("theirs")

    with pytest.raises(OutputError, match=r"out\.csv has appeared while"):
        overtaken()
    assert path.read_text() == "theirs"
    assert names(tmp_path) == ["out.csv"]


@pytest.mark.usefixtures("_either_disk")
@pytest.mark.parametrize("force", [False, True])
def test_any_disk_will_do(tmp_path: Path, force: bool) -> None:
    write_text_whole(tmp_path / "out.csv", "ours", force=force)
    assert (tmp_path / "out.csv").read_text() == "ours"
    assert names(tmp_path) == ["out.csv"]


@pytest.mark.parametrize("name", ["out", "dangling"])
@pytest.mark.parametrize("force", [False, True])
def test_a_link_is_somebodys_and_stays(tmp_path: Path, name: str, force: bool) -> None:
    (tmp_path / "target").write_text(OLDER)
    (tmp_path / "out").symlink_to(tmp_path / "target")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="is a link, and is left as it is"):
        write_text_whole(tmp_path / name, "newer", Kind.TABLE, force=force)
    assert (tmp_path / name).is_symlink()
    assert (tmp_path / "target").read_text() == OLDER
    assert not (tmp_path / "nowhere").exists()


# --- inputs -------------------------------------------------------------------------------------------------


def same(source: Path) -> Path:
    return source


def roundabout(source: Path) -> Path:
    return source.parent / ".." / source.parent.name / source.name


def soft(source: Path) -> Path:
    (source.parent / "soft").symlink_to(source)
    return source.parent / "soft"


def hard(source: Path) -> Path:
    (source.parent / "hard").hardlink_to(source)
    return source.parent / "hard"


def other_case(source: Path) -> Path:
    return source.with_name("TAKE.wav")


@pytest.mark.parametrize("alias", [same, roundabout, soft, hard, other_case])
@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("swap", [False, True])
def test_never_over_an_input(tmp_path: Path, alias: Callable[[Path], Path], force: bool, swap: bool) -> None:
    source = tmp_path / "take.wav"
    source.write_text("precious")
    path, listed = (source, alias(source)) if swap else (alias(source), source)
    with pytest.raises(OutputError, match=r"is one of the files to be read.*; give the result another name"):
        write_text_whole(path, "over", force=force, inputs=[tmp_path / "gone.wav", listed])
    assert source.read_text() == "precious"


# --- where nothing can be written ---------------------------------------------------------------------------


def test_folders_and_pipes_are_no_results(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="is a folder; name a file in it"):
        write_text_whole(tmp_path, "x", force=True)
    os.mkfifo(tmp_path / "pipe")  # stands for devices too, which a failing test run by root would destroy
    with pytest.raises(OutputError, match="pipe is not a file that can be replaced"):
        write_text_whole(tmp_path / "pipe", "x", force=True)
    assert (tmp_path / "pipe").is_fifo()


def test_a_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"there is no folder .*gone to write out\.csv to; make it"):
        write_text_whole(tmp_path / "gone" / "out.csv", "x")
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match=r"file is not a folder, so out\.csv cannot be written to it"):
        write_text_whole(tmp_path / "file" / "out.csv", "x")
    with pytest.raises(OutputError, match="there is no folder"), TrackWriter(tmp_path / "gone" / "out.wav"):
        pass


@contextmanager
def ordinary_user() -> Iterator[None]:
    """Root may write everywhere, so it steps aside."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(was)


def test_a_read_only_folder(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir(mode=0o555)
    with ordinary_user(), pytest.raises(OutputError, match=r"out\.csv may not be written to the folder .*card"):
        write_text_whole(folder / "out.csv", "x")
    assert names(folder) == []


def test_a_name_that_is_too_long(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="could not be written"):
        write_text_whole(tmp_path / ("x" * 300), "x")


@contextmanager
def room_for(room_bytes: int) -> Iterator[None]:
    """Let no file grow beyond a size: how a disk that fills up looks from inside."""
    soft_limit, hard_limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, hard_limit))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft_limit, hard_limit))


@pytest.mark.parametrize("room_bytes", [0, 50, 5_000, 1_000_000])
def test_a_disk_that_fills_up(tmp_path: Path, rng: np.random.Generator, room_bytes: int) -> None:
    block = rng.uniform(-1, 1, (4, 10_000))

    def write_all() -> None:
        with whole_file(tmp_path / "out.wav") as temporary, TrackWriter(temporary) as track:
            for _ in range(20):
                track.write(block)

    words = r"there is no room left on the disk for out\.wav; free some"
    with pytest.raises(OutputError, match=words), room_for(room_bytes):
        write_all()
    assert names(tmp_path) == []
    with pytest.raises(OutputError, match=r"no room left on the disk for out\.csv"), room_for(room_bytes):
        write_text_whole(tmp_path / "out.csv", "x" * 2_000_000)
    assert names(tmp_path) == []


@pytest.mark.parametrize("samples", [10, 100_000])
def test_a_full_device(samples: int) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no device that is always full")
    with pytest.raises(OutputError, match="there is no room left on the disk for full"), TrackWriter(full) as track:
        track.write(np.zeros((4, samples)))


def test_file_names_that_are_no_text(tmp_path: Path) -> None:
    write_text_whole(tmp_path / "out.json", '{"path": "take\udce9.wav", "who": "Åse"}\n')
    assert (tmp_path / "out.json").read_bytes() == '{"path": "take\\udce9.wav", "who": "Åse"}\n'.encode()


# --- the track ----------------------------------------------------------------------------------------------


def write_track(path: Path, *blocks: FloatArray) -> TrackWriter:
    with TrackWriter(path) as track:
        for block in blocks:
            track.write(block)
    return track


def test_a_second_reader_agrees(tmp_path: Path, rng: np.random.Generator) -> None:
    """As wavinfo and libsndfile, which share no code with us, read it."""
    blocks = [rng.uniform(-0.99, 0.99, (4, length)) for length in (4_096, 0, 1, 7_777)]
    track = write_track(tmp_path / "track.wav", *blocks)
    sound = np.concatenate(blocks, axis=1)
    assert (track.samples, track.clipped) == (11_874, 0)
    assert track.peak == np.max(np.abs(sound))
    second = wavinfo.WavInfoReader(str(tmp_path / "track.wav"))
    assert (second.fmt.channel_count, second.fmt.sample_rate, second.fmt.bits_per_sample) == (4, 48_000, 24)
    assert second.data.frame_count == 11_874
    third = soundfile.info(tmp_path / "track.wav")
    assert (third.channels, third.samplerate, third.subtype, third.frames) == (4, 48_000, "PCM_24", 11_874)
    read, _ = soundfile.read(tmp_path / "track.wav")
    assert np.max(np.abs(read.T - sound)) <= STEP / 2 * (1 + 1e-9)  # rounding to the nearest step
    take = open_take(tmp_path / "track.wav")
    assert (take.container, take.samples) == ("WAV", 11_874)
    np.testing.assert_allclose(read_field(take, 0, take.samples), read.T, rtol=0, atol=2.0**-24, equal_nan=False)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize(
    ("value", "steps", "clipped"),
    [
        (0.0, 0, 0),
        (0.5, 1 << 22, 0),
        (STEP, 1, 0),
        (-STEP, -1, 0),
        (0.4 * STEP, 0, 0),
        (0.6 * STEP, 1, 0),
        (-0.6 * STEP, -1, 0),
        (1 - STEP, (1 << 23) - 1, 0),
        (1.0, (1 << 23) - 1, 0),  # the highest step there is
        (-1.0, -(1 << 23), 0),
        (1.001, (1 << 23) - 1, 1),
        (-1.001, -(1 << 23), 1),
        (3.0, (1 << 23) - 1, 1),
        (-1e30, -(1 << 23), 1),
    ],
)
def test_rounding_and_full_scale(
    tmp_path: Path, dtype: type[np.floating], value: float, steps: int, clipped: int
) -> None:
    block = np.zeros((4, 3), dtype=dtype)
    block[2, 1] = value
    track = write_track(tmp_path / "track.wav", block)
    written, _ = soundfile.read(tmp_path / "track.wav", dtype="int32")
    expected = np.zeros((3, 4), dtype=int)
    expected[1, 2] = steps
    assert np.array_equal(written >> 8, expected)
    assert track.clipped == clipped
    assert track.peak == pytest.approx(abs(value))
    assert block[2, 1] == dtype(value)  # the caller's block is left alone


def test_clipping_is_counted_over_all_blocks_and_channels(tmp_path: Path) -> None:
    block = np.array([[0.5, 1.5, -1.5], [0, 0, 0], [2, 0, 0], [0, 0, 0.1]])
    track = write_track(tmp_path / "track.wav", block, block / 2, block)
    assert (track.samples, track.clipped, track.peak) == (9, 6, 2.0)


@pytest.mark.parametrize("shape", [(3, 10), (10, 4), (4,), (1, 4, 10)])
def test_only_fields_are_tracks(tmp_path: Path, shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match=r"shape \(4, samples\)"):
        write_track(tmp_path / "track.wav", np.zeros(shape))


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_track_holds_numbers(tmp_path: Path, value: float) -> None:
    block = np.zeros((4, 10))
    block[1, 5] = value
    with pytest.raises(InputError, match=r"near 1\.000 s of the track is not a finite number"):
        write_track(tmp_path / "track.wav", np.zeros((4, 48_000)), block)


def test_an_empty_track(tmp_path: Path) -> None:
    track = write_track(tmp_path / "track.wav")
    assert (track.samples, track.peak, track.clipped) == (0, 0.0, 0)
    assert soundfile.info(tmp_path / "track.wav").frames == 0


def test_a_track_beyond_four_gigabytes(tmp_path: Path) -> None:
    """The samples are counted as written, without writing them: the header must turn BW64 by itself."""
    samples = 400_000_000
    path = tmp_path / "track.wav"
    with TrackWriter(path) as track:
        track.write(np.full((4, 10), 0.5))
        track.samples = samples
    os.truncate(path, path.stat().st_size + 12 * (samples - 10))
    take = open_take(path)
    assert (take.container, take.samples) == ("BW64", samples)
    assert read_field(take, 9, 11)[0].tolist() == [0.5, 0.0]
    # wavinfo knows RF64 alone, which differs from BW64 in its first four bytes.
    with path.open("rb+") as file:
        assert file.read(4) == b"BW64"
        file.seek(0)
        file.write(b"RF64")
    second = wavinfo.WavInfoReader(str(path))
    assert second.data.frame_count == samples


def test_a_track_says_what_its_channels_are_and_when_it_began(tmp_path: Path) -> None:
    """ITU-R BS.2094 common definitions, and samples since midnight, as wavinfo reads them."""
    path = tmp_path / "track.wav"
    with TrackWriter(path, start_of_day_s=36_036.0) as track:
        track.write(np.full((4, 10), 0.5))
    second = wavinfo.WavInfoReader(str(path))
    assert second.bext.time_reference == 1_729_728_000  # 10:00:00:00 at 24000/1001, SMPTE ST 12-1
    assert [tuple(entry) for entry in second.adm.channel_uids] == [
        (n, f"ATU_0000000{n + 1}", f"AT_0004000{n + 1}_01", "AP_00040001") for n in range(4)
    ]
    (content,) = second.adm.programme()["contents"]
    (scene,) = content["objects"]
    assert (scene["pack_id"], scene["track_uids"]) == ("AP_00040001", [f"ATU_0000000{n}" for n in range(1, 5)])
    assert open_take(path).start_of_day_s == 36_036.0


@pytest.mark.parametrize(("start_s", "written_s"), [(86_400.5, 0.5), (-1.0, 86_399.0), (None, None)])
def test_the_time_of_day_wraps_and_may_be_unknown(
    tmp_path: Path, start_s: float | None, written_s: float | None
) -> None:
    path = tmp_path / "track.wav"
    with TrackWriter(path, start_of_day_s=start_s) as track:
        track.write(np.zeros((4, 10)))
    bext = wavinfo.WavInfoReader(str(path)).bext
    assert (bext and bext.time_reference / 48_000) == written_s


def test_a_track_that_was_never_finished_says_so(tmp_path: Path) -> None:
    def stopped() -> None:
        with TrackWriter(tmp_path / "track.wav") as track:
            track.write(np.zeros((4, 96_000)))
            raise Trouble

    with pytest.raises(Trouble):
        stopped()
    take = open_take(tmp_path / "track.wav")
    assert take.duration_s == 2.0
    assert "was never finished" in take.findings[0].message
    assert "2.00 s of sound that follow are used" in take.findings[0].message
