"""Files that hold the same, files that change while they are read, clips that show the same moments."""

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from spatial.findings import Severity
from spatial.jobs.day.same_content import Watch, overlapping_findings, without_copies
from spatial.media.ownership import digest_of
from spatial.timebase import ClockLaw


def written(path, content):
    path.write_bytes(content)
    return path


def test_a_card_that_was_copied_twice_is_done_once(tmp_path):
    body = os.urandom(300_000)
    files = [
        written(tmp_path / "A001.mov", body),
        written(tmp_path / "A001 (1).mov", body),
        written(tmp_path / "A002.mov", body[:-1] + b"x"),
    ]
    kept, findings = without_copies(files, digest_of, kept=lambda _file: False)
    assert [file.name for file in kept] == ["A001.mov", "A002.mov"]
    assert [(found.code, found.severity, found.message) for found in findings] == [
        ("duplicate", Severity.NOTE, "A001 (1).mov holds the same as A001.mov, and is left out: the day is done once")
    ]


def test_the_copy_that_has_marks_is_the_one_that_is_used(tmp_path):
    files = [written(tmp_path / name, b"same") for name in ("a.mov", "b.mov", "c.mov")]
    kept, findings = without_copies(files, digest_of, kept=lambda file: file.name == "b.mov")
    assert [file.name for file in kept] == ["b.mov"]
    assert len(findings) == 2
    # Where several have marks of their own, somebody means each of them.
    both, _ = without_copies(files, digest_of, kept=lambda file: file.name != "a.mov")
    assert [file.name for file in both] == ["b.mov", "c.mov"]


def test_files_that_differ_in_the_middle_alone_are_read_through_and_kept(tmp_path):
    body = bytearray(os.urandom(400_000))
    first = written(tmp_path / "a.wav", bytes(body))
    body[200_000] ^= 1
    second = written(tmp_path / "b.wav", bytes(body))
    read = []
    kept, findings = without_copies(
        [first, second], lambda path: read.append(path) or digest_of(path), kept=lambda _file: False
    )
    assert (kept, findings, len(read)) == ([first, second], [], 2)


def test_files_of_different_lengths_are_not_read(tmp_path):
    files = [written(tmp_path / f"{n}.mov", b"x" * (1000 + n)) for n in range(5)]
    kept, _ = without_copies(files, lambda _path: pytest.fail("read"), kept=lambda _file: False)
    assert kept == files


def test_what_grows_or_goes_while_the_day_is_done_is_said(tmp_path):
    growing, going, still = (written(tmp_path / name, b"x" * 100) for name in ("a.wav", "b.mov", "c.mov"))
    watch = Watch.over([growing, going, still])
    assert watch.changed() == []
    growing.write_bytes(b"x" * 200)
    going.unlink()
    said = {found.where: (found.code, found.severity, found.message) for found in watch.changed()}
    assert set(said) == {"a.wav", "b.mov"}
    assert said["a.wav"][:2] == ("changed_while_read", Severity.FIX)
    assert "a.wav grew while the day was done" in said["a.wav"][2]
    assert "b.mov is gone" in said["b.mov"][2]


@dataclass
class _Named:
    path: Path
    duration_s: float = 0.0
    paths: tuple[str, ...] = ()


@dataclass
class _Matched:
    clip: _Named
    take: _Named
    law: ClockLaw
    matched: bool = True

    @property
    def estimate(self):
        return self


def match(clip, take, offset_s, duration_s):
    return _Matched(_Named(Path(clip), duration_s), _Named(Path(take), paths=(take,)), ClockLaw(offset_s))


def test_two_cameras_on_one_scene_are_said():
    results = [
        match("b.mov", "1.wav", 12.5, 20.0),
        match("a.mov", "1.wav", 10.0, 30.0),
        match("c.mov", "1.wav", 50.0, 5.0),
        match("d.mov", "2.wav", 12.5, 20.0),
    ]
    (said,) = overlapping_findings(results)
    assert (said.code, said.severity) == ("overlapping_clips", Severity.NOTE)
    assert said.message == "a.mov and b.mov show the same 20.0 s of 1.wav: b.mov begins 2.500 s after a.mov"
