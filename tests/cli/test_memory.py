"""Too little memory ends in a sentence and exit code 3, also where a library written in C dies of it."""

import ast
import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import av
import pytest
import soundfile

from cli.watching import WATCHED
from spatial.errors import MediaFileError
from spatial.jobs.demo import lay_out
from spatial.jobs.faults import fault_sentence, is_want_of_memory
from spatial.media.movies import container
from spatial.media.movies.container import opened
from tests.test_layering import HOUSE, parsed

resource = pytest.importorskip("resource", reason="this system sets no such limits")
if not hasattr(resource, "RLIMIT_AS"):
    pytest.skip("this system limits no addresses", allow_module_level=True)

COULD_NOT = 3
ROOT = Path(__file__).parents[2]
REVIEW = ("review", "slipway.mov", "rec-0042.flac", "--picture", "equirect180-sbs", "--upside-down", "-o")
PLENTY = 8_000_000_000
DYING = """
import os, signal
import {module}
def die(*_, **__):
    os.kill(os.getpid(), signal.{signal})
{module}.{name} = die
from cli.__main__ import main
main()
"""


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    lay_out(folder)
    field, rate = soundfile.read(folder / "rec-0041.flac", frames=2 * 48_000)
    soundfile.write(folder / "short.flac", field, rate, subtype="PCM_24")
    return folder


def start(shoot, arguments, limit_bytes, begin=("-m", "cli"), **environment):
    """A command that may use so many bytes of addresses."""
    return subprocess.Popen(
        [sys.executable, *begin, *map(str, arguments)],
        cwd=shoot,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit_bytes, limit_bytes)),
    )


def ended(process, within_s=100):
    out, err = process.communicate(timeout=within_s)
    assert "Traceback" not in err
    return process.returncode, out, err


@pytest.mark.slow
@pytest.mark.parametrize("name", ["SIGSEGV", "SIGABRT"])
def test_a_library_that_dies_is_a_sentence(shoot, tmp_path, name):
    """soxr and x264 use what they asked for without looking whether they got it."""
    code = DYING.format(module="soxr", name="ResampleStream", signal=name)
    arguments = (*REVIEW, tmp_path / "look", "--json")
    code, out, err = ended(start(shoot, arguments, PLENTY, ("-c", code)))
    assert code == COULD_NOT
    assert err.startswith("soundplumb: a library that soundplumb uses broke off, most likely for want of memory")
    assert "no more than 8000 MB here" in err
    assert json.loads(out) == {"error": err.removeprefix("soundplumb: ").strip()}
    left = list(tmp_path.iterdir())
    assert [path.name[:12] for path in left] == [".soundplumb-"]
    # What it left behind goes with the next run that writes there.
    begin = ("-c", DYING.format(module="spatial.jobs.review.review_clip", name="open_clip", signal="SIGTERM"))
    assert ended(start(shoot, arguments, PLENTY, begin))[0] == COULD_NOT
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_review_in_little_room_works_or_says_why(shoot, tmp_path):
    code, out, err = ended(start(shoot, (*REVIEW, tmp_path / "look"), 760_000_000), within_s=250)
    if code == 0:
        assert (err, "open" in out) == ("", True)
        assert (tmp_path / "look" / "index.html").is_file()
    else:
        assert (code, out) == (COULD_NOT, "")
        assert "memory" in err.splitlines()[-1]
        assert "damaged" not in err
        assert "mistake" not in err


def test_too_little_room_to_begin_is_said_at_once(shoot):
    code, out, err = ended(start(shoot, ("inspect", "rec-0041.flac", "--json"), 250_000_000), within_s=20)
    assert (code, json.loads(out)["error"]) == (COULD_NOT, err.removeprefix("soundplumb: ").strip())
    assert "no more than 250 MB of memory here (ulimit), and soundplumb needs 600 MB to begin at all" in err
    code, out, err = ended(start(shoot, ("inspect", "--help"), 250_000_000), within_s=20)
    assert (code, err, out.startswith("Usage")) == (0, "", True)


@pytest.mark.slow
def test_the_watched_process_says_all_and_its_code_counts(shoot):
    for arguments, code in ((("inspect",), 2), (("inspect", "none.wav"), 3), (("inspect", "short.flac"), 0)):
        plain = subprocess.run(
            [sys.executable, "-m", "cli", *arguments],
            cwd=shoot,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert ended(start(shoot, arguments, PLENTY)) == (code, plain.stdout, plain.stderr)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_reaches_the_watched_process(shoot, tmp_path, name):
    process = start(shoot, (*REVIEW, tmp_path / "look"), PLENTY, SOUNDPLUMB_CACHE="off")
    until = time.monotonic() + 60
    while not list(tmp_path.iterdir()) and time.monotonic() < until:
        time.sleep(0.05)
    process.send_signal(getattr(signal, name))
    code, out, err = ended(process)
    assert (code, out, list(tmp_path.iterdir())) == (COULD_NOT, "", [])
    assert err.startswith("soundplumb: stopped before it was done")


def test_nothing_is_watched_without_a_limit():
    code = f"import os; from cli.watching import watched; print(watched(), os.environ.get('{WATCHED}'))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True, env={**os.environ}
    )
    assert done.stdout == "(-1, '') None\n"


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (MemoryError(), True),
        (av.error.MemoryError(errno.ENOMEM, "Cannot allocate memory"), True),
        (OSError(errno.ENOMEM, "Cannot allocate memory", "a.wav"), True),
        (RuntimeError("can't start new thread"), True),
        (ImportError("x.so: failed to map segment from shared object"), True),
        (OSError(errno.ENOENT, "No such file", "a.wav"), False),
        (RuntimeError("a thread ended"), False),
        (ImportError("no module named memory"), False),
        (ValueError("cannot allocate memory"), False),
    ],
)
def test_want_of_memory_by_any_name(error, expected):
    assert is_want_of_memory(error) is expected
    assert ("too little free memory for a.mov" in fault_sentence(error, "a.mov")) is expected


def test_want_of_memory_is_no_damage(shoot, monkeypatch):
    """The movie is as good as it was: nobody should copy it again for this."""
    refused = av.error.MemoryError(errno.ENOMEM, "Cannot allocate memory")
    # Where there is plenty, it is the file's own sizes that ask for too much.
    with pytest.raises(MediaFileError, match="asks for more memory than there is"), opened(shoot / "slipway.mov"):
        raise refused
    monkeypatch.setattr(container, "_LITTLE_BYTES", 1 << 62)
    with pytest.raises(MemoryError), opened(shoot / "slipway.mov"):
        raise refused
    with pytest.raises(MediaFileError, match="is damaged"), opened(shoot / "slipway.mov"):
        raise av.error.InvalidDataError(1, "Invalid data")


def test_no_handler_takes_want_of_memory_for_damage():
    """PyAV's own error for it is also one of all that it raises."""
    found = []
    for name, source in HOUSE.items():
        for node in ast.walk(parsed(source)):
            if isinstance(node, ast.Try):
                types = [ast.unparse(handler.type) if handler.type else "" for handler in node.handlers]
                broad = [place for place, each in enumerate(types) if "FFmpegError" in each]
                found += [(name, node.lineno)] if broad and "MemoryError" not in types[: broad[0]] else []
    assert found == []
