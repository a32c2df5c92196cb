"""Right pairs as ordinary cameras record them: is any of them refused or accused?

Run: python -m tests.bench.cameras [PAIRS [FIRST_SEED]]   (writes tests/bench/results/cameras.md)
Every pair belongs together. Refused: no match, or said to be another take. A LOOK is a match that says that it may
rest on music played back alone, or that each side holds sound of its own; a NOTE that few sounds are shared.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.sync.alignment import estimate_sync
from spatial.sync.coarse import find_candidates
from spatial.sync.same_music import Standing, compare_moments
from tests.scenes.cameras import Camera, make_pair
from tests.scenes.hearing import envelope
from tests.scenes.rooms import on_both_cores

FIRST_SEED = 5000
"""Rules were chosen on seeds below 90."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said of one right pair."""

    seed: int
    content: str
    length_s: float
    open_air: bool
    camera: Camera
    take_noise_db: float
    outcome: str
    offset_error_ms: float
    detail: str


def judge_pair(seed: int) -> Answer:
    """One pair, from its sound alone."""
    pair = make_pair(seed)
    powers = envelope(pair.clip.data), envelope(pair.take.data[:1])
    estimate = estimate_sync(pair.clip, pair.take, find_candidates(*powers), powers=powers)
    outcome, error_ms, detail = "refused", float("nan"), estimate.reason
    if estimate.law is not None and estimate.evidence is not None:
        middle_s = pair.length_s / 2
        error_ms = 1e3 * (estimate.law.take_from_clip(middle_s) - pair.law.take_from_clip(middle_s))
        found = compare_moments(pair.clip, pair.take, estimate.law, estimate.evidence.signs, powers)
        detail = f"{found.standing.value}, alone {found.only_clip_s:.1f} and {found.only_take_s:.1f} s"
        outcome = {
            Standing.CLEAR: "matched",
            Standing.UNTOLD: "NOTE",
            Standing.MUSIC: "LOOK: music",
            Standing.DOUBTFUL: "LOOK: differs",
            Standing.CONTRADICTED: "LOOK: differs" if estimate.apart else "refused",
        }[found.standing]
    return Answer(
        seed, pair.content, pair.length_s, pair.open_air, pair.camera, pair.take_noise_db, outcome, error_ms, detail
    )


GROUPS: dict[str, Callable[[Answer], str]] = {
    "what sounds": lambda a: a.content,
    "length": lambda a: f"{a.length_s:.0f} s",
    "place": lambda a: "open air" if a.open_air else "room",
    "range of the gain": lambda a: _band(a.camera.range_db, (0.1, 15.0, 25.0), "dB") if a.camera.range_db else "stands",
    "attack": lambda a: _band(1e3 * a.camera.attack_s, (15.0, 50.0), "ms") if a.camera.range_db else "none",
    "release": lambda a: _band(a.camera.release_s, (0.6, 2.0), "s") if a.camera.range_db else "none",
    "camera's own noise": lambda a: _band(a.camera.noise_db, (-35.0, -22.0), "dB"),
    "take's own noise": lambda a: _band(a.take_noise_db, (-45.0, -30.0), "dB"),
    "limiter": lambda a: "yes" if a.camera.limiter else "no",
    "noise reduction": lambda a: "yes" if a.camera.noise_reduction_db else "no",
    "low cut": lambda a: "yes" if a.camera.low_cut_hz else "no",
    "channels": lambda a: "dual mono" if a.camera.dual_mono else "stereo",
}
OUTCOMES = ("refused", "LOOK: differs", "LOOK: music", "NOTE", "matched")


def _band(value: float, edges: tuple[float, ...], unit: str) -> str:
    place = int(np.searchsorted(edges, value))
    if place == 0:
        return f"below {edges[0]:g} {unit}"
    return f"{edges[place - 1]:g} {unit} and more" if place == len(edges) else (
        f"{edges[place - 1]:g} to {edges[place]:g} {unit}"
    )  # fmt: skip


def main(pairs: int, first_seed: int) -> str:
    """The tables."""
    answers = on_both_cores(judge_pair, range(first_seed, first_seed + pairs))
    errors = np.abs([a.offset_error_ms for a in answers if np.isfinite(a.offset_error_ms)])
    lines = [
        "# Right pairs through ordinary cameras",
        "",
        f"`python -m tests.bench.cameras {pairs} {first_seed}`: {pairs} clips with their own takes (seeds {first_seed} "
        f"to {first_seed + pairs - 1}; rules were chosen on seeds below 90). Gains that stand, or ride over 6 to 34 dB "
        "with attacks of 5 to 150 ms and releases of 0.2 to 5 s; limiters, noise reduction, low cuts, dual mono; "
        "recorders 10 to 40 cm away. Nothing is accused with FIX unless it is refused.",
        "",
        f"Offset of the matched ones in the middle of the clip: median {np.median(errors):.2f} ms, 95 % within "
        f"{np.percentile(errors, 95):.2f} ms.",
        "",
        "| | pairs | " + " | ".join(OUTCOMES) + " |",
        "|---|---|" + "---|" * len(OUTCOMES),
        _row("all", answers),
    ]
    for group, key in GROUPS.items():
        for name in sorted({key(a) for a in answers}):
            lines.append(_row(f"{group}: {name}", [a for a in answers if key(a) == name]))
    lines += ["", "## Refused, or said to differ", ""]
    odd = [a for a in answers if a.outcome in OUTCOMES[:2]]
    lines += [f"- seed {a.seed}, {a.content}, {a.length_s:.0f} s, {a.camera}: {a.outcome}; {a.detail}" for a in odd]
    return "\n".join(lines if odd else [*lines, "None."]) + "\n"


def _row(name: str, answers: list[Answer]) -> str:
    counts = [sum(a.outcome == outcome for a in answers) for outcome in OUTCOMES]
    return f"| {name} | {len(answers)} | " + " | ".join(map(str, counts)) + " |"


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, int(sys.argv[2]) if len(sys.argv) > 2 else FIRST_SEED)
    print(text)
    (Path(__file__).parent / "results" / "cameras.md").write_text(text, encoding="utf-8")
