"""How well a performer's direction is found in rooms, against plain averaging.

Run: python -m tests.bench.directions [COUNT]   (writes tests/bench/results/directions.md)
"""

import sys
from pathlib import Path

import numpy as np

from spatial.analysis.direction import MARK_FRAMES_S, FieldBins, field_bins, span_direction
from spatial.conventions import FloatArray
from spatial.field import angle_between, unit_vectors
from spatial.rotation import matrix_from_ypr
from tests.bench.stages import make_scene, on_both_cores, rows_of
from tests.stage import RATE

FIRST_SEED = 1000


def plain_average(bins: FieldBins, start_s: float, end_s: float) -> FloatArray:
    """Mean intensity of the span: what everybody tries first."""
    flow = bins.between(start_s, end_s).intensity.sum(axis=(1, 2))
    return np.asarray(flow / np.linalg.norm(flow))


def least_diffuse(bins: FieldBins, start_s: float, end_s: float) -> FloatArray:
    """Mean direction of the tenth of the bins that carry the most of their energy as flow."""
    kept = bins.between(start_s, end_s)
    length = np.linalg.norm(kept.intensity, axis=0)
    ruled = length / np.maximum(kept.energy, 1e-30)
    chosen = ruled >= np.quantile(ruled, 0.9)
    flow = np.sum(kept.intensity[:, chosen] / np.maximum(length[chosen], 1e-30) * kept.energy[chosen] ** 0.25, axis=1)
    return np.asarray(flow / np.linalg.norm(flow))


def measure(seed: int) -> list[tuple[str, float, float, float, float, float]]:
    """Per turn: kind, RT60, error of ours (NaN: unheard), its sd, error of the two others; degrees."""
    scene = make_scene(seed, rt60_s=(0.2, 0.8), diffuse_snr_db=(5.0, 25.0), turn_s=3.3, rounds=1)
    field = scene.shoot.field.astype(np.float32)
    bins = field_bins(field, RATE)
    marked = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    mount = matrix_from_ypr(scene.rig.mount)
    rows = []
    for number, start, end in scene.turns:
        view = scene.shoot.truth[number].from_mic
        truth = unit_vectors(view.azimuth_rad, view.elevation_rad)

        def off(vector: FloatArray, truth: FloatArray = truth) -> float:
            return float(np.degrees(angle_between(mount @ vector, truth)))

        ours = span_direction(marked, start, end)
        rows.append(
            (
                scene.kind,
                scene.room.rt60_s,
                off(ours.vector) if ours.heard else float("nan"),
                float(np.degrees(ours.sd_rad)),
                off(plain_average(bins, start, end)),
                off(least_diffuse(bins, start, end)),
            )
        )
    return rows


def main(count: int) -> str:
    """The table."""
    rows = [row for scene in on_both_cores(measure, range(FIRST_SEED, FIRST_SEED + count)) for row in scene]
    heard = [row for row in rows if np.isfinite(row[2])]
    held = np.mean([row[2] < 2.448 * row[3] for row in heard])
    lines = [
        "# Direction of one performer, 3 s, in simulated rooms",
        "",
        f"`python -m tests.bench.directions {count}`: {count} scenes (seeds {FIRST_SEED} to {FIRST_SEED + count - 1}), "
        "three performers each at 1 to 3 m, RT60 0.2 to 0.8 s, diffuse noise at 5 to 25 dB, a floor bounce always. "
        "Error: great-circle angle, degrees.",
        "",
        "| group | turns | median | 95 % | worst |",
        "|---|---|---|---|---|",
        *rows_of(
            {
                "all, ours": [row[2] for row in heard],
                "all, plain mean intensity": [row[4] for row in rows],
                "all, tenth least diffuse": [row[5] for row in rows],
                **{
                    f"{kind}, ours": [row[2] for row in heard if row[0] == kind]
                    for kind in ("speech", "music", "claps")
                },
                "RT60 below 0.3 s, ours": [row[2] for row in heard if row[1] < 0.3],
                "RT60 0.3 to 0.7 s, ours": [row[2] for row in heard if 0.3 <= row[1] < 0.7],
                "RT60 0.7 s and above, ours": [row[2] for row in heard if row[1] >= 0.7],
            }
        ),
        "",
        f"Said to be unheard: {len(rows) - len(heard)} of {len(rows)}. The stated 95 % regions hold the truth in "
        f"{100 * held:.0f} %.",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
    print(text)
    (Path(__file__).parent / "results" / "directions.md").write_text(text, encoding="utf-8")
