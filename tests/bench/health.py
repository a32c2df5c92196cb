"""How surely each fault of a recording is found, and how often a sound one is accused.

Run: python -m tests.bench.health [COUNT]            (writes tests/bench/results/health.md)
     python -m tests.bench.health ordinary [COUNT]   (writes tests/bench/results/health_ordinary.md)
"""

import sys
from collections import Counter
from pathlib import Path

from spatial.findings import Finding, Severity
from spatial.health.meter import HealthMeter
from spatial.jobs.inspect.health_findings import health_findings
from spatial.jobs.inspect.take_health import channel_names, coding_step, step_looks
from tests.bench.healthordinary import CONDITIONS, make_ordinary
from tests.scenes.health import FIELD_FROM, Scene, make_scene
from tests.scenes.health_faults import FAULTS, sound_of
from tests.scenes.rooms import on_both_cores

FIRST_SEED = 1000
"""Seeds below were used while thresholds were chosen."""


def judge(scene: Scene, fault: str = "") -> list[Finding]:
    """What the scene with the fault in it is accused of."""
    sound = sound_of(scene, fault=fault)
    matrix = FIELD_FROM[scene.recorded_format]
    step = coding_step([sound[:, start:stop] for start, stop in step_looks(sound.shape[1])], own=scene.step)
    meter = HealthMeter(scene.rate_hz, sound.shape[1], step=step, field_from_recorded=matrix)
    meter.push(sound)
    return health_findings(meter.finish(), channel_names(matrix), "take")


def can_have(scene: Scene, fault: str) -> bool:
    """Whether the fault shows at all: swapped capsules make another true field, whatever one does."""
    return not (fault == "swapped_channels" and scene.recorded_format == "capsules")


def measure(seed: int, faults: tuple[str, ...] = tuple(FAULTS)) -> dict[str, list[tuple[str, str]]]:
    """For each fault and for none (""), codes and severities of what was found."""
    scene = make_scene(seed)
    return {
        fault: [(finding.code, finding.severity.value) for finding in judge(scene, fault)]
        for fault in ("", *faults)
        if can_have(scene, fault)
    }


def main(count: int, first: int = FIRST_SEED) -> str:
    """The table."""
    rows = on_both_cores(measure, range(first, first + count))
    sound = [row[""] for row in rows]
    lines = [
        "# Faults of a recording: found, and wrongly found",
        "",
        f"`python -m tests.bench.health {count}`: {count} sound recordings (seeds {first} to {first + count - 1}) of "
        "12 s, and each of them again with each fault. Rooms of RT60 0.2 to 0.5 s and open air; speech, music, bass, "
        "organ, loud claps, sticks, thunder, room tone, very quiet rooms in 16 bits, digital silence at the ends and "
        "in the middle, one source exactly on an axis, sources in the horizontal plane, a performer 0.3 m away; "
        "ACN/SN3D, N3D, FuMa and capsules; 16 and 24 bits; capsules that differ by 0.3 dB (one standard deviation). "
        "Of a swap counts as well that W has an odd power (`gain_mismatch`, which names swaps). In a room's even "
        "noise, or with one performer square to a channel, no physics tells a gain or a swap.",
        "",
        "| fault | code | found | as fix | sound ones accused | of them as fix |",
        "|---|---|---|---|---|---|",
    ]
    for fault, (_, _, code) in FAULTS.items():
        # W in another place may show as an odd power of W alone, and that finding says so.
        codes = {code, "gain_mismatch"} if fault == "swapped_channels" else {code}
        found = [[severity for name, severity in row[fault] if name in codes] for row in rows if fault in row]
        accused = [[severity for name, severity in row if name == code] for row in sound]
        lines.append(
            f"| {fault} | `{code}` | {_share(found)} | {_share(found, 'fix')} | {_share(accused)} "
            f"| {_share(accused, 'fix')} |"
        )
    any_fix = sum(any(severity == Severity.FIX.value for _, severity in row) for row in sound)
    lines += ["", f"Sound recordings accused of anything to fix: {any_fix} of {count} ({100 * any_fix / count:.1f} %)."]
    return "\n".join(lines) + "\n"


def _share(rows: list[list[str]], severity: str = "") -> str:
    hits = sum(any(not severity or one == severity for one in row) for row in rows)
    return f"{100 * hits / len(rows):.0f} %"


_ORDINARY_FAULTS = ("", "gain_mismatch", "holes", "dead_channel", "polarity", "swapped_channels")
"""Of these each ordinary recording gets one in turn: what the conditions could hide."""


def measure_ordinary(seed: int) -> tuple[str, str, list[tuple[str, str]], list[tuple[str, str]]]:
    """Condition and fault; codes and severities of the sound recording, and of the one with the fault."""
    scene = make_ordinary(seed)
    fault = _ORDINARY_FAULTS[1 + seed // len(CONDITIONS) % (len(_ORDINARY_FAULTS) - 1)]
    fault = fault if can_have(scene, fault) else "gain_mismatch"
    found = [[(finding.code, finding.severity.value) for finding in judge(scene, one)] for one in ("", fault)]
    return scene.kind, fault, found[0], found[1]


def main_ordinary(count: int, first: int = FIRST_SEED) -> str:
    """False accusations by condition."""
    rows = on_both_cores(measure_ordinary, range(first, first + count))
    lines = [
        "# Ordinary recordings, by condition: wrongly accused",
        "",
        f"`python -m tests.bench.health ordinary {count}`: {count} sound recordings (seeds {first} to "
        f"{first + count - 1}) of 10 s to 3 min, 44.1, 48 and 96 kHz, 16 and 24 bits, all formats. Each is heard again "
        "with one fault. `level` and `noise_floor` say what is so, and are not counted; nor is that a recording holds "
        "no height, where it holds none.",
        "",
        "| condition | recordings | fix | look | codes |",
        "|---|---|---|---|---|",
    ]
    fixes = 0
    for condition in CONDITIONS:
        own = [_accusations(condition, sound) for kind, _, sound, _ in rows if kind == condition]
        fix = sum(any(severity == Severity.FIX.value for _, severity in row) for row in own)
        look = sum(any(severity == Severity.LOOK.value for _, severity in row) for row in own)
        named = Counter(code for row in own for code, _ in row)
        lines.append(f"| {condition} | {len(own)} | {fix} | {look} | {', '.join(sorted(named))} |")
        fixes += fix
    lines += ["", f"Sound recordings accused of anything to fix: {fixes} of {count}.", ""]
    lines += ["| fault | recordings | found | as fix |", "|---|---|---|---|"]
    for fault in _ORDINARY_FAULTS[1:]:
        codes = {FAULTS[fault][2]} | ({"gain_mismatch"} if fault == "swapped_channels" else set())
        found = [[severity for code, severity in row if code in codes] for _, one, _, row in rows if one == fault]
        if found:
            lines.append(f"| {fault} | {len(found)} | {_share(found)} | {_share(found, 'fix')} |")
    return "\n".join(lines) + "\n"


def _accusations(condition: str, found: list[tuple[str, str]]) -> list[tuple[str, str]]:
    true = {("level", "look"), ("noise_floor", "look")}
    if condition == "no height recorded":
        true.add(("dead_channel", "look"))
    return [one for one in found if one[1] != Severity.NOTE.value and one not in true]


def misses(count: int, first: int) -> None:
    """Print what went wrong, seed by seed, for whoever works on the detectors."""
    for seed in range(first, first + count):
        scene = make_scene(seed)
        print(seed, scene.kind, scene.recorded_format, scene.bits, f"{scene.peak_dbfs:.0f} dBFS")
        for fault in (fault for fault in ("", *FAULTS) if can_have(scene, fault)):
            found = judge(scene, fault)
            codes = Counter(finding.code for finding in found)
            if fault and not codes[FAULTS[fault][2]]:
                print("   missed", fault, dict(codes))
            if not fault:
                for finding in found:
                    print("   accused:", finding.severity, finding.message, flush=True)


if __name__ == "__main__":
    ordinary = sys.argv[1:2] == ["ordinary"]
    counts = [int(word) for word in sys.argv[1 + ordinary :]]
    if ordinary:
        name, text = "health_ordinary.md", main_ordinary(counts[0] if counts else 300)
    else:
        name, text = "health.md", main(counts[0] if counts else 108)
    print(text)
    (Path(__file__).parent / "results" / name).write_text(text, encoding="utf-8")
