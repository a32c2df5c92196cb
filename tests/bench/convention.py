"""Is a recording's format told rightly? Simulated microphones in rooms, written in four formats and several layouts.

`python -m tests.bench.convention 200 60 100 [FOLDER]`: 200 recordings of known format (seeds 1000 and up), 60 that are
no field at all, and 100 (seeds 6000 and up) each in all four formats with gains that are off, as published files have
them. Scenes laid aside in FOLDER are used again: making one takes longer than judging it.
"""

import pickle
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from spatial.health.channel_format import SURE, find_channels
from tests.scenes.convention import (
    FORMATS,
    GAINS,
    SECONDS,
    FormatScene,
    FourForms,
    make_format_scene,
    make_four_forms,
    make_no_field,
)
from tests.scenes.stage import RATE

FIRST_SEED, FIRST_OFF_SEED = 1000, 6000
VERDICTS = ("right, sure", "right, unsure", "wrong, unsure", "WRONG, SURE")
Scene = TypeVar("Scene")
_ONE_ON_ITS_SIDE = 10
"""For so many scenes with gains that are off one more is made by a microphone on its side."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What is said of a scene, and how good that is."""

    named: str
    verdict: str
    order: str
    """The same of the channels' order alone; "" where it has none."""


def kept_scene(seed: int, *, field: bool, folder: Path | None) -> FormatScene:
    """A scene, made or taken from where it was laid aside."""
    make = make_format_scene if field else make_no_field
    path = folder / f"{'field' if field else 'other'}{seed}.pickle" if folder else None
    # Half precision: its error lies 66 dB below the sound.
    scene = _kept(path, lambda: make(seed), lambda made: replace(made, channels=made.channels.astype(np.float16)))
    return replace(scene, channels=scene.channels.astype(np.float32))


def kept_forms(seed: int, *, on_its_side: bool, folder: Path | None) -> FourForms:
    """A scene in four forms, likewise."""
    path = folder / f"{'side' if on_its_side else 'forms'}{seed}.pickle" if folder else None

    def halved(made: FourForms) -> FourForms:
        return replace(made, sound=(made.sound / np.abs(made.sound).max()).astype(np.float16))

    scene = _kept(path, lambda: make_four_forms(seed, on_its_side=on_its_side), halved)
    return replace(scene, sound=scene.sound.astype(np.float64))


def _kept(path: Path | None, make: Callable[[], Scene], halved: Callable[[Scene], Scene]) -> Scene:
    if path is None:
        return make()
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(halved(make())))
    scene: Scene = pickle.loads(path.read_bytes())
    return scene


def judge(scene: FormatScene) -> Judged:
    """Judge a scene by its sound alone."""
    found = find_channels(scene.channels, RATE)
    if found is None:
        return Judged("nothing", VERDICTS[2], VERDICTS[2] if scene.format else "")
    picked, measured = found
    right = measured.best == scene.format and picked == scene.picked
    if not scene.format:
        return Judged(measured.best, VERDICTS[3] if measured.sure else VERDICTS[1], "")
    order = ""
    if scene.format != "aformat":
        own = measured.order_odds["fuma" if scene.format == "fuma" else "acn"]
        order = VERDICTS[0 if own >= SURE else 1 if own > 0.5 else 2 if own > 1.0 - SURE else 3]
    return Judged(measured.best, VERDICTS[(0 if right else 3) if measured.sure else (1 if right else 2)], order)


def _table(groups: dict[str, Counter[str]], names: Iterable[str]) -> list[str]:
    return [
        "| recordings | count | " + " | ".join(VERDICTS) + " |",
        "|---|---|" + "---|" * len(VERDICTS),
        *(
            f"| {name} | {groups[name].total()} | " + " | ".join(str(groups[name][v]) for v in VERDICTS) + " |"
            for name in names
            if name in groups
        ),
        "",
    ]


def main(fields: int, others: int, off: int, folder: Path | None = None) -> str:
    """The tables."""
    groups: dict[str, Counter[str]] = {}
    for seed in range(FIRST_SEED, FIRST_SEED + fields):
        scene = kept_scene(seed, field=True, folder=folder)
        judged = judge(scene)
        for group in ("all fields", scene.format, scene.layout, scene.kind):
            groups.setdefault(group, Counter())[judged.verdict] += 1
    for seed in range(FIRST_SEED, FIRST_SEED + others):
        scene = kept_scene(seed, field=False, folder=folder)
        groups.setdefault(f"no field: {scene.kind}", Counter())[judge(scene).verdict] += 1
    order = ["all fields", *FORMATS]
    names = sorted(
        groups, key=lambda name: (name.startswith("no field"), order.index(name) if name in order else 9, name)
    )
    lines = [
        "# What is it? Format and channels told by the sound alone",
        "",
        f"`python -m tests.bench.convention {fields} {others} {off}`: {fields} recordings of {SECONDS:g} s (seeds "
        f"{FIRST_SEED} to {FIRST_SEED + fields - 1}), as many of each format: one to three performers in a room, "
        "RT60 0.15 to 0.8 s, or the room's noise alone; a microphone of 8 to 19 mm in any position, its gains off "
        f"by some 0.35 dB; noise at 5 to 30 dB. And {others} of four channels that are no field, where it is right "
        f"to be unsure. Sure: odds of {100 * SURE:g} % or more. In a room's noise nothing tells which channel is the "
        "vertical one, and with it the order.",
        "",
        *_table(groups, names),
    ]
    return "\n".join([*lines, *_off_lines(off, folder)])


def _off_lines(count: int, folder: Path | None) -> list[str]:
    groups: dict[str, Counter[str]] = {}
    orders: Counter[str] = Counter()
    side: dict[str, Counter[str]] = {}
    for seed in range(FIRST_OFF_SEED, FIRST_OFF_SEED + count):
        forms = kept_forms(seed, on_its_side=False, folder=folder)
        for name in FORMATS:
            scene = forms.scene(name)
            judged = judge(scene)
            for group in ("all", name, scene.gains, scene.kind):
                groups.setdefault(group, Counter())[judged.verdict] += 1
            orders[judged.order] += 1
    for seed in range(FIRST_OFF_SEED, FIRST_OFF_SEED + count // _ONE_ON_ITS_SIDE):
        forms = kept_forms(seed, on_its_side=True, folder=folder)
        for name in FORMATS:
            side.setdefault("on its side", Counter())[judge(forms.scene(name)).verdict] += 1
    told = orders.total() - orders[""]
    return [
        "## Gains off by up to 3 dB",
        "",
        f"{count} scenes (seeds {FIRST_OFF_SEED} to {FIRST_OFF_SEED + count - 1}), each in all four formats: W 2.5 to "
        "3 dB hot; X, Y, Z 2 to 3 dB hot; W of FuMa not 3 dB down, of the others 3 dB down; one channel off by 1 to "
        "3 dB; every channel by up to 3 dB. The microphone stands or hangs within 15 degrees of upright. It is right "
        "to be unsure; sure and wrong is what must not be.",
        "",
        *_table(groups, ["all", *FORMATS, *GAINS, "speech", "music", "claps", "ambience"]),
        f"The order of the channels alone, of {told} fields: "
        + ", ".join(f"{orders[verdict]} {verdict}" for verdict in VERDICTS)
        + ".",
        "",
        "A microphone on its side records, channel by channel, what one that stands records in another order; where "
        "the gains are that order's as well, the two are one recording:",
        "",
        *_table(side, side),
    ]


if __name__ == "__main__":
    counts = [int(word) for word in sys.argv[1:4]] or [200, 60, 100]
    text = main(*counts, *(Path(word) for word in sys.argv[4:5]))
    print(text)
    (Path(__file__).parent / "results" / "convention.md").write_text(text, encoding="utf-8")
