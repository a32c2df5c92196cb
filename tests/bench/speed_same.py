"""Whether two versions of the program give the same answers: what must hold of every change that is made for speed.

Run: python -m tests.bench.speed_same FOLDER BEFORE.json   (in the one version, then in the other with AFTER.json)
     python -m tests.bench.speed_same BEFORE.json AFTER.json   (writes tests/bench/results/speed_same.md)
Rows: sync's scenes with each thing known of the rig, and against a wrong take; ordinary cameras; hard pairs and sets
of one song. FOLDER keeps the scenes of sync.
"""

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench import cameras, songs, sync
from tests.scenes.sync import kept_scene

SYNC_SEEDS = range(30_000, 30_010)
CAMERA_SEEDS = range(5_000, 5_008)
HARD_SEEDS = range(410, 420)
SONG_SEEDS = range(410, 411)


@dataclass(frozen=True, slots=True)
class Row:
    """One answer."""

    name: str
    words: str
    """What must be the same to the letter."""
    values: tuple[float, ...] = ()
    """What may differ far below what is stated of it."""
    sds: tuple[float, ...] = ()
    """One stated deviation of each value; 0 where none is stated."""


def rows_of_sync(folder: Path) -> Iterator[Row]:
    """Offsets, s, and drifts, ppm."""
    for seed in SYNC_SEEDS:
        scene = kept_scene(seed, folder)
        for known, rig in sync.KNOWN.items():
            found = sync.sync(scene.clip, scene.take, rig(scene))
            words = f"matched {found.matched}, {len(found.steps)} steps, apart {found.apart}"
            values = (found.law.offset_s, found.law.drift_ppm) if found.law else ()
            yield Row(f"sync {seed}, {known}", words, values, (found.offset_sd_s or 0.0, found.drift_sd_ppm or 0.0))
        other = kept_scene(SYNC_SEEDS[(seed - SYNC_SEEDS[0] + 1) % len(SYNC_SEEDS)], folder)
        yield Row(f"sync {seed}, a wrong take", f"matched {sync.sync(scene.clip, other.take).matched}")


def rows_of_pairs() -> Iterator[Row]:
    """Judgements of cameras (offset errors, ms), of hard pairs and of songs."""
    for seed in CAMERA_SEEDS:
        told = cameras.judge_pair(seed)
        yield Row(f"cameras {seed}", f"{told.outcome}: {told.detail}", (told.offset_error_ms,), (0.0,))
    for seed in HARD_SEEDS:
        yield Row(f"hard pair {seed}", repr(songs.measure_hard(seed)))
    for seed in SONG_SEEDS:
        for number, answer in enumerate(songs.judge_set(seed)):
            yield Row(f"songs {seed}, {number}", f"{answer.trial}: {answer.outcome}, {answer.detail}")


def main(before: list[Row], after: list[Row]) -> str:
    """The page: rows that are in both."""
    known = {row.name: row for row in before}
    pairs = [(known[row.name], row) for row in after if row.name in known]
    changed = [(one, other) for one, other in pairs if one.words != other.words or len(one.values) != len(other.values)]
    lines = [
        "# The same answers before and after what was done for speed",
        "",
        f"`python -m tests.bench.speed_same`: {len(pairs)} rows by both versions. What is said of them in words, with "
        f"every count and rounded number, is the same in {len(pairs) - len(changed)}.",
        "",
        "| row | before | after | difference, of one stated deviation |",
        "|---|---|---|---|",
    ]
    for one, other in pairs:
        values = [", ".join(f"{value:.9g}" for value in row.values) for row in (one, other)]
        parts = [
            f"{abs(a - b) / sd:.1g}" if sd else f"{abs(a - b):.1g} ms"
            for a, b, sd in zip(one.values, other.values, one.sds, strict=False)
        ]
        said = [f"{row.words[:60]}{'; ' if told else ''}{told}" for row, told in zip((one, other), values, strict=True)]
        lines.append(f"| {one.name} | {said[0]} | {said[1]} | {', '.join(parts)} |")
    lines += ["", "## Words that differ", "", *(f"- {a.name}: {a.words} -> {b.words}" for a, b in changed or ())]
    return "\n".join([*lines, *(() if changed else ("- none",))]) + "\n"


def load(path: Path) -> list[Row]:
    """Rows from a file."""
    return [
        Row(name, words, tuple(values), tuple(sds))
        for name, words, values, sds in json.loads(path.read_text(encoding="utf-8"))
    ]


if __name__ == "__main__":
    first, second = Path(sys.argv[1]), Path(sys.argv[2])
    if first.is_file():
        text = main(load(first), load(second))
        (Path(__file__).parent / "results" / "speed_same.md").write_text(text, encoding="utf-8")
        print(text)
    else:
        kept: list[tuple[object, ...]] = []
        for rows in (rows_of_sync(first), rows_of_pairs()):
            for row in rows:
                kept.append((row.name, row.words, row.values, row.sds))
                second.write_text(json.dumps(kept, default=float), encoding="utf-8")
