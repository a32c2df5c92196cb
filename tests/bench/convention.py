"""Is a recording's format told rightly? Simulated microphones in rooms, written in four formats and several layouts.

`python -m tests.bench.convention 200 60 [FOLDER]`: 200 recordings of known format (seeds 1000 and up) and 60 that are
no field at all. Scenes laid aside in FOLDER are used again: making one takes longer than judging it.
"""

import pickle
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from spatial.analysis.convention import SURE, find_channels
from tests.bench.conventionscenes import SECONDS, FormatScene, make_format_scene, make_no_field
from tests.stage import RATE

FIRST_SEED = 1000
VERDICTS = ("right, sure", "right, unsure", "wrong, unsure", "WRONG, SURE")


def kept_scene(seed: int, *, field: bool, folder: Path | None) -> FormatScene:
    """A scene, made or taken from where it was laid aside."""
    make = make_format_scene if field else make_no_field
    if folder is None:
        return make(seed)
    path = folder / f"{'field' if field else 'other'}{seed}.pickle"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        scene = make(seed)
        # Half precision: its error lies 66 dB below the sound.
        path.write_bytes(pickle.dumps(replace(scene, channels=scene.channels.astype(np.float16))))
    scene = pickle.loads(path.read_bytes())
    assert isinstance(scene, FormatScene)
    return replace(scene, channels=scene.channels.astype(np.float32))


def judge(scene: FormatScene) -> tuple[str, str]:
    """What is said of a scene, and how good that is."""
    found = find_channels(scene.channels, RATE)
    if found is None:
        return "nothing", VERDICTS[2]
    picked, measured = found
    right = measured.best == scene.format and picked == scene.picked
    if not scene.format:
        return measured.best, VERDICTS[3] if measured.sure else VERDICTS[1]
    return measured.best, VERDICTS[(0 if right else 3) if measured.sure else (1 if right else 2)]


def main(fields: int, others: int, folder: Path | None = None) -> str:
    """The table."""
    groups: dict[str, Counter[str]] = {}
    for seed in range(FIRST_SEED, FIRST_SEED + fields):
        scene = kept_scene(seed, field=True, folder=folder)
        _, verdict = judge(scene)
        for group in ("all fields", scene.format, scene.layout, scene.kind):
            groups.setdefault(group, Counter())[verdict] += 1
    for seed in range(FIRST_SEED, FIRST_SEED + others):
        scene = kept_scene(seed, field=False, folder=folder)
        groups.setdefault(f"no field: {scene.kind}", Counter())[judge(scene)[1]] += 1
    order = ["all fields", "ambix", "n3d", "fuma", "aformat"]
    names = sorted(
        groups, key=lambda name: (name.startswith("no field"), order.index(name) if name in order else 9, name)
    )
    return "\n".join(
        [
            "# What is it? Format and channels told by the sound alone",
            "",
            f"`python -m tests.bench.convention {fields} {others}`: {fields} recordings of {SECONDS:g} s (seeds "
            f"{FIRST_SEED} to {FIRST_SEED + fields - 1}), as many of each format: one to three performers in a room, "
            "RT60 0.15 to 0.8 s, or the room's noise alone; a microphone of 8 to 19 mm in any position, its gains off "
            f"by some 0.35 dB; noise at 5 to 30 dB. And {others} of four channels that are no field, where it is right "
            f"to be unsure. Sure: odds of {100 * SURE:g} % or more.",
            "",
            "| recordings | count | " + " | ".join(VERDICTS) + " |",
            "|---|---|" + "---|" * len(VERDICTS),
            *(
                f"| {name} | {groups[name].total()} | " + " | ".join(str(groups[name][v]) for v in VERDICTS) + " |"
                for name in names
            ),
            "",
        ]
    )


if __name__ == "__main__":
    counts = [int(word) for word in sys.argv[1:3]] or [200, 60]
    text = main(*counts, *(Path(word) for word in sys.argv[3:4]))
    print(text)
    (Path(__file__).parent / "results" / "convention.md").write_text(text, encoding="utf-8")
