"""Streams that are closed, full, or cannot say all there is to say; and a mistake of ours: a sentence, an exit code.

A command runs in a process of its own, started as the console script starts it.
"""

import json
import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from cli.streams import put
from spatial.jobs.demo import lay_out

USAGE, COULD_NOT = 2, 3
TAKE = "short.flac"
"""Two seconds: what is tried here is where words go, not what they say of a recording."""
HELP, INSPECT, WRONG, MISSING = ("--help",), ("inspect", TAKE), ("inspect",), ("inspect", "none.wav")


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    lay_out(folder)
    field, rate = soundfile.read(folder / "rec-0041.flac", frames=2 * 48_000)
    soundfile.write(folder / TAKE, field, rate, subtype="PCM_24")
    return folder


def command(shoot, arguments, redirected="", **environment):
    """A command with a shell's redirection; exit code, standard output, standard error."""
    words = " ".join(shlex.quote(word) for word in (sys.executable, "-m", "cli", *arguments))
    done = subprocess.run(
        ["sh", "-c", f"exec {words} {redirected}"],
        cwd=shoot,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), **environment},
        capture_output=True,
        check=False,
        timeout=120,
    )
    out, err = done.stdout.decode(), done.stderr.decode()
    assert "Traceback" not in err
    assert "Exception ignored" not in err
    return done.returncode, out, err


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
@pytest.mark.parametrize(
    ("arguments", "redirected", "code", "said"),
    [
        (INSPECT, ">&-", COULD_NOT, "the result cannot be printed (standard output is closed)"),
        (INSPECT, "<&- 2>/dev/full", 0, ""),
        (HELP, ">/dev/full", COULD_NOT, ""),
        (HELP, "| true; exit 3", COULD_NOT, ""),
        (MISSING, "2>/dev/full", COULD_NOT, ""),
        (MISSING, ">&- 2>&-", COULD_NOT, ""),
        (WRONG, "2>/dev/full", USAGE, ""),
        (WRONG, ">&- 2>&-", USAGE, ""),
    ],
)
def test_streams_that_take_nothing(shoot, arguments, redirected, code, said):
    told, out, err = command(shoot, arguments, redirected)
    assert told == code, err
    assert said in err
    if "2>" in redirected and arguments == INSPECT:
        assert TAKE in out


@pytest.mark.slow
def test_a_closed_error_stream_gives_no_file_its_number(shoot, tmp_path):
    """Else a library's warnings would go into the first file that is opened: the table."""
    table = tmp_path / "table.csv"
    code, _, _ = command(shoot, ("directions", TAKE, "--step-s", "0.5", "--csv", str(table)), ">&- 2>&-")
    assert code == COULD_NOT  # nobody was told
    assert table.read_text(encoding="utf-8").startswith("time_s,")  # what was made is kept


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii"])
def test_a_console_without_unicode(shoot, encoding):
    """Degrees, plus-minus, and a performer's name: shown as well as may be, and JSON stays whole."""
    take = shoot / "Zoë-№.flac"
    take.write_bytes((shoot / TAKE).read_bytes())
    done = subprocess.run(
        [sys.executable, "-m", "cli", "inspect", str(take), "--json"],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "PYTHONIOENCODING": encoding},
        capture_output=True,
        check=False,
        timeout=120,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert json.loads(done.stdout.decode("ascii"))["files"][0]["path"] == str(take)


@pytest.mark.parametrize(
    ("encoding", "line", "shown"),
    [
        ("ascii", "8° left, ±2 … Zoë", "8 deg left, +-2 ... Zo?"),
        ("cp1252", "8° left № 1", "8° left ? 1"),
        ("utf-8", "8° left № 1", "8° left № 1"),
    ],
)
def test_what_cannot_be_shown_is_written_otherwise(tmp_path, monkeypatch, encoding, line, shown):
    with (tmp_path / "out").open("w", encoding=encoding) as out:
        monkeypatch.setattr(sys, "stdout", out)
        put(line, json=False)
        monkeypatch.undo()
    assert (tmp_path / "out").read_text(encoding=encoding) == shown + "\n"


@pytest.mark.slow
def test_a_mistake_of_ours_is_told_in_a_sentence(shoot, tmp_path):
    code = (
        "import sys; from pathlib import Path; import spatial.jobs.inspect.inspect_takes as job\n"
        "def broken(*_, **__): return 1 / 0\n"
        "job.inspect_takes = broken\n"
        f"sys.argv = ['soundplumb', 'inspect', '{TAKE}', '--json']\n"
        "from cli.__main__ import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=shoot,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    (report,) = tmp_path.glob("soundplumb-mistake-*.txt")
    assert done.returncode == COULD_NOT
    said = json.loads(done.stdout)["error"]
    assert said == (
        "inspect could not be done, by a mistake in soundplumb itself (ZeroDivisionError: division by zero); send us "
        f"the file {report}"
    )
    assert done.stderr == f"soundplumb: {said}\n"
    text = report.read_text(encoding="utf-8")
    assert "Traceback" in text
    assert "in broken" in text


@pytest.mark.parametrize(
    "command_line",
    [
        ("conform", "a.mp4", "a.wav", "-o", "b.wav"),
        ("orient", "a.mp4", "a.wav"),
        ("review", "a.mp4", "a.wav", "-o", "look"),
        ("day", "folder"),
    ],
)
@pytest.mark.parametrize("both", [("--upright", "--upside-down"), ("--upside-down", "--upright")])
def test_up_and_down_at_once_is_wrong_use(command_line, both):
    from click.testing import CliRunner

    from cli.main import cli

    result = CliRunner().invoke(cli, [*command_line, *both])
    assert result.exit_code == USAGE
    assert "--upright and --upside-down" in result.stderr
