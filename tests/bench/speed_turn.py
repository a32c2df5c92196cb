"""How fast a field is turned, fixed and moving, against a bare copy and a bare matrix product of the same blocks.

Run: python -m tests.bench.speed_turn
"""

import timeit
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ
from spatial.rotation import TURN_STEP, Motion, YawPitchRoll, matrix_from_ypr, turn_field, turn_field_along

SAMPLES = 65_536
REPEATS = 200
OUT = Path(__file__).parent / "results" / "speed_turn.md"


def turn_times_s() -> dict[str, float]:
    """The least time of each, seconds."""
    field = np.random.default_rng(1).standard_normal((4, SAMPLES)).astype(np.float32)
    still = matrix_from_ypr(YawPitchRoll.from_degrees(30, 10, -5))
    poses = [matrix_from_ypr(YawPitchRoll.from_degrees(2.0 * row, 0.3 * row, 0)) for row in range(60)]
    motion = Motion(np.arange(60) / 25, np.stack(poses))
    times_s = np.arange(0, SAMPLES + 1, TURN_STEP) / DELIVERY_RATE_HZ
    four = np.eye(4, dtype=np.float32)
    rows = {
        "bare copy": lambda: field.copy(),
        "bare 4 x 4 product": lambda: four @ field,
        "fixed turn": lambda: turn_field(field, still),
        "moving turn, its rotations too": lambda: turn_field_along(field, motion.at(times_s)),
    }
    # The least of many: others work on this machine, too.
    return {name: min(timeit.repeat(job, number=1, repeat=REPEATS)) for name, job in rows.items()}


def main() -> None:
    """Measure, print and keep the table."""
    best = turn_times_s()
    lines = [
        "# Speed of turning a field",
        "",
        f"`python -m tests.bench.speed_turn`: blocks of {SAMPLES} samples, best of {REPEATS}.",
        "",
        "| what | ms | x bare product |",
        "|---|---|---|",
        *(f"| {name} | {1e3 * s:.3f} | {s / best['bare 4 x 4 product']:.1f} |" for name, s in best.items()),
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    OUT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
