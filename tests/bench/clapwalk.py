"""What a clap walk tells, with every fault of channels, in simulated rooms with talk and steps between the claps.

Run: python -m tests.bench.clapwalk [EACH]   (writes tests/bench/results/clapwalk.md)
"""

import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spatial.errors import InconclusiveError
from spatial.jobs.orient.from_claps import orient_claps
from spatial.mount.prior import Hanging, MountPrior
from spatial.rotation import rotation_angle, ypr_from_matrix
from tests.scenes.walks import FAULTS, make_walk

FIRST_SEED = 20_000
CASES: dict[str, dict[str, object]] = {
    "sound, upright": {},
    "sound, upside down": {"upside_down": True},
    **{fault: {"fault": fault} for fault in FAULTS if fault != "none"},
    "Y inverted, upside down": {"fault": "Y inverted", "upside_down": True},
    "ring only, upright": {"above": False},
    "ring only, upside down": {"above": False, "upside_down": True},
    "ring only, Y inverted": {"above": False, "fault": "Y inverted"},
    "left missing": {"left_out": "left"},
    "right (last of the ring) missing": {"left_out": "right"},
    "back doubled": {"doubled": "back"},
}


@dataclass(frozen=True, slots=True)
class Told:
    """What was said of one walk."""

    error_deg: float
    """Of what the sound is turned by, once the channels are put right; NaN where it is not told."""
    held: tuple[bool, ...]
    mirrored: bool | None
    truly_mirrored: bool
    named: str
    """The fault said to be the likeliest."""
    named_knowing: str
    """The same, told which way up and where the microphone faced."""
    seconds: float


def tell(job: tuple[str, int]) -> Told:
    """One walk."""
    case, seed = job
    with tempfile.TemporaryDirectory() as folder:
        walk = make_walk(seed, Path(folder), **CASES[case])  # type: ignore[arg-type]
        fault = FAULTS[walk.fault]
        flipped = bool(np.linalg.det(fault) < 0)
        started = time.process_time()
        try:
            result = orient_claps([walk.take], walk.names, repair=True)
        except InconclusiveError:
            return Told(float("nan"), (), None, flipped, "", "", time.process_time() - started)
        seconds = time.process_time() - started
        up = Hanging.UPRIGHT if walk.mount[2, 2] > 0 else Hanging.UPSIDE_DOWN
        word = MountPrior(up, facing_rad=ypr_from_matrix(walk.mount).yaw_rad)
        try:
            known = orient_claps([walk.take], walk.names, prior=word, repair=True).faults
        except InconclusiveError:
            known = ()
    found = result.repaired.mount @ result.repaired.mic_from_take if result.repaired else result.matrix
    error, held = float("nan"), ()
    if found is not None:
        truth = walk.mount @ fault.T
        error = float(np.degrees(rotation_angle(found, truth))) if np.linalg.det(found @ truth) > 0 else 180.0
        mount = truth @ result.repaired.take_from_mic if result.repaired else truth
        if np.linalg.det(mount) > 0 and result.angles is not None:
            angles = ypr_from_matrix(mount)
            held = tuple(
                abs(np.angle(np.exp(1j * (getattr(result.angles, name) - getattr(angles, name)))))
                < 1.96 * getattr(result.sd_rad, name)
                for name in ("yaw_rad", "pitch_rad", "roll_rad")
            )
    return Told(
        *(error, held, result.mount.mirrored, flipped),
        named=result.faults[0].name if result.faults else "",
        named_knowing=known[0].name if known else "",
        seconds=seconds,
    )


def row(case: str, told: Sequence[Told]) -> str:
    """One row of the table."""
    fault = str(CASES[case].get("fault", "none"))
    errors = [one.error_deg for one in told if np.isfinite(one.error_deg)]
    wrong = sum(one.mirrored is not None and one.mirrored != one.truly_mirrored for one in told)
    right = sum(one.mirrored is not None and one.mirrored == one.truly_mirrored for one in told)

    def named(said: list[str]) -> int:
        return sum(name.startswith(_words(fault)) for name in said)

    channel = "-"
    if fault != "none":
        channel = f"{named([one.named for one in told])} / {named([one.named_knowing for one in told])}"
    size = f"{np.median(errors):.1f} | {max(errors):.1f}" if errors else "- | -"
    return f"| {case} | {len(told)} | {len(told) - len(errors)} | {size} | {right} | {wrong} | {channel} |"


def _words(fault: str) -> str:
    """How the program's name of a fault begins."""
    if fault == "W inverted":
        return "W is inverted"
    return fault.replace(" inverted", " (").replace(" swapped", " are swapped")


def main(each: int) -> str:
    """The page."""
    jobs = [(case, FIRST_SEED + 100 * number + n) for number, case in enumerate(CASES) for n in range(each)]
    with ProcessPoolExecutor(2) as pool:
        told = list(pool.map(tell, jobs))
    held = np.array([one.held for one in told if one.held])
    by_case = {case: [one for (name, _), one in zip(jobs, told, strict=True) if name == case] for case in CASES}
    lines = [
        "# The clap walk",
        "",
        f"`python -m tests.bench.clapwalk {each}`: {len(jobs)} walks of about 30 s in rooms with RT60 0.25 to 0.7 s "
        "and noise at 12 to 30 dB; the clapper stands within 5° (sd) of each place and talks and steps in between; the "
        "microphone faces about ahead, left, right or back. Error: of what turns the sound into the picture, degrees; "
        "180 means the wrong hand. Channel: walks in which the channel at fault is named first, of itself / when told "
        "which way up the microphone was and where it faced; with nothing told it is a guess by how "
        "microphones usually sit.",
        "",
        "| walk | walks | not told | median | worst | mirrored or not: right | wrong | channel |",
        "|---|---|---|---|---|---|---|---|",
        *[row(case, by_case[case]) for case in CASES],
        "",
        f"95 % intervals of yaw, pitch and roll hold the truth in {100 * held[:, 0].mean():.0f}, "
        f"{100 * held[:, 1].mean():.0f} and {100 * held[:, 2].mean():.0f} % of {len(held)}. Processor time for a walk "
        f"(after the first, which loads libraries): {np.median([one.seconds for one in told]):.2f} s.",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
    print(text)
    (Path(__file__).parent / "results" / "clapwalk.md").write_text(text, encoding="utf-8")
