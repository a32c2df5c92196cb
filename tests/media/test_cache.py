"""The feature cache: found again by content, never a wrong answer, never in the way."""

import multiprocessing
import os
import shutil
import stat
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spatial.field import ChannelFormat
from spatial.media import cache as cache_module
from spatial.media.cache import Arrays, FeatureCache, content_glance, default_folder
from spatial.media.takes.reader import Part
from spatial.media.takes.take import Take

KIND = "envelope 1"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "cache"


@pytest.fixture
def cache(folder: Path) -> FeatureCache:
    return FeatureCache(folder)


@pytest.fixture
def arrays(rng: np.random.Generator) -> Arrays:
    return {
        "bands": rng.standard_normal((8, 1000)).astype(np.float16),
        "file": np.arange(5, dtype=np.float32),  # a name that numpy.savez cannot take
        "rate": np.array(100.0),
    }


def recording(path: Path, seed: int = 1, size: int = 300_000) -> Path:
    """A file that was finished an hour ago, as far as its modification time goes."""
    path.write_bytes(np.random.default_rng(seed).bytes(size))
    return settled(path)


def settled(path: Path) -> Path:
    then = time.time() - 3600
    os.utime(path, (then, then))
    return path


def take_of(*paths: Path, channel_format: ChannelFormat = ChannelFormat.AMBIX) -> Take:
    parts = tuple(Part(path, 100) for path in paths)
    return Take(paths[0], 48_000, 4, 100 * len(parts), "WAV", "PCM_24", channel_format=channel_format, parts=parts)


def same(found: Arrays | None, expected: Arrays) -> bool:
    return (
        found is not None
        and found.keys() == expected.keys()
        and all(
            found[name].dtype == expected[name].dtype and np.array_equal(found[name], expected[name])
            for name in expected
        )
    )


@pytest.fixture
def hashed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the files that are read through."""
    names: list[str] = []
    real = cache_module.hashlib.file_digest

    def counting(file: object, method: str) -> object:
        names.append(Path(file.name).name)  # type: ignore[attr-defined]
        return real(file, method)  # type: ignore[arg-type]

    monkeypatch.setattr(cache_module.hashlib, "file_digest", counting)
    return names


@pytest.fixture
def long_ago(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let files count as settled at once: their time of change cannot be set back."""
    monkeypatch.setattr(cache_module, "_FRESH_NS", -(10**10))


# --- hit and miss -------------------------------------------------------------------------------------------


def test_what_is_stored_is_found(tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays) -> None:
    path = recording(tmp_path / "a.wav")
    assert cache.load(path, KIND) is None
    cache.store(path, KIND, arrays)
    assert same(cache.load(path, KIND), arrays)
    assert same(FeatureCache(folder).load(path, KIND), arrays)


def test_a_copy_and_a_new_name_find_it(tmp_path: Path, cache: FeatureCache, arrays: Arrays) -> None:
    path = recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    assert same(cache.load(Path(shutil.copy(path, tmp_path / "copy.wav")), KIND), arrays)
    assert same(cache.load(path.rename(tmp_path / "b.wav"), KIND), arrays)


def test_a_glance_knows_content_not_names(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.wav")
    first = content_glance(path)
    assert first == content_glance(Path(shutil.copy(path, tmp_path / "copy.wav")))
    size = path.stat().st_size
    for changed in (0, size // 2, size - 1):
        data = bytearray(path.read_bytes())
        data[changed] ^= 1
        (tmp_path / "other.wav").write_bytes(data)
        assert content_glance(tmp_path / "other.wav") != first
    with path.open("ab") as file:
        file.write(b"more")
    assert content_glance(path) != first
    assert content_glance(tmp_path / "gone.wav") == ""


@pytest.mark.parametrize("place", [0, 100_000, 299_999])
@pytest.mark.usefixtures("long_ago")
def test_a_changed_file_misses(tmp_path: Path, cache: FeatureCache, arrays: Arrays, place: int) -> None:
    """Of the same size, with its old modification time; the byte at 100 000 is in none of the places glanced at."""
    path = recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    assert same(cache.load(path, KIND), arrays)
    before = path.stat()
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    time.sleep(0.02)  # longer than a tick of the disk's clock
    path.write_bytes(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert cache.load(path, KIND) is None
    assert FeatureCache(tmp_path / "cache").load(path, KIND) is None


def test_kinds_and_channel_formats_are_kept_apart(tmp_path: Path, cache: FeatureCache, arrays: Arrays) -> None:
    path = recording(tmp_path / "a.wav")
    cache.store(take_of(path), KIND, arrays)
    assert same(cache.load(take_of(path), KIND), arrays)
    assert cache.load(take_of(path), "envelope 2") is None
    assert cache.load(take_of(path, channel_format=ChannelFormat.FUMA), KIND) is None
    assert cache.load(path, KIND) is None


def test_all_parts_of_a_take_count(tmp_path: Path, cache: FeatureCache, arrays: Arrays) -> None:
    one, two, other = (recording(tmp_path / f"{seed}.wav", seed) for seed in (1, 2, 3))
    cache.store(take_of(one, two), KIND, arrays)
    assert same(cache.load(take_of(one, two), KIND), arrays)
    copy = Path(shutil.copy(two, tmp_path / "copy.wav"))
    assert same(cache.load(take_of(one, copy), KIND), arrays)
    for parts in (two, one), (one, other), (one,), (two,), (one, two, other):
        assert cache.load(take_of(*parts), KIND) is None


def test_a_missing_recording_is_a_miss(tmp_path: Path, cache: FeatureCache, arrays: Arrays) -> None:
    assert cache.load(tmp_path / "gone.wav", KIND) is None
    cache.store(tmp_path / "gone.wav", KIND, arrays)


def test_nothing_is_kept_of_a_file_that_changed_meanwhile(tmp_path: Path, cache: FeatureCache, arrays: Arrays) -> None:
    path = recording(tmp_path / "a.wav", 1)
    assert cache.load(path, KIND) is None
    recording(path, 2)  # while its features were being worked out
    cache.store(path, KIND, arrays)
    assert cache.load(path, KIND) is None


def test_objects_are_refused(tmp_path: Path, cache: FeatureCache) -> None:
    with pytest.raises(ValueError, match="arrays of Python objects"):
        cache.store(recording(tmp_path / "a.wav"), KIND, {"pickle": np.array([{}], dtype=object)})


# --- reading the file through -------------------------------------------------------------------------------


@pytest.mark.usefixtures("long_ago")
def test_a_file_is_read_through_only_if_it_may_be_known(
    tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays, hashed: list[str]
) -> None:
    a, b = recording(tmp_path / "a.wav", 1), recording(tmp_path / "b.wav", 2)
    longer = recording(tmp_path / "longer.wav", 3, size=300_001)
    assert cache.load(a, KIND) is None
    assert hashed == []  # nothing is stored at all
    cache.store(a, KIND, arrays)
    assert hashed == ["a.wav"]
    assert cache.load(longer, KIND) is None
    assert cache.load(b, "another kind") is None
    assert hashed == ["a.wav"]  # nothing of this size, nothing of this kind
    assert cache.load(b, KIND) is None
    assert hashed == ["a.wav", "b.wav"]  # of the same size
    for again in cache, FeatureCache(folder):
        assert same(again.load(a, KIND), arrays)
        assert again.load(b, KIND) is None
    cache.store(b, KIND, arrays)
    assert hashed == ["a.wav", "b.wav"]  # remembered


def test_the_hash_of_a_fresh_file_is_not_remembered(
    tmp_path: Path, cache: FeatureCache, arrays: Arrays, hashed: list[str]
) -> None:
    """It may change again within one tick of the disk's clock."""
    path = recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    assert same(cache.load(path, KIND), arrays)
    assert hashed == ["a.wav", "a.wav"]


def test_a_file_that_changes_while_it_is_read_is_not_kept(
    tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = recording(tmp_path / "a.wav")
    real = cache_module.hashlib.file_digest

    def meddling(file: object, method: str) -> object:
        with path.open("ab") as other:
            other.write(b"more")
        return real(file, method)  # type: ignore[arg-type]

    monkeypatch.setattr(cache_module.hashlib, "file_digest", meddling)
    cache.store(path, KIND, arrays)
    assert list(folder.rglob("*.*")) == []


# --- damage -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("damage", ["empty", "cut", "bit", "noise", "pickle", "folder"])
def test_a_damaged_entry_is_a_miss_and_is_replaced(
    tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays, damage: str
) -> None:
    path = recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    (entry,) = folder.rglob("*.features")
    data = entry.read_bytes()
    if damage == "folder":
        entry.unlink()
        entry.mkdir()
        assert cache.load(path, KIND) is None
        cache.store(path, KIND, arrays)  # in vain, and without a word
        assert cache.load(path, KIND) is None
        return
    flipped = bytearray(data)
    flipped[len(data) // 2] ^= 4
    pickled = b"\x80\x04\x95\x05\x00\x00\x00\x00\x00\x00\x00N."
    entry.write_bytes(
        {
            "empty": b"",
            "cut": data[:-100],
            "bit": bytes(flipped),
            "noise": np.random.default_rng(1).bytes(5000),
            "pickle": cache_module.hashlib.sha256(pickled).digest() + pickled,
        }[damage]
    )
    assert cache.load(path, KIND) is None
    cache.store(path, KIND, arrays)
    assert same(cache.load(path, KIND), arrays)


@pytest.mark.parametrize("note", [b"", b"\xff\xff", b"abc", b"12" * 31, b"zz" * 32])
@pytest.mark.usefixtures("long_ago")
def test_a_damaged_note_of_a_hash_is_passed_over(
    tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays, note: bytes
) -> None:
    path = recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    (remembered,) = folder.rglob("*.sha256")
    remembered.write_bytes(note)
    assert same(cache.load(path, KIND), arrays)
    assert len(remembered.read_bytes()) == 64


def test_the_folder_may_go_at_any_time(tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays) -> None:
    path = recording(tmp_path / "a.wav")
    for _ in range(2):
        cache.store(path, KIND, arrays)
        assert same(cache.load(path, KIND), arrays)
        shutil.rmtree(folder)
        assert cache.load(path, KIND) is None


# --- the folder ---------------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another kind")
def test_folders_are_for_the_user_alone(tmp_path: Path, arrays: Arrays) -> None:
    folder = tmp_path / "home" / ".cache" / "soundplumb"
    FeatureCache(folder).store(recording(tmp_path / "a.wav"), KIND, arrays)
    made = [folder.parent.parent, folder.parent, folder, folder / "features"]
    assert [stat.S_IMODE(path.stat().st_mode) for path in made] == [0o700] * 4
    assert [stat.S_IMODE(path.stat().st_mode) for path in folder.rglob("*.features")] == [0o600]


def test_a_read_only_folder_gives_what_it_has_and_takes_nothing(
    tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = recording(tmp_path / "old.wav", 1), recording(tmp_path / "new.wav", 2)
    cache.store(old, KIND, arrays)
    inside = [folder, *folder.rglob("*")]
    for path in inside:
        path.chmod(0o555 if path.is_dir() else 0o444)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    # Root may write everywhere all the same, so the system's calls refuse too.
    monkeypatch.setattr(cache_module.tempfile, "mkstemp", refuse)
    monkeypatch.setattr(cache_module.os, "utime", refuse)
    assert same(cache.load(old, KIND), arrays)
    cache.store(new, KIND, arrays)
    assert cache.load(new, KIND) is None
    assert [folder, *folder.rglob("*")] == inside
    for path in inside:
        path.chmod(0o700)


@pytest.mark.parametrize("where", ["a file", "below a file"])
def test_a_folder_that_cannot_be(tmp_path: Path, arrays: Arrays, where: str) -> None:
    (tmp_path / "file").write_text("no folder")
    cache = FeatureCache(tmp_path / "file" if where == "a file" else tmp_path / "file" / "below")
    path = recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    assert cache.load(path, KIND) is None


def test_a_full_disk_leaves_nothing_behind(
    tmp_path: Path, cache: FeatureCache, folder: Path, arrays: Arrays, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full:
        def __init__(self, handle: int, _mode: str) -> None:
            self._handle = handle

        def __enter__(self) -> "Full":
            return self

        def __exit__(self, *_: object) -> None:
            os.close(self._handle)

        def write(self, _data: bytes) -> None:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(cache_module.os, "fdopen", Full)
    cache.store(recording(tmp_path / "a.wav"), KIND, arrays)
    assert [path for path in folder.rglob("*") if path.is_file()] == []


def test_the_oldest_used_go_first(tmp_path: Path, folder: Path) -> None:
    cache = FeatureCache(folder, most_bytes=350_000)
    big = {"bands": np.zeros(25_000, dtype=np.float32)}  # 100 kB
    paths = [recording(tmp_path / f"{number}.wav", number) for number in range(4)]
    for number, path in enumerate(paths[:3]):
        cache.store(path, KIND, big)
        (newest,) = [entry for entry in folder.rglob("*.features") if entry.stat().st_mtime > time.time() - 1000]
        os.utime(newest, (time.time() - 10_000 + number,) * 2)
    assert cache.load(paths[0], KIND) is not None  # used now
    cache.store(paths[3], KIND, big)
    assert [cache.load(path, KIND) is not None for path in paths] == [True, False, True, True]


def test_more_than_the_bound_is_not_kept_at_all(tmp_path: Path, folder: Path, arrays: Arrays) -> None:
    path = recording(tmp_path / "a.wav")
    cache = FeatureCache(folder, most_bytes=1000)
    cache.store(path, KIND, arrays)
    assert cache.load(path, KIND) is None


def test_other_peoples_files_stay_and_abandoned_ones_go(tmp_path: Path, folder: Path, arrays: Arrays) -> None:
    (folder / "features").mkdir(parents=True)
    names = ("notes.txt", "voices.features", "new-take.part", "new-a1b2c3d4.part", "new-d4c3b2a1.part")
    *theirs, abandoned, living = (folder / "features" / name for name in names)
    for path in *theirs, abandoned, living:
        path.write_bytes(bytes(100_000))
    for path in *theirs, abandoned:
        os.utime(path, (0, 0))
    FeatureCache(folder, most_bytes=50_000).store(recording(tmp_path / "a.wav"), KIND, arrays)
    assert [path.exists() for path in (*theirs, abandoned, living)] == [True, True, True, False, True]


# --- several at once ----------------------------------------------------------------------------------------


def store_and_load(folder: Path, paths: list[Path], value: float, rounds: int) -> int:
    """In a process of its own: how many loads gave a mixture, or anything but what someone stored."""
    cache = FeatureCache(folder)
    wrong = 0
    for _ in range(rounds):
        for path in paths:
            cache.store(path, KIND, {"bands": np.full(50_000, value, dtype=np.float32)})
            found = cache.load(path, KIND)
            wrong += found is None or np.ptp(found["bands"]) != 0 or found["bands"][0] not in (1.0, 2.0)
    return wrong


@pytest.mark.slow
def test_two_processes_at_once(tmp_path: Path, folder: Path) -> None:
    paths = [recording(tmp_path / f"{number}.wav", number) for number in range(3)]
    context = multiprocessing.get_context("spawn")
    with context.Pool(2) as pool:
        jobs = [pool.apply_async(store_and_load, (folder, paths, value, 15)) for value in (1.0, 2.0)]
        assert [job.get(timeout=120) for job in jobs] == [0, 0]
    assert len(list(folder.rglob("*.features"))) == 3
    assert list(folder.rglob("*.part")) == []


# --- where it is --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("told", ["", "off", "OFF", "  "])
def test_it_can_be_turned_off(tmp_path: Path, arrays: Arrays, monkeypatch: pytest.MonkeyPatch, told: str) -> None:
    monkeypatch.setenv("SOUNDPLUMB_CACHE", told)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "home"))
    assert default_folder() is None
    cache, path = FeatureCache(), recording(tmp_path / "a.wav")
    cache.store(path, KIND, arrays)
    assert cache.load(path, KIND) is None
    assert not (tmp_path / "home").exists()


def test_another_folder_can_be_named(tmp_path: Path, arrays: Arrays, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOUNDPLUMB_CACHE", str(tmp_path / "there"))
    path = recording(tmp_path / "a.wav")
    FeatureCache().store(path, KIND, arrays)
    assert same(FeatureCache().load(path, KIND), arrays)
    assert len(list((tmp_path / "there").rglob("*.features"))) == 1


@pytest.mark.parametrize(
    ("platform", "variables", "place"),
    [
        ("linux", {"XDG_CACHE_HOME": "{home}/caches"}, "caches/soundplumb"),
        ("linux", {}, ".cache/soundplumb"),
        ("linux", {"XDG_CACHE_HOME": ""}, ".cache/soundplumb"),
        ("linux", {"XDG_CACHE_HOME": "relative"}, ".cache/soundplumb"),
        ("darwin", {"XDG_CACHE_HOME": "{home}/caches"}, "Library/Caches/soundplumb"),
        ("win32", {"LOCALAPPDATA": "{home}/Local"}, "Local/soundplumb"),
        ("win32", {}, "AppData/Local/soundplumb"),
    ],
)
def test_each_system_has_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, platform: str, variables: dict[str, str], place: str
) -> None:
    for name in ("SOUNDPLUMB_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(cache_module.sys, "platform", platform)
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    for name, value in variables.items():
        monkeypatch.setenv(name, value.format(home=tmp_path))
    assert default_folder() == tmp_path / place


def test_no_test_touches_the_real_cache(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = default_folder()
    assert folder is not None
    assert folder.is_relative_to(tmp_path_factory.getbasetemp())


def test_a_take_and_its_default_parts_are_one(tmp_path: Path, cache: FeatureCache, arrays: Arrays) -> None:
    take = take_of(recording(tmp_path / "a.wav"))
    cache.store(replace(take, parts=()), KIND, arrays)
    assert same(cache.load(take, KIND), arrays)
