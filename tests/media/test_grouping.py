"""Takes among files: channels in files of their own, pairs, splits, and files that have nothing in common."""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from spatial.capsules import Capsules
from spatial.conventions import FloatArray
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.media.takes.grouping import gather_takes
from spatial.media.takes.take import FieldReader, field_blocks, open_take, read_field
from tests.media.test_metadata_bext import bext, chunk

RATE = 48_000
AMBIX = ChannelFormat.AMBIX


@pytest.fixture
def noise(rng: np.random.Generator) -> FloatArray:
    return rng.uniform(-0.9, 0.9, (4, 9_000))


def write(path: Path, channels: FloatArray, *, count: int | None = None, **options: str) -> Path:
    soundfile.write(path, np.atleast_2d(channels).T, RATE, **{"subtype": "PCM_24", **options})
    if count is not None:
        data, head = path.read_bytes(), chunk(b"bext", bext(count))
        path.write_bytes(data[:4] + (len(data) - 8 + len(head)).to_bytes(4, "little") + b"WAVE" + head + data[12:])
    return path


def four(folder: Path, sound: FloatArray, names: tuple[str, ...], **options: object) -> list[Path]:
    return [write(folder / f"{name}.wav", channel, **options) for name, channel in zip(names, sound, strict=True)]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "names",
    [
        ("T01_1", "T01_2", "T01_3", "T01_4"),
        ("T01-tr5", "T01-tr6", "T01-tr7", "T01-tr8"),
        ("9.take", "10.take", "11.take", "12.take"),
        ("T01 A", "T01 B", "T01 C", "T01 D"),
        ("a_FLU", "a_FRD", "a_BLD", "a_BRU"),
        ("one", "other", "quite", "else"),  # nothing but the order they are named in
    ],
)
def test_four_files_of_one_channel(tmp_path: Path, noise: FloatArray, names: tuple[str, ...]) -> None:
    paths = four(tmp_path, noise, names)
    (take,) = gather_takes(paths, channel_format=AMBIX).takes
    assert (take.channels, take.samples, take.left_out_channels) == (4, 9_000, 0)
    assert set(take.paths) == set(paths)
    with FieldReader(take) as reader:
        raw = reader.read_raw(100, 200)
    expected = noise if names[0] != "a_FLU" else noise[[2, 3, 0, 1]]  # in alphabetical order: BLD, BRU, FLU, FRD
    np.testing.assert_allclose(raw, expected[:, 100:200], rtol=0, atol=2.0**-23, equal_nan=False)
    assert bool(take.findings) == (names[0] == "one")


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_any_order_of_naming(tmp_path: Path, noise: FloatArray, order: tuple[int, ...]) -> None:
    paths = four(tmp_path, noise, ("x1", "x2", "x3", "x4"))
    (take,) = gather_takes([paths[place] for place in order], channel_format=AMBIX).takes
    assert [path.stem for path in take.paths] == ["x1", "x2", "x3", "x4"]


def test_names_say_which_channel_is_which(tmp_path: Path, noise: FloatArray) -> None:
    (take,) = gather_takes(four(tmp_path, noise, ("T_W", "T_X", "T_Y", "T_Z")), channel_format=AMBIX).takes
    assert take.declared is not None
    assert (take.declared.by, take.declared.acn) == ("the names of its files", (0, 2, 3, 1))
    folder = tmp_path / "capsules"
    folder.mkdir()
    (take,) = gather_takes(four(folder, noise, ("FLU", "FRD", "BLD", "BRU")), channel_format=Capsules()).takes
    assert take.declared is not None
    assert take.declared.capsules == (("FLU", 2), ("FRD", 3), ("BLD", 0), ("BRU", 1))


@pytest.mark.parametrize("names", [("T_1", "T_2"), ("T_12", "T_34"), ("T_A", "T_B")])
def test_stereo_pairs(tmp_path: Path, noise: FloatArray, names: tuple[str, str]) -> None:
    paths = [write(tmp_path / f"{name}.wav", noise[2 * n : 2 * n + 2]) for n, name in enumerate(names)]
    (take,) = gather_takes(paths[::-1], channel_format=AMBIX).takes
    np.testing.assert_allclose(read_field(take, 0, 9_000), noise, rtol=0, atol=2.0**-23, equal_nan=False)


def test_several_takes_at_once(tmp_path: Path, rng: np.random.Generator) -> None:
    """Two takes in four files each, one in one file, and the camera's stereo."""
    sounds = [rng.uniform(-0.5, 0.5, (4, length)) for length in (7_000, 20_000)]
    paths = [
        path
        for n, sound in enumerate(sounds)
        for path in four(tmp_path, sound, tuple(f"T0{n + 1}_{channel}" for channel in range(1, 5)))
    ]
    whole = write(tmp_path / "whole.wav", sounds[0])
    camera = write(tmp_path / "camera.wav", sounds[0][:2])
    gathered = gather_takes([*paths[::-1], camera, whole], channel_format=AMBIX)
    assert [(take.path.stem, take.samples) for take in gathered.takes] == [
        ("T02_1", 20_000),
        ("T01_1", 7_000),
        ("whole", 7_000),
    ]
    ((path, error),) = gathered.failures
    assert path == camera
    assert "needs 4 channels; camera.wav has 2" in str(error)
    assert "all the files that hold its channels" in str(error)


@pytest.mark.parametrize("difference", ["length", "time", "coding", "missing"])
def test_files_that_do_not_belong_together(tmp_path: Path, noise: FloatArray, difference: str) -> None:
    names = ("a", "bb", "ccc", "dddd")
    paths = four(tmp_path, noise, names, count=480_001)
    if difference == "length":
        write(paths[3], noise[3, :4_000], count=480_001)
    if difference == "time":
        write(paths[3], noise[3], count=480_002)
    if difference == "coding":
        write(paths[3], noise[3], count=480_001, subtype="PCM_16")
    if difference == "missing":
        paths = paths[:3]
    gathered = gather_takes(paths, channel_format=AMBIX)
    assert gathered.takes == ()
    assert [path for path, _ in gathered.failures] == paths
    assert all("needs 4 channels" in str(error) for _, error in gathered.failures)


def test_files_closed_one_after_the_other(tmp_path: Path, noise: FloatArray) -> None:
    paths = four(tmp_path, noise, ("T_1", "T_2", "T_3", "T_4"))
    write(paths[1], noise[1, :-100])
    (take,) = gather_takes(paths, channel_format=AMBIX).takes
    assert take.samples == 8_900
    (finding,) = take.findings
    assert (finding.code, finding.severity) == ("wrong_length", Severity.LOOK)


def test_four_files_split_in_time(tmp_path: Path, noise: FloatArray) -> None:
    paths = []
    for n, (start, stop) in enumerate([(0, 4_000), (4_000, 9_000)]):
        names = tuple(f"S{n}_{channel}" for channel in range(1, 5))
        paths += four(tmp_path, noise[:, start:stop], names, count=480_000 + start)
    (take,) = gather_takes(paths, channel_format=AMBIX).takes
    assert [len(part.paths) for part in take.parts] == [4, 4]
    np.testing.assert_allclose(
        np.concatenate(list(field_blocks(take, block_samples=999)), axis=1),
        noise,
        rtol=0,
        atol=2.0**-23,
        equal_nan=False,
    )


def test_nine_files_are_a_field_of_second_order(tmp_path: Path, rng: np.random.Generator) -> None:
    sound = rng.uniform(-0.5, 0.5, (9, 500))
    (take,) = gather_takes(four(tmp_path, sound, tuple(f"h{n}" for n in range(1, 10))), channel_format=AMBIX).takes
    assert (take.channels, take.left_out_channels) == (9, 5)
    np.testing.assert_allclose(read_field(take, 0, 500), sound[:4], rtol=0, atol=2.0**-23, equal_nan=False)


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path, noise: FloatArray) -> None:
    good, bad = write(tmp_path / "good.wav", noise), tmp_path / "bad.wav"
    bad.write_bytes(b"nothing")
    gathered = gather_takes([bad, good], channel_format=AMBIX)
    assert [take.path for take in gathered.takes] == [good]
    assert [path for path, _ in gathered.failures] == [bad]
    assert "bad.wav is not a WAV" in str(gathered.failures[0][1])


# --- capsules through the reader ----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("corrected", [False, True])
@pytest.mark.parametrize("block", [100, 777, 9_000])
def test_capsules_are_read_alike_in_blocks_of_any_length(
    tmp_path: Path, noise: FloatArray, corrected: bool, block: int
) -> None:
    take = open_take(write(tmp_path / "take.wav", noise), channel_format=Capsules(corrected=corrected))
    whole = read_field(take, 0, take.samples)
    blocks = np.concatenate(list(field_blocks(take, block_samples=block)), axis=1)
    np.testing.assert_allclose(blocks, whole, rtol=0, atol=2e-6, equal_nan=False)  # float32 sums in another order
    np.testing.assert_allclose(
        np.concatenate(list(field_blocks(take, channels=1)), axis=1), whole[:1], rtol=0, atol=2e-6, equal_nan=False
    )


def test_channels_picked_out_of_a_wider_file(tmp_path: Path, rng: np.random.Generator) -> None:
    sound = rng.uniform(-0.5, 0.5, (6, 500))
    take = open_take(write(tmp_path / "take.wav", sound), channel_format=ChannelFormat.FUMA)
    picked = replace(take, picked=(2, 5, 3, 4))
    expected = sound[[2, 3, 4, 5]] * np.array([[np.sqrt(2)], [1], [1], [1]])
    np.testing.assert_allclose(read_field(picked, 10, 20), expected[:, 10:20], rtol=0, atol=2.0**-22, equal_nan=False)
