"""A camera's gain that rides: is it named, with its range, and never where it stands?

Run: python -m tests.bench.riding [SCENES [FIRST_SEED]]   (writes tests/bench/results/riding.md)
Every scene is recorded twice, through a gain that rides and through one that stands, in everything else alike; in every
other scene whoever sounds walks about meanwhile. True range: what the gain spans in 96 of 100 moments of the clip,
which is less than the camera's setting where its rests are short or noisy.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.sync.camera_gain import LEAST_DB, estimate_gain_range
from tests.scenes.cameras import Camera, draw_camera, make_pairs
from tests.scenes.rooms import on_both_cores

FIRST_SEED = 6000
"""Rules were chosen on seeds below 40."""

WORTH_DB = 12.0
"""From this range on it should be named."""
_SCENES_OF_A_ROUND, _LONG = 7, 6


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said of one clip's gain."""

    seed: int
    content: str
    camera: Camera
    moving: bool
    true_db: float
    told_db: float
    """NaN where it cannot be told."""

    @property
    def named(self) -> bool:
        """Whether there is a note."""
        return self.told_db >= LEAST_DB

    @property
    def right(self) -> bool:
        """Whether the range is right within a third of it, or 4 dB."""
        return abs(self.told_db - self.true_db) <= max(4.0, self.true_db / 3.0)


def judge_scene(seed: int) -> list[Answer]:
    """One scene through both cameras, along the true law."""
    rng = np.random.default_rng([seed, 47])
    standing = replace(draw_camera(rng), range_db=0.0)
    riding = replace(draw_camera(rng), range_db=rng.uniform(12.0, 34.0))
    moving = bool(seed // _SCENES_OF_A_ROUND % 2)
    answers = []
    for pair in make_pairs(seed, [riding, standing], moving=moving):
        told_db = estimate_gain_range(pair.clip, pair.take, pair.law)
        true_db = float(np.ptp(np.quantile(pair.gain_db, [0.02, 0.98])))
        told_db = float("nan") if told_db is None else told_db
        answers.append(Answer(seed, pair.content, pair.camera, moving, true_db, told_db))
    return answers


def short_seeds(count: int, first: int) -> list[int]:
    """Seeds whose clips last no longer than a minute."""
    found, seed = [], first
    while len(found) < count:
        if seed // _SCENES_OF_A_ROUND % 10 != _LONG and seed % 60 != 59:
            found.append(seed)
        seed += 1
    return found


GROUPS: dict[str, Callable[[Answer], str]] = {
    "what sounds": lambda a: a.content,
    "who sounds": lambda a: "walks" if a.moving else "stays",
    "limiter": lambda a: "yes" if a.camera.limiter else "no",
    "noise reduction": lambda a: "yes" if a.camera.noise_reduction_db else "no",
    "low cut": lambda a: "yes" if a.camera.low_cut_hz else "no",
    "channels": lambda a: "dual mono" if a.camera.dual_mono else "stereo",
}


def main(scenes: int, first_seed: int) -> str:
    """The tables."""
    seeds = short_seeds(scenes, first_seed)
    answers = [a for both in on_both_cores(judge_scene, seeds) for a in both]
    lines = [
        "# A camera's gain that rides",
        "",
        f"`python -m tests.bench.riding {scenes} {first_seed}`: {scenes} scenes of 20 or 60 s (seeds {seeds[0]} to "
        f"{seeds[-1]}; rules were chosen on seeds below 40), each through a gain that rides and one that stands; "
        f"named from {LEAST_DB:g} dB on. Right: within a third of the true range, or 4 dB.",
        "",
        f"| | gain stands | named | most, dB | true range {WORTH_DB:g} dB or more | named | right | median error, dB |",
        "|---|---|---|---|---|---|---|---|",
        _row("all", answers),
    ]
    for group, key in GROUPS.items():
        for name in sorted({key(a) for a in answers}):
            lines.append(_row(f"{group}: {name}", [a for a in answers if key(a) == name]))
    small = [a for a in answers if a.camera.range_db and a.true_db < WORTH_DB]
    lines += ["", f"Of {len(small)} that ride over less, {sum(a.named for a in small)} are named."]
    odd = [a for a in answers if a.named != (a.true_db >= WORTH_DB) and a not in small]
    odd += [a for a in answers if a.named and a.true_db >= WORTH_DB and not a.right]
    lines += ["", "## Not named, named in vain, or far off", ""]
    lines += [
        f"- seed {a.seed}, {a.content}, {'walks' if a.moving else 'stays'}, {a.camera}: {a.told_db:.1f} dB said, "
        f"{a.true_db:.1f} true"
        for a in odd
    ]
    return "\n".join(lines if odd else [*lines, "None."]) + "\n"


def _row(name: str, answers: list[Answer]) -> str:
    stands = [a for a in answers if not a.camera.range_db]
    rides = [a for a in answers if a.true_db >= WORTH_DB]
    errors = [a.told_db - a.true_db for a in rides if np.isfinite(a.told_db)]
    most = max((a.told_db for a in stands if np.isfinite(a.told_db)), default=float("nan"))
    return (
        f"| {name} | {len(stands)} | {sum(a.named for a in stands)} | {most:.1f} | {len(rides)} | "
        f"{sum(a.named for a in rides)} | {sum(a.right for a in rides)} | "
        f"{np.median(errors) if errors else float('nan'):.1f} |"
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    start = int(sys.argv[2]) if len(sys.argv) > 2 else FIRST_SEED
    text = main(count, start)
    print(text)
    (Path(__file__).parent / "results" / "riding.md").write_text(text, encoding="utf-8")
