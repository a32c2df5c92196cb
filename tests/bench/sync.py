"""How well offset and drift are found, and that unrelated takes never match.

Run: python -m tests.bench.sync [COUNT]   (writes tests/bench/results/sync.md)
"""

import sys
from pathlib import Path

import numpy as np

from demo_audio.simulate import camera_sound, record, true_law
from spatial.analysis.envelope import WORKING_RATE_HZ, EnvelopeBuilder, find_candidates
from spatial.analysis.samples import ArraySamples
from spatial.analysis.sync import SyncEstimate, estimate_sync
from spatial.conventions import FloatArray
from tests.bench.stages import Scene, make_scene, on_both_cores, rows_of

FIRST_SEED = 2000
CONDITIONS = {
    "RT60 0.3-0.7 s, noise at 5 to 20 dB": ((0.3, 0.7), (5.0, 20.0)),
    "RT60 0.8 s, noise at -5 dB": ((0.75, 0.85), (-5.0, -4.0)),
}


def listen(scene: Scene, rng: np.random.Generator) -> tuple[ArraySamples, ArraySamples, float, float]:
    """Record a scene with two boxes: clip and take at 16 kHz, true offset and drift."""
    ppm, start_s, length_s = rng.uniform(-80, 80), rng.uniform(3.0, 8.0), 45.0
    scratch = record(scene.shoot.scratch, rate_hz=48_000, start_s=start_s, duration_s=length_s, rng=rng)
    heard = camera_sound(scratch, rate_hz=48_000, rng=rng, wind_snr_db=rng.uniform(0, 15))
    clip = record(heard, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=length_s, rng=rng)
    take = record(
        scene.shoot.field, rate_hz=WORKING_RATE_HZ, start_s=0.0, duration_s=54.0, rng=rng, clock_ppm=ppm,
        noise_dbfs=-75.0,
    )  # fmt: skip
    law = true_law(clip_start_s=start_s, take_start_s=0.0, take_ppm=ppm)
    return (
        ArraySamples(clip.astype(np.float32), WORKING_RATE_HZ),
        ArraySamples(take.astype(np.float32), WORKING_RATE_HZ),
        law.offset_s,
        law.drift_ppm,
    )


def sync(clip: ArraySamples, take: ArraySamples) -> SyncEstimate:
    """The analysis of the sync job, without files."""
    return estimate_sync(clip, take, find_candidates(_envelope(clip.data), _envelope(take.data[:1])), max_windows=200)


def _envelope(channels: FloatArray) -> FloatArray:
    builder = EnvelopeBuilder()
    builder.push(channels)
    return builder.finish()


def measure(seed: int) -> tuple[str, SyncEstimate, float, float, bool]:
    """One scene against its own take and against another's."""
    name, (rt60, snr) = list(CONDITIONS.items())[(seed // 2) % 2]
    scene = make_scene(seed, rt60_s=rt60, diffuse_snr_db=snr, turn_s=3.0, rounds=6)
    rng = np.random.default_rng(seed)
    clip, take, offset_s, drift_ppm = listen(scene, rng)
    other = make_scene(seed + 50_000, rt60_s=rt60, diffuse_snr_db=snr, turn_s=3.0, rounds=6)
    _, wrong, _, _ = listen(other, rng)
    return name, sync(clip, take), offset_s, drift_ppm, sync(clip, wrong).matched


def main(count: int) -> str:
    """The table."""
    results = on_both_cores(measure, range(FIRST_SEED, FIRST_SEED + count))
    lines = [
        "# Offset and drift over 45 s, in simulated rooms",
        "",
        f"`python -m tests.bench.sync {count}`: {count} scenes (seeds {FIRST_SEED} to {FIRST_SEED + count - 1}), "
        "speech, music and claps; rig 10 to 30 cm apart; camera with riding gain, limiter and wind; "
        "clocks up to 80 ppm apart. "
        "Codec and container are tested on files, not here.",
    ]
    for name in CONDITIONS:
        own = [result for result in results if result[0] == name]
        found = [(estimate, o, d) for _, estimate, o, d, _ in own if estimate.matched]
        offset_ms = [1e3 * (e.law.offset_s - o) for e, o, _ in found]
        drift = [e.law.drift_ppm - d for e, _, d in found]
        held = np.mean([abs(e.law.offset_s - o) < 1.96 * e.offset_sd_s for e, o, _ in found])
        held_drift = np.mean([abs(e.law.drift_ppm - d) < 1.96 * e.drift_sd_ppm for e, _, d in found])
        lines += [
            "",
            f"## {name}",
            f"Matched {len(found)} of {len(own)}, the rest said to be unsure. 95 % intervals hold the truth: offset "
            f"{100 * held:.0f} %, drift {100 * held_drift:.0f} %.",
            "",
            "| error | clips | median | 95 % | worst |",
            "|---|---|---|---|---|",
            *rows_of({"offset, ms": offset_ms, "drift, ppm": drift}, form=".3f"),
        ]
    wrong = sum(result[4] for result in results)
    lines += ["", f"Against a take of another scene: {wrong} of {count} called a match."]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
    print(text)
    (Path(__file__).parent / "results" / "sync.md").write_text(text, encoding="utf-8")
