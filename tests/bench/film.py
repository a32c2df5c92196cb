"""Finished films against their shoots: are the shots found, is lip-sync right, are faults named, is nobody accused?

Run: python -m tests.bench.film [FILMS] [FIRST]   (writes tests/bench/results/film.md)

Rules and thresholds were made on seeds below 100; seeds from 100 on are reported.
"""

import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np

from spatial.findings import Severity
from spatial.jobs.film.prove_film import FilmRequest, FilmResult, FilmShot, prove_film
from spatial.shots.shot_finding import Certainty
from tests.scenes.film import (
    FAULTS,
    LAGS_S,
    NAMED_BY,
    ClipPlan,
    Look,
    TrueShot,
    cut_sound,
    film_frames,
    make_clips,
    make_cut,
    make_track,
    scaled,
    write_film,
    write_marks,
    write_track,
)

FIRST_SEED, FILMS = 100, 6
SHOTS, FILMS_OF_A_SHOOT = 20, 2

LAYOUTS = ("equirect180-sbs", "fisheye190-sbs", "equirect180-sbs", "equirect180-tb")
"""Of the clips; every second shoot has its eyes exchanged."""

LOOKS = (
    Look(),
    Look(gain=1.25, gamma=0.85, lift=10, saturation=0.5, size_px=(192, 96), title=True),
    Look(gamma=1.25, gain=0.85, size_px=(320, 160), crf=23, turn_deg=(2.0, 2.5, -2.0)),
    Look(layout="equirect180", size_px=(160, 160), crf=21, saturation=0.0),
)
RATES = (Fraction(25), Fraction(24000, 1001), Fraction(50), Fraction(30))
MUSIC_DB = (None, 0.0, None, -6.0)


@dataclass
class Tally:
    """What was found over all films."""

    shots: int = 0
    found: int = 0
    exact: int = 0
    wrong: int = 0
    seams: list[int] = field(default_factory=list)
    lip_sync_s: list[float] = field(default_factory=list)
    untold: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    clean: int = 0
    accused: list[str] = field(default_factory=list)
    looked: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    marks: int = 0
    marks_off: int = 0


def make_shoot(folder: Path, seed: int) -> tuple[list[ClipPlan], list[np.ndarray]]:
    """Clips, tracks and marks of a shoot."""
    rng = np.random.default_rng([seed, 1])
    rate = RATES[seed % len(RATES)]
    plans = make_clips(
        folder,
        rng,
        places=2,
        takes=2,
        seconds=(9.0, 14.0),
        rate=rate,
        layout=LAYOUTS[seed % len(LAYOUTS)],
        crossed=seed % 2 == 1,
    )
    tracks = []
    for plan in plans:
        track, turns = make_track(plan, rng)
        write_track(folder, plan, track)
        write_marks(folder, plan, turns)
        tracks.append(track)
    return plans, tracks


def make_film(
    folder: Path, plans: list[ClipPlan], tracks: list[np.ndarray], seed: int, number: int
) -> tuple[Path, list[TrueShot], list[str]]:
    """A film of a shoot, a third of its shots with a fault."""
    rng = np.random.default_rng([seed, 2, number])
    shots = make_cut(plans, SHOTS, rng, seconds=(1.5, 5.0))
    faults = [""] * len(shots)
    start = int(rng.integers(len(FAULTS)))
    for n, shot in enumerate(s for s in rng.permutation(len(shots)) if shots[s].clip is not None):
        if n < len(shots) // 3:
            faults[shot] = FAULTS[(start + n) % len(FAULTS)]
    look = LOOKS[(seed + number) % len(LOOKS)]
    sound = cut_sound(shots, tracks, plans, faults, rng, music_db=MUSIC_DB[(seed // 4 + number) % len(MUSIC_DB)])
    path = folder / f"film{number}.mov"
    frames = scaled(film_frames(folder, plans, shots, look, rng), look.size_px)
    write_film(path, frames, plans[0].rate, sound, look.crf)
    return path, shots, faults


def found_for(shot: TrueShot, result: FilmResult) -> list[FilmShot]:
    """What was found within a true shot, the longest overlap first."""
    first, stop = shot.film_first, shot.film_first + shot.frames

    def shared(one: FilmShot) -> int:
        return min(stop, one.found.stop) - max(first, one.found.first)

    return sorted((one for one in result.shots if shared(one) > 0), key=lambda one: -shared(one))


def judge(result: FilmResult, plans: list[ClipPlan], shots: list[TrueShot], faults: list[str], tally: Tally) -> None:
    """Compare what was found with what is true."""
    for shot, fault in zip(shots, faults, strict=True):
        if shot.clip is None:
            continue
        tally.shots += 1
        found = found_for(shot, result)
        best = found[0] if found else None
        right = best is not None and best.clip is not None and best.clip.path.name == plans[shot.clip].name
        place = shot.first - shot.film_first
        exact = right and best is not None and best.found.start == place
        tally.found += bool(exact)
        if not exact:
            tally.missed.append(f"{plans[shot.clip].name} {shot}: {_as_found(best)}")
        codes = {
            finding.code.value
            for one in found
            for finding in one.findings
            if finding.severity is not Severity.NOTE and one.clip is not None and one.found.start == place
        }
        if exact and best is not None:
            tally.seams.append(abs(best.found.first - shot.film_first - shot.dissolve // 2))
            if fault in LAGS_S or not fault:
                if best.sound is not None and best.sound.told:
                    truth = LAGS_S.get(fault, 0.0)
                    tally.lip_sync_s.append(abs(abs(best.sound.lip_sync_s) - truth))
                else:
                    tally.untold += 1
            if not fault:
                tally.marks += len(best.marks)
                tally.marks_off += sum(check.verdict.value == "off" for _, check in best.marks)
        if fault:
            tally.faults[fault] += 1
            tally.named[fault] += bool(codes & NAMED_BY[fault])
        else:
            tally.clean += 1
            for one in found:
                if one.found.first >= shot.film_first - 2 and one.found.stop <= shot.film_first + shot.frames + 30:
                    for finding in one.findings:
                        if finding.severity is Severity.FIX:
                            tally.accused.append(f"{finding.code.value}: {finding.message}")
                        if finding.severity is Severity.LOOK:
                            tally.looked.append(f"{finding.code.value}: {finding.message}")
    for one in result.shots:
        if one.found.certainty is not Certainty.EXACT or one.clip is None:
            continue
        name, place = one.clip.path.name, one.found.start
        true = [
            shot
            for shot in shots
            if shot.clip is not None
            and plans[shot.clip].name == name
            and shot.first - shot.film_first == place
            and shot.film_first < one.found.stop
            and shot.film_first + shot.frames > one.found.first
        ]
        tally.wrong += not true
        if not true:
            tally.missed.append(f"called exact and is not: {_as_found(one)}")


def _as_found(shot: FilmShot | None) -> str:
    """A shot that was found, for whoever looks for the cause."""
    if shot is None:
        return "nothing found"
    found, name = shot.found, shot.clip.path.name if shot.clip else "no clip"
    others = ", ".join(str(other) for other in found.others)
    return (
        f"film frames {found.first} to {found.stop} as {name} from {found.start}, {found.certainty.value}, standard "
        f"deviation {found.frame_sd:.2f} frames, others {others or 'none'}"
    )


def main() -> None:
    """Measure and write the table."""
    films, first = (int(word) for word in (*sys.argv[1:], *(str(FILMS), str(FIRST_SEED))[len(sys.argv) - 1 :])[:2])
    tally, began = Tally(), time.process_time()
    for number in range(films):
        seed, which = first + number // FILMS_OF_A_SHOOT, number % FILMS_OF_A_SHOOT
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            if which == 0:
                plans, tracks = make_shoot(folder, seed)
                for again in range(min(FILMS_OF_A_SHOOT, films - number)):
                    path, shots, faults = make_film(folder, plans, tracks, seed, again)
                    judge(prove_film(path, folder, FilmRequest()), plans, shots, faults, tally)
                    path.unlink()
                    lines = table(tally, number + again + 1, first, began)
                    print("\n".join(lines), flush=True)
                    path = Path(__file__).parent / "results" / "film.md"
                    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def table(tally: Tally, films: int, first: int, began: float) -> list[str]:
    """What was measured, as a page."""
    lags = np.array(tally.lip_sync_s or [np.nan]) * 1e3
    seams = np.array(tally.seams or [0])
    faults, named = sum(tally.faults.values()), sum(tally.named.values())
    return [
        "# Finished films against their shoots",
        "",
        f"`python -m tests.bench.film {films} {first}`: {films} films of {SHOTS} shots of 1.5 to 5 s, two of each",
        "shoot. A shoot: two places, two takes in each, people who move and talk in turns, 96 pixels an eye; clips as",
        "equirect pairs, fisheye pairs and one eye above the other, eyes exchanged in every second shoot; in turn at",
        "25, 24000/1001, 50 and 30 pictures a second. Films are graded, desaturated, scaled, coded again, turned by 2",
        "to 2.5 degrees about three axes or reduced to one eye, with titles over 2/9 of the picture, dissolves, black",
        "and cuts within a take; a third of the shots has one of twelve faults; half of the films have music.",
        "",
        "| what | measured |",
        "|---|---|",
        f"| shots found: clip and picture exact | {tally.found} of {tally.shots} |",
        f"| stretches of film called exact that are not | {tally.wrong} |",
        f"| seams off by more than 1 frame | {int(np.sum(seams > 1))} of {seams.size} (at most {int(np.max(seams))}) |",
        f"| lip-sync, error, median and 95 % | {np.nanmedian(lags):.2f} ms, {np.nanquantile(lags, 0.95):.2f} ms of "
        f"{len(tally.lip_sync_s)}; not told {tally.untold} |",
        f"| faults named | {named} of {faults} |",
        f"| sound shots accused with fix | {len(tally.accused)} of {tally.clean} |",
        f"| sound shots with something to look at | {len(tally.looked)} of {tally.clean} |",
        f"| marks of sound shots called off | {tally.marks_off} of {tally.marks} |",
        "",
        "| fault | named |",
        "|---|---|",
        *[f"| {fault} | {tally.named[fault]} of {tally.faults[fault]} |" for fault in FAULTS],
        "",
        *[f"- not found: {words}" for words in tally.missed],
        *[f"- accused: {words}" for words in tally.accused],
        *[f"- to look at: {words}" for words in tally.looked],
        "",
        f"Processor time of all, making the films included: {time.process_time() - began:.0f} s.",
    ]


if __name__ == "__main__":
    main()
