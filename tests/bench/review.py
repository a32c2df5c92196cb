"""How long a review takes, how large it is, and whether the page stays smooth: a clip of 5 minutes at 1920 x 1080.

Run: python -m tests.bench.review [FOLDER]   (about 5 minutes; FOLDER keeps the made-up clip for the next run)
Needs Chromium. Writes tests/bench/results/review.md.
"""

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.field import encode
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from tests.scenes.hearing import bursts_of_noise

LENGTH_S = 300.0
RATE = 48_000
RESULTS = Path(__file__).parent / "results" / "review.md"
WATCHED_S = 30


def pictures(rng: np.random.Generator) -> Iterator[npt.NDArray[np.uint8]]:
    """A textured still with something that moves to and fro, and a little grain; two seconds of it, again and again."""
    soft = rng.uniform(40, 200, (68, 120, 3)).repeat(16, axis=0).repeat(16, axis=1)[:1080]
    kept = []
    for number in range(50):
        frame = soft + rng.normal(0, 2, (1080, 1920, 1))
        left = 850 + round(800 * np.sin(number / 25 * np.pi))
        frame[400:700, left : left + 200] = (230, 180, 90)
        kept.append(np.clip(frame, 0, 255).astype(np.uint8))
    for number in range(round(LENGTH_S * 25)):
        yield kept[number % len(kept)]


def field(rng: np.random.Generator) -> FloatArray:
    """Bursts from a new direction every five seconds, with noise from all around."""
    sound = soxr.resample(np.array(bursts_of_noise(LENGTH_S + 10, rng)), 16_000, RATE)
    out = np.zeros((4, sound.size), dtype=np.float32)
    for start in range(0, sound.size, 5 * RATE):
        piece = sound[start : start + 5 * RATE]
        out[:, start : start + piece.size] = encode(piece, rng.uniform(-3, 3), rng.uniform(-0.4, 0.4))
    return np.asarray(out + 1e-3 * rng.standard_normal(out.shape), dtype=np.float32)


def made_up(folder: Path) -> tuple[Path, Path]:
    """Clip and take, made once."""
    clip, take = folder / "clip.mp4", folder / "take.wav"
    if not clip.exists():
        rng = np.random.default_rng(61)
        sound = field(rng)
        soundfile.write(take, sound.T, RATE, subtype="PCM_24")
        start = 3 * RATE
        scratch = sound[:1, start : start + round(LENGTH_S * RATE)] + 2e-3 * rng.standard_normal(round(LENGTH_S * RATE))
        options = {"preset": "ultrafast", "crf": "25"}
        write_movie(clip, frames=pictures(rng), frame_rate=Fraction(25), audio=scratch, video_options=options)
    return clip, take


def smoothness(page_folder: Path, own: Path) -> tuple[float, float, float]:
    """Longest task of the page's main thread while it plays, ms by the clock and of processor; its share of a core."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, headless=True, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.goto((page_folder / "index.html").as_uri())
        page.wait_for_timeout(3000)
        browser.start_tracing(page=page, path=own / "trace.json", categories=["toplevel"])
        for _ in range(3):
            page.locator("#closer").click()
        page.locator("#play").click()
        page.wait_for_timeout(WATCHED_S * 1000)
        browser.stop_tracing()
        browser.close()
    events = json.loads((own / "trace.json").read_text(encoding="utf-8"))["traceEvents"]
    threads = [event for event in events if event.get("name") == "thread_name"]
    main = {(event["pid"], event["tid"]) for event in threads if event["args"]["name"] == "CrRendererMain"}
    tasks = [
        event
        for event in events
        if event.get("ph") == "X" and event["name"].endswith("::RunTask") and (event["pid"], event["tid"]) in main
    ]
    processor = [task.get("tdur", 0) for task in tasks]
    return max(task["dur"] for task in tasks) / 1e3, max(processor) / 1e3, sum(processor) / 1e6 / WATCHED_S


def main() -> None:
    """Make, measure, open, write down."""
    with tempfile.TemporaryDirectory() as own:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(own)
        folder.mkdir(parents=True, exist_ok=True)
        clip, take = made_up(folder)
        # Its own peak: what rusage tells of a child begins with what its parent held when it was started.
        command = (
            "from cli.main import cli\n"
            "try: cli(prog_name='soundplumb')\n"
            "finally: print([line for line in open('/proc/self/status') if 'VmHWM' in line][0].split()[1])"
        )
        arguments = ["review", clip, take, "-o", Path(own) / "page", "--picture", "equirect180", "--mount", "30,0,0"]
        before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
        told = subprocess.run(
            [sys.executable, "-c", command, *map(str, arguments)], check=True, capture_output=True, text=True
        )
        wall_s = time.monotonic() - started
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        sizes = {path.name: path.stat().st_size / 1e6 for path in (Path(own) / "page").iterdir()}
        by_clock_ms, longest_ms, busy = smoothness(Path(own) / "page", Path(own))
        load = os.getloadavg()[0]
    rows = [
        ("made in, of the clip's length (goal 0.5)", f"{wall_s / LENGTH_S:.2f}"),
        ("processor time, of the clip's length (two cores: half of it at best)", f"{cpu_s / LENGTH_S:.2f}"),
        ("largest memory, MB (goal 500)", f"{int(told.stdout.split()[-1]) / 1024:.0f}"),
        ("page with movie and sounds, MB (goal 30)", f"{sum(sizes.values()):.1f}"),
        ("of that index.html, MB", f"{sizes['index.html']:.2f}"),
        ("of that the movie, MB", f"{sizes['movie.mp4']:.1f}"),
        (f"longest task in {WATCHED_S} s of playing, ms of processor time (goal 100)", f"{longest_ms:.0f}"),
        ("the same by the clock, other programs' turns included", f"{by_clock_ms:.0f}"),
        ("part of a core that the page's main thread takes", f"{100 * busy:.0f} %"),
        ("load of the two cores meanwhile (2 = both busy)", f"{load:.1f}"),
    ]
    table = "\n".join(["| what | measured |", "|---|---|", *(f"| {name} | {value} |" for name, value in rows)])
    text = f"# Review page\n\n`python -m tests.bench.review`: a clip of 5 minutes at 1920 x 1080.\n\n{table}\n"
    print(text)
    RESULTS.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
