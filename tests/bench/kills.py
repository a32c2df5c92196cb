"""`conform`, `review` and `day --pages` killed at random moments: what lies under a final name is whole.

Run as `python -m tests.bench.kills`; it writes tests/bench/results/kills.md. A run is killed by SIGKILL, which nothing
can tidy up after, as when power fails; one run follows another in the same folder, as on set. After each kill every
track, sidecar, page and list under its final name is read, and the untouched inputs are held against their hashes; in
the end each command runs to its end, and nothing of the killed runs may be left.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import av
import numpy as np
import soundfile

from spatial.jobs.demo import lay_out
from spatial.media.output_folder import INDEX, LIST_NAME
from spatial.media.ownership import digest_of

RESULTS = Path(__file__).parent / "results" / "kills.md"
INPUTS = ("lantern.mp4", "lantern.marks.csv", "rec-0041.flac")
SAMPLES = 410 * 1920
"""Of the demo clip's track: 410 pictures at 25 in a second."""
RIG = ("--picture", "equirect180", "--mic-offset=-0.04,0,0.16")


def commands(folder: Path) -> dict[str, list[str]]:
    """What is run, by name."""
    clip, marks, take = (str(folder / name) for name in INPUTS)
    more = ["--marks", marks, *RIG, "--force"]
    return {
        "conform": ["conform", clip, take, "-o", str(folder / "out" / "lantern.wav"), *more],
        "review": ["review", clip, take, "-o", str(folder / "look"), *more],
        "day": ["day", str(folder), "--pages", *RIG, "--force"],
    }


def start(words: list[str]) -> "subprocess.Popen[bytes]":
    """A command, as the console script starts it."""
    return subprocess.Popen(
        [sys.executable, "-m", "cli", *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=Path.cwd()
    )


def complaints(folder: Path, hashes: dict[str, str]) -> list[str]:
    """What is half, changed or not to be read under a final name."""
    found = [name for name, known in hashes.items() if digest_of(folder / name) != known]
    for path in sorted(folder.rglob("*")):
        if any(part.startswith(".soundplumb-") for part in path.relative_to(folder).parts) or not path.is_file():
            continue
        try:
            if path.suffix == ".wav":
                whole = soundfile.info(path).frames == SAMPLES
                if whole and path.with_suffix(".json").exists():
                    whole = json.loads(path.with_suffix(".json").read_text())["output"]["samples"] == SAMPLES
            elif path.suffix in (".json", ".html"):
                text = path.read_text(encoding="utf-8")
                whole = text.rstrip().endswith(("}", "</html>"))
            elif path.suffix in (".mp4", ".m4a") and path.name not in INPUTS:
                with av.open(str(path)) as movie:
                    whole = sum(1 for _ in movie.demux()) > 100
            elif path.name == LIST_NAME:
                # After each digest the name; while files are being replaced, a name stands twice.
                names = [line.split("  ", 1)[1] for line in path.read_text().splitlines()[1:]]
                whole = all((path.parent / name).exists() for name in names) or not (path.parent / INDEX).exists()
            else:
                whole = True
        except (OSError, ValueError, LookupError, RuntimeError, av.error.FFmpegError) as error:
            found.append(f"{path.relative_to(folder)}: {error}")
            continue
        found += [] if whole else [f"{path.relative_to(folder)} is not whole"]
    return found


def main() -> None:
    """Kill and look."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    rng = np.random.default_rng(told.seed)
    rows = []
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        lay_out(folder)
        for path in folder.iterdir():
            if path.name not in INPUTS:
                path.unlink()
        (folder / "out").mkdir()
        hashes = {name: digest_of(folder / name) for name in INPUTS}
        lasts = {}
        for name, words in commands(folder).items():
            began = time.monotonic()
            with start(words) as process:
                process.communicate()
            lasts[name] = time.monotonic() - began
            assert process.returncode == 0, name
        killed = dict.fromkeys(lasts, 0)
        left = dict.fromkeys(lasts, 0)
        bad: list[str] = []
        for number in range(told.kills):
            name = list(lasts)[number % len(lasts)]
            before = set(folder.rglob(".soundplumb-*"))
            with start(commands(folder)[name]) as process:
                time.sleep(float(rng.uniform(0.1, 1.0)) * lasts[name])
                process.kill()
                process.communicate()
            killed[name] += process.returncode < 0
            left[name] += bool(set(folder.rglob(".soundplumb-*")) - before)
            bad += [f"{name}, kill {number}: {said}" for said in complaints(folder, hashes)]
        ends = {}
        for name, words in commands(folder).items():
            with start(words) as process:
                _, err = process.communicate()
            ends[name] = process.returncode
            bad += [f"{name} at the end: {err.decode()}"] if process.returncode else []
        over = [str(path.relative_to(folder)) for path in folder.rglob(".soundplumb-*")]
        bad += complaints(folder, hashes) + [f"left over: {path}" for path in over]
        rows = [f"| {name} | {lasts[name]:.1f} s | {killed[name]} | {left[name]} | {ends[name]} |" for name in lasts]
    text = [
        "# Killed at random moments",
        "",
        f"`python -m tests.bench.kills --kills {told.kills} --seed {told.seed}`: SIGKILL at random moments, one run",
        "after another in the same folder with `--force`; in the end each command once to its end.",
        "",
        "| command | lasts | killed before its end | left a folder of unfinished work | exit code of the last run |",
        "|---|---|---|---|---|",
        *rows,
        "",
        f"Half or damaged files under a final name, changed inputs, folders left after the last runs: {len(bad)}.",
        *[f"- {said}" for said in bad],
    ]
    print("\n".join(text))
    RESULTS.write_text("\n".join(text) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
