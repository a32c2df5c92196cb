"""Whether a source's number stands for one place, where performers take turns and come back.

Run: python -m tests.bench.turns [COUNT]   (writes tests/bench/results/turns.md)
The rule was chosen on the demo and seeds 7100 to 7119; the results are of 7500 on.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.field import angle_between
from tests.bench.several import FIRST_SEED, STEP_S, tracks_of
from tests.scenes.crowds import Crowd, make_turns, make_walk

FIRST_TURNS_SEED = 7500
_SAME_DEG = 1.0
"""Turns from directions closer than this are of one performer: each comes back to the very same place."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """What became of the numbers of one scene."""

    performers: int
    shared: int
    """Numbers that stand for more than one performer."""
    broken: int
    """Performers who came back and got another number."""
    came_back: int
    unheard: int
    """Turns in which no source sounds."""


def judge(crowd: Crowd) -> Numbered:
    """The number that most of each turn has, against who it was."""
    tracks = tracks_of(crowd)
    who: list[int] = []
    for number, place in enumerate(crowd.truth):
        same = [n for n in range(number) if np.degrees(angle_between(crowd.truth[n], place)) < _SAME_DEG]
        who.append(who[same[0]] if same else len(set(who)))
    numbers: dict[int, set[int]] = {}
    people: dict[int, set[int]] = {}
    unheard = 0
    for person, (start_s, end_s) in zip(who, crowd.spans_s, strict=True):
        rows = slice(round(start_s / STEP_S), round(end_s / STEP_S))
        steps = [np.count_nonzero(track.active[rows]) for track in tracks]
        if not any(steps):
            unheard += 1
            continue
        source = tracks[int(np.argmax(steps))].source
        numbers.setdefault(person, set()).add(source)
        people.setdefault(source, set()).add(person)
    return Numbered(
        len(set(who)),
        sum(len(persons) > 1 for persons in people.values()),
        sum(len(own) > 1 for own in numbers.values()),
        sum(who.count(person) > 1 for person in set(who)),
        unheard,
    )


def main(count: int) -> str:
    """The table: scenes of turns, and a third as many walks, each of which should be one source."""
    scenes = [judge(make_turns(FIRST_TURNS_SEED + number)) for number in range(count)]
    walks = [
        len(tracks_of(make_walk(FIRST_SEED + 3000 + number, speed_deg_s=(5.0, 30.0)))) for number in range(count // 3)
    ]
    total = {name: sum(getattr(scene, name) for scene in scenes) for name in Numbered.__dataclass_fields__}
    return "\n".join(
        [
            "# Numbers of sources, where performers take turns",
            "",
            f"`python -m tests.bench.turns {count}`: seeds from {FIRST_TURNS_SEED} on (chosen on the demo and 7100 to "
            "7119). Three performers 25 to 100° apart, five turns of 1.2 to 3 s with rests of 0.2 to 1.2 s, RT60 0.3 "
            "to 0.7 s, noise 10 to 25 dB down.",
            "",
            "| | |",
            "|---|---|",
            f"| scenes | {count} |",
            f"| performers | {total['performers']} |",
            f"| numbers that stand for more than one performer | {total['shared']} |",
            f"| performers who came back | {total['came_back']} |",
            f"| of them with another number | {total['broken']} |",
            f"| turns without any source | {total['unheard']} of {5 * count} |",
            f"| walks at 5 to 30° a second that are one source | {walks.count(1)} of {len(walks)} |",
            "",
        ]
    )


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
    print(text)
    (Path(__file__).parent / "results" / "turns.md").write_text(text, encoding="utf-8")
