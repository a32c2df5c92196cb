"""Listen to a long take in a process of its own, while the clip is decoded in this one.

In two threads of one Python the two hinder each other: an hour of both took as long as one after the other.

Functions: hear_elsewhere; main (what runs there).
"""

import json
import os
import pickle
import signal
import subprocess
import sys
import time
from typing import IO

import numpy as np

from spatial.errors import MediaFileError, SoundplumbError
from spatial.jobs.progress import Progress
from spatial.jobs.sync.listen_take import Listened, hear_take
from spatial.media.takes.take import Take

WORTH_IT_S = 600.0
"""A shorter take is read before another process has even loaded its modules."""

_TOLD_EVERY_S = 0.05
"""From one word of progress to the next, seconds: more of them would only cost time."""

_DONE, _FAILED = "done", "failed"
"""The two words that end what the other process writes."""


def hear_elsewhere(take: Take, progress: Progress) -> Listened:
    """What hear_take gives, from another process.

    Raises
    ------
    MediaFileError
        As hear_take does.
    OSError, EOFError
        No other process can be started, or it went away.
    """
    # Where Python looks for modules here may be known to this process alone.
    paths = os.pathsep.join(path for path in sys.path if path)
    with subprocess.Popen(
        [sys.executable, "-m", "spatial.jobs.sync.listen_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": paths},
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            with process.stdin:
                pickle.dump(take, process.stdin)
            while (line := process.stdout.readline().decode().rstrip("\n")).startswith("0") or line.startswith("1"):
                progress(f"listening to {take.path.name}", float(line))
            if line.startswith(_FAILED):
                raise MediaFileError(json.loads(line.removeprefix(_FAILED)))
            if line != _DONE:
                raise EOFError("the process that listened to a take went away")
            pipe = _Pipe(process.stdout)
            powers, peak = (np.lib.format.read_array(pipe, allow_pickle=False) for _ in range(2))
            return Listened(powers, float(peak))
        finally:
            process.kill()


class _Pipe:
    """What can be read but not sought in, which NumPy would take a pipe's own object for."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file

    def read(self, size: int = -1) -> bytes:
        """The next bytes."""
        return self._file.read(size)


def main() -> None:
    """Listen to the take that stands on stdin; progress, then the arrays, go to stdout."""
    # Ctrl-C reaches both: the other one decides, and takes this one with it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    out = sys.stdout.buffer
    told_s = 0.0

    def tell(_step: str, done: float) -> None:
        nonlocal told_s
        if time.monotonic() - told_s >= _TOLD_EVERY_S:
            told_s = time.monotonic()
            out.write(f"{min(max(done, 0.0), 1.0):.4f}\n".encode())
            out.flush()

    take = pickle.load(sys.stdin.buffer)
    try:
        heard = hear_take(take, tell)
    except SoundplumbError as error:
        # As JSON: a file's name may hold line ends, and bytes that are no text.
        out.write(f"{_FAILED} {json.dumps(str(error))}\n".encode())
        return
    out.write(f"{_DONE}\n".encode())
    np.lib.format.write_array(out, heard.powers, allow_pickle=False)
    np.lib.format.write_array(out, np.array(heard.peak), allow_pickle=False)


if __name__ == "__main__":
    main()
