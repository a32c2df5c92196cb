"""How long the commands take that people wait for, each against bare library calls on the same files in the same run.

Run: python -m tests.bench.speed [FOLDER [MINUTES...]]   (writes tests/bench/results/speed.md; FOLDER keeps scenes)

Every row is a process of its own, so that its memory and its imports are its own too. Processor time is of the process
and of those that it started. Rows are measured in turn, REPEATS times, and the least counts: other work only adds.
"""

import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ
from tests.bench.longshoot import LongShoot, write_long_shoot
from tests.bench.speed_turn import SAMPLES

SEED = 1
REPEATS = 2

_BARE = {
    "decode": """
import av, soundfile
with av.open(sys.argv[1]) as container:
    for _ in container.decode(audio=0):
        pass
with soundfile.SoundFile(sys.argv[2]) as sound:
    while len(sound.read(1 << 16, dtype="float32")):
        pass
""",
    "read": """
import soundfile
with soundfile.SoundFile(sys.argv[2]) as sound:
    while len(sound.read(1 << 16, dtype="float32")):
        pass
""",
    "read, resample, write": f"""
import numpy, soundfile, soxr
stream = soxr.ResampleStream({DELIVERY_RATE_HZ} * (1 + 2e-5), {DELIVERY_RATE_HZ}, 4, dtype="float32", quality="HQ")
with soundfile.SoundFile(sys.argv[2]) as sound:
    with soundfile.SoundFile(sys.argv[3], "w", {DELIVERY_RATE_HZ}, 4, "PCM_24", format="WAV") as out:
        while len(block := sound.read(1 << 16, dtype="float32")):
            out.write(stream.resample_chunk(block))
""",
    "transform": """
import soundfile
from scipy.signal import stft
with soundfile.SoundFile(sys.argv[2]) as sound:
    while len(block := sound.read(480_000, dtype="float32")):
        stft(block.T, 48_000, nperseg=360, noverlap=180, boundary=None)
""",
}
"""Programs that do with libraries alone what a command cannot do without; told a clip, a take and a file to write."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process took."""

    wall_s: float
    busy_s: float
    memory_mb: float


@dataclass(frozen=True, slots=True)
class Row:
    """One command against its bare work."""

    name: str
    bare: str
    """Empty: seconds count, not a ratio."""
    goal: float
    command: tuple[str, ...]
    shoot: LongShoot | None = None
    keeps: bool = False
    """Whether it finds what an earlier run remembered."""


def run(command: Sequence[str], cache: str) -> Cost:
    """Run a process to its end, and say what it took."""
    began = time.perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={**os.environ, "SOUNDPLUMB_CACHE": cache}
    ) as process:
        assert process.stderr is not None
        said = process.stderr.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 4):
        raise RuntimeError(f"{' '.join(command)} failed: {said.decode()}")
    return Cost(time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def least(costs: Sequence[Cost]) -> Cost:
    """The least of each; of memory the most."""
    return Cost(min(c.wall_s for c in costs), min(c.busy_s for c in costs), max(c.memory_mb for c in costs))


def rows_of(short: LongShoot, long: Sequence[tuple[float, LongShoot]], track: Path) -> list[Row]:
    """Every command that is measured; of the long clips the first one is put to all of them."""
    program = (sys.executable, "-m", "cli")
    mount = ",".join(f"{np.degrees(angle):.3f}" for angle in astuple(long[0][1].mount))
    rows = [
        Row("imports of the first command", "", 0.5, (sys.executable, "-c", _IMPORTS)),
        Row("sync, 1 min x 2 min, whole command", "", 1.2, (*program, "sync", str(short.clip), str(short.take)), short),
    ]
    for minutes, shoot in long:
        sync = (*program, "sync", str(shoot.clip), str(shoot.take))
        rows.append(Row(f"sync, {minutes:g} min x {minutes + 1:g} min", "decode", 1.8, sync, shoot))
        rows.append(Row("the same, the take remembered", "decode", 1.2, sync, shoot, keeps=True))
    minutes, shoot = long[0]
    conform = (*program, "conform", str(shoot.clip), str(shoot.take), "--mount", mount, "-o", str(track), "--force")
    rows.append(Row(f"conform, {minutes:g} min, mount given", "read, resample, write", 3.0, conform, shoot))
    rows.append(Row(f"inspect, {minutes + 1:g} min", "read", 1.5, (*program, "inspect", str(shoot.take)), shoot))
    rows.append(
        Row(f"directions, {minutes + 1:g} min", "transform", 2.0, (*program, "directions", str(shoot.take)), shoot)
    )
    return rows


_IMPORTS = (
    "import spatial.jobs.sync.lip_sync_findings, spatial.jobs.sync.sync_clip, spatial.report.text, "
    "spatial.report.json_output"
)
"""What `sync` loads before it does anything."""


_TURN = """
from tests.bench.speed_turn import turn_times_s
times = turn_times_s()
print(times["moving turn, its rotations too"] / times["bare 4 x 4 product"])
"""
"""In a process of its own, with one thread, as the program has it."""


def measure(rows: Sequence[Row], folder: Path) -> list[str]:
    """The table's lines."""
    bare: dict[tuple[str, Path], list[Cost]] = {}
    found: list[list[Cost]] = [[] for _ in rows]
    for _ in range(REPEATS):
        for costs, row in zip(found, rows, strict=True):
            if row.bare and row.shoot is not None:
                command = (
                    sys.executable,
                    "-c",
                    "import sys" + _BARE[row.bare],
                    str(row.shoot.clip),
                    str(row.shoot.take),
                )
                bare.setdefault((row.bare, row.shoot.clip), []).append(run((*command, str(folder / "bare.wav")), "off"))
            cache = str(folder / "cache")
            if row.keeps and not costs:
                run(row.command, cache)
            costs.append(run(row.command, cache if row.keeps else "off"))
    lines = ["| work | goal | wall | processor | memory, MB |", "|---|---|---|---|---|"]
    for costs, row in zip(found, rows, strict=True):
        cost = least(costs)
        if row.bare and row.shoot is not None:
            unit = least(bare[row.bare, row.shoot.clip])
            told = f"{cost.wall_s / unit.wall_s:.2f} x ({cost.wall_s:.1f} s)", f"{cost.busy_s / unit.busy_s:.2f} x"
            goal = f"{row.goal:g} x {row.bare}, {unit.wall_s:.1f} s"
        else:
            told, goal = (f"{cost.wall_s:.2f} s", f"{cost.busy_s:.2f} s"), f"{row.goal:g} s"
        lines.append(f"| {row.name} | {goal} | {told[0]} | {told[1]} | {cost.memory_mb:.0f} |")
    return lines


def main(folder: Path, minutes: Sequence[float]) -> str:
    """The page."""
    short = write_long_shoot(folder, clip_min=1, take_min=2, seed=SEED)
    long = [(m, write_long_shoot(folder, clip_min=m, take_min=m + 1, seed=SEED)) for m in minutes]
    with tempfile.TemporaryDirectory() as made:
        lines = measure(rows_of(short, long, Path(made) / "track.wav"), Path(made))
    told = subprocess.run(
        [sys.executable, "-c", _TURN], env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}, capture_output=True, check=True
    )
    ratio = float(told.stdout)
    lines.append(f"| moving turn of {SAMPLES} samples | 1.5 x product | {ratio:.2f} x | | |")
    return "\n".join(
        [
            "# How long people wait",
            "",
            f"`python -m tests.bench.speed FOLDER {' '.join(f'{m:g}' for m in minutes)}` on {os.cpu_count()} cores "
            f"({platform.machine()}), Python {platform.python_version()}, load {os.getloadavg()[0]:.0f} at the end: of "
            f"{REPEATS} runs of each the least. A ratio's unit is the bare work on the same files in the same run, by "
            "libraries alone. Processor time is of all processes of a command; where the load is above the number of "
            "cores it tells more than wall time, and says nothing of what is done side by side.",
            "",
            *lines,
            "",
        ]
    )


if __name__ == "__main__":
    lengths = [float(word) for word in sys.argv[2:]] or [20.0]
    if len(sys.argv) > 1:
        text = main(Path(sys.argv[1]), lengths)
    else:
        with tempfile.TemporaryDirectory() as temporary:
            text = main(Path(temporary), lengths)
    print(text)
    (Path(__file__).parent / "results" / "speed.md").write_text(text, encoding="utf-8")
