"""Takes in several files: read as one to the sample, joined only where that is sure."""

import io
import itertools
import os
from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from spatial.conventions import FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import ChannelFormat
from spatial.findings import Severity
from spatial.media.takes import joining
from spatial.media.takes import joining as continuity
from spatial.media.takes.joining import join_takes
from spatial.media.takes.reader import Part
from spatial.media.takes.take import FieldReader, Take, field_blocks, open_take, read_field
from tests.media.test_metadata_bext import bext, chunk

RATE = 48_000
SUFFIX = {"WAV": ".wav", "RF64": ".wav", "FLAC": ".flac", "CAF": ".caf"}


@pytest.fixture
def noise(rng: np.random.Generator) -> FloatArray:
    """Five unlike channels, 10 000 samples."""
    return rng.uniform(-0.9, 0.9, (5, 10_000))


def write(
    path: Path, channels: FloatArray, *, subtype: str = "PCM_24", container: str = "WAV", head: bytes = b""
) -> Path:
    """A file; `head` are chunks put in front of the others of a WAV file."""
    soundfile.write(path, channels.T, RATE, subtype=subtype, format=container)
    if head:
        data = path.read_bytes()
        path.write_bytes(data[:4] + (len(data) - 8 + len(head)).to_bytes(4, "little") + b"WAVE" + head + data[12:])
    return path


def as_one(paths: Sequence[Path], channel_format: ChannelFormat = ChannelFormat.AMBIX) -> Take:
    takes = [open_take(path, channel_format=channel_format) for path in paths]
    parts = tuple(Part(take.path, take.samples) for take in takes)
    samples = sum(part.samples for part in parts)
    first = takes[0]
    return Take(
        *(first.path, RATE, first.channels, samples, first.container, first.subtype, channel_format), parts=parts
    )


# --- reading ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel_format", [ChannelFormat.AMBIX, ChannelFormat.FUMA])
@pytest.mark.parametrize(
    ("container", "subtype"),
    [("WAV", "PCM_U8"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("RF64", "PCM_24"), ("FLAC", "PCM_24")],
)
def test_parts_read_as_the_whole(
    tmp_path: Path, noise: FloatArray, container: str, subtype: str, channel_format: ChannelFormat
) -> None:
    """Five channels of three bytes and odd lengths: the sound of each part has an odd number of bytes."""
    suffix = SUFFIX[container]
    whole = open_take(
        write(tmp_path / f"whole{suffix}", noise, subtype=subtype, container=container), channel_format=channel_format
    )
    cuts = [0, 3_333, 3_334, 6_001, 10_000]
    paths = [
        write(tmp_path / f"{start}{suffix}", noise[:, start:stop], subtype=subtype, container=container)
        for start, stop in itertools.pairwise(cuts)
    ]
    take = as_one(paths, channel_format)
    assert (take.samples, take.duration_s, take.paths) == (10_000, 10_000 / RATE, tuple(paths))
    expected = read_field(whole, 0, 10_000)
    assert np.array_equal(read_field(take, 0, 10_000), expected)
    for block_samples in 1_000, 3_333, 1 << 16:
        blocks = list(field_blocks(take, block_samples=block_samples))
        assert [block.shape[1] for block in blocks[:-1]] == [block_samples] * (len(blocks) - 1)
        assert np.array_equal(np.concatenate(blocks, axis=1), expected)
    spans = [(3_332, 3_335), (3_333, 3_334), (0, 3_333), (3_334, 6_001), (6_001, 6_001), (10_000, 10_000), (9, 9_999)]
    with FieldReader(take) as reader:
        for start, stop in [*spans, *reversed(spans)]:
            found = reader.read(start, stop)
            assert (found.dtype, found.shape) == (np.float32, (4, stop - start))
            assert np.array_equal(found, expected[:, start:stop])


def test_spans_end_with_the_last_part(tmp_path: Path, noise: FloatArray) -> None:
    take = as_one([write(tmp_path / f"{name}.wav", noise[:, :100]) for name in "ab"])
    assert read_field(take, 150, 200).shape == (4, 50)
    with pytest.raises(InputError, match=r"reach outside a\.wav, which has 200"):
        read_field(take, 150, 201)


def test_errors_name_the_part_and_the_place_in_it(tmp_path: Path, noise: FloatArray) -> None:
    bad = noise.copy()
    bad[2, 4_800] = np.nan
    good = write(tmp_path / "good.wav", noise, subtype="FLOAT")
    take = as_one([good, write(tmp_path / "bad.wav", bad, subtype="FLOAT")])
    with pytest.raises(MediaFileError, match=r"^bad\.wav holds a value that is no sample .* at 0\.100 s"):
        list(field_blocks(take))
    assert read_field(take, 0, 14_800).shape == (4, 14_800)
    with FieldReader(take) as reader:
        os.truncate(tmp_path / "bad.wav", 100_000)
        with pytest.raises(MediaFileError, match=r"^bad\.wav breaks off or is damaged between"):
            reader.read(15_000, 20_000)


def test_a_part_that_has_changed(tmp_path: Path, noise: FloatArray) -> None:
    take = as_one([write(tmp_path / f"{name}.wav", noise) for name in "ab"])
    write(tmp_path / "b.wav", noise[:, :-1])
    with pytest.raises(MediaFileError, match=r"^b\.wav has changed since it was opened"):
        read_field(take, 0, 1)


@pytest.mark.parametrize(
    "parts",
    [(Part(Path("b.wav"), 200),), (Part(Path("a.wav"), 199),), (Part(Path("a.wav"), 200), Part(Path("b.wav"), 1))],
)
def test_parts_that_do_not_make_the_take(parts: tuple[Part, ...]) -> None:
    with pytest.raises(InputError, match=r"the parts of a\.wav are not the 200 samples"):
        Take(Path("a.wav"), RATE, 4, 200, "WAV", "PCM_24", ChannelFormat.AMBIX, parts=parts)


def test_a_take_of_one_file_is_its_own_part() -> None:
    take = Take(Path("a.wav"), RATE, 4, 200, "WAV", "PCM_24", ChannelFormat.AMBIX)
    assert take.parts == (Part(Path("a.wav"), 200),)


# --- joining by time of day ---------------------------------------------------------------------------------

TEN = 10 * 3600 * RATE  # samples from midnight to ten o'clock
CLOCK = datetime(2026, 11, 25, 10, 0, 0)


def stamped(path: Path, channels: FloatArray, count: int, *, clock: datetime | None = None, **options: str) -> Take:
    """A take whose bext chunk says when it began, in samples since midnight; its date only if told."""
    date, time = (clock.strftime("%Y-%m-%d").encode(), clock.strftime("%H:%M:%S").encode()) if clock else (b"", b"")
    return open_take(write(path, channels, head=chunk(b"bext", bext(count, date=date, time=time)), **options))


def names(takes: Sequence[Take]) -> list[list[str]]:
    return [[path.stem for path in take.paths] for take in takes]


@pytest.mark.slow
@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_any_order_of_naming(tmp_path: Path, noise: FloatArray, order: tuple[int, ...]) -> None:
    """Three parts and one take that has nothing to do with them."""
    cuts = [0, 3_333, 6_001, 10_000]
    takes = [
        stamped(tmp_path / f"{name}.wav", noise[:, start:stop], TEN + start, clock=CLOCK)
        for name, start, stop in zip("zax", cuts, cuts[1:], strict=False)
    ]
    takes.append(stamped(tmp_path / "other.wav", noise[:, :5_000], TEN + 50_000, clock=CLOCK))
    joined = join_takes([takes[place] for place in order])
    expected = [["z", "a", "x"], ["other"]]
    assert names(joined) == (expected[::-1] if order[0] == 3 else expected)
    whole = next(take for take in joined if take.samples == 10_000)
    assert (whole.start_of_day_s, whole.origination) == (36_000.0, CLOCK)
    np.testing.assert_allclose(read_field(whole, 0, 10_000), noise[[0, 1, 2, 3]], rtol=0, atol=2.0**-23)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("late_samples", "joins"),
    [(-48_000, False), (-1_919, False), (-2, False), (0, True), (2, False), (1_919, False), (48_000, False)],
)
def test_stamps_in_noise_must_fit_to_the_sample(
    tmp_path: Path, noise: FloatArray, late_samples: int, joins: bool
) -> None:
    """Nothing can be heard at a join in white noise: a gap, or an overlap, stays one."""
    first = stamped(tmp_path / "a.wav", noise[:, :5_000], TEN)
    second = stamped(tmp_path / "b.wav", noise[:, 5_000:], TEN + 5_000 + late_samples)
    assert (len(join_takes([first, second])) == 1) == joins


def test_over_midnight(tmp_path: Path, noise: FloatArray) -> None:
    day = 24 * 3600 * RATE
    first = stamped(
        tmp_path / "a.wav", noise[:, :5_000], day - 2_000, clock=CLOCK.replace(hour=23, minute=59, second=59)
    )
    for count in 3_000, day + 3_000:  # some go on counting
        clock = CLOCK.replace(hour=0) + timedelta(days=1)
        second = stamped(tmp_path / "b.wav", noise[:, 5_000:], count, clock=clock)
        assert names(join_takes([second, first])) == [["a", "b"]]


@pytest.mark.parametrize(("days", "joins"), [(0, True), (1, False), (-1, False), (7, False)])
def test_the_same_time_of_another_day(tmp_path: Path, noise: FloatArray, days: int, joins: bool) -> None:
    first = stamped(tmp_path / "a.wav", noise[:, :5_000], TEN, clock=CLOCK)
    second = stamped(tmp_path / "b.wav", noise[:, 5_000:], TEN + 5_000, clock=CLOCK + timedelta(days=days))
    assert (len(join_takes([first, second])) == 1) == joins


@pytest.mark.parametrize("change", ["coding", "channels", "container", "format"])
def test_files_of_another_kind_do_not_continue(tmp_path: Path, noise: FloatArray, change: str) -> None:
    first = stamped(tmp_path / "a.wav", noise[:, :5_000], TEN)
    rest = noise[:4, 5_000:] if change == "channels" else noise[:, 5_000:]
    second = stamped(tmp_path / "b.wav", rest, TEN + 5_000, subtype="PCM_16" if change == "coding" else "PCM_24")
    if change == "format":
        second = open_take(second.path, channel_format=ChannelFormat.FUMA)
    if change == "container":
        second = open_take(write(tmp_path / "b.flac", rest, container="FLAC"))
    assert len(join_takes([first, second])) == 2


def test_two_that_could_continue_one_stay_apart(tmp_path: Path, noise: FloatArray) -> None:
    first = stamped(tmp_path / "a.wav", noise[:, :5_000], TEN)
    second = stamped(tmp_path / "b.wav", noise[:, 5_000:], TEN + 5_000)
    third = stamped(tmp_path / "c.wav", noise[:, 5_000:] / 2, TEN + 5_000)
    assert names(join_takes([first, second, third])) == [["a"], ["b"], ["c"]]


def test_round_the_clock_is_no_take(tmp_path: Path, noise: FloatArray) -> None:
    """Two takes of twelve hours, each of which begins where the other ends."""
    half_day = 12 * 3600 * RATE
    takes = []
    for name, start_s in ("a", 0.5), ("b", 12 * 3600 + 0.5):
        path = write(tmp_path / f"{name}.wav", noise[:, :10])
        takes.append(Take(path, RATE, 5, half_day, "WAV", "PCM_24", ChannelFormat.AMBIX, start_of_day_s=start_s))
    assert names(join_takes(takes)) == [["a"], ["b"]]


def test_a_file_named_twice_counts_once(tmp_path: Path, noise: FloatArray, monkeypatch: pytest.MonkeyPatch) -> None:
    first = stamped(tmp_path / "a.wav", noise[:, :5_000], TEN)
    second = stamped(tmp_path / "b.wav", noise[:, 5_000:], TEN + 5_000)
    monkeypatch.chdir(tmp_path)
    again = open_take("b.wav")
    assert names(join_takes([second, first, first, again])) == [["a", "b"]]


def test_joined_takes_can_be_joined_again(tmp_path: Path, noise: FloatArray) -> None:
    takes = [
        stamped(tmp_path / f"{start}.wav", noise[:, start : start + 2_500], TEN + start)
        for start in (0, 2_500, 5_000, 7_500)
    ]
    halves = join_takes(takes[:2]) + join_takes(takes[2:])
    assert names(join_takes(halves)) == [["0", "2500", "5000", "7500"]]
    assert join_takes([]) == []
    assert join_takes(takes[:1]) == takes[:1]


# --- joining by name and sound ------------------------------------------------------------------------------


@cache
def music(seed: int, seconds: float = 64.0) -> FloatArray:
    """Tones that come and go from several sides over a faint hiss, shape (4, samples); read-only."""
    rng = np.random.default_rng((20261125, seed))
    times = np.arange(round(seconds * RATE)) / RATE
    field = 2e-4 * rng.standard_normal((4, len(times)))
    for _ in range(10):
        gains = np.array([1.0, *rng.uniform(-0.7, 0.7, 3)])
        swell = 1 + 0.6 * np.sin(2 * np.pi * (rng.uniform(0.2, 3.0) * times + rng.uniform()))
        tone = np.sin(2 * np.pi * (rng.uniform(80.0, 1500.0) * times + rng.uniform()))
        field += 0.04 * gains[:, np.newaxis] * swell * tone
    field.flags.writeable = False
    return field


SPLIT = 62 * RATE + 1


def two_files(
    tmp_path: Path,
    before: FloatArray,
    after: FloatArray,
    pair: tuple[str, str] = ("Take_0041.wav", "Take_0042.wav"),
    **options: str,
) -> list[Take]:
    for name in pair:
        (tmp_path / name).parent.mkdir(exist_ok=True)
    first, second = (tmp_path / name for name in pair)
    if before.base is music(1) and before.ctypes.data == music(1).ctypes.data:
        first.write_bytes(first_of_two(before.shape[1], **options))
    else:
        write(first, before, **options)
    return [open_take(first), open_take(write(second, after, **options))]


@cache
def first_of_two(samples: int, subtype: str = "PCM_24", container: str = "WAV") -> bytes:
    """What `write` makes of the first samples of music(1): a minute of it, made once."""
    file = io.BytesIO()
    soundfile.write(file, music(1)[:, :samples].T, RATE, subtype=subtype, format=container)
    return file.getvalue()


@pytest.mark.slow
@pytest.mark.parametrize("container", ["WAV", "FLAC"])
@pytest.mark.parametrize("backwards", [False, True])
def test_a_take_split_without_a_stamp(tmp_path: Path, container: str, backwards: bool) -> None:
    sound = music(1)
    pair = tuple(f"Take_{number}{SUFFIX[container]}" for number in ("0041", "0042"))
    takes = two_files(tmp_path, sound[:, :SPLIT], sound[:, SPLIT:], pair, container=container)  # type: ignore[arg-type]
    (whole,) = join_takes(takes[::-1] if backwards else takes)
    assert whole.path.stem == "Take_0041"
    np.testing.assert_allclose(
        read_field(whole, SPLIT - 50, SPLIT + 50),
        sound[:, SPLIT - 50 : SPLIT + 50],
        rtol=0,
        atol=2.0**-23,
        equal_nan=False,
    )


@pytest.mark.slow
@pytest.mark.parametrize("empty", [0, 2])
def test_a_take_is_put_together_before_it_is_known_how_to_read_it(tmp_path: Path, empty: int) -> None:
    """The sound field may stand in any of its channels."""
    sound = np.concatenate([np.zeros((empty, music(1).shape[1])), music(1)])
    paths = [write(tmp_path / f"Take_{number}.wav", part) for number, part in enumerate(np.split(sound, [SPLIT], 1))]
    (whole,) = join_takes([open_take(path, channel_format=ChannelFormat.AUTO) for path in paths])
    assert [part.path for part in whole.parts] == paths


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3, 4, 5])
def test_takes_that_merely_follow_each_other_stay_two(tmp_path: Path, seed: int) -> None:
    assert len(join_takes(two_files(tmp_path, music(1)[:, :SPLIT], music(seed, 4.0)))) == 2


@pytest.mark.slow
@pytest.mark.parametrize("lost", [20, 48, 1000])
def test_samples_lost_at_a_time_not_told_are_a_break(tmp_path: Path, lost: int) -> None:
    sound = music(1)
    assert len(join_takes(two_files(tmp_path, sound[:, :SPLIT], sound[:, SPLIT + lost :]))) == 2


@pytest.mark.slow
@pytest.mark.parametrize("repeated", [16, 17, 1000, 96_000])
def test_samples_told_twice_are_used_once(tmp_path: Path, repeated: int) -> None:
    """Checked to the bit, not by a time of day: there is none."""
    sound = music(1)
    (whole,) = join_takes(two_files(tmp_path, sound[:, :SPLIT], sound[:, SPLIT - repeated :]))
    assert [(part.skip, part.gap) for part in whole.parts] == [(0, 0), (repeated, 0)]
    assert whole.samples == sound.shape[1]
    with FieldReader(whole) as reader:
        np.testing.assert_allclose(
            reader.read(SPLIT - 50, SPLIT + 50),
            sound[:, SPLIT - 50 : SPLIT + 50],
            rtol=0,
            atol=2.0**-23,
            equal_nan=False,
        )
    (finding,) = whole.findings
    assert (finding.code, finding.severity) == ("dropout", Severity.NOTE)
    assert f"the last {repeated} samples" in finding.message


@pytest.mark.slow
def test_one_sample_that_differs_is_no_repetition(tmp_path: Path) -> None:
    sound = music(1)
    after = sound[:, SPLIT - 1000 :].copy()
    after[2, 500] += 2.0**-22
    assert len(join_takes(two_files(tmp_path, sound[:, :SPLIT], after))) == 2


@pytest.mark.slow
@pytest.mark.parametrize(
    ("late", "repeated", "joined"),
    [
        (0, 0, (0, 0)),
        (777, 0, (0, 777)),  # 16 ms lost
        (40_000, 0, (0, 40_000)),
        (60_000, 0, None),  # longer than a recorder takes to open a file
        (-1500, 1500, (1500, 0)),
        (-1500, 0, None),  # an overlap by the clock, but other sound
        (800, 1500, (1500, 0)),  # the sound is surer than the clock
    ],
)
def test_gaps_and_overlaps_of_a_file_set(
    tmp_path: Path, late: int, repeated: int, joined: tuple[int, int] | None
) -> None:
    """In white noise, in which nothing can be predicted."""
    rng = np.random.default_rng(5)
    sound = rng.uniform(-0.5, 0.5, (4, SPLIT + 4000))
    stamps = TEN + 7, TEN + 7 + SPLIT + late
    first = stamped(tmp_path / "S_001.wav", sound[:, :SPLIT], stamps[0])
    second = stamped(tmp_path / "S_002.wav", sound[:, SPLIT - repeated :], stamps[1])
    takes = join_takes([second, first])
    assert (len(takes) == 1) == (joined is not None)
    if joined is not None:
        (whole,) = takes
        assert (whole.parts[1].skip, whole.parts[1].gap) == joined
        assert whole.samples == SPLIT + 4000 + joined[1]
        around = read_field(whole, SPLIT - 5, SPLIT + joined[1] + 5)
        expected = np.concatenate(
            [sound[:, SPLIT - 5 : SPLIT], np.zeros((4, joined[1])), sound[:, SPLIT : SPLIT + 5]], 1
        )
        np.testing.assert_allclose(around, expected, rtol=0, atol=2.0**-23, equal_nan=False)
        inside = read_field(whole, SPLIT + joined[1] // 2, SPLIT + joined[1] // 2 + 3)
        assert inside.shape == (4, 3)
        assert [finding.severity for finding in whole.findings] == (
            [Severity.LOOK] if joined[1] else [Severity.NOTE] if joined[0] else []
        )


@pytest.mark.slow
def test_a_time_of_day_in_whole_frames_cannot_tell_a_gap(tmp_path: Path) -> None:
    """One frame of 1/25 s late, in noise: it may be the clock's rounding, so the takes stay two."""
    sound = np.random.default_rng(5).uniform(-0.5, 0.5, (4, 62 * RATE + 4000))
    first = stamped(tmp_path / "S_001.wav", sound[:, : 62 * RATE], TEN)
    second = stamped(tmp_path / "S_002.wav", sound[:, 62 * RATE :], TEN + 62 * RATE + 1920)
    assert len(join_takes([first, second])) == 2


def faded(sound: FloatArray, samples: int) -> FloatArray:
    """Faded out at its end and in at its start, in a straight line."""
    ramp = np.minimum(np.arange(sound.shape[1]) / samples, 1.0)
    return sound * ramp * ramp[::-1]


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", ["silence", "digital zero at the join", "white noise", "short fade", "long fade", "constant"]
)
def test_what_fits_anything_is_no_evidence(tmp_path: Path, rng: np.random.Generator, kind: str) -> None:
    whole = music(1)
    before, after = whole[:, :SPLIT], whole[:, SPLIT:]
    if kind == "silence":
        before, after = np.zeros_like(before), np.zeros_like(after)
    elif kind == "digital zero at the join":
        before, after = before.copy(), after.copy()
        before[:, -500:] = after[:, :500] = 0.0
    elif kind == "white noise":
        before, after = (0.01 * rng.standard_normal(part.shape) for part in (before, after))
    elif kind == "constant":
        before, after = np.full_like(before, 0.1), np.full_like(after, 0.1)
    else:
        length = 1_000 if kind == "short fade" else RATE
        before, after = faded(before, length), faded(after, length)
    assert len(join_takes(two_files(tmp_path, before, after))) == 2


def test_dead_and_doubled_channels_do_not_hide_that_sound_runs_on(tmp_path: Path) -> None:
    sound = music(1).copy()
    sound[1], sound[2] = 0.0, sound[0]
    assert len(join_takes(two_files(tmp_path, sound[:, :SPLIT], sound[:, SPLIT:]))) == 1


def test_a_short_file_was_not_split(tmp_path: Path) -> None:
    sound = music(1)[:, 3 * RATE :]
    assert len(join_takes(two_files(tmp_path, sound[:, : 59 * RATE], sound[:, 59 * RATE :]))) == 2


def test_a_large_file_may_have_been_split(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The size at which recorders split files, made small: the true one is gigabytes.
    monkeypatch.setattr(joining, "_SPLIT_BYTES", 1_000_000)
    sound = music(1)
    takes = two_files(tmp_path, sound[:, : 5 * RATE], sound[:, 5 * RATE : 9 * RATE])
    assert len(join_takes(takes)) == 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first", "second", "joins"),
    [
        ("Take_0041.wav", "Take_0042.wav", True),
        ("Take 9.wav", "Take 10.wav", True),
        ("099 Tram.WAV", "100 Tram.wav", True),
        ("2026-11-25 Tram-3.wav", "2026-11-25 Tram-4.wav", True),
        ("Tram 7a.wav", "Tram 7b.wav", True),
        ("Tram_A.wav", "Tram_B.wav", True),
        ("Take_0041.wav", "Take_0043.wav", False),
        ("Take_0042.wav", "Take_0041.wav", False),
        ("Tram_0041.wav", "Boat_0042.wav", False),
        ("Take 1-1.wav", "Take 2-2.wav", False),
        ("Tram 7a.wav", "Tram 7c.wav", False),
        ("Tram 7a.wav", "Tram 7B.wav", False),
        ("Tra.wav", "Trb.wav", False),
        ("Tram a x.wav", "Tram b x.wav", False),
        ("Tram.wav", "Boat.wav", False),
        ("one/Take_0041.wav", "two/Take_0042.wav", False),
    ],
)
def test_names_that_count_on(tmp_path: Path, first: str, second: str, joins: bool) -> None:
    sound = music(1)
    takes = two_files(tmp_path, sound[:, :SPLIT], sound[:, SPLIT : SPLIT + RATE], (first, second))
    assert (len(join_takes(takes)) == 1) == joins


@pytest.mark.slow
@pytest.mark.parametrize(
    ("late_samples", "joins"), [(-1_900, True), (500, True), (1_900, True), (2_000, False), (48_000, False)]
)
def test_stamps_in_whole_frames_join_where_the_sound_runs_on(tmp_path: Path, late_samples: int, joins: bool) -> None:
    sound = music(1)[:, : 4 * RATE]
    first = stamped(tmp_path / "x.wav", sound[:, : 2 * RATE], TEN)
    second = stamped(tmp_path / "y.wav", sound[:, 2 * RATE :], TEN + 2 * RATE + late_samples)
    assert (len(join_takes([first, second])) == 1) == joins
    foreign = stamped(tmp_path / "y.wav", music(2, 4.0), TEN + 2 * RATE + late_samples)
    assert len(join_takes([first, foreign])) == 2


@pytest.mark.slow
def test_stamps_that_contradict_names_and_sound_win(tmp_path: Path) -> None:
    sound = music(1)
    first = stamped(tmp_path / "Take_0041.wav", sound[:, :SPLIT], TEN)
    second = stamped(tmp_path / "Take_0042.wav", sound[:, SPLIT:], TEN + 2 * SPLIT)
    assert len(join_takes([first, second])) == 2
    assert len(join_takes([first, open_take(write(tmp_path / "Take_0042.wav", sound[:, SPLIT:]))])) == 2


@pytest.mark.slow
def test_a_damaged_file_is_kept_apart_and_told_of_later(tmp_path: Path) -> None:
    sound = music(1).copy()
    sound[0, SPLIT + 10] = np.nan
    takes = two_files(tmp_path, sound[:, :SPLIT], sound[:, SPLIT:], subtype="FLOAT")
    assert len(join_takes(takes)) == 2
    gone, left = takes
    gone.path.unlink()
    assert len(join_takes([gone, left])) == 2


@pytest.mark.slow
def test_chance_never_joins_foreign_sound(rng: np.random.Generator) -> None:
    """Pairs of places in tones, rumble and hum: none of the foreign ones reaches the bar."""
    # Two files of chance sound would be refused for many reasons: whether the sound runs on is asked by itself.
    window = continuity._WINDOW
    times = np.arange(4 * RATE) / RATE
    rumble = np.cumsum(rng.standard_normal((4, len(times))), axis=1)
    rumble -= np.linspace(0, 1, len(times)) * rumble[:, -1:]
    hum = np.array([[1.0], [0.5], [0.2], [0.7]]) * np.sin(2 * np.pi * 50 * times) + 0.05 * rng.standard_normal(
        (4, len(times))
    )
    runs_on = 0
    for sound in (music(1, 8.0), rumble, hum):
        for _ in range(4):
            here, there = rng.integers(window, sound.shape[1] - window, size=2)
            before, after = sound[:, here - window : here], sound[:, here : here + window]
            runs_on += continuity._fits(before, after)
            assert not continuity._fits(before, sound[:, there : there + window])
    assert runs_on >= 4, "it must be able to say yes"
