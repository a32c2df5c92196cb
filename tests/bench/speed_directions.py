"""How long directions of a long take needs against a bare Fourier transform of its four channels, and its memory.

Run: python -m tests.bench.speed_directions [MINUTES]   (writes tests/bench/results/speed_directions.md)
The take is a simulated scene over and over, written to a temporary folder.
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import stft

from spatial.direction.intensity import FRAME_S
from spatial.jobs.directions import directions_of_take
from tests.scenes.crowds import make_crowd
from tests.scenes.stage import RATE

GOAL_TIMES = 3.0
_CHUNK_S = 10


def write_take(path: Path, minutes: float) -> None:
    """A take of so many minutes in which two sound at once, over and over."""
    field = make_crowd(9000, apart_deg=(60.0, 90.0)).field
    field = 0.5 * field / np.max(np.abs(field))
    repeats = int(np.ceil(minutes * 60 * RATE / field.shape[1]))
    with soundfile.SoundFile(path, "w", RATE, 4, "PCM_24") as out:
        for _ in range(repeats):
            out.write(field.T)


def bare_transform(path: Path) -> None:
    """Read the take and transform its four channels in frames as long and as close as ours; nothing else."""
    size = round(FRAME_S * RATE)
    with soundfile.SoundFile(path) as sound:
        while len(block := sound.read(_CHUNK_S * RATE, dtype="float32")):
            stft(block.T, RATE, nperseg=size, noverlap=size // 2, boundary=None)


def timed(job: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds."""
    wall, busy = time.perf_counter(), time.process_time()
    job()
    return time.perf_counter() - wall, time.process_time() - busy


def main(minutes: float) -> str:
    """The table."""
    with tempfile.TemporaryDirectory() as folder:
        take = Path(folder) / "long.wav"
        write_take(take, minutes)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        bare = timed(lambda: bare_transform(take))
        ours = timed(lambda: directions_of_take(take))
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return "\n".join(
        [
            "# Directions of a long take against a bare Fourier transform",
            "",
            f"`python -m tests.bench.speed_directions {minutes:g}`: {minutes:g} minutes at 48 kHz, two at once. The "
            "bare transform is scipy's, of the four channels, in the same frames. The machine was busy with other "
            "work: processor seconds tell more than wall seconds.",
            "",
            "| | wall, s | processor, s | of bare (the goal: 3) |",
            "|---|---|---|---|",
            f"| bare transform | {bare[0]:.1f} | {bare[1]:.1f} | 1 |",
            f"| directions | {ours[0]:.1f} | {ours[1]:.1f} | {ours[1] / bare[1]:.2f} |",
            "",
            f"Most memory of the run: {most / 1024:.0f} MB ({before / 1024:.0f} MB before either; the goal: 500).",
            "",
        ]
    )


if __name__ == "__main__":
    text = main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
    print(text)
    (Path(__file__).parent / "results" / "speed_directions.md").write_text(text, encoding="utf-8")
