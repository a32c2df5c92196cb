"""How long inspect takes against a bare block read of the same file, and how much memory, in the same run.

Run: python -m tests.bench.speed_inspect TAKE   (prints one table; give it an hour of four channels)
"""

import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

import soundfile

from spatial.jobs.inspect.inspect_takes import inspect_takes


def read(take: Path) -> None:
    """Every sample of the take by soundfile, thrown away."""
    with soundfile.SoundFile(take) as sound:
        while len(sound.read(1 << 16, dtype="float32")):
            pass


def timed(job: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds."""
    wall, busy = time.perf_counter(), time.process_time()
    job()
    return time.perf_counter() - wall, time.process_time() - busy


def main(take: Path) -> str:
    """The table."""
    steps: set[float] = set()
    rows = [("bare block read", *timed(lambda: read(take)))]
    rows.append(
        ("inspect", *timed(lambda: inspect_takes([take], progress=lambda _step, part: steps.add(round(part, 2)))))
    )
    rows.append(("bare block read again", *timed(lambda: read(take))))
    bare = (rows[0][2] + rows[2][2]) / 2
    lines = ["| | wall, s | processor, s | processor, of bare |", "|---|---|---|---|"]
    lines += [f"| {name} | {wall:.1f} | {busy:.1f} | {busy / bare:.2f} |" for name, wall, busy in rows]
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return "\n".join([*lines, "", f"Most memory: {most:.0f} MB. Progress was told in {len(steps)} steps of 1 %."])


if __name__ == "__main__":
    print(main(Path(sys.argv[1])))
