"""How long the check on set takes, and how often its answers are right, unsure or wrong.

Each scene is a clip and a take of a minute: a room, three performers by turns, a rig, clocks, a camera with gain that
rides, an ideal microphone (with --real a real one). It is checked as it is, as ordinary shoots are (nothing may be
accused), and then with one thing wrong that has to be seen: the take of another scene, left and right of the field
exchanged, a channel dead, a hole in the sound, a camera that records nothing.
Development seeds 100 to 105; reported are others.
Run: python -m tests.bench.check [SCENES] [FIRST] [--real]   (prints one table and one line for each miss)
"""

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile

from demo_audio.boxes import record, true_law
from demo_audio.simulate import camera_sound
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from tests.scenes.rooms import Scene, make_scene
from tests.scenes.stage import RATE
from tests.scenes.sync import handled

EARLY_S = 2.0
"""The take runs for so long before the clip."""

ORDINARY = "as it is"
FAULTS = ("take of another scene", "left and right of the field exchanged", "a channel dead", "a hole of 40 ms",
          "a silent camera")  # fmt: skip


def write_clip(path: Path, scratch: FloatArray) -> None:
    """A movie with small grey pictures."""
    picture = np.full((48, 96, 3), 90, dtype=np.uint8)
    frames = int(scratch.shape[1] / RATE * 25)
    write_movie(
        path, frames=(picture for _ in range(frames)), frame_rate=Fraction(25), audio=scratch, audio_bit_rate=128_000
    )


def boxes(scene: Scene) -> tuple[FloatArray, FloatArray, float]:
    """Camera's sound, the take, and take time minus clip time at the clip's start."""
    rng = np.random.default_rng((scene.seed, 77))
    length_s = scene.shoot.field.shape[1] / RATE - EARLY_S - 1.0
    ppm = rng.uniform(-40, 40)
    scratch = record(scene.shoot.scratch, rate_hz=RATE, start_s=EARLY_S, duration_s=length_s, rng=rng)
    scratch = camera_sound(
        handled(scratch, rng), rate_hz=RATE, rng=rng, wind_snr_db=rng.uniform(5, 20),
        gain_range_db=float(rng.choice([0.0, 10.0, 20.0])),
    )  # fmt: skip
    field = record(
        scene.shoot.field, rate_hz=RATE, start_s=0.5, duration_s=length_s + EARLY_S, rng=rng, clock_ppm=ppm,
        noise_dbfs=-85.0,
    )  # fmt: skip
    law = true_law(clip_start_s=EARLY_S, take_start_s=0.5, take_ppm=ppm)
    return scratch, (0.3 * field / max(1.0, float(np.max(np.abs(field))))).astype(np.float32), law.take_from_clip(0.0)


def variants(scratch: FloatArray, field: FloatArray, other: FloatArray) -> Iterator[tuple[str, FloatArray, FloatArray]]:
    """What is checked: as it is, then with one thing wrong."""
    yield ORDINARY, scratch, field
    yield FAULTS[0], scratch, other
    yield FAULTS[1], scratch, field * np.array([1, -1, 1, 1], dtype=np.float32)[:, np.newaxis]
    yield FAULTS[2], scratch, field * np.array([1, 1, 1, 0], dtype=np.float32)[:, np.newaxis]
    hole = field.copy()
    middle = hole.shape[1] // 2
    loud = middle + int(np.argmax(np.abs(hole[0, middle : middle + 10 * RATE])))
    hole[:, loud : loud + int(0.04 * RATE)] = 0.0
    yield FAULTS[3], scratch, hole
    yield FAULTS[4], np.zeros_like(scratch), field


def checked(folder: Path, hanging: str) -> tuple[dict[str, object], int, tuple[float, float]]:
    """The check's JSON, exit code, and wall and processor time, of a process of its own."""
    begun, busy = time.perf_counter(), _children_s()
    ran = subprocess.run(
        [sys.executable, "-m", "cli", "check", str(folder), "--json", f"--{hanging}"],
        capture_output=True, text=True, check=False, env={**os.environ, "SOUNDPLUMB_CACHE": "off"},
    )  # fmt: skip
    return json.loads(ran.stdout), ran.returncode, (time.perf_counter() - begun, _children_s() - busy)


def _children_s() -> float:
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime + resource.getrusage(resource.RUSAGE_CHILDREN).ru_stime


def judged(case: str, told: dict[str, object], offset_s: float, yaw_deg: float) -> dict[str, str]:
    """For each question right, unsure or wrong."""
    lines = {line["about"]: line for line in told["lines"]}  # type: ignore[attr-defined]
    answers = {about: line["answer"] for about, line in lines.items()}

    def grade(about: str, *right: str) -> str:
        return "right" if answers[about] in right else "unsure" if answers[about] == "unsure" else "wrong"

    if case == FAULTS[0]:
        return {"in_step": grade("in_step", "no"), "ready": "right" if told["ready"] is False else "wrong"}
    if case == FAULTS[1]:
        return {"left_is_left": grade("left_is_left", "look", "no")}
    if case in FAULTS[2:4]:
        return {"no_faults": grade("no_faults", "look", "no")}
    if case == FAULTS[4]:
        return {"sound_on_both": grade("sound_on_both", "no"), "ready": "right" if told["ready"] is False else "wrong"}
    good = {about: grade(about, "yes") for about in answers}
    good["ready"] = {True: "right", None: "unsure", False: "wrong"}[told["ready"]]  # type: ignore[index]
    measured = told["measured"]
    assert isinstance(measured, dict)
    if measured["offset_s"] is not None and abs(measured["offset_s"] - offset_s) > 0.003:
        good["in_step"] = "wrong"
    if measured["yaw_deg"] is not None:
        off = abs((measured["yaw_deg"] - yaw_deg + 180.0) % 360.0 - 180.0)
        good["microphone"] = "right" if off < max(10.0, 1.96 * measured["yaw_sd_deg"]) else "wrong"
    return good


def main(scenes: int, first: int, *, real: bool) -> None:
    """Print the table, also where it is stopped (Ctrl-C) after some scenes."""
    counts: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    times: list[tuple[float, float]] = []
    other = None
    with suppress(KeyboardInterrupt):
        for seed in range(first - 1, first + scenes):
            scene = make_scene(seed, rt60_s=(0.25, 0.7), diffuse_snr_db=(8.0, 20.0), turn_s=3.3, rounds=6, real=real)
            scratch, field, offset_s = boxes(scene)
            if other is None:
                other = field
                continue
            mount = scene.rig.mount
            hanging = "upside-down" if abs(np.degrees(mount.roll_rad)) > 90 else "upright"
            for case, sound, recorded in variants(scratch, field, other):
                with tempfile.TemporaryDirectory() as name:
                    folder = Path(name)
                    write_clip(folder / "clip.mov", sound)
                    soundfile.write(folder / "take.wav", recorded.T, RATE, subtype="PCM_24")
                    told, code, seconds = checked(folder, hanging)
                times.append(seconds)
                if "lines" not in told:
                    print(f"{case}, seed {seed}: exit code {code}, {told}")
                    continue
                for about, grade in judged(case, told, offset_s, float(np.degrees(mount.yaw_rad))).items():
                    counts[case, about][grade] += 1
                    if grade != "right":
                        line = next((one for one in told["lines"] if one["about"] == about), told["verdict"])  # type: ignore[attr-defined]
                        print(f"{case}, seed {seed} ({scene.kind}), {about}: {grade}: {line}", flush=True)
            other = field
    print("\n| case | question | right | unsure | wrong |\n|---|---|---|---|---|")
    for (case, about), told_of in counts.items():
        print(f"| {case} | {about} | {told_of['right']} | {told_of['unsure']} | {told_of['wrong']} |")
    wall, busy = zip(*times, strict=True)
    print(f"\n{len(times)} checks: wall {np.median(wall):.1f} s in the median, {max(wall):.1f} s at most; ", end="")
    print(f"processor {np.median(busy):.1f} s in the median, {max(busy):.1f} s at most.")


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 12,
        int(sys.argv[2]) if len(sys.argv) > 2 else 100,
        real="--real" in sys.argv,
    )
