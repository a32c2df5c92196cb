"""How long a day takes that is done again with nothing changed: processor time, by the number of its clips.

The demo's second clip is done once; the others are copies of it under other names, with tracks and sidecars as a day
would have left them. Each day is then done twice: once so that digests are remembered, once for the clock.

    python -m tests.bench.day_again 1 60
"""

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from spatial.jobs.day.day_folder import run_day
from spatial.jobs.demo import lay_out
from spatial.jobs.rig import Rig
from spatial.media.ownership import BLANK_SEAL, put_seal

OPTIONS = ("--picture", "equirect180-sbs", "--mic-offset", "0.03,0,-0.3")
RIG = Rig((0.03, 0.0, -0.3), "equirect180-sbs")


def shoot_of(folder: Path, clips: int) -> None:
    """Lay out a day of so many clips, all done."""
    lay_out(folder)
    for name in ("lantern.mp4", "lantern.marks.csv", "rec-0041.flac"):
        (folder / name).unlink()
    run_day(folder, rig_for=lambda _clip: RIG)
    for number in range(1, clips):
        name = f"clip{number:03d}"
        shutil.copy(folder / "slipway.mov", folder / f"{name}.mov")
        shutil.copy(folder / "slipway.marks.csv", folder / f"{name}.marks.csv")
        shutil.copy(folder / "tracks" / "slipway.wav", folder / "tracks" / f"{name}.wav")
        facts = json.loads((folder / "tracks" / "slipway.json").read_text(encoding="utf-8"))
        text = json.dumps({**facts, "seal": BLANK_SEAL}, indent=2, ensure_ascii=False).replace("slipway", name)
        sidecar = folder / "tracks" / f"{name}.json"
        sidecar.write_text(text + "\n", encoding="utf-8")
        put_seal(sidecar)


def seconds_of(folder: Path) -> tuple[float, int]:
    """Processor seconds of `soundplumb day`, and how many of its clips were remembered."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "cli", "day", str(folder), *OPTIONS, "--json"], capture_output=True, check=False
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    told = json.loads(done.stdout)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return used, sum(clip["remembered"] for clip in told["clips"])


def main() -> None:
    """Print a table."""
    print("| clips | remembered | first time again, s | once more, s |\n|---|---|---|---|")
    for clips in map(int, sys.argv[1:] or ("1", "60")):
        with tempfile.TemporaryDirectory() as home:
            os.environ["SOUNDPLUMB_CACHE"] = str(Path(home) / "cache")
            shoot_of(Path(home) / "shoot", clips)
            first, _ = seconds_of(Path(home) / "shoot")
            again, remembered = seconds_of(Path(home) / "shoot")
            print(f"| {clips} | {remembered} | {first:.2f} | {again:.2f} |")


if __name__ == "__main__":
    main()
