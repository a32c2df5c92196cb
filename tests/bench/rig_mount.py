"""One mount for the clips of a rig: how often a knock is named that nobody made, or is missed, and how true it is.

Run: python -m tests.bench.rig_mount [DRAWN [ROOMS]]   (writes tests/bench/results/rig_mount.md)
Development seeds 100 to 399 (drawn) and 500 to 509 (rooms); the results are of seeds 10000 and up.
"""

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from spatial.errors import InconclusiveError
from spatial.jobs.orient.from_marks import OrientResult, orient_measured
from spatial.jobs.orient.from_rig import RigClip, orient_rig
from spatial.jobs.rig import Rig
from spatial.rotation import rotation_angle, ypr_from_matrix
from tests.scenes.rig import RigDay, drawn_day, room_day
from tests.scenes.rooms import on_both_cores

RESULTS = Path(__file__).parent / "results" / "rig_mount.md"
FIRST_SEED = 10_000
RIG = Rig()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a day."""

    knocks: tuple[int, ...]
    """Clips from which on, or in which alone, the microphone is said to have sat otherwise."""
    knocked_from: int | None
    """The first clip with marks after the knock."""
    spoiled: frozenset[int]
    own_errors_deg: tuple[float, ...]
    """Of each clip's mount by its own marks, the whole rotation."""
    errors_deg: tuple[float, ...]
    """Of each clip's mount by the rig's."""
    ratios: tuple[float, ...]
    """Errors of yaw, pitch and roll over their stated standard deviations, of the rig's mounts."""
    inherited: tuple[tuple[float, float], ...] = ()
    """Of clips whose marks were hidden: yaw error in degrees, and over its standard deviation."""
    open: int = 0
    """Such clips to which no mount was given."""


def told(day: RigDay, *, hidden: Sequence[int] = ()) -> Outcome:
    """What the program says of a day; the marks of `hidden` clips are not shown to it."""
    clips = []
    for number, clip in enumerate(day.clips):
        name = f"clip{number}"
        take: Any = None
        sync = cast(Any, SimpleNamespace(clip=SimpleNamespace(path=Path(name)), take=take, findings=()))
        own: OrientResult | None = None
        if number not in hidden and clip.marks:
            try:
                own = orient_measured(take, clip.marks, rig=RIG)
            except InconclusiveError:
                own = None
        clips.append(RigClip(sync, own))
    answers, findings = orient_rig(clips, RIG)
    own_errors, errors, ratios, inherited, still_open = [], [], [], [], 0
    for number, (clip, answer, true) in enumerate(zip(clips, answers, day.clips, strict=True)):
        if clip.own is not None and clip.own.matrix is not None:
            own_errors.append(float(np.degrees(rotation_angle(clip.own.matrix, true.mount))))
        oriented = answer.oriented
        if oriented is None or oriented.matrix is None or oriented.angles is None:
            still_open += number in hidden
            continue
        found, truth, sd = oriented.angles, ypr_from_matrix(true.mount), oriented.sd_rad
        names = ("yaw_rad", "pitch_rad", "roll_rad")
        off = [float(np.angle(np.exp(1j * (getattr(found, n) - getattr(truth, n))))) for n in names]
        scaled = [error / getattr(sd, n) for error, n in zip(off, names, strict=True)]
        if number in hidden:
            inherited.append((float(np.degrees(off[0])), scaled[0]))
        else:
            errors.append(float(np.degrees(rotation_angle(oriented.matrix, true.mount))))
            ratios += scaled
    knocks = tuple(int(finding.where.removeprefix("clip")) for finding in findings)
    shown = None
    if day.knocked_from is not None:
        shown = min(n for n in range(day.knocked_from, len(day.clips)) if n not in hidden)
    return Outcome(
        *(knocks, shown, day.spoiled, tuple(own_errors), tuple(errors), tuple(ratios), tuple(inherited), still_open)
    )


def _one(seed: int, *, make: Callable[..., RigDay], hide: bool = False, **options: Any) -> Outcome:
    day = make(seed, **options)
    # Marks in the first and the last clip alone, as a crew in a hurry makes them.
    return told(day, hidden=range(1, len(day.clips) - 1) if hide else ())


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    """A row of the table."""
    knocked = [outcome for outcome in outcomes if outcome.knocked_from is not None]
    named = sum(outcome.knocked_from in outcome.knocks for outcome in knocked)
    beside = sum(outcome.knocked_from not in outcome.knocks and bool(outcome.knocks) for outcome in knocked)
    # A clip with a mark of somebody else is rightly named: the sentence says that its marks may be wrong.
    untouched = [outcome for outcome in outcomes if outcome.knocked_from is None]
    false = sum(len(set(outcome.knocks) - outcome.spoiled) for outcome in untouched)
    own, errors = ([e for o in outcomes for e in getattr(o, what)] for what in ("own_errors_deg", "errors_deg"))
    ratios = np.abs([ratio for outcome in outcomes for ratio in outcome.ratios])
    within = f"{100 * np.mean(ratios < 1.96):.1f}" if ratios.size else "-"
    of = f"{named} of {len(knocked)}, {beside} at another clip" if knocked else "-"
    inherited = [pair for outcome in outcomes for pair in outcome.inherited]
    handed = "-"
    if inherited:
        off = np.abs([pair[0] for pair in inherited])
        held = 100 * np.mean(np.abs([pair[1] for pair in inherited]) < 1.96)
        handed = f"{np.median(off):.1f} / {np.quantile(off, 0.95):.1f}, {held:.0f} %"
    open_ = sum(outcome.open for outcome in outcomes)
    return (
        f"| {name} | {len(outcomes)} | {false} | {of} | {np.median(own):.2f} / {np.quantile(own, 0.95):.2f} | "
        f"{np.median(errors):.2f} / {np.quantile(errors, 0.95):.2f} | {within} | {handed} | {open_} |"
    )


HEAD = (
    "| days | number | false knocks | knocks named | by own marks, deg, median / 95 % | by the rig, deg, median / 95 % "
    "| rig's intervals hold, % | clips without marks: yaw, deg, median / 95 %, intervals hold | left open |\n"
    "|---|---|---|---|---|---|---|---|---|"
)

KINDS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("untouched, 2 to 5 marks a clip", {}),
    ("untouched, 12 clips", {"clips": 12}),
    ("untouched, clicked to 2 deg", {"placed_deg": 2.0}),
    ("untouched, performers stray by 3 deg", {"moving_deg": 3.0}),
    ("untouched, 1 mark in 12 is of somebody else", {"wrong": 0.08}),
    ("untouched, marks in the first and last clip", {"hide": True}),
    ("knocked by 12 deg", {"knock_deg": 12.0}),
    ("knocked by 25 deg", {"knock_deg": 25.0}),
    ("knocked by 12 deg, 3 to 5 marks", {"knock_deg": 12.0, "marks": (3, 5)}),
    ("knocked by 25 deg, marks in the first and last clip", {"knock_deg": 25.0, "marks": (3, 5), "hide": True}),
)
ROOMS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("rooms, untouched, clicked to 2 deg", {}),
    ("rooms, untouched, marks in the first and last clip", {"hide": True}),
    ("rooms, knocked by 15 deg", {"knock_deg": 15.0}),
)


def main() -> None:
    """Print and keep the table."""
    drawn, rooms = (int(word) for word in (sys.argv[1:3] if len(sys.argv) > 2 else ("200", "6")))
    first = int(sys.argv[3]) if len(sys.argv) > 3 else FIRST_SEED
    lines = [HEAD]
    for kinds, make, count in ((KINDS, drawn_day, drawn), (ROOMS, room_day, rooms)):
        for number, (name, options) in enumerate(kinds):
            seeds = range(first + 1000 * number, first + 1000 * number + count)
            if count:
                lines.append(row(name, on_both_cores(partial(_one, make=make, **options), seeds)))
                print(lines[-1], flush=True)
    if first != FIRST_SEED:
        return
    text = [
        "# One mount for the clips of a rig",
        "",
        f"`python -m tests.bench.rig_mount {drawn} {rooms}`. Drawn days: 6 clips, errors of rooms (Student's law, five",
        "degrees of freedom), floors, clicks (1 deg unless stated) and of one ordinary microphone for all. Rooms:",
        "4 clips in simulated rooms of their own (RT60 0.25 to 0.6 s), other talkers and instruments in each, 3 marks,",
        "one real microphone for all. Errors are of the whole rotation; intervals are those of yaw, pitch and roll.",
        "",
        *lines,
    ]
    RESULTS.write_text("\n".join(text) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
