"""What a killed run leaves is known by a lock that nobody holds; what a live run works in, or others own, stays."""

import fcntl
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from spatial.media import work_folders
from spatial.media.output import write_text_whole
from spatial.media.work_folders import clear_leftovers, working_folder

ROOT = Path(__file__).parents[2]
SCRIPT = (
    "import sys, time\nfrom pathlib import Path\nfrom spatial.media.output import whole_file\n"
    "with whole_file(Path(sys.argv[1])) as temporary:\n"
    "    temporary.write_text('half')\n    print('there', flush=True)\n    time.sleep(60)\n"
)


def run_beside(path):
    process = subprocess.Popen([sys.executable, "-c", SCRIPT, str(path)], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout.readline() == "there\n"
    return process


def test_a_live_runs_folder_stays_and_a_dead_ones_goes(tmp_path):
    with run_beside(tmp_path / "a.csv") as process:
        (folder,) = tmp_path.iterdir()
        assert clear_leftovers(tmp_path) == 0
        write_text_whole(tmp_path / "b.csv", "another run")
        assert (folder / "a.csv").read_text() == "half"
        process.send_signal(getattr(signal, "SIGKILL", signal.SIGTERM))
    assert folder.exists()
    write_text_whole(tmp_path / "c.csv", "the next run")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.csv", "c.csv"]


def test_only_what_is_surely_left_over_goes(tmp_path):
    (tmp_path / ".soundplumb-notes12").mkdir()
    (tmp_path / ".soundplumb-notes12" / "tea.txt").write_text("mine")
    (tmp_path / ".soundplumb-justmade").mkdir()
    elsewhere = tmp_path / ".soundplumb-elsewher"
    with working_folder(tmp_path) as folder:
        lock = (folder / work_folders._LOCK_NAME).read_bytes()
    elsewhere.mkdir()
    (elsewhere / work_folders._LOCK_NAME).write_bytes(lock.strip() + b"-of-another-machine\n")
    (tmp_path / ".soundplumb-linkedto").symlink_to(elsewhere)
    before = sorted(path.name for path in tmp_path.iterdir())
    assert clear_leftovers(tmp_path) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == before
    an_hour_ago = time.time() - 2 * 3600
    os.utime(tmp_path / ".soundplumb-justmade", (an_hour_ago, an_hour_ago))
    os.utime(tmp_path / ".soundplumb-notes12", (an_hour_ago, an_hour_ago))
    assert clear_leftovers(tmp_path) == 1
    assert (tmp_path / ".soundplumb-notes12" / "tea.txt").read_text() == "mine"


def test_what_a_run_left_before_the_machine_was_renamed_goes_in_time(tmp_path, monkeypatch):
    monkeypatch.setattr(work_folders.socket, "gethostname", lambda: "before")
    with working_folder(tmp_path) as folder:
        text = (folder / work_folders._LOCK_NAME).read_bytes()
    monkeypatch.undo()
    left = tmp_path / ".soundplumb-leftover"
    left.mkdir()
    for said, gone in ((text + b"and a note\n", False), (text, True)):
        lock = left / work_folders._LOCK_NAME
        lock.write_bytes(said)
        assert clear_leftovers(tmp_path) == 0
        then = time.time() - 3 * 86_400
        os.utime(lock, (then, then))
        with lock.open("rb") as held:
            # A run that is still at work holds it.
            fcntl.flock(held, fcntl.LOCK_EX)
            assert clear_leftovers(tmp_path) == 0
        assert clear_leftovers(tmp_path) == gone
    assert not left.exists()


@pytest.mark.parametrize("missing", [["fcntl"], ["fcntl", "msvcrt"]])
def test_a_system_with_other_locks_or_none(tmp_path, monkeypatch, missing):
    """Work goes on; without locks nothing can be known to be left over, so nothing is cleared."""
    for name in missing:
        monkeypatch.setitem(sys.modules, name, None)
    with working_folder(tmp_path) as folder:
        assert clear_leftovers(tmp_path) == 0
        assert folder.exists()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_of_ones_own_that_cannot_be_kept_is_made_anew(tmp_path, monkeypatch):
    """Another run may take the new folder for a left-over in the moment before it is locked."""
    # The moment between making and locking lies inside one function: nothing public stands there.
    whole, taken = work_folders._locked, []

    def overtaken(file):
        if not taken:
            taken.append(file.name)
            Path(file.name).unlink()
            Path(file.name).parent.rmdir()
        return whole(file)

    monkeypatch.setattr(work_folders, "_locked", overtaken)
    with working_folder(tmp_path) as folder:
        assert folder.exists()
        assert folder != Path(taken[0]).parent
    assert list(tmp_path.iterdir()) == []
