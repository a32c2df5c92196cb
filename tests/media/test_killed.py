"""Killed at any step, as when power fails: under a final name lies an older result or a new one, whole, or none.

A child of this process kills itself before the n-th change it makes to the disk, for every n.
"""

import os
import re
import signal
import sys
from pathlib import Path

import pytest

from spatial.media.output import whole_files
from spatial.media.output_folder import LIST_NAME, whole_folder
from spatial.media.ownership import BLANK_SEAL, Kind, maker_chunk
from spatial.media.track_files import is_unfinished
from spatial.media.wav.riff import wav_header
from spatial.media.work_folders import clear_leftovers

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system has no fork")

STEPS = ("os.rename", "os.link", "os.mkdir", "os.remove", "os.rmdir", "os.truncate")
TRACK = wav_header(channels=4, rate_hz=48_000, sample_bytes=3, data_bytes=0, chunks=[maker_chunk()])


def sidecar(text):
    return f'{{\n  "soundplumb": "{text}",\n  "seal": "{BLANK_SEAL}",\n  "inputs": [] }}'.encode()


def killed_before(step, work):
    """Whether the child came to its end."""
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        return os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0
    seen = 0

    def count(event, arguments):
        nonlocal seen
        changes = event in STEPS or (
            event == "open" and isinstance(arguments[1], str) and set(arguments[1]) & set("wx")
        )
        seen += bool(changes)
        if changes and seen == step:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)
    try:
        work()
    except BaseException:
        os._exit(1)
    os._exit(0)


def write_pair(folder: Path, text: str, *, force: bool):
    targets = [(folder / "a.wav", Kind.TRACK), (folder / "a.json", Kind.SIDECAR)]
    with whole_files(targets, force=force) as (track, facts):
        track.write_bytes(TRACK + text.encode())
        facts.write_bytes(sidecar(text))


def pair(folder: Path):
    found = {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.startswith(".")}
    track, facts = found.pop("a.wav", None), found.pop("a.json", None)
    assert found == {}
    unsealed = facts and re.sub(rb"(?<=-seal-)[0-9a-f]{64}", BLANK_SEAL[-64:].encode(), facts)
    return track and track[len(TRACK) :].decode(), unsealed


@pytest.mark.slow
@pytest.mark.parametrize("force", [False, True])
def test_a_track_and_its_sidecar(tmp_path, force):
    states = set()
    for step in range(1, 40):
        folder = tmp_path / str(step)
        folder.mkdir()
        if force:
            write_pair(folder, "older", force=False)
        ended = killed_before(step, lambda folder=folder: write_pair(folder, "newer", force=force))
        track, facts = pair(folder)
        states.add((track, facts))
        # Never two that do not belong together, and a track alone is known as one of a run that was killed.
        assert track in ({"older", "newer"} if force else {None, "newer"})
        assert facts in (None, sidecar(track))
        assert is_unfinished(folder / "a.wav") == (track is not None and facts is None)
        clear_leftovers(folder)
        assert not [path for path in folder.iterdir() if (path / ".soundplumb-lock").exists()]
        if ended:
            break
        write_pair(folder, "next", force=track is not None)
        assert pair(folder) == ("next", sidecar("next"))
    else:
        pytest.fail("it never came to its end")
    assert ended
    assert len(states) >= 3


@pytest.mark.slow
def test_a_page(tmp_path):
    names = ("index.html", "movie.mp4", "sound.m4a")

    def write(folder, text, *, force, more=()):
        with whole_folder(folder / "look", force=force) as made:
            for name in (*names, *more):
                (made / name).write_text(text)

    for force in (False, True):
        for step in range(1, 60):
            folder = tmp_path / f"{force}-{step}"
            folder.mkdir()
            if force:
                write(folder, "older", force=False, more=["old.m4a"])
            ended = killed_before(step, lambda folder=folder, force=force: write(folder, "newer", force=force))
            look = folder / "look"
            there = {path.name: path.read_text() for path in look.iterdir()} if look.exists() else {}
            listed = [line.split("  ")[-1] for line in there.pop(LIST_NAME, "").splitlines()]
            assert set(there) <= set(listed)
            if "index.html" in there:
                # Where there is a page, all of it is of one making.
                assert {there[name] for name in names} == {there["index.html"]}
            if ended:
                assert set(there.values()) == {"newer"}
                break
            write(folder, "next", force=look.exists())
            assert {path.read_text() for path in look.iterdir() if path.name != LIST_NAME} == {"next"}
            assert not [path for path in folder.iterdir() if (path / ".soundplumb-lock").exists()]
        else:
            pytest.fail("it never came to its end")
