"""How long sync takes against bare decoding of the same files, in the same run.

Run: python -m tests.bench.speed CLIP TAKE...   (prints one table; give it an hour of each)
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import av
import soundfile

from spatial.jobs.sync.sync_clip import sync_clip


def decode(clip: Path, takes: list[Path]) -> None:
    """Every sample of the clip's sound by PyAV and of the takes by soundfile, thrown away."""
    with av.open(str(clip)) as container:
        for _ in container.decode(audio=0):
            pass
    for take in takes:
        with soundfile.SoundFile(take) as sound:
            while len(sound.read(1 << 16, dtype="float32")):
                pass


def timed(job: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds."""
    wall, busy = time.perf_counter(), time.process_time()
    job()
    return time.perf_counter() - wall, time.process_time() - busy


def main(clip: Path, takes: list[Path]) -> str:
    """The table."""
    bare = timed(lambda: decode(clip, takes))
    rows = [("bare decoding", *bare)]
    rows += [(name, *timed(lambda: sync_clip(clip, takes))) for name in ("sync", "sync again, takes remembered")]
    lines = ["| | wall, s | of bare | processor, s |", "|---|---|---|---|"]
    lines += [f"| {name} | {wall:.1f} | {wall / bare[0]:.2f} | {busy:.1f} |" for name, wall, busy in rows]
    return "\n".join(lines)


if __name__ == "__main__":
    print(main(Path(sys.argv[1]), [Path(name) for name in sys.argv[2:]]))
