"""How well the mount is found without marks, from the camera's stereo scratch, and that it is not guessed.

Run: python -m tests.bench.unmarked [COUNT] [FOLDER]   (writes tests/bench/results/unmarked.md; scenes are kept in
FOLDER)
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from spatial.analysis.envelope import WORKING_RATE_HZ
from spatial.analysis.leftaxis import estimate_left_axis
from spatial.analysis.mountprior import Hanging
from spatial.analysis.samples import ArraySamples
from spatial.analysis.scratchpairs import scratch_pairs
from spatial.analysis.unmarked import mount_from_left
from spatial.jobs.unmarked import nearer_mount
from spatial.rotation import matrix_from_ypr, ypr_from_matrix
from tests.bench.scratchscenes import ABOVE, BESIDE, CANNOT, ONE_SIDE, TELLS, kept_scratch_scene
from tests.bench.stages import on_both_cores

FIRST_SEED = 70_000
CANNOT_SEEDS = 5
UNTOLD, TOLD = "place not told", "--mic-offset told"


@dataclass(frozen=True, slots=True)
class Row:
    """One scene, its place on the rig told or not; errors in degrees, NaN where there is no answer."""

    condition: str
    kind: str
    told: str
    upside_down: bool
    wide: bool
    gain_rides: bool
    few_bits: bool
    said: str
    yaw_deg: float = np.nan
    yaw_sd_deg: float = np.nan
    roll_deg: float = np.nan
    roll_sd_deg: float = np.nan


def measure(scene_of: tuple[int, str], *, folder: Path | None) -> list[Row]:
    """One scene, with the recorder's place untold and told."""
    scene = kept_scratch_scene(*scene_of, folder)
    pairs = scratch_pairs(
        ArraySamples(scene.clip, WORKING_RATE_HZ), ArraySamples(scene.take, WORKING_RATE_HZ), scene.law
    )
    hanging = Hanging.UPSIDE_DOWN if scene.upside_down else Hanging.UPRIGHT
    row = partial(
        Row, scene.condition, scene.kind, upside_down=scene.upside_down, wide=scene.spacing_m >= 0.1,
        gain_rides=scene.gain_range_db > 0, few_bits=scene.bit_rate == 64_000,
    )  # fmt: skip
    left = estimate_left_axis(pairs, hanging=hanging)
    if left.doubt is not None:
        return [row(told=told, said=left.doubt.value) for told in (UNTOLD, TOLD)]
    plain = mount_from_left(left, hanging)
    known = nearer_mount(pairs, plain, scene.mic_offset_m)
    true = ypr_from_matrix(matrix_from_ypr(scene.mount))
    rows = []
    for told, mount in ((UNTOLD, plain), (TOLD, known)):
        if "yaw" in mount.undetermined:
            rows.append(row(told=told, said="yaw open"))
            continue
        yaw, roll = (mount.angles.yaw_rad - true.yaw_rad, mount.angles.roll_rad - true.roll_rad)
        rows.append(
            row(
                told=told,
                said="",
                yaw_deg=float(np.degrees(np.angle(np.exp(1j * yaw)))),
                yaw_sd_deg=float(np.degrees(mount.sd_rad.yaw_rad)),
                roll_deg=float(np.degrees(np.angle(np.exp(1j * roll)))),
                roll_sd_deg=float(np.degrees(mount.sd_rad.roll_rad)),
            )
        )
    return rows


def line(name: str, rows: list[Row]) -> str:
    """Markdown: one line a group."""
    found = [row for row in rows if not row.said]
    if not found:
        return f"| {name} | {len(rows)} | 0 | | | | | | | |"
    yaw, roll = np.abs([row.yaw_deg for row in found]), np.abs([row.roll_deg for row in found])
    held = [
        100 * np.mean(errors < 1.96 * np.array([getattr(row, sd) for row in found]))
        for errors, sd in ((yaw, "yaw_sd_deg"), (roll, "roll_sd_deg"))
    ]
    wrong = int(np.sum(yaw > 90))
    return (
        f"| {name} | {len(rows)} | {len(found)} | {np.median(yaw):.1f} | {np.percentile(yaw, 90):.1f} "
        f"| {yaw.max():.1f} | {wrong} | {held[0]:.0f} % | {np.median(roll):.1f} | {held[1]:.0f} % |"
    )


GROUPS: dict[str, Callable[[Row], bool]] = {
    ABOVE: lambda row: row.condition == ABOVE,
    BESIDE: lambda row: row.condition == BESIDE,
    ONE_SIDE: lambda row: row.condition == ONE_SIDE,
    "upright": lambda row: not row.upside_down,
    "upside down": lambda row: row.upside_down,
    "capsules 6 to 10 cm apart": lambda row: not row.wide,
    "capsules 10 to 15 cm apart": lambda row: row.wide,
    "riding gain": lambda row: row.gain_rides,
    "AAC 64 kb/s": lambda row: row.few_bits,
    "speech": lambda row: row.kind == "speech",
    "music": lambda row: row.kind == "music",
    "claps": lambda row: row.kind == "claps",
}


def main(count: int, folder: Path | None) -> str:
    """The page."""
    scenes = [(FIRST_SEED + number, TELLS[number % len(TELLS)]) for number in range(count)]
    hopeless = [(FIRST_SEED + number, condition) for number in range(CANNOT_SEEDS) for condition in CANNOT]
    rows = [row for told in on_both_cores(partial(measure, folder=folder), scenes) for row in told]
    refused = [row for told in on_both_cores(partial(measure, folder=folder), hopeless) for row in told]
    lines = [
        "# The mount without marks, from 20 s of the camera's stereo scratch, in simulated rooms",
        "",
        f"`python -m tests.bench.unmarked {count}`: {count} scenes (seeds {FIRST_SEED} to {FIRST_SEED + count - 1}; "
        "constants were chosen on seeds 60000 to 60047 and on sync scenes 30000 to 30109). RT60 0.3 to 0.6 s, diffuse "
        "noise at 5 to 20 dB, two or three performers at 1 to 2.5 m who sound by turns; camera capsules 6 to 15 cm "
        "apart with up to 6 dB between them, wind, thumps, gain riding by 0, 10 or 20 dB, AAC at 64 to 128 kb/s "
        "through a movie file; the microphone facing anywhere, upright or upside down (which is told), up to 8 degrees "
        "off level either way (which is not). Errors in degrees. Held: how often the stated 95 % interval holds the "
        "truth. Roll rests on the hanging told.",
    ]
    head = "| | scenes | answered | yaw: median | 90 % | worst | wrong half | held | roll: median | held |"
    for told in (UNTOLD, TOLD):
        own = [row for row in rows if row.told == told]
        lines += ["", f"## {told}", "", head, "|---|---|---|---|---|---|---|---|---|---|", line("all", own)]
        lines += [line(name, [row for row in own if chosen(row)]) for name, chosen in GROUPS.items()]
    said = sorted({row.said for row in rows if row.said})
    lines += ["", "Not answered: " + (", ".join(f"{s} {sum(r.said == s for r in rows)}" for s in said) or "none") + "."]
    lines += ["", "## Scenes that cannot tell", "", "| | scenes | answered | what was said |", "|---|---|---|---|"]
    for condition in CANNOT:
        own = [row for row in refused if row.condition == condition and row.told == UNTOLD]
        words = sorted({row.said for row in own})
        told_words = ", ".join(f"{word or 'an answer'} {sum(row.said == word for row in own)}" for word in words)
        lines.append(f"| {condition} | {len(own)} | {sum(not row.said for row in own)} | {told_words} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 72, Path(sys.argv[2]) if len(sys.argv) > 2 else None)
    print(text)
    (Path(__file__).parent / "results" / "unmarked.md").write_text(text, encoding="utf-8")
