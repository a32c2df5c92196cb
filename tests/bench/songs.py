"""The same song again and again: is the right take found, or said to be undecidable?

Run: python -m tests.bench.songs [SETS [FIRST_SEED]]   (writes tests/bench/results/songs.md)
Every clip of a set is judged against all three takes, then without its own take, then against each single wrong
take; besides, true pairs with hardships of all kinds must not be called contradicted.
"""

import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from spatial.conventions import FloatArray
from spatial.sync.alignment import estimate_sync
from spatial.sync.choice import Alternative, Judgement, Verdict, judge_rivals, matching_laws
from spatial.sync.coarse import find_candidates
from spatial.sync.gcc_phat import Trial, try_law
from spatial.sync.same_music import compare_moments, shared_onsets
from tests.scenes.hearing import envelope
from tests.scenes.rooms import on_both_cores
from tests.scenes.songs import CONDITIONS, SongSet, make_set
from tests.scenes.songs_hard import make_hard_pair

FIRST_SEED = 410
CANDIDATES = 12
LAWS_A_TAKE = 3
CLOSE_S = 0.02


@dataclass(frozen=True, slots=True)
class Answer:
    """One judgement, compared with the truth."""

    seed: int
    condition: str
    trial: str
    outcome: str
    detail: str


def judge_set(seed: int) -> list[Answer]:
    """Every clip of a set in every trial."""
    return judge(make_set(seed))


def judge(songs: SongSet) -> list[Answer]:
    """Every clip of a set in every trial."""
    takes = [(shot.take, envelope(shot.take.data[:1])) for shot in songs.shots]
    answers = []
    for number, shot in enumerate(songs.shots):
        powers = envelope(shot.clip.data)
        places = [
            matching_laws(shot.clip, take, find_candidates(powers, heard, count=CANDIDATES), most=LAWS_A_TAKE)
            for take, heard in takes
        ]
        others = [other for other in range(len(takes)) if other != number]
        for trial, kept in (
            ("all three takes", [0, 1, 2]),
            ("its own take missing", others),
            *((f"one wrong take, {other}", [other]) for other in others),
        ):
            answers.append(_answer(songs, number, places, kept, trial, (powers, [heard for _, heard in takes])))
    return answers


def _answer(
    songs: SongSet,
    number: int,
    places: list[list[Trial]],
    kept: list[int],
    trial: str,
    powers: tuple[FloatArray, list[FloatArray]],
) -> Answer:
    shot = songs.shots[number]
    offered = [(take, place) for take in kept for place in places[take]]
    kind = trial.split(",")[0]
    if not offered:
        return Answer(songs.seed, songs.condition, kind, "no match" if number not in kept else "missed", "no place")
    alternatives = [
        Alternative(songs.shots[t].take, p.law, p.signs, p.score, shared_onsets(powers[0], powers[1][t], p.law))
        for t, p in offered
    ]
    judged = judge_rivals(shot.clip, alternatives)
    true = [take == number and abs(place.law.offset_s - shot.law.offset_s) < CLOSE_S for take, place in offered]
    if judged.verdict is Verdict.DECIDED:
        outcome = "right" if true[judged.best] else "WRONG"
    elif judged.verdict is Verdict.NONE:
        outcome = "no match" if number not in kept else "WRONG: own take called none" if any(true) else "none"
    else:
        outcome = "ambiguous"
    return Answer(songs.seed, songs.condition, kind, outcome, _words(judged, offered, true, number))


def _words(judged: Judgement, offered: list[tuple[int, Trial]], true: list[bool], number: int) -> str:
    best = judged.moments[judged.best]
    lowest = min((c for c in judged.contests if judged.best in (c.first, c.second)),
                 key=lambda c: abs(c.log_odds), default=None)  # fmt: skip
    place = f"clip {number}: take {offered[judged.best][0]} at {offered[judged.best][1].law.offset_s:.2f}"
    stand = f"{best.standing.value} {best.only_clip_s:.1f}/{best.only_take_s:.1f} s"
    close = (
        f"a {lowest.steadier:.1f} b {lowest.extra_first:.1f}/{lowest.extra_second:.1f} c {lowest.unlike:.1f} "
        f"L {lowest.log_odds:.1f}" if lowest else ""
    )  # fmt: skip
    return f"{place}, {'true offered' if any(true) else 'true not offered'}; {stand}; {close}"


def measure_hard(seed: int) -> tuple[int, str, str, str]:
    """A true pair with a hardship: how it stands."""
    name, clip, take, _ = make_hard_pair(seed)
    powers = envelope(clip.data), envelope(take.data[:1])
    candidates = find_candidates(*powers)
    estimate = estimate_sync(clip, take, candidates, powers=powers, max_windows=200)
    if estimate.law is None:
        return seed, name, "not matched", ""
    signs = try_law(clip, take, estimate.law.piece_at(clip.length / clip.rate_hz / 2)).signs
    found = compare_moments(clip, take, estimate.law, signs, powers)
    detail = f"only clip {found.only_clip_s:.1f} s, only take {found.only_take_s:.1f} s"
    return seed, name, found.standing.value, f"{detail}, {len(estimate.law.steps)} steps"


def main(sets: int, first_seed: int, hard: int) -> str:
    """The tables."""
    answers = [a for found in on_both_cores(judge_set, range(first_seed, first_seed + sets)) for a in found]
    pairs = on_both_cores(measure_hard, range(first_seed, first_seed + hard))
    lines = [
        "# The same song again and again",
        "",
        f"`python -m tests.bench.songs {sets} {first_seed}`: {sets} sets of 3 clips x 3 takes of one song from a "
        f"loudspeaker (seeds {first_seed} to {first_seed + sets - 1}); thresholds were chosen on seeds below 100. "
        "No clock was asked, only sound. Ambiguous: said to be undecided, with the odds, or, of a single take, matched "
        "with the words that they share nothing but music.",
    ]
    kinds = ("all three takes", "its own take missing", "one wrong take")
    for kind in kinds:
        own = [a for a in answers if a.trial == kind]
        lines += ["", f"## {kind[0].upper()}{kind[1:]}", "", "| condition | clips | outcome |", "|---|---|---|"]
        for condition in CONDITIONS:
            counts = Counter(a.outcome for a in own if a.condition == condition)
            told = ", ".join(f"{count} {outcome}" for outcome, count in sorted(counts.items()))
            lines.append(f"| {condition} | {sum(counts.values())} | {told} |")
    lines += [
        "", f"## {hard} true pairs with hardships: is the match doubted?", "", "| hardship | pairs | standing |",
        "|---|---|---|",
    ]  # fmt: skip
    for name in sorted({pair[1] for pair in pairs}):
        counts = Counter(pair[2] for pair in pairs if pair[1] == name)
        lines.append(
            f"| {name} | {sum(counts.values())} | {', '.join(f'{n} {s}' for s, n in sorted(counts.items()))} |"
        )
    odd = [f"seed {a.seed}, {a.trial}: {a.outcome}, {a.detail}" for a in answers if "WRONG" in a.outcome]
    odd += [f"seed {s}, {name}: {detail}" for s, name, standing, detail in pairs if standing == "contradicted"]
    lines += ["", "## Wrong answers", "", *(f"- {line}" for line in odd or ["none"])]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    start = int(sys.argv[2]) if len(sys.argv) > 2 else FIRST_SEED
    text = main(count, start, 2 * count)
    print(text)
    (Path(__file__).parent / "results" / "songs.md").write_text(text, encoding="utf-8")
