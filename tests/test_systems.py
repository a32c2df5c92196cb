"""What another system lacks is not needed: found in the source, and by faking such a system in a process of its own.

Only Linux runs here. What macOS and Windows do otherwise is held by rule, or by taking things away.
"""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

from spatial.errors import OutputError
from spatial.media import output, ownership
from spatial.media.output import whole_files, write_text_whole
from spatial.media.output_folder import whole_folder
from spatial.media.ownership import Kind, plain_place
from tests.media.test_output import OLDER
from tests.test_layering import HOUSE, parsed

ROOT = Path(__file__).parents[1]
POSIX_MODULES = {"fcntl", "resource", "pwd", "grp", "termios", "tty", "pty", "syslog"}
WINDOWS_MODULES = {"msvcrt", "winreg", "winsound", "_winapi"}
POSIX_NAMES = {
    "getuid", "geteuid", "getgid", "setuid", "seteuid", "fork", "forkpty", "killpg", "setsid", "mkfifo", "mknod",
    "chown", "lchown", "fchown", "fchmod", "sysconf", "uname", "getloadavg", "nice", "wait3", "wait4", "statvfs",
    "sched_getaffinity", "pread", "pwrite", "sendfile", "openpty", "setpgid", "getpgid", "posix_fadvise",
    "SIGHUP", "SIGKILL", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGPIPE", "SIGCHLD", "SIGSTOP", "SIGTSTP", "alarm",
    "setitimer", "pthread_sigmask", "sigwait", "pause",
}  # fmt: skip


def calls_that_one_system_lacks(tree):
    guarded = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.Try)
        and any("ImportError" in ast.unparse(handler.type or ast.Constant(None)) for handler in node.handlers)
        for statement in node.body
        for inner in ast.walk(statement)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, (ast.Import, ast.ImportFrom)) and node not in guarded:
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            found += [one for one in names if one.split(".")[0] in POSIX_MODULES | WINDOWS_MODULES]
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in ("os", "signal"):
            found += [node.attr] if node.attr in POSIX_NAMES else []
        if isinstance(node, ast.Call) and "get_context" in ast.unparse(node.func):
            found += [] if [ast.unparse(word) for word in node.args] == ["'spawn'"] else ["get_context"]
    return found


@pytest.mark.slow
def test_no_call_that_one_system_lacks():
    """A module that one system lacks is imported where its lack is caught; a signal is asked for by name."""
    found = {name: calls_that_one_system_lacks(parsed(source)) for name, source in HOUSE.items()}
    assert {name: calls for name, calls in found.items() if calls} == {}


@pytest.mark.slow
def test_a_system_without_them_runs_a_command(tmp_path):
    """No such modules and names at all, and no folder that can be opened: a track's table is written all the same."""
    code = f"""
import os, signal, sys
for name in {sorted(POSIX_MODULES - {"resource"})!r}:
    sys.modules[name] = None
for name in {sorted(POSIX_NAMES)!r}:
    for module in (os, signal):
        if hasattr(module, name) and name not in ("uname", "sysconf", "pread"):
            delattr(module, name)
opened = os.open
def no_folder(path, *more, **options):
    if not isinstance(path, int) and os.path.isdir(path):
        raise PermissionError(13, "Permission denied", str(path))
    return opened(path, *more, **options)
os.open = no_folder
sys.argv = ["soundplumb", "directions", "rec-0041.flac", "--step-s", "0.5", "--csv", "table.csv"]
from cli.__main__ import main
main()
"""
    (tmp_path / "rec-0041.flac").write_bytes((ROOT / "demo_audio" / "rec-0041.flac").read_bytes())
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rec-0041.flac", "table.csv"]


@pytest.mark.parametrize("name", ["con.wav", "a:b.wav", "what?.wav", "end .", "LPT1"])
def test_names_that_windows_takes_for_something_else(monkeypatch, tmp_path, name):
    plain_place(tmp_path / name)  # no trouble here
    # The other system is not here: what the code believes of it is changed, not os.name, which pathlib reads too.
    monkeypatch.setattr(ownership, "WINDOWS", True)
    with pytest.raises(OutputError, match="is no name for a file on Windows"):
        plain_place(tmp_path / name)


def held_open(monkeypatch, held):
    """Let a file be open in another program, as Windows has it: it can be neither moved nor replaced."""
    whole = Path.replace

    def replace(self, target):
        if Path(target).name == held:
            raise PermissionError(13, "Permission denied", str(self), None, str(target))
        return whole(self, target)

    monkeypatch.setattr(Path, "replace", replace)


@pytest.mark.parametrize("held", ["track.csv", "facts.csv"])
def test_a_file_that_is_open_in_another_program(monkeypatch, tmp_path, held):
    """One sentence; and the two never end up as one old and one new."""
    targets = [(tmp_path / name, Kind.TABLE) for name in ("track.csv", "facts.csv")]
    for path, _ in targets:
        path.write_text(OLDER)

    def replace_both():
        with whole_files(targets, force=True) as temporaries:
            for temporary in temporaries:
                temporary.write_text("newer")

    held_open(monkeypatch, held)
    with pytest.raises(OutputError, match=f"{held} may not be put in its place: it is open in another program"):
        replace_both()
    left = {path.name: path.read_text() for path in tmp_path.iterdir()}
    assert left == ({"track.csv": OLDER, "facts.csv": OLDER} if held == "track.csv" else {"track.csv": "newer"})


def test_a_page_that_is_open_in_another_program(monkeypatch, tmp_path):
    def write(text):
        with whole_folder(tmp_path / "look", force=True) as folder:
            for name in ("index.html", "movie.mp4"):
                (folder / name).write_text(text)

    write("older")
    held_open(monkeypatch, "movie.mp4")
    with pytest.raises(OutputError, match="a file in it is open in another program"):
        write("newer")
    assert {path.read_text() for path in (tmp_path / "look").iterdir() if path.suffix != ".txt"} == {"older"}


def test_a_way_that_is_too_long_is_said(monkeypatch, tmp_path):
    with pytest.raises(OutputError, match="is too long; shorten it"):
        write_text_whole(tmp_path / ("n" * 300), "x")
    missing = FileNotFoundError(2, "No such file or directory")
    monkeypatch.setattr(output, "WINDOWS", True)
    deep = tmp_path / ("deep-" * 45)
    deep.mkdir()
    # The words for an error that only another system raises.
    assert "is too long; shorten it" in output._sentence(deep / "x.wav", missing)
